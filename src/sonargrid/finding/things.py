"""What stands there: the record of one found thing, shared by the finders, the scores, the pictures and the files.

Finding is the business of `plateaus` and `objects`.  Floor axes [m], bearings [rad].
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from typing import Any

COUNTED_KINDS = ("post", "cluster", "echo")  # things that stand on the floor
BACKGROUND_KINDS = ("wall", "corner")
KINDS = COUNTED_KINDS + BACKGROUND_KINDS


@dataclass(frozen=True, slots=True)
class Object:
    """One thing that was found; nan = the data do not say.

    kind : ``post``, ``cluster`` (no circle or wall explains it, a box included), ``echo`` (heard from one station
        only), ``wall`` (0.45 m and longer) or ``corner`` (where two listed walls meet)
    x_m, y_m : estimated centre; a wall's middle
    diameter_m : of a post
    width_m, heading_rad : a wall's length and direction in [0, pi); a box's width and direction where known
    x_sigma_m, y_sigma_m, xy_correlation, diameter_sigma_m : uncertainty, station pose, head angle and air included
    nearest_m : from the servo axis of the nearest station to the near face
    bearing_rad : bearing on the floor from that axis
    confidence : probability that the thing is there; nan until fitted
    stations, readings : how many stations heard it, in how many readings
    """

    kind: str
    x_m: float
    y_m: float
    x_sigma_m: float
    y_sigma_m: float
    xy_correlation: float
    nearest_m: float
    bearing_rad: float
    stations: int
    readings: int
    diameter_m: float = math.nan
    width_m: float = math.nan
    heading_rad: float = math.nan
    diameter_sigma_m: float = math.nan
    confidence: float = math.nan

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"kind must be one of {', '.join(KINDS)}, got {self.kind!r}")
        if not (math.isfinite(self.x_m) and math.isfinite(self.y_m)):
            raise ValueError("the centre of an object is never empty")

    @property
    def counted(self) -> bool:
        """True for things that `count` counts, False for walls and corners."""
        return self.kind in COUNTED_KINDS

    def ends_m(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Return the two ends (x, y) of a wall or of a face with known width and direction [m].

        Raises
        ------
        ValueError
            If width or direction are not known.
        """
        if math.isnan(self.width_m) or math.isnan(self.heading_rad):
            raise ValueError(f"a {self.kind} without width and direction has no ends")
        dx, dy = 0.5 * self.width_m * math.cos(self.heading_rad), 0.5 * self.width_m * math.sin(self.heading_rad)
        return (self.x_m - dx, self.y_m - dy), (self.x_m + dx, self.y_m + dy)


class Things(tuple[Object, ...]):
    """The things of a map in the order of objects.csv: a tuple of `Object` that tables take and notebooks show.

    >>> post = Object("post", 1.0, 2.0, 0.01, 0.01, 0.0, 2.2, math.pi / 2, 3, 40, diameter_m=0.05)
    >>> Things([post, post])
    Things(2 post)
    >>> record = Things([post]).to_records()[0]
    >>> record["id"], record["kind"], record["bearing_deg"], record["width_m"]
    (1, 'post', 90.0, nan)
    """

    __slots__ = ()

    def __repr__(self) -> str:
        count = Counter(thing.kind for thing in self)
        return f"Things({', '.join(f'{count[kind]} {kind}' for kind in KINDS if count[kind]) or 'none'})"

    def to_records(self) -> list[dict[str, Any]]:
        """Return one record a thing, as data-frame libraries take them: the columns of objects.csv, nan = unknown."""
        return [_record(thing, number) for number, thing in enumerate(self, start=1)]


def _record(thing: Object, number: int) -> dict[str, Any]:
    return {
        "id": number,
        "kind": thing.kind,
        "x_m": thing.x_m,
        "y_m": thing.y_m,
        "diameter_m": thing.diameter_m,
        "width_m": thing.width_m,
        "heading_deg": math.degrees(thing.heading_rad),
        "x_sigma_m": thing.x_sigma_m,
        "y_sigma_m": thing.y_sigma_m,
        "xy_correlation": thing.xy_correlation,
        "diameter_sigma_m": thing.diameter_sigma_m,
        "nearest_m": thing.nearest_m,
        "bearing_deg": (math.degrees(thing.bearing_rad) + 180.0) % 360.0 - 180.0,
        "confidence": thing.confidence,
        "stations": thing.stations,
        "readings": thing.readings,
    }

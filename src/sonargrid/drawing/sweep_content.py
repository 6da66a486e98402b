"""What one station's sweep holds, before it is drawn: readings by head angle, arcs of equal range, findings.

Head angles in degrees (0 = the robot's right, 90 = straight ahead), ranges in metres.  Drawing is `sweep_strip`'s and
`sweep_picture`'s business.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Floats, Ints
from sonargrid.finding.plateaus import Plateau
from sonargrid.physics.geometry import wrap_deg
from sonargrid.runs.readings import Pings, Run


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that was noticed on a span of head angles.

    first_rad, last_rad : head angles, 0 = the robot's right, pi/2 = straight ahead
    words : one sentence
    """

    first_rad: float
    last_rad: float
    words: str


@dataclass(frozen=True, slots=True, eq=False)
class StripContent:
    """What one strip shows; arrays (N,) over the station's readings.

    station, heading_rad : its name, and where it faces
    number : of each reading in the run, counted from 1
    head_deg : head angles, 0 = the robot's right, 90 = straight ahead
    range_m : inf = silent, nan = void
    turning : +1, -1, 0 = not known
    plateaus : of this station, numbered from 1 in this order
    chosen : number of the one reading that is pointed out
    """

    station: str
    heading_rad: float
    number: Ints
    head_deg: Floats
    range_m: Floats
    turning: Ints
    plateaus: tuple[Plateau, ...]
    reach_m: float
    findings: tuple[Finding, ...] = ()
    title: str = ""
    chosen: int | None = None

    def head_of(self, plateau: Plateau) -> tuple[float, float, float]:
        """Return a plateau's (left edge, bearing, right edge) as head angles [deg], within the strip's axis."""
        turn = math.degrees(plateau.bearing_rad - self.heading_rad) + 90.0
        low, high = self.span_deg
        turn -= 360.0 * math.floor((turn - (low + high) / 2 + 180.0) / 360.0)
        left = turn + math.degrees(plateau.left_rad - plateau.bearing_rad)
        return left, turn, turn + math.degrees(plateau.right_rad - plateau.bearing_rad)

    @property
    def span_deg(self) -> tuple[float, float]:
        """Least and largest head angle on the axis: 0 to 180, or more where readings lie beyond."""
        if not self.head_deg.size:
            return 0.0, 180.0
        low, high = float(self.head_deg.min()), float(self.head_deg.max())
        return min(0.0, 10.0 * math.floor(low / 10 + 1e-9)), max(180.0, 10.0 * math.ceil(high / 10 - 1e-9))

    @property
    def top_m(self) -> float:
        """Largest range on the axis: reach, or a little above the farthest echo where that is nearer."""
        echoes = self.range_m[np.isfinite(self.range_m)]
        return min(self.reach_m, max(0.1, 1.12 * float(echoes.max()))) if echoes.size else self.reach_m


def strip_content(
    run: Run,
    pings: Pings,
    station: int,
    plateaus: Sequence[Plateau],
    findings: Sequence[Finding] = (),
    chosen: int | None = None,
) -> StripContent:
    """Return what the strip of one station shows.

    Parameters
    ----------
    run : Run
    pings : Pings
        Its calibrated readings.
    station : int
        Index into the run's stations.
    plateaus : sequence of Plateau
        Of any stations, as `find_plateaus` gives them.
    findings : sequence of Finding
        Of this station.
    chosen : int, optional
        Number of a reading to point out, counted from 1 over the run.

    Examples
    --------
    >>> from sonargrid.runs.calibration import calibrated
    >>> from sonargrid.runs.readings import Readings
    >>> run = Run(Readings("angle_deg", "range_cm", [0.0, 90.0], [50.0, np.inf], [0, 0], [0, 0], [1, 1]))
    >>> strip_content(run, calibrated(run), 0, ()).head_deg.round(6).tolist()
    [0.0, 90.0]
    """
    rows = np.flatnonzero(pings.station == station)
    place = run.stations[station]
    return StripContent(
        station=place.name,
        heading_rad=place.heading_rad,
        number=(rows + 1).astype(np.int32),
        head_deg=np.degrees(pings.rays.head_rad[pings.ray[rows]]) + 90.0,
        range_m=pings.range_m[rows],
        turning=pings.turning[rows].astype(np.int64),
        plateaus=tuple(p for p in plateaus if p.station == station),
        reach_m=pings.reach_m,
        findings=tuple(findings),
        title=run.title or run.name,
        chosen=chosen,
    )


def strip_words(content: StripContent) -> str:
    """Return one line on what the strip holds."""
    echoes, silent = int(np.isfinite(content.range_m).sum()), int(np.isposinf(content.range_m).sum())
    void = int(content.range_m.size) - echoes - silent
    parts = [f"{echoes} echoes", f"{silent} silent", *([f"{void} void"] if void else [])]
    arcs = len(content.plateaus)
    name = " ".join(content.station.split())
    return f"station {name}: {', '.join(parts)}; {arcs} arc{'' if arcs == 1 else 's'} of equal range"


def strip_description(content: StripContent) -> str:
    """Return the strip in words, for those who cannot see it."""
    arcs = [f"{number}: {plateau_words(p)}" for number, p in enumerate(content.plateaus, start=1)]
    found = [f"{finding_letter(n)}: {finding.words}" for n, finding in enumerate(content.findings, start=1)]
    return f"{strip_words(content)}. {'; '.join(arcs) or 'No arcs'}. {' '.join(found)}".strip()


def plateau_words(plateau: Plateau) -> str:
    """Return an arc's range and bearing on the floor."""
    return f"{plateau.range_m:.3f} m at bearing {float(wrap_deg(math.degrees(plateau.bearing_rad))):.0f}°"


def finding_letter(number: int) -> str:
    """Return a, b, ... z, aa, ab, ... for 1, 2, ...

    >>> finding_letter(1), finding_letter(26), finding_letter(27)
    ('a', 'z', 'aa')
    """
    letters = ""
    while number > 0:
        number, rest = divmod(number - 1, 26)
        letters = chr(97 + rest) + letters
    return letters

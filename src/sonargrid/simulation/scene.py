"""A simulated room: what truly stands there, where the robot truly stood, and how the ranger misbehaves.

Floor axes [m], angles [rad].  Records only: `room_echoes` says what answers, `simulate` turns it into a run.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.runs.readings import ANGLE_COLUMNS, DISTANCE_COLUMNS, Air, Head, Mark, Ranger, Robot, Station, Target

SURFACES = ("smooth", "rough")
BEAMS = ("piston", "soft", "lobed", "flat")
CHANCES = ("dropout", "missed_first", "stray", "slip", "tail", "crosstalk")


@dataclass(frozen=True, slots=True)
class SceneWall:
    """A straight wall between two ends; ``smooth`` answers only square on, ``rough`` from everywhere.

    lean_rad : out of the vertical; a wall that leans sends its echo above or below the beam
    """

    x1_m: float
    y1_m: float
    x2_m: float
    y2_m: float
    surface: str = "smooth"
    lean_rad: float = 0.0

    def __post_init__(self) -> None:
        if self.surface not in SURFACES:
            raise ValueError(f"surface must be one of {', '.join(SURFACES)}, got {self.surface!r}")
        if math.hypot(self.x2_m - self.x1_m, self.y2_m - self.y1_m) <= 0.0:
            raise ValueError("a wall needs two different ends")


@dataclass(frozen=True, slots=True)
class ScenePost:
    """An upright round post.

    half : only the half that looks along `heading_rad` is there, with a flat back through (x, y)
    """

    x_m: float
    y_m: float
    diameter_m: float
    half: bool = False
    heading_rad: float = 0.0

    def __post_init__(self) -> None:
        if not self.diameter_m > 0.0:
            raise ValueError(f"diameter must be above 0 m, got {self.diameter_m}")

    def flat_m(self) -> tuple[float, float, float, float]:
        """Return the flat back of a half post: x1, y1, x2, y2 [m].

        >>> ScenePost(0.0, 0.0, 0.2, half=True, heading_rad=math.pi / 2).flat_m()
        (0.1, 0.0, -0.1, 0.0)
        """
        dx, dy = 0.5 * self.diameter_m * math.sin(self.heading_rad), 0.5 * self.diameter_m * math.cos(self.heading_rad)
        # rounded far below any length that matters, so that a quarter turn gives clean zeros
        ends = (self.x_m + dx, self.y_m - dy, self.x_m - dx, self.y_m + dy)
        x1, y1, x2, y2 = (round(v, 12) + 0.0 for v in ends)
        return x1, y1, x2, y2


@dataclass(frozen=True, slots=True)
class SceneBox:
    """An upright box: width along its heading, depth across it."""

    x_m: float
    y_m: float
    width_m: float
    depth_m: float
    heading_rad: float = 0.0

    def __post_init__(self) -> None:
        if not (self.width_m > 0.0 and self.depth_m > 0.0):
            raise ValueError(f"width and depth must be above 0 m, got {self.width_m} and {self.depth_m}")

    def corners_m(self) -> list[tuple[float, float]]:
        """Return the four corners (x, y), counter-clockwise [m].

        >>> SceneBox(0.0, 0.0, 0.2, 0.1).corners_m()[0]
        (-0.1, -0.05)
        """
        c, s = math.cos(self.heading_rad), math.sin(self.heading_rad)
        half = ((-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5))
        return [
            (
                self.x_m + c * u * self.width_m - s * v * self.depth_m,
                self.y_m + s * u * self.width_m + c * v * self.depth_m,
            )
            for u, v in half
        ]


@dataclass(frozen=True, slots=True)
class SweepPlan:
    """How the head moves: from one head angle to another in steps, so many passes, there and back or always one way.

    Head angles as the file names them: pi/2 = straight ahead unless the head says otherwise (0 for a fixed ring).  A
    pass there and a pass back count as two.

    angle_column, distance_column : what the log holds
    resolution : smallest step of the distances, in their own unit; None = 1 us, 1 mm; 0 = no rounding
    """

    from_rad: float = 0.0
    to_rad: float = math.pi
    step_rad: float = math.radians(3.0)
    passes: int = 1
    both_ways: bool = False
    ping_interval_s: float = 0.06
    angle_column: str = "angle_deg"
    distance_column: str = "echo_us"
    resolution: float | None = None

    def __post_init__(self) -> None:
        if self.angle_column not in ANGLE_COLUMNS or self.distance_column not in DISTANCE_COLUMNS:
            raise ValueError(f"no such columns: {self.angle_column!r}, {self.distance_column!r}")
        if self.resolution is not None and not self.resolution >= 0.0:
            raise ValueError(f"resolution must be 0 or above, got {self.resolution!r}")
        if not (
            self.step_rad > 0.0 and self.passes >= 1 and self.to_rad > self.from_rad and self.ping_interval_s > 0.0
        ):
            raise ValueError(
                "a sweep needs a step above 0, at least one pass, an end above its start, an interval above 0"
            )


@dataclass(frozen=True, slots=True)
class Noise:
    """How the ranger and the world misbehave; the defaults are an ordinary hobby ranger in a quiet room.

    Levels: pings of one bearing hear the same surface from the same place, so most of the scatter comes back in every
    repeat.  All figures are common practice or taken from bench reports, none from a published table.

    threshold_db : echo level, relative to a smooth wall at 1 m on the axis, that is just heard at 1 m
    level_spread_db : scatter of an echo's level from station to station, the same in all its pings
    fading_db : scatter from bearing to bearing, the same in all repeats
    level_sigma_db : scatter from ping to ping
    echo_sigma_m : scatter of an echo's range from station to station, the same in all its pings
    range_sigma_m, range_sigma_share : timing noise of a ping, fixed part and share of the range
    late_m : how much later the weakest echo triggers than a strong one
    dropout : chance that a ping hears nothing at all
    missed_first : chance that a ping is deaf to its first echo and reports the next one, if there is one
    stray : chance of an early echo of nothing
    slip : chance that an echo is reported one period (25 us at 40 kHz) late
    tail, tail_factor : chance of a reading with `tail_factor` times the noise
    ghosts : whether smooth walls mirror posts (second-order echoes)
    beam : ``piston``, ``soft`` (Gaussian, no nulls), ``lobed`` (piston with raised side lobes) or ``flat`` (hard edge)
    flat_rad : half angle of a flat beam
    skew : relative difference of the beam's width, left against right (0.1 = 10 % wider left)
    crosstalk : chance that a ping, in one sector of 40 degrees at each station, hears a late echo of the ping before
    double_bounce : whether a square-on wall also answers at twice its range
    floor_m : range of a floor echo heard at every bearing; 0 = none
    floor_db : its level
    angle_jitter_rad : of the head at each stop
    bend_rad : amplitude of the servo's non-linearity over the half circle
    station_errors : the run claims each station off by its own sigmas (unless the scene gives other stations)
    patch_db : level of one 5 cm patch of a rough wall at 1 m
    edge_db : level of a convex edge at 1 m
    """

    threshold_db: float = -26.0
    level_spread_db: float = 0.7
    fading_db: float = 0.9
    level_sigma_db: float = 1.0
    echo_sigma_m: float = 0.001
    range_sigma_m: float = 0.0035
    range_sigma_share: float = 0.0055
    late_m: float = 0.007
    dropout: float = 0.02
    missed_first: float = 0.0
    stray: float = 0.01
    slip: float = 0.0
    tail: float = 0.02
    tail_factor: float = 4.0
    ghosts: bool = False
    beam: str = "piston"
    flat_rad: float = math.radians(15.0)
    skew: float = 0.0
    crosstalk: float = 0.0
    double_bounce: bool = False
    floor_m: float = 0.0
    floor_db: float = -24.0
    angle_jitter_rad: float = math.radians(0.2)
    bend_rad: float = 0.0
    station_errors: bool = False
    patch_db: float = -20.0
    edge_db: float = -34.0

    def __post_init__(self) -> None:
        if self.beam not in BEAMS:
            raise ValueError(f"beam must be one of {', '.join(BEAMS)}, got {self.beam!r}")
        for name in CHANCES:
            if not 0.0 <= getattr(self, name) <= 1.0:
                raise ValueError(f"{name} is a chance and must lie in 0..1, got {getattr(self, name)!r}")

    @classmethod
    def none(cls, **kept: Any) -> Noise:
        """Return a noise without any scatter or fault, except for what is named.

        >>> Noise.none(dropout=0.1).dropout, Noise.none().range_sigma_m, Noise.none().threshold_db
        (0.1, 0.0, -26.0)
        """
        scatter = ("level_spread_db", "fading_db", "level_sigma_db", "echo_sigma_m", "range_sigma_m")
        other = ("range_sigma_share", "late_m", "angle_jitter_rad", *CHANCES)
        return cls(**{**dict.fromkeys(scatter + other, 0.0), **kept})


@dataclass(frozen=True, slots=True)
class Scene:
    """A room, the true state of the robot in it, and what the recorded run will claim.

    air, ranger, head, robot, stations : the truth
    given_air, given_ranger, given_head, given_robot, given_stations : what the run says instead; None = the truth
    assumed : full keys of sigmas that nobody stated, handed on to the run
    """

    stations: tuple[Station, ...]
    walls: tuple[SceneWall, ...] = ()
    posts: tuple[ScenePost, ...] = ()
    boxes: tuple[SceneBox, ...] = ()
    air: Air = Air()
    ranger: Ranger = Ranger()
    head: Head = Head()
    robot: Robot = Robot()
    given_air: Air | None = None
    given_ranger: Ranger | None = None
    given_head: Head | None = None
    given_robot: Robot | None = None
    given_stations: tuple[Station, ...] | None = None
    sweep: SweepPlan = SweepPlan()
    noise: Noise = Noise()
    marks: tuple[Mark, ...] = ()
    targets: tuple[Target, ...] = ()
    seed: int = 0
    title: str = ""
    notes: str = ""
    name: str = "simulated"
    assumed: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not self.stations:
            raise ValueError("a scene needs at least one station")
        if self.given_stations is not None and len(self.given_stations) != len(self.stations):
            raise ValueError("given_stations must name the same stations as stations")

    def segments(self) -> Floats:
        """Return the (n, 4) straight faces, walls first, then boxes, then flat backs: x1, y1, x2, y2 [m]."""
        rows = [(w.x1_m, w.y1_m, w.x2_m, w.y2_m) for w in self.walls]
        for box in self.boxes:
            c = box.corners_m()
            rows += [(*c[i], *c[(i + 1) % 4]) for i in range(4)]
        rows += [post.flat_m() for post in self.posts if post.half]
        return np.array(rows, dtype=np.float64).reshape(-1, 4)

    def things(self) -> tuple[str, ...]:
        """Return the names of all that stands there: walls, posts, boxes, numbered from 1.

        >>> Scene((Station("A"),), posts=(ScenePost(0.0, 0.5, 0.05), ScenePost(0.3, 0.5, 0.05))).things()
        ('post 1', 'post 2')
        """
        counts = (("wall", len(self.walls)), ("post", len(self.posts)), ("box", len(self.boxes)))
        return tuple(f"{kind} {i + 1}" for kind, count in counts for i in range(count))

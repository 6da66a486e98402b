"""A simulated room: what truly stands there, where the robot truly stood, and how the ranger misbehaves.

Floor axes [m], angles [rad].  Records only: `room_echoes` says what answers, `simulate` turns it into a run.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sonargrid.arrays import Floats
from sonargrid.readings import Air, Head, Mark, Ranger, Robot, Station, Target

SURFACES = ("smooth", "rough")


@dataclass(frozen=True, slots=True)
class SceneWall:
    """A straight wall between two ends; ``smooth`` answers only square on, ``rough`` from everywhere."""

    x1_m: float
    y1_m: float
    x2_m: float
    y2_m: float
    surface: str = "smooth"

    def __post_init__(self) -> None:
        if self.surface not in SURFACES:
            raise ValueError(f"surface must be one of {', '.join(SURFACES)}, got {self.surface!r}")
        if math.hypot(self.x2_m - self.x1_m, self.y2_m - self.y1_m) <= 0.0:
            raise ValueError("a wall needs two different ends")


@dataclass(frozen=True, slots=True)
class ScenePost:
    """An upright round post."""

    x_m: float
    y_m: float
    diameter_m: float

    def __post_init__(self) -> None:
        if not self.diameter_m > 0.0:
            raise ValueError(f"diameter must be above 0 m, got {self.diameter_m}")


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

    Head angles: pi/2 = straight ahead, counter-clockwise.  A pass there and a pass back count as two.
    """

    from_rad: float = 0.0
    to_rad: float = math.pi
    step_rad: float = math.radians(3.0)
    passes: int = 1
    both_ways: bool = False
    ping_interval_s: float = 0.06

    def __post_init__(self) -> None:
        if not (
            self.step_rad > 0.0 and self.passes >= 1 and self.to_rad > self.from_rad and self.ping_interval_s > 0.0
        ):
            raise ValueError(
                "a sweep needs a step above 0, at least one pass, an end above its start, an interval above 0"
            )


@dataclass(frozen=True, slots=True)
class Noise:
    """How the ranger and the world misbehave; the defaults are an ordinary hobby ranger in a quiet room.

    threshold_db : echo level, relative to a smooth wall at 1 m on the axis, that is just heard at 1 m
    level_sigma_db : jitter of one echo's level from ping to ping
    range_sigma_m, range_sigma_share : timing noise, fixed part and share of the range
    late_m : how much later the weakest echo triggers than a strong one
    dropout, stray : chance that a ping hears nothing at all; that it reports an early echo of nothing
    slip : chance that an echo is reported one period (25 us at 40 kHz) late
    tail, tail_factor : chance of a reading with `tail_factor` times the noise
    ghosts : whether smooth walls mirror posts (second-order echoes)
    beam : ``piston``, ``soft`` (Gaussian, no nulls) or ``lobed`` (piston with raised side lobes)
    skew : relative difference of the beam's width, left against right (0.1 = 10 % wider left)
    crosstalk : chance that a ping hears the previous ping's late echo
    double_bounce : whether the nearest square-on wall also answers at twice its range
    floor_m : range of a floor echo heard at every bearing; 0 = none
    floor_db : its level
    bend_rad : amplitude of the servo's non-linearity over the half circle
    patch_db : level of one 5 cm patch of a rough wall at 1 m
    edge_db : level of a convex edge at 1 m
    """

    threshold_db: float = -26.0
    level_sigma_db: float = 1.5
    range_sigma_m: float = 0.0035
    range_sigma_share: float = 0.0055
    late_m: float = 0.007
    dropout: float = 0.02
    stray: float = 0.01
    slip: float = 0.0
    tail: float = 0.02
    tail_factor: float = 4.0
    ghosts: bool = False
    beam: str = "piston"
    skew: float = 0.0
    crosstalk: float = 0.0
    double_bounce: bool = False
    floor_m: float = 0.0
    floor_db: float = -24.0
    bend_rad: float = 0.0
    patch_db: float = -20.0
    edge_db: float = -34.0


@dataclass(frozen=True, slots=True)
class Scene:
    """A room, the true state of the robot in it, and what the recorded run will claim.

    air, ranger, head, robot, stations : the truth
    given_air, given_ranger, given_head, given_stations : what the run says instead; None = the truth
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
    given_stations: tuple[Station, ...] | None = None
    sweep: SweepPlan = SweepPlan()
    noise: Noise = Noise()
    marks: tuple[Mark, ...] = ()
    targets: tuple[Target, ...] = ()
    seed: int = 0
    title: str = ""

    def __post_init__(self) -> None:
        if not self.stations:
            raise ValueError("a scene needs at least one station")
        if self.given_stations is not None and len(self.given_stations) != len(self.stations):
            raise ValueError("given_stations must name the same stations as stations")

    def segments(self) -> Floats:
        """Return the (n, 4) straight faces, walls first, then the boxes' faces: x1, y1, x2, y2 [m]."""
        import numpy as np

        rows = [(w.x1_m, w.y1_m, w.x2_m, w.y2_m) for w in self.walls]
        for box in self.boxes:
            c = box.corners_m()
            rows += [(*c[i], *c[(i + 1) % 4]) for i in range(4)]
        return np.array(rows, dtype=np.float64).reshape(-1, 4)

"""What was recorded: the run as its files gave it (`Run`, `Readings`) and what it means on the floor (`Pings`).

Two stages, two records.  `Readings` is the edge: angles and distances in the unit of their file's column, so that a
run can be saved as it was read.  `Pings` is everything after calibration: metres and radians on the floor axes (x
right, y up, bearings counter-clockwise from +x).  In both, a range of inf means "listened, heard nothing" (weak
evidence of free floor) and nan means "no measurement" (no evidence); a ranger's special values never get this far.

No files here (`run_files`), no corrections (`calibration`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np

from sonargrid.arrays import Bools, Floats, Ints, frozen

ANGLE_COLUMNS = ("angle_deg", "pulse_us", "bearing_deg")
DISTANCE_COLUMNS = ("echo_us", "range_m", "range_cm", "range_mm", "range_in")

# Assumed where a run does not state them; common practice, no source.
ASSUMED_TEMPERATURE_SIGMA_C = 3.0
ASSUMED_POSITION_SIGMA_M = 0.01
ASSUMED_HEADING_SIGMA_RAD = math.radians(2.0)
ASSUMED_RANGE_SIGMA_M = 0.01
ASSUMED_ANGLE_SIGMA_RAD = math.radians(1.0)
ASSUMED_TARGET_SIGMA_M = 0.005
ASSUMED_HALF_BEAM_RAD = math.radians(25.0)
ASSUMED_SOFT_RAD = math.radians(2.0)  # how softly detection falls at the beam's edge


@dataclass(frozen=True, slots=True)
class Air:
    """The air of a run."""

    temperature_c: float = 20.0
    temperature_sigma_c: float = ASSUMED_TEMPERATURE_SIGMA_C
    relative_humidity_pct: float = 50.0
    pressure_kpa: float = 101.325


@dataclass(frozen=True, slots=True)
class Ranger:
    """The ultrasonic ranger: what it is, what it hears, how its numbers become metres.

    half_beam_rad : half angle at which a 5 cm post is heard in half of the pings; None = not stated
    half_beam_table : rows of (range [m], half angle [rad]), by rising range; replaces half_beam_rad
    half_beam_soft_rad : how softly detection falls about the half beam: scale of a logistic curve
    no_echo_at : the ranger's own values for "nothing heard", in the unit of the distance column
    assumed_sound_speed_m_s : speed that the firmware used for distances in the file; None = leave them as they are
    """

    label: str = ""
    frequency_hz: float = 40000.0
    half_beam_rad: float | None = None
    half_beam_table: tuple[tuple[float, float], ...] = ()
    half_beam_soft_rad: float = ASSUMED_SOFT_RAD
    transducer_radius_m: float = 0.0078
    blind_zone_m: float = 0.03
    reach_m: float = 1.0
    range_sigma_m: float = ASSUMED_RANGE_SIGMA_M
    range_scale: float = 1.0
    range_bias_m: float = 0.0
    no_echo_at: tuple[float, ...] = ()
    assumed_sound_speed_m_s: float | None = None
    height_m: float = 0.08
    tilt_rad: float = 0.0

    def half_beam_at(self, range_m: float | Floats) -> Floats:
        """Return the half beam at one or more ranges, held constant beyond the table's ends [rad].

        >>> Ranger(half_beam_table=((0.4, 0.5), (1.0, 0.3))).half_beam_at(0.7).round(6).tolist()
        0.4
        """
        r = np.asarray(range_m, dtype=np.float64)
        if self.half_beam_table:
            at, half = zip(*self.half_beam_table, strict=True)
            return np.asarray(np.interp(r, at, half))
        return np.full(r.shape, self.mean_half_beam_rad)

    @property
    def mean_half_beam_rad(self) -> float:
        """The one half angle to use where a single figure is needed [rad]: the mean over 0.4, 0.7 and 1.0 m."""
        if self.half_beam_table:
            at, half = zip(*self.half_beam_table, strict=True)
            return float(np.mean(np.interp([0.4, 0.7, 1.0], at, half)))
        return ASSUMED_HALF_BEAM_RAD if self.half_beam_rad is None else self.half_beam_rad


@dataclass(frozen=True, slots=True)
class Head:
    """The servo head: how its angles in the file become angles of the beam.

    turns : +1 where growing angles turn left (counter-clockwise), -1 where they turn right
    ahead_rad : angle in the file that looks straight ahead
    pulse_centre_us, pulse_us_per_deg : for a file of servo pulses, in the unit of that column
    arm_m, side_m : the ranger's face ahead of, and left of, the servo axis, along and across the beam
    """

    turns: int = 1
    ahead_rad: float = math.pi / 2
    angle_scale: float = 1.0
    angle_offset_rad: float = 0.0
    backlash_rad: float = 0.0
    angle_sigma_rad: float = ASSUMED_ANGLE_SIGMA_RAD
    pulse_centre_us: float = 1500.0
    pulse_us_per_deg: float = 100.0 / 9.0  # 2000 us for 180 degrees; maker data sheets (0.5, 1.5, 2.5 ms)
    arm_m: float = 0.0
    side_m: float = 0.0


@dataclass(frozen=True, slots=True)
class Robot:
    """The robot's disc, and where the servo axis stands on it (ahead of and left of the station's point)."""

    radius_m: float = 0.12
    head_ahead_m: float = 0.0
    head_left_m: float = 0.0


@dataclass(frozen=True, slots=True)
class Mark:
    """A point on the floor that station places were measured from."""

    name: str
    x_m: float
    y_m: float


@dataclass(frozen=True, slots=True)
class Station:
    """A place where the robot was parked.

    >>> Station("A").heading_rad == math.pi / 2
    True
    """

    name: str
    x_m: float = 0.0
    y_m: float = 0.0
    heading_rad: float = math.pi / 2
    position_sigma_m: float = ASSUMED_POSITION_SIGMA_M
    heading_sigma_rad: float = ASSUMED_HEADING_SIGMA_RAD


@dataclass(frozen=True, slots=True)
class Target:
    """A surveyed thing: ``post`` (x, y, diameter), ``corner`` (x, y) or ``wall`` (two ends)."""

    kind: str
    x_m: float = 0.0
    y_m: float = 0.0
    diameter_m: float = 0.0
    x2_m: float = 0.0
    y2_m: float = 0.0
    position_sigma_m: float = ASSUMED_TARGET_SIGMA_M


@dataclass(frozen=True, slots=True)
class Readings:
    """The rows of a run's CSV, each array (N,), in the unit of the column named.

    angle_column, distance_column : which of `ANGLE_COLUMNS`, `DISTANCE_COLUMNS` the file gave
    distance : inf = nothing heard, nan = no measurement; otherwise above 0
    station : index into the run's stations
    sweep : number of the pass of the head, per run
    turning : +1 while the file's angles grow, -1 while they shrink, 0 = not known
    time_s : clock of each reading; None where the file has no such column
    count : how many equal readings each row stands for, see `load_run`; None = one each.  Counted rows have no order:
        sweep and turning are 0
    """

    angle_column: str
    distance_column: str
    angle: Floats
    distance: Floats
    station: Ints
    sweep: Ints
    turning: Ints
    time_s: Floats | None = None
    count: Ints | None = None

    def __post_init__(self) -> None:
        if self.angle_column not in ANGLE_COLUMNS:
            raise ValueError(f"angle_column must be one of {', '.join(ANGLE_COLUMNS)}, got {self.angle_column!r}")
        if self.distance_column not in DISTANCE_COLUMNS:
            raise ValueError(
                f"distance_column must be one of {', '.join(DISTANCE_COLUMNS)}, got {self.distance_column!r}"
            )
        object.__setattr__(self, "angle", frozen(self.angle))
        object.__setattr__(self, "distance", frozen(self.distance))
        object.__setattr__(self, "station", frozen(self.station, np.int32))
        object.__setattr__(self, "sweep", frozen(self.sweep, np.int32))
        object.__setattr__(self, "turning", frozen(self.turning, np.int8))
        if self.time_s is not None:
            object.__setattr__(self, "time_s", frozen(self.time_s))
        if self.count is not None:
            object.__setattr__(self, "count", frozen(self.count, np.int32))
        arrays = [self.distance, self.station, self.sweep, self.turning]
        arrays += [] if self.count is None else [self.count]
        if any(a.shape != self.angle.shape for a in arrays) or self.angle.ndim != 1:
            raise ValueError("all columns of Readings must be one-dimensional and of one length")

    def __len__(self) -> int:
        return int(self.angle.size)

    @property
    def taken(self) -> int:
        """How many readings were taken: the number of rows, or what they stand for together."""
        return number_of(np.ones(len(self), dtype=np.bool_), self.count)

    def one_by_one(self) -> Readings:
        """Return the readings with a row for each; those that were counted together have no order."""
        if self.count is None:
            return self
        row = np.repeat(np.arange(len(self)), self.count)
        names = ("angle", "distance", "station", "sweep", "turning")
        return replace(self, **{name: getattr(self, name)[row] for name in names}, count=None)


def number_of(rows: Bools, count: Ints | None) -> int:
    """Return how many readings the rows that are True stand for.

    >>> number_of(np.array([True, False, True]), np.array([5, 1, 2])), number_of(np.array([True, False]), None)
    (7, 1)
    """
    return int(np.count_nonzero(rows)) if count is None else int(count[rows].sum(dtype=np.int64))


@dataclass(frozen=True, slots=True)
class Run:
    """Everything one recording says, with where each setting came from.

    name : the folder's or file's name without ending; names outputs
    origins : full key such as ``ranger.reach_m`` -> ``run.toml``, ``--reach``, ``SONARGRID_REACH``; absent = default
    assumed : full keys of sigmas that nobody stated (common-practice figures stand in)
    warnings : sentences for the user
    digest : SHA-256 of the input bytes, hex; empty for a run made in memory
    path : where it was read from; empty for a run made in memory
    calibration_sigmas : full key -> standard deviation of a calibration's value, in the record's unit
    """

    readings: Readings
    stations: Sequence[Station] = (Station("A"),)
    air: Air = Air()
    ranger: Ranger = Ranger()
    head: Head = Head()
    robot: Robot = Robot()
    marks: tuple[Mark, ...] = ()
    targets: tuple[Target, ...] = ()
    name: str = "run"
    title: str = ""
    notes: str = ""
    recorded_at: str = ""
    moving: bool = False
    origins: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    assumed: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    digest: str = ""
    path: str = ""
    calibration_sigmas: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))

    def __repr__(self) -> str:
        places = len(set(self.readings.station.tolist()))
        return f"Run {self.name!r}: {self.readings.taken} readings from {places} station{'' if places == 1 else 's'}"

    @property
    def stations_on_floor(self) -> Sequence[Station]:
        """The stations with the sigmas that count: the only station of a run without targets is the floor axes itself.

        >>> rows = Readings("angle_deg", "range_m", [90.0], [0.5], [0], [0], [0])
        >>> Run(rows).stations_on_floor[0].position_sigma_m
        0.0
        """
        if len(self.stations) != 1 or self.targets:
            return self.stations
        return (replace(self.stations[0], position_sigma_m=0.0, heading_sigma_rad=0.0),)


@dataclass(frozen=True, slots=True)
class Rays:
    """The distinct lines of sight of a run: one for each station and calibrated bearing; arrays (M,).

    station : index into the run's stations
    bearing_rad : direction of the beam's axis on the floor
    head_rad : the same relative to straight ahead of the robot
    x_m, y_m : the ranger's face, where ranges are counted from
    axis_x_m, axis_y_m : the servo axis (differs from the face by arm and side)
    commanded_rad : head angle as the file gave it, before calibration; groups repeats and gives the angle step
    """

    station: Ints
    bearing_rad: Floats
    head_rad: Floats
    x_m: Floats
    y_m: Floats
    axis_x_m: Floats
    axis_y_m: Floats
    commanded_rad: Floats

    def __post_init__(self) -> None:
        object.__setattr__(self, "station", frozen(self.station, np.int32))
        for name in ("bearing_rad", "head_rad", "x_m", "y_m", "axis_x_m", "axis_y_m", "commanded_rad"):
            object.__setattr__(self, name, frozen(getattr(self, name)))

    def __len__(self) -> int:
        return int(self.station.size)


@dataclass(frozen=True, slots=True)
class Pings:
    """Calibrated readings: which ray, how far; arrays (N,) in the order of the file.

    ray : index into `rays`
    range_m : distance from the ranger's face to the first echo; inf = silent, nan = void
    sweep : number of the pass
    turning : +1 angles of the file growing, -1 shrinking, 0 not known
    reach_m, range_sigma_m : the ranger's reach, and the standard deviation of one range
    too_near, too_far : how many finite distances fell into the blind zone, and beyond reach
    count : how many equal readings each ping stands for, as in `Readings`; None = one each
    """

    rays: Rays
    ray: Ints
    range_m: Floats
    sweep: Ints
    turning: Ints
    reach_m: float
    range_sigma_m: float
    blind_zone_m: float = 0.0
    time_s: Floats | None = None
    too_near: int = 0
    too_far: int = 0
    count: Ints | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "ray", frozen(self.ray, np.int32))
        object.__setattr__(self, "range_m", frozen(self.range_m))
        object.__setattr__(self, "sweep", frozen(self.sweep, np.int32))
        object.__setattr__(self, "turning", frozen(self.turning, np.int8))
        if self.time_s is not None:
            object.__setattr__(self, "time_s", frozen(self.time_s))
        if self.count is not None:
            object.__setattr__(self, "count", frozen(self.count, np.int32))

    def __len__(self) -> int:
        return int(self.ray.size)

    def number(self, rows: Bools | None = None) -> int:
        """Return how many readings the pings that are True stand for; None = all of them."""
        return number_of(np.ones(len(self), dtype=np.bool_) if rows is None else rows, self.count)

    @property
    def echo(self) -> Bools:
        """(N,) True where an echo came back."""
        return np.isfinite(self.range_m)

    @property
    def silent(self) -> Bools:
        """(N,) True where the ranger listened and heard nothing."""
        return np.isposinf(self.range_m)

    @property
    def void(self) -> Bools:
        """(N,) True where there was no measurement."""
        return np.isnan(self.range_m)

    @property
    def station(self) -> Ints:
        """(N,) index of each reading's station."""
        return self.rays.station[self.ray]

    @property
    def bearing_rad(self) -> Floats:
        """(N,) direction of each reading's axis on the floor [rad]."""
        return self.rays.bearing_rad[self.ray]

    def to_columns(self) -> dict[str, np.ndarray]:
        """Return the readings as columns of equal length, as data-frame libraries take them.

        station is the index into the run's stations; range_m is inf where nothing was heard, nan where nothing was
        measured, and `outcome` says so in words.
        """
        ray = self.ray
        return {
            "station": self.station,
            "sweep": self.sweep,
            "turning": self.turning,
            "head_deg": np.degrees(self.rays.head_rad[ray]) + 90.0,
            "bearing_deg": (np.degrees(self.bearing_rad) + 180.0) % 360.0 - 180.0,
            "x_m": self.rays.x_m[ray],
            "y_m": self.rays.y_m[ray],
            "range_m": self.range_m,
            "outcome": np.select([self.echo, self.silent], ["echo", "silent"], "void"),
        }

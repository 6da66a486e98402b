"""A run as `check` looks at it: each station's readings in the order taken, by head angle, and its sweeps side by side.

Head angles in degrees, 0 = the robot's right, 90 = straight ahead, without the play of the gears; ranges in metres
from the ranger's face, inf = silent, nan = void.  Judging is the business of the modules `check_*`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from sonargrid.arrays import Bools, Floats, Ints
from sonargrid.finding.plateaus import Plateau, find_plateaus
from sonargrid.runs.calibration import calibrated, commanded_rad, head_angle_rad, read_distance_m
from sonargrid.runs.readings import Pings, Run
from sonargrid.runs.sweeps import backwards
from sonargrid.units import RAD_PER_DEG, to_deg

NEAR_PAIR_M = 0.03  # neighbours this near come from one surface: their difference is noise
LEAST_NOISE_M = 0.0005


@dataclass(frozen=True, slots=True, eq=False)
class StationView:
    """One station's readings in the order taken; arrays (N,).

    rows : of the run
    raw : distance as the file has it, in its unit
    read_m : the same in metres, before scale, bias and reach
    step_deg : median gap of the distinct angles; nan for one angle only
    noise_m : how much neighbours on one surface differ, one sigma of a reading
    """

    index: int
    name: str
    rows: Ints
    angle_deg: Floats
    range_m: Floats
    raw: Floats
    read_m: Floats
    sweep: Ints
    turning: Ints
    time_s: Floats | None
    step_deg: float
    noise_m: float
    plateaus: tuple[Plateau, ...]

    @property
    def heard(self) -> Bools:
        """(N,) True where an echo came back within reach."""
        return np.isfinite(self.range_m)

    @property
    def angles_deg(self) -> Floats:
        """(A,) distinct head angles, rising."""
        return np.unique(np.round(self.angle_deg, 6))

    @property
    def span_deg(self) -> float:
        """How far the head turned."""
        return float(self.angle_deg.max() - self.angle_deg.min())


@dataclass(frozen=True, slots=True, eq=False)
class SweepTable:
    """A station's sweeps side by side.

    angle_deg : (A,) head angles, a step apart
    sweeps : (S,) numbers of the passes, in the order taken
    range_m : (S, A) the lower median of a pass on an angle; inf = silent, nan = not asked there
    """

    angle_deg: Floats
    sweeps: Ints
    range_m: Floats


@dataclass(frozen=True, slots=True, eq=False)
class RunView:
    """A run with what is made of it once for all parts of the check.

    servo : whether a head turns (else a fixed ring)
    clock_ok : whether there is a clock that never goes backwards
    """

    run: Run
    pings: Pings
    stations: tuple[StationView, ...]
    servo: bool
    clock_ok: bool

    @property
    def half_beam_deg(self) -> float:
        """The one half angle of the beam to reckon with."""
        return float(to_deg(self.run.ranger.mean_half_beam_rad))


def run_view(run: Run) -> RunView:
    """Return a run as the parts of the check look at it.

    >>> from sonargrid.runs.readings import Readings
    >>> view = run_view(Run(Readings("angle_deg", "range_m", [0.0, 90.0], [0.5, np.inf], [0, 0], [0, 0], [1, 1])))
    >>> view.stations[0].angle_deg.round(6).tolist(), view.stations[0].heard.tolist()
    ([0.0, 90.0], [True, False])
    """
    rows = run.readings
    group = np.zeros(len(rows), dtype=np.int32) if run.moving else rows.station
    pings = calibrated(run)
    clock_ok = rows.time_s is not None and not backwards(group, rows.time_s).size
    no_play = replace(run, head=replace(run.head, backlash_rad=0.0))
    angle = 90.0 + to_deg(head_angle_rad(no_play, commanded_rad(run), np.zeros_like(rows.turning)))
    read = read_distance_m(run)
    plateaus = () if run.moving else find_plateaus(pings, run.ranger)
    clock = rows.time_s if clock_ok and rows.time_s is not None else np.arange(len(rows), dtype=np.float64)
    order = np.lexsort((clock, rows.station))
    cuts = np.flatnonzero(np.diff(rows.station[order])) + 1
    views = tuple(
        _station(run, pings, part, np.asarray(angle), read, plateaus, clock_ok) for part in np.split(order, cuts)
    )
    return RunView(run, pings, views, rows.angle_column != "bearing_deg", clock_ok)


def _station(
    run: Run, pings: Pings, part: Ints, angle: Floats, read: Floats, plateaus: tuple[Plateau, ...], clock_ok: bool
) -> StationView:
    rows = run.readings
    index = int(rows.station[part[0]])
    distinct = np.unique(np.round(angle[part], 6))
    ranges = pings.range_m[part]
    return StationView(
        index=index,
        name=run.stations[index].name,
        rows=part,
        angle_deg=angle[part],
        range_m=ranges,
        raw=rows.distance[part],
        read_m=read[part],
        sweep=rows.sweep[part],
        turning=rows.turning[part],
        time_s=rows.time_s[part] if clock_ok and rows.time_s is not None else None,
        step_deg=float(np.median(np.diff(distinct))) if distinct.size > 1 else math.nan,
        noise_m=_noise(ranges),
        plateaus=tuple(p for p in plateaus if p.station == index),
    )


def _noise(ranges: Floats) -> float:
    steps = steps_between(ranges)
    near = steps[steps < NEAR_PAIR_M]
    return max(LEAST_NOISE_M, 1.4826 * float(np.median(near)) / math.sqrt(2.0)) if near.size >= 8 else LEAST_NOISE_M


def steps_between(ranges: Floats) -> Floats:
    """Return (N - 1,) how far each range is from the one before; nan where one of the two is no echo.

    >>> steps_between(np.array([0.5, 0.75, np.inf])).tolist()
    [0.25, nan]
    """
    finite = np.where(np.isfinite(ranges), ranges, math.nan)
    return np.abs(np.diff(finite))


def sweep_table(station: StationView) -> SweepTable:
    """Return a station's sweeps side by side, on angles a step apart."""
    sweeps, first, sweep_at = np.unique(station.sweep, return_index=True, return_inverse=True)
    taken = np.argsort(np.argsort(first))  # passes in the order taken, whatever their numbers
    step = station.step_deg if math.isfinite(station.step_deg) else 1.0
    low = float(station.angle_deg.min())
    at = np.rint((station.angle_deg - low) / step).astype(np.int64)
    count = int(at.max()) + 1
    table = np.full((sweeps.size, count), math.nan)
    kept = np.flatnonzero(~np.isnan(station.range_m))
    cell = taken[sweep_at.reshape(-1)[kept]].astype(np.int64) * count + at[kept]
    order = np.lexsort((station.range_m[kept], cell))
    cells, start, number = np.unique(cell[order], return_index=True, return_counts=True)
    table.reshape(-1)[cells] = station.range_m[kept][order][start + (number - 1) // 2]
    return SweepTable(low + step * np.arange(count, dtype=np.float64), sweeps[np.argsort(first)], table)


def usual_ranges(table: SweepTable) -> Floats:
    """Return (A,) the lower median of all sweeps on each angle; inf = silent mostly, nan = never asked.

    >>> ranges = np.array([[0.5, np.nan], [np.inf, np.nan], [0.6, np.nan]])
    >>> usual_ranges(SweepTable(np.arange(2.0), np.arange(3), ranges))
    array([0.6, nan])
    """
    known = (~np.isnan(table.range_m)).sum(axis=0)
    return np.asarray(np.sort(table.range_m, axis=0)[np.maximum(0, (known - 1) // 2), np.arange(known.size)])


def stretches(true: Bools, holes: int) -> list[tuple[int, int]]:
    """Return (first, last) of each run of True that is broken by at most so many False in a row.

    >>> stretches(np.array([1, 1, 0, 1, 0, 0, 1], dtype=bool), 1)
    [(0, 3), (6, 6)]
    """
    at = np.flatnonzero(true)
    if not at.size:
        return []
    cuts = np.flatnonzero(np.diff(at) > holes + 1) + 1
    return [(int(part[0]), int(part[-1])) for part in np.split(at, cuts)]


def plateau_head_deg(plateau: Plateau, run: Run) -> tuple[float, float, float]:
    """Return a plateau's right edge, bearing and left edge as head angles [deg]."""
    heading = run.stations[plateau.station].heading_rad
    middle = math.remainder(plateau.bearing_rad - heading, 2.0 * math.pi)
    edges = (plateau.right_rad - plateau.bearing_rad, 0.0, plateau.left_rad - plateau.bearing_rad)
    right, at, left = (90.0 + (middle + edge) / RAD_PER_DEG for edge in edges)
    return right, at, left

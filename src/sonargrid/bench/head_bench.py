"""A run over surveyed things -> the head's calibration in the keys of run.toml; without things, its backlash alone.

Brings the run's targets into each station's view, fits station by station (`head_fit`), adds the stations' answers by
what they know, and turns offset and scale of a run of pulses into a centre and microseconds per degree.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.bench.head_fit import HeadFit, fit_head
from sonargrid.bench.heard_things import Sighting, Sweeps
from sonargrid.errors import SonargridError
from sonargrid.finding.plateaus import Plateau, find_plateaus
from sonargrid.physics.geometry import foot_on_segment, range_and_bearing, to_floor, wrap
from sonargrid.runs.calibration import calibrated, commanded_rad, read_distance_m
from sonargrid.runs.readings import Pings, Run, Station, Target
from sonargrid.runs.sweeps import sweep_rate
from sonargrid.units import RAD_PER_DEG

SAME_RANGE_M = 0.02  # arcs of the two senses this near in range and bearing are one thing's
SAME_BEARING_RAD = math.radians(12.0)
END_STEPS = 2.1  # an edge so near the sweep's end is the sweep's
LEAST_EDGES = 4
BEYOND_SWEEP_RAD = math.radians(10.0)  # things this far outside the sweep can still be heard


@dataclass(frozen=True, slots=True)
class StationView:
    """One station's sweeps, ranges scaled but not shifted, and (name, target, how it should be seen) within them."""

    sweeps: Sweeps
    seen: tuple[tuple[str, Target, Sighting], ...]


@dataclass(frozen=True, slots=True)
class SeenTarget:
    """One target from one station: what it is, where the head should look at it, and what is left after the fit."""

    station: str
    name: str
    head_angle_deg: float
    range_m: float
    half_deg: float
    residual_deg: float
    residual_sigma_deg: float


@dataclass(frozen=True, slots=True)
class HeadCalibration:
    """What the bench says of the head.

    values : full key of run.toml -> (value, sigma), in the record's unit
    covariance : of `covariance_keys`, in the file's unit (degrees, microseconds)
    range_bias_m, range_bias_sigma_m : at the run's range_scale; told, not written: `calibrate ranger` measures both
    bend_deg, bend_sigma_deg : a servo that departs by bend * sin(2 angle from ahead) from its straight line; nan = it
        was not looked for (three things or fewer from one station), or does not pay
    reasons : what the data cannot tell, one sentence a key
    """

    values: Mapping[str, tuple[float, float]]
    covariance: Floats
    covariance_keys: tuple[str, ...]
    sweep_rate_deg_s: float | None
    range_bias_m: float = math.nan
    range_bias_sigma_m: float = math.nan
    bend_deg: float = math.nan
    bend_sigma_deg: float = math.nan
    targets: tuple[SeenTarget, ...] = ()
    reasons: tuple[str, ...] = ()
    warnings: tuple[str, ...] = field(default=())

    def made_from(self, run: Run) -> dict[str, Any]:
        """Return what a calibration file says of where the values come from."""
        told: dict[str, Any] = {"run": run.name, "run_digest": run.digest, "recorded_at": run.recorded_at}
        if self.sweep_rate_deg_s is not None:
            told["sweep_rate_deg_s"] = self.sweep_rate_deg_s
        if self.covariance_keys:
            told["covariance_keys"] = list(self.covariance_keys)
            told["covariance"] = [[float(f"{v:.6g}") for v in row] for row in self.covariance]
        return {name: value for name, value in told.items() if value != ""}


def turned(run: Run) -> tuple[Floats, Floats]:
    """Return commanded angles from ahead and the turning senses, both counter-clockwise, as the fits take them."""
    sense = float(run.head.turns)
    pulses_fall = run.readings.angle_column == "pulse_us" and run.head.pulse_us_per_deg < 0.0
    way = -sense if pulses_fall else sense
    return sense * (commanded_rad(run) - run.head.ahead_rad), np.asarray(way * run.readings.turning, dtype=np.float64)


def sighting(target: Target, station: Station, run: Run) -> Sighting | None:
    """Return a target as a station's head should see it; None for a wall whose foot lies beyond its ends."""
    axis_x, axis_y = (
        float(v)
        for v in to_floor(station.x_m, station.y_m, station.heading_rad, run.robot.head_ahead_m, run.robot.head_left_m)
    )
    place_sigma = math.hypot(target.position_sigma_m, station.position_sigma_m)
    x, y, radius = target.x_m, target.y_m, (0.5 * target.diameter_m if target.kind == "post" else math.inf)
    if target.kind == "wall":
        ends = (target.x_m, target.y_m, target.x2_m, target.y2_m)
        along, length = _along(axis_x, axis_y, ends)
        if not 0.0 < along < length:
            return None
        x, y = (float(v) for v in foot_on_segment(axis_x, axis_y, *ends)[:2])
    distance, bearing = (float(v) for v in range_and_bearing(axis_x, axis_y, x, y))
    if distance <= abs(run.head.side_m):
        return None
    # a wall turns with its ends' errors; shifting the robot along it changes nothing
    turn = math.sqrt(2.0) * target.position_sigma_m / length if target.kind == "wall" else place_sigma / distance
    look = float(wrap(bearing - station.heading_rad)) - math.asin(run.head.side_m / distance)
    near = math.sqrt(distance**2 - run.head.side_m**2) - run.head.arm_m - (radius if math.isfinite(radius) else 0.0)
    return Sighting(look, near, turn, place_sigma, radius)


def _along(x: float, y: float, ends: tuple[float, float, float, float]) -> tuple[float, float]:
    dx, dy = ends[2] - ends[0], ends[3] - ends[1]
    length = math.hypot(dx, dy)
    return ((x - ends[0]) * dx + (y - ends[1]) * dy) / length, length


def target_names(targets: Sequence[Target]) -> list[str]:
    """Return what messages call targets: kind and number in the order of run.toml."""
    return [f"{target.kind} {number}" for number, target in enumerate(targets, 1)]


def calibrate_head(run: Run) -> HeadCalibration:
    """Return the head's calibration from a run's uncalibrated readings.

    Raises
    ------
    SonargridError
        If the run has no servo, or nothing in it tells anything of the head.
    """
    column = run.readings.angle_column
    if column == "bearing_deg":
        raise SonargridError("a fixed ring of rangers has no head to calibrate", file=run.path or None)
    rate = sweep_rate(commanded_rad(run) / RAD_PER_DEG, run.readings.station, run.readings.sweep, run.readings.time_s)
    if not run.targets:
        return _without_targets(run, rate)
    parts: list[tuple[HeadFit, Station]] = []
    seen: list[SeenTarget] = []
    warnings: list[str] = []
    for index, station in enumerate(run.stations_on_floor):
        fit = _station_fit(run, index, station, seen, warnings)
        if fit is not None:
            parts.append((fit, station))
    if not parts:
        raise SonargridError(
            "none of the surveyed [[target]]s was heard where run.toml puts it",
            hint="are their places, the stations and ranger.us_per_cm right?  sonargrid map shows what was heard",
            file=run.path or None,
        )
    middle, covariance = _combined([fit for fit, _ in parts])
    reasons = [] if np.isfinite(middle).all() else list(dict.fromkeys(r for fit, _ in parts for r in fit.reasons))
    reasons = [r for r in reasons if not _told(r, middle)]
    bias = _weighted([(fit.range_bias_m, fit.range_bias_sigma_m) for fit, _ in parts])
    found = _pulses(run, middle, covariance) if column == "pulse_us" else _angles(middle, covariance)
    bend, bend_sigma = _weighted([(fit.bend_rad, fit.bend_sigma_rad) for fit, _ in parts])
    bent = bend / RAD_PER_DEG, bend_sigma / RAD_PER_DEG
    return HeadCalibration(*found, rate, *bias, *bent, tuple(seen), tuple(reasons), tuple(warnings))


def _told(reason: str, middle: Floats) -> bool:
    place = {"angle_scale": 1, "backlash_deg": 2}.get(reason.split(":")[0], 0)
    return bool(np.isfinite(middle[place]))


def station_view(run: Run, index: int, station: Station, warnings: list[str]) -> StationView | None:
    """Return a station's sweeps with the targets it should hear; None where it read nothing."""
    rows = run.readings.station == index
    if not rows.any():
        return None
    angle, turning = turned(run)
    low, high = float(angle[rows].min()) - BEYOND_SWEEP_RAD, float(angle[rows].max()) + BEYOND_SWEEP_RAD
    seen: list[tuple[str, Target, Sighting]] = []
    for target, name in zip(run.targets, target_names(run.targets), strict=True):
        view = sighting(target, station, run)
        if view is None:
            warnings.append(f"{name}: no perpendicular from station {station.name} meets it; it is left out there")
        elif low <= view.bearing_rad <= high and 0.0 < view.range_m < run.ranger.reach_m:
            seen.append((name, target, view))
    read = run.ranger.range_scale * read_distance_m(run)
    return StationView(Sweeps(angle[rows], read[rows], turning[rows]), tuple(seen))


def _station_fit(run: Run, index: int, station: Station, seen: list[SeenTarget], warnings: list[str]) -> HeadFit | None:
    """Return one station's fit and note what it saw; None where it heard no target."""
    view = station_view(run, index, station, warnings)
    if view is None:
        return None
    views = [one for _, _, one in view.seen]
    try:
        fit = fit_head(view.sweeps, views, station.heading_sigma_rad)
    except ValueError:
        warnings.append(f"station {station.name} heard none of the targets; it says nothing of the head")
        return None
    residuals = zip(fit.residual_rad, fit.residual_sigma_rad, strict=True)
    for (name, _, thing), half, (left, sigma) in zip(view.seen, fit.half_rad, residuals, strict=True):
        if math.isnan(half):
            warnings.append(f"{name}: not heard from station {station.name}, or hidden; it is left out there")
            continue
        head_angle = 90.0 + thing.bearing_rad / RAD_PER_DEG
        degrees = (half / RAD_PER_DEG, left / RAD_PER_DEG, sigma / RAD_PER_DEG)
        seen.append(SeenTarget(station.name, name, head_angle, thing.range_m, *degrees))
    return fit


def _combined(fits: Sequence[HeadFit]) -> tuple[Floats, Floats]:
    """Return (3,) offset, scale, backlash of all stations and their covariance; nan = none of them can tell."""
    precision, pull = np.zeros((3, 3)), np.zeros(3)
    for fit in fits:
        values = np.array([fit.angle_offset_rad, fit.angle_scale, fit.backlash_rad])
        known = np.isfinite(values)
        covariance = fit.covariance[np.ix_(known, known)]
        inverse = np.linalg.inv(covariance)
        precision[np.ix_(known, known)] += inverse
        pull[known] += inverse @ values[known]
    known = np.diag(precision) > 0.0
    middle, spread = np.full(3, np.nan), np.full((3, 3), np.nan)
    spread[np.ix_(known, known)] = np.linalg.inv(precision[np.ix_(known, known)])
    middle[known] = spread[np.ix_(known, known)] @ pull[known]
    return middle, spread


def _weighted(pairs: Sequence[tuple[float, float]]) -> tuple[float, float]:
    known = [(value, sigma) for value, sigma in pairs if math.isfinite(value) and sigma > 0.0]
    if not known:
        return math.nan, math.nan
    weight = np.array([1.0 / sigma**2 for _, sigma in known])
    return float(weight @ [value for value, _ in known] / weight.sum()), float(weight.sum() ** -0.5)


_Found = tuple[dict[str, tuple[float, float]], Floats, tuple[str, ...]]


def _angles(middle: Floats, covariance: Floats) -> _Found:
    keys = ("head.angle_offset_deg", "head.angle_scale", "head.backlash_deg")
    sigma = np.sqrt(np.diag(covariance))
    # play is not below nothing: a fit that says so means none
    value = [float(middle[0]), float(middle[1]), max(0.0, float(middle[2])) if np.isfinite(middle[2]) else math.nan]
    known = [i for i in range(3) if math.isfinite(middle[i])]
    to_file = np.array([1.0 / RAD_PER_DEG, 1.0, 1.0 / RAD_PER_DEG])[known]
    spread = covariance[np.ix_(known, known)] * np.outer(to_file, to_file)
    return {keys[i]: (value[i], float(sigma[i])) for i in known}, spread, tuple(keys[i] for i in known)


def _pulses(run: Run, middle: Floats, covariance: Floats) -> _Found:
    """Return centre and microseconds per degree, which take the place of offset and scale."""
    head = run.head
    scale = float(middle[1]) if math.isfinite(middle[1]) else 1.0
    per_deg = head.pulse_us_per_deg / scale
    offset_deg, ahead_deg = float(middle[0]) / RAD_PER_DEG, head.ahead_rad / RAD_PER_DEG
    # the pulse that looks straight ahead: scale * turns * (angle - ahead) + offset = 0
    straight = head.pulse_centre_us + (ahead_deg - 90.0 - head.turns * offset_deg / scale) * head.pulse_us_per_deg
    centre = straight - (ahead_deg - 90.0) * per_deg
    known = [i for i in range(3) if math.isfinite(middle[i])]
    slope = np.zeros((3, 3))
    slope[0, 0] = -head.turns * per_deg / RAD_PER_DEG
    slope[0, 1] = head.turns * offset_deg * head.pulse_us_per_deg / scale**2 + (ahead_deg - 90.0) * per_deg / scale
    slope[1, 1], slope[2, 2] = -per_deg / scale, 1.0 / RAD_PER_DEG
    spread = (slope @ np.where(np.isfinite(covariance), covariance, 0.0) @ slope.T)[np.ix_(known, known)]
    keys = ("head.pulse_centre_us", "head.pulse_us_per_deg", "head.backlash_deg")
    value = (centre, per_deg, max(0.0, float(middle[2])))
    unit = (1.0, 1.0, RAD_PER_DEG)
    sigma = np.sqrt(np.diag(spread))
    values = {keys[i]: (value[i], float(sigma[n]) * unit[i]) for n, i in enumerate(known)}
    # what the centre and the slope now say must not be applied twice
    if head.angle_offset_rad != 0.0:
        values["head.angle_offset_deg"] = (0.0, 0.0)
    if head.angle_scale != 1.0:
        values["head.angle_scale"] = (1.0, 0.0)
    return values, spread, tuple(keys[i] for i in known)


def _one_sense(run: Run, pings: Pings, sense: int) -> tuple[Plateau, ...]:
    only = replace(pings, range_m=np.where(run.readings.turning == sense, pings.range_m, np.nan))
    return find_plateaus(only, run.ranger)


def edge_shifts(run: Run) -> list[float]:
    """Return by how much each edge of an arc stands further left on the way up than on the way down [rad]."""
    pings = calibrated(replace(run, head=replace(run.head, backlash_rad=0.0)))
    up, down = (_one_sense(run, pings, sense) for sense in (1, -1))
    shifts = []
    for one in up:
        near = [
            other
            for other in down
            if other.station == one.station
            and abs(other.range_m - one.range_m) < SAME_RANGE_M
            and abs(other.bearing_rad - one.bearing_rad) < SAME_BEARING_RAD
        ]
        if len(near) != 1:
            continue
        here = pings.rays.bearing_rad[pings.rays.station == one.station]
        margin = END_STEPS * _step(here)
        pairs = ((one.left_rad, near[0].left_rad), (one.right_rad, near[0].right_rad))
        for a, b in pairs:
            if min(a, b) > here.min() + margin and max(a, b) < here.max() - margin:
                shifts.append(a - b)
    return shifts


def _step(bearings: Floats) -> float:
    gaps = np.diff(np.unique(np.round(bearings, 9)))
    return float(np.median(gaps)) if gaps.size else 0.0


def _without_targets(run: Run, rate: float | None) -> HeadCalibration:
    """Return the backlash alone: arcs of one thing stand apart where the head lags the other way."""
    way = float(run.head.turns)
    if run.readings.angle_column == "pulse_us" and run.head.pulse_us_per_deg < 0.0:
        way = -way
    shifts = way * np.array(edge_shifts(run))
    step = _step(commanded_rad(run))
    if shifts.size:
        shifts = shifts[np.abs(shifts - np.median(shifts)) <= 3.0 * step]
    if shifts.size < LEAST_EDGES:
        raise SonargridError(
            f"nothing here tells of the head: no [[target]] is surveyed, and only {shifts.size} edges of arcs were "
            "met on the way up and on the way down",
            hint="survey two posts as [[target]]s, or sweep forth and back over things that stand clear",
            file=run.path or None,
        )
    # an edge is known to a step: its spread is never below that of even chances within it
    one = max(float(np.std(shifts)), step / math.sqrt(6.0))
    value, sigma = max(0.0, float(np.mean(shifts))), one / math.sqrt(shifts.size)
    reasons = (
        "angle_offset_deg: without a surveyed [[target]] nobody knows where straight ahead is",
        "angle_scale: without two surveyed [[target]]s nobody knows how far the head turned",
    )
    spread = np.array([[(sigma / RAD_PER_DEG) ** 2]])
    key = "head.backlash_deg"
    return HeadCalibration({key: (value, sigma)}, spread, (key,), rate, reasons=reasons)

"""Readings as the file gave them -> pings on the floor: the corrections of run.toml, applied once, here.

Head angle = 90 deg + angle_scale * t * (angle - ahead) + angle_offset - t * b with t = +1 (ccw) or -1 (cw) and b =
+backlash / 2 while angles grow, -backlash / 2 while they shrink; a pulse stands for the angle 90 deg + (pulse - centre)
/ us_per_deg.  Range = range_scale * read + range_bias, after the
sound-speed correction.  Estimating these values is `calibration_fit`'s business, not this module's.
"""

from __future__ import annotations

import math

import numpy as np

from sonargrid.arrays import Floats, Ints
from sonargrid.physics.air import sound_speed
from sonargrid.physics.geometry import to_floor
from sonargrid.runs.pose_stations import places_of
from sonargrid.runs.readings import Pings, Rays, Run, number_of
from sonargrid.units import RAD_PER_DEG, RANGE_COLUMNS_M, S_PER_US

PULSE_MIDDLE_RAD = math.pi / 2  # a centred pulse looks straight ahead


def read_distance_m(run: Run, distance: Floats | None = None) -> Floats:
    """Return distances before calibration [m]: sound speed applied, scale and bias not; inf and nan kept.

    distance : any shape, in the unit of the run's distance column; None = the run's own (N,)
    """
    air, column = run.air, run.readings.distance_column
    values = run.readings.distance if distance is None else distance
    speed = float(sound_speed(air.temperature_c, air.relative_humidity_pct, air.pressure_kpa))
    if column == "echo_us":
        return np.asarray(values * (S_PER_US * speed / 2.0))
    factor = RANGE_COLUMNS_M[column]
    # hundredths and thousandths are not exact in binary: dividing keeps 100 mm == 0.1 m to the last bit
    metres = values / round(1.0 / factor) if factor in (0.01, 0.001) else values * factor
    if run.ranger.assumed_sound_speed_m_s is not None:
        metres = metres * (speed / run.ranger.assumed_sound_speed_m_s)
    return np.asarray(metres)


def commanded_rad(run: Run) -> Floats:
    """Return the (N,) head angles as commanded, before calibration [rad]; pulses through the run's pulse scale."""
    readings, head = run.readings, run.head
    if readings.angle_column == "pulse_us":
        return np.asarray(
            PULSE_MIDDLE_RAD + (readings.angle - head.pulse_centre_us) / head.pulse_us_per_deg * RAD_PER_DEG
        )
    return np.asarray(readings.angle * RAD_PER_DEG)


def head_angle_rad(run: Run, commanded: Floats, turning: Ints) -> Floats:
    """Return calibrated head angles relative to straight ahead, counter-clockwise [rad]; shapes as given.

    A fixed ring (`bearing_deg`) has no servo: scale, backlash and turning sense do not apply to it, the offset does.
    """
    head = run.head
    if run.readings.angle_column == "bearing_deg":
        return np.asarray(commanded + head.angle_offset_rad)
    sense = float(head.turns)
    lag = 0.5 * head.backlash_rad * np.asarray(turning, dtype=np.float64)
    if run.readings.angle_column == "pulse_us" and head.pulse_us_per_deg < 0.0:
        lag = -lag  # while the file's pulses grow, the angles that they stand for shrink
    return np.asarray(head.angle_scale * sense * (commanded - head.ahead_rad) + head.angle_offset_rad - sense * lag)


def _distinct(station: Ints, angle: Floats, turning: Ints) -> tuple[Ints, Ints]:
    """Return (a first reading of each distinct ray, ray of each reading), rays ordered by station, angle, turning."""
    # whole angles (degrees, microseconds) are counted, not sorted: a million readings in a few milliseconds
    if angle.size and bool(np.all(np.rint(angle) == angle)):
        low, high = int(angle.min()), int(angle.max())
        span, count = high - low + 1, int(station.max()) + 1
        if span * count * 3 <= max(4 * angle.size, 1_000_000):
            key = (station * np.int32(span) + (angle.astype(np.int32) - np.int32(low))) * np.int32(3)
            key += turning
            key += np.int32(1)
            used = np.zeros(span * count * 3, dtype=np.bool_)
            used[key] = True
            ray = (np.cumsum(used, dtype=np.int32) - np.int32(1))[key]
            first = np.zeros(int(used.sum()), dtype=np.int32)  # the first reading of a ray is written last
            first[ray[::-1]] = np.arange(angle.size - 1, -1, -1, dtype=np.int32)
            return first, ray
    rows = np.empty(angle.size, dtype=[("s", np.int32), ("a", np.float64), ("t", np.int8)])
    rows["s"], rows["a"], rows["t"] = station, angle, turning
    _, places, rays = np.unique(rows, return_index=True, return_inverse=True)
    return places.astype(np.int32), rays.reshape(-1).astype(np.int32)


def calibrated(run: Run) -> Pings:
    """Return a run's readings as pings on the floor axes, with every correction of the run applied.

    Examples
    --------
    >>> from sonargrid.runs.readings import Readings
    >>> rows = Readings("angle_deg", "range_cm", [0.0, 90.0], [50.0, float("inf")], [0, 0], [0, 0], [1, 1])
    >>> pings = calibrated(Run(rows))
    >>> pings.range_m.tolist(), [round(float(b), 6) for b in pings.bearing_rad]
    ([0.5, inf], [0.0, 1.570796])
    """
    readings, ranger, head, robot = run.readings, run.ranger, run.head, run.robot
    # without backlash the turning sense moves nothing, and both passes share their rays
    turning = readings.turning if head.backlash_rad != 0.0 else np.zeros_like(readings.turning)
    first, ray = _distinct(readings.station, readings.angle, turning)
    commanded = commanded_rad(run)[first]
    relative = head_angle_rad(run, commanded, turning[first])
    station = readings.station[first]
    x, y, heading = places_of(run.stations)[station].T
    axis_x, axis_y = to_floor(x, y, heading, robot.head_ahead_m, robot.head_left_m)
    bearing = heading + relative
    face_x, face_y = to_floor(axis_x, axis_y, bearing, head.arm_m, head.side_m)
    rays = Rays(station, bearing, relative, face_x, face_y, axis_x, axis_y, commanded)

    read = read_distance_m(run)
    ranges = ranger.range_scale * read
    ranges += ranger.range_bias_m
    finite = np.isfinite(ranges)
    far = finite & ((read >= ranger.reach_m) | (ranges >= ranger.reach_m))
    near = finite & ~far & (ranges < ranger.blind_zone_m)
    ranges[far] = math.inf
    ranges[near] = math.nan
    return Pings(
        rays=rays,
        ray=ray,
        range_m=ranges,
        sweep=readings.sweep,
        turning=readings.turning,
        reach_m=ranger.reach_m,
        range_sigma_m=ranger.range_sigma_m,
        blind_zone_m=ranger.blind_zone_m,
        time_s=readings.time_s,
        too_near=number_of(near, readings.count),
        too_far=number_of(far, readings.count),
        count=readings.count,
    )

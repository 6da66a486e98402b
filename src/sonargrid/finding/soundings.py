"""Pings packed for the object fit: repeats put together and weighed by how much they really say.

Pings of one bearing are not independent: what disturbs one (the model's own misfit, a servo a little off) disturbs its
repeats too.  `repeat_correlation` asks the run's repeats how alike they are; n pings then count as
n / (1 + (n - 1) rho).  Whole sweeps that repeat another to the last digit add nothing.  Floor axes [m].
"""

from __future__ import annotations

import math

import numpy as np

from sonargrid.arrays import Bools, Floats, Ints
from sonargrid.finding.echo_model import Soundings
from sonargrid.maps.evidence import angle_steps
from sonargrid.runs.readings import Pings

LEAST_CORRELATION = 0.35  # share of a ping's error that every repeat shares; benchmarks/bench_lists.py
FINE_STEP_RAD = math.radians(1.5)  # bearings nearer than this to each other tell the same; benchmarks/bench_lists.py
SWEEP_END_RAD = math.radians(8.0)  # so near to a sweep's end things get rarer; benchmarks/README.md, Object lists
SAME_RANGE_M = 0.002  # repeats within this are one echo; well below any ranger's noise


def _bearing_groups(pings: Pings) -> Ints:
    """Return (M,) the number of each ray's bearing: rays that differ by backlash only are one."""
    rays = pings.rays
    key = np.round(np.stack([rays.station, rays.commanded_rad]), 9)
    return np.asarray(np.unique(key, axis=1, return_inverse=True)[1]).reshape(-1)


def copied(pings: Pings) -> Bools:
    """Return (N,) True for pings of sweeps that repeat an earlier sweep of their station to the last digit.

    Such a sweep is a copy, or a ranger too coarse to show any noise: it tells nothing new.
    """
    out = np.zeros(len(pings), dtype=bool)
    seen = set()
    key = pings.station.astype(np.int64) * (int(pings.sweep.max(initial=0)) + 1) + pings.sweep
    order = np.argsort(key, kind="stable")
    for rows in np.split(order, np.flatnonzero(np.diff(key[order])) + 1):
        if not rows.size:
            continue
        angles = np.round(pings.rays.commanded_rad[pings.ray[rows]], 9)
        told = (int(pings.station[rows[0]]), angles.tobytes(), pings.range_m[rows].tobytes())
        out[rows] = told in seen
        seen.add(told)
    return out


def repeat_correlation(pings: Pings, told: Bools | None = None) -> float:
    """Return how alike repeats on one bearing are, `LEAST_CORRELATION` (independent) to 1 (copies of one another).

    Repeats that differ as much as neighbouring bearings of one arc do are independent; copies do not differ at all.
    `told` (N,) leaves pings out.
    """
    heard = np.flatnonzero(pings.echo if told is None else pings.echo & told)
    if heard.size < 2:
        return LEAST_CORRELATION
    bearing = _bearing_groups(pings)[pings.ray[heard]]
    ranges = pings.range_m[heard]
    order = np.lexsort((pings.sweep[heard], bearing))
    bearing, ranges = bearing[order], ranges[order]
    repeat = np.diff(bearing) == 0
    near = 0.04  # larger steps are other things, not noise
    between = np.abs(np.diff(ranges))[repeat]
    between = between[between < near]
    if between.size < 8:
        return LEAST_CORRELATION
    first = np.flatnonzero(np.r_[True, np.diff(bearing) > 0])
    beside = np.abs(np.diff(ranges[first]))
    beside = beside[beside < near]
    if beside.size < 8 or not np.mean(beside) > 0.0:
        return 1.0 if not np.any(between > 0.0) else LEAST_CORRELATION
    alike = 1.0 - float(np.mean(between) / np.mean(beside)) ** 2
    return float(np.clip(alike, LEAST_CORRELATION, 1.0))


def pack(pings: Pings, keep_stations: Ints | None = None) -> tuple[Soundings, Ints]:
    """Return the packed pings, and (S,) the run's index of each station that has readings.

    Parameters
    ----------
    pings : Pings
        Calibrated readings; void ones are left out.
    keep_stations : (n,) array, optional
        Only these stations.
    """
    rays = pings.rays
    told = ~pings.void
    if keep_stations is not None:
        told &= np.isin(pings.station, keep_stations)
    stations = np.unique(rays.station[pings.ray[told]])
    used = np.unique(pings.ray[told])
    ray_of = np.full(len(rays), -1, dtype=np.int64)
    ray_of[used] = np.arange(used.size)
    ray, ranges = ray_of[pings.ray[told]], pings.range_m[told]
    bearing = _bearing_groups(pings)[used]
    count = np.bincount(ray, minlength=used.size).astype(np.float64)
    fresh = ~copied(pings)
    first = np.bincount(ray, weights=fresh[told].astype(np.float64), minlength=used.size)
    n, new = (np.bincount(bearing, weights=c)[bearing] for c in (count, first))
    rho = repeat_correlation(pings, fresh)
    step = angle_steps(pings)[used]
    # copies count with the pings they repeat: together as much as those alone
    each = np.minimum(1.0, step / FINE_STEP_RAD) * (new / n) / (1.0 + (np.maximum(new, 1.0) - 1.0) * rho)
    heard = np.isfinite(ranges)
    silence = np.bincount(ray[~heard], minlength=used.size) * each
    echo_ray, echo_m, echo_count = _echoes(ray[heard], ranges[heard])
    place = np.array(
        [
            (rays.axis_x_m[used][rays.station[used] == s].mean(), rays.axis_y_m[used][rays.station[used] == s].mean())
            for s in stations
        ]
    ).reshape(-1, 2)
    finite = step[np.isfinite(step)]
    packed = Soundings(
        station=np.searchsorted(stations, rays.station[used]),
        x_m=rays.x_m[used],
        y_m=rays.y_m[used],
        bearing_rad=rays.bearing_rad[used],
        place_m=place,
        ray=echo_ray,
        range_m=echo_m,
        weight=echo_count * each[echo_ray],
        count=echo_count,
        silence=silence,
        pings=count,
        reach_m=pings.reach_m,
        step_rad=float(np.median(finite)) if finite.size else math.radians(3.0),
    )
    return packed, np.asarray(stations, dtype=np.int32)


def _echoes(ray: Ints, ranges: Floats) -> tuple[Ints, Floats, Floats]:
    """Return the (ray, mean range, count) of echoes, those of one ray and nearly one range together."""
    bins = np.floor(ranges / SAME_RANGE_M).astype(np.int64)
    width = int(bins.max(initial=0)) + 1
    key, which = np.unique(ray * width + bins, return_inverse=True)
    count = np.bincount(which.reshape(-1), minlength=key.size).astype(np.float64)
    mean = np.bincount(which.reshape(-1), weights=ranges, minlength=key.size) / np.maximum(count, 1.0)
    return np.asarray(key // width), mean, count


def moved(soundings: Soundings, shift: Floats) -> Soundings:
    """Return soundings with each station shifted and turned by (S, 3) dx, dy [m] and dheading [rad]."""
    s = soundings
    dx, dy, turn = shift[s.station].T
    px, py = s.place_m[s.station].T
    c, sn = np.cos(turn), np.sin(turn)
    rx, ry = s.x_m - px, s.y_m - py
    return Soundings(
        s.station,
        px + dx + c * rx - sn * ry,
        py + dy + sn * rx + c * ry,
        s.bearing_rad + turn,
        s.place_m + shift[:, :2],
        s.ray,
        s.range_m,
        s.weight,
        s.count,
        s.silence,
        s.pings,
        s.reach_m,
        s.step_rad,
    )


def sweep_of(s: Soundings) -> tuple[float, float, float, float] | None:
    """Return (x, y) of the one place, middle and half width of its sweep less the ends [m, rad]; None = full circle."""
    bearing = np.sort(np.remainder(s.bearing_rad, 2.0 * math.pi))
    gaps = np.diff(np.r_[bearing, bearing[0] + 2.0 * math.pi])
    widest = int(np.argmax(gaps))
    if gaps[widest] < math.radians(30.0):
        return None
    half = 0.5 * (2.0 * math.pi - float(gaps[widest]))
    first = float(bearing[(widest + 1) % bearing.size])
    inside = half - min(SWEEP_END_RAD, 0.25 * half)
    return float(s.place_m[0, 0]), float(s.place_m[0, 1]), first + half, inside

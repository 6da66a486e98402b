"""The two loops that take the time: one station's pings -> evidence and touch counts on a window of cells.

`polar_station` counts all readings of a parked station first (log-odds add, so readings of one bearing can be summed
before the floor is looked at): its cost hardly grows with the number of sweeps.  `ray_station` goes ray by ray; it
serves few readings, moving robots, arms and every beam model.  Both take integer counts, so the order of readings can
never matter, and both use one rule for what a reading reaches (`limit_steps`, `cell_steps`).

Metres and radians on the floor; windows are (rows, columns) of a frame.  No files, no weights, no choice of path here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonargrid.arrays import Floats, Floats32, Ints
from sonargrid.beams import SLACK, SUPPORT_SIGMAS, BeamModel, SpreadBeam, bump
from sonargrid.grid import GridFrame

STEPS_PER_SIGMA = 10  # range steps to one range sigma: cubic interpolation then errs by 2e-5 of the peak
KNOT_GAP_RAD = math.radians(1.5)  # wider angle intervals are split: quadratic interpolation then errs by 2e-5
FIXED = float(2**20)  # fixed point of a range's place between two steps: sums of it are exact
SMALL_PRODUCT = 262_144  # matrix products below this many multiplications stay on one thread in common BLAS builds
BUMP_AREA_STEPS = STEPS_PER_SIGMA * SUPPORT_SIGMAS * 256.0 / 315.0  # area of the hump in range steps
TAPS = int(STEPS_PER_SIGMA * SUPPORT_SIGMAS)  # the hump reaches so many steps to either side


@dataclass(frozen=True, slots=True)
class StationPings:
    """One station's usable pings: rays (M,) in canonical order, readings (N,) that point into them.

    weight : (M,) how much one ping of each ray counts
    silence_weight : factor for silent pings
    range_m : inf = silent; no void ones
    """

    x_m: Floats
    y_m: Floats
    bearing_rad: Floats
    weight: Floats
    ray: Ints
    range_m: Floats
    silence_weight: float
    blind_zone_m: float


@dataclass(frozen=True, slots=True)
class Window:
    """Evidence (float64) and touch counts of a block of cells whose first cell is (row, column) of the frame."""

    row: int
    column: int
    evidence: NDArray[np.float64]
    touched: NDArray[np.int64]


def limit_steps(beam: BeamModel, range_m: Floats, step_m: float) -> NDArray[np.int64]:
    """Return how far readings speak, in whole range steps."""
    return np.rint(beam.limit_m(range_m) / step_m).astype(np.int64)


def cell_steps(range_m: Floats, step_m: float) -> NDArray[np.int64]:
    """Return the first whole range step that reaches a cell at a range; it is touched by limits of that or more."""
    return np.ceil((range_m - SLACK) / step_m).astype(np.int64)


def block_around(
    frame: GridFrame, x_min: float, y_min: float, x_max: float, y_max: float
) -> tuple[slice, slice] | None:
    """Return the rows and columns of the cells whose centres may lie in a box; None when all are outside the frame."""
    r0, c0 = frame.cell_of(x_min, y_min)
    r1, c1 = frame.cell_of(x_max, y_max)
    rows = slice(max(0, int(r0)), min(frame.rows, int(r1) + 1))
    columns = slice(max(0, int(c0)), min(frame.columns, int(c1) + 1))
    return (rows, columns) if rows.start < rows.stop and columns.start < columns.stop else None


def ray_station(frame: GridFrame, pings: StationPings, beam: BeamModel, step_m: float) -> Window | None:
    """Return a station's evidence, ray by ray: exact for every beam model, arm and pose.

    Each ray's cells are found once in its bounding box; its readings are evaluated on them by distinct range.
    """
    limits = np.zeros(pings.bearing_rad.size)
    np.maximum.at(limits, pings.ray, limit_steps(beam, pings.range_m, step_m) * step_m)
    x, y = pings.x_m, pings.y_m
    box = block_around(
        frame,
        float((x - limits).min()),
        float((y - limits).min()),
        float((x + limits).max()),
        float((y + limits).max()),
    )
    if box is None:
        return None
    rows, columns = box
    shape = (rows.stop - rows.start, columns.stop - columns.start)
    evidence, touched = np.zeros(shape), np.zeros(shape, dtype=np.int64)
    order = np.lexsort((pings.range_m, pings.ray))
    ends = np.searchsorted(pings.ray[order], np.arange(limits.size + 1))
    for k in range(limits.size):
        ranges = pings.range_m[order[ends[k] : ends[k + 1]]]
        cells = _wedge(frame, pings, k, limits[k], beam) if ranges.size else None
        if cells is None:
            continue
        block, inside, r, off = cells
        distinct, count = np.unique(ranges, return_counts=True)
        weight = pings.weight[k] * np.where(np.isposinf(distinct), pings.silence_weight, 1.0) * count
        part = np.zeros(r.size)
        # a few ranges at a time: the table stays in the cache
        for first in range(0, distinct.size, 64):
            z = distinct[first : first + 64, None]
            part += weight[first : first + 64] @ beam.log_odds(r[None, :], off[None, :], z)
        far = np.sort(limit_steps(beam, ranges, step_m))
        hits = ranges.size - np.searchsorted(far, cell_steps(r, step_m), side="left")
        target = (
            slice(block[0].start - rows.start, block[0].stop - rows.start),
            slice(block[1].start - columns.start, block[1].stop - columns.start),
        )
        evidence[target][inside] += np.where(hits > 0, part, 0.0)
        touched[target][inside] += hits
    return Window(rows.start, columns.start, evidence, touched)


def _wedge(
    frame: GridFrame, pings: StationPings, k: int, limit_m: float, beam: BeamModel
) -> tuple[tuple[slice, slice], NDArray[np.bool_], Floats, Floats] | None:
    """Return a ray's block of cells, which of them lie in its wedge, and their range and angle off the axis."""
    x, y, bearing = float(pings.x_m[k]), float(pings.y_m[k]), float(pings.bearing_rad[k])
    widest = min(math.pi, float(np.max(beam.support_rad(np.linspace(pings.blind_zone_m, max(limit_m, 1e-6), 32)))))
    angles = bearing + np.array([-widest, 0.0, widest])
    compass = np.arange(-4, 9) * (math.pi / 2)
    angles = np.r_[angles, compass[np.abs(compass - bearing) <= widest]]
    xs, ys = np.r_[x, x + limit_m * np.cos(angles)], np.r_[y, y + limit_m * np.sin(angles)]
    box = block_around(frame, float(xs.min()), float(ys.min()), float(xs.max()), float(ys.max()))
    if box is None:
        return None
    rows, columns = box
    corner = frame.corner_cells
    dx = (np.arange(columns.start, columns.stop) + corner[0] + 0.5) * frame.cell_m - x
    dy = (np.arange(rows.start, rows.stop) + corner[1] + 0.5) * frame.cell_m - y
    ahead = dx[None, :] * math.cos(bearing) + dy[:, None] * math.sin(bearing)
    left = dy[:, None] * math.cos(bearing) - dx[None, :] * math.sin(bearing)
    r = np.hypot(ahead, left)
    near = (r <= limit_m + SLACK) & (r >= pings.blind_zone_m)
    off = np.arctan2(left, ahead)
    inside = near & (np.abs(off) <= beam.support_rad(r) + SLACK)
    return (box, inside, r[inside], off[inside]) if inside.any() else None


def _range_counts(pings: StationPings, step_m: float, bins: int) -> tuple[Floats, Floats]:
    """Return (M, bins) counts of echoes by range step, off-step ranges shared among four steps, and (M,) silent ones.

    Shares are cubic Lagrange weights, built from exact fixed-point sums of the first three powers of a range's
    place between steps: independent of the order of readings to the last bit.
    """
    m = pings.bearing_rad.size
    silent = np.isposinf(pings.range_m)
    silent_count = np.bincount(pings.ray[silent], minlength=m).astype(np.float64)
    scaled = (pings.range_m if not silent.any() else pings.range_m[~silent]) / step_m
    ray = pings.ray if not silent.any() else pings.ray[~silent]
    floor = np.floor(scaled + 1e-7)
    place = scaled - floor
    flat = ray.astype(np.int64) * bins + floor.astype(np.int64)
    count = np.bincount(flat, minlength=m * bins).reshape(m, bins).astype(np.float64)
    if not bool(np.any(np.abs(place) > 1e-6)):
        return count, silent_count
    d1, d2, d3 = (
        np.bincount(flat, weights=np.rint(p * FIXED), minlength=m * bins).reshape(m, bins) / FIXED
        for p in (place, place * place, place * place * place)
    )
    shared = count + 0.5 * (d3 - 2.0 * d2 - d1)
    shared[:, :-1] -= (d3 - 3.0 * d2 + 2.0 * d1)[:, 1:] / 6.0
    shared[:, 1:] -= 0.5 * (d3 - d2 - 2.0 * d1)[:, :-1]
    shared[:, 2:] += (d3 - d1)[:, :-2] / 6.0
    return shared, silent_count


def _humps(counts: Floats) -> Floats32:
    """Return the (M, bins) sum of humps round counted ranges: a banded product in small one-thread blocks."""
    m, bins = counts.shape
    wide, tall = 64, 32
    columns, rows = -(-bins // wide), -(-m // tall)
    padded = np.zeros((rows * tall, columns * wide + 2 * TAPS), dtype=np.float32)
    padded[:m, TAPS : TAPS + bins] = counts
    shift = np.arange(wide + 2 * TAPS)[:, None] - np.arange(wide)[None, :] - TAPS
    band = bump(shift / STEPS_PER_SIGMA).astype(np.float32)
    s0, s1 = padded.strides
    blocks = np.lib.stride_tricks.as_strided(
        padded, (rows, columns, tall, wide + 2 * TAPS), (tall * s0, wide * s1, s0, s1), writeable=False
    )
    product = np.matmul(blocks, band)
    return np.ascontiguousarray(product.transpose(0, 2, 1, 3)).reshape(rows * tall, columns * wide)[:m, :bins]


def _profiles(pings: StationPings, beam: SpreadBeam, step_m: float, bins: int) -> Floats32:
    """Return the (M, bins) weighted range profile of every ray: all its readings at once."""
    counts, silent = _range_counts(pings, step_m, bins)
    humps = _humps(counts)
    # area of the humps beyond each step: trapezoid sum with its first correction term; the free part ends at the
    # echo, a hump's half width before the hump's far end
    beyond = np.cumsum(humps[:, ::-1], axis=1)[:, ::-1]
    profile = np.empty_like(humps)
    profile[:, -TAPS:] = 0.0
    free = profile[:, :-TAPS]
    np.multiply(humps[:, TAPS:], np.float32(-0.5), out=free)
    free += beyond[:, TAPS:]
    free[:, :-1] += (humps[:, TAPS + 1 :] - humps[:, TAPS - 1 : -2]) * np.float32(1.0 / 24.0)
    profile *= np.float32(-beam.miss / BUMP_AREA_STEPS)
    humps *= np.float32(beam.hit)
    profile += humps
    profile -= (beam.miss * pings.silence_weight * silent[:, None]).astype(np.float32)
    profile *= pings.weight[:, None].astype(np.float32)
    return profile


@dataclass(frozen=True, slots=True)
class _Fan:
    """Bearings of a station from the middle of its fan, sorted, with copies where a wedge crosses the back."""

    middle_rad: float
    bearing_rad: Floats
    source: Ints


def _fan(bearing: Floats, half: float) -> _Fan:
    middle = math.atan2(float(np.sin(bearing).sum()), float(np.cos(bearing).sum()))
    turned = np.remainder(bearing - middle + math.pi, 2.0 * math.pi) - math.pi
    index = np.arange(bearing.size)
    low, high = turned - half < -math.pi, turned + half > math.pi
    everything = np.r_[turned, turned[low] + 2.0 * math.pi, turned[high] - 2.0 * math.pi]
    source = np.r_[index, index[low], index[high]]
    order = np.argsort(everything, kind="stable")
    return _Fan(middle, everything[order], source[order].astype(np.int32))


def _knots(fan: _Fan, half: float) -> Floats:
    """Return the angles where the summed gain may break, wide intervals split."""
    edges = np.r_[fan.bearing_rad - half, fan.bearing_rad + half]
    edges = np.unique(np.round(np.clip(edges, -math.pi, math.pi), 10))
    gaps = np.diff(edges)
    pieces = np.maximum(1, np.ceil(gaps / KNOT_GAP_RAD - 1e-9)).astype(int)
    start = np.repeat(edges[:-1], pieces)
    within = np.arange(pieces.sum()) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    return np.r_[start + within * np.repeat(gaps / pieces, pieces), edges[-1]]


def _spread(fan: _Fan, knots: Floats, profiles: Floats32, beam: SpreadBeam, half: float) -> Floats32:
    """Return the evidence at start, middle and end of every angle interval, (3 I, bins)."""
    bins = profiles.shape[1]
    rows_at_once = 8
    intervals = knots.size - 1
    out = np.zeros((3 * intervals, bins), dtype=np.float32)
    start, end = knots[:-1], knots[1:]
    middle = 0.5 * (start + end)
    sorted_profiles = profiles[fan.source]
    for first in range(0, intervals, rows_at_once):
        last = min(intervals, first + rows_at_once)
        lo = int(np.searchsorted(fan.bearing_rad, start[first] - half - 1e-6))
        hi = int(np.searchsorted(fan.bearing_rad, end[last - 1] + half + 1e-6))
        if lo == hi:
            continue
        at = np.stack([start[first:last], middle[first:last], end[first:last]], axis=1)
        off = at[:, :, None] - fan.bearing_rad[None, None, lo:hi]
        # an interval lies inside a wedge or outside it, whole: its middle decides for both ends
        whole = np.abs(off[:, 1:2, :]) < half
        gain = np.where(whole, beam.gain_of(np.minimum(np.abs(off), half), np.full(1, half)), 0.0)
        gain = gain.reshape(-1, hi - lo).astype(np.float32)
        chunk = max(16, SMALL_PRODUCT // max(1, gain.size))
        for c in range(0, bins, chunk):
            np.matmul(gain, sorted_profiles[lo:hi, c : c + chunk], out=out[3 * first : 3 * last, c : c + chunk])
    return out


def _read_cells(table: Floats32, knots: Floats, angle: Floats, steps: Floats) -> Floats:
    """Return the table's value at cells: quadratic in the angle inside an interval, cubic in the range."""
    bins = table.shape[1]
    interval = np.clip(np.searchsorted(knots, angle) - 1, 0, knots.size - 2)
    start = knots[interval]
    u = ((angle - start) / (knots[interval + 1] - start)).astype(np.float32)
    j = np.clip(np.floor(steps).astype(np.int64), 1, bins - 3)
    t = (steps - j).astype(np.float32)
    across = ((1 - u) * (1 - 2 * u), 4 * u * (1 - u), u * (2 * u - 1))
    along = (
        -t * (t - 1) * (t - 2) / 6,
        (t * t - 1) * (t - 2) / 2,
        -t * (t + 1) * (t - 2) / 2,
        t * (t * t - 1) / 6,
    )
    flat = table.reshape(-1)
    base = 3 * interval * bins + j - 1
    value = np.zeros(angle.size, dtype=np.float32)
    for row in range(3):
        line = along[0] * flat.take(base)
        for k in range(1, 4):
            line += along[k] * flat.take(base + k)
        value += across[row] * line
        base = base + bins
    return value.astype(np.float64)


def _on_knots(fan: _Fan, profiles: Floats32, beam: SpreadBeam, half: float, angle: Floats, steps: Floats) -> Floats:
    """Return the value of cells that lie on a wedge's edge to the last bit, where both sides count: summed plainly."""
    value = np.empty(angle.size)
    for first in range(0, angle.size, 512):
        a, s = angle[first : first + 512], steps[first : first + 512]
        off = np.abs(a[:, None] - fan.bearing_rad[None, :])
        gain = np.where(off <= half + SLACK, beam.gain_of(np.minimum(off, half), np.full(1, half)), 0.0)
        j = np.clip(np.floor(s).astype(np.int64), 1, profiles.shape[1] - 3)
        t = s - j
        weights = (
            -t * (t - 1) * (t - 2) / 6,
            (t * t - 1) * (t - 2) / 2,
            -t * (t + 1) * (t - 2) / 2,
            t * (t * t - 1) / 6,
        )
        along = sum(w[:, None] * profiles[fan.source][:, j + k - 1].T for k, w in enumerate(weights))
        value[first : first + 512] = (gain * along).sum(axis=1)
    return value


def _touches(
    pings: StationPings, fan: _Fan, beam: SpreadBeam, half: float, step_m: float, angle: Floats, cell: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Return how many readings reach each cell: counts by limit, summed over the rays whose wedge holds it."""
    far = limit_steps(beam, pings.range_m, step_m)
    top = int(far.max()) + 2
    m = pings.bearing_rad.size
    by_limit = np.bincount(pings.ray * top + far, minlength=m * top).reshape(m, top).astype(np.int32)
    at_least = by_limit[:, ::-1].cumsum(axis=1, dtype=np.int32)[:, ::-1]
    table = np.zeros((fan.source.size + 1, top), dtype=np.int32)
    np.cumsum(at_least[fan.source], axis=0, out=table[1:])
    lo = np.searchsorted(fan.bearing_rad, angle - half - SLACK, side="left")
    hi = np.searchsorted(fan.bearing_rad, angle + half + SLACK, side="right")
    cell = np.minimum(cell, top - 1)
    flat = table.reshape(-1)
    return np.asarray(flat.take(hi * top + cell) - flat.take(lo * top + cell))


def polar_station(frame: GridFrame, pings: StationPings, beam: SpreadBeam, step_m: float) -> Window | None:
    """Return the evidence of a station whose rays share one pole, in polar form.

    Integer counts of readings by bearing and range step -> one range profile a bearing -> angular spread at knots
    that lie on the wedges' edges -> each cell reads the table once.
    """
    x, y = float(pings.x_m[0]), float(pings.y_m[0])
    half = float(beam.support_rad(0.0))
    limit = float(limit_steps(beam, pings.range_m, step_m).max()) * step_m
    box = block_around(frame, x - limit, y - limit, x + limit, y + limit)
    if box is None:
        return None
    rows, columns = box
    corner = frame.corner_cells
    dx = (np.arange(columns.start, columns.stop) + corner[0] + 0.5) * frame.cell_m - x
    dy = (np.arange(rows.start, rows.stop) + corner[1] + 0.5) * frame.cell_m - y
    r = np.sqrt(dx[None, :] ** 2 + dy[:, None] ** 2)
    fan = _fan(pings.bearing_rad, half)
    knots = _knots(fan, half)
    near = np.flatnonzero((r <= limit + SLACK) & (r >= pings.blind_zone_m))
    i, j = np.divmod(near, dx.size)
    c, s = math.cos(fan.middle_rad), math.sin(fan.middle_rad)
    angle = np.arctan2(dy[i] * c - dx[j] * s, dx[j] * c + dy[i] * s)
    fanned = (angle >= knots[0] - SLACK) & (angle <= knots[-1] + SLACK)
    near, angle = near[fanned], angle[fanned]
    r = r.reshape(-1)[near]
    bins = math.ceil(beam.ranger.reach_m / step_m) + 2 * TAPS + 4
    profiles = _profiles(pings, beam, step_m, bins)
    table = _spread(fan, knots, profiles, beam, half)
    steps = r / step_m
    value = _read_cells(table, knots, angle, steps)
    place = np.clip(np.searchsorted(knots, angle), 1, knots.size - 1)
    edge = np.minimum(np.abs(angle - knots[place]), np.abs(angle - knots[place - 1])) <= 2.0 * SLACK
    if edge.any():
        value[edge] = _on_knots(fan, profiles, beam, half, angle[edge], steps[edge])
    hits = _touches(pings, fan, beam, half, step_m, angle, cell_steps(r, step_m))
    shape = (rows.stop - rows.start, columns.stop - columns.start)
    evidence, touched = np.zeros(shape), np.zeros(shape, dtype=np.int64)
    spoken = (hits > 0) & (r <= beam.ranger.reach_m + SLACK)
    evidence.reshape(-1)[near] = np.where(spoken, value, 0.0)
    touched.reshape(-1)[near] = hits
    return Window(rows.start, columns.start, evidence, touched)

"""One parked station's evidence in polar form: readings are counted first, and every cell reads one table.

Log-odds add, so all readings of one bearing can be summed before the floor is looked at: the cost hardly grows with
the number of sweeps.  Serves beams whose gain is the same at every range, from rays that share one pole.  Counts are
whole numbers, so the order of readings can never matter.

Metres and radians on the floor; windows are (rows, columns) of a frame.  No files, no weights, no choice of path here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sonargrid.arrays import Floats, Floats32, Ints
from sonargrid.maps.beams import SLACK, SUPPORT_SIGMAS, SpreadBeam, bump, bump_share
from sonargrid.maps.grid import GridFrame
from sonargrid.maps.kernels import STEPS_PER_SIGMA, StationPings, Window, block_around

KNOT_GAP_RAD = math.radians(1.0)  # wider angle intervals are split: quadratic interpolation then errs by 1e-5
FIXED = float(2**20)  # fixed point of the shares of a range between steps: sums of them are exact
FRACTION_BITS = 22  # fixed point of a limit's place between two range steps: a tenth of SLACK at 1 mm steps
GAINS_AT_ONCE, PRODUCTS_AT_ONCE = 32, 8  # angle intervals: few, as most rays of a long stretch miss each other
LIMITS_AT_ONCE = 200_000  # limits compared with their cells together
SMALL_PRODUCT = 262_144  # matrix products below this many multiplications stay on one thread in common BLAS builds
# The common allocator gives large blocks back at once and pages them in anew, until one larger than them has been let
# go: after that it keeps them.  Untouched, such a block costs a microsecond; it saves a quarter of a sweep's time.
KEPT_BYTES = 16 * 2**20
TAPS = int(STEPS_PER_SIGMA * SUPPORT_SIGMAS)  # an echo's hump reaches so many steps behind it ...
BEFORE = 2 * TAPS  # ... and its free part fades in this many steps before it


def _counted(pings: StationPings, step_m: float, reach_m: float) -> StationPings:
    """Return the readings with equal ones counted together, where all ranges lie on range steps; else as they are."""
    if pings.readings <= 4 * pings.bearing_rad.size:
        return pings
    scaled = pings.range_m * (1.0 / step_m)
    top = math.ceil(reach_m / step_m) + 2
    np.minimum(scaled, float(top - 1), out=scaled)  # silent ones count at the far end
    whole = np.rint(scaled)
    np.subtract(scaled, whole, out=scaled)
    if max(float(scaled.max()), -float(scaled.min())) > 1e-6:
        return pings
    places = pings.bearing_rad.size * top  # POLAR_TABLE keeps them well inside 32 bits
    key = pings.ray * np.int32(top)
    key += whole.astype(np.int32)
    count = np.zeros(places, dtype=np.int32)
    np.add.at(count, key, np.int32(1) if pings.count is None else pings.count)
    key = np.flatnonzero(count)
    ray, step = np.divmod(key, top)
    ranges = np.where(step == top - 1, math.inf, step * step_m)
    return replace(pings, ray=ray.astype(np.int32), range_m=ranges, count=count[key])


def _range_counts(pings: StationPings, step_m: float, bins: int) -> tuple[NDArray[np.integer], float, Floats]:
    """Return (M, bins) counts of echoes by range step, the unit they are counted in, and (M,) silent ones.

    Off-step ranges are shared among four steps by cubic Lagrange weights in fixed point: whole numbers, so that sums
    are exact, whatever the order of readings.
    """
    m = pings.bearing_rad.size
    silent = np.isposinf(pings.range_m)
    ray, ranges = pings.ray, pings.range_m
    count = np.ones(1) if pings.count is None else pings.count.astype(np.float64)
    silent_weight = np.broadcast_to(count, ray.shape)[silent]
    silent_count = np.asarray(np.bincount(ray[silent], silent_weight, minlength=m), dtype=np.float64)
    if silent_count.any():
        ray, ranges = ray[~silent], ranges[~silent]
        count = count if count.size == 1 else count[~silent]
    scaled = ranges / step_m
    floor = np.maximum(np.floor(scaled + 1e-7), 1.0)
    place = scaled - floor
    flat = ray * np.int64(bins) + floor.astype(np.int64)
    if not bool(np.any(np.abs(place) > 1e-6)):
        dense = np.zeros(m * bins, dtype=np.int32)
        np.add.at(dense, flat, np.int32(1) if pings.count is None else count.astype(np.int32))
        return dense.reshape(m, bins), 1.0, silent_count
    # the same four weights as `_read_cells` uses, at steps -1, 0, 1, 2 from the floor
    before, after, last = (np.rint(FIXED * w) for w in _cubic(place)[::2] + _cubic(place)[3:])
    own = FIXED - before - after - last
    if pings.count is not None:
        before, own, after, last = (count * w for w in (before, own, after, last))  # whole numbers still, and exact
    shared = np.bincount(
        np.concatenate([flat - 1, flat, flat + 1, flat + 2]),
        weights=np.concatenate([before, own, after, last]),
        minlength=m * bins,
    )
    return shared.astype(np.int64).reshape(m, bins), 1.0 / FIXED, silent_count


def _cubic(t: NDArray[np.floating]) -> tuple[NDArray[np.floating], ...]:
    """Return the cubic Lagrange weights at steps -1, 0, 1, 2 for places t between steps 0 and 1."""
    return (
        -t * (t - 1) * (t - 2) / 6,
        (t * t - 1) * (t - 2) / 2,
        -t * (t + 1) * (t - 2) / 2,
        t * (t * t - 1) / 6,
    )


def _band(beam: SpreadBeam, wide: int) -> Floats32:
    """Return the (wide + BEFORE + TAPS, wide) band that turns counts into evidence near their echoes.

    It begins BEFORE steps before them: farther off the free part is whole, and counts are enough.
    """
    t = np.arange(1 - BEFORE, TAPS) / STEPS_PER_SIGMA  # how far a place lies behind the echo
    line = np.zeros(2 * (wide + BEFORE + TAPS), dtype=np.float32)
    line[wide : wide + t.size] = (beam.hit * bump(t) - beam.miss * (1.0 - bump_share(t + SUPPORT_SIGMAS)))[::-1]
    place = np.arange(wide + BEFORE + TAPS)[:, None] - np.arange(wide)[None, :] + wide - 1
    return line.take(place)


def _near_echoes(counts: NDArray[np.floating], beam: SpreadBeam) -> Floats32:
    """Return the (M, bins) evidence near the counted ranges: a banded product in small one-thread blocks."""
    m, bins = counts.shape
    wide, tall = 16, 64
    columns, rows = -(-bins // wide), -(-m // tall)
    padded = np.zeros((rows * tall, columns * wide + BEFORE + TAPS), dtype=np.float32)
    padded[:m, TAPS : TAPS + bins] = counts
    s0, s1 = padded.strides
    blocks = np.lib.stride_tricks.as_strided(
        padded, (rows, columns, tall, wide + BEFORE + TAPS), (tall * s0, wide * s1, s0, s1), writeable=False
    )
    product = np.matmul(blocks, _band(beam, wide))
    return np.ascontiguousarray(product.transpose(0, 2, 1, 3)).reshape(rows * tall, columns * wide)[:m, :bins]


def _profiles(pings: StationPings, beam: SpreadBeam, step_m: float, bins: int) -> Floats32:
    """Return the (M, bins) weighted range profile of every ray: all its readings at once."""
    counts, unit, silent = _range_counts(pings, step_m, bins)
    shares = counts.astype(np.float32)
    shares *= np.float32(unit)
    profiles = _near_echoes(shares, beam)
    # whole free evidence: a count of the echoes far behind each step; a silent ping is a weak echo behind them all
    passed = np.cumsum(counts, axis=1, dtype=counts.dtype)  # whole numbers: eight times quicker than floats
    all_of_them = passed[:, -1:].copy()
    free = (all_of_them - passed[:, BEFORE - 1 : -1]).astype(np.float32)
    free *= np.float32(beam.miss * unit)
    silence = (beam.miss * pings.silence_weight * silent[:, None]).astype(np.float32)
    profiles[:, : bins - BEFORE] -= free
    profiles -= silence
    profiles *= pings.weight[:, None].astype(np.float32)
    return profiles


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
    edges = np.concatenate([fan.bearing_rad - half, fan.bearing_rad + half])
    # np.unique would load numpy.ma, which costs start-up time
    edges = np.sort(np.round(np.clip(edges, -math.pi, math.pi), 10))
    edges = edges[np.r_[True, np.diff(edges) > 0.0]]
    gaps = np.diff(edges)
    pieces = np.maximum(1, np.ceil(gaps / KNOT_GAP_RAD - 1e-9)).astype(int)
    start = np.repeat(edges[:-1], pieces)
    within = np.arange(pieces.sum()) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    return np.asarray(np.r_[start + within * np.repeat(gaps / pieces, pieces), edges[-1]])


def _spread(fan: _Fan, knots: Floats, profiles: Floats32, beam: SpreadBeam, half: float) -> Floats32:
    """Return the evidence at start, middle and end of every angle interval, (3 I, bins)."""
    bins, intervals = profiles.shape[1], knots.size - 1
    out = np.zeros((3 * intervals, bins), dtype=np.float32)
    start, end = knots[:-1], knots[1:]
    at = np.stack([start, 0.5 * (start + end), end], axis=1)
    low = np.searchsorted(fan.bearing_rad, start - half - 1e-6)
    high = np.searchsorted(fan.bearing_rad, end + half + 1e-6)
    sorted_profiles = profiles[fan.source]
    for first in range(0, intervals, GAINS_AT_ONCE):
        last = min(intervals, first + GAINS_AT_ONCE)
        left, right = int(low[first]), int(high[last - 1])
        off = np.abs(at[first:last, :, None] - fan.bearing_rad[left:right])
        # an interval lies inside a wedge or outside it, whole: its middle decides for both ends
        whole = off[:, 1:2, :] < half
        gain = np.where(whole, beam.gain_of(np.minimum(off, half), np.full(1, half)), 0.0)
        gain = gain.reshape(-1, right - left).astype(np.float32)
        for a in range(first, last, PRODUCTS_AT_ONCE):
            z = min(last, a + PRODUCTS_AT_ONCE)
            lo, hi = int(low[a]), int(high[z - 1])
            some = gain[3 * (a - first) : 3 * (z - first), lo - left : hi - left]
            chunk = max(16, SMALL_PRODUCT // max(1, some.size))
            for c in range(0, bins if lo < hi else 0, chunk):
                np.matmul(some, sorted_profiles[lo:hi, c : c + chunk], out=out[3 * a : 3 * z, c : c + chunk])
    return out


def _intervals(knots: Floats, angle: Floats) -> NDArray[np.int64]:
    """Return the interval of knots that holds each angle: from an even raster, then stepped to the right one."""
    last = knots.size - 2
    scale = 4.0 * knots.size / (knots[-1] - knots[0])
    raster = np.searchsorted(knots, knots[0] + np.arange(4 * knots.size + 2) / scale, side="right") - 1
    place = np.clip((angle - knots[0]) * scale, 0.0, 4.0 * knots.size).astype(np.int64)
    interval = np.clip(raster - 1, 0, last).take(place)  # one early, for what the raster's rounding may do
    while True:
        behind = (interval < last) & (knots.take(interval + 1) <= angle)
        if not behind.any():
            return np.asarray(interval)
        interval += behind


def _read_cells(table: Floats32, knots: Floats, interval: NDArray[np.int64], angle: Floats, steps: Floats) -> Floats:
    """Return the table's value at cells: quadratic in the angle inside an interval, cubic in the range."""
    bins = table.shape[1]
    width = np.diff(knots)
    u = ((angle - knots.take(interval)) / width.take(interval)).astype(np.float32)
    j = np.clip(steps.astype(np.int64), 1, bins - 3)
    t = (steps - j).astype(np.float32)
    across = ((1 - u) * (1 - 2 * u), 4 * u * (1 - u), u * (2 * u - 1))
    along = _cubic(t)
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
        weights = _cubic(t)
        along = sum(w[:, None] * profiles[fan.source][:, j + k - 1].T for k, w in enumerate(weights))
        value[first : first + 512] = (gain * along).sum(axis=1)
    return value


def _touches(
    pings: StationPings,
    fan: _Fan,
    beam: SpreadBeam,
    step_m: float,
    range_m: Floats,
    lo: NDArray[np.integer],
    hi: NDArray[np.integer],
) -> NDArray[np.int64]:
    """Return how many readings reach each cell: counts by limit, summed over the rays whose wedge holds it."""
    limit = beam.limit_m(pings.range_m) / step_m
    # limits on a step to the last bits (whole millimetres) belong to that step
    far = np.floor(limit + 1e-7).astype(np.int64)
    top, m = int(far.max()) + 2, pings.bearing_rad.size
    by_limit = np.zeros(m * top, dtype=np.int32)
    np.add.at(by_limit, pings.ray * np.int64(top) + far, np.int32(1) if pings.count is None else pings.count)
    up_to = np.cumsum(by_limit.reshape(m, top), axis=1, dtype=np.int32)
    table = np.zeros((fan.source.size + 1, top), dtype=np.int32)
    for slot, ray in enumerate(fan.source):  # whole rows at a time: three times quicker than a running sum down columns
        np.add(table[slot], up_to[ray], out=table[slot + 1])
    step = np.ceil((range_m - SLACK) / step_m).astype(np.int64)  # the first whole step that reaches the cell
    flat, column, end = table.reshape(-1), np.clip(step - 1, 0, top - 1), table[:, -1].copy()
    # all readings of the rays, without those that end before the cell
    hits = end.take(hi) - end.take(lo) - (flat.take(hi * top + column) - flat.take(lo * top + column))
    hits = hits.astype(np.int64)
    off_step = np.flatnonzero(limit - far > 1e-6)
    if off_step.size:
        times = None if pings.count is None else pings.count[off_step]
        hits += _between_steps(pings.ray[off_step], limit[off_step], times, fan, step_m, range_m, step, lo, hi)
    return hits


def _between_steps(
    ray: Ints,
    limit: Floats,
    times: Ints | None,
    fan: _Fan,
    step_m: float,
    range_m: Floats,
    step: NDArray[np.int64],
    lo: NDArray[np.integer],
    hi: NDArray[np.integer],
) -> NDArray[np.int64]:
    """Return how many limits lie in the very range step of each cell, and still reach it; `times` = of each limit."""
    slots = fan.source.size
    order = np.argsort(fan.source, kind="stable")
    copies = np.bincount(fan.source)  # a ray at the back of the fan stands there twice
    first = np.cumsum(copies) - copies
    whole = np.floor(limit)
    part = np.rint((limit - whole) * 2**FRACTION_BITS).astype(np.int64)
    column = whole.astype(np.int64) * slots
    keys = [((column + order[first[ray]]) << FRACTION_BITS) + part]
    counts = [] if times is None else [times]
    for extra in range(1, int(copies.max())):
        again = copies[ray] > extra
        keys.append(((column[again] + order[first[ray[again]] + extra]) << FRACTION_BITS) + part[again])
        counts += [] if times is None else [times[again]]
    key = np.concatenate(keys)
    rising = np.argsort(key) if counts else None
    key = np.sort(key) if rising is None else key[rising]
    row = (step - 1) * slots
    start = np.searchsorted(key, (row + lo) << FRACTION_BITS)
    count = np.searchsorted(key, (row + hi) << FRACTION_BITS) - start
    each = None if rising is None else np.concatenate(counts)[rising]
    ends, hits = np.cumsum(count), np.zeros(step.size, dtype=np.int64)
    first_cell = 0
    while first_cell < step.size:  # some cells at a time: their limits fit the cache, and memory stays small
        before = ends[first_cell - 1] if first_cell else 0
        last = max(first_cell + 1, int(np.searchsorted(ends, before + LIMITS_AT_ONCE, side="right")))
        some, own = slice(first_cell, last), count[first_cell:last]
        cell = np.repeat(np.arange(own.size), own)
        at = np.arange(cell.size) - np.repeat(np.cumsum(own) - own - start[some], own)
        place = (key[at] & (2**FRACTION_BITS - 1)) / 2**FRACTION_BITS
        reached = (place + (step[some][cell] - 1)) * step_m + SLACK >= range_m[some][cell]
        times_of = None if each is None else each[at[reached]]
        hits[some] = np.bincount(cell[reached], times_of, minlength=own.size)
        first_cell = last
    return hits


def _fan_block(
    frame: GridFrame, x: float, y: float, limit_m: float, first_rad: float, last_rad: float
) -> tuple[slice, slice] | None:
    """Return the block of cells round a fan that runs from one angle to another."""
    turns = np.arange(-8, 9) * (math.pi / 2)
    turns = np.r_[first_rad, last_rad, turns[(turns > first_rad - SLACK) & (turns < last_rad + SLACK)]]
    xs, ys = np.r_[x, x + limit_m * np.cos(turns)], np.r_[y, y + limit_m * np.sin(turns)]
    return block_around(frame, float(xs.min()), float(ys.min()), float(xs.max()), float(ys.max()))


def polar_station(frame: GridFrame, pings: StationPings, beam: SpreadBeam, step_m: float) -> Window | None:
    """Return the evidence of a station whose rays share one pole, in polar form.

    Integer counts of readings by bearing and range step -> one range profile a bearing -> angular spread at knots
    that lie on the wedges' edges -> each cell reads the table once.
    """
    np.empty(KEPT_BYTES, dtype=np.uint8)  # made and let go
    pings = _counted(pings, step_m, beam.ranger.reach_m)
    x, y = float(pings.x_m[0]), float(pings.y_m[0])
    half = float(beam.support_rad(0.0))
    limit = float(beam.limit_m(pings.range_m.max()))
    fan = _fan(pings.bearing_rad, half)
    knots = _knots(fan, half)
    box = _fan_block(frame, x, y, limit, fan.middle_rad + knots[0], fan.middle_rad + knots[-1])
    if box is None:
        return None
    rows, columns = box
    corner = frame.corner_cells
    dx = (np.arange(columns.start, columns.stop) + corner[0] + 0.5) * frame.cell_m - x
    dy = (np.arange(rows.start, rows.stop) + corner[1] + 0.5) * frame.cell_m - y
    r = np.sqrt(dx[None, :] ** 2 + dy[:, None] ** 2)
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
    interval = _intervals(knots, angle)
    value = _read_cells(table, knots, interval, angle, steps)
    # one interval, one set of rays; only cells on a knot to the last bits must look again
    middle = 0.5 * (knots[:-1] + knots[1:])
    lo = np.searchsorted(fan.bearing_rad, middle - half).take(interval)
    hi = np.searchsorted(fan.bearing_rad, middle + half).take(interval)
    edge = np.flatnonzero(
        np.minimum(np.abs(angle - knots.take(interval)), np.abs(angle - knots.take(interval + 1))) <= 2.0 * SLACK
    )
    if edge.size:
        lo[edge] = np.searchsorted(fan.bearing_rad, angle[edge] - half - SLACK, side="left")
        hi[edge] = np.searchsorted(fan.bearing_rad, angle[edge] + half + SLACK, side="right")
        value[edge] = _on_knots(fan, profiles, beam, half, angle[edge], steps[edge])
    hits = _touches(pings, fan, beam, step_m, r, lo, hi)
    shape = (rows.stop - rows.start, columns.stop - columns.start)
    evidence, touched = np.zeros(shape), np.zeros(shape, dtype=np.int64)
    spoken = (hits > 0) & (r <= beam.ranger.reach_m + SLACK)
    evidence.reshape(-1)[near] = np.where(spoken, value, 0.0)
    touched.reshape(-1)[near] = hits
    return Window(rows.start, columns.start, evidence, touched)

"""The loop over readings, rows and cells of one tile, compiled by numba; `tile_batches` makes the same sums without it.

Importing this module imports numba: only `many_poses` does, and only where it pays.  Edges are found in double floats
a row at a time, cells are filled in single floats sixteen at a time; no fused or reordered arithmetic, so that both
ways agree to the last bit.
"""

# numba finds the types of the loops itself
# mypy: allow-untyped-defs, no-check-untyped-defs

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

BLOCK = 16  # cells at once: a whole vector register of single floats on the widest machines
ONE, HALF = np.float32(1.0), np.float32(0.5)
SHARE_3, SHARE_5, SHARE_7, SHARE_9 = (np.float32(v) for v in (-4.0 / 3.0, 6.0 / 5.0, -4.0 / 7.0, 1.0 / 9.0))
SHARE_AREA = np.float32(315.0 / 256.0)
FADE_BEGINS = np.float32(-2.001)  # in thirds of the hump's half width; nearer than that floor was passed through, whole


def _fill(out, out_row, touched, row, c0, c1, own, own_x, cell, dy, cosine, sine, cos_wide, sin_wide, echo, weight,
          gain, profile, step, bits):  # fmt: skip
    """Add one reading's evidence and one touch to the cells c0..c1 of a row; evidence in fine steps >> bits."""
    g0, g1, g2, g3, g4, g5, g6, g7 = gain[0], gain[1], gain[2], gain[3], gain[4], gain[5], gain[6], gain[7]
    hit, miss, far, per_third = profile[0], profile[1], profile[2], profile[3]
    dy2, ahead_y, left_y = dy * dy, dy * sine, dy * cos_wide
    for c in range(c0, c1 + 1, BLOCK):
        more, place = np.int32(c1 - c), np.int32(c - own)
        sums, touches = out[out_row, c : c + BLOCK], touched[row, c : c + BLOCK]
        begin, end = np.float32(place) * cell + own_x, np.float32(place + min(more, BLOCK - 1)) * cell + own_x
        farthest = math.sqrt(max(begin * begin, end * end) + dy2)
        if (farthest - echo) * per_third < FADE_BEGINS:  # the whole block was passed through: no shape to work out
            for k in range(BLOCK):
                dx = np.float32(place + np.int32(k)) * cell + own_x
                q = (left_y - dx * sin_wide) / (math.sqrt(dx * dx + dy2) + (dx * cosine + ahead_y))
                s = q * q
                g = g0 + s * (g1 + s * (g2 + s * (g3 + s * (g4 + s * (g5 + s * (g6 + s * g7))))))
                inside = np.int32(k) <= more
                value = (np.int32(np.rint(g * far * weight)) + step) >> bits
                sums[k] += value if inside else np.int32(0)
                touches[k] += np.int32(inside)
            continue
        for k in range(BLOCK):
            dx = np.float32(place + np.int32(k)) * cell + own_x
            r = math.sqrt(dx * dx + dy2)
            q = (left_y - dx * sin_wide) / (r + (dx * cosine + ahead_y))
            s = q * q
            g = g0 + s * (g1 + s * (g2 + s * (g3 + s * (g4 + s * (g5 + s * (g6 + s * g7))))))
            t = (r - echo) * per_third
            u = min(max(t, -ONE), ONE)
            hump = ONE - u * u
            hump = hump * hump
            hump = hump * hump
            v = min(max(t + ONE, -ONE), ONE)
            v2 = v * v
            odd = v * (ONE + v2 * (SHARE_3 + v2 * (SHARE_5 + v2 * (SHARE_7 + v2 * SHARE_9))))
            inside = np.int32(k) <= more
            value = np.int32(np.rint(g * (hit * hump - miss * (HALF - odd * SHARE_AREA)) * weight))
            sums[k] += (value + step) >> bits if inside else np.int32(0)
            touches[k] += np.int32(inside)


def _row(out, out_row, touched, row, columns, dy, n, tile_x, cell_m, blind_m, x_m, limit2, slopes, ups, whole,
         singles, gain, profile, step, bits):  # fmt: skip
    """Add one reading to one row; return its first and last column, the last before the first where it has none."""
    rest = limit2 - dy * dy
    if rest < 0.0:
        return columns, -1
    right = math.sqrt(rest)
    left = -right
    edge = dy * slopes[n, 0]
    if ups[n, 0]:
        left = max(left, edge)
    else:
        right = min(right, edge)
    edge = dy * slopes[n, 1]
    if ups[n, 1]:
        right = min(right, edge)
    else:
        left = max(left, edge)
    if left > right:
        return columns, -1
    inverse = 1.0 / cell_m
    base = x_m * inverse - 0.5 - tile_x
    c0 = max(0, math.ceil(base + left * inverse))
    c1 = min(columns - 1, math.floor(base + right * inverse))
    if c0 > c1:
        return columns, -1
    cell, own, dyf = np.float32(cell_m), whole[n] - tile_x, np.float32(dy)
    b0, b1 = c1 + 1, c1
    if abs(dy) <= blind_m:
        # cells in the blind zone, each end by the exact rule
        hole = math.sqrt(max(0.0, blind_m * blind_m - dy * dy)) * inverse
        b0, b1 = math.ceil(base - hole) - 1, math.floor(base + hole) + 1
        for _ in range(2):
            dx = (b0 + tile_x + 0.5) * cell_m - x_m
            if b0 <= b1 and math.sqrt(dx * dx + dy * dy) >= blind_m:
                b0 += 1
            dx = (b1 + tile_x + 0.5) * cell_m - x_m
            if b0 <= b1 and math.sqrt(dx * dx + dy * dy) >= blind_m:
                b1 -= 1
        if b0 > b1:
            b0, b1 = c1 + 1, c1
    end = min(c1, b0 - 1)
    if c0 <= end:
        _fill_fast(out, out_row, touched, row, c0, end, own, singles[n, 0], cell, dyf, singles[n, 1], singles[n, 2],
                   singles[n, 3], singles[n, 4], singles[n, 5], singles[n, 6], gain, profile, step,
                   bits)  # fmt: skip
    start = max(c0, b1 + 1)
    if start <= c1 and b0 <= c1:
        _fill_fast(out, out_row, touched, row, start, c1, own, singles[n, 0], cell, dyf, singles[n, 1], singles[n, 2],
                   singles[n, 3], singles[n, 4], singles[n, 5], singles[n, 6], gain, profile, step,
                   bits)  # fmt: skip
    return c0, c1


def _tile(evidence, touched, scratch, tile_y, tile_x, columns, rows, readings, pose, x_m, y_m, limit_m, box_m, slopes,
          ups, whole, singles, gain, profile, cell_m, blind_m, slack, fine_bits):  # fmt: skip
    """Add readings to a tile whose first cell is (tile_y, tile_x) from the floor's origin."""
    bits, step, none = np.int32(fine_bits), np.int32(1 << (fine_bits - 1)), np.int32(0)
    first = 0
    while first < readings.size:
        last = first + 1
        while last < readings.size and pose[readings[last]] == pose[readings[first]]:
            last += 1
        south, north = box_m[readings[first], 1], box_m[readings[first], 3]
        for k in range(first + 1, last):
            south, north = min(south, box_m[readings[k], 1]), max(north, box_m[readings[k], 3])
        r0 = max(0, math.floor(south / cell_m) - 1 - tile_y)
        r1 = min(rows - 1, math.floor(north / cell_m) + 1 - tile_y)
        for row in range(r0, r1 + 1):
            centre = (row + tile_y + 0.5) * cell_m
            if last == first + 1:  # a pose with one reading is rounded where it is made
                n = readings[first]
                reach = limit_m[n] + slack
                _row_fast(evidence, row, touched, row, columns, centre - y_m[n], n, tile_x, cell_m, blind_m, x_m[n],
                          reach * reach, slopes, ups, whole, singles, gain, profile, step, bits)  # fmt: skip
                continue
            low, high = columns, -1
            for k in range(first, last):
                n = readings[k]
                reach = limit_m[n] + slack
                c0, c1 = _row_fast(scratch, 0, touched, row, columns, centre - y_m[n], n, tile_x, cell_m, blind_m,
                                   x_m[n], reach * reach, slopes, ups, whole, singles, gain, profile, none,
                                   none)  # fmt: skip
                low, high = min(low, c0), max(high, c1)
            for c in range(low, high + 1, BLOCK):
                sums, fine = evidence[row, c : c + BLOCK], scratch[0, c : c + BLOCK]
                for k in range(BLOCK):
                    sums[k] += (fine[k] + step) >> bits
                    fine[k] = 0
        first = last


def _compiled(function: Callable[..., Any], **more: Any) -> Any:
    """Return a function as machine code, kept on disk where any place for it can be written."""
    options = {"nogil": True, "error_model": "numpy", "boundscheck": False, **more}
    try:
        return numba.njit(cache=True, **options)(function)
    except RuntimeError:  # neither the package's folder nor the user's cache folder can be written
        return numba.njit(**options)(function)


_fill_fast = _compiled(_fill, forceinline=True)
_row_fast = _compiled(_row, forceinline=True)
tile_loop = _compiled(_tile)


def profile_numbers(hit: float, miss: float, sigma_m: float) -> NDArray[np.float32]:
    """Return (4,) hit, miss, what floor passed through says, and 1 / (3 sigma), as the loop takes them."""
    share = ONE + (SHARE_3 + (SHARE_5 + (SHARE_7 + SHARE_9)))
    far = np.float32(hit) * np.float32(0.0) - np.float32(miss) * (HALF + share * SHARE_AREA)
    return np.array([hit, miss, far, 1.0 / (3.0 * sigma_m)], dtype=np.float32)


def kept_on_disk() -> bool:
    """Return whether the machine code of an earlier process can be loaded instead of being made again."""
    from pathlib import Path

    folder = getattr(tile_loop.stats, "cache_path", None)
    return folder is not None and any(Path(folder).glob("tile_loops._tile-*.nbc"))

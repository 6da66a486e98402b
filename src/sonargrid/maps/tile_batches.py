"""The sums of one tile in plain NumPy: many rows of many wedges at once, put together by counting.

`batch_sum` makes the same sums as `tile_loops`, to the last bit; `direct_sum` serves beams that have no short numbers
(`beam_tables`): it asks the beam model itself about every cell.  Rows of about one length lie side by side in blocks
of (cells, rows): what belongs to a row then needs no fetching for each cell.  Metres and radians on the floor.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from sonargrid.arrays import Floats, Floats32
from sonargrid.maps.beam_tables import BeamTables
from sonargrid.maps.beams import SLACK, BeamModel
from sonargrid.maps.wedge_pings import FINE, FINE_BITS, TILE, CellNumbers, WedgePings

CELLS_AT_ONCE = 400_000  # between two countings
READINGS_AT_ONCE = 4000  # COUNT_STEP has room for so many touches
BLOCK_CELLS = 30_000  # temporaries stay below 128 KB: larger ones are mapped anew on every call
ONE_LENGTH = 1.25  # rows of a block differ by no more than this factor
POSES_AT_ONCE = 8  # poses of several readings are summed side by side, a tile each
COUNT_STEP = 2.0**40  # touches above, evidence below, in one exact double float
SIZE = TILE * TILE
HALF_STEP = 1 << (FINE_BITS - 1)
ONE, HALF = np.float32(1.0), np.float32(0.5)
SHARES = tuple(np.float32(v) for v in (-4.0 / 3.0, 6.0 / 5.0, -4.0 / 7.0, 1.0 / 9.0))
SHARE_AREA = np.float32(315.0 / 256.0)

Record = TypeVar("Record", WedgePings, CellNumbers)
Sums = tuple[NDArray[Any], NDArray[Any]]  # whole numbers: evidence in steps, touches


@dataclass(frozen=True, slots=True)
class Rows:
    """Stretches of cells that lie in one wedge and one row of a tile, arrays (R,).

    reading : whose wedge
    dy_m : from the ranger's face to the row's middle
    row, first, many : row and first column in the tile, number of cells
    """

    reading: NDArray[np.int64]
    dy_m: Floats
    row: NDArray[np.int64]
    first: NDArray[np.int64]
    many: NDArray[np.int64]


def _taken(record: Record, places: NDArray[np.int64]) -> Record:
    """Return a record of arrays with only some of its entries."""
    return type(record)(*(getattr(record, part.name)[places] for part in fields(record)))


def _reached_rows(wedges: WedgePings, tile_y: int, cell_m: float) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return (reading, row of the tile) of every row that wedges may reach."""
    south = np.floor(wedges.box_m[:, 1] / cell_m).astype(np.int64) - 1 - tile_y
    north = np.floor(wedges.box_m[:, 3] / cell_m).astype(np.int64) + 1 - tile_y
    r0, r1 = np.maximum(south, 0), np.minimum(north, TILE - 1)
    many = np.maximum(r1 - r0 + 1, 0)
    n = np.repeat(np.arange(len(wedges)), many)
    return n, r0[n] + np.arange(n.size) - np.repeat(np.cumsum(many) - many, many)


def _spans(
    wedges: WedgePings, n: NDArray[np.int64], dy: Floats, tile_x: int, cell_m: float, blind_m: float, whole_disc: bool
) -> tuple[NDArray[np.int64], ...]:
    """Return the first and last column of each row inside its wedge, and of its part in the blind zone."""
    reach = wedges.limit_m[n] + SLACK
    rest = reach * reach - dy * dy
    right = np.sqrt(np.maximum(rest, 0.0))
    left = -right
    for slope, up, is_left in (
        () if whole_disc else ((wedges.left_slope, wedges.left_up, True), (wedges.right_slope, wedges.right_up, False))
    ):
        edge = dy * slope[n]
        from_left = up[n] == is_left
        left = np.where(from_left, np.maximum(left, edge), left)
        right = np.where(from_left, right, np.minimum(right, edge))
    none = (rest < 0.0) | (left > right)
    inverse = 1.0 / cell_m
    base = wedges.x_m[n] * inverse - 0.5 - tile_x
    c0 = np.ceil(np.where(none, 1.0, base + left * inverse))
    c1 = np.floor(np.where(none, 0.0, base + right * inverse))
    c0, c1 = np.maximum(c0, 0.0).astype(np.int64), np.minimum(c1, TILE - 1.0).astype(np.int64)
    b0, b1 = c1 + 1, c1.copy()
    near = np.flatnonzero((np.abs(dy) <= blind_m) & (c0 <= c1))
    if near.size:
        x, d = wedges.x_m[n[near]], dy[near]
        hole = np.sqrt(np.maximum(0.0, blind_m * blind_m - d * d)) * inverse
        low = np.ceil(base[near] - hole).astype(np.int64) - 1
        high = np.floor(base[near] + hole).astype(np.int64) + 1
        for _ in range(2):  # each end by the exact rule
            dx = (low + tile_x + 0.5) * cell_m - x
            low += (low <= high) & (np.sqrt(dx * dx + d * d) >= blind_m)
            dx = (high + tile_x + 0.5) * cell_m - x
            high -= (low <= high) & (np.sqrt(dx * dx + d * d) >= blind_m)
        some = low <= high
        b0[near[some]], b1[near[some]] = low[some], high[some]
    return c0, c1, b0, b1


def _stretches(wedges: WedgePings, tile: tuple[int, int], cell_m: float, blind_m: float, whole_disc: bool) -> Rows:
    """Return all cells of a tile that lie in wedges and out of the blind zone, as stretches, short ones first."""
    tile_y, tile_x = tile
    n, row = _reached_rows(wedges, tile_y, cell_m)
    dy = (row + tile_y + 0.5) * cell_m - wedges.y_m[n]
    c0, c1, b0, b1 = _spans(wedges, n, dy, tile_x, cell_m, blind_m, whole_disc)
    # before the blind zone and behind it; most rows have none, and all of them in the first part
    split = np.flatnonzero((b0 <= c1) & (b0 <= b1))
    first = np.concatenate([c0, np.maximum(c0[split], b1[split] + 1)])
    many = np.concatenate([np.minimum(c1, b0 - 1), c1[split]]) - first + 1
    which = np.concatenate([np.arange(n.size), split])
    order = np.argsort(many, kind="stable")
    order = order[np.searchsorted(many[order], 1) :]
    which, first, many = which[order], first[order], many[order]
    return Rows(n[which], dy[which], row[which], first, many)


def _blocks(rows: Rows) -> Iterator[tuple[slice, int]]:
    """Yield stretches of about one length, and the longest of them."""
    first = 0
    while first < rows.many.size:
        widest = int(ONE_LENGTH * rows.many[first]) + 1
        last = int(np.searchsorted(rows.many, widest, side="right"))
        last = min(last, first + max(1, BLOCK_CELLS // widest))
        yield slice(first, last), int(rows.many[last - 1])
        first = last


def _fine_values(
    rows: Rows, k: NDArray[np.int64], singles: CellNumbers, tile_x: int, tables: BeamTables, cell_m: float
) -> Floats32:
    """Return evidence in fine steps, (cells, rows), by the same single-float arithmetic as the compiled loop."""
    n, dy = rows.reading, rows.dy_m.astype(np.float32)
    dx = (k + (rows.first + tile_x - singles.own_column[n])).astype(np.float32)
    dx *= np.float32(cell_m)
    dx += singles.own_x[n]
    r = dx * dx
    r += dy * dy
    np.sqrt(r, out=r)
    q = dx * singles.cos[n]
    q += dy * singles.sin[n]
    q += r
    dx *= singles.sin_wide[n]
    np.subtract(dy * singles.cos_wide[n], dx, out=dx)
    np.divide(dx, q, out=q)
    np.multiply(q, q, out=q)
    g = np.full(q.shape, tables.gain[-1], dtype=np.float32)
    for coefficient in tables.gain[-2::-1]:
        g *= q
        g += coefficient
    r -= singles.echo[n]
    r *= np.float32(1.0 / (3.0 * tables.sigma_m))
    g *= _profile(r, tables)
    g *= singles.weight[n]
    return np.rint(g, out=g)


def _profile(t: Floats32, tables: BeamTables) -> Floats32:
    """Return the evidence on the axis at places t behind the echo, in half widths of its hump."""
    u = np.minimum(np.maximum(t, -ONE), ONE)
    u *= u
    hump = np.subtract(ONE, u, out=u)
    hump *= hump
    hump *= hump
    hump *= np.float32(tables.hit)
    v = t + ONE
    np.minimum(np.maximum(v, -ONE, out=v), ONE, out=v)
    v2 = v * v
    odd = v2 * SHARES[3]
    for share in SHARES[2::-1]:
        odd += share
        odd *= v2
    odd += ONE
    odd *= v
    odd *= SHARE_AREA
    np.subtract(HALF, odd, out=odd)
    odd *= np.float32(tables.miss)
    return np.subtract(hump, odd, out=hump)


def _direct_values(
    rows: Rows, k: NDArray[np.int64], wedges: WedgePings, tile_x: int, beam: BeamModel, cell_m: float, blind_m: float
) -> tuple[Floats, NDArray[np.bool_]]:
    """Return evidence in fine steps and whether the beam itself says that a cell lies inside, (cells, rows)."""
    n, dy = rows.reading, rows.dy_m
    dx = (k + rows.first + tile_x + 0.5) * cell_m - wedges.x_m[n]
    r = np.sqrt(dx * dx + dy * dy)
    off = np.remainder(np.arctan2(dy, dx) - wedges.bearing_rad[n] + math.pi, 2.0 * math.pi) - math.pi
    inside = (np.abs(off) <= beam.support_rad(r) + SLACK) & (r <= wedges.limit_m[n] + SLACK) & (r >= blind_m)
    value = beam.log_odds(r, off, np.broadcast_to(wedges.range_m[n], r.shape))
    return np.rint(value * (wedges.weight[n] * FINE)), inside


Values = Callable[[Rows, NDArray[np.int64]], tuple[Floats | Floats32, NDArray[np.bool_] | None]]


def _put(rows: Rows, pose: NDArray[np.int32], values: Values) -> Sums:
    """Return evidence in whole steps and touches of one part of a tile; `pose` is that of each reading."""
    number = np.r_[0, np.cumsum(pose[1:] != pose[:-1])]
    if not rows.many.size:
        return np.zeros(SIZE, dtype=np.int64), np.zeros(SIZE, dtype=np.int64)
    if int(number[-1]) + 1 == number.size:
        flat, fine = _listed(rows, values, rows.row * TILE + rows.first, SIZE)
        steps = (fine.astype(np.int64) + HALF_STEP) >> FINE_BITS
        both = np.bincount(flat, steps + COUNT_STEP, minlength=SIZE + 1)[:SIZE].astype(np.int64)
        touches = (both + int(COUNT_STEP) // 2) >> 40
        return both - (touches << 40), touches
    return _put_together(rows, number, values)


def _put_together(rows: Rows, number: NDArray[np.int64], values: Values) -> Sums:
    """Return what `_put` does where poses have several readings: each pose is summed by itself, then rounded."""
    low, left = int(rows.row.min()), int(rows.first.min())
    high, wide = int(rows.row.max()) + 1 - low, int((rows.first + rows.many).max()) - left
    several, size = int(number[-1]) + 1, high * wide
    base = number[rows.reading] * size + (rows.row - low) * wide + rows.first - left
    flat, fine = _listed(rows, values, base, several * size)
    sums = np.bincount(flat, fine, minlength=several * size + 1)[:-1].astype(np.int64)
    touches = np.bincount(flat, minlength=several * size + 1)[:-1]
    evidence, touched = np.zeros((TILE, TILE), dtype=np.int64), np.zeros((TILE, TILE), dtype=np.int64)
    there = slice(low, low + high), slice(left, left + wide)
    evidence[there] = ((sums + HALF_STEP) >> FINE_BITS).reshape(several, high, wide).sum(axis=0)
    touched[there] = touches.reshape(several, high, wide).sum(axis=0)
    return evidence.reshape(-1), touched.reshape(-1)


def _listed(
    rows: Rows, values: Values, base: NDArray[np.int64], nowhere: int
) -> tuple[NDArray[np.int64], Floats | Floats32]:
    """Return the place of every cell, counted on from its stretch's `base`, and its evidence; `nowhere` = of none."""
    flats: list[NDArray[np.int64]] = []
    fines: list[Any] = []  # one kind of float or the other, all alike
    for some, widest in _blocks(rows):
        block = Rows(rows.reading[some], rows.dy_m[some], rows.row[some], rows.first[some], rows.many[some])
        k = np.arange(widest)[:, None]
        fine, inside = values(block, np.minimum(k, block.many - 1))
        there = k < block.many if inside is None else (k < block.many) & inside
        flats.append(np.where(there, base[some] + k, nowhere).reshape(-1))
        fines.append(fine.reshape(-1))
    return np.concatenate(flats), np.concatenate(fines)


def _parts(wedges: WedgePings, readings: NDArray[np.int64], cell_m: float) -> list[NDArray[np.int64]]:
    """Return a tile's readings in parts of few cells, or few poses where poses have several readings; none is cut."""
    pose = wedges.pose[readings]
    new = np.r_[True, pose[1:] != pose[:-1]]
    box = wedges.box_m[readings] / (TILE * cell_m)
    inside = np.minimum(box[:, 2] - box[:, 0], 1.0) * np.minimum(box[:, 3] - box[:, 1], 1.0)
    amount = np.floor(np.cumsum(0.5 * inside * SIZE) / CELLS_AT_ONCE)
    amount += np.arange(readings.size) // READINGS_AT_ONCE
    if not new.all():
        amount += np.floor((np.cumsum(new) - 1) / POSES_AT_ONCE)
    cut = np.flatnonzero(new[1:] & (amount[1:] != amount[:-1])) + 1
    return np.split(readings, cut)


def batch_sum(
    wedges: WedgePings,
    singles: CellNumbers,
    readings: NDArray[np.int64],
    tile: tuple[int, int],
    tables: BeamTables,
    cell_m: float,
    blind_m: float,
) -> Sums:
    """Return what readings say of a tile: (evidence in whole steps, touches), each (TILE * TILE,).

    Parameters
    ----------
    wedges, singles : WedgePings, CellNumbers
        All readings; `readings` are places in them, rising.
    tile : (int, int)
        Row and column of the tile's first cell, counted from the floor's origin.
    tables : BeamTables
    cell_m, blind_m : float
        Edge of a cell, and the ranger's blind zone [m].
    """
    evidence, touched = np.zeros(SIZE, dtype=np.int64), np.zeros(SIZE, dtype=np.int64)
    for part in _parts(wedges, readings, cell_m):
        some, numbers = _taken(wedges, part), _taken(singles, part)

        def values(rows: Rows, k: NDArray[np.int64], numbers: CellNumbers = numbers) -> tuple[Floats32, None]:
            return _fine_values(rows, k, numbers, tile[1], tables, cell_m), None

        more = _put(_stretches(some, tile, cell_m, blind_m, whole_disc=False), some.pose, values)
        evidence += more[0]
        touched += more[1]
    return evidence, touched


def direct_sum(
    wedges: WedgePings,
    readings: NDArray[np.int64],
    tile: tuple[int, int],
    beam: BeamModel,
    whole_disc: bool,
    cell_m: float,
    blind_m: float,
) -> Sums:
    """Return what readings say of a tile, every cell asked of the beam model itself; as `batch_sum`.

    Parameters
    ----------
    whole_disc : bool
        The wedges are too wide for straight edges: all cells within the limit are asked.
    """
    evidence, touched = np.zeros(SIZE, dtype=np.int64), np.zeros(SIZE, dtype=np.int64)
    for part in _parts(wedges, readings, cell_m):
        some = _taken(wedges, part)

        def values(rows: Rows, k: NDArray[np.int64], some: WedgePings = some) -> tuple[Floats, NDArray[np.bool_]]:
            return _direct_values(rows, k, some, tile[1], beam, cell_m, blind_m)

        more = _put(_stretches(some, tile, cell_m, 0.0, whole_disc), some.pose, values)
        evidence += more[0]
        touched += more[1]
    return evidence, touched

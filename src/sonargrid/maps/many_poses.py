"""Evidence of poses with few readings each, a moving robot's above all: tile by tile, a reading at a time.

Readings are sorted into tiles of cells that fit the cache; a tile's sum is made by the compiled loop where numba is
installed and pays (`tile_loops`), else by plain NumPy (`tile_batches`), with the same bits.  Sums are whole numbers of
2^-14, a pose's readings rounded once together: order, tiles, parts and threads never matter.  Metres and radians.
"""

from __future__ import annotations

import importlib.util
import itertools
import math
import os
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonargrid.arrays import Floats
from sonargrid.maps.beam_tables import WIDEST_RAD, BeamTables, tables_for
from sonargrid.maps.beams import SLACK, BeamModel
from sonargrid.maps.grid import GridFrame
from sonargrid.maps.kernels import StationPings
from sonargrid.maps.tile_batches import Sums, batch_sum, direct_sum
from sonargrid.maps.wedge_pings import (
    FINE_BITS,
    TILE,
    TileList,
    WedgePings,
    cell_numbers,
    tile_span,
    tiles_of,
    wedge_pings,
)
from sonargrid.runs.readings import Pings

AT_ONCE = 2**18  # readings made ready together: memory stays flat however long the run
SLICE = 32_768  # readings between two emptyings of a tile's 32-bit sums; 2.2 * 2^14 * SLICE stays below 2^31
NUMPY_S, LOOP_S = 4e-8, 5e-9  # a cell's update; benchmarks/bench_moving.py
LOAD_S, COMPILE_S = 0.7, 4.0  # numba with its code on disk, and without; benchmarks/bench_moving.py
THREADS_FROM_S = 0.2  # less work is done before a second thread has begun

LOOP_MODULE = "sonargrid.maps.tile_loops"

TileMaker = Callable[[NDArray[np.int64], tuple[int, int]], Sums]  # (readings, first cell of a tile) -> its sums


@dataclass(frozen=True, slots=True, eq=False)
class TileSum:
    """What was said of one tile: evidence in whole steps of 2^-14 and touches, (TILE, TILE) whole numbers.

    row, column : of the tile, counted in tiles from the floor's origin
    """

    row: int
    column: int
    evidence: NDArray[np.signedinteger[Any]]
    touched: NDArray[np.signedinteger[Any]]


@dataclass(frozen=True, slots=True)
class Way:
    """How sums are made; every way gives the same bits.

    compiled : whether numba's loop runs; None = where it pays
    threads : how many at once; None = two where it pays and the machine has them
    """

    compiled: bool | None = None
    threads: int | None = None


BEST = Way()


@dataclass(frozen=True, slots=True, eq=False)
class PosePings:
    """Usable readings of poses that have few each, arrays (N,), those of one pose side by side.

    pose : which pose
    x_m, y_m, bearing_rad : the ranger's face and the beam's axis
    range_m : inf = silent; none void
    weight : how much each counts, silence included
    """

    pose: NDArray[np.int32]
    x_m: Floats
    y_m: Floats
    bearing_rad: Floats
    range_m: Floats
    weight: Floats
    blind_zone_m: float

    @property
    def readings(self) -> int:
        """How many readings there are."""
        return int(self.pose.size)


def of_station(one: StationPings) -> PosePings:
    """Return a station's readings as those of a single pose."""
    ray = one.ray if one.count is None else np.repeat(one.ray, one.count)
    ranges = one.range_m if one.count is None else np.repeat(one.range_m, one.count)
    weight = one.weight[ray] * np.where(np.isposinf(ranges), one.silence_weight, 1.0)
    pose = np.zeros(ray.size, dtype=np.int32)
    return PosePings(pose, one.x_m[ray], one.y_m[ray], one.bearing_rad[ray], ranges, weight, one.blind_zone_m)


def poses_of(pings: Pings, chosen: NDArray[np.int64], weights: Floats, silence_weight: float) -> Iterator[PosePings]:
    """Yield readings in parts of at most about AT_ONCE, no pose cut.

    Parameters
    ----------
    pings : Pings
        Calibrated readings.
    chosen : (K,) array
        Places of the readings that count, none void; all those of one station side by side.
    weights : (M,) array
        How much one ping of each ray counts.
    silence_weight : float
        Factor for silent pings.
    """
    if pings.count is not None:
        chosen = np.repeat(chosen, pings.count[chosen])
    rays = pings.rays
    stations = rays.station[pings.ray[chosen]]
    ends = np.r_[np.flatnonzero(np.diff(stations)) + 1, stations.size]
    first = 0
    while first < chosen.size:
        last = int(ends[min(ends.size - 1, np.searchsorted(ends, first + AT_ONCE))])
        ray, ranges = pings.ray[chosen[first:last]], pings.range_m[chosen[first:last]]
        weight = weights[ray] * np.where(np.isposinf(ranges), silence_weight, 1.0)
        x, y, bearing = rays.x_m[ray], rays.y_m[ray], rays.bearing_rad[ray]
        yield PosePings(stations[first:last], x, y, bearing, ranges, weight, pings.blind_zone_m)
        first = last


def tile_sums(poses: PosePings, beam: BeamModel, frame: GridFrame, way: Way = BEST) -> Iterator[TileSum]:
    """Yield what readings say, tile by tile.

    Parameters
    ----------
    poses : PosePings
    beam : BeamModel
    frame : GridFrame
        Tiles outside it are left out; cells outside it are not.
    way : Way
    """
    tables = tables_for(beam)
    half = tables.half_rad if tables is not None else _widest(beam, poses.blind_zone_m)
    limit = np.broadcast_to(beam.limit_m(poses.range_m), poses.range_m.shape)
    loop = _compiled_loop(poses, limit, half, frame.cell_m, way) if tables is not None else None
    wedges = wedge_pings(poses.pose, poses.x_m, poses.y_m, poses.bearing_rad, poses.range_m, limit, poses.weight, half)
    yield from _each_tile(wedges, beam, tables, half, frame, poses.blind_zone_m, loop, way)


def _widest(beam: BeamModel, blind_zone_m: float) -> float:
    """Return the widest half angle of a beam's support within its reach [rad], a little more where it is curved."""
    ranges = np.linspace(max(blind_zone_m, 1e-6), float(beam.limit_m(math.inf)), 2049)
    return min(math.pi, float(np.max(beam.support_rad(ranges))) * 1.001)


def _compiled_loop(
    poses: PosePings, limit_m: Floats, half: float, cell_m: float, way: Way
) -> Callable[..., None] | None:
    """Return numba's loop where it is wanted or pays, and can be had."""
    gain_s = half * float(np.dot(limit_m, limit_m)) / cell_m**2 * (NUMPY_S - LOOP_S)
    loaded = LOOP_MODULE in sys.modules
    if way.compiled is False or (way.compiled is None and gain_s < LOAD_S and not loaded):
        return None
    # the loop's 32 bits are made for weights up to 1, which is what weights are
    if importlib.util.find_spec("numba") is None or float(poses.weight.max(initial=0.0)) > 1.0:
        return None
    from sonargrid.maps import tile_loops

    if way.compiled is None and gain_s < COMPILE_S and not loaded and not tile_loops.kept_on_disk():
        return None
    return tile_loops.tile_loop  # type: ignore[no-any-return]


def _each_tile(
    wedges: WedgePings,
    beam: BeamModel,
    tables: BeamTables | None,
    half: float,
    frame: GridFrame,
    blind_m: float,
    loop: Callable[..., None] | None,
    way: Way,
) -> Iterator[TileSum]:
    cell = frame.cell_m
    tiles = tiles_of(wedges, cell, *tile_span(frame))
    one: TileMaker
    if tables is None:
        one = partial(direct_sum, wedges, beam=beam, whole_disc=half > WIDEST_RAD, cell_m=cell, blind_m=blind_m)
    elif loop is None:
        singles = cell_numbers(wedges, tables.half_rad, cell)
        one = partial(batch_sum, wedges, singles, tables=tables, cell_m=cell, blind_m=blind_m)
    else:
        one = compiled_sum(loop, wedges, tables, cell, blind_m)

    def at(number: int) -> TileSum:
        row, column = int(tiles.row[number]), int(tiles.column[number])
        readings = tiles.reading[tiles.start[number] : tiles.start[number + 1]]
        evidence, touched = one(readings, (row * TILE, column * TILE))
        return TileSum(row, column, evidence.reshape(TILE, TILE), touched.reshape(TILE, TILE))

    threads = way.threads if way.threads is not None else _threads(tiles, loop)
    if threads < 2 or loop is None:
        yield from map(at, range(tiles.row.size))
        return
    with ThreadPoolExecutor(threads) as pool:
        # a few tiles at a time, so that finished ones do not pile up
        for first in range(0, tiles.row.size, 8 * threads):
            yield from pool.map(at, range(first, min(tiles.row.size, first + 8 * threads)))


def _threads(tiles: TileList, loop: Callable[..., None] | None) -> int:
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    # half of a tile's readings reach about a thousand of its cells each
    return min(2, cores) if loop is not None and tiles.reading.size * 1000 * LOOP_S > THREADS_FROM_S else 1


def compiled_sum(
    loop: Callable[..., None], wedges: WedgePings, tables: BeamTables, cell_m: float, blind_m: float, size: int = TILE
) -> TileMaker:
    """Return a function of (readings, first cell of a square of `size` cells) that runs the compiled loop there."""
    from sonargrid.maps.tile_loops import profile_numbers

    one = cell_numbers(wedges, tables.half_rad, cell_m)
    slopes = np.stack([wedges.left_slope, wedges.right_slope], axis=1)
    ups = np.stack([wedges.left_up, wedges.right_up], axis=1)
    singles = np.stack([one.own_x, one.cos, one.sin, one.cos_wide, one.sin_wide, one.echo, one.weight], axis=1)
    profile = profile_numbers(tables.hit, tables.miss, tables.sigma_m)

    def sums(readings: NDArray[np.int64], tile: tuple[int, int]) -> Sums:
        pose = wedges.pose[readings]
        new = np.flatnonzero(np.r_[True, pose[1:] != pose[:-1], True])
        cuts = np.unique(np.r_[new[np.searchsorted(new, np.arange(0, readings.size, SLICE))], readings.size])
        scratch = np.zeros((1, size + 16), dtype=np.int32)
        made: list[Sums] = []
        for first, last in itertools.pairwise(cuts.tolist()):
            steps, touches = (np.zeros((size, size + 16), dtype=np.int32) for _ in range(2))
            loop(
                steps, touches, scratch, tile[0], tile[1], size, size, readings[first:last], wedges.pose, wedges.x_m,
                wedges.y_m, wedges.limit_m, wedges.box_m, slopes, ups, one.own_column, singles, tables.gain, profile,
                cell_m, blind_m, SLACK, FINE_BITS,
            )  # fmt: skip
            made.append((steps[:, :size], touches[:, :size]))
        if len(made) == 1:
            return made[0]
        every, reached = (np.stack(parts).astype(np.int64) for parts in zip(*made, strict=True))
        return np.asarray(every.sum(axis=0)), np.asarray(reached.sum(axis=0))

    return sums

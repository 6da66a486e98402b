"""A grid of which only the touched tiles exist: 200 m of floor at 1 cm needs memory for what readings reached.

Tiles are squares of TILE cells counted from the floor's origin; row 0 of a tile is its southern edge.  Cells outside
the frame, and tiles that no reading reached, say nothing.  The dense grid and its file are `grid`'s.
"""

from __future__ import annotations

import io
import json
import os
import zipfile
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonargrid.arrays import Counts, Floats, Floats32, frozen
from sonargrid.errors import SonargridError
from sonargrid.maps.grid import EVIDENCE_HOLD, EVIDENCE_STEP, GridFrame, LogOddsGrid
from sonargrid.maps.grid_file import grid_entry, open_grid, save_grid
from sonargrid.maps.kernels import Window
from sonargrid.maps.wedge_pings import TILE
from sonargrid.physics.log_odds import EVIDENCE_LIMIT, to_probability

MOST_DENSE = 50_000_000  # cells that a grid in one piece may have
MOST_SHOWN = 4_000_000  # cells of an overview: twice as many each way as a picture has pixels
WIDEST_SUM = 2**31 - 1  # a tile whose sums may go beyond goes on in 64 bits

Place = tuple[int, int]  # (row, column) of a tile, counted in tiles from the floor's origin


class TooManyTiles(Exception):
    """More touched cells than allowed; who knows the readings tells what would fit."""


@dataclass(frozen=True, slots=True, eq=False)
class Tile:
    """One square of cells.

    log_odds : (TILE, TILE) float32
    touched : (TILE, TILE) uint32
    """

    log_odds: Floats32
    touched: Counts

    def __post_init__(self) -> None:
        object.__setattr__(self, "log_odds", frozen(self.log_odds, np.float32))
        object.__setattr__(self, "touched", frozen(self.touched, np.uint32))
        for values in (self.log_odds, self.touched):
            if values.shape != (TILE, TILE):
                raise ValueError(f"a tile has {TILE} x {TILE} cells, got {values.shape}")


@dataclass(frozen=True, slots=True, eq=False)
class TiledGrid:
    """Log-odds of a large floor, in tiles.

    frame : where the whole floor lies
    tiles : (row, column) of a tile -> its cells; what is not there was never reached
    meta : as that of `LogOddsGrid`

    >>> frame = GridFrame(0.01, (-10000, -10000), 20000, 20000)
    >>> one = LogOddsGrid(GridFrame(0.01, (300, 0), 1, 2), np.array([[0.5, 0.0]]), np.array([[1, 0]]))
    >>> floor = TiledGrid.of(one, frame)
    >>> floor, (floor + floor).part(one.frame).log_odds.tolist()
    (TiledGrid(20000 x 20000 cells of 0.01 m, 1 touched, 1 tile), [[1.0, 0.0]])
    """

    frame: GridFrame
    tiles: Mapping[Place, Tile]
    meta: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        ordered = {place: self.tiles[place] for place in sorted(self.tiles)}
        object.__setattr__(self, "tiles", MappingProxyType(ordered))
        object.__setattr__(self, "meta", MappingProxyType(dict(self.meta)))

    def __repr__(self) -> str:
        rows, columns = self.frame.shape
        tiles = f"{len(self.tiles)} tile{'' if len(self.tiles) == 1 else 's'}"
        return f"TiledGrid({rows} x {columns} cells of {self.cell_m:g} m, {self.cells_touched} touched, {tiles})"

    @classmethod
    def of(cls, grid: LogOddsGrid, frame: GridFrame | None = None) -> TiledGrid:
        """Return a grid's additive evidence in tiles; `frame` = a larger floor of the same cells to put it on."""
        steps = np.rint(grid.additive_log_odds.astype(np.float64) / EVIDENCE_STEP) * EVIDENCE_STEP
        floor = frame or grid.frame
        row, column = (grid.frame.corner_cells[axis] - floor.corner_cells[axis] for axis in (1, 0))
        return summed_tiles([Window(row, column, steps, grid.touched.astype(np.int64))], floor, grid.meta)[0]

    @property
    def cell_m(self) -> float:
        """Edge of a cell [m]."""
        return self.frame.cell_m

    @property
    def corner_m(self) -> tuple[float, float]:
        """Outer corner (x_min, y_min) of the floor [m]."""
        return self.frame.corner_m

    @property
    def layers(self) -> Mapping[str, Floats32]:
        """Further layers: a grid in tiles has none."""
        return MappingProxyType({})

    @property
    def cells_touched(self) -> int:
        """How many cells readings reached."""
        return sum(int(np.count_nonzero(tile.touched)) for tile in self.tiles.values())

    @property
    def log_odds(self) -> Floats32:
        """All cells in one array; see `dense`."""
        return self.dense().log_odds

    @property
    def touched(self) -> Counts:
        """All touch counts in one array; see `dense`."""
        return self.dense().touched

    def probability(self, prior: float | None = None) -> Floats:
        """Return P(occupied) of every cell in one array; see `dense`."""
        return self.dense().probability(prior)

    def dense(self) -> LogOddsGrid:
        """Return the whole floor as a grid in one piece.

        Raises
        ------
        SonargridError
            If it has more than 50 million cells.
        """
        cells = self.frame.rows * self.frame.columns
        if cells > MOST_DENSE:
            raise SonargridError(
                f"{cells} cells are too many for one array (most: {MOST_DENSE})",
                hint="part(frame) gives a part of the floor, overview() all of it in larger cells",
            )
        return self.part(self.frame)

    def part(self, frame: GridFrame) -> LogOddsGrid:
        """Return a part of the floor as a grid in one piece.

        Raises
        ------
        ValueError
            If the frame's cells are others.
        """
        if frame.cell_m != self.cell_m:
            raise ValueError(f"cells of {frame.cell_m} m are no part of a floor of {self.cell_m} m")
        log_odds, touched = np.zeros(frame.shape, dtype=np.float32), np.zeros(frame.shape, dtype=np.uint32)
        for place, tile in self.tiles.items():
            there, own = _overlap(place, frame)
            if there is not None:
                log_odds[there], touched[there] = tile.log_odds[own], tile.touched[own]
        return LogOddsGrid(frame, log_odds, touched, self.meta)

    def overview(self, most_cells: int = MOST_SHOWN) -> LogOddsGrid:
        """Return the whole floor in larger cells: the mean probability of the touched ones, the most touches.

        Raises
        ------
        SonargridError
            If the floor is too large even at a cell a tile.
        """
        factor = 1
        while factor < TILE and _coarse(self.frame, factor).rows * _coarse(self.frame, factor).columns > most_cells:
            factor *= 2
        frame = _coarse(self.frame, factor)
        if frame.rows * frame.columns > MOST_DENSE:
            size = f"{self.frame.columns * self.cell_m:.4g} m x {self.frame.rows * self.cell_m:.4g} m"
            raise SonargridError(
                f"a floor of {size} is too large to be shown", hint="a smaller --extent, or a larger --cell"
            )
        chance, touched = np.full(frame.shape, 0.5), np.zeros(frame.shape, dtype=np.uint32)
        limit = float(self.meta.get("evidence_limit", EVIDENCE_LIMIT))
        for place, tile in self.tiles.items():
            mean, most = _shrunk(tile, factor, limit)
            there, own = _overlap(place, frame, TILE // factor)
            if there is not None:
                chance[there], touched[there] = mean[own], most[own]
        chance = np.clip(chance, 1e-12, 1.0 - 1e-12)
        return LogOddsGrid(frame, np.log(chance) - np.log1p(-chance), touched, self.meta)

    def __add__(self, other: TiledGrid) -> TiledGrid:
        if not isinstance(other, TiledGrid):
            return NotImplemented
        if self.frame != other.frame:
            raise ValueError(f"grids differ: {self.frame} and {other.frame}; map both with one --cell and --extent")
        meta = {**self.meta, "solver": "additive", "merged": 1 + int(self.meta.get("merged", 0))}
        meta.pop("prior", None)
        tiles = dict(self.tiles)
        for place, tile in other.tiles.items():
            tiles[place] = _sum_of(tiles[place], tile) if place in tiles else tile
        return TiledGrid(self.frame, tiles, meta)

    def to_bytes(self) -> bytes:
        """Return the grid as a compressed NPZ file; the same grid always gives the same bytes."""
        small: dict[str, np.ndarray] = {
            "cell_m": np.array(self.cell_m),
            "corner_m": np.array(self.corner_m),
            "corner_cells": np.array(self.frame.corner_cells, dtype=np.int64),
            "shape": np.array(self.frame.shape, dtype=np.int64),
            "tile_place": np.array(list(self.tiles), dtype=np.int64).reshape(-1, 2),
            "meta": np.array(json.dumps(dict(self.meta), sort_keys=True)),
        }
        whole = io.BytesIO()
        with zipfile.ZipFile(whole, "w", zipfile.ZIP_DEFLATED) as archive:
            for name, values in small.items():
                with archive.open(grid_entry(name), "w") as out:
                    np.lib.format.write_array(out, values, allow_pickle=False)
            for name, kind in (("log_odds", "<f4"), ("touched", "<u4")):
                with archive.open(grid_entry(name), "w", force_zip64=True) as out:
                    # a tile at a time: all of them together may be larger than memory has room for twice
                    head = {"descr": kind, "fortran_order": False, "shape": (len(self.tiles), TILE, TILE)}
                    np.lib.format.write_array_header_1_0(out, head)
                    for tile in self.tiles.values():
                        out.write(np.ascontiguousarray(getattr(tile, name), dtype=kind).tobytes())
        return whole.getvalue()

    def save(self, path: str | os.PathLike[str]) -> Path:
        """Write the grid as NPZ, whole or not at all, and return the path."""
        return save_grid(self.to_bytes(), path)

    @classmethod
    def load(cls, path: str | os.PathLike[str]) -> TiledGrid:
        """Return the grid kept in an NPZ file; one in a single piece is cut into tiles.

        Raises
        ------
        SonargridError
            If the file cannot be read or is no grid.
        """
        with open_grid(path) as kept:
            if "tile_place" not in kept.files:
                return cls.of(LogOddsGrid.load(path))
            cell, (left, bottom), (rows, columns) = (kept[name] for name in ("cell_m", "corner_cells", "shape"))
            frame = GridFrame(float(cell), (int(left), int(bottom)), int(rows), int(columns))
            log_odds, touched = kept["log_odds"], kept["touched"]
            for values in (log_odds, touched):
                values.flags.writeable = False  # they are ours: the tiles need not copy them
            places = [(int(row), int(column)) for row, column in kept["tile_place"]]
            tiles = {place: Tile(log_odds[k], touched[k]) for k, place in enumerate(places)}
            return cls(frame, tiles, json.loads(str(kept["meta"])))


def load_grid(path: str | os.PathLike[str]) -> LogOddsGrid | TiledGrid:
    """Return the grid kept in an NPZ file, in one piece or in tiles as it was written.

    Raises
    ------
    SonargridError
        If the file cannot be read or is no grid.
    """
    with open_grid(path) as kept:
        in_tiles = "tile_place" in kept.files
    return TiledGrid.load(path) if in_tiles else LogOddsGrid.load(path)


def shown_grid(path: str | os.PathLike[str]) -> LogOddsGrid:
    """Return the grid kept in an NPZ file in one piece: of one in tiles, its overview.

    Raises
    ------
    SonargridError
        If the file cannot be read or is no grid.
    """
    grid = load_grid(path)
    return grid.overview() if isinstance(grid, TiledGrid) else grid


def _overlap(
    place: Place, frame: GridFrame, size: int = TILE
) -> tuple[tuple[slice, slice] | None, tuple[slice, slice]]:
    """Return the (rows, columns) of a frame that a tile of `size` cells covers, None if none, and those of the tile."""
    row, column = place[0] * size - frame.corner_cells[1], place[1] * size - frame.corner_cells[0]
    r0, r1, c0, c1 = max(0, row), min(frame.rows, row + size), max(0, column), min(frame.columns, column + size)
    own = slice(r0 - row, r1 - row), slice(c0 - column, c1 - column)
    return ((slice(r0, r1), slice(c0, c1)) if r0 < r1 and c0 < c1 else None), own


def tile_of(grid: LogOddsGrid, place: Place) -> Tile | None:
    """Return one tile of a grid in one piece, what it says itself; None where no reading reached it."""
    there, own = _overlap(place, grid.frame)
    if there is None or not grid.touched[there].any():
        return None
    log_odds, touched = np.zeros((TILE, TILE), dtype=np.float32), np.zeros((TILE, TILE), dtype=np.uint32)
    log_odds[own], touched[own] = grid.log_odds[there], grid.touched[there]
    return Tile(log_odds, touched)


def _coarse(frame: GridFrame, factor: int) -> GridFrame:
    """Return the frame of cells `factor` times as wide that holds a frame."""
    left, bottom = (corner // factor for corner in frame.corner_cells)
    right, top = (
        -(-(frame.corner_cells[0] + frame.columns) // factor),
        -(-(frame.corner_cells[1] + frame.rows) // factor),
    )
    return GridFrame(frame.cell_m * factor, (left, bottom), top - bottom, right - left)


def _shrunk(tile: Tile, factor: int, limit: float) -> tuple[Floats, Counts]:
    """Return a tile in larger cells: the mean P(occupied) at even odds of the touched ones, the most touches."""
    few = TILE // factor
    reached = (tile.touched > 0).reshape(few, factor, few, factor)
    chance = np.where(reached, to_probability(tile.log_odds, 0.5, limit).reshape(reached.shape), 0.0)
    count = reached.sum(axis=(1, 3))
    mean = np.where(count > 0, chance.sum(axis=(1, 3)) / np.maximum(count, 1), 0.5)
    return mean, tile.touched.reshape(reached.shape).max(axis=(1, 3))


def _sum_of(one: Tile, other: Tile) -> Tile:
    total = one.log_odds.astype(np.float64) + other.log_odds
    touched = np.minimum(one.touched.astype(np.uint64) + other.touched, 2**32 - 1)
    return Tile(np.clip(total, -EVIDENCE_HOLD, EVIDENCE_HOLD).astype(np.float32), touched.astype(np.uint32))


def _cut(window: Window, frame: GridFrame) -> Iterator[tuple[Place, tuple[slice, slice], tuple[slice, slice]]]:
    """Yield the tiles that a window of a frame covers, with (rows, columns) in the tile and in the window."""
    row, column = window.row + frame.corner_cells[1], window.column + frame.corner_cells[0]
    height, width = window.evidence.shape
    inner = GridFrame(frame.cell_m, (column, row), height, width)
    for r in range(row // TILE, (row + height - 1) // TILE + 1):
        for c in range(column // TILE, (column + width - 1) // TILE + 1):
            in_window, in_tile = _overlap((r, c), inner)
            if in_window is not None:
                yield (r, c), in_tile, in_window


def summed_tiles(
    windows: Iterable[Window], frame: GridFrame, meta: Mapping[str, Any], most_cells: int | None = None
) -> tuple[TiledGrid, int]:
    """Return the grid that windows of a frame add up to, and how many cells were held at the largest evidence.

    Parameters
    ----------
    windows : iterable of Window
        Blocks of the frame, evidence in whole steps; they may overlap.
    frame : GridFrame
        The whole floor.
    meta : mapping
        What the grid is to remember.
    most_cells : int, optional
        The most cells of touched tiles.

    Raises
    ------
    TooManyTiles
        As soon as there are more.
    """
    sums: dict[Place, tuple[NDArray[np.integer], NDArray[np.uint32]]] = {}
    for window in windows:
        for place, in_tile, in_window in _cut(window, frame):
            touches = window.touched[in_window]
            if not touches.any():
                continue
            if place not in sums:
                if most_cells is not None and (len(sums) + 1) * TILE * TILE > most_cells:
                    raise TooManyTiles
                sums[place] = np.zeros((TILE, TILE), dtype=np.int32), np.zeros((TILE, TILE), dtype=np.uint32)
            steps, touched = sums[place]
            more = np.rint(window.evidence[in_window] / EVIDENCE_STEP).astype(np.int64)
            if steps.dtype == np.int32 and int(np.abs(steps).max()) + int(np.abs(more).max()) > WIDEST_SUM:
                sums[place] = steps, touched = steps.astype(np.int64), touched
            steps[in_tile] += more.astype(steps.dtype)
            touched[in_tile] += touches.astype(np.uint32)
    most, over, tiles = round(EVIDENCE_HOLD / EVIDENCE_STEP), 0, {}
    for place in sorted(sums):
        steps, touched = sums.pop(place)
        held = np.clip(steps, -most, most)
        over += int(np.count_nonzero(held != steps))
        tiles[place] = Tile((held * EVIDENCE_STEP).astype(np.float32), touched)
    return TiledGrid(frame, tiles, meta), over

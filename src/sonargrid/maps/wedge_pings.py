"""Readings from many poses made ready for the floor: every wedge as numbers, and the tiles of cells that it reaches.

A tile is TILE x TILE cells; tiles are counted from the floor's origin, so that what a cell is told never depends on
the map's extent.  Both quick loops (`tile_loops`, `tile_batches`) read the same numbers, which is why their sums are
equal to the last bit.  Metres and radians on the floor.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonargrid.arrays import Floats, Floats32
from sonargrid.maps.beams import SLACK
from sonargrid.maps.grid import EVIDENCE_STEP, GridFrame

TILE = 256  # evidence and touch counts of a tile fit the second cache
FINE_BITS = 6  # readings of one pose are summed in steps this much finer, then rounded once
FINE = 2.0**FINE_BITS / EVIDENCE_STEP
SILENT_M = 1e6  # where the echo of a silent ping lies: behind every cell
NEVER_FLAT = 1e-300  # stands for the sine of an edge along the rows


@dataclass(frozen=True, slots=True, eq=False)
class WedgePings:
    """Readings as wedges, arrays (N,), readings of one pose side by side.

    pose : which pose
    x_m, y_m : the ranger's face
    bearing_rad, range_m, limit_m : axis; echo (inf = silent); how far it speaks
    weight : how much it counts, silence included
    left_slope, right_slope : dx / dy along the wedge's two edges, SLACK outside it
    left_up, right_up : whether these edges point to growing y
    """

    pose: NDArray[np.int32]
    x_m: Floats
    y_m: Floats
    bearing_rad: Floats
    range_m: Floats
    limit_m: Floats
    weight: Floats
    left_slope: Floats
    right_slope: Floats
    left_up: NDArray[np.bool_]
    right_up: NDArray[np.bool_]
    box_m: Floats  # (N, 4): west, south, east, north of the wedge

    def __len__(self) -> int:
        return int(self.pose.size)


@dataclass(frozen=True, slots=True, eq=False)
class CellNumbers:
    """Wedges in single floats, seen from the cell that holds the ranger's face; arrays (N,).

    own_column : that cell's column, counted from the floor's origin
    own_x : from the face to that cell's centre [m]
    cos, sin : of the axis; cos_wide, sin_wide : the same over tan(half beam / 2)
    echo : range [m]; SILENT_M where silent
    weight : in fine steps
    """

    own_column: NDArray[np.int32]
    own_x: Floats32
    cos: Floats32
    sin: Floats32
    cos_wide: Floats32
    sin_wide: Floats32
    echo: Floats32
    weight: Floats32


def wedge_pings(
    pose: NDArray[np.int32],
    x_m: Floats,
    y_m: Floats,
    bearing_rad: Floats,
    range_m: Floats,
    limit_m: Floats,
    weight: Floats,
    half_rad: float,
) -> WedgePings:
    """Return readings as wedges of one half beam below 90 degrees; wider ones become half circles and more.

    Raises nothing; arrays are taken as they are, (N,) each.
    """
    half = half_rad + SLACK
    left, right = bearing_rad + half, bearing_rad - half
    edges = []
    for angle in (left, right):
        sine = np.sin(angle)
        sine = np.where(np.abs(sine) < NEVER_FLAT, NEVER_FLAT, sine)
        edges.append((np.cos(angle), sine))
    (left_cos, left_sin), (right_cos, right_sin) = edges
    reach = limit_m + SLACK
    xs = np.stack([np.zeros_like(reach), reach * left_cos, reach * right_cos])
    ys = np.stack([np.zeros_like(reach), reach * left_sin, reach * right_sin])
    cosine, sine, edge = np.cos(bearing_rad), np.sin(bearing_rad), math.cos(min(half, math.pi))
    # a compass point inside the wedge is its farthest place that way
    east, north = np.where(cosine >= edge, reach, xs.max(axis=0)), np.where(sine >= edge, reach, ys.max(axis=0))
    west, south = np.where(-cosine >= edge, -reach, xs.min(axis=0)), np.where(-sine >= edge, -reach, ys.min(axis=0))
    return WedgePings(
        pose,
        x_m,
        y_m,
        bearing_rad,
        range_m,
        limit_m,
        weight,
        left_cos / left_sin,
        right_cos / right_sin,
        left_sin > 0.0,
        right_sin > 0.0,
        np.stack([x_m + west, y_m + south, x_m + east, y_m + north], axis=1),
    )


def cell_numbers(wedges: WedgePings, half_rad: float, cell_m: float) -> CellNumbers:
    """Return wedges of one half beam as the quick loops read them."""
    own = np.floor(wedges.x_m / cell_m)
    wide = 1.0 / math.tan(0.5 * half_rad)
    cosine, sine = np.cos(wedges.bearing_rad), np.sin(wedges.bearing_rad)
    return CellNumbers(
        own.astype(np.int32),
        ((own + 0.5) * cell_m - wedges.x_m).astype(np.float32),
        cosine.astype(np.float32),
        sine.astype(np.float32),
        (cosine * wide).astype(np.float32),
        (sine * wide).astype(np.float32),
        np.minimum(wedges.range_m, SILENT_M).astype(np.float32),
        (wedges.weight * FINE).astype(np.float32),
    )


@dataclass(frozen=True, slots=True, eq=False)
class TileList:
    """Which readings reach which tile.

    row, column : (T,) of the tiles, counted from the floor's origin
    start : (T + 1,) where each tile's readings begin
    reading : (P,) readings, tile by tile, in their order
    """

    row: NDArray[np.int64]
    column: NDArray[np.int64]
    start: NDArray[np.int64]
    reading: NDArray[np.int64]


def tiles_of(wedges: WedgePings, cell_m: float, first_tile: tuple[int, int], last_tile: tuple[int, int]) -> TileList:
    """Return the tiles that wedges may reach, sorted, with their readings.

    first_tile, last_tile : (row, column) of the tiles that hold the corners of the map
    """
    box = np.floor(wedges.box_m / (TILE * cell_m) + (-1e-9, -1e-9, 1e-9, 1e-9)).astype(np.int64)
    west, east = np.maximum(box[:, 0], first_tile[1]), np.minimum(box[:, 2], last_tile[1])
    south, north = np.maximum(box[:, 1], first_tile[0]), np.minimum(box[:, 3], last_tile[0])
    across, up = np.maximum(east - west + 1, 0), np.maximum(north - south + 1, 0)
    many = across * up
    reading = np.repeat(np.arange(many.size), many)
    place = np.arange(reading.size) - np.repeat(np.cumsum(many) - many, many)
    dy, dx = np.divmod(place, across[reading])
    row, column = south[reading] + dy, west[reading] + dx
    width = last_tile[1] - first_tile[1] + 1
    key = (row - first_tile[0]) * width + (column - first_tile[1])
    order = np.argsort(key, kind="stable")
    key = key[order]
    start = np.flatnonzero(np.r_[True, np.diff(key) != 0]) if key.size else np.zeros(0, dtype=np.int64)
    tile_row, tile_column = np.divmod(key[start], width)
    return TileList(tile_row + first_tile[0], tile_column + first_tile[1], np.r_[start, key.size], reading[order])


def tile_span(frame: GridFrame) -> tuple[tuple[int, int], tuple[int, int]]:
    """Return (row, column) of the first and of the last tile of a frame.

    >>> tile_span(GridFrame(0.01, (-1, 0), 256, 257))
    ((0, -1), (0, 0))
    """
    left, bottom = frame.corner_cells
    last = (bottom + frame.rows - 1) // TILE, (left + frame.columns - 1) // TILE
    return (bottom // TILE, left // TILE), last

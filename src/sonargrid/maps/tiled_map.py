"""A run -> a map in tiles: floors too large for one array, in the memory that their touched part needs.

Sums only: the joint solver explains all readings of a floor together, in one piece.  Metres and radians.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sonargrid.errors import SonargridError
from sonargrid.maps.additive import Elsewhere, held_words, summed_windows
from sonargrid.maps.beams import BeamModel
from sonargrid.maps.evidence import COMMON_CELLS_M, MapSettings, ray_weights
from sonargrid.maps.grid import GridFrame
from sonargrid.maps.mapping import Map, named_parts, with_meta
from sonargrid.maps.tiled_grid import TiledGrid, TooManyTiles, summed_tiles
from sonargrid.maps.wedge_pings import TILE
from sonargrid.runs.readings import Pings, Run

BYTES_A_CELL = 8
BOXES_AT_ONCE = 65_536


@dataclass(frozen=True, slots=True)
class TiledMap:
    """A map whose grid is in tiles; otherwise as `Map`."""

    grid: TiledGrid
    run: Run
    pings: Pings
    settings: MapSettings
    warnings: tuple[str, ...] = ()

    @property
    def method(self) -> str:
        """Solver and beam model in words."""
        return f"{self.settings.beam} beam, {self.settings.solver} solver, in tiles"

    def overview(self) -> Map:
        """Return the whole floor as a map of larger cells, for pictures: the mean of what was touched."""
        return Map(self.grid.overview(), self.run, self.pings, self.settings, self.warnings)


def map_in_tiles(
    run: Run, settings: MapSettings, pings: Pings | None = None, elsewhere: Elsewhere | None = None
) -> TiledMap:
    """Return the map of a run in tiles.

    Parameters
    ----------
    run, settings, pings, elsewhere
        As `map_run`; `settings.max_cells` counts the cells of touched tiles.

    Raises
    ------
    UsageProblem
        As `map_run`.
    SonargridError
        If readings touch more tiles than allowed; names a cell that would fit.

    Examples
    --------
    >>> from sonargrid.runs.readings import Readings
    >>> rows = Readings("angle_deg", "range_cm", [60.0, 90.0, 120.0], [50.0] * 3, [0] * 3, [0] * 3, [1] * 3)
    >>> map_in_tiles(Run(rows), MapSettings(tiled=True, extent_m=(-100.0, -100.0, 100.0, 100.0), cell_m=0.05)).grid
    TiledGrid(4000 x 4000 cells of 0.05 m, 106 touched, 2 tiles)
    """
    settings, _, model, beam, known, frame = named_parts(run, settings, pings)
    weights = ray_weights(known, run.ranger.mean_half_beam_rad, settings)
    windows = summed_windows(known, beam, frame, settings, weights, elsewhere)
    try:
        grid, over = summed_tiles(windows, frame, with_meta(run, settings, model, {}), settings.max_cells)
    except TooManyTiles:
        raise _too_many(known, beam, frame, settings) from None
    return TiledMap(grid, run, known, settings, (*run.warnings, *held_words(over)))


def _too_many(pings: Pings, beam: BeamModel, frame: GridFrame, settings: MapSettings) -> SonargridError:
    """Return what to say of a floor of which too much is touched."""
    tiles = touched_tiles(pings, beam, frame)
    fits = next(
        (
            cell
            for cell in COMMON_CELLS_M
            if frame.cell_m < cell < 0.1 * max(frame.shape) * frame.cell_m
            and touched_tiles(pings, beam, GridFrame.around(*frame.extent_m, cell)) * TILE**2 <= settings.max_cells
        ),
        None,
    )
    cells = tiles * TILE**2
    size = f"{cells * BYTES_A_CELL / 2**20:.0f} MB"
    return SonargridError(
        f"the readings reach about {tiles} tiles of {TILE} x {TILE} cells of {frame.cell_m:g} m = {cells} cells, more "
        f"than {settings.max_cells}",
        hint=f"{'' if fits is None else f'--cell {fits:g} fits, or '}--max-cells {cells} (about {size} of memory)",
    )


def touched_tiles(pings: Pings, beam: BeamModel, frame: GridFrame) -> int:
    """Return about how many tiles of a frame readings reach: those under the boxes round their rays' discs, at most."""
    rays = pings.rays
    farthest = np.full(len(rays), -math.inf)
    np.fmax.at(farthest, pings.ray, pings.range_m)
    heard = np.flatnonzero(farthest > -math.inf)
    limit = beam.limit_m(np.maximum(farthest[heard], 0.0))
    size, found = TILE * frame.cell_m, np.zeros(0, dtype=np.int64)
    x_min, y_min, x_max, y_max = frame.extent_m
    for first in range(0, heard.size, BOXES_AT_ONCE):
        some = slice(first, first + BOXES_AT_ONCE)
        x, y, r = rays.x_m[heard[some]], rays.y_m[heard[some]], limit[some]
        # the middle of a wedge is what it reaches for sure, and its box what it may reach: half the way between
        bearing = rays.bearing_rad[heard[some]]
        x, y, r = x + 0.5 * r * np.cos(bearing), y + 0.5 * r * np.sin(bearing), 0.5 * r
        west, east = np.maximum(x - r, x_min), np.minimum(x + r, x_max - 1e-9)
        south, north = np.maximum(y - r, y_min), np.minimum(y + r, y_max - 1e-9)
        inside = (west < east) & (south < north)
        edges = (np.floor(e[inside] / size).astype(np.int64) for e in (west, south, east, north))
        found = np.union1d(found, _places(*edges))
    return int(found.size)


def _places(west: np.ndarray, south: np.ndarray, east: np.ndarray, north: np.ndarray) -> np.ndarray:
    """Return the tiles of boxes of tiles, each as one number."""
    across, up = east - west + 1, north - south + 1
    many = across * up
    which = np.repeat(np.arange(many.size), many)
    place = np.arange(which.size) - np.repeat(np.cumsum(many) - many, many)
    dy, dx = np.divmod(place, across[which])
    return np.unique(((south[which] + dy) << 32) + west[which] + dx + 2**31)

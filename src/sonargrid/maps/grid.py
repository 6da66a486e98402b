"""The one place with memory: a frame of square cells on the floor and the log-odds kept in it.

Row 0 is the southern edge, rows grow with y, columns with x; points are (x, y) [m], cells are (row, column).
`GridFrame.cell_of` and `GridFrame.centre_of` are the only crossings.  No beams and no readings here.
"""

from __future__ import annotations

import io
import json
import math
import os
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from sonargrid.arrays import Counts, Floats, Floats32, Ints, frozen
from sonargrid.errors import SonargridError
from sonargrid.maps.grid_file import grid_entry, open_grid, save_grid
from sonargrid.physics.log_odds import EVIDENCE_LIMIT, to_probability

if TYPE_CHECKING:
    import xarray

EVIDENCE_STEP = 2.0**-14  # each station's sum is rounded once to whole multiples of this: float32 sums stay exact
IN_TILES = "the grid is in tiles, not in one piece"
IN_TILES_HINT = "map without --tiled makes one in one piece; merge, report and TiledGrid.load take this one"
EVIDENCE_HOLD = 1024.0  # up to this size multiples of EVIDENCE_STEP are exact in float32


@dataclass(frozen=True, slots=True)
class GridFrame:
    """Where the cells lie.

    cell_m : edge of a cell [m]
    corner_cells : (x, y) of the outer corner of cell (0, 0), in whole cells from the floor's origin
    rows, columns : size

    >>> frame = GridFrame.around(-0.5, 0.0, 0.5, 1.0, 0.01)
    >>> frame.rows, frame.columns, frame.corner_m
    (100, 100, (-0.5, 0.0))
    """

    cell_m: float
    corner_cells: tuple[int, int]
    rows: int
    columns: int

    @classmethod
    def around(cls, x_min_m: float, y_min_m: float, x_max_m: float, y_max_m: float, cell_m: float) -> GridFrame:
        """Return the frame of whole cells that holds an extent, rounded outwards.

        Raises
        ------
        ValueError
            If the extent is empty or not finite, the cell is not above 0, or one cell is larger than the extent.
        """
        if not (math.isfinite(cell_m) and cell_m > 0.0):
            raise ValueError(f"cell must be a finite length above 0 m, got {cell_m}")
        edges = (x_min_m, y_min_m, x_max_m, y_max_m)
        if not all(map(math.isfinite, edges)) or x_max_m <= x_min_m or y_max_m <= y_min_m:
            raise ValueError(f"extent must run from smaller to larger x and y, got {edges}")
        if cell_m > max(x_max_m - x_min_m, y_max_m - y_min_m):
            raise ValueError(f"a cell of {cell_m} m is larger than the extent")
        # 1e-9 cells of slack: 0.3 / 0.1 must not become one cell more
        left, bottom = math.floor(x_min_m / cell_m + 1e-9), math.floor(y_min_m / cell_m + 1e-9)
        right, top = math.ceil(x_max_m / cell_m - 1e-9), math.ceil(y_max_m / cell_m - 1e-9)
        return cls(cell_m, (left, bottom), max(1, top - bottom), max(1, right - left))

    @property
    def corner_m(self) -> tuple[float, float]:
        """Outer corner (x_min, y_min) of cell (0, 0) [m]."""
        return self.corner_cells[0] * self.cell_m, self.corner_cells[1] * self.cell_m

    @property
    def extent_m(self) -> tuple[float, float, float, float]:
        """(x_min, y_min, x_max, y_max) of the whole frame [m]."""
        left, bottom = self.corner_cells
        return (
            left * self.cell_m,
            bottom * self.cell_m,
            (left + self.columns) * self.cell_m,
            (bottom + self.rows) * self.cell_m,
        )

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns)."""
        return self.rows, self.columns

    def x_centres_m(self) -> Floats:
        """Return the (columns,) x of the cell centres [m]."""
        return np.asarray((self.corner_cells[0] + np.arange(self.columns) + 0.5) * self.cell_m)

    def y_centres_m(self) -> Floats:
        """Return the (rows,) y of the cell centres [m]."""
        return np.asarray((self.corner_cells[1] + np.arange(self.rows) + 0.5) * self.cell_m)

    def cell_of(self, x_m: ArrayLike, y_m: ArrayLike) -> tuple[Ints, Ints]:
        """Return (row, column) of the cells that hold points; may lie outside the frame.

        >>> row, column = GridFrame(0.1, (0, 0), 10, 10).cell_of(0.25, 0.0)
        >>> int(row), int(column)
        (0, 2)
        """
        column = np.floor(np.asarray(x_m) / self.cell_m).astype(np.int32) - self.corner_cells[0]
        row = np.floor(np.asarray(y_m) / self.cell_m).astype(np.int32) - self.corner_cells[1]
        return row, column

    def centre_of(self, row: ArrayLike, column: ArrayLike) -> tuple[Floats, Floats]:
        """Return (x, y) of cell centres [m].

        >>> x, y = GridFrame(0.1, (-5, 0), 10, 10).centre_of(0, 0)
        >>> round(float(x), 9), round(float(y), 9)
        (-0.45, 0.05)
        """
        x = (np.asarray(column) + self.corner_cells[0] + 0.5) * self.cell_m
        y = (np.asarray(row) + self.corner_cells[1] + 0.5) * self.cell_m
        return np.asarray(x), np.asarray(y)

    def contains(self, row: ArrayLike, column: ArrayLike) -> np.ndarray:
        """Return True where cells lie inside the frame."""
        r, c = np.asarray(row), np.asarray(column)
        return np.asarray((r >= 0) & (r < self.rows) & (c >= 0) & (c < self.columns))


@dataclass(frozen=True, slots=True, eq=False)
class LogOddsGrid:
    """Log-odds on a frame of cells, with how many raw readings reached each.

    log_odds : (rows, columns) float32, relative to 50:50, not limited; 0 where `touched` is 0
    touched : (rows, columns) uint32
    meta : settings, run digest, solver, prior ...; anything JSON can hold
    layers : further (rows, columns) arrays by name, such as ``additive_log_odds``

    >>> frame = GridFrame(0.1, (0, 0), 1, 2)
    >>> one = LogOddsGrid(frame, np.array([[0.5, 0.0]]), np.array([[1, 0]]))
    >>> (one + one).log_odds.tolist(), (one + one).touched.tolist(), one.probability().round(3).tolist()
    ([[1.0, 0.0]], [[2, 0]], [[0.622, 0.5]])
    """

    frame: GridFrame
    log_odds: Floats32
    touched: Counts
    meta: Mapping[str, Any] = field(default_factory=dict)
    layers: Mapping[str, Floats32] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "log_odds", frozen(self.log_odds, np.float32))
        object.__setattr__(self, "touched", frozen(self.touched, np.uint32))
        object.__setattr__(self, "meta", MappingProxyType(dict(self.meta)))
        layers = {name: frozen(values, np.float32) for name, values in self.layers.items()}
        object.__setattr__(self, "layers", MappingProxyType(layers))
        for name, values in (("log_odds", self.log_odds), ("touched", self.touched), *layers.items()):
            if values.shape != self.frame.shape:
                raise ValueError(f"{name} has shape {values.shape}, its frame {self.frame.shape}")

    def __repr__(self) -> str:
        rows, columns = self.frame.shape
        seen = int(np.count_nonzero(self.touched))
        return f"LogOddsGrid({rows} x {columns} cells of {self.cell_m:g} m, {seen} touched)"

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> np.ndarray:
        return np.array(self.log_odds, dtype=dtype) if copy or dtype is not None else self.log_odds

    @property
    def cell_m(self) -> float:
        """Edge of a cell [m]."""
        return self.frame.cell_m

    @property
    def corner_m(self) -> tuple[float, float]:
        """Outer corner (x_min, y_min) of cell (0, 0) [m]."""
        return self.frame.corner_m

    @property
    def cells_touched(self) -> int:
        """How many cells readings reached."""
        return int(np.count_nonzero(self.touched))

    @property
    def additive_log_odds(self) -> Floats32:
        """The evidence that adds with other maps': the grid's own, or a joint map's additive layer."""
        return self.layers.get("additive_log_odds", self.log_odds)

    def probability(self, prior: float | None = None) -> Floats:
        """Return P(occupied) of every cell, the prior applied; untouched cells say exactly the prior.

        Parameters
        ----------
        prior : float, optional
            Share of floor believed occupied; default `meta`'s, else 0.5.

        Raises
        ------
        ValueError
            If the prior does not lie strictly between 0 and 1.
        """
        share = float(self.meta.get("prior", 0.5)) if prior is None else prior
        return to_probability(self.log_odds, share, float(self.meta.get("evidence_limit", EVIDENCE_LIMIT)))

    def __add__(self, other: LogOddsGrid) -> LogOddsGrid:
        if not isinstance(other, LogOddsGrid):
            return NotImplemented
        if self.frame != other.frame:
            raise ValueError(f"grids differ: {self.frame} and {other.frame}; map both with one --cell and --extent")
        total = self.additive_log_odds.astype(np.float64) + other.additive_log_odds
        held = np.clip(total, -EVIDENCE_HOLD, EVIDENCE_HOLD).astype(np.float32)
        touched = self.touched.astype(np.uint64) + other.touched
        meta = {**self.meta, "solver": "additive", "merged": 1 + int(self.meta.get("merged", 0))}
        meta.pop("prior", None)
        return LogOddsGrid(self.frame, held, np.minimum(touched, 2**32 - 1).astype(np.uint32), meta)

    def to_xarray(self) -> xarray.Dataset:
        """Return the grid as an `xarray.Dataset` over y and x, the cells' centres [m].

        Raises
        ------
        SonargridError
            If xarray is not installed.
        """
        try:
            import xarray
        except ImportError:
            # a program sees the message only, so the remedy stands in it
            words = "to_xarray needs the library xarray: python -m pip install 'sonargrid[xarray]'"
            raise SonargridError(words) from None
        arrays = {"log_odds": self.log_odds, "probability": self.probability(), "touched": self.touched, **self.layers}
        metres = {"units": "m"}
        return xarray.Dataset(
            {name: (("y", "x"), values) for name, values in arrays.items()},
            {"y": ("y", self.frame.y_centres_m(), metres), "x": ("x", self.frame.x_centres_m(), metres)},
            {"cell_m": self.cell_m, "corner_m": list(self.corner_m), "meta": json.dumps(dict(self.meta))},
        )

    def to_bytes(self) -> bytes:
        """Return the grid as a compressed NPZ file; the same grid always gives the same bytes."""
        arrays: dict[str, np.ndarray] = {
            "log_odds": self.log_odds,
            "cell_m": np.array(self.frame.cell_m),
            "corner_m": np.array(self.corner_m),
            "corner_cells": np.array(self.frame.corner_cells, dtype=np.int64),
            "touched": self.touched,
            "meta": np.array(json.dumps(dict(self.meta), sort_keys=True)),
            **self.layers,
        }
        whole = io.BytesIO()
        with zipfile.ZipFile(whole, "w", zipfile.ZIP_DEFLATED) as archive:
            for name, values in arrays.items():
                one = io.BytesIO()
                # asarray keeps cell_m and meta single values; ascontiguousarray would make rows of one of them
                np.lib.format.write_array(one, np.asarray(values, order="C"), allow_pickle=False)
                archive.writestr(grid_entry(name), one.getvalue())
        return whole.getvalue()

    def save(self, path: str | os.PathLike[str]) -> Path:
        """Write the grid as NPZ, whole or not at all, and return the path."""
        return save_grid(self.to_bytes(), path)

    @classmethod
    def load(cls, path: str | os.PathLike[str]) -> LogOddsGrid:
        """Return the grid kept in an NPZ file.

        Raises
        ------
        SonargridError
            If the file cannot be read or is no grid.
        """
        with open_grid(path) as kept:
            if "tile_place" in kept.files:
                raise SonargridError(IN_TILES, hint=IN_TILES_HINT, file=os.fspath(path))
            arrays = {name: kept[name] for name in kept.files}
            cell = float(arrays.pop("cell_m"))
            corner_m, log_odds = arrays.pop("corner_m"), arrays.pop("log_odds")
            corner = arrays.pop("corner_cells", np.rint(corner_m / cell)).astype(int)
            meta = json.loads(str(arrays.pop("meta"))) if "meta" in arrays else {}
            touched = arrays.pop("touched")
            frame = GridFrame(cell, (int(corner[0]), int(corner[1])), *log_odds.shape)
            return cls(frame, log_odds, touched, meta, arrays)

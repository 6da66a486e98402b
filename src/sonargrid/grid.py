"""The one place with memory: a frame of square cells on the floor and the log-odds kept in it.

Row 0 is the southern edge, rows grow with y, columns with x; points are (x, y) [m], cells are (row, column).
`GridFrame.cell_of` and `GridFrame.centre_of` are the only crossings.  No beams and no readings here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from sonargrid.arrays import Floats, Ints

EVIDENCE_STEP = 2.0**-14  # each station's sum is rounded once to whole multiples of this: float32 sums stay exact
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

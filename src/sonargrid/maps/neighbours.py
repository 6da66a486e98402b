"""What lies round each cell: highest, mean and smoothed values of a cell's neighbourhood, edges repeated outwards.

The same as `scipy.ndimage` gives with ``mode="nearest"`` (a test holds them equal); that library's import takes as long
as a whole joint map of one sweep (benchmarks/README.md).  Arrays (rows, columns).
"""

from __future__ import annotations

import numpy as np

from sonargrid.arrays import Floats

SMOOTH_RADIUS = 4  # cells; a bell curve of one cell's sigma has 6e-5 of its area beyond


def highest_around(values: Floats) -> Floats:
    """Return the highest value among each cell and its eight neighbours.

    >>> highest_around(np.array([[0.0, 0.0, 5.0], [0.0, 0.0, 0.0]])).tolist()
    [[0.0, 5.0, 5.0], [0.0, 5.0, 5.0]]
    """
    wide = np.pad(values, 1, mode="edge")
    across = np.maximum(np.maximum(wide[:, :-2], wide[:, 1:-1]), wide[:, 2:])
    return np.asarray(np.maximum(np.maximum(across[:-2], across[1:-1]), across[2:]))


def mean_around(values: Floats) -> Floats:
    """Return the mean of each cell and its eight neighbours.

    >>> mean_around(np.array([[9.0, 0.0, 0.0], [0.0, 0.0, 0.0]])).round(6).tolist()
    [[4.0, 2.0, 0.0], [2.0, 1.0, 0.0]]
    """
    return _weighed(values, np.full(3, 1.0 / 3.0))


def smoothed(values: Floats) -> Floats:
    """Return values smoothed by a bell curve of one cell's sigma.

    >>> smoothed(np.ones((2, 3))).round(12).tolist()
    [[1.0, 1.0, 1.0], [1.0, 1.0, 1.0]]
    """
    bell = np.exp(-0.5 * np.arange(-SMOOTH_RADIUS, SMOOTH_RADIUS + 1) ** 2)
    return _weighed(values, bell / bell.sum())


def _weighed(values: Floats, weights: Floats) -> Floats:
    """Return sums of neighbours, weighed alike along rows and columns."""
    wide = np.pad(values, weights.size // 2, mode="edge")
    rows, columns = values.shape
    across = sum(w * wide[:, k : k + columns] for k, w in enumerate(weights))
    return np.asarray(sum(w * across[k : k + rows] for k, w in enumerate(weights)))

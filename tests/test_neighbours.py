"""Neighbourhoods of cells: the same as scipy.ndimage gives."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from sonargrid.maps.neighbours import highest_around, mean_around, smoothed

TWINS = {
    highest_around: lambda a: ndimage.maximum_filter(a, 3, mode="nearest"),
    mean_around: lambda a: ndimage.uniform_filter(a, 3, mode="nearest"),
    smoothed: lambda a: ndimage.gaussian_filter(a, 1.0, mode="nearest"),
}


@pytest.mark.parametrize("ours", list(TWINS), ids=lambda f: f.__name__)
@settings(derandomize=True, deadline=None, max_examples=30)
@given(st.integers(0, 2**32 - 1), st.integers(1, 20), st.integers(1, 20))
def test_as_scipy_has_them(ours: Callable[[np.ndarray], np.ndarray], seed: int, rows: int, columns: int) -> None:
    values = np.random.default_rng(seed).normal(size=(rows, columns)) * 5.0
    assert ours(values) == pytest.approx(TWINS[ours](values), abs=1e-12)

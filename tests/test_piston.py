"""The piston's shape against scipy's Bessel function and the tabulated zero."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import j1, jn_zeros

from sonargrid.physics.piston import SERIES_UP_TO, piston_shape


def test_as_scipy_has_it_on_both_sides_of_the_series_end() -> None:
    for top in (SERIES_UP_TO, 60.0):
        x = np.linspace(1e-6, top, 4001)
        assert piston_shape(x) == pytest.approx(2.0 * j1(x) / x, abs=2e-11)
        assert piston_shape(-x) == pytest.approx(piston_shape(x), abs=1e-15)


def test_on_the_axis_and_at_the_first_null() -> None:
    # first zero of J1: 3.8317 (Abramowitz and Stegun, table 9.5)
    assert jn_zeros(1, 1)[0] == pytest.approx(3.8317, abs=5e-5)
    assert float(piston_shape(0.0)) == 1.0
    assert piston_shape(np.array([0.0, 20.0]))[0] == pytest.approx(1.0, abs=1e-12)
    assert float(piston_shape(jn_zeros(1, 1)[0])) == pytest.approx(0.0, abs=1e-12)
    assert piston_shape(np.zeros((0, 3))).shape == (0, 3)

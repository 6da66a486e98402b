"""The ranger's line against a general library, real readings, and readings spoilt on purpose."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import linregress

from sonargrid.bench.ranger_fit import fit_ranger
from sonargrid.physics.air import sound_speed

REAL = Path(__file__).parent / "real" / "known_distance.csv"


def real_readings() -> tuple[np.ndarray, np.ndarray]:
    """Known distances and readings of a real ranger at 23 degC [m]; attribution in tests/real/README.md."""
    table = np.loadtxt(REAL, delimiter=",", skiprows=1)
    return table[:, 0] / 100.0, table[:, 1] * 1e-6 * float(sound_speed(23.0)) / 2.0


def test_clean_readings_give_the_least_squares_line() -> None:
    # against scipy.stats.linregress; a small even scatter keeps every weight at 1
    known = np.linspace(0.2, 1.0, 9)
    read = (known - 0.005) / 1.02 + 0.001 * np.tile([1.0, -1.0, 0.0], 3)
    fit = fit_ranger(known, read)
    line = linregress(read, known)
    assert fit.range_scale == pytest.approx(line.slope, abs=1e-9)
    assert fit.range_bias_m == pytest.approx(line.intercept, abs=1e-9)
    assert fit.range_scale_sigma == pytest.approx(line.stderr, rel=1e-6)
    assert fit.range_bias_m_sigma == pytest.approx(line.intercept_stderr, rel=1e-6)


def test_real_ranger_is_near_one_and_near_zero() -> None:
    # the set's own straight line, 0.017484 cm/us and -0.186 cm by plain least squares over single readings
    known, read = real_readings()
    fit = fit_ranger(known, read)
    speed = float(sound_speed(23.0))
    assert fit.range_scale * speed / 2.0 * 1e-4 == pytest.approx(0.017484, abs=2 * 0.0047 * 0.01728)
    assert fit.range_bias_m == pytest.approx(-0.00186, abs=2 * fit.range_bias_m_sigma)
    assert 0.003 < fit.residual_m < 0.006  # placing errors: the set's residual is 5.1 mm
    assert not fit.outlier.any()
    assert len(fit.places) == 10


@pytest.mark.parametrize("left_out", [0.05, 0.15, 0.25, 0.35, 0.45, 0.55, 0.65, 0.75, 0.85, 1.0])
def test_any_one_distance_is_foretold_by_the_others(left_out: float) -> None:
    known, read = real_readings()
    fit = fit_ranger(known[known != left_out], read[known != left_out])
    there, sigma = fit.corrected(float(np.median(read[known == left_out])))
    assert abs(there - left_out) < 3.0 * np.hypot(sigma, fit.residual_m)
    # and the line itself moves there by less than three of its own sigmas
    whole, own = fit_ranger(known, read).corrected(float(np.median(read[known == left_out])))
    assert abs(there - whole) < 3.0 * own


@pytest.mark.parametrize("seed", range(8))
def test_gross_short_readings_move_the_line_by_less_than_one_sigma(seed: int) -> None:
    known, read = real_readings()
    clean = fit_ranger(known, read)
    rng = np.random.default_rng(seed)
    short = rng.random(read.size) < 0.10
    spoilt = np.where(short, read * rng.uniform(0.05, 0.6, read.size), read)
    fit = fit_ranger(known, spoilt)
    assert abs(fit.range_scale - clean.range_scale) < clean.range_scale_sigma
    assert abs(fit.range_bias_m - clean.range_bias_m) < clean.range_bias_m_sigma
    gross = short & (np.abs(spoilt - read) > 0.05)
    assert fit.outlier[gross].all()


def test_a_hundred_readings_at_one_distance_are_one_distance() -> None:
    rng = np.random.default_rng(5)
    places = np.linspace(0.2, 1.0, 6)
    offsets = 0.003 * rng.standard_normal(6)  # placing errors, shared by all readings of a distance
    few = fit_ranger(np.repeat(places, 3), np.repeat(places + offsets, 3))
    many = fit_ranger(np.repeat(places, 300), np.repeat(places + offsets, 300))
    assert many.range_scale_sigma == pytest.approx(few.range_scale_sigma, rel=1e-6)


def test_stated_sigmas_hold_over_many_benches() -> None:
    rng = np.random.default_rng(11)
    places = np.linspace(0.1, 1.0, 8)
    inside = 0
    for _ in range(300):
        read = np.repeat(places + 0.003 * rng.standard_normal(8), 10) + 0.001 * rng.standard_normal(80)
        fit = fit_ranger(np.repeat(places, 10), read)
        inside += abs(fit.range_scale - 1.0) < fit.range_scale_sigma
    # Student's t with 6 degrees of freedom: 64 % within one sigma; 300 benches leave +- 2.8 %
    assert 0.55 < inside / 300 < 0.73


def test_slips_of_one_period_are_counted() -> None:
    known = np.repeat([0.3, 0.6, 0.9, 1.2], 20)
    read = known + np.where(np.arange(80) % 5 == 0, 0.00429, 0.0) + 1e-5 * np.sin(np.arange(80))
    assert fit_ranger(known, read).slips == pytest.approx(0.2)


def test_a_blind_zone_is_named() -> None:
    known = np.repeat([0.02, 0.1, 0.4, 0.7, 1.0], 5)
    read = np.where(known == 0.02, 0.35, known)
    fit = fit_ranger(known, read)
    assert fit.blind_zone_m == pytest.approx(0.1)
    assert fit.outlier[:5].all()
    assert not fit.outlier[5:].any()


def test_noise_that_grows_with_range_is_told() -> None:
    rng = np.random.default_rng(3)
    known = np.repeat(np.linspace(0.2, 2.0, 10), 200)
    fit = fit_ranger(known, known + (0.001 + 0.004 * known) * rng.standard_normal(known.size))
    assert fit.noise_m == pytest.approx(0.001, abs=0.0006)
    assert fit.noise_per_m == pytest.approx(0.004, abs=0.0008)


def test_silence_is_left_out() -> None:
    known = np.repeat([0.3, 0.6, 0.9, 1.2], 3)
    read = known.copy()
    read[[0, 5]] = np.inf, np.nan
    fit = fit_ranger(known, read)
    assert fit.outlier[[0, 5]].all()
    assert fit.range_scale == pytest.approx(1.0)


def test_two_distances_are_no_line() -> None:
    with pytest.raises(ValueError, match="three different known distances"):
        fit_ranger(np.array([0.1, 0.2]), np.array([0.1, 0.2]))


def test_columns_of_two_lengths_are_refused() -> None:
    with pytest.raises(ValueError, match="of one length"):
        fit_ranger(np.array([0.1, 0.2, 0.3]), np.array([0.1, 0.2]))


@settings(derandomize=True, deadline=None, max_examples=30)
@given(st.floats(0.9, 1.1), st.floats(-0.02, 0.02), st.integers(0, 1000))
def test_scale_and_bias_come_back(scale: float, bias: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    known = np.repeat(np.sort(rng.uniform(0.1, 2.0, 6)) + 0.05 * np.arange(6), 4)
    fit = fit_ranger(known, (known - bias) / scale)
    assert fit.range_scale == pytest.approx(scale, abs=1e-6)
    assert fit.range_bias_m == pytest.approx(bias, abs=1e-6)


@settings(derandomize=True, deadline=None, max_examples=20)
@given(st.permutations(range(24)))
def test_order_of_readings_never_matters(order: list[int]) -> None:
    known = np.repeat([0.2, 0.4, 0.6, 0.8, 1.0, 1.2], 4)
    read = known + 0.002 * np.sin(np.arange(24))
    one, two = fit_ranger(known, read), fit_ranger(known[order], read[order])
    assert two.range_scale == pytest.approx(one.range_scale, abs=1e-12)
    assert (two.outlier == one.outlier[order]).all()

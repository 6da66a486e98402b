"""The head's fit on sweeps whose truth is known, and what it says when the data cannot tell."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import norm

from sonargrid.bench.head_fit import HeadFit, Sighting, Sweeps, fit_head, half_widths_beforehand
from sonargrid.bench.walkers import sample_posterior
from sonargrid.runs.calibration import read_distance_m
from sonargrid.runs.readings import Head, Ranger, Station
from sonargrid.simulation.simulate import Noise, Scene, ScenePost, SweepPlan, simulate

OFFSET, SCALE, BACKLASH = math.radians(3.0), 0.97, math.radians(2.4)
PLACES = ((0.45, 36.0), (0.65, 90.0), (0.85, 144.0))  # near face [m], bearing [deg]


def bench(seed: int, places: tuple[tuple[float, float], ...] = PLACES, both_ways: bool = True) -> Sweeps:
    posts = [(r + 0.025, math.radians(b)) for r, b in places]
    scene = Scene(
        (Station("A"),),
        posts=tuple(ScenePost(d * math.cos(b), d * math.sin(b), 0.05) for d, b in posts),
        ranger=Ranger(reach_m=1.5),
        head=Head(angle_scale=SCALE, angle_offset_rad=OFFSET, backlash_rad=BACKLASH),
        sweep=SweepPlan(step_rad=math.radians(2.0), passes=2, both_ways=both_ways),
        noise=Noise.none(level_sigma_db=1.0, range_sigma_m=0.0035, late_m=0.007, dropout=0.02),
    )
    run = simulate(scene, seed)
    return Sweeps(np.radians(run.readings.angle) - math.pi / 2, read_distance_m(run), run.readings.turning)


def things(places: tuple[tuple[float, float], ...] = PLACES, sigma_m: float = 0.0) -> list[Sighting]:
    return [Sighting(math.radians(b - 90.0), r, sigma_m / r, sigma_m) for r, b in places]


@pytest.fixture(scope="module")
def fits() -> list[HeadFit]:
    return [fit_head(bench(seed), things()) for seed in range(8)]


def test_the_truth_is_found(fits: list[HeadFit]) -> None:
    off = [math.degrees(f.angle_offset_rad - OFFSET) for f in fits]
    lag = [math.degrees(f.backlash_rad - BACKLASH) for f in fits]
    scale = [f.angle_scale - SCALE for f in fits]
    assert np.sqrt(np.mean(np.square(off))) < 0.6
    assert np.sqrt(np.mean(np.square(scale))) < 0.014
    assert np.sqrt(np.mean(np.square(lag))) < 0.8


def test_no_error_is_many_of_its_sigmas(fits: list[HeadFit]) -> None:
    for f in fits:
        assert abs(f.angle_offset_rad - OFFSET) < 4.0 * f.angle_offset_sigma_rad
        assert abs(f.angle_scale - SCALE) < 4.0 * f.angle_scale_sigma
        assert abs(f.backlash_rad - BACKLASH) < 4.0 * f.backlash_sigma_rad
        assert np.allclose(f.covariance, f.covariance.T)
        assert not f.reasons


def test_the_offset_carries_the_sigma_of_the_heading(fits: list[HeadFit]) -> None:
    again = fit_head(bench(0), things(), math.radians(1.0))
    wanted = math.hypot(fits[0].angle_offset_sigma_rad, math.radians(1.0))
    assert again.angle_offset_sigma_rad == pytest.approx(wanted)
    assert again.angle_offset_rad == fits[0].angle_offset_rad  # same sweeps, same answer


def test_survey_errors_widen_the_sigmas(fits: list[HeadFit]) -> None:
    rough = fit_head(bench(0), things(sigma_m=0.02))
    assert rough.angle_offset_sigma_rad > fits[0].angle_offset_sigma_rad
    assert rough.range_bias_sigma_m > fits[0].range_bias_sigma_m


def test_one_post_gives_no_scale() -> None:
    fit = fit_head(bench(1, PLACES[1:2]), things(PLACES[1:2]))
    assert math.isnan(fit.angle_scale) and math.isnan(fit.angle_scale_sigma)
    assert "angle_scale: one thing" in fit.reasons[0]
    assert fit.angle_offset_rad == pytest.approx(OFFSET, abs=math.radians(2.0))


def test_one_turning_sense_gives_no_backlash() -> None:
    fit = fit_head(bench(1, both_ways=False), things())
    assert math.isnan(fit.backlash_rad)
    assert any(reason.startswith("backlash_deg") for reason in fit.reasons)


def test_a_thing_that_was_moved_stands_out_in_the_residuals(fits: list[HeadFit]) -> None:
    four = ((0.45, 24.0), (0.85, 68.0), (0.65, 112.0), (0.95, 156.0))
    wrong = things(four, sigma_m=0.03)
    wrong[1] = Sighting(wrong[1].bearing_rad - math.radians(5.0), 0.85, wrong[1].bearing_sigma_rad, 0.03)
    fit = fit_head(bench(2, four), wrong)
    assert int(np.argmax(np.abs(fit.residual_rad))) == 1
    assert fit.residual_rad[1] > math.radians(2.0)


def test_things_that_nobody_heard_are_an_error() -> None:
    with pytest.raises(ValueError, match="none of the surveyed things was heard"):
        fit_head(bench(0), [Sighting(0.0, 1.3, 0.0, 0.0)])


def test_half_widths_beforehand_fall_with_the_range_and_grow_with_the_size() -> None:
    far = [Sighting(0.0, r, 0.0, 0.0) for r in (0.4, 0.7, 1.0, 1.5)]
    mean, covariance = half_widths_beforehand(far)
    assert np.all(np.diff(mean) < 0.0)
    # bench figures for a 5 cm post: 28, 24, 21 and 15 degrees, from memory
    assert np.abs(np.degrees(mean) - [28.0, 24.0, 21.0, 15.0]).max() < 2.5
    assert np.all(np.linalg.eigvalsh(covariance) > 0.0)
    wall, post = half_widths_beforehand([Sighting(0.0, 0.7, 0.0, 0.0, math.inf), far[1]])[0]
    assert wall > post


def test_walkers_agree_with_a_normal_distribution_in_correlated_places() -> None:
    # against scipy.stats.norm: quantiles of both marginals of a strongly correlated pair
    covariance = np.array([[4.0, 1.9], [1.9, 1.0]])
    precision = np.linalg.inv(covariance)
    rng = np.random.default_rng(3)
    got = sample_posterior(
        lambda p: 0.5 * np.einsum("wi,ij,wj->w", p, precision, p), rng.standard_normal((40, 2)), 2000, 300, rng
    )
    for column, sigma in enumerate((2.0, 1.0)):
        wanted = norm.ppf([0.16, 0.5, 0.84], scale=sigma)
        assert np.abs(np.quantile(got[:, column], [0.16, 0.5, 0.84]) - wanted).max() < 0.08 * sigma
    assert np.corrcoef(got[:, 0], got[:, 1]).item(1) == pytest.approx(0.95, abs=0.01)


def test_walkers_need_enough_of_themselves() -> None:
    with pytest.raises(ValueError, match="even number of walkers above 4"):
        sample_posterior(lambda p: p[:, 0], np.zeros((4, 2)), 1, 1, np.random.default_rng(0))

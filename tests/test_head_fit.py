"""The head's fit on sweeps whose truth is known, and what it says when the data cannot tell."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from sonargrid.bench.bench_posterior import Posterior, half_width_rad, layout_of, level_on_axis_db, loss_db
from sonargrid.bench.head_fit import HeadFit, fit_head
from sonargrid.bench.heard_things import Sighting, Sweeps, evidence_of, things_heard
from sonargrid.bench.walkers import sample_posterior
from sonargrid.runs.calibration import read_distance_m
from sonargrid.runs.readings import Head, Ranger, Station
from sonargrid.simulation.simulate import Noise, Scene, ScenePost, SweepPlan, simulate

OFFSET, SCALE, BACKLASH = math.radians(3.0), 0.97, math.radians(2.4)
PLACES = ((0.45, 36.0), (0.65, 90.0), (0.85, 144.0))  # near face [m], bearing [deg]
FOUR = ((0.45, 24.0), (0.85, 68.0), (0.65, 112.0), (0.95, 156.0))


def bench(
    seed: int, places: tuple[tuple[float, float], ...] = PLACES, both_ways: bool = True, bend_deg: float = 0.0
) -> Sweeps:
    posts = [(r + 0.025, math.radians(b)) for r, b in places]
    scene = Scene(
        (Station("A"),),
        posts=tuple(ScenePost(d * math.cos(b), d * math.sin(b), 0.05) for d, b in posts),
        ranger=Ranger(reach_m=1.5),
        head=Head(angle_scale=SCALE, angle_offset_rad=OFFSET, backlash_rad=BACKLASH),
        sweep=SweepPlan(step_rad=math.radians(2.0), passes=2, both_ways=both_ways),
        noise=Noise.none(level_sigma_db=1.0, range_sigma_m=0.0035, late_m=0.007, dropout=0.02),
    )
    scene = replace(scene, noise=replace(scene.noise, bend_rad=math.radians(bend_deg)))
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
    wrong = things(FOUR, sigma_m=0.03)
    wrong[1] = Sighting(wrong[1].bearing_rad - math.radians(5.0), 0.85, wrong[1].bearing_sigma_rad, 0.03)
    fit = fit_head(bench(2, FOUR), wrong)
    assert int(np.argmax(np.abs(fit.residual_rad) / fit.residual_sigma_rad)) == 1
    assert fit.residual_rad[1] > math.radians(2.0)


def test_a_bent_servo_is_named_and_a_straight_one_is_not() -> None:
    bent = fit_head(bench(4, FOUR, bend_deg=4.0), things(FOUR))
    assert abs(math.degrees(bent.bend_rad) - 4.0) < 3.5 * math.degrees(bent.bend_sigma_rad)
    # 22 degrees left of ahead the bend turns the head 4 sin 44 = 2.8 degrees to the left, of which the line takes 1.2
    assert bent.residual_rad[2] < -bent.residual_sigma_rad[2]
    assert math.isnan(fit_head(bench(4, FOUR), things(FOUR)).bend_rad)
    # three things cannot show a curve: two of them go into offset and scale
    assert math.isnan(fit_head(bench(4, bend_deg=4.0), things()).bend_rad)


def test_things_that_nobody_heard_are_an_error() -> None:
    with pytest.raises(ValueError, match="none of the surveyed things was heard"):
        fit_head(bench(0), [Sighting(0.0, 1.3, 0.0, 0.0)])


def test_half_widths_fall_with_the_range_and_grow_with_the_size() -> None:
    at = np.array([0.4, 0.7, 1.0, 1.5])
    post = half_width_rad(level_on_axis_db(at, np.full(4, 0.025)) + 26.0, np.array([5.71]))
    assert np.all(np.diff(post) < 0.0)
    # bench figures for a 5 cm post: 28, 24, 21 and 15 degrees, from memory
    assert np.abs(np.degrees(post) - [28.0, 24.0, 21.0, 15.0]).max() < 1.0
    assert np.all(half_width_rad(level_on_axis_db(at, np.full(4, np.inf)) + 26.0, np.array([5.71])) > post)


def test_the_loss_off_the_axis_is_that_of_a_piston() -> None:
    # margins of 6, 10, 20 and 30 dB of an 8 mm piston at 40 kHz and 343.2 m/s: scipy brentq on 40 log |2 J1(x) / x|
    k_a = 2.0 * math.pi * 40000.0 / 343.2 * 0.008
    wanted = np.radians([15.9892, 20.3851, 27.7898, 32.5552])
    assert np.degrees(half_width_rad(np.array([6.0, 10.0, 20.0, 30.0]), np.array([k_a])) - wanted) == pytest.approx(
        0.0, abs=0.02
    )
    assert loss_db(wanted, k_a) == pytest.approx([-6.0, -10.0, -20.0, -30.0], abs=0.1)


def test_the_quick_posterior_agrees_with_a_plain_loop() -> None:
    sweeps, posts = bench(3), things(sigma_m=0.005)
    seen, own = things_heard(sweeps, posts)
    evidence = evidence_of(sweeps, posts, seen, own)
    layout = layout_of(3, {"offset", "scale", "backlash", "bend", "lopsided"}, False)
    posterior = Posterior(evidence, posts, layout)
    p = posterior.start(OFFSET, SCALE, BACKLASH, 3, np.random.default_rng(2))
    quick = posterior.cost(p)
    slow = [plain_cost(posterior, sweeps, posts, own, one) for one in p]
    assert np.diff(quick) == pytest.approx(np.diff(slow), abs=1e-6)  # constants are nobody's business


def plain_cost(posterior: Posterior, sweeps: Sweeps, posts: list[Sighting], own: np.ndarray, p: np.ndarray) -> float:
    """Return minus the log posterior of one set of parameters, ping by ping, up to a constant."""
    at = posterior.layout
    total = float(posterior.prior(p[None, :])[0])
    k_a, soft = math.exp(p[at.threshold + 1]), math.exp(p[at.threshold + 2])
    echoes: list[tuple[int, float, float]] = []  # thing, how weak, read minus surveyed
    for i, (angle, read, turning) in enumerate(zip(sweeps.angle_rad, sweeps.range_m, sweeps.turning, strict=True)):
        looks = p[at.scale] * angle + p[at.offset] - 0.5 * p[at.backlash] * turning
        looks += p[at.bend] * math.sin(2.0 * angle)
        heard = next((k for k in range(len(posts)) if own[k, i]), None)
        chance, about = 1.0, False
        for k, post in enumerate(posts):
            if abs(angle - post.bearing_rad) >= math.radians(75.0):
                continue
            if k != heard and not post.range_m < (posts[heard].range_m if heard is not None else read):
                continue
            aside = looks - post.bearing_rad - p[at.bearing + k]
            aside *= math.exp(math.copysign(0.5 * p[at.lopsided], aside))
            margin = posterior.level[k] + p[at.level + k] - p[at.threshold] + float(loss_db(np.array(aside), k_a))
            share = 1.0 / (1.0 + math.exp(-1.7 * margin / soft))
            chance, about = chance * (share if k == heard else 1.0 - share), True
            if k == heard:
                echoes.append((k, 1.0 - min(1.0, max(0.0, margin / 20.0)), read - post.range_m))
        if about:
            total -= math.log((0.02 if math.isinf(read) else 0.01) + 0.97 * chance)
    # ranges: one joint normal distribution of all echoes, written out as a matrix
    middle = {k: np.median([off for which, _, off in echoes if which == k]) for k in range(len(posts))}
    near = max(4.0 * posterior.noise + 0.004, 0.008)
    kept = [(k, weak, off) for k, weak, off in echoes if abs(off - middle[k]) < near]
    which, weak, off = (np.array(column) for column in zip(*kept, strict=True))
    covariance = posterior.noise**2 * np.eye(which.size) + 0.03**2 + 0.003**2 * np.outer(weak, weak)
    covariance += (which[:, None] == which) * posts[0].range_sigma_m ** 2
    return total - float(multivariate_normal(0.006 * weak, covariance).logpdf(off))


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

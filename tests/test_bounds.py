"""Fisher bounds of the accuracy benchmark, against closed forms and against what can be simulated."""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import norm

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "benchmarks"))

import bounds
import worlds

from sonargrid.runs.readings import Station
from sonargrid.simulation.scene import Noise, Scene, ScenePost, SweepPlan
from sonargrid.simulation.simulate import simulate_traced


def _world(noise: Noise, stations: tuple[Station, ...] = (Station("A"),)) -> worlds.World:
    plan = SweepPlan(math.radians(80.0), math.radians(100.0), math.radians(1.0))
    scene = Scene(stations, posts=(ScenePost(0.0, 0.6, 0.1),), noise=noise, sweep=plan)
    return worlds.World(scene, simulate_traced(scene, 3).run, None, ("post 1",))


def test_normal_distribution_function() -> None:
    z = np.linspace(-5.0, 5.0, 201)
    assert bounds.normal_below(z) == pytest.approx(norm.cdf(z), abs=2e-7)


def test_a_mean_of_n_readings() -> None:
    # Cramer-Rao bound of a mean, sigma / sqrt(n) (any textbook): here 21 pings that all hear the post for certain
    noise = Noise(range_sigma_m=0.003, range_sigma_share=0.0, echo_sigma_m=0.0, dropout=0.0, threshold_db=-60.0)
    found = bounds.bounds(_world(noise))
    air = 0.6 * worlds.TEMPERATURE_SIGMA_C * 0.5 / 293.15
    assert found["near_m"] == pytest.approx([math.hypot(0.003 / math.sqrt(21), air)], rel=1e-4)
    # nobody learns a bearing from pings that all hear it: the beam's own width is left
    assert found["bearing_rad"][0] == pytest.approx(math.hypot(bounds.BEAM_RAD, worlds.OFFSET_SIGMA_RAD), rel=0.02)


def test_more_noise_never_helps_and_a_second_station_never_harms() -> None:
    usual = Noise()
    plain = bounds.bounds(_world(usual))
    worse = bounds.bounds(_world(replace(usual, range_sigma_m=0.01)))
    two = bounds.bounds(_world(usual, (Station("A"), Station("B", 0.6, 0.6, math.pi))))
    assert worse["near_m"][0] > plain["near_m"][0]
    assert two["centre_m"][0] < 0.5 * plain["centre_m"][0]


def test_no_estimate_of_a_simulated_range_beats_its_bound() -> None:
    noise = Noise(echo_sigma_m=0.0, late_m=0.0, stray=0.0, tail=0.0, slip=0.0)
    world = _world(noise)
    bound = bounds.bounds(world)["near_m"][0]
    air = 0.6 * worlds.TEMPERATURE_SIGMA_C * 0.5 / 293.15
    means = []
    for seed in range(200):
        r = simulate_traced(replace(world.scene, seed=seed), seed).run.readings.distance
        means.append(float(np.mean(r[np.isfinite(r)])) * 0.5 * 343.4e-6)
    spread = float(np.std(means))
    alone = math.sqrt(bound**2 - air**2)  # the simulated air does not change
    assert 0.85 * alone < spread < 1.3 * alone

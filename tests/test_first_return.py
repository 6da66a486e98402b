"""One cause per echo: the exact posterior against enumerated maps, the working form against its slow twin.

The tables of exact posteriors are checked in test_published_posteriors.py.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slow_twins_joint import settle_reading_by_reading
from sonargrid.maps.first_return import Causes, Heard, chains, ring_posterior, settle
from sonargrid.maps.grid import GridFrame
from sonargrid.maps.wedges import SoftBeam, Wedges, wedges
from sonargrid.runs.readings import Rays


def _clipped(rings: int, side: float) -> np.ndarray:
    """Return the error matrix: one ring short, right, one ring long, clipped to the rings."""
    error = np.zeros((rings, rings))
    for i in range(rings):
        for step, chance in ((-1, side), (0, 1.0 - 2.0 * side), (1, side)):
            error[i, min(max(i + step, 0), rings - 1)] += chance
    return error


@settings(derandomize=True, deadline=None, max_examples=25)
@given(
    st.lists(st.floats(0.01, 0.9), min_size=1, max_size=5),
    st.floats(0.1, 0.99),
    st.floats(0.001, 0.3),
    st.integers(0, 5),
)
def test_ring_posterior_is_bayes_by_enumeration(prior: list[float], pd: float, pf: float, which: int) -> None:
    rings = len(prior)
    error = _clipped(rings, 0.2)
    reading = which if which < rings else None
    mass, total = np.zeros(rings), 0.0
    for occupied in itertools.product((0, 1), repeat=rings):
        p, reached, likelihood = 1.0, 1.0, 0.0
        for i, o in enumerate(occupied):
            p *= prior[i] if o else 1.0 - prior[i]
            answer = pd if o else pf
            likelihood += reached * answer * (error[i, reading] if reading is not None else 0.0)
            reached *= 1.0 - answer
        likelihood = reached if reading is None else likelihood
        total += p * likelihood
        mass += p * likelihood * np.array(occupied)
    assert ring_posterior(prior, pd, pf, error, reading) == pytest.approx(mass / total, abs=1e-12)


def test_readings_that_cannot_be_are_refused() -> None:
    with pytest.raises(ValueError, match="ring from 0 to 2"):
        ring_posterior(0.2, 0.8, 0.05, np.eye(3), 3)
    with pytest.raises(ValueError, match="cannot happen"):
        ring_posterior(0.0, 0.8, 0.0, np.eye(3), 1)


CAUSES = Causes(0.9, 0.05, 0.1, 0.01, 0.5, 0.02)


def _scene(seed: int, silent: bool = True) -> tuple[Wedges, Heard, GridFrame]:
    rng = np.random.default_rng(seed)
    frame = GridFrame(0.05, (-10, -10), 20, 20)
    n = 7
    bearing = np.sort(rng.uniform(-3.0, 3.0, n))
    zero = np.zeros(n)
    rays = Rays(np.zeros(n, dtype=int), bearing, bearing, zero, zero, zero, zero, bearing)
    wedge = wedges(frame, rays, np.full(n, 0.45), SoftBeam(0.4, 0.1, 0.03))
    ray = np.array([0, 1, 1, 2, 4, 5], dtype=np.intp)
    quiet = np.zeros(n)
    quiet[3], quiet[4] = (1.0, 0.7) if silent else (0.0, 0.0)
    return wedge, Heard(ray, rng.uniform(0.15, 0.4, 6), rng.uniform(0.3, 2.0, 6), np.ones(6), quiet), frame


@pytest.mark.parametrize("seed", range(5))
def test_flat_passes_agree_with_reading_by_reading(seed: int) -> None:
    wedge, heard, frame = _scene(seed)
    chain = chains(wedge, wedge.cell, heard, CAUSES)
    got = settle(chain, heard, CAUSES, 0.5, frame.rows * frame.columns, 6)
    rate, hits, looks = settle_reading_by_reading(wedge, heard, CAUSES, 0.5, frame.rows * frame.columns, 6)
    assert got.rate == pytest.approx(rate, abs=2e-5)
    assert got.hits == pytest.approx(hits, abs=2e-4)
    assert got.looks == pytest.approx(looks, abs=2e-4)


def test_each_echo_is_shared_out_at_most_once() -> None:
    wedge, heard, frame = _scene(3)
    chain = chains(wedge, wedge.cell, heard, CAUSES)
    got = settle(chain, heard, CAUSES, 0.5, frame.rows * frame.columns, 8)
    shared = np.bincount(chain.band_echo, got.shares, heard.ray.size)
    assert np.all(shared <= 1.0 + 1e-9)
    assert np.all(shared > 0.2)
    assert np.all(got.beyond >= 0.0)


def test_passes_never_lower_the_likelihood() -> None:
    wedge, heard, frame = _scene(1)
    weak = Causes(0.9, 0.05, 0.1, 0.01, 1e-6, 0.02)  # hardly any prior: the likelihood itself is maximised
    chain = chains(wedge, wedge.cell, heard, weak)
    steps = [settle(chain, heard, weak, 0.5, frame.rows * frame.columns, k).likelihood for k in range(1, 15)]
    assert np.all(np.diff(steps) > -1e-3)
    assert steps[-1] > steps[0]

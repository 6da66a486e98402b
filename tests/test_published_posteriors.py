"""What one first-return reading says, exactly: the project's closed form against enumerated maps."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from published_tables import table
from sonargrid.arrays import Floats
from sonargrid.maps.first_return import noisy_or, ring_posterior
from sonargrid.physics.log_odds import to_log_odds, to_probability


def _one_off(rings: int, each_side: float) -> Floats:
    """Return the chance of each reading for each answering ring: one off to either side, clipped at the ends."""
    error = np.zeros((rings, rings))
    for ring in range(rings):
        for step, chance in ((-1, each_side), (0, 1.0 - 2.0 * each_side), (1, each_side)):
            error[ring, min(max(ring + step, 0), rings - 1)] += chance
    return error


def _reading(number: float) -> int | None:
    return None if number == 0.0 else int(number) - 1


def test_narrow_beam() -> None:
    for row in table("exact_posteriors.csv"):
        got = ring_posterior(0.2, 0.8, 0.05, _one_off(6, 0.15), _reading(row["reading"]))
        assert got == pytest.approx([row[f"cell_{i}"] for i in range(1, 7)], abs=6e-7)


def test_narrow_beam_without_range_noise_by_hand() -> None:
    # q = .2 * .8 + .8 * .05 = .2: before the echo .2 * .2 / .8, at it .16 / .2, behind it the prior
    assert ring_posterior(0.2, 0.8, 0.05, np.eye(3), 1) == pytest.approx([0.05, 0.8, 0.2], abs=1e-12)


def test_wide_beam() -> None:
    occupied, free = noisy_or(0.15, 0.85, 0.03, 3)
    for row in table("exact_wide_posteriors.csv"):
        got = ring_posterior(0.15, occupied, free, _one_off(4, 0.1), _reading(row["reading"]))
        assert got == pytest.approx([row[f"ring_{i}"] for i in range(1, 5)], abs=6e-7)


def test_one_arc_of_many_cells() -> None:
    for row in table("exact_arc_posteriors.csv"):
        occupied, free = noisy_or(0.1, 0.9, 0.02, int(row["cells"]))
        echo = float(ring_posterior(0.1, occupied, free, np.eye(1), 0)[0])
        silence = float(ring_posterior(0.1, occupied, free, np.eye(1), None)[0])
        assert echo == pytest.approx(row["after_echo"], abs=6e-7)
        assert silence == pytest.approx(row["after_silence"], abs=6e-7)


def test_a_repeat_from_one_place_added_as_if_it_were_news() -> None:
    # exact Bayes (2^8 maps): two echoes from one pose on 8 cells leave 0.182341; adding log-odds twice says 0.291316
    occupied, free = noisy_or(0.1, 0.9, 0.02, 8)
    once = float(ring_posterior(0.1, occupied, free, np.eye(1), 0)[0])
    evidence = float(to_log_odds(once) - to_log_odds(0.1))
    assert float(to_probability(2.0 * evidence, 0.1)) == pytest.approx(0.291316, abs=6e-7)
    # and from two places whose arcs share one cell adding is right for that cell, exactly the same 0.291316
    weight, heard = np.zeros(2), np.zeros(2)
    for cells in product((0, 1), repeat=8):
        chance = float(np.prod([0.1 if c else 0.9 for c in cells]))
        both = (1.0 - 0.98 * 0.1 ** sum(cells)) ** 2
        weight[cells[0]] += chance * both
        heard[cells[0]] += chance * (1.0 - 0.98 * 0.1 ** sum(cells))
    assert weight[1] / weight.sum() == pytest.approx(0.182341, abs=6e-7)
    assert heard[1] / heard.sum() == pytest.approx(once, abs=1e-12)


@pytest.mark.parametrize("reading", [-1, 3])
def test_a_reading_of_no_ring(reading: int) -> None:
    with pytest.raises(ValueError, match=f"the reading must be a ring from 0 to 2, got {reading}"):
        ring_posterior(0.2, 0.8, 0.05, np.eye(3), reading)


def test_a_reading_that_cannot_happen() -> None:
    with pytest.raises(ValueError, match="this reading cannot happen"):
        ring_posterior(0.2, 0.0, 0.0, np.eye(3), 1)

"""Probability and log-odds: against exact fractions, SciPy, textbook exercises and exact posteriors."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from published_tables import table
from sonargrid.physics.log_odds import EVIDENCE_LIMIT, to_log_odds, to_probability

BY_COMPUTER = settings(derandomize=True, deadline=None, max_examples=100)


def test_log_odds_table() -> None:
    for row in table("log_odds.csv"):
        assert float(to_log_odds(row["probability"])) == pytest.approx(row["log_odds"], abs=6e-7)
        assert float(to_probability(row["log_odds"])) == pytest.approx(row["probability"], abs=1e-6)


def test_repeated_updates() -> None:
    for row in table("repeated_updates.csv"):
        n = int(row["updates"])
        assert float(to_probability(n * to_log_odds(0.7))) == pytest.approx(row["with_0_7"], abs=1e-6)
        assert float(to_probability(n * to_log_odds(0.3))) == pytest.approx(row["with_0_3"], abs=1e-6)
        exact = Fraction(7**n, 7**n + 3**n)
        assert float(to_probability(n * to_log_odds(0.7))) == pytest.approx(float(exact), rel=1e-14)


def test_order_never_matters() -> None:
    # log-odds add (textbook): 0.7, 0.7, 0.3 -> 0.7; 0.7 then 0.3 -> 0.5
    up, down = float(to_log_odds(0.7)), float(to_log_odds(0.3))
    assert [float(to_probability(s)) for s in (up + up + down, up + down + up, down + up + up)] == pytest.approx(
        [0.7] * 3, abs=1e-12
    )
    assert float(to_probability(up + down)) == pytest.approx(0.5, abs=1e-12)


def test_identities_and_far_ends() -> None:
    # logit(1 - p) = -logit(p), expit(0) = 1/2, expit(x) + expit(-x) = 1, nothing overflows at +-745
    p = np.linspace(0.01, 0.99, 99)
    assert to_log_odds(1.0 - p) == pytest.approx(-to_log_odds(p), abs=1e-12)
    assert to_probability([0.0, 745.0, -745.0]).tolist() == pytest.approx([0.5, 1.0, 0.0], abs=1e-300)
    x = np.linspace(-30.0, 30.0, 61)
    assert to_probability(x) + to_probability(-x) == pytest.approx(np.ones(61), abs=1e-12)
    assert to_log_odds([0.0, 1.0]).tolist() == [-math.inf, math.inf]


def test_limits() -> None:
    # common choices of limit (from memory): +-4 and +-5
    far = to_probability([99.0, -99.0], limit=4.0)
    assert far == pytest.approx([0.982014, 0.017986], abs=6e-7)
    assert to_probability([99.0, -99.0], limit=5.0) == pytest.approx([0.993307, 0.006693], abs=6e-7)
    # the limit holds what the prior and the evidence say together, once, when read
    assert float(to_probability(9.5, 0.9, limit=EVIDENCE_LIMIT)) == pytest.approx(1 / (1 + math.exp(-EVIDENCE_LIMIT)))


def test_how_many_updates_make_sure() -> None:
    # ceil(logit(q) / logit(0.7)), computed: 4, 6 and 9 updates to exceed 0.95, 0.99, 0.999
    for sure, needed in ((0.95, 4), (0.99, 6), (0.999, 9)):
        count = next(n for n in range(1, 20) if to_probability(n * to_log_odds(0.7)) > sure)
        assert count == needed


def test_mapping_exercise_with_a_prior() -> None:
    hit, miss = math.log(0.8 / 0.1), math.log(0.2 / 0.9)
    assert [hit, miss, float(to_log_odds(0.3))] == pytest.approx([2.079442, -1.504077, -0.847298], abs=1e-6)
    for row in table("mapping_exercise.csv"):
        evidence = row["hits"] * hit + row["misses"] * miss
        assert float(to_probability(evidence, 0.3)) == pytest.approx(row["posterior"], abs=1e-6)


def test_open_door() -> None:
    # Thrun, Burgard, Fox, Probabilistic Robotics, section 2.4.2: a sensor says "open" with 0.6 if open, 0.2 if closed
    once = float(to_probability(math.log(0.6 / 0.2)))
    assert once == pytest.approx(0.75, abs=1e-12)
    pushed = once + (1.0 - once) * 0.8  # a push opens a closed door with 0.8
    assert pushed == pytest.approx(0.95, abs=1e-12)
    again = float(to_probability(math.log(0.6 / 0.2), prior=pushed))
    assert again == pytest.approx(57 / 58, abs=1e-12)
    assert again == pytest.approx(0.983, abs=5e-4)  # as a course's solution page prints it


def test_recursion_of_the_textbook() -> None:
    # Murphy, Introduction to AI Robotics, p. 385 f., eq. 11.6: 0.62 against 0.38 from 0.5, then again (computed on)
    one = math.log(0.62 / 0.38)
    assert to_probability(np.array([1, 2, 3]) * one) == pytest.approx([0.62, 0.726929, 0.812851], abs=6e-7)


def test_three_readings_of_one_cell() -> None:
    # a practice page: priors (.2, .5, .3), likelihoods (.6, .2, .9); cell 2 against the rest is 10/49
    prior, likely = np.array([0.2, 0.5, 0.3]), np.array([0.6, 0.2, 0.9])
    rest = (prior * likely).sum() - prior[1] * likely[1]
    others = rest / (1.0 - prior[1])
    assert float(to_probability(math.log(likely[1] / others), prior[1])) == pytest.approx(10 / 49, abs=1e-12)


def test_sign_trap() -> None:
    # public course code takes 0.3 for a free cell's log-odds; that raises occupancy to 0.574443 instead of lowering it
    assert float(to_probability(0.3)) == pytest.approx(0.574443, abs=1e-6)
    assert float(to_log_odds(0.3)) < 0.0


def test_adding_repeats_of_one_echo_counts_too_much() -> None:
    # exact Bayes for 8 cells on one arc (prior .1, heard with .9, false echo .02): once 0.176083; twice from one place
    # 0.182341, but adding log-odds says 0.291316
    once, prior = 0.176083, 0.1
    evidence = float(to_log_odds(once) - to_log_odds(prior))
    assert float(to_probability(2.0 * evidence, prior)) == pytest.approx(0.291316, abs=3e-6)
    # which is why a second ping from one place counts for less: this share of it would have been right
    right = (float(to_log_odds(0.182341)) - float(to_log_odds(prior))) / evidence - 1.0
    assert 0.0 < right < 0.1


@pytest.mark.parametrize("probability", [-0.1, 1.1, math.nan])
def test_no_probability(probability: float) -> None:
    with pytest.raises(ValueError, match=r"probabilities must lie in 0\.\.1"):
        to_log_odds(probability)


@pytest.mark.parametrize("prior", [0.0, 1.0, -1.0, math.nan])
def test_no_prior(prior: float) -> None:
    with pytest.raises(ValueError, match="prior must lie between 0 and 1"):
        to_probability(0.0, prior)


@BY_COMPUTER
@given(st.floats(1e-9, 1.0 - 1e-9), st.floats(1e-6, 1.0 - 1e-6))
def test_there_and_back(p: float, prior: float) -> None:
    assert float(to_probability(to_log_odds(p))) == pytest.approx(p, abs=1e-12)
    evidence = float(to_log_odds(p) - to_log_odds(prior))
    assert float(to_probability(evidence, prior)) == pytest.approx(p, abs=1e-9)

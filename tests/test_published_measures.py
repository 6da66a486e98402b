"""Scores against worked examples of textbooks and of a general learning library, and against that library itself."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from sklearn import calibration, metrics

from sonargrid.scores.measures import Decisions, auc, brier_score, calibration_error, log_loss, reliability

BY_COMPUTER = settings(derandomize=True, deadline=None, max_examples=60)


def test_brier_score() -> None:
    # scikit-learn, docstring of brier_score_loss
    assert brier_score([0, 1, 1, 0], [0.1, 0.9, 0.8, 0.3]) == pytest.approx(0.0375, abs=1e-12)


def test_log_loss() -> None:
    # scikit-learn, docstring of log_loss: spam, ham, ham, spam with chances of spam .9, .1, .2, .65
    assert log_loss([1, 0, 0, 1], [0.9, 0.1, 0.2, 0.65]) == pytest.approx(0.21616, abs=5e-6)


def test_area_under_the_curve() -> None:
    # scikit-learn, reference page of roc_auc_score, older editions
    assert auc([0, 0, 1, 1], [0.1, 0.4, 0.35, 0.8]) == pytest.approx(0.75, abs=1e-12)
    # a public page of practice problems
    assert auc([0, 0, 1, 1, 0, 1], [0.1, 0.4, 0.35, 0.8, 0.3, 0.9]) == pytest.approx(8 / 9, abs=1e-12)
    # ties count a half: Hanley and McNeil 1982 (from memory)
    assert auc([0, 0, 1, 1], [0.5, 0.5, 0.5, 0.9]) == pytest.approx(0.75, abs=1e-12)


def test_a_map_that_knows_nothing() -> None:
    # definitions: all 0.5 scores 1/4, log 2 and 1/2, whatever is true
    truth = np.arange(10) % 3 == 0
    no_idea = np.full(10, 0.5)
    scores = [brier_score(truth, no_idea), log_loss(truth, no_idea), auc(truth, no_idea)]
    assert scores == pytest.approx([0.25, math.log(2.0), 0.5], abs=1e-12)


def test_precision_recall_f1_and_overlap() -> None:
    # definitions: 6 found rightly, 2 wrongly, 4 missed
    d = Decisions(6, 2, 4)
    assert [d.precision, d.recall, d.f1, d.iou] == pytest.approx([0.75, 0.6, 2 / 3, 0.5], abs=1e-12)
    truth = [1] * 10 + [0] * 2
    said = [1] * 6 + [0] * 4 + [1] * 2
    theirs = [f(truth, said) for f in (metrics.precision_score, metrics.recall_score, metrics.f1_score)]
    assert [d.precision, d.recall, d.f1] == pytest.approx(theirs, abs=1e-12)
    assert d.iou == pytest.approx(metrics.jaccard_score(truth, said), abs=1e-12)


@BY_COMPUTER
@given(st.lists(st.tuples(st.booleans(), st.integers(1, 99)), min_size=2, max_size=60))
def test_scores_are_the_librarys(pairs: list[tuple[bool, int]]) -> None:
    truth = np.array([t for t, _ in pairs] + [True, False])
    chance = np.array([p for _, p in pairs] + [50, 50]) / 100.0
    assert brier_score(truth, chance) == pytest.approx(metrics.brier_score_loss(truth, chance), abs=1e-12)
    assert log_loss(truth, chance) == pytest.approx(metrics.log_loss(truth, chance), abs=1e-12)
    assert auc(truth, chance) == pytest.approx(metrics.roc_auc_score(truth, chance), abs=1e-12)


@pytest.mark.parametrize(("chance", "bits"), [(0.5, 1.0), (0.7, 0.881291), (0.9, 0.468996)])
def test_the_log_loss_of_the_truth_is_shannons_entropy(chance: float, bits: float) -> None:
    # binary entropy, Shannon 1948: who gives each outcome its true share loses just that much
    truth = np.arange(1000) < 1000 * chance
    assert log_loss(truth, np.full(1000, chance)) / math.log(2.0) == pytest.approx(bits, abs=6e-7)
    assert stats.entropy([chance, 1.0 - chance], base=2) == pytest.approx(bits, abs=6e-7)


def test_what_a_wrong_chance_costs_more_is_the_relative_entropy() -> None:
    # Kullback and Leibler 1951: coding 7 in 10 as if it were 5 in 10 costs 0.7 ln 1.4 + 0.3 ln 0.6 nats more
    truth = np.arange(10) < 7
    more = log_loss(truth, np.full(10, 0.5)) - log_loss(truth, np.full(10, 0.7))
    assert more == pytest.approx(0.7 * math.log(1.4) + 0.3 * math.log(0.6), abs=1e-12)
    assert more == pytest.approx(stats.entropy([0.7, 0.3], [0.5, 0.5]), abs=1e-12)


def test_calibration_error_by_hand() -> None:
    # definition (Naeini et al. 2015, from memory): 4 claims of 0.25 of which 1 comes true, 6 of 0.85 of which 3 do:
    # (4 * 0 + 6 * 0.35) / 10
    truth, said = [1, 0, 0, 0, 1, 1, 1, 0, 0, 0], [0.25] * 4 + [0.85] * 6
    diagram = reliability(truth, said)
    assert [(one.count, one.observed) for one in diagram] == [(4, 0.25), (6, 0.5)]
    assert calibration_error(diagram) == pytest.approx(0.21, abs=1e-12)
    # claims of 1 belong to the last bin, those on an edge to the bin above
    assert [one.count for one in reliability([1, 1, 0], [1.0, 0.9, 0.1])] == [1, 2]
    assert [one.count for one in reliability([1, 0, 0], [0.5, 0.5, 0.1], [0.5])] == [1, 2]


@BY_COMPUTER
@given(st.lists(st.tuples(st.booleans(), st.integers(1, 998)), min_size=1, max_size=80))
def test_the_diagram_is_the_librarys(pairs: list[tuple[bool, int]]) -> None:
    truth = np.array([t for t, _ in pairs])
    chance = np.array([p for _, p in pairs]) / 999.0  # never on a bin's edge
    diagram = reliability(truth, chance)
    observed, claimed = calibration.calibration_curve(truth, chance, n_bins=10)
    assert [one.observed for one in diagram] == pytest.approx(observed.tolist())
    assert [one.claimed for one in diagram] == pytest.approx(claimed.tolist())
    assert sum(one.count for one in diagram) == len(pairs)

"""Measures of probabilities and decisions against what is true: plain functions over arrays, NumPy only.

No maps and no scenes here; `scoring` brings them together.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from sonargrid.arrays import Bools, Floats

LEAST_PROBABILITY = 1e-15  # keeps the logarithm of a certainty finite, as is usual for log loss


def _pair(truth: ArrayLike, values: ArrayLike) -> tuple[Bools, Floats]:
    y, v = np.asarray(truth, dtype=bool), np.asarray(values, dtype=np.float64)
    if y.shape != v.shape:
        raise ValueError(f"truth has shape {y.shape}, values have {v.shape}")
    return y.ravel(), v.ravel()


def brier_score(truth: ArrayLike, probability: ArrayLike) -> float:
    """Return the mean squared difference between probabilities and what happened; nan of nothing.

    >>> round(brier_score([0, 1, 1, 0], [0.1, 0.9, 0.8, 0.3]), 4)
    0.0375
    """
    y, p = _pair(truth, probability)
    return float(np.mean((p - y) ** 2)) if y.size else math.nan


def log_loss(truth: ArrayLike, probability: ArrayLike) -> float:
    """Return the mean of -log(probability given to what happened) [nats]; nan of nothing.

    >>> round(log_loss([1, 0, 0, 1], [0.9, 0.1, 0.2, 0.65]), 5)
    0.21616
    """
    y, p = _pair(truth, probability)
    given = np.clip(np.where(y, p, 1.0 - p), LEAST_PROBABILITY, 1.0)
    return float(-np.mean(np.log(given))) if y.size else math.nan


def balanced_log_loss(truth: ArrayLike, log_odds: ArrayLike) -> float:
    """Return the mean of the two classes' mean log losses of evidence relative to 50:50 [nats].

    0.693 = knows nothing; nan if a class is empty.

    >>> round(balanced_log_loss([1, 0, 0], [0.0, 0.0, 0.0]), 6)
    0.693147
    """
    y, e = _pair(truth, log_odds)
    if not y.any() or y.all():
        return math.nan
    return float(0.5 * (np.logaddexp(0.0, -e[y]).mean() + np.logaddexp(0.0, e[~y]).mean()))


def auc(truth: ArrayLike, values: ArrayLike) -> float:
    """Return the chance that a true case is ranked above a false one, ties counting half; nan if a class is empty.

    References
    ----------
    Rank form: Hanley and McNeil 1982 (from memory), equal to the Mann-Whitney statistic over the number of pairs.

    Examples
    --------
    >>> auc([0, 0, 1, 1], [0.1, 0.4, 0.35, 0.8])
    0.75
    """
    y, v = _pair(truth, values)
    ones = int(y.sum())
    zeros = y.size - ones
    if not ones or not zeros:
        return math.nan
    order = np.argsort(v, kind="stable")
    sorted_v = v[order]
    new = np.r_[True, sorted_v[1:] != sorted_v[:-1]]
    tie = np.cumsum(new) - 1
    first = np.flatnonzero(new)
    size = np.diff(np.r_[first, v.size])
    ranks = np.empty(v.size)
    ranks[order] = (first + 0.5 * (size + 1.0))[tie]
    return float((ranks[y].sum() - 0.5 * ones * (ones + 1.0)) / (ones * zeros))


def f1_of(precision: float, recall: float) -> float:
    """Return the harmonic mean of precision and recall; 0 where both are 0.

    >>> round(f1_of(0.75, 0.6), 6)
    0.666667
    """
    return 2.0 * precision * recall / (precision + recall) if precision + recall > 0.0 else 0.0


@dataclass(frozen=True, slots=True)
class Decisions:
    """How many were rightly called, wrongly called and missed.

    >>> d = Decisions(6, 2, 4)
    >>> d.precision, d.recall, round(d.f1, 6), d.iou
    (0.75, 0.6, 0.666667, 0.5)
    """

    right: int
    wrong: int
    missed: int

    @property
    def precision(self) -> float:
        """Share of the called that are right; nan if nothing was called."""
        return self.right / (self.right + self.wrong) if self.right + self.wrong else math.nan

    @property
    def recall(self) -> float:
        """Share of the true that were called; nan if nothing was true."""
        return self.right / (self.right + self.missed) if self.right + self.missed else math.nan

    @property
    def f1(self) -> float:
        """Harmonic mean of precision and recall."""
        return 2.0 * self.right / (2.0 * self.right + self.wrong + self.missed) if self.right else 0.0

    @property
    def iou(self) -> float:
        """Right ones as a share of all that were called or true."""
        total = self.right + self.wrong + self.missed
        return self.right / total if total else math.nan


@dataclass(frozen=True, slots=True)
class ReliabilityBin:
    """Claims of nearly one probability: their mean claim, how often it came true, how many they are."""

    claimed: float
    observed: float
    count: int


def reliability(truth: ArrayLike, probability: ArrayLike, bins: int | ArrayLike = 10) -> tuple[ReliabilityBin, ...]:
    """Return the reliability diagram, empty bins left out.

    Parameters
    ----------
    truth, probability : arrays of one shape
        What happened, and the chance it was given.
    bins : int or (B - 1,) array
        So many equal bins of probability, or the rising edges between bins.

    Examples
    --------
    >>> reliability([0, 1], [0.5, 0.5], 2)
    (ReliabilityBin(claimed=0.5, observed=0.5, count=2),)
    >>> [one.count for one in reliability([0, 1, 1], [0.01, 0.02, 0.5], [0.015, 0.1])]
    [1, 1, 1]
    """
    y, p = _pair(truth, probability)
    if isinstance(bins, int):
        many, which = bins, np.minimum((p * bins).astype(int), bins - 1)
    else:
        edges = np.asarray(bins, dtype=np.float64)
        many, which = edges.size + 1, np.searchsorted(edges, p, side="right")
    count = np.bincount(which, minlength=many)
    claimed, observed = np.bincount(which, p, many), np.bincount(which, y, many)
    return tuple(
        ReliabilityBin(float(claimed[k] / count[k]), float(observed[k] / count[k]), int(count[k]))
        for k in np.flatnonzero(count)
    )


def calibration_error(diagram: tuple[ReliabilityBin, ...]) -> float:
    """Return the expected calibration error: mean |claimed - observed| over all claims; nan of nothing."""
    total = sum(one.count for one in diagram)
    return sum(one.count * abs(one.claimed - one.observed) for one in diagram) / total if total else math.nan

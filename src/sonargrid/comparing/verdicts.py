"""What paired differences allow to say: Student intervals over stations, sign consistency, and when it is a tie.

Nats per ping.  The stations' scores are not quite independent (each map shares most of its readings with the others),
so intervals are somewhat too narrow; the least difference `LEAST_NATS` makes up for it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import stdtrit

LEAST_FOLDS = 4  # fewer left-out stations decide nothing
LEAST_NATS = 0.3  # below this only 7 of 10 better scores were right, above it 9; benchmarks/bench_compare.py
CONFIDENCE = 0.95


def student_half_width(values: ArrayLike, confidence: float = CONFIDENCE) -> float:
    """Return half the width of the Student interval of a mean; nan for fewer than two values.

    Parameters
    ----------
    values : (K,) array
        Independent values.
    confidence : float
        Share of such intervals that hold the true mean.

    References
    ----------
    Student 1908; any textbook: t(K - 1) times the standard error.

    Examples
    --------
    >>> round(student_half_width([1.0, 2.0, 3.0]), 4)
    2.4841
    """
    v = np.asarray(values, dtype=np.float64)
    if v.size < 2:
        return math.nan
    factor = float(stdtrit(v.size - 1, 0.5 + 0.5 * confidence))
    return factor * float(v.std(ddof=1)) / math.sqrt(v.size)


@dataclass(frozen=True, slots=True)
class Pair:
    """Two models on the same left-out readings.

    better, worse : names, by the mean difference
    difference : mean over folds of better minus worse [nats per ping], 0 or more
    half_width : of its Student interval; nan where there is none
    agree, folds : how many folds say the same as the mean, of how many
    reason : why it is a tie; empty where it is none
    """

    better: str
    worse: str
    difference: float
    half_width: float
    agree: int
    folds: int
    reason: str = ""

    @property
    def tie(self) -> bool:
        """Whether the readings do not decide between the two."""
        return bool(self.reason)

    def as_dict(self) -> dict[str, object]:
        """Return the pair as JSON can hold it; None for nan."""
        low, high = self.difference - self.half_width, self.difference + self.half_width
        known = not math.isnan(self.half_width)
        return {
            "better": self.better,
            "worse": self.worse,
            "nats_per_ping": self.difference,
            "interval": [low, high] if known else None,
            "same_sign": self.agree,
            "of": self.folds,
            "verdict": "tie" if self.tie else self.better,
            "reason": self.reason or None,
        }


def pair_of(first: str, second: str, scores: Mapping[str, ArrayLike]) -> Pair:
    """Return what the left-out readings say about two models.

    Examples
    --------
    >>> pair = pair_of("a", "b", {"a": [1.0, 1.2, 0.9, 1.1], "b": [0.1, 0.4, 0.0, 0.1]})
    >>> pair.better, round(pair.difference, 2), pair.agree, pair.tie
    ('a', 0.9, 4, False)
    """
    gap = np.asarray(scores[first], dtype=np.float64) - np.asarray(scores[second], dtype=np.float64)
    if gap.size and gap.mean() < 0.0:
        first, second, gap = second, first, -gap
    mean = float(gap.mean()) if gap.size else 0.0
    half = student_half_width(gap)
    reasons = []
    if gap.size < LEAST_FOLDS:
        reasons.append(f"fewer than {LEAST_FOLDS} left out")
    if not mean - half > 0.0:
        reasons.append("interval across 0")
    if mean < LEAST_NATS:
        reasons.append(f"below {LEAST_NATS:g} nats per ping")
    return Pair(first, second, mean, half, int(np.count_nonzero(gap > 0.0)), gap.size, reasons[0] if reasons else "")


def pairs_of(scores: Mapping[str, ArrayLike]) -> tuple[Pair, ...]:
    """Return every pair of models once."""
    return tuple(pair_of(a, b, scores) for a, b in combinations(scores, 2))

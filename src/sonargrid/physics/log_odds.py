"""Probability and log-odds: natural logarithm, 0 = evidence neither way.

No grids, no beams here, and no scipy: its import takes longer than a whole map of one sweep.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from sonargrid.arrays import Floats

EVIDENCE_LIMIT = 10.0  # pictures and probabilities are held within +- this; common practice, no source


def to_log_odds(probability: ArrayLike) -> Floats:
    """Return the log-odds log(p / (1 - p)) of probabilities of any shape.

    Raises
    ------
    ValueError
        If a probability lies outside 0..1.

    Examples
    --------
    >>> round(float(to_log_odds(0.7)), 6)
    0.847298
    """
    p = np.asarray(probability, dtype=np.float64)
    if not bool(np.all((p >= 0.0) & (p <= 1.0))):
        raise ValueError("probabilities must lie in 0..1")
    return _logit(p)


def to_probability(log_odds: ArrayLike, prior: float = 0.5, limit: float | None = None) -> Floats:
    """Return the probability that evidence `log_odds` leaves on top of a prior.

    Parameters
    ----------
    log_odds : array of any shape
        Evidence relative to 50:50, natural log.
    prior : float
        Share of floor believed occupied beforehand.
    limit : float, optional
        The sum of evidence and prior is held within +- this many nats before the conversion.

    Raises
    ------
    ValueError
        If the prior does not lie strictly between 0 and 1.

    Examples
    --------
    >>> float(to_probability(0.0)), round(float(to_probability(2 * 0.8472978604, 0.5)), 6)
    (0.5, 0.844828)
    """
    if not 0.0 < prior < 1.0:
        raise ValueError(f"prior must lie between 0 and 1, got {prior}")
    total = np.asarray(log_odds, dtype=np.float64) + float(_logit(np.asarray(prior)))
    if limit is not None:
        total = np.clip(total, -limit, limit)
    odd = np.exp(-np.abs(total))  # never overflows, and keeps its digits far from 1/2
    return np.asarray(np.where(total >= 0.0, 1.0, odd) / (1.0 + odd))


def logistic(x: ArrayLike) -> Floats:
    """Return 1 / (1 + exp(-x)) for any shape: the quick form for loops, relative to 50:50.

    >>> logistic([0.0, 800.0, -800.0]).round(6).tolist()
    [0.5, 1.0, 0.0]
    """
    return np.asarray(1.0 / (1.0 + np.exp(-np.maximum(x, -700.0))))


def _logit(p: Floats) -> Floats:
    with np.errstate(divide="ignore"):
        # near 1/2 the two logarithms would cancel, far from it 2 p - 1 would lose the digits of p
        far = np.log(p) - np.log1p(-p)
    near = 2.0 * np.arctanh(np.clip(2.0 * p - 1.0, -0.5, 0.5))
    return np.asarray(np.where(np.abs(p - 0.5) < 0.2, near, far))

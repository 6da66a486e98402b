"""Samples of a posterior by walkers that step along the lines between each other: means and spreads without a peak.

The stretch move of J. Goodman and J. Weare, "Ensemble samplers with affine invariance", Comm. Appl. Math. Comp. Sci. 5
(2010), 65-80.  Flat tops, edges and correlated parameters cost it nothing, where a search for the one best point and
its curvature would go wrong.  Knows nothing of what the parameters mean.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from sonargrid.arrays import Floats

STRETCH = 2.0  # the authors' choice of a


def sample_posterior(
    cost: Callable[[Floats], Floats], start: Floats, steps: int, burn_in: int, rng: np.random.Generator
) -> Floats:
    """Return (steps * walkers, parameters) samples of exp(-cost).

    Parameters
    ----------
    cost : callable
        (W, P) parameters to (W,) minus log posteriors; inf where impossible.
    start : (walkers, P) array
        First places; an even number of walkers, more than twice as many as parameters.
    steps, burn_in : int
        Moves of every walker that are kept, and moves before those.
    rng : Generator
        The same state gives the same samples.

    Raises
    ------
    ValueError
        If there are too few walkers, or an odd number.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> got = sample_posterior(lambda p: 0.5 * (p[:, 0] / 3.0) ** 2, rng.standard_normal((20, 1)), 800, 200, rng)
    >>> bool(abs(got.std() - 3.0) < 0.3)
    True
    """
    walkers, size = start.shape
    if walkers % 2 or walkers <= 2 * size:
        raise ValueError(f"{size} parameters need an even number of walkers above {2 * size}, got {walkers}")
    half = walkers // 2
    place, now = start.copy(), cost(start)
    kept = np.empty((steps, walkers, size))
    for step in range(burn_in + steps):
        for mine, others in ((slice(0, half), slice(half, None)), (slice(half, None), slice(0, half))):
            stretch = ((STRETCH - 1.0) * rng.random(half) + 1.0) ** 2 / STRETCH
            partner = place[others][rng.integers(half, size=half)]
            tried = partner + stretch[:, None] * (place[mine] - partner)
            there = cost(tried)
            gain = (size - 1) * np.log(stretch) + now[mine] - there
            taken = np.log(rng.random(half)) < gain
            place[mine] = np.where(taken[:, None], tried, place[mine])
            now[mine] = np.where(taken, there, now[mine])
        if step >= burn_in:
            kept[step - burn_in] = place
    return kept.reshape(-1, size)

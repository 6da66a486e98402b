"""The shape of a round piston's beam, 2 J1(x) / x, without scipy: its import takes longer than a map of one sweep.

J1 is the Bessel function of the first kind; x = k a sin(off axis).  Levels and beams are made from it elsewhere.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from sonargrid.arrays import Floats

SERIES_UP_TO = 14.5  # beyond, the alternating terms cancel one another's digits and the library's way is taken
# 2 J1(x) / x = sum of (-x^2 / 4)^k / (k! (k + 1)!)  (Abramowitz and Stegun 9.1.10)
_TERMS = [1.0 / (math.factorial(k) * math.factorial(k + 1)) for k in range(34)]


def piston_shape(x: ArrayLike) -> Floats:
    """Return 2 J1(x) / x for any shape: 1 at 0, first zero at 3.8317.

    References
    ----------
    Baffled circular piston: Kinsler et al., Fundamentals of Acoustics.

    Examples
    --------
    >>> [abs(round(float(v), 6)) for v in piston_shape(np.array([0.0, 1.0, 3.831705970207512]))]
    [1.0, 0.880101, 0.0]
    """
    values = np.asarray(x, dtype=np.float64)
    if values.size and float(np.max(np.abs(values))) > SERIES_UP_TO:
        from scipy.special import j1  # costs start-up time, and only short waves need it

        safe = np.where(values == 0.0, 1e-9, values)
        return np.asarray(2.0 * j1(safe) / safe)
    q = -0.25 * values * values
    total = np.full(values.shape, _TERMS[-1])
    for term in _TERMS[-2::-1]:
        # in place: the passes over memory are what takes the time
        np.multiply(total, q, out=total)
        total += term
    return np.asarray(total)

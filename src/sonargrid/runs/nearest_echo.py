"""The nearest echo that another one bears out, for the sentence that tells at once whether a head is mirrored.

Plain arrays in, a row out: degrees left of straight ahead, metres.  Things and their positions are found elsewhere.
"""

from __future__ import annotations

import numpy as np

from sonargrid.arrays import Bools, Floats, Ints
from sonargrid.runs.readings import number_of

BESIDE_DEG = 15.0  # narrower than the beam of such a ranger: a thing sounds from two bearings this close
ALIKE_M = 0.03  # common practice, no source: echoes of one thing differ by less than this and a few percent
ALIKE_SHARE = 0.03
LOOKED_THROUGH = 500  # echoes; more lone ones than that before a borne out one are no strays


def nearest_echo(station: Ints, left_deg: Floats, range_m: Floats, usable: Bools, count: Ints | None) -> int | None:
    """Return the row of the nearest usable echo with a second one beside it; without such a pair, of the nearest one.

    station, left_deg [degrees], range_m [m], usable, count (how many equal readings a row stands for; None = 1) : (N,)

    A single near echo is often a stray, and would name the wrong side.  A head that turns in steps wider than its beam
    hears most things once: there the nearest echo is taken.  Of echoes as near, the choice does not depend on the order
    of the rows.

    >>> angles, metres = np.array([-40.0, 20.0, 25.0, 30.0]), np.array([0.2, 0.5, 0.5, 0.9])
    >>> nearest_echo(np.zeros(4, dtype=int), angles, metres, np.ones(4, dtype=bool), None)
    1
    """
    rows = np.flatnonzero(usable)
    if not rows.size:
        return None
    last = min(LOOKED_THROUGH, rows.size) - 1
    farthest_m = float(np.partition(range_m[rows], last)[last])
    rows = rows[range_m[rows] <= farthest_m + _alike_m(farthest_m)]  # long logs are not put in order as a whole
    rows = rows[np.lexsort((left_deg[rows], station[rows], range_m[rows]))]
    where, angle, metres = station[rows], left_deg[rows], range_m[rows]
    times = None if count is None else count[rows]
    for k in range(last + 1):
        beside = (where == where[k]) & (np.abs(angle - angle[k]) <= BESIDE_DEG)
        beside &= np.abs(metres - metres[k]) <= _alike_m(float(metres[k]))
        if number_of(beside, times) > 1:
            return int(rows[k])
    return int(rows[0])


def _alike_m(range_m: float) -> float:
    return ALIKE_M + ALIKE_SHARE * range_m

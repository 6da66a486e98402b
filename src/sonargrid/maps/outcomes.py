"""What each ray heard, with repeats put together and weighed: the outcomes that the joint solver explains.

Pings of one bearing from one station hear the same thing: their weight is estimated from how much they disagree.
Ranges [m].  No cells here.
"""

from __future__ import annotations

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.maps.first_return import Heard, sums
from sonargrid.maps.wedges import Indices
from sonargrid.runs.readings import Pings

MANY_STATIONS = 40  # nobody parks so often: the robot was moving
SAME_PLACE_M = 0.03
SAME_BEARING_RAD = np.pi / 60.0


def _bearing_groups(pings: Pings) -> Indices:
    """Return which rays look along one line from one place, (M,): a commanded angle of a station.

    A moving robot has a station for every pose: there, poses within 3 cm and bearings within 3 degrees are one.
    """
    rays = pings.rays
    key = np.stack([rays.station.astype(np.float64), rays.commanded_rad])
    if len(set(rays.station.tolist())) > MANY_STATIONS:
        turned = np.remainder(rays.bearing_rad, 2.0 * np.pi)
        key = np.floor(np.stack([rays.x_m / SAME_PLACE_M, rays.y_m / SAME_PLACE_M, turned / SAME_BEARING_RAD]))
    _, group = np.unique(np.round(key, 9), axis=1, return_inverse=True)
    return np.asarray(group.reshape(-1), dtype=np.intp)


def repeat_weights(pings: Pings) -> Floats:
    """Return how much each ping weighs among the repeats of its bearing, (N,): n_eff / n.

    n_eff = n / (1 + (n - 1) rho) with rho estimated from the repeats themselves: the share of pairs that agree, which
    is 1 for identical sweeps (n_eff = 1) and falls where echoes come and go.
    """
    usable = np.flatnonzero(~pings.void)
    weight = np.zeros(len(pings))
    if not usable.size:
        return weight
    group = _bearing_groups(pings)[pings.ray[usable]]
    ranges = np.where(pings.echo[usable], pings.range_m[usable], 1e9)
    order = np.lexsort((ranges, group))
    group, ranges = group[order], ranges[order]
    # repeats that agree within three sigmas are one outcome
    new_group = np.r_[True, np.diff(group) != 0]
    new = new_group | np.r_[True, np.diff(ranges) > 3.0 * pings.range_sigma_m]
    outcome = np.cumsum(new) - 1
    size = np.bincount(outcome).astype(np.float64)
    which = np.cumsum(new_group) - 1
    of_group = which[new]
    n = np.bincount(which).astype(np.float64)
    agree = np.bincount(of_group, size * (size - 1.0))
    rho = np.where(n > 1, agree / np.maximum(1.0, n * (n - 1.0)), 1.0)
    weight[usable[order]] = (1.0 / (1.0 + (n - 1.0) * rho))[which]
    return weight


def outcomes(pings: Pings, weight: Floats, merge_m: float) -> Heard:
    """Return the outcomes of every ray, echoes of nearly one range put together."""
    echo = np.flatnonzero(pings.echo)
    key = pings.ray[echo].astype(np.int64) * 1_000_003 + np.floor(pings.range_m[echo] / merge_m).astype(np.int64)
    _, first, number = np.unique(key, return_index=True, return_inverse=True)
    number = number.reshape(-1)
    w = weight[echo]
    total = sums(number, w, first.size)
    silence = sums(pings.ray[pings.silent], weight[pings.silent], len(pings.rays))
    return Heard(
        pings.ray[echo][first].astype(np.intp),
        sums(number, w * pings.range_m[echo], first.size) / np.maximum(total, 1e-12),
        total,
        np.bincount(number, minlength=first.size).astype(np.float64),
        silence,
    )

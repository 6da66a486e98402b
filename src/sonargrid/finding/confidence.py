"""How likely a claim is a real thing: a logistic curve over what the fit says of it, calibrated on simulated rooms.

benchmarks/bench_objects.py fits the numbers below and shows how well they hold.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.special import expit

from sonargrid.arrays import Floats
from sonargrid.finding.echo_board import Board, Thing
from sonargrid.finding.object_list import Claim, Sorted

FEATURES = (
    "constant",
    "log_gain",
    "log_readings",
    "log_stations",
    "covered",
    "odd_level",
    "is_face",
    "depth",
    "fill",
    "is_corner",
)
# fitted by benchmarks/bench_objects.py; one row for runs of one station, one for several
ONE_STATION = (-3.126, 1.367, -0.413, 0.0, 0.0, -0.108, 0.0, -1.25, 0.544, 0.0)
SEVERAL = (-9.88, 2.597, -1.269, 1.23, 1.609, -0.046, -0.381, 0.301, 0.67, 0.0)
DEEP_M = 0.4  # from here on it does not matter how far a thing stands from the walls


def features(board: Board, claim: Claim, found: Sorted) -> Floats:
    """Return (F,) what the curve looks at, in the order of `FEATURES`."""
    lead = board.things[claim.members[0]]
    places = board.soundings.place_m[claim.heard >= 0.5]
    walls = [board.things[w.members[0]] for w in found.walls]
    depth = min((_depth(w, claim.x_m, claim.y_m, board) for w in walls), default=DEEP_M)
    return np.array(
        [
            1.0,
            math.log(max(claim.gain, 1.0)),
            math.log(max(float(claim.heard.sum()), 1.0)),
            math.log(max(1, claim.stations)),
            _covered(walls, places, claim.x_m, claim.y_m),
            min(abs(lead.shape[-1]), 8.0) if lead.kind != "rough" else 8.0,
            float(lead.kind in ("wall", "rough")),
            min(max(depth, 0.0), DEEP_M),
            _fill(board, claim),
            float(lead.kind == "corner"),
        ]
    )


def _depth(wall: Thing, x: float, y: float, board: Board) -> float:
    turn, rho = wall.shape[:2]
    inner = float(
        np.median(np.cos(turn) * board.soundings.place_m[:, 0] + np.sin(turn) * board.soundings.place_m[:, 1])
    )
    away = math.cos(turn) * x + math.sin(turn) * y - rho
    return away if inner - rho > 0.0 else -away


def _covered(walls: list[Thing], places: Floats, x: float, y: float) -> float:
    """Return the share of places that see a known wall behind a thing: where none is known, it may be the wall."""
    if not len(places):
        return 0.0
    seen = 0
    for px, py in places:
        dx, dy = x - px, y - py
        for wall in walls:
            turn, rho = wall.shape[:2]
            speed = math.cos(turn) * dx + math.sin(turn) * dy
            far = (rho - math.cos(turn) * px - math.sin(turn) * py) / speed if abs(speed) > 1e-9 else -1.0
            if far > 1.0 and far * math.hypot(dx, dy) < 6.0:
                seen += 1
                break
    return seen / len(places)


def _fill(board: Board, claim: Claim) -> float:
    """Return which share of the pings that should have heard a thing did."""
    rest = board.rest()
    expected = float(sum(rest.share[m] @ board.soundings.pings for m in claim.members))
    return min(1.5, float(claim.heard.sum()) / max(expected, 1.0))


def confidence(board: Board, claim: Claim, found: Sorted) -> float:
    """Return the probability that a claim is a real thing, 0..1."""
    numbers = SEVERAL if board.soundings.place_m.shape[0] > 1 else ONE_STATION
    return float(expit(features(board, claim, found) @ np.array(numbers)))

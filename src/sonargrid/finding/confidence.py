"""How likely a claim is a real thing: a logistic curve over what the fit says of it, calibrated on simulated rooms.

One station often knows that something is there and not where along an arc, so its claims have two curves: one decides
what is listed, the other tells how likely a thing stands within 10 cm of its row.  benchmarks/bench_lists.py fits the
numbers below and shows how well they hold.
"""

from __future__ import annotations

import math

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.finding.echo_board import Board
from sonargrid.finding.echo_order import Thing
from sonargrid.finding.object_list import Claim, Sorted
from sonargrid.finding.things import Object
from sonargrid.physics.log_odds import logistic

FEATURES = ("constant", "log_gain", "log_readings", "log_stations", "covered", "odd_level", "is_box", "log_sigma")
MIN_CONFIDENCE = 0.5
# fitted by benchmarks/bench_lists.py: for runs of one station "there" and "within 10 cm", for several "there"
ONE_STATION_THERE = (-0.455, 0.977, -0.414, 0.0, 0.0, -0.018, 0.0, 0.0)
ONE_STATION = (-1.744, 1.173, -0.362, 0.0, 0.0, -0.158, 0.0, -1.643)
SEVERAL = (-13.497, 2.35, 0.643, 0.2, 2.103, -0.557, 1.298, -1.0)
USUAL_PASSES = {False: 2.0, True: 1.0}  # pings of a bearing in the worlds the curves were fitted to; True = several


def features(board: Board, claim: Claim, found: Sorted, row: Object) -> Floats:
    """Return (F,) what the curve looks at, in the order of `FEATURES`; `row` = the claim's row of the list."""
    several = board.soundings.place_m.shape[0] > 1
    lead = board.things[claim.members[0]]
    places = board.soundings.place_m[claim.heard >= 0.5]
    walls = [board.things[w.members[0]] for w in found.walls]
    odd = min(abs(lead.shape[-1]), 8.0) if lead.kind != "rough" else 8.0
    return np.array(
        [
            1.0,
            math.log(max(claim.gain, 1.0)),
            math.log(max(float(claim.heard.sum()) * USUAL_PASSES[several] / _passes(board), 1.0)),
            math.log(max(1, claim.stations)),
            _covered(walls, places, claim.x_m, claim.y_m),
            odd,
            # one station takes a post for a box and a wall for a post: what it takes it for tells nothing there
            float(several and lead.kind == "box"),
            math.log(max(longest_sigma_m(row), 0.01) / 0.05),
        ]
    )


def _passes(board: Board) -> float:
    """Return how many pings a bearing has, on the average: more sweeps of one floor make nothing less likely."""
    s = board.soundings
    at = s.bearing_rad / s.step_rad
    # both ways of a sweep lie beside the same step of the servo, a backlash apart
    phase = float(np.angle(np.exp(2j * math.pi * at).mean())) / (2.0 * math.pi)
    steps = np.unique(np.round(at - phase) + 1e6 * s.station)
    return float(s.pings.sum()) / max(1, steps.size)


def longest_sigma_m(row: Object) -> float:
    """Return the longer half axis of a row's one-sigma ellipse [m]."""
    xx, yy = row.x_sigma_m**2, row.y_sigma_m**2
    xy = row.xy_correlation * row.x_sigma_m * row.y_sigma_m
    return math.sqrt(0.5 * (xx + yy) + math.hypot(0.5 * (xx - yy), xy))


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


def confidence(board: Board, claim: Claim, found: Sorted, row: Object) -> float:
    """Return the probability that a claim is a real thing (from one station: one within 10 cm of its row), 0..1.

    What one station surely heard stays at `MIN_CONFIDENCE` at least, however little is known of its place.
    """
    seen = features(board, claim, found, row)
    if board.soundings.place_m.shape[0] > 1:
        return float(logistic(seen @ np.array(SEVERAL)))
    there, near = (float(logistic(seen @ np.array(numbers))) for numbers in (ONE_STATION_THERE, ONE_STATION))
    return max(near, MIN_CONFIDENCE) if there >= MIN_CONFIDENCE else min(near, there)

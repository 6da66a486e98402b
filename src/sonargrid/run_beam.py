"""The run's beam, estimated from the run itself: threshold, width, sides, softness, noise; given the things found.

Every number has a prior, so that few pings move it little.  Decibels, metres.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from sonargrid.echo_board import Board
from sonargrid.echo_model import Beam
from sonargrid.object_moves import Prior

START = Beam()


@dataclass(frozen=True, slots=True)
class Knob:
    """One number of the beam: its field, prior mean and sigma, first step; `is_log` = in logarithms."""

    field: str
    sigma: float
    step: float
    is_log: bool = True


KNOBS = (
    Knob("threshold_db", 2.0, 1.0, False),
    Knob("size_m", 0.10, 0.05),
    Knob("lopsided", 0.10, 0.06, False),
    Knob("soft_db", 0.35, 0.2),
    Knob("slope_db_m", 2.0, 1.5, False),
    Knob("late_m", 0.5, 0.3),
    Knob("sigma_m", 0.35, 0.2),
    Knob("stray", 0.8, 0.4),
    Knob("missed", 0.8, 0.4),
)


def _value(beam: Beam, knob: Knob) -> float:
    v = float(getattr(beam, knob.field))
    return math.log(v) if knob.is_log else v


def beam_log_prior(beam: Beam, start: Beam = START) -> float:
    """Return the log prior of a beam, without constants."""
    return -0.5 * sum(((_value(beam, k) - _value(start, k)) / k.sigma) ** 2 for k in KNOBS)


def turned(beam: Beam, knob: Knob, by: float) -> Beam:
    """Return the beam with one number changed."""
    v = _value(beam, knob) + by
    return replace(beam, **{knob.field: math.exp(v) if knob.is_log else v})


def fit_beam(board: Board, prior: Prior, passes: int = 3) -> Board:
    """Return the board heard with the beam that explains it best."""
    best = board.likelihood() + beam_log_prior(board.beam)
    steps = {k.field: k.step for k in KNOBS}

    def score(beam: Beam) -> tuple[float, Board]:
        other = board.heard_with(beam)
        return other.likelihood() + beam_log_prior(beam), other

    for _ in range(passes):
        before = best
        start = board.beam
        for n, knob in enumerate(KNOBS):
            step = steps[knob.field]
            up, b_up = score(turned(board.beam, knob, step))
            down, b_down = score(turned(board.beam, knob, -step))
            here = best
            curve, slope = up + down - 2.0 * here, 0.5 * (up - down)
            by = float(np.clip(-slope / curve, -2.0, 2.0)) if curve < -1e-9 else 2.0 * math.copysign(1.0, slope)
            if up > best:
                best, board = up, b_up
            if down > best:
                best, board = down, b_down
            value, b_value = score(
                turned(replace(board.beam, **{knob.field: getattr(start, knob.field)}), knob, by * step)
            )
            if value > best:
                best, board = value, b_value
            start = board.beam
            if abs(by) < 0.5:
                steps[knob.field] = 0.5 * step
        if best - before < 0.3:
            break
    return board

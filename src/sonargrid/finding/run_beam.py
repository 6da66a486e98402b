"""The run's beam, estimated from the run itself: threshold, width, sides, softness, noise; given the things found.

Every number has a prior, so that few pings move it little.  Decibels, metres.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from sonargrid.arrays import Floats, frozen
from sonargrid.finding.echo_beam import Beam
from sonargrid.finding.echo_board import Board
from sonargrid.finding.echo_model import half_beam_rad


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
    Knob("soft_db", 0.25, 0.15),
    Knob("slope_db_m", 2.0, 1.5, False),
    Knob("late_m", 0.5, 0.3),
    Knob("sigma_m", 0.35, 0.2),
    Knob("stray", 0.8, 0.4),
    Knob("missed", 0.8, 0.4),
)

MOST_UNCAUSED = 0.95  # share of stray and missed pings together, where no thing explains a run


def _value(beam: Beam, knob: Knob) -> float:
    v = float(getattr(beam, knob.field))
    return math.log(v) if knob.is_log else v


def beam_log_prior(beam: Beam, start: Beam) -> float:
    """Return the log prior of a beam, without constants."""
    return -0.5 * sum(((_value(beam, k) - _value(start, k)) / k.sigma) ** 2 for k in KNOBS)


def turned(beam: Beam, knob: Knob, by: float) -> Beam:
    """Return the beam with one number changed."""
    v = _value(beam, knob) + by
    v = math.exp(v) if knob.is_log else v
    if knob.field in ("stray", "missed"):
        v = min(v, MOST_UNCAUSED - (beam.missed if knob.field == "stray" else beam.stray))
    return replace(beam, **{knob.field: v})


def fit_beam(board: Board, start_at: Beam, passes: int = 3) -> Board:
    """Return the board heard with the beam that explains it best."""
    best = board.likelihood() + beam_log_prior(board.beam, start_at)
    steps = {k.field: k.step for k in KNOBS}

    def score(beam: Beam) -> tuple[float, Board]:
        other = board.heard_with(beam)
        return other.likelihood() + beam_log_prior(beam, start_at), other

    for _ in range(passes):
        before = best
        start = board.beam
        for knob in KNOBS:
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
    # what was far from being heard was not followed on the way
    return board.heard_with(board.beam, board.soundings)


@dataclass(frozen=True, slots=True)
class FittedBeam:
    """The run's beam as it can be shown: how far off the axis a 5 cm post is heard, against distance.

    range_m : (n,) distances
    left_rad, right_rad : (n,) half widths, counter-clockwise and clockwise of the axis
    sigma_rad : their standard deviation
    known : True where it came from the bench and was not fitted
    beam : all numbers
    """

    range_m: Floats
    left_rad: Floats
    right_rad: Floats
    sigma_rad: Floats
    known: bool
    beam: Beam

    def __post_init__(self) -> None:
        for name in ("range_m", "left_rad", "right_rad", "sigma_rad"):
            object.__setattr__(self, name, frozen(getattr(self, name)))


SHOWN_M = (0.2, 0.4, 0.7, 1.0, 1.5, 2.0, 3.0)


def fitted_beam(board: Board, start: Beam, known: bool) -> FittedBeam:
    """Return the beam of a finished fit with half widths up to its reach and their uncertainty."""
    at = np.array([r for r in SHOWN_M if r <= board.soundings.reach_m + 1e-9])
    beam = board.beam
    left, right = half_beam_rad(at, beam, True), half_beam_rad(at, beam, False)
    variance = np.full(at.shape, math.radians(0.3) ** 2)
    if not known:
        here = board.likelihood() + beam_log_prior(beam, start)
        for knob in KNOBS[:5]:
            up, down = turned(beam, knob, 0.5 * knob.step), turned(beam, knob, -0.5 * knob.step)
            values = [board.heard_with(b).likelihood() + beam_log_prior(b, start) for b in (up, down)]
            curve = max((2.0 * here - sum(values)) / (0.5 * knob.step) ** 2, knob.sigma**-2)
            slope = (half_beam_rad(at, up, True) - half_beam_rad(at, down, True)) / knob.step
            variance = variance + slope**2 / curve
    return FittedBeam(at, left, right, np.sqrt(variance), known, beam)


def beam_of_table(beam: Beam, table: tuple[tuple[float, float], ...]) -> Beam:
    """Return the beam whose half widths for a 5 cm post come nearest to a table of (range [m], half angle [rad])."""
    at, half = np.array(table).T
    best, error = beam, math.inf
    for size in beam.size_m * np.exp(np.linspace(-0.35, 0.35, 29)):
        for threshold in np.linspace(-34.0, -18.0, 33):
            tried = replace(beam, size_m=float(size), threshold_db=float(threshold))
            miss = float(np.sum((half_beam_rad(at, tried, True) - half) ** 2))
            # many pairs do nearly as well for a short table: stay near the ordinary one
            miss += 1e-4 * ((threshold + 26.0) / 3.0) ** 2 + 1e-4 * (math.log(size / beam.size_m) / 0.1) ** 2
            if miss < error:
                best, error = tried, miss
    return best

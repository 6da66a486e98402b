"""Small moves of things along their own directions, and what is believed of things beforehand.

A post moves along and across the line from its nearest station, grows while its near face stays, and gets louder; a
wall turns about its middle, shifts and grows at either end; a box turns, and each of its faces moves by itself.
Floor axes [m, rad, dB].
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.finding.echo_model import nearest_on_box
from sonargrid.finding.echo_order import FLAT, Thing

# first steps along each direction: posts (along [m], across [rad], log radius, dB), walls (turn, shift, end, end, dB)
ROUND_STEPS = np.array([0.008, math.radians(3.0), 0.25, 1.0])
BEYOND_SWEEP_RAD = math.radians(5.0)  # how gradually things get rarer there; benchmarks/README.md, Object lists
WEAK_DB, WEAK_SIGMA_DB = -9.0, 5.0  # how much weaker than a post those are that do not answer like one
LOUD_COST = 8.0  # what a loud point (a wall or corner in reach of one station) must gain more than a post
FLOOR_STEPS = np.array([0.004, 2.0])
BOX_STEPS = np.array([0.012, 0.012, 0.012, 0.012, math.radians(5.0), 1.0])
LEAST_HALF_M = 0.015
WALL_STEPS = np.array([math.radians(2.0), 0.008, 0.10, 0.10, 1.0])
# what is alike: moves (m, m, log radius), (m, m, rad, m, m), (rad, m, m, m)
NEARLY_ROUND, NEARLY_BOX, NEARLY_WALL = (0.01, 0.01, 0.25), (0.01, 0.01, 0.1, 0.01, 0.01), (0.03, 0.01, 0.1, 0.1)
LOG_RADIUS = (math.log(0.004), math.log(0.16))


@dataclass(frozen=True, slots=True)
class Prior:
    """What is believed of things beforehand.

    log_radius, log_radius_sigma : of a post's radius
    gain_sigma_db : how much louder or quieter a thing is than physics says
    weak_share : share of things that answer far more weakly: turned away, soft, not round
    rough_db, rough_sigma_db : level of a rough wall's patch
    sweep : place (x, y) [m], middle and half width [rad] of the sector in which things stand; None = several stations
    penalty : by kind, what one more thing must gain in log likelihood
    """

    log_radius: float
    log_radius_sigma: float
    gain_sigma_db: float = 1.5
    weak_share: float = 0.0
    rough_db: float = -15.0
    rough_sigma_db: float = 3.0
    sweep: tuple[float, float, float, float] | None = None
    penalty: tuple[tuple[str, float], ...] = (
        ("post", 9.0),
        ("corner", 8.5),
        ("wall", 10.0),
        ("box", 12.0),
        ("rough", 12.0),
        ("floor", 15.0),
    )

    def log_density(self, kind: str, shape: Floats) -> Floats:
        """Return (K,) log prior of K versions, without constants."""
        gain = shape[:, -1]
        if kind == "floor":
            return np.zeros(shape.shape[0])
        if kind == "rough":
            short = np.maximum(0.0, 0.5 - (shape[:, 3] - shape[:, 2]))
            return np.asarray(-0.5 * ((gain - self.rough_db) / self.rough_sigma_db) ** 2 - 50.0 * short)
        loud = np.asarray(-0.5 * (gain / self.gain_sigma_db) ** 2)
        if self.weak_share and kind in ("post", "corner"):
            weak = -0.5 * ((gain - WEAK_DB) / WEAK_SIGMA_DB) ** 2
            loud = np.logaddexp(loud, math.log(self.weak_share * self.gain_sigma_db / WEAK_SIGMA_DB) + weak)
        if self.sweep is not None and kind in ("post", "corner"):
            # people sweep past what they look for: an echo at the sweep's end is rather a thing inside than one beyond
            x, y, middle, half = self.sweep
            off = np.arctan2(shape[:, 1] - y, shape[:, 0] - x) - middle
            off = np.abs(off - 2.0 * math.pi * np.rint(off / (2.0 * math.pi)))
            loud = loud - 0.5 * (np.maximum(0.0, off - half) / BEYOND_SWEEP_RAD) ** 2
        if kind == "box":
            halves = np.log(np.maximum(shape[:, 3:5], 1e-3))
            odd = ((halves - self.log_radius) / self.log_radius_sigma) ** 2
            beyond = np.maximum(0.0, halves - LOG_RADIUS[1]).sum(axis=1)
            return np.asarray(loud - 0.5 * odd.sum(axis=1) - 50.0 * beyond)
        if kind != "post":
            return np.asarray(loud)
        size = (shape[:, 2] - self.log_radius) / self.log_radius_sigma
        outside = np.maximum(0.0, shape[:, 2] - LOG_RADIUS[1]) + np.maximum(0.0, LOG_RADIUS[0] - shape[:, 2])
        return np.asarray(loud - 0.5 * size**2 - 50.0 * outside)

    def cost(self, kind: str) -> float:
        """Return the penalty of one more thing."""
        extra = LOUD_COST if kind == "corner" and self.sweep is not None else 0.0
        return dict(self.penalty)[kind] + extra


def alike(one: Thing, other: Thing) -> bool:
    """Return whether two things are the same but for small moves; how loud they are does not count."""
    if one.kind != other.kind:
        return False
    near = NEARLY_BOX if one.kind == "box" else NEARLY_WALL if one.kind in FLAT else NEARLY_ROUND
    return all(abs(a - b) < most for a, b, most in zip(one.shape, other.shape, near, strict=False))


def nearest_place(kind: str, shape: Floats, place_m: Floats) -> Floats:
    """Return the (2,) place nearest to a round thing [m]."""
    d = np.hypot(place_m[:, 0] - shape[0], place_m[:, 1] - shape[1])
    return np.asarray(place_m[int(np.argmin(d))])


def side_of(thing: Thing, place: Floats) -> tuple[float, float]:
    """Return (distance [m], bearing [rad]) of the nearest point of a thing from a place (2,)."""
    if thing.kind in FLAT:
        away = thing.shape[1] - math.cos(thing.shape[0]) * place[0] - math.sin(thing.shape[0]) * place[1]
        return abs(away), thing.shape[0] + (math.pi if away < 0.0 else 0.0)
    if thing.kind == "box":
        x, y = nearest_on_box(np.array([thing.shape]), place[:1], place[1:])
        dx, dy = float(x[0, 0] - place[0]), float(y[0, 0] - place[1])
        return math.hypot(dx, dy), math.atan2(dy, dx)
    dx, dy = thing.shape[0] - place[0], thing.shape[1] - place[1]
    radius = math.exp(thing.shape[2]) if thing.kind == "post" else 0.0
    return math.hypot(dx, dy) - radius, math.atan2(dy, dx)


def steps_of(kind: str) -> Floats:
    """Return the first steps along the directions of a kind."""
    if kind == "floor":
        return FLOOR_STEPS
    if kind == "box":
        return BOX_STEPS
    return ROUND_STEPS if kind in ("post", "corner") else WALL_STEPS


def apply_moves(kind: str, shape: Floats, move: Floats, place: Floats) -> Floats:
    """Return K versions of a thing, moved by (K, D) amounts along its directions from a place (2,) [m, rad, dB]."""
    out = np.repeat(shape[None, :], move.shape[0], axis=0)
    if kind == "floor":
        out[:, 0] += move[:, 0]
        out[:, 3] += move[:, 1]
        return out
    if kind in ("post", "corner"):
        dx, dy = shape[0] - place[0], shape[1] - place[1]
        d = max(math.hypot(dx, dy), 1e-6)
        turn = math.atan2(dy, dx) + move[:, 1]
        a = np.exp(shape[2]) if kind == "post" else 0.0
        grown = a * (np.exp(move[:, 2]) - 1.0)
        reach = np.maximum(d + move[:, 0] + grown, 0.01)
        out[:, 0], out[:, 1] = place[0] + reach * np.cos(turn), place[1] + reach * np.sin(turn)
        out[:, 2] += move[:, 2] if kind == "post" else 0.0
        out[:, 3] += move[:, 3]
        return out
    if kind == "box":
        # each face moves by itself: the stations before it say where it is
        c, s = np.cos(shape[2]), np.sin(shape[2])
        u, v = 0.5 * (move[:, 0] - move[:, 1]), 0.5 * (move[:, 2] - move[:, 3])
        out[:, 0] += c * u - s * v
        out[:, 1] += s * u + c * v
        out[:, 2] += move[:, 4]
        out[:, 3] = np.maximum(shape[3] + 0.5 * (move[:, 0] + move[:, 1]), LEAST_HALF_M)
        out[:, 4] = np.maximum(shape[4] + 0.5 * (move[:, 2] + move[:, 3]), LEAST_HALF_M)
        out[:, 5] += move[:, 5]
        return out
    turn, rho, low, high = shape[:4]
    middle = 0.5 * (low + high)
    mx, my = rho * math.cos(turn) - middle * math.sin(turn), rho * math.sin(turn) + middle * math.cos(turn)
    out[:, 0] = turn + move[:, 0]
    c, s = np.cos(out[:, 0]), np.sin(out[:, 0])
    new_middle = -s * mx + c * my
    out[:, 1] = c * mx + s * my + move[:, 1]
    out[:, 2] = new_middle + (low - middle) + move[:, 2]
    out[:, 3] = np.maximum(new_middle + (high - middle) + move[:, 3], out[:, 2] + 0.02)
    out[:, 4] += move[:, 4]
    return out

"""How sure a fitted thing's place and size are: the likelihood's curvature, and what stations, head and air add.

Each station's own curvature says how much an error of that station's pose moves the thing.  Floor axes [m].
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.finding.echo_board import Board, Rest, Thing
from sonargrid.finding.object_moves import Prior, apply_moves, nearest_place

NUDGES = np.array([0.0025, math.radians(0.8), 0.12, 0.5])  # along [m], across [rad], log radius, dB
MISFIT = 2.2  # variances grow by this: the model's own errors repeat from ping to ping; benchmarks/bench_objects.py
WITHOUT_DATA = (0.1**-2, math.radians(15.0) ** -2)  # along, across: nothing is known worse than this
TURNS_RAD = np.radians(np.arange(-45.0, 45.1, 1.5))
GAINS_DB = np.array([-2.0, 0.0, 2.0])


@dataclass(frozen=True, slots=True)
class Doubts:
    """What is not known of the run itself.

    position_m, heading_rad : (S,) of the stations
    head_rad : of the head's zero, the same for all stations
    scale : relative, of all ranges (air temperature)
    """

    position_m: Floats
    heading_rad: Floats
    head_rad: float
    scale: float


@dataclass(frozen=True, slots=True)
class Spread:
    """A round thing's covariance: (2, 2) of its centre [m2], sigma of its log radius, correlation left out."""

    centre: Floats
    log_radius_sigma: float


def _curvature(board: Board, rest: Rest, thing: Thing, place: Floats) -> Floats:
    """Return (S, 4, 4): minus the second derivatives of each station's log likelihood along a thing's directions."""
    size = NUDGES.size
    moves = [np.zeros(size)]
    pairs = [(i, j) for i in range(size) for j in range(i + 1, size)]
    for i in range(size):
        for sign in (1.0, -1.0):
            moves.append(sign * NUDGES * (np.arange(size) == i))
    for i, j in pairs:
        for a in (1.0, -1.0):
            for b in (1.0, -1.0):
                moves.append(NUDGES * (a * (np.arange(size) == i) + b * (np.arange(size) == j)))
    shapes = apply_moves(thing.kind, np.array(thing.shape), np.array(moves), place)
    value = board.rate_by_station(rest, thing.kind, shapes)
    out = np.zeros((value.shape[1], size, size))
    for i in range(size):
        out[:, i, i] = -(value[1 + 2 * i] + value[2 + 2 * i] - 2.0 * value[0]) / NUDGES[i] ** 2
    for n, (i, j) in enumerate(pairs):
        k = 1 + 2 * size + 4 * n
        mixed = value[k] - value[k + 1] - value[k + 2] + value[k + 3]
        out[:, i, j] = out[:, j, i] = -mixed / (4.0 * NUDGES[i] * NUDGES[j])
    return out


def round_spread(board: Board, index: int, prior: Prior, doubts: Doubts) -> Spread:
    """Return the covariance of a post or corner."""
    thing = board.things[index]
    s = board.soundings
    shape = np.array(thing.shape)
    place = nearest_place(thing.kind, shape, s.place_m)
    by_station = _curvature(board, board.rest(index), thing, place)
    believed = np.diag(
        [*WITHOUT_DATA, prior.log_radius_sigma**-2 if thing.kind == "post" else 1e4, prior.gain_sigma_db**-2]
    )
    # a lopsided or flat top bends the wrong way: such directions keep what is believed without data
    scale = np.outer(NUDGES, NUDGES)
    values, vectors = np.linalg.eigh(by_station * scale)
    by_station = np.einsum("sij,sj,skj->sik", vectors, np.maximum(values, 0.0), vectors) / scale
    spread = np.linalg.inv(by_station.sum(axis=0) + believed)
    d = np.array([shape[0] - place[0], shape[1] - place[1]])
    far = max(float(np.hypot(*d)), 1e-6)
    u = d / far
    v = np.array([-u[1], u[0]])
    a = math.exp(shape[2]) if thing.kind == "post" else 0.0
    to_floor = np.stack([u, far * v, a * u, np.zeros(2)], axis=1)  # (2, 4)
    from_floor = np.zeros((4, 2))
    from_floor[0], from_floor[1] = u, v / far
    total = spread * MISFIT
    push = np.einsum("ij,sjk,kl->sil", spread, by_station, from_floor)  # (S, 4, 2)
    turned, stretched = np.zeros(4), np.zeros(4)
    for k, (px, py) in enumerate(s.place_m):
        rx, ry = shape[0] - px, shape[1] - py
        total += doubts.position_m[k] ** 2 * push[k] @ push[k].T
        turn = push[k] @ np.array([-ry, rx])
        total += doubts.heading_rad[k] ** 2 * np.outer(turn, turn)
        turned += turn
        reach = math.hypot(rx, ry)
        stretched += push[k] @ np.array([rx, ry]) * max(0.0, 1.0 - a / max(reach, 1e-6))
    total += doubts.head_rad**2 * np.outer(turned, turned) + doubts.scale**2 * np.outer(stretched, stretched)
    return Spread(to_floor @ total @ to_floor.T, math.sqrt(max(float(total[2, 2]), 0.0)))


def bearing_by_one(board: Board, index: int, place: Floats, prior: Prior) -> tuple[float, float]:
    """Return (mean, sigma) of the bearing [rad] at which a thing heard from one place stands.

    Its arc may be cut by nearer ones or by the sweep's end: the whole likelihood along the arc tells, not its peak.
    """
    thing = board.things[index]
    x, y, log_radius, gain = thing.shape
    dx, dy = x - place[0], y - place[1]
    here, d = math.atan2(dy, dx), math.hypot(dx, dy)
    turn, louder = np.meshgrid(TURNS_RAD, GAINS_DB, indexing="ij")
    b = here + turn.ravel()
    shapes = np.stack(
        [
            place[0] + d * np.cos(b),
            place[1] + d * np.sin(b),
            np.full(b.size, log_radius),
            gain + louder.ravel(),
        ],
        axis=1,
    )
    value = board.rate(board.rest(index), thing.kind, shapes) + prior.log_density(thing.kind, shapes)
    weight = np.exp((value - value.max()) / MISFIT)
    weight /= weight.sum()
    mean = float(weight @ turn.ravel())
    step = float(TURNS_RAD[1] - TURNS_RAD[0])
    sigma = math.sqrt(float(weight @ (turn.ravel() - mean) ** 2) + step**2 / 12.0)
    return here + mean, sigma

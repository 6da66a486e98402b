"""How sure a fitted thing's place and size are: the likelihood's curvature, and what stations, head and air add.

Each station's own curvature says how much an error of that station's pose moves the thing.  Floor axes [m].
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.finding.echo_board import Board
from sonargrid.finding.echo_order import Rest, Thing
from sonargrid.finding.object_moves import Prior, apply_moves, nearest_place

NUDGES = np.array([0.0025, math.radians(0.8), 0.12, 0.5])  # along [m], across [rad], log radius, dB
BOX_NUDGES = np.array([0.003, 0.003, 0.003, 0.003, math.radians(2.0), 0.5])  # four faces [m], turn [rad], dB
BOX_WITHOUT_DATA = (0.05**-2,) * 4 + (math.radians(25.0) ** -2,)
MISFIT = 2.2  # variances grow by this: the model's own errors repeat from ping to ping; benchmarks/bench_lists.py
MISFIT_ACROSS = 3.2  # the same across stations, whose echoes share less but whose kinds may be taken wrongly
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
    """Return (S, D, D): minus the second derivatives of each station's log likelihood along a thing's directions."""
    nudges = BOX_NUDGES if thing.kind == "box" else NUDGES
    size = nudges.size
    moves = [np.zeros(size)]
    pairs = [(i, j) for i in range(size) for j in range(i + 1, size)]
    for i in range(size):
        for sign in (1.0, -1.0):
            moves.append(sign * nudges * (np.arange(size) == i))
    for i, j in pairs:
        for a in (1.0, -1.0):
            for b in (1.0, -1.0):
                moves.append(nudges * (a * (np.arange(size) == i) + b * (np.arange(size) == j)))
    shapes = apply_moves(thing.kind, np.array(thing.shape), np.array(moves), place)
    value = board.rate_by_station(rest, thing.kind, shapes)
    out = np.zeros((value.shape[1], size, size))
    for i in range(size):
        out[:, i, i] = -(value[1 + 2 * i] + value[2 + 2 * i] - 2.0 * value[0]) / nudges[i] ** 2
    for n, (i, j) in enumerate(pairs):
        k = 1 + 2 * size + 4 * n
        mixed = value[k] - value[k + 1] - value[k + 2] + value[k + 3]
        out[:, i, j] = out[:, j, i] = -mixed / (4.0 * nudges[i] * nudges[j])
    return out


def _positive(by_station: Floats, nudges: Floats) -> Floats:
    """Return (S, D, D) curvatures without what bends the wrong way: a lopsided or flat top keeps what is believed."""
    scale = np.outer(nudges, nudges)
    values, vectors = np.linalg.eigh(by_station * scale)
    return np.asarray(np.einsum("sij,sj,skj->sik", vectors, np.maximum(values, 0.0), vectors) / scale)


def spread_of(board: Board, index: int, prior: Prior, doubts: Doubts) -> Spread:
    """Return the covariance of a post, corner or box."""
    thing = board.things[index]
    s = board.soundings
    shape = np.array(thing.shape)
    place = nearest_place(thing.kind, shape, s.place_m)
    by_station = _curvature(board, board.rest(index), thing, place)
    radius = 0.0
    if thing.kind == "box":
        by_station = _positive(by_station, BOX_NUDGES)
        believed = np.array([*BOX_WITHOUT_DATA, prior.gain_sigma_db**-2])
        c, sn = math.cos(shape[2]), math.sin(shape[2])
        to_floor = np.array([[c, -c, -sn, sn, 0.0, 0.0], [sn, -sn, c, -c, 0.0, 0.0]]) * 0.5
        from_floor = np.zeros((6, 2))
        from_floor[:4] = np.array([[c, sn], [-c, -sn], [-sn, c], [sn, -c]])
    else:
        by_station = _positive(by_station, NUDGES)
        radius = math.exp(shape[2]) if thing.kind == "post" else 0.0
        size = prior.log_radius_sigma**-2 if thing.kind == "post" else 1e4
        believed = np.array([*WITHOUT_DATA, size, prior.gain_sigma_db**-2])
        d = shape[:2] - place
        far = max(float(np.hypot(*d)), 1e-6)
        u = d / far
        v = np.array([-u[1], u[0]])
        to_floor = np.stack([u, far * v, radius * u, np.zeros(2)], axis=1)  # (2, 4)
        from_floor = np.zeros((4, 2))
        from_floor[0], from_floor[1] = u, v / far
    spread = np.linalg.inv(by_station.sum(axis=0) + np.diag(believed))
    total = spread * MISFIT_ACROSS + _of_run(board, shape, radius, spread, by_station, from_floor, doubts)
    return Spread(to_floor @ total @ to_floor.T, math.sqrt(max(float(total[2, 2]), 0.0)))


def _of_run(
    board: Board, shape: Floats, radius: float, spread: Floats, by_station: Floats, from_floor: Floats, doubts: Doubts
) -> Floats:
    """Return (D, D) what the errors of stations, head and air add along a thing's directions."""
    push = np.einsum("ij,sjk,kl->sil", spread, by_station, from_floor)  # (S, D, 2)
    total = np.zeros_like(spread)
    turned, stretched = np.zeros(len(spread)), np.zeros(len(spread))
    for k, (px, py) in enumerate(board.soundings.place_m):
        rx, ry = shape[0] - px, shape[1] - py
        total += doubts.position_m[k] ** 2 * push[k] @ push[k].T
        turn = push[k] @ np.array([-ry, rx])
        total += doubts.heading_rad[k] ** 2 * np.outer(turn, turn)
        turned += turn
        reach = math.hypot(rx, ry)
        stretched += push[k] @ np.array([rx, ry]) * max(0.0, 1.0 - radius / max(reach, 1e-6))
    return total + doubts.head_rad**2 * np.outer(turned, turned) + doubts.scale**2 * np.outer(stretched, stretched)


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
    likely = np.exp(value - value.max())
    mean = float(likely @ turn.ravel() / likely.sum())
    # the place is the likelihood's own; how sure it is allows for the model's errors
    weight = np.exp((value - value.max()) / MISFIT)
    step = float(TURNS_RAD[1] - TURNS_RAD[0])
    sigma = math.sqrt(float(weight @ (turn.ravel() - mean) ** 2 / weight.sum()) + step**2 / 12.0)
    return here + mean, sigma

"""Another kind of thing for the same echoes: a wall for a post, a corner for a face, if that explains them better.

Floor axes [m].
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.finding.echo_board import Board
from sonargrid.finding.echo_model import Soundings
from sonargrid.finding.echo_order import FLAT, Rest, Thing
from sonargrid.finding.object_candidates import open_arcs, pair_candidates, room_candidates, single_candidates
from sonargrid.finding.object_climb import climb_all
from sonargrid.finding.object_moves import Prior
from sonargrid.finding.object_pool import Pool, cost, different, objective, rate_pool

WORTH_A_CLIMB = 6.0  # a candidate must come so near to what stands before it climbs
LEAST_RISE = 0.5
CHANCE_COST = 15.0  # nats that a wall which fits two echoes by chance may be better than what takes its place


def swap(board: Board, soundings: Soundings, prior: Prior) -> int:
    """Try in the place of each thing every other kind that its own echoes allow; return how many were swapped.

    All candidates climb side by side; then each that is better is tried in the board as it has become.
    """
    shares = board.shares()
    tried: list[tuple[int, Thing]] = []
    rests: list[Rest] = []
    for index in range(board.given, len(board.things)):
        pool = in_place_of(board, index, soundings, prior, shares[index])
        if pool is not None:
            rest = board.rest(index)
            leaders = leaders_of(board, index, rest, pool, prior)
            tried += [(index, thing) for thing in leaders]
            rests += [rest] * len(leaders)
    climbed = climb_all(board, rests, [thing for _, thing in tried], prior, passes=4)
    better = []
    for (index, _), (thing, value) in zip(tried, climbed, strict=True):
        rise = value - cost(thing, _others(board, index), prior) - _now(board, index, prior)
        if rise > LEAST_RISE:
            better.append((rise, index, thing))
    done: set[int] = set()
    score = objective(board, prior)
    for _, index, thing in sorted(better, key=lambda b: -b[0]):
        if index in done:
            continue
        before = board.things[index]
        board.replace(index, thing)
        value = objective(board, prior)
        if value > score + LEAST_RISE:
            score = value
            done.add(index)
        else:
            board.replace(index, before)
    return len(done)


def instead(board: Board, odd: Sequence[int], soundings: Soundings, prior: Prior) -> int:
    """Put a post or a corner in the place of odd things whose echoes it explains nearly as well; return how many.

    What a list would leave out as chance should not keep the echoes of something that it would hold.
    """
    done = 0
    for index in odd:
        score, before = objective(board, prior), board.things[index]
        pool = in_place_of(board, index, soundings, prior, board.shares()[index])
        if pool is None:
            continue
        rest = board.rest(index)
        leaders = leaders_of(board, index, rest, pool.only(("corner", "post")), prior, CHANCE_COST + WORTH_A_CLIMB)
        climbed = climb_all(board, [rest] * len(leaders), leaders, prior, passes=4)
        for thing, _ in sorted(climbed, key=lambda c: -c[1]):
            board.replace(index, thing)
            if objective(board, prior) > score - CHANCE_COST:
                done += 1
                break
            board.replace(index, before)
    return done


def _others(board: Board, index: int) -> list[Thing]:
    return [t for n, t in enumerate(board.things) if n != index]


def _now(board: Board, index: int, prior: Prior) -> float:
    """Return the score of a thing as it stands: the likelihood with it, what is believed of it, its penalty."""
    thing = board.things[index]
    believed = float(prior.log_density(thing.kind, np.array([thing.shape]))[0])
    return board.likelihood() + believed - cost(thing, _others(board, index), prior)


def leaders_of(
    board: Board, index: int, rest: Rest, pool: Pool, prior: Prior, near: float = WORTH_A_CLIMB
) -> list[Thing]:
    """Return the candidates that come near enough to a thing to climb."""
    base, now = board.likelihood(rest), _now(board, index, prior)
    rate_pool(board, rest, pool, np.arange(len(pool.kind)), prior, base)
    order = [int(n) for n in np.argsort(-pool.gain) if base + pool.gain[n] > now - near]
    leaders = different([(pool.kind[n], pool.shape[n], float(pool.gain[n])) for n in order[:12]])
    return [Thing(kind, tuple(shape)) for kind, shape, _ in leaders[:3]]


def in_place_of(board: Board, index: int, soundings: Soundings, prior: Prior, own: Floats) -> Pool | None:
    """Return what might stand in the place of a thing, given its share (H,) of each echo; None = it is sure."""
    thing, radius = board.things[index], math.exp(prior.log_radius)
    if thing.kind == "floor":
        return None
    arcs = open_arcs(soundings, own, 0.8)
    sure = thing.kind in ("post", "wall") and abs(thing.shape[-1]) < 4.0
    if not arcs or (sure and len({a.station for a in arcs}) > 2):
        return None
    others = [t for n, t in enumerate(board.things) if n != index]
    walls = np.array([t.shape for t in others if t.kind in FLAT]).reshape(-1, 5)
    corners = np.array([t.shape[:2] for t in others if t.kind == "corner"]).reshape(-1, 2)
    return Pool.of(
        [
            single_candidates(soundings, arcs, radius, True),
            pair_candidates(soundings, arcs, radius),
            room_candidates(soundings, arcs, walls, corners),
        ]
    )

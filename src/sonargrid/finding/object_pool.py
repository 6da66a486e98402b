"""Candidates that wait, and the greedy way in: the best one, refined, is added as long as it pays.

Score = log likelihood of all pings under the first-return model + priors - a penalty for each thing.
Floor axes [m].  The likelihood is `echo_board`'s, the candidates are `object_candidates`'.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.finding.echo_board import Board, Rest, Thing
from sonargrid.finding.object_candidates import crossing
from sonargrid.finding.object_moves import Prior, climb

TRIED = 4  # best candidates that are refined before one is taken
MOST_THINGS = 60
ALIGNED_RAD = math.radians(4.0)
AT_CROSSING_M = 0.06
EXPECTED_BONUS = 5.0  # what a wall along or square to another, or a corner where walls cross, is cheaper


def cost(thing: Thing, others: Sequence[Thing], prior: Prior) -> float:
    """Return the penalty of a thing beside others: crossing corners and aligned walls are cheap."""
    walls = [np.array(t.shape) for t in others if t.kind in ("wall", "rough") and t is not thing]
    full = prior.cost(thing.kind)
    if thing.kind == "corner":
        for a in range(len(walls)):
            for b in range(a + 1, len(walls)):
                point = crossing(walls[a], walls[b])
                if point and math.hypot(point[0] - thing.shape[0], point[1] - thing.shape[1]) < AT_CROSSING_M:
                    return full - EXPECTED_BONUS
    if thing.kind in ("wall", "rough"):
        for other in walls:
            turn = math.remainder(thing.shape[0] - other[0], 0.5 * math.pi)
            if abs(turn) < ALIGNED_RAD and other[3] - other[2] > 0.3:
                return full - EXPECTED_BONUS
    return full


@dataclass(slots=True)
class Pool:
    """Candidates that wait, by kind, with the gain that each last promised."""

    kind: list[str]
    shape: list[Floats]
    gain: Floats

    @staticmethod
    def of(groups: list[dict[str, Floats]]) -> Pool:
        """Return a pool of candidate shapes, nothing rated yet."""
        kinds, shapes = [], []
        for group in groups:
            for kind, rows in group.items():
                kinds += [kind] * len(rows)
                shapes += list(rows)
        return Pool(kinds, shapes, np.full(len(kinds), np.inf))


def rate_pool(board: Board, rest: Rest, pool: Pool, which: np.ndarray, prior: Prior, base: float) -> None:
    """Rate some of a pool's candidates against what stands."""
    kinds = np.array(pool.kind, dtype=object)[which]
    for kind in sorted(set(kinds.tolist())):
        mine = which[kinds == kind]
        shapes = np.array([pool.shape[n] for n in mine])
        costs = np.array([cost(Thing(kind, tuple(shape)), rest.things, prior) for shape in shapes])
        pool.gain[mine] = board.rate(rest, kind, shapes) + prior.log_density(kind, shapes) - base - costs


def best_of_pool(board: Board, pool: Pool, prior: Prior, least: float) -> list[tuple[str, Floats, float]]:
    """Return the most promising candidates (kind, shape, gain), looking again only at those that might lead.

    Gains hardly ever grow as things are added, so an old gain is nearly a bound.
    """
    rest = board.rest()
    base = board.likelihood(rest)
    fresh = np.zeros(len(pool.kind), dtype=bool)
    while True:
        stale = np.flatnonzero(~fresh & (pool.gain > least))
        if not stale.size:
            break
        leaders = np.sort(pool.gain[fresh])[-TRIED:] if fresh.any() else np.zeros(0)
        bar = leaders[0] if leaders.size == TRIED else -np.inf
        stale = stale[pool.gain[stale] > bar]
        if not stale.size:
            break
        chunk = stale[np.argsort(-pool.gain[stale])][:48]
        rate_pool(board, rest, pool, chunk, prior, base)
        fresh[chunk] = True
    order = [int(n) for n in np.argsort(-pool.gain) if fresh[n] and pool.gain[n] > least]
    return [(pool.kind[n], pool.shape[n], float(pool.gain[n])) for n in order[: 4 * TRIED]]


def grow(board: Board, pool: Pool, prior: Prior) -> int:
    """Add things as long as the best candidate, refined, pays; return how many were added."""
    added = 0
    while len(board.things) < MOST_THINGS:
        leaders = best_of_pool(board, pool, prior, -8.0)
        if not leaders:
            break
        rest = board.rest()
        base = board.likelihood(rest)
        tops: list[tuple[float, Thing]] = []
        for kind, shape, _ in different(leaders)[:TRIED]:
            thing, value = climb(board, rest, Thing(kind, tuple(shape)), prior, passes=4)
            tops.append((value - base - cost(thing, rest.things, prior), thing))
        gain, thing = max(tops, key=lambda t: t[0])
        if gain <= 0.0:
            break
        board.add(climb(board, rest, thing, prior, passes=3, first=0.5)[0])
        added += 1
    return added


def different(leaders: list[tuple[str, Floats, float]]) -> list[tuple[str, Floats, float]]:
    """Return leaders that are not near copies of a better one."""
    kept: list[tuple[str, Floats, float]] = []
    for kind, shape, gain in leaders:
        # walls differ by direction [rad] and distance, round things by place [m]
        far = (0.04, 0.04) if kind in ("post", "corner") else (0.15, 0.08)
        close = [
            k == kind and abs(float(shape[0] - s[0])) < far[0] and abs(float(shape[1] - s[1])) < far[1]
            for k, s, _ in kept
        ]
        if not any(close):
            kept.append((kind, shape, gain))
    return kept


def gains(board: Board, prior: Prior) -> Floats:
    """Return (J,) what each thing adds to the log likelihood and its prior, its penalty not subtracted."""
    full = board.likelihood()
    return np.array(
        [
            full - board.likelihood(board.rest(j)) + float(prior.log_density(t.kind, np.array([t.shape]))[0])
            for j, t in enumerate(board.things)
        ]
    )


def drop_poor(board: Board, prior: Prior) -> None:
    """Remove things that do not pay, the poorest first."""
    while len(board.things) > board.given:
        net = gains(board, prior) - np.array([cost(t, board.things, prior) for t in board.things])
        poorest = board.given + int(np.argmin(net[board.given :]))
        if net[poorest] >= 0.0:
            return
        board.remove(poorest)


def objective(board: Board, prior: Prior) -> float:
    """Return the score of what stands: log likelihood, priors and penalties."""
    things = board.things
    believed = sum(float(prior.log_density(t.kind, np.array([t.shape]))[0]) - cost(t, things, prior) for t in things)
    return board.likelihood() + believed

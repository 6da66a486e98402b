"""Candidates that wait, and the greedy way in: the best one, refined, is added as long as it pays.

Score = log likelihood of all pings under the first-return model + priors - a penalty for each thing.
Floor axes [m].  The likelihood is `echo_board`'s, the candidates are `object_candidates`'.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Bools, Floats, Ints
from sonargrid.finding.echo_board import Board
from sonargrid.finding.echo_order import FLAT, Rest, Thing
from sonargrid.finding.object_candidates import crossings, mirrored
from sonargrid.finding.object_climb import climb, climb_all
from sonargrid.finding.object_moves import Prior

TRIED = 4  # best candidates that are refined before one is taken
WORTH_A_CLIMB = -20.0  # a candidate that starts with a lower gain is not refined
MOST_THINGS = 60
BESIDE_M = 0.6
ALIGNED_RAD = math.radians(4.0)
AT_CROSSING_M = 0.06
AT_MIRROR_M = 0.08
TWIN_RAD, TWIN_M = math.radians(45.0), 0.005
TWIN_COST = 2.0  # of each of two neighbours of one range: one post and a beam wider than thought look like that, too
EXPECTED_BONUS = 5.0  # what a wall along or square to another, a corner where walls cross, a mirror image is cheaper


def cost(thing: Thing, others: Sequence[Thing], prior: Prior) -> float:
    """Return the penalty of a thing beside others: what the others make likely is cheap."""
    beside = [t for t in others if t is not thing]
    return float(costs(thing.kind, np.array([thing.shape]), beside, prior)[0])


def costs(kind: str, shapes: Floats, others: Sequence[Thing], prior: Prior, own: Ints | None = None) -> Floats:
    """Return (K,) penalties of versions of a thing: crossings' corners, aligned walls and mirror images are cheap.

    own : (K,) the place of each version itself among the others: nothing makes itself likely
    """
    full = np.full(shapes.shape[0], prior.cost(kind))
    posts = [n for n, t in enumerate(others) if t.kind == "post"]
    if kind == "post" and prior.sweep is not None and posts:
        full += TWIN_COST * (_is_twin(shapes, others, posts, prior.sweep) & _else(own, posts)).any(axis=1)
    flat = [n for n, t in enumerate(others) if t.kind in FLAT]
    if not flat or kind not in ("corner", "post", *FLAT):
        return full
    walls = np.array([others[n].shape for n in flat])
    if kind in FLAT:
        long = walls[:, 3] - walls[:, 2] > 0.3
        turn = np.remainder(shapes[:, 0:1] - walls[long, 0] + 0.25 * math.pi, 0.5 * math.pi) - 0.25 * math.pi
        cheap = (np.abs(turn) < ALIGNED_RAD) & _else(own, np.array(flat)[long])
    elif kind == "corner":
        points = crossings(walls)
        cheap = np.hypot(shapes[:, 0:1] - points[:, 0], shapes[:, 1:2] - points[:, 1]) < AT_CROSSING_M
    else:
        points = mirrored(walls, [others[n] for n in posts])
        cheap = np.hypot(shapes[:, 0:1] - points[:, 0], shapes[:, 1:2] - points[:, 1]) < AT_MIRROR_M
        if len(points):
            cheap &= _else(own, np.tile(posts, len(points) // len(posts)))
    return np.asarray(full - EXPECTED_BONUS * cheap.any(axis=1))


def _else(own: Ints | None, numbers: Sequence[int] | Ints) -> Bools:
    """Return (K, n) whether things of some numbers are others than each version itself."""
    return np.ones((1, 1), dtype=bool) if own is None else np.asarray(own[:, None] != np.asarray(numbers))


def nets(things: Sequence[Thing], prior: Prior) -> Floats:
    """Return (J,) the log prior of each of some things beside the others, its penalty subtracted."""
    out = np.zeros(len(things))
    for kind in dict.fromkeys(t.kind for t in things):
        mine = np.array([n for n, t in enumerate(things) if t.kind == kind])
        shapes = np.array([things[n].shape for n in mine])
        out[mine] = prior.log_density(kind, shapes) - costs(kind, shapes, things, prior, mine)
    return out


def _is_twin(shapes: Floats, others: Sequence[Thing], posts: list[int], sweep: tuple[float, ...]) -> Bools:
    """Return (K, n) whether posts before one station stand beside each of some other posts, at the same range."""
    known = np.array([others[n].shape for n in posts])
    place = np.array(sweep[:2])
    mine, theirs = shapes[:, :2] - place, known[:, :2] - place
    face, other = np.hypot(*mine.T) - np.exp(shapes[:, 2]), np.hypot(*theirs.T) - np.exp(known[:, 2])
    off = np.arctan2(mine[:, 1:], mine[:, :1]) - np.arctan2(theirs[:, 1], theirs[:, 0])
    beside = np.abs(off - 2.0 * math.pi * np.rint(off / (2.0 * math.pi))) < TWIN_RAD
    return np.asarray(beside & (np.abs(face[:, None] - other) < TWIN_M))


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

    def only(self, kinds: Sequence[str]) -> Pool:
        """Return the candidates of some kinds."""
        keep = [n for n, kind in enumerate(self.kind) if kind in kinds]
        return Pool([self.kind[n] for n in keep], [self.shape[n] for n in keep], self.gain[keep])


def rate_pool(board: Board, rest: Rest, pool: Pool, which: np.ndarray, prior: Prior, base: float) -> None:
    """Rate some of a pool's candidates against what stands."""
    kinds = np.array(pool.kind, dtype=object)[which]
    groups = [(kind, which[kinds == kind]) for kind in sorted(set(kinds.tolist()))]
    versions = [board.versions(kind, np.array([pool.shape[n] for n in mine])) for kind, mine in groups]
    for (kind, mine), one, value in zip(groups, versions, board.rate_all([rest], versions), strict=True):
        pool.gain[mine] = value + prior.log_density(kind, one.shape) - base - costs(kind, one.shape, rest.things, prior)


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
        leaders = different(best_of_pool(board, pool, prior, WORTH_A_CLIMB))
        if not leaders:
            break
        rest = board.rest()
        base = board.likelihood(rest)
        # the last ones must climb far, and some of them do
        tried = [Thing(kind, tuple(shape)) for kind, shape, _ in leaders[: TRIED if leaders[0][2] > 0.0 else 2 * TRIED]]
        climbed = climb_all(board, rest, tried, prior, passes=4)
        tops = [(value - base - cost(thing, rest.things, prior), thing) for thing, value in climbed]
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
        far = (0.04, 0.04) if kind in ("post", "corner", "box") else (0.15, 0.08)
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


def drop_poor(board: Board, prior: Prior, near: Thing | None = None) -> None:
    """Remove things that do not pay, the poorest first; `near` = only those beside one thing, which has just come."""
    while len(board.things) > board.given:
        tried = [
            j
            for j in range(board.given, len(board.things))
            if near is None or board.things[j] is near or _beside(board.things[j], near)
        ]
        if not tried:
            return
        full = board.likelihood()
        alone = np.array([board.likelihood(board.rest(j)) for j in tried])
        net = full - alone + nets(board.things, prior)[tried]
        poorest = int(np.argmin(net))
        if net[poorest] >= 0.0:
            return
        board.remove(tried[poorest])


def _beside(thing: Thing, other: Thing) -> bool:
    """Return whether a thing stands so near to another that their echoes may be the same."""
    x, y = other.middle_m
    if thing.kind in FLAT:
        turn, rho = thing.shape[:2]
        return abs(math.cos(turn) * x + math.sin(turn) * y - rho) < BESIDE_M
    return math.hypot(thing.shape[0] - x, thing.shape[1] - y) < BESIDE_M


def objective(board: Board, prior: Prior) -> float:
    """Return the score of what stands: log likelihood, priors and penalties."""
    return board.likelihood() + believed(board.things, prior)


def believed(things: Sequence[Thing], prior: Prior) -> float:
    """Return the log prior of some things beside each other, penalties subtracted."""
    return float(nets(things, prior).sum())

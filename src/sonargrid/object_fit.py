"""Which things explain what was heard: greedy search, refinement, and what does not pay is dropped.

Score = log likelihood of all pings under the first-return model + priors - a penalty for each thing.
Floor axes [m].  The likelihood is `echo_board`'s, the list for people `objects`'.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.echo_board import Board, Rest, Thing
from sonargrid.echo_model import Soundings
from sonargrid.object_candidates import (
    crossing,
    floor_candidates,
    open_arcs,
    pair_candidates,
    room_candidates,
    single_candidates,
)
from sonargrid.object_moves import Prior, climb
from sonargrid.run_beam import fit_beam

TRIED = 4  # best candidates that are refined before one is taken
MOST_THINGS = 60
NEAR_WALL_M = 0.25  # things whose echoes a wall might explain as well
JUMPS_RAD = tuple(math.radians(v) for v in (-20.0, -13.0, -8.0, -5.0, 5.0, 8.0, 13.0, 20.0))
SPLITS_RAD = tuple(math.radians(v) for v in (8.0, 14.0, 20.0, 26.0))


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


ALIGNED_RAD = math.radians(4.0)
AT_CROSSING_M = 0.06
EXPECTED_BONUS = 5.0  # what a wall along or square to another, or a corner where walls cross, is cheaper


def cost(thing: Thing, others: Sequence[Thing], prior: Prior) -> float:
    """Return the penalty of a thing beside others: corners where walls cross and walls that go with others are cheap."""
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
        for kind, shape, _ in _different(leaders)[:TRIED]:
            thing, value = climb(board, rest, Thing(kind, tuple(shape)), prior, passes=4)
            tops.append((value - base - cost(thing, rest.things, prior), thing))
        gain, thing = max(tops, key=lambda t: t[0])
        if gain <= 0.0:
            break
        board.add(climb(board, rest, thing, prior, passes=3, first=0.5)[0])
        added += 1
    return added


def _different(leaders: list[tuple[str, Floats, float]]) -> list[tuple[str, Floats, float]]:
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


def refine_all(board: Board, prior: Prior, passes: int = 4, first: float = 0.5) -> None:
    """Climb with each thing in turn, the others held still."""
    for index in range(len(board.things)):
        thing, _ = climb(board, board.rest(index), board.things[index], prior, passes=passes, first=first)
        board.replace(index, thing)


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


def rewall(board: Board, prior: Prior, tries: int = 8) -> Board:
    """Return the board with walls in the place of the posts and faces that stood in for them, where that is better.

    A long wall is hidden from a greedy search once each of its echoes has found a cause of its own; so walls are
    looked for beside the well-heard things alone, set among all others, and what they make needless goes.
    """
    now = objective(board, prior)
    for _ in range(4):
        leaders = _wall_leaders(board, prior, tries)
        best, chosen = now + 1.0, None
        for wall in leaders:
            other = board.with_more([wall])
            _add_corners(other, wall, prior)
            _drop_near(other, wall, prior)
            value = objective(other, prior)
            if value > best:
                best, chosen = value, other
        if chosen is None:
            break
        board, now = chosen, best
    return board


def _wall_leaders(board: Board, prior: Prior, tries: int) -> list[Thing]:
    s = board.soundings
    shares = board.shares()
    at = np.zeros((s.ray.size, s.place_m.shape[0]))
    at[np.arange(s.ray.size), s.station[s.ray]] = 1.0
    stations = ((shares * s.count) @ at >= 1.0).sum(axis=1) if board.things else np.zeros(0)
    kept = [
        t
        for t, n in zip(board.things, stations, strict=True)
        if (t.kind == "post" and n >= 3) or (t.kind in ("wall", "rough") and n >= 2)
    ]
    bare = Board(s, board.beam, kept)
    arcs = open_arcs(s, bare.strays() if kept else np.ones(s.ray.size), 1.5)
    walls = np.array([t.shape for t in board.things if t.kind in ("wall", "rough")]).reshape(-1, 5)
    groups = [pair_candidates(s, arcs, math.exp(prior.log_radius)), room_candidates(s, arcs, walls, np.zeros((0, 2)))]
    pool = Pool.of([{"wall": g["wall"]} for g in groups])
    if not pool.kind:
        return []
    rest = bare.rest()
    rate_pool(bare, rest, pool, np.arange(len(pool.kind)), prior, bare.likelihood(rest))
    order = [int(n) for n in np.argsort(-pool.gain)[:150] if pool.gain[n] > 0.0]
    leaders = _different([("wall", pool.shape[n], 0.0) for n in order])[:tries]
    return [climb(bare, rest, Thing("wall", tuple(shape)), prior, passes=4)[0] for _, shape, _ in leaders]


def _add_corners(board: Board, wall: Thing, prior: Prior) -> None:
    """Add the corners where a new wall crosses others, where they pay."""
    for other in [t for t in board.things if t.kind in ("wall", "rough") and t is not wall]:
        point = crossing(np.array(wall.shape), np.array(other.shape))
        if point is None:
            continue
        corner = Thing("corner", (*point, -9.0, 0.0))
        rest = board.rest()
        gained = float(board.rate(rest, "corner", np.array([corner.shape]))[0]) - board.likelihood(rest)
        if gained > cost(corner, board.things, prior):
            board.add(corner)


def _drop_near(board: Board, wall: Thing, prior: Prior) -> None:
    """Remove what does not pay any more beside a new wall of a board, the poorest first."""
    turn, rho = wall.shape[:2]
    c, s = math.cos(turn), math.sin(turn)
    while True:
        near = []
        for j, t in enumerate(board.things):
            if t is wall or t.kind == "floor" or j < board.given:
                continue
            if t.is_round:
                away = c * t.shape[0] + s * t.shape[1] - rho
            else:
                m = 0.5 * (t.shape[2] + t.shape[3])
                x = math.cos(t.shape[0]) * t.shape[1] - math.sin(t.shape[0]) * m
                y = math.sin(t.shape[0]) * t.shape[1] + math.cos(t.shape[0]) * m
                away = c * x + s * y - rho
            if abs(away) < NEAR_WALL_M:
                near.append(j)
        if not near:
            return
        full = board.likelihood()
        net = [
            full
            - board.likelihood(board.rest(j))
            + float(prior.log_density(board.things[j].kind, np.array([board.things[j].shape]))[0])
            - cost(board.things[j], board.things, prior)
            for j in near
        ]
        poorest = int(np.argmin(net))
        if net[poorest] >= 0.0:
            return
        board.remove(near[poorest])


def _turned(thing: Thing, place: Floats, turn: float) -> Thing:
    x, y, log_radius, gain = thing.shape
    dx, dy = x - place[0], y - place[1]
    c, s = math.cos(turn), math.sin(turn)
    return Thing(thing.kind, (place[0] + c * dx - s * dy, place[1] + s * dx + c * dy, log_radius, gain))


def jump(board: Board, prior: Prior) -> None:
    """Try each post of a one-station fit a few degrees aside, where the climb may have stopped too early."""
    place = board.soundings.place_m[0]
    for index in range(board.given, len(board.things)):
        thing = board.things[index]
        if thing.kind == "floor":
            continue
        rest = board.rest(index)
        tries = np.array([_turned(thing, place, t).shape for t in JUMPS_RAD])
        values = board.rate(rest, thing.kind, tries) + prior.log_density(thing.kind, tries)
        now = board.rate(rest, thing.kind, np.array([thing.shape])) + prior.log_density(
            thing.kind, np.array([thing.shape])
        )
        for n in np.argsort(-values)[:2]:
            if values[n] < now[0] - 12.0:
                break
            other, value = climb(board, rest, Thing(thing.kind, tuple(tries[n])), prior, passes=4)
            if value > now[0] + 0.05:
                board.replace(index, other)
                now = np.array([value])


def split(board: Board, prior: Prior) -> int:
    """Try two posts in the place of each one of a one-station fit; return how many were split."""
    place, done, index = board.soundings.place_m[0], 0, board.given
    while index < len(board.things) and len(board.things) < MOST_THINGS:
        thing = board.things[index]
        if thing.kind == "floor":
            index += 1
            continue
        before = board.likelihood() + float(prior.log_density(thing.kind, np.array([thing.shape]))[0])
        best: tuple[float, Thing, Thing] | None = None
        for turn in SPLITS_RAD:
            one, other = _turned(thing, place, turn), _turned(thing, place, -turn)
            board.replace(index, one)
            other, _ = climb(board, board.rest(), other, prior, passes=3)
            board.add(other)
            one, value = climb(board, board.rest(index), one, prior, passes=3)
            value += float(prior.log_density(other.kind, np.array([other.shape]))[0])
            board.remove(len(board.things) - 1)
            if best is None or value > best[0]:
                best = (value, one, other)
        board.replace(index, thing)
        if best is not None and best[0] - prior.cost(thing.kind) > before:
            board.replace(index, best[1])
            board.add(best[2])
            done += 1
        index += 1
    return done


def swap(board: Board, soundings: Soundings, prior: Prior) -> int:
    """Try in the place of each thing every other kind that its own echoes allow; return how many were swapped."""
    done = 0
    radius = math.exp(prior.log_radius)
    for index in range(board.given, len(board.things)):
        thing = board.things[index]
        if thing.kind == "floor":
            continue
        own = board.shares()[index]
        arcs = open_arcs(soundings, own, 0.8)
        sure = thing.kind in ("post", "wall") and abs(thing.shape[-1]) < 4.0
        if not arcs or (sure and len({a.station for a in arcs}) > 2):
            continue
        others = [t for n, t in enumerate(board.things) if n != index]
        walls = np.array([t.shape for t in others if t.kind in ("wall", "rough")]).reshape(-1, 5)
        corners = np.array([t.shape[:2] for t in others if t.kind == "corner"]).reshape(-1, 2)
        pool = Pool.of(
            [
                single_candidates(soundings, arcs, radius, True),
                pair_candidates(soundings, arcs, radius),
                room_candidates(soundings, arcs, walls, corners),
            ]
        )
        rest = board.rest(index)
        base = board.likelihood(rest)
        rate_pool(board, rest, pool, np.arange(len(pool.kind)), prior, base)
        mine = np.array([thing.shape])
        now = float(board.rate(rest, thing.kind, mine)[0] + prior.log_density(thing.kind, mine)[0])
        now -= base + cost(thing, others, prior)
        order = [int(n) for n in np.argsort(-pool.gain) if pool.gain[n] > now - 6.0]
        leaders = _different([(pool.kind[n], pool.shape[n], float(pool.gain[n])) for n in order[:12]])
        best, chosen = now + 0.5, thing
        for kind, shape, _ in leaders[:3]:
            other, value = climb(board, rest, Thing(kind, tuple(shape)), prior, passes=4)
            value -= base + cost(other, others, prior)
            if value > best:
                best, chosen = value, other
        if chosen is not thing:
            board.replace(index, chosen)
            done += 1
    return done


def search(soundings: Soundings, board: Board, prior: Prior, rounds: int = 2, keep_beam: bool = False) -> Board:
    """Return the board with the things that explain the soundings best.

    Parameters
    ----------
    soundings : Soundings
        What was heard.
    board : Board
        Where to start; usually empty.
    prior : Prior
        Beliefs and penalties.
    rounds : int
        How often to refine everything, fit the beam and look again.
    keep_beam : bool
        True where the beam is known from the bench.
    """
    several = soundings.place_m.shape[0] > 1
    start = board.beam
    grow(board, _pool(soundings, board, prior, several), prior)
    for _ in range(rounds):
        refine_all(board, prior)
        if not keep_beam:
            board = fit_beam(board, start)
        if several:
            board = rewall(board, prior)
        drop_poor(board, prior)
        if not several:
            jump(board, prior)
            split(board, prior)
        else:
            swap(board, soundings, prior)
        grow(board, _pool(soundings, board, prior, several), prior)
        refine_all(board, prior, passes=3, first=0.3)
        drop_poor(board, prior)
    return board


def _pool(soundings: Soundings, board: Board, prior: Prior, several: bool) -> Pool:
    unexplained = board.strays() if board.things else np.ones(soundings.ray.size)
    radius = math.exp(prior.log_radius)
    arcs = open_arcs(soundings, unexplained, 2.0 if several else 1.2)
    groups = [single_candidates(soundings, arcs, radius, several)]
    if not any(t.kind == "floor" for t in board.things):
        groups.append({"floor": floor_candidates(soundings)})
    if several:
        groups.append(pair_candidates(soundings, arcs, radius))
        walls = np.array([t.shape for t in board.things if t.kind in ("wall", "rough")]).reshape(-1, 5)
        corners = np.array([t.shape[:2] for t in board.things if t.kind == "corner"]).reshape(-1, 2)
        groups.append(room_candidates(soundings, arcs, walls, corners))
    return Pool.of(groups)

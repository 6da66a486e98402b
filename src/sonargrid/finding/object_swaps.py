"""Larger steps of the object fit, where a greedy search has locked itself in: one cause in the place of others.

A wall for the posts that stood in for it, a floor for a ring of posts, two posts for one wide one, a post a few degrees
aside.  Each step is kept only if the score rises.  Floor axes [m].
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.finding.echo_board import Board
from sonargrid.finding.echo_model import Soundings, half_beam_rad
from sonargrid.finding.echo_order import FLAT, Thing
from sonargrid.finding.object_candidates import (
    ROUGH_DB,
    Arc,
    crossing,
    floor_candidates,
    mirrored,
    open_arcs,
    pair_candidates,
    room_candidates,
)
from sonargrid.finding.object_climb import climb, climb_all
from sonargrid.finding.object_moves import Prior
from sonargrid.finding.object_pool import MOST_THINGS, Pool, cost, costs, different, drop_poor, objective, rate_pool

NEAR_WALL_M = 0.25  # things whose echoes a wall might explain as well
MERGE_RAD, MERGE_RANGE_M = math.radians(35.0), 0.03  # two so near to each other may be one
WIDE_RANGE_M = 0.012  # ranges of what one post in a wider beam was taken for
NEAR_CORNER_M = 0.15
EXPECTED = 4  # so many more walls are tried that go with others
LONG_M = 0.5  # a wall of this length is tried as one that scatters, too
APART_WEIGHT = 2.0  # effective pings that make an arc a thing of its own
JUMPS_RAD = tuple(math.radians(v) for v in (-20.0, -13.0, -8.0, -5.0, 5.0, 8.0, 13.0, 20.0))
SPLITS_RAD = tuple(math.radians(v) for v in (8.0, 14.0, 20.0, 26.0))


def rewall(board: Board, prior: Prior, tries: int = 5) -> Board:
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
            add_corners(other, wall, prior)
            _add_mirrored(other, wall, prior)
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
        if (t.kind == "post" and n >= 3) or (t.kind in FLAT and (n >= 3 or (n == 2 and _is_expected(t, board, prior))))
    ]
    bare = Board(s, board.beam, kept)
    arcs = open_arcs(s, bare.strays() if kept else np.ones(s.ray.size), 1.5)
    walls = np.array([t.shape for t in board.things if t.kind in FLAT]).reshape(-1, 5)
    groups = [pair_candidates(s, arcs, math.exp(prior.log_radius)), room_candidates(s, arcs, walls, np.zeros((0, 2)))]
    flats = np.concatenate([g["wall"] for g in groups])
    # a wall that scatters leaves many short pieces, and is never found by any one of them
    long = flats[flats[:, 3] - flats[:, 2] > LONG_M] + np.array([0.0, 0.0, 0.0, 0.0, ROUGH_DB])
    pool = Pool.of([{"wall": flats, "rough": long}])
    if not pool.kind:
        return []
    rest = bare.rest()
    rate_pool(bare, rest, pool, np.arange(len(pool.kind)), prior, bare.likelihood(rest))
    order = [int(n) for n in np.argsort(-pool.gain)[:150] if pool.gain[n] > 0.0]
    found = different([(pool.kind[n], pool.shape[n], 0.0) for n in order])
    leaders = [Thing(kind, tuple(shape)) for kind, shape, _ in found[:tries]]
    # most rooms are square: new lines along or square to the walls that stand are tried, however many others lead
    lines = [*leaders, *(t for t in board.things if t.kind in FLAT)]
    for kind, shape, _ in found[tries:]:
        wall = Thing(kind, tuple(shape))
        if len(leaders) < tries + EXPECTED and _is_expected(wall, board, prior) and not _on_line(wall, lines):
            leaders.append(wall)
            lines.append(wall)
    return [wall for wall, _ in climb_all(bare, rest, leaders, prior, passes=4)]


def _on_line(wall: Thing, others: Sequence[Thing]) -> bool:
    """Return whether a wall lies on the line of another, whichever way round that is told."""
    for other in others:
        turn = math.remainder(wall.shape[0] - other.shape[0], 2.0 * math.pi)
        flipped = abs(turn) > 0.5 * math.pi
        off = math.remainder(turn, math.pi)
        if abs(off) < 0.15 and abs(wall.shape[1] - (-1.0 if flipped else 1.0) * other.shape[1]) < 0.15:
            return True
    return False


def _is_expected(wall: Thing, board: Board, prior: Prior) -> bool:
    """Return whether a wall goes with others: two echoes of other things have a common tangent, too."""
    return cost(wall, board.things, prior) < prior.cost(wall.kind)


def add_corners(board: Board, wall: Thing, prior: Prior) -> None:
    """Add the corners where a new wall crosses others, where they pay; corners that stood near by are moved there."""
    for other in [t for t in board.things if t.kind in FLAT and t is not wall]:
        point = crossing(np.array(wall.shape), np.array(other.shape))
        if point is None:
            continue
        corner = Thing("corner", (*point, -9.0, 0.0))
        for j in range(board.given, len(board.things)):
            t = board.things[j]
            if t.kind == "corner" and math.hypot(t.shape[0] - point[0], t.shape[1] - point[1]) < NEAR_CORNER_M:
                board.remove(j)
                break
        rest = board.rest()
        gained = float(board.rate(rest, "corner", np.array([corner.shape]))[0]) - board.likelihood(rest)
        if gained > cost(corner, board.things, prior):
            board.add(corner)


def _add_mirrored(board: Board, wall: Thing, prior: Prior) -> None:
    """Add the images of posts in a new wall, where they pay: their echoes would speak for another wall."""
    posts = [t for t in board.things if t.kind == "post"]
    images = mirrored(np.array([wall.shape]), posts)
    while len(images):
        rest = board.rest()
        gained = board.rate(rest, "post", images) - board.likelihood(rest)
        gained -= costs("post", images, rest.things, prior)
        best = int(np.argmax(gained))
        if gained[best] <= 0.0:
            return
        board.add(Thing("post", tuple(float(v) for v in images[best])))
        images = np.delete(images, best, axis=0)


def _drop_near(board: Board, wall: Thing, prior: Prior) -> None:
    """Remove what does not pay any more beside a new wall of a board, the poorest first."""
    turn, rho = wall.shape[:2]
    c, s = math.cos(turn), math.sin(turn)
    while True:
        near = []
        for j, t in enumerate(board.things):
            if t is wall or t.kind == "floor" or j < board.given:
                continue
            x, y = t.middle_m
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
        if not thing.is_round:
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
        if not thing.is_round:
            index += 1
            continue
        before = board.likelihood() + float(prior.log_density(thing.kind, np.array([thing.shape]))[0])
        best: tuple[float, Thing, Thing] | None = None
        # a wide run may have been taken for one loud point
        post = Thing("post", (*thing.shape[:2], max(thing.shape[2], prior.log_radius - 1.0), 0.0))
        for turn in SPLITS_RAD:
            one, other = _turned(post, place, turn), _turned(post, place, -turn)
            board.replace(index, one)
            other, _ = climb(board, board.rest(), other, prior, passes=3)
            board.add(other)
            one, value = climb(board, board.rest(index), one, prior, passes=3)
            value += float(prior.log_density(other.kind, np.array([other.shape]))[0])
            board.remove(len(board.things) - 1)
            if best is None or value > best[0]:
                best = (value, one, other)
        board.replace(index, thing)
        if best is not None and best[0] - 2.0 * prior.cost("post") > before - prior.cost(thing.kind):
            board.replace(index, best[1])
            board.add(best[2])
            done += 1
        index += 1
    return done


def merge(board: Board, prior: Prior) -> int:
    """Try one post in the place of two neighbours of nearly one range in a one-station fit; return how many merged."""
    place, done, first = board.soundings.place_m[0], 0, board.given
    while first < len(board.things):
        second = _neighbour(board, first, place)
        if second is None:
            first += 1
            continue
        pair = [board.things[first], board.things[second]]
        before = objective(board, prior)
        middle = tuple(0.5 * (a + b) for a, b in zip(pair[0].shape, pair[1].shape, strict=True))
        board.remove(second)
        one, _ = climb(board, board.rest(first), Thing("post", (*middle[:2], prior.log_radius, 0.0)), prior, first=2.0)
        board.replace(first, one)
        if objective(board, prior) > before:
            done += 1
            continue
        board.replace(first, pair[0])
        board.add(pair[1])
        first += 1
    return done


def merged_wide(board: Board, prior: Prior) -> Board | None:
    """Return a one-station board with one post in the place of each two neighbours of one range; None without any.

    A beam wider than was thought shows every post as two of them, and none of the pairs can go by itself.
    """
    other, place, done = board.with_more([]), board.soundings.place_m[0], 0
    first = board.given
    while first < len(other.things):
        second = _neighbour(other, first, place, WIDE_RANGE_M)
        if second is None:
            first += 1
            continue
        pair = np.array([other.things[first].shape, other.things[second].shape])
        other.remove(second)
        other.replace(first, Thing("post", (*pair[:, :2].mean(axis=0).tolist(), prior.log_radius, 0.0)))
        done += 1
    return other if done else None


def parted(board: Board, prior: Prior) -> Board | None:
    """Return a one-station board with two posts for each one whose echoes lie in two arcs apart; None without any.

    A beam that misses more than was thought shows two things of one range as one between them.
    """
    radius, place = math.exp(prior.log_radius), board.soundings.place_m[0]
    shares = board.shares()
    gone: list[int] = []
    new: list[Thing] = []
    for index in range(board.given, len(board.things)):
        arcs = open_arcs(board.soundings, shares[index], APART_WEIGHT)
        heaviest = sorted(sorted(arcs, key=lambda arc: -arc.weight)[:2], key=lambda arc: arc.low_rad)
        if not board.things[index].is_round or len(arcs) < 2 or not _is_silent(board.soundings, *heaviest):
            continue
        gone.append(index)
        # the beam ends where the gap begins; what is farther out may be masked
        for arc, inner, side in zip(heaviest, (heaviest[0].high_rad, heaviest[1].low_rad), (-1.0, 1.0), strict=True):
            far = arc.range_m + radius
            b = inner + side * float(half_beam_rad(np.array(arc.range_m), board.beam, side < 0.0, radius))
            new.append(
                Thing("post", (place[0] + far * math.cos(b), place[1] + far * math.sin(b), prior.log_radius, 0.0))
            )
    return board.with_more(new, without=gone) if gone else None


def _is_silent(s: Soundings, first: Arc, second: Arc) -> bool:
    """Return whether most pings between two arcs heard nothing: what is masked there is no gap."""
    between = (s.bearing_rad > first.high_rad + 1e-9) & (s.bearing_rad < second.low_rad - 1e-9)
    heard = np.bincount(s.ray, weights=s.weight, minlength=s.bearing_rad.size)
    return bool(s.silence[between].sum() > heard[between].sum())


def _neighbour(board: Board, index: int, place: Floats, within_m: float = MERGE_RANGE_M) -> int | None:
    """Return a later round thing at nearly the same range and bearing as one, None = none."""
    thing = board.things[index]
    if not thing.is_round:
        return None
    x, y = thing.shape[0] - place[0], thing.shape[1] - place[1]
    for j in range(index + 1, len(board.things)):
        other = board.things[j]
        if not other.is_round:
            continue
        u, v = other.shape[0] - place[0], other.shape[1] - place[1]
        off = abs(math.remainder(math.atan2(y, x) - math.atan2(v, u), 2.0 * math.pi))
        if off < MERGE_RAD and abs(math.hypot(x, y) - math.hypot(u, v)) < within_m:
            return j
    return None


def refloor(board: Board, prior: Prior) -> Board:
    """Return the board with an echo of the floor in the place of the ring of things that stood in for it, if better."""
    if any(t.kind == "floor" for t in board.things):
        return board
    best, chosen = objective(board, prior) + 1.0, board
    for shape in floor_candidates(board.soundings):
        floor = Thing("floor", tuple(shape))
        boards = [board.with_more([floor])]
        if board.soundings.place_m.shape[0] == 1:
            # from one place a ring of things stands in for a floor so well that none of them goes by itself
            boards.append(_without_ring(board, floor, prior))
        for other in boards:
            drop_poor(other, prior)
            value = objective(other, prior)
            if value > best:
                best, chosen = value, other
    return chosen


def _without_ring(board: Board, floor: Thing, prior: Prior) -> Board:
    """Return a one-station board with a floor in the place of all round things at its range."""
    other = board.with_more([])
    place = board.soundings.place_m[0]
    for index in range(len(other.things) - 1, other.given - 1, -1):
        thing = other.things[index]
        if not thing.is_round:
            continue
        face = math.hypot(thing.shape[0] - place[0], thing.shape[1] - place[1])
        face -= math.exp(thing.shape[2]) if thing.kind == "post" else 0.0
        if abs(face - floor.shape[0]) < MERGE_RANGE_M:
            other.remove(index)
    other.add(climb(other, other.rest(), floor, prior, passes=4)[0])
    return other


def convert(board: Board, prior: Prior) -> int:
    """Try a loud point for each post of a one-station fit, and a post for each loud point; return how many turned."""
    place, done = board.soundings.place_m[0], 0
    for index in range(board.given, len(board.things)):
        thing = board.things[index]
        if not thing.is_round:
            continue
        x, y = thing.shape[:2]
        d = max(math.hypot(x - place[0], y - place[1]), 1e-6)
        face = d - math.exp(thing.shape[2]) if thing.kind == "post" else d
        kind = "corner" if thing.kind == "post" else "post"
        reach = (face + math.exp(prior.log_radius) if kind == "post" else face) / d
        there = (place[0] + reach * (x - place[0]), place[1] + reach * (y - place[1]))
        rest = board.rest(index)
        mine = np.array([thing.shape])
        now = float(board.rate(rest, thing.kind, mine)[0] + prior.log_density(thing.kind, mine)[0])
        start = Thing(kind, (*there, prior.log_radius if kind == "post" else -9.0, 0.0))
        other, value = climb(board, rest, start, prior, passes=5)
        if value - prior.cost(kind) > now - prior.cost(thing.kind) + 0.1:
            board.replace(index, other)
            done += 1
    return done

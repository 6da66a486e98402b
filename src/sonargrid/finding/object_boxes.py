"""Boxes and posts in the place of the faces, edges and posts that stood in for them.

A box shows each station one face or one edge, so a greedy search finds it piece by piece, or not at all where each
piece pays too little by itself.  One box, or one post, that all stations share is tried for each piece and its
neighbours, and kept if the score rises.  Floor axes [m], directions [rad].
"""

from __future__ import annotations

import math
from itertools import permutations, product

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.finding.echo_board import Board
from sonargrid.finding.echo_order import FLAT, Rest, Thing
from sonargrid.finding.object_climb import climb_all
from sonargrid.finding.object_moves import Prior, alike, side_of
from sonargrid.finding.object_pool import believed, different, drop_poor, objective

REACH_M = 0.22  # pieces so near to each other may be one box
SHORT_M = 0.45  # longer faces are walls
TURNS_RAD = np.radians(np.arange(0.0, 90.0, 15.0))
POST_RADII_M = (0.025, 0.045, 0.08)
HALVES_M = ((0.06, 0.06), (0.10, 0.05), (0.05, 0.10))
FACE_HALVES_M = (0.045, 0.085)
ASIDE_M = (-0.12, -0.06, 0.0, 0.06, 0.12)
WORTH_A_CLIMB = 40.0  # a start must come so near to what stands; climbs often gain this much
CLIMBED = 3
FAR_OFF = 5.0  # what lost so much in the place of a group is not tried again in a later round


Refusals = list[tuple[tuple[Thing, ...], float]]  # groups, and how much one thing in their place gained; -inf = none


def rebox(board: Board, prior: Prior, alone: bool = True, refused: Refusals | None = None) -> Board:
    """Return the board with boxes and posts in the place of what stood in for them, where that is better.

    Parameters
    ----------
    board, prior : Board, Prior
        What stands, and beliefs.
    alone : bool
        Whether one piece may be replaced, and by posts, too; from one station a post explains one piece as well.
    refused : list, optional
        What earlier rounds refused: groups like those that were far from it are left alone; grows.
    """
    now = objective(board, prior)
    before = [] if refused is None else [group for group, gained in refused if gained < -FAR_OFF]
    boxes: dict[tuple[Thing, ...], Thing | None] = {}
    gains: dict[tuple[Thing, ...], float] = {}
    while True:
        groups = [g for g in _groups(board, 1 if alone else 2) if not _known(_key(board, g), before)]
        new = [g for g in groups if _key(board, g) not in boxes]
        for group, box in zip(new, _best_single(board, new, prior, alone), strict=True):
            boxes[_key(board, group)] = box
        for group in groups:
            key = _key(board, group)
            found = boxes[key]
            if found is None or key in gains:
                gains.setdefault(key, -math.inf)
                continue
            other = board.with_more([found], without=group)
            drop_poor(other, prior, near=found)
            value = objective(other, prior)
            if value > now + 0.5:
                board, now = other, value
                break
            gains[key] = value - now
        else:
            if refused is not None:
                refused += gains.items()
            return board


def _known(group: tuple[Thing, ...], groups: list[tuple[Thing, ...]]) -> bool:
    """Return whether a group is like one of some groups."""
    return any(len(group) == len(other) and all(any(alike(a, b) for b in other) for a in group) for other in groups)


def _key(board: Board, group: list[int]) -> tuple[Thing, ...]:
    return tuple(board.things[j] for j in group)


def _groups(board: Board, least: int) -> list[list[int]]:
    """Return the sets of things that one box might replace: each piece by itself, each with its neighbours."""
    s = board.soundings
    own = board.shares() * s.count
    at: dict[int, tuple[float, float]] = {}
    for j in range(board.given, len(board.things)):
        thing = board.things[j]
        heard = np.bincount(s.station[s.ray], weights=own[j], minlength=len(s.place_m))
        # how far a face goes on that one station alone hears, nobody knows
        if thing.kind in FLAT and (thing.shape[3] - thing.shape[2] < SHORT_M or (heard >= 1.0).sum() == 1):
            at[j] = _sides(board, [j])[0][:2]
        elif thing.kind in ("post", "corner", "box"):
            at[j] = thing.middle_m
    out: list[list[int]] = []
    for j in sorted(at, key=lambda j: -float(own[j].sum())):
        near = [k for k in at if math.hypot(at[k][0] - at[j][0], at[k][1] - at[j][1]) < REACH_M]
        for group in (sorted(near), [j]):
            if group not in out and len(group) >= least:
                out.append(group)
    return out


def _best_single(board: Board, groups: list[list[int]], prior: Prior, posts: bool) -> list[Thing | None]:
    """Return the best box (or post) in the place of each group, None where no start comes near."""
    now = objective(board, prior)
    tried: list[Thing] = []
    of_group: list[int] = []
    rests: list[Rest] = []
    for number, group in enumerate(groups):
        rest = board.rest(group)
        is_box = len(group) == 1 and board.things[group[0]].kind == "box"
        starts = {} if is_box else {"box": _starts(board, group)}
        if posts:
            starts["post"] = posts_for(board, group)
        stands = believed(rest.things, prior)
        leaders: list[Thing] = []
        versions = [board.versions(kind, shapes) for kind, shapes in starts.items()]
        for one, rated in zip(versions, board.rate_all([rest], versions), strict=True):
            value = rated + prior.log_density(one.kind, one.shape) + stands - prior.cost(one.kind)
            order = [int(n) for n in np.argsort(-value)[:12] if value[n] > now - WORTH_A_CLIMB]
            near = different([(one.kind, one.shape[n], 0.0) for n in order])[:CLIMBED]
            leaders += [Thing(kind, tuple(shape)) for kind, shape, _ in near]
        tried += leaders
        of_group += [number] * len(leaders)
        rests += [rest] * len(leaders)
    best: list[tuple[float, Thing | None]] = [(-math.inf, None)] * len(groups)
    climbed = climb_all(board, rests, tried, prior, passes=6)
    for number, (thing, top) in zip(of_group, climbed, strict=True):
        net = top - prior.cost(thing.kind)
        if net > best[number][0]:
            best[number] = (net, thing)
    return [thing for _, thing in best]


def posts_for(board: Board, group: list[int]) -> Floats:
    """Return (n, 4) posts to start from: behind the point of each piece nearest to each station, and in their midst."""
    s = board.soundings
    own = board.shares()[group] * s.count
    at: list[tuple[float, float, float]] = []
    for k, j in enumerate(group):
        heard = np.bincount(s.station[s.ray], weights=own[k], minlength=len(s.place_m))
        for station in np.flatnonzero(heard >= 1.0):
            px, py = s.place_m[station]
            face, bearing = side_of(board.things[j], s.place_m[station])
            for r in POST_RADII_M:
                at.append((px + (face + r) * math.cos(bearing), py + (face + r) * math.sin(bearing), r))
        if board.things[j].kind == "corner":
            (x, y), (back_x, back_y) = board.things[j].middle_m, _back(board.things[j], s.place_m, heard)
            at += [(x + r * back_x, y + r * back_y, r) for r in POST_RADII_M]
    if len(group) > 1:
        x, y = np.mean([board.things[j].middle_m for j in group], axis=0)
        at += [(x, y, r) for r in POST_RADII_M]
    return np.array([(x, y, math.log(r), 0.0) for x, y, r in at]).reshape(-1, 4)


def _back(thing: Thing, place_m: Floats, heard: np.ndarray) -> Floats:
    """Return the unit vector (2,) that leads away from the places (S, 2) that heard a thing so often (S,)."""
    away = np.array(thing.middle_m) - place_m
    away /= np.maximum(np.hypot(away[:, 0], away[:, 1]), 1e-6)[:, None]
    back = heard @ away
    return np.asarray(back / max(float(np.hypot(*back)), 1e-6))


def _sides(board: Board, group: list[int]) -> list[tuple[float, float, float, float]]:
    """Return (x, y, c, s) of each piece: its point nearest to the station that hears it most [m], and the way there."""
    s = board.soundings
    own = board.shares()[group] * s.count
    out = []
    for k, j in enumerate(group):
        heard = np.bincount(s.station[s.ray], weights=own[k], minlength=len(s.place_m))
        place = s.place_m[int(np.argmax(heard))]
        distance, bearing = side_of(board.things[j], place)
        c, sn = math.cos(bearing), math.sin(bearing)
        out.append((float(place[0]) + distance * c, float(place[1]) + distance * sn, c, sn))
    return out


def _round_sides(sides: list[tuple[float, float, float, float]]) -> list[tuple[float, ...]]:
    """Return boxes that have each two of some sides: of one corner, of one face, or opposite each other."""
    rows: list[tuple[float, ...]] = []
    for (ax, ay, ac, as_), (bx, by, bc, bs) in permutations(sides, 2):
        along, across = ac * bc + as_ * bs, ac * bs - as_ * bc
        # in the frame of the first side: u into the thing, v to the left
        u, v = ac * (bx - ax) + as_ * (by - ay), -as_ * (bx - ax) + ac * (by - ay)
        if abs(across) > abs(along):
            sign = math.copysign(1.0, across)
            half_u, half_v = max(0.05, 0.5 * u + 0.02), max(0.05, 0.5 * abs(v) + 0.02)
            mid_u, mid_v = half_u, v + sign * half_v
        else:
            half_u = 0.05 if along > 0.0 else max(0.02, 0.5 * u)
            half_v, mid_u, mid_v = 0.5 * abs(v) + 0.04, half_u, 0.5 * v
        if max(half_u, half_v) < REACH_M:
            x, y = ax + ac * mid_u - as_ * mid_v, ay + as_ * mid_u + ac * mid_v
            rows.append((x, y, math.atan2(as_, ac), half_u, half_v, 0.0))
    return rows


def _starts(board: Board, group: list[int]) -> Floats:
    """Return (n, 6) boxes to start from: behind each piece's face, or where it stands, turned this way and that."""
    s = board.soundings
    own = board.shares()[group] * board.soundings.count
    rows: list[tuple[float, ...]] = []
    for k, thing in enumerate(board.things[j] for j in group):
        x, y = thing.middle_m
        heard = np.bincount(s.station[s.ray], weights=own[k], minlength=len(s.place_m))
        back = _back(thing, s.place_m, heard)
        if thing.kind in FLAT:
            c, sn = math.cos(thing.shape[0]), math.sin(thing.shape[0])
            # a face stands where it was heard, not where its unheard ends are
            along = float(heard @ (-sn * s.place_m[:, 0] + c * s.place_m[:, 1])) / max(float(heard.sum()), 1e-9)
            along = min(max(along, thing.shape[2]), thing.shape[3])
            x, y = thing.shape[1] * c - along * sn, thing.shape[1] * sn + along * c
            side = 1.0 if c * back[0] + sn * back[1] > 0.0 else -1.0
            # one line may stand for both faces of a thin box
            for back_m, depth, width, aside in product((0.0, side), FACE_HALVES_M, FACE_HALVES_M, ASIDE_M):
                deep = back_m * depth
                rows.append((x + deep * c - aside * sn, y + deep * sn + aside * c, thing.shape[0], depth, width, 0.0))
            continue
        turns = TURNS_RAD if thing.kind != "box" else np.array([thing.shape[2]])
        for turn in turns:
            for w, d in HALVES_M:
                rows.append((x, y, turn, w, d, 0.0))
                if thing.kind == "corner":
                    rows.append((x + 0.06 * back[0], y + 0.06 * back[1], turn, w, d, 0.0))
    if len(group) > 1:
        x, y = np.mean([board.things[j].middle_m for j in group], axis=0)
        faces = [board.things[j].shape[2 if board.things[j].kind == "box" else 0] for j in group]
        flat = [f for f, j in zip(faces, group, strict=True) if board.things[j].kind in (*FLAT, "box")]
        for turn in np.unique(np.r_[TURNS_RAD, np.mod(flat, 0.5 * math.pi)]):
            rows += [(x, y, turn, w, d, 0.0) for w, d in HALVES_M]
        rows += _round_sides(_sides(board, group))
    return np.array(rows)

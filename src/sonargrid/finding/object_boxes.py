"""Boxes in the place of the faces, edges and posts that stood in for them.

A box shows each station one face or one edge, so a greedy search finds it piece by piece, or not at all where each
piece pays too little by itself.  One box that all stations share is tried for each piece and its neighbours, and kept
if the score rises.  Floor axes [m], directions [rad].
"""

from __future__ import annotations

import math
from itertools import product

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.finding.echo_board import Board
from sonargrid.finding.echo_order import FLAT, Rest, Thing
from sonargrid.finding.object_climb import climb_all
from sonargrid.finding.object_moves import Prior
from sonargrid.finding.object_pool import believed, different, drop_poor, objective

REACH_M = 0.22  # pieces so near to each other may be one box
SHORT_M = 0.45  # longer faces are walls
TURNS_RAD = np.radians(np.arange(0.0, 90.0, 15.0))
HALVES_M = ((0.06, 0.06), (0.10, 0.05), (0.05, 0.10))
FACE_HALVES_M = (0.045, 0.085)
ASIDE_M = (-0.12, -0.06, 0.0, 0.06, 0.12)
WORTH_A_CLIMB = 40.0  # a start must come so near to what stands; climbs often gain this much
CLIMBED = 3


def rebox(board: Board, prior: Prior, alone: bool = True) -> Board:
    """Return the board with boxes in the place of what stood in for them, where that is better.

    Parameters
    ----------
    board, prior : Board, Prior
        What stands, and beliefs.
    alone : bool
        Whether a box may take the place of one piece; from one station a post explains one piece as well.
    """
    now = objective(board, prior)
    boxes: dict[tuple[Thing, ...], Thing | None] = {}
    refused: set[tuple[Thing, ...]] = set()
    while True:
        groups = _groups(board, 1 if alone else 2)
        new = [g for g in groups if _key(board, g) not in boxes]
        for group, box in zip(new, _best_boxes(board, new, prior), strict=True):
            boxes[_key(board, group)] = box
        for group in groups:
            key = _key(board, group)
            found = boxes[key]
            if found is None or key in refused:
                continue
            other = board.with_more([found], without=group)
            drop_poor(other, prior)
            value = objective(other, prior)
            if value > now + 0.5:
                board, now = other, value
                break
            refused.add(key)
        else:
            return board


def _key(board: Board, group: list[int]) -> tuple[Thing, ...]:
    return tuple(board.things[j] for j in group)


def _is_piece(thing: Thing) -> bool:
    if thing.kind in FLAT:
        return thing.shape[3] - thing.shape[2] < SHORT_M
    return thing.kind in ("post", "corner", "box")


def _groups(board: Board, least: int) -> list[list[int]]:
    """Return the sets of things that one box might replace: each piece by itself, each with its neighbours."""
    pieces = [j for j in range(board.given, len(board.things)) if _is_piece(board.things[j])]
    at = {j: board.things[j].middle_m for j in pieces}
    heard = (board.shares() * board.soundings.count).sum(axis=1) if board.things else np.zeros(0)
    out: list[list[int]] = []
    for j in sorted(pieces, key=lambda j: -heard[j]):
        near = [k for k in pieces if math.hypot(at[k][0] - at[j][0], at[k][1] - at[j][1]) < REACH_M]
        for group in (sorted(near), [j]):
            lone_box = len(group) == 1 and board.things[group[0]].kind == "box"
            if group not in out and not lone_box and len(group) >= least:
                out.append(group)
    return out


def _best_boxes(board: Board, groups: list[list[int]], prior: Prior) -> list[Thing | None]:
    """Return the best box in the place of each group, None where no start comes near."""
    now = objective(board, prior)
    tried: list[Thing] = []
    of_group: list[int] = []
    rests: list[Rest] = []
    for number, group in enumerate(groups):
        rest = board.rest(group)
        starts = _starts(board, group)
        values = board.rate(rest, "box", starts) + prior.log_density("box", starts)
        values = values + believed(rest.things, prior) - prior.cost("box")
        order = [int(n) for n in np.argsort(-values)[:12] if values[n] > now - WORTH_A_CLIMB]
        leaders = different([("box", starts[n], 0.0) for n in order])[:CLIMBED]
        tried += [Thing("box", tuple(shape)) for _, shape, _ in leaders]
        of_group += [number] * len(leaders)
        rests += [rest] * len(leaders)
    best: list[tuple[float, Thing | None]] = [(-math.inf, None)] * len(groups)
    for number, (box, value) in zip(of_group, climb_all(board, rests, tried, prior, passes=6), strict=True):
        if value > best[number][0]:
            best[number] = (value, box)
    return [box for _, box in best]


def _starts(board: Board, group: list[int]) -> Floats:
    """Return (n, 6) boxes to start from: behind each piece's face, or where it stands, turned this way and that."""
    s = board.soundings
    own = board.shares()[group] * board.soundings.count
    rows: list[tuple[float, ...]] = []
    for k, thing in enumerate(board.things[j] for j in group):
        x, y = thing.middle_m
        heard = np.bincount(s.station[s.ray], weights=own[k], minlength=len(s.place_m))
        away = np.array([x, y]) - s.place_m
        away /= np.maximum(np.hypot(away[:, 0], away[:, 1]), 1e-6)[:, None]
        back = heard @ away
        back /= max(float(np.hypot(*back)), 1e-6)
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
    return np.array(rows)

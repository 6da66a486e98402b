"""Corners that stand free in a finished fit: what else may answer so, or the wall that must meet another there.

Only two faces that meet answer from one point as loudly as a wall does.  A corner where no known walls cross is the
foot of a wall, the near side of something round, or a true corner of which one wall is still missing.  Floor axes [m].
"""

from __future__ import annotations

import math

import numpy as np

from sonargrid.finding.echo_board import Board
from sonargrid.finding.echo_model import Soundings
from sonargrid.finding.echo_order import FLAT, Thing
from sonargrid.finding.object_boxes import posts_for
from sonargrid.finding.object_climb import climb, climb_all
from sonargrid.finding.object_kinds import in_place_of, leaders_of
from sonargrid.finding.object_list import heard_readings
from sonargrid.finding.object_moves import Prior
from sonargrid.finding.object_pool import cost, objective
from sonargrid.finding.object_swaps import add_corners

FREE_COST = {"wall": 6.0, "post": 3.0, "box": 3.0}  # nats that a free corner may be better than what takes its place
FAR_CLIMB = 40.0  # so far below what stands a start may lie: a corner lies hardly where the wall would
BEYOND_M = 0.3  # a wall is tried so far beyond where it was heard
SAME_RAD = math.radians(10.0)


def free_corners(board: Board, prior: Prior) -> list[int]:
    """Return the corners of a board that stand where no known walls cross."""
    corners = [n for n in range(board.given, len(board.things)) if board.things[n].kind == "corner"]
    return [n for n in corners if cost(board.things[n], board.things, prior) == prior.cost("corner")]


def explained(board: Board, soundings: Soundings, prior: Prior) -> Board:
    """Return the board with walls, posts or boxes in the place of free corners that they explain nearly as well.

    Parameters
    ----------
    board : Board
        The finished fit of several stations.
    soundings : Soundings
        What was heard.
    prior : Prior
        Beliefs.
    """
    for corner in [board.things[n] for n in free_corners(board, prior)]:
        index = next((n for n in free_corners(board, prior) if board.things[n] == corner), None)
        if index is None:
            continue  # a wall found for another one goes through it, or has moved it to where two cross
        tried = [*_instead(board, index, soundings, prior), *_with_walls(board, index, prior)]
        allowed = [(objective(other, prior) + FREE_COST[kind], other) for kind, other in tried]
        best, chosen = max(allowed, key=lambda a: a[0], default=(-math.inf, board))
        if best > objective(board, prior):
            board = chosen
    return board


def _instead(board: Board, index: int, soundings: Soundings, prior: Prior) -> list[tuple[str, Board]]:
    """Return boards with one thing in the place of a corner, and its kind."""
    pool = in_place_of(board, index, soundings, prior, board.shares()[index])
    if pool is None:
        return []
    rest = board.rest(index)
    leaders = leaders_of(board, index, rest, pool.only(("wall", "post", "box")), prior, FAR_CLIMB)
    # the last posts stand behind the corner
    leaders += [Thing("post", tuple(shape)) for shape in posts_for(board, [index])[-3:].tolist()]
    climbed = climb_all(board, [rest] * len(leaders), leaders, prior, passes=6)
    return [(thing.kind, board.with_more([thing], without=[index])) for thing, _ in climbed]


def _with_walls(board: Board, index: int, prior: Prior) -> list[tuple[str, Board]]:
    """Return boards with a wall through a corner, along or square to a known one, and a corner where they cross."""
    s, (x, y) = board.soundings, board.things[index].middle_m
    places = s.place_m[heard_readings(board)[index] >= 1.0]
    known = [t.shape[0] for t in board.things if t.kind in FLAT]
    turns: list[float] = []
    for turn in [t + square for t in known for square in (0.0, 0.5 * math.pi)]:
        if all(abs(math.remainder(turn - t, math.pi)) > SAME_RAD for t in turns):
            turns.append(turn)
    rest, walls = board.rest(index), []
    for turn in turns[:4]:
        c, sn = math.cos(turn), math.sin(turn)
        feet = np.r_[-sn * places[:, 0] + c * places[:, 1], -sn * x + c * y]
        walls.append(
            Thing("wall", (turn, c * x + sn * y, float(feet.min()) - BEYOND_M, float(feet.max()) + BEYOND_M, 0.0))
        )
    out = []
    for wall, _ in climb_all(board, [rest] * len(walls), walls, prior, passes=4):
        other = board.with_more([wall], without=[index])
        add_corners(other, wall, prior)
        at = other.things.index(wall)
        other.replace(at, climb(other, other.rest(at), wall, prior, passes=3)[0])
        out.append(("wall", other))
    return out

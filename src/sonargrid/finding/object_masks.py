"""Things that stand behind others which may as well stand aside: both steps at once, since neither pays alone.

A thing whose arc is cut on both sides may stand anywhere along the rest of its beam.  Where the fit has put it, it may
answer before something farther off that was really heard; that leaves echoes without a cause, and no thing behind it
gains anything.  So what masks such echoes is turned aside, and a thing is tried in their place.  Floor axes [m].
"""

from __future__ import annotations

import math

import numpy as np

from sonargrid.arrays import Floats, Ints
from sonargrid.finding.echo_board import Board
from sonargrid.finding.echo_model import Soundings, heard_share, thing_echoes
from sonargrid.finding.echo_order import Thing
from sonargrid.finding.object_candidates import Arc, open_arcs, single_candidates
from sonargrid.finding.object_climb import climb
from sonargrid.finding.object_moves import Prior, apply_moves
from sonargrid.finding.object_pool import costs, objective

MASKED, BARED = 0.5, 0.1  # what is heard so often hides an echo behind it, so seldom it does not
NEARER_M = 0.02
ASIDE_RAD = np.radians(np.arange(3.0, 40.0, 3.0))
WORTH_A_TRY = 12.0  # turning aside may cost so much before the thing behind is added
LEAST_RISE = 0.3


def unmask(board: Board, prior: Prior, least_weight: float) -> int:
    """Add things behind others of a one-station fit, which turn aside for them, where that is better; return how many.

    Parameters
    ----------
    board, prior : Board, Prior
        What stands, and beliefs.
    least_weight : float
        Effective pings that make an arc worth a try.
    """
    if not board.things:
        return 0
    done = 0
    for arc in open_arcs(board.soundings, board.strays(), least_weight):
        now = objective(board, prior)
        best = now + LEAST_RISE
        chosen: Board | None = None
        for index in _masks(board, arc):
            other = _behind(board, index, arc, prior, best)
            if other is not None:
                best, chosen = objective(other, prior), other
        if chosen is not None:
            board.take(chosen)
            done += 1
    return done


def _rays(s: Soundings, arc: Arc) -> Ints:
    return np.flatnonzero((s.bearing_rad >= arc.low_rad - 1e-9) & (s.bearing_rad <= arc.high_rad + 1e-9))


def _shares(board: Board, kind: str, shapes: Floats, rays: Ints) -> Floats:
    """Return (K,) how often versions of a thing are heard at some rays, on the average."""
    heard = heard_share(thing_echoes(kind, shapes, board.soundings, board.beam).margin_db, board.beam)
    return np.asarray(heard[:, rays].mean(axis=1))


def _masks(board: Board, arc: Arc) -> list[int]:
    """Return the round things that should have answered before an arc."""
    place, rays = board.soundings.place_m[0], _rays(board.soundings, arc)
    out = []
    for index in range(board.given, len(board.things)):
        thing = board.things[index]
        if not thing.is_round:
            continue
        far = math.hypot(thing.shape[0] - place[0], thing.shape[1] - place[1])
        face = far - (math.exp(thing.shape[2]) if thing.kind == "post" else 0.0)
        nearer = face < arc.range_m - NEARER_M
        if nearer and _shares(board, thing.kind, np.array([thing.shape]), rays)[0] > MASKED:
            out.append(index)
    return out


def _behind(board: Board, index: int, arc: Arc, prior: Prior, least: float) -> Board | None:
    """Return the board with a thing turned aside and another one in the place of an arc; None below a score."""
    s, thing = board.soundings, board.things[index]
    place, rays = s.place_m[0], _rays(s, arc)
    turns = np.r_[-ASIDE_RAD[::-1], 0.0, ASIDE_RAD]
    moves = np.stack([np.zeros_like(turns), turns, np.zeros_like(turns), np.zeros_like(turns)], axis=1)
    shapes = apply_moves(thing.kind, np.array(thing.shape), moves, place)
    value = board.rate(board.rest(index), thing.kind, shapes) + prior.log_density(thing.kind, shapes)
    still = value[ASIDE_RAD.size]
    able = (_shares(board, thing.kind, shapes, rays) < BARED) & (value > still - WORTH_A_TRY)
    chosen: Board | None = None
    for side in (turns < 0.0, turns > 0.0):
        bare = np.flatnonzero(able & side)
        if not bare.size:
            continue
        nearest = bare[np.argmin(np.abs(turns[bare]))]
        other = board.with_more([])
        other.replace(index, Thing(thing.kind, tuple(shapes[nearest].tolist())))
        _add_at(other, arc, prior)
        moved, _ = climb(other, other.rest(index), other.things[index], prior, passes=3)
        other.replace(index, moved)
        score = objective(other, prior)
        if score > least:
            least, chosen = score, other
    return chosen


def _add_at(board: Board, arc: Arc, prior: Prior) -> None:
    """Add the best post along an arc."""
    rest = board.rest()
    posts = single_candidates(board.soundings, [arc], math.exp(prior.log_radius), False)["post"]
    value = (
        board.rate(rest, "post", posts) + prior.log_density("post", posts) - costs("post", posts, rest.things, prior)
    )
    start = Thing("post", tuple(posts[int(np.argmax(value))].tolist()))
    board.add(climb(board, rest, start, prior, passes=4)[0])

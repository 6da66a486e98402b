"""Which things explain what was heard: greedy search, larger swaps, refinement, the run's own beam.

Floor axes [m].  The score is `object_pool`'s, the list for people `objects`'.
"""

from __future__ import annotations

import math

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.finding.echo_beam import Beam
from sonargrid.finding.echo_board import Board
from sonargrid.finding.echo_model import Soundings
from sonargrid.finding.object_boxes import Refusals, rebox
from sonargrid.finding.object_candidates import open_arcs, pair_candidates, room_candidates, single_candidates
from sonargrid.finding.object_climb import climb_all
from sonargrid.finding.object_kinds import swap
from sonargrid.finding.object_masks import unmask
from sonargrid.finding.object_moves import Prior
from sonargrid.finding.object_pool import Pool, drop_poor, grow, objective
from sonargrid.finding.object_swaps import convert, jump, merge, merged_wide, parted, refloor, rewall, split
from sonargrid.finding.run_beam import beam_log_prior, fit_beam

TOGETHER = 0.6  # things that climbed side by side must gain so much of the sum of their gains
ODDS_OF_NEW = 20.0  # an echo that what stood there before explains only so much better than chance may be new
HOPELESS = 60.0  # splits and the beam win back no more than this
LEAST_WEIGHT = {True: 2.0, False: 0.8}  # effective pings that make an arc worth a try, with several stations or one


def refine_all(board: Board, prior: Prior, passes: int = 4, first: float = 0.5) -> None:
    """Climb with each thing, the others held still: all side by side, then together or, where they clash, by turns."""
    things = list(board.things)
    if not things:
        return
    rests = [board.rest(index) for index in range(len(things))]
    climbed = climb_all(board, rests, things, prior, passes=passes, first=first)
    full, now = board.likelihood(), objective(board, prior)
    gained = [
        v - full - float(prior.log_density(t.kind, np.array([t.shape]))[0])
        for t, (_, v) in zip(things, climbed, strict=True)
    ]
    together = board.with_more([thing for thing, _ in climbed], without=range(len(things)))
    if objective(together, prior) > now + TOGETHER * sum(gained):
        board.take(together)
        return
    for index in sorted(range(len(things)), key=lambda n: -gained[n]):
        board.replace(index, climbed[index][0])
        value = objective(board, prior)
        if value > now:
            now = value
        else:
            board.replace(index, things[index])


def mend(board: Board, prior: Prior) -> None:
    """Make a list right for other soundings than it was found for: what does not pay goes, what is missing comes."""
    drop_poor(board, prior)
    refine_all(board, prior, passes=2, first=0.3)
    several = board.soundings.place_m.shape[0] > 1
    grow(board, _pool(board.soundings, board, prior, several), prior)
    refine_all(board, prior, passes=2, first=0.3)
    drop_poor(board, prior)


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
    start, refused = board.beam, Refusals()
    grow(board, _pool(soundings, board, prior, several, loud=several), prior)
    board = refloor(board, prior)
    refine_all(board, prior)
    for turn in range(rounds):
        if not several:
            convert(board, prior)
        if not keep_beam:
            board = fit_beam(board, start)
        if several:
            board = rewall(board, prior)
        drop_poor(board, prior)
        if not several:
            jump(board, prior)
            split(board, prior)
            merge(board, prior)
            if not keep_beam:
                board = _tried(board, merged_wide(board, prior), prior, start)
                board = _tried(board, parted(board, prior), prior, start)
            board = rebox(board, prior, alone=False)
            convert(board, prior)
            if turn == 0:
                board = _unfloored(board, prior, start, keep_beam)
            board = refloor(board, prior)
        else:
            swap(board, soundings, prior)
            board = rebox(board, prior, refused=refused)
        grow(board, _pool(soundings, board, prior, several), prior)
        if not several:
            unmask(board, prior, LEAST_WEIGHT[several])
        refine_all(board, prior, passes=3, first=0.3)
        drop_poor(board, prior)
    return board


def _tried(board: Board, other: Board | None, prior: Prior, start: Beam) -> Board:
    """Return another one-station board with the beam that it needs, if better."""
    if other is None:
        return board
    for _ in range(2):
        refine_all(other, prior)
        other = fit_beam(other, start)
    drop_poor(other, prior)
    before = objective(board, prior) + beam_log_prior(board.beam, start)
    return other if objective(other, prior) + beam_log_prior(other.beam, start) > before else board


def _unfloored(board: Board, prior: Prior, start: Beam, keep_beam: bool) -> Board:
    """Return a one-station board with things in the place of an echo of the floor, if better.

    A floor taken early leaves none of the things at its range a gain of its own, and the beam goes with it.
    """
    floors = [j for j, thing in enumerate(board.things) if thing.kind == "floor" and j >= board.given]
    if not floors:
        return board
    before = objective(board, prior) + beam_log_prior(board.beam, start)

    def rise(tried: Board) -> float:
        return objective(tried, prior) + beam_log_prior(tried.beam, start) - before

    other = board.with_more([], without=floors)
    grow(other, _pool(other.soundings, other, prior, False), prior)
    refine_all(other, prior)
    convert(other, prior)
    merge(other, prior)
    drop_poor(other, prior)
    if rise(other) > 0.0:
        return other
    if rise(other) < -HOPELESS:
        return board
    jump(other, prior)
    split(other, prior)
    merge(other, prior)
    refine_all(other, prior)
    if not keep_beam:
        other = fit_beam(other, start)
    grow(other, _pool(other.soundings, other, prior, False), prior)
    refine_all(other, prior)
    drop_poor(other, prior)
    return other if rise(other) > 0.0 else board


def _pool(soundings: Soundings, board: Board, prior: Prior, several: bool, loud: bool = True) -> Pool:
    unexplained = _unexplained(board) if board.things else np.ones(soundings.ray.size)
    radius = math.exp(prior.log_radius)
    arcs = open_arcs(soundings, unexplained, LEAST_WEIGHT[several])
    groups = [single_candidates(soundings, arcs, radius, several)]
    if not loud:
        del groups[0]["corner"]
    if several:
        groups.append(pair_candidates(soundings, arcs, radius))
        walls = np.array([t.shape for t in board.things if t.kind in ("wall", "rough")]).reshape(-1, 5)
        corners = np.array([t.shape[:2] for t in board.things if t.kind == "corner"]).reshape(-1, 2)
        posts = [t for t in board.things if t.kind == "post"]
        groups.append(room_candidates(soundings, arcs, walls, corners, posts))
    return Pool.of(groups)


def _unexplained(board: Board) -> Floats:
    """Return (H,) the chance that each echo has no cause yet; what stood there before explains only what it fits well.

    Something new may stand beside a wall's echo, at nearly its range.
    """
    stray = board.strays()
    if not board.given:
        return stray
    share = board.shares()
    old = share[: board.given].sum(axis=0) > share[board.given :].sum(axis=0)
    return np.asarray(np.where(old, ODDS_OF_NEW * stray / (1.0 + (ODDS_OF_NEW - 1.0) * stray), stray))

"""What a greedy search of one station's echoes misses: things masked by others, by a floor, or taken two for one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from sonargrid.finding.confidence import MIN_CONFIDENCE, confidence
from sonargrid.finding.echo_beam import Beam
from sonargrid.finding.echo_board import Board, Thing
from sonargrid.finding.object_fit import LEAST_WEIGHT, ODDS_OF_NEW, _unexplained, _unfloored
from sonargrid.finding.object_masks import unmask
from sonargrid.finding.object_pool import objective
from sonargrid.finding.object_swaps import parted
from sonargrid.finding.objects import claimed_rows, find_objects, fit_things
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Run, Station
from sonargrid.simulation.scene import Scene, ScenePost, SweepPlan
from sonargrid.simulation.simulate import simulate

PLAN = SweepPlan(step_rad=math.radians(3.0), passes=2, both_ways=True)
Place = tuple[float, float, float]  # near face [m], bearing [degrees], radius [m]

ROW: tuple[Place, ...] = ((0.58, 30.0, 0.05), (0.58, 95.0, 0.05), (0.58, 160.0, 0.05))  # three of one range
PAIR: tuple[Place, ...] = ((0.52, 25.0, 0.044), (0.47, 133.0, 0.071), (0.23, 9.0, 0.027), (0.53, 98.0, 0.034))
CUT: tuple[Place, ...] = ((0.20, 19.0, 0.07), (0.46, 56.0, 0.04), (0.40, 131.0, 0.05), (0.57, 89.0, 0.045))


def _run(places: Sequence[Place], seed: int) -> Run:
    posts = []
    for near, bearing, radius in places:
        far, turn = near + radius, math.radians(bearing)
        posts.append(ScenePost(far * math.cos(turn), far * math.sin(turn), 2.0 * radius))
    station = Station("A", heading_rad=math.pi / 2, position_sigma_m=0.0, heading_sigma_rad=0.0)
    return simulate(Scene((station,), posts=tuple(posts), sweep=PLAN), seed)


def _post(near: float, bearing: float, radius: float = 0.05) -> Thing:
    far, turn = near + radius, math.radians(bearing)
    return Thing("post", (far * math.cos(turn), far * math.sin(turn), math.log(radius), 0.0))


def _bearings(board: Board) -> list[float]:
    return sorted(math.degrees(math.atan2(t.shape[1], t.shape[0])) for t in board.things if t.is_round)


def test_what_masks_an_echo_turns_aside_for_what_stands_behind() -> None:
    run = _run(CUT, 1)
    fit = fit_things(calibrated(run), run)
    # the second post stands too far round: its arc is cut on its right, so only what is behind tells
    board = Board(fit.board.soundings, fit.board.beam, [_post(0.20, 19.0), _post(0.46, 73.0), _post(0.40, 131.0)])
    before = objective(board, fit.prior)
    assert unmask(board, fit.prior, LEAST_WEIGHT[False]) == 1
    assert objective(board, fit.prior) > before + 10.0
    assert _bearings(board) == pytest.approx([19.0, 56.0, 89.0, 131.0], abs=10.0)
    # all is told now
    assert unmask(board, fit.prior, LEAST_WEIGHT[False]) == 0


def test_nothing_is_unmasked_where_nothing_stands() -> None:
    run = _run(ROW, 0)
    fit = fit_things(calibrated(run), run)
    assert unmask(Board(fit.board.soundings, Beam()), fit.prior, LEAST_WEIGHT[False]) == 0


@pytest.mark.parametrize("seed", range(3))
def test_things_of_one_range_are_no_floor(seed: int) -> None:
    run = _run(ROW, seed)
    fit = fit_things(calibrated(run), run)
    floor = Thing("floor", (0.58, 0.0, 0.0, 1.0))
    board = Board(fit.board.soundings, fit.board.beam, [floor])
    there = _unfloored(board, fit.prior, fit.start, False)
    # a loud point may stand for a post here; the next round of the search looks into that
    assert all(thing.is_round for thing in there.things)
    assert _bearings(there) == pytest.approx([30.0, 95.0, 160.0], abs=6.0)
    # a board without a floor stays what it is
    assert _unfloored(there, fit.prior, fit.start, False) is there
    assert all(thing.kind == "post" for thing in fit.board.things)


def test_two_arcs_apart_are_tried_as_two_things() -> None:
    run = _run(PAIR, 2)
    fit = fit_things(calibrated(run), run)
    one = Board(fit.board.soundings, fit.board.beam, [_post(0.47, 133.0), _post(0.23, 9.0), _post(0.53, 71.0, 0.07)])
    two = parted(one, fit.prior)
    assert two is not None
    assert _bearings(two) == pytest.approx([9.0, 25.0, 98.0, 133.0], abs=4.0)
    # arcs in one piece are left alone
    assert parted(two, fit.prior) is None
    assert len(find_objects(run)) == 4


def test_a_wall_of_the_empty_sweep_keeps_only_the_echoes_it_fits() -> None:
    run = _run(ROW, 0)
    fit = fit_things(calibrated(run), run)
    s = fit.board.soundings
    new = Board(s, fit.board.beam, fit.board.things)
    assert np.array_equal(_unexplained(new), new.strays())
    old = Board(s, fit.board.beam, fit.board.things, given=3)
    stray, open_ = old.strays(), _unexplained(old)
    assert np.all((open_ >= stray) & (open_ <= 1.0))
    assert open_ / (1.0 - open_) == pytest.approx(ODDS_OF_NEW * stray / (1.0 - stray))


def test_confidence_of_one_station_falls_with_what_is_not_known_of_the_place() -> None:
    run = _run(ROW, 0)
    fit = fit_things(calibrated(run), run)
    for claim, row in claimed_rows(fit, run):
        wide = [replace(row, x_sigma_m=s, y_sigma_m=s, xy_correlation=0.0) for s in (0.01, 0.03, 0.1, 0.5)]
        sure = [confidence(fit.board, claim, fit.found, one) for one in wide]
        assert sure == sorted(sure, reverse=True)
        assert sure[0] > 0.95
        # something surely stands there: it stays listed
        assert sure[-1] == MIN_CONFIDENCE
    faint = replace(claim, gain=1.0)
    assert confidence(fit.board, faint, fit.found, wide[0]) < MIN_CONFIDENCE

"""What one station's list holds where echoes are weak, many for one thing, or nobody's."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sonargrid.finding.echo_beam import Beam
from sonargrid.finding.echo_board import Board, Thing
from sonargrid.finding.object_list import OVERLAP, Claim, _solid
from sonargrid.finding.object_moves import Prior
from sonargrid.finding.object_pool import TWIN_COST, costs
from sonargrid.finding.object_swaps import merged_wide
from sonargrid.finding.objects import find_objects, fit_things
from sonargrid.finding.run_beam import KNOBS, MOST_UNCAUSED, turned
from sonargrid.finding.soundings import pack, sweep_of
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Station
from sonargrid.runs.run_files import load_run
from sonargrid.simulation.scene import Noise, Scene, ScenePost, SweepPlan
from sonargrid.simulation.simulate import simulate

PLAN = SweepPlan(step_rad=math.radians(2.0), passes=2, both_ways=True)


def _scene(*posts: ScenePost, heading_deg: float = 90.0, **noise: float) -> Scene:
    station = Station("A", heading_rad=math.radians(heading_deg), position_sigma_m=0.0, heading_sigma_rad=0.0)
    return Scene((station,), posts=posts, noise=replace(Noise(), **noise), sweep=PLAN)


def test_claims_that_would_stand_inside_each_other_are_one() -> None:
    near = Claim("post", 0.0, 0.30, np.array([30.0]), 90.0, (0,))
    edge = Claim("post", 0.0, 0.36, np.array([10.0]), 30.0, (1,))
    aside = Claim("post", 0.2, 0.30, np.array([8.0]), 20.0, (2,))
    one, other = _solid([edge, aside, near], OVERLAP * 0.05)
    assert (one.members, one.gain, other.members) == ((0, 1), 120.0, (2,))
    assert one.y_m == pytest.approx(0.315)  # by readings
    assert float(one.heard.sum()) == 40.0


def test_an_echo_off_the_floor_is_no_ring_of_things() -> None:
    scene = _scene(ScenePost(0.0, 0.65, 0.1), floor_m=0.35, floor_db=-26.5, level_sigma_db=2.0)
    for seed in range(4):
        run = simulate(scene, seed)
        (post,) = find_objects(run)
        assert post.nearest_m == pytest.approx(0.6, abs=0.02)
        assert any(t.kind == "floor" for t in fit_things(calibrated(run), run).board.things)


def test_a_thing_far_weaker_than_a_post_is_listed_too() -> None:
    usual = Prior(math.log(0.05), 0.4)
    weak = replace(usual, weak_share=0.1)
    shapes = np.array([[0.0, 0.5, math.log(0.05), gain] for gain in (0.0, -1.5, -12.0)])
    before, now = usual.log_density("post", shapes), weak.log_density("post", shapes)
    # an ordinary one is as likely as before, a far weaker one is no longer out of the question
    assert now[:2] == pytest.approx(before[:2], abs=0.05)
    assert now[2] > before[2] + 25.0


def test_things_stand_rather_inside_a_sweep_than_at_its_end() -> None:
    run = simulate(_scene(ScenePost(0.0, 0.65, 0.1)), 1)
    x, y, middle, half = sweep_of(pack(calibrated(run))[0]) or pytest.fail("a half circle is one sweep")
    assert (x, y, math.degrees(middle)) == pytest.approx((0.0, 0.0, 90.0), abs=1e-6)
    assert math.degrees(half) == pytest.approx(82.0, abs=0.2)


def test_bearings_of_a_list_stay_within_half_a_turn() -> None:
    run = simulate(_scene(ScenePost(-0.6, 0.03, 0.1), ScenePost(-0.4, -0.5, 0.1), heading_deg=180.0), 2)
    for thing in find_objects(run):
        assert -math.pi <= thing.bearing_rad < math.pi
        assert thing.bearing_rad == pytest.approx(math.atan2(thing.y_m, thing.x_m), abs=1e-6)


def test_neighbours_of_one_range_must_pay_more_than_others() -> None:
    prior = replace(Prior(math.log(0.05), 0.4), sweep=(0.0, 0.0, math.pi / 2, math.pi / 2))
    there = Thing("post", (0.0, 0.55, math.log(0.05), 0.0))
    turn = math.radians(30.0)
    shapes = np.array(
        [(d * math.sin(turn), d * math.cos(turn), math.log(0.05), 0.0) for d in (0.551, 0.60)]
        + [(0.55, 0.0, math.log(0.05), 0.0)]
    )
    plain = prior.cost("post")
    # the same range beside it; 5 cm behind; the same range, a quarter turn aside
    assert costs("post", shapes, [there], prior).tolist() == [plain + TWIN_COST, plain, plain]
    several = replace(prior, sweep=None)
    assert costs("post", shapes, [there], several).tolist() == [plain] * 3


def test_twins_are_tried_as_one_post_each_all_at_once() -> None:
    run = simulate(_scene(ScenePost(0.0, 0.65, 0.1)), 1)
    prior = Prior(math.log(0.05), 0.4)
    at = [(0.60, 100.0), (0.605, 80.0), (0.45, 30.0), (0.455, 10.0), (0.60, 20.0)]
    twins = [
        Thing("post", (d * math.cos(math.radians(b)), d * math.sin(math.radians(b)), math.log(0.05), 0.0))
        for d, b in at
    ]
    board = Board(pack(calibrated(run))[0], Beam(), twins)
    one_each = merged_wide(board, prior)
    assert one_each is not None
    bearings = [round(math.degrees(math.atan2(t.shape[1], t.shape[0]))) for t in one_each.things]
    assert bearings == [90, 20, 20]  # the third pair's range is another
    assert merged_wide(one_each, prior) is None
    assert len(board.things) == 5


def test_strays_and_misses_stay_shares_of_all_pings() -> None:
    beam = Beam(stray=0.6, missed=0.3)
    for field in ("stray", "missed"):
        knob = next(k for k in KNOBS if k.field == field)
        assert turned(beam, knob, 0.1).stray + turned(beam, knob, 0.1).missed > 0.9
        for by in (1.0, 5.0, 50.0):
            more = turned(beam, knob, by)
            assert more.stray + more.missed == pytest.approx(MOST_UNCAUSED)


def test_a_run_of_nothing_but_strays_is_listed_without_a_fault(tmp_path: Path) -> None:
    rows = [f"{0.02 * k:.2f},0,{3 * k},{a},{500 + 3 * k}" for k in range(30) for a in (60, 120)]
    (tmp_path / "drive.csv").write_text("\n".join(["x_m,y_m,heading_deg,angle_deg,range_mm", *rows]) + "\n")
    things = find_objects(load_run(tmp_path / "drive.csv"))
    assert all(thing.confidence is None or 0.0 <= thing.confidence <= 1.0 for thing in things)

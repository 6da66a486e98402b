"""The joint map: what it must not depend on, what it must know, and that it beats adding on rooms of its own."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sonargrid.maps.evidence import MapSettings
from sonargrid.maps.grid import GridFrame, LogOddsGrid
from sonargrid.maps.joint import ONE_STATION, SEVERAL_STATIONS, decide, recipe_for, working_frame
from sonargrid.maps.mapping import Map, map_run
from sonargrid.maps.outcomes import repeat_weights
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Readings, Run, Station
from sonargrid.scores.scoring import score_map
from sonargrid.scores.truth import cell_truth
from sonargrid.simulation.scene import Noise, Scene, ScenePost, SceneWall, SweepPlan
from sonargrid.simulation.simulate import simulate

EXTENT = (-1.0, -0.2, 1.0, 1.2)
JOINT = MapSettings(solver="joint", cell_m=0.02, extent_m=EXTENT)
POSTS = (ScenePost(-0.3, 0.5, 0.08), ScenePost(0.35, 0.6, 0.1))


def _one(**sweep: float | bool) -> Run:
    plan = SweepPlan(step_rad=math.radians(3.0), **sweep)  # type: ignore[arg-type]
    return simulate(Scene((Station("A"),), posts=POSTS, sweep=plan), seed=4)


def _room(stations: tuple[Station, ...]) -> Run:
    walls = (
        SceneWall(-1.0, -1.0, 1.0, -1.0),
        SceneWall(1.0, -1.0, 1.0, 1.0),
        SceneWall(1.0, 1.0, -1.0, 1.0),
        SceneWall(-1.0, 1.0, -1.0, -1.0),
    )
    scene = Scene(stations, walls=walls, posts=(ScenePost(0.1, 0.2, 0.1),))
    return simulate(replace(scene, ranger=replace(scene.ranger, reach_m=3.0)), seed=2)


STATIONS = (Station("A", -0.6, -0.5, 0.8), Station("B", 0.6, -0.5, 2.3), Station("C", -0.5, 0.6, -0.6))
ROOM_SETTINGS = MapSettings(solver="joint", cell_m=0.04, extent_m=(-1.2, -1.2, 1.2, 1.2))


def _repeated(run: Run, times: int) -> Run:
    """Return a run in which every reading was recorded so many times over."""
    r = run.readings
    whole = Readings(
        r.angle_column,
        r.distance_column,
        np.tile(r.angle, times),
        np.tile(r.distance, times),
        np.tile(r.station, times),
        np.concatenate([r.sweep + 100 * k for k in range(times)]),
        np.tile(r.turning, times),
    )
    return replace(run, readings=whole)


def _close(a: Map, b: Map, within: float) -> None:
    assert np.max(np.abs(a.grid.log_odds - b.grid.log_odds)) <= within


def test_finds_two_posts_and_free_floor() -> None:
    made = map_run(_one(), JOINT)
    frame, evidence = made.grid.frame, made.grid.log_odds
    for post in POSTS:
        d = math.hypot(post.x_m, post.y_m)
        near = 1.0 - 0.5 * post.diameter_m / d
        row, column = frame.cell_of(near * post.x_m, near * post.y_m)
        assert evidence[row - 1 : row + 2, column - 1 : column + 2].max() > 1.0
    row, column = frame.cell_of(0.02, 0.4)
    assert evidence[row, column] < -2.0
    behind = frame.cell_of(0.0, -0.15)
    assert evidence[behind] == 0.0 and made.grid.touched[behind] == 0


def test_no_reading_no_evidence_and_layers_are_there() -> None:
    grid = map_run(_one(), JOINT).grid
    assert set(grid.layers) == {"additive_log_odds", "expected_echoes", "unresolved_arc"}
    assert np.all(grid.log_odds[grid.touched == 0] == 0.0)
    assert np.all(np.isfinite(grid.log_odds))
    assert 0.0001 < grid.meta["prior"] < 0.05
    plain = map_run(_one(), replace(JOINT, solver="additive")).grid
    assert np.array_equal(grid.layers["additive_log_odds"], plain.log_odds)


def test_expected_echoes_are_shares_of_the_echoes_heard() -> None:
    run = _one()
    grid = map_run(run, JOINT).grid
    echoes = int(calibrated(run).echo.sum())
    expected, unresolved = grid.layers["expected_echoes"], grid.layers["unresolved_arc"]
    assert 0.6 * echoes < expected.sum() <= echoes * 1.0001
    assert np.all(unresolved >= 0.0) and np.all(unresolved <= expected + 1e-5)


@pytest.mark.parametrize("times", [2, 5, 20])
def test_the_same_sweep_again_is_no_new_evidence(times: int) -> None:
    for run, how in ((_one(), JOINT), (_room(STATIONS), ROOM_SETTINGS)):
        once, often = map_run(run, how), map_run(_repeated(run, times), how)
        # arcs of more readings are placed a little more narrowly; the answer rates do not move at all
        assert np.max(np.abs(once.grid.log_odds - often.grid.log_odds)) < 0.1
        assert np.mean(np.abs(once.grid.log_odds - often.grid.log_odds)) < 0.005
        assert np.mean((once.grid.log_odds > 0) != (often.grid.log_odds > 0)) < 0.001
        assert often.grid.meta["prior"] == pytest.approx(once.grid.meta["prior"], rel=0.02)
        assert often.grid.touched.max() == times * once.grid.touched.max()


def test_weights_of_repeats() -> None:
    angle = np.repeat([60.0, 90.0, 120.0], 4)
    heard = np.array([50.0, 50.1, 49.9, 50.0, 50.0, 80.0, np.inf, 30.0, np.nan, 50.0, np.inf, np.inf])
    run = Run(Readings("angle_deg", "range_cm", angle, heard, 0 * angle, 0 * angle, 1 + 0 * angle))
    w = repeat_weights(calibrated(run))
    assert w[:4] == pytest.approx([0.25] * 4)  # all agree: one ping's worth
    assert w[4:8] == pytest.approx([1.0] * 4)  # all differ: four pings' worth
    assert w[8] == 0.0
    assert w[9:] == pytest.approx([1.0 / (1.0 + 2.0 / 3.0)] * 3)  # one pair of three agrees


def test_the_order_of_rows_and_stations_does_not_matter() -> None:
    run = _room(STATIONS)
    r = run.readings
    order = np.random.default_rng(1).permutation(len(r))
    back = np.array([2, 0, 1])  # station i stands at place back[i] of the new list
    shuffled = Readings(
        r.angle_column,
        r.distance_column,
        r.angle[order],
        r.distance[order],
        back[r.station[order]],
        r.sweep[order],
        r.turning[order],
    )
    other = replace(run, readings=shuffled, stations=(STATIONS[1], STATIONS[2], STATIONS[0]))
    _close(map_run(run, ROOM_SETTINGS), map_run(other, ROOM_SETTINGS), 5e-3)


def test_an_empty_station_changes_nothing() -> None:
    run = _room(STATIONS)
    more = replace(run, stations=(*run.stations, Station("D", 0.0, 0.0, 0.0)))
    _close(map_run(run, ROOM_SETTINGS), map_run(more, ROOM_SETTINGS), 0.0)


def test_moved_by_whole_cells_the_map_moves_along() -> None:
    run = _room(STATIONS)
    moved = replace(run, stations=tuple(replace(s, x_m=s.x_m + 0.8, y_m=s.y_m - 0.4) for s in run.stations))
    there = replace(ROOM_SETTINGS, extent_m=(-0.4, -1.6, 2.0, 0.8))
    plain, other = map_run(run, ROOM_SETTINGS).grid.log_odds, map_run(moved, there).grid.log_odds
    # cells at ranges equal but for the last bit may swap their order: a few cells move a little
    assert np.mean(np.abs(plain - other) > 0.02) < 0.005 and np.mean((plain > 0) != (other > 0)) < 0.001


def test_turned_by_a_quarter_the_map_turns_along() -> None:
    run = _room(STATIONS)
    turned = tuple(replace(s, x_m=-s.y_m, y_m=s.x_m, heading_rad=s.heading_rad + math.pi / 2) for s in run.stations)
    plain = map_run(run, ROOM_SETTINGS).grid.log_odds
    other = map_run(replace(run, stations=turned), ROOM_SETTINGS).grid.log_odds
    # bearing sectors are a quarter turn each, so that they turn along, too
    difference = np.abs(np.rot90(other) - plain)
    assert np.mean(difference) < 0.02
    assert np.mean((np.rot90(other) > 0) != (plain > 0)) < 0.005


def test_one_place_or_several_chooses_the_recipe() -> None:
    assert recipe_for(calibrated(_one())) is ONE_STATION
    assert recipe_for(calibrated(_room(STATIONS))) is SEVERAL_STATIONS


def test_finer_cells_are_interpolated_from_working_cells() -> None:
    coarse = map_run(_one(), JOINT).grid
    fine = map_run(_one(), replace(JOINT, cell_m=0.01)).grid
    assert fine.meta["working_cell_m"] == 0.02
    blocks = fine.log_odds.reshape(coarse.frame.rows, 2, coarse.frame.columns, 2).mean(axis=(1, 3))
    seen = coarse.touched > 0
    assert np.corrcoef(blocks[seen], coarse.log_odds[seen])[0, 1] > 0.98
    assert float(fine.layers["expected_echoes"].sum()) == pytest.approx(
        float(coarse.layers["expected_echoes"].sum()), rel=1e-4
    )


def test_working_cells_cover_the_frame() -> None:
    frame = GridFrame(0.01, (-7, 3), 13, 22)
    coarse, factor = working_frame(frame, 0.04)
    assert factor == 4
    x0, y0, x1, y1 = frame.extent_m
    a0, b0, a1, b1 = coarse.extent_m
    assert a0 <= x0 + 1e-12 and b0 <= y0 + 1e-12 and a1 >= x1 - 1e-12 and b1 >= y1 - 1e-12
    assert working_frame(GridFrame(0.1, (0, 0), 5, 5), 0.04) == (GridFrame(0.1, (0, 0), 5, 5), 1)


@settings(derandomize=True, deadline=None, max_examples=50)
@given(st.floats(0.2, 4.0), st.floats(0.05, 1.0))
def test_deciding_keeps_the_order_of_cells(undecided: float, hold: float) -> None:
    evidence = np.linspace(-8.0, 12.0, 2001)
    decided = decide(evidence, undecided, hold)
    assert np.all(np.diff(decided) > 0.0)
    assert np.all(decided[evidence < -hold] == evidence[evidence < -hold])
    clear = np.abs(evidence - undecided) > 1e-9
    assert np.all((decided > 0.0)[clear] == (evidence > undecided)[clear])


def test_silence_and_void_alone() -> None:
    angle = np.arange(0.0, 181.0, 3.0)
    quiet = Run(Readings("angle_deg", "range_cm", angle, np.full(61, np.inf), 0 * angle, 0 * angle, 1 + 0 * angle))
    grid = map_run(quiet, JOINT).grid
    assert grid.log_odds.max() <= 0.0
    assert grid.log_odds.min() < -0.5
    assert float(grid.layers["expected_echoes"].sum()) == 0.0


def test_an_extent_that_no_beam_reaches_stays_unknown() -> None:
    grid = map_run(_one(), replace(JOINT, extent_m=(5.0, 5.0, 6.0, 6.0))).grid
    assert not grid.touched.any() and not grid.log_odds.any()


def test_a_ring_on_a_moving_robot() -> None:
    stations = tuple(Station(f"p{k}", 0.03 * k, 0.0, math.pi / 2) for k in range(25))
    plan = SweepPlan(0.0, math.radians(315.0), math.radians(45.0), angle_column="bearing_deg")
    scene = Scene(stations, walls=(SceneWall(-1.0, 0.6, 2.0, 0.6),), sweep=plan, noise=Noise(stray=0.0))
    made = map_run(simulate(scene, seed=3), MapSettings(solver="joint", cell_m=0.02))
    row, column = made.grid.frame.cell_of(0.36, 0.6)
    assert made.grid.log_odds[row - 1 : row + 2, column].max() > 0.5
    row, column = made.grid.frame.cell_of(0.36, 0.3)
    assert made.grid.log_odds[row, column] < -0.5


def _f1(grid: LogOddsGrid, scene: Scene) -> tuple[float, float]:
    found = score_map(grid, cell_truth(scene, grid.frame))
    return found.f1, found.balanced_log_loss


def test_joint_beats_adding_on_both_figures() -> None:
    rng = np.random.default_rng(8)
    better = []
    for seed in range(5):
        posts = tuple(ScenePost(x, rng.uniform(0.35, 0.8), 0.08) for x in (-0.5, 0.0, 0.5))
        scene = Scene((Station("A"),), posts=posts)
        run = simulate(scene, seed=seed)
        joint = _f1(map_run(run, JOINT).grid, scene)
        plain = _f1(map_run(run, replace(JOINT, solver="additive")).grid, scene)
        better.append((joint[0] - plain[0], plain[1] - joint[1]))
    assert np.mean(better, axis=0).min() > 0.1


def test_a_long_reach_expects_no_more_things_than_a_short_one() -> None:
    near = _one()
    far = replace(near, ranger=replace(near.ranger, reach_m=5.0))
    wide = recipe_for(calibrated(far))
    assert wide == replace(ONE_STATION, causes=replace(ONE_STATION.causes, rate=ONE_STATION.causes.rate / 3.0))


def test_one_station_in_a_large_room_sees_walls_that_are_far_away() -> None:
    walls = (SceneWall(-2.0, 1.8, 2.0, 1.8), SceneWall(-1.5, -1.0, -1.5, 2.0))
    scene = Scene((Station("A"),), walls=walls, noise=Noise(stray=0.0))
    scene = replace(scene, ranger=replace(scene.ranger, reach_m=4.0), sweep=SweepPlan(step_rad=math.radians(15.0)))
    grid = map_run(simulate(scene, seed=1), MapSettings(solver="joint", cell_m=0.02)).grid
    for x, y in ((0.0, 1.8), (-1.5, 0.0)):
        row, column = grid.frame.cell_of(x, y)
        # not called free, unlike the floor half way
        assert grid.log_odds[row - 2 : row + 3, column - 2 : column + 3].max() > -0.3
        assert grid.log_odds[grid.frame.cell_of(0.5 * x, 0.5 * y)] < -2.0
        # the echo is taken for real and laid at the door of something there
        assert grid.layers["expected_echoes"][row - 12 : row + 13, column - 12 : column + 13].sum() > 0.5

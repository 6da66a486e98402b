"""Free floor needs a witness: the table of bearings against every echo asked by itself, and what stays as it was."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sonargrid.finding.floor_behind import as_far_as_seen, without_floor_behind
from sonargrid.finding.objects import ObjectList, fit_objects
from sonargrid.finding.witnesses import ROUND_M, STEP_RAD, Witnesses, unwitnessed, with_silence
from sonargrid.maps.grid import GridFrame, LogOddsGrid
from sonargrid.maps.mapping import Map, build_map
from sonargrid.runs.readings import Readings, Run, Station
from sonargrid.runs.run_files import find_sample, load_run

HALF = math.radians(20.0)


def free_floor(side: int = 40, cell_m: float = 0.1) -> LogOddsGrid:
    frame = GridFrame.around(-2.0, -2.0, 2.0, 2.0, cell_m)
    level = np.full(frame.shape, -1.0, dtype=np.float32)
    level[0, :] = 2.0
    return LogOddsGrid(frame, level, np.ones(frame.shape, dtype=np.uint32))


def echoes(rows: list[tuple[int, float, float]]) -> Witnesses:
    station, bearing, range_m = (np.array(column) for column in zip(*rows, strict=True))
    x = np.where(station == 0, -0.31, 0.42)
    half = np.full(x.shape, HALF)
    return Witnesses(station, x, np.full(x.shape, 0.05), bearing, range_m, -half, half)


@settings(deadline=None, max_examples=40)
@given(
    st.lists(st.tuples(st.integers(0, 1), st.floats(-3.1, 3.1), st.floats(0.1, 3.0)), min_size=1, max_size=6),
)
def test_a_cell_stays_free_where_some_echo_was_heard_across_it(rows: list[tuple[int, float, float]]) -> None:
    grid, seen = free_floor(), echoes(rows)
    got = unwitnessed(grid, seen)
    row, column = np.nonzero(grid.log_odds < 0.0)
    inner, outer = np.zeros(row.size, dtype=bool), np.zeros(row.size, dtype=bool)
    x, y = grid.frame.centre_of(row, column)
    for k in range(len(rows)):
        dx, dy = x - seen.x_m[k], y - seen.y_m[k]
        off = np.abs((np.arctan2(dy, dx) - seen.bearing_rad[k] + math.pi) % (2.0 * math.pi) - math.pi)
        near = np.hypot(dx, dy) <= seen.range_m[k]
        inner |= near & (off < HALF - 2.0 * STEP_RAD)
        outer |= near & (off < HALF + 2.0 * STEP_RAD)
    # the table's bearings are half a degree apart: it may differ from the echoes themselves at the edges only
    assert not got[row, column][inner].any()
    assert got[row, column][~outer].all()
    assert not got[grid.log_odds >= 0.0].any()


def test_floor_between_stations_and_things_is_believed_without_a_witness() -> None:
    grid = free_floor()
    none = Witnesses(np.zeros(0, dtype=int), *(np.zeros(0) for _ in range(6)))
    corners = [(-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5)]
    got = unwitnessed(grid, none, corners)
    row, column = np.nonzero(grid.log_odds < 0.0)
    x, y = grid.frame.centre_of(row, column)
    away = np.hypot(np.maximum(np.abs(x) - 0.5, 0.0), np.maximum(np.abs(y) - 0.5, 0.0))
    assert not got[row, column][away < ROUND_M].any()
    # the round has sides, not a rounded edge: at a corner of the square it reaches a little farther
    assert got[row, column][away > math.sqrt(2.0) * ROUND_M].all()


def test_without_witnesses_nothing_is_free() -> None:
    grid = free_floor()
    none = Witnesses(np.zeros(0, dtype=int), *(np.zeros(0) for _ in range(6)))
    assert np.array_equal(unwitnessed(grid, none), grid.log_odds < 0.0)


def open_floor(stations: int) -> Map:
    """A post heard by every station, and silence beside it."""
    places = tuple(Station("AB"[k], -0.3 + 0.6 * k, 0.0, math.pi / 2) for k in range(stations))
    angle = np.tile(np.arange(0.0, 181.0, 3.0), stations)
    which = np.repeat(np.arange(stations), angle.size // stations)
    at = np.arctan2(0.5, 0.0 - (-0.3 + 0.6 * which))
    heard = np.abs(np.radians(angle) - at) < math.radians(25.0)
    near = np.hypot(0.5, 0.3) - 0.03
    rows = Readings("angle_deg", "range_m", angle, np.where(heard, near, np.inf), which, which, np.ones(angle.size))
    return build_map(Run(rows, stations=places), solver="joint", cell_m=0.04)


def test_on_open_floor_silence_vouches_for_what_it_crossed() -> None:
    made = open_floor(2)
    things = fit_objects(made.pings, made.run)
    assert things.seen is not None and not any(one.kind == "wall" for one in things.objects)
    after = as_far_as_seen(made, things)
    row, column = made.grid.frame.cell_of(-0.9, 0.1)  # far to the left: silent pings only
    assert made.grid.log_odds[row, column] < 0.0
    assert after.grid.log_odds[row, column] == made.grid.log_odds[row, column]


def test_silent_pings_reach_as_far_as_the_ranger() -> None:
    made = open_floor(2)
    things = fit_objects(made.pings, made.run)
    assert things.seen is not None
    more = with_silence(things.seen, made.pings, made.run.ranger.reach_m, HALF)
    silent = len(np.unique(made.pings.ray[made.pings.silent]))
    assert more.range_m.size == things.seen.range_m.size + silent
    assert np.all(more.range_m[-silent:] == made.run.ranger.reach_m)
    assert set(more.station[-silent:].tolist()).isdisjoint(things.seen.station.tolist())


def test_an_echo_vouches_for_the_floor_between_its_axis_and_its_cause() -> None:
    made = open_floor(2)
    things = fit_objects(made.pings, made.run)
    seen, (one,) = things.seen, things.objects
    assert seen is not None
    post = np.arctan2(one.y_m - seen.y_m, one.x_m - seen.x_m)
    off = (post - seen.bearing_rad + math.pi) % (2.0 * math.pi) - math.pi
    assert np.all(seen.low_rad < np.minimum(off, 0.0)) and np.all(seen.high_rad > np.maximum(off, 0.0))
    assert np.ptp(seen.high_rad - seen.low_rad - np.abs(off)) < math.radians(0.5), "a little more on both sides"


def test_one_station_and_sums_stay_as_they_are() -> None:
    one = open_floor(1)
    things = fit_objects(one.pings, one.run)
    assert things.seen is None
    assert np.array_equal(as_far_as_seen(one, things).grid.log_odds, one.grid.log_odds)
    two = open_floor(2)
    both = fit_objects(two.pings, two.run)
    sums = replace(two, settings=replace(two.settings, solver="additive"))
    assert as_far_as_seen(sums, both) is sums


def test_a_list_without_a_fit_takes_nothing_away() -> None:
    made = open_floor(2)
    assert np.array_equal(as_far_as_seen(made, ObjectList(())).grid.log_odds, made.grid.log_odds)


def test_the_potting_bench_has_hardly_any_free_floor_outside_its_walls() -> None:
    # walls at x = 0 and 2.6, y = 0 and 2 (scene.toml); two of them were hardly met square on
    made = build_map(load_run(find_sample("potting_bench")), solver="joint", cell_m=0.04)
    things = fit_objects(made.pings, made.run)
    row, column = np.nonzero(np.ones(made.grid.frame.shape))
    x, y = made.grid.frame.centre_of(row, column)
    inside = ((x > 0.0) & (x < 2.6) & (y > 0.0) & (y < 2.0)).reshape(made.grid.frame.shape)
    behind, seen = without_floor_behind(made, things.objects).grid, as_far_as_seen(made, things).grid
    area = [float((grid.log_odds < 0.0)[~inside].sum()) * 0.04**2 for grid in (made.grid, behind, seen)]
    assert area[2] < 3.0 < 5.0 < area[1] < area[0]
    lost = (made.grid.log_odds < 0.0) & (seen.log_odds == 0.0) & inside
    assert lost.sum() < 0.02 * (made.grid.log_odds < 0.0)[inside].sum()
    assert np.array_equal(np.maximum(seen.log_odds, 0.0), np.maximum(behind.log_odds, 0.0)), "nothing but free floor"


@pytest.mark.parametrize("name", ["log_odds", "touched"])
def test_all_else_of_the_map_stays(name: str) -> None:
    made = open_floor(2)
    after = as_far_as_seen(made, fit_objects(made.pings, made.run))
    if name == "touched":
        assert np.array_equal(after.grid.touched, made.grid.touched)
    else:
        changed = after.grid.log_odds != made.grid.log_odds
        assert np.all(after.grid.log_odds[changed] == 0.0) and np.all(made.grid.log_odds[changed] < 0.0)

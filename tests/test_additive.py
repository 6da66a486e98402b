"""The additive solver against its slow twins, and what must never change a map."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mapping_runs import PLACE, half_circles, parts, ring, solved, with_rows
from slow_twins import slow_station_sum, slow_sum, slow_touched
from sonargrid.maps.additive import (
    POLAR_READINGS,
    Part,
    additive_grid,
    part_window,
    station_pings,
    station_window,
)
from sonargrid.maps.evidence import MapSettings
from sonargrid.maps.grid import EVIDENCE_HOLD, EVIDENCE_STEP, GridFrame
from sonargrid.maps.kernels import Window
from sonargrid.maps.mapping import map_run
from sonargrid.runs.readings import Run, Station

MODELS = ("centreline", "cone", "tapered", "gaussian", "piston")
TWO = (PLACE, Station("B", 0.6, 0.31, math.radians(120.0)))
CAREFUL = settings(derandomize=True, deadline=None, max_examples=12)
RUNS = {
    "polar": half_circles(2),
    "few readings": half_circles(1, step_deg=12.0),
    "arm": half_circles(1, step_deg=6.0, arm_m=0.04),
    "ring": ring(5.0),
    "between steps": half_circles(2, whole_mm=False),
    "reach between steps": half_circles(2, sigma_m=0.003, whole_mm=False),
    "arm between steps": half_circles(1, step_deg=6.0, arm_m=0.04, whole_mm=False),
    "two stations": half_circles(1, stations=TWO),
}


@pytest.mark.parametrize("beam", MODELS)
@pytest.mark.parametrize("kind", list(RUNS))
def test_touch_counts_equal_the_slow_twin(kind: str, beam: str) -> None:
    pings, model, frame, _, _ = parts(RUNS[kind], beam)
    grid = solved(RUNS[kind], beam)
    assert np.array_equal(grid.touched, slow_touched(pings, model, frame))
    assert not grid.log_odds[grid.touched == 0].any()


@pytest.mark.parametrize("beam", MODELS)
@pytest.mark.parametrize("kind", list(RUNS))
def test_evidence_equals_the_slow_twin(kind: str, beam: str) -> None:
    pings, model, frame, chosen, weights = parts(RUNS[kind], beam)
    expected = slow_sum(pings, model, frame, weights, chosen.silence_weight)
    error = np.abs(solved(RUNS[kind], beam).log_odds - expected)
    # the twin is rounded as well: where both stand on either side of a half, one whole step lies between them
    assert error.max() <= 5e-5 * np.abs(expected).max() + EVIDENCE_STEP * len(RUNS[kind].stations)


@pytest.mark.parametrize("step_deg", [1.0, 3.0])
@pytest.mark.parametrize("whole_mm", [True, False])
def test_polar_tables_are_true_to_5e_5_of_the_peak_beyond_three_cells(step_deg: float, whole_mm: bool) -> None:
    run = half_circles(1, step_deg=step_deg, whole_mm=whole_mm)
    pings, model, frame, chosen, weights = parts(run, cell_m=0.01)
    one = station_pings(pings, 0, weights, chosen)
    assert one is not None and one.range_m.size >= POLAR_READINGS
    window = station_window(one, model, frame, pings.range_sigma_m)
    assert window is not None
    expected = slow_station_sum(pings, model, frame, weights, chosen.silence_weight)
    got = np.zeros(frame.shape)
    height, width = window.evidence.shape
    got[window.row : window.row + height, window.column : window.column + width] = window.evidence
    x, y = np.meshgrid(frame.x_centres_m(), frame.y_centres_m())
    far = np.hypot(x - PLACE.x_m, y - PLACE.y_m) > max(pings.blind_zone_m, 0.03)
    # half a rounding step comes on top: it belongs to the format, not to the tables
    assert np.abs(got - expected)[far].max() <= 5e-5 * np.abs(expected).max() + 0.5 * EVIDENCE_STEP


@CAREFUL
@given(st.integers(0, 2**32 - 1), st.sampled_from(list(RUNS)), st.sampled_from(["gaussian", "tapered"]))
def test_order_of_readings_never_matters(seed: int, kind: str, beam: str) -> None:
    run = RUNS[kind]
    shuffled = with_rows(run, np.random.default_rng(seed).permutation(len(run.readings)))
    one, other = solved(run, beam), solved(shuffled, beam)
    assert one.log_odds.tobytes() == other.log_odds.tobytes()
    assert one.touched.tobytes() == other.touched.tobytes()


@pytest.mark.parametrize("beam", MODELS)
def test_maps_of_single_stations_add_to_the_map_of_all(beam: str) -> None:
    run = RUNS["two stations"]
    whole = solved(run, beam)
    alone = [solved(with_rows(run, np.flatnonzero(run.readings.station == k)), beam, frame=whole.frame) for k in (0, 1)]
    for total in (alone[0] + alone[1], alone[1] + alone[0]):
        assert total.log_odds.tobytes() == whole.log_odds.tobytes()
        assert total.touched.tobytes() == whole.touched.tobytes()
    assert np.array_equal(whole.log_odds / EVIDENCE_STEP, np.rint(whole.log_odds / EVIDENCE_STEP))


def _square(run: Run) -> tuple[np.ndarray, np.ndarray]:
    """Return log-odds and touches on a square frame round the origin."""
    grid = solved(run, frame=GridFrame.around(-1.4, -1.4, 1.4, 1.4, 0.02))
    return grid.log_odds, grid.touched


def _nearly(one: tuple[np.ndarray, np.ndarray], other: tuple[np.ndarray, np.ndarray]) -> None:
    assert np.abs(one[0] - other[0]).max() <= 2.0 * EVIDENCE_STEP + 1e-4 * np.abs(one[0]).max()
    assert np.array_equal(one[1], other[1])


@CAREFUL
@given(st.integers(-10, 10), st.integers(-10, 10))
def test_moving_the_scene_by_whole_cells_moves_the_map(right: int, up: int) -> None:
    moved = replace(PLACE, x_m=PLACE.x_m + 0.02 * right, y_m=PLACE.y_m + 0.02 * up)
    one, other = _square(half_circles()), _square(half_circles(stations=(moved,)))
    _nearly(tuple(np.roll(a, (up, right), (0, 1)) for a in one), other)  # type: ignore[arg-type]


def test_turning_the_scene_a_quarter_turns_the_map() -> None:
    turned = replace(PLACE, x_m=-PLACE.y_m, y_m=PLACE.x_m, heading_rad=PLACE.heading_rad + math.pi / 2)
    one, other = _square(half_circles()), _square(half_circles(stations=(turned,)))
    # rows grow with y, so a quarter turn to the left is numpy's turn to the right
    _nearly(tuple(np.rot90(a, -1) for a in one), other)  # type: ignore[arg-type]


def test_a_clockwise_head_gives_the_mirrored_map() -> None:
    straight = replace(PLACE, x_m=0.0, heading_rad=math.pi / 2)
    run = half_circles(stations=(straight,))
    clockwise = replace(run, head=replace(run.head, turns=-1))
    _nearly(tuple(a[:, ::-1] for a in _square(run)), _square(clockwise))  # type: ignore[arg-type]


def test_repeating_a_sweep_adds_little_with_redundancy_and_all_without() -> None:
    run = RUNS["polar"]
    twice = with_rows(run, np.tile(np.arange(len(run.readings)), 2))
    one, both = solved(run), solved(twice)
    assert np.array_equal(both.touched, 2 * one.touched)
    # n_eff of 4 against 2 pings on a bearing at rho 0.8: (4 / 3.4) / (2 / 1.8)
    assert np.abs(both.log_odds - one.log_odds * (4 / 3.4) / (2 / 1.8)).max() < 4.0 * EVIDENCE_STEP


def test_cells_in_the_blind_zone_get_nothing() -> None:
    run = replace(half_circles(2), ranger=replace(half_circles().ranger, blind_zone_m=0.15))
    grid = solved(run)
    x, y = np.meshgrid(grid.frame.x_centres_m(), grid.frame.y_centres_m())
    near = np.hypot(x - PLACE.x_m, y - PLACE.y_m) < 0.15
    assert near.any() and not grid.touched[near].any() and not grid.log_odds[near].any()


def test_evidence_is_held_with_a_warning() -> None:
    pings, model, frame, chosen, weights = parts(half_circles(3))
    grid, warnings = additive_grid(pings, model, frame, chosen, weights * 1e5)
    assert np.abs(grid.log_odds).max() == EVIDENCE_HOLD
    assert len(warnings) == 1 and "held there" in warnings[0]


def test_a_station_outside_the_extent_leaves_the_grid_empty() -> None:
    for kind in ("polar", "arm"):
        grid = solved(RUNS[kind], frame=GridFrame.around(50.0, 50.0, 51.0, 51.0, 0.02))
        assert not grid.touched.any() and not grid.log_odds.any()


@pytest.mark.parametrize("group", [1, 2, 5])
def test_parts_summed_elsewhere_in_any_order_and_grouping_give_the_same_bits(group: int) -> None:
    run = half_circles(1, stations=tuple(replace(PLACE, name=name, x_m=0.3 * at) for at, name in enumerate("ABCDE")))
    chosen = MapSettings(solver="additive", cell_m=0.02)
    here = map_run(run, chosen).grid

    def elsewhere(parts: Iterator[Part]) -> Iterator[Window | None]:
        each = list(parts)[::-1]
        assert len(each) == 5 and each[0].share == 0.2
        for start in range(0, len(each), group):
            some = each[start : start + group]
            yield part_window(replace(some[0], stations=tuple(one for part in some for one in part.stations)))

    there = map_run(run, chosen, elsewhere=elsewhere).grid
    assert there.log_odds.tobytes() == here.log_odds.tobytes()
    assert there.touched.tobytes() == here.touched.tobytes()

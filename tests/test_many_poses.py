"""Poses with few readings: against the slow twin, and every way of making the sums against the others."""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from itertools import chain

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slow_twins import slow_sum, slow_touched
from sonargrid.maps import many_poses, tile_batches, tile_loops
from sonargrid.maps.additive import additive_grid
from sonargrid.maps.beam_tables import tables_for
from sonargrid.maps.beams import BeamModel, make_beam
from sonargrid.maps.evidence import MapSettings, frame_for
from sonargrid.maps.grid import EVIDENCE_STEP, GridFrame, LogOddsGrid
from sonargrid.maps.many_poses import Way, poses_of, tile_sums
from sonargrid.maps.wedge_pings import TILE, tile_span
from sonargrid.runs.readings import Pings, Ranger, Rays

CELL_M = 0.025
SOME = MapSettings(cell_m=CELL_M)
TABLE = ((0.3, math.radians(28.0)), (0.7, math.radians(24.0)), (1.0, math.radians(21.0)))
NARROW = Ranger(half_beam_rad=math.radians(15.0))
BEAMS: dict[str, BeamModel] = {
    "gaussian": make_beam("gaussian", NARROW, CELL_M),
    "cone": make_beam("cone", Ranger(), CELL_M),
    "piston": make_beam("piston", NARROW, CELL_M),
    "centreline": make_beam("centreline", NARROW, CELL_M),
    "tapered": make_beam("tapered", NARROW, CELL_M),
    "measured": make_beam("measured", Ranger(half_beam_table=TABLE), CELL_M),
    "gaussian by range": make_beam("gaussian", Ranger(half_beam_table=TABLE), CELL_M),
    "half the floor": make_beam("cone", Ranger(half_beam_rad=math.radians(90.0)), CELL_M),
}
QUICK = ("gaussian", "cone", "piston")
CAREFUL = settings(derandomize=True, deadline=None, max_examples=8)


def moving(poses: int = 60, each: int = 1, seed: int = 3, on_cells: bool = False) -> Pings:
    """Return pings of a robot on a small loop, `each` from every pose; on_cells: places and angles that meet edges."""
    rng = np.random.default_rng(seed)
    turn = np.linspace(0.0, 2.0 * math.pi, poses, endpoint=False)
    x, y = 5.0 + 0.3 * np.cos(turn), 0.2 * np.sin(2.0 * turn)
    pose = np.repeat(np.arange(poses), each)
    bearing = rng.uniform(-math.pi, math.pi, pose.size)
    echo = np.round(rng.uniform(0.05, 1.05, pose.size), 3)
    if on_cells:
        x, y = np.round(x / CELL_M) * CELL_M, np.round(y / CELL_M) * CELL_M
        bearing = np.radians(np.round(np.degrees(bearing) / 15.0) * 15.0)
        echo = np.round(echo / CELL_M) * CELL_M
    echo = np.where(rng.random(pose.size) < 0.1, math.inf, np.where(echo >= 1.0, math.inf, echo))
    echo[:: max(7, pose.size // 9)] = math.nan
    nothing = np.zeros(pose.size)
    rays = Rays(pose, bearing, bearing, x[pose], y[pose], x[pose], y[pose], np.arange(pose.size))
    return Pings(rays, np.arange(pose.size), echo, nothing, nothing, 1.0, 0.01, 0.03)


def weights_of(pings: Pings) -> np.ndarray:
    return np.random.default_rng(5).uniform(0.3, 1.0, len(pings.rays))


def mapped(pings: Pings, beam: BeamModel, frame: GridFrame | None = None) -> LogOddsGrid:
    own = frame_for(pings, beam, SOME) if frame is None else frame
    return additive_grid(pings, beam, own, SOME, weights_of(pings))[0]


def sums(pings: Pings, beam: BeamModel, way: Way) -> tuple[np.ndarray, np.ndarray]:
    """Return evidence in whole steps and touches on all tiles of the frame."""
    frame = frame_for(pings, beam, SOME)
    (south, west), (north, east) = tile_span(frame)
    both = np.zeros((2, (north - south + 1) * TILE, (east - west + 1) * TILE), dtype=np.int64)
    chosen = np.flatnonzero(~pings.void)
    tiles = (tile_sums(some, beam, frame, way) for some in poses_of(pings, chosen, weights_of(pings), 0.3))
    for tile in chain.from_iterable(tiles):
        rows = slice((tile.row - south) * TILE, (tile.row - south + 1) * TILE)
        columns = slice((tile.column - west) * TILE, (tile.column - west + 1) * TILE)
        both[0, rows, columns] += tile.evidence
        both[1, rows, columns] += tile.touched
    return both[0], both[1]


def same(one: tuple[np.ndarray, np.ndarray], other: tuple[np.ndarray, np.ndarray]) -> bool:
    return bool(np.array_equal(one[0], other[0]) and np.array_equal(one[1], other[1]))


@pytest.mark.parametrize("each", [1, 8])
@pytest.mark.parametrize("on_cells", [False, True])
@pytest.mark.parametrize("name", list(BEAMS))
def test_a_moving_robots_map_equals_the_slow_twin(name: str, on_cells: bool, each: int) -> None:
    pings, beam = moving(5 if each > 1 else 30, each, on_cells=on_cells), BEAMS[name]
    frame = frame_for(pings, beam, SOME)
    grid = mapped(pings, beam)
    assert np.array_equal(grid.touched, slow_touched(pings, beam, frame))
    assert grid.touched.any() and not grid.log_odds[grid.touched == 0].any()
    expected = slow_sum(pings, beam, frame, weights_of(pings), SOME.silence_weight)
    error = np.abs(grid.log_odds - expected)
    # single floats err by 2e-5 of one ping's peak at most; each pose may round to the other side of a half
    poses_at_a_cell = grid.touched.max()
    assert error.max() <= poses_at_a_cell * (EVIDENCE_STEP + 5e-5 * float(np.abs(beam.log_odds(0.5, 0.0, 0.5))))
    assert error.mean() <= 0.5 * EVIDENCE_STEP * math.sqrt(poses_at_a_cell)


def test_smooth_beams_of_one_width_have_numbers_and_others_do_not() -> None:
    assert [name for name, beam in BEAMS.items() if tables_for(beam) is not None] == list(QUICK)
    # single floats are not good enough so many range sigmas away
    assert tables_for(make_beam("cone", Ranger(reach_m=10.0))) is None


@pytest.mark.parametrize("name", QUICK)
def test_the_short_polynomial_is_the_gain(name: str) -> None:
    beam, tables = BEAMS[name], tables_for(BEAMS[name])
    assert tables is not None
    off = np.linspace(0.0, tables.half_rad, 400)
    squared = (np.tan(0.5 * off) / math.tan(0.5 * tables.half_rad)) ** 2
    got = np.polynomial.polynomial.polyval(squared, tables.gain.astype(np.float64))
    assert np.abs(got - beam.gain(off)).max() < 2e-6  # type: ignore[attr-defined]


@pytest.mark.parametrize("each", [1, 8])
@pytest.mark.parametrize("on_cells", [False, True])
@pytest.mark.parametrize("name", QUICK)
def test_numba_and_numpy_make_the_same_bits(name: str, on_cells: bool, each: int) -> None:
    pings = moving(400 // each, each, on_cells=on_cells)
    plain = sums(pings, BEAMS[name], Way(compiled=False))
    assert plain[1].any()
    assert same(plain, sums(pings, BEAMS[name], Way(compiled=True, threads=1)))
    assert same(plain, sums(pings, BEAMS[name], Way(compiled=True, threads=2)))


def test_long_lists_are_emptied_in_between_without_a_trace(monkeypatch: pytest.MonkeyPatch) -> None:
    pings, way = moving(300, 2), Way(compiled=True, threads=1)
    whole = sums(pings, BEAMS["cone"], way)
    monkeypatch.setattr(many_poses, "SLICE", 7)
    assert same(whole, sums(pings, BEAMS["cone"], way))


@pytest.mark.parametrize("name", ["gaussian", "tapered"])
@pytest.mark.parametrize("each", [1, 5])
def test_parts_and_blocks_of_any_size_make_the_same_bits(monkeypatch: pytest.MonkeyPatch, name: str, each: int) -> None:
    pings, way = moving(50, each), Way(compiled=False)
    whole = sums(pings, BEAMS[name], way)
    monkeypatch.setattr(many_poses, "AT_ONCE", 13)
    monkeypatch.setattr(tile_batches, "CELLS_AT_ONCE", 900)
    monkeypatch.setattr(tile_batches, "BLOCK_CELLS", 100)
    monkeypatch.setattr(tile_batches, "POSES_AT_ONCE", 2)
    assert same(whole, sums(pings, BEAMS[name], way))


@CAREFUL
@given(st.integers(0, 2**32 - 1), st.sampled_from(["gaussian", "tapered", "measured"]), st.sampled_from([1, 6]))
def test_order_of_readings_never_matters(seed: int, name: str, each: int) -> None:
    pings = moving(40, each)
    order = np.random.default_rng(seed).permutation(len(pings))
    shuffled = replace(pings, ray=pings.ray[order], range_m=pings.range_m[order])
    one, other = mapped(pings, BEAMS[name]), mapped(shuffled, BEAMS[name])
    assert one.log_odds.tobytes() == other.log_odds.tobytes()
    assert one.touched.tobytes() == other.touched.tobytes()


@CAREFUL
@given(st.integers(1, 39), st.sampled_from(["gaussian", "centreline"]))
def test_parts_of_a_run_add_to_the_whole(first: int, name: str) -> None:
    pings = moving(40, 3)
    frame = frame_for(pings, BEAMS[name], SOME)
    early = pings.rays.station[pings.ray] < first
    halves = [
        mapped(replace(pings, ray=pings.ray[some], range_m=pings.range_m[some]), BEAMS[name], frame)
        for some in (early, ~early)
    ]
    whole = mapped(pings, BEAMS[name], frame)
    for total in (halves[0] + halves[1], halves[1] + halves[0]):
        assert total.log_odds.tobytes() == whole.log_odds.tobytes()
        assert total.touched.tobytes() == whole.touched.tobytes()


@pytest.mark.parametrize("name", ["gaussian", "measured"])
def test_a_cell_hears_the_same_whatever_the_extent(name: str) -> None:
    pings = moving()
    whole = mapped(pings, BEAMS[name], GridFrame(CELL_M, (150, -60), 130, 120))
    part = mapped(pings, BEAMS[name], GridFrame(CELL_M, (190, -20), 60, 70))
    assert np.array_equal(part.log_odds, whole.log_odds[40:100, 40:110])
    assert np.array_equal(part.touched, whole.touched[40:100, 40:110])


@pytest.mark.parametrize("name", list(BEAMS))
def test_turning_the_scene_a_quarter_turns_the_map(name: str) -> None:
    pings = moving()
    rays = pings.rays
    turned = Rays(
        rays.station, rays.bearing_rad + 0.5 * math.pi, rays.head_rad, -rays.y_m, rays.x_m, -rays.y_m, rays.x_m,
        rays.commanded_rad,
    )  # fmt: skip
    frame = GridFrame(CELL_M, (-270, -270), 540, 540)
    one, other = mapped(pings, BEAMS[name], frame), mapped(replace(pings, rays=turned), BEAMS[name], frame)
    # rows grow with y, so a quarter turn to the left is numpy's turn to the right
    assert np.array_equal(np.rot90(one.touched, -1), other.touched)
    assert np.abs(np.rot90(one.log_odds, -1) - other.log_odds).max() <= EVIDENCE_STEP * one.touched.max()


def test_numba_is_left_alone_where_it_does_not_pay_or_is_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    pings, beam = moving(), BEAMS["gaussian"]
    plain = sums(pings, beam, Way(compiled=False))

    def no_search(name: str) -> None:
        raise AssertionError(f"{name} was looked for, although a hundred readings never pay for it")

    monkeypatch.delitem(sys.modules, many_poses.LOOP_MODULE)
    monkeypatch.setattr(many_poses.importlib.util, "find_spec", no_search)
    assert same(plain, sums(pings, beam, Way()))
    monkeypatch.setattr(many_poses.importlib.util, "find_spec", lambda name: None)
    monkeypatch.setattr(many_poses, "LOAD_S", 0.0)
    assert same(plain, sums(pings, beam, Way()))
    assert same(plain, sums(pings, beam, Way(compiled=True)))


def test_machine_code_that_cannot_be_kept_is_made_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = []

    def njit(cache: bool = False, **options: object):  # type: ignore[no-untyped-def]
        asked.append(cache)
        if cache:
            raise RuntimeError("cannot cache function: no locator available")
        return lambda function: function

    monkeypatch.setattr(tile_loops.numba, "njit", njit)
    assert tile_loops._compiled(math.sqrt)(4.0) == 2.0
    assert asked == [True, False]


def test_tiles_are_counted_from_the_floors_origin() -> None:
    pings = replace(moving(1), range_m=np.array([0.5]))
    frame = GridFrame(CELL_M, (200, -50), 120, 120)
    (one,) = poses_of(pings, np.array([0]), np.ones(1), 0.3)
    tiles = list(tile_sums(one, BEAMS["cone"], frame))
    grid = mapped(pings, BEAMS["cone"], frame)
    row, column = np.nonzero(grid.touched)
    expected = {((r - 50) // TILE, (c + 200) // TILE) for r, c in zip(row.tolist(), column.tolist(), strict=True)}
    assert {(tile.row, tile.column) for tile in tiles if tile.touched.any()} == expected

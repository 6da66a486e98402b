"""Grids in tiles against grids in one piece, and what only they can do."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mapping_runs import PLACE, half_circles, with_rows
from sonargrid.errors import SonargridError, UsageProblem
from sonargrid.maps.evidence import MapSettings
from sonargrid.maps.grid import EVIDENCE_HOLD, EVIDENCE_STEP, GridFrame, LogOddsGrid
from sonargrid.maps.kernels import Window
from sonargrid.maps.mapping import map_run
from sonargrid.maps.merging import merge_grids, merge_tiled
from sonargrid.maps.tiled_grid import Tile, TiledGrid, TooManyTiles, shown_grid, summed_tiles
from sonargrid.maps.tiled_map import map_in_tiles, touched_tiles
from sonargrid.maps.wedge_pings import TILE, tile_span
from sonargrid.physics.log_odds import to_probability
from sonargrid.runs.readings import Readings, Run, Station

CELL_M = 0.02
SUMS = MapSettings(solver="additive", cell_m=CELL_M)
TILED = replace(SUMS, tiled=True)
FLOOR = (-100.0, -100.0, 100.0, 100.0)
TWO = (PLACE, Station("B", 5.6, -7.31, math.radians(120.0)))
PARKED = half_circles(1, stations=TWO)


def moving(poses: int = 80) -> Run:
    """Return a run with a pose for every reading."""
    rng = np.random.default_rng(11)
    turn = np.linspace(0.0, 6.0, poses)
    stations = tuple(
        Station(f"pose {k}", 3.0 * math.cos(t), 2.0 * math.sin(t), t) for k, t in enumerate(turn.tolist(), 1)
    )
    nothing = np.zeros(poses)
    angle, distance = rng.uniform(0.0, 180.0, poses), np.rint(rng.uniform(200.0, 1100.0, poses))
    return Run(Readings("angle_deg", "range_mm", angle, distance, np.arange(poses), nothing, nothing), stations)


def equal(one: LogOddsGrid, other: LogOddsGrid) -> bool:
    return one.frame == other.frame and all(
        a.tobytes() == b.tobytes() for a, b in ((one.log_odds, other.log_odds), (one.touched, other.touched))
    )


@pytest.mark.parametrize("run", [PARKED, moving()], ids=["parked", "moving"])
def test_a_map_in_tiles_is_the_map_in_one_piece(run: Run) -> None:
    whole, tiled = map_run(run, SUMS), map_in_tiles(run, TILED)
    assert equal(tiled.grid.dense(), whole.grid)
    assert tiled.grid.cells_touched == whole.grid.cells_touched > 0
    assert {**whole.grid.meta} == {**tiled.grid.meta}
    assert tiled.warnings == whole.warnings
    # the same readings on a floor of 100 million cells: nothing else changes
    large = map_in_tiles(run, replace(TILED, extent_m=FLOOR)).grid
    assert large.frame.shape == (10_000, 10_000)
    assert equal(large.part(whole.grid.frame), replace(whole.grid, meta=large.meta))
    assert list(large.tiles) == list(tiled.grid.tiles)


def test_a_tile_that_no_reading_reached_does_not_exist() -> None:
    grid = map_in_tiles(PARKED, replace(TILED, cell_m=0.01)).grid
    (south, west), (north, east) = tile_span(grid.frame)
    assert 1 < len(grid.tiles) < (north - south + 1) * (east - west + 1)
    assert all(tile.touched.any() for tile in grid.tiles.values())


blocks = st.tuples(
    st.integers(0, 700), st.integers(0, 500), st.integers(1, 300), st.integers(1, 300), st.integers(0, 2**32 - 1)
)


@settings(derandomize=True, deadline=None, max_examples=20)
@given(st.lists(blocks, max_size=5), st.integers(-600, 600), st.integers(-600, 600))
def test_windows_add_up_as_they_do_in_one_piece(
    parts: list[tuple[int, int, int, int, int]], left: int, bottom: int
) -> None:
    frame = GridFrame(0.01, (left, bottom), 1000, 800)
    evidence, touched, windows = np.zeros(frame.shape), np.zeros(frame.shape, dtype=np.int64), []
    for row, column, height, width, seed in parts:
        rng = np.random.default_rng(seed)
        steps = rng.integers(-(2**20), 2**20, (height, width)) * EVIDENCE_STEP
        touches = rng.integers(1, 9, (height, width))
        windows.append(Window(row, column, steps, touches))
        evidence[row : row + height, column : column + width] += steps
        touched[row : row + height, column : column + width] += touches
    grid, over = summed_tiles(windows, frame, {})
    assert over == 0
    assert equal(grid.dense(), LogOddsGrid(frame, evidence.astype(np.float32), touched.astype(np.uint32)))
    assert equal(summed_tiles(windows[::-1], frame, {})[0].dense(), grid.dense())


def test_sums_beyond_32_bits_stay_exact_and_are_held_at_the_end() -> None:
    frame = GridFrame(0.01, (0, 0), 1, 3)
    huge = 2**30 * EVIDENCE_STEP
    ones = np.ones((1, 3), dtype=np.int64)
    ups = [Window(0, 0, np.array([[huge, huge, 1.0]]), ones)] * 5
    downs = [Window(0, 0, np.array([[-huge, 0.0, -0.5]]), ones)] * 5
    grid, over = summed_tiles([*ups, *downs], frame, {})
    assert grid.part(frame).log_odds.tolist() == [[0.0, EVIDENCE_HOLD, 2.5]]
    assert grid.part(frame).touched.tolist() == [[10, 10, 10]] and over == 1


def test_maps_of_single_stations_add_to_the_map_of_all() -> None:
    chosen = replace(TILED, extent_m=FLOOR)
    whole = map_in_tiles(PARKED, chosen).grid
    alone = [map_in_tiles(with_rows(PARKED, np.flatnonzero(PARKED.readings.station == k)), chosen).grid for k in (0, 1)]
    for total in (alone[0] + alone[1], alone[1] + alone[0], merge_tiled(alone)[0], merge_tiled(alone[::-1])[0]):
        assert list(total.tiles) == list(whole.tiles)
        for place, tile in whole.tiles.items():
            assert total.tiles[place].log_odds.tobytes() == tile.log_odds.tobytes()
            assert total.tiles[place].touched.tobytes() == tile.touched.tobytes()
    with pytest.raises(ValueError, match="grids differ"):
        alone[0] + map_in_tiles(PARKED, TILED).grid


def test_merging_says_and_remembers_what_merging_in_one_piece_does() -> None:
    chosen = replace(SUMS, extent_m=(-3.0, -9.0, 8.0, 3.0))
    wholes = [map_run(run, chosen).grid for run in (PARKED, moving())]
    merged, notes = merge_grids(wholes, ["a", "b"])
    tiled, tiled_notes = merge_tiled([TiledGrid.of(grid) for grid in wholes], ["a", "b"])
    assert equal(tiled.dense(), merged)
    assert tiled_notes == notes and {**tiled.meta} == {**merged.meta}
    with pytest.raises(SonargridError, match="one frame"):
        merge_tiled([TiledGrid.of(wholes[0]), map_in_tiles(PARKED, TILED).grid])


def test_what_is_saved_is_read_again_and_the_same_grid_gives_the_same_bytes(tmp_path: Path) -> None:
    grid = map_in_tiles(PARKED, replace(TILED, extent_m=FLOOR)).grid
    path = grid.save(tmp_path / "grid.npz")
    assert path.read_bytes() == grid.to_bytes() == map_in_tiles(PARKED, replace(TILED, extent_m=FLOOR)).grid.to_bytes()
    again = TiledGrid.load(path)
    assert (again.frame, list(again.tiles), {**again.meta}) == (grid.frame, list(grid.tiles), {**grid.meta})
    assert again.to_bytes() == grid.to_bytes()
    with np.load(path) as arrays:  # as any program would read it
        assert arrays["log_odds"].shape == (len(grid.tiles), TILE, TILE) and arrays["touched"].dtype == np.uint32
        assert arrays["tile_place"].tolist() == [list(place) for place in grid.tiles]
        assert arrays["corner_m"].tolist() == [-100.0, -100.0] and arrays["shape"].tolist() == [10_000, 10_000]


def test_each_reader_says_what_it_can_read(tmp_path: Path) -> None:
    whole = map_run(PARKED, SUMS).grid
    one, tiles = whole.save(tmp_path / "one.npz"), TiledGrid.of(whole).save(tmp_path / "tiles.npz")
    assert equal(TiledGrid.load(one).dense(), whole)
    assert equal(shown_grid(one), whole)
    assert shown_grid(tiles).cells_touched > 0
    with pytest.raises(SonargridError, match="in tiles") as problem:
        LogOddsGrid.load(tiles)
    assert "--tiled" in problem.value.faults[0].hint
    broken = tmp_path / "broken.npz"
    broken.write_bytes(tiles.read_bytes()[:-400])
    for reader in (TiledGrid.load, shown_grid):
        with pytest.raises(SonargridError, match="no grid"):
            reader(broken)
        with pytest.raises(SonargridError, match="no such file"):
            reader(tmp_path / "nowhere.npz")


def test_too_large_for_one_array_is_said_and_parts_are_not() -> None:
    grid = map_in_tiles(PARKED, replace(TILED, extent_m=FLOOR)).grid
    for whole in (lambda: grid.log_odds, lambda: grid.touched, grid.probability, grid.dense):
        with pytest.raises(SonargridError, match="too many for one array") as problem:
            whole()
        assert "overview()" in problem.value.faults[0].hint
    with pytest.raises(ValueError, match="no part"):
        grid.part(GridFrame(0.5, (0, 0), 2, 2))


def test_the_overview_is_the_mean_of_what_was_touched() -> None:
    grid = map_in_tiles(PARKED, TILED).grid
    small = grid.overview(most_cells=20_000)
    factor = round(small.cell_m / grid.cell_m)
    assert factor > 1 and small.frame.rows * small.frame.columns <= 20_000
    left, bottom = (corner * factor for corner in small.frame.corner_cells)
    fine = grid.part(GridFrame(grid.cell_m, (left, bottom), small.frame.rows * factor, small.frame.columns * factor))
    for row, column in zip(*np.nonzero(small.touched), strict=True):
        block = (slice(row * factor, (row + 1) * factor), slice(column * factor, (column + 1) * factor))
        there = fine.touched[block] > 0
        mean = to_probability(fine.log_odds[block][there], 0.5, 10.0).mean()
        assert small.probability(0.5)[row, column] == pytest.approx(mean, abs=1e-6)
        assert small.touched[row, column] == fine.touched[block].max()
    assert int(np.count_nonzero(small.touched)) == int(
        np.count_nonzero((fine.touched > 0).reshape(small.frame.rows, factor, small.frame.columns, factor).any((1, 3)))
    )
    assert equal(
        grid.overview(), replace(grid.dense(), log_odds=grid.overview().log_odds)
    )  # small ones stay as they are


def test_more_tiles_than_allowed_name_a_cell_that_fits() -> None:
    few = replace(TILED, cell_m=0.005, max_cells=6 * TILE * TILE)
    with pytest.raises(SonargridError, match=r"more than 393216") as problem:
        map_in_tiles(PARKED, few)
    hint = problem.value.faults[0].hint
    cell = float(hint.split()[1])
    fitting = map_in_tiles(PARKED, replace(few, cell_m=cell)).grid
    assert len(fitting.tiles) <= 6 and "--max-cells" in hint
    with pytest.raises(TooManyTiles):
        summed_tiles(
            [Window(0, 0, np.ones((1, 600)), np.ones((1, 600), dtype=np.int64))],
            GridFrame(1.0, (0, 0), 1, 600),
            {},
            TILE * TILE,
        )
    grid = map_in_tiles(PARKED, TILED)
    assert touched_tiles(grid.pings, _beam(grid.run), grid.grid.frame) == pytest.approx(len(grid.grid.tiles), rel=0.4)


def _beam(run: Run):  # type: ignore[no-untyped-def]
    from sonargrid.maps.beams import make_beam

    return make_beam("gaussian", run.ranger, CELL_M)


def test_only_sums_come_in_tiles() -> None:
    assert MapSettings(tiled=True).named().solver == "additive"
    for wrong in (MapSettings(tiled=True, solver="joint"), MapSettings(tiled=True, beam="soft")):
        with pytest.raises(UsageProblem) as problem:
            wrong.named()
        assert "--tiled" in problem.value.faults[0].hint
    with pytest.raises(UsageProblem, match="in tiles"):
        map_run(PARKED, TILED)
    with pytest.raises(SonargridError, match="more than can be numbered"):
        map_in_tiles(PARKED, replace(TILED, cell_m=1e-7, extent_m=FLOOR))


def test_a_tile_has_its_size() -> None:
    with pytest.raises(ValueError, match="256 x 256"):
        Tile(np.zeros((2, 2)), np.zeros((2, 2)))

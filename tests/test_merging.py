"""Maps and runs put together: sums to the last bit, what is refused, what is said, and the command."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from comparing_runs import bay
from mapping_runs import half_circles, with_rows
from sonargrid.errors import SonargridError
from sonargrid.maps.evidence import MapSettings
from sonargrid.maps.grid import EVIDENCE_HOLD, EVIDENCE_STEP, GridFrame, LogOddsGrid
from sonargrid.maps.mapping import map_run
from sonargrid.maps.merging import merge_grids, union_of
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.joined_run import joined_run
from sonargrid.runs.readings import Air, Readings, Run, Station, Target
from sonargrid.runs.run_files import load_run, save_run
from sonargrid_cli.main import main

BY_COMPUTER = settings(derandomize=True, deadline=None, max_examples=40)
FLOOR = (-0.5, -0.5, 3.0, 2.5)
Capture = pytest.CaptureFixture[str]


def _only(run: Run, *stations: int) -> Run:
    return with_rows(run, np.isin(run.readings.station, stations))


def _grid(run: Run, solver: str = "additive", beam: str | None = None) -> LogOddsGrid:
    return map_run(run, MapSettings(beam=beam, solver=solver, cell_m=0.04, extent_m=FLOOR)).grid


@pytest.mark.parametrize("beam", ["gaussian", "cone", "tapered", "centreline"])
def test_two_stations_merged_are_the_map_of_both_to_the_last_bit(beam: str) -> None:
    _, run = bay(4)
    whole = _grid(_only(run, 0, 1), beam=beam)
    merged, _ = merge_grids([_grid(_only(run, 0), beam=beam), _grid(_only(run, 1), beam=beam)])
    assert merged.log_odds.tobytes() == whole.log_odds.tobytes()
    assert merged.touched.tobytes() == whole.touched.tobytes()


def test_joint_maps_merge_to_the_additive_map_of_both_and_never_add_what_they_say() -> None:
    _, run = bay(4)
    parts = [_grid(_only(run, k), "joint") for k in range(4)]
    merged, notes = merge_grids(parts, list("abcd"))
    whole = _grid(run, "joint")
    assert merged.log_odds.tobytes() == whole.layers["additive_log_odds"].tobytes()
    assert not np.array_equal(merged.log_odds, sum(part.log_odds for part in parts))
    assert "a, b, c, d is not added" in notes[0]
    assert "--together" in notes[0]
    assert merged.meta["solver"] == "additive"
    assert "prior" not in merged.meta
    assert not merged.layers


@BY_COMPUTER
@given(st.lists(st.lists(st.integers(-(2**20), 2**20), min_size=6, max_size=6), min_size=2, max_size=5), st.randoms())
def test_order_and_grouping_do_not_matter(steps: list[list[int]], shuffle: object) -> None:
    frame = GridFrame(0.1, (0, 0), 2, 3)
    grids = [LogOddsGrid(frame, np.reshape(s, (2, 3)) * EVIDENCE_STEP, np.ones((2, 3))) for s in steps]
    whole, _ = merge_grids(grids)
    mixed = list(grids)
    shuffle.shuffle(mixed)  # type: ignore[attr-defined]
    assert np.array_equal(merge_grids(mixed)[0].log_odds, whole.log_odds)
    grouped = merge_grids([merge_grids(grids[:2])[0], *grids[2:]])[0] if len(grids) > 2 else whole
    assert np.array_equal(grouped.log_odds, whole.log_odds)
    by_plus = grids[0]
    for grid in grids[1:]:
        by_plus = by_plus + grid
    assert np.array_equal(by_plus.log_odds, whole.log_odds)
    assert np.array_equal(by_plus.touched, whole.touched)


def test_what_is_held_is_said() -> None:
    frame = GridFrame(0.1, (0, 0), 1, 2)
    one = LogOddsGrid(frame, np.array([[1000.0, 1.0]]), np.array([[1, 1]]))
    merged, notes = merge_grids([one, one])
    assert merged.log_odds.tolist() == [[EVIDENCE_HOLD, 2.0]]
    assert notes == ("1 cells have more evidence than 1024 and were held there",)
    full = LogOddsGrid(frame, np.zeros((1, 2)), np.full((1, 2), 2**32 - 2))
    assert merge_grids([full, full])[0].touched.tolist() == [[2**32 - 1] * 2]


def test_different_frames_are_both_named() -> None:
    small, large = GridFrame(0.1, (0, 0), 2, 2), GridFrame(0.1, (-1, 0), 2, 3)
    grids = [LogOddsGrid(frame, np.ones(frame.shape), np.ones(frame.shape)) for frame in (small, large)]
    with pytest.raises(SonargridError, match="not lie on one frame") as caught:
        merge_grids(grids, ["a", "b"])
    words = str(caught.value)
    assert "a: x 0 to 0.2 m, y 0 to 0.2 m in 2 x 2 cells of 0.1 m" in words
    assert "b: x -0.1 to 0.2 m, y 0 to 0.2 m in 3 x 2 cells of 0.1 m" in words
    assert "--extent=-0.1,0,0.2,0.2" in caught.value.faults[0].hint
    grown, _ = merge_grids(grids, grow=True)
    assert grown.frame == union_of([small, large]) == large
    assert grown.log_odds.tolist() == [[1.0, 2.0, 2.0]] * 2
    other = LogOddsGrid(GridFrame(0.2, (0, 0), 1, 1), np.ones((1, 1)), np.ones((1, 1)))
    with pytest.raises(SonargridError, match=r"cells of 0\.2 m") as caught:
        merge_grids([grids[0], other], grow=True)
    assert "one --cell" in caught.value.faults[0].hint


def test_growing_is_exact_too() -> None:
    _, run = bay(4)
    own = [map_run(_only(run, k), MapSettings(solver="additive", cell_m=0.04)).grid for k in range(4)]
    grown, _ = merge_grids(own, grow=True)
    whole = map_run(run, MapSettings(solver="additive", cell_m=0.04, extent_m=grown.frame.extent_m)).grid
    assert grown.log_odds.tobytes() == whole.log_odds.tobytes()


def test_what_was_not_made_alike_is_said() -> None:
    _, run = bay(4)
    run = replace(run, digest="d")
    notes = merge_grids([_grid(run), _grid(run, beam="cone")], ["a", "b"])[1]
    assert "additive_beam is a gaussian, b cone" in notes[0]
    assert "a, b come from one run" in notes[1]
    merged, _ = merge_grids([_grid(run), _grid(run, beam="cone")])
    assert merged.meta["beam"] is None
    assert [source["additive_beam"] for source in merged.meta["sources"]] == ["gaussian", "cone"]
    # merged maps merge on, and still know all their sources
    assert merge_grids([merged, _grid(run)])[0].meta["merged"] == 3


@pytest.mark.parametrize(("count", "names"), [(1, None), (2, ["a"])])
def test_wrong_calls(count: int, names: list[str] | None) -> None:
    grid = _grid(bay(4)[1])
    with pytest.raises(ValueError, match="maps"):
        merge_grids([grid] * count, names)


def _named(run: Run, name: str, **more: object) -> Run:
    return replace(run, name=name, **more)  # type: ignore[arg-type]


def test_runs_joined_are_the_run_they_were_cut_from() -> None:
    _, run = bay(4)
    first, second = (replace(run, stations=run.stations[at], readings=_rows(run, at)) for at in (slice(2), slice(2, 4)))
    both = joined_run([_named(first, "one"), _named(second, "two")])
    assert both.stations == run.stations
    whole, again = calibrated(run), calibrated(both)
    assert np.array_equal(whole.range_m, again.range_m)
    assert np.array_equal(whole.bearing_rad, again.bearing_rad)
    assert np.array_equal(_grid(both, "joint").log_odds, _grid(run, "joint").log_odds)


def _rows(run: Run, part: slice) -> Readings:
    rows = run.readings
    keep = np.isin(rows.station, range(len(run.stations))[part])
    columns = [column[keep] for column in (rows.angle, rows.distance, rows.station, rows.sweep, rows.turning)]
    columns[2] = columns[2] - (part.start or 0)
    return Readings(rows.angle_column, rows.distance_column, *columns)


def test_the_same_name_at_another_place_gets_a_new_one() -> None:
    one = _named(half_circles(stations=(Station("A"),)), "monday")
    moved = _named(half_circles(stations=(Station("A", 1.0),)), "tuesday")
    both = joined_run([one, moved, _named(moved, "wednesday")])
    assert [station.name for station in both.stations][:2] == ["A", "A tuesday"]
    same = joined_run([one, _named(one, "tuesday")])
    assert [station.name for station in same.stations] == ["A"]
    assert "same place as before" in same.warnings[-1]
    assert np.unique(same.readings.sweep).tolist() == [0, 1]


def test_distances_of_different_air_and_unit_become_metres() -> None:
    rows = Readings("angle_deg", "echo_us", [90.0], [5827.5], [0], [0], [0])
    warm = Run(rows, (Station("B", 1.0),), air=Air(temperature_c=30.0), name="warm")
    plain = Run(replace(rows, distance_column="range_cm", distance=np.array([50.0])), name="plain")
    both = joined_run([plain, warm])
    assert both.readings.distance_column == "range_m"
    expected = np.concatenate([calibrated(plain).range_m, calibrated(warm).range_m])
    assert calibrated(both).range_m == pytest.approx(expected, rel=1e-12)


def test_runs_of_two_robots_are_refused_with_every_difference() -> None:
    one = half_circles()
    other = replace(one, ranger=replace(one.ranger, reach_m=2.0), head=replace(one.head, turns=-1), name="other")
    with pytest.raises(
        SonargridError, match=r"ranger.reach_m is 1.0 in run and 2.0 in other; head.turns is 1"
    ) as caught:
        joined_run([one, other])
    assert "run.toml" in caught.value.faults[0].hint
    ring = replace(one, readings=replace(one.readings, angle_column="bearing_deg"))
    with pytest.raises(SonargridError, match="ring"):
        joined_run([one, ring])
    with pytest.raises(ValueError, match="two runs or more"):
        joined_run([one])


def test_targets_are_kept_once() -> None:
    post = Target("post", 0.5, 0.5, 0.1)
    one = replace(half_circles(), targets=(post,))
    assert joined_run([one, one]).targets == (post,)


@pytest.fixture
def two_maps(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[str, str]:
    """Two runs of one bay, two stations each, and the maps of both on one floor."""
    monkeypatch.chdir(tmp_path)
    _, run = bay(4)
    for name, part in (("east", slice(2)), ("west", slice(2, 4))):
        save_run(replace(run, stations=run.stations[part], readings=_rows(run, part), title=""), name)
        floor = ",".join(map(str, FLOOR))
        assert main(["map", name, "--cell", "4cm", f"--extent={floor}", "--no-objects", "-q"]) == 0
    return "east_map", "west_map"


def test_the_command(two_maps: tuple[str, str], capsys: Capture) -> None:
    capsys.readouterr()
    words = ["merge", *two_maps, "--run", "east", "--run", "west", "--together", "both"]
    assert main(words) == 0
    said = capsys.readouterr()
    assert "things" in said.out
    assert "both" in said.out
    assert "is not added" in said.err
    assert max(len(line) for line in said.out.splitlines()) <= 80
    kept = sorted(path.name for path in Path("merged_map").iterdir())
    assert kept == ["grid.npz", "grid.pgw", "grid.png", "map.png", "objects.csv", "summary.json"]
    # the joined run maps like any other, and its sums are those of the merge
    floor = ",".join(map(str, FLOOR))
    assert main(["map", "both", "--cell", "4cm", f"--extent={floor}", "--no-objects", "-q"]) == 0
    merged, mapped = LogOddsGrid.load("merged_map/grid.npz"), LogOddsGrid.load("both_map/grid.npz")
    assert np.array_equal(merged.log_odds, mapped.layers["additive_log_odds"])
    assert len(load_run("both").stations) == 4
    # again into the same folder, and score reads it
    assert main(["merge", *two_maps, "-q"]) == 0
    assert not Path("merged_map/objects.csv").exists()
    summary = json.loads(Path("merged_map/summary.json").read_text())
    assert summary["format"] == "sonargrid-merge/1"
    assert len(summary["sources"]) == 2


def test_one_file_alone(two_maps: tuple[str, str], capsys: Capture) -> None:
    capsys.readouterr()
    assert main(["merge", f"{two_maps[0]}/grid.npz", two_maps[1], "-o", "both.npz", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["files"] == ["both.npz"]
    assert told["objects"] is None
    assert LogOddsGrid.load("both.npz").meta["merged"] == 2
    assert main(["merge", "both.npz", two_maps[0], "-o", "both.npz"]) == 2
    assert "is one of the maps" in capsys.readouterr().err
    assert main(["merge", *two_maps, "-o", two_maps[0]]) == 1
    assert LogOddsGrid.load(f"{two_maps[0]}/grid.npz").meta["solver"] == "joint"


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["east_map"], 2, "two maps or more"),
        (["east_map", "nowhere"], 1, "no such map"),
        (["east_map", "east"], 1, "no map's folder"),
        (["east_map", "east/run.toml"], 1, "is no grid of sonargrid"),
        (["east_map", "west_map", "--together", "both"], 2, "needs the runs"),
        (["east_map", "west_map", "--run", "nowhere"], 1, "nowhere"),
        (["east_map", "west_map", "--run", "east", "--run", "west", "--together", "merged_map"], 2, "same place"),
    ],
)
def test_the_command_refuses(
    words: list[str], code: int, said: str, two_maps: tuple[str, str], capsys: Capture
) -> None:
    capsys.readouterr()
    assert main(["merge", *words]) == code
    assert said in capsys.readouterr().err
    assert not Path("merged_map").exists()


def test_evidence_of_the_page() -> None:
    # 7/3 twice over: two independent pings of p = 0.7 leave 0.8448 (odds 49 to 9; standard exercise)
    frame = GridFrame(0.1, (0, 0), 1, 1)
    one = LogOddsGrid(frame, np.array([[math.log(7.0 / 3.0)]]), np.array([[1]]))
    merged, _ = merge_grids([one, one])
    assert merged.probability()[0, 0] == pytest.approx(49.0 / 58.0, abs=1e-6)

"""The whole way in one function, and the way back from a map's folder."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sonargrid.errors import InputFaults, OutputProblem, SonargridError, UsageProblem
from sonargrid.finding import objects, things
from sonargrid.maps.evidence import MapSettings
from sonargrid.maps.mapping import map_run
from sonargrid.pipeline import Output, Search, find_things, head_angle_deg, map_to_folder, within_reach
from sonargrid.results.exports import objects_csv
from sonargrid.results.map_files import load_map_files, read_objects
from sonargrid.runs.readings import Readings, Robot, Run, Station
from sonargrid.runs.run_files import load_run
from sonargrid.runs.samples import find_sample

COARSE = MapSettings(cell_m=0.02)


@pytest.fixture
def pots() -> Run:
    return load_run(find_sample("two_flowerpots"))


def made_run(stations: tuple[Station, ...] = (Station("A"),), robot: Robot | None = None) -> Run:
    angle = np.arange(0.0, 181.0, 5.0)
    distance = np.where(np.abs(angle - 90.0) <= 15.0, 50.0, math.inf)
    count = angle.size
    rows = Readings("angle_deg", "range_cm", angle, distance, [0] * count, [0] * count, [1] * count)
    return Run(rows, stations=stations, robot=robot or Robot())


def thing(x_m: float, y_m: float, nearest_m: float, bearing_deg: float) -> things.Object:
    return things.Object("echo", x_m, y_m, 0.02, 0.02, 0.0, nearest_m, math.radians(bearing_deg), 1, 5)


def test_defaults_are_the_library_s() -> None:
    assert Search().size_prior_m == objects.SIZE_PRIOR_M
    assert Search().min_confidence == objects.MIN_CONFIDENCE


def test_what_is_written_is_what_was_made(pots: Run, tmp_path: Path) -> None:
    done = map_to_folder(pots, COARSE, output=Output(tmp_path / "out", svg=True))
    assert done.objects is not None
    assert {path.name for path in done.folder.iterdir()} == set(done.files)
    assert "map.svg" in done.files
    kept = load_map_files(done.folder)
    alone = map_run(pots, COARSE)
    assert np.array_equal(kept.grid.log_odds, alone.grid.log_odds)
    assert np.array_equal(kept.grid.touched, alone.grid.touched)
    assert (done.folder / "objects.csv").read_bytes().decode() == objects_csv(done.objects)
    assert done.objects == find_things(pots).things.objects
    summary = json.loads((done.folder / "summary.json").read_text("utf-8"))
    assert summary == done.summary
    assert summary["search"] == {"empty": None, "size_prior_m": 0.05, "min_confidence": 0.5}
    assert summary["counts"]["things"] == 2
    assert set(summary["timing_s"]) == {"map", "things", "files"}


def test_the_run_s_own_beam_is_told(pots: Run, tmp_path: Path) -> None:
    done = map_to_folder(pots, COARSE, output=Output(tmp_path / "out"))
    beam = done.summary["beam"]
    assert beam["from"] == "this run"
    widths = {row["range_m"]: row["left_deg"] + row["right_deg"] for row in beam["half_widths"]}
    assert all(0.0 <= width <= 180.0 for width in widths.values())
    assert widths[0.4] > 0.0
    assert 15.0 < beam["half_beam_deg"] < 35.0 and 0.2 < beam["half_beam_sigma_deg"] < 5.0
    assert beam["stated_half_beam_deg"] == pytest.approx(24.0)
    assert not any("half beam of" in said for said in done.warnings)
    known = replace(pots, ranger=replace(pots.ranger, half_beam_table=((0.4, 0.49), (0.7, 0.42), (1.0, 0.37))))
    done = map_to_folder(known, COARSE, output=Output(tmp_path / "known"))
    assert done.summary["beam"]["from"] == "the bench"


@pytest.mark.parametrize(("stated_deg", "said"), [(24.0, False), (40.0, True), (12.0, True)])
def test_a_half_beam_far_from_what_the_echoes_say_is_warned_of(
    pots: Run, tmp_path: Path, stated_deg: float, said: bool
) -> None:
    run = replace(pots, ranger=replace(pots.ranger, half_beam_rad=math.radians(stated_deg)))
    done = map_to_folder(run, COARSE, output=Output(tmp_path / "out"))
    sentences = [one for one in done.warnings if "fit a half beam of" in one]
    assert len(sentences) == said
    assert done.summary["beam"]["stated_half_beam_deg"] == pytest.approx(stated_deg)
    if said:
        assert f"ranger.half_beam_deg says {stated_deg:.0f}" in sentences[0] and "measure it" in sentences[0]
        assert sentences[0] in done.summary["warnings"]


def test_only_the_grid(pots: Run, tmp_path: Path) -> None:
    done = map_to_folder(pots, COARSE, search=None, output=Output(tmp_path / "out"))
    assert done.objects is None
    assert "objects.csv" not in done.files
    assert "search" not in done.summary
    assert load_map_files(done.folder).objects is None


def test_a_list_that_is_no_longer_wanted_goes(pots: Run, tmp_path: Path) -> None:
    map_to_folder(pots, COARSE, output=Output(tmp_path / "out"))
    map_to_folder(pots, COARSE, search=None, output=Output(tmp_path / "out"))
    assert not (tmp_path / "out/objects.csv").exists()


def test_nothing_is_computed_for_a_place_that_may_not_be_written(pots: Run, tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    with pytest.raises(OutputProblem, match="was not written by map"):
        map_to_folder(pots, MapSettings(solver="none such"), output=Output(tmp_path / "out"))
    with pytest.raises(UsageProblem, match="unknown solver"):
        map_to_folder(pots, MapSettings(solver="none such"), output=Output(tmp_path / "new"))
    assert not (tmp_path / "new").exists()


def test_an_unfinished_map_is_said_and_redone(pots: Run, tmp_path: Path) -> None:
    whole = map_to_folder(pots, COARSE, output=Output(tmp_path / "out"))
    kept = (tmp_path / "out/grid.npz").read_bytes()
    (tmp_path / "out/grid.npz").write_bytes(b"broken off")
    again = map_to_folder(pots, COARSE, output=Output(tmp_path / "out"))
    assert any("unfinished" in sentence for sentence in again.warnings)
    assert not any("unfinished" in sentence for sentence in whole.warnings)
    assert (tmp_path / "out/grid.npz").read_bytes() == kept


def test_the_empty_run_is_told(pots: Run, tmp_path: Path) -> None:
    done = map_to_folder(pots, COARSE, Search(empty=pots), Output(tmp_path / "out"))
    assert done.summary["search"]["empty"]["digest"] == pots.digest


# which things are asked for


def test_head_angle_is_counted_at_the_nearest_station() -> None:
    run = made_run()
    assert head_angle_deg(thing(0.0, 0.5, 0.45, 90.0), run) == pytest.approx(90.0)
    assert head_angle_deg(thing(0.5, 0.0, 0.45, 0.0), run) == pytest.approx(0.0)  # 0 = the robot's right
    assert head_angle_deg(thing(-0.5, 0.0, 0.45, -180.0), run) == pytest.approx(180.0)
    turned = made_run((Station("A", heading_rad=math.pi),))
    assert head_angle_deg(thing(-0.5, 0.0, 0.45, -180.0), turned) == pytest.approx(90.0)
    # the servo axis stands 0.2 m ahead of the station's point: a thing beside it is at the robot's right
    ahead = made_run(robot=Robot(head_ahead_m=0.2))
    assert head_angle_deg(thing(0.5, 0.2, 0.45, 0.0), ahead) == pytest.approx(0.0)
    # a station without readings does not count, however near
    beside = made_run((Station("A"), Station("B", 0.5, 0.0, 0.0)))
    assert head_angle_deg(thing(0.5, 0.0, 0.45, 0.0), beside) == pytest.approx(0.0)


def test_within_and_between() -> None:
    run = made_run()
    listed = [thing(0.3, 0.3, 0.35, 45.0), thing(0.0, 0.6, 0.55, 90.0), thing(-0.5, 0.5, 0.65, 135.0)]
    assert [number for number, _ in within_reach(listed, run)] == [1, 2, 3]
    assert [number for number, _ in within_reach(listed, run, within_m=0.55)] == [1, 2]
    assert [number for number, _ in within_reach(listed, run, between_deg=(60.0, 180.0))] == [2, 3]
    assert [number for number, _ in within_reach(listed, run, 0.6, (80.0, 100.0))] == [2]


# the way back


def test_a_list_reads_back_as_it_was_written() -> None:
    listed = [
        things.Object(
            "post", 1.25, -2.5, 0.01, 0.02, -0.5, 2.2, math.radians(-90.0), 3, 40, 0.05, diameter_sigma_m=0.004,
            confidence=0.9,
        ),
        things.Object("wall", 0.0, 1.0, 0.01, 0.01, 0.0, 1.0, 0.0, 2, 9, width_m=1.5, heading_rad=math.radians(30.0)),
    ]  # fmt: skip
    assert objects_csv(read_objects(objects_csv(listed))) == objects_csv(listed)


@pytest.mark.parametrize(
    ("old", "new", "column"),
    [
        ("post", "tree", "kind"),
        ("1.0000", "", "x_m"),
        ("1.0000", "one", "x_m"),
        ("1.0000", "nan", "x_m"),
        (",3,40", ",3.5,40", "stations"),
        (",3,40", ",3", "readings"),
    ],
)
def test_a_list_that_map_did_not_write(old: str, new: str, column: str) -> None:
    text = objects_csv([things.Object("post", 1.0, 2.0, 0.01, 0.01, 0.0, 2.2, 0.0, 3, 40)])
    with pytest.raises(InputFaults, match=f"objects.csv line 2, {column}: is not what map writes there"):
        read_objects(text.replace(old, new))


def test_a_list_without_its_columns() -> None:
    with pytest.raises(InputFaults, match="has no column id, kind, x_m"):
        read_objects("a,b\r\n1,2\r\n")
    with pytest.raises(InputFaults, match="has no column id"):
        read_objects("")


def test_a_folder_that_holds_no_map(tmp_path: Path) -> None:
    with pytest.raises(SonargridError, match="no such folder"):
        load_map_files(tmp_path / "nowhere")
    with pytest.raises(SonargridError, match="is no map's folder"):
        load_map_files(tmp_path)


def test_things_drawn_in_are_a_layer_and_change_nothing_else(pots: Run, tmp_path: Path) -> None:
    plain = map_to_folder(pots, COARSE, output=Output(tmp_path / "plain"))
    drawn = map_to_folder(pots, COARSE, output=Output(tmp_path / "drawn", draw_objects=True))
    kept, beside = load_map_files(drawn.folder).grid, load_map_files(plain.folder).grid
    assert "drawn_log_odds" in kept.layers and "drawn_log_odds" not in beside.layers
    assert np.array_equal(kept.log_odds, beside.log_odds) and np.array_equal(kept.touched, beside.touched)
    assert drawn.summary["grid"]["layers"][-1] == "drawn_log_odds"
    assert float(kept.layers["drawn_log_odds"].max()) >= 4.5

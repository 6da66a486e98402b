"""Studies: their file, their rows, their means, and what they leave."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path

import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from sonargrid.drawing.interval_chart import IntervalRow, interval_chart
from sonargrid.drawing.raster import png_pixels
from sonargrid.errors import InputFaults
from sonargrid.many.journal import read_journal, sealed
from sonargrid.many.pieces import Watched
from sonargrid.many.study import COLUMNS, JOURNAL, Piece, mean_of, run_study, score_piece
from sonargrid.many.study_file import load_study
from sonargrid.maps.evidence import MapSettings
from sonargrid.maps.mapping import map_run
from sonargrid.pipeline import find_things
from sonargrid.scores.scoring import score
from sonargrid.simulation.simulate import simulate
from sonargrid_cli.main import main

SCENE = """
[[post]]
x_m = 0.1
y_m = 0.6
diameter_m = 0.06
[ranger]
reach_m = 1.0
[sweep]
step_deg = 6.0
"""
STUDY = """
title = "One post, two ways"
scene = ["post.toml"]
seeds = {first = 40, count = 3}
[[setting]]
name = "additive"
solver = "additive"
cell_m = 0.04
[[setting]]
name = "deaf"
solver = "additive"
cell_m = 0.04
things = false
run = {"ranger.reach_m" = 0.4}
"""
CLOCKS = ("map_s", "things_s")


def lay(folder: Path, study: str = STUDY) -> Path:
    (folder / "post.toml").write_text(SCENE)
    (folder / "ways.toml").write_text(study)
    return folder / "ways.toml"


def rows_of(out: Path) -> list[dict[str, str]]:
    rows = list(csv.DictReader((out / "study.csv").read_text().splitlines()))
    return [{name: cell for name, cell in row.items() if name not in CLOCKS} for row in rows]


def test_a_row_is_what_mapping_and_scoring_by_hand_give(tmp_path: Path) -> None:
    study = load_study(lay(tmp_path))
    scene = study.scenes["post"]
    done = score_piece(Piece(scene, "post", 41, study.settings))
    assert done["status"] == "done"
    run = simulate(scene, 41)
    made = map_run(run, MapSettings(solver="additive", cell_m=0.04))
    by_hand = score(made.grid, scene, find_things(run).things.objects)
    assert by_hand.grid is not None
    assert by_hand.things is not None
    first, deaf = done["rows"]
    assert first["map_f1"] == by_hand.grid.f1
    assert first["map_balanced_log_loss"] == by_hand.grid.balanced_log_loss
    assert first["count_exact"] == by_hand.things.exact
    assert first["listed"] == by_hand.things.listed
    assert deaf["listed"] is None
    assert deaf["map_recall"] is None  # the post stands beyond the reach that it was told: no surface to recall


def test_a_study_is_one_row_a_scene_seed_and_setting_and_nothing_is_done_twice(tmp_path: Path) -> None:
    study = load_study(lay(tmp_path))
    out = tmp_path / "out"
    rows, failed = run_study(study, out, 2)
    assert not failed
    assert [(row["seed"], row["setting"]) for row in rows] == [
        (s, w) for s in (40, 41, 42) for w in ("additive", "deaf")
    ]
    whole = rows_of(out)
    assert tuple(whole[0]) == tuple(name for name in COLUMNS if name not in CLOCKS)
    heard: list[dict[str, object]] = []
    lines = (out / JOURNAL).read_bytes().splitlines(keepends=True)
    (out / JOURNAL).write_bytes(lines[0] + lines[1][:-7])  # broken off in the second room
    run_study(study, out, 1, Watched(heard.append))
    assert [one["fresh"] for one in heard] == [False, True, True]
    assert rows_of(out) == whole


def test_another_version_of_the_file_is_another_study(tmp_path: Path) -> None:
    study = load_study(lay(tmp_path))
    out = tmp_path / "out"
    run_study(study, out, 2)
    heard: list[dict[str, object]] = []
    run_study(load_study(lay(tmp_path, STUDY.replace("0.04", "0.05"))), out, 2, Watched(heard.append))
    assert [one["fresh"] for one in heard] == [True, True, True]
    (out / JOURNAL).write_bytes(sealed({"name": "post 40", "status": "done", "mark": "other", "rows": []}))
    assert len(run_study(study, out, 2)[0]) == 6
    assert len(read_journal(out / JOURNAL).entries) == 3


def test_a_folder_of_scenes_is_one_scene_a_seed(tmp_path: Path) -> None:
    path = lay(tmp_path, STUDY.replace('["post.toml"]', '["rooms", "post.toml"]'))
    (tmp_path / "rooms").mkdir()
    for number, x in enumerate((0.1, -0.2)):
        (tmp_path / "rooms" / f"{number}.toml").write_text(SCENE.replace("x_m = 0.1", f"x_m = {x}"))
    study = load_study(path)
    assert list(study.scenes) == ["rooms", "post"]
    rooms = study.scenes["rooms"]
    assert callable(rooms)
    assert [rooms(seed).posts[0].x_m for seed in (40, 41, 42)] == [0.1, -0.2, 0.1]
    done = score_piece(Piece(rooms, "rooms", 41, study.settings[:1]))
    alone = score_piece(Piece(rooms(41), "rooms", 41, study.settings[:1]))
    assert {**done["rows"][0], "map_s": 0, "things_s": 0} == {**alone["rows"][0], "map_s": 0, "things_s": 0}
    (tmp_path / "rooms" / "1.toml").write_text(SCENE)
    assert load_study(path).digest != study.digest
    for one in (tmp_path / "rooms").iterdir():
        one.unlink()
    with pytest.raises(InputFaults, match="there is no scene in the folder rooms"):
        load_study(path)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('["post.toml"]', '["nowhere.toml"]', "nowhere.toml"),
        ('["post.toml"]', "7", "must be one scene file or several"),
        ("count = 3", "count = 0", "must be whole numbers, count 1 to 1000000"),
        ("{first = 40, count = 3}", '"many"', "must be a count, or first and count"),
        ('solver = "additive"', 'solver = "addition"', "unknown solver 'addition'"),
        ("cell_m = 0.04", "cell_m = -1.0", "the cell must be a finite length above 0"),
        ("cell_m = 0.04", 'cell_m = "4cm"', "must be a number, got '4cm'"),
        ("cell_m = 0.04", "cels_m = 0.04", "unknown key 'cels_m'"),
        ("things = false", "things = 0", "must be true or false, got 0"),
        ('name = "deaf"', 'name = "additive"', "another setting is called additive, too"),
        ('run = {"ranger.reach_m" = 0.4}', "run = 3", "must be keys of run.toml"),
        ("title =", "titel =", "unknown key 'titel'"),
    ],
)
def test_a_study_that_cannot_be_used_is_told(old: str, new: str, said: str, tmp_path: Path) -> None:
    with pytest.raises(InputFaults) as told:
        load_study(lay(tmp_path, STUDY.replace(old, new, 1)))
    assert said in "\n".join(map(str, told.value.faults))


def test_a_room_that_cannot_be_mapped_is_told_and_the_rest_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    lay(tmp_path, STUDY.replace('"ranger.reach_m" = 0.4', '"ranger.reech_m" = 0.4'))
    assert main(["study", "ways.toml", "-q", "--jobs", "2"]) == 1
    said = capsys.readouterr().err
    assert "room post 40 failed: " in said
    assert "reech_m" in said
    assert "Traceback" not in said


def test_the_command_tells_means_in_eighty_columns(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    lay(tmp_path)
    assert main(["study", "ways.toml"]) == 0
    said = capsys.readouterr()
    assert said.out.startswith("post: means of 3 seeds")
    assert max(map(len, said.out.splitlines())) <= 80
    assert "3 of 3  post 4" in said.err
    assert "intervals this wide decide little" in said.err
    assert main(["study", "ways.toml", "--json", "-q"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["rows"] == 6
    figures = {one["setting"]: one["figures"] for one in told["means"]}
    rows = [row for row in rows_of(tmp_path / "ways_study") if row["setting"] == "additive"]
    assert figures["additive"]["map_f1"]["mean"] == pytest.approx(np.mean([float(row["map_f1"]) for row in rows]))
    assert figures["deaf"]["listed"] == {"mean": None, "low": None, "high": None, "count": 0}
    assert png_pixels((tmp_path / "ways_study" / "study.png").read_bytes()).shape[1] == 1400


@given(st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=40))
@settings(max_examples=60, deadline=None)
def test_intervals_are_those_of_scipy(values: list[float]) -> None:
    found = mean_of(values)
    spread = float(np.std(values, ddof=1))
    low, high = scipy.stats.t.interval(
        0.95, len(values) - 1, np.mean(values), spread / math.sqrt(len(values)) or 1e-300
    )
    assert (found.low, found.high) == pytest.approx((low, high), rel=1e-9, abs=1e-9)


def test_student_interval_of_a_textbook_table() -> None:
    # t(0.975) with 9 degrees of freedom is 2.262 in every printed table of Student's t
    found = mean_of([float(one) for one in range(10)])
    assert (found.high - found.mean) / (np.std(range(10), ddof=1) / math.sqrt(10.0)) == pytest.approx(2.262, abs=5e-4)
    assert math.isnan(mean_of([1.0]).low)
    assert mean_of([None]).count == 0


def test_an_interval_is_drawn_between_its_ends() -> None:
    rows = [IntervalRow("", "one", ((0.5, 0.2, 0.8),)), IntervalRow("", "two", ((0.3, math.nan, math.nan),))]
    pixels = png_pixels(interval_chart(rows, ["share"], "title")).astype(int)
    blue = (np.abs(pixels - np.array([0x0B, 0x5A, 0xA6])).sum(axis=2) < 40).any(axis=0)
    columns = np.flatnonzero(blue)
    assert columns.size > 0.4 * (columns.max() - columns.min() + 1)
    red = np.flatnonzero(((pixels[:, :, 0] > 150) & (pixels[:, :, 2] < 80)).any(axis=0))
    assert columns.min() < red.max() < columns.max()
    with pytest.raises(ValueError, match="one value a panel"):
        interval_chart(rows, ["a", "b"], "title")

"""The shipped sample runs: small, whole, honest about where they come from, and mapped to what stands there."""

from __future__ import annotations

import csv
import math
import shlex
import sys
from pathlib import Path

import numpy as np
import pytest

from sonargrid.runs.calibration import calibrated
from sonargrid.runs.run_files import load_run
from sonargrid.runs.samples import sample_names
from sonargrid.simulation.scene_files import load_scene
from sonargrid.simulation.simulate import simulate_traced
from sonargrid_cli.main import main

ROOT = Path(__file__).resolve().parent.parent
SAMPLES = ROOT / "sample_runs"
STORIES = sorted(folder.name for folder in SAMPLES.iterdir() if folder.is_dir())
MADE_UP = [name for name in STORIES if (SAMPLES / name / "scene.toml").is_file()]
COUNTED = ("post", "cluster", "echo")


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_the_three_stories_are_there_and_small() -> None:
    assert STORIES == ["potting_bench", "ring_room", "two_flowerpots"]
    assert tuple(STORIES) == sample_names()
    assert sum(path.stat().st_size for path in SAMPLES.glob("*/*") if path.is_file()) < 300_000


@pytest.mark.parametrize("name", STORIES)
def test_a_story_tells_itself_in_five_lines(name: str) -> None:
    lines = (SAMPLES / name / "README.md").read_text(encoding="utf-8").splitlines()
    assert len(lines) == 5 and lines[0].startswith("# ")
    assert (SAMPLES / name / "command.txt").read_text(encoding="utf-8") == f"sonargrid map --sample {name}\n"


@pytest.mark.parametrize("name", STORIES)
def test_a_run_is_whole_and_states_what_it_must(name: str) -> None:
    run = load_run(SAMPLES / name)
    pings = calibrated(run)
    assert pings.echo.sum() > 100
    assert not pings.void.any()
    assert len(run.warnings) == (0 if name in MADE_UP else len(run.warnings))


@pytest.mark.parametrize("name", MADE_UP)
def test_a_made_up_run_is_what_its_scene_gives(name: str) -> None:
    traced = simulate_traced(load_scene(SAMPLES / name / "scene.toml"))
    shipped = load_run(SAMPLES / name)
    # at most the last unit may differ between machines, where a sine's last bit does
    made, kept = traced.run.readings.distance, shipped.readings.distance
    assert np.isinf(made).tolist() == np.isinf(kept).tolist()
    assert np.abs(made[np.isfinite(made)] - kept[np.isfinite(kept)]).max() <= 1.0
    assert traced.run.stations == shipped.stations
    assert traced.run.title == shipped.title
    # of a single station the sigmas count as 0, so the reader assumes none
    assert set(shipped.assumed) <= set(traced.run.assumed)


@pytest.mark.parametrize("name", MADE_UP)
def test_every_thing_of_a_made_up_story_is_heard_and_expected(name: str) -> None:
    scene = load_scene(SAMPLES / name / "scene.toml")
    assert set(simulate_traced(scene).heard(10)) >= {thing for thing in scene.things() if not thing.startswith("wall")}
    expected = rows_of(SAMPLES / name / "expected_objects.csv")
    assert [(float(row["x_m"]), float(row["y_m"])) for row in expected] == [(p.x_m, p.y_m) for p in scene.posts]
    readme = (SAMPLES / name / "README.md").read_text(encoding="utf-8")
    assert all(f"{post.x_m:.2f}, {post.y_m:.2f}" in readme for post in scene.posts)


def test_the_real_story_is_cut_as_it_says() -> None:
    # CC BY 4.0: Freire, Veloso, Barreto (2010), Wall-Following Robot Navigation Data, doi 10.24432/C57C8W
    folder = SAMPLES / "ring_room"
    words = (folder / "ATTRIBUTION.txt").read_text(encoding="utf-8")
    for part in ("Freire", "10.24432/C57C8W", "CC BY 4.0", "Changes:"):
        assert part in words
    run = load_run(folder)
    readings = run.readings
    assert readings.angle_column == "bearing_deg"
    table = readings.distance.reshape(13, 13)
    assert np.all(readings.angle.reshape(13, 13) == np.arange(-90, 91, 15))
    # the robot stands still: most rangers stay within 6 mm over all 13 rows
    spans = np.ptp(np.where(np.isinf(table), 5.0, table), axis=0)
    assert (spans <= 0.006).sum() >= 7
    assert np.isinf(table).sum() == 13
    # the wall that the robot follows is on its left, as the data set's name says
    assert np.median(table[:, -1]) == pytest.approx(0.46, abs=0.01)
    assert [(s.x_m, s.y_m, s.heading_rad) for s in run.stations] == [(0.0, 0.0, math.pi / 2)]


def test_the_cut_keeps_the_longest_stand(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.syspath_prepend(str(ROOT / "benchmarks"))
    import cut_ring_room

    driving = np.cumsum(np.full((6, 24), 0.02), axis=0) + 1.0
    standing = np.full((5, 24), 2.0)
    standing[:, 8] = 5.0
    rows = np.vstack([driving, standing, 3.0 + driving])
    recording = tmp_path / "recording.csv"
    recording.write_text("".join(",".join(f"{v:.3f}" for v in row) + ",Move-Forward\n" for row in rows))
    monkeypatch.setattr(sys, "argv", ["cut", str(recording), str(tmp_path / "readings.csv")])
    cut_ring_room.main()
    assert "rows 7 to 11 of 17" in capsys.readouterr().err
    assert len((tmp_path / "readings.csv").read_text().splitlines()) == 1 + 5 * 13


@pytest.mark.parametrize("name", STORIES)
def test_the_command_of_a_story_finds_what_is_expected(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    program, *words = shlex.split((SAMPLES / name / "command.txt").read_text(encoding="utf-8"))
    assert program == "sonargrid"
    assert main(words) == 0, capsys.readouterr().err
    found = [row for row in rows_of(tmp_path / f"{name}_map" / "objects.csv") if row["kind"] in COUNTED]
    expected = rows_of(SAMPLES / name / "expected_objects.csv")
    assert len(found) == len(expected)
    for row in expected:
        near = [
            thing
            for thing in found
            if math.hypot(float(thing["x_m"]) - float(row["x_m"]), float(thing["y_m"]) - float(row["y_m"]))
            <= float(row["tolerance_m"])
        ]
        assert [thing["kind"] for thing in near] == [row["kind"]], row

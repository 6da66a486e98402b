"""`align` and `next` as a user meets them: files, words, JSON, refusals."""

from __future__ import annotations

import csv
import json
import os
from pathlib import Path

import pytest

from sonargrid.results.station_files import PLACE_COLUMNS, POSE_COLUMNS
from sonargrid.runs.run_files import load_run
from sonargrid.runs.samples import find_sample
from sonargrid_cli.main import main

Capture = pytest.CaptureFixture[str]
ROWS = "angle_deg,range_cm\n" + "".join(f"{angle},{'50' if 75 <= angle <= 105 else ''}\n" for angle in range(0, 181, 5))


@pytest.fixture(autouse=True)
def _own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    for name in [name for name in os.environ if name.startswith("SONARGRID_")]:
        monkeypatch.delenv(name)


def test_align_writes_a_new_run_with_old_poses_beside_new(tmp_path: Path, capsys: Capture) -> None:
    assert main(["align", "--sample", "potting_bench", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    folder = tmp_path / "potting_bench_aligned"
    assert said["run"] == "potting_bench_aligned"
    assert sorted(path.name for path in folder.iterdir()) == ["align.png", "poses.csv", "readings.csv", "run.toml"]
    assert (folder / "align.png").read_bytes()[:4] == b"\x89PNG"
    rows = list(csv.DictReader((folder / "poses.csv").read_text(encoding="utf-8").splitlines()))
    assert tuple(rows[0]) == POSE_COLUMNS == tuple(said["stations"][0])
    before, after = load_run(find_sample("potting_bench")), load_run(folder)
    assert [row["station"] for row in rows] == [s.name for s in before.stations] == [s.name for s in after.stations]
    assert after.readings.distance.tolist() == before.readings.distance.tolist()
    for row, old, new in zip(rows, before.stations, after.stations, strict=True):
        assert float(row["x_stated_m"]) == pytest.approx(old.x_m, abs=1e-5)
        assert float(row["x_m"]) == pytest.approx(new.x_m, abs=1e-5)
        assert row["strayed"] == "0"
    assert "corrected from what the stations share" in after.notes
    assert any("shift or turn of all stations" in note for note in said["notes"])
    # a run is never written over, and the answer comes before the work
    assert main(["align", "--sample", "potting_bench"]) == 1
    assert "never written over" in capsys.readouterr().err


def test_align_refuses_what_it_cannot_align(tmp_path: Path, capsys: Capture) -> None:
    (tmp_path / "sweep.csv").write_text(ROWS, encoding="utf-8")
    assert main(["align", "sweep.csv"]) == 1
    said = capsys.readouterr()
    assert said.out == ""
    assert "one station" in said.err
    assert "hint: park so that at least two stations sweep the same" in said.err
    assert not (tmp_path / "sweep_aligned").exists()
    assert main(["align", "sweep.csv", "--theme", "purple"]) == 2
    assert main(["align", "nothing_here"]) == 1


def test_next_says_where_and_why(tmp_path: Path, capsys: Capture) -> None:
    (tmp_path / "sweep.csv").write_text(ROWS, encoding="utf-8")
    assert main(["next", "sweep.csv", "--picture", "next.png"]) == 0
    said = capsys.readouterr()
    lines = said.out.splitlines()
    assert [line[:9] for line in lines if line[:1].isdigit()] == ["1. from A", "2. from A", "3. from A"]
    assert max(map(len, lines)) < 80
    assert "no safety function" in said.err
    assert (tmp_path / "next.png").read_bytes()[:4] == b"\x89PNG"
    assert main(["next", "sweep.csv", "--csv", "--count", "2", "-q"]) == 0
    rows = list(csv.DictReader(capsys.readouterr().out.splitlines()))
    assert tuple(rows[0]) == PLACE_COLUMNS
    assert len(rows) == 2
    assert main(["next", "sweep.csv", "--json", "-q"]) == 0
    places = json.loads(capsys.readouterr().out)["places"]
    assert float(rows[0]["x_m"]) == places[0]["x_m"]
    assert places[0]["way"].startswith("from A: ")
    assert main(["next", "--sample", "two_flowerpots", "--count", "99"]) == 0
    said = capsys.readouterr()
    found = said.out.count("from A:")
    assert 1 < found < 99
    assert f"note: only {found} places: the rest of the floor" in said.err
    assert 0 < said.out.count("- not heard clear: ") < found


def test_next_refuses_wrong_words(tmp_path: Path, capsys: Capture) -> None:
    (tmp_path / "sweep.csv").write_text(ROWS, encoding="utf-8")
    assert main(["next", "sweep.csv", "--picture", "next.gif"]) == 2
    assert main(["next", "sweep.csv", "--csv", "--json"]) == 2
    assert main(["next", "sweep.csv", "--count", "0"]) == 2
    assert main(["next", "sweep.csv", "--spacing", "-1cm"]) == 2
    capsys.readouterr()
    assert main(["next", "sweep.csv", "--set", "robot.radius_m=5"]) == 1
    assert "no free floor that a robot of 500 cm radius fits on" in capsys.readouterr().err

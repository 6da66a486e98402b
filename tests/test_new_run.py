"""A new run: what its flags say stands in run.toml, and pasted readings make it a run."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from sonargrid.runs.run_files import load_run
from sonargrid_cli.main import main


def test_flags_alone_make_a_run_to_paste_into(tmp_path: Path) -> None:
    out = tmp_path / "run"
    words = ["--distance-unit", "cm", "--no-echo-at", "999", "--turns", "cw", "--reach", "2m", "--temperature", "17"]
    assert main(["new", str(out), "--yes", *words]) == 0
    with (out / "readings.csv").open("a") as file:
        file.write("80,34\n90,999\n")
    run = load_run(out)
    assert (run.head.turns, run.ranger.reach_m, run.air.temperature_c) == (-1, 2.0, 17.0)
    assert run.readings.distance.tolist() == [34.0, float("inf")]
    assert "# the servo head" in (out / "run.toml").read_text()


def test_four_stations_give_a_plan_and_a_sheet(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "run"
    assert main(["new", str(out), "--yes", "--stations", "4"]) == 0
    shown = capsys.readouterr().out
    assert all(len(line) <= 80 for line in shown.splitlines()[:-1])
    assert "masking tape" in shown
    ET.parse(out / "floor_plan.svg")
    with (out / "readings.csv").open("a") as file:
        file.write("".join(f"{name},90,34\n" for name in "ABCD"))
    assert [(s.x_m, s.y_m) for s in load_run(out).stations] == [(0.0, -0.6), (0.6, 0.0), (0.0, 0.6), (-0.6, 0.0)]


def test_like_takes_ranger_and_head_over(tmp_path: Path) -> None:
    old, out = tmp_path / "old", tmp_path / "run"
    assert main(["new", str(old), "--yes", "--reach", "2.5m", "--turns", "cw"]) == 0
    (old / "readings.csv").write_text("angle_deg,range_cm\n90,34\n")
    assert main(["new", str(out), "--yes", "--like", str(old)]) == 0
    (out / "readings.csv").write_text("angle_deg,range_cm\n90,34\n")
    assert load_run(out).ranger == load_run(old).ranger
    assert load_run(out).head == load_run(old).head


def test_a_new_run_never_overwrites(tmp_path: Path) -> None:
    assert main(["new", str(tmp_path), "--yes"]) == 1

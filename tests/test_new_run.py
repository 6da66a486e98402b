"""A new run: what its flags or answers say stands in run.toml, and pasted readings make it a run."""

from __future__ import annotations

import math
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from sonargrid.runs.run_files import load_run
from sonargrid_cli.main import main
from test_log_import import _typed


def _fill(out: Path, rows: str) -> None:
    with (out / "readings.csv").open("a") as file:
        file.write(rows)


def test_flags_alone_make_a_run_to_paste_into(tmp_path: Path) -> None:
    out = tmp_path / "run"
    words = ["--distance-unit", "cm", "--no-echo-at", "999", "--turns", "cw", "--reach", "2m", "--temperature", "17"]
    assert main(["new", str(out), "--yes", *words, "--us-per-cm", "58", "--ahead", "80"]) == 0
    _fill(out, "80,34\n90,999\n")
    run = load_run(out)
    assert (run.head.turns, run.ranger.reach_m, run.air.temperature_c) == (-1, 2.0, 17.0)
    assert run.readings.distance.tolist() == [34.0, float("inf")]
    assert run.ranger.assumed_sound_speed_m_s == pytest.approx(20000 / 58)
    assert math.degrees(run.head.ahead_rad) == pytest.approx(80.0)
    assert "us_per_cm = 58  # the divisor" in (out / "run.toml").read_text()


def test_pulses_that_turn_right_get_a_negative_scale(tmp_path: Path) -> None:
    out = tmp_path / "run"
    assert main(["new", str(out), "--yes", "--angle-unit", "pulse", "--distance-unit", "us", "--turns", "cw"]) == 0
    assert (out / "readings.csv").read_text() == "pulse_us,echo_us\n"
    _fill(out, "1500,2000\n")
    assert load_run(out).head.pulse_us_per_deg < 0.0


def test_four_stations_give_a_plan_and_a_sheet(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "run"
    assert main(["new", str(out), "--yes", "--stations", "4"]) == 0
    shown = capsys.readouterr().out
    assert all(len(line) <= 80 for line in shown.splitlines() if str(out) not in line)
    assert "masking tape" in shown
    rows = {letter: i for i, line in enumerate(shown.splitlines()) for letter in "ABCD" if f" {letter} " in line[:70]}
    assert rows["C"] < rows["B"] == rows["D"] < rows["A"]
    drawn = ET.parse(out / "floor_plan.svg")
    words = {text.text for text in drawn.iter("{http://www.w3.org/2000/svg}text")}
    assert {"A", "B", "C", "D", "(0.00, -0.60) m, heading 90"} <= words
    _fill(out, "".join(f"{name},90,34\n" for name in "ABCD"))
    assert [(s.x_m, s.y_m) for s in load_run(out).stations] == [(0.0, -0.6), (0.6, 0.0), (0.0, 0.6), (-0.6, 0.0)]


def test_tape_distances_are_written_as_they_were_measured(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "run"
    words = ["new", str(out), "--yes", "--mark", "P:0,0", "--mark", "Q:2,0", "--tape-sigma", "10mm"]
    words += ["--station", "A:P=130cm,Q=1.10,left,facing=Q", "--station", "B:P=0.9,Q=1.4,right,heading=80"]
    assert main(words) == 0
    text = (out / "run.toml").read_text()
    assert 'from = { "P" = 1.3, "Q" = 1.1 }' in text and 'side = "right"' in text
    _fill(out, "A,90,34\nB,90,34\n")
    a, b = load_run(out).stations
    assert (a.x_m, a.y_m, math.degrees(a.heading_rad)) == pytest.approx((1.12, 0.66, -36.87), abs=0.005)
    assert b.y_m < 0.0 and math.degrees(b.heading_rad) == pytest.approx(80.0)
    # 10 mm of tape over the sine of the angle at which the two tapes meet (area of the triangle, twice: 2.0 x 0.66)
    assert a.position_sigma_m == pytest.approx(0.010 * 1.3 * 1.1 / (2.0 * 0.66), rel=1e-3)
    assert a.heading_sigma_rad > math.radians(2.0)
    assert "station A stands at (1.120, 0.660) m" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("station", "says"),
    [
        ("A:P=0.5,Q=1.0,left,facing=Q", "cannot both hold: the marks are 2 m apart"),
        ("A:P=1.30,Q=0.71,left,facing=Q", "cross at only 12 degrees"),
        ("A:P=1.30,R=0.71,left,facing=Q", "there is no mark R; known: P, Q"),
        ("A:P=1.30,Q=1.10,north,facing=Q", "the side is left or right of the line from P to Q"),
        ("A:P=1.30,left,facing=Q", "needs two tape distances"),
        ("A:P=1.30,Q=1.10,left", "facing=MARK or heading=DEGREES"),
        ("A:1,2", "--station is NAME:x,y,heading"),
        (":0,0,90", "--station is NAME:x,y,heading"),
    ],
)
def test_a_place_that_is_not_sure_is_refused(
    station: str, says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "run"
    assert main(["new", str(out), "--yes", "--mark", "P:0,0", "--mark", "Q:2,0", "--station", station]) == 2
    assert says in capsys.readouterr().err
    assert not out.exists()


def test_like_takes_ranger_head_and_calibration_over(tmp_path: Path) -> None:
    old, out = tmp_path / "old", tmp_path / "deep" / "run"
    assert main(["new", str(old), "--yes", "--reach", "2.5m", "--turns", "cw", "--distance-unit", "mm"]) == 0
    (old / "bench").mkdir()
    (old / "bench" / "calibration.toml").write_text(
        'format = "sonargrid-calibration/1"\n[ranger]\nrange_scale = 1.02\nrange_scale_sigma = 0.003\n'
    )
    with (old / "run.toml").open("a") as file:
        file.write('[calibration]\nfile = "bench/calibration.toml"\n')
    assert main(["new", str(out), "--yes", "--like", str(old)]) == 0  # the old run has no readings yet
    for run in (old, out):
        _fill(run, "90,340\n")
    one, two = load_run(old), load_run(out)
    assert (two.ranger, two.head, two.calibration_sigmas) == (one.ranger, one.head, one.calibration_sigmas)
    assert two.ranger.range_scale == 1.02 and two.readings.distance_column == "range_mm"


def test_like_what_is_no_run_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["new", str(tmp_path / "run"), "--yes", "--like", str(tmp_path)]) == 1
    assert "holds no run.toml to take over" in capsys.readouterr().err
    assert main(["new", str(tmp_path / "run"), "--yes", "--like", str(tmp_path), "--reach", "2m"]) == 2


def test_a_new_run_never_overwrites(tmp_path: Path) -> None:
    assert main(["new", str(tmp_path), "--yes"]) == 1


def test_every_question_can_be_answered_at_the_terminal(tmp_path: Path) -> None:
    answers = [
        (b"Head angles come as", b"degrees\n"),  # no such word: asked again
        (b"Head angles come as", b"deg\n"),
        (b"Distances come as", b"us\n"),
        (b"When nothing is heard", b"-\n"),
        (b"Growing angles turn", b"cw\n"),
        (b"hears as far as", b"3m\n"),
        (b"Air temperature", b"18.5\n"),
        (b"Parked places", b"2\n"),
        (b"Where (round", b"tape\n"),
        (b"Mark P lies", b"0,0\n"),
        (b"Mark Q lies", b"2,0\n"),
        (b"Station A:", b"0.5,1.0,left,Q\n"),
        (b"cannot both hold", b""),
        (b"Station A:", b"1.3,1.1,left,Q\n"),
        (b"Station B:", b"0.9,1.4,left,P\n"),
        (b"Next: sonargrid record run", b""),
    ]
    screen = _typed(["new", "run"], answers, tmp_path)
    assert "--angle-unit is one of deg, pulse" in screen
    _fill(tmp_path / "run", "A,90,1999\nB,90,1999\n")
    run = load_run(tmp_path / "run")
    assert (run.readings.distance_column, run.head.turns, run.ranger.reach_m) == ("echo_us", -1, 3.0)
    assert run.air.temperature_c == 18.5
    assert [s.name for s in run.stations] == ["A", "B"]
    assert run.stations[0].x_m == pytest.approx(1.12)

"""From a robot's log to a right map: invented logs of one potting bench, a pot on the left, a tray on the right."""

from __future__ import annotations

import math
import os
import pty
import re
import select
import sys
from pathlib import Path

import numpy as np
import pytest

from sonargrid.maps.mapping import build_map
from sonargrid.runs.first_faults import against_tape, first_faults
from sonargrid.runs.log_guess import LogGuess, Stated, guess_log
from sonargrid.runs.log_import import Setup, import_logs, nearest_words, strip
from sonargrid.runs.run_files import load_run
from sonargrid_cli.main import main

LOGS = sorted((Path(__file__).parent / "logs").glob("*.txt"))
POT = (140.0, 0.34)  # bearing, near face; the tray lies at 50 degrees, 0.8 m


def _guess(path: Path, stated: Stated | None = None) -> LogGuess:
    return guess_log(path.read_text(encoding="utf-8").splitlines(), stated or Stated())


def test_there_are_a_dozen_shapes() -> None:
    assert len(LOGS) >= 12


@pytest.mark.parametrize("path", LOGS, ids=lambda p: p.stem)
def test_each_log_becomes_a_right_map(path: Path, tmp_path: Path) -> None:
    assert main(["import", str(path), "-o", str(tmp_path / "run"), "--yes"]) == 0
    run = load_run(tmp_path / "run")
    grid = build_map(run, solver="additive").grid
    for bearing_deg, range_m in (POT, (50.0, 0.8)):
        way = math.radians(bearing_deg)
        seen = []
        for r in np.arange(range_m - 0.2, range_m + 0.1, 0.01):
            x, y = (r * math.cos(way) - grid.corner_m[0], r * math.sin(way) - grid.corner_m[1])
            seen.append((float(grid.log_odds[int(y / grid.cell_m), int(x / grid.cell_m)]), r))
        best, at = max(seen)
        assert best > 0.0
        assert at == pytest.approx(range_m, abs=0.03)
        assert seen[0][0] < 0.0  # in front of it the floor is free
    assert "LEFT, 34 cm" in nearest_words(run)[0] or "LEFT, 33 cm" in nearest_words(run)[0]


@pytest.mark.parametrize("path", LOGS, ids=lambda p: p.stem)
def test_no_line_is_lost(path: Path) -> None:
    lines = path.read_text(encoding="utf-8").splitlines()
    guess = _guess(path)
    header = any(re.match(r"(winkel|deg|angle_deg|pulse_us|millis)", line) for line in lines[:1])
    blank = sum(not line.strip() for line in lines)
    assert len(guess.angles) + len(guess.unread) + blank + header == len(lines)


def test_unread_lines_are_kept_and_counted(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = next(path for path in LOGS if path.stem == "clipped_and_torn")
    assert main(["import", str(log), "-o", str(tmp_path / "run"), "--yes"]) == 0
    kept = (tmp_path / "run" / "unread.txt").read_text(encoding="utf-8").splitlines()
    assert [line.rsplit(": ", 1)[1] for line in kept] == ["== start ==", "pos 12", "== stop =="]
    assert "3 lines could not be read" in capsys.readouterr().out


def test_an_import_never_overwrites(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "run").mkdir()
    assert main(["import", str(LOGS[0]), "-o", str(tmp_path / "run"), "--yes"]) == 1
    assert "is there already" in capsys.readouterr().err
    assert not list((tmp_path / "run").iterdir())


def test_a_mirrored_head_moves_the_nearest_thing_to_the_right() -> None:
    log = ("log", _guess(LOGS[0]))
    right = import_logs([log], Setup(turns=-1)).run
    assert "RIGHT" in nearest_words(right)[0]
    assert "LEFT" in nearest_words(import_logs([log], Setup()).run)[0]


def test_mirrored_pulses_turn_too() -> None:
    log = ("log", _guess(next(path for path in LOGS if path.stem == "pulses")))
    assert "RIGHT" in nearest_words(import_logs([log], Setup(turns=-1)).run)[0]


def test_several_logs_are_several_stations(tmp_path: Path) -> None:
    words = ["import", str(LOGS[1]), str(LOGS[1]), "-o", str(tmp_path / "run"), "--yes"]
    assert main([*words, "--station", "A:0,0,90", "--station", "B:1,0.5,180"]) == 0
    run = load_run(tmp_path / "run")
    assert [(s.name, s.x_m, s.y_m) for s in run.stations] == [("A", 0.0, 0.0), ("B", 1.0, 0.5)]


def test_one_way_times_double(tmp_path: Path) -> None:
    log = tmp_path / "log.txt"
    log.write_text("".join(f"{a},{1000 if 80 < a < 100 else 1500}\n" for a in range(0, 181, 5)))
    assert main(["import", str(log), "-o", str(tmp_path / "run"), "--yes", "--distance-unit", "us-one-way"]) == 0
    assert load_run(tmp_path / "run").readings.distance.max() == 3000.0


def test_the_strip_fits_the_screen_and_shows_left_first() -> None:
    lines = strip(import_logs([("log", _guess(LOGS[0]))], Setup()).run).splitlines()
    assert all(len(line) <= 80 for line in lines)
    assert lines[0].strip().startswith("left") and lines[-1].strip().startswith("right")


def test_a_wall_seen_at_one_distance_is_no_time_out() -> None:
    lines = [f"{a},{35 + a % 3 if a < 90 else 120}" for a in range(0, 181, 5)]
    assert guess_log(lines).nothing_at == ()


@pytest.mark.parametrize(
    ("angles", "metres", "typed"),
    [
        ([0.0, 90.0], [0.4, 0.0], "--no-echo-at 0"),
        ([0.0] * 6, [0.4, 9.99, 0.5, 9.99, 0.4, 9.99], "--no-echo-at"),
        ([0.0] * 4, [0.4, 1.6, 1.7, 0.5], "--reach 1.8"),
        ([-90.0, 0.0, 90.0], [0.4, 0.5, 0.6], "--ahead 0"),
        ([0.0] * 4, [34.0, 35.0, 80.0, 34.0], "--distance-unit cm"),
    ],
)
def test_classic_faults_are_noticed(angles: list[float], metres: list[float], typed: str) -> None:
    assert any(typed in sentence for sentence in first_faults(angles, metres, 1.0))


def test_a_sound_log_raises_no_alarm() -> None:
    assert first_faults([0.0, 45.0, 90.0, 135.0], [0.4, 0.41, math.inf, 0.8], 1.0) == ()


@pytest.mark.parametrize(
    ("read_m", "tape_m", "typed"),
    [
        (0.17, 0.34, "--distance-scale 2"),
        (34.0, 0.34, "--distance-unit cm"),
        (0.34, 0.365, "--distance-scale"),
        (1.0, 2.54, "--distance-unit in"),
    ],
)
def test_the_tape_tells_the_fault(read_m: float, tape_m: float, typed: str) -> None:
    assert typed in against_tape(read_m, tape_m)
    assert against_tape(tape_m, tape_m) == ""


def test_times_half_as_long_are_one_way() -> None:
    assert "us-one-way" in against_tape(0.17, 0.34, times=True)


def test_a_log_without_pairs_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = tmp_path / "log.txt"
    log.write_text("hello\nready\n")
    assert main(["import", str(log), "-o", str(tmp_path / "run")]) == 1
    assert "no line holds both" in capsys.readouterr().err


def _typed(words: list[str], answers: list[tuple[bytes, bytes]], cwd: Path) -> str:
    """Return the screen of a command typed at a real terminal; each answer follows its question."""
    child, screen = pty.fork()
    if child == 0:
        os.chdir(cwd)
        os.execv(sys.executable, [sys.executable, "-m", "sonargrid_cli", *words])
    seen, at, left = b"", 0, list(answers)
    while select.select([screen], [], [], 60.0)[0]:
        try:
            part = os.read(screen, 65536)
        except OSError:
            break
        if not part:
            break
        seen += part
        while left and left[0][0] in seen[at:]:
            at = seen.index(left[0][0], at) + len(left[0][0])
            os.write(screen, left.pop(0)[1])
    os.kill(child, 9)
    os.waitpid(child, 0)
    os.close(screen)
    assert not left, seen.decode()
    return seen.decode()


AGREED = [(b"Read rightly?", b"\n"), (b"hears as far as", b"\n"), (b"Air temperature", b"21\n")]


def test_no_at_the_terminal_turns_the_head_round(tmp_path: Path) -> None:
    answers = [*AGREED, (b"true?", b"n\n"), (b"Draw the map", b"n\n")]
    screen = _typed(["import", str(LOGS[0]), "-o", "run"], answers, tmp_path)
    assert "LEFT" in screen and "RIGHT" in screen
    assert load_run(tmp_path / "run").head.turns == -1
    assert load_run(tmp_path / "run").air.temperature_c == 21.0


def test_the_tape_at_the_terminal_mends_a_wrong_unit(tmp_path: Path) -> None:
    answers = [*AGREED, (b"true?", b"68cm\n"), (b"Mend it with", b"\n"), (b"Draw the map", b"n\n")]
    screen = _typed(["import", str(LOGS[0]), "-o", "run"], answers, tmp_path)
    assert "--distance-scale 2" in screen
    heard = load_run(tmp_path / "run").readings.distance
    assert float(heard[np.isfinite(heard)].min()) == pytest.approx(0.68, abs=0.03)


def test_flags_mend_a_wrong_reading_at_the_terminal(tmp_path: Path) -> None:
    log = tmp_path / "log.txt"
    log.write_text("".join(f"{30 + a * a % 7},{a}\n" for a in range(0, 181, 5)))
    answers = [(b"Read rightly?", b"--columns angle\n"), (b"needs", b""), (b"Read rightly?", b"--distance-unit in\n")]
    answers += [*AGREED, (b"true?", b"y\n"), (b"Draw the map", b"y\n")]
    screen = _typed(["import", "log.txt", "-o", "run"], answers, tmp_path)
    assert load_run(tmp_path / "run").readings.distance_column == "range_in"
    assert "written to run_map" in screen and (tmp_path / "run_map" / "map.png").exists()


def test_a_pasted_log_and_its_answers_share_the_keyboard(tmp_path: Path) -> None:
    log = LOGS[1].read_text(encoding="utf-8").encode()
    answers = [(b"Ctrl-D:", log + b"\x04"), *AGREED, (b"true?", b"y\n"), (b"Draw the map", b"y\n")]
    screen = _typed(["import", "-o", "run"], answers, tmp_path)
    assert "written to run_map" in screen
    assert len(answers) - 1 <= 6  # questions from paste to picture
    assert len(load_run(tmp_path / "run").readings) == len(_guess(LOGS[1]).angles)


@pytest.mark.parametrize(
    ("flags", "code", "turns", "says"),
    [
        (["--nearest", "left"], 0, 1, ""),
        (["--nearest", "right"], 0, -1, "mirrored head"),
        (["--tape", "34cm"], 0, 1, ""),
        (["--tape", "68cm"], 1, 0, "type --distance-scale 2"),
    ],
)
def test_what_is_asked_is_a_flag_too(
    flags: list[str], code: int, turns: int, says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "run"
    assert main(["import", str(LOGS[0]), "-o", str(out), "--yes", *flags]) == code
    assert says in capsys.readouterr().err
    assert (load_run(out).head.turns if out.exists() else 0) == turns


def test_a_station_may_be_given_by_two_tapes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["import", str(LOGS[0]), "-o", str(tmp_path / "run"), "--yes", "--mark", "P:0,0", "--mark", "Q:2,0"]
    assert main([*words, "--station", "B:P=1.30,Q=1.10,left,facing=Q"]) == 0
    station = load_run(tmp_path / "run").stations[0]
    assert (station.x_m, station.y_m) == pytest.approx((1.12, 0.66), abs=1e-3)
    assert station.position_sigma_m == pytest.approx(0.005 * 1.3 * 1.1 / (2.0 * 0.66), rel=0.01)
    assert main([*words[:3], str(tmp_path / "two"), *words[4:], "--station", "B:P=0.5,Q=1.10,left,facing=Q"]) == 2
    assert "cannot both hold: the marks are 2 m apart" in capsys.readouterr().err


def test_two_stations_of_one_name_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["import", str(LOGS[1]), str(LOGS[1]), "-o", str(tmp_path / "run"), "--yes"]
    assert main([*words, "--station", "A:0,0,90", "--station", "A:1,0.5,180"]) == 2
    assert "one name" in capsys.readouterr().err


def test_bytes_that_are_no_text_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "log.txt").write_bytes("10,20\n20,30\n".encode("utf-16-le"))
    assert main(["import", str(tmp_path / "log.txt"), "-o", str(tmp_path / "run"), "--yes"]) == 1
    assert "is no text" in capsys.readouterr().err


def test_a_log_that_a_shell_wrote_as_utf_16_is_read(tmp_path: Path) -> None:
    (tmp_path / "log.txt").write_text("10,20\n20,30\n30,31\n", encoding="utf-16")
    assert main(["import", str(tmp_path / "log.txt"), "-o", str(tmp_path / "run"), "--yes"]) == 0
    assert load_run(tmp_path / "run").readings.angle.tolist() == [10.0, 20.0, 30.0]

"""Recording over real pseudo-terminals and pipes: nothing lost, whatever ends it leaves a run that can be read."""

from __future__ import annotations

import csv
import io
import json
import math
import os
import pty
import resource
import select
import signal
import subprocess
import sys
import termios
import threading
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sonargrid.runs.heard_lines import LineReader, LineSplitter
from sonargrid.runs.log_guess import Stated
from sonargrid.runs.run_files import load_run
from sonargrid.runs.sender import sender_program
from sonargrid_cli.live_strip import LiveScreen, Strip
from sonargrid_cli.main import main
from test_sender import MAIN, STUB

RECORD = [sys.executable, "-m", "sonargrid_cli", "record"]
HEADER = "angle_deg,echo_us,time_s\n"


def _sweeps(count: int, header: bool = True) -> list[str]:
    """Return lines of a head that goes to and fro, with silence at some angles."""
    there = list(range(10, 171, 5))
    both = there + there[::-1]
    lines = [HEADER] if header else []
    for i in range(count):
        angle = both[i % len(both)]
        echo = "" if 60 < angle < 80 else str(2000 + 7 * angle)
        lines.append(f"{angle},{echo},{0.062 * i:.3f}\n")
    return lines


class _Line:
    """Both ends of a pseudo-terminal: the robot's end, and the name that `record` opens."""

    def __init__(self) -> None:
        self.robot, self._other = pty.openpty()
        mode = termios.tcgetattr(self._other)
        mode[0] = mode[1] = mode[3] = 0  # raw: no echo, no translation
        termios.tcsetattr(self._other, termios.TCSANOW, mode)
        self.name = os.ttyname(self._other)

    def send(self, data: bytes) -> None:
        done = 0
        while done < len(data):
            done += os.write(self.robot, data[done : done + 4000])

    def unplug(self) -> None:
        os.close(self._other)
        os.close(self.robot)

    def wait_until_open(self, rate: int = termios.B115200) -> None:
        """Return when the other side has set the rate."""
        for _ in range(400):
            if termios.tcgetattr(self._other)[4] == rate:
                time.sleep(0.2)  # what lies about in the line is thrown away when it is opened
                return
            time.sleep(0.05)
        raise AssertionError("nobody opens the line")

    def wait_until_read(self) -> None:
        """Return when the other side has taken everything."""
        for _ in range(600):
            if not select.select([self._other], [], [], 0)[0]:
                return
            time.sleep(0.05)
        raise AssertionError("nobody reads the line")


def _record(line: _Line, run: Path, *flags: str, **more: object) -> subprocess.Popen[str]:
    words = [*RECORD, str(run), "--from", line.name, *flags]
    return subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **more)  # type: ignore[call-overload,no-any-return]


def _kept(run: Path) -> int:
    """Return how many rows a run has, read without the project."""
    with (run / "readings.csv").open(newline="") as file:
        return len(list(csv.reader(file))) - 1


def test_a_hundred_thousand_lines_over_a_pseudo_terminal_and_none_is_lost(tmp_path: Path) -> None:
    line, run, count = _Line(), tmp_path / "run", 100_000
    child = _record(line, run, "--quiet")
    line.wait_until_open()
    sent = "".join(_sweeps(count)).encode()
    line.send(sent)
    line.wait_until_read()
    child.send_signal(signal.SIGINT)
    out, err = child.communicate(timeout=60)
    line.unplug()
    assert (child.returncode, out, err) == (0, "", "")
    assert (run / "heard_A.log").read_bytes() == sent
    with (run / "readings.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    want = list(csv.DictReader(sent.decode().splitlines()))
    assert [(row["angle_deg"], row["echo_us"], float(row["time_s"])) for row in rows] == [
        (row["angle_deg"], row["echo_us"], float(row["time_s"])) for row in want
    ]
    assert len(load_run(run).readings) == count


def test_noise_costs_only_the_lines_it_hits(tmp_path: Path) -> None:
    line, run = _Line(), tmp_path / "run"
    rng = np.random.default_rng(5)
    lines = _sweeps(3000)
    hit = sorted(rng.choice(np.arange(2, 3000), 60, replace=False).tolist())
    sent = [text.encode() for text in lines]
    for number in hit:
        at = int(rng.integers(1, len(sent[number]) - 1))
        noise = bytes(rng.integers(128, 255, int(rng.integers(1, 4))).tolist())
        sent[number] = sent[number][:at] + noise + sent[number][at:]
    child = _record(line, run, "--json")
    line.wait_until_open()
    line.send(b"".join(sent))
    line.wait_until_read()
    child.send_signal(signal.SIGINT)
    out, err = child.communicate(timeout=30)
    line.unplug()
    told = json.loads(out)
    assert child.returncode == 0
    assert (told["readings"], told["unread"]) == (3000 - 60, 60)
    assert "60 lines could not be read" in err
    clock = load_run(run).readings.time_s
    assert clock is not None
    wrong = {round(0.062 * (number - 1), 3) for number in hit}
    assert clock.tolist() == [value for i in range(3000) if (value := round(0.062 * i, 3)) not in wrong]
    assert (run / "heard_A.log").read_bytes() == b"".join(sent)


def test_a_wrong_rate_is_said(tmp_path: Path) -> None:
    line, run = _Line(), tmp_path / "run"
    child = _record(line, run, "--baud", "9600")
    line.wait_until_open(termios.B9600)
    line.send(bytes(np.random.default_rng(1).integers(128, 256, 4000).tolist()))
    line.wait_until_read()
    child.send_signal(signal.SIGINT)
    out, err = child.communicate(timeout=30)
    line.unplug()
    assert (child.returncode, out) == (1, "")
    assert "not one reading" in err and "--baud 9600 now; others are 115200" in err
    assert (run / "heard_A.log").stat().st_size == 4000


def test_pulling_the_cable_keeps_what_was_heard(tmp_path: Path) -> None:
    line, run = _Line(), tmp_path / "run"
    child = _record(line, run)
    line.wait_until_open()
    line.send("".join(_sweeps(500)).encode() + b"90,18")  # torn off in mid-line
    line.wait_until_read()
    line.unplug()
    out, err = child.communicate(timeout=30)
    assert (child.returncode, out) == (1, "")
    assert "error: /dev/" in err and "pulled out" in err and "500 readings of station A are kept" in err
    assert len(load_run(run).readings) == 500


@pytest.mark.parametrize("limit", [5_000, 12_345, 40_001])
def test_a_full_disk_leaves_whole_rows(limit: int, tmp_path: Path) -> None:
    run = tmp_path / "run"
    sent = "".join(_sweeps(4000)).encode()

    def hold() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

    done = subprocess.run([*RECORD, str(run)], input=sent, capture_output=True, preexec_fn=hold, timeout=60)
    assert done.returncode == 1
    assert b"cannot be written any more: file too large" in done.stderr and b"Traceback" not in done.stderr
    raw, rows = (run / "heard_A.log").read_bytes(), (run / "readings.csv").read_bytes()
    assert sent.startswith(raw) and max(len(raw), len(rows)) <= limit
    assert rows.endswith(b"\r\n")
    kept = load_run(run).readings
    assert kept.angle.tolist() == [float(text.split(",")[0]) for text in _sweeps(4000)[1 : len(kept) + 1]]
    assert len(kept) >= 0.9 * min(len(raw) / len(sent) * 4000, limit / 20)


def test_control_c_is_a_normal_end_and_a_run_can_go_on(tmp_path: Path) -> None:
    run = tmp_path / "run"
    for first in (True, False):
        line = _Line()
        child = _record(line, run, *(() if first else ("--station", "A")))
        line.wait_until_open()
        line.send("".join(_sweeps(66)).encode())
        time.sleep(0.5)
        line.wait_until_read()
        child.send_signal(signal.SIGINT)
        out, _ = child.communicate(timeout=30)
        line.unplug()
        assert child.returncode == 0
        assert "66 readings of station A are kept" in out and f"Next: sonargrid map {run}" in out
    both = load_run(run)
    assert len(both.readings) == 132
    assert (
        both.readings.time_s is not None and (np.diff(both.readings.time_s) > 0).all()
    )  # the second clock is counted on


def test_stations_are_added_to_one_run(tmp_path: Path) -> None:
    run, log = tmp_path / "run", tmp_path / "log.txt"
    log.write_text("".join(_sweeps(66)))
    assert main(["record", str(run), "--from", str(log)]) == 0
    before = (run / "run.toml").read_text()
    (run / "run.toml").write_text(before + "# a note of mine\n")
    words = ["record", str(run), "--from", str(log), "--station", "B", "--x", "0.8", "--y", "0", "--heading", "120"]
    assert main(words) == 0
    made = load_run(run)
    assert [(s.name, s.x_m, s.y_m, round(math.degrees(s.heading_rad), 6)) for s in made.stations] == [
        ("A", 0.0, 0.0, 90.0),
        ("B", 0.8, 0.0, 120.0),
    ]
    assert np.bincount(made.readings.station).tolist() == [66, 66]
    assert "# a note of mine" in (run / "run.toml").read_text()


def test_a_run_of_one_unnamed_station_gets_a_station_column(tmp_path: Path) -> None:
    run, log = tmp_path / "run", tmp_path / "log.txt"
    run.mkdir()
    (run / "run.toml").write_text('format = "sonargrid-run/1"\n')
    (run / "readings.csv").write_text("angle_deg,range_cm,remark\n90,50,by hand\n95,51,\n")
    log.write_text("angle_deg,range_mm\n90,700\n95,\n")
    words = ["record", str(run), "--from", str(log), "--station", "B", "--x", "1", "--y", "0", "--heading", "90"]
    assert main(words) == 0
    with (run / "readings.csv").open(newline="") as file:
        assert list(csv.reader(file)) == [
            ["station", "angle_deg", "range_cm", "remark"],
            ["A", "90", "50", "by hand"],
            ["A", "95", "51", ""],
            ["B", "90", "70", ""],
            ["B", "95", "", ""],
        ]
    assert [s.name for s in load_run(run).stations] == ["A", "B"]


def test_passes_and_directions_go_on_where_the_run_has_them(tmp_path: Path) -> None:
    run, log = tmp_path / "run", tmp_path / "log.txt"
    log.write_text("".join(f"{a},{30 + a * a % 7}\n" for a in range(0, 181, 5)))
    assert main(["import", str(log), "-o", str(run), "--yes"]) == 0
    words = ["--station", "B", "--x", "1", "--y", "0", "--heading", "90"]
    log.write_text("angle_deg,range_cm\n10,50\n20,51\n20,52\n10,53\n")
    assert main(["record", str(run), "--from", str(log), *words]) == 0
    rows = load_run(run).readings
    assert rows.sweep[-4:].tolist() == [1, 1, 1, 2]
    assert rows.turning[-3:].tolist() == [1, 1, -1]


def test_a_run_made_by_new_is_filled_station_by_station(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run, log = tmp_path / "run", tmp_path / "log.txt"
    assert main(["new", str(run), "--yes", "--stations", "2", "--distance-unit", "cm", "--no-echo-at", "999"]) == 0
    log.write_text("90,34\n95,999\n100,33\n")  # no header: the columns that `new` wrote
    assert main(["record", str(run), "--from", str(log)]) == 0
    assert main(["record", str(run), "--from", str(log)]) == 0
    made = load_run(run)
    assert np.bincount(made.readings.station).tolist() == [3, 3]
    assert np.isinf(made.readings.distance).sum() == 2
    capsys.readouterr()
    assert main(["record", str(run), "--from", str(log)]) == 2
    assert "every station has readings: A, B" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (["--station", "C"], 2, "station C is new: where does the robot stand?"),
        (["--station", "A", "--x", "3", "--y", "0", "--heading", "90"], 2, "stands elsewhere"),
        (["--x", "3"], 2, "a place needs --x, --y and --heading"),
        (["--station", "A"], 1, "the robot sends angle_deg and echo_us, the run has"),
    ],
)
def test_what_does_not_fit_is_refused(
    words: list[str], code: int, says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run, log = tmp_path / "run", tmp_path / "log.txt"
    log.write_text("angle_deg,range_cm\n90,34\n95,33\n")
    assert (
        main(["record", str(run), "--from", str(log), "--station", "A", "--x", "0", "--y", "0", "--heading", "90"]) == 0
    )
    before = (run / "readings.csv").read_bytes()
    log.write_text("".join(_sweeps(5)))
    assert main(["record", str(run), "--from", str(log), *words]) == code
    assert says in capsys.readouterr().err
    assert (run / "readings.csv").read_bytes() == before


def test_nothing_at_all_leaves_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "log.txt").write_text("")
    assert main(["record", str(tmp_path / "run"), "--from", str(tmp_path / "log.txt")]) == 1
    assert "nothing came from" in capsys.readouterr().err
    assert not (tmp_path / "run").exists()


def test_what_is_no_stream_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["record", str(tmp_path / "run"), "--from", str(tmp_path / "none")]) == 1
    assert "cannot be opened: no such file" in capsys.readouterr().err
    assert main(["record", str(tmp_path / "run"), "--from", str(tmp_path)]) == 1
    assert "is a folder" in capsys.readouterr().err
    assert not (tmp_path / "run").exists()


def test_a_named_pipe_is_read_while_it_is_written(tmp_path: Path) -> None:
    fifo, run = tmp_path / "pipe", tmp_path / "run"
    os.mkfifo(fifo)

    def write() -> None:
        with fifo.open("w") as file:
            for text in _sweeps(40):
                file.write(text)
                file.flush()

    writer = threading.Thread(target=write)
    writer.start()
    assert main(["record", str(run), "--from", str(fifo)]) == 0
    writer.join()
    assert _kept(run) == 40


def test_limits_end_it(tmp_path: Path) -> None:
    log = tmp_path / "log.txt"
    log.write_text("".join(_sweeps(500)))
    assert main(["record", str(tmp_path / "run"), "--from", str(log), "--readings", "70"]) == 0
    assert _kept(tmp_path / "run") == 70


def test_the_controller_s_program_feeds_it(tmp_path: Path) -> None:
    (tmp_path / "stub.h").write_text(STUB)
    (tmp_path / "sender.cpp").write_text(sender_program("board") + MAIN)
    words = ["g++", "-include", "stub.h", "sender.cpp", "-o", "sender"]
    subprocess.run(words, cwd=tmp_path, check=True)
    line, run = _Line(), tmp_path / "run"
    child = _record(line, run, "--reach", "1m")
    line.wait_until_open()
    subprocess.run(["./sender"], cwd=tmp_path, check=True, stdout=line.robot, stderr=subprocess.DEVNULL)
    line.wait_until_read()
    child.send_signal(signal.SIGINT)
    out, err = child.communicate(timeout=30)
    line.unplug()
    assert child.returncode == 0, err
    rows = load_run(run).readings
    assert len(rows) == 132 and (rows.angle.min(), rows.angle.max()) == (10.0, 170.0)
    assert (np.isinf(rows.distance) == (rows.angle > 135.0)).all()
    assert "132 readings of station A are kept" in out


def test_a_beginning_cut_off_is_noticed() -> None:
    reader = LineReader(["angle_deg", "echo_us", "time_s"], joined_late=True)
    lines = [b"5,2700,1.00", b"110,2701,1.06", b"115,2702,1.12"]
    assert [one[0] for one in reader.read(lines) + reader.finish()] == [110.0, 115.0]
    assert reader.unread == 1
    whole = LineReader(["angle_deg", "echo_us", "time_s"], joined_late=True)
    assert len(whole.read([b"105,2700,1.00", *lines[1:]]) + whole.finish()) == 3


def test_logs_of_other_shapes_are_understood_while_they_come() -> None:
    reader = LineReader(None, Stated())
    lines = [f"angle: {a} dist: {'timeout' if a < 20 else f'{30 + a * a % 7} cm'}".encode() for a in range(0, 181, 5)]
    made = reader.read(lines) + reader.finish()
    assert [one[0] for one in made] == [float(a) for a in range(0, 181, 5)]
    assert (reader.distance_column, reader.silent, reader.unread) == ("range_cm", 4, 0)


@settings(derandomize=True, deadline=None, max_examples=60)
@given(st.lists(st.integers(1, 40), min_size=1, max_size=60), st.booleans())
def test_it_does_not_matter_where_a_stream_is_cut(cuts: list[int], returns: bool) -> None:
    text = "".join(_sweeps(40)).replace("\n", "\r\n" if returns else "\n").encode()
    split, reader, at, made = LineSplitter(), LineReader(), 0, []
    for cut in [*cuts, len(text)]:
        made += reader.read(split.feed(text[at : at + cut]))
        at += cut
    made += reader.read(split.rest()) + reader.finish()
    whole = LineReader()
    assert made == whole.read(text.replace(b"\r", b"").splitlines())
    assert len(made) == 40


def test_the_strip_shows_left_on_the_left() -> None:
    strip = Strip(1.0)
    for left in range(90, -91, -5):
        strip.add(left, 0.25 if left > 40 else math.inf if left > 0 else 0.75)
    for lines in (strip.lines(blocks=True), strip.lines(blocks=False)):
        assert all(len(text) <= 80 for text in lines)
        marks = [text.find(mark) for text in lines for mark in "#▄▀" if mark in text]
        assert min(marks) == 8
    plain = strip.lines(blocks=False)
    assert all(text.isascii() for text in plain)
    near, far = (next(text for text in plain[row:] if "#" in text) for row in (6, 0))
    assert near.find("#") < far.find("#")  # the near thing is on the left


class _Terminal(io.StringIO):
    encoding = "utf-8"  # type: ignore[assignment]

    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize("plain", [False, True])
def test_the_strip_is_drawn_anew_in_place(plain: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setenv("NO_COLOR", "1" if plain else "")
    strip, paper = Strip(1.0), _Terminal()
    strip.add(30.0, 0.4)
    screen = LiveScreen(strip, "A", stream=paper)
    screen.show("1 heard", last=True)
    first = paper.getvalue()
    screen.show("1 heard", last=True)
    # back to the left edge first: the terminal may have echoed ^C
    assert paper.getvalue()[len(first) :].startswith(f"\r\x1b[{first.count(chr(10))}A")
    assert ("#" in first, "\x1b[1;36m" in first) == (plain, not plain)


def test_piped_it_draws_nothing_anew(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = tmp_path / "log.txt"
    log.write_text("".join(_sweeps(66)))
    assert main(["record", str(tmp_path / "run"), "--from", str(log)]) == 0
    err = capsys.readouterr().err
    assert "\x1b" not in err and err.isascii()
    assert "60 heard, 6 silent" in err or "heard" in err
    assert main(["record", str(tmp_path / "two"), "--from", str(log), "--quiet"]) == 0
    said = capsys.readouterr()
    assert (said.out, said.err) == ("", "")

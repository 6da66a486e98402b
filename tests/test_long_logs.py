"""Logs read block by block, against the strict reader of whole files; counted readings against all of them one by one.

What is accepted and what is told must not depend on where a file was cut, on the way a block was read, or on whether
equal readings were counted together.
"""

from __future__ import annotations

import gzip
import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sonargrid.errors import InputFaults, UsageProblem
from sonargrid.many.recipe import Recipe, Task
from sonargrid.many.run_list import ListedRun
from sonargrid.many.run_steps import ReadRun, read_run
from sonargrid.maps.evidence import MapSettings
from sonargrid.maps.mapping import map_run
from sonargrid.pipeline import Output, find_things, map_to_folder
from sonargrid.runs import counted_rows, csv_blocks, first_look, line_blocks, run_files, stations_agree
from sonargrid.runs.csv_blocks import read_readings
from sonargrid.runs.csv_rescan import rescan
from sonargrid.runs.csv_rows import Rows, read_header
from sonargrid.runs.line_blocks import LineBlocks, check_text
from sonargrid.runs.plain_cells import NUMBER, SKIPPED, TEXT, plain_cells
from sonargrid.runs.run_files import load_run
from sonargrid_cli.notes import kept_words

FORMAT = 'format = "sonargrid-run/1"\n'
PROPERTY = settings(derandomize=True, deadline=None, max_examples=200)
Told = tuple[list[str], int]


def told(problem: InputFaults) -> Told:
    return [str(fault) + " | " + fault.hint for fault in problem.faults], problem.count


def strictly(content: bytes, no_echo_at: tuple[float, ...] = ()) -> Rows | Told:
    """Return what the strict reader says of a whole file: check the text, then the header, then row by row."""
    try:
        check_text(content, "a.csv")
        return rescan(content, read_header(content, "a.csv"), no_echo_at, "a.csv")
    except InputFaults as problem:
        return told(problem)


def in_blocks(content: bytes, block_bytes: int, piece_bytes: int, no_echo_at: tuple[float, ...] = ()) -> Rows | Told:
    pieces = (content[at : at + piece_bytes] for at in range(0, len(content), piece_bytes))
    try:
        return read_readings(pieces, "a.csv", no_echo_at, block_bytes=block_bytes)
    except InputFaults as problem:
        return told(problem)


def assert_alike(got: Rows | Told, want: Rows | Told) -> None:
    if isinstance(want, tuple) or isinstance(got, tuple):
        assert got == want
        return
    for name in ("angle", "distance", "station", "sweep", "turning", "time_s", "pose"):
        one, two = getattr(got, name), getattr(want, name)
        assert (one is None) == (two is None), name
        if one is not None:
            assert one.dtype == two.dtype and one.tobytes() == two.tobytes(), name
    assert got.station_names == want.station_names
    assert [got.line_of(i) for i in range(len(got))] == [want.line_of(i) for i in range(len(want))]


HEAD = "station,angle_deg,range_cm,note,time_s\n"
LINES = st.sampled_from(
    [
        "A,10,50,x,1\n",
        "A,10,50,x,1\n",
        "B,170,999,,2.5\n",
        "B,90,12.75,a-b,-3\n",
        "A,11,,x,1\n",
        "A,11,nan,x,1\n",
        "A,11,inf,x,1e3\n",
        "long name of a station,11,5,x,1\n",
        "\n",
        "  \n",
        "A,10,50,x,1\r\n",
        'A,10,50,"two\nlines, and ""more""",1\n',
        '"A",10,50,"\n\n\n",1\n',
        "T\u00fcr,10,50,\u00b0,1\n",
        " A , 10,50 ,x,1\n",
        ",10,50,x,1\n",
        "A,200,50,x,1\n",
        "A,10,0,x,1\n",
        "A,10,50,x\n",
        "A,10,50,x,\n",
        "A;10;50\n",
        HEAD,
        'A,10,50,"x"y,1\n',
        'A,10,50,"never closed,1\n',
        "A,1 0,5O,x,1\n",
        "A,10,50,x,1\rA,11,51,y,2\r\n",
    ]
)


@PROPERTY
@given(st.lists(LINES, min_size=0, max_size=8), st.booleans(), st.sampled_from(["", "\ufeff", "\n", "\ufeff\n\r\n"]))
def test_where_a_file_is_cut_changes_nothing(lines: list[str], ends: bool, start: str) -> None:
    text = start + HEAD + "".join(lines)
    content = (text if ends else text.removesuffix("\n")).encode()
    want = strictly(content, (999.0,))
    for block_bytes in (1, 2, 7, 30, 61, 100, 1 << 18):
        for piece_bytes in (1, 5, 64, 1 << 18):
            assert_alike(in_blocks(content, block_bytes, piece_bytes, (999.0,)), want)


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_blocks_cut_at_every_byte(end: str) -> None:
    rows = ["A,10,50,x,1", "B,9,,x,2", 'A,8,7.25,"x\ny",3', "", "T\u00fcr,10,50,\u00b0,4", "C,1,2,3,4"]
    content = ("\ufeff" + HEAD + end.join(rows) + end).encode()
    want = strictly(content)
    assert isinstance(want, Rows) and len(want) == 5
    for cut in range(1, len(content) + 1):
        assert_alike(in_blocks(content, cut, len(content)), want)
        assert_alike(in_blocks(content, 1 << 18, cut), want)
        assert_alike(in_blocks(content, 16, cut), want)


@PROPERTY
@given(st.lists(st.sampled_from([b"a", b"bc\n", b"\n", b"\0", b"\xff", "\u00e9".encode(), b"\xc3", b"0" * 9, b"\r"])))
def test_what_is_no_text_is_told_as_of_the_whole_file(parts: list[bytes]) -> None:
    content = b"".join(parts)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(line_blocks, "MAX_LINE_BYTES", 12)
        patch.setattr(line_blocks, "HEAD_BYTES", 8)
        want: Told | None = None
        try:
            check_text(content, "a.csv")
        except InputFaults as problem:
            want = told(problem)
        for block_bytes in (1, 3, 10, 1000):
            for piece_bytes in (1, 2, 7, 1000):
                pieces = [content[at : at + piece_bytes] for at in range(0, len(content), piece_bytes)]
                blocks, whole, got = LineBlocks(pieces, "a.csv", block_bytes), b"", None
                try:
                    blocks.head()
                    while block := blocks.block():
                        whole += block
                except InputFaults as problem:
                    got = told(problem)
                assert got == want
                assert want is not None or whole == content


def test_a_wide_file_and_an_endless_line_are_told_though_the_header_is_wrong() -> None:
    assert in_blocks("angle_deg,range_cm\n1,2\n".encode("utf-16"), 8, 8) == strictly(
        "angle_deg,range_cm\n1,2\n".encode("utf-16")
    )
    long = b"angle,range\n" + b"7" * 200_000 + b"\n1,2\n"
    assert in_blocks(long, 64, 100) == strictly(long)
    late = b"angle_deg,range_cm\n" + b"1,2\n" * 50_000 + b"\xff"
    assert in_blocks(late, 1 << 12, 1 << 12) == (
        ["a.csv line 50002: not UTF-8: byte 0xff | save the file as UTF-8 text"],
        1,
    )
    assert in_blocks(b"angle,range\n" + late, 1 << 12, 1 << 12) == strictly(b"angle,range\n" + late)


DIGITS = st.text("0123456789", min_size=1, max_size=9)
NUMBERS = st.one_of(
    DIGITS,
    st.builds("-{}".format, DIGITS),
    st.builds("{}{}.{}".format, st.sampled_from(["", "-"]), DIGITS, DIGITS),
    st.sampled_from(["", ".5", "5.", "-", "1e3", "+7", "--1", "1-", "1.2.3", "a", "1a", "-.", "- 1"]),
)
WORDS = st.sampled_from(["A", "", "bay-1", "x.y", "12345678", "abcdefghi"])


@PROPERTY
@given(st.lists(st.tuples(NUMBERS, WORDS, NUMBERS), min_size=1))
def test_cells_read_by_their_bytes_are_the_nearest_doubles(rows: list[tuple[str, str, str]]) -> None:
    block = "".join(f"{a},{t},skipped-{t},{b}\n" for a, t, b in rows).encode()
    got = plain_cells(block, [NUMBER, TEXT, SKIPPED, NUMBER], 3)
    if got is None:
        return
    first, texts, skipped, last = got
    assert (
        isinstance(first, np.ndarray) and isinstance(texts, tuple) and skipped is None and isinstance(last, np.ndarray)
    )
    # the standard library's correctly rounded conversion (David Gay's, see the documentation of float)
    assert [float(v) for v in first] == [float(a) for a, _, _ in rows]
    assert [float(v) for v in last] == [float(b or "inf") for _, _, b in rows]
    assert [texts[0][i] for i in texts[1]] == [t for _, t, _ in rows]


def test_names_of_digits_are_texts() -> None:
    for names in (["01", "1", "01"], ["100001", "200001"], ["7", "8", "8"], ["12345678", "22345678"]):
        block = "".join(f"{name},5,{'9' * 20}\n" for name in names).encode()
        got = plain_cells(block, [TEXT, NUMBER, SKIPPED], 1)
        assert got is not None and isinstance(got[0], tuple)
        assert [got[0][0][i] for i in got[0][1]] == names


def test_plain_blocks_are_read_by_their_bytes() -> None:
    block = b"A,-12,0.125,x\nB,3,12345678.5,y z-\n".replace(b" ", b"")
    got = plain_cells(block, [TEXT, NUMBER, NUMBER, SKIPPED], 2)
    assert got is not None
    assert np.asarray(got[1]).tolist() == [-12, 3] and np.asarray(got[2]).tolist() == [0.125, 12345678.5]
    assert plain_cells(b"1,2\r\n3,\r\n", [NUMBER, NUMBER], 1) is not None
    assert plain_cells(b"1,2\n,4\n", [NUMBER, NUMBER], 1) is None


# ---- counted together or one by one


class Log:
    """A run of a few dozen readings with one of everything that a log may have."""

    def __init__(self, seed: int) -> None:
        rng = random.Random(seed)
        self.rng = rng
        self.names = ["A"] if rng.random() < 0.3 else ["1", "2", "north-bay"][: rng.choice([2, 3])]
        self.angle = rng.choice(["angle_deg", "angle_deg", "pulse_us", "bearing_deg"])
        self.distance = rng.choice(["range_mm", "range_cm", "range_m", "echo_us", "range_in"])
        self.with_time, self.with_sweep, self.with_note = (rng.random() < 0.4 for _ in range(3))
        self.with_turning, self.true_turning = rng.random() < 0.5, rng.random() < 0.7
        self.step_s = (0.1,) if rng.random() < 0.7 else (0.1, 0.1, -0.05)
        self.no_echo = rng.choice([[], [999], [0, 999]])
        self.names_there = len(self.names) > 1 or rng.random() < 0.5

    def toml(self) -> str:
        rng = self.rng
        text = FORMAT + "[ranger]\nreach_m = 1.0\nhalf_beam_deg = 15.0\n"
        text += f"no_echo_at = {self.no_echo}\n" if self.no_echo else ""
        text += rng.choice(["", "", "range_scale = 1.003\nrange_bias_m = 0.0017\n", "us_per_cm = 58.0\n"])
        text += "[head]\n" + rng.choice(["", "", "arm_m = 0.02\n", 'turns = "cw"\nangle_offset_deg = 1.5\n'])
        text += rng.choice(["", "backlash_deg = 3.0\n"]) if self.with_turning else ""
        for i, name in enumerate(self.names):
            text += f'[[station]]\nname = "{name}"\nx_m = {0.3 * i}\ny_m = {0.1 * i}\nheading_deg = {90 - 20 * i}\n'
        return text

    def csv(self) -> str:
        rng = self.rng
        names = (["station"] if self.names_there else []) + [self.angle, self.distance]
        more = {
            "time_s": self.with_time,
            "sweep": self.with_sweep,
            "note": self.with_note,
            "turning": self.with_turning,
        }
        names += [name for name, there in more.items() if there]
        end = rng.choice(["\n", "\n", "\r\n"])
        lines = [rng.choice(["", "\ufeff"]) + ",".join(names)]
        clock, last = 0.0, dict.fromkeys(self.names, 90.0)
        angles = rng.choice([[0, 20, 40, 60, 90, 120, 180], [88.5, 90, 91.25], list(range(0, 181, 3))])
        cells = [self._distance() for _ in range(rng.choice([2, 5, 30]))]
        for _ in range(rng.choice([12, 60, 150])):
            clock += rng.choice(self.step_s)
            name, angle = rng.choice(self.names), rng.choice(angles)
            move = (angle > last[name]) - (angle < last[name])
            last[name] = angle
            way = {1: "up", -1: "down", 0: ""}[move] if self.true_turning else rng.choice(["up", "down", ""])
            angle = {"pulse_us": 1500 + 10 * (angle - 90), "bearing_deg": angle - 90}.get(self.angle, angle)
            row = {"station": name, "turning": way, self.angle: f"{angle:g}", self.distance: rng.choice(cells)}
            row |= {
                "time_s": f"{clock:.2f}",
                "sweep": str(rng.randrange(3)),
                "note": rng.choice(["", "x", '"a, b"', "-"]),
            }
            lines.append(",".join(row[name] for name in names))
            if rng.random() < 0.02:
                lines.append("")
        return end.join(lines) + (end if rng.random() < 0.7 else "")

    def _distance(self) -> str:
        rng = self.rng
        odd = rng.random()
        if odd < 0.2:
            return rng.choice(["", "inf", "nan", "999" if self.no_echo else "", "0" if 0 in self.no_echo else ""])
        metres = rng.uniform(0.02, 1.1)
        per_metre, places = {
            "range_mm": (1000.0, 0),
            "range_cm": (100.0, rng.choice([0, 1])),
            "range_m": (1.0, rng.choice([2, 3, 7])),
            "echo_us": (5830.0, 0),
            "range_in": (39.37, 1),
        }[self.distance]
        return f"{max(metres * per_metre, 1.0 if places == 0 else 0.1):.{places}f}"


@pytest.fixture
def counting() -> Iterator[None]:
    """Let readings be counted from the eighth on, as otherwise those of a log of hundreds of thousands are."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(csv_blocks, "COUNT_FROM", 8)
        patch.setattr(first_look, "LOOKED_AT", 5)
        patch.setattr(counted_rows, "LOOKED_AT", 5)
        patch.setattr(stations_agree, "MOST_READINGS", 8)
        patch.setattr(run_files, "read_readings", partial(read_readings, block_bytes=90))
        yield


def laid(folder: Path, toml: str, content: bytes, packed: bool) -> Path:
    folder.mkdir()
    (folder / "run.toml").write_text(toml)
    (folder / ("readings.csv.gz" if packed else "readings.csv")).write_bytes(
        gzip.compress(content, mtime=0) if packed else content
    )
    return folder


def mapped(path: Path, out: Path, beam: str, stations: list[str], counted: bool) -> tuple[bytes, dict[str, Any]] | Told:
    try:
        run = load_run(path, stations=stations, count_repeats=counted)
    except InputFaults as problem:
        return told(problem)
    done = map_to_folder(run, MapSettings(beam=beam, solver="additive", cell_m=0.03), None, Output(folder=out))
    summary = json.loads((done.folder / "summary.json").read_text())
    assert counted or run.readings.count is None
    del summary["timing_s"]
    return (done.folder / "grid.npz").read_bytes(), summary


@pytest.mark.parametrize("seed", [*range(60), 1042])
def test_counted_readings_give_the_same_files_to_the_byte(seed: int, tmp_path: Path, counting: None) -> None:
    log = Log(seed)
    toml, content = log.toml(), log.csv().encode()
    path = laid(tmp_path / "run", toml, content, seed % 3 == 0)
    beam = log.rng.choice(["gaussian", "gaussian", "cone", "centreline", "tapered", "piston"])
    stations = log.names[:1] if log.rng.random() < 0.2 else []
    one = mapped(path, tmp_path / "one", beam, stations, counted=False)
    two = mapped(path, tmp_path / "two", beam, stations, counted=True)
    assert one == two
    if isinstance(one[0], list):
        return
    assert one[1]["counts"]["readings"] > 0


def test_the_random_logs_are_maps_mostly(tmp_path: Path, counting: None) -> None:
    """The comparison above would mean little if most of its logs were refused."""
    made = 0
    for seed in range(60):
        log = Log(seed)
        path = laid(tmp_path / f"{seed}", log.toml(), log.csv().encode(), False)
        try:
            made += load_run(path, count_repeats=True).readings.count is not None
        except InputFaults:
            continue
    assert made >= 45


@pytest.mark.parametrize("seed", range(30))
def test_faults_of_counted_readings_are_the_same(seed: int, tmp_path: Path, counting: None) -> None:
    log = Log(100 + seed)
    toml, lines = log.toml(), log.csv().split("\n")
    rng = log.rng
    for _ in range(rng.choice([1, 2, 30])):
        at = rng.randrange(1, len(lines))
        wrong = [
            "x,y",
            lines[at] + ",7",
            "nowhere,90,50",
            lines[at].replace("9", "O"),
            '"',
            lines[0],
            "-5,-5",
            "\udcff",
        ]
        lines[at] = rng.choice(wrong)
    content = "\n".join(lines).encode("utf-8", "surrogateescape")
    path = laid(tmp_path / "run", toml, content, seed % 3 == 0)
    one = mapped(path, tmp_path / "one", "gaussian", [], counted=False)
    assert one == mapped(path, tmp_path / "two", "gaussian", [], counted=True)


@pytest.mark.parametrize(
    ("head", "column", "value"),
    [("backlash_deg = 2.0", "note", "x"), ("", "turning,time_s", "up,9"), ("", "x_m,y_m,heading_deg", "0,0,90")],
)
def test_nothing_is_counted_where_order_has_a_say(
    head: str, column: str, value: str, tmp_path: Path, counting: None
) -> None:
    rows = "".join(f"{angle},50,{value}\n" for angle in range(60)) + f"60,50,{value}\n".replace("9", "8")
    path = laid(tmp_path / "run", f"{FORMAT}[head]\n{head}\n", f"angle_deg,range_cm,{column}\n{rows}".encode(), False)
    assert load_run(path, count_repeats=True).readings.count is None
    assert len(load_run(path, count_repeats=True, sweeps=[0]).readings) > 0


def test_different_readings_beyond_the_table_are_sorted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """More different readings than a table holds, and decimals that none can hold: the same counts."""
    rng = np.random.default_rng(3)
    angle, mm = rng.integers(0, 91, 60_000), rng.integers(30, 90, 60_000)
    cells = [f"{m}" if m % 50 else f"{m}.0001234" for m in mm.tolist()]
    rows = "".join(f"{a},{m}\n" for a, m in zip(angle.tolist(), cells, strict=True))
    (tmp_path / "a.csv").write_text("angle_deg,range_mm\n" + rows)
    monkeypatch.setattr(csv_blocks, "COUNT_FROM", 1000)
    monkeypatch.setattr(counted_rows, "SETTLE_FROM", 5000)
    want = sorted(zip(angle.tolist(), map(float, cells), strict=True))
    for most in (1 << 24, 1000, 6000):
        monkeypatch.setattr(counted_rows, "MOST_PLACES", most)
        rows_of = load_run(tmp_path / "a.csv", count_repeats=True).readings
        assert rows_of.count is not None and rows_of.taken == 60_000
        pairs = list(zip(rows_of.angle.tolist(), rows_of.distance.tolist(), strict=True))
        assert pairs[:2000] == list(zip(angle[:2000].tolist(), map(float, cells[:2000]), strict=True))
        again = [pair for pair, count in zip(pairs, rows_of.count.tolist(), strict=True) for _ in range(count)]
        assert sorted(again) == want
        assert len(set(pairs[2000:])) == len(pairs) - 2000, "equal readings are counted together"
    # where hardly any are equal, they are kept as they come
    fine = rng.uniform(30.0, 900.0, 60_000)
    (tmp_path / "b.csv").write_text("angle_deg,range_mm\n" + "".join(f"90,{m!r}\n" for m in fine.tolist()))
    rows_of = load_run(tmp_path / "b.csv", count_repeats=True).readings
    assert sorted(rows_of.distance.tolist()) == sorted(fine.tolist()) and rows_of.taken == 60_000


def test_counts_serve_sums_only(tmp_path: Path, counting: None) -> None:
    (tmp_path / "a.csv").write_text("angle_deg,range_cm\n" + "90,50\n" * 40)
    run = load_run(tmp_path / "a.csv", count_repeats=True)
    assert (run.readings.taken, repr(run)) == (40, "Run 'a': 40 readings from 1 station")
    with pytest.raises(UsageProblem, match="serve the additive solver only"):
        map_run(run, MapSettings())
    with pytest.raises(UsageProblem, match="a list of things needs every reading"):
        find_things(run)


# ---- as a newcomer would


def command(*words: str, folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "sonargrid_cli", *words], capture_output=True, text=True, cwd=folder, timeout=120
    )


def long_log(path: Path, rows: int) -> None:
    block = "".join(f"{i % 181},{200 + i * 7 % 700}\n" for i in range(10_000))
    with open(path, "w") as file:
        file.write("angle_deg,range_mm\n")
        for _ in range(rows // 10_000):
            file.write(block)


def test_a_late_fault_of_a_long_log_has_its_line(tmp_path: Path) -> None:
    long_log(tmp_path / "log.csv", 300_000)
    with open(tmp_path / "log.csv", "r+b") as file:
        content = file.read().split(b"\n")
        content[299_998] = b"90,-5"
        content[7] = b"190,50"
        file.seek(0)
        file.write(b"\n".join(content))
        file.truncate()
    done = command("map", "log.csv", "--solver", "additive", "--no-objects", folder=tmp_path)
    assert done.returncode == 1 and done.stdout == ""
    assert "log.csv line 8, angle_deg: must lie between 0 and 180 degrees, got 190" in done.stderr
    assert "log.csv line 299999, range_mm: must be above 0, got -5" in done.stderr
    assert os.listdir(tmp_path) == ["log.csv"]


def test_a_cut_off_long_log_leaves_nothing(tmp_path: Path) -> None:
    long_log(tmp_path / "log.csv", 250_000)
    packed = gzip.compress((tmp_path / "log.csv").read_bytes(), 1, mtime=0)
    (tmp_path / "log.csv").unlink()
    (tmp_path / "log.csv.gz").write_bytes(packed[:-5])
    done = command("map", "log.csv.gz", "--solver", "additive", "--no-objects", folder=tmp_path)
    assert done.returncode == 1 and "log.csv.gz: is cut off" in done.stderr
    assert os.listdir(tmp_path) == ["log.csv.gz"]
    (tmp_path / "log.csv.gz").write_bytes(packed + packed[:0] + b"\0\0\0")  # RFC 1952 has no rule against padding
    assert command("map", "log.csv.gz", "--solver", "additive", "--no-objects", folder=tmp_path).returncode == 0


def test_a_long_log_that_is_interrupted_leaves_nothing(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "log.csv")
    words = [sys.executable, "-m", "sonargrid_cli", "map", "log.csv", "--solver", "additive", "--no-objects"]
    # in the background of a shell it would not hear Ctrl-C
    deaf_no_more = partial(signal.signal, signal.SIGINT, signal.SIG_DFL)
    with (
        subprocess.Popen(words, cwd=tmp_path, stderr=subprocess.PIPE, text=True, preexec_fn=deaf_no_more) as job,
        open(tmp_path / "log.csv", "w") as pipe,
    ):
        pipe.write("angle_deg,range_mm\n" + "90,500\n" * 400_000)
        pipe.flush()
        time.sleep(0.3)
        job.send_signal(signal.SIGINT)
        _, said = job.communicate(timeout=60)
    assert job.returncode == 130 and "interrupted; no output was left half written" in said
    assert os.listdir(tmp_path) == ["log.csv"]


def test_a_batch_of_sums_counts_too(tmp_path: Path, counting: None) -> None:
    (tmp_path / "log.csv").write_text("angle_deg,range_cm\n" + "".join(f"{i % 90},{30 + i % 7}\n" for i in range(400)))
    for recipe, counted in (
        (Recipe(MapSettings(solver="additive"), None), True),
        (Recipe(MapSettings(solver="additive"), None, also=("check",)), False),
        (Recipe(MapSettings(solver="additive")), False),
        (Recipe(MapSettings(), None), False),
    ):
        got = read_run(Task(ListedRun("log", str(tmp_path / "log.csv")), str(tmp_path / "out"), recipe))
        assert isinstance(got, ReadRun)
        assert (got.run.readings.count is not None) == counted and got.run.readings.taken == 400


def test_what_keeping_every_reading_takes_is_told() -> None:
    assert kept_words(2_000_000, "joint", False) == []
    assert "may take 0.3 GB of memory, and the list many minutes" in kept_words(1_000_000, "joint", True)[0]
    assert "--solver additive --no-objects counts equal ones together" in kept_words(10_000_000, "joint", False)[0]
    assert "their order has a say here" in kept_words(20_000_000, "additive", False)[0]

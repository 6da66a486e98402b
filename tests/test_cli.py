"""The command line: words in, an answer, an exit status; in-process, and a few times as a real process."""

from __future__ import annotations

import csv
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
import typer

import sonargrid
from sonargrid.errors import Fault, InputFaults, SonargridError, UsageProblem
from sonargrid_cli import command_table, fault_words
from sonargrid_cli import main as main_module
from sonargrid_cli.compare_commands import progress
from sonargrid_cli.main import main
from sonargrid_cli.map_options import BEAMS, SOLVERS
from sonargrid_cli.map_words import length_words

Capture = pytest.CaptureFixture[str]

ROWS = "angle_deg,range_cm\n" + "".join(f"{angle},{'50' if 75 <= angle <= 105 else ''}\n" for angle in range(0, 181, 5))


@pytest.fixture(autouse=True)
def _own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each test works in a folder of its own, without settings from the machine."""
    monkeypatch.chdir(tmp_path)
    for name in [name for name in os.environ if name.startswith("SONARGRID_")]:
        monkeypatch.delenv(name)


@pytest.fixture
def sweep(tmp_path: Path) -> str:
    """A bare CSV file: one post-like plateau straight ahead, half a metre off."""
    (tmp_path / "sweep.csv").write_text(ROWS, encoding="utf-8")
    return "sweep.csv"


def process(*words: str, stdin: str | None = None, **variables: str) -> subprocess.CompletedProcess[str]:
    """Run the command as a process of its own."""
    env = {**os.environ, **variables}
    command = [sys.executable, "-m", "sonargrid_cli", *words]
    return subprocess.run(command, input=stdin, capture_output=True, text=True, env=env, timeout=120)


# the door


def test_version(capsys: Capture) -> None:
    assert main(["--version"]) == 0
    assert capsys.readouterr().out == f"sonargrid {sonargrid.__version__}\n"
    assert main(["-V"]) == 0


def test_version_among_other_words(capsys: Capture) -> None:
    assert main(["--version", "map"]) == 2
    assert "--version stands alone" in capsys.readouterr().err


@pytest.mark.parametrize("words", [[], ["--help"], ["-h"]])
def test_help_shows_the_groups_in_order(words: list[str], capsys: Capture) -> None:
    assert main(words) == 0
    said = capsys.readouterr().out
    places = [said.index(f" {group} ") for group in command_table.GROUPS]
    assert places == sorted(places)
    assert all(f" {name} " in said for name in command_table.COMMANDS)
    assert max(map(len, said.splitlines())) <= 80


@pytest.mark.parametrize("command", command_table.COMMANDS)
def test_every_command_has_help(command: str, capsys: Capture) -> None:
    assert main([command, "--help"]) == 0
    assert "Usage: sonargrid " + command in capsys.readouterr().out


@pytest.mark.parametrize("words", ["--version", "--help", "map --help", "count --help", "explain words", "mpa"])
def test_what_needs_no_numbers_loads_no_numpy(words: str) -> None:
    code = (
        "import sys; from sonargrid_cli.main import main; main(sys.argv[1:]); "
        "print([m for m in ('numpy', 'scipy', 'PIL', 'skimage') if m in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code, *words.split()], capture_output=True, text=True)
    assert done.stderr.splitlines()[-1] == "[]", done.stderr


def test_version_loads_no_command_line_library() -> None:
    code = "import sys; from sonargrid_cli.main import main; main(['--version']); print('typer' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.stdout.splitlines()[-1] == "False"


# wrong usage: 2


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["mpa"], "did you mean 'map'?"),
        (["frobnicate"], "the commands are new, import, check, map, count"),
        (["map"], "no RUN was given"),
        (["map", "a.csv", "--sample", "two_flowerpots"], "leave one out"),
        (["map", "a.csv", "b.csv"], "sonargrid map --help"),
        (["map", "a.csv", "--celll", "1cm"], "--cell"),
        (["map", "a.csv", "--cell", "0"], "--cell must be a length above 0, got '0'"),
        (["map", "a.csv", "--cell", "-1cm"], "--cell must be a length above 0"),
        (["map", "a.csv", "--cell", "nan"], "'nan' is no length"),
        (["map", "a.csv", "--cell", "1e999"], "no finite length"),
        (["map", "a.csv", "--cell", "1furlong"], "m, cm, mm or in"),
        (["map", "a.csv", "--beam", "con"], "known: centreline, cone, tapered, gaussian, piston, measured"),
        (["map", "a.csv", "--beam", "con"], "did you mean 'cone'?"),
        (["map", "a.csv", "--beam", "zzz"], "sonargrid explain beam-models"),
        (["map", "a.csv", "--solver", "jont"], "unknown solver 'jont'; known: additive, joint"),
        (["map", "a.csv", "--extent", "0,0,1"], "--extent takes four lengths, got '0,0,1'"),
        (["map", "a.csv", "--extent", "0,0,1,q"], "--extent: 'q' is no length"),
        (["map", "a.csv", "--extent", "1,0,0,1"], "from smaller to larger"),
        (["map", "a.csv", "--silence-weight", "1.5"], "--silence-weight must be a number from 0 to 1, got '1.5'"),
        (["map", "a.csv", "--silence-weight", "x"], "--silence-weight"),
        (["map", "a.csv", "--repeat-correlation", "-0.1"], "--repeat-correlation must be a number from 0 to 1"),
        (["map", "a.csv", "--min-confidence", "2"], "--min-confidence must be a number from 0 to 1"),
        (["map", "a.csv", "--size-prior", "0"], "--size-prior must be a length above 0"),
        (["map", "a.csv", "--set", "ranger.reach_m"], "--set needs KEY=VALUE"),
        (["map", "a.csv", "--reach", "far"], "--reach: 'far' is no length"),
        (["map", "a.csv", "--sweeps", "0,x"], "--sweeps takes whole numbers"),
        (["count", "a.csv", "--within", "near"], "--within: 'near' is no length"),
        (["count", "a.csv", "--between", "30-150"], "such as --between 30..150"),
        (["count", "a.csv", "--between", "150..30"], "--between takes two head angles"),
        (["count", "a.csv", "--csv", "--json"], "exclude one another"),
        (["map", "a.csv", "--no-objects", "--draw-objects"], "exclude one another"),
        (["simulate"], "SCENE.toml"),
        (["explain", "wrods"], "did you mean 'words'?"),
    ],
)
def test_wrong_usage(words: list[str], said: str, capsys: Capture) -> None:
    assert main(words) == 2
    told = capsys.readouterr()
    assert said in told.err
    assert told.err.startswith("error: ")
    assert "Traceback" not in told.err
    if "--json" not in words:
        assert told.out == ""


def test_wrong_usage_with_json_is_one_object(capsys: Capture) -> None:
    assert main(["map", "a.csv", "--cell", "0", "--json"]) == 2
    told = capsys.readouterr()
    whole = json.loads(told.out)
    assert whole["exit_code"] == 2 and whole["error_count"] == 1
    assert set(whole["errors"][0]) == {"file", "line", "column", "message", "hint"}
    assert "error: --cell must be a length above 0, got '0'" in told.err


def test_a_wrong_variable_is_wrong_usage(sweep: str, capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SONARGRID_SOLVER", "magic")
    assert main(["map", sweep]) == 2
    assert "unknown solver 'magic'" in capsys.readouterr().err


def test_names_that_the_command_line_knows_are_the_library_s() -> None:
    from sonargrid.maps.evidence import BEAM_NAMES
    from sonargrid.maps.mapping import SOLVERS as LIBRARY_SOLVERS

    assert set(BEAMS) == set(BEAM_NAMES)
    assert set(SOLVERS) == set(LIBRARY_SOLVERS)


# faults: 1


def test_a_run_that_is_not_there(capsys: Capture) -> None:
    assert main(["map", "nowhere", "--json"]) == 1
    told = capsys.readouterr()
    assert "nowhere" in told.err
    whole = json.loads(told.out)
    assert whole["exit_code"] == 1
    assert whole["errors"][0]["file"] == "nowhere"


def test_an_empty_run_that_is_not_there_names_its_flag(sweep: str, capsys: Capture) -> None:
    assert main(["map", sweep, "--empty", "nowhere"]) == 1
    told = capsys.readouterr().err
    assert "nowhere" in told and "--empty" in told


def test_first_twenty_faults_then_a_count(tmp_path: Path, capsys: Capture) -> None:
    (tmp_path / "bad.csv").write_text("angle_deg,range_cm\n" + "200,50\n" * 30, encoding="utf-8")
    assert main(["map", "bad.csv", "--json"]) == 1
    told = capsys.readouterr()
    assert sum(line.startswith("error: bad.csv line ") for line in told.err.splitlines()) == 20
    assert "error: and 10 more faults" in told.err
    whole = json.loads(told.out)
    assert len(whole["errors"]) == 20 and whole["error_count"] == 30
    assert whole["errors"][0]["line"] == 2 and whole["errors"][0]["column"] == "angle_deg"


@pytest.mark.parametrize(
    ("problem", "code", "said"),
    [
        (RuntimeError("odd\nthing"), 1, "a fault in sonargrid itself, not in your data (RuntimeError: odd thing)"),
        (MemoryError(), 1, "not enough memory"),
        (PermissionError(13, "Permission denied", "there"), 1, "error: there: permission denied"),
        (OSError("no number"), 1, "OSError: no number"),
        (KeyboardInterrupt(), 130, "interrupted"),
        (SonargridError("the data", hint="mend it", file="a.csv", line=3), 1, "error: a.csv line 3: the data"),
        (UsageProblem("the words"), 2, "error: the words"),
        (InputFaults([Fault("one"), Fault("two")], 3), 1, "error: and 1 more fault"),
    ],
)
def test_whatever_is_raised_becomes_words(
    problem: BaseException, code: int, said: str, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> str:
        raise problem

    monkeypatch.setattr(command_table, "answer", fail)
    assert main(["map", "a.csv", "--json"]) == code
    told = capsys.readouterr()
    assert said in told.err
    assert "Traceback" not in told.err
    assert json.loads(told.out)["exit_code"] == code


def test_debug_shows_the_traceback(capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object) -> str:
        raise RuntimeError("inside")

    monkeypatch.setattr(command_table, "answer", fail)
    monkeypatch.setenv("SONARGRID_DEBUG", "1")
    assert main(["map"]) == 1
    assert "Traceback" in capsys.readouterr().err


def test_a_hint_that_is_missing_is_null() -> None:
    told = json.loads(fault_words.as_json([Fault("x", file="f")], 1, 1))
    assert told["errors"] == [{"file": "f", "line": None, "column": None, "message": "x", "hint": None}]


def test_a_reader_that_leaves_early_hears_nothing_of_it(sweep: str) -> None:
    command = f"'{sys.executable}' -m sonargrid_cli explain run-files | head -n 1; echo ${{PIPESTATUS[0]}}"
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True)
    assert done.stderr == ""
    assert done.stdout.splitlines()[-1] == "0"


@pytest.mark.parametrize("words", ["count --sample two_flowerpots --json --cell", "count --sample two_flowerpots"])
def test_nobody_reads(words: str) -> None:
    command = f"'{sys.executable}' -m sonargrid_cli {words} | true; echo ${{PIPESTATUS[0]}}"
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True)
    assert "Traceback" not in done.stderr and "Exception ignored" not in done.stderr
    assert done.stdout.splitlines()[-1] == ("2" if "--cell" in words else "0")


def test_an_old_terminal_gets_every_line() -> None:
    done = process("count", "--sample", "two_flowerpots", PYTHONIOENCODING="ascii", PYTHONUTF8="0")
    assert done.returncode == 0, done.stderr
    assert done.stdout.isascii() and "give or take" in done.stdout


def test_help_read_in_part_is_quiet() -> None:
    command = f"'{sys.executable}' -m sonargrid_cli map --help | true; echo ${{PIPESTATUS[0]}}"
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True)
    assert done.stderr == ""
    assert done.stdout.splitlines()[-1] == "0"


def hear_interrupts() -> None:
    """Undo, in a child, what a shell does to jobs in the background: they would not hear Ctrl-C."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def test_interrupted_while_waiting_for_standard_input() -> None:
    command = [sys.executable, "-m", "sonargrid_cli", "map", "-"]
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    with subprocess.Popen(command, preexec_fn=hear_interrupts, **pipes) as waiting:
        time.sleep(1.5)
        waiting.send_signal(signal.SIGINT)
        assert waiting.wait(timeout=30) == 130
        assert waiting.stderr is not None
        said = waiting.stderr.read().decode()
    assert "interrupted" in said and "Traceback" not in said
    assert list(Path().iterdir()) == []


# map


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_map_writes_everything_and_says_so(sweep: str, capsys: Capture) -> None:
    assert main(["map", sweep]) == 0
    told = capsys.readouterr()
    names = {path.name for path in Path("sweep_map").iterdir()}
    assert names == {"map.png", "grid.png", "grid.pgw", "grid.npz", "objects.csv", "summary.json"}
    assert all(name in told.out for name in names)
    assert "1 thing, heard from one place only" in told.out
    assert "37 pings from 1 station: 7 echoes, 30 silent" in told.out
    assert "written to sweep_map" in told.out
    assert max(map(len, told.out.splitlines())) <= 80
    assert all(line.startswith("note: ") for line in told.err.splitlines())
    assert "us_per_cm" in told.err
    summary = json.loads(Path("sweep_map/summary.json").read_text("utf-8"))
    assert summary["commands"] == ["sonargrid map sweep.csv"]
    assert any("us_per_cm" in sentence for sentence in summary["warnings"])
    # one post-like plateau half a metre ahead: its near face lies at 0.5 m, its bearing is +y
    (thing,) = rows_of(Path("sweep_map/objects.csv"))
    assert float(thing["nearest_m"]) == pytest.approx(0.5, abs=0.02)
    assert float(thing["bearing_deg"]) == pytest.approx(90.0, abs=1.0)


def test_map_twice_gives_the_same_bytes(sweep: str) -> None:
    assert main(["map", sweep, "-q"]) == 0
    first = {path.name: path.read_bytes() for path in Path("sweep_map").iterdir()}
    assert main(["map", sweep, "-q"]) == 0
    again = {path.name: path.read_bytes() for path in Path("sweep_map").iterdir()}
    del first["summary.json"], again["summary.json"]  # it has the timing
    assert first == again


def test_map_as_json_is_the_summary(sweep: str, capsys: Capture) -> None:
    assert main(["map", sweep, "--json"]) == 0
    told = capsys.readouterr()
    assert json.loads(told.out) == json.loads(Path("sweep_map/summary.json").read_text("utf-8"))


def test_quiet_says_nothing(sweep: str, capsys: Capture) -> None:
    assert main(["map", sweep, "-q"]) == 0
    assert capsys.readouterr() == ("", "")


def test_verbose_tells_the_time_and_what_was_assumed(sweep: str, capsys: Capture) -> None:
    assert main(["map", sweep, "-v"]) == 0
    said = capsys.readouterr().err
    assert "took" in said and "assumed" in said and "ranger.range_sigma_m" in said


def test_every_flag_of_the_model_reaches_the_summary(sweep: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SONARGRID_SILENCE_WEIGHT", "0.5")
    monkeypatch.setenv("SONARGRID_CELL", "5cm")
    monkeypatch.setenv("SONARGRID_TEMPERATURE", "10")
    words = "--beam tapered --solver additive --cell 2cm --extent -1,-0.2,1,1 --no-redundancy --never-lower"
    words += " --repeat-correlation 0.6 --max-cells 20000 --reach 80cm --half-beam 20 --set head.arm_m=0.02"
    words += " --no-objects --svg -q"
    assert main(["map", sweep, *words.split()]) == 0
    summary = json.loads(Path("sweep_map/summary.json").read_text("utf-8"))
    settings = {key: (entry["value"], entry["origin"]) for key, entry in summary["settings"].items()}
    expected = {
        "map.beam": ("tapered", "--beam"),
        "map.solver": ("additive", "--solver"),
        "map.cell_m": (0.02, "--cell"),
        "map.extent_m": ([-1.0, -0.2, 1.0, 1.0], "--extent"),
        "map.redundancy": (False, "--no-redundancy"),
        "map.never_lower": (True, "--never-lower"),
        "map.repeat_correlation": (0.6, "--repeat-correlation"),
        "map.silence_weight": (0.5, "SONARGRID_SILENCE_WEIGHT"),
        "map.max_cells": (20000, "--max-cells"),
        "ranger.reach_m": (0.8, "--reach"),
        "ranger.half_beam_deg": (20.0, "--half-beam"),
        "head.arm_m": (0.02, "--set"),
        "air.temperature_c": (10.0, "SONARGRID_TEMPERATURE"),
    }
    assert {key: settings[key] for key in expected} == expected
    assert (summary["grid"]["rows"], summary["grid"]["columns"]) == (60, 100)
    assert set(summary["files"]) == {"map.png", "map.svg", "grid.png", "grid.pgw", "grid.npz"}


def test_flag_beats_variable_beats_file(tmp_path: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "bench").mkdir()
    (tmp_path / "bench/readings.csv").write_text(ROWS, encoding="utf-8")
    text = 'format = "sonargrid-run/1"\n[ranger]\nreach_m = 0.7\nblind_zone_m = 0.02\n'
    (tmp_path / "bench/run.toml").write_text(text, encoding="utf-8")

    def reach() -> tuple[float, str]:
        capsys.readouterr()
        assert main(["count", "bench", "--show-config", "--json", *flags]) == 0
        entry = json.loads(capsys.readouterr().out)["settings"]["ranger.reach_m"]
        return entry["value"], entry["origin"]

    flags: list[str] = []
    assert reach() == (0.7, "run.toml")
    monkeypatch.setenv("SONARGRID_REACH", "0.8")
    assert reach() == (0.8, "SONARGRID_REACH")
    flags = ["--reach", "0.9"]
    assert reach() == (0.9, "--reach")


def test_show_config_prints_and_writes_nothing(sweep: str, capsys: Capture) -> None:
    assert main(["map", sweep, "--show-config", "--cell", "5mm"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [line.split() for line in lines if line.startswith("map.cell_m")] == [["map.cell_m", "0.005", "--cell"]]
    assert [line.split() for line in lines if line.startswith("ranger.reach_m")] == [["ranger.reach_m", "1", "default"]]
    assert not Path("sweep_map").exists()


def test_out_of_another_run_is_kept_unless_forced(sweep: str, tmp_path: Path, capsys: Capture) -> None:
    (tmp_path / "other.csv").write_text(ROWS, encoding="utf-8")
    assert main(["map", sweep, "-o", "out", "-q"]) == 0
    assert main(["map", "other.csv", "-o", "out", "-q"]) == 1
    assert "--force" in capsys.readouterr().err
    assert main(["map", "other.csv", "-o", "out", "--force"]) == 0
    assert "replaced" in capsys.readouterr().err


def test_out_must_not_be_the_empty_run(sweep: str, tmp_path: Path, capsys: Capture) -> None:
    (tmp_path / "empty").mkdir()
    (tmp_path / "empty/readings.csv").write_text(ROWS, encoding="utf-8")
    (tmp_path / "empty/run.toml").write_text('format = "sonargrid-run/1"\n', encoding="utf-8")
    assert main(["map", sweep, "--empty", "empty", "-o", "empty"]) == 1
    assert "one of the inputs" in capsys.readouterr().err


def test_too_many_cells_names_a_cell_that_fits(sweep: str, capsys: Capture) -> None:
    assert main(["map", sweep, "--cell", "1mm", "--max-cells", "1000"]) == 1
    assert "--cell 0." in capsys.readouterr().err


def test_measured_beam_needs_a_calibration(sweep: str, capsys: Capture) -> None:
    assert main(["map", sweep, "--beam", "measured"]) == 1
    assert "hint: sonargrid calibrate beam" in capsys.readouterr().err


def test_standard_input(capsys: Capture) -> None:
    done = process("map", "-", "--json", stdin=ROWS)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["run"]["name"] == "stdin"
    assert Path("stdin_map/map.png").is_file()
    assert main(["map", "-", "--empty", "-"]) == 2
    assert "cannot both be standard input" in capsys.readouterr().err


def test_stations_and_sweeps_are_chosen(capsys: Capture) -> None:
    assert main(["map", "--sample", "potting_bench", "--stations", "A, B", "--sweeps", "0", "--no-objects"]) == 0
    said = capsys.readouterr().out
    assert "61 pings from 1 station" in said  # sweep 0 was made at A; B has none of it
    assert main(["map", "--sample", "potting_bench", "--stations", "Z"]) == 2
    assert "'Z'" in capsys.readouterr().err


def test_unknown_sample(capsys: Capture) -> None:
    assert main(["map", "--sample", "three_flowerpots"]) == 2
    assert "two_flowerpots" in capsys.readouterr().err


# count


def test_count_and_map_list_the_same(capsys: Capture) -> None:
    for sample in ("two_flowerpots", "potting_bench"):
        assert main(["map", "--sample", sample, "-q", "-o", sample]) == 0
        capsys.readouterr()
        assert main(["count", "--sample", sample, "--csv"]) == 0
        assert capsys.readouterr().out.encode() == Path(sample, "objects.csv").read_bytes()


def test_count_table(capsys: Capture) -> None:
    assert main(["count", "--sample", "two_flowerpots"]) == 0
    said = capsys.readouterr().out
    assert "2 things, heard from one place only" in said
    assert "From one position nobody can tell a post from a corner" in said
    assert max(map(len, said.splitlines())) <= 80
    assert "give or take" in said


def test_count_of_several_stations_says_what_an_echo_is(capsys: Capture) -> None:
    assert main(["count", "--sample", "potting_bench", "-v"]) == 0
    told = capsys.readouterr()
    assert "From one position nobody" not in told.out
    assert ("A thing of kind echo was heard from one position only" in told.out) is (" echo " in told.out)
    assert max(map(len, told.out.splitlines())) <= 80
    assert "assumed, as the run does not state them" in told.err


def test_count_as_json(capsys: Capture) -> None:
    assert main(["count", "--sample", "two_flowerpots", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["count"] == len(told["objects"]) == 2
    assert told["one_position"] is True
    assert told["background"] == []
    # where the story says the pots stand: their near faces are at 0.5148 - 0.04 m and 0.7 - 0.07 m
    assert [row["nearest_m"] for row in told["objects"]] == pytest.approx([0.4748, 0.63], abs=0.01)


def test_count_within_and_between(capsys: Capture) -> None:
    def ids(*flags: str) -> list[int]:
        capsys.readouterr()
        assert main(["count", "--sample", "two_flowerpots", "--json", *flags]) == 0
        return [row["id"] for row in json.loads(capsys.readouterr().out)["objects"]]

    assert len(ids()) == 2
    assert ids("--within", "50cm") == [1]  # the small pot's near face is at 47 cm, the big one's at 63 cm
    assert ids("--between", "0..90") == [2]  # the big pot stands on the right-hand side
    assert ids("--between", "90..180") == [1]
    assert ids("--within", "10cm") == []
    assert main(["count", "--sample", "two_flowerpots", "--within", "10cm", "--between", "30..150"]) == 0
    assert "no thing found (within 10cm, head angles 30..150 degrees)" in capsys.readouterr().out


def test_count_of_nothing_but_silence(tmp_path: Path, capsys: Capture) -> None:
    (tmp_path / "silent.csv").write_text("angle_deg,range_cm\n0,\n90,\n180,\n", encoding="utf-8")
    assert main(["count", "silent.csv"]) == 0
    assert "no thing found" in capsys.readouterr().out


# simulate, score, explain


SCENE = """
title = "one post"
[[station]]
name = "A"
x_m = 0.0
y_m = 0.0
heading_deg = 90.0
[[post]]
x_m = 0.0
y_m = 0.6
diameter_m = 0.08
"""


@pytest.fixture
def scene(tmp_path: Path) -> str:
    (tmp_path / "scene.toml").write_text(SCENE, encoding="utf-8")
    return "scene.toml"


def test_simulate_map_and_score(scene: str, capsys: Capture) -> None:
    assert main(["simulate", scene, "-o", "run", "--seed", "3"]) == 0
    assert "written to run" in capsys.readouterr().out
    assert main(["map", "run", "-q"]) == 0
    assert main(["score", "run_map", "--against", scene]) == 0
    said = capsys.readouterr().out
    assert "matched within 10 cm, within 5 cm    1, 1" in said
    assert main(["score", "run_map", "--against", scene, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["list"] is not None and 0.0 <= told["map"]["f1"] <= 1.0


def test_simulate_tells_json_and_never_writes_over_a_run(scene: str, capsys: Capture) -> None:
    assert main(["simulate", scene, "-o", "run", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["run"] == "run" and told["stations"] == 1 and told["readings"] == 61
    assert main(["simulate", scene, "-o", "run"]) == 1
    assert "is there already" in capsys.readouterr().err
    assert main(["simulate", scene, "-o", "more", "-q"]) == 0
    assert capsys.readouterr() == ("", "")


def test_simulate_with_one_seed_gives_one_run(scene: str) -> None:
    for out, seed in (("one", "5"), ("two", "5"), ("three", "6")):
        assert main(["simulate", scene, "-o", out, "--seed", seed, "-q"]) == 0
    one, two, three = (Path(out, "readings.csv").read_bytes() for out in ("one", "two", "three"))
    assert one == two and one != three


def test_a_bar_is_drawn_for_long_work_in_a_terminal(monkeypatch: pytest.MonkeyPatch, capsys: Capture) -> None:
    with progress("stations swept", 5, quiet=False) as step:
        assert step is None  # stderr is no terminal here
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    with progress("stations swept", 5, quiet=False) as step:
        assert step is not None
        step(5, 5)
    assert capsys.readouterr().out == ""


def test_score_against_a_run_with_targets(sweep: str, tmp_path: Path, capsys: Capture) -> None:
    (tmp_path / "bench").mkdir()
    (tmp_path / "bench/readings.csv").write_text(ROWS, encoding="utf-8")
    text = 'format = "sonargrid-run/1"\n'
    (tmp_path / "bench/run.toml").write_text(text, encoding="utf-8")
    assert main(["map", "bench", "-q", "--no-objects"]) == 0
    assert main(["score", "bench_map", "--against", "bench"]) == 1
    assert "[[target]]" in capsys.readouterr().err
    text += '[[target]]\nkind = "post"\nx_m = 0.0\ny_m = 0.55\ndiameter_m = 0.1\n'
    (tmp_path / "bench/run.toml").write_text(text, encoding="utf-8")
    assert main(["score", "bench_map", "--against", "bench", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["list"] is None


def test_score_of_something_else(scene: str, capsys: Capture) -> None:
    assert main(["score", "nowhere", "--against", scene]) == 1
    assert "no such folder" in capsys.readouterr().err
    Path("folder").mkdir()
    assert main(["score", "folder", "--against", scene]) == 1
    assert "no map's folder" in capsys.readouterr().err


def test_explain(capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
    assert main(["explain"]) == 0
    assert "reading-a-map" in capsys.readouterr().out
    assert main(["explain", "cautions"]) == 0
    plain = capsys.readouterr().out
    assert plain.startswith("# Cautions")  # as written, when piped
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True, raising=False)
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setenv("TERM", "xterm-256color")
    assert main(["explain", "cautions"]) == 0
    laid_out = capsys.readouterr().out
    assert "Cautions" in laid_out and not laid_out.startswith("# ")
    assert "\x1b[3" not in laid_out  # no colour


# as a process


def test_a_whole_day_as_processes() -> None:
    done = process("map", "--sample", "two_flowerpots", "--solver", "additive", "--no-objects")
    assert (done.returncode, done.stderr) == (0, "")
    assert Path("two_flowerpots_map/map.png").is_file()
    done = process("count", "--sample", "two_flowerpots", "--csv")
    assert done.returncode == 0 and done.stdout.startswith("id,kind,x_m,y_m,diameter_m")
    done = process("count", "nowhere")
    assert (done.returncode, done.stdout) == (1, "")
    done = process("count")
    assert (done.returncode, done.stdout) == (2, "")


def test_lengths_and_bearings_in_words() -> None:
    assert [length_words(metres) for metres in (0.005, 0.01, 0.0254, 0.5, 1.0)] == [
        "0.5 cm",
        "1 cm",
        "2.5 cm",
        "50 cm",
        "1.00 m",
    ]


@pytest.mark.parametrize(
    ("raised", "code"), [(typer.Abort(), 130), (typer.Exit(130), 130), (KeyboardInterrupt(), 130), (SystemExit(1), 0)]
)
def test_the_command_line_s_own_ways_to_leave(
    raised: BaseException, code: int, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    def leave(topic: str | None = None) -> str:
        raise raised

    monkeypatch.setattr(main_module, "_reader_left", lambda: 0)
    monkeypatch.setattr(command_table, "_body", lambda _: leave)
    assert main(["map"]) == code

"""The command line: words in, an answer, an exit status; in-process, and a few times as a real process."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

import sonargrid
from sonargrid.errors import Fault, InputFaults, SonargridError, UsageProblem
from sonargrid_cli import command_table, fault_words
from sonargrid_cli.main import main
from sonargrid_cli.map_options import BEAMS, JOINT_BEAMS, SOLVERS

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
        (["frobnicate"], "the commands are map, count"),
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
    from sonargrid.beams import BEAM_MODELS
    from sonargrid.mapping import SOLVERS as LIBRARY_SOLVERS

    assert set(BEAMS) == set(BEAM_MODELS) - set(JOINT_BEAMS)
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


def test_help_read_in_part_is_quiet() -> None:
    command = f"'{sys.executable}' -m sonargrid_cli map --help | true; echo ${{PIPESTATUS[0]}}"
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True)
    assert done.stderr == ""
    assert done.stdout.splitlines()[-1] == "0"


def test_interrupted_while_waiting_for_standard_input() -> None:
    command = [sys.executable, "-m", "sonargrid_cli", "map", "-"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as waiting:
        time.sleep(1.5)
        waiting.send_signal(signal.SIGINT)
        assert waiting.wait(timeout=30) == 130
        assert waiting.stderr is not None
        said = waiting.stderr.read().decode()
    assert "interrupted" in said and "Traceback" not in said
    assert list(Path().iterdir()) == []

"""Help of the command line: short, in the order of the job, with one example each, quick, and known to the shell."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from typing import Any

import pytest
from typer.main import get_command

from sonargrid_cli import command_table
from sonargrid_cli.command_table import COMMANDS, make_app
from sonargrid_cli.main import main

Capture = pytest.CaptureFixture[str]
NAMES = [*COMMANDS]


def test_the_list_of_commands_has_one_line_each(capsys: Capture) -> None:
    """A command's first line in its docstring is what the list shows: 62 letters at most keep it on one line."""
    assert main([]) == 0
    lines = capsys.readouterr().out.splitlines()
    for name in NAMES:
        (row,) = [at for at, line in enumerate(lines) if re.match(rf"│ {re.escape(name)} ", line)]
        following = lines[row + 1]
        assert re.match(r"│ [a-z]|╰", following), f"{name}: shorten the first line of its docstring"
    assert len(lines) <= 20 + len(NAMES) + 2 * len(command_table.GROUPS)


@pytest.mark.parametrize("name", NAMES)
def test_every_command_shows_one_example_that_fits_it(name: str, capsys: Capture) -> None:
    assert main([name, "--help"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    examples = re.findall(r"Example: (sonargrid .*?)(?= ╭|$)", said)
    assert len(examples) == 1, f"{name}: end its docstring with a paragraph 'Example: sonargrid {name} ...'"
    words = shlex.split(re.split(r" [|>#] ", examples[0])[0])
    assert words[1] == name
    program: Any = get_command(make_app())
    parameters = program.commands[name].params
    known = {flag for one in parameters for flag in (*one.opts, *one.secondary_opts)}
    for word in words[2:]:
        assert not word.startswith("-") or word == "-" or word.split("=")[0] in known, f"{name} has no {word}"


def test_no_help_loads_numpy() -> None:
    code = (
        "import sys; from sonargrid_cli.main import main\n"
        "for name in sys.argv[1:]:\n"
        "    main([name, '--help'])\n"
        "    loaded = [m for m in ('numpy', 'scipy', 'PIL', 'skimage', 'matplotlib') if m in sys.modules]\n"
        "    print(name, loaded, file=sys.stderr)\n"
    )
    done = subprocess.run([sys.executable, "-c", code, "--help", *NAMES], capture_output=True, text=True, check=True)
    assert [line.split(" ", 1)[1] for line in done.stderr.splitlines()] == ["[]"] * (len(NAMES) + 1), done.stderr


@pytest.mark.parametrize(
    ("typed", "meant"), [("mpa", "map"), ("cuont", "count"), ("reprot", "report"), ("callibrate", "calibrate")]
)
def test_a_slip_is_met_with_the_command_that_was_meant(typed: str, meant: str, capsys: Capture) -> None:
    assert main([typed]) == 2
    assert f"did you mean '{meant}'?" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "offered"),
    [
        ("sonargrid ma", {"map"}),
        ("sonargrid map --sample two", {"two_flowerpots"}),
        ("sonargrid map --beam g", {"gaussian"}),
        ("sonargrid explain caut", {"cautions"}),
    ],
)
def test_the_shell_is_offered_what_could_come_next(words: str, offered: set[str]) -> None:
    env = {
        "_SONARGRID_COMPLETE": "complete_bash",
        "COMP_WORDS": words,
        "COMP_CWORD": str(len(words.split()) - 1),
        "PYTHONPATH": ":".join(sys.path),
    }
    code = (
        "import sys; sys.argv[0] = 'sonargrid'; from sonargrid_cli.main import main; code = main([]); "
        "print('numpy' in sys.modules, code, file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=env)
    assert offered <= set(done.stdout.split()) and done.stderr.split() == ["False", "0"], done.stderr

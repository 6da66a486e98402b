"""Whatever the project's own pages and docstrings show, runs: Python blocks, run files, scenes, command lines."""

from __future__ import annotations

import doctest
import importlib
import re
import shlex
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from typer.main import get_command

import sonargrid
import sonargrid_cli
from sonargrid.explain import topics
from sonargrid.runs.run_files import load_run
from sonargrid.simulation.scene_files import load_scene
from sonargrid_cli.command_table import make_app

ROOT = Path(__file__).resolve().parent.parent
PAGES = Path(sonargrid.__file__).parent / "pages"
DOCUMENTS = [*sorted(PAGES.glob("*.md")), ROOT / "README.md", ROOT / "DEVELOPERS.md"]
MODULES = sorted(
    ".".join((package.__name__, *path.relative_to(package.__path__[0]).with_suffix("").parts))
    for package in (sonargrid, sonargrid_cli)
    for path in Path(package.__path__[0]).rglob("*.py")
    if not path.stem.startswith("__")
)


def _blocks(document: Path, language: str) -> list[str]:
    """Return the fenced blocks of a language, in order."""
    text = document.read_text(encoding="utf-8")
    return re.findall(rf"^```{language}\n(.*?)^```", text, flags=re.DOTALL | re.MULTILINE)


def _name(document: Path) -> str:
    return document.stem


@pytest.mark.parametrize("document", DOCUMENTS, ids=_name)
def test_python_blocks_run(document: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    names: dict[str, Any] = {"__name__": "example"}  # one page, one session: later blocks see earlier names
    for number, block in enumerate(_blocks(document, "python")):
        if ">>>" not in block:
            exec(compile(block, f"{document.name} block {number}", "exec"), names)
            continue
        session = doctest.DocTestParser().get_doctest(block, names, document.name, document.name, 0)
        said: list[str] = []
        result = doctest.DocTestRunner(optionflags=doctest.ELLIPSIS).run(session, out=said.append, clear_globs=False)
        names.update(session.globs)
        assert result.failed == 0, "".join(said)


def test_pages_have_worked_examples() -> None:
    worked = {document.stem for document in DOCUMENTS if _blocks(document, "python")}
    assert worked >= {"reading-a-map", "words", "beam-models", "weights", "stations", "simulating", "run-files"}


@pytest.mark.parametrize("name", MODULES)
def test_docstring_examples(name: str) -> None:
    result = doctest.testmod(importlib.import_module(name))
    assert result.failed == 0


def test_most_rooms_have_an_example_that_runs() -> None:
    tried = {name: doctest.testmod(importlib.import_module(name)).attempted for name in MODULES}
    assert sum(tried.values()) >= 60, tried


@pytest.mark.parametrize("document", DOCUMENTS, ids=_name)
def test_toml_blocks_are_toml(document: Path) -> None:
    for block in _blocks(document, "toml"):
        assert tomllib.loads(block)


def test_the_complete_run_loads(tmp_path: Path) -> None:
    document = PAGES / "run-files.md"
    (settings,) = [block for block in _blocks(document, "toml") if "sonargrid-run/1" in block]
    (rows,) = _blocks(document, "csv")
    folder = tmp_path / "workshop_bay"
    folder.mkdir()
    (folder / "run.toml").write_text(settings, encoding="utf-8")
    (folder / "readings.csv").write_text(rows, encoding="utf-8")
    run = load_run(folder)
    assert [station.name for station in run.stations] == ["door", "vice"]
    assert run.readings.distance_column == "echo_us"
    # both ways of saying "nothing heard" that the page tells of
    assert [i for i, d in enumerate(run.readings.distance) if d == float("inf")] == [3, 6]


def test_the_pages_list_of_keys_is_the_readers(tmp_path: Path) -> None:
    listed = re.search(r"```text\n(.*?)```", (PAGES / "run-files.md").read_text(encoding="utf-8"), re.DOTALL)
    assert listed is not None
    table, lines = "", []
    for line in listed.group(1).splitlines():
        head = re.match(r"\[(\w+)\]", line)
        key = re.match(r"(\w+) = (.*?)(?:\s{2,}.*)?$", line)
        if head:
            table = head.group(1)
            lines.append(f"[{table}]")
        elif key and table != "calibration":
            lines.append(f"{key.group(1)} = {key.group(2)}")
    lines = [line for line in lines if line != "[calibration]"]
    (tmp_path / "run.toml").write_text("\n".join(lines), encoding="utf-8")
    (tmp_path / "readings.csv").write_text("angle_deg,range_m\n90,0.5\n", encoding="utf-8")
    stated = load_run(tmp_path)
    (tmp_path / "run.toml").write_text('format = "sonargrid-run/1"\n', encoding="utf-8")
    silent = load_run(tmp_path)
    # what the page prints as defaults are the defaults; only the half beam, once stated, is no longer a guess
    assert (stated.air, stated.robot) == (silent.air, silent.robot)
    for field in ("turns", "ahead_rad", "angle_scale", "backlash_rad", "pulse_us_per_deg", "arm_m", "side_m"):
        assert getattr(stated.head, field) == pytest.approx(getattr(silent.head, field), rel=1e-5), field
    for field in ("frequency_hz", "reach_m", "blind_zone_m", "range_sigma_m", "range_scale", "height_m", "tilt_rad"):
        assert getattr(stated.ranger, field) == getattr(silent.ranger, field), field
    assert stated.ranger.half_beam_at(0.7) == pytest.approx(silent.ranger.half_beam_at(0.7))


def test_the_tape_example_stands_where_the_page_says(tmp_path: Path) -> None:
    (taped,) = [block for block in _blocks(PAGES / "stations.md", "toml") if "from = " in block]
    (tmp_path / "run.toml").write_text(f'format = "sonargrid-run/1"\n{taped}', encoding="utf-8")
    (tmp_path / "readings.csv").write_text("angle_deg,range_m\n90,0.5\n", encoding="utf-8")
    (station,) = load_run(tmp_path).stations
    assert (station.x_m, station.y_m) == pytest.approx((1.12, 0.66), abs=5e-5)
    assert station.heading_rad == pytest.approx(-0.6435, abs=1e-3)


def test_the_scene_loads(tmp_path: Path) -> None:
    (text,) = [block for block in _blocks(PAGES / "simulating.md", "toml") if "[sweep]" in block]
    path = tmp_path / "greenhouse.toml"
    path.write_text(text, encoding="utf-8")
    scene = load_scene(path)
    assert (len(scene.walls), len(scene.posts), len(scene.boxes), len(scene.stations)) == (2, 1, 1, 2)
    assert scene.seed == 7


def _command_lines() -> Iterator[tuple[str, str]]:
    """Yield (document, command line) of everything in the documents that begins with sonargrid and looks typed."""
    for document in DOCUMENTS:
        text = document.read_text(encoding="utf-8")
        fenced = re.findall(r"^\$ (sonargrid .*)$", text, flags=re.MULTILINE)
        indented = re.findall(r"^ {4,}(?:.*?(?:&& |\s|/))?(sonargrid [-a-z].*)$", text, flags=re.MULTILINE)
        inline = re.findall(r"`(sonargrid [-a-z][^`]*)`", text)
        for line in (*fenced, *indented, *inline):
            yield document.name, re.split(r" (?:#|\||&&) ", " ".join(line.split()))[0]


@pytest.mark.parametrize(("document", "line"), sorted(set(_command_lines())))
def test_command_lines_name_what_exists(document: str, line: str) -> None:
    program: Any = get_command(make_app())
    words = shlex.split(line)[1:]
    command = next((word for word in words if not word.startswith("-")), None)
    if command is None:
        known = {"--help", "-h", "--version", "-V"}
    else:
        assert command in program.commands, f"{document}: sonargrid has no command '{command}'"
        parameters = program.commands[command].params
        known = {"--help", "-h"} | {flag for one in parameters for flag in (*one.opts, *one.secondary_opts)}
        if command == "explain" and words[1:] and words[1].islower():
            assert words[1] in topics(), f"{document}: there is no page '{words[1]}'"
    for word in words:
        flag = word.split("=")[0]
        if re.match(r"--?[A-Za-z]", flag):
            assert flag in known, f"{document}: sonargrid {command} has no {flag}"

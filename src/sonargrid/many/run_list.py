"""Which runs a batch is made of: a folder of runs, a pattern, or a list in a TOML file; each with a name of its own.

Nothing is read but the list: whether a run can be read shows when its turn comes.
"""

from __future__ import annotations

import glob
import os
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sonargrid.errors import Fault, InputFaults, SonargridError
from sonargrid.runs.run_files import READINGS_NAMES
from sonargrid.runs.run_toml import Findings
from sonargrid.runs.toml_text import TomlText, read_toml

BARE_ENDINGS = (".csv", ".csv.gz")
SAFE = 100  # letters of a name that becomes a folder


@dataclass(frozen=True, slots=True)
class ListedRun:
    """One run of a batch: the name of its folder in OUT, and where it lies."""

    name: str
    path: str


def listed_runs(source: str | os.PathLike[str]) -> tuple[ListedRun, ...]:
    """Return the runs that a folder, a pattern or a list names, in the order of their names (a list: in its own).

    Raises
    ------
    SonargridError
        If there is no such place, or no run in it.
    InputFaults
        If a list holds anything that cannot be used, or two runs go by one name.
    """
    text = os.fspath(source)
    if os.path.isdir(text):
        return _of_folder(Path(text))
    if os.path.isfile(text) and text.endswith(".toml"):
        return _of_list(Path(text))
    found = sorted(glob.glob(text, recursive=True))
    if not found:
        words = "no such folder, list or file" if glob.escape(text) == text else "no file or folder matches"
        raise SonargridError(words, hint=f"looked for in {os.getcwd()}", file=text)
    return _named((path for path in found if is_run(Path(path))), text)


def is_run(path: Path) -> bool:
    """Return True for a folder that holds readings or a run.toml, and for a bare CSV of readings."""
    if path.is_dir():
        return any((path / name).is_file() for name in ("run.toml", *READINGS_NAMES))
    return path.is_file() and path.name.endswith(BARE_ENDINGS)


def run_name(path: Path) -> str:
    """Return what a run is called: its folder's name, a file's without its ending.

    >>> run_name(Path("term/bench.csv.gz"))
    'bench'
    """
    name = Path(os.path.abspath(path)).name
    for ending in BARE_ENDINGS[::-1]:
        name = name.removesuffix(ending)
    return name


def _of_folder(folder: Path) -> tuple[ListedRun, ...]:
    if is_run(folder):
        words, hint = "is one run, not a folder of runs", f"sonargrid map {folder} maps it"
        raise SonargridError(words, hint=hint, file=str(folder))
    try:
        inside = sorted(folder.iterdir())
    except OSError as problem:
        raise SonargridError(f"cannot be read ({problem.strerror})", file=str(folder)) from None
    return _named((str(path) for path in inside if is_run(path) and not path.name.startswith(".")), str(folder))


def _named(paths: Iterable[str], source: str) -> tuple[ListedRun, ...]:
    runs = tuple(ListedRun(run_name(Path(path)), path) for path in paths)
    if not runs:
        hint = "a run is a folder with readings.csv or run.toml, or a CSV file of readings"
        raise SonargridError("there is no run in it", hint=hint, file=source)
    doubles = _doubles(runs, source)
    if doubles:
        raise InputFaults(doubles)
    return runs


def _of_list(path: Path) -> tuple[ListedRun, ...]:
    """Return the runs of ``[[run]]`` tables: `path` from the list's own folder, and a `name` where it should differ."""
    toml = read_toml(path.read_bytes(), str(path))
    findings = Findings()
    for key in sorted(set(toml.data) - {"run"}):
        findings.at(toml, (key,), f"unknown key {key!r}", "a list holds [[run]] tables")
    tables = toml.data.get("run")
    if not isinstance(tables, list) or not tables:
        findings.at(toml, ("run",), "there is no [[run]] table", 'such as [[run]] and path = "monday/bench"')
        tables = []
    listed = [_of_table(toml, number, table, path.parent, findings) for number, table in enumerate(tables)]
    runs = tuple(run for run in listed if run is not None)
    faults = [*findings.faults, *_doubles(runs, str(path))]
    if faults:
        raise InputFaults(faults)
    return runs


def _of_table(toml: TomlText, number: int, table: Any, folder: Path, findings: Findings) -> ListedRun | None:
    here: tuple[str | int, ...] = ("run", number)
    where = table.get("path") if isinstance(table, dict) else None
    for key in sorted(set(table if isinstance(table, dict) else ()) - {"path", "name"}):
        findings.at(toml, (*here, key), f"unknown key {key!r}", "known here: path, name", f"run[{number + 1}].{key}")
    if not isinstance(where, str) or not where:
        findings.at(toml, here, "needs path, a text", "the folder or file of the run", f"run[{number + 1}].path")
        return None
    name = table.get("name", run_name(folder / where))
    if not isinstance(name, str) or not _is_folder_name(name):
        hint = "it becomes a folder's name: at most 100 letters, no / and no dot in front"
        findings.at(toml, (*here, "name"), f"cannot be used, got {name!r}", hint, f"run[{number + 1}].name")
        return None
    return ListedRun(name, str(folder / where))


def _is_folder_name(name: str) -> bool:
    return 0 < len(name) <= SAFE and not name.startswith(".") and not set(name) & set('/\\:*?"<>|\0\n\r\t')


def _doubles(runs: Iterable[ListedRun], source: str) -> list[Fault]:
    times = Counter(run.name.casefold() for run in runs)
    hint = "a list can give them names: [[run]] path = ..., name = ..."
    return [
        Fault(f"another run is called {run.name}, too", hint, source, None, run.path)
        for run in runs
        if times[run.name.casefold()] > 1
    ]

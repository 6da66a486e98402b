"""Files -> a `Run`: the one way in, with every fault of a run told at once.

A run is a folder (run.toml and one readings file), a bare CSV, a named pipe or standard input.  The parts: `toml_text`,
`run_keys` and `run_toml` read run.toml, `csv_blocks` the readings, `run_settings` and `run_values` weigh what flags,
variables and calibrations say, `sweeps` finds the passes of the head, `run_saving` is the way out.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Protocol

from sonargrid.errors import Fault, InputFaults
from sonargrid.runs.counted_rows import RowCounter
from sonargrid.runs.csv_blocks import read_readings
from sonargrid.runs.csv_rows import Rows
from sonargrid.runs.readings import Run
from sonargrid.runs.run_assembly import chosen_part, physics_warnings, rate_warnings, row_warnings, run_readings
from sonargrid.runs.run_input import STANDARD_INPUT, Unreadable, content_pieces, read_input
from sonargrid.runs.run_keys import RUN_FORMAT
from sonargrid.runs.run_saving import save_run
from sonargrid.runs.run_settings import settings_from_environment, show_config, typed_values
from sonargrid.runs.run_toml import Findings
from sonargrid.runs.run_values import BARE, RunValues, as_run, read_settings
from sonargrid.runs.samples import find_sample, sample_names
from sonargrid.runs.toml_text import read_toml
from sonargrid.runs.turning_watch import OrderMatters

__all__ = [
    "find_sample",
    "load_run",
    "sample_names",
    "save_run",
    "settings_from_environment",
    "show_config",
]


class Digest(Protocol):
    """A running SHA-256."""

    def update(self, piece: bytes, /) -> None:
        """Take some bytes."""
        ...

    def hexdigest(self) -> str:
        """Return the digest of all that was taken."""
        ...


READINGS_NAMES = ("readings.csv", "readings.csv.gz", "readings.parquet")


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a run's parts lie, and what messages call them."""

    name: str
    toml_path: str | None
    readings_path: str

    @property
    def readings_name(self) -> str:
        return STANDARD_INPUT if self.readings_path == "-" else self.readings_path


def load_run(
    path: str | os.PathLike[str],
    settings: Mapping[str, tuple[str, str]] | None = None,
    stations: Sequence[str] = (),
    sweeps: Sequence[int] = (),
    calibration: str | os.PathLike[str] | None = None,
    *,
    on_wait: Callable[[str], None] | None = None,
    on_stored: Callable[[bytes], object] | None = None,
    count_repeats: bool = False,
) -> Run:
    """Return the run that lies in a folder or a CSV file, or comes from standard input (`-`).

    settings : full or short key of run.toml -> (text, where it came from, such as ``--set``)
    stations, sweeps : which to keep; empty = all
    calibration : a calibration file, or a folder of them to choose from by the ranger's label
    on_wait : called once with a sentence where standard input stays silent for two seconds
    on_stored : called with every piece of the readings as it is read
    count_repeats : equal readings of a long log are counted together (`Readings.count`): enough for sums of evidence,
        in memory that does not grow with the log.  Nothing is counted where order matters: a moving robot, a head with
        backlash whose turning is not stated, chosen sweeps

    Raises
    ------
    InputFaults
        With every fault found in the files.
    UsageProblem
        If a setting, a station or a sweep asked for is wrong.
    """
    typed = os.fspath(path)
    plain, by_station = typed_values(settings or {})
    place = _find(typed)
    findings = Findings()
    toml_bytes = b"" if place.toml_path is None else read_input(place.toml_path).content
    toml = BARE if place.toml_path is None else read_toml(toml_bytes, place.toml_path)
    known = read_settings(toml, plain, by_station, calibration, findings)
    counter = _counter(known, stations, place) if count_repeats and not sweeps else None
    source = partial(_pieces, place.readings_path, on_stored=on_stored, on_wait=on_wait)
    rows, uncounted, digest = _read_rows(source, toml_bytes, place, known, counter, findings)
    taken = None
    if rows is not None:
        taken = run_readings(rows, known.stations, known.declared, place.readings_name, findings)
    if rows is None or taken is None or findings.faults:
        raise InputFaults(findings.faults, len(findings.faults) + uncounted)
    readings, places = taken
    # SHA-256 over run.toml, the readings as stored and the calibrations, one after the other
    for one in known.calibrations:
        digest.update(one.content)
    run = as_run(known, place.name, typed, readings, places, rows.pose is not None, digest.hexdigest())
    said: tuple[str, ...] = (*findings.warnings, *row_warnings(run, rows, known.stations, stations))
    said += rate_warnings(run, known.calibrations)
    run = chosen_part(run, stations, sweeps, place.readings_name)
    return replace(run, warnings=(*said, *physics_warnings(run)))


def _read_rows(
    source: Callable[[Callable[[bytes], object]], Iterator[bytes]],
    toml_bytes: bytes,
    place: _Place,
    known: RunValues,
    counter: RowCounter | None,
    findings: Findings,
) -> tuple[Rows | None, int, Digest]:
    """Return the rows of the readings, how many faults are not among the findings, and the digest up to here.

    None stands in place of rows with faults.
    """
    no_echo = known.chosen.get("ranger.no_echo_at")
    digest = hashlib.sha256(toml_bytes)
    pieces = source(digest.update)
    try:
        rows = read_readings(pieces, place.readings_name, () if no_echo is None else no_echo.value, counter)
        return rows, 0, digest
    except OrderMatters:  # seldom: a clock that goes backwards beside a stated turning
        return _read_rows(source, toml_bytes, place, known, None, findings)
    except Unreadable:
        raise
    except InputFaults as problem:
        lines = not place.readings_path.endswith(".parquet")
        findings.faults += problem.faults if lines else [_by_row(fault) for fault in problem.faults]
        return None, problem.count - len(problem.faults), digest


def _counter(known: RunValues, stations: Sequence[str], place: _Place) -> RowCounter:
    """Return what counts equal readings together, where their order has no say."""
    backlash = known.chosen.get("head.backlash_deg")
    return RowCounter(
        next(iter(known.declared)) if len(known.declared) == 1 else "",
        stations,
        by_turning=backlash is not None and bool(backlash.value),
        timed=all(one.sweep_rate_deg_s is None for one in known.calibrations),
        again=os.path.isfile(place.readings_path),
    )


def _by_row(fault: Fault) -> Fault:
    """Return a fault of a table without lines: the row, counted from 1, in place of the line."""
    if fault.line is None:
        return fault
    return replace(fault, message=f"row {fault.line - 1}: {fault.message}", line=None)


def _find(typed: str) -> _Place:
    """Return where the parts of a run lie.

    Raises
    ------
    InputFaults
        If there is nothing of that name, or a folder that is no run.
    """
    if typed == "-":
        return _Place("stdin", None, "-")
    if not os.path.exists(typed):
        words = f"no such run; RUN was looked for in {os.getcwd()}"
        raise InputFaults([Fault(words, "give a run's folder, a CSV file, or - for standard input", typed)])
    if not os.path.isdir(typed):
        name = os.path.basename(typed)
        if name == "run.toml":
            raise InputFaults([Fault("is only a part of a run", "give the folder that it lies in", typed)])
        return _Place(name.removesuffix(".gz").removesuffix(".csv"), None, typed)
    toml_path = os.path.join(typed, "run.toml")
    found = [name for name in READINGS_NAMES if os.path.exists(os.path.join(typed, name))]
    faults = []
    if not os.path.exists(toml_path):
        hint = f'its first line reads format = "{RUN_FORMAT}"; a bare CSV needs no run.toml, give the CSV itself'
        faults.append(Fault("the folder holds no run.toml", hint, typed))
    if len(found) > 1:
        faults.append(Fault(f"more than one readings file: {', '.join(found)}", "keep one of them", typed))
    if not found:
        faults.append(Fault("the folder holds no readings.csv and no readings.csv.gz", "is it a run's folder?", typed))
    if faults:
        raise InputFaults(faults)
    return _Place(Path(typed).resolve().name, toml_path, os.path.join(typed, found[0]))


def _pieces(
    path: str,
    for_digest: Callable[[bytes], object],
    on_stored: Callable[[bytes], object] | None,
    on_wait: Callable[[str], None] | None,
) -> Iterator[bytes]:
    """Yield the bytes of a readings CSV; `for_digest` and `on_stored` get them as they are stored."""

    def stored(piece: bytes) -> None:
        for_digest(piece)
        if on_stored is not None:
            on_stored(piece)

    if not path.endswith(".parquet"):
        yield from content_pieces(path, stored, on_wait)
        return
    stored(read_input(path).stored)
    try:
        import pandas  # type: ignore[import-untyped,import-not-found,unused-ignore]

        # a parquet column cannot tell empty from nan: both are void there, and nothing heard is inf
        table = pandas.read_parquet(path)
        text = table.to_csv(index=False, na_rep="nan")
    except ImportError:
        hint = "pip install 'sonargrid[table]', or write readings.csv"
        raise Unreadable([Fault("reading parquet needs the extra `table`", hint, path)]) from None
    except (OSError, ValueError) as problem:
        raise Unreadable([Fault(f"is no parquet file: {problem}", "write readings.csv", path)]) from None
    yield text.encode("utf-8")

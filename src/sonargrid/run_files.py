"""Files -> a `Run`: the one way in, with every fault of a run told at once.

A run is a folder (run.toml and one readings file), a bare CSV, a named pipe or standard input.  The parts: `toml_text`,
`run_keys` and `run_toml` read run.toml, `csv_rows` and `csv_rescan` the readings, `run_settings` weighs what flags,
variables and calibrations say, `sweeps` finds the passes of the head, `run_saving` is the way out.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

from sonargrid.calibration_files import CalibrationFile, read_calibration
from sonargrid.csv_rescan import rescan
from sonargrid.csv_rows import Rows, check_text, fast_rows, read_header
from sonargrid.errors import Fault, InputFaults
from sonargrid.readings import Mark, Ranger, Readings, Run, Station, Target
from sonargrid.run_assembly import chosen_part, run_readings, run_warnings
from sonargrid.run_input import STANDARD_INPUT, Input, read_input
from sonargrid.run_keys import BY_NAME, KEYS, LISTS, RUN_FORMAT, SECTIONS
from sonargrid.run_saving import save_run
from sonargrid.run_settings import (
    FROM_CALIBRATION,
    FROM_FILE,
    FROM_RUN_CALIBRATION,
    Given,
    merged,
    settings_from_environment,
    show_config,
    typed_values,
    usage_problem,
)
from sonargrid.run_toml import (
    TOP_LEVEL,
    Findings,
    check_format,
    check_tables,
    read_marks,
    read_stations,
    read_targets,
    record_of,
    table_values,
)
from sonargrid.samples import find_sample, sample_names
from sonargrid.toml_text import TomlText, read_toml

__all__ = [
    "find_sample",
    "load_run",
    "read_readings",
    "sample_names",
    "save_run",
    "settings_from_environment",
    "show_config",
]

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


@dataclass(frozen=True, slots=True)
class _Settings:
    """All of a run but its readings."""

    toml: TomlText
    chosen: Mapping[str, Given]
    stations: tuple[Station, ...]
    declared: frozenset[str]  # names of all stations, faulty ones included
    marks: tuple[Mark, ...]
    targets: tuple[Target, ...]
    assumed: tuple[str, ...]
    origins: Mapping[str, str]
    calibrations: tuple[CalibrationFile, ...]

    def values(self, section: str) -> dict[str, Any]:
        start = f"{section}."
        return {full.removeprefix(start): given.value for full, given in self.chosen.items() if full.startswith(start)}


def load_run(
    path: str | os.PathLike[str],
    settings: Mapping[str, tuple[str, str]] | None = None,
    stations: Sequence[str] = (),
    sweeps: Sequence[int] = (),
    calibration: str | os.PathLike[str] | None = None,
    *,
    on_wait: Callable[[str], None] | None = None,
) -> Run:
    """Return the run that lies in a folder or a CSV file, or comes from standard input (`-`).

    settings : full or short key of run.toml -> (text, where it came from, such as ``--set``)
    stations, sweeps : which to keep; empty = all
    calibration : a calibration file, or a folder of them to choose from by the ranger's label
    on_wait : called once with a sentence where standard input stays silent for two seconds

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
    toml = _BARE if place.toml_path is None else read_toml(toml_bytes, place.toml_path)
    known = _read_settings(toml, plain, by_station, calibration, findings)
    source = _read_bytes(place.readings_path, on_wait)
    no_echo = known.chosen.get("ranger.no_echo_at")
    rows, uncounted = None, 0
    try:
        rows = read_readings(source, place.readings_name, () if no_echo is None else no_echo.value)
    except InputFaults as problem:
        findings.faults += problem.faults
        uncounted = problem.count - len(problem.faults)
    taken = None
    if rows is not None:
        taken = run_readings(rows, known.stations, known.declared, place.readings_name, findings)
    if rows is None or taken is None or findings.faults:
        raise InputFaults(findings.faults, len(findings.faults) + uncounted)
    readings, places = taken
    digest = _digest(toml_bytes, source, known.calibrations)
    run = _as_run(known, place.name, typed, readings, places, rows.pose is not None, digest)
    run = replace(run, warnings=(*findings.warnings, *run_warnings(run, rows, known.stations)))
    return chosen_part(run, stations, sweeps, place.readings_name)


def read_readings(source: Input, file: str, no_echo_at: Sequence[float] = ()) -> Rows:
    """Return the columns of a readings CSV, the fast way if nothing in it is odd, else row by row.

    file : what messages call it
    no_echo_at : values that mean "nothing heard", in the unit of the distance column

    Raises
    ------
    InputFaults
        With every fault in it.
    """
    check_text(source.content, file)
    header = read_header(source.content, file)
    rows = fast_rows(source.content, header, no_echo_at, source.plain_path)
    return rescan(source.content, header, no_echo_at, file) if rows is None else rows


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


def _read_bytes(path: str, on_wait: Callable[[str], None] | None) -> Input:
    if not path.endswith(".parquet"):
        return read_input(path, on_wait)
    stored = read_input(path).stored
    try:
        import pandas  # type: ignore[import-untyped,import-not-found,unused-ignore]

        # a parquet column cannot tell empty from nan: both are void there, and nothing heard is inf
        table = pandas.read_parquet(path)
        text = table.to_csv(index=False, na_rep="nan")
    except ImportError:
        hint = "pip install 'sonargrid[table]', or write readings.csv"
        raise InputFaults([Fault("reading parquet needs the extra `table`", hint, path)]) from None
    except (OSError, ValueError) as problem:
        raise InputFaults([Fault(f"is no parquet file: {problem}", "write readings.csv", path)]) from None
    return Input(stored, text.encode("utf-8"), None)


def _read_settings(
    toml: TomlText,
    plain: Mapping[str, Given],
    by_station: Mapping[str, Mapping[str, Given]],
    calibration: str | os.PathLike[str] | None,
    findings: Findings,
) -> _Settings:
    """Return all of a run but its readings, from run.toml and what stands above it."""
    check_format(toml, findings)
    check_tables(toml, findings, TOP_LEVEL)
    in_file: dict[str, Given] = {}
    for section in ("", *SECTIONS):
        path = (section,) if section else ()
        extra = TOP_LEVEL if not section else ()
        for name, value in table_values(toml, path, section, findings, extra).items():
            full = f"{section}.{name}" if section else name
            in_file[full] = Given(value, os.path.basename(toml.file), FROM_FILE)
    calibrations, sources = _calibrations(toml, in_file, plain, calibration)
    chosen = merged([in_file, *sources, plain], toml.file, findings)
    _check_reach(chosen, toml, findings)
    marks = read_marks(toml, findings)
    over = {name: {key: given.value for key, given in values.items()} for name, values in by_station.items()}
    stations, assumed = read_stations(toml, marks, findings, over)
    targets, target_sigmas = read_targets(toml, findings)
    if not toml.data.get("station"):
        stations = (replace(Station("A"), **_fields("station", over.get("A", {}))),)
        assumed = ()
    declared = frozenset(table["name"] for table in _tables(toml, "station") if isinstance(table.get("name"), str)) | {
        station.name for station in stations
    }
    for name in by_station:
        if name not in declared:
            words = f"--set station.{name}: the run has no station {name!r}; it has: {', '.join(sorted(declared))}"
            raise usage_problem([Fault(words, "names are case-sensitive")])
    if len(stations) == 1 and not targets:
        assumed = ()  # the station is the floor axes: its sigmas count as 0
    sigmas = tuple(key.full for key in KEYS if key.sigma and key.section not in LISTS and key.full not in chosen)
    return _Settings(
        toml,
        chosen,
        stations,
        declared,
        marks,
        targets,
        (*sigmas, *assumed, *target_sigmas),
        _origins(toml, chosen, by_station),
        calibrations,
    )


_BARE = TomlText("run.toml", {"format": RUN_FORMAT})


def _fields(section: str, values: Mapping[str, Any]) -> dict[str, Any]:
    return {BY_NAME[f"{section}.{name}"].field: value for name, value in values.items()}


def _tables(toml: TomlText, name: str) -> list[dict[str, Any]]:
    found = toml.data.get(name)
    return [table for table in found if isinstance(table, dict)] if isinstance(found, list) else []


def _calibrations(
    toml: TomlText,
    in_file: Mapping[str, Given],
    plain: Mapping[str, Given],
    calibration: str | os.PathLike[str] | None,
) -> tuple[tuple[CalibrationFile, ...], list[Mapping[str, Given]]]:
    """Return the calibrations that hold, and their values from the lowest rank to the highest."""
    label = str((plain.get("ranger.label") or in_file.get("ranger.label") or Given("", "", 0)).value)
    files: list[CalibrationFile] = []
    sources: list[Mapping[str, Given]] = []
    named = plain.get("calibration.file") or in_file.get("calibration.file")
    if named is not None:
        in_toml = named.rank == FROM_FILE
        path = os.path.join(os.path.dirname(toml.file), named.value) if in_toml else named.value
        asked_by = f"[calibration] file in {toml.file}" if in_toml else named.origin
        for one in read_calibration(path, asked_by, label):
            files.append(one)
            sources.append(one.given(FROM_RUN_CALIBRATION))
    if calibration is not None:
        for one in read_calibration(os.fspath(calibration), "--calibration", label):
            files.append(one)
            sources.append(one.given(FROM_CALIBRATION))
    return tuple(files), sources


def _check_reach(chosen: Mapping[str, Given], toml: TomlText, findings: Findings) -> None:
    """Note a reach that does not lie beyond the blind zone."""
    ranger = Ranger()
    reach = chosen.get("ranger.reach_m", Given(ranger.reach_m, "default", FROM_FILE))
    blind = chosen.get("ranger.blind_zone_m", Given(ranger.blind_zone_m, "default", FROM_FILE))
    if reach.value > blind.value:
        return
    words = f"must lie above blind_zone_m, got {reach.value:g} m with a blind zone of {blind.value:g} m"
    above = max(reach, blind, key=lambda given: given.rank)
    if above.rank > FROM_CALIBRATION:
        raise usage_problem([Fault(f"{above.origin}: ranger.reach_m {words}")])
    findings.at(toml, ("ranger", "reach_m"), words, "how far does the ranger hear?")


def _origins(
    toml: TomlText, chosen: Mapping[str, Given], by_station: Mapping[str, Mapping[str, Given]]
) -> dict[str, str]:
    """Return where the value of each key came from that is not a default."""
    origins = {full: given.origin for full, given in chosen.items()}
    for section in LISTS:
        for place, table in enumerate(_tables(toml, section), 1):
            owner = place if section == "target" else table.get("name")
            if "from" in table:
                for name in ("x_m", "y_m", "heading_deg", "position_sigma_m", "heading_sigma_deg"):
                    origins[f"{section}.{owner}.{name}"] = f"{os.path.basename(toml.file)}, by tape (5 mm assumed)"
            for name in table:
                origins[f"{section}.{owner}.{name}"] = os.path.basename(toml.file)
    for owner, values in by_station.items():
        for name, given in values.items():
            origins[f"station.{owner}.{name}"] = given.origin
    return origins


def _digest(toml_bytes: bytes, source: Input, calibrations: Sequence[CalibrationFile]) -> str:
    """Return SHA-256 over run.toml, the readings as stored and the calibrations, one after the other, in hex."""
    digest = hashlib.sha256(toml_bytes)
    digest.update(source.stored)
    for one in calibrations:
        digest.update(one.content)
    return digest.hexdigest()


def _as_run(
    known: _Settings,
    name: str,
    typed: str,
    readings: Readings,
    places: tuple[Station, ...],
    moving: bool,
    digest: str,
) -> Run:
    """Return the run that settings and readings make."""
    sigmas: dict[str, float] = {}
    for one in known.calibrations:
        sigmas.update(one.sigmas)
    title, notes, recorded_at = (
        str(known.chosen[key].value) if key in known.chosen else "" for key in ("title", "notes", "recorded_at")
    )
    return Run(
        readings=readings,
        stations=places,
        air=record_of("air", known.values("air")),
        ranger=record_of("ranger", known.values("ranger")),
        head=record_of("head", known.values("head")),
        robot=record_of("robot", known.values("robot")),
        marks=known.marks,
        targets=known.targets,
        name=name,
        moving=moving,
        origins=MappingProxyType(dict(known.origins)),
        assumed=(*known.assumed, "station.position_sigma_m", "station.heading_sigma_deg") if moving else known.assumed,
        digest=digest,
        path=typed,
        calibration_sigmas=MappingProxyType(sigmas),
        title=title,
        notes=notes,
        recorded_at=recorded_at,
    )

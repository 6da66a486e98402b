"""All of a run but its readings: run.toml, calibrations, variables and flags, weighed and made into records."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

from sonargrid.errors import Fault, InputFaults
from sonargrid.runs.calibration_files import CalibrationFile, read_calibration
from sonargrid.runs.readings import Mark, Ranger, Readings, Run, Station, Target
from sonargrid.runs.run_keys import BY_NAME, KEYS, LISTS, RUN_FORMAT, SECTIONS
from sonargrid.runs.run_settings import (
    FROM_CALIBRATION,
    FROM_FILE,
    FROM_RUN_CALIBRATION,
    Given,
    merged,
    usage_problem,
)
from sonargrid.runs.run_toml import (
    TOP_LEVEL,
    Findings,
    check_format,
    read_marks,
    read_stations,
    read_targets,
    record_of,
    table_values,
)
from sonargrid.runs.toml_text import TomlText

_SIGMAS = ("position_sigma_m", "heading_sigma_deg")
BARE = TomlText("run.toml", {"format": RUN_FORMAT})  # what holds for a readings file without one


@dataclass(frozen=True, slots=True)
class RunValues:
    """All of a run but its readings; `chosen` holds what is not a default, by full key.

    declared : names of all stations of run.toml, faulty ones included
    """

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


def read_settings(
    toml: TomlText,
    plain: Mapping[str, Given],
    by_station: Mapping[str, Mapping[str, Given]],
    calibration: str | os.PathLike[str] | None,
    findings: Findings,
) -> RunValues:
    """Return all of a run but its readings, from run.toml and what stands above it."""
    check_format(toml, findings)
    in_file: dict[str, Given] = {}
    for section in ("", *SECTIONS):
        path = (section,) if section else ()
        extra = TOP_LEVEL if not section else ()
        for name, value in table_values(toml, path, section, findings, extra).items():
            full = f"{section}.{name}" if section else name
            in_file[full] = Given(value, os.path.basename(toml.file), FROM_FILE)
    calibrations, sources = _calibrations(toml, in_file, plain, calibration, findings)
    chosen = merged([in_file, *sources, plain], toml.file, findings)
    _check_reach(chosen, toml, findings)
    marks = read_marks(toml, findings)
    stations, declared, assumed = _placed(toml, marks, by_station, findings)
    targets, target_sigmas = read_targets(toml, findings)
    if len(stations) == 1 and not targets:
        assumed = ()  # the station is the floor axes: its sigmas count as 0
    sigmas = tuple(key.full for key in KEYS if key.sigma and key.section not in LISTS and key.full not in chosen)
    return RunValues(
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


def _placed(
    toml: TomlText,
    marks: tuple[Mark, ...],
    by_station: Mapping[str, Mapping[str, Given]],
    findings: Findings,
) -> tuple[tuple[Station, ...], frozenset[str], tuple[str, ...]]:
    """Return the stations, the names of all that are declared, and the keys of sigmas that are not stated."""
    over = {name: {key: given.value for key, given in values.items()} for name, values in by_station.items()}
    stations, assumed = read_stations(toml, marks, findings, over)
    if not toml.data.get("station"):
        stations = (replace(Station("A"), **_fields("station", over.get("A", {}))),)
        assumed = tuple(f"station.A.{name}" for name in _SIGMAS if name not in over.get("A", {}))
    names = {table["name"] for table in _tables(toml, "station") if isinstance(table.get("name"), str)}
    declared = frozenset(names | {station.name for station in stations})
    for name in by_station:
        if name not in declared:
            words = f"--set station.{name}: the run has no station {name!r}; it has: {', '.join(sorted(declared))}"
            raise usage_problem([Fault(words, "names are case-sensitive")])
    return stations, declared, assumed


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
    findings: Findings,
) -> tuple[tuple[CalibrationFile, ...], list[Mapping[str, Given]]]:
    """Return the calibrations that hold, and their values from the lowest rank to the highest."""
    label = str((plain.get("ranger.label") or in_file.get("ranger.label") or Given("", "", 0)).value)
    asked: list[tuple[str, str, int]] = []  # path, who asks for it, rank of its values
    named = plain.get("calibration.file") or in_file.get("calibration.file")
    if named is not None and named.rank == FROM_FILE:
        path = os.path.join(os.path.dirname(toml.file), named.value)
        asked.append((path, f"[calibration] file in {toml.file}", FROM_RUN_CALIBRATION))
    elif named is not None:
        asked.append((named.value, f"{named.origin} calibration.file", FROM_RUN_CALIBRATION))
    if calibration is not None:
        asked.append((os.fspath(calibration), "--calibration", FROM_CALIBRATION))
    files: list[CalibrationFile] = []
    sources: list[Mapping[str, Given]] = []
    for path, asked_by, rank in asked:
        try:
            found = read_calibration(path, asked_by, label)
        except InputFaults as problem:
            findings.faults += problem.faults
            continue
        files += found
        sources += [one.given(rank) for one in found]
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


def as_run(
    known: RunValues,
    name: str,
    typed: str,
    readings: Readings,
    places: Sequence[Station],
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

"""Values for the keys of run.toml from flags, variables, calibrations and the file itself, and which of them holds.

Also the other way round: every key of a finished run with its value and where that came from.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from typing import Any

from sonargrid.errors import Fault, UsageProblem
from sonargrid.runs.readings import Run
from sonargrid.runs.run_keys import (
    BY_NAME,
    KEYS,
    LISTS,
    TARGET_KEYS,
    BadValue,
    Key,
    convert,
    default_of,
    in_file_unit,
    nearest,
    parse_text,
)
from sonargrid.runs.run_toml import Findings

SHORT_NAMES = {
    "reach": "ranger.reach_m",
    "temperature": "air.temperature_c",
    "half_beam": "ranger.half_beam_deg",
    "half-beam": "ranger.half_beam_deg",
}
VARIABLE = "SONARGRID_"
FROM_FILE, FROM_RUN_CALIBRATION, FROM_CALIBRATION, FROM_VARIABLE, FROM_FLAG = range(5)
SETTABLE = tuple(key for key in KEYS if key.section not in (*LISTS, "calibration") and key.name != "format")
# of these only one can hold
EITHER = (
    ("ranger.half_beam_deg", "ranger.half_beam_table"),
    ("ranger.us_per_cm", "ranger.assumed_sound_speed_m_s"),
)


@dataclass(frozen=True, slots=True)
class Given:
    """A key's value in the record's unit, where it came from, and the rank of that place (higher holds)."""

    value: Any
    origin: str
    rank: int


def settings_from_environment(environ: Mapping[str, str]) -> dict[str, tuple[str, str]]:
    """Return the SONARGRID_* variables that stand for keys of a run, as full key -> (text, variable's name).

    >>> settings_from_environment({"SONARGRID_REACH": "3", "SONARGRID_HEAD_ARM_M": "0.04", "HOME": "/"})
    {'head.arm_m': ('0.04', 'SONARGRID_HEAD_ARM_M'), 'ranger.reach_m': ('3', 'SONARGRID_REACH')}
    """
    found = {}
    for key in SETTABLE:
        name = VARIABLE + key.full.upper().replace(".", "_")
        if name in environ:
            found[key.full] = (environ[name], name)
    for short in ("reach", "temperature", "half_beam"):
        name = VARIABLE + short.upper()
        if name in environ:
            found[SHORT_NAMES[short]] = (environ[name], name)
    return found


def _key_of(name: str) -> tuple[Key | None, str | None]:
    """Return (key, name of the station, mark or target it is about or None) of a full or short name."""
    full = SHORT_NAMES.get(name, name)
    key = BY_NAME.get(full)
    if (key is not None and key in SETTABLE) or full == "calibration.file":
        return BY_NAME[full], None
    section, _, rest = full.partition(".")
    owner, _, own = rest.rpartition(".")
    if section in LISTS and owner:
        return BY_NAME.get(f"{section}.{own}"), owner
    return None, None


def _unknown_hint(name: str) -> str:
    """Return which key was probably meant."""
    full = [key.full for key in SETTABLE]
    section, _, own = name.rpartition(".")
    near = [key.name for key in SETTABLE if key.section == section] if section else [*SHORT_NAMES]
    homes = [known for known in full if known.rpartition(".")[2] == own]
    close = nearest(own, tuple(near))
    if homes:
        return f"did you mean {homes[0]}?"
    if close is not None:
        return f"did you mean {section}.{close}?" if section else f"did you mean {SHORT_NAMES[close]}?"
    close = nearest(own, tuple(key.name for key in SETTABLE))
    meant = next((key.full for key in SETTABLE if key.name == close), None)
    return f"did you mean {meant}?" if meant else "keys are written as in run.toml, such as ranger.reach_m"


def typed_values(settings: Mapping[str, tuple[str, str]]) -> tuple[dict[str, Given], dict[str, dict[str, Given]]]:
    """Return what flags and variables say: by full key; and for single stations, by name and key.

    Raises
    ------
    UsageProblem
        With everything that is wrong with them.
    """
    plain: dict[str, Given] = {}
    stations: dict[str, dict[str, Given]] = {}
    faults: list[Fault] = []
    for name, (text, origin) in settings.items():
        key, owner = _key_of(name)
        where = origin if origin.startswith(VARIABLE) else f"{origin} {name}" if origin == "--set" else origin
        if key is None or (owner is not None and key.section != "station"):
            faults.append(Fault(f"{where}: unknown key {name!r}", _unknown_hint(name)))
            continue
        try:
            value = convert(key, parse_text(key, text))
        except BadValue as bad:
            faults.append(Fault(f"{where}: {bad.message}", bad.hint))
            continue
        rank = FROM_VARIABLE if origin.startswith(VARIABLE) else FROM_FLAG
        if owner is not None:
            stations.setdefault(owner, {})[key.name] = Given(value, origin, rank)
        elif key.full not in plain or plain[key.full].rank <= rank:
            plain[key.full] = Given(value, origin, rank)
    if faults:
        raise usage_problem(faults)
    return plain, stations


def usage_problem(faults: list[Fault]) -> UsageProblem:
    """Return one problem of the command line that tells several faults."""
    problem = UsageProblem(faults[0].message, hint=faults[0].hint)
    problem.faults, problem.count = tuple(faults), len(faults)
    problem.args = ("\n".join(str(fault) for fault in faults),)
    return problem


def merged(sources: Iterable[Mapping[str, Given]], file: str, findings: Findings) -> dict[str, Given]:
    """Return which value of each key holds; a key given by a calibration and elsewhere in files is a warning."""
    chosen: dict[str, Given] = {}
    for source in sources:
        for full, given in source.items():
            there = chosen.get(full)
            if there is not None and there.rank > given.rank:
                continue
            if there is not None and given.rank <= FROM_CALIBRATION:
                findings.warnings.append(
                    f"{full} is given in {there.origin} and in {given.origin}; the value of {given.origin} holds"
                )
            chosen[full] = given
    for one, two in EITHER:
        if one in chosen and two in chosen:
            _choose(one, two, chosen, file, findings)
    return chosen


def _choose(one: str, two: str, chosen: dict[str, Given], file: str, findings: Findings) -> None:
    """Keep only one of two keys that exclude each other."""
    a, b = chosen[one], chosen[two]
    if a.rank == b.rank and one == "ranger.us_per_cm":
        hint = "keep one of the two: both say which sound speed the firmware used"
        place = file if a.rank == FROM_FILE else a.origin
        findings.faults.append(Fault(f"given together with {two}", hint, place, None, one))
        return
    kept, left = (one, two) if a.rank > b.rank else (two, one)
    if chosen[kept].rank <= FROM_CALIBRATION:
        findings.warnings.append(
            f"{left} is given in {chosen[left].origin} and {kept} in {chosen[kept].origin}; {kept} holds"
        )
    del chosen[left]


def value_of(run: Run, key: Key) -> Any:
    """Return the value of a key in a top-level or single-table section of a run, in the record's unit."""
    if key.section == "":
        return getattr(run, key.field)
    return getattr(getattr(run, key.section), key.field)


def show_config(run: Run) -> list[tuple[str, Any, str]]:
    """Return (full key, value in the file's unit, where it came from) of every key of a run.

    None stands for a key that has no value.  Origins are names of flags, variables and files, ``default``, or
    ``assumed`` for a sigma that nobody stated.
    """
    rows: list[tuple[str, Any, str]] = []
    for key in SETTABLE:
        value = in_file_unit(key, value_of(run, key))
        origin = run.origins.get(key.full, "assumed" if key.full in run.assumed else "default")
        if key.name in ("us_per_cm", "assumed_sound_speed_m_s") and origin == "default":
            value = in_file_unit(key, default_of(key))
        rows.append((key.full, value, origin))
    rows.append(("calibration.file", run.origins.get("calibration"), run.origins.get("calibration.file", "default")))
    for section in LISTS:
        records = () if run.moving and section == "station" else getattr(run, section + "s")
        for number, record in enumerate(records, 1):
            rows += _record_rows(run, section, number, record)
    return rows


def _record_rows(run: Run, section: str, number: int, record: Any) -> list[tuple[str, Any, str]]:
    name = record.name if section != "target" else str(number)
    known = {field.name for field in fields(record)}
    rows: list[tuple[str, Any, str]] = []
    if section == "target":
        rows.append((f"target.{name}.kind", record.kind, run.origins.get(f"target.{name}.kind", "default")))
    wanted = (*TARGET_KEYS[record.kind], "position_sigma_m") if section == "target" else None
    for key in KEYS:
        if key.section != section or key.name == "name" or key.field not in known:
            continue
        if wanted is not None and key.name not in wanted:
            continue
        full = f"{section}.{name}.{key.name}"
        origin = run.origins.get(full, "assumed" if full in run.assumed else "default")
        rows.append((full, in_file_unit(key, getattr(record, key.field)), origin))
    return rows

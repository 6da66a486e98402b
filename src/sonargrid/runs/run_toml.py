"""The tables of a run.toml (and of files like it) -> records, with every fault at once.

`run_keys` says what each key takes; here whole documents are read: unknown keys, tables of the wrong form, stations
placed by tape, surveyed targets.  Scenes and calibrations use the same pieces.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, cast

from sonargrid.errors import Fault
from sonargrid.runs.readings import Mark, Station, Target
from sonargrid.runs.run_keys import (
    BY_NAME,
    KEYS,
    LISTS,
    RECORDS,
    RUN_FORMAT,
    SECTIONS,
    SURVEY_KEYS,
    TARGET_KEYS,
    BadValue,
    Key,
    checked_name,
    convert,
    default_of,
    in_file_unit,
    nearest,
    shown,
)
from sonargrid.runs.survey import heading_towards, place_from_tapes
from sonargrid.runs.toml_text import Path, TomlText

Values = dict[str, Any]  # key's own name -> value in the record's unit


@dataclass(slots=True)
class Findings:
    """What reading a file brought up: faults that stop it, and sentences that do not."""

    faults: list[Fault] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)

    def at(self, toml: TomlText, path: Path, message: str, hint: str = "", column: str | None = None) -> None:
        """Note a fault of a TOML file's key, with its line where that is sure."""
        name = column or ".".join(str(part + 1) if isinstance(part, int) else part for part in path)
        self.faults.append(Fault(message, hint, toml.file, toml.line(*path), name or None))


def names_in(section: str) -> tuple[str, ...]:
    """Return the names of the keys in one section of run.toml, in the order of its page."""
    return tuple(key.name for key in KEYS if key.section == section)


def unknown_key(
    toml: TomlText, path: Path, known: Iterable[str], findings: Findings, column: str | None = None
) -> None:
    """Note a key that nobody knows, with the nearest one that somebody does."""
    name, names = str(path[-1]), tuple(known)
    homes = [key.full for key in KEYS if key.name == name and key.section not in LISTS]
    close = nearest(name, names)
    if homes and name not in names:
        hint = (
            f"{name} belongs under [{homes[0].rpartition('.')[0]}]" if "." in homes[0] else f"{name} stands at the top"
        )
    elif close is not None:
        hint = f"did you mean {close}?"
    else:
        wide = nearest(name, tuple(key.name for key in KEYS))
        hint = f"did you mean {wide}?" if wide else f"known here: {', '.join(names)}"
    findings.at(toml, path, f"unknown key {name!r}", hint, column)


def table_values(
    toml: TomlText, path: Path, section: str, findings: Findings, extra: Iterable[str] = (), prefix: str | None = None
) -> Values:
    """Return the values of one table's keys, converted; what cannot be is noted and left out.

    path : where the table stands, such as ("ranger",) or ("station", 0)
    section : whose keys it has
    extra : names of keys that the caller reads itself
    prefix : what stands before the key's name in messages; the path by default
    """
    table = _table_at(toml, path, findings)
    values: Values = {}
    known = (*names_in(section), *extra)
    for name, value in table.items():
        column = None if prefix is None else f"{prefix}.{name}"
        key = BY_NAME.get(f"{section}.{name}" if section else name)
        if key is None or name not in known:
            if name not in known:
                unknown_key(toml, (*path, name), known, findings, column)
            continue
        try:
            values[name] = convert(key, value, toml.raw.get((*path, name)))
        except BadValue as bad:
            findings.at(toml, (*path, name), bad.message, bad.hint or _left_out(key), column)
    return values


def _left_out(key: Key) -> str:
    """Return what holds where a key is left out, as a hint."""
    default = in_file_unit(key, default_of(key))
    return f"left out, it is {shown(default)}" if default not in (None, "") else "a number, such as 0.5"


def _table_at(toml: TomlText, path: Path, findings: Findings) -> Mapping[str, Any]:
    found: Any = toml.data
    for part in path:
        found = found.get(part, {}) if isinstance(part, str) else found[part]
    if isinstance(found, dict):
        return found
    wrong = "a list of tables" if isinstance(found, list) else shown(found)
    findings.at(toml, path, f"must be one table, got {wrong}", f"write [{path[-1]}]")
    return {}


def tables_in(toml: TomlText, name: str, findings: Findings) -> int:
    """Return how many tables the list `name` has; something else in its place is noted."""
    found = toml.data.get(name, [])
    if isinstance(found, list) and all(isinstance(table, dict) for table in found):
        return len(found)
    got = "one table" if isinstance(found, dict) else shown(found)
    findings.at(toml, (name,), f"must be a list of tables, got {got}", f"write [[{name}]] with two brackets")
    return 0


def record_of(section: str, values: Values) -> Any:
    """Return the record of a section with the given values in it and defaults for the rest."""
    fields = {BY_NAME[f"{section}.{name}"].field: value for name, value in values.items()}
    return RECORDS[section](**fields)


def check_format(toml: TomlText, findings: Findings, wanted: str = RUN_FORMAT) -> None:
    """Note a missing or foreign `format`."""
    if "format" not in toml.data:
        findings.at(toml, ("format",), "the key is missing", f'the first line reads format = "{wanted}"')
    elif isinstance(toml.data["format"], str) and toml.data["format"] != wanted:
        got = shown(toml.data["format"])
        findings.at(toml, ("format",), f"must be {wanted!r}, got {got}", f'write format = "{wanted}"')


def check_tables(toml: TomlText, findings: Findings, known: Iterable[str]) -> None:
    """Note top-level keys and tables that nobody knows."""
    names = tuple(known)
    for name in toml.data:
        if name not in names:
            unknown_key(toml, (name,), names, findings)


def _table(toml: TomlText, path: Path) -> Mapping[str, Any]:
    found: Any = toml.data
    for part in path:
        found = found[part]
    return cast(Mapping[str, Any], found)


def _own_name(toml: TomlText, section: str, place: int) -> str:
    """Return what messages call one table of a list: by its name where it has a fitting one, else by its number."""
    name = toml.data[section][place].get("name")
    try:
        return f"{section}.{checked_name(name)}" if isinstance(name, str) else f"{section}.{place + 1}"
    except BadValue:
        return f"{section}.{place + 1}"


def _missing(toml: TomlText, path: Path, prefix: str, names: Iterable[str], findings: Findings, hint: str = "") -> bool:
    """Note the keys that a table must have and has not."""
    table = _table(toml, path)
    left_out = [name for name in names if name not in table]
    for name in left_out:
        line = toml.line(*path)
        findings.faults.append(Fault("the key is missing", hint, toml.file, line, f"{prefix}.{name}"))
    return bool(left_out)


def read_marks(toml: TomlText, findings: Findings) -> tuple[Mark, ...]:
    """Return the marks of a document."""
    marks: list[Mark] = []
    for place in range(tables_in(toml, "mark", findings)):
        path, prefix = ("mark", place), _own_name(toml, "mark", place)
        values = table_values(toml, path, "mark", findings, prefix=prefix)
        if not _missing(toml, path, prefix, ("name", "x_m", "y_m"), findings) and len(values) == 3:
            marks.append(Mark(**values))
            _refuse_second(toml, path, prefix, [mark.name for mark in marks], findings)
    return tuple(marks)


def _refuse_second(toml: TomlText, path: Path, prefix: str, names: list[str], findings: Findings) -> None:
    if names.count(names[-1]) > 1:
        words = f"a second {path[0]} of the name {names[-1]!r}"
        findings.at(toml, (*path, "name"), words, "give each its own name", f"{prefix}.name")


def read_stations(
    toml: TomlText, marks: tuple[Mark, ...], findings: Findings, overrides: Mapping[str, Values] | None = None
) -> tuple[tuple[Station, ...], tuple[str, ...]]:
    """Return the stations of a document, and the full keys of sigmas that it does not state.

    overrides : station name -> values (in the record's unit) that replace those of the file
    """
    stations: list[Station] = []
    assumed: list[str] = []
    for place in range(tables_in(toml, "station", findings)):
        path, prefix = ("station", place), _own_name(toml, "station", place)
        before = len(findings.faults)
        values = table_values(toml, path, "station", findings, SURVEY_KEYS, prefix)
        over = (overrides or {}).get(str(values.get("name")), {})
        table = toml.data["station"][place]
        if "from" in table:
            values = {**_taped(toml, path, prefix, marks, values, findings), **over}
        else:
            values = {**values, **over}
            for name in ("side", "facing"):
                if name in table:
                    findings.at(
                        toml, (*path, name), "goes with `from`", "give `from` or leave it out", f"{prefix}.{name}"
                    )
            hint = "a parked station needs x_m, y_m, heading_deg (or from, side, facing)"
            needed = [name for name in ("name", "x_m", "y_m", "heading_deg") if name not in over]
            _missing(toml, path, prefix, needed, findings, hint)
        if len(findings.faults) > before:
            continue
        stated = {*table, *over}
        if "from" not in table:  # tape distances give sigmas of their own
            assumed += [f"{prefix}.{n}" for n in ("position_sigma_m", "heading_sigma_deg") if n not in stated]
        stations.append(record_of("station", values))
        _refuse_second(toml, path, prefix, [station.name for station in stations], findings)
    return tuple(stations), tuple(assumed)


def _taped(
    toml: TomlText, path: Path, prefix: str, marks: tuple[Mark, ...], values: Values, findings: Findings
) -> Values:
    """Return a station's values with its place from two tape distances and its heading from the mark it faces."""
    table = _table(toml, path)
    known = {mark.name: mark for mark in marks}
    before = len(findings.faults)

    def say(name: str, message: str, hint: str = "") -> None:
        findings.at(toml, (*path, name), message, hint, f"{prefix}.{name}")

    for name in ("x_m", "y_m"):
        if name in table:
            say(name, "given together with `from`", "a place is either measured by tape or given, not both")
    tapes = _tape_distances(table["from"], known, say)
    side, facing = table.get("side"), table.get("facing")
    got = "nothing" if side is None else shown(side)
    if side not in ("left", "right"):
        say(
            "side",
            f"must be 'left' or 'right' of the line from the first mark to the second, got {got}",
            'write side = "left"',
        )
    _check_facing(table, known, say)
    _missing(toml, path, prefix, ("name",), findings)
    if len(findings.faults) > before:
        return values
    (p, p_m), (q, q_m) = tapes
    try:
        x, y, sigma = place_from_tapes(known[p], known[q], p_m, q_m, str(side))
    except ValueError as problem:
        say("from", str(problem), "measure again, or from marks that stand farther apart across the line of sight")
        return values
    placed: Values = {"x_m": x, "y_m": y, "position_sigma_m": sigma}
    if facing is not None:
        try:
            placed["heading_deg"], placed["heading_sigma_deg"] = heading_towards(x, y, sigma, known[facing])
        except ValueError as problem:
            say("facing", str(problem), "name another mark, or give heading_deg")
    return {**placed, **values}


def _check_facing(table: Mapping[str, Any], known: Mapping[str, Mark], say: Callable[..., None]) -> None:
    """Note what is wrong with the mark that a station faces."""
    facing = table.get("facing")
    if facing is None and "heading_deg" not in table:
        say("facing", "the key is missing", "name the mark that the robot faces, or give heading_deg")
    elif facing is not None and "heading_deg" in table:
        say("facing", "given together with heading_deg", "keep one of them")
    elif facing is not None and facing not in known:
        say("facing", f"no mark of the name {shown(facing)}", _known_marks(known))


def _tape_distances(given: Any, known: Mapping[str, Mark], say: Callable[..., None]) -> list[tuple[str, float]]:
    example = "write from = {P = 1.20, Q = 0.85}"
    if not isinstance(given, dict) or len(given) != 2:
        say("from", f"must give two tape distances by mark, got {shown(given)}", example)
        return []
    tapes = []
    for name, value in given.items():
        try:
            distance = convert(Key("station", "from", "from", low=0.0, high=100.0, open_low=True), value)
        except BadValue as bad:
            say("from", f"the distance to {name} {bad.message}", example)
            continue
        if name not in known:
            say("from", f"no mark of the name {shown(name)}", _known_marks(known))
        tapes.append((name, distance))
    return tapes


def _known_marks(known: Mapping[str, Mark]) -> str:
    return f"known marks: {', '.join(known)}" if known else "describe it in a [[mark]] table: name, x_m, y_m"


def read_targets(toml: TomlText, findings: Findings) -> tuple[tuple[Target, ...], tuple[str, ...]]:
    """Return the surveyed targets of a document, and the full keys of sigmas that it does not state."""
    targets: list[Target] = []
    assumed: list[str] = []
    for place in range(tables_in(toml, "target", findings)):
        path, prefix = ("target", place), f"target.{place + 1}"
        table = toml.data["target"][place]
        kind = table.get("kind")
        if not isinstance(kind, str) or kind not in TARGET_KEYS:
            words = f"must be {', '.join(map(repr, TARGET_KEYS))}, got {shown(kind) if kind is not None else 'nothing'}"
            findings.at(toml, (*path, "kind"), words, 'write kind = "post"', f"{prefix}.kind")
            continue
        before = len(findings.faults)
        wanted = TARGET_KEYS[kind]
        for name in table:
            if name in names_in("target") and name not in (*wanted, "position_sigma_m"):
                words = f"a {kind} has no {name}"
                findings.at(toml, (*path, name), words, f"a {kind} has {', '.join(wanted)}", f"{prefix}.{name}")
        values = table_values(toml, path, "target", findings, ("kind",), prefix)
        _missing(toml, path, prefix, wanted, findings, f"a {kind} has {', '.join(wanted)}")
        if len(findings.faults) == before:
            fields = {BY_NAME[f"target.{name}"].field: value for name, value in values.items()}
            targets.append(Target(kind, **fields))
            if "position_sigma_m" not in table:
                assumed.append(f"{prefix}.position_sigma_m")
    return tuple(targets), tuple(assumed)


TOP_LEVEL = (*names_in(""), *SECTIONS, *LISTS)

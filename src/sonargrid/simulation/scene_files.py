"""A scene file (TOML) -> `Scene`, with every fault at once.

[air], [ranger], [head], [robot], [[station]], [[mark]] and [[target]] are read as in run.toml, but here they are the
truth; the same tables under [given] are what the run will claim instead.  [[wall]], [[post]], [[box]], [sweep] and
[noise] are this file's own.  Files in metres and degrees, records in metres and radians.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Mapping
from dataclasses import fields, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

from sonargrid.errors import InputFaults
from sonargrid.physics.geometry import to_pose
from sonargrid.runs.readings import ANGLE_COLUMNS, DISTANCE_COLUMNS, Station
from sonargrid.runs.run_input import read_input
from sonargrid.runs.run_keys import BY_NAME, KEYS, RECORDS, BadValue, Key, convert, nearest, shown
from sonargrid.runs.run_toml import Findings, Values, read_marks, read_stations, read_targets, table_values, tables_in
from sonargrid.runs.toml_text import TomlText, read_toml
from sonargrid.simulation.scene import BEAMS, CHANCES, SURFACES, Noise, Scene, SceneBox, ScenePost, SceneWall, SweepPlan
from sonargrid.units import RAD_PER_DEG

SCENE_FORMAT = "sonargrid-scene/1"
TRUTHS = ("air", "ranger", "head", "robot")  # tables that run.toml and [given] have too
_TOP = (
    "format",
    "title",
    "notes",
    "seed",
    *TRUTHS,
    "mark",
    "station",
    "target",
    "wall",
    "post",
    "box",
    "sweep",
    "noise",
)
_SIZE: dict[str, Any] = {"low": 0.0, "high": 100.0, "open_low": True}
_TURN: dict[str, Any] = {"low": -360.0, "high": 360.0, "unit": RAD_PER_DEG}


def _choice(section: str, name: str, words: Iterable[str]) -> Key:
    return Key(section, name, name, "choice", choices=tuple((word, word) for word in words))


def _place(section: str, *names: str) -> tuple[Key, ...]:
    return tuple(Key(section, name, name, required=True) for name in names)


def _noise_key(name: str) -> Key:
    """Return the key of one field of `Noise`: its name, with degrees for radians."""
    if name == "beam":
        return _choice("noise", name, BEAMS)
    if isinstance(getattr(Noise(), name), bool):
        return Key("noise", name, name, "flag")
    if name in CHANCES:
        return Key("noise", name, name, low=0.0, high=1.0, hint="a chance: 0.02 is one ping in fifty")
    if name.endswith("_rad"):
        return Key("noise", name.removesuffix("_rad") + "_deg", name, unit=RAD_PER_DEG, low=-90.0, high=90.0)
    if name in ("threshold_db", "floor_db", "patch_db", "edge_db"):
        return Key("noise", name, name, low=-200.0, high=200.0)
    return Key("noise", name, name, low=-0.9 if name == "skew" else 0.0, high=100.0)


_THINGS: Mapping[str, tuple[Key, ...]] = {
    "wall": (
        *_place("wall", "x1_m", "y1_m", "x2_m", "y2_m"),
        _choice("wall", "surface", SURFACES),
        Key("wall", "lean_deg", "lean_rad", unit=RAD_PER_DEG, low=-60.0, high=60.0),
    ),
    "post": (
        *_place("post", "x_m", "y_m"),
        Key("post", "diameter_m", "diameter_m", required=True, **_SIZE),
        Key("post", "half", "half", "flag"),
        Key("post", "heading_deg", "heading_rad", **_TURN),
    ),
    "box": (
        *_place("box", "x_m", "y_m"),
        Key("box", "width_m", "width_m", required=True, **_SIZE),
        Key("box", "depth_m", "depth_m", required=True, **_SIZE),
        Key("box", "heading_deg", "heading_rad", **_TURN),
    ),
}
_PLAN: Mapping[str, tuple[Key, ...]] = {
    "sweep": (
        Key("sweep", "step_deg", "step_rad", unit=RAD_PER_DEG, low=0.0, high=180.0, open_low=True),
        Key("sweep", "passes", "passes", "count", low=1, high=1e6),
        Key("sweep", "both_ways", "both_ways", "flag"),
        Key("sweep", "from_deg", "from_rad", **_TURN),
        Key("sweep", "to_deg", "to_rad", **_TURN),
        Key("sweep", "ping_interval_s", "ping_interval_s", low=0.0, high=1e4, open_low=True),
        _choice("sweep", "angle_column", ANGLE_COLUMNS),
        _choice("sweep", "distance_column", DISTANCE_COLUMNS),
        Key("sweep", "resolution", "resolution", low=0.0, high=1e6),
    ),
    "noise": tuple(_noise_key(field.name) for field in fields(Noise)),
}
SCENE_KEYS: Mapping[str, tuple[Key, ...]] = MappingProxyType({**_THINGS, **_PLAN})


def load_scene(path: str | os.PathLike[str]) -> Scene:
    """Return the scene of a TOML file; `-` is standard input.

    Raises
    ------
    InputFaults
        If the file is missing or anything in it cannot be used: all faults at once, each with its key.
    """
    name = os.fspath(path)
    shown_name = "standard input" if name == "-" else name
    content = read_input(name).content
    return parse_scene(content, shown_name, "scene" if name == "-" else Path(name).stem)


def parse_scene(content: bytes, file: str = "scene.toml", name: str = "scene") -> Scene:
    """Return the scene that the bytes of a TOML file describe.

    Raises
    ------
    InputFaults
        If anything in it cannot be used.

    Examples
    --------
    >>> text = b"[[post]]\\nx_m = 0.0\\ny_m = 0.6\\ndiameter_m = 0.05\\n[sweep]\\nstep_deg = 2.0"
    >>> scene = parse_scene(text)
    >>> scene.posts[0].diameter_m, round(math.degrees(scene.sweep.step_rad)), scene.stations[0].name
    (0.05, 2, 'A')
    """
    toml = read_toml(content, file)
    findings = Findings()
    _check_top(toml, findings)
    values: dict[str, Any] = {"name": name, **{key: str(toml.data.get(key, "")) for key in ("title", "notes")}}
    values["seed"] = _seed(toml, findings)
    assumed: list[str] = []
    for section in TRUTHS:
        stated = table_values(toml, (section,), section, findings)
        values[section] = _record(section, stated, RECORDS[section]())
        assumed += _unstated(toml, section)
    values["marks"] = read_marks(toml, findings)
    stations, unstated = read_stations(toml, values["marks"], findings)
    values["targets"], untold = read_targets(toml, findings)
    values["stations"] = stations or (Station("A"),)
    values |= {f"{kind}s" if kind != "box" else "boxes": _things(toml, kind, findings) for kind in _THINGS}
    for section, record in (("sweep", SweepPlan), ("noise", Noise)):
        own = _own_values(toml, (section,), section, section, findings)
        values[section] = _made(toml, (section,), record, own, findings)
    _check_angles(toml, values["sweep"], findings)
    values |= _given(toml, values, findings)
    values["assumed"] = (*assumed, *_unstated_stations(toml, unstated), *untold)
    _keep_stations_out(toml, values, findings)
    if findings.faults:
        raise InputFaults(findings.faults)
    return Scene(**values)


def _check_angles(toml: TomlText, plan: SweepPlan, findings: Findings) -> None:
    """Note a sweep whose angles no run may hold: head angles are 0 to 180 degrees, bearings of a ring are free."""
    low, high = plan.from_rad / RAD_PER_DEG, plan.to_rad / RAD_PER_DEG
    if plan.angle_column != "bearing_deg" and not (low >= -1e-9 and high <= 180.0 + 1e-9):
        words = f"head angles lie between 0 and 180, got {low:g} to {high:g}"
        findings.at(toml, ("sweep",), words, 'for a fixed ring write angle_column = "bearing_deg"')


def _check_top(toml: TomlText, findings: Findings) -> None:
    known = (*_TOP, "given")
    for name in toml.data:
        if name not in known:
            close = nearest(name, known)
            hint = f"did you mean {close}?" if close else f"known here: {', '.join(known)}"
            findings.at(toml, (name,), f"unknown key {name!r}", hint)
    said = toml.data.get("format", SCENE_FORMAT)
    if said != SCENE_FORMAT:
        words = f"must be {SCENE_FORMAT!r}, got {shown(said)}"
        findings.at(toml, ("format",), words, "a run is no scene: `sonargrid map` takes the one, `simulate` the other")
    for name in ("title", "notes"):
        if not isinstance(toml.data.get(name, ""), str):
            findings.at(toml, (name,), f"must be a text, got {shown(toml.data[name])}")


def _seed(toml: TomlText, findings: Findings) -> int:
    try:
        return _whole(toml.data.get("seed", 0), 0, 2**63 - 1)
    except BadValue as bad:
        findings.at(toml, ("seed",), bad.message, bad.hint)
        return 0


def _whole(value: Any, low: float, high: float) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise BadValue(f"must be a whole number, got {shown(value)}")
    if not low <= value <= high:
        raise BadValue(f"must be at least {low:g} and at most {high:g}, got {value}")
    return value


def _converted(key: Key, value: Any, raw: str | None) -> Any:
    if key.kind == "flag":
        if not isinstance(value, bool):
            raise BadValue(f"must be true or false, got {shown(value)}")
        return value
    return _whole(value, key.low, key.high) if key.kind == "count" else convert(key, value, raw)


def _own_values(toml: TomlText, path: tuple[str | int, ...], section: str, prefix: str, findings: Findings) -> Values:
    """Return field -> value of a table of this file's own; what cannot be used is noted and left out."""
    table: Any = toml.data
    for part in path:
        table = table.get(part, {}) if isinstance(part, str) else table[part]
    if not isinstance(table, dict):
        wrong = "a list of tables" if isinstance(table, list) else shown(table)
        findings.at(toml, path, f"must be one table, got {wrong}", f"write [{path[-1]}]")
        return {}
    keys = {key.name: key for key in SCENE_KEYS[section]}
    values: Values = {}
    meant: set[str | None] = set()
    for name, value in table.items():
        where, column = (*path, name), f"{prefix}.{name}"
        if name not in keys:
            close = nearest(name, tuple(keys))
            meant.add(close)
            hint = f"did you mean {close}?" if close else f"known here: {', '.join(keys)}"
            findings.at(toml, where, f"unknown key {name!r}", hint, column)
            continue
        try:
            values[keys[name].field] = _converted(keys[name], value, toml.raw.get(where))
        except BadValue as bad:
            findings.at(toml, where, bad.message, bad.hint, column)
    for key in keys.values():
        if key.required and key.name not in table and key.name not in meant:  # a slip of spelling is one fault
            findings.at(toml, path, "the key is missing", f"a {section} has {_needed(section)}", f"{prefix}.{key.name}")
    return values


def _needed(section: str) -> str:
    return ", ".join(key.name for key in SCENE_KEYS[section] if key.required)


def _made(toml: TomlText, path: tuple[str | int, ...], record: Any, values: Values, findings: Findings) -> Any:
    """Return the record with these values; what does not go together is noted, and the bare defaults stand in."""
    try:
        return record(**values)
    except ValueError as problem:
        findings.at(toml, path, str(problem))
        return record()


def _things(toml: TomlText, kind: str, findings: Findings) -> tuple[Any, ...]:
    record = {"wall": SceneWall, "post": ScenePost, "box": SceneBox}[kind]
    made = []
    for place in range(tables_in(toml, kind, findings)):
        before = len(findings.faults)
        values = _own_values(toml, (kind, place), kind, f"{kind}.{place + 1}", findings)
        if len(findings.faults) > before:
            continue
        try:
            made.append(record(**values))
        except ValueError as problem:
            findings.at(toml, (kind, place), str(problem), column=f"{kind}.{place + 1}")
    return tuple(made)


def _record(section: str, stated: Values, base: Any) -> Any:
    """Return a record of run.toml's kind, with what is stated in place of what `base` has."""
    return replace(base, **{BY_NAME[f"{section}.{name}"].field: value for name, value in stated.items()})


def _unstated(toml: TomlText, section: str) -> list[str]:
    """Return the full keys of a section's sigmas that neither the truth nor [given] states."""
    given = toml.data.get("given", {})
    said = [tables.get(section, {}) for tables in (toml.data, given if isinstance(given, dict) else {})]
    keys = [key for key in KEYS if key.section == section and key.sigma]
    return [key.full for key in keys if not any(isinstance(table, dict) and key.name in table for table in said)]


def _unstated_stations(toml: TomlText, unstated: tuple[str, ...]) -> list[str]:
    """Return the full keys of station sigmas that the run does not state; what [given] says of a station counts."""
    given = toml.data.get("given", {})
    claimed = given.get("station", []) if isinstance(given, dict) else []
    tables = (
        {table.get("name"): table for table in claimed if isinstance(table, dict)} if isinstance(claimed, list) else {}
    )
    return [
        key for key in unstated if key.rpartition(".")[2] not in tables.get(key.split(".", 1)[1].rpartition(".")[0], {})
    ]


def _given(toml: TomlText, truth: Values, findings: Findings) -> Values:
    """Return the `given_` fields: what the run claims, where [given] says something else than the truth."""
    table = toml.data.get("given", {})
    if not isinstance(table, dict):
        findings.at(toml, ("given",), f"must be one table, got {shown(table)}", "write [given.head], [[given.station]]")
        return {}
    for name in table:
        if name not in (*TRUTHS, "station"):
            words = f"known here: {', '.join(TRUTHS)}, station"
            findings.at(toml, ("given", name), f"unknown key {name!r}", words)
    values: Values = {}
    for section in TRUTHS:
        if section in table:
            stated = table_values(toml, ("given", section), section, findings, prefix=f"given.{section}")
            values[f"given_{section}"] = _record(section, stated, truth[section])
    if "station" in table:
        values["given_stations"] = _given_stations(toml, truth, findings)
    return values


def _given_stations(toml: TomlText, truth: Values, findings: Findings) -> tuple[Station, ...]:
    # the tables under [given] as a document of their own, so that stations by tape work there too
    inner = TomlText(
        toml.file,
        toml.data["given"],
        {path[1:]: line for path, line in toml.lines.items() if path[:1] == ("given",)},
        {path[1:]: raw for path, raw in toml.raw.items() if path[:1] == ("given",)},
    )
    claimed, _ = read_stations(inner, truth["marks"], findings)
    by_name = {station.name: station for station in claimed}
    names = [station.name for station in truth["stations"]]
    for place, station in enumerate(claimed):
        if station.name not in names:
            words = f"no true station of the name {station.name!r}"
            findings.at(
                inner, ("station", place), words, f"true stations: {', '.join(names)}", f"given.station.{station.name}"
            )
    return tuple(by_name.get(station.name, station) for station in truth["stations"])


def _keep_stations_out(toml: TomlText, values: Values, findings: Findings) -> None:
    """Note stations that stand inside a thing: nothing could be heard from there."""
    for place, station in enumerate(values["stations"]):
        x, y = station.x_m, station.y_m
        inside = [
            f"post {i + 1}"
            for i, post in enumerate(values["posts"])
            if math.hypot(post.x_m - x, post.y_m - y) < 0.5 * post.diameter_m
        ]
        for i, box in enumerate(values["boxes"]):
            ahead, left = to_pose(box.x_m, box.y_m, box.heading_rad, x, y)
            if abs(float(ahead)) < 0.5 * box.width_m and abs(float(left)) < 0.5 * box.depth_m:
                inside.append(f"box {i + 1}")
        for thing in inside:
            words = f"stands inside {thing}, at ({x:g}, {y:g})"
            findings.at(toml, ("station", place), words, "move the station or the thing", f"station.{station.name}")

"""A study's TOML file -> scenes, seeds and settings, with every fault told at once.

    title = "Two beams in two rooms"
    scene = ["bay.toml", "bench.toml"]        # from the file's own folder; a folder of scenes is one scene a seed
    seeds = {first = 1, count = 60}

    [[setting]]
    name = "narrow"
    beam = "cone"
    solver = "additive"
    cell_m = 0.04
    run = {"ranger.half_beam_deg" = 10.0}     # keys of run.toml that the map is to take for true

Metres, as the keys say.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

from sonargrid.errors import InputFaults, SonargridError
from sonargrid.maps.evidence import BEAM_NAMES, MapSettings
from sonargrid.maps.mapping import SOLVERS
from sonargrid.runs.run_input import read_input
from sonargrid.runs.run_keys import nearest
from sonargrid.runs.run_toml import Findings
from sonargrid.runs.toml_text import TomlText, read_toml
from sonargrid.simulation.scene import Scene
from sonargrid.simulation.scene_files import parse_scene

MOST_SEEDS = 1_000_000
MAP_KEYS = tuple(one.name for one in fields(MapSettings) if one.name != "extent_m")
SETTING_KEYS = ("name", *MAP_KEYS, "things", "drawn", "size_prior_m", "min_confidence", "run")


@dataclass(frozen=True, slots=True)
class StudySetting:
    """One way to map: its name, and what differs from the usual.

    things : whether a list is made and scored, too
    drawn : whether the map is scored with the things drawn in
    search : arguments of `Search`
    run : key of run.toml -> the text of its value
    """

    name: str
    settings: MapSettings
    things: bool = True
    drawn: bool = False
    search: Mapping[str, float] = field(default_factory=dict)
    run: Mapping[str, str] = field(default_factory=dict)


SceneOfSeed = Callable[[int], Scene]


@dataclass(frozen=True, slots=True)
class SceneFolder:
    """The scenes of a folder in the order of their names: the first seed meets the first, and round again."""

    scenes: tuple[Scene, ...]
    first_seed: int

    def __call__(self, seed: int) -> Scene:
        """Return the scene of a seed."""
        return self.scenes[(seed - self.first_seed) % len(self.scenes)]


@dataclass(frozen=True, slots=True)
class Study:
    """Scenes x seeds x settings.

    scenes : name -> scene, or what gives the scene of a seed (a function of a module, so that it can be sent); in the
        order of the file
    digest : SHA-256 of the file and its scenes
    """

    title: str
    scenes: Mapping[str, Scene | SceneOfSeed]
    first_seed: int
    seeds: int
    settings: tuple[StudySetting, ...]
    digest: str


def load_study(path: str | os.PathLike[str]) -> Study:
    """Return the study that a TOML file describes.

    Raises
    ------
    InputFaults
        With everything that cannot be used, in the file and in its scenes.
    """
    name = os.fspath(path)
    content = read_input(name).content
    toml, findings = read_toml(content, name), Findings()
    for key in sorted(set(toml.data) - {"title", "scene", "seeds", "setting"}):
        _unknown(toml, (key,), ("title", "scene", "seeds", "setting"), findings)
    title = toml.data.get("title", Path(name).stem)
    if not isinstance(title, str):
        findings.at(toml, ("title",), f"must be a text, got {title!r}")
    digest = hashlib.sha256(content)
    first, count = _seeds(toml, findings)
    scenes = _scenes(toml, Path(name).parent, first, findings, digest)
    settings = _settings(toml, findings)
    if findings.faults:
        raise InputFaults(findings.faults)
    return Study(str(title), scenes, first, count, settings, digest.hexdigest())


def _unknown(toml: TomlText, path: tuple[str | int, ...], known: tuple[str, ...], findings: Findings) -> None:
    close = nearest(str(path[-1]), known)
    hint = f"did you mean {close}?" if close else f"known here: {', '.join(known)}"
    findings.at(toml, path, f"unknown key {path[-1]!r}", hint)


def _scenes(
    toml: TomlText, folder: Path, first_seed: int, findings: Findings, digest: Any
) -> dict[str, Scene | SceneOfSeed]:
    listed = toml.data.get("scene")
    paths = [listed] if isinstance(listed, str) else listed
    if not isinstance(paths, list) or not paths or not all(isinstance(one, str) and one for one in paths):
        findings.at(toml, ("scene",), "must be one scene file or several", 'such as scene = ["bay.toml"]')
        return {}
    scenes: dict[str, Scene | SceneOfSeed] = {}
    for path in paths:
        place = folder / path
        inside = sorted(place.glob("*.toml")) if place.is_dir() else [place]
        if not inside:
            findings.at(toml, ("scene",), f"there is no scene in the folder {path}", "scene files end in .toml")
        read = [scene for scene in (_scene(one, findings, digest) for one in inside) if scene is not None]
        if not read:
            continue
        name = place.resolve().name if place.is_dir() else read[0].name
        if name in scenes:
            findings.at(toml, ("scene",), f"two scenes are called {name}", "give one file another name")
        scenes[name] = SceneFolder(tuple(read), first_seed) if place.is_dir() else read[0]
    return scenes


def _scene(path: Path, findings: Findings, digest: Any) -> Scene | None:
    try:
        content = read_input(str(path)).content
        digest.update(content)
        return parse_scene(content, str(path), path.stem)
    except SonargridError as problem:
        findings.faults += problem.faults
        return None


def _seeds(toml: TomlText, findings: Findings) -> tuple[int, int]:
    given = toml.data.get("seeds", 20)
    table = {"count": given} if isinstance(given, int) and not isinstance(given, bool) else given
    hint = "such as seeds = 60, or seeds = {first = 1, count = 60}"
    if not isinstance(table, dict) or set(table) - {"first", "count"}:
        findings.at(toml, ("seeds",), f"must be a count, or first and count; got {given!r}", hint)
        return 1, 1
    first, count = table.get("first", 1), table.get("count", 20)
    whole = all(isinstance(one, int) and not isinstance(one, bool) for one in (first, count))
    if not whole or first < 0 or not 1 <= count <= MOST_SEEDS:
        findings.at(toml, ("seeds",), f"must be whole numbers, count 1 to {MOST_SEEDS}; got {given!r}", hint)
        return 1, 1
    return first, count


def _settings(toml: TomlText, findings: Findings) -> tuple[StudySetting, ...]:
    tables = toml.data.get("setting", [{}])
    if not isinstance(tables, list) or not tables:
        findings.at(toml, ("setting",), "must be [[setting]] tables", "each with a name and what differs")
        return ()
    made = [_setting(toml, number, table, findings) for number, table in enumerate(tables)]
    known: set[str] = set()
    for number, one in enumerate(made):
        if one is not None and one.name in known:
            findings.at(toml, ("setting", number, "name"), f"another setting is called {one.name}, too")
        known |= set() if one is None else {one.name}
    return tuple(one for one in made if one is not None)


def _setting(toml: TomlText, number: int, table: Any, findings: Findings) -> StudySetting | None:
    here: tuple[str | int, ...] = ("setting", number)
    before = len(findings.faults)
    if not isinstance(table, dict):
        findings.at(toml, here, f"must be a table, got {table!r}")
        return None
    for key in sorted(set(table) - set(SETTING_KEYS)):
        _unknown(toml, (*here, key), SETTING_KEYS, findings)
    for key, known in (("beam", BEAM_NAMES), ("solver", tuple(SOLVERS))):
        if key in table and table[key] not in known:
            findings.at(toml, (*here, key), f"unknown {key} {table[key]!r}", f"known: {', '.join(known)}")
    for key in ("things", "drawn", "redundancy", "never_lower"):
        if not isinstance(table.get(key, False), bool):
            findings.at(toml, (*here, key), f"must be true or false, got {table[key]!r}")
    numbers = ("cell_m", "repeat_correlation", "silence_weight", "max_cells", "evidence_limit", "prior")
    for key in (*numbers, "size_prior_m", "min_confidence"):
        if key in table and (isinstance(table[key], bool) or not isinstance(table[key], int | float)):
            findings.at(toml, (*here, key), f"must be a number, got {table[key]!r}")
    run = table.get("run", {})
    if not isinstance(run, dict) or not all(isinstance(one, int | float | str) for one in run.values()):
        findings.at(toml, (*here, "run"), "must be keys of run.toml", 'such as {"ranger.half_beam_deg" = 10.0}')
    name = table.get("name", f"setting {number + 1}" if table else "as usual")
    if not isinstance(name, str) or not name:
        findings.at(toml, (*here, "name"), f"must be a text, got {name!r}")
    if len(findings.faults) > before:
        return None
    try:
        settings = MapSettings(**{key: table[key] for key in MAP_KEYS if key in table})
    except SonargridError as problem:
        findings.at(toml, here, problem.faults[0].message, problem.faults[0].hint)
        return None
    search = {key: float(table[key]) for key in ("size_prior_m", "min_confidence") if key in table}
    texts = {key: str(value) for key, value in run.items()}
    return StudySetting(name, settings, table.get("things", True), table.get("drawn", False), search, texts)

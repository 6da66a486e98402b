"""What is to be done with every run of a batch: how it is mapped, and which other commands' files it gets beside."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields
from typing import Any

import sonargrid
from sonargrid.many.run_list import ListedRun
from sonargrid.maps.evidence import MapSettings
from sonargrid.pipeline import Search

ALSO = ("check", "count", "compare")  # in the order in which they are done, after the map


@dataclass(frozen=True, slots=True)
class Recipe:
    """How every run of a batch is to be mapped; what decides whether a finished one still stands.

    typed : key of run.toml -> (text, the flag it came from), for all runs
    search : None = only the grid
    origins : field of `MapSettings` or `Search` -> the flag or variable it came from
    also : which of `ALSO` each run gets beside its map
    """

    settings: MapSettings = field(default_factory=MapSettings)
    search: Search | None = field(default_factory=Search)
    typed: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    calibration: str | None = None
    svg: bool = False
    draw_objects: bool = False
    theme: str = "light"
    origins: Mapping[str, str] = field(default_factory=dict)
    also: tuple[str, ...] = ()
    geotiff: bool = False

    def __post_init__(self) -> None:
        unknown = set(self.also) - set(ALSO)
        if unknown:
            raise ValueError(f"unknown steps {sorted(unknown)}; known: {', '.join(ALSO)}")

    @property
    def only_sums_evidence(self) -> bool:
        """Whether equal readings of a long log may be counted together: nothing needs each of them."""
        return self.search is None and not self.also and self.settings.named().solver == "additive"

    def mark(self) -> str:
        """Return what tells recipes apart, the version of the project included."""
        told = {one.name: getattr(self, one.name) for one in fields(self) if one.name not in ("settings", "search")}
        told |= {"settings": asdict(self.settings), "version": sonargrid.__version__}
        told["search"] = None if self.search is None else asdict(self.search)
        return hashlib.sha256(json.dumps(told, sort_keys=True, default=str).encode()).hexdigest()


@dataclass(frozen=True, slots=True)
class Task:
    """One run's share of a batch.

    before : the journal's entry of an earlier, finished map by the same recipe; empty = there is none
    """

    run: ListedRun
    out: str
    recipe: Recipe
    before: Mapping[str, Any] = field(default_factory=dict)
    force: bool = False

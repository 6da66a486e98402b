"""sonargrid: maps and object lists from an ultrasonic ranger that a servo turns.

The door for programs.  Names are loaded on first use, so that ``import sonargrid`` costs next to nothing:

>>> import sonargrid
>>> sonargrid.__version__.count(".")
2
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from importlib import import_module
from typing import Any

__version__ = "0.1.0"

# public name -> the module that holds it
_DOOR = {
    "Run": "runs.readings",
    "Station": "runs.readings",
    "LogOddsGrid": "maps.grid",
    "SonargridError": "errors",
    "load_run": "runs.run_files",
    "save_run": "runs.run_files",
    "build_map": "maps.mapping",
    "Map": "maps.mapping",
    "find_objects": "finding.objects",
    "Object": "finding.things",
    "Things": "finding.things",
    "simulate": "simulation.simulate",
    "check_run": "bench.run_check",
    "Scene": "simulation.simulate",
    "score": "scores.scoring",
    "calibrate_head": "bench.head_bench",
    "calibrate_ranger": "runs.known_distances",
    "calibrate_beam": "bench.beam_bench",
    "compare_beams": "comparing.comparison",
    "Comparison": "comparing.comparison",
    "refine_poses": "stations.alignment",
    "next_station": "stations.next_station",
}

__all__ = ["__version__", "plot", *_DOOR]

# what a notebook shows as picture and table: class -> its module; `results.displays` draws, and loads when asked
_SHOWN = {
    "Run": "runs.readings",
    "Map": "maps.mapping",
    "Things": "finding.things",
    "Comparison": "comparing.comparison",
}


def __getattr__(name: str) -> Any:
    if name == "plot":
        return import_module("sonargrid.plot")
    if name in _DOOR:
        value = getattr(import_module(f"sonargrid.{_DOOR[name]}"), name)
        globals()[name] = value
        _hang_displays()
        return value
    raise AttributeError(f"module 'sonargrid' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)


def _hang_displays() -> None:
    """Give the classes that are loaded by now their notebook displays; no class knows how it is drawn."""
    for name, module in _SHOWN.items():
        loaded = sys.modules.get(f"sonargrid.{module}")
        if loaded is not None and not hasattr(getattr(loaded, name), "_repr_png_"):
            for how in ("png", "html"):
                setattr(getattr(loaded, name), f"_repr_{how}_", _display(f"{name.lower()}_{how}"))


def _display(name: str) -> Callable[[Any], Any]:
    def show(shown: Any) -> Any:
        return getattr(import_module("sonargrid.results.displays"), name)(shown)

    return show

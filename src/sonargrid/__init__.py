"""sonargrid: maps and object lists from an ultrasonic ranger that a servo turns.

The door for programs.  Names are loaded on first use, so that ``import sonargrid`` costs next to nothing:

>>> import sonargrid
>>> sonargrid.__version__.count(".")
2
"""

from __future__ import annotations

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
    "Object": "finding.objects",
    "simulate": "simulation.simulate",
    "Scene": "simulation.simulate",
    "score": "scores.scoring",
}

__all__ = ["__version__", *_DOOR]


def __getattr__(name: str) -> Any:
    if name in _DOOR:
        value = getattr(import_module(f"sonargrid.{_DOOR[name]}"), name)
        globals()[name] = value
        return value
    raise AttributeError(f"module 'sonargrid' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)

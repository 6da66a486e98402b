"""sonargrid: maps and object lists from an ultrasonic ranger that a servo turns.

The door for programs.  Names are loaded on first use, so that ``import sonargrid`` costs next to nothing:

>>> import sonargrid
>>> sonargrid.__version__.count(".")
2
"""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType
from typing import Any

__version__ = "0.1.0"

# public name -> the module that holds it
_DOOR = {
    "Run": "readings",
    "Station": "readings",
    "LogOddsGrid": "grid",
    "SonargridError": "errors",
    "load_run": "run_files",
    "save_run": "run_files",
    "build_map": "mapping",
    "Map": "mapping",
    "find_objects": "objects",
    "Object": "objects",
    "simulate": "simulate",
    "Scene": "simulate",
    "score": "scoring",
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


class _Door(ModuleType):
    """A package on which a module never hides the function that is named like it (`simulate`)."""

    def __setattr__(self, name: str, value: Any) -> None:
        # loading sonargrid.simulate makes Python bind the module to its package's name: the function stays
        if not (name in _DOOR and isinstance(value, ModuleType)):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Door

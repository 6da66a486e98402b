"""How the NPZ file of a grid is opened and put in its place, its faults told in words.

What stands in the file is each kind of grid's own business (`grid`, `tiled_grid`).
"""

from __future__ import annotations

import os
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from sonargrid.errors import OutputProblem, SonargridError
from sonargrid.whole_file import replace_whole


def grid_entry(name: str) -> zipfile.ZipInfo:
    """Return the head of one array in the file; its date is fixed, so that the same grid gives the same bytes."""
    entry = zipfile.ZipInfo(f"{name}.npy", (1980, 1, 1, 0, 0, 0))
    entry.compress_type = zipfile.ZIP_DEFLATED
    return entry


def save_grid(content: bytes, path: str | os.PathLike[str]) -> Path:
    """Write a grid's file, whole or not at all, and return its path.

    Raises
    ------
    OutputProblem
        If it cannot be written.
    """
    target = Path(path)
    try:
        replace_whole(target, content)
    except OSError as problem:
        raise OutputProblem(f"cannot be written ({problem.strerror})", file=str(target)) from None
    return target


@contextmanager
def open_grid(path: str | os.PathLike[str]) -> Iterator[Any]:
    """Give the arrays of a grid's file while it is open; what goes wrong meanwhile is told as its fault.

    Raises
    ------
    SonargridError
        If the file cannot be read or is no grid.
    """
    try:
        # opened here, so that a broken file is closed again
        with open(path, "rb") as file, np.load(file, allow_pickle=False) as kept:
            yield kept
    except OSError as problem:
        words = problem.strerror or "cannot be read"
        raise SonargridError(words[:1].lower() + words[1:], file=os.fspath(path)) from None
    except (KeyError, ValueError, TypeError, AttributeError, IndexError, EOFError, zipfile.BadZipFile) as problem:
        raise SonargridError(
            f"is no grid of sonargrid ({problem})", hint="give the grid.npz that map wrote", file=os.fspath(path)
        ) from None

"""A map's folder -> its grid and its list again; the way back from `exports`.

Metres and degrees in the files, metres and radians in the records.
"""

from __future__ import annotations

import csv
import io
import math
import os
from dataclasses import dataclass
from pathlib import Path

from sonargrid.errors import Fault, InputFaults, SonargridError
from sonargrid.finding.things import KINDS, Object
from sonargrid.maps.grid import LogOddsGrid
from sonargrid.maps.tiled_grid import shown_grid
from sonargrid.results.exports import COLUMNS
from sonargrid.units import to_rad

MAY_BE_EMPTY = ("diameter_m", "width_m", "heading_deg", "diameter_sigma_m", "confidence")


@dataclass(frozen=True, slots=True, eq=False)
class MapFiles:
    """What lies in a map's folder.

    objects : None where the map was made without a list
    """

    grid: LogOddsGrid
    objects: tuple[Object, ...] | None


def load_map_files(folder: str | os.PathLike[str]) -> MapFiles:
    """Return the grid and the list that a map left in its folder; of a map in tiles, its overview.

    Raises
    ------
    SonargridError
        If it is no map's folder, or a file in it is broken.
    """
    path = Path(folder)
    if not (path / "grid.npz").is_file():
        words = "is no map's folder (there is no grid.npz in it)" if path.exists() else "no such folder"
        raise SonargridError(words, hint="give a folder that sonargrid map wrote", file=os.fspath(folder))
    listed = path / "objects.csv"
    objects = read_objects(listed.read_text(encoding="utf-8"), str(listed)) if listed.is_file() else None
    return MapFiles(shown_grid(path / "grid.npz"), objects)


def read_objects(text: str, file: str = "objects.csv") -> tuple[Object, ...]:
    """Return the things that an objects.csv holds.

    Raises
    ------
    InputFaults
        With every cell that is not what `map` writes.

    Examples
    --------
    >>> from sonargrid.results.exports import objects_csv
    >>> post = Object("post", 1.0, 2.0, 0.01, 0.01, 0.0, 2.2, 0.5 * math.pi, 3, 40, diameter_m=0.05)
    >>> read_objects(objects_csv([post]))[0].diameter_m
    0.05
    """
    table = csv.DictReader(io.StringIO(text, newline=""), strict=True)
    missing = [column for column in COLUMNS if column not in (table.fieldnames or ())]
    if missing:
        raise InputFaults([Fault(f"has no column {', '.join(missing)}", "is it the file that map wrote?", file, 1)])
    objects: list[Object] = []
    faults: list[Fault] = []
    for row in table:
        try:
            objects.append(_object(row))
        except _BadCell as bad:
            column, got = bad.args
            faults.append(Fault(f"is not what map writes there, got {got!r}", "", file, table.line_num, column))
    if faults:
        raise InputFaults(faults)
    return tuple(objects)


class _BadCell(Exception):
    """(column, what was got)"""


def _object(row: dict[str, str]) -> Object:
    if row["kind"] not in KINDS:
        raise _BadCell("kind", row["kind"])
    values = {column: _number(row, column) for column in COLUMNS if column not in ("id", "kind")}
    for column in ("heading", "bearing"):
        values[f"{column}_rad"] = to_rad(values.pop(f"{column}_deg"))
    counts = {column: int(values.pop(column)) for column in ("stations", "readings")}
    return Object(kind=row["kind"], **values, **counts)  # type: ignore[arg-type]


def _number(row: dict[str, str], column: str) -> float:
    text = row[column]
    if text == "" and column in MAY_BE_EMPTY:
        return math.nan
    try:
        value = float(text or "")
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or (COLUMNS[column] is None and value != int(value)):
        raise _BadCell(column, text)
    return value

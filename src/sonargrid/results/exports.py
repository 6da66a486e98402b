"""The bytes of each file that a map leaves: objects.csv, grid.png with its world file, summary.json.

The same input gives the same bytes, summary.json's timing apart.  Metres and degrees: this is the edge.  Where the
files go, and how they get there whole, is `out_folder`'s business, whose door is opened here too.
"""

from __future__ import annotations

import csv
import io
import json
import math
import os
import sys
from collections.abc import Mapping, Sequence
from dataclasses import fields
from functools import cache
from typing import Any

import numpy as np

from sonargrid import __version__
from sonargrid.drawing.raster import cells_png
from sonargrid.finding.things import KINDS, Object
from sonargrid.maps.evidence import MapSettings
from sonargrid.maps.grid import GridFrame, LogOddsGrid
from sonargrid.maps.mapping import Map
from sonargrid.maps.tiled_grid import TiledGrid
from sonargrid.physics.geometry import wrap_deg
from sonargrid.results.out_folder import (
    MAP_FORMAT,
    OutFolder,
    default_out,
    digest,
    look_at_out,
    run_identity,
    write_outputs,
)
from sonargrid.runs.run_settings import show_config
from sonargrid.units import to_deg

__all__ = [
    "COLUMNS",
    "OutFolder",
    "default_out",
    "grid_png",
    "look_at_out",
    "object_row",
    "objects_csv",
    "plain",
    "safe_cell",
    "summary",
    "summary_json",
    "world_file",
    "write_outputs",
]

# column of objects.csv -> decimals of its numbers; None = a text or a count
COLUMNS: dict[str, int | None] = {
    "id": None,
    "kind": None,
    "x_m": 4,
    "y_m": 4,
    "diameter_m": 4,
    "width_m": 4,
    "heading_deg": 2,
    "x_sigma_m": 5,
    "y_sigma_m": 5,
    "xy_correlation": 4,
    "diameter_sigma_m": 5,
    "nearest_m": 4,
    "bearing_deg": 2,
    "confidence": 4,
    "stations": None,
    "readings": None,
}
UNTOUCHED = 128  # grey of a cell that no reading reached
VERSIONS_OF = {"numpy": "numpy", "scipy": "scipy", "scikit-image": "skimage", "pillow": "PIL"}


def safe_cell(text: str) -> str:
    """Return a text that no spreadsheet takes for a formula.

    >>> safe_cell("=1+1"), safe_cell("post")
    ("'=1+1", 'post')
    """
    return f"'{text}" if text[:1] in ("=", "+", "-", "@") else text


def _angle_deg(angle_rad: float, decimals: int, half_turn: bool = False) -> float:
    """Return an angle in degrees that lies in its range after rounding: [-180, 180), or [0, 180) for directions."""
    rounded = round(float(to_deg(angle_rad)), decimals)
    turned = rounded % 180.0 if half_turn else float(wrap_deg(rounded))
    return round(turned, decimals) + 0.0


def _number(thing: Object, column: str, decimals: int) -> float:
    if column == "heading_deg":
        angle, half = thing.heading_rad, thing.kind == "wall"
        return _angle_deg(angle, decimals, half) if math.isfinite(angle) else math.nan
    if column == "bearing_deg":
        return _angle_deg(thing.bearing_rad, decimals) if math.isfinite(thing.bearing_rad) else math.nan
    return float(getattr(thing, column))


def _cell(thing: Object, column: str, decimals: int) -> str:
    value = _number(thing, column, decimals)
    if not math.isfinite(value):
        return ""
    text = f"{value:.{decimals}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text


def object_row(thing: Object, number: int) -> dict[str, Any]:
    """Return a thing as the columns of objects.csv; None where the data do not say.

    >>> one = Object("post", 1.0, 2.0, 0.01, 0.01, 0.0, 2.2, math.pi, 3, 40)
    >>> row = object_row(one, 1)
    >>> row["id"], row["x_m"], row["bearing_deg"], row["diameter_m"]
    (1, 1.0, -180.0, None)
    """
    row: dict[str, Any] = {}
    for column, decimals in COLUMNS.items():
        if decimals is not None:
            text = _cell(thing, column, decimals)
            row[column] = float(text) if text else None
        else:
            row[column] = number if column == "id" else getattr(thing, column)
    return row


def objects_csv(things: Sequence[Object], numbers: Sequence[int] | None = None) -> str:
    """Return things as objects.csv: RFC 4180, CRLF, fixed decimals, empty cells where the data do not say.

    Parameters
    ----------
    things : sequence of Object
    numbers : sequence of int, optional
        Their ids; default 1, 2, 3 ...

    Raises
    ------
    ValueError
        If there are not as many ids as things.
    """
    ids = range(1, len(things) + 1) if numbers is None else numbers
    whole = io.StringIO(newline="")
    table = csv.writer(whole)  # commas, CRLF and doubled quotes are what it does
    table.writerow(COLUMNS)
    for number, thing in zip(ids, things, strict=True):
        cells = []
        for column, decimals in COLUMNS.items():
            if decimals is not None:
                cells.append(_cell(thing, column, decimals))
            else:
                cells.append(str(number) if column == "id" else safe_cell(str(getattr(thing, column))))
        table.writerow(cells)
    return whole.getvalue()


def grid_png(grid: LogOddsGrid, title: str = "") -> bytes:
    """Return a grid as 8-bit grey PNG, one pixel a cell, north up: round(255 * (1 - probability)), untouched 128.

    pHYs holds the true size where that is a whole number of pixels a metre; cell size and place are in the text
    chunks and in the world file (`world_file`).
    """
    grey = np.rint(255.0 * (1.0 - grid.probability())).astype(np.uint8)
    grey[grid.touched == 0] = UNTOUCHED
    frame = grid.frame
    text = {
        "Software": f"sonargrid {__version__}",
        "Description": "grey = 255 * (1 - probability of occupied); 128 = no evidence",
        "cell_m": f"{frame.cell_m:.12g}",
        "corner_m": f"{frame.corner_m[0]:.12g} {frame.corner_m[1]:.12g}",
        "prior": f"{float(grid.meta.get('prior', 0.5)):.12g}",
    }
    if title:
        text = {"Title": " ".join(title.split()), **text}
    return cells_png(grey[::-1], round(1.0 / frame.cell_m), text)


def world_file(frame: GridFrame) -> str:
    """Return the world file of grid.png: six lines, pixel size and the centre of the upper-left pixel [m].

    >>> world_file(GridFrame(1.0, (-150, -150), 300, 300)).split()
    ['1', '0', '0', '-1', '-149.5', '149.5']
    """
    left, bottom = frame.corner_cells
    x, y = (left + 0.5) * frame.cell_m, (bottom + frame.rows - 0.5) * frame.cell_m
    return "".join(f"{value:.12g}\n" for value in (frame.cell_m, 0.0, 0.0, -frame.cell_m, x, y))


def plain(value: Any) -> Any:
    """Return a value as JSON can hold it: numbers that are not finite become null.

    >>> plain({"a": np.float64(0.5), "b": (math.nan, np.int32(2))})
    {'a': 0.5, 'b': [None, 2]}
    """
    if isinstance(value, Mapping):
        return {str(key): plain(one) for key, one in value.items()}
    if isinstance(value, np.ndarray | np.generic):
        return plain(value.tolist())
    if isinstance(value, list | tuple | set | frozenset | range):
        return [plain(one) for one in value]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value if isinstance(value, bool | int | str | None) else str(value)


@cache
def installed_versions() -> dict[str, str]:
    """Return the versions of what may take part, loaded or not: a worker's do not depend on what it did before."""
    from importlib.metadata import version  # costs start-up time that a single map need not pay

    return {"sonargrid": __version__, "python": sys.version.split()[0], **{name: version(name) for name in VERSIONS_OF}}


def _versions() -> dict[str, str]:
    """Return the versions of what took part; libraries that were never loaded had no say."""
    known = {"sonargrid": __version__, "python": sys.version.split()[0]}
    for name, module in VERSIONS_OF.items():
        if module in sys.modules:
            known[name] = str(getattr(sys.modules[module], "__version__", "not known"))
    return known


def _settings(made: Map, origins: Mapping[str, str]) -> dict[str, dict[str, Any]]:
    rows = {key: {"value": value, "origin": origin} for key, value, origin in show_config(made.run)}
    # beam model and solver follow from one another where only one of them was named
    usual = MapSettings(solver=made.settings.solver).named()
    for part in fields(made.settings):
        value = getattr(made.settings, part.name)
        plain_way = value == getattr(usual, part.name)
        rows[f"map.{part.name}"] = {
            "value": value,
            "origin": origins.get(part.name, "default" if plain_way else "given"),
        }
    return rows


def _counts(made: Map, things: Sequence[Object] | None, grid: LogOddsGrid | TiledGrid) -> dict[str, Any]:
    pings = made.pings
    counts: dict[str, Any] = {
        "stations": len(set(made.run.readings.station.tolist())),
        "readings": pings.number(),
        "echoes": pings.number(pings.echo),
        "silent": pings.number(pings.silent),
        "void": pings.number(pings.void),
        "in_blind_zone": pings.too_near,
        "beyond_reach": pings.too_far,
        "cells": grid.frame.rows * grid.frame.columns,
        "cells_touched": grid.cells_touched,
    }
    if things is not None:
        counts["things"] = sum(thing.counted for thing in things)
        counts["by_kind"] = {kind: sum(thing.kind == kind for thing in things) for kind in KINDS}
    return counts


def _run(made: Map) -> dict[str, Any]:
    run = made.run
    return {
        "name": run.name,
        "title": run.title,
        "path": run_identity(run.path),
        "digest": run.digest,
        "recorded_at": run.recorded_at,
    }


def grid_told(grid: LogOddsGrid | TiledGrid, shown: LogOddsGrid) -> dict[str, Any]:
    """Return what summary.json says of a grid; `shown` = as it is drawn, its overview where it is in tiles."""
    tiles = {"tiles": len(grid.tiles), "picture_cell_m": shown.cell_m} if isinstance(grid, TiledGrid) else {}
    # the joint solver decides in coarser cells; what is finer is drawn between them
    working = {"working_cell_m": float(grid.meta["working_cell_m"])} if "working_cell_m" in grid.meta else {}
    return {
        "cell_m": grid.frame.cell_m,
        "corner_m": list(grid.frame.corner_m),
        "rows": grid.frame.rows,
        "columns": grid.frame.columns,
        "prior": float(grid.meta.get("prior", 0.5)),
        "layers": ["log_odds", "touched", *grid.layers],
        **working,
        **tiles,
    }


def summary(
    made: Map,
    things: Sequence[Object] | None,
    files: Mapping[str, bytes],
    *,
    warnings: Sequence[str] | None = None,
    timing_s: Mapping[str, float] | None = None,
    commands: Sequence[str] = (),
    origins: Mapping[str, str] | None = None,
    typed_in: str = "",
    versions: Mapping[str, str] | None = None,
    more: Mapping[str, Any] | None = None,
    tiled: TiledGrid | None = None,
) -> dict[str, Any]:
    """Return what summary.json says: enough to repeat the run and to see whether OUT is whole.

    Parameters
    ----------
    made : Map
    things : sequence of Object, optional
        The list; None where none was asked for.
    files : mapping
        The other files of OUT, name -> content.
    warnings : sequence of str, optional
        Sentences; default the map's own.
    timing_s : mapping, optional
        Step -> seconds.
    commands : sequence of str
        What to type to get the same again.
    origins : mapping, optional
        Field of `MapSettings` -> the flag or variable it came from.
    typed_in : str
        The folder that relative paths start from; default the current one.
    versions : mapping, optional
        Of what took part; default what this process has loaded.
    more : mapping, optional
        Further entries, such as the fitted beam.
    tiled : TiledGrid, optional
        The grid of a map in tiles, where `made` is its overview.

    Raises
    ------
    ValueError
        If `more` would replace an entry.
    """
    entries: dict[str, Any] = {
        "format": MAP_FORMAT,
        "run": _run(made),
        "commands": list(commands),
        "typed_in": typed_in or os.getcwd(),  # what the paths in commands and origins start from
        "counts": _counts(made, things, tiled or made.grid),
        "warnings": list(made.warnings if warnings is None else warnings),
        "grid": grid_told(tiled or made.grid, made.grid),
        "settings": _settings(made, origins or {}),
        "assumed_sigmas": list(made.run.assumed),
        "timing_s": {step: round(float(seconds), 4) for step, seconds in (timing_s or {}).items()},
        "versions": dict(_versions() if versions is None else versions),
        "files": {name: {"sha256": digest(content), "bytes": len(content)} for name, content in files.items()},
    }
    clash = sorted(set(entries) & set(more or {}))
    if clash:
        raise ValueError(f"summary.json has entries of these names already: {', '.join(clash)}")
    return dict(plain({**entries, **(more or {})}))


def summary_json(entries: Mapping[str, Any]) -> bytes:
    """Return summary.json: UTF-8, indented, never a NaN."""
    return (json.dumps(plain(entries), indent=2, ensure_ascii=False, allow_nan=False) + "\n").encode()

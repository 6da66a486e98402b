"""Maps merged into a folder like the one that `map` writes: grid, pictures, list where runs are given, summary.json.

Maps are read from the folders that `map` wrote, or from their grid.npz.  What adds and what does not is `merging`'s
business.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from sonargrid.drawing.pictures import MapContent, draw_map
from sonargrid.errors import SonargridError
from sonargrid.finding.things import KINDS, Object
from sonargrid.maps.grid import LogOddsGrid
from sonargrid.maps.merging import merge_grids, merge_tiled
from sonargrid.maps.tiled_grid import TiledGrid, load_grid
from sonargrid.results.exports import grid_png, grid_told, objects_csv, plain, summary_json, world_file
from sonargrid.results.out_folder import MERGED_FOLDER, digest
from sonargrid.runs.joined_run import joined_run
from sonargrid.runs.readings import Robot, Run

if TYPE_CHECKING:
    from sonargrid.finding.objects import ObjectList

GRID = "grid.npz"


@dataclass(frozen=True, slots=True, eq=False)
class Merged:
    """Maps put together.

    shown : the grid as it is drawn; of one in tiles, its overview
    names : of the maps, as they were given
    run : their recordings as one run; None where none were given
    objects : fitted to all readings together; None where no runs were given
    notes : sentences for the user
    """

    grid: LogOddsGrid | TiledGrid
    shown: LogOddsGrid
    names: tuple[str, ...]
    run: Run | None
    objects: tuple[Object, ...] | None
    notes: tuple[str, ...]


def grid_file(path: str | os.PathLike[str]) -> Path:
    """Return the grid.npz that a path means: the file itself, or the one in a map's folder.

    Raises
    ------
    SonargridError
        If there is none.
    """
    place = Path(path)
    if place.is_dir():
        if not (place / GRID).is_file():
            words = f"is no map's folder (there is no {GRID} in it)"
            raise SonargridError(words, hint="give a folder that sonargrid map wrote", file=os.fspath(path))
        return place / GRID
    if not place.exists():
        raise SonargridError("no such map", hint="give a map's folder or its grid.npz", file=os.fspath(path))
    return place


def merge_maps(
    paths: Sequence[str | os.PathLike[str]], runs: Sequence[Run] = (), grow: bool = False, name: str = "together"
) -> Merged:
    """Return maps put together, and the list of things fitted to their runs where those are given.

    Maps in tiles give a map in tiles, also beside one in a single piece.

    Parameters
    ----------
    paths : sequence of paths
        Folders that `map` wrote, or grid.npz files; two or more.
    runs : sequence of Run
        What the maps were made from; none = no list.
    grow : bool
        See `merge_grids`.
    name : str
        Of the runs as one.

    Raises
    ------
    SonargridError
        If a map cannot be read, the frames differ, or the runs cannot be one run.
    """
    names = tuple(os.fspath(path) for path in paths)
    grids = [load_grid(grid_file(path)) for path in paths]
    grid, shown, notes = _sum(grids, names, grow)
    if not runs:
        return Merged(grid, shown, names, None, None, notes)
    run = runs[0] if len(runs) == 1 else joined_run(runs, name)
    missing = _not_in_maps(grids, runs)
    found = _fitted(run)
    whole = (*notes, *missing, *run.warnings, *found.notes)
    return Merged(grid, shown, names, run, found.objects, tuple(dict.fromkeys(whole)))


def _sum(
    grids: Sequence[LogOddsGrid | TiledGrid], names: Sequence[str], grow: bool
) -> tuple[LogOddsGrid | TiledGrid, LogOddsGrid, tuple[str, ...]]:
    whole = [grid for grid in grids if isinstance(grid, LogOddsGrid)]
    if len(whole) == len(grids):
        grid, notes = merge_grids(whole, names, grow)
        return grid, grid, notes
    tiled, notes = merge_tiled(grids, names, grow)
    return tiled, tiled.overview(), notes


def _fitted(run: Run) -> ObjectList:
    from sonargrid.finding.objects import fit_objects  # costs start-up time that sums need not pay
    from sonargrid.runs.calibration import calibrated

    return fit_objects(calibrated(run), run)


def _not_in_maps(grids: Sequence[LogOddsGrid | TiledGrid], runs: Sequence[Run]) -> list[str]:
    """Return a sentence for each run that none of the maps was made from, as far as digests tell."""
    sources = [source for grid in grids for source in grid.meta.get("sources", [dict(grid.meta)])]
    known = {str(source.get("run_digest") or "") for source in sources}
    return [
        f"none of the maps was made from {run.name} as it is now; its things are listed all the same"
        for run in runs
        if run.digest and "" not in known and run.digest not in known
    ]


def merge_title(merged: Merged) -> str:
    """Return what the merged map is called in its pictures."""
    if merged.run is not None:
        return merged.run.title or merged.run.name
    names = [str(source.get("run_name") or "") for source in merged.grid.meta["sources"]]
    return " + ".join(dict.fromkeys(filter(None, names))) or "Merged map"


def _content(merged: Merged) -> MapContent:
    grid, run = merged.shown, merged.run
    heard = set() if run is None else {int(index) for index in np.unique(run.readings.station)}
    stations = () if run is None else tuple(s for index, s in enumerate(run.stations) if index in heard)
    count = len(grid.meta["sources"])
    beam = f"{grid.meta['beam']} beam, " if grid.meta.get("beam") else ""
    return MapContent(
        frame=grid.frame,
        probability=grid.probability(),
        touched=grid.touched,
        stations=stations,
        things=merged.objects or (),
        title=merge_title(merged),
        subtitle=f"{count} maps added; {beam}additive evidence, cells of {merged.grid.cell_m * 100:g} cm",
        moving=run is not None and run.moving,
        robot=Robot() if run is None else run.robot,
    )


def merge_files(merged: Merged, commands: Sequence[str] = (), run_path: str = "") -> dict[str, bytes]:
    """Return the content of every file of the merged map's folder, by name.

    Parameters
    ----------
    merged : Merged
    commands : sequence of str
        What to type to get the same again.
    run_path : str
        What tells this merge from others in summary.json, see `out_folder.run_identity`.
    """
    grid = merged.shown
    files = {"map.png": draw_map(_content(merged))}
    if merged.objects is not None:
        files["objects.csv"] = objects_csv(merged.objects).encode()
    files["grid.png"] = grid_png(grid, merge_title(merged))
    files["grid.pgw"] = world_file(grid.frame).encode()
    files[GRID] = merged.grid.to_bytes()
    return {**files, "summary.json": summary_json(_summary(merged, files, commands, run_path))}


def _summary(merged: Merged, files: Mapping[str, bytes], commands: Sequence[str], run_path: str) -> Mapping[str, Any]:
    grid, run = merged.grid, merged.run
    counts: dict[str, Any] = {
        "maps": len(merged.names),
        "cells": grid.frame.rows * grid.frame.columns,
        "cells_touched": grid.cells_touched,
    }
    if run is not None and merged.objects is not None:
        counts["stations"] = len({int(index) for index in np.unique(run.readings.station)})
        counts["readings"] = run.readings.taken
        counts["things"] = sum(thing.counted for thing in merged.objects)
        counts["by_kind"] = {kind: sum(thing.kind == kind for thing in merged.objects) for kind in KINDS}
    entries = {
        "format": MERGED_FOLDER.format,
        "run": {"name": merge_title(merged), "title": merge_title(merged), "path": run_path, "digest": ""},
        "maps": list(merged.names),
        "sources": grid.meta["sources"],
        "commands": list(commands),
        "counts": counts,
        "warnings": list(merged.notes),
        "grid": grid_told(grid, merged.shown),
        "settings": {},
        "files": {name: {"sha256": digest(content), "bytes": len(content)} for name, content in files.items()},
    }
    return dict(plain(entries))

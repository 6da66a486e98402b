"""Maps of one frame put together: additive evidence adds exactly, and nothing else of a map does.

The evidence of each station is a whole number of 2^-14 (`grid`), so that sums do not depend on order or grouping.  What
the joint solver says is no sum: it explains all readings together, and two such explanations cannot be added.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from sonargrid import __version__
from sonargrid.arrays import Floats
from sonargrid.errors import SonargridError
from sonargrid.maps.grid import EVIDENCE_HOLD, GridFrame, LogOddsGrid
from sonargrid.maps.kernels import Window
from sonargrid.maps.tiled_grid import TiledGrid, summed_tiles
from sonargrid.maps.wedge_pings import TILE

MADE_WITH = ("additive_beam", "redundancy", "repeat_correlation", "silence_weight", "never_lower", "half_beam_deg")
NEVER_ADDED = (
    "what the joint solver said of {names} is not added: it explains all readings of a run together, and two such "
    "explanations make no third.  Their additive evidence is added.  For a joint map, map the runs together: merge "
    "with each --run and --together FOLDER, then sonargrid map FOLDER"
)


def frame_words(frame: GridFrame) -> str:
    """Return where a frame lies, in words.

    >>> frame_words(GridFrame(0.02, (-50, 0), 30, 100))
    'x -1 to 1 m, y 0 to 0.6 m in 100 x 30 cells of 0.02 m'
    """
    left, bottom, right, top = frame.extent_m
    size = f"{frame.columns} x {frame.rows} cells of {frame.cell_m:g} m"
    return f"x {left:.6g} to {right:.6g} m, y {bottom:.6g} to {top:.6g} m in {size}"


def union_of(frames: Sequence[GridFrame]) -> GridFrame:
    """Return the smallest frame that holds all of some frames of one cell.

    >>> union_of([GridFrame(0.1, (0, 0), 2, 2), GridFrame(0.1, (1, -1), 1, 3)])
    GridFrame(cell_m=0.1, corner_cells=(0, -1), rows=3, columns=4)
    """
    left, bottom = (min(frame.corner_cells[axis] for frame in frames) for axis in (0, 1))
    right = max(frame.corner_cells[0] + frame.columns for frame in frames)
    top = max(frame.corner_cells[1] + frame.rows for frame in frames)
    return GridFrame(frames[0].cell_m, (left, bottom), top - bottom, right - left)


def merge_grids(
    grids: Sequence[LogOddsGrid], names: Sequence[str] | None = None, grow: bool = False
) -> tuple[LogOddsGrid, tuple[str, ...]]:
    """Return the additive map that the evidence of all maps adds up to, and sentences for the user.

    Parameters
    ----------
    grids : sequence of LogOddsGrid
        Two or more; of joint maps the additive layer counts.
    names : sequence of str, optional
        Of the maps, for messages; default 1, 2 ...
    grow : bool
        Whether maps of one cell but different extents are put on the frame that holds them all.

    Raises
    ------
    ValueError
        If there are fewer than two maps, or not as many names.
    SonargridError
        If the frames differ, with each of them.

    Examples
    --------
    >>> frame = GridFrame(0.1, (0, 0), 1, 2)
    >>> one = LogOddsGrid(frame, np.array([[0.5, 0.0]]), np.array([[1, 0]]))
    >>> merged, _ = merge_grids([one, one, one])
    >>> merged.log_odds.tolist(), merged.touched.tolist()
    ([[1.5, 0.0]], [[3, 0]])
    """
    if len(grids) < 2:
        raise ValueError(f"merging takes two maps or more, got {len(grids)}")
    told = [str(number) for number in range(1, len(grids) + 1)] if names is None else list(names)
    if len(told) != len(grids):
        raise ValueError(f"there are {len(grids)} maps and {len(told)} names")
    frame = _one_frame(grids, told, grow)
    total = np.zeros(frame.shape)
    touched = np.zeros(frame.shape, dtype=np.uint64)
    for grid in grids:
        block = _block(grid.frame, frame)
        total[block] += grid.additive_log_odds
        touched[block] += grid.touched
    held = np.clip(total, -EVIDENCE_HOLD, EVIDENCE_HOLD)
    most = np.minimum(touched, np.iinfo(np.uint32).max).astype(np.uint32)
    notes = (*_notes(grids, told), *_held(total, held))
    return LogOddsGrid(frame, held.astype(np.float32), most, _meta(grids, frame)), notes


def merge_tiled(
    grids: Sequence[LogOddsGrid | TiledGrid], names: Sequence[str] | None = None, grow: bool = False
) -> tuple[TiledGrid, tuple[str, ...]]:
    """Return what maps in tiles add up to, tile by tile; as `merge_grids`.

    Parameters
    ----------
    grids, names, grow
        As `merge_grids`; some grids may be in one piece.

    Raises
    ------
    ValueError, SonargridError
        As `merge_grids`.
    """
    if len(grids) < 2:
        raise ValueError(f"merging takes two maps or more, got {len(grids)}")
    told = [str(number) for number in range(1, len(grids) + 1)] if names is None else list(names)
    frame = _one_frame(grids, told, grow)
    windows = (
        Window(
            (row * TILE) - frame.corner_cells[1],
            (column * TILE) - frame.corner_cells[0],
            tile.log_odds.astype(np.float64),
            tile.touched.astype(np.int64),
        )
        for grid in grids
        for (row, column), tile in (grid if isinstance(grid, TiledGrid) else TiledGrid.of(grid)).tiles.items()
    )
    merged, over = summed_tiles(windows, frame, _meta(grids, frame))
    held = (f"{over} cells have more evidence than {EVIDENCE_HOLD:g} and were held there",) if over else ()
    return merged, (*_notes(grids, told), *held)


def _one_frame(grids: Sequence[LogOddsGrid | TiledGrid], names: Sequence[str], grow: bool) -> GridFrame:
    frames = [grid.frame for grid in grids]
    if all(frame == frames[0] for frame in frames[1:]):
        return frames[0]
    one_cell = all(frame.cell_m == frames[0].cell_m for frame in frames)
    if grow and one_cell:
        return union_of(frames)
    lines = "".join(f"\n  {name}: {frame_words(frame)}" for name, frame in zip(names, frames, strict=True))
    whole = union_of(frames) if one_cell else None
    hint = "map them with one --cell and one --extent"
    if whole is not None:
        hint = f"map them with --extent={','.join(f'{edge:.6g}' for edge in whole.extent_m)}, or merge with --grow"
    raise SonargridError(f"the maps do not lie on one frame:{lines}", hint=hint)


def _block(inner: GridFrame, outer: GridFrame) -> tuple[slice, slice]:
    """Return the (rows, columns) of a frame inside a larger one of the same cells."""
    row, column = (inner.corner_cells[axis] - outer.corner_cells[axis] for axis in (1, 0))
    return slice(row, row + inner.rows), slice(column, column + inner.columns)


def _notes(grids: Sequence[LogOddsGrid | TiledGrid], names: Sequence[str]) -> list[str]:
    """Return what somebody who merges these maps should know."""
    notes = []
    joint = [name for name, grid in zip(names, grids, strict=True) if "additive_log_odds" in grid.layers]
    if joint:
        notes.append(NEVER_ADDED.format(names=", ".join(joint)))
    for key in MADE_WITH:
        values = [grid.meta.get(key) for grid in grids]
        known = {str(value) for value in values if value is not None}
        if len(known) > 1:
            listed = ", ".join(f"{name} {value}" for name, value in zip(names, values, strict=True))
            notes.append(f"the maps were not made alike: {key} is {listed}")
    digests = [str(grid.meta.get("run_digest") or "") for grid in grids]
    alike = [name for name, one in zip(names, digests, strict=True) if one and digests.count(one) > 1]
    if alike:
        notes.append(f"{', '.join(alike)} come from one run: readings that are in more than one of them count twice")
    return notes


def _held(total: Floats, held: Floats) -> list[str]:
    over = int(np.count_nonzero(held != total))
    return [f"{over} cells have more evidence than {EVIDENCE_HOLD:g} and were held there"] if over else []


def _meta(grids: Sequence[LogOddsGrid | TiledGrid], frame: GridFrame) -> dict[str, Any]:
    """Return what the merged map remembers: what all maps agree on, and each of its sources."""
    sources = [source for grid in grids for source in grid.meta.get("sources", [_source(grid)])]
    alike = {key: grids[0].meta[key] for key in MADE_WITH if _agree(grids, key)}
    limit = {"evidence_limit": grids[0].meta["evidence_limit"]} if _agree(grids, "evidence_limit") else {}
    return {
        "format": "sonargrid-grid/1",
        "version": __version__,
        "solver": "additive",
        "beam": alike.get("additive_beam"),
        "cell_m": frame.cell_m,
        "merged": len(sources),
        "sources": sources,
        **alike,
        **limit,
    }


def _agree(grids: Sequence[LogOddsGrid | TiledGrid], key: str) -> bool:
    return all(key in grid.meta and grid.meta[key] == grids[0].meta.get(key) for grid in grids)


def _source(grid: LogOddsGrid | TiledGrid) -> dict[str, Any]:
    return {key: grid.meta.get(key) for key in ("run_name", "run_digest", "solver", "additive_beam")}

"""The additive solver: every ping's evidence summed, each station's sum rounded once so that sums are exact.

Metres and radians.  How one station's sum is reached is `kernels`' business; how much a ping counts, `evidence`'s.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import TYPE_CHECKING

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.maps.beams import BeamModel, SpreadBeam
from sonargrid.maps.evidence import MapSettings
from sonargrid.maps.grid import EVIDENCE_HOLD, EVIDENCE_STEP, GridFrame, LogOddsGrid
from sonargrid.maps.kernels import STEPS_PER_SIGMA, StationPings, Window, ray_station
from sonargrid.maps.polar import polar_station
from sonargrid.runs.readings import Pings

if TYPE_CHECKING:
    from sonargrid.maps.many_poses import PosePings, TileSum

POLAR_READINGS = 40  # fewer readings at a pose are cheaper one by one (`many_poses`); benchmarks/bench_mapping.py
POLAR_TABLE = 40_000_000  # larger tables of bearings x range steps go ray by ray instead


def station_pings(pings: Pings, station: int, weights: Floats, settings: MapSettings) -> StationPings | None:
    """Return one station's usable pings with rays renumbered; None when it has none."""
    keep = np.flatnonzero((pings.rays.station[pings.ray] == station) & ~pings.void)
    return _chosen(pings, keep, weights, settings) if keep.size else None


def _chosen(pings: Pings, keep: np.ndarray, weights: Floats, settings: MapSettings) -> StationPings:
    """Return the pings of one station at the places `keep`, with all rays of that station, heard or void."""
    rays = pings.rays
    # a run of one station needs no picking out
    every = keep.size == len(pings)
    ray, range_m = (pings.ray, pings.range_m) if every else (pings.ray[keep], pings.range_m[keep])
    own = rays.station == rays.station[ray[0]]
    if not own.all():
        ray = (np.cumsum(own) - 1).astype(np.int32)[ray]
    return StationPings(
        rays.x_m[own],
        rays.y_m[own],
        rays.bearing_rad[own],
        weights[own],
        ray,
        range_m,
        settings.silence_weight,
        pings.blind_zone_m,
        None if pings.count is None else pings.count[keep],
    )


def _by_station(pings: Pings) -> tuple[np.ndarray, np.ndarray]:
    """Return the places of all usable pings, station by station in order, and where each station's end."""
    void, of_rays = pings.void, pings.rays.station
    order = np.flatnonzero(~void) if void.any() else np.arange(len(pings))
    if not order.size or bool(np.all(of_rays == of_rays[0])):  # nothing to pick out
        return order, np.full(min(order.size, 1), order.size)
    station = pings.station if order.size == len(pings) else pings.station[order]
    if bool(np.any(station[1:] < station[:-1])):
        by_station = np.argsort(station, kind="stable")
        order, station = order[by_station], station[by_station]
    return order, np.r_[np.flatnonzero(np.diff(station)) + 1, station.size]


def _polar_serves(one: StationPings, beam: BeamModel, step_m: float) -> bool:
    """Return whether a station can and should go the polar way; decided from that station alone."""
    if not isinstance(beam, SpreadBeam) or not beam.separable or one.readings < POLAR_READINGS:
        return False
    one_pole = bool(np.all(one.x_m == one.x_m[0]) and np.all(one.y_m == one.y_m[0]))
    return one_pole and one.bearing_rad.size * beam.ranger.reach_m / step_m < POLAR_TABLE


def station_window(
    one: StationPings | PosePings, beam: BeamModel, frame: GridFrame, range_sigma_m: float
) -> Window | None:
    """Return one station's sum, rounded to whole evidence steps; None when it lies outside the frame."""
    if not isinstance(one, StationPings) or one.readings < POLAR_READINGS:
        return _poses_window(one, beam, frame)
    step_m = max(range_sigma_m, 1e-6) / STEPS_PER_SIGMA
    if isinstance(beam, SpreadBeam) and _polar_serves(one, beam, step_m):
        window = polar_station(frame, one, beam, step_m)
    else:
        window = ray_station(frame, one, beam)
    if window is None:
        return None
    rounded = np.rint(window.evidence / EVIDENCE_STEP) * EVIDENCE_STEP
    return Window(window.row, window.column, rounded, window.touched)


def _poses_window(some: StationPings | PosePings, beam: BeamModel, frame: GridFrame) -> Window | None:
    """Return the sum of poses with few readings on the block that holds them; None where it lies outside the frame."""
    from sonargrid.maps.many_poses import of_station, tile_sums  # the maps of parked robots need not load it

    poses = of_station(some) if isinstance(some, StationPings) else some
    return _together([_inside(tile, frame) for tile in tile_sums(poses, beam, frame)])


def _inside(tile: TileSum, frame: GridFrame) -> Window | None:
    """Return the part of a tile that lies in a frame; None where that is nothing."""
    size = tile.touched.shape[0]
    row, column = tile.row * size - frame.corner_cells[1], tile.column * size - frame.corner_cells[0]
    rows = slice(max(0, -row), min(size, frame.rows - row))
    columns = slice(max(0, -column), min(size, frame.columns - column))
    if rows.start >= rows.stop or columns.start >= columns.stop:
        return None
    evidence = tile.evidence[rows, columns].astype(np.float64) * EVIDENCE_STEP
    return Window(row + rows.start, column + columns.start, evidence, tile.touched[rows, columns].astype(np.int64))


@dataclass(frozen=True, slots=True)
class Part:
    """Stations that are summed together, with all that their sum depends on: what another machine needs to know.

    stations : each a station, or many poses with few readings each
    share : of the work for the whole run, about
    """

    stations: tuple[StationPings | PosePings, ...]
    beam: BeamModel
    frame: GridFrame
    range_sigma_m: float
    share: float = 1.0


Elsewhere = Callable[[Iterator[Part]], Iterable[Window | None]]  # sums parts on other machines, in any order


def part_window(part: Part) -> Window | None:
    """Return the sum of a part's stations, each rounded once, on the block that holds them; None = all outside.

    Whole multiples of the evidence step: parts may be put together in any way and order.
    """
    return _together([station_window(one, part.beam, part.frame, part.range_sigma_m) for one in part.stations])


def _together(windows: Sequence[Window | None]) -> Window | None:
    inside = [one for one in windows if one is not None]
    if len(inside) < 2:
        return inside[0] if inside else None
    row, column = min(one.row for one in inside), min(one.column for one in inside)
    rows = max(one.row + one.evidence.shape[0] for one in inside) - row
    columns = max(one.column + one.evidence.shape[1] for one in inside) - column
    whole = Window(row, column, np.zeros((rows, columns)), np.zeros((rows, columns), dtype=np.int64))
    for one in inside:
        block = _block(one, row, column)
        whole.evidence[block] += one.evidence
        whole.touched[block] += one.touched
    return whole


def _block(window: Window, row: int = 0, column: int = 0) -> tuple[slice, slice]:
    height, width = window.evidence.shape
    top, left = window.row - row, window.column - column
    return slice(top, top + height), slice(left, left + width)


def parts_of(pings: Pings, beam: BeamModel, frame: GridFrame, settings: MapSettings, weights: Floats) -> Iterator[Part]:
    """Yield the parts of a run that add up to its map: a station each, or very many poses with few readings each.

    Parameters
    ----------
    pings, beam, frame, settings, weights
        As `additive_grid`.
    """
    order, ends = _by_station(pings)
    count = np.diff(ends, prepend=0)
    readings = count if pings.count is None else np.diff(np.cumsum(pings.count[order])[ends - 1], prepend=0)
    few, total = readings < POLAR_READINGS, max(1, int(readings.sum()))
    for number in np.flatnonzero(~few).tolist():
        keep = order[ends[number] - count[number] : ends[number]]
        share = int(readings[number]) / total
        yield Part((_chosen(pings, keep, weights, settings),), beam, frame, pings.range_sigma_m, share)
    if few.any():
        from sonargrid.maps.many_poses import poses_of  # the maps of parked robots need not load it

        chosen = order if few.all() else order[np.repeat(few, count)]
        for poses in poses_of(pings, chosen, weights, settings.silence_weight):
            yield Part((poses,), beam, frame, pings.range_sigma_m, poses.readings / total)


def _part_windows(part: Part) -> Iterator[Window | None]:
    """Yield the windows that a part comes to: of poses tile by tile, so that memory stays flat."""
    for one in part.stations:
        if isinstance(one, StationPings):
            yield station_window(one, part.beam, part.frame, part.range_sigma_m)
            continue
        from sonargrid.maps.many_poses import tile_sums

        for tile in tile_sums(one, part.beam, part.frame):
            yield _inside(tile, part.frame)


def summed_windows(
    pings: Pings,
    beam: BeamModel,
    frame: GridFrame,
    settings: MapSettings,
    weights: Floats,
    elsewhere: Elsewhere | None = None,
) -> Iterator[Window]:
    """Yield what readings say of blocks of the frame, in whole evidence steps; blocks overlap, and add up to the map.

    Parameters
    ----------
    pings, beam, frame, settings, weights, elsewhere
        As `additive_grid`.
    """
    parts = parts_of(pings, beam, frame, settings, weights)
    windows = chain.from_iterable(map(_part_windows, parts)) if elsewhere is None else elsewhere(parts)
    for window in windows:
        if window is not None:
            yield window


def additive_grid(
    pings: Pings,
    beam: BeamModel,
    frame: GridFrame,
    settings: MapSettings,
    weights: Floats,
    elsewhere: Elsewhere | None = None,
) -> tuple[LogOddsGrid, tuple[str, ...]]:
    """Return the grid of summed evidence and warnings.

    Parameters
    ----------
    pings : Pings
        Calibrated readings of all stations.
    beam : BeamModel
        What one ping says.
    frame : GridFrame
        Where the cells lie.
    settings : MapSettings
        Silence weight, and what goes into the grid's meta.
    weights : (M,) array
        How much one ping of each ray counts.
    elsewhere : function, optional
        Sums the parts, a station each, somewhere else; the grid is the same to the bit.
    """
    total = np.zeros(frame.shape)
    touched = np.zeros(frame.shape, dtype=np.int64)
    for window in summed_windows(pings, beam, frame, settings, weights, elsewhere):
        block = _block(window)
        total[block] += window.evidence
        touched[block] += window.touched
    held = np.clip(total, -EVIDENCE_HOLD, EVIDENCE_HOLD)
    over = int(np.count_nonzero(held != total))
    grid = LogOddsGrid(frame, held.astype(np.float32), touched.astype(np.uint32), {"solver": "additive"})
    return grid, held_words(over)


def held_words(cells: int) -> tuple[str, ...]:
    """Return what to say of cells that were held at the largest evidence; nothing where there are none."""
    return (f"{cells} cells have more evidence than {EVIDENCE_HOLD:g} and were held there",) if cells else ()

"""One station's pings -> evidence and touch counts on a window of cells, ray by ray.

Serves few readings, moving robots, arms and every beam model; `polar` is the quick way for parked stations.  A reading
reaches a cell where its limit plus SLACK is no less than the cell's range, in both.

Metres and radians on the floor; windows are (rows, columns) of a frame.  No files, no weights, no choice of path here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonargrid.arrays import Floats, Ints
from sonargrid.maps.beams import SLACK, BeamModel
from sonargrid.maps.grid import GridFrame

STEPS_PER_SIGMA = 10  # range steps to one range sigma: cubic interpolation then errs by 2e-5 of the peak


@dataclass(frozen=True, slots=True)
class StationPings:
    """One station's usable pings: rays (M,) in canonical order, readings (N,) that point into them.

    weight : (M,) how much one ping of each ray counts
    silence_weight : factor for silent pings
    range_m : inf = silent; no void ones
    count : (N,) how many equal readings each stands for; None = one each
    """

    x_m: Floats
    y_m: Floats
    bearing_rad: Floats
    weight: Floats
    ray: Ints
    range_m: Floats
    silence_weight: float
    blind_zone_m: float
    count: Ints | None = None

    @property
    def readings(self) -> int:
        """How many readings there are."""
        return self.range_m.size if self.count is None else int(self.count.sum(dtype=np.int64))


@dataclass(frozen=True, slots=True)
class Window:
    """Evidence (float64) and touch counts of a block of cells whose first cell is (row, column) of the frame."""

    row: int
    column: int
    evidence: NDArray[np.float64]
    touched: NDArray[np.int64]


def block_around(
    frame: GridFrame, x_min: float, y_min: float, x_max: float, y_max: float
) -> tuple[slice, slice] | None:
    """Return the rows and columns of the cells whose centres may lie in a box; None when all are outside the frame."""
    r0, c0 = frame.cell_of(x_min, y_min)
    r1, c1 = frame.cell_of(x_max, y_max)
    rows = slice(max(0, int(r0)), min(frame.rows, int(r1) + 1))
    columns = slice(max(0, int(c0)), min(frame.columns, int(c1) + 1))
    return (rows, columns) if rows.start < rows.stop and columns.start < columns.stop else None


def ray_station(frame: GridFrame, pings: StationPings, beam: BeamModel) -> Window | None:
    """Return a station's evidence, ray by ray: exact for every beam model, arm and pose.

    Each ray's cells are found once in its bounding box; its readings are evaluated on them by distinct range.
    """
    limits = np.zeros(pings.bearing_rad.size)
    np.maximum.at(limits, pings.ray, beam.limit_m(pings.range_m))
    x, y = pings.x_m, pings.y_m
    box = block_around(
        frame,
        float((x - limits).min()),
        float((y - limits).min()),
        float((x + limits).max()),
        float((y + limits).max()),
    )
    if box is None:
        return None
    rows, columns = box
    shape = (rows.stop - rows.start, columns.stop - columns.start)
    evidence, touched = np.zeros(shape), np.zeros(shape, dtype=np.int64)
    order = np.lexsort((pings.range_m, pings.ray))
    ends = np.searchsorted(pings.ray[order], np.arange(limits.size + 1))
    for k in range(limits.size):
        mine = order[ends[k] : ends[k + 1]]
        cells = _wedge(frame, pings, k, limits[k], beam) if mine.size else None
        if cells is None:
            continue
        block, inside, r, off = cells
        distinct, count = _distinct(pings.range_m[mine], None if pings.count is None else pings.count[mine])
        weight = pings.weight[k] * np.where(np.isposinf(distinct), pings.silence_weight, 1.0) * count
        part = np.zeros(r.size)
        # a few ranges at a time: the table stays in the cache
        for first in range(0, distinct.size, 64):
            z = distinct[first : first + 64, None]
            part += weight[first : first + 64] @ beam.log_odds(r[None, :], off[None, :], z)
        far = beam.limit_m(distinct)
        rising = np.argsort(far)
        ended = np.concatenate([[0], np.cumsum(count[rising])])
        hits = ended[-1] - ended[np.searchsorted(far[rising] + SLACK, r, side="left")]
        target = (
            slice(block[0].start - rows.start, block[0].stop - rows.start),
            slice(block[1].start - columns.start, block[1].stop - columns.start),
        )
        evidence[target][inside] += np.where(hits > 0, part, 0.0)
        touched[target][inside] += hits
    return Window(rows.start, columns.start, evidence, touched)


def _distinct(ranges: Floats, times: Ints | None) -> tuple[Floats, Ints]:
    """Return the different ranges, rising, and how often each was read; `times` = of each of `ranges`."""
    if times is None:
        return np.unique(ranges, return_counts=True)
    distinct, which = np.unique(ranges, return_inverse=True)
    return distinct, np.bincount(which.reshape(-1), weights=times).astype(np.int64)


def _wedge(
    frame: GridFrame, pings: StationPings, k: int, limit_m: float, beam: BeamModel
) -> tuple[tuple[slice, slice], NDArray[np.bool_], Floats, Floats] | None:
    """Return a ray's block of cells, which of them lie in its wedge, and their range and angle off the axis."""
    x, y, bearing = float(pings.x_m[k]), float(pings.y_m[k]), float(pings.bearing_rad[k])
    widest = min(math.pi, float(np.max(beam.support_rad(np.linspace(pings.blind_zone_m, max(limit_m, 1e-6), 32)))))
    angles = bearing + np.array([-widest, 0.0, widest])
    compass = np.arange(-4, 9) * (math.pi / 2)
    angles = np.r_[angles, compass[np.abs(compass - bearing) <= widest]]
    xs, ys = np.r_[x, x + limit_m * np.cos(angles)], np.r_[y, y + limit_m * np.sin(angles)]
    box = block_around(frame, float(xs.min()), float(ys.min()), float(xs.max()), float(ys.max()))
    if box is None:
        return None
    rows, columns = box
    corner = frame.corner_cells
    dx = (np.arange(columns.start, columns.stop) + corner[0] + 0.5) * frame.cell_m - x
    dy = (np.arange(rows.start, rows.stop) + corner[1] + 0.5) * frame.cell_m - y
    ahead = dx[None, :] * math.cos(bearing) + dy[:, None] * math.sin(bearing)
    left = dy[:, None] * math.cos(bearing) - dx[None, :] * math.sin(bearing)
    r = np.hypot(ahead, left)
    near = (r <= limit_m + SLACK) & (r >= pings.blind_zone_m)
    off = np.arctan2(left, ahead)
    inside = near & (np.abs(off) <= beam.support_rad(r) + SLACK)
    return (box, inside, r[inside], off[inside]) if inside.any() else None

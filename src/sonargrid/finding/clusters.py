"""Things by the plain way: arcs of equal range, and blobs of the grid that arcs of several stations touch.

The yardstick that the likelihood fit (`object_fit`) is measured against, and its stand-in where nothing was fitted.
Floor axes [m], bearings [rad].
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from sonargrid.arrays import Floats, Ints
from sonargrid.finding.plateaus import Plateau
from sonargrid.finding.things import Object
from sonargrid.maps.grid import LogOddsGrid
from sonargrid.runs.readings import Pings, Run

THRESHOLD = 1.0  # log-odds that belong to a blob; common practice, no source
TOUCH_M = 0.05  # an arc touches a blob that comes this near to its likely end
PRIOR_SHARE = 0.7  # give and take of an assumed radius, as a share of it


def place_of(plateau: Plateau, pings: Pings) -> tuple[float, float, float, float]:
    """Return (face x, face y, axis x, axis y) of the ranger and its servo axis while it heard an arc [m]."""
    rays = pings.rays
    ray = pings.ray[plateau.pings]
    middle = ray[np.argmin(np.abs(rays.bearing_rad[ray] - plateau.bearing_rad))]
    return (
        float(rays.x_m[middle]),
        float(rays.y_m[middle]),
        float(rays.axis_x_m[middle]),
        float(rays.axis_y_m[middle]),
    )


def ellipse(bearing_rad: float, along_m: float, across_m: float) -> tuple[float, float, float]:
    """Return (x sigma, y sigma, correlation) of an ellipse with given sigmas along and across a bearing.

    >>> [round(v, 6) for v in ellipse(0.0, 0.03, 0.01)]
    [0.03, 0.01, 0.0]
    """
    c, s = math.cos(bearing_rad), math.sin(bearing_rad)
    xx, yy = (c * along_m) ** 2 + (s * across_m) ** 2, (s * along_m) ** 2 + (c * across_m) ** 2
    xy = c * s * (along_m**2 - across_m**2)
    return math.sqrt(xx), math.sqrt(yy), xy / math.sqrt(xx * yy) if xx * yy > 0.0 else 0.0


def echo_object(plateau: Plateau, pings: Pings, run: Run, size_prior_m: float) -> Object:
    """Return what one arc says by itself: near face plus the size prior along the bearing."""
    x, y, axis_x, axis_y = place_of(plateau, pings)
    reach = plateau.range_m + size_prior_m
    cx, cy = x + reach * math.cos(plateau.bearing_rad), y + reach * math.sin(plateau.bearing_rad)
    # sound speed follows the square root of the absolute temperature
    air = 0.5 * run.air.temperature_sigma_c / (273.15 + run.air.temperature_c) * plateau.range_m
    along = math.sqrt(plateau.range_sigma_m**2 + air**2 + (PRIOR_SHARE * size_prior_m) ** 2)
    across = reach * math.hypot(plateau.bearing_sigma_rad, run.head.angle_sigma_rad)
    if len(run.stations) > 1:
        station = run.stations[plateau.station]
        along = math.hypot(along, station.position_sigma_m)
        across = math.hypot(across, math.hypot(station.position_sigma_m, reach * station.heading_sigma_rad))
    x_sigma, y_sigma, correlation = ellipse(plateau.bearing_rad, along, across)
    dx, dy = cx - axis_x, cy - axis_y
    nearest = max(0.0, math.hypot(dx, dy) - size_prior_m)
    return Object("echo", cx, cy, x_sigma, y_sigma, correlation, nearest, math.atan2(dy, dx), 1, plateau.readings)


def cluster_objects(
    plateaus: Sequence[Plateau], pings: Pings, run: Run, grid: LogOddsGrid | None, size_prior_m: float
) -> tuple[Object, ...]:
    """Return one ``cluster`` for each blob that arcs of two or more stations touch, and an ``echo`` for each other arc.

    Parameters
    ----------
    plateaus : sequence of Plateau
        From `find_plateaus`.
    grid : LogOddsGrid or None
        A map of the same pings; None, or a run of one station: every arc is an ``echo``.
    """
    singles = [echo_object(p, pings, run, size_prior_m) for p in plateaus]
    if grid is None or len({p.station for p in plateaus}) < 2:
        return tuple(singles)
    labels, boxes = _blobs(grid)
    touched = [_blob_of(p, pings, grid, labels) for p in plateaus]
    found, used = [], set()
    for label, (cx, cy, sigma_x, sigma_y) in boxes.items():
        mine = [n for n, t in enumerate(touched) if t == label]
        heard = {plateaus[n].station for n in mine}
        if len(heard) < 2:
            continue
        used.update(mine)
        best = min((singles[n] for n in mine), key=lambda o: o.nearest_m)
        readings = sum(plateaus[n].readings for n in mine)
        found.append(
            Object("cluster", cx, cy, sigma_x, sigma_y, 0.0, best.nearest_m, best.bearing_rad, len(heard), readings)
        )
    found += [o for n, o in enumerate(singles) if n not in used]
    return tuple(found)


def _blobs(grid: LogOddsGrid) -> tuple[Ints, dict[int, tuple[float, float, float, float]]]:
    """Return the labelled blobs of a grid and, for each label, its centre and half extents as sigmas [m]."""
    from skimage.measure import label, regionprops  # loads slowly; runs of one station never need it

    labels = np.asarray(label(grid.log_odds > THRESHOLD, connectivity=2), dtype=np.int32)  # type: ignore[no-untyped-call]
    boxes = {}
    for region in regionprops(labels):  # type: ignore[no-untyped-call]
        row, column = region.centroid
        x, y = grid.frame.centre_of(row, column)
        low_row, low_column, high_row, high_column = region.bbox
        extent = np.array([high_column - low_column, high_row - low_row]) * grid.frame.cell_m
        # an even spread over the blob
        sigma_x, sigma_y = extent / math.sqrt(12.0)
        boxes[int(region.label)] = (float(x), float(y), float(sigma_x), float(sigma_y))
    return labels, boxes


def _blob_of(plateau: Plateau, pings: Pings, grid: LogOddsGrid, labels: Ints) -> int:
    """Return the label that an arc's likely stretch touches most; 0 = none."""
    x, y, _, _ = place_of(plateau, pings)
    turn = plateau.bearing_rad + 2.0 * plateau.bearing_sigma_rad * np.linspace(-1.0, 1.0, 9)
    deep: Floats = plateau.range_m + np.linspace(-0.5 * TOUCH_M, TOUCH_M, 7)
    px, py = x + np.outer(deep, np.cos(turn)), y + np.outer(deep, np.sin(turn))
    row, column = grid.frame.cell_of(px, py)
    inside = grid.frame.contains(row, column)
    met = labels[row[inside], column[inside]]
    met = met[met > 0]
    return int(np.bincount(met).argmax()) if met.size else 0

"""Where the arcs of equal range say that things stand: a hump on each arc about its middle.

`plateaus` finds the arcs, this module paints them on a frame's cells.  Metres and radians on the floor axes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.finding.plateaus import Plateau
from sonargrid.maps.grid import GridFrame
from sonargrid.runs.readings import Pings

SIGMAS = 4.0  # a hump ends here


@dataclass(frozen=True, slots=True)
class ArcHump:
    """How wide an arc's hump is painted.

    range_sigma_m : across the arc; the arc's own give and take and the cell are added in squares
    bearing_factor : along the arc, in the arc's own bearing sigmas
    """

    range_sigma_m: float
    bearing_factor: float


def arc_peaks(pings: Pings, plateaus: Sequence[Plateau], frame: GridFrame, hump: ArcHump) -> Floats:
    """Return the highest hump over each cell, 0..1, (rows, columns).

    Parameters
    ----------
    pings : Pings
        The readings that the arcs were found in.
    plateaus : sequence of Plateau
        The arcs.
    frame : GridFrame
        The cells.
    hump : ArcHump
        Its widths.
    """
    peaks = np.zeros(frame.shape)
    rays = pings.rays
    cell = frame.cell_m
    for arc in plateaus:
        # the face from which this arc's middle was seen
        own = pings.ray[arc.pings]
        middle = own[np.argmin(np.abs(np.angle(np.exp(1j * (rays.bearing_rad[own] - arc.bearing_rad)))))]
        x, y = float(rays.x_m[middle]), float(rays.y_m[middle])
        across = math.sqrt(hump.range_sigma_m**2 + arc.range_sigma_m**2 + cell**2 / 12.0)
        along = math.hypot(hump.bearing_factor * arc.bearing_sigma_rad, cell / (math.sqrt(12.0) * arc.range_m))
        turn = min(math.pi, SIGMAS * along)
        rows, columns = _box(frame, x, y, arc.range_m, arc.bearing_rad, turn, SIGMAS * across)
        if rows.stop <= rows.start or columns.stop <= columns.start:
            continue
        dx = frame.x_centres_m()[columns] - x
        dy = frame.y_centres_m()[rows, None] - y
        c, s = math.cos(arc.bearing_rad), math.sin(arc.bearing_rad)
        t = (np.hypot(dx, dy) - arc.range_m) / across
        b = np.arctan2(c * dy - s * dx, c * dx + s * dy) / along
        peaks[rows, columns] = np.maximum(peaks[rows, columns], np.exp(-0.5 * (t * t + b * b)))
    return peaks


def _box(
    frame: GridFrame, x: float, y: float, range_m: float, bearing: float, turn: float, thick: float
) -> tuple[slice, slice]:
    """Return the (rows, columns) that hold a piece of a ring, clipped to the frame."""
    ends = [bearing - turn, bearing + turn, bearing]
    quarter = 0.5 * math.pi
    ends += [
        k * quarter for k in range(math.ceil((bearing - turn) / quarter), math.floor((bearing + turn) / quarter) + 1)
    ]
    xs = [x + (range_m + d) * math.cos(a) for a in ends for d in (-thick, thick)]
    ys = [y + (range_m + d) * math.sin(a) for a in ends for d in (-thick, thick)]
    low_row, low_column = frame.cell_of(min(xs), min(ys))
    high_row, high_column = frame.cell_of(max(xs), max(ys))
    return (
        slice(max(0, int(low_row)), min(frame.rows, int(high_row) + 1)),
        slice(max(0, int(low_column)), min(frame.columns, int(high_column) + 1)),
    )

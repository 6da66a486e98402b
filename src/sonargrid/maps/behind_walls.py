"""Floor behind a confirmed wall: nobody has looked there, whatever a mirrored echo or a stray silence seemed to say.

A smooth wall at a slant sends the sound on: the ping then tells of a way that bends at the wall, and free floor claimed
along its straight line is not free floor that was seen.  Floor axes [m, rad].
"""

from __future__ import annotations

import math

import numpy as np

from sonargrid.arrays import Bools, Floats
from sonargrid.maps.grid import GridFrame
from sonargrid.maps.wedges import Indices
from sonargrid.runs.readings import Rays

CONFIRMED = 2.0  # evidence of a cell that stands in the way
TURN_RAD = math.radians(1.0)  # bearing steps of the look-round
WIDE_RAD = math.radians(5.0)  # what hides floor to both sides of a bearing by this much is a wall, not a post
CLEAR_M = 0.10  # behind a wall begins so far behind its confirmed cells


def places_of(rays: Rays) -> Floats:
    """Return the (P, 2) distinct places of the ranger's face, to the centimetre [m]."""
    return np.unique(np.round(np.stack([rays.x_m, rays.y_m], axis=1), 2), axis=0)


def _first_walls(x_m: Floats, y_m: Floats, cell_m: float) -> Floats:
    """Return the range at which each bearing meets confirmed cells, seen from the origin [m]; inf = never."""
    steps = round(2.0 * math.pi / TURN_RAD)
    r = np.hypot(x_m, y_m)
    keep = r > cell_m
    r, bearing = r[keep], np.arctan2(y_m[keep], x_m[keep])
    # a cell fills as many bearings as it looks wide from here
    half = np.ceil(0.5 * cell_m / r / TURN_RAD).astype(int)
    middle = np.floor(bearing / TURN_RAD).astype(int)
    first = np.full(steps, np.inf)
    for k in range(-int(half.max(initial=0)), int(half.max(initial=0)) + 1):
        wide = half >= abs(k)
        np.minimum.at(first, (middle[wide] + k) % steps, r[wide])
    # a post hides a few bearings, a wall hides its neighbours' too
    reach = round(WIDE_RAD / TURN_RAD)
    return np.asarray(np.max([np.roll(first, k) for k in range(-reach, reach + 1)], axis=0))


def behind_walls(evidence: Floats, looked: Bools, frame: GridFrame, rays: Rays) -> Bools:
    """Return the cells that lie behind confirmed walls from every place that a ranger looked from.

    Parameters
    ----------
    evidence : (rows, columns) array
        Decided evidence.
    looked : (rows, columns) array
        Cells worth asking about.
    frame : GridFrame
        The cells.
    rays : Rays
        The places.
    """
    hidden = np.zeros(frame.shape, dtype=bool)
    wall_rows, wall_columns = np.nonzero(evidence > CONFIRMED)
    if not wall_rows.size:
        return hidden
    wall_x, wall_y = frame.centre_of(wall_rows, wall_columns)
    row, column = np.nonzero(looked)
    x, y = frame.centre_of(row, column)
    left: Indices = np.arange(row.size)
    for place_x, place_y in places_of(rays):
        first = _first_walls(wall_x - place_x, wall_y - place_y, frame.cell_m)
        dx, dy = x[left] - place_x, y[left] - place_y
        at = np.floor(np.arctan2(dy, dx) / TURN_RAD).astype(int) % first.size
        left = left[np.hypot(dx, dy) > first[at] + CLEAR_M]
        if not left.size:
            break
    hidden[row[left], column[left]] = True
    return hidden

"""Floor that the listed walls hide from every station: what a map says of it came by way of a mirror, and is withdrawn.

A smooth wall at a slant sends the sound on, so that the floor behind it looks free, or holds the mirror image of what
stands before it.  The map alone knows walls only where they were met square on; the list knows them end to end.
Floor axes [m].
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from sonargrid.arrays import Bools
from sonargrid.finding.drawn import crosses, stations_of
from sonargrid.finding.things import Object
from sonargrid.maps.grid import LogOddsGrid
from sonargrid.maps.mapping import Map
from sonargrid.physics.geometry import foot_on_segment

CLEAR_M = 0.10  # behind a wall begins so far behind it; common practice, no source
ON_LINE_M = 0.08  # a corner so near a wall's line is that wall's end
LONGEST_GAP_M = 1.5  # farther corners may have a door before them
LEAST_STATIONS = 2  # a wall is confirmed by so many places

Ends = tuple[tuple[float, float], tuple[float, float]]


def confirmed_walls(objects: Sequence[Object]) -> list[Ends]:
    """Return the ends of the walls that several stations heard, drawn out to the corners that end them [m]."""
    corners = [(thing.x_m, thing.y_m) for thing in objects if thing.kind == "corner"]
    walls = [thing for thing in objects if thing.kind == "wall" and thing.stations >= LEAST_STATIONS]
    return [_to_corners(wall.ends_m(), corners) for wall in walls]


def _to_corners(ends: Ends, corners: Sequence[tuple[float, float]]) -> Ends:
    (x1, y1), (x2, y2) = ends
    length = math.hypot(x2 - x1, y2 - y1)
    ux, uy = (x2 - x1) / length, (y2 - y1) / length
    first, last = 0.0, length
    for x, y in corners:
        along, beside = ux * (x - x1) + uy * (y - y1), -uy * (x - x1) + ux * (y - y1)
        if abs(beside) <= ON_LINE_M and -LONGEST_GAP_M <= along <= length + LONGEST_GAP_M:
            first, last = min(first, along), max(last, along)
    return (x1 + first * ux, y1 + first * uy), (x1 + last * ux, y1 + last * uy)


def floor_behind(made: Map, objects: Sequence[Object]) -> Bools:
    """Return the cells (rows, columns) that confirmed walls hide from every station.

    Parameters
    ----------
    made : Map
        The map the things were found in.
    objects : sequence of Object
        Its list.
    """
    hidden = np.zeros(made.grid.frame.shape, dtype=bool)
    walls = confirmed_walls(objects)
    if not walls:
        return hidden
    row, column = np.nonzero(made.grid.log_odds)
    for place in stations_of(made):
        x, y = made.grid.frame.centre_of(row, column)
        behind = np.zeros(x.shape, dtype=bool)
        for (x1, y1), (x2, y2) in walls:
            foot_x, foot_y, _ = foot_on_segment(x, y, x1, y1, x2, y2)
            clear = np.hypot(x - foot_x, y - foot_y) > CLEAR_M
            behind |= clear & crosses(place, x, y, ((x1, y1), (x2, y2)))
        row, column = row[behind], column[behind]
    hidden[row, column] = True
    return hidden


def without_floor_behind(made: Map, objects: Sequence[Object]) -> Map:
    """Return a joint map that says nothing of the floor behind confirmed walls; sums stay sums.

    Parameters
    ----------
    made : Map
        The map the things were found in.
    objects : sequence of Object
        Its list.
    """
    if made.settings.solver != "joint":
        return made
    grid = made.grid
    log_odds = np.where(floor_behind(made, objects), np.float32(0.0), grid.log_odds)
    return replace(made, grid=LogOddsGrid(grid.frame, log_odds, grid.touched, grid.meta, grid.layers))

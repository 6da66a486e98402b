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
from sonargrid.finding.objects import ObjectList
from sonargrid.finding.things import Object
from sonargrid.finding.witnesses import unwitnessed, with_silence
from sonargrid.maps.grid import LogOddsGrid
from sonargrid.maps.mapping import Map
from sonargrid.physics.geometry import foot_on_segment

CLEAR_M = 0.10  # behind a wall begins so far behind it; common practice, no source
ON_LINE_M = 0.08  # a corner so near a wall's line is that wall's end
LONGEST_GAP_M = 1.5  # farther corners may have a door before them
LEAST_STATIONS = 2  # a wall is confirmed by so many places

Ends = tuple[tuple[float, float], tuple[float, float]]


def confirmed_walls(objects: Sequence[Object]) -> list[Ends]:
    """Return the ends of the confirmed walls, drawn out along their lines to what else is listed there [m].

    Confirmed is a wall that several stations heard, or that a corner or another wall on its line bears out.  Walls
    answer only where they are met square on: pieces of one line, and the corners that end it, are one wall, unless a
    gap between them is wide enough for a door.
    """
    corners = [thing for thing in objects if thing.kind == "corner"]
    walls = [thing for thing in objects if thing.kind == "wall"]
    lines = (_whole_line(wall, [other for other in walls if other is not wall], corners) for wall in walls)
    return [ends for ends, stations in lines if stations >= LEAST_STATIONS]


def _whole_line(wall: Object, walls: Sequence[Object], corners: Sequence[Object]) -> tuple[Ends, int]:
    """Return a wall's ends with all that stands on its line, and in how many stations' sweeps its parts were heard."""
    (x1, y1), (x2, y2) = wall.ends_m()
    length = math.hypot(x2 - x1, y2 - y1)
    ux, uy = (x2 - x1) / length, (y2 - y1) / length
    parts: list[tuple[float, float, int]] = []
    for thing in (*walls, *corners):
        points = thing.ends_m() if thing.kind == "wall" else ((thing.x_m, thing.y_m),)
        if all(abs(-uy * (x - x1) + ux * (y - y1)) <= ON_LINE_M for x, y in points):
            along = [ux * (x - x1) + uy * (y - y1) for x, y in points]
            parts.append((min(along), max(along), thing.stations))
    first, last, heard = 0.0, length, wall.stations
    for low, high, stations in sorted(parts):  # onwards, nearest first
        if high > last and low <= last + LONGEST_GAP_M:
            last, heard = high, heard + stations
    for low, high, stations in sorted(parts, key=lambda part: -part[1]):  # and back
        if low < first and high >= first - LONGEST_GAP_M:
            first, heard = low, heard + stations
    return ((x1 + first * ux, y1 + first * uy), (x1 + last * ux, y1 + last * uy)), heard


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
    return _unknown(made, floor_behind(made, objects)) if made.settings.solver == "joint" else made


def as_far_as_seen(made: Map, things: ObjectList) -> Map:
    """Return a joint map whose free floor is only what was seen: not behind walls, nor where no listed echo vouches.

    Parameters
    ----------
    made : Map
        The map the things were found in.
    things : ObjectList
        Its list.  Where it holds no wall, silent pings vouch for floor, too; near walls silence may be a mirror.
    """
    made = without_floor_behind(made, things.objects)
    seen = things.seen
    if made.settings.solver != "joint" or seen is None:
        return made
    if not any(thing.kind == "wall" for thing in things.objects):
        ranger = made.run.ranger
        seen = with_silence(seen, made.pings, ranger.reach_m, ranger.mean_half_beam_rad)
    known = [*stations_of(made), *((thing.x_m, thing.y_m) for thing in things.objects if thing.kind != "wall")]
    known += [end for thing in things.objects if thing.kind == "wall" for end in thing.ends_m()]
    return _unknown(made, unwitnessed(made.grid, seen, known))


def _unknown(made: Map, cells: Bools) -> Map:
    grid = made.grid
    log_odds = np.where(cells, np.float32(0.0), grid.log_odds)
    return replace(made, grid=LogOddsGrid(grid.frame, log_odds, grid.touched, grid.meta, grid.layers))

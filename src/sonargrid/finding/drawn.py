"""A map with the found things drawn in: what a list and a map say together, for those who want one sharp picture.

Overlay on the map's own evidence: floor in sight of a station becomes free unless a thing's near face or a wall lies
there, or several stations made the map sure of something that the list lacks.  It claims more than the readings alone
do, so it is a layer of its own and the map stays as it was.  Metres.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from sonargrid.arrays import Bools, Floats, Floats32
from sonargrid.finding.things import Object
from sonargrid.maps.mapping import Map
from sonargrid.physics.geometry import foot_on_segment

# log-odds of what is drawn, and how far it reaches from a near face or a wall [cells]; source: bench_drawn
FREE, WALL, THING = -1.5, 1.5, 4.5
FREE_FROM_THING, FREE_FROM_WALL = 1.5, 1.2
WALL_REACH, THING_REACH = 0.7, 1.1
SURE = 3.0  # evidence above this stays although nothing is listed there; best of 0.5 to 4 on rooms of other seeds


def drawn_log_odds(made: Map, objects: Sequence[Object]) -> Floats32:
    """Return a map's evidence (rows, columns) with its list of things drawn in.

    Parameters
    ----------
    made : Map
        The map the things were found in.
    objects : sequence of Object
        Its list: `post`, `cluster` and `echo` are drawn by their near faces, walls by their line.
    """
    frame = made.grid.frame
    touched = made.grid.touched > 0
    row, column = np.nonzero(touched)
    x, y = frame.centre_of(row, column)
    walls = [thing.ends_m() for thing in objects if thing.kind == "wall"]
    things = [thing for thing in objects if thing.counted]
    places = stations_of(made)
    radii = [_radius_m(thing, places) for thing in things]
    seen = np.zeros(x.shape, dtype=bool)
    near_thing = np.full(x.shape, np.inf)
    for place in places:
        seen |= _in_sight(place, x, y, walls, things, radii)
        for thing, radius in zip(things, radii, strict=True):
            if _hears(place, thing, radius, walls, made.pings.reach_m):
                face = _near_face(place, thing, radius)
                near_thing = np.minimum(near_thing, np.hypot(x - face[0], y - face[1]))
    near_wall = np.full(x.shape, np.inf)
    for (x1, y1), (x2, y2) in walls:
        foot_x, foot_y, _ = foot_on_segment(x, y, x1, y1, x2, y2)
        near_wall = np.minimum(near_wall, np.hypot(x - foot_x, y - foot_y))
    value = made.grid.log_odds[row, column].astype(np.float64)
    cell = frame.cell_m
    # what one station is sure of is an arc, not a thing
    kept = (value > SURE) & (len(places) > 1)
    free = seen & ~kept & (near_thing > FREE_FROM_THING * cell) & (near_wall > FREE_FROM_WALL * cell)
    value = np.where(free, np.minimum(value, FREE), value)
    value = np.where(near_wall <= WALL_REACH * cell, np.maximum(value, WALL), value)
    value = np.where(near_thing <= THING_REACH * cell, np.maximum(value, THING), value)
    drawn = np.zeros(frame.shape, dtype=np.float32)
    drawn[row, column] = value
    return drawn


def stations_of(made: Map) -> list[tuple[float, float]]:
    """Return the servo axis of each station that has readings [m]."""
    rays = made.pings.rays
    _, first = np.unique(rays.station, return_index=True)
    return [(float(rays.axis_x_m[i]), float(rays.axis_y_m[i])) for i in first]


def _radius_m(thing: Object, places: Sequence[tuple[float, float]]) -> float:
    """Return how far the near face lies before the centre, seen from the nearest station [m]."""
    return max(0.0, min(math.hypot(thing.x_m - x, thing.y_m - y) for x, y in places) - thing.nearest_m)


def _near_face(place: tuple[float, float], thing: Object, radius: float) -> tuple[float, float]:
    dx, dy = thing.x_m - place[0], thing.y_m - place[1]
    share = max(0.0, 1.0 - radius / max(math.hypot(dx, dy), 1e-9))
    return place[0] + share * dx, place[1] + share * dy


def _hears(
    place: tuple[float, float],
    thing: Object,
    radius: float,
    walls: Sequence[tuple[tuple[float, float], ...]],
    reach: float,
) -> bool:
    """Return True where a station can have heard a thing: within reach, no wall between; an echo from its own only."""
    face = _near_face(place, thing, radius)
    distance = math.hypot(face[0] - place[0], face[1] - place[1])
    if thing.kind == "echo" and abs(distance - thing.nearest_m) > 1e-6:
        return False
    at = np.array([face[0]]), np.array([face[1]])
    return distance <= reach and not any(bool(crosses(place, *at, wall)[0]) for wall in walls)


def _in_sight(
    place: tuple[float, float],
    x: Floats,
    y: Floats,
    walls: Sequence[tuple[tuple[float, float], ...]],
    things: Sequence[Object],
    radii: Sequence[float],
) -> Bools:
    """Return (n,) True for points that no wall and no thing hides from a station."""
    seen = np.ones(x.shape, dtype=bool)
    for wall in walls:
        seen &= ~crosses(place, x, y, wall)
    for thing, radius in zip(things, radii, strict=True):
        foot_x, foot_y, _ = foot_on_segment(thing.x_m, thing.y_m, place[0], place[1], x, y)
        seen &= np.hypot(foot_x - thing.x_m, foot_y - thing.y_m) > radius
    return seen


def crosses(place: tuple[float, float], x: Floats, y: Floats, wall: Sequence[tuple[float, float]]) -> Bools:
    """Return (n,) True where the way from a station to a point crosses a wall."""
    (x1, y1), (x2, y2) = wall
    side_place = (x2 - x1) * (place[1] - y1) - (y2 - y1) * (place[0] - x1)
    side_point = (x2 - x1) * (y - y1) - (y2 - y1) * (x - x1)
    side_first = (x - place[0]) * (y1 - place[1]) - (y - place[1]) * (x1 - place[0])
    side_second = (x - place[0]) * (y2 - place[1]) - (y - place[1]) * (x2 - place[0])
    return np.asarray((side_place * side_point < 0.0) & (side_first * side_second < 0.0))

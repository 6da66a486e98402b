"""What the robot would see from a place: new floor, things and walls, by direction; counted, not simulated.

Sight ends at cells where something stands, and at listed walls.  A wall answers only where the robot stands square to
it: its foot moves along the wall by as much as the robot moves across the way to it, and nothing else shows a new
piece.  Places and points in metres on the floor axes, directions in radians; arrays over N places, T things, W walls,
D directions, H headings, S stations.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from sonargrid.arrays import Bools, Floats
from sonargrid.finding.things import Object
from sonargrid.maps.grid import LogOddsGrid
from sonargrid.physics.geometry import wrap

DIRECTIONS = 72
KNOWN = 0.1  # log-odds from which on a cell counts as known
SAMPLE_M = 0.04
BEHIND_M = 1.0  # a listed wall is taken to go on so far beyond its ends
SHORT_M = 0.12  # sight of a thing ends so far before its centre
NEAREST_WALL_M = 0.5  # where nothing is known, a wall is taken to stand no nearer than this ...
FOOT_M = 0.4  # a foot this far from all others on its wall is quite new
HALF_BEAM_RAD, THICK_M = math.radians(25.0), 0.05  # a piece's ends: the beam's, or where its arc leaves the wall
SQUARE = 0.5  # of the walls stand square or parallel to those found, the others anyhow
ASKEW_RAD = math.radians(8.0)  # ... so nearly
WALLS = 4  # round a room
NEAR_M = 1.5  # a post is heard in most sweeps up to here
NEW_SIDE_RAD = math.radians(90.0)  # a look from so far aside of all earlier ones counts in full


def directions() -> Floats:
    """Return (D,) the directions looked in [rad]."""
    return np.asarray(np.arange(DIRECTIONS) * (2.0 * math.pi / DIRECTIONS), dtype=np.float64)


def _looked_up(cells: Bools, grid: LogOddsGrid, x: Floats, y: Floats, outside: bool) -> Bools:
    row, column = grid.frame.cell_of(x, y)
    inside = grid.frame.contains(row, column)
    return np.where(inside, cells[np.where(inside, row, 0), np.where(inside, column, 0)], outside)


def walls_of(things: Sequence[Object]) -> Floats:
    """Return (W, 4) the two ends of each listed wall, drawn out a little [m]."""
    rows = []
    for thing in things:
        if thing.kind == "wall" and math.isfinite(thing.width_m) and math.isfinite(thing.heading_rad):
            (x1, y1), (x2, y2) = thing.ends_m()
            c, s = BEHIND_M * math.cos(thing.heading_rad), BEHIND_M * math.sin(thing.heading_rad)
            rows.append((x1 - c, y1 - s, x2 + c, y2 + s))
    return np.array(rows, dtype=np.float64).reshape(-1, 4)


def _to_walls(places: Floats, walls: Floats) -> Floats:
    """Return (N, D) how far one sees from places before a listed wall, inf = none [m]."""
    c, s = np.cos(directions()), np.sin(directions())
    nearest = np.full((len(places), DIRECTIONS), np.inf)
    for x1, y1, x2, y2 in walls:
        ex, ey = x2 - x1, y2 - y1
        px, py = (x1 - places[:, 0])[:, None], (y1 - places[:, 1])[:, None]
        cross = c * ey - s * ex
        safe = np.where(np.abs(cross) < 1e-9, 1e-9, cross)
        along, t = (px * ey - py * ex) / safe, (px * s - py * c) / safe
        hit = (along > 0.0) & (t >= 0.0) & (t <= 1.0) & (np.abs(cross) >= 1e-9)
        nearest = np.minimum(nearest, np.where(hit, along, np.inf))
    return nearest


def sight(grid: LogOddsGrid, blocked: Bools, places: Floats, walls: Floats, reach_m: float) -> tuple[Floats, Floats]:
    """Return (N, D) the floor in sight that nothing is known of yet [m2], and how far the next wall may be [m].

    The next wall is where sight ends or, where it does not, where what is known ends.
    """
    step = max(SAMPLE_M, grid.cell_m)
    r = np.arange(0.5 * step, reach_m, step)
    turn = directions()
    unknown = (np.abs(np.asarray(grid.log_odds)) < KNOWN) | (np.asarray(grid.touched) == 0)
    walls_m = _to_walls(places, walls)
    floor, far = np.zeros((len(places), DIRECTIONS)), np.zeros((len(places), DIRECTIONS))
    for n, (px, py) in enumerate(places):
        x, y = px + np.cos(turn)[:, None] * r, py + np.sin(turn)[:, None] * r
        stands, strange = _looked_up(blocked, grid, x, y, False), _looked_up(unknown, grid, x, y, True)
        open_ = ~(np.cumsum(stands, axis=1) > 0) & (r < walls_m[n][:, None])
        floor[n] = ((strange & open_) * r).sum(axis=1) * step * (2.0 * math.pi / DIRECTIONS)
        end = np.minimum(_first(stands, r, math.inf), walls_m[n])
        far[n] = np.where(np.isfinite(end), end, np.maximum(_first(strange, r, reach_m), NEAREST_WALL_M))
    return floor, np.minimum(far, reach_m)


def _first(hit: Bools, r: Floats, otherwise: float) -> Floats:
    """Return (D,) the first range that is hit."""
    return np.where(hit.any(axis=1), r[hit.argmax(axis=1)], otherwise)


def square_to(walls: Sequence[Object]) -> float | None:
    """Return the direction that the listed walls stand square or parallel to, by their lengths [rad]; None = no wall.

    >>> wall = Object("wall", 0, 1, 0.1, 0.1, 0, 1, 1.5, 2, 9, width_m=1.0, heading_rad=math.radians(100.0))
    >>> round(math.degrees(square_to([wall])))
    10
    """
    known = [w for w in walls if w.kind == "wall" and math.isfinite(w.width_m) and math.isfinite(w.heading_rad)]
    c = sum(w.width_m * math.cos(4.0 * w.heading_rad) for w in known)
    s = sum(w.width_m * math.sin(4.0 * w.heading_rad) for w in known)
    return math.atan2(s, c) / 4.0 if known and math.hypot(c, s) > 0.0 else None


def _walls_expected(square_rad: float | None) -> Floats:
    """Return (D,) how many walls of a room are expected square to each direction; the sum is `WALLS`."""
    even = np.full(DIRECTIONS, WALLS / DIRECTIONS)
    if square_rad is None:
        return even
    off = directions() - square_rad
    off -= 0.5 * math.pi * np.rint(off / (0.5 * math.pi))
    near = np.exp(-0.5 * (off / ASKEW_RAD) ** 2)
    return np.asarray(SQUARE * WALLS * near / near.sum() + (1.0 - SQUARE) * even)


def how_new(places: Floats, stations: Floats, sweep_rad: tuple[float, float]) -> Floats:
    """Return (N, D) how new the foot of a wall square to each direction is (0..1): how far aside of earlier ones.

    >>> ahead = how_new(np.array([[0.1, 0.0], [0.0, 1.0]]), np.array([[0.0, 0.0, 1.57]]), (-1.57, 1.57))[:, 18]
    >>> ahead.round(2).tolist()  # 10 cm aside shows a quarter of a new piece, 1 m nearer to the same wall none
    [0.25, 0.0]
    """
    turn = directions()
    aside = np.full((len(places), DIRECTIONS), FOOT_M)
    for station in stations:
        across = np.abs((places[:, :1] - station[0]) * np.sin(turn) - (places[:, 1:2] - station[1]) * np.cos(turn))
        swept = inside_sweep(turn, station[2:3], sweep_rad, 0.0)
        aside = np.where(swept, np.minimum(aside, across), aside)
    return aside / FOOT_M


def new_wall_m(
    far_m: Floats, new: Floats, headings: Floats, sweep_rad: tuple[float, float], square_rad: float | None
) -> Floats:
    """Return (N, H) the length of wall that is expected to be heard for the first time [m].

    Parameters
    ----------
    far_m : (N, D) how far the next wall may be [m]: far walls show longer pieces
    new : (N, D) how new their feet are (0..1)
    headings : (H,) [rad]
    sweep_rad : the sweep's two ends, relative to the heading [rad]
    square_rad : what walls stand square to [rad]; None = not known
    """
    piece = np.minimum(2.0 * far_m * math.tan(HALF_BEAM_RAD), 2.0 * np.sqrt(2.0 * THICK_M * far_m))
    covered = inside_sweep(directions()[:, None], headings[None, :], sweep_rad, 0.0)
    return np.asarray((piece * new * _walls_expected(square_rad)) @ covered.astype(np.float64))


def in_sight(grid: LogOddsGrid, blocked: Bools, places: Floats, points: Floats, reach_m: float) -> Bools:
    """Return (N, T) whether points are in reach of places and nothing stands between."""
    d = np.hypot(points[:, 0] - places[:, None, 0], points[:, 1] - places[:, None, 1])
    share = np.linspace(0.0, 1.0, max(8, math.ceil(reach_m / SAMPLE_M)))[:-1]
    out = d < reach_m
    for n, (px, py) in enumerate(places):
        along = share[None, :] * d[n][:, None]
        x = px + share * (points[:, 0] - px)[:, None]
        y = py + share * (points[:, 1] - py)[:, None]
        between = _looked_up(blocked, grid, x, y, False) & (along < (d[n] - SHORT_M)[:, None])
        out[n] &= ~between.any(axis=1)
    return np.asarray(out)


def inside_sweep(bearing_rad: Floats, heading_rad: Floats, sweep_rad: tuple[float, float], slack_rad: float) -> Bools:
    """Return whether bearings lie in the sweep of a robot that faces `heading_rad`, or so little beyond its ends."""
    low, high = sweep_rad
    off = bearing_rad - heading_rad - 0.5 * (low + high)
    off = np.abs(off - 2.0 * math.pi * np.rint(off / (2.0 * math.pi)))
    return np.asarray(off <= 0.5 * (high - low) + slack_rad)


def new_sides_m2(
    grid: LogOddsGrid,
    blocked: Bools,
    floor: Floats,
    each_m2: float,
    poses: Floats,
    places: Floats,
    headings: Floats,
    sweep_rad: tuple[float, float],
) -> Floats:
    """Return (N, H) the floor near by that a sweep looks at from a new side [m2].

    Arcs of one side lie along each other, those of two sides cross: where they do, something stands, and else nothing.

    Parameters
    ----------
    grid, blocked : where sight ends
    floor, each_m2 : (M, 2) points that stand for all the floor [m], and for how much each
    poses : (S, 3) where stations stood and how they faced
    places, headings : (N, 2) [m] and (H,) [rad]
    sweep_rad : the sweep's two ends, relative to the heading [rad]
    """
    seen = in_sight(grid, blocked, poses[:, :2], floor, NEAR_M)
    before = np.arctan2(floor[:, 1] - poses[:, 1:2], floor[:, 0] - poses[:, :1])
    seen &= inside_sweep(before, poses[:, 2:3], sweep_rad, 0.0)
    out = np.zeros((len(places), headings.size))
    for n, place in enumerate(places):
        near = np.flatnonzero(np.hypot(floor[:, 0] - place[0], floor[:, 1] - place[1]) < NEAR_M)
        near = near[in_sight(grid, blocked, place[None], floor[near], NEAR_M)[0]]
        bearing = np.arctan2(floor[near, 1] - place[1], floor[near, 0] - place[0])
        turn = np.abs(wrap(bearing - before[:, near]))
        aside = np.where(seen[:, near], turn, math.pi).min(axis=0, initial=math.pi)
        covered = inside_sweep(bearing[:, None], headings[None, :], sweep_rad, 0.0)
        out[n] = np.minimum(aside / NEW_SIDE_RAD, 1.0) @ covered.astype(np.float64)
    return out * each_m2

"""What the robot would see from a place: new floor, things and walls, by direction; counted, not simulated.

Sight ends at cells where something stands, and at listed walls.  Places and points in metres on the floor axes,
directions in radians; arrays over N places, T things, W walls.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from sonargrid.arrays import Bools, Floats
from sonargrid.finding.things import Object
from sonargrid.maps.grid import LogOddsGrid

DIRECTIONS = 72
KNOWN = 0.1  # log-odds from which on a cell counts as known
SAMPLE_M = 0.04
BEHIND_M = 1.0  # a listed wall is taken to go on so far beyond its ends
SHORT_M = 0.12  # sight of a thing ends so far before its centre


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


def new_floor_m2(grid: LogOddsGrid, blocked: Bools, places: Floats, walls: Floats, reach_m: float) -> Floats:
    """Return (N, D) the floor in sight that nothing is known of yet, in each direction [m2]."""
    step = max(SAMPLE_M, grid.cell_m)
    r = np.arange(0.5 * step, reach_m, step)
    turn = directions()
    unknown = (np.abs(np.asarray(grid.log_odds)) < KNOWN) | (np.asarray(grid.touched) == 0)
    far = _to_walls(places, walls)
    out = np.zeros((len(places), DIRECTIONS))
    for n, (px, py) in enumerate(places):
        x, y = px + np.cos(turn)[:, None] * r, py + np.sin(turn)[:, None] * r
        stopped = np.cumsum(_looked_up(blocked, grid, x, y, False), axis=1) > 0
        open_ = ~stopped & (r < far[n][:, None])
        new = _looked_up(unknown, grid, x, y, True) & open_
        out[n] = (new * r).sum(axis=1) * step * (2.0 * math.pi / DIRECTIONS)
    return out


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

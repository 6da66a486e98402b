"""Where the robot can park: free floor that its disc fits on and that it can get to from where it stood.

A smooth wall is silent unless the robot stands square to it, so that a map shows free floor behind it.  Therefore floor
carries the robot only if it is believed free (log-odds below 0), nothing found stands on it, it lies on the stations'
side of the walls round it, and some station heard nothing nearer in all the beam's width round that direction.  The
stations' own places always count: the robot stood there.  Near a sweep's ends nothing counts: a wall that slants across
the way answers from aside, where nobody listened.  Floor axes [m].
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy.ndimage import binary_closing, distance_transform_edt, label

from sonargrid.arrays import Bools, Floats, Ints
from sonargrid.finding.things import Object
from sonargrid.maps.grid import LogOddsGrid
from sonargrid.physics.geometry import wrap
from sonargrid.runs.readings import Pings, Run

UNKNOWN = 0.01  # log-odds up to which floor may be free
MARGIN_M = 0.02  # kept free round the robot's disc
UNRESOLVED, MAYBE = "unresolved_arc", 0.25  # the joint map's layer of arcs without a cause yet; free below this share
TURNS = 360  # directions round a station
NEAR_RAY_RAD = math.radians(6.0)  # a direction is swept if a ray goes so near ...
MOST_NEAR_RAD = math.radians(10.0)  # ... or, in coarse sweeps, half a step: still well inside every beam
ASIDE_RAD = math.radians(40.0)  # to both sides of the way there must have been a sweep
SILENCE_M = 2.0  # how far silence is trusted: a slanting wall is silent, too
DRAWN_OUT_M = 1.5  # walls are taken to go on so far
THING_M = 0.05  # radius to assume for a thing of unknown size


def footprint_m(thing: Object) -> float:
    """Return the radius that a thing takes up on the floor, its uncertainty (two sigmas) included [m].

    >>> round(footprint_m(Object("post", 0.0, 1.0, 0.01, 0.01, 0.0, 0.9, 1.5, 2, 9, diameter_m=0.1)), 3)
    0.07
    """
    sizes = [0.5 * size for size in (thing.diameter_m, thing.width_m) if math.isfinite(size)]
    return max(sizes, default=THING_M) + 2.0 * min(thing.x_sigma_m, thing.y_sigma_m, 0.05)


def blocked_cells(grid: LogOddsGrid, things: Sequence[Object]) -> Bools:
    """Return (rows, columns) True where something stands, as the map and the list have it."""
    blocked = np.asarray(grid.log_odds) > 0.0
    x, y = np.meshgrid(grid.frame.x_centres_m(), grid.frame.y_centres_m())
    for thing in things:
        if thing.counted:
            blocked |= np.hypot(x - thing.x_m, y - thing.y_m) < footprint_m(thing)
        elif thing.kind == "wall" and math.isfinite(thing.width_m) and math.isfinite(thing.heading_rad):
            c, s = math.cos(thing.heading_rad), math.sin(thing.heading_rad)
            along, across = c * (x - thing.x_m) + s * (y - thing.y_m), -s * (x - thing.x_m) + c * (y - thing.y_m)
            blocked |= (np.abs(along) <= 0.5 * thing.width_m) & (np.abs(across) <= 0.7 * grid.cell_m)
    return blocked


def heard_clear(grid: LogOddsGrid, pings: Pings, half_beam_rad: float, radius_m: float) -> Bools:
    """Return (rows, columns) True where a disc fits before the first echo of some station, all the beam's width round.

    Parameters
    ----------
    grid : LogOddsGrid
        Whose cells.
    pings : Pings
        What was heard.
    half_beam_rad : float
        How far aside an echo may have come from [rad].
    radius_m : float
        Of the disc [m].
    """
    x, y = np.meshgrid(grid.frame.x_centres_m(), grid.frame.y_centres_m())
    clear = np.zeros(grid.frame.shape, dtype=bool)
    turns = np.linspace(-math.pi, math.pi, TURNS, endpoint=False)
    for station in np.unique(pings.station):
        rays = pings.rays.station == station
        mine = (pings.station == station) & ~pings.void
        bearing, ranges = pings.bearing_rad[mine], np.minimum(pings.range_m[mine], SILENCE_M)
        off = np.abs(wrap(bearing[:, None] - turns))
        nearest = np.where(off <= half_beam_rad, ranges[:, None], math.inf).min(axis=0, initial=math.inf)
        rays_rad = np.unique(np.round(pings.rays.bearing_rad[rays], 6))
        step = float(np.median(np.diff(rays_rad))) if rays_rad.size > 1 else 0.0
        near = min(max(NEAR_RAY_RAD, 0.51 * step), MOST_NEAR_RAD)
        swept: Bools = np.asarray((np.abs(wrap(rays_rad[:, None] - turns)) <= near).any(axis=0))
        # a wall that slants across the way answers from aside: where nobody listened there, nothing is known
        each = round(ASIDE_RAD / (2.0 * math.pi / TURNS))
        aside = np.arange(-each, each + 1)
        swept = np.asarray(np.all(swept[(np.arange(TURNS)[:, None] + aside) % TURNS], axis=1))
        nearest = np.where(swept, nearest, 0.0)
        px, py = float(pings.rays.axis_x_m[rays].mean()), float(pings.rays.axis_y_m[rays].mean())
        turn = np.rint((np.arctan2(y - py, x - px) + math.pi) / (2.0 * math.pi / TURNS)).astype(np.int64) % TURNS
        clear |= np.hypot(x - px, y - py) + radius_m <= nearest[turn]
    return clear


def beyond_walls(grid: LogOddsGrid, run: Run, things: Sequence[Object]) -> Bools:
    """Return (rows, columns) True behind walls that have all stations on one side, their lines drawn out."""
    x, y = np.meshgrid(grid.frame.x_centres_m(), grid.frame.y_centres_m())
    heard = sorted({int(k) for k in run.readings.station})
    places = np.array([(run.stations[k].x_m, run.stations[k].y_m) for k in heard])
    out = np.zeros(grid.frame.shape, dtype=bool)
    for wall in things:
        if wall.kind != "wall" or not (math.isfinite(wall.width_m) and math.isfinite(wall.heading_rad)):
            continue
        c, s = math.cos(wall.heading_rad), math.sin(wall.heading_rad)
        sides = -s * (places[:, 0] - wall.x_m) + c * (places[:, 1] - wall.y_m)
        if float(sides.min()) * float(sides.max()) < 0.0:
            continue
        along = np.abs(c * (x - wall.x_m) + s * (y - wall.y_m))
        side = (-s * (x - wall.x_m) + c * (y - wall.y_m)) * math.copysign(1.0, float(sides.sum()))
        out |= (side < 0.7 * grid.cell_m) & (along < 0.5 * wall.width_m + DRAWN_OUT_M)
    return out


def likely_cells(grid: LogOddsGrid, run: Run, things: Sequence[Object] = (), unknown: bool = False) -> Bools:
    """Return (rows, columns) True where the robot's middle may be parked as far as the map goes, heard clear or not.

    Parameters
    ----------
    grid : LogOddsGrid
        What is believed of the floor.
    run : Run
        The robot's radius, and the stations it can start from.
    things : sequence of Object
        What stands there.
    unknown : bool
        Floor that nothing is known of counts, too.
    """
    frame = grid.frame
    blocked = blocked_cells(grid, things)
    log_odds, untouched = np.asarray(grid.log_odds), np.asarray(grid.touched) == 0
    free = (log_odds < (UNKNOWN if unknown else 0.0)) & (unknown | ~untouched)
    # single cells that no ping happened to touch are no obstacles
    free = binary_closing(free) & ~blocked
    if UNRESOLVED in grid.layers:  # something stands somewhere on such an arc
        free &= np.asarray(grid.layers[UNRESOLVED]) < MAYBE
    free &= ~beyond_walls(grid, run, things)
    radius = run.robot.radius_m + MARGIN_M
    away = _from_stations(grid, run)
    if not unknown:  # farther off a wall that slants may be silent
        free &= away <= SILENCE_M + radius
    free |= away <= radius + frame.cell_m
    room = distance_transform_edt(np.pad(free, 1))[1:-1, 1:-1] * frame.cell_m
    return _hanging_together(np.asarray(room >= radius), away <= radius + frame.cell_m)


def _from_stations(grid: LogOddsGrid, run: Run) -> Floats:
    """Return (rows, columns) the distance to the nearest station with readings [m]."""
    x, y = np.meshgrid(grid.frame.x_centres_m(), grid.frame.y_centres_m())
    heard = sorted({int(k) for k in run.readings.station})
    away = [np.hypot(x - run.stations[k].x_m, y - run.stations[k].y_m) for k in heard]
    return np.asarray(np.min(away, axis=0)) if away else np.full(grid.frame.shape, math.inf)


def _hanging_together(fits: Bools, at_station: Bools) -> Bools:
    """Return the cells that hang together with a station's."""
    parts, _ = label(fits, np.ones((3, 3)))
    # a half circle's frame ends at the station itself: what its own disc touches hangs together with it
    starts = np.unique(parts[at_station & (parts > 0)])
    return np.asarray(np.isin(parts, starts) & fits)


def parking_cells(grid: LogOddsGrid, run: Run, pings: Pings, things: Sequence[Object] = ()) -> Bools:
    """Return (rows, columns) True where the robot's middle can be parked, heard clear of all else.

    Parameters
    ----------
    grid, run, things : as `likely_cells`
    pings : Pings
        What was heard.
    """
    radius = run.robot.radius_m + MARGIN_M
    away = _from_stations(grid, run)
    clear = heard_clear(grid, pings, run.ranger.mean_half_beam_rad, radius) | (away <= grid.cell_m)
    return _hanging_together(likely_cells(grid, run, things) & clear, away <= radius + grid.cell_m)


def on_lattice(cells: Bools, grid: LogOddsGrid, spacing_m: float = 0.1) -> tuple[Ints, Ints]:
    """Return (row, column) of the cells to choose from."""
    each = max(1, round(spacing_m / grid.cell_m))
    row, column = np.nonzero(cells)
    kept = (row % each == each // 2) & (column % each == each // 2)
    if not kept.any():
        kept = np.ones(row.shape, dtype=bool)
    return row[kept], column[kept]


def parking_places(
    grid: LogOddsGrid, run: Run, pings: Pings, things: Sequence[Object] = (), spacing_m: float = 0.1
) -> Floats:
    """Return (n, 2) places to choose from, on a lattice, heard clear of all else [m]."""
    row, column = on_lattice(parking_cells(grid, run, pings, things), grid, spacing_m)
    return np.stack(grid.frame.centre_of(row, column), axis=1)

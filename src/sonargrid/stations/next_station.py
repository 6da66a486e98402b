"""Where to park next: reachable places ranked by what a sweep from there would add.

Four things count.  How much surer the listed things become: every place and heading adds its range and bearing to
each thing's information, J' W J with the numbers of the fit, and the drop of half the log determinant is counted in
nats; a thing that only one station heard gains most from 20 cm sideways at 1 m, where a post and a wall first differ.
New feet on walls, because a smooth wall answers only where the robot stands square to it.  New floor.  Distance to
the stations there are: spread does better than asking for uncertain cells.  Floor axes [m], headings [rad].
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Bools, Floats
from sonargrid.errors import SonargridError
from sonargrid.finding.objects import find_objects
from sonargrid.finding.things import Object
from sonargrid.maps.mapping import Map
from sonargrid.physics.geometry import to_pose, wrap
from sonargrid.runs.readings import Run
from sonargrid.stations.outlook import directions, in_sight, inside_sweep, new_floor_m2, walls_of
from sonargrid.stations.reachable import blocked_cells, parking_places

HEADINGS = 12
SPACING_M = 0.10
ON_THE_SPOT_M = 0.05  # nearer to a station than this is where the robot stood
APART_M = 0.35  # proposals are at least so far from each other
RANGE_SIGMA_M, BEARING_SIGMA_RAD = 0.006, math.radians(1.5)  # of one station's arc, pose aside
SIZE_SIGMA_M = 0.025  # of a radius that nobody measured
NOTHING_KNOWN_M = 0.5
FAINT_M = 1.5  # a post is heard in most sweeps up to here, less and less beyond
SIDEWAYS = 0.2  # m for each metre of distance: post and wall differ by 2 cm in range, 11 degrees in bearing
FOOT_M = 0.25  # a foot this far from all others on its wall is quite new
EDGE_RAD = math.radians(12.0)  # things so little beyond the sweep's end are heard by the beam's side
ENOUGH_FLOOR_M2, ENOUGH_SPREAD_M = 3.0, 1.5  # more new floor or distance than this hardly counts any more
# what one unit of each is worth; benchmarks/bench_next.py
WORTH = {"things": 0.35, "kinds": 0.5, "walls": 4.0, "floor": 1.0, "spread": 1.5}


@dataclass(frozen=True, slots=True)
class Proposal:
    """One place to park next, with what speaks for it.

    x_m, y_m, heading_rad : where to park
    gain : what it is worth, in the ranking's own unit
    things_nats : drop of half the log determinant of the things' covariances, all together
    wall_m : new length of wall met square on
    floor_m2 : new floor in sight
    spread_m : distance to the nearest station
    from_station : the nearest station's name; ahead_m, left_m, turn_rad : the way from there
    reasons : in words and numbers, the weightiest first
    """

    x_m: float
    y_m: float
    heading_rad: float
    gain: float
    things_nats: float
    wall_m: float
    floor_m2: float
    spread_m: float
    from_station: str
    ahead_m: float
    left_m: float
    turn_rad: float
    reasons: tuple[str, ...]

    def way(self) -> str:
        """Return how to get there from the nearest station, in words.

        >>> Proposal(0, 0, 0, 1, 0, 0, 0, 0.4, "A", 0.4, 0.2, math.radians(30), ()).way()
        'from A: 40 cm ahead, 20 cm left, turn 30 degrees left'
        """
        ahead, left, turn = round(100.0 * self.ahead_m), round(100.0 * self.left_m), round(math.degrees(self.turn_rad))
        parts = []
        if ahead:
            parts.append(f"{abs(ahead)} cm {'ahead' if ahead > 0 else 'back'}")
        if left:
            parts.append(f"{abs(left)} cm {'left' if left > 0 else 'right'}")
        if turn:
            parts.append(f"turn {abs(turn)} degrees {'left' if turn > 0 else 'right'}")
        return f"from {self.from_station}: {', '.join(parts) or 'stay'}"


@dataclass(frozen=True, slots=True)
class _Known:
    """What there is to be looked at: T things, W walls, and the S stations that did."""

    things: tuple[Object, ...]
    numbers: tuple[int, ...]  # as in the list for people
    points: Floats  # (T, 2)
    information: Floats  # (T, 3, 3) of x, y, radius
    seen_from: Floats  # (S, T) 1 where a station saw a thing
    walls: tuple[Object, ...]
    stations: Floats  # (S, 3)
    names: tuple[str, ...]
    run: Run


def next_station(
    made: Map, objects: Sequence[Object] | None = None, count: int = 3, spacing_m: float = SPACING_M
) -> tuple[Proposal, ...]:
    """Return the places that a next sweep would tell most from, best first.

    Parameters
    ----------
    made : Map
        What is known so far; the joint solver's maps tell free floor best.
    objects : sequence of Object, optional
        The list of things; None = found here.
    count : int
        How many places.
    spacing_m : float
        Between the places that are tried [m].

    Raises
    ------
    SonargridError
        If there is nowhere to go.
    """
    run, grid = made.run, made.grid
    things = tuple(find_objects(made)) if objects is None else tuple(objects)
    places = parking_places(grid, run, made.pings, things, spacing_m)
    if not len(places):
        raise SonargridError(
            f"no free floor that a robot of {100.0 * run.robot.radius_m:.0f} cm radius fits on is reachable",
            hint="state robot.radius_m, or sweep once more from where it stands",
            file=run.path or None,
        )
    return _ranked(made, things, places, count)


def _sweep(made: Map) -> tuple[float, float]:
    head = made.pings.rays.head_rad
    return (float(head.min()), float(head.max())) if head.size else (-0.5 * math.pi, 0.5 * math.pi)


def _ranked(made: Map, things: tuple[Object, ...], places: Floats, count: int) -> tuple[Proposal, ...]:
    grid, run, sweep = made.grid, made.run, _sweep(made)
    reach = run.ranger.reach_m
    blocked = blocked_cells(grid, things)
    known = _known(made, things, blocked, sweep)
    headings = np.asarray(np.arange(HEADINGS) * (2.0 * math.pi / HEADINGS), dtype=np.float64)
    floor = _in_sweep(new_floor_m2(grid, blocked, places, walls_of(things), reach), headings, sweep)
    nats, kinds = _things_gain(known, made, blocked, places, headings, sweep)
    walls = _wall_gain(known, places, headings, sweep, reach)
    apart = np.hypot(places[:, None, 0] - known.stations[:, 0], places[:, None, 1] - known.stations[:, 1]).min(axis=1)
    spread = _much(apart, ENOUGH_SPREAD_M)[:, None]
    total = (
        WORTH["things"] * nats.sum(axis=2)
        + WORTH["kinds"] * kinds.sum(axis=2)
        + WORTH["walls"] * walls.sum(axis=2)
        + WORTH["floor"] * _much(floor, ENOUGH_FLOOR_M2)
        + WORTH["spread"] * spread
    )
    best_heading = total.argmax(axis=1)
    order = np.argsort(-total.max(axis=1), kind="stable")
    chosen: list[int] = []
    for n in order:
        if all(math.hypot(*(places[n] - places[m])) >= APART_M for m in chosen):
            chosen.append(int(n))
        if len(chosen) == count:
            break
    parts = nats, kinds, walls, floor
    return tuple(
        _proposal(
            known,
            places[n],
            float(headings[best_heading[n]]),
            float(total[n].max()),
            float(apart[n]),
            tuple(part[n, best_heading[n]] for part in parts),
        )
        for n in chosen
    )


def _much(amount: Floats, enough: float) -> Floats:
    """Return an amount that counts in full while small, and never for more than `enough`."""
    return np.asarray(enough * (1.0 - np.exp(-amount / enough)), dtype=np.float64)


def _known(made: Map, things: tuple[Object, ...], blocked: Bools, sweep: tuple[float, float]) -> _Known:
    run = made.run
    heard = sorted({int(k) for k in run.readings.station})
    stations = np.array([(run.stations[k].x_m, run.stations[k].y_m, run.stations[k].heading_rad) for k in heard])
    counted = [(n, t) for n, t in enumerate(things, start=1) if t.counted]
    points = np.array([(t.x_m, t.y_m) for _, t in counted], dtype=np.float64).reshape(-1, 2)
    sees = in_sight(made.grid, blocked, stations[:, :2], points, run.ranger.reach_m).astype(np.float64)
    bearing = np.arctan2(points[:, 1] - stations[:, 1:2], points[:, 0] - stations[:, 0:1])
    sees *= inside_sweep(bearing, stations[:, 2:3], sweep, EDGE_RAD)
    for column, (_, thing) in enumerate(counted):
        # no more stations than the list says heard it: the nearest ones
        d = np.hypot(*(points[column] - stations[:, :2]).T)
        order = np.argsort(d + 100.0 * (sees[:, column] < 0.5))
        sees[:, column] = 0.0
        sees[order[: max(1, thing.stations)], column] = 1.0
    information = np.tile(np.diag([NOTHING_KNOWN_M**-2, NOTHING_KNOWN_M**-2, SIZE_SIGMA_M**-2]), (len(counted), 1, 1))
    for n, station in enumerate(stations):
        information += sees[n][:, None, None] * _told(station[None, :2], points, run)[0]
    walls = tuple(t for t in things if t.kind == "wall" and math.isfinite(t.width_m) and math.isfinite(t.heading_rad))
    return _Known(
        tuple(t for _, t in counted),
        tuple(n for n, _ in counted),
        points,
        information,
        sees,
        walls,
        stations,
        tuple(run.stations[k].name for k in heard),
        run,
    )


def _told(places: Floats, points: Floats, run: Run) -> Floats:
    """Return (N, T, 3, 3) what one sweep from places tells of x, y, radius of things: J' W J."""
    dx, dy = points[:, 0] - places[:, None, 0], points[:, 1] - places[:, None, 1]
    d = np.maximum(np.hypot(dx, dy), 0.05)
    ux, uy = dx / d, dy / d
    pose = float(np.median([s.position_sigma_m for s in run.stations_on_floor]))
    turned = float(np.median([s.heading_sigma_rad for s in run.stations_on_floor]))
    ranged = math.hypot(RANGE_SIGMA_M, pose)
    across = np.hypot(d * math.hypot(BEARING_SIGMA_RAD, turned), pose)
    by_range = np.stack([ux, uy, -np.ones_like(ux)], axis=-1) / ranged
    by_bearing = np.stack([-uy, ux, np.zeros_like(ux)], axis=-1) / across[..., None]
    told = np.einsum("nti,ntj->ntij", by_range, by_range) + np.einsum("nti,ntj->ntij", by_bearing, by_bearing)
    return np.asarray(told, dtype=np.float64)


def _things_gain(
    known: _Known, made: Map, blocked: Bools, places: Floats, headings: Floats, sweep: tuple[float, float]
) -> tuple[Floats, Floats]:
    """Return (N, H, T) the nats that each thing gains, and how far its kind becomes clear (0..1)."""
    if not known.things:
        none = np.zeros((len(places), headings.size, 0))
        return none, none
    reach = made.run.ranger.reach_m
    dx, dy = known.points[:, 0] - places[:, None, 0], known.points[:, 1] - places[:, None, 1]
    d, bearing = np.hypot(dx, dy), np.arctan2(dy, dx)
    heard = in_sight(made.grid, blocked, places, known.points, reach) * np.clip(1.0 - (d - FAINT_M) / FAINT_M, 0.0, 1.0)
    after = known.information + _told(places, known.points, made.run)
    nats = 0.5 * (np.linalg.slogdet(after)[1] - np.linalg.slogdet(known.information)[1]) * heard
    there = inside_sweep(bearing[:, None, :], headings[None, :, None], sweep, EDGE_RAD)
    alone = np.array([t.stations <= 1 for t in known.things])
    first = np.argmax(known.seen_from, axis=0)
    origin = known.stations[first]
    away = np.arctan2(known.points[:, 1] - origin[:, 1], known.points[:, 0] - origin[:, 0])
    sideways = np.abs(
        -np.sin(away) * (places[:, None, 0] - origin[:, 0]) + np.cos(away) * (places[:, None, 1] - origin[:, 1])
    )
    far = np.hypot(known.points[:, 0] - origin[:, 0], known.points[:, 1] - origin[:, 1])
    clear = np.clip(sideways / np.maximum(SIDEWAYS * far, 0.05), 0.0, 1.0) * alone * heard
    return nats[:, None, :] * there, clear[:, None, :] * there


def _wall_gain(known: _Known, places: Floats, headings: Floats, sweep: tuple[float, float], reach_m: float) -> Floats:
    """Return (N, H, W) the new length of each wall that is met square on [m]."""
    out = np.zeros((len(places), headings.size, len(known.walls)))
    for w, wall in enumerate(known.walls):
        c, s = math.cos(wall.heading_rad), math.sin(wall.heading_rad)

        def feet(at: Floats, c: float = c, s: float = s, wall: Object = wall) -> tuple[Floats, Floats]:
            dx, dy = at[:, 0] - wall.x_m, at[:, 1] - wall.y_m
            return c * dx + s * dy, -s * dx + c * dy

        along, across = feet(places)
        old, old_across = feet(known.stations)
        met = old[np.abs(old_across) < reach_m]
        new = np.abs(along[:, None] - met).min(axis=1, initial=FOOT_M) if met.size else np.full(along.shape, FOOT_M)
        new = np.minimum(new, FOOT_M) * (np.abs(along) < 0.5 * wall.width_m + 2.0 * FOOT_M) * (np.abs(across) < reach_m)
        towards = np.arctan2(-np.sign(across) * c, np.sign(across) * s)
        out[:, :, w] = new[:, None] * inside_sweep(towards[:, None], headings[None, :], sweep, EDGE_RAD)
    return out


def _in_sweep(by_direction: Floats, headings: Floats, sweep: tuple[float, float]) -> Floats:
    """Return (N, H) sums over the directions that a sweep covers."""
    covered = inside_sweep(directions()[:, None], headings[None, :], sweep, 0.0)
    return np.asarray(by_direction @ covered.astype(np.float64))


def _proposal(
    known: _Known, place: Floats, heading: float, gain: float, apart: float, parts: tuple[Floats, ...]
) -> Proposal:
    nats, kinds, walls, floor = parts
    n = int(np.argmin(np.hypot(*(known.stations[:, :2] - place).T)))
    sx, sy, facing = known.stations[n]
    ahead, left = to_pose(sx, sy, facing, place[0], place[1])
    return Proposal(
        float(place[0]),
        float(place[1]),
        float(wrap(heading)),
        gain,
        float(nats.sum()),
        float(walls.sum()),
        float(floor),
        apart,
        known.names[n],
        float(ahead),
        float(left),
        float(wrap(heading - facing)),
        _reasons(known, place, nats, kinds, walls, float(floor), apart),
    )


def _reasons(
    known: _Known, place: Floats, nats: Floats, kinds: Floats, walls: Floats, floor: float, apart: float
) -> tuple[str, ...]:
    """Return what speaks for a place, in words and numbers, the weightiest first."""
    found: list[tuple[float, str]] = []
    for t in np.argsort(-nats)[:2]:
        if nats[t] > 0.15:
            found.append((WORTH["things"] * float(nats[t]), _surer(known, int(t), place)))
    for t in np.flatnonzero(kinds > 0.7):
        found.append(
            (
                WORTH["kinds"] * float(kinds[t]),
                f"far enough aside to tell whether thing {known.numbers[t]} is a post or a wall",
            )
        )
    if walls.sum() > 0.02:
        count = int((walls > 0.02).sum())
        words = f"meets {count} wall{'s' if count != 1 else ''} square on at new places ({walls.sum():.2f} m of wall)"
        found.append((WORTH["walls"] * float(walls.sum()), words))
    if floor > 0.02:
        found.append(
            (
                WORTH["floor"] * float(_much(np.array(floor), ENOUGH_FLOOR_M2)),
                f"looks at up to {floor:.1f} m2 of floor that nothing is known of",
            )
        )
    found.append(
        (
            WORTH["spread"] * float(_much(np.array(apart), ENOUGH_SPREAD_M)),
            f"stands {apart:.2f} m from the nearest station" if apart > ON_THE_SPOT_M else "turns on the spot",
        )
    )
    return tuple(words for _, words in sorted(found, key=lambda one: -one[0]))


def _surer(known: _Known, t: int, place: Floats) -> str:
    """Return by how much surer one thing's place becomes, in words."""
    x, y = known.points[t]
    views = np.arctan2(y - known.stations[:, 1], x - known.stations[:, 0])[known.seen_from[:, t] > 0.5]
    here = math.atan2(y - place[1], x - place[0])
    turn = math.degrees(float(np.min(np.abs(wrap(here - views)), initial=math.pi)))
    before = np.linalg.inv(known.information[t])[:2, :2]
    after = np.linalg.inv(known.information[t] + _told(place[None], known.points[t : t + 1], known.run)[0, 0])[:2, :2]
    was, now = (100.0 * math.sqrt(float(np.linalg.eigvalsh(c)[-1])) for c in (before, after))
    return f"sees thing {known.numbers[t]} from {turn:.0f} degrees aside: give or take {was:.1f} -> {now:.1f} cm"

"""Where to park next: reachable places ranked by what a sweep from there would add.

Six things count.  New wall: a smooth wall answers only where the robot stands square to it, with a longer piece from
farther away, so a place is worth the feet that its sweep is expected to meet and no sweep met yet.  Floor near by seen
from a new side: arcs of one side lie along each other, those of two sides cross.  Standing amid the floor, with walls
and things all round in reach.  Distance to the stations there are: spread does better than asking for uncertain cells.
New floor.  How much surer the listed things become: every place and heading adds its range and bearing to each thing's
information, J' W J with the numbers of the fit, and the drop of half the log determinant is counted in nats; a thing
that only one station heard gains most from 20 cm sideways at 1 m, where a post and a wall first differ.  Floor axes
[m], headings [rad].
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Bools, Floats, Ints
from sonargrid.errors import SonargridError
from sonargrid.finding.objects import find_objects
from sonargrid.finding.things import Object
from sonargrid.maps.mapping import Map
from sonargrid.physics.geometry import to_pose, wrap
from sonargrid.runs.readings import Run
from sonargrid.stations.outlook import (
    directions,
    how_new,
    in_sight,
    inside_sweep,
    new_sides_m2,
    new_wall_m,
    sight,
    square_to,
    walls_of,
)
from sonargrid.stations.reachable import blocked_cells, likely_cells, on_lattice, parking_cells

HEADINGS = 12
SPACING_M = 0.10
ON_THE_SPOT_M = 0.05  # nearer to a station than this is where the robot stood
APART_M = 0.35  # proposals are at least so far from each other
RANGE_SIGMA_M, BEARING_SIGMA_RAD = 0.006, math.radians(1.5)  # of one station's arc, pose aside
SIZE_SIGMA_M = 0.025  # of a radius that nobody measured
NOTHING_KNOWN_M = 0.5
FAINT_M = 1.5  # a post is heard in most sweeps up to here, less and less beyond
SIDEWAYS = 0.2  # m for each metre of distance: post and wall differ by 2 cm in range, 11 degrees in bearing
EDGE_RAD = math.radians(12.0)  # things so little beyond the sweep's end are heard by the beam's side
# more than this hardly counts any more
ENOUGH_NATS, ENOUGH_FLOOR_M2, ENOUGH_SPREAD_M = 1.0, 3.0, 0.5
ROUND_M = 2.0  # floor farther than this lies equally far off
FLOOR_SAMPLES = 1000  # cells, evenly picked, that stand for all the floor
# what one unit of each is worth, in metres of new wall; benchmarks/bench_next.py
WORTH = {"things": 0.5, "kinds": 0.1, "walls": 1.0, "sides": 0.8, "floor": 0.4, "spread": 2.3, "middle": 2.4}
NOT_HEARD_CLEAR = "not heard clear: no sweep listened all round there; look whether it is free before you drive"


@dataclass(frozen=True, slots=True)
class Proposal:
    """One place to park next, with what speaks for it.

    x_m, y_m, heading_rad : where to park
    gain : what it is worth, in the ranking's own unit
    things_nats : drop of half the log determinant of the things' covariances, all together
    wall_m : length of wall that is expected to be heard for the first time
    floor_m2 : new floor in sight
    spread_m : distance to the nearest station
    from_station : the nearest station's name; ahead_m, left_m, turn_rad : the way from there
    reasons : in words and numbers, the weightiest first; what is not known of the way comes last
    middle_m : mean distance to the floor that is reachable or may be, in the middle of it least
    sides_m2 : floor near by that is looked at from a new side
    heard_clear : whether a sweep heard all the way clear, the beam's whole width round; False = the map alone says so
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
    middle_m: float = math.nan
    sides_m2: float = math.nan
    heard_clear: bool = True

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
    """What there is to be looked at: T things, and the S stations that did."""

    things: tuple[Object, ...]
    numbers: tuple[int, ...]  # as in the list for people
    points: Floats  # (T, 2)
    information: Floats  # (T, 3, 3) of x, y, radius
    seen_from: Floats  # (S, T) 1 where a station saw a thing
    stations: Floats  # (S, 3)
    names: tuple[str, ...]
    run: Run


@dataclass(frozen=True, slots=True)
class _Worth:
    """What N places and H headings are worth, part by part."""

    nats: Floats  # (N, H, T) that each thing gains
    kinds: Floats  # (N, H, T) how far its kind becomes clear (0..1)
    walls: Floats  # (N, H) new wall [m]
    floor: Floats  # (N, H) new floor [m2]
    apart: Floats  # (N,) from the nearest station [m]
    middle: Floats  # (N,) mean distance to the floor [m]
    sides: Floats  # (N, H) floor seen from a new side [m2]
    clear: Bools  # (N,) heard clear

    def total(self) -> Floats:
        """Return (N, H) all of it, in metres of new wall."""
        return np.asarray(
            WORTH["things"] * _much(self.nats.sum(axis=2), ENOUGH_NATS)
            + WORTH["kinds"] * self.kinds.sum(axis=2)
            + WORTH["walls"] * self.walls
            + WORTH["sides"] * self.sides
            + WORTH["floor"] * _much(self.floor, ENOUGH_FLOOR_M2)
            + (WORTH["spread"] * _much(self.apart, ENOUGH_SPREAD_M) - WORTH["middle"] * self.middle)[:, None]
        )


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
    row, column = on_lattice(likely_cells(grid, run, things), grid, spacing_m)
    if not row.size:
        raise SonargridError(
            f"no free floor that a robot of {100.0 * run.robot.radius_m:.0f} cm radius fits on is reachable",
            hint="state robot.radius_m, or sweep once more from where it stands",
            file=run.path or None,
        )
    places = np.stack(grid.frame.centre_of(row, column), axis=1)
    return _best(made, things, places, parking_cells(grid, run, made.pings, things)[row, column], count)


def _sweep(made: Map) -> tuple[float, float]:
    head = made.pings.rays.head_rad
    return (float(head.min()), float(head.max())) if head.size else (-0.5 * math.pi, 0.5 * math.pi)


def _floor(made: Map, things: tuple[Object, ...]) -> tuple[Floats, float]:
    """Return (M, 2) points that stand for all floor that is reachable or may be [m], and for how much each [m2]."""
    grid = made.grid
    x, y = grid.frame.centre_of(*np.nonzero(likely_cells(grid, made.run, things, unknown=True)))
    each = max(1, x.size // FLOOR_SAMPLES)
    return np.stack([x[::each], y[::each]], axis=1), each * grid.cell_m**2


def _best(made: Map, things: tuple[Object, ...], places: Floats, clear: Bools, count: int) -> tuple[Proposal, ...]:
    grid, run, sweep = made.grid, made.run, _sweep(made)
    blocked = blocked_cells(grid, things)
    known = _known(made, things, blocked, sweep)
    headings = np.asarray(np.arange(HEADINGS) * (2.0 * math.pi / HEADINGS), dtype=np.float64)
    points, each_m2 = _floor(made, things)
    floor, far = sight(grid, blocked, places, walls_of(things), run.ranger.reach_m)
    worth = _Worth(
        *_things_gain(known, made, blocked, places, headings, sweep),
        new_wall_m(far, how_new(places, known.stations, sweep), headings, sweep, square_to(things)),
        _in_sweep(floor, headings, sweep),
        np.hypot(places[:, None, 0] - known.stations[:, 0], places[:, None, 1] - known.stations[:, 1]).min(axis=1),
        np.minimum(np.hypot(places[:, :1] - points[:, 0], places[:, 1:] - points[:, 1]), ROUND_M).mean(axis=1),
        new_sides_m2(grid, blocked, points, each_m2, known.stations, places, headings, sweep),
        clear,
    )
    total = worth.total()
    heading = total.argmax(axis=1)
    order = np.argsort(-total.max(axis=1), kind="stable")
    chosen = _apart(places, order, [int(order[0])], count)
    if count > 1 and clear.any() and not clear[chosen].any():
        # whoever drives only where a sweep heard all clear gets one such place, near another or not
        safe = int(order[clear[order]][0])
        chosen = sorted(_apart(places, order, [chosen[0], safe], count), key=order.tolist().index)
    return tuple(
        _proposal(known, places[n], float(headings[heading[n]]), float(total[n].max()), worth, (n, int(heading[n])))
        for n in chosen
    )


def _apart(places: Floats, order: Ints, chosen: list[int], count: int) -> list[int]:
    """Return those chosen and the next in order that are far enough from each other, `count` at most."""
    chosen = list(chosen)
    for n in order:
        if len(chosen) == count:
            break
        if all(math.hypot(*(places[n] - places[m])) >= APART_M for m in chosen):
            chosen.append(int(n))
    return chosen


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
    return _Known(
        tuple(t for _, t in counted),
        tuple(n for n, _ in counted),
        points,
        information,
        sees,
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


def _in_sweep(by_direction: Floats, headings: Floats, sweep: tuple[float, float]) -> Floats:
    """Return (N, H) sums over the directions that a sweep covers."""
    covered = inside_sweep(directions()[:, None], headings[None, :], sweep, 0.0)
    return np.asarray(by_direction @ covered.astype(np.float64))


def _proposal(
    known: _Known, place: Floats, heading: float, gain: float, worth: _Worth, at: tuple[int, int]
) -> Proposal:
    nearest = int(np.argmin(np.hypot(*(known.stations[:, :2] - place).T)))
    sx, sy, facing = known.stations[nearest]
    ahead, left = to_pose(sx, sy, facing, place[0], place[1])
    return Proposal(
        float(place[0]),
        float(place[1]),
        float(wrap(heading)),
        gain,
        float(worth.nats[at].sum()),
        float(worth.walls[at]),
        float(worth.floor[at]),
        float(worth.apart[at[0]]),
        known.names[nearest],
        float(ahead),
        float(left),
        float(wrap(heading - facing)),
        _reasons(known, place, worth, at),
        float(worth.middle[at[0]]),
        float(worth.sides[at]),
        bool(worth.clear[at[0]]),
    )


def _reasons(known: _Known, place: Floats, worth: _Worth, at: tuple[int, int]) -> tuple[str, ...]:
    """Return what speaks for a place, in words and numbers, the weightiest first; then what is not known."""
    found: list[tuple[float, str]] = []
    nats, kinds, walls, floor = worth.nats[at], worth.kinds[at], float(worth.walls[at]), worth.floor[at]
    sides = float(worth.sides[at])
    apart, middle, outermost = worth.apart[at[0]], float(worth.middle[at[0]]), float(worth.middle.max())
    for t in np.argsort(-nats)[:2]:
        if nats[t] > 0.15:
            share = float(nats[t] / nats.sum() * _much(nats.sum(), ENOUGH_NATS))
            found.append((WORTH["things"] * share, _surer(known, int(t), place)))
    for t in np.flatnonzero(kinds > 0.7):
        words = f"far enough aside to tell whether thing {known.numbers[t]} is a post or a wall"
        found.append((WORTH["kinds"] * float(kinds[t]), words))
    if walls > 0.05:
        words = f"could meet {walls:.1f} m of wall square on at new places"
        found.append((WORTH["walls"] * walls, words))
    if sides > 0.05:
        found.append((WORTH["sides"] * sides, f"looks at {sides:.1f} m2 of floor near by from a new side"))
    if floor > 0.05:
        words = f"looks at up to {floor:.1f} m2 of floor that nothing is known of"
        found.append((WORTH["floor"] * float(_much(floor, ENOUGH_FLOOR_M2)), words))
    if outermost - middle > 0.05:
        words = f"stands amid the floor: {middle:.2f} m from it on average ({outermost:.2f} m at the edge)"
        found.append((WORTH["middle"] * (outermost - middle), words))
    words = f"stands {apart:.2f} m from the nearest station" if apart > ON_THE_SPOT_M else "turns on the spot"
    found.append((WORTH["spread"] * float(_much(apart, ENOUGH_SPREAD_M)), words))
    reasons = [words for _, words in sorted(found, key=lambda one: -one[0])]
    return tuple(reasons if worth.clear[at[0]] else [*reasons, NOT_HEARD_CLEAR])


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

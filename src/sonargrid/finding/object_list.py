"""From a finished fit to the list for people: one row a physical thing, echoes of nothing left out and said.

Things beyond a confirmed wall are mirror images or stray echoes; things on a wall's line are the wall's own; faces,
edges and posts within one box's size of each other are one thing.  Floor axes [m].
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Bools, Floats
from sonargrid.finding.echo_board import Board
from sonargrid.finding.echo_order import FLAT, Thing

WALL_M = 0.45  # straight faces from here on are walls
ON_WALL_M = 0.07  # the centre of a free thing keeps this much from a wall's line
MERGE_M = 0.16  # centres nearer than this belong to one thing
BEHIND_M = 0.05  # a short face's thing has its centre so far behind the face
HEARD = 1.0  # raw readings that make a station one that heard a thing
LEAST_READINGS = 4.0
LOUD_DB = 3.0
OVERLAP = 2.2  # one station's things of the usual radius stand apart by this many radii at least, or are one
ODD_RAD = math.radians(9.0)  # walls of a floor that is not quite square stay within this of its directions
OUTERMOST_RAD = math.radians(200.0)  # so wide a view without anything in it is had from the rim only
FOOT_M = 0.10  # a wall surely goes on so far beyond where it was heard


@dataclass(frozen=True, slots=True)
class Claim:
    """One row in the making: a thing of the fit and what it was heard by.

    x_m, y_m : its centre
    heard : (S,) raw readings by station
    gain : what it adds to the log likelihood
    members : indices of the fit's things that make it
    """

    kind: str
    x_m: float
    y_m: float
    heard: Floats
    gain: float
    members: tuple[int, ...]

    @property
    def stations(self) -> int:
        """How many stations heard it."""
        return int(np.count_nonzero(self.heard >= HEARD))


@dataclass(frozen=True, slots=True)
class Sorted:
    """A fit, sorted: things that count, walls and corners, and what was left out with the reason.

    ends : where each wall and face begins and ends along itself [m]
    chance : numbers of the board's walls that were left out since they may be there by chance
    """

    claims: tuple[Claim, ...]
    walls: tuple[Claim, ...]
    corners: tuple[Claim, ...]
    ghosts: tuple[tuple[Claim, str], ...]
    ends: dict[int, tuple[float, float]]
    chance: tuple[int, ...] = ()


def heard_readings(board: Board) -> Floats:
    """Return (J, S): raw readings of each station that each thing explains."""
    s = board.soundings
    if not board.things:
        return np.zeros((0, s.place_m.shape[0]))
    of_place = np.zeros((s.ray.size, s.place_m.shape[0]))
    of_place[np.arange(s.ray.size), s.station[s.ray]] = 1.0
    return np.asarray((board.shares() * s.count) @ of_place)


def wall_ends(board: Board, index: int, heard: Floats) -> tuple[float, float]:
    """Return the two ends of a wall, as far as it was heard and a little beyond, never beyond the fit's own [m]."""
    turn, _, low, high = board.things[index].shape[:4]
    places = board.soundings.place_m[heard[index] >= HEARD]
    if not len(places):
        return low, high
    feet = -math.sin(turn) * places[:, 0] + math.cos(turn) * places[:, 1]
    first, last = float(feet.min()), float(feet.max())
    return max(low, first - FOOT_M) if low < first else first, min(high, last + FOOT_M) if high > last else last


def _side(wall: Thing, x: Floats | float, y: Floats | float) -> Floats:
    turn, rho = wall.shape[:2]
    return np.asarray(np.cos(turn) * x + np.sin(turn) * y - rho)


def boundaries(board: Board, heard: Floats) -> list[int]:
    """Return the walls that bound the floor: all stations on one side of their line, heard well or going with others.

    A face heard by one station alone bounds the floor only if no parallel wall lies beyond it.
    """
    walls = [j for j, t in enumerate(board.things) if t.kind in FLAT and heard[j].sum() >= 2.5]
    places = board.soundings.place_m
    out = []
    for j in walls:
        wall = board.things[j]
        side = _side(wall, places[:, 0], places[:, 1])
        if side.min() * side.max() < -1e-4:
            continue
        stations = int(np.count_nonzero(heard[j] >= HEARD))
        span = _feet_span(wall, places[heard[j] >= HEARD])
        if stations >= 2 and (span > 0.2 or _goes_with(board, j, walls)):
            out.append(j)
    for j in walls:
        if j in out:
            continue
        wall = board.things[j]
        side = _side(wall, places[:, 0], places[:, 1])
        if side.min() * side.max() < -1e-4 or not _may_go_on(board, j):
            continue
        if _goes_with(board, j, out) and not _parallel_beyond(board, j, out):
            out.append(j)
    return out


def _may_go_on(board: Board, index: int) -> bool:
    """Return whether a face could as well be a wall: nobody who would hear more of it failed to."""
    wall = board.things[index]
    turn, rho, low, high, gain = wall.shape
    longer = np.array([wall.shape, (turn, rho, low - 0.4, high, gain), (turn, rho, low, high + 0.4, gain)])
    if high - low >= WALL_M:
        return True
    value = board.rate(board.rest(index), wall.kind, longer)
    return bool(value[1:].max() > value[0] - 2.0)


def _feet_span(wall: Thing, places: Floats) -> float:
    along = -math.sin(wall.shape[0]) * places[:, 0] + math.cos(wall.shape[0]) * places[:, 1]
    return float(np.ptp(along)) if along.size else 0.0


def _goes_with(board: Board, index: int, others: Sequence[int]) -> bool:
    turn = board.things[index].shape[0]
    return any(
        j != index and abs(math.remainder(turn - board.things[j].shape[0], 0.5 * math.pi)) < math.radians(6.0)
        for j in others
    )


def _parallel_beyond(board: Board, index: int, others: Sequence[int]) -> bool:
    wall = board.things[index]
    turn, rho, low, high = wall.shape[:4]
    middle = 0.5 * (low + high)
    x, y = math.cos(turn) * rho - math.sin(turn) * middle, math.sin(turn) * rho + math.cos(turn) * middle
    own = float(np.median(_side(wall, *board.soundings.place_m.T)))
    for j in others:
        other = board.things[j]
        if j == index or abs(math.remainder(turn - other.shape[0], math.pi)) > math.radians(15.0):
            continue
        # the other lies on the far side of this one, seen from the stations
        at = _side(other, x, y)
        stations = float(np.median(_side(other, *board.soundings.place_m.T)))
        same_way = float(at) * stations > 0.0 and abs(float(at)) > 0.1 and abs(stations) > abs(float(at))
        if same_way and own != 0.0:
            return True
    return False


def beyond(board: Board, walls: Sequence[int], x: float, y: float, hearing: Bools) -> int | None:
    """Return the bounding wall that a point lies behind, or on, from every station that hears it; None = none."""
    for j in walls:
        wall = board.things[j]
        places = board.soundings.place_m
        inner = float(np.median(_side(wall, places[:, 0], places[:, 1])))
        depth = float(_side(wall, x, y)) * (-1.0 if inner > 0.0 else 1.0)
        if depth > -ON_WALL_M:
            return j
    return None


def sort_things(board: Board, gains: Floats, size_m: float = 0.05) -> Sorted:
    """Return the fit's things as rows, merged and cleaned.

    Parameters
    ----------
    board : Board
        The finished fit.
    gains : (J,) array
        What each thing adds to the log likelihood.
    size_m : float
        Radius of a thing nobody has measured [m].
    """
    heard = heard_readings(board)
    bounds = boundaries(board, heard)
    several = board.soundings.place_m.shape[0] > 1
    ends = {j: wall_ends(board, j, heard) for j, t in enumerate(board.things) if t.kind in FLAT}
    free, walls, corners, ghosts = [], [], [], []
    for j, thing in enumerate(board.things):
        if thing.kind == "floor" or j < board.given:
            continue
        centre = _centre(board, j, ends, heard[j])
        claim = Claim(thing.kind, *centre, heard[j], float(gains[j]), (j,))
        if thing.kind in FLAT and (j in bounds or ends[j][1] - ends[j][0] >= WALL_M):
            walls.append(claim)
            continue
        if not several:
            free.append(claim)
            continue
        walled = _at_walls(board, thing, [j for j in ends if j in bounds]) >= 1
        if thing.kind == "corner" and (walled or _is_outermost(board, thing, ends, heard)):
            corners.append(claim)
            continue
        wall = beyond(board, bounds, *centre, heard[j] >= HEARD)
        if wall is not None:
            ghosts.append((claim, f"behind or on the wall at {_place(board, wall, ends)}"))
        elif heard[j].sum() < LEAST_READINGS:
            ghosts.append((claim, "too few readings"))
        else:
            free.append(claim)
    chance = _by_chance(board, walls) if several else []
    walls = [w for w in walls if w not in chance]
    ghosts += [(w, "a wall that two echoes fit by chance as well") for w in chance]
    merged = _merged(free) if several else _solid(free, OVERLAP * size_m)
    return Sorted(tuple(merged), tuple(walls), tuple(corners), tuple(ghosts), ends, tuple(w.members[0] for w in chance))


def _place(board: Board, wall: int, ends: dict[int, tuple[float, float]]) -> str:
    x, y = _middle(board.things[wall], ends[wall])
    return f"({x:.2f}, {y:.2f}) m"


def _middle(wall: Thing, ends: tuple[float, float]) -> tuple[float, float]:
    turn, rho = wall.shape[:2]
    m = 0.5 * (ends[0] + ends[1])
    return math.cos(turn) * rho - math.sin(turn) * m, math.sin(turn) * rho + math.cos(turn) * m


def _centre(board: Board, index: int, ends: dict[int, tuple[float, float]], heard: Floats) -> tuple[float, float]:
    """Return a thing's centre [m]; a short face's lies behind it."""
    thing = board.things[index]
    if thing.kind not in FLAT:
        return thing.middle_m
    x, y = _middle(thing, ends[index])
    if ends[index][1] - ends[index][0] >= WALL_M:
        return x, y
    # stations may stand on both sides of a box: the face looks at those that hear it
    side = float(heard @ np.sign(_side(thing, *board.soundings.place_m.T)))
    away = BEHIND_M if side < 0.0 else -BEHIND_M
    return x + away * math.cos(thing.shape[0]), y + away * math.sin(thing.shape[0])


def _at_walls(board: Board, corner: Thing, walls: Sequence[int]) -> int:
    return sum(abs(float(_side(board.things[j], *corner.shape[:2]))) < ON_WALL_M for j in walls)


def _by_chance(board: Board, walls: list[Claim]) -> list[Claim]:
    """Return the walls that two stations or fewer heard and that go with no others: any two echoes share a tangent.

    The walls that several stations heard come first, then the best heard; each is held against those before it.
    """
    sure: list[Claim] = []
    chance: list[Claim] = []
    for wall in sorted(walls, key=lambda w: (w.stations <= 2, -float(w.heard.sum()))):
        if sure and wall.stations <= 2:
            turn = np.array([board.things[w.members[0]].shape[0] for w in sure])
            # directions count modulo a right angle
            common = float(np.angle(np.array([w.heard.sum() for w in sure]) @ np.exp(4j * turn))) / 4.0
            if abs(math.remainder(board.things[wall.members[0]].shape[0] - common, 0.5 * math.pi)) > ODD_RAD:
                chance.append(wall)
                continue
        sure.append(wall)
    return chance


def _is_outermost(board: Board, corner: Thing, ends: dict[int, tuple[float, float]], heard: Floats) -> bool:
    """Return whether a corner stands outside all stations and other things: one of the floor's own corners.

    Only two walls that meet answer as loudly as a wall.
    """
    if abs(corner.shape[-1]) > LOUD_DB:
        return False
    places = board.soundings.place_m
    points = [tuple(p) for p in places]
    for j, t in enumerate(board.things):
        if t is corner or t.kind == "floor" or heard[j].sum() < LEAST_READINGS:
            continue
        points.append(_middle(t, ends[j]) if j in ends else t.middle_m)
    away = np.array(points) - np.array(corner.shape[:2])
    turn = np.sort(np.arctan2(away[:, 1], away[:, 0]))
    gaps = np.diff(np.r_[turn, turn[0] + 2.0 * math.pi])
    return bool(gaps.max() > OUTERMOST_RAD)


def _merged(claims: list[Claim]) -> list[Claim]:
    """Return claims with those of one box put together, the best heard first."""
    order = sorted(claims, key=lambda c: (-c.stations, -c.gain))
    groups: list[list[Claim]] = []
    for claim in order:
        for group in groups:
            lead = group[0]
            if math.hypot(claim.x_m - lead.x_m, claim.y_m - lead.y_m) < MERGE_M:
                group.append(claim)
                break
        else:
            groups.append([claim])
    return [_one(group) for group in groups]


def _solid(claims: list[Claim], apart_m: float) -> list[Claim]:
    """Return one station's claims with those that would stand inside each other put together.

    Near and far edge of a box, or a thing that is not round, answer at two ranges or at two bearings.
    """
    groups: list[list[Claim]] = []
    for claim in sorted(claims, key=lambda c: -c.gain):
        near = [g for g in groups if math.hypot(claim.x_m - g[0].x_m, claim.y_m - g[0].y_m) < apart_m]
        if near:
            near[0].append(claim)
        else:
            groups.append([claim])
    out = []
    for group in groups:
        heard = np.array([c.heard for c in group])
        places = np.array([(c.x_m, c.y_m) for c in group])
        x, y = np.average(places, axis=0, weights=heard.sum(axis=1)).tolist()
        members = tuple(m for c in group for m in c.members)
        gain = float(sum(c.gain for c in group))
        out.append(Claim(group[0].kind, x, y, heard.sum(axis=0), gain, members))
    return out


def _one(group: list[Claim]) -> Claim:
    if len(group) == 1:
        return group[0]
    lead = group[0]
    weight = np.array([max(1.0, c.stations) * (2.0 if c.kind == "post" else 1.0) for c in group])
    x, y = np.array([c.x_m for c in group]), np.array([c.y_m for c in group])
    heard = np.sum([c.heard for c in group], axis=0)
    gain = float(sum(c.gain for c in group))
    members = tuple(m for c in group for m in c.members)
    if lead.kind in ("post", "box") and lead.stations >= 2:
        return Claim(lead.kind, lead.x_m, lead.y_m, heard, gain, members)
    return Claim("cluster", float(weight @ x / weight.sum()), float(weight @ y / weight.sum()), heard, gain, members)


def heard_point(board: Board, index: int) -> tuple[float, float]:
    """Return where a thing of a fit stands: its centre, or a wall's middle as far as it was heard [m]."""
    thing = board.things[index]
    if thing.kind not in FLAT:
        return thing.middle_m
    return _middle(thing, wall_ends(board, index, heard_readings(board)))

"""Things worth trying: from echoes that nothing explains yet, and from pairs of arcs seen from different stations.

One arc alone can be a post anywhere along it or a wall square to it.  Two arcs of different stations meet in points
(a corner, or a post a radius deeper) and share tangents (a wall).  Floor axes [m], bearings [rad].
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.echo_model import Soundings

SAME_ARC_M = 0.02
ARC_GAP_RAD = math.radians(12.0)
ALONG_RAD = math.radians(4.0)  # posts are tried this far apart along an arc
BESIDE_RAD = math.radians(24.0)
OUTSIDE_RAD = math.radians(14.0)  # the cause of an arc may stand so far beyond its seen ends
WALL_HALF_M = (0.08, 0.3, 0.9)
ROUGH_DB = -20.0


@dataclass(frozen=True, slots=True)
class Arc:
    """Unexplained echoes of one station at one range: bearings from low to high, weight in effective pings."""

    station: int
    range_m: float
    low_rad: float
    high_rad: float
    weight: float

    @property
    def middle_rad(self) -> float:
        """Middle bearing [rad]."""
        return 0.5 * (self.low_rad + self.high_rad)


def open_arcs(s: Soundings, unexplained: Floats, least_weight: float) -> list[Arc]:
    """Return the arcs among echoes (H,) whose chance of having no cause yet is above one half."""
    found: list[Arc] = []
    at_station = s.station[s.ray]
    for station in range(s.place_m.shape[0]):
        mine = np.flatnonzero((at_station == station) & (unexplained > 0.5))
        if not mine.size:
            continue
        order = mine[np.argsort(s.range_m[mine])]
        cuts = np.flatnonzero(np.diff(s.range_m[order]) > SAME_ARC_M) + 1
        for group in np.split(order, cuts):
            for part in _narrow(s, group):
                found += _by_bearing(s, part, unexplained, station, least_weight)
    return found


def _narrow(s: Soundings, group: np.ndarray) -> list[np.ndarray]:
    """Return a chain of neighbouring ranges cut into pieces no deeper than a few centimetres."""
    ranges = s.range_m[group]
    deep = float(ranges[-1] - ranges[0])
    if deep <= 2.5 * SAME_ARC_M:
        return [group]
    pieces = math.ceil(deep / (2.0 * SAME_ARC_M))
    edges = np.searchsorted(ranges, ranges[0] + deep * np.arange(1, pieces) / pieces)
    return [p for p in np.split(group, edges) if p.size]


def _by_bearing(s: Soundings, part: np.ndarray, unexplained: Floats, station: int, least: float) -> list[Arc]:
    bearing = s.bearing_rad[s.ray[part]]
    part = part[np.argsort(bearing)]
    bearing = np.sort(bearing)
    out = []
    for piece in np.split(np.arange(part.size), np.flatnonzero(np.diff(bearing) > ARC_GAP_RAD) + 1):
        chosen = part[piece]
        weight = float((s.weight * unexplained)[chosen].sum())
        if weight >= least:
            ranges = s.range_m[chosen]
            out.append(
                Arc(station, float(np.median(ranges)), float(bearing[piece[0]]), float(bearing[piece[-1]]), weight)
            )
    return out


def single_candidates(s: Soundings, arcs: list[Arc], radius_m: float, walls: bool) -> dict[str, Floats]:
    """Return posts along each arc, and walls square to its middle, as shapes by kind."""
    posts, flats, corners = [], [], []
    for arc in arcs:
        px, py = s.place_m[arc.station]
        if walls:
            for b in (arc.low_rad, arc.middle_rad, arc.high_rad):
                corners.append((px + arc.range_m * math.cos(b), py + arc.range_m * math.sin(b), -9.0, 0.0))
        # what is left of an arc may lie well beside its cause, which then stands behind something nearer
        low, high = arc.low_rad - BESIDE_RAD, arc.high_rad + BESIDE_RAD
        step = ALONG_RAD if not walls else 2.0 * ALONG_RAD
        for b in np.linspace(low, high, max(3, round((high - low) / step) + 1)):
            d = arc.range_m + radius_m
            posts.append((px + d * math.cos(b), py + d * math.sin(b), math.log(radius_m), 0.0))
        if walls:
            b = arc.middle_rad
            for half in WALL_HALF_M:
                flats.append(_wall(px, py, b, arc.range_m, half))
    flat = _shapes(flats, 5)
    long = flat[flat[:, 3] - flat[:, 2] > 0.5]
    return {
        "post": _shapes(posts, 4),
        "corner": _shapes(corners, 4),
        "wall": flat,
        "rough": long + np.array([0.0, 0.0, 0.0, 0.0, ROUGH_DB]),
    }


def _wall(px: float, py: float, turn: float, r: float, half: float) -> tuple[float, ...]:
    along = -math.sin(turn) * px + math.cos(turn) * py
    rho = math.cos(turn) * px + math.sin(turn) * py + r
    return (turn, rho, along - half, along + half, 0.0)


def _shapes(rows: list[tuple[float, ...]], width: int) -> Floats:
    return np.array(rows, dtype=np.float64).reshape(-1, width)


def pair_candidates(s: Soundings, arcs: list[Arc], radius_m: float) -> dict[str, Floats]:
    """Return what two arcs of different stations have in common: posts, corners and walls, as shapes by kind."""
    if len(arcs) < 2:
        return {"post": np.zeros((0, 4)), "corner": np.zeros((0, 4)), "wall": np.zeros((0, 5))}
    at = np.array([a.station for a in arcs])
    i, j = np.nonzero(at[:, None] < at[None, :])
    place = s.place_m[at]
    r = np.array([a.range_m for a in arcs])
    posts = _meeting(place, r + radius_m, arcs, i, j)
    corners = _meeting(place, r, arcs, i, j)
    return {
        "post": np.column_stack([posts, np.full(len(posts), math.log(radius_m)), np.zeros(len(posts))]),
        "corner": np.column_stack([corners, np.full(len(corners), -9.0), np.zeros(len(corners))]),
        "wall": _tangents(place, r, arcs, i, j),
    }


def _on_arc(arcs: list[Arc], which: np.ndarray, bearing: Floats) -> np.ndarray:
    low, high = np.array([a.low_rad for a in arcs])[which], np.array([a.high_rad for a in arcs])[which]
    middle, half = 0.5 * (low + high), 0.5 * (high - low)
    off = bearing - middle
    off = np.abs(off - 2.0 * math.pi * np.rint(off / (2.0 * math.pi)))
    # a full arc's cause stands near its middle; a short one may be the rest of a masked one
    return np.asarray(off < np.maximum(half * 0.5, OUTSIDE_RAD))


def _meeting(place: Floats, r: Floats, arcs: list[Arc], i: np.ndarray, j: np.ndarray) -> Floats:
    """Return the (n, 2) points where circles meet, on both arcs."""
    d = place[j] - place[i]
    far = np.hypot(d[:, 0], d[:, 1])
    safe = np.maximum(far, 1e-9)
    along = (far**2 + r[i] ** 2 - r[j] ** 2) / (2.0 * safe)
    high2 = r[i] ** 2 - along**2
    # circles that miss each other by a hair still meet
    meets = (far > 0.05) & (high2 > -((0.06) ** 2))
    up = np.sqrt(np.maximum(high2, 0.0))
    unit = d / safe[:, None]
    out = []
    for sign in (1.0, -1.0):
        x = place[i, 0] + along * unit[:, 0] - sign * up * unit[:, 1]
        y = place[i, 1] + along * unit[:, 1] + sign * up * unit[:, 0]
        bi, bj = np.arctan2(y - place[i, 1], x - place[i, 0]), np.arctan2(y - place[j, 1], x - place[j, 0])
        good = meets & _on_arc(arcs, i, bi) & _on_arc(arcs, j, bj)
        out.append(np.column_stack([x, y])[good])
    return np.concatenate(out)


def _tangents(place: Floats, r: Floats, arcs: list[Arc], i: np.ndarray, j: np.ndarray) -> Floats:
    """Return walls that touch both circles from the same side, long enough for both feet."""
    d = place[j] - place[i]
    far = np.maximum(np.hypot(d[:, 0], d[:, 1]), 1e-9)
    ratio = (r[i] - r[j]) / far  # normal n with n.pi + ri = n.pj + rj
    base = np.arctan2(d[:, 1], d[:, 0])
    out = []
    for sign in (1.0, -1.0):
        turn = base + sign * np.arccos(np.clip(ratio, -1.0, 1.0))
        good = (np.abs(ratio) < 1.0) & (far > 0.05) & _on_arc(arcs, i, turn) & _on_arc(arcs, j, turn)
        t, a, b = turn[good], i[good], j[good]
        c, sn = np.cos(t), np.sin(t)
        rho = c * place[a, 0] + sn * place[a, 1] + r[a]
        ends = np.stack([-sn * place[a, 0] + c * place[a, 1], -sn * place[b, 0] + c * place[b, 1]])
        out.append(np.column_stack([t, rho, ends.min(axis=0) - 0.15, ends.max(axis=0) + 0.15, np.zeros(t.size)]))
    return np.concatenate(out)


def room_candidates(s: Soundings, arcs: list[Arc], walls: Floats, corners: Floats) -> dict[str, Floats]:
    """Return what rooms are made of: corners where walls (W, 5) cross, walls through corners (C, 2), walls along or
    square to known ones that would answer for an arc."""
    met, flats = [], []
    for a in range(len(walls)):
        for b in range(a + 1, len(walls)):
            point = crossing(walls[a], walls[b])
            if point is not None:
                met.append((*point, -9.0, 0.0))
    for a in range(len(corners)):
        for b in range(a + 1, len(corners)):
            d = corners[b] - corners[a]
            if math.hypot(*d) > 0.5:
                flats.append(_between(corners[a], corners[b]))
    directions = np.unique(np.round(np.mod(walls[:, 0], 0.5 * math.pi), 2)) if len(walls) else np.zeros(0)
    for arc in arcs:
        px, py = s.place_m[arc.station]
        for turn in (directions[:, None] + 0.5 * math.pi * np.arange(4)).ravel():
            off = abs(math.remainder(turn - arc.middle_rad, 2.0 * math.pi))
            if off < 0.5 * (arc.high_rad - arc.low_rad) + 0.5 * OUTSIDE_RAD:
                flats.append(_wall(px, py, float(turn), arc.range_m, WALL_HALF_M[1]))
                flats.append(_wall(px, py, float(turn), arc.range_m, WALL_HALF_M[2]))
    return {"corner": _shapes(met, 4), "wall": _shapes(flats, 5)}


def crossing(one: Floats, other: Floats) -> tuple[float, float] | None:
    """Return where the lines of two walls cross, None for nearly parallel ones [m]."""
    det = math.sin(other[0] - one[0])
    if abs(det) < 0.5:
        return None
    x = (one[1] * math.sin(other[0]) - other[1] * math.sin(one[0])) / det
    y = (other[1] * math.cos(one[0]) - one[1] * math.cos(other[0])) / det
    return float(x), float(y)


def _between(a: Floats, b: Floats) -> tuple[float, ...]:
    turn = math.atan2(b[1] - a[1], b[0] - a[0]) - 0.5 * math.pi
    c, s = math.cos(turn), math.sin(turn)
    ends = sorted((-s * a[0] + c * a[1], -s * b[0] + c * b[1]))
    return (turn, float(c * a[0] + s * a[1]), float(ends[0]), float(ends[1]), 0.0)

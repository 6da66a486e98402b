"""Things worth trying: from echoes that nothing explains yet, and from pairs of arcs seen from different stations.

One arc alone can be a post anywhere along it or a wall square to it.  Two arcs of different stations meet in points
(a corner, or a post a radius deeper) and share tangents (a wall).  Floor axes [m], bearings [rad].
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Floats, Ints
from sonargrid.finding.echo_model import Soundings
from sonargrid.finding.echo_order import Thing
from sonargrid.finding.plateaus import default_half_beam

SAME_ARC_M = 0.02
ARC_GAP_RAD = math.radians(12.0)
ALONG_RAD = math.radians(4.0)  # posts are tried this far apart along an arc
BESIDE_RAD = math.radians(24.0)
SLACK_RAD = math.radians(5.0)  # beams differ from the usual one
LOUD_HALF_RAD = math.radians(30.0)  # half beam of a smooth wall or a corner within a few metres
LEAST_SLACK_RAD = math.radians(8.0)
WALL_HALF_M = (0.3, 0.9)
BOX_HALF_M = (0.05, 0.07)  # along and across the beam
LEAST_SINE = 0.5  # of the angle between walls whose lines cross
MIRROR_M = 0.4  # shorter faces show no image
BOX_TURNS_RAD = (-0.5, 0.0, 0.5)
FLOOR_SHARE = 0.10  # of all bearings must hear an echo of the floor for it to be tried
FLOORS = 4  # ranges at which a floor is looked for
ROUGH_DB = -15.0
WEAKER_DB = (-6.0, -11.0, -16.0)
RECENT = 5  # members that make an arc's running median


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
    """Return the arcs among echoes (H,) whose chance of having no cause yet is above one half.

    Echoes are followed in order of bearing; each joins the arc whose last ranges it fits best, or opens one.
    """
    found: list[Arc] = []
    at_station = s.station[s.ray]
    for station in range(s.place_m.shape[0]):
        mine = np.flatnonzero((at_station == station) & (unexplained > 0.5))
        bearing = s.bearing_rad[s.ray[mine]]
        order = np.argsort(bearing, kind="stable")
        weight = (s.weight * unexplained)[mine]
        live: list[list[int]] = []
        done: list[list[int]] = []
        for n in order:
            z, b = s.range_m[mine[n]], bearing[n]
            done += [arc for arc in live if b - bearing[arc[-1]] > ARC_GAP_RAD]
            live = [arc for arc in live if b - bearing[arc[-1]] <= ARC_GAP_RAD]
            off = [abs(float(np.median(s.range_m[mine[arc[-RECENT:]]])) - z) for arc in live]
            best = int(np.argmin(off)) if off else -1
            if best >= 0 and off[best] <= SAME_ARC_M:
                live[best].append(int(n))
            else:
                live.append([int(n)])
        for arc in done + live:
            if weight[arc].sum() >= least_weight:
                middle = float(np.median(s.range_m[mine[arc]]))
                found.append(
                    Arc(station, middle, float(bearing[arc[0]]), float(bearing[arc[-1]]), float(weight[arc].sum()))
                )
    return found


def _eighths(s: Soundings) -> Ints:
    """Return (M,) which eighth of which station's sweep each ray belongs to, numbered through."""
    part = np.zeros(s.station.size, dtype=np.int64)
    done = 0
    for station in range(s.place_m.shape[0]):
        mine = np.flatnonzero(s.station == station)
        for rays in np.array_split(mine[np.argsort(s.bearing_rad[mine])], 8):
            part[rays] = done
            done += int(rays.size > 0)
    return part


def floor_candidates(s: Soundings) -> Floats:
    """Return (n, 4) floor echoes: the ranges that the widest spread of bearings hears."""
    part = _eighths(s)
    parts = int(part.max()) + 1
    bins = np.floor(s.range_m / SAME_ARC_M).astype(np.int64)
    rows = []
    for b in np.unique(bins):
        mine = (bins == b) | (bins == b + 1)
        rays = np.unique(s.ray[mine])
        share = rays.size / s.station.size
        # a floor is heard wherever nothing nearer answers, a row of things of one range only here and there
        if share > FLOOR_SHARE and 2 * np.unique(part[rays]).size >= parts:
            odds = math.log(max(share, 1e-3) / max(1.0 - share, 1e-3))
            rows.append((share, float(np.median(s.range_m[mine])), 1.5 * odds))
    rows.sort(reverse=True)
    apart = [row for n, row in enumerate(rows) if all(abs(row[1] - r) > 0.5 * SAME_ARC_M for _, r, _ in rows[:n])]
    return _shapes([(r, 0.0, 0.0, margin) for _, r, margin in apart[:FLOORS]], 4)


def single_candidates(s: Soundings, arcs: list[Arc], radius_m: float, walls: bool) -> dict[str, Floats]:
    """Return posts along each arc, walls and boxes square to it, as shapes by kind."""
    posts, flats, corners, boxes = [], [], [], []
    for arc in arcs:
        px, py = s.place_m[arc.station]
        if walls:
            for b in (arc.low_rad, arc.middle_rad, arc.high_rad):
                corners.append((px + arc.range_m * math.cos(b), py + arc.range_m * math.sin(b), -9.0, 0.0))
                d = arc.range_m + BOX_HALF_M[0]
                x, y = px + d * math.cos(b), py + d * math.sin(b)
                boxes += [(x, y, b + turn, *BOX_HALF_M, 0.0) for turn in BOX_TURNS_RAD]
        # what is left of an arc may lie well beside its cause, which then stands behind something nearer
        slack = _slack(arc, True) if walls else 0.5 * (arc.high_rad - arc.low_rad) + BESIDE_RAD
        step = ALONG_RAD if not walls else 1.5 * ALONG_RAD
        for b in arc.middle_rad + np.linspace(-slack, slack, max(3, round(2.0 * slack / step) + 1)):
            d = arc.range_m + radius_m
            posts.append((px + d * math.cos(b), py + d * math.sin(b), math.log(radius_m), 0.0))
            if not walls and abs(b - arc.middle_rad) < 0.5 * (arc.high_rad - arc.low_rad):
                posts += [(px + d * math.cos(b), py + d * math.sin(b), math.log(radius_m), w) for w in WEAKER_DB]
            if not walls:
                # from one place a wall or an inner corner is a point that answers loudly
                corners.append((px + arc.range_m * math.cos(b), py + arc.range_m * math.sin(b), -9.0, 0.0))
        if walls:
            b = arc.middle_rad
            for half in WALL_HALF_M:
                flats.append(_wall(px, py, b, arc.range_m, half))
    flat = _shapes(flats, 5)
    long = flat[flat[:, 3] - flat[:, 2] > 0.5]
    return {
        "post": _shapes(posts, 4),
        "corner": _shapes(corners, 4),
        "box": _shapes(boxes, 6),
        "wall": flat,
        "rough": long + np.array([0.0, 0.0, 0.0, 0.0, ROUGH_DB]),
    }


def _wall(px: float, py: float, turn: float, r: float, half: float) -> tuple[float, ...]:
    along = -math.sin(turn) * px + math.cos(turn) * py
    rho = math.cos(turn) * px + math.sin(turn) * py + r
    return (turn, rho, along - half, along + half, 0.0)


def _shapes(rows: Sequence[tuple[float, ...]], width: int) -> Floats:
    return np.array(rows, dtype=np.float64).reshape(-1, width)


def pair_candidates(s: Soundings, arcs: list[Arc], radius_m: float) -> dict[str, Floats]:
    """Return what two arcs of different stations have in common: posts, corners and walls, as shapes by kind."""
    if len(arcs) < 2:
        return {"post": np.zeros((0, 4)), "corner": np.zeros((0, 4)), "wall": np.zeros((0, 5))}
    at = np.array([a.station for a in arcs])
    i, j = np.nonzero(at[:, None] < at[None, :])
    place = s.place_m[at]
    r = np.array([a.range_m for a in arcs])
    posts = _meeting(place, r + radius_m, arcs, i, j, True)
    corners = _meeting(place, r, arcs, i, j, False)
    return {
        "post": np.column_stack([posts, np.full(len(posts), math.log(radius_m)), np.zeros(len(posts))]),
        "corner": np.column_stack([corners, np.full(len(corners), -9.0), np.zeros(len(corners))]),
        "wall": _tangents(place, r, arcs, i, j),
    }


def _slack(arc: Arc, is_post: bool) -> float:
    """Return how far from an arc's middle its cause may stand [rad]: what is missing of a whole beam may be masked."""
    beam = float(default_half_beam(arc.range_m)) + SLACK_RAD if is_post else LOUD_HALF_RAD
    return max(LEAST_SLACK_RAD, beam - 0.5 * (arc.high_rad - arc.low_rad))


def _on_arc(arcs: list[Arc], which: np.ndarray, bearing: Floats, is_post: bool) -> np.ndarray:
    middle = np.array([a.middle_rad for a in arcs])[which]
    slack = np.array([_slack(a, is_post) for a in arcs])[which]
    off = bearing - middle
    off = np.abs(off - 2.0 * math.pi * np.rint(off / (2.0 * math.pi)))
    return np.asarray(off < slack)


def _meeting(place: Floats, r: Floats, arcs: list[Arc], i: np.ndarray, j: np.ndarray, is_post: bool) -> Floats:
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
        good = meets & _on_arc(arcs, i, bi, is_post) & _on_arc(arcs, j, bj, is_post)
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
        good = (np.abs(ratio) < 1.0) & (far > 0.05) & _on_arc(arcs, i, turn, False) & _on_arc(arcs, j, turn, False)
        t, a, b = turn[good], i[good], j[good]
        c, sn = np.cos(t), np.sin(t)
        rho = c * place[a, 0] + sn * place[a, 1] + r[a]
        ends = np.stack([-sn * place[a, 0] + c * place[a, 1], -sn * place[b, 0] + c * place[b, 1]])
        out.append(np.column_stack([t, rho, ends.min(axis=0) - 0.15, ends.max(axis=0) + 0.15, np.zeros(t.size)]))
    return np.concatenate(out)


def room_candidates(
    s: Soundings, arcs: list[Arc], walls: Floats, corners: Floats, posts: Sequence[Thing] = ()
) -> dict[str, Floats]:
    """Return what rooms are made of: corners where walls (W, 5) cross, walls through corners (C, 2), walls along or
    square to known ones that would answer for an arc, images of posts in walls."""
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
            if off < _slack(arc, False):
                flats.append(_wall(px, py, float(turn), arc.range_m, WALL_HALF_M[0]))
                flats.append(_wall(px, py, float(turn), arc.range_m, WALL_HALF_M[1]))
    return {"corner": _shapes(met, 4), "wall": _shapes(flats, 5), "post": mirrored(walls, posts)}


def crossings(walls: Floats) -> Floats:
    """Return (n, 2) where the lines of walls (W, 5) cross each other, nearly parallel ones left out [m]."""
    i, j = np.triu_indices(len(walls), 1)
    turn, rho = walls[:, 0], walls[:, 1]
    det = np.sin(turn[j] - turn[i])
    kept = np.abs(det) >= LEAST_SINE
    i, j, det = i[kept], j[kept], det[kept]
    c, s = np.cos(turn), np.sin(turn)
    return np.stack([(rho[i] * s[j] - rho[j] * s[i]) / det, (rho[j] * c[i] - rho[i] * c[j]) / det], axis=1)


def crossing(one: Floats, other: Floats) -> tuple[float, float] | None:
    """Return where the lines of two walls cross, None for nearly parallel ones [m]."""
    det = math.sin(other[0] - one[0])
    if abs(det) < LEAST_SINE:
        return None
    x = (one[1] * math.sin(other[0]) - other[1] * math.sin(one[0])) / det
    y = (other[1] * math.cos(one[0]) - one[1] * math.cos(other[0])) / det
    return float(x), float(y)


def mirrored(walls: Floats, posts: Sequence[Thing]) -> Floats:
    """Return (W * P, 4) the images of posts in walls (W, 5) long enough to show one."""
    long = walls[walls[:, 3] - walls[:, 2] > MIRROR_M] if len(walls) else walls
    shapes = np.array([t.shape for t in posts]).reshape(-1, 4)
    if not len(long) or not len(shapes):
        return np.zeros((0, 4))
    c, s = np.cos(long[:, 0:1]), np.sin(long[:, 0:1])
    depth = 2.0 * (long[:, 1:2] - c * shapes[:, 0] - s * shapes[:, 1])
    x, y = shapes[:, 0] + depth * c, shapes[:, 1] + depth * s
    same = np.broadcast_to(shapes[:, 2], x.shape)
    return np.stack([x, y, same, np.zeros_like(x)], axis=-1).reshape(-1, 4)


def _between(a: Floats, b: Floats) -> tuple[float, ...]:
    turn = math.atan2(b[1] - a[1], b[0] - a[0]) - 0.5 * math.pi
    c, s = math.cos(turn), math.sin(turn)
    ends = sorted((-s * a[0] + c * a[1], -s * b[0] + c * b[1]))
    return (turn, float(c * a[0] + s * a[1]), float(ends[0]), float(ends[1]), 0.0)

"""Walls, posts and corners that several stations share, found in their sightings while the poses are still uncertain.

A wall answers from the foot of the perpendicular: one line, touched by every station's circle of range.  A post or a
corner answers from one point: circles of range that meet in it, but for the radius.  `find_landmarks` tries the lines
and points that single sightings and pairs of them suggest, keeps the one that most stations agree on, sets its
sightings aside and goes on.  Of an arc's edges the free ones tell where the thing stands, the others only where it
does not.  Floor axes [m], bearings [rad].
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Bools, Floats, Ints
from sonargrid.finding.echo_order import Thing
from sonargrid.physics.geometry import wrap
from sonargrid.stations.sightings import EDGE_SIGMA_RAD, Sightings

WALL, POST, CORNER = 0, 1, 2
CHANCE_DENSITY = 0.12  # of an echo from nothing shared: a room of 3 m, a half circle [1 / (m rad)]
COST = 7.5  # what a landmark must explain beyond chance: its own two or three numbers [nats]
RADIUS_M, RADIUS_SIGMA_M = 0.04, 0.02  # of a post
LARGEST_M = 0.12
MOST_SEEDS = 6000
FREEDOM = 4.0  # of the t density of what is left over
LOUD_EDGE = 1.8  # the edge of a wall's or corner's arc is so much less sharp than a post's
BELIEVED = {WALL: 1e-8, POST: RADIUS_SIGMA_M**-2, CORNER: 1e8}  # weight of the third number's prior


@dataclass(frozen=True, slots=True)
class Landmarks:
    """F things: kind (F,) `WALL`, `POST` or `CORNER`; shape (F, 3).

    A wall is (direction of its normal [rad], distance from the origin along it [m], unused), the others (x, y, radius).
    """

    kind: Ints
    shape: Floats

    def __len__(self) -> int:
        return int(self.kind.size)

    def only(self, kept: Bools | Ints) -> Landmarks:
        """Return some of them."""
        return Landmarks(self.kind[kept], self.shape[kept])

    def prior(self) -> tuple[Floats, Floats]:
        """Return weight (F, 3) and pull (F, 3) of what is believed of their numbers beforehand."""
        weight = np.full((len(self), 3), 1e-8)
        weight[:, 2] = np.array([BELIEVED[int(k)] for k in self.kind]).reshape(-1)
        wanted = np.where(self.kind == POST, RADIUS_M, 0.0)
        pull = np.zeros_like(weight)
        pull[:, 2] = weight[:, 2] * (wanted - self.shape[:, 2])
        return weight, pull

    def changed(self, step: Floats) -> Landmarks:
        """Return them after a step (F, 3), radii held within bounds."""
        shape = self.shape + step
        shape[:, 2] = np.where(self.kind == POST, np.clip(shape[:, 2], 0.0, LARGEST_M), 0.0)
        return Landmarks(self.kind, shape)


def joined(parts: list[Landmarks]) -> Landmarks:
    """Return several groups as one."""
    if not parts:
        return Landmarks(np.zeros(0, dtype=np.int64), np.zeros((0, 3)))
    return Landmarks(np.concatenate([p.kind for p in parts]), np.concatenate([p.shape for p in parts]))


def expected(marks: Landmarks, x_m: Floats, y_m: Floats) -> tuple[Floats, Floats]:
    """Return range [m] and bearing on the floor [rad] at which F landmarks answer to P faces, (F, P) each."""
    a, b, c = (marks.shape[:, k : k + 1] for k in range(3))
    wall = marks.kind[:, None] == WALL
    away = b - np.cos(a) * x_m - np.sin(a) * y_m
    dx, dy = a - x_m, b - y_m
    range_m = np.where(wall, np.abs(away), np.hypot(dx, dy) - c)
    bearing = np.where(wall, a + math.pi * (away < 0.0), np.arctan2(dy, dx))
    return range_m, bearing


def left_over(marks: Landmarks, seen: Sightings, poses: Floats, wider: float = 0.0) -> tuple[Floats, Floats, Floats]:
    """Return what is left over (F, P) each: range [m], and how far the arc's left and right edge stick out [rad].

    A free edge may stick out or fall short; one that a nearer echo or the sweep's end cuts can only stick out.

    wider : by how much the beam is wider than was thought [rad]
    """
    x, y, heading = seen.faces(poses)
    range_m, towards = expected(marks, x, y)
    half = np.where(marks.kind[:, None] == POST, seen.quiet_rad, seen.loud_rad) + wider
    middle = 0.5 * (seen.left_rad + seen.right_rad)
    turned = wrap(heading + middle - towards)
    reach = 0.5 * (seen.left_rad - seen.right_rad) - half
    left, right = turned + reach, reach - turned
    left = np.where(seen.free_left > 0.5, left, np.maximum(left, 0.0))
    right = np.where(seen.free_right > 0.5, right, np.maximum(right, 0.0))
    return seen.range_m - range_m, left, right


def agreement(
    marks: Landmarks, seen: Sightings, poses: Floats, spread: tuple[Floats, Floats], wider: float = 0.0
) -> Floats:
    """Return by how much each landmark explains each sighting better than chance does [nats], (F, P), not below 0.

    spread : (P,) sigmas of range [m] and of an edge [rad]
    """
    off, left, right = left_over(marks, seen, poses, wider)
    half = np.where(marks.kind[:, None] == POST, seen.quiet_rad, seen.loud_rad)
    window = np.maximum(2.0 * half - (seen.left_rad - seen.right_rad), 0.0)
    free = seen.free_left + seen.free_right
    edge = spread[1] * edge_factor(marks.kind)[:, None]
    # how wide a range of bearings would have done as well
    loose = np.where(free > 0.5, math.sqrt(2.0 * math.pi) * edge / np.sqrt(np.maximum(free, 1.0)), window)
    loose = np.maximum(loose, math.sqrt(2.0 * math.pi) * edge / math.sqrt(2.0))
    nats = (
        -0.5
        * (FREEDOM + 1.0)
        * sum(np.log1p((e / s) ** 2 / FREEDOM) for e, s in ((off, spread[0]), (left, edge), (right, edge)))
    )
    nats = nats - np.log(math.sqrt(2.0 * math.pi) * CHANCE_DENSITY * spread[0] * loose)
    return np.asarray(np.maximum(nats, 0.0))


def edge_factor(kind: Ints) -> Floats:
    """Return by how much more loosely a loud thing's edges are seen than a post's."""
    return np.where(kind == POST, 1.0, LOUD_EDGE)


def spreads(seen: Sightings, doubts: Floats, share: float = 1.0) -> tuple[Floats, Floats]:
    """Return (P,) sigmas of range [m] and of an edge [rad], a share of the poses' doubts (S, 3) included."""
    of = share * doubts[seen.station]
    place = np.hypot(of[:, 0], of[:, 1]) / math.sqrt(2.0)
    return np.hypot(seen.range_sigma_m, place), np.hypot(EDGE_SIGMA_RAD, of[:, 2])


def one_each(nats: Floats, station: Ints) -> tuple[Ints, Ints]:
    """Return (landmark, sighting) pairs: a landmark answers once to a station, a sighting has one cause; best first."""
    f, p = np.nonzero(nats > 0.0)
    order = np.argsort(-nats[f, p], kind="stable")
    taken_f: set[tuple[int, int]] = set()
    taken_p: set[int] = set()
    pairs = []
    for k in order:
        key = int(f[k]), int(station[p[k]])
        if key in taken_f or int(p[k]) in taken_p:
            continue
        taken_f.add(key)
        taken_p.add(int(p[k]))
        pairs.append((int(f[k]), int(p[k])))
    found = np.array(sorted(pairs), dtype=np.int64).reshape(-1, 2)
    return found[:, 0], found[:, 1]


def _single_seeds(seen: Sightings, poses: Floats) -> list[Landmarks]:
    x, y, heading = seen.faces(poses)
    none = np.zeros_like(x)
    loud, quiet = heading + seen.bearing(seen.loud_rad)[0], heading + seen.bearing(seen.quiet_rad)[0]
    rho = np.cos(loud) * x + np.sin(loud) * y + seen.range_m
    out = [Landmarks(np.full(x.size, WALL), np.stack([loud, rho, none], axis=1))]
    for kind, at, a in ((CORNER, loud, 0.0), (POST, quiet, RADIUS_M)):
        reach = seen.range_m + a
        shape = np.stack([x + np.cos(at) * reach, y + np.sin(at) * reach, none + a], axis=1)
        out.append(Landmarks(np.full(x.size, kind), shape))
    return out


def _pairs(seen: Sightings, poses: Floats) -> tuple[Ints, Ints, Floats, Floats]:
    """Return pairs of sightings of different stations, their faces' distance [m] and direction [rad]."""
    x, y, _ = seen.faces(poses)
    i, j = np.triu_indices(len(seen), 1)
    dx, dy = x[j] - x[i], y[j] - y[i]
    kept = (seen.station[i] != seen.station[j]) & (np.hypot(dx, dy) > 0.05)
    return i[kept], j[kept], np.hypot(dx, dy)[kept], np.arctan2(dy, dx)[kept]


def _pair_seeds(seen: Sightings, poses: Floats, doubts: Floats) -> list[Landmarks]:
    """Return tangents and crossings of two circles of range from different stations, near the bearings seen."""
    x, y, heading = seen.faces(poses)
    i, j, d, base = _pairs(seen, poses)
    out = []
    for kind, half, a in ((WALL, seen.loud_rad, 0.0), (CORNER, seen.loud_rad, 0.0), (POST, seen.quiet_rad, RADIUS_M)):
        at, sigma = seen.bearing(half)
        at, slack = heading + at, 2.5 * np.hypot(sigma, doubts[seen.station, 2])
        ri, rj = seen.range_m[i] + a, seen.range_m[j] + a
        cosine = (ri - rj) / d if kind == WALL else (ri * ri + d * d - rj * rj) / (2.0 * ri * d)
        for sign in (1.0, -1.0):
            near = np.flatnonzero(np.abs(cosine) <= 1.0)
            turn = base[near] + sign * np.arccos(cosine[near])
            p, q = i[near], j[near]
            px, py = x[p] + ri[near] * np.cos(turn), y[p] + ri[near] * np.sin(turn)
            other = turn if kind == WALL else np.arctan2(py - y[q], px - x[q])
            fits = (np.abs(wrap(turn - at[p])) < slack[p]) & (np.abs(wrap(other - at[q])) < slack[q])
            first, second = (turn, np.cos(turn) * px + np.sin(turn) * py) if kind == WALL else (px, py)
            shape = np.stack([first, second, np.full(turn.size, a)], axis=1)[fits]
            out.append(Landmarks(np.full(shape.shape[0], kind), shape))
    return out


def slopes(marks: Landmarks, which: Ints, x_m: Floats, y_m: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Return how expected range and bearing of pairs change with the face's x, y and the landmark's numbers.

    Parameters
    ----------
    which : (N,) landmark of each pair
    x_m, y_m : (N,) face of each pair

    Returns
    -------
    range by face (N, 2), bearing by face (N, 2), range by shape (N, 3), bearing by shape (N, 3)
    """
    a, b, _ = marks.shape[which].T
    wall = (marks.kind[which] == WALL)[:, None]
    ca, sa = np.cos(a), np.sin(a)
    side = np.where(b - ca * x_m - sa * y_m < 0.0, -1.0, 1.0)
    dx, dy = a - x_m, b - y_m
    d = np.maximum(np.hypot(dx, dy), 1e-6)
    ux, uy = dx / d, dy / d
    zero, one = np.zeros_like(a), np.ones_like(a)
    range_face = np.where(wall, np.stack([-side * ca, -side * sa], axis=1), np.stack([-ux, -uy], axis=1))
    bearing_face = np.where(wall, 0.0, np.stack([uy / d, -ux / d], axis=1))
    wall_range = np.stack([side * (sa * x_m - ca * y_m), side, zero], axis=1)
    range_shape = np.where(wall, wall_range, np.stack([ux, uy, -one], axis=1))
    wall_bearing = np.stack([one, zero, zero], axis=1)
    bearing_shape = np.where(wall, wall_bearing, np.stack([-uy / d, ux / d, zero], axis=1))
    return range_face, bearing_face, range_shape, bearing_shape


def _refined(mark: Landmarks, seen: Sightings, poses: Floats, mine: Ints, spread: tuple[Floats, Floats]) -> Landmarks:
    """Return one landmark fitted to its sightings, the poses held still but doubted."""
    some = seen.only(mine)
    sigma_r, sigma_e = spread[0][mine], spread[1][mine] * float(edge_factor(mark.kind)[0])
    x, y, _ = some.faces(poses)
    for _ in range(4):
        off, left, right = (part[0] for part in left_over(mark, some, poses))
        _, _, by_range, by_bearing = slopes(mark, np.zeros(mine.size, dtype=np.int64), x, y)
        # an edge that satisfies its bound pulls at nothing
        pull_left = ((some.free_left > 0.5) | (left > 0.0))[:, None] * by_bearing / sigma_e[:, None]
        pull_right = ((some.free_right > 0.5) | (right > 0.0))[:, None] * -by_bearing / sigma_e[:, None]
        rows = np.concatenate([by_range / sigma_r[:, None], pull_left, pull_right])
        left_off = np.concatenate([off / sigma_r, left / sigma_e, right / sigma_e])
        weight, pull = mark.prior()
        normal = rows.T @ rows + np.diag(weight[0] + np.array([1e-3, 1e-3, 0.0]))
        mark = mark.changed(np.linalg.solve(normal, rows.T @ left_off + pull[0])[None])
    return mark


def find_landmarks(
    seen: Sightings, poses: Floats, doubts: Floats, wider: float = 0.0, least: float = COST
) -> Landmarks:
    """Return the walls, posts and corners that at least two stations share, the best supported first.

    Parameters
    ----------
    seen : Sightings
    poses : (S, 3) array
        Where the stations are thought to be.
    doubts : (S, 3) array
        How uncertain each of those numbers is.
    wider : float
        By how much the beam is wider than was thought [rad].
    least : float
        What a landmark must explain beyond chance [nats].
    """
    if len(seen) < 2:
        return joined([])
    seeds = joined(_single_seeds(seen, poses) + _pair_seeds(seen, poses, doubts))
    if len(seeds) > MOST_SEEDS:  # many stations suggest one line again and again: an even choice loses nothing
        seeds = seeds.only(np.linspace(0, len(seeds) - 1, MOST_SEEDS).astype(np.int64))
    spread = spreads(seen, doubts)
    # a seed carries the doubts of the sightings that it was made from
    nats = agreement(seeds, seen, poses, (1.5 * spread[0], 1.5 * spread[1]), wider)
    starts = np.flatnonzero(np.r_[True, np.diff(seen.station) > 0])
    ends = np.r_[starts[1:], len(seen)]
    found: list[Landmarks] = []
    while True:
        best = np.maximum.reduceat(nats, starts, axis=1)
        total = np.where((best > 0.0).sum(axis=1) >= 2, best.sum(axis=1), 0.0)
        top = int(np.argmax(total))
        if total[top] < least:
            return joined(found)
        mine = np.array([s + int(np.argmax(nats[top, s:e])) for s, e in zip(starts, ends, strict=True)])
        mine = mine[nats[top, mine] > 0.0]
        mark = _refined(seeds.only(np.array([top])), seen, poses, mine, spread)
        again = agreement(mark, seen, poses, spread, wider)[0]
        held = mine[again[mine] > 0.0]
        if held.size >= 2 and float(again[held].sum()) >= least:
            found.append(mark)
            nats[:, held] = 0.0
        nats[top] = 0.0


def landmarks_of(things: Sequence[Thing]) -> Landmarks:
    """Return the smooth walls, posts and corners of a fit of all pings as landmarks."""
    kind, shape = [], []
    for thing in things:
        if thing.kind == "wall":
            kind.append(WALL)
            shape.append((thing.shape[0], thing.shape[1], 0.0))
        elif thing.kind in ("post", "corner"):
            kind.append(POST if thing.kind == "post" else CORNER)
            radius = min(LARGEST_M, math.exp(thing.shape[2])) if thing.kind == "post" else 0.0
            shape.append((thing.shape[0], thing.shape[1], radius))
    return Landmarks(np.array(kind, dtype=np.int64), np.array(shape, dtype=np.float64).reshape(-1, 3))


def seen_again(marks: Landmarks, seen: Sightings, poses: Floats, doubts: Floats, wider: float = 0.0) -> Landmarks:
    """Return those landmarks that sightings show, fitted to them from given poses."""
    if not len(marks) or not len(seen):
        return joined([])
    spread = spreads(seen, doubts)
    which, sight = one_each(agreement(marks, seen, poses, spread, wider), seen.station)
    found = [_refined(marks.only(np.array([f])), seen, poses, sight[which == f], spread) for f in np.unique(which)]
    return joined(found)

"""Free floor needs a witness: an echo that a listed thing explains, heard across that floor.

A smooth wall that nobody met square on sends the sound on, and what comes back, of a mirror image or by several turns,
makes floor look free that no sound has crossed.  Such echoes fit no thing that could be listed.  What only they vouch
for, outside the round of the stations and the listed things, is not free but unknown.  Floor axes [m], bearings [rad].
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Bools, Floats, Ints, frozen
from sonargrid.finding.echo_board import Board
from sonargrid.maps.grid import LogOddsGrid
from sonargrid.runs.readings import Pings

SURE = 0.5  # share of an echo that listed things must explain
BESIDE_RAD = math.radians(8.0)  # so far beside its axis and its cause an echo vouches for floor; benchmarks/README.md
STEP_RAD = math.radians(0.5)  # of the table of bearings
ROUND_M = 0.35  # so far round stations and things floor is believed; benchmarks/README.md, Floor that nobody saw
DIRECTIONS = 64  # of the round's sides

Points = Sequence[tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Witnesses:
    """Echoes that listed things explain, (n,) each.

    station : number of the place, counted as the fit does
    x_m, y_m, bearing_rad : the ranger's face and its axis
    range_m : how far the floor before it was crossed
    low_rad, high_rad : from where to where it was crossed, counted from the axis
    """

    station: Ints
    x_m: Floats
    y_m: Floats
    bearing_rad: Floats
    range_m: Floats
    low_rad: Floats
    high_rad: Floats

    def __post_init__(self) -> None:
        object.__setattr__(self, "station", frozen(self.station, np.int64))
        for name in ("x_m", "y_m", "bearing_rad", "range_m", "low_rad", "high_rad"):
            object.__setattr__(self, name, frozen(getattr(self, name)))


def witnesses(board: Board, listed: Sequence[int]) -> Witnesses:
    """Return the echoes that the board's listed things explain, each for the floor between its axis and its cause."""
    s, which = board.soundings, np.array(listed, dtype=np.int64)
    share = board.shares()[which]
    told = np.flatnonzero(share.sum(axis=0) > SURE)
    ray = s.ray[told]
    cause = board.answering_m()[which[np.argmax(share[:, told], axis=0)] if told.size else which[:0], s.station[ray]]
    off = np.arctan2(cause[:, 1] - s.y_m[ray], cause[:, 0] - s.x_m[ray]) - s.bearing_rad[ray]
    off = np.remainder(off + math.pi, 2.0 * math.pi) - math.pi
    of_ray = (s.station[ray], s.x_m[ray], s.y_m[ray], s.bearing_rad[ray], s.range_m[told])
    return Witnesses(*of_ray, np.minimum(off, 0.0) - BESIDE_RAD, np.maximum(off, 0.0) + BESIDE_RAD)


def with_silence(seen: Witnesses, pings: Pings, reach_m: float, half_rad: float) -> Witnesses:
    """Return witnesses with the silent pings among them: on open floor, nothing heard is nothing there.

    Silent stations are numbered on from the others; their places are what counts.
    """
    rays = pings.rays
    ray = np.unique(pings.ray[pings.silent])
    _, place = np.unique(np.round(np.stack([rays.x_m[ray], rays.y_m[ray]]), 3), axis=1, return_inverse=True)
    first = int(seen.station.max(initial=-1)) + 1
    half = np.full(ray.size, half_rad)
    return Witnesses(
        np.concatenate([seen.station, first + np.asarray(place, dtype=np.int64).reshape(-1)]),
        np.concatenate([seen.x_m, rays.x_m[ray]]),
        np.concatenate([seen.y_m, rays.y_m[ray]]),
        np.concatenate([seen.bearing_rad, rays.bearing_rad[ray]]),
        np.concatenate([seen.range_m, np.full(ray.size, reach_m)]),
        np.concatenate([seen.low_rad, -half]),
        np.concatenate([seen.high_rad, half]),
    )


def unwitnessed(grid: LogOddsGrid, seen: Witnesses, known: Points = ()) -> Bools:
    """Return the cells (rows, columns) that look free, but lie before no witness and outside the round of `known`.

    Parameters
    ----------
    grid : LogOddsGrid
        Free where its log-odds are below 0.
    known : sequence of (x, y)
        Stations and listed things [m]; what lies between them, or `ROUND_M` round them, lies behind no wall.
    seen : Witnesses
        A station's echoes are taken to start from the mean of its faces, which lie a few centimetres apart.
    """
    out = np.zeros(grid.frame.shape, dtype=bool)
    row, column = np.nonzero(grid.log_odds < 0.0)
    for station in np.unique(seen.station):
        mine = seen.station == station
        far = _farthest(seen, mine)
        x, y = grid.frame.centre_of(row, column)
        dx, dy = x - seen.x_m[mine].mean(), y - seen.y_m[mine].mean()
        at = np.floor(np.arctan2(dy, dx) / STEP_RAD).astype(np.int64) % far.size
        left = np.hypot(dx, dy) > far[at]
        row, column = row[left], column[left]
    x, y = grid.frame.centre_of(row, column)
    outside = _outside(known, x, y)
    out[row[outside], column[outside]] = True
    return out


def _outside(points: Points, x_m: Floats, y_m: Floats) -> Bools:
    """Return which places lie farther than `ROUND_M` from the convex round of points; all if there are none."""
    outside = np.full(x_m.shape, not points)
    px, py = np.array(points, dtype=np.float64).reshape(-1, 2).T
    for turn in np.arange(DIRECTIONS if len(points) else 0) * (2.0 * math.pi / DIRECTIONS):
        ux, uy = math.cos(turn), math.sin(turn)
        outside |= ux * x_m + uy * y_m > float((ux * px + uy * py).max()) + ROUND_M
    return outside


def _farthest(seen: Witnesses, mine: Bools) -> Floats:
    """Return how far the witnesses of a station vouch for the floor [m], by bearing in steps from 0."""
    far = np.zeros(round(2.0 * math.pi / STEP_RAD))
    first = np.floor((seen.bearing_rad[mine] + seen.low_rad[mine]) / STEP_RAD).astype(np.int64)
    last = np.floor((seen.bearing_rad[mine] + seen.high_rad[mine]) / STEP_RAD).astype(np.int64)
    for k in range(int((last - first).max(initial=-1)) + 1):
        there = first + k <= last
        np.maximum.at(far, (first[there] + k) % far.size, seen.range_m[mine][there])
    return far

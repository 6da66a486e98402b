"""Poses and shared landmarks fitted together: Gauss-Newton on ranges and edges of arcs, the stated poses as prior.

Every sighting of a landmark gives an equation for its range and one for each edge that tells; every station's stated
pose gives three, under its sigmas.  So the frame is fixed by the mean of the stations, the better known ones counting
more; nobody is the first among them.  Outliers lose weight (a t density).  One more unknown, by how much the beam is
wider than was thought, is common to all.  Landmarks are looked for again whenever the poses have become surer.
Floor axes [m], headings [rad].
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from sonargrid.arrays import Floats, Ints
from sonargrid.physics.geometry import wrap
from sonargrid.stations.landmarks import (
    FREEDOM,
    Landmarks,
    agreement,
    edge_factor,
    find_landmarks,
    left_over,
    one_each,
    slopes,
    spreads,
)
from sonargrid.stations.sightings import EDGE_SIGMA_RAD, Sightings

ROUNDS = 4  # landmarks looked for anew
EASING = (1.0, 0.6, 0.3, 0.1, 0.0, 0.0, 0.0)  # share of the poses' doubts that widens each step's association
LEAST_SIGMAS = np.array([1e-4, 1e-4, math.radians(0.01)])  # a pose said to be exact is held, not divided by
WIDER_SIGMA_RAD = math.radians(2.5)  # between rangers of one kind
SHARP = (0.010, math.radians(1.5))  # what others' landmarks are uncertain by, where one station is put down
LOOSE = (0.03, math.radians(4.0))  # the same while its pose is still far off
SURE = np.array([0.004, 0.004, math.radians(0.7)])  # poses are never taken for surer while landmarks are looked for


@dataclass(frozen=True, slots=True)
class PoseFit:
    """Poses, landmarks and what ties them.

    poses : (S, 3)
    covariance : (3 S, 3 S) of all poses, station by station: x, y [m], heading [rad]
    marks : Landmarks
    mark, sighting : (N,) which landmark explains which sighting
    weight : (N,) 0..1 and a little above, how far each is believed
    excess : variance of what is left over against what was expected, 1 = as expected
    wider : by how much the beam is wider than was thought [rad]
    """

    poses: Floats
    covariance: Floats
    marks: Landmarks
    mark: Ints
    sighting: Ints
    weight: Floats
    excess: float
    wider: float

    @property
    def sigmas(self) -> Floats:
        """(S, 3) standard deviations of x, y [m] and heading [rad]."""
        return np.sqrt(np.maximum(np.diag(self.covariance), 0.0)).reshape(-1, 3)


@dataclass(frozen=True, slots=True)
class Equations:
    """Linearised sightings: rows (3 N, 3 S + 3 F + 1), left-over (3 N,), both divided by their sigmas; `tells` is
    False for the edges that only bound and are within their bounds."""

    rows: Floats
    off: Floats
    tells: Floats


def equations(
    seen: Sightings,
    poses: Floats,
    marks: Landmarks,
    pairs: tuple[Ints, Ints],
    spread: tuple[Floats, Floats],
    wider: float,
) -> Equations:
    """Return the equations of pairs (landmark, sighting) at poses, `spread` the sigmas of range and edge."""
    mark, sight = pairs
    x, y, _ = seen.faces(poses)
    off, left, right = (part[mark, sight] for part in left_over(marks, seen, poses, wider))
    face_r, face_b, shape_r, shape_b = slopes(marks, mark, x[sight], y[sight])
    station = seen.station[sight]
    n, k = mark.size, np.arange(mark.size)
    # turning a station about its point carries the face along
    lever = np.stack([-(y[sight] - poses[station, 1]), x[sight] - poses[station, 0]], axis=1)
    pose_r = np.column_stack([face_r, np.sum(face_r * lever, axis=1)])
    pose_b = np.column_stack([face_b, np.sum(face_b * lever, axis=1) - 1.0])
    rows = np.zeros((3 * n, poses.size + 3 * len(marks) + 1))
    for number in range(3):
        at, of = 3 * station + number, poses.size + 3 * mark + number
        rows[k, at], rows[k, of] = pose_r[:, number], shape_r[:, number]
        rows[n + k, at], rows[n + k, of] = pose_b[:, number], shape_b[:, number]
        rows[2 * n + k, at], rows[2 * n + k, of] = -pose_b[:, number], -shape_b[:, number]
    rows[n:, -1] = 1.0
    tells_left, tells_right = (
        (seen.free_left[sight] > 0.5) | (left > 0.0),
        (seen.free_right[sight] > 0.5) | (right > 0.0),
    )
    tells = np.concatenate([np.ones(n), tells_left, tells_right]).astype(np.float64)
    edge = spread[1][sight] * edge_factor(marks.kind)[mark]
    sigma = np.concatenate([spread[0][sight], edge, edge])
    return Equations(rows * (tells / sigma)[:, None], np.concatenate([off, left, right]) / sigma, tells)


def believed_shares(tied: Equations) -> Floats:
    """Return (3 N,) how far each range and edge is believed, from what is left over of it in sigmas."""
    return np.asarray((FREEDOM + 1.0) / (FREEDOM + tied.off**2))


def _believed(stated: Floats, sigma: Floats, poses: Floats, marks: Landmarks, wider: float) -> tuple[Floats, Floats]:
    """Return the prior's weight and its pull for poses, landmarks and the beam's width."""
    weight = np.maximum(sigma, LEAST_SIGMAS) ** -2
    off = stated - poses
    off[:, 2] = wrap(off[:, 2])
    mark_weight, mark_pull = marks.prior()
    beam = WIDER_SIGMA_RAD**-2
    return (
        np.concatenate([weight.ravel(), mark_weight.ravel(), [beam]]),
        np.concatenate([(weight * off).ravel(), mark_pull.ravel(), [-beam * wider]]),
    )


def solve_poses(
    seen: Sightings, stated: Floats, sigma: Floats, poses: Floats, marks: Landmarks, doubts: Floats, wider: float = 0.0
) -> PoseFit:
    """Return poses and landmarks that fit the sightings best, from a start near them.

    Parameters
    ----------
    seen : Sightings
    stated, sigma : (S, 3) arrays
        The prior.
    poses : (S, 3) array
        Where to start.
    marks : Landmarks
        What is shared; which sighting belongs to which is asked again at every step.
    doubts : (S, 3) array
        How far the start may be off: widens the first associations.
    wider : float
        By how much the beam is wider than was thought, to start with [rad].
    """
    size = poses.size
    for ease in EASING:
        spread = spreads(seen, doubts, ease)
        pairs = _shared(*one_each(agreement(marks, seen, poses, spread, wider), seen.station))
        prior, pull = _believed(stated, sigma, poses, marks, wider)
        if not pairs[0].size:
            return PoseFit(stated.copy(), np.diag(1.0 / prior[:size]), marks, *pairs, np.zeros(0), 1.0, wider)
        tied = equations(seen, poses, marks, pairs, spread, wider)
        w = believed_shares(tied)
        normal = tied.rows.T @ (w[:, None] * tied.rows) + np.diag(prior)
        step = np.asarray(np.linalg.solve(normal, tied.rows.T @ (w * tied.off) + pull), dtype=np.float64)
        poses, marks = poses + step[:size].reshape(-1, 3), marks.changed(step[size:-1].reshape(-1, 3))
        wider += float(np.clip(step[-1], -0.03, 0.03))
    tied = equations(seen, poses, marks, pairs, spreads(seen, doubts, 0.0), wider)
    w = believed_shares(tied)
    used = 2.0 * np.unique(pairs[0]).size + 3.0 * np.unique(seen.station[pairs[1]]).size
    excess = float(w @ tied.off**2) / max(1.0, float(tied.tells.sum()) - used)
    prior, _ = _believed(stated, sigma, poses, marks, wider)
    normal = tied.rows.T @ (w[:, None] * tied.rows) / max(1.0, excess)
    whole = np.asarray(np.linalg.inv(normal + np.diag(prior)), dtype=np.float64)
    return PoseFit(poses, whole[:size, :size], marks, *pairs, w[: pairs[0].size], excess, wider)


def _shared(mark: Ints, sight: Ints) -> tuple[Ints, Ints]:
    """Return the pairs of landmarks that at least two stations saw."""
    if not mark.size:
        return mark, sight
    kept = np.bincount(mark)[mark] >= 2
    return mark[kept], sight[kept]


def fit_poses(
    seen: Sightings, stated: Floats, sigma: Floats, poses: Floats | None = None, doubts: Floats | None = None
) -> PoseFit:
    """Return the poses under which the stations agree best about what they share.

    Parameters
    ----------
    seen : Sightings
    stated, sigma : (S, 3) arrays
        The run's poses and their sigmas: x, y [m], heading [rad].
    poses, doubts : (S, 3) arrays, optional
        A better start than the stated poses, and how far it may be off.
    """
    poses = stated.copy() if poses is None else poses
    doubts = sigma.copy() if doubts is None else doubts
    fit = solve_poses(seen, stated, sigma, poses, find_landmarks(seen, poses, doubts), doubts)
    for _ in range(ROUNDS - 1):
        doubts = np.minimum(doubts, np.maximum(1.5 * fit.sigmas, SURE))
        marks = find_landmarks(seen, fit.poses, doubts, fit.wider)
        fit = solve_poses(seen, stated, sigma, fit.poses, marks, doubts, fit.wider)
    return fit


def place_one(
    marks: Landmarks, seen: Sightings, start: Floats, stated: Floats, sigma: Floats, wider: float = 0.0
) -> Floats:
    """Return the pose (3,) from which one station's sightings fit landmarks best, near a start."""
    pose = start.copy()
    here = replace(seen, station=np.zeros(len(seen), dtype=np.int64))
    for ease in (1.0, 0.5, 0.0, 0.0):
        spread = (
            np.hypot(here.range_sigma_m, max(SHARP[0], ease * LOOSE[0])),
            np.full(len(here), math.hypot(EDGE_SIGMA_RAD, max(SHARP[1], ease * LOOSE[1]))),
        )
        pairs = one_each(agreement(marks, here, pose[None], spread, wider), here.station)
        weight = np.maximum(sigma, LEAST_SIGMAS) ** -2
        off = stated - pose
        off[2] = wrap(off[2])
        normal, pull = np.diag(weight), weight * off
        if pairs[0].size:
            tied = equations(here, pose[None], marks, pairs, spread, wider)
            w, rows = believed_shares(tied), tied.rows[:, :3]
            normal, pull = normal + rows.T @ (w[:, None] * rows), pull + rows.T @ (w * tied.off)
        pose = pose + np.linalg.solve(normal, pull)
    return np.asarray(pose, dtype=np.float64)

"""Stations that stood elsewhere: a search far beyond the stated sigmas, against what the other stations saw.

Every station in turn is laid aside, the others are fitted among themselves, and the one laid aside is put down on a
grid of places and headings.  If it explains far more from a place that its sigmas exclude, it strayed.  Which of two
stations strayed nobody can say; three are needed.  Floor axes [m], headings [rad].
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.finding.echo_board import Board
from sonargrid.finding.echo_model import Soundings
from sonargrid.finding.soundings import pack
from sonargrid.physics.geometry import wrap
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Run
from sonargrid.stations.landmarks import Landmarks, agreement, find_landmarks, one_each
from sonargrid.stations.pose_fit import LEAST_SIGMAS, SURE, PoseFit, believed_shares, equations, fit_poses
from sonargrid.stations.pose_likelihood import Settled, log_likelihoods, settle, with_poses, worth
from sonargrid.stations.sightings import EDGE_SIGMA_RAD, Sightings

REACH_M, TURN_RAD = 0.36, math.radians(48.0)  # how far the search goes
STEP_M, STEP_RAD = 0.03, math.radians(4.0)
GRID_SPREAD = (0.02, math.radians(3.5))  # sigmas of range and edge on the grid: a step's own error
SHARP = (0.010, math.radians(1.5))  # what the others' landmarks are uncertain by
WITHIN = 3.0  # sigmas that the stated pose may be off and be right
STRAYED_SIGMAS = np.array([0.15, 0.15, math.radians(25.0)])  # of a station that strayed
STRAYED_COST = 4.0  # nats: mistakes are rare
LEAST_GAIN = 2.0  # nats that a far place must explain more of its arcs for a station to be looked at closely
LEAST_GAIN_LATER = 9.0  # the same once one stray is known: the others have less to answer for
LEAST_CONFIRMED = 25.0  # nats that its own pings must say; benchmarks/bench_align.py
LEAST_TOGETHER = 30.0  # nats that all pings together must say, everything else free to answer for it; the same
SUSPECTS = 3  # so many are looked at closely
CLOSE_PEAKS = 3
PEAKS = 6
CHUNK = 1500
COARSE_M, COARSE_RAD, ROUGH_M = 0.06, math.radians(8.0), 0.025  # the pings' own grid, and its range noise


@dataclass(frozen=True, slots=True)
class Stray:
    """A station that seems to have stood elsewhere: its index, where, and how much better that explains it [nats]."""

    station: int
    pose: Floats
    gain: float


def _copies(seen: Sightings, count: int) -> Sightings:
    """Return one station's sightings so many times, each time from a station of its own."""
    rows = np.tile(np.arange(len(seen)), count)
    return replace(seen.only(rows), station=np.repeat(np.arange(count), len(seen)))


def pose_scores(
    marks: Landmarks, seen: Sightings, poses: Floats, spread: tuple[float, float], wider: float = 0.0
) -> Floats:
    """Return (K,) how well landmarks explain one station's sightings from K poses [nats].

    spread : more sigma of range [m] and edge [rad] than the sightings' own
    """
    out = []
    for first in range(0, len(poses), CHUNK):
        some = poses[first : first + CHUNK]
        copies = _copies(seen, len(some))
        own = np.hypot(copies.range_sigma_m, spread[0]), np.full(len(copies), math.hypot(EDGE_SIGMA_RAD, spread[1]))
        best = agreement(marks, copies, some, own, wider).max(axis=0)
        out.append(best.reshape(len(some), -1).sum(axis=1))
    return np.concatenate(out)


def place_one(
    marks: Landmarks, seen: Sightings, start: Floats, stated: Floats, sigma: Floats, wider: float = 0.0
) -> Floats:
    """Return the pose (3,) from which one station's sightings fit landmarks best, near a start."""
    pose = start.copy()
    here = replace(seen, station=np.zeros(len(seen), dtype=np.int64))
    for ease in (1.0, 0.5, 0.0, 0.0):
        spread = (
            np.hypot(here.range_sigma_m, max(SHARP[0], ease * STEP_M)),
            np.full(len(here), math.hypot(EDGE_SIGMA_RAD, max(SHARP[1], ease * STEP_RAD))),
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


def _log_prior(poses: Floats, stated: Floats, sigma: Floats) -> Floats:
    off = poses - stated
    off[..., 2] = wrap(off[..., 2])
    return np.asarray(-0.5 * np.sum((off / sigma) ** 2, axis=-1))


def _grid(stated: Floats, step_m: float = STEP_M, step_rad: float = STEP_RAD) -> Floats:
    place = np.arange(-REACH_M, REACH_M + 1e-9, step_m)
    turn = np.arange(-TURN_RAD, TURN_RAD + 1e-9, step_rad)
    return np.asarray(
        stated + np.stack(np.meshgrid(place, place, turn, indexing="ij"), axis=-1).reshape(-1, 3), dtype=np.float64
    )


def _best(
    marks: Landmarks, seen: Sightings, grid: Floats, stated: Floats, sigma: Floats, wider: float
) -> tuple[Floats, float]:
    """Return the best pose of a grid, refined, and its value [nats]."""
    value = pose_scores(marks, seen, grid, GRID_SPREAD, wider) + _log_prior(grid, stated, sigma)
    top = np.argsort(-value)[:PEAKS]
    tried = np.array([place_one(marks, seen, grid[k], stated, sigma, wider) for k in top])
    final = pose_scores(marks, seen, tried, SHARP, wider) + _log_prior(tried, stated, sigma)
    k = int(np.argmax(final))
    return tried[k], float(final[k])


def suspects(seen: Sightings, stated: Floats, sigma: Floats, fit: PoseFit, known: set[int]) -> list[Stray]:
    """Return the stations that may have stood elsewhere than their sigmas allow, the likeliest first.

    Parameters
    ----------
    seen : Sightings
    stated, sigma : (S, 3) arrays
        The run's poses and sigmas; those of known strays widened.
    fit : PoseFit
        Of all stations.
    known : set of int
        Stations that are known to have strayed.
    """
    found: list[Stray] = []
    for station in sorted({int(k) for k in seen.station} - known):
        others, own = seen.only(seen.station != station), seen.only(seen.station == station)
        if np.unique(others.station).size < 2:
            return []
        alone = fit_poses(others, stated, sigma)
        if not alone.mark.size:
            continue
        marks = find_landmarks(others, alone.poses, np.maximum(alone.sigmas, SURE), alone.wider)
        own_sigma = np.maximum(sigma[station], LEAST_SIGMAS)
        grid = _grid(stated[station])
        near = grid[(np.abs(grid - stated[station]) <= WITHIN * own_sigma).all(axis=1)]
        near = np.concatenate([near, fit.poses[station][None], stated[station][None]])
        _, at_home = _best(marks, own, near, stated[station], own_sigma, alone.wider)
        wide = np.hypot(STRAYED_SIGMAS, own_sigma)
        pose, away = _best(marks, own, grid, stated[station], wide, alone.wider)
        gain = away - STRAYED_COST - at_home
        if gain > LEAST_GAIN and bool((np.abs(pose - stated[station]) > WITHIN * own_sigma).any()):
            found.append(Stray(station, pose, gain))
    return sorted(found, key=lambda s: -s.gain)


def confirmed_gain(
    board: Board, soundings: Soundings, suspect: Stray, home: Floats, sigma: Floats
) -> tuple[float, Floats]:
    """Return by how much a station's own pings prefer a far place [nats], and the shift (3,) that leads there.

    Parameters
    ----------
    board : Board
        The things that the other stations hear.
    soundings : Soundings
        The station's pings, from its stated pose.
    suspect : Stray
        Where its arcs would have it, as a shift.
    home : (3,) array
        The shift that a fit within its sigmas gave it.
    sigma : (3,) array
        Of its stated pose.
    """
    wide = np.hypot(STRAYED_SIGMAS, sigma)
    rough = board.heard_with(replace(board.beam, sigma_m=ROUGH_M))
    grid = np.concatenate([_grid(np.zeros(3), COARSE_M, COARSE_RAD), [suspect.pose]])
    value = log_likelihoods(rough, soundings, 0, grid) - 0.5 * np.sum((grid / wide) ** 2, axis=1)
    at_home = -math.inf
    for start in (np.zeros(3), home):
        held = np.clip(start, -WITHIN * sigma, WITHIN * sigma)
        at_home = max(at_home, _refined_shift(board, soundings, held, sigma, WITHIN * sigma)[1])
    starts = [grid[-1], *(grid[top] for top in np.argsort(-value)[:CLOSE_PEAKS])]
    shift, away = max((_refined_shift(board, soundings, one, wide, None) for one in starts), key=lambda f: f[1])
    return away - STRAYED_COST - at_home, shift


def _refined_shift(
    board: Board, soundings: Soundings, start: Floats, sigma: Floats, bound: Floats | None
) -> tuple[Floats, float]:
    """Return the shift of one station near a start that its pings like best, and its value [nats]."""
    steps, best = np.array([0.02, 0.02, math.radians(3.0)]), start
    box = np.stack(np.meshgrid(*3 * [np.arange(-2.0, 2.1)], indexing="ij"), axis=-1).reshape(-1, 3)
    value = -math.inf
    for _ in range(4):
        tried = best + steps * box
        if bound is not None:
            tried = np.clip(tried, -bound, bound)
        values = log_likelihoods(board, soundings, 0, tried) - 0.5 * np.sum((tried / sigma) ** 2, axis=1)
        top = int(np.argmax(values))
        best, value = tried[top], float(values[top])
        steps = 0.5 * steps
    return best, value


@dataclass(frozen=True, slots=True)
class Placed:
    """Poses that the arcs suggest and all pings settled, sigmas (S, 3) of the prior, and the strays, surest first."""

    fit: PoseFit
    settled: Settled
    sigma: Floats
    strays: tuple[Stray, ...]


def fit_with_strays(run: Run, seen: Sightings, stated: Floats, sigma: Floats) -> Placed:
    """Return the poses, fitted to arcs and settled on all pings, with the sigmas of stations that strayed widened."""
    sigma = np.maximum(sigma, LEAST_SIGMAS)
    count = np.unique(seen.station).size
    placed = _settled(run, seen, stated, sigma, [])
    while count >= 3 and len(placed.strays) < (count - 1) // 2:
        looked = suspects(seen, stated, placed.sigma, placed.fit, {s.station for s in placed.strays})
        looked = [s for s in looked if s.gain > (LEAST_GAIN_LATER if placed.strays else LEAST_GAIN)][:SUSPECTS]
        found = _confirmed(run, looked, placed.fit, stated, sigma)
        # of several that would explain the same, the one that leaves least to the others
        tried = [_settled(run, seen, stated, sigma, [*placed.strays, one]) for one in found]
        best = max(tried, key=lambda p: _worth(p, stated), default=placed)
        if _worth(best, stated) - _worth(placed, stated) <= LEAST_TOGETHER:
            break
        placed = best
    while len(placed.strays) > 1:  # one that was wrongly named beside a true one is right again once that one is known
        without = [_settled(run, seen, stated, sigma, [s for s in placed.strays if s is not x]) for x in placed.strays]
        best = max(without, key=lambda p: _worth(p, stated))
        if _worth(placed, stated) - _worth(best, stated) > LEAST_TOGETHER:
            break
        placed = best
    return placed


def _settled(run: Run, seen: Sightings, stated: Floats, sigma: Floats, strays: Sequence[Stray]) -> Placed:
    """Return what all pings make of the arcs' poses or of the stated ones, whichever explains them better."""
    fit, widened = _fit_knowing(seen, stated, sigma, strays)
    surest = tuple(sorted(strays, key=lambda s: -s.gain))
    start = stated.copy()
    for stray in strays:
        start[stray.station] = stray.pose
    return Placed(fit, settle(run, [fit.poses, start], stated, widened), widened, surest)


def _worth(placed: Placed, stated: Floats) -> float:
    """Return how well everything together explains all pings [nats], every stray's cost in."""
    return worth(placed.settled, stated, placed.sigma) - STRAYED_COST * len(placed.strays)


def _confirmed(run: Run, looked: list[Stray], fit: PoseFit, stated: Floats, sigma: Floats) -> list[Stray]:
    """Return those suspects of which their own pings say the same, placed where the pings would have them."""
    found: list[Stray] = []
    if not looked:
        return found
    heard = np.unique(run.readings.station)
    for suspect in looked:
        k = suspect.station
        others = settle(run, [fit.poses], stated, sigma, heard[heard != k], times=1)
        soundings, _ = pack(calibrated(with_poses(run, stated)), np.array([k]))
        as_shift = Stray(k, suspect.pose - stated[k], suspect.gain)
        gain, shift = confirmed_gain(others.board, soundings, as_shift, fit.poses[k] - stated[k], sigma[k])
        if gain > LEAST_CONFIRMED and bool((np.abs(shift) > WITHIN * sigma[k]).any()):
            found.append(Stray(k, stated[k] + shift, gain))
    return found


def _fit_knowing(seen: Sightings, stated: Floats, sigma: Floats, strays: Sequence[Stray]) -> tuple[PoseFit, Floats]:
    """Return the fit of all poses with the strays started where they were found, and the sigmas it was made with."""
    widened, start, doubts = sigma.copy(), stated.copy(), sigma.copy()
    for stray in strays:
        widened[stray.station] = np.hypot(STRAYED_SIGMAS, sigma[stray.station])
        start[stray.station] = stray.pose
        doubts[stray.station] = SHARP[0], SHARP[0], SHARP[1]
    return fit_poses(seen, stated, widened, start, doubts), widened

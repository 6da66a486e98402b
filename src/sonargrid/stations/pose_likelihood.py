"""Poses and things fitted together to every ping: the first-return likelihood with the stations free to move.

`settle` climbs from poses that are already near: things are searched at those poses with a range noise that forgives
them, then poses, posts, corners and walls move together along the likelihood's own slopes (the curvature taken as the
sum of squared slopes of single pings, Fisher's information as data give it), the stated poses as prior.  That uses
what arcs alone do not: silence, hidden things, how loud a thing is at every angle.  Floor axes [m], headings [rad].
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from sonargrid.arrays import Floats, Ints
from sonargrid.finding.echo_board import Board
from sonargrid.finding.echo_model import Soundings
from sonargrid.finding.echo_order import Thing
from sonargrid.finding.object_fit import search
from sonargrid.finding.object_moves import LEAST_HALF_M, Prior
from sonargrid.finding.object_pool import objective
from sonargrid.finding.objects import SIZE_IN_ROOMS, SIZE_PRIOR_M, SIZE_SIGMA, start_beam
from sonargrid.finding.soundings import moved, pack
from sonargrid.physics.geometry import wrap
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Run

FORGIVING_M = (0.012, 0.006)  # range noise at which things are searched, first and second time
STEPS = 8
POSE_NUDGES = np.array([0.001, 0.001, math.radians(0.15)])
THING_NUDGES = {
    "post": np.array([0.001, 0.001, 0.03]),
    "corner": np.array([0.001, 0.001]),
    "wall": np.array([math.radians(0.15), 0.001]),
    "rough": np.array([math.radians(0.15), 0.001]),
    "box": np.array([0.001, 0.001, math.radians(0.5), 0.001, 0.001]),
}
FARTHEST = 0.1  # no thing moves more than this in one step [m, rad]
ENOUGH = 0.05  # nats that a step must gain to be worth another
LOOSE = 1e-2  # weight of the prior on a thing's place: next to nothing
MISFIT = 3.6  # variances grow by this: the model's own errors repeat from ping to ping; benchmarks/bench_align.py


@dataclass(frozen=True, slots=True)
class Settled:
    """Poses and things at the likelihood's top.

    poses : (S, 3); covariance : (3 S, 3 S)
    board : the things, heard from these poses
    """

    poses: Floats
    covariance: Floats
    board: Board


@dataclass(frozen=True, slots=True)
class Belief:
    """What is believed of poses (S, 3), by their sigmas, and of things."""

    stated: Floats
    sigma: Floats
    things: Prior

    def log_density(self, poses: Floats, things: list[Thing]) -> float:
        """Return the log prior of poses and things, without constants and penalties."""
        value = -0.5 * float(np.sum((pose_errors(poses, self.stated) / self.sigma) ** 2))
        return value + sum(float(self.things.log_density(t.kind, np.array([t.shape]))[0]) for t in things)


def pose_errors(poses: Floats, stated: Floats) -> Floats:
    """Return (S, 3) how far poses are off stated ones, headings wrapped."""
    off = poses - stated
    off[:, 2] = wrap(off[:, 2])
    return off


def with_poses(run: Run, poses: Floats) -> Run:
    """Return a run whose stations stand at (S, 3) poses, their sigmas kept."""
    stations = tuple(
        replace(s, x_m=float(x), y_m=float(y), heading_rad=float(wrap(h)))
        for s, (x, y, h) in zip(run.stations, poses, strict=True)
    )
    return replace(run, stations=stations)


def settle(
    run: Run,
    starts: Sequence[Floats],
    stated: Floats,
    sigma: Floats,
    keep: Ints | None = None,
    times: int = len(FORGIVING_M),
) -> Settled:
    """Return the poses and things that explain all pings best, from poses near them.

    Parameters
    ----------
    run : Run
    starts : sequence of (S, 3) arrays
        Where to start; the best of what they first lead to is gone on with.  Stations without readings stay there.
    stated, sigma : (S, 3) arrays
        The prior of the poses.
    keep : (n,) array, optional
        Only the pings of these stations.
    times : int
        How often things are searched anew.
    """
    for forgiving in FORGIVING_M[-times:]:
        tried = [_settled_from(run, one, stated, sigma, forgiving, keep) for one in starts]
        best = max(tried, key=lambda s: worth(s, stated, sigma))
        starts = [best.poses]
    return best


def worth(settled: Settled, stated: Floats, sigma: Floats) -> float:
    """Return how well poses and things explain all pings [nats], what was believed beforehand in."""
    believed = -0.5 * float(np.sum((pose_errors(settled.poses, stated) / sigma) ** 2)) - float(np.sum(np.log(sigma)))
    return objective(settled.board, things_prior()) + believed


def _settled_from(
    run: Run, start: Floats, stated: Floats, sigma: Floats, forgiving_m: float, keep: Ints | None
) -> Settled:
    poses, covariance = start.copy(), np.diag(sigma.ravel() ** 2)
    board, heard = things_at(run, poses, forgiving_m, keep)
    belief = Belief(stated[heard], sigma[heard], things_prior())
    here, board, _ = climb_together(board, poses[heard], belief)
    board = board.heard_with(replace(board.beam, sigma_m=start_beam(run)[0].sigma_m))
    here, board, spread = climb_together(board, here, belief)
    poses[heard] = here
    own = (3 * heard[:, None] + np.arange(3)).ravel()
    covariance[np.ix_(own, own)] = spread
    return Settled(poses, covariance, board)


def things_prior() -> Prior:
    """Return what is believed of things in rooms beforehand."""
    return Prior(math.log(SIZE_PRIOR_M * SIZE_IN_ROOMS), SIZE_SIGMA[True])


def things_at(run: Run, poses: Floats, noise_m: float, keep: Ints | None = None) -> tuple[Board, Ints]:
    """Return the things that a run's pings show from (S, 3) poses, and which stations have readings (and are kept).

    noise_m : range noise that forgives poses which are not yet right
    """
    beam, known = start_beam(run)
    soundings, heard = pack(calibrated(with_poses(run, poses)), keep)
    rough = replace(beam, sigma_m=max(noise_m, beam.sigma_m))
    return search(soundings, Board(soundings, rough), things_prior(), rounds=1, keep_beam=known), heard


def climb_together(board: Board, poses: Floats, belief: Belief) -> tuple[Floats, Board, Floats]:
    """Return poses and things at the likelihood's top, and the poses' covariance there."""
    size, damping = poses.size, 0.1
    best = board.likelihood() + belief.log_density(poses, board.things)
    for _ in range(STEPS):
        slope, curve, which = _slope(board, poses, belief)
        lifted = None
        for _ in range(5):
            step = np.asarray(np.linalg.solve(curve + damping * np.diag(np.diag(curve)), slope), dtype=np.float64)
            there = poses + step[:size].reshape(-1, 3)
            things = _stepped(board.things, which, step[size:])
            tried = Board(moved(board.soundings, there - poses), board.beam, things)
            value = tried.likelihood() + belief.log_density(there, things)
            if value > best:
                lifted = value - best
                break
            damping *= 4.0
        if lifted is None:
            break
        best, board, poses, damping = value, tried, there, max(0.3 * damping, 1e-3)
        if lifted < ENOUGH:
            break
    _, curve, _ = _slope(board, poses, belief, MISFIT)
    return poses, board, np.asarray(np.linalg.inv(curve)[:size, :size], dtype=np.float64)


def _terms(board: Board) -> Floats:
    """Return (H + M,) the log likelihood of each echo, then of silence on each ray."""
    return np.concatenate(board.terms())


def _slope(
    board: Board, poses: Floats, belief: Belief, misfit: float = 1.0
) -> tuple[Floats, Floats, list[tuple[int, int]]]:
    """Return the slope, the curvature and which (thing, number) each column after the poses' is."""
    s = board.soundings
    weight = np.concatenate([s.weight, s.silence]) / misfit
    station = np.concatenate([s.station[s.ray], s.station])
    by_pose = np.zeros((weight.size, poses.size))
    for number, nudge in enumerate(POSE_NUDGES):
        shift = np.zeros_like(poses)
        shift[:, number] = nudge
        up, down = (Board(moved(s, sign * shift), board.beam, board.things) for sign in (1.0, -1.0))
        # a ray feels its own station only, so all stations are nudged at once
        by_pose[np.arange(weight.size), 3 * station + number] = (_terms(up) - _terms(down)) / (2.0 * nudge)
    by_thing, which = _thing_slopes(board)
    slopes = np.concatenate([by_pose, by_thing], axis=1)
    slope, curve = slopes.T @ weight, slopes.T @ (weight[:, None] * slopes)
    believed = np.full(slope.size, LOOSE)
    believed[: poses.size] = belief.sigma.ravel() ** -2
    slope[: poses.size] -= (pose_errors(poses, belief.stated) * belief.sigma**-2).ravel()
    for column, (thing, number) in enumerate(which, start=poses.size):
        size = _log_size(board.things[thing], number)
        if size is not None:
            log_m, by_number = size
            believed[column] = (by_number / belief.things.log_radius_sigma) ** 2
            slope[column] -= (log_m - belief.things.log_radius) * by_number / belief.things.log_radius_sigma**2
    return slope, curve + np.diag(believed), which


def _log_size(thing: Thing, number: int) -> tuple[float, float] | None:
    """Return the logarithm of the size that a number tells and its slope by that number; None = it tells none."""
    if thing.kind == "post" and number == 2:
        return thing.shape[2], 1.0
    if thing.kind == "box" and number in (3, 4):
        return math.log(thing.shape[number]), 1.0 / thing.shape[number]
    return None


def _thing_slopes(board: Board) -> tuple[Floats, list[tuple[int, int]]]:
    columns: list[Floats] = []
    which: list[tuple[int, int]] = []
    for index, thing in enumerate(board.things):
        nudges = THING_NUDGES.get(thing.kind, np.zeros(0))
        if not nudges.size:
            continue
        shapes = [nudged(thing, n, sign * nudge).shape for n, nudge in enumerate(nudges) for sign in (1.0, -1.0)]
        by_echo, by_ray = board.rate_terms(board.rest(index), thing.kind, np.array(shapes))
        every = np.concatenate([by_echo, by_ray], axis=1)
        columns += [(every[2 * n] - every[2 * n + 1]) / (2.0 * nudge) for n, nudge in enumerate(nudges)]
        which += [(index, n) for n in range(nudges.size)]
    size = board.soundings.ray.size + board.soundings.station.size
    return np.array(columns).reshape(-1, size).T, which


def nudged(thing: Thing, number: int, by: float) -> Thing:
    """Return a thing with one number changed; a wall turns about its own middle.

    >>> nudged(Thing("post", (1.0, 2.0, -3.0, 0.0)), 0, 0.5).shape
    (1.5, 2.0, -3.0, 0.0)
    """
    shape = list(thing.shape)
    shape[number] += by
    if thing.kind in ("wall", "rough") and number == 0:
        turn, rho, low, high = thing.shape[:4]
        middle, half = 0.5 * (low + high), 0.5 * (high - low)
        x, y = rho * math.cos(turn) - middle * math.sin(turn), rho * math.sin(turn) + middle * math.cos(turn)
        c, s = math.cos(turn + by), math.sin(turn + by)
        middle = -s * x + c * y
        shape[1:4] = [c * x + s * y, middle - half, middle + half]
    return Thing(thing.kind, tuple(float(v) for v in shape))


def _stepped(things: list[Thing], which: list[tuple[int, int]], step: Floats) -> list[Thing]:
    out = list(things)
    for (thing, number), by in zip(which, step, strict=True):
        most = 3.0 * FARTHEST if out[thing].kind == "post" and number == 2 else FARTHEST
        if out[thing].kind == "box" and number >= 3:
            by = max(by, LEAST_HALF_M - out[thing].shape[number])
        out[thing] = nudged(out[thing], number, float(np.clip(by, -most, most)))
    return out


def from_poses(soundings: Soundings, station: int, shifts: Floats) -> Soundings:
    """Return one station's soundings K times over, shifted and turned by (K, 3) about its place, as K stations."""
    s = soundings
    rays, echoes = np.flatnonzero(s.station == station), np.flatnonzero(s.station[s.ray] == station)
    number = np.zeros(s.station.size, dtype=np.int64)
    number[rays] = np.arange(rays.size)
    count = len(shifts)
    tile = np.arange(count).repeat(rays.size)
    many = Soundings(
        tile,
        np.tile(s.x_m[rays], count),
        np.tile(s.y_m[rays], count),
        np.tile(s.bearing_rad[rays], count),
        np.tile(s.place_m[station], (count, 1)),
        (number[s.ray[echoes]] + rays.size * np.arange(count)[:, None]).ravel(),
        np.tile(s.range_m[echoes], count),
        np.tile(s.weight[echoes], count),
        np.tile(s.count[echoes], count),
        np.tile(s.silence[rays], count),
        np.tile(s.pings[rays], count),
        s.reach_m,
        s.step_rad,
    )
    return moved(many, shifts)

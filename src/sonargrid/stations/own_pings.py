"""One station's pings against what the other stations show: how well they fit, from many poses of that station at once.

The things stand still, so nothing is searched for and no luck of a search comes in.  An arc that the others' things do
not explain costs no more than one more thing would: a thing that only this station sees costs the same at any pose.
Floor axes [m], headings [rad].
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from sonargrid.arrays import Floats, Ints
from sonargrid.finding.echo_board import Board
from sonargrid.finding.echo_model import TAIL_NORM, Soundings
from sonargrid.finding.plateaus import Plateau
from sonargrid.physics.geometry import wrap
from sonargrid.stations.pose_likelihood import from_poses

REACH_M, TURN_RAD = 0.36, math.radians(48.0)  # how far the search goes
STEP_M, STEP_RAD, ROUGH_M = 0.06, math.radians(8.0), 0.025  # its grid, and the range noise that forgives a step
WITHIN = 3.0  # sigmas that the stated pose may be off and be right
STRAYED_SIGMAS = np.array([0.15, 0.15, math.radians(20.0)])  # of a station that strayed
OWN_COST = 9.0  # nats: what one more thing costs, about
OWN_SHARE = 0.6  # of the highest density of ranges that an arc of a thing of its own has, in the mean
ARC_M, ARC_RAD, NEARER_M = 0.02, 0.01, 0.02  # an echo so near to an arc is its own; a thing so much nearer hides it
PEAKS, CLOSE_PEAKS = 6, 3
CHUNK = 700


@dataclass(frozen=True, slots=True)
class OwnPings:
    """One station's soundings from its stated pose, and (H,) which arc each echo belongs to, -1 = none."""

    station: int
    soundings: Soundings
    arc: Ints


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """What one station's pings say: the shifts (3,) they like best, without bounds and within the sigmas.

    gain : by how much the first explains them better [nats]
    """

    away: Floats
    home: Floats
    gain: float


def own_pings(station: int, soundings: Soundings, plateaus: Sequence[Plateau]) -> OwnPings:
    """Return one station's soundings with its arcs (those of other stations are passed over)."""
    arc = np.full(soundings.ray.size, -1, dtype=np.int64)
    bearing = soundings.bearing_rad[soundings.ray]
    for number, p in enumerate(p for p in plateaus if p.station == station):
        inside = (wrap(p.left_rad - bearing) > -ARC_RAD) & (wrap(bearing - p.right_rad) > -ARC_RAD)
        arc[inside & (np.abs(soundings.range_m - p.range_m) < ARC_M) & (arc < 0)] = number
    return OwnPings(station, soundings, arc)


def capped_likelihoods(board: Board, own: OwnPings, shifts: Floats) -> Floats:
    """Return (K,) the log likelihood of one station's pings from K shifts of its pose, what is lost at an arc capped.

    Parameters
    ----------
    board : Board
        The things that the other stations show; only they and the beam are used.
    own : OwnPings
    shifts : (K, 3) array
        dx, dy [m], dheading [rad] from the stated pose.
    """
    parts = [_capped(board, own, shifts[n : n + CHUNK]) for n in range(0, len(shifts), CHUNK)]
    return np.concatenate(parts)


def _capped(board: Board, own: OwnPings, shifts: Floats) -> Floats:
    count, arcs = len(shifts), int(own.arc.max(initial=-1)) + 1
    many = from_poses(own.soundings, 0, shifts)
    there = Board(many, board.beam, board.things).rest()
    plain, beam = there.plain, board.beam
    copy = many.station[many.ray]
    out = np.bincount(copy, weights=plain.by_echo * many.weight, minlength=count)
    out = out + np.bincount(many.station, weights=plain.by_ray * many.silence, minlength=count)
    if not arcs:
        return np.asarray(out)
    arc = np.tile(own.arc, count)
    h = np.flatnonzero(arc >= 0)
    at, ray = many.range_m[h], many.ray[h]
    nearer = (there.sorted_m[:, ray] < at - NEARER_M).sum(axis=0)
    density = OWN_SHARE * TAIL_NORM / (beam.sigma_m + beam.sigma_share * at)
    causes = np.maximum(plain.caused[-1, h], plain.passed[nearer, ray] * density)
    sure = 1.0 - beam.stray - beam.missed
    lost = (np.log(beam.stray / many.reach_m + sure * causes) - plain.by_echo[h]) * many.weight[h]
    by_arc = np.bincount(copy[h] * arcs + arc[h], weights=lost, minlength=count * arcs).reshape(count, arcs)
    return np.asarray(out + np.maximum(by_arc - OWN_COST, 0.0).sum(axis=1))


def elsewhere(board: Board, own: OwnPings, sigma: Floats) -> Elsewhere:
    """Return where one station's pings would have it, near and far, things of the others given.

    Parameters
    ----------
    board : Board
        The things that the other stations show.
    own : OwnPings
    sigma : (3,) array
        Of its stated pose.
    """
    wide, bound = np.hypot(STRAYED_SIGMAS, sigma), WITHIN * sigma
    rough = Board(own.soundings, replace(board.beam, sigma_m=ROUGH_M), board.things)

    def value(of: Board, spread: Floats) -> Callable[[Floats], Floats]:
        return lambda shifts: capped_likelihoods(of, own, shifts) - 0.5 * np.sum((shifts / spread) ** 2, axis=1)

    near = np.stack([climbed(value(rough, sigma), np.zeros(3), sigma, 1, bound)[0], np.zeros(3)])
    better = near[int(np.argmax(value(board, sigma)(near)))]
    home, at_home = climbed(value(board, sigma), better, sigma, 4, bound)
    grid = _grid()
    step = np.array([STEP_M, STEP_M, STEP_RAD])
    peaks = _apart(grid, value(rough, wide)(grid), step)
    closer = sorted((climbed(value(rough, wide), grid[n], 0.5 * step, 1) for n in peaks), key=lambda f: -f[1])
    far = [climbed(value(board, wide), one, 0.25 * step, 4) for one, _ in closer[:CLOSE_PEAKS]]
    away, value_away = max(far, key=lambda f: f[1])
    return Elsewhere(away, home, value_away - at_home)


def is_far(shift: Floats, sigma: Floats) -> bool:
    """Return whether a shift (3,) lies beyond what the sigmas (3,) of a stated pose allow."""
    return bool((np.abs(shift) > WITHIN * sigma).any())


def _grid() -> Floats:
    place = np.arange(-REACH_M, REACH_M + 1e-9, STEP_M)
    turn = np.arange(-TURN_RAD, TURN_RAD + 1e-9, STEP_RAD)
    every = np.stack(np.meshgrid(place, place, turn, indexing="ij"), axis=-1).reshape(-1, 3)
    return np.asarray(every[np.hypot(every[:, 0], every[:, 1]) < REACH_M + 1e-9])


def _apart(grid: Floats, value: Floats, step: Floats) -> list[int]:
    """Return the best poses of a grid that are no neighbours of a better one."""
    out: list[int] = []
    for n in np.argsort(-value):
        if all((np.abs(grid[n] - grid[m]) > 1.5 * step).any() for m in out):
            out.append(int(n))
        if len(out) == PEAKS:
            break
    return out


BOX = np.stack(np.meshgrid(*3 * [np.arange(-1.0, 1.1)], indexing="ij"), axis=-1).reshape(-1, 3)


def climbed(
    value: Callable[[Floats], Floats], start: Floats, step: Floats, rounds: int, bound: Floats | None = None
) -> tuple[Floats, float]:
    """Return the best place (3,) near a start and its value, by steps along a cube that is halved.

    >>> top, best = climbed(lambda p: -((p - 0.3) ** 2).sum(axis=1), np.zeros(3), np.full(3, 0.2), 6)
    >>> top.round(2).tolist(), round(best, 3)
    ([0.3, 0.3, 0.3], -0.0)
    """
    best, top = start, -math.inf
    for _ in range(rounds):
        for _ in range(3):
            tried = best + step * BOX
            if bound is not None:
                tried = np.clip(tried, -bound, bound)
            values = value(tried)
            n = int(np.argmax(values))
            if values[n] <= top + 1e-9:
                break
            best, top = tried[n], float(values[n])
        step = 0.5 * step
    return best, top

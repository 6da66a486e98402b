"""Stations that stood elsewhere: a search far beyond the stated sigmas, against what the other stations saw.

One list of things is found for all stations.  For every station in turn it is mended without that station's pings, and
these are asked from which pose they fit it best: near the stated one, or far.  Where far is better, all pings are asked
twice, from one list: the station put there, and held within its sigmas.  So no luck of a search tips the balance.
Which of two stations strayed nobody can say; three are needed.  Floor axes [m], headings [rad].
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from sonargrid.arrays import Floats, Ints
from sonargrid.finding.echo_board import Board
from sonargrid.finding.object_fit import mend, refine_all
from sonargrid.finding.object_pool import drop_poor
from sonargrid.finding.objects import start_beam
from sonargrid.finding.plateaus import Plateau, find_plateaus
from sonargrid.finding.soundings import moved, pack
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Run
from sonargrid.stations.own_pings import STRAYED_SIGMAS, WITHIN, Elsewhere, elsewhere, is_far, own_pings
from sonargrid.stations.pose_fit import LEAST_SIGMAS, SHARP, PoseFit, fit_poses
from sonargrid.stations.pose_likelihood import (
    FORGIVING_M,
    Belief,
    Settled,
    climb_together,
    pose_errors,
    settle,
    things_at,
    things_prior,
    with_poses,
    worth,
)
from sonargrid.stations.sightings import Sightings

LEAST_OWN = 10.0  # nats that its own pings must say for a station to be looked at closely
LEAST_TOGETHER = 15.0  # nats that all pings must say, over the best with nobody strayed; benchmarks/bench_align.py
SURE_TOGETHER = 60.0  # beyond this the others' list need not be searched anew
OPEN_TOGETHER = 60.0  # a station that stands so much worse is out of the question
LEAST_APART = 8.0  # nats between two stations that would explain the same, for one of them to be named
SUSPECTS = 3  # so many are looked at closely


@dataclass(frozen=True, slots=True)
class Stray:
    """A station that stood elsewhere: its index, where, and by how much that explains all pings better [nats]."""

    station: int
    pose: Floats
    gain: float


@dataclass(frozen=True, slots=True)
class Strays:
    """Stations that strayed, and those of which one did though nobody can say which."""

    named: tuple[Stray, ...]
    unsure: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Placed:
    """Poses that the arcs suggest and all pings settled, sigmas (S, 3) of the prior, and the strays."""

    fit: PoseFit
    settled: Settled
    sigma: Floats
    strays: Strays


def fit_with_strays(run: Run, seen: Sightings, stated: Floats, sigma: Floats) -> Placed:
    """Return the poses, fitted to arcs and settled on all pings, with the sigmas of stations that strayed widened."""
    sigma = np.maximum(sigma, LEAST_SIGMAS)
    strays = find_strays(run, seen, stated, sigma)
    fit, widened = _fit_knowing(seen, stated, sigma, strays.named)
    start = stated.copy()
    for stray in strays.named:
        start[stray.station] = stray.pose
    return Placed(fit, settle(run, [fit.poses, start], stated, widened), widened, strays)


def find_strays(run: Run, seen: Sightings, stated: Floats, sigma: Floats) -> Strays:
    """Return the stations whose pings, and those of all others, say that they stood elsewhere.

    Parameters
    ----------
    run : Run
    seen : Sightings
    stated, sigma : (S, 3) arrays
        The run's poses and their sigmas, none of them 0.
    """
    heard = np.unique(run.readings.station)
    most = (heard.size - 1) // 2
    if not most:
        return Strays(())
    case = _Case(run, seen, stated, sigma, heard, find_plateaus(calibrated(run), run.ranger))
    now, named = case.first(), list[Stray]()
    while len(named) < most:
        tried = case.tried(now, named)
        if not tried:
            break
        best = max(tried, key=lambda t: t.gain)
        if best.gain <= LEAST_TOGETHER or not case.beyond(best):
            break
        like = [t.station for t in tried if t is not best and t.gain > best.gain - LEAST_APART]
        if like:
            return Strays(tuple(named), tuple(sorted([best.station, *like])))
        named.append(Stray(best.station, best.settled.poses[best.station], best.gain))
        now = best.settled
    return Strays(tuple(case.still(now, named)))


@dataclass(frozen=True, slots=True)
class _Tried:
    """A station put where its pings would have it: what comes of that, and the gain over nobody strayed [nats]."""

    station: int
    settled: Settled
    gain: float


@dataclass(frozen=True, slots=True)
class _Case:
    """A run, its arcs, what it states and which stations have readings."""

    run: Run
    seen: Sightings
    stated: Floats
    sigma: Floats
    heard: Ints
    plateaus: tuple[Plateau, ...]

    def first(self) -> Settled:
        """Return one list of things for all stations, and the poses that suit it."""
        fit = fit_poses(self.seen, self.stated, self.sigma)
        board, heard = things_at(self.run, fit.poses, FORGIVING_M[0])
        board = board.heard_with(replace(board.beam, sigma_m=start_beam(self.run)[0].sigma_m))
        return self._climbed(board, heard, fit.poses, self.sigma)

    def beyond(self, one: _Tried) -> bool:
        """Return whether a station's new pose is off by more than its sigmas and the new ones allow together."""
        k, settled = one.station, one.settled
        after = np.sqrt(np.diag(settled.covariance))[3 * k : 3 * k + 3]
        off = pose_errors(settled.poses.copy(), self.stated)[k]
        return is_far(off, np.hypot(self.sigma[k], after))

    def tried(self, now: Settled, named: Sequence[Stray]) -> list[_Tried]:
        """Return what comes of putting each station that may have strayed elsewhere, the others as they are."""
        known = {stray.station for stray in named}
        sigma = self._widened(known)
        looked = []
        for k in (int(k) for k in self.heard if int(k) not in known):
            others = self._without(k, now, sigma)
            told = self._asked(k, others)
            if told.gain > LEAST_OWN and is_far(told.away, self.sigma[k]):
                looked.append((told.gain, k, others, told))
        looked = sorted(looked, key=lambda one: -one[0])[:SUSPECTS]
        nobody = worth(self._held(now, sigma, known), self.stated, sigma)
        found: dict[int, tuple[float, Settled]] = {}
        for _, k, others, told in looked:
            found[k], at_home = self._both(k, others, told, sigma, known)
            nobody = max(nobody, at_home)
            if found[k][0] - nobody < SURE_TOGETHER:
                others = self._searched(k, now, sigma)
                again, at_home = self._both(k, others, self._asked(k, others), sigma, known)
                found[k], nobody = max(found[k], again, key=lambda one: one[0]), max(nobody, at_home)
        return self._searched_all([_Tried(k, s, value - nobody) for k, (value, s) in found.items()], now, sigma, known)

    def _searched_all(self, tried: list[_Tried], now: Settled, sigma: Floats, known: set[int]) -> list[_Tried]:
        """Return the same; where lists that were mended leave it open, all things are searched anew, on both sides."""
        gains = sorted((t.gain for t in tried), reverse=True)
        if not gains or (gains[0] > SURE_TOGETHER and (len(gains) < 2 or gains[1] < gains[0] - OPEN_TOGETHER)):
            return tried
        nobody = worth(self._held(settle(self.run, [now.poses], self.stated, sigma), sigma, known), self.stated, sigma)
        out = []
        for one in (t for t in tried if t.gain > -OPEN_TOGETHER):
            wide = self._widened({one.station, *known})
            fresh = settle(self.run, [one.settled.poses], self.stated, wide)
            value = worth(one.settled, self.stated, wide)
            base = max(nobody, value - one.gain)
            again = worth(fresh, self.stated, wide)
            best = fresh if again > value else one.settled
            out.append(_Tried(one.station, best, max(again, value) - base))
        return out

    def still(self, now: Settled, named: list[Stray]) -> list[Stray]:
        """Return the strays still needed: one wrongly named before the true one is right once that one is known."""
        kept = list(named)
        for stray in named[:-1]:
            rest = {one.station for one in kept if one is not stray}
            sigma = self._widened(rest)
            others = self._without(stray.station, now, sigma)
            told = self._asked(stray.station, others)
            (away, _), at_home = self._both(stray.station, others, told, sigma, rest)
            if away - at_home <= LEAST_TOGETHER:
                kept.remove(stray)
        return kept

    def _widened(self, strayed: set[int]) -> Floats:
        sigma = self.sigma.copy()
        for k in strayed:
            sigma[k] = np.hypot(STRAYED_SIGMAS, sigma[k])
        return sigma

    def _climbed(self, board: Board, heard: Ints, poses: Floats, sigma: Floats) -> Settled:
        belief = Belief(self.stated[heard], sigma[heard], things_prior())
        here, board, spread = climb_together(board, poses[heard], belief)
        poses, covariance = poses.copy(), np.diag(sigma.ravel() ** 2)
        poses[heard] = here
        own = (3 * heard[:, None] + np.arange(3)).ravel()
        covariance[np.ix_(own, own)] = spread
        return Settled(poses, covariance, board)

    def _mended(self, things: Board, poses: Floats, keep: Ints) -> Board:
        """Return a list of things mended for some stations: what does not pay goes, what is missing comes."""
        soundings, _ = pack(calibrated(with_poses(self.run, poses)), keep)
        board = Board(soundings, things.beam, things.things)
        mend(board, things_prior())
        return board

    def _without(self, station: int, now: Settled, sigma: Floats) -> Settled:
        """Return what the other stations show, from the list of all."""
        others = self.heard[self.heard != station]
        return self._climbed(self._mended(now.board, now.poses, others), others, now.poses, sigma)

    def _searched(self, station: int, now: Settled, sigma: Floats) -> Settled:
        """Return what the other stations show, searched for anew."""
        others = self.heard[self.heard != station]
        fit = fit_poses(self.seen.only(self.seen.station != station), self.stated, sigma, now.poses)
        return settle(self.run, [fit.poses], self.stated, sigma, others, times=1)

    def _asked(self, station: int, others: Settled) -> Elsewhere:
        soundings, _ = pack(calibrated(with_poses(self.run, self.stated)), np.array([station]))
        return elsewhere(others.board, own_pings(station, soundings, self.plateaus), self.sigma[station])

    def _both(
        self, station: int, others: Settled, told: Elsewhere, sigma: Floats, known: set[int]
    ) -> tuple[tuple[float, Settled], float]:
        """Return (worth, what comes of it) of a station put far away, and the worth of it held near [nats]."""
        wide = sigma.copy()
        wide[station] = np.hypot(STRAYED_SIGMAS, sigma[station])
        ends = []
        for shift, spread in ((told.away, wide), (told.home, sigma)):
            poses = others.poses.copy()
            poses[station] = self.stated[station] + shift
            board = self._mended(others.board, poses, self.heard)
            ends.append((Settled(poses, np.zeros((0, 0)), board), self._climbed(board, self.heard, poses, spread)))
        (_, away), (still, near) = ends
        at_home = max(worth(one, self.stated, sigma) for one in (still, self._held(near, sigma, known)))
        return (worth(away, self.stated, wide), away), at_home

    def _held(self, settled: Settled, sigma: Floats, known: set[int]) -> Settled:
        """Return poses moved back to within their sigmas, known strays left alone, and the things refined there."""
        off = pose_errors(settled.poses.copy(), self.stated)
        free = np.isin(np.arange(len(off)), sorted(known))[:, None]
        held = np.where(free, off, np.clip(off, -WITHIN * sigma, WITHIN * sigma))
        if np.allclose(held, off, rtol=0.0, atol=1e-9):
            return settled
        poses = self.stated + held
        prior = things_prior()
        soundings = moved(settled.board.soundings, (poses - settled.poses)[self.heard])
        board = Board(soundings, settled.board.beam, settled.board.things)
        refine_all(board, prior, passes=3, first=0.3)
        drop_poor(board, prior)
        return Settled(poses, settled.covariance, board)


def _fit_knowing(seen: Sightings, stated: Floats, sigma: Floats, strays: Sequence[Stray]) -> tuple[PoseFit, Floats]:
    """Return the fit of all poses with the strays started where they were found, and the sigmas it was made with."""
    widened, start, doubts = sigma.copy(), stated.copy(), sigma.copy()
    for stray in strays:
        widened[stray.station] = np.hypot(STRAYED_SIGMAS, sigma[stray.station])
        start[stray.station] = stray.pose
        doubts[stray.station] = SHARP[0], SHARP[0], SHARP[1]
    return fit_poses(seen, stated, widened, start, doubts), widened

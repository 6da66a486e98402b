"""Sweeps over surveyed things at several distances -> how wide the beam is at each, left and right, and how softly.

Detection against the angle off the axis is a logistic curve at every thing; the curves hang together by what handbooks
say of spreading, target strength and pistons, loosely, so that a beam that is no piston is followed and not bent.  The
posterior of `bench_posterior` is sampled with what is known of the head and of where the robot looked, so that their
uncertainty is in every width.  Angles in radians, ranges in metres.  Runs and files are `beam_bench`'s business.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from sonargrid.arrays import Bools, Floats, frozen
from sonargrid.bench.bench_posterior import LOGISTIC, Beforehand, Posterior, layout_of, loss_db
from sonargrid.bench.heard_things import Evidence, Sighting, Sweeps, evidence_of, joined, things_heard
from sonargrid.bench.walkers import sample_posterior

K_A_SPREAD = 0.20  # wider than between rangers: what is not a piston must find its own
OWN_DB = 1.1  # by which loudness departs from range and size; common practice, no source
POST_M = 0.025  # radius of the post that run.toml's half beam is stated for
BIN_RAD = math.radians(2.5)
SHOWN_RAD = math.radians(50.0)  # detection is counted out to here
AXIS_SHARE = 0.5  # pings within this share of the half width count as on the axis
WALKERS_A_PARAMETER, BURN_IN, STEPS = 3, 350, 250
SEED = 20260505


@dataclass(frozen=True, slots=True)
class BenchStation:
    """One station of the bench: its sweeps, the things it should see, and how well it is known where it looked."""

    name: str
    sweeps: Sweeps
    things: tuple[Sighting, ...]
    names: tuple[str, ...]
    kinds: tuple[str, ...]
    turn_sigma_rad: float


@dataclass(frozen=True, slots=True)
class BeamPlace:
    """One thing at one distance; (value, sigma) pairs of half widths [rad].

    left, right : counter-clockwise and clockwise of the axis
    post : mean of both sides for a 5 cm post at this distance; for things of another kind, nan
    soft_rad : of the logistic curve
    on_axis : share of pings near the axis that heard it
    off_rad, share, pings : (n,) middles of bins of the thing's angle off the axis, counter-clockwise, share
        of pings that heard it there, and how many were asked
    """

    station: str
    name: str
    kind: str
    range_m: float
    left: tuple[float, float]
    right: tuple[float, float]
    half: tuple[float, float]
    post: tuple[float, float]
    soft_rad: float
    on_axis: float
    off_rad: Floats
    share: Floats
    pings: Floats

    def __post_init__(self) -> None:
        for name in ("off_rad", "share", "pings"):
            object.__setattr__(self, name, frozen(getattr(self, name)))


@dataclass(frozen=True, slots=True)
class BeamFit:
    """The beam: its places by kind and rising range, and what holds for all of them.

    soft_rad : (value, sigma) of the logistic curve's softness, mean over the posts, else over all
    k_a : (value, sigma) of the closest piston; misfit_rad = RMS of the places' half widths about it
    threshold_db : (value, sigma) of the level that is just heard at 1 m
    covariance : (posts + 2, posts + 2) of `post` of the posts' places, in their order, then soft_rad, then k_a
    noise_on_m, noise_off_m : scatter of single ranges near the axis and beyond; late_m = how much later the outer ones
    curve_range_m, curve_rad : (n,) half width of a 5 cm post by the closest piston
    """

    places: tuple[BeamPlace, ...]
    soft_rad: tuple[float, float]
    k_a: tuple[float, float]
    misfit_rad: float
    threshold_db: tuple[float, float]
    covariance: Floats
    noise_on_m: float
    noise_off_m: float
    late_m: float
    curve_range_m: Floats
    curve_rad: Floats

    def __post_init__(self) -> None:
        for name in ("covariance", "curve_range_m", "curve_rad"):
            object.__setattr__(self, name, frozen(getattr(self, name)))


@dataclass(frozen=True, slots=True)
class _Seen:
    """The things that were heard, over all stations: evidence, and where each thing belongs."""

    evidence: Evidence
    things: list[Sighting]
    station: list[BenchStation]
    number: list[int]  # among its station's things
    turn_sigma: Floats


def _seen(stations: Sequence[BenchStation]) -> _Seen:
    parts, things, owner, number, sigma = [], [], [], [], []
    for one in stations:
        seen, own = things_heard(one.sweeps, one.things)
        if not seen:
            continue
        parts.append(evidence_of(one.sweeps, one.things, seen, own))
        alone = len(seen) == 1
        for t in seen:
            # one thing alone: its survey and the robot's heading cannot be told apart
            things.append(replace(one.things[t], bearing_sigma_rad=0.0) if alone else one.things[t])
            owner.append(one)
            number.append(t)
        sigma.append(math.hypot(one.turn_sigma_rad, one.things[seen[0]].bearing_sigma_rad if alone else 0.0))
    if not parts:
        raise ValueError("none of the surveyed things was heard: their ranges do not occur in the sweeps")
    return _Seen(joined(parts), things, owner, number, np.array(sigma))


def fit_beam_width(stations: Sequence[BenchStation], before: Beforehand) -> BeamFit:
    """Return the beam from sweeps over surveyed things.

    Parameters
    ----------
    stations : sequence of BenchStation
        One or more; a post that one station sees at each of several distances, or several posts.
    before : Beforehand
        What is known of the head: offset, scale and backlash with their sigmas.

    Raises
    ------
    ValueError
        If none of the things was heard.
    """
    seen = _seen(stations)
    known = replace(before, turn_sigma=seen.turn_sigma, k_a_spread=K_A_SPREAD, own_db=OWN_DB)
    exact = all(t.bearing_sigma_rad == 0.0 for t in seen.things)
    free = {"scale", "lopsided"} | ({"backlash"} if np.any(seen.evidence.turning != 0.0) else set())
    layout = layout_of(len(seen.things), free, exact, seen.turn_sigma.size)
    posterior = Posterior(seen.evidence, seen.things, layout, known)
    rng = np.random.default_rng(SEED)
    walkers = 2 * ((WALKERS_A_PARAMETER * layout.size + 1) // 2)
    start = posterior.start(0.0, known.scale[0], max(known.backlash[0], 0.005), walkers, rng)
    start[:, layout.turn : layout.turn + layout.turns] += _turn_guess(seen, known)
    drawn = sample_posterior(posterior.cost, start, STEPS, BURN_IN, rng)
    places, off = _places(posterior, seen, drawn)
    posts = [p for p in places if p.kind == "post"] or places
    at = np.linspace(0.15, max(2.0, 1.2 * max(p.range_m for p in places)), 60)
    curve = posterior.curve(drawn, at, POST_M).mean(axis=0)
    foretold = np.interp([p.range_m for p in posts], at, curve)
    found = np.array([p.post[0] if p.kind == "post" else p.half[0] for p in posts])
    soft = _softness(posterior, drawn, [k for k, p in enumerate(places) if p in posts])
    k_a = np.exp(drawn[:, layout.threshold + 1])
    threshold = drawn[:, layout.threshold]
    order = sorted(range(len(places)), key=lambda k: (places[k].kind, places[k].range_m))
    five = posterior.half_widths(drawn, POST_M)[:, [k for k in order if places[k].kind == "post"]]
    return BeamFit(
        places=tuple(places[k] for k in order),
        soft_rad=_pair(soft),
        k_a=_pair(k_a),
        misfit_rad=float(np.sqrt(np.mean((found - foretold) ** 2))),
        threshold_db=_pair(threshold),
        covariance=np.cov(np.column_stack([five, soft, k_a]).T, bias=True),
        **_range_noise(seen.evidence, off, np.array([p.half[0] for p in places])),
        curve_range_m=at,
        curve_rad=curve,
    )


def _turn_guess(seen: _Seen, before: Beforehand) -> Floats:
    """Return how far left of its stated heading each station seems to look: by the middles of what it heard."""
    e, guess = seen.evidence, np.zeros(seen.turn_sigma.size)
    for station in range(guess.size):
        off = []
        for k, thing in enumerate(seen.things):
            angle = e.angle_rad[(e.heard == k) & (e.station == station)]
            if angle.size:
                middle = 0.5 * (float(angle.min()) + float(angle.max()))
                off.append(thing.bearing_rad - before.scale[0] * middle - before.offset)
        guess[station] = float(np.median(off)) if off else 0.0
    return guess


def _softness(posterior: Posterior, drawn: Floats, which: Sequence[int]) -> Floats:
    """Return the logistic curve's softness of each sample, mean over some things, (samples,) [rad]."""
    at = posterior.layout
    k_a, soft_db = np.exp(drawn[:, at.threshold + 1, None]), np.exp(drawn[:, at.threshold + 2, None])
    edge = posterior.half_widths(drawn)[:, list(which)]
    slope = (loss_db(edge - 0.01, k_a) - loss_db(edge + 0.01, k_a)) / 0.02
    return np.asarray(np.mean(soft_db / LOGISTIC / np.maximum(slope, 5.0), axis=1))


def _places(posterior: Posterior, seen: _Seen, drawn: Floats) -> tuple[list[BeamPlace], Floats]:
    """Return the places, and each ping's angle of the thing off the axis, (n, things) [rad]; nan = not asked."""
    at, e = posterior.layout, seen.evidence
    half, five = posterior.half_widths(drawn), posterior.half_widths(drawn, POST_M)
    lopsided = drawn[:, at.lopsided]
    middle = drawn.mean(axis=0, keepdims=True)
    turn = middle[0, at.turn + e.station]
    lag = middle[0, at.backlash] if at.backlash >= 0 else 0.0
    looks = middle[0, at.scale] * e.angle_rad + posterior.before.offset + turn - 0.5 * lag * e.turning
    off = np.full((e.heard.size, at.things), np.nan)
    places = []
    for k, thing in enumerate(seen.things):
        own, bearing = e.heard == k, thing.bearing_rad + float(at.bearings(middle)[0, k])
        asked = own | e.passed[:, k]
        off[asked, k] = looks[asked] - bearing
        station, number = seen.station[k], seen.number[k]
        kind = station.kinds[number]
        near = asked & (np.abs(looks - bearing) < AXIS_SHARE * float(half[:, k].mean()))
        places.append(
            BeamPlace(
                station=station.name,
                name=station.names[number],
                kind=kind,
                range_m=thing.range_m,
                left=_pair(half[:, k] * np.exp(0.5 * lopsided)),
                right=_pair(half[:, k] * np.exp(-0.5 * lopsided)),
                half=_pair(half[:, k]),
                post=_pair(five[:, k]) if kind == "post" else (math.nan, math.nan),
                soft_rad=float(_softness(posterior, drawn, [k]).mean()),
                on_axis=float(own[near].mean()) if near.any() else math.nan,
                **_shares(off[:, k], own),
            )
        )
    return places, off


def _pair(samples: Floats) -> tuple[float, float]:
    return float(samples.mean()), float(samples.std())


def _shares(off: Floats, own: Bools) -> dict[str, Floats]:
    """Return bins' middles, the share of pings that heard the thing, and the number asked; empty bins left out."""
    asked = np.isfinite(off) & (np.abs(off) < SHOWN_RAD)
    number = np.floor(off[asked] / BIN_RAD).astype(int)
    bins, index = np.unique(number, return_inverse=True)
    pings = np.bincount(index, minlength=bins.size).astype(np.float64)
    heard = np.bincount(index, weights=own[asked].astype(np.float64), minlength=bins.size)
    # angles of the axis from the thing turned into those of the thing from the axis
    return {"off_rad": -(bins + 0.5) * BIN_RAD, "share": heard / np.maximum(pings, 1.0), "pings": pings}


def _range_noise(e: Evidence, off: Floats, half: Floats) -> dict[str, float]:
    """Return the scatter of single ranges near the axis and beyond, and how much later the outer ones come [m]."""
    on, out, late = [], [], []
    for k in range(half.size):
        own = (e.heard == k) & np.isfinite(off[:, k])
        if own.sum() < 6:
            continue
        share, read = np.abs(off[own, k]) / half[k], e.range_m[own]
        curve = np.polyfit(share**2, read, 1)
        near = np.abs(read - np.median(read)) < 0.02
        curve = np.polyfit(share[near] ** 2, read[near], 1) if near.sum() >= 6 else curve
        left = read - np.polyval(curve, share**2)
        on.append(left[share < AXIS_SHARE])
        out.append(left[share >= AXIS_SHARE])
        late.append(float(curve[0]))
    scatter = [1.4826 * float(np.median(np.abs(np.concatenate(part)))) if part else math.nan for part in (on, out)]
    return {"noise_on_m": scatter[0], "noise_off_m": scatter[1], "late_m": float(np.mean(late)) if late else math.nan}

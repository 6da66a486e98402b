"""Sweeps over surveyed things -> the head's offset, scale and backlash, and the beam's half width at each thing.

Every ping says which thing it heard first, or none.  The posterior of offset, scale, backlash, half widths and the
survey's own errors, under a soft-edged beam and with nearer things hiding what lies behind them, is sampled: it has
flat tops and edges, so that its mean is nearer the truth than its peak, and middles of runs are several times worse.
The half widths of one ranger hang together, which tells an edge that is hidden from one that is not there.  What the
data cannot tell is left out, with the reason.

Angles in radians from straight ahead, counter-clockwise; ranges in metres from the ranger's face; both before
calibration.  Applying the values is `calibration`'s business.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Bools, Floats, Ints, frozen
from sonargrid.bench.walkers import sample_posterior
from sonargrid.maps.beams import two_way_amplitude

RANGE_GATE_M = 0.04  # echoes this near a thing's surveyed range are taken for its own
LEAST_SPAN_RAD = math.radians(20.0)  # things closer together than this say nothing of the scale
LEAST_ECHOES = 4  # fewer in one turning sense do not show a beam
SOFT_GUESS_RAD = math.radians(0.6)
STRAY = 0.01  # share of pings that are wrong whatever the angle; common practice, no source
SCALE_SPREAD = 0.10  # of the head's scale beforehand; wide enough to leave the data the word
LATE_M, LATE_SPREAD_M, LATE_DB = 0.006, 0.003, 20.0  # the weakest echo triggers so much later; from memory
LATE_SHAPE_M = 0.0008  # by which lateness departs from the straight law: benchmarks/README.md, head calibration
NOMINAL_K_A = 5.71  # k a of a 7.8 mm piston at 40 kHz, for the shape of the loss off the axis only
ABSORPTION_DB_M = 1.3  # one way at 40 kHz, 20 degC, 50 %: ISO 9613-1
THRESHOLD_DB, THRESHOLD_SPREAD_DB = -26.0, 4.0  # just heard at 1 m, relative to a smooth wall; from memory
PISTON_SPREAD = 0.08  # of k a from ranger to ranger; from memory
THING_SPREAD_RAD = math.radians(1.2)  # of a half width about what range and size foretell; common practice, no source
BACKLASH_SPREAD_RAD = math.radians(6.0)  # beforehand; hobby servos stay below; common practice, no source
LEAST_BEARING_SIGMA_RAD = 1e-4
HEADS = 3  # offset, scale, backlash come first among the parameters
WALKERS_A_PARAMETER, BURN_IN, STEPS = 4, 500, 700
SEED = 20260504  # of the walkers: same sweeps, same answer
LOST = 0.02  # share of pings in the middle of the beam that stay silent; common practice, no source


@dataclass(frozen=True, slots=True)
class Sighting:
    """A surveyed thing as it should be seen from the station that swept it.

    bearing_rad, range_m : from straight ahead as stated; to the near face
    bearing_sigma_rad, range_sigma_m : from the survey alone, the station's heading left out
    radius_m : of a post; inf for flat things and corners
    """

    bearing_rad: float
    range_m: float
    bearing_sigma_rad: float
    range_sigma_m: float
    radius_m: float = 0.025


@dataclass(frozen=True, slots=True)
class Sweeps:
    """What one station's head heard, each array (N,): commanded angle turned to head sense, range, turning."""

    angle_rad: Floats
    range_m: Floats
    turning: Ints

    def __post_init__(self) -> None:
        object.__setattr__(self, "angle_rad", frozen(self.angle_rad))
        object.__setattr__(self, "range_m", frozen(self.range_m))
        object.__setattr__(self, "turning", frozen(self.turning, np.int8))


@dataclass(frozen=True, slots=True)
class HeadFit:
    """Offset, scale and backlash of the head; nan = the data cannot tell, and `reasons` says why.

    Sigmas include the survey's and, for the offset, the station's heading.
    half_rad, half_sigma_rad : (things,) half width of the beam at each thing; nan where it was not heard
    residual_rad : (things,) how far each thing alone, turned to the left, would fit better; nan if not heard
    covariance : (3, 3) of offset, scale, backlash; nan where the data cannot tell
    """

    angle_offset_rad: float
    angle_offset_sigma_rad: float
    angle_scale: float
    angle_scale_sigma: float
    backlash_rad: float
    backlash_sigma_rad: float
    range_bias_m: float
    range_bias_sigma_m: float
    half_rad: Floats
    half_sigma_rad: Floats
    soft_rad: float
    residual_rad: Floats
    reasons: tuple[str, ...]
    covariance: Floats

    def __post_init__(self) -> None:
        for name in ("half_rad", "half_sigma_rad", "residual_rad", "covariance"):
            object.__setattr__(self, name, frozen(getattr(self, name)))


@dataclass(frozen=True, slots=True)
class _Evidence:
    """What each ping (n,) reported: which thing, or none, and which things (n, things seen) it passed on the way."""

    angle_rad: Floats
    turning: Floats
    heard: Ints  # place among the things seen; -1 = none of them
    silent: Bools
    passed: Bools
    weight: Floats


def _own_echoes(sweeps: Sweeps, things: Sequence[Sighting], number: int) -> Bools:
    """Return which pings heard a thing, by its surveyed range; things of nearly one range by the nearer angle."""
    thing = things[number]
    own = np.abs(sweeps.range_m - thing.range_m) <= RANGE_GATE_M
    for other_number, other in enumerate(things):
        if other_number != number and abs(other.range_m - thing.range_m) <= 2.0 * RANGE_GATE_M:
            away = np.abs(sweeps.range_m - thing.range_m) - np.abs(sweeps.range_m - other.range_m)
            angle = np.abs(sweeps.angle_rad - thing.bearing_rad) - np.abs(sweeps.angle_rad - other.bearing_rad)
            own &= np.where(np.abs(away) > 0.5 * RANGE_GATE_M, away < 0.0, angle < 0.0)
    return own


def _seen(sweeps: Sweeps, things: Sequence[Sighting]) -> tuple[list[int], Bools]:
    """Return the things heard often enough in some turning sense, and (things seen, n) which pings heard each."""
    own = np.array([_own_echoes(sweeps, things, number) for number in range(len(things))]).reshape(len(things), -1)
    often = [
        any(int((own[t] & (sweeps.turning == sense)).sum()) >= LEAST_ECHOES for sense in (1, 0, -1))
        for t in range(len(things))
    ]
    seen = [t for t in range(len(things)) if often[t]]
    return seen, own[seen]


def _evidence(sweeps: Sweeps, things: Sequence[Sighting], seen: list[int], own: Bools) -> _Evidence:
    use = ~np.isnan(sweeps.range_m)
    range_m = sweeps.range_m[use]
    heard = np.where(own[:, use].any(axis=0), own[:, use].argmax(axis=0), -1)
    at = np.array([things[t].range_m for t in seen])
    # the echo that is reported is the first: things nearer than it were not heard, things behind it are hidden
    reported = np.where(heard >= 0, at[heard], range_m)
    passed = at < reported[:, None]
    passed[heard >= 0, heard[heard >= 0]] = False
    both = np.stack([np.round(sweeps.angle_rad[use], 9), sweeps.turning[use]], axis=1)
    # repeats of one angle in one sense are hardly new: together they count as the root of their number
    _, index, count = np.unique(both, axis=0, return_inverse=True, return_counts=True)
    weight = 1.0 / np.sqrt(count[index.reshape(-1)])
    turning = sweeps.turning[use].astype(np.float64)
    return _Evidence(sweeps.angle_rad[use], turning, heard, np.isposinf(range_m), passed, weight)


@dataclass(frozen=True, slots=True)
class _Problem:
    """Parameters: offset, scale, backlash, half widths and survey errors of the things seen, log softness.

    What the data cannot tell (scale, backlash) keeps its prior and is left out of the answer.
    """

    evidence: _Evidence
    seen: list[int]
    bearing_rad: Floats
    bearing_sigma_rad: Floats
    half_mean_rad: Floats
    half_precision: Floats
    scale: bool
    backlash: bool

    @property
    def size(self) -> int:
        return HEADS + 2 * len(self.seen) + 1

    def parts(self, p: Floats) -> tuple[Floats, Floats, Floats]:
        """Return half widths, survey errors, each (W, things seen), and softness (W,)."""
        n = len(self.seen)
        return p[:, HEADS : HEADS + n], p[:, HEADS + n : HEADS + 2 * n], np.exp(p[:, -1])

    def cost(self, p: Floats) -> Floats:
        """Return minus the log posterior of (W, size) parameters."""
        half, survey, soft = self.parts(p)
        away = half - self.half_mean_rad
        total = 0.5 * ((p[:, -1] - math.log(SOFT_GUESS_RAD)) / 0.5) ** 2
        total += 0.5 * np.einsum("wi,ij,wj->w", away, self.half_precision, away)
        total += 0.5 * np.sum((survey / self.bearing_sigma_rad) ** 2, axis=1)
        total += 0.5 * ((p[:, 1] - 1.0) / (SCALE_SPREAD if self.scale else 1e-6)) ** 2
        total += 0.5 * (p[:, 2] / (BACKLASH_SPREAD_RAD if self.backlash else 1e-9)) ** 2
        e = self.evidence
        looks = p[:, 1:2] * e.angle_rad + p[:, 0:1] - 0.5 * p[:, 2:3] * e.turning
        chance, clear = np.ones(looks.shape), np.ones(looks.shape)
        for at in range(len(self.seen)):
            off = np.abs(looks - (self.bearing_rad[at] + survey[:, at])[:, None])
            loud = 1.0 / (1.0 + np.exp(np.clip((off - half[:, at : at + 1]) / soft[:, None], -40.0, 40.0)))
            clear[:, e.passed[:, at]] *= 1.0 - loud[:, e.passed[:, at]]
            own = e.heard == at
            chance[:, own] = loud[:, own]
        told = (1.0 - LOST - STRAY) * clear * chance
        told = np.where(e.silent, LOST + told, STRAY + told)
        return np.asarray(total - np.log(told) @ e.weight)


def half_widths_beforehand(things: Sequence[Sighting]) -> tuple[Floats, Floats]:
    """Return mean (n,) and covariance (n, n) of the half widths [rad, rad^2] before any reading.

    Rangers differ in threshold and piston, and all things share both; each thing's own loudness differs a little more.
    Handbook levels: spreading, a cylinder's target strength, the piston out and back; threshold from memory.
    """
    radius = np.array([t.radius_m for t in things])
    r = np.maximum(np.array([t.range_m for t in things]), 0.02)
    flat = np.isinf(radius)
    # gain that grows with time takes back half of the spreading
    level = -10.0 * np.log10(r) - 2.0 * ABSORPTION_DB_M * (r - 1.0)
    level += np.where(flat, 0.0, 10.0 * np.log10(np.where(flat, 1.0, radius) / (np.where(flat, 1.0, radius) + r)))
    angle = np.radians(np.linspace(0.25, 41.0, 164))
    widths = []
    for threshold in THRESHOLD_DB + THRESHOLD_SPREAD_DB * np.array([-1.5, -0.75, 0.0, 0.75, 1.5]):
        for k_a in NOMINAL_K_A * np.exp(PISTON_SPREAD * np.array([-1.4, 0.0, 1.4])):
            loss = -20.0 * np.log10(np.maximum(two_way_amplitude(angle, k_a), 1e-6))
            widths.append(np.interp(level - threshold, loss[: int(np.argmax(loss))], angle[: int(np.argmax(loss))]))
    table = np.array(widths)
    own = THING_SPREAD_RAD**2 * np.eye(len(things))
    return table.mean(axis=0), np.atleast_2d(np.cov(table.T)) + own


def _start(problem: _Problem, walkers: int, rng: np.random.Generator) -> Floats:
    """Return first places of the walkers: round the middles of what was heard, wide apart."""
    e = problem.evidence
    heard = [e.angle_rad[e.heard == at] for at in range(len(problem.seen))]
    off = [b - 0.5 * float(angles.min() + angles.max()) for b, angles in zip(problem.bearing_rad, heard, strict=True)]
    n = len(problem.seen)
    middle = np.array([float(np.median(off)), 1.0, 0.0, *problem.half_mean_rad, *np.zeros(n), math.log(SOFT_GUESS_RAD)])
    scale, lag = (0.03 if problem.scale else 1e-6), (0.02 if problem.backlash else 1e-9)
    spread = np.array([0.03, scale, lag, *[0.04] * n, *problem.bearing_sigma_rad, 0.3])
    return np.asarray(middle + spread * rng.standard_normal((walkers, middle.size)))


def _range_bias(
    sweeps: Sweeps, things: Sequence[Sighting], fitted: Floats, half: Floats, looks: Floats
) -> tuple[float, float]:
    """Return the range bias: every thing's own, after taking out that weak echoes off the axis trigger late."""
    rows, target, weights, used = [], [], [], []
    for number, thing in enumerate(things):
        if math.isnan(half[number]):
            continue
        off = np.abs(looks - fitted[number])
        own = _own_echoes(sweeps, things, number) & (off < 0.85 * half[number])
        if own.sum() < 3:
            continue
        loss = -20.0 * np.log10(np.maximum(two_way_amplitude(np.r_[off[own], half[number]], NOMINAL_K_A), 1e-4))
        weak = 1.0 - np.clip((loss[-1] - loss[:-1]) / LATE_DB, 0.0, 1.0)
        read = sweeps.range_m[own]
        keep = np.abs(read - np.median(read)) < 0.015
        used.append(thing.range_sigma_m)
        rows += [(len(used) - 1, w) for w in weak[keep]]
        target += list(thing.range_m - read[keep])
        weights += [1.0 / max(float(np.std(read[keep])), 0.001)] * int(keep.sum())
    if not used:
        return math.nan, math.nan
    # unknowns: bias, each thing's survey error, how late the weakest echo comes; what is known of these joins in
    k = len(used)
    design, y = np.zeros((len(rows) + k + 1, k + 2)), np.zeros(len(rows) + k + 1)
    for i, ((which, weak_share), value, weight) in enumerate(zip(rows, target, weights, strict=True)):
        design[i, [0, 1 + which, k + 1]] = weight * np.array([1.0, 1.0, -weak_share])
        y[i] = weight * value
    for i, sigma in enumerate(used):
        design[len(rows) + i, 1 + i] = 1.0 / max(sigma, 0.001)
    design[-1, k + 1], y[-1] = 1.0 / LATE_SPREAD_M, LATE_M / LATE_SPREAD_M
    covariance = np.linalg.inv(design.T @ design)
    return float((covariance @ design.T @ y)[0]), math.hypot(math.sqrt(float(covariance[0, 0])), LATE_SHAPE_M)


def fit_head(sweeps: Sweeps, things: Sequence[Sighting], heading_sigma_rad: float = 0.0) -> HeadFit:
    """Return the head's offset, scale and backlash from sweeps over surveyed things.

    The head angle of a thing is scale * commanded + offset - backlash / 2 * turning, as in `calibration`, with
    commanded angles already in head sense (0 = straight ahead, growing to the left).

    Parameters
    ----------
    sweeps : Sweeps
        One station's readings, both turning senses if backlash is wanted.
    things : sequence of Sighting
        The surveyed things; ranges at least 8 cm apart keep their echoes apart.
    heading_sigma_rad : float
        Of the station's stated heading [rad]; goes into the offset's sigma.

    Raises
    ------
    ValueError
        If none of the things was heard.
    """
    seen, own = _seen(sweeps, things)
    if not seen:
        raise ValueError("none of the surveyed things was heard: their ranges do not occur in the sweeps")
    problem = _problem(_evidence(sweeps, things, seen, own), things, seen)
    rng = np.random.default_rng(SEED)
    walkers = 2 * ((WALKERS_A_PARAMETER * problem.size + 1) // 2)
    drawn = sample_posterior(problem.cost, _start(problem, walkers, rng), STEPS, BURN_IN, rng)
    mean, covariance = drawn.mean(axis=0), np.atleast_2d(np.cov(drawn.T))
    covariance[0, 0] += heading_sigma_rad**2
    half, half_sigma = np.full(len(things), np.nan), np.full(len(things), np.nan)
    halves = drawn[:, HEADS : HEADS + len(problem.seen)]
    half[problem.seen], half_sigma[problem.seen] = halves.mean(axis=0), halves.std(axis=0)
    looks = mean[1] * sweeps.angle_rad + mean[0] - 0.5 * mean[2] * sweeps.turning
    bearing = np.array([t.bearing_rad for t in things])
    bias, bias_sigma = _range_bias(sweeps, things, bearing, half, looks)
    told = np.array([True, problem.scale, problem.backlash])
    values = np.where(told, mean[:HEADS], np.nan)
    sigmas = np.where(told, np.sqrt(np.diag(covariance)[:HEADS]), np.nan)
    return HeadFit(
        angle_offset_rad=float(values[0]),
        angle_offset_sigma_rad=float(sigmas[0]),
        angle_scale=float(values[1]),
        angle_scale_sigma=float(sigmas[1]),
        backlash_rad=float(values[2]),
        backlash_sigma_rad=float(sigmas[2]),
        range_bias_m=bias,
        range_bias_sigma_m=bias_sigma,
        half_rad=half,
        half_sigma_rad=half_sigma,
        soft_rad=float(np.exp(mean[-1])),
        residual_rad=_residuals(problem, mean, len(things)),
        reasons=tuple(_reasons(problem)),
        covariance=np.where(told & told[:, None], covariance[:HEADS, :HEADS], np.nan),
    )


def _problem(evidence: _Evidence, things: Sequence[Sighting], seen: list[int]) -> _Problem:
    used = [things[t] for t in seen]
    mean, covariance = half_widths_beforehand(used)
    bearing = np.array([t.bearing_rad for t in used])
    sigma = np.array([max(t.bearing_sigma_rad, LEAST_BEARING_SIGMA_RAD) for t in used])
    both = any(set(evidence.turning[evidence.heard == at]) >= {1.0, -1.0} for at in range(len(seen)))
    wide = float(np.ptp(bearing)) >= LEAST_SPAN_RAD
    precision = np.asarray(np.linalg.inv(covariance), dtype=np.float64)
    return _Problem(evidence, seen, bearing, sigma, mean, precision, wide, both)


def _reasons(problem: _Problem) -> list[str]:
    reasons = []
    if not problem.scale and len(problem.seen) == 1:
        reasons.append("angle_scale: one thing heard gives none; survey a second one at least 60 degrees away")
    elif not problem.scale:
        reasons.append("angle_scale: the things heard stand within 20 degrees; put them at least 60 degrees apart")
    if not problem.backlash:
        reasons.append("backlash_deg: no thing was heard in both turning senses; sweep forth and back")
    return reasons


def _residuals(problem: _Problem, mean: Floats, count: int) -> Floats:
    """Return by how much each thing alone would have to be turned to fit best: the residual curve of the head."""
    residual = np.full(count, np.nan)
    shifts = np.radians(np.arange(-8.0, 8.05, 0.1))
    first = HEADS + len(problem.seen)
    for at, thing in enumerate(problem.seen):
        moved = np.tile(mean, (shifts.size, 1))
        moved[:, first + at] = shifts
        cost = problem.cost(moved) - 0.5 * (shifts / problem.bearing_sigma_rad[at]) ** 2
        weight = np.exp(cost.min() - cost)
        residual[thing] = float(weight @ shifts / weight.sum())
    return residual

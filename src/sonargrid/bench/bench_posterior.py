"""How likely the pings of a bench are, given head, ranger and survey: what the fits of head and beam sample.

Every ping counts twice: by which thing it heard first (a soft-edged beam, nearer things hide what lies behind them),
and by its range (weak echoes off the axis trigger late).  Levels are handbook ones: spreading, half of it taken back by
the ranger's gain; a cylinder's target strength; a piston out and back.  Threshold, piston, softness and every thing's
own loudness are free, with priors, so that no beam is taken for granted.  What enters linearly (range bias, lateness,
the survey's range errors) is integrated out exactly.  Angles in radians from straight ahead, metres, decibels.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache

import numpy as np

from sonargrid.arrays import Bools, Floats, Ints
from sonargrid.bench.heard_things import Evidence, Sighting
from sonargrid.maps.beams import two_way_amplitude

STRAY = 0.01  # share of pings that are wrong whatever the angle; common practice, no source
LOST = 0.02  # share of pings in the middle of the beam that stay silent; common practice, no source
SCALE_SPREAD = 0.10  # of the head's scale beforehand; wide enough to leave the data the word
BACKLASH_SPREAD_RAD = math.radians(4.0)  # play and lag beforehand, never below 0; common practice, no source
BEND_SPREAD_RAD = math.radians(3.0)
THRESHOLD_DB, THRESHOLD_SPREAD_DB = -26.0, 4.0  # just heard at 1 m, relative to a smooth wall; from memory
NOMINAL_K_A, K_A_SPREAD = 5.71, 0.10  # k a of a 7.8 mm piston at 40 kHz; from ranger to ranger from memory
SOFT_DB, SOFT_SPREAD = 1.0, 0.8  # scatter of an echo's level, and its spread in logarithms; common practice, no source
OWN_DB = 1.5  # how much louder or softer one thing is than its size foretells; common practice, no source
ABSORPTION_DB_M = 1.3  # one way at 40 kHz, 20 degC, 50 %: ISO 9613-1
LOGISTIC = 1.7  # logistic curve that resembles a normal one; textbook constant
BIAS_SPREAD_M = 0.03
LATE_M, LATE_SPREAD_M, LATE_DB = 0.006, 0.003, 20.0  # the weakest echo triggers so much later; from memory
LEAST_NOISE_M, MOST_OFF_M = 0.0008, 0.020
LEAST_BEARING_SIGMA_RAD = math.radians(0.05)  # a survey better than this is taken as exact
LOPSIDED = 0.10  # log of how much wider one half of the beam is than the other; from memory
WIDEST_RAD = math.radians(75.0)  # nothing is heard so far off the axis
LOBE_STEPS, LOBE_END = 400, 14.0  # table entries for one unit of k a sin(theta), and where the table ends
FLOOR_DB, FLOOR_FALL_DB, NULL_AT = -42.0, 6.0, 3.8317  # side lobes as a falling plateau: real beams have no clean null


@cache
def lobe_db() -> Floats:
    """Return the two-way level at k a sin(theta) = 0, 1 / LOBE_STEPS ...: a piston's main lobe, then a plateau [dB]."""
    u = np.arange(0.0, LOBE_END, 1.0 / LOBE_STEPS)
    level = 20.0 * np.log10(np.maximum(two_way_amplitude(np.arcsin(u / LOBE_END), LOBE_END), 1e-9))
    level[u >= NULL_AT] = -np.inf
    return np.asarray(np.maximum(level, FLOOR_DB - FLOOR_FALL_DB * np.maximum(0.0, u - 3.4)))


def loss_db(off_rad: Floats, k_a: Floats | float) -> Floats:
    """Return the two-way level off the axis [dB, 0 on the axis]; shapes broadcast.

    >>> round(float(loss_db(np.array(math.radians(20.0)), 5.71)), 1)
    -9.1
    """
    turned = np.minimum(np.abs(off_rad), 0.5 * math.pi)
    step = np.minimum(k_a * np.sin(turned) * LOBE_STEPS + 0.5, LOBE_END * LOBE_STEPS - 1.0)
    return np.asarray(lobe_db()[step.astype(np.int32)])


def level_on_axis_db(range_m: Floats, radius_m: Floats) -> Floats:
    """Return how loud things are on the axis, half of the spreading taken back [dB re a smooth wall at 1 m]; (n,).

    radius_m : of posts; inf for flat things and corners
    """
    r, flat = np.maximum(range_m, 0.02), np.isinf(radius_m)
    a = np.where(flat, 1.0, radius_m)
    level = -10.0 * np.log10(r) - 2.0 * ABSORPTION_DB_M * (r - 1.0)
    return np.asarray(level + np.where(flat, 0.0, 10.0 * np.log10(a / (a + r))))


@dataclass(frozen=True, slots=True)
class Beforehand:
    """What is known before any reading: (value, sigma) each; angles in radians.

    turn_sigma : (stations,) of where each station's robot really looked; None = one station, as stated
    own_db : how much louder or softer a thing is than its size foretells
    """

    offset: float = 0.0
    scale: tuple[float, float] = (1.0, SCALE_SPREAD)
    backlash: tuple[float, float] = (0.0, BACKLASH_SPREAD_RAD)
    k_a_spread: float = K_A_SPREAD
    own_db: float = OWN_DB
    turn_sigma: Floats | None = field(default=None)


@dataclass(frozen=True, slots=True)
class _Thing:
    """One thing's part of the evidence: its pings (m,), +1 where it was heard and -1 where it was passed."""

    pings: Ints
    sign: Floats
    ranged: Ints  # of its own echoes, which are good for the range
    off_m: Floats  # of these: read minus surveyed
    weight: Floats


FREE = ("offset", "scale", "backlash", "bend", "lopsided")  # one column each, where they are free


@dataclass(frozen=True, slots=True)
class Layout:
    """Which parameter stands in which column; -1 = not free.

    After the free ones of `FREE` and `turns` columns of the stations' turns come threshold, log k a, log softness,
    a level of each thing, and, unless the survey is exact, a bearing error of each thing.
    """

    things: int
    turns: int
    offset: int
    scale: int
    backlash: int
    bend: int
    lopsided: int
    turn: int
    threshold: int
    bearing: int
    size: int

    @property
    def level(self) -> int:
        """First column of the things' own levels."""
        return self.threshold + 3

    def column(self, p: Floats, at: int, otherwise: float) -> Floats:
        """Return a parameter of (W, size) walkers as a column (W, 1)."""
        return p[:, at : at + 1] if at >= 0 else np.full((p.shape[0], 1), otherwise)

    def bearings(self, p: Floats) -> Floats:
        """Return the survey's bearing errors (W, things) [rad]."""
        return p[:, self.bearing :] if self.bearing >= 0 else np.zeros((p.shape[0], self.things))


def layout_of(things: int, free: set[str], surveyed_exactly: bool, turns: int = 0) -> Layout:
    """Return the columns of the parameters that the data, or the asker, leave free.

    >>> layout_of(2, {"offset", "backlash"}, True).size
    7
    """
    columns, at = {}, 0
    for name in FREE:
        columns[name] = at if name in free else -1
        at += int(name in free)
    threshold = at + turns
    last = threshold + 3 + things
    bearing = -1 if surveyed_exactly else last
    size = last + (0 if surveyed_exactly else things)
    return Layout(things, turns, **columns, turn=at, threshold=threshold, bearing=bearing, size=size)


class Posterior:
    """Minus the log posterior of (W, size) parameters, whose columns `layout` names."""

    def __init__(
        self, evidence: Evidence, things: Sequence[Sighting], layout: Layout, before: Beforehand | None = None
    ) -> None:
        self.layout, self.before = layout, before or Beforehand()
        self.bearing = np.array([t.bearing_rad for t in things])
        self.bearing_sigma = np.array([max(t.bearing_sigma_rad, LEAST_BEARING_SIGMA_RAD) for t in things])
        self.range_sigma = np.array([max(t.range_sigma_m, 0.0005) for t in things])
        self.range_m = np.array([t.range_m for t in things])
        self.level = level_on_axis_db(self.range_m, np.array([t.radius_m for t in things]))
        near = np.abs(evidence.angle_rad[:, None] - self.bearing) < WIDEST_RAD
        own = evidence.heard[:, None] == np.arange(len(things))
        about = near & (own | evidence.passed)
        used = about.any(axis=1)
        self.angle, self.turning = evidence.angle_rad[used], evidence.turning[used]
        self.weight, self.station = evidence.weight[used], evidence.station[used]
        self.by_chance = np.where(evidence.silent[used], LOST, STRAY)
        self.noise = _noise(evidence, own)
        self.things = [
            _thing(evidence, about[:, k], own[:, k], used, things[k].range_m, self.noise) for k in range(len(things))
        ]
        self.center, self.sigma = self._normal_priors()

    def _normal_priors(self) -> tuple[Floats, Floats]:
        """Return means and sigmas (size,) of the parameters beforehand; inf = nothing is known."""
        at, before = self.layout, self.before
        center, sigma = np.zeros(at.size), np.full(at.size, np.inf)
        known = ((at.scale, before.scale), (at.backlash, before.backlash))
        for column, (value, spread) in (*known, (at.bend, (0.0, BEND_SPREAD_RAD)), (at.lopsided, (0.0, LOPSIDED))):
            if column >= 0:
                center[column], sigma[column] = value, spread
        if at.turns and before.turn_sigma is not None:
            sigma[at.turn : at.turn + at.turns] = before.turn_sigma
        center[at.threshold : at.level] = THRESHOLD_DB, math.log(NOMINAL_K_A), math.log(SOFT_DB)
        sigma[at.threshold : at.level] = THRESHOLD_SPREAD_DB, before.k_a_spread, SOFT_SPREAD
        sigma[at.level : at.level + at.things] = before.own_db
        if at.bearing >= 0:
            sigma[at.bearing :] = self.bearing_sigma
        return center, sigma

    def start(self, offset: float, scale: float, backlash: float, walkers: int, rng: np.random.Generator) -> Floats:
        """Return first places of the walkers, (walkers, size), round a rough guess of the head."""
        at = self.layout
        middle = self.center.copy()
        spread = np.minimum(self.sigma, 0.015)
        for column, value in ((at.offset, offset), (at.scale, scale), (at.backlash, backlash)):
            if column >= 0:
                middle[column] = value
        spread[at.threshold : at.level] = 2.0, 0.06, 0.3
        spread[at.level : at.level + at.things] = 1.0
        place = middle + spread * rng.standard_normal((walkers, at.size))
        if at.backlash >= 0:
            place[:, at.backlash] = np.abs(place[:, at.backlash])
        return np.asarray(place)

    def prior(self, p: Floats) -> Floats:
        """Return minus the log prior, (W,); play below nothing is impossible."""
        total = 0.5 * np.sum(((p - self.center) / self.sigma) ** 2, axis=1)
        if self.layout.backlash >= 0:
            total = np.where(p[:, self.layout.backlash] < 0.0, np.inf, total)
        return np.asarray(total)

    def looks(self, p: Floats) -> Floats:
        """Return where the head really looked at each ping, (W, pings) [rad]."""
        at, before = self.layout, self.before
        look = at.column(p, at.scale, before.scale[0]) * self.angle + at.column(p, at.offset, before.offset)
        look = look - 0.5 * at.column(p, at.backlash, before.backlash[0]) * self.turning
        if at.bend >= 0:
            look = look + p[:, at.bend, None] * np.sin(2.0 * self.angle)
        return np.asarray(look + p[:, at.turn + self.station] if at.turns else look)

    def cost(self, p: Floats, turned_rad: Floats | None = None) -> Floats:
        """Return minus the log posterior, (W,); `turned_rad` (W, things) puts things elsewhere than surveyed."""
        return self._cost(p, None, turned_rad)

    def bias(self, p: Floats) -> tuple[Floats, Floats]:
        """Return mean and variance of the range bias for each walker, (W,) [m, m^2]; the survey's errors are in."""
        found: list[tuple[Floats, Floats]] = []
        self._cost(p, found, None)
        return found[0]

    def stretched(self, p: Floats, aside: Floats) -> Floats:
        """Return angles of the axis from things (W, n) as a beam with equal halves would have them [rad]."""
        at = self.layout
        if at.lopsided < 0:
            return aside
        # aside below 0: the axis looks right of the thing, which is heard with the beam's left half
        return np.asarray(aside * np.exp(0.5 * p[:, at.lopsided, None] * np.sign(aside)))

    def _cost(self, p: Floats, bias: list[tuple[Floats, Floats]] | None, turned: Floats | None) -> Floats:
        at = self.layout
        looks = self.looks(p)
        off = at.bearings(p) if turned is None else turned + at.bearings(p)
        k_a, soft = np.exp(p[:, at.threshold + 1, None]), np.exp(-p[:, at.threshold + 2, None]) * LOGISTIC
        chance = np.ones(looks.shape)
        late = _Lateness(p.shape[0])
        for k, thing in enumerate(self.things):
            aside = self.stretched(p, looks[:, thing.pings] - (self.bearing[k] + off[:, k : k + 1]))
            loud = self.level[k] + p[:, at.level + k, None] - p[:, at.threshold, None]
            margin = loud + loss_db(aside, k_a)
            chance[:, thing.pings] *= 1.0 / (1.0 + np.exp(np.clip(-thing.sign * soft * margin, -40.0, 40.0)))
            weak = 1.0 - np.clip(margin[:, thing.ranged] / LATE_DB, 0.0, 1.0)
            late.add(weak, thing.off_m, thing.weight / self.noise**2, float(self.range_sigma[k]))
        told = np.log(self.by_chance + (1.0 - LOST - STRAY) * chance) @ self.weight
        log_ranges = late.log_evidence()
        if bias is not None:
            bias.append(late.bias())
        return np.asarray(self.prior(p) - told - log_ranges)

    def half_widths(self, p: Floats, radius_m: float | None = None) -> Floats:
        """Return where each thing is heard in half of the pings, mean of both sides, (W, things) [rad].

        radius_m : of a post that stands where the thing does, and is as much louder than foretold; None = the thing
        """
        at = self.layout
        level = self.level if radius_m is None else level_on_axis_db(self.range_m, np.full(at.things, radius_m))
        loud = level + p[:, at.level : at.level + at.things] - p[:, at.threshold, None]
        return half_width_rad(loud, np.exp(p[:, at.threshold + 1, None]))

    def curve(self, p: Floats, range_m: Floats, radius_m: float) -> Floats:
        """Return the half width of a post as loud as its size foretells, at ranges, (W, ranges) [rad]."""
        at = self.layout
        loud = level_on_axis_db(range_m, np.full(range_m.size, radius_m)) - p[:, at.threshold, None]
        return half_width_rad(loud, np.exp(p[:, at.threshold + 1, None]))


def half_width_rad(margin_db: Floats, k_a: Floats) -> Floats:
    """Return the angle off the axis at which a margin on the axis is used up; shapes broadcast [rad].

    >>> round(math.degrees(float(half_width_rad(np.array([9.1]), np.array([5.71]))[0])), 1)
    20.0
    """
    lost = -np.minimum.accumulate(lobe_db())
    u = np.interp(margin_db, lost + 1e-12 * np.arange(lost.size), np.arange(lost.size) / LOBE_STEPS)
    return np.asarray(np.arcsin(np.minimum(u / k_a, 1.0)))


class _Lateness:
    """Range bias and lateness, their normal posterior for each walker, with the survey's range errors taken out.

    read - surveyed = -bias + late * weak + error of the thing + noise; all priors normal.
    """

    def __init__(self, walkers: int) -> None:
        self.bb = np.full(walkers, BIAS_SPREAD_M**-2)
        self.bl = np.zeros(walkers)
        self.ll = np.full(walkers, LATE_SPREAD_M**-2)
        self.b = np.zeros(walkers)
        self.l = np.full(walkers, LATE_M * LATE_SPREAD_M**-2)

    def add(self, weak: Floats, off_m: Floats, precision: Floats, survey_sigma_m: float) -> None:
        """Add one thing's echoes: (W, n) weaknesses, (n,) read minus surveyed and precisions."""
        if not off_m.size:
            return
        count, s_weak = float(precision.sum()), weak @ precision
        s_off = float(off_m @ precision)
        share = 1.0 / (survey_sigma_m**-2 + count)  # the thing's own error, integrated out
        self.bb += count - count * count * share
        self.bl += -s_weak + s_weak * count * share
        self.ll += weak**2 @ precision - s_weak * s_weak * share
        self.b += -s_off + count * s_off * share
        self.l += weak @ (precision * off_m) - s_weak * s_off * share

    def log_evidence(self) -> Floats:
        """Return the log of the integral over bias and lateness, without constants, (W,)."""
        det = self.bb * self.ll - self.bl**2
        inner = self.ll * self.b**2 - 2.0 * self.bl * self.b * self.l + self.bb * self.l**2
        return np.asarray(0.5 * inner / det - 0.5 * np.log(det))

    def bias(self) -> tuple[Floats, Floats]:
        """Return mean and variance of the bias, (W,)."""
        det = self.bb * self.ll - self.bl**2
        return (self.ll * self.b - self.bl * self.l) / det, self.ll / det


def _noise(evidence: Evidence, own: Bools) -> float:
    """Return the scatter of single ranges about a smooth curve over the angle, robustly [m]."""
    left = []
    for k in range(own.shape[1]):
        rows = own[:, k]
        if rows.sum() >= 6:
            angle, read = evidence.angle_rad[rows] - evidence.angle_rad[rows].mean(), evidence.range_m[rows]
            good = np.abs(read - np.median(read)) < MOST_OFF_M
            curve = np.polyfit(angle[good], read[good], 2) if good.sum() >= 6 else np.array([np.median(read)])
            left.append(read - np.polyval(curve, angle))
    if not left:
        return 0.004
    return max(LEAST_NOISE_M, 1.4826 * float(np.median(np.abs(np.concatenate(left)))))


def _thing(evidence: Evidence, about: Bools, own: Bools, used: Bools, range_m: float, noise: float) -> _Thing:
    place = np.cumsum(used) - 1
    pings = np.flatnonzero(about)
    heard = own[pings]
    read = evidence.range_m[pings]
    middle = float(np.median(read[heard])) if heard.any() else range_m
    good = heard & (np.abs(read - middle) < max(4.0 * noise + 0.004, 0.008))
    ranged = np.flatnonzero(good).astype(np.int32)
    sign = np.where(heard, 1.0, -1.0)
    return _Thing(place[pings].astype(np.int32), sign, ranged, read[ranged] - range_m, evidence.weight[pings][ranged])

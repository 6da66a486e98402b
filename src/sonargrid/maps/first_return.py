"""One cause per echo: a ranger reports the first thing that answers, so each echo is shared out once along its wedge.

Two parts.  `ring_posterior` is the exact answer for one reading where cells are independent beforehand (textbook
size, for checking and teaching).  `Chains` and `settle` are the working form: expectation and maximisation over the
wedges of all rays at once, every pass linear in their cells.  Ranges [m]; which cells lie where is `wedges`' business.

    reached_j = product of (1 - answer_i) over the nearer cells i;  an echo at z came from cell j with a weight of
    reached_j * answer_j * N(range_j; z, sigma), or from nowhere (stray);  silence: everything failed, or was missed
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sonargrid.arrays import Floats, Floats32
from sonargrid.maps.wedges import Wedges

LEAST_ANSWER, MOST_ANSWER = 0.0005, 0.999  # an answer rate is never believed to be nothing or everything
BAND_SIGMAS = 3.0

Indices = NDArray[np.intp]


def noisy_or(prior: float, detection: float, false_echo: float, cells: int) -> tuple[float, float]:
    """Return the chance that a ring of equal cells answers if one of its cells is (occupied, free), others unknown.

    Each occupied cell answers with `detection`, the ring itself with `false_echo`, all independently.

    >>> [round(chance, 3) for chance in noisy_or(0.1, 0.9, 0.02, 2)]
    [0.911, 0.108]
    """
    silent = (1.0 - false_echo) * (1.0 - prior * detection) ** (cells - 1)
    return 1.0 - silent * (1.0 - detection), 1.0 - silent


def ring_posterior(
    prior: ArrayLike, answers_occupied: ArrayLike, answers_free: ArrayLike, error: ArrayLike, reading: int | None
) -> Floats:
    """Return P(occupied) of one cell of each of R rings, given one first-return reading; exact, linear in R.

    Parameters
    ----------
    prior : (R,) or one number
        P(occupied) of a cell beforehand, 0 to 1.
    answers_occupied, answers_free : (R,) or one number
        Chance that the ring answers, once reached, if this cell is occupied, or free (see `noisy_or`).
    error : (R, R)
        Row i: chance of each reading when ring i answered.
    reading : int or None
        Ring that was reported, counted from 0; None = silence.

    Raises
    ------
    ValueError
        If the reading is no ring, or cannot happen.

    References
    ----------
    Bayes' rule with first-return structure; same idea as Kaufman, Lee, Ai and Moon 2016 (exact inverse sensor model).

    Examples
    --------
    >>> ring_posterior(0.2, 0.8, 0.05, np.eye(3), 1).round(6).tolist()
    [0.05, 0.8, 0.2]
    """
    spread = np.asarray(error, dtype=np.float64)
    rings = spread.shape[0]
    p = np.broadcast_to(np.asarray(prior, dtype=np.float64), (rings,))
    occupied = np.broadcast_to(np.asarray(answers_occupied, dtype=np.float64), (rings,))
    free = np.broadcast_to(np.asarray(answers_free, dtype=np.float64), (rings,))
    if reading is not None and not 0 <= reading < rings:
        raise ValueError(f"the reading must be a ring from 0 to {rings - 1}, got {reading}")
    answer = p * occupied + (1.0 - p) * free
    reached = np.concatenate([[1.0], np.cumprod(1.0 - answer)])
    of_ring = np.zeros(rings) if reading is None else spread[:, reading]
    share = reached[:-1] * answer * of_ring
    end = float(reached[-1]) if reading is None else 0.0
    behind = np.concatenate([np.cumsum(share[::-1])[::-1][1:], [0.0]]) + end
    total = float(share.sum()) + end
    if not total > 0.0:
        raise ValueError("this reading cannot happen")
    before = total - behind - share
    passed = behind / np.where(answer < 1.0, 1.0 - answer, 1.0)
    seen_occupied = before + reached[:-1] * occupied * of_ring + passed * (1.0 - occupied)
    return np.asarray(p * seen_occupied / total)


@dataclass(frozen=True, slots=True)
class Causes:
    """How readings come about besides the first answering cell.

    answer_most : chance that a surely answering cell on the axis is heard
    stray : share of echoes that come from nothing
    missed : share of pings that hear nothing whatever stands there
    rate : answer rate of a cell nobody has looked at
    strength : pings' worth of belief in that rate
    sigma_m, sigma_share : how far an echo may lie from its cell: fixed, and per metre of range
    """

    answer_most: float
    stray: float
    missed: float
    rate: float
    strength: float
    sigma_m: float
    sigma_share: float = 0.005


@dataclass(frozen=True, slots=True)
class Heard:
    """What each ray heard, repeats put together: arrays over O outcomes, and silence per ray.

    ray, range_m, weight, count : (O,) echoes: how much they weigh, and how many readings they are
    silence : (M,) weight of each ray's silent pings
    """

    ray: Indices
    range_m: Floats
    weight: Floats
    count: Floats
    silence: Floats


@dataclass(frozen=True, slots=True)
class Chains:
    """Wedges made ready for many passes.

    start : (M + 1,) first entry of each ray
    rate_of : (E,) which answer rate an entry draws on
    gain : (E,) chance of being heard there, best case included
    band_entry, band_echo, band_density : (B,) entries near each echo, that echo, and N(range; z, sigma)
    echo_start : (O + 1,) first band entry of each echo
    """

    start: Indices
    rate_of: Indices
    gain: Floats32
    band_entry: Indices
    band_echo: Indices
    band_density: Floats
    echo_start: Indices


def chains(wedge: Wedges, rate_of: Indices, heard: Heard, causes: Causes) -> Chains:
    """Return the wedges with each echo's band of possible causes marked, so that a pass is a few flat sums."""
    # one rising key over all rays: ray number times a span wider than any range, plus range
    span = 1.0 + float(wedge.range_m.max(initial=0.0)) + float(heard.range_m.max(initial=0.0))
    key = wedge.ray * span + wedge.range_m.astype(np.float64)
    sigma = causes.sigma_m + causes.sigma_share * heard.range_m
    at = heard.ray * span + heard.range_m
    low = np.searchsorted(key, at - BAND_SIGMAS * sigma)
    high = np.searchsorted(key, at + BAND_SIGMAS * sigma)
    low = np.clip(low, wedge.start[heard.ray], wedge.start[heard.ray + 1])
    high = np.clip(high, low, wedge.start[heard.ray + 1])
    size = high - low
    echo_start = np.concatenate([[0], np.cumsum(size)]).astype(np.intp)
    echo = np.repeat(np.arange(heard.ray.size), size)
    entry = np.arange(int(echo_start[-1])) - np.repeat(echo_start[:-1] - low, size)
    t = (wedge.range_m[entry] - heard.range_m[echo]) / sigma[echo]
    density = np.exp(-0.5 * t * t) / (sigma[echo] * math.sqrt(2.0 * math.pi))
    return Chains(wedge.start, rate_of, wedge.gain, entry, echo, density, echo_start)


@dataclass(frozen=True, slots=True)
class Settled:
    """Answer rates after the last pass, arrays over rates, and the cause of each outcome.

    rate : chance of answering
    hits, looks : weighted echoes laid at the rate's door, weighted pings that reached it
    shares : (B,) share of each echo that each band entry answers for; what is missing to 1 is stray
    beyond : (E,) weighted pings that got past each entry
    likelihood : weighted log likelihood of all outcomes
    """

    rate: Floats
    hits: Floats
    looks: Floats
    shares: Floats
    beyond: Floats32
    likelihood: float


def sums(at: NDArray[Any], values: NDArray[Any], size: int) -> Floats:
    """Return how much lands on each of `size` places, (size,) float64, also where nothing lands at all."""
    return np.bincount(at, values, size).astype(np.float64, copy=False)


def _segment_sums(values: Floats, start: Indices) -> Floats:
    """Return the sums of values[start[i]:start[i + 1]], empty pieces included."""
    total = np.concatenate([[0.0], np.cumsum(values)])
    return np.asarray(total[start[1:]] - total[start[:-1]])


def settle(chain: Chains, heard: Heard, causes: Causes, reach_m: float, rates: int, passes: int) -> Settled:
    """Return the answer rates that explain what was heard, by expectation and maximisation.

    Parameters
    ----------
    chain : Chains
        From `chains`.
    heard : Heard
        The outcomes.
    causes : Causes
        Everything else that makes a reading.
    reach_m : float
        Strays fall anywhere up to here [m].
    rates : int
        How many rates `chain.rate_of` draws on.
    passes : int
        How often to share out all echoes again.
    """
    length = np.diff(chain.start)
    gain, most = chain.gain, np.float32(causes.answer_most)
    first = np.minimum(chain.start[:-1], max(0, gain.size - 1))
    last = np.maximum(chain.start[1:] - 1, 0)
    entry, band_ray = chain.band_entry, heard.ray[chain.band_echo]
    stray = causes.stray / reach_m
    rate = np.full(rates, causes.rate)
    for _ in range(passes):
        q = rate.astype(np.float32)[chain.rate_of]
        answer = q * gain * most
        step = np.log(1.0 - answer)
        gone = np.cumsum(step, dtype=np.float64)
        base = gone[first] - step[first]
        whole = np.where(length > 0, gone[last] - base, 0.0)
        # chance that sound gets as far as a band entry and is answered there
        here = answer[entry].astype(np.float64)
        weight = np.exp(gone[entry] - step[entry] - base[band_ray]) * here * chain.band_density
        total = (1.0 - causes.stray) * _segment_sums(weight, chain.echo_start) + stray
        shares = weight * ((1.0 - causes.stray) / total)[chain.band_echo]
        owned = sums(entry, shares * heard.weight[chain.band_echo], gain.size)
        # pings whose cause lay farther, and silent pings that heard nothing all the way
        nothing = (1.0 - causes.missed) * np.exp(whole)
        passed_all = heard.silence * nothing / (causes.missed + nothing)
        upto = np.cumsum(owned)
        before = upto[first] - owned[first]
        all_of = np.where(length > 0, upto[last] - before, 0.0) + passed_all
        beyond = np.repeat(all_of + before, length) - upto
        past = np.maximum(beyond, 0.0).astype(np.float32)
        own = owned.astype(np.float32)
        unheard = past * (q - answer) / (1.0 - answer)
        hits = sums(chain.rate_of, gain * (own + unheard), rates)
        looks = sums(chain.rate_of, gain * (own + past), rates)
        rate = np.clip((hits + causes.rate * causes.strength) / (looks + causes.strength), LEAST_ANSWER, MOST_ANSWER)
    likelihood = float(heard.weight @ np.log(total) + heard.silence @ np.log(causes.missed + nothing))
    return Settled(rate, hits, looks, shares, past, likelihood)

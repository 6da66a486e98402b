"""How well a map foretells readings that it was not made from: first-return likelihood, after a scale and a shift.

A map's log-odds L become the chance of answering 1 / (1 + exp(-(scale * L + shift))) of each cell; along the wedge of
a ping the first cell that answers is what is reported.  One ping is

    missed (silence), or a stray echo anywhere up to the reach, or the first answer on the way, or silence at its end

which is a density over ranges plus a chance of silence, and sums to one.  Every map is judged with the same beam and
the same strays; only scale and shift are the map's own, fitted on readings that are not the ones scored.
Ranges [m]; likelihoods in nats per ping.  Which map foretells which readings is `comparison`'s business.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize
from scipy.special import expit

from sonargrid.arrays import Bools, Floats, Floats32, Ints
from sonargrid.maps.first_return import Causes, Chains, Heard, chains
from sonargrid.maps.grid import GridFrame
from sonargrid.maps.outcomes import outcomes
from sonargrid.maps.wedges import SoftBeam, wedges
from sonargrid.runs.readings import Pings

MERGE_SIGMAS = 0.2  # echoes of one ray this near are one outcome, counted as often as it was heard
USUAL = np.array([0.5, -5.0])  # logarithm of the scale, and the shift, that hold where readings say nothing ...
LOOSE = np.array([2.0, 3.0])  # ... and how loosely: about what one ping in hundreds weighs
MOVES = np.array([[0.0, 0.0], [0.02, 0.0], [0.0, 0.02]])
SMALL_STEP = 0.1  # where taking a fold away moves scale or shift farther, one Newton step is not enough ...
CLOSE = 0.03  # ... further ones follow until they are this small ...
MOST_STEPS = 4  # ... and where so many are not, the others are fitted afresh


@dataclass(frozen=True, slots=True)
class Replay:
    """The readings of a run made ready to be foretold: outcomes of M rays, and the cells on their way.

    cell : (E,) flat index of each entry's cell
    entry_ray, wedge_range_m : (E,) its ray, and its distance from the ranger's face
    chain, heard : see `first_return`; `heard.count` and `heard.silence` are raw readings
    """

    cell: NDArray[np.intp]
    entry_ray: NDArray[np.intp]
    wedge_range_m: Floats32
    chain: Chains
    heard: Heard
    causes: Causes
    reach_m: float


def replay(pings: Pings, frame: GridFrame, beam: SoftBeam, causes: Causes) -> Replay:
    """Return a run's readings made ready to be foretold from maps on a frame.

    Parameters
    ----------
    pings : Pings
        Calibrated readings; void ones are left out.
    frame : GridFrame
        The maps' cells.
    beam : SoftBeam
        Who is heard where; the same for every map.
    causes : Causes
        Strays, misses and how far an echo may lie from its cell; rate and strength are not used.
    """
    heard = outcomes(pings, (~pings.void).astype(np.float64), MERGE_SIGMAS * causes.sigma_m)
    length = np.zeros(len(pings.rays))
    np.maximum.at(length, heard.ray, heard.range_m + 3.0 * (causes.sigma_m + causes.sigma_share * heard.range_m))
    length = np.where(heard.silence > 0.0, pings.reach_m, np.minimum(length, pings.reach_m))
    wedge = wedges(frame, pings.rays, length, beam, pings.blind_zone_m)
    entry_ray = np.repeat(np.arange(len(pings.rays)), np.diff(wedge.start))
    return Replay(
        wedge.cell, entry_ray, wedge.range_m, chains(wedge, wedge.cell, heard, causes), heard, causes, pings.reach_m
    )


@dataclass(frozen=True, slots=True)
class Foretold:
    """Log likelihood of each ray's outcomes [nats, echoes as a density per metre] and its slopes; arrays (M,).

    by_scale, by_shift : slopes by the logarithm of the scale, and by the shift
    """

    nats: Floats
    by_scale: Floats
    by_shift: Floats


def foretell(ready: Replay, log_odds: Floats32, log_scale: ArrayLike, shift: ArrayLike) -> Foretold:
    """Return how likely each ray's outcomes are, were each cell to answer with its recalibrated chance.

    Parameters
    ----------
    ready : Replay
        From `replay`.
    log_odds : (E,) array
        The map's evidence at each entry.
    log_scale, shift : one number, or (M,) arrays
        Of the recalibration, the same for all rays or each ray's own.
    """
    chain, heard, causes = ready.chain, ready.heard, ready.causes
    scale, offset = (_of_entries(v, ready.entry_ray) for v in (np.exp(log_scale), shift))
    scaled = scale * log_odds
    p = expit(scaled + offset)
    answer = np.float32(causes.answer_most) * chain.gain * p
    free = np.float32(1.0) - p
    passed = answer * free / (np.float32(1.0) - answer)
    gone, lost, lost_scaled = (_before(v) for v in (np.log1p(-answer), passed, passed * scaled))
    entry, echo, start = chain.band_entry, chain.band_echo, chain.start
    first = start[heard.ray[echo]]
    weight = np.exp(gone[entry] - gone[first]) * answer[entry] * chain.band_density
    by_shift = weight * (free[entry] - (lost[entry] - lost[first]))
    by_scale = weight * (free[entry] * scaled[entry] - (lost_scaled[entry] - lost_scaled[first]))
    some, outcomes_of = 1.0 - causes.stray, heard.ray.size
    density = some * np.bincount(echo, weight, outcomes_of) + causes.stray / ready.reach_m
    begin, end = start[:-1], start[1:]
    nothing = (1.0 - causes.missed) * some * np.exp(gone[end] - gone[begin])
    quiet = causes.missed + nothing
    slope = -heard.silence * nothing / quiet
    part = heard.count * some / density

    def of_rays(echoes: Floats, silences: Floats) -> Floats:
        return np.bincount(heard.ray, echoes, silences.size) + silences

    return Foretold(
        of_rays(heard.count * np.log((1.0 - causes.missed) * density), heard.silence * np.log(quiet)),
        of_rays(part * np.bincount(echo, by_scale, outcomes_of), slope * (lost_scaled[end] - lost_scaled[begin])),
        of_rays(part * np.bincount(echo, by_shift, outcomes_of), slope * (lost[end] - lost[begin])),
    )


def _of_entries(values: ArrayLike, entry_ray: NDArray[np.intp]) -> Floats32:
    one = np.asarray(values, dtype=np.float32)
    return one if one.ndim == 0 else one[entry_ray]


def _before(values: Floats32) -> Floats:
    """Return the sums of everything before each entry, and of all; (E + 1,) float64."""
    total = np.zeros(values.size + 1)
    np.cumsum(values, dtype=np.float64, out=total[1:])
    return total


def readings_of(ready: Replay) -> Floats:
    """Return how many readings each ray has, (M,)."""
    heard = ready.heard
    return np.bincount(heard.ray, heard.count, heard.silence.size) + heard.silence


def recalibrate(ready: Replay, log_odds: Floats32, rays: Bools, start: Floats = USUAL) -> Floats:
    """Return the (log scale, shift) under which the outcomes of some rays are likeliest.

    Parameters
    ----------
    ready : Replay
    log_odds : (E,) array
        Evidence at each entry.
    rays : (M,) array of bool
        Whose outcomes count.
    start : (2,) array
        Where to begin.
    """

    def loss(at: Floats) -> tuple[float, Floats]:
        told = foretell(ready, log_odds, at[0], at[1])
        off = (at - USUAL) / LOOSE
        slopes = np.array([told.by_scale[rays].sum(), told.by_shift[rays].sum()])
        return 0.5 * float(off @ off) - float(told.nats[rays].sum()), off / LOOSE - slopes

    return np.asarray(minimize(loss, start, jac=True, method="BFGS", options={"gtol": 0.3, "maxiter": 30}).x)


def left_out_scores(ready: Replay, log_odds: Floats32, fold: Ints) -> Floats:
    """Return each fold's mean log likelihood [nats per ping], (K,), recalibrated on the readings of the others.

    Parameters
    ----------
    ready : Replay
    log_odds : (E,) array
        Evidence at each entry, of the map that was made without that entry's own fold.
    fold : (M,) array
        Which fold each ray belongs to, 0 to K - 1.
    """
    folds = int(fold.max()) + 1
    at = recalibrate(ready, log_odds, np.ones(fold.size, dtype=bool))
    # what each fold adds to the slopes, and to how they bend; taking one fold away is then one Newton step
    middle, right, up = (_slopes(ready, log_odds, at + move, fold, folds) for move in MOVES)
    bend = np.stack([(right - middle) / MOVES[1][0], (up - middle) / MOVES[2][1]], axis=-1)
    bend = 0.5 * (bend + bend.transpose(0, 2, 1))
    usual = -(at - USUAL) / LOOSE**2
    slopes = middle.sum(axis=0) - middle + usual
    curve = bend - bend.sum(axis=0) + np.eye(2) / LOOSE**2
    own = at + np.stack([_newton(curve[k], slopes[k]) for k in range(folds)])
    for k in np.flatnonzero(np.abs(own - at).max(axis=1) > SMALL_STEP):
        for _ in range(MOST_STEPS):
            # the others' slopes at the new place tell what the last step left over
            left = _slopes(ready, log_odds, own[k], fold, folds)
            more = _newton(curve[k], left.sum(axis=0) - left[k] - (own[k] - USUAL) / LOOSE**2)
            own[k] += more
            if np.abs(more).max() < CLOSE:
                break
        else:
            own[k] = recalibrate(ready, log_odds, fold != k, at)
    told = foretell(ready, log_odds, own[fold, 0], own[fold, 1])
    count = np.bincount(fold, readings_of(ready), folds)
    return np.asarray(np.bincount(fold, told.nats, folds) / np.maximum(count, 1.0))


def _slopes(ready: Replay, log_odds: Floats32, at: Floats, fold: Ints, folds: int) -> Floats:
    told = foretell(ready, log_odds, at[0], at[1])
    return np.stack([np.bincount(fold, v, folds) for v in (told.by_scale, told.by_shift)], axis=-1)


def _newton(curve: Floats, slope: Floats) -> Floats:
    """Return the step towards the top of a hill; along directions that do not bend downwards there is none."""
    values, axes = np.linalg.eigh(curve)
    return np.asarray(axes @ np.where(values > 1e-6, (axes.T @ slope) / np.maximum(values, 1e-6), 0.0))

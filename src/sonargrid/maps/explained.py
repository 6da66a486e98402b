"""One explanation of all readings of a run: answer rates, arcs, and what they say about each working cell.

    pings -> outcomes per ray -> wedges -> answer rates (`first_return`) \\
                                arcs of equal range (`arc_map`)  ---------> features of each cell

Metres and radians on the floor axes.  What the features are worth is `joint`'s business.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from sonargrid.arrays import Floats
from sonargrid.finding.plateaus import find_plateaus
from sonargrid.maps.arc_map import ArcHump, arc_peaks
from sonargrid.maps.evidence import angle_steps
from sonargrid.maps.first_return import LEAST_ANSWER, Causes, Chains, Heard, Settled, chains, settle, sums
from sonargrid.maps.grid import GridFrame
from sonargrid.maps.heard_beam import own_beam
from sonargrid.maps.neighbours import highest_around, mean_around, smoothed
from sonargrid.maps.outcomes import outcomes, repeat_weights
from sonargrid.maps.wedges import Indices, SoftBeam, WedgeBeam, Wedges, wedges
from sonargrid.physics.log_odds import to_log_odds, to_probability
from sonargrid.runs.readings import ASSUMED_HALF_BEAM_RAD, Pings, Ranger


@dataclass(frozen=True, slots=True)
class Recipe:
    """Everything the solver assumes, for one kind of recording.

    cell_m : size of the working cells; finer maps are interpolated
    sectors : how many bearing sectors a cell may answer differently in
    turns : where the sectors begin, in sectors; of several explanations the best counts, so that none of the
        sectors' edges does
    beam, causes : see `SoftBeam`, `Causes`
    passes : how often all echoes are shared out
    narrow, wide : two humps on every arc
    weights : what each of `FEATURES` adds to the evidence, and the constant
    undecided, hold : evidence from -hold to +undecided is held between -hold and 0: floor is mostly free
    """

    cell_m: float
    sectors: int
    beam: SoftBeam
    causes: Causes
    narrow: ArcHump
    wide: ArcHump
    weights: dict[str, float] = field(default_factory=dict)
    constant: float = 0.0
    undecided: float = 2.0
    hold: float = 0.3
    passes: int = 10
    turns: tuple[float, ...] = (0.0,)


@dataclass(frozen=True, slots=True)
class Explained:
    """What the readings say once each echo has one cause: arrays (rows, columns) over `frame`.

    features : by name, each 0 where nobody looked
    looks : weighted pings that reached a cell
    touched : raw readings that reached it
    expected : raw echoes that it probably caused
    unresolved : of these, echoes whose cause is not pinned to one place
    """

    frame: GridFrame
    features: dict[str, Floats]
    looks: Floats
    touched: NDArray[np.int64]
    expected: Floats
    unresolved: Floats


def explain_run(
    pings: Pings,
    ranger: Ranger,
    frame: GridFrame,
    recipe: Recipe,
    weigh: bool = True,
    beam: WedgeBeam | None = None,
) -> Explained:
    """Return the joint explanation of all readings on the cells of a frame.

    Parameters
    ----------
    pings : Pings
        Calibrated readings.
    ranger : Ranger
        Its half beam, where stated.
    frame : GridFrame
        Working cells.
    recipe : Recipe
        Beam, causes and so on.
    weigh : bool
        Whether repeats and close neighbours weigh less.
    beam : WedgeBeam, optional
        Whose detection counts; default the recipe's own.
    """
    weight = repeat_weights(pings) if weigh else (~pings.void).astype(np.float64)
    causes = recipe.causes
    heard = outcomes(pings, weight, 0.2 * causes.sigma_m)
    chosen = own_beam(recipe.beam, ranger) if beam is None else beam
    wedge = wedges(frame, pings.rays, _lengths(pings, heard, causes), chosen, pings.blind_zone_m)
    plain = chains(wedge, wedge.cell, heard, causes)
    if not plain.gain.size:
        zero = np.zeros(frame.shape)
        return Explained(frame, dict.fromkeys(FEATURES, zero), zero, zero.astype(np.int64), zero, zero)
    fan = np.minimum(1.0, angle_steps(pings) / (2.0 * ASSUMED_HALF_BEAM_RAD))
    axes = np.stack([pings.rays.bearing_rad, fan])
    rates = frame.rows * frame.columns * recipe.sectors
    parts = []
    for turn in recipe.turns:
        chain = replace(plain, rate_of=_rates_of(wedge, recipe.sectors, turn))
        settled = settle(chain, heard, causes, pings.reach_m, rates, recipe.passes)
        parts.append(_rate_features(settled, chain, heard, wedge, axes, frame, recipe))
    features = {name: np.maximum.reduce([part[name] for part, _ in parts]) for name in parts[0][0]}
    arcs = find_plateaus(pings, ranger)
    for name, hump in (("arc", recipe.narrow), ("wide_arc", recipe.wide)):
        features[name] = arc_peaks(pings, arcs, frame, hump)
    expected, unresolved = _causes_of_echoes(plain, heard, settled, wedge, frame)
    return Explained(frame, features, parts[0][1], _touched(pings, wedge, causes, frame), expected, unresolved)


def _lengths(pings: Pings, heard: Heard, causes: Causes) -> Floats:
    """Return how far each ray was listened to, (M,): behind its farthest echo, to the reach if ever silent [m]."""
    length = np.zeros(len(pings.rays))
    np.maximum.at(length, heard.ray, heard.range_m + 3.0 * (causes.sigma_m + causes.sigma_share * heard.range_m))
    silent = np.bincount(pings.ray[pings.silent], minlength=length.size) > 0
    return np.where(silent, pings.reach_m, np.minimum(length, pings.reach_m))


def _rates_of(wedge: Wedges, sectors: int, turn: float) -> Indices:
    """Return which answer rate each wedge entry draws on: that of its cell, for its sector of bearings."""
    if sectors == 1:
        return wedge.cell
    place = (wedge.bearing_rad / (2.0 * math.pi) + 1.0) * sectors + turn
    return np.asarray(wedge.cell * sectors + np.floor(place).astype(np.intp) % sectors)


FEATURES = ("best", "mean", "peak", "smooth", "share", "looks", "passed", "heard", "heard_peak", "arc", "wide_arc")


def _rate_features(
    settled: Settled, chain: Chains, heard: Heard, wedge: Wedges, fan: Floats, frame: GridFrame, recipe: Recipe
) -> tuple[dict[str, Floats], Floats]:
    """Return what the answer rates say about each cell, no-data values subtracted, and the weighted looks."""
    shape, sectors, none = frame.shape, recipe.sectors, float(to_log_odds(recipe.causes.rate))
    rate = to_log_odds(settled.rate).reshape(-1, sectors) - none
    looks = settled.looks.reshape(-1, sectors)
    seen = looks > 0.0
    anyone = seen.any(axis=1)
    best = np.where(anyone, np.where(seen, rate, -np.inf).max(axis=1), 0.0).reshape(shape)
    mean = (np.where(seen, rate, 0.0).sum(axis=1) / np.maximum(1, seen.sum(axis=1))).reshape(shape)
    total = looks.sum(axis=1).reshape(shape)
    passed, heard_here = _near_axis(settled, chain, heard, wedge, fan, frame)
    floor = LEAST_ANSWER
    answering = to_probability(best + none)
    features = {
        "best": best,
        "mean": mean,
        "peak": highest_around(best),
        "smooth": smoothed(best),
        "share": np.log(mean_around(answering) + floor) - math.log(recipe.causes.rate + floor),
        "looks": np.log1p(100.0 * total),
        "passed": np.log1p(3.0 * passed),
        "heard": np.log1p(10.0 * heard_here),
        "heard_peak": np.log1p(10.0 * highest_around(heard_here)),
    }
    return features, total


def _near_axis(
    settled: Settled, chain: Chains, heard: Heard, wedge: Wedges, fan: Floats, frame: GridFrame
) -> tuple[Floats, Floats]:
    """Return the fans of pings that passed each cell near their axis, and those that heard something at its range."""
    cells = frame.rows * frame.columns
    # the beam's edge says little about free floor; the middle half of the beam does
    near = fan[1][wedge.ray] * np.exp(-2.0 * (4.0 * np.sin(0.5 * (wedge.bearing_rad - fan[0][wedge.ray]))) ** 2)
    passed = sums(wedge.cell, near * settled.beyond, cells)
    entry, echo = chain.band_entry, chain.band_echo
    hump = chain.band_density * (0.02 * heard.weight[echo])
    here = sums(wedge.cell[entry], near[entry] * hump, cells)
    return passed.reshape(frame.shape), here.reshape(frame.shape)


def _causes_of_echoes(
    chain: Chains, heard: Heard, settled: Settled, wedge: Wedges, frame: GridFrame
) -> tuple[Floats, Floats]:
    """Return the raw echoes that each cell probably caused, and those of them whose cause is spread along an arc."""
    cell = wedge.cell[chain.band_entry]
    echo, shares = chain.band_echo, settled.shares
    count = heard.count[echo]
    best = np.zeros(heard.ray.size, dtype=np.intp)
    order = np.lexsort((shares, echo))
    best[echo[order]] = cell[order]  # the last one written is the largest
    away_rows = cell // frame.columns - (best // frame.columns)[echo]
    away_columns = cell % frame.columns - (best % frame.columns)[echo]
    pinned = np.bincount(echo, shares * (np.hypot(away_rows, away_columns) < 2.5), heard.ray.size)
    total = np.bincount(echo, shares, heard.ray.size)
    open_share = 1.0 - pinned / np.maximum(total, 1e-12)
    cells = frame.rows * frame.columns
    expected = sums(cell, shares * count, cells).reshape(frame.shape)
    unresolved = sums(cell, shares * count * open_share[echo], cells).reshape(frame.shape)
    return expected, unresolved


def _touched(pings: Pings, wedge: Wedges, causes: Causes, frame: GridFrame) -> NDArray[np.int64]:
    """Return how many raw readings reached each cell: out to three sigmas behind their echo, or to the reach."""
    use = np.flatnonzero(~pings.void)
    z = pings.range_m[use]
    limit = np.where(np.isfinite(z), z + 3.0 * (causes.sigma_m + causes.sigma_share * z), np.inf)
    span = 4.0 * pings.reach_m
    ray = wedge.ray
    key = np.sort(pings.ray[use] * span + np.minimum(limit, 2.0 * pings.reach_m))
    behind = np.searchsorted(key, ray * span + wedge.range_m)
    upto = np.searchsorted(key, (ray + 1) * span)
    count = np.bincount(wedge.cell, upto - behind, frame.rows * frame.columns)
    return np.rint(count).astype(np.int64).reshape(frame.shape)

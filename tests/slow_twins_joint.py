"""The slow and obvious form of the joint solver's passes: reading by reading, cell by cell."""

from __future__ import annotations

import math

import numpy as np

from sonargrid.maps.first_return import BAND_SIGMAS, LEAST_ANSWER, MOST_ANSWER, Causes, Heard
from sonargrid.maps.wedges import Wedges


def settle_reading_by_reading(
    wedge: Wedges, heard: Heard, causes: Causes, reach_m: float, cells: int, passes: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return (rate, hits, looks) by walking along every reading's wedge once a pass."""
    rate = np.full(cells, causes.rate)
    hits, looks = np.zeros(cells), np.zeros(cells)
    for _ in range(passes):
        hits, looks = np.zeros(cells), np.zeros(cells)
        outcomes = [
            (int(r), float(z), float(w)) for r, z, w in zip(heard.ray, heard.range_m, heard.weight, strict=True)
        ]
        outcomes += [(r, math.inf, float(w)) for r, w in enumerate(heard.silence) if w > 0.0]
        for ray, z, weight in outcomes:
            _share_out(wedge, ray, z, weight, rate, hits, looks, causes, reach_m)
        rate = np.clip((hits + causes.rate * causes.strength) / (looks + causes.strength), LEAST_ANSWER, MOST_ANSWER)
    return rate, hits, looks


def _share_out(
    wedge: Wedges,
    ray: int,
    z: float,
    weight: float,
    rate: np.ndarray,
    hits: np.ndarray,
    looks: np.ndarray,
    causes: Causes,
    reach_m: float,
) -> None:
    entries = range(int(wedge.start[ray]), int(wedge.start[ray + 1]))
    sigma = causes.sigma_m + causes.sigma_share * (z if math.isfinite(z) else 0.0)
    reached, shares = 1.0, []
    for j in entries:
        answer = rate[wedge.cell[j]] * causes.answer_most * wedge.gain[j]
        t = (wedge.range_m[j] - z) / sigma
        near = math.exp(-0.5 * t * t) / (sigma * math.sqrt(2.0 * math.pi)) if abs(t) <= BAND_SIGMAS else 0.0
        shares.append(reached * answer * near)
        reached *= 1.0 - answer
    if math.isfinite(z):
        total = (1.0 - causes.stray) * sum(shares) + causes.stray / reach_m
        own = [(1.0 - causes.stray) * share / total for share in shares]
        silent = 0.0
    else:
        nothing = (1.0 - causes.missed) * reached
        own, silent = [0.0] * len(shares), nothing / (causes.missed + nothing)
    for place, j in enumerate(entries):
        beyond = sum(own[place + 1 :]) + silent
        q, gain = rate[wedge.cell[j]], wedge.gain[j]
        failed = q * (1.0 - causes.answer_most * gain) / (1.0 - q * causes.answer_most * gain)
        hits[wedge.cell[j]] += weight * gain * (own[place] + beyond * failed)
        looks[wedge.cell[j]] += weight * gain * (own[place] + beyond)

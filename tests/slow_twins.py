"""The slow, obvious twins of the fast mapping paths: every reading against every cell, one after the other.

They share the beam model's formulas with the solver, and none of its shortcuts: no counting, no tables, no boxes, no
range steps.  Angles and ranges of every cell are found anew for every reading, in float64.
"""

from __future__ import annotations

import math

import numpy as np

from sonargrid.maps.beams import SLACK, BeamModel
from sonargrid.maps.grid import EVIDENCE_STEP, GridFrame
from sonargrid.runs.readings import Pings


def slow_touched(pings: Pings, beam: BeamModel, frame: GridFrame) -> np.ndarray:
    """Return how many readings reach each cell, void ones not counted."""
    return _slow(pings, beam, frame, np.zeros(len(pings.rays)), 0.0)[1]


def slow_station_sum(
    pings: Pings, beam: BeamModel, frame: GridFrame, weights: np.ndarray, silence_weight: float
) -> np.ndarray:
    """Return the evidence of every cell in float64, not rounded."""
    return _slow(pings, beam, frame, weights, silence_weight)[0]


def slow_sum(pings: Pings, beam: BeamModel, frame: GridFrame, weights: np.ndarray, silence_weight: float) -> np.ndarray:
    """Return the sum over stations, each station's rounded once to whole evidence steps."""
    total = np.zeros(frame.shape)
    for number in np.unique(pings.rays.station):
        own = np.where(pings.rays.station == number, weights, 0.0)
        total += np.rint(_slow(pings, beam, frame, own, silence_weight)[0] / EVIDENCE_STEP) * EVIDENCE_STEP
    return total


def _slow(
    pings: Pings, beam: BeamModel, frame: GridFrame, weights: np.ndarray, silence_weight: float
) -> tuple[np.ndarray, np.ndarray]:
    evidence, touched = np.zeros(frame.shape), np.zeros(frame.shape, dtype=np.int64)
    x, y = np.meshgrid(frame.x_centres_m(), frame.y_centres_m())
    rays = pings.rays
    for ray, echo in zip(pings.ray.tolist(), pings.range_m.tolist(), strict=True):
        if math.isnan(echo):
            continue
        dx, dy = x - rays.x_m[ray], y - rays.y_m[ray]
        r = np.sqrt(dx * dx + dy * dy)
        off = np.remainder(np.arctan2(dy, dx) - rays.bearing_rad[ray] + math.pi, 2.0 * math.pi) - math.pi
        inside = (np.abs(off) <= beam.support_rad(r) + SLACK) & (r <= float(beam.limit_m(echo)) + SLACK)
        inside &= r >= pings.blind_zone_m
        weight = weights[ray] * (silence_weight if math.isinf(echo) else 1.0)
        evidence += np.where(inside, weight * beam.log_odds(r, off, echo), 0.0)
        touched += inside
    return evidence, touched

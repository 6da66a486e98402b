"""Two honest, plain designs that the additive solver is measured against: NumPy, one reading at a time.

`textbook` updates the whole grid for each reading; `bounding_box` only the cells round the reading's wedge.  Both
give evidence and touch counts in float64 through the beam model's own `log_odds`; a formula written out by hand for
one model would make the bounding box quicker than it is here, and every ratio to it smaller.
"""

from __future__ import annotations

import math

import numpy as np

from sonargrid.maps.beams import BeamModel
from sonargrid.maps.grid import GridFrame
from sonargrid.runs.readings import Pings


def _add(
    evidence: np.ndarray, touched: np.ndarray, dx: np.ndarray, dy: np.ndarray, bearing: float, echo: float,
    weight: float, limit: float, pings: Pings, beam: BeamModel,
) -> None:  # fmt: skip
    """Add one reading to a block of cells, whose centres lie at dx (columns), dy (rows) from the ranger."""
    ahead = dx * math.cos(bearing) + dy[:, None] * math.sin(bearing)
    left = dy[:, None] * math.cos(bearing) - dx * math.sin(bearing)
    r2 = ahead * ahead + left * left
    half = float(beam.support_rad(0.0))
    # the wedge without a root or an arc tangent; both come only for the cells inside it
    inside = (ahead > 0.0) & (np.abs(left) <= math.tan(half) * ahead)
    inside &= (r2 <= limit * limit) & (r2 >= pings.blind_zone_m**2)
    a, s = ahead[inside], left[inside]
    evidence[inside] += weight * beam.log_odds(np.sqrt(r2[inside]), np.arctan2(s, a), echo)
    touched[inside] += 1


def _each(pings: Pings, beam: BeamModel, weights: np.ndarray, silence_weight: float):  # type: ignore[no-untyped-def]
    rays = pings.rays
    limits = beam.limit_m(pings.range_m)
    for ray, echo, limit in zip(pings.ray.tolist(), pings.range_m.tolist(), limits.tolist(), strict=True):
        if not math.isnan(echo):
            weight = weights[ray] * (silence_weight if math.isinf(echo) else 1.0)
            yield float(rays.x_m[ray]), float(rays.y_m[ray]), float(rays.bearing_rad[ray]), echo, weight, limit


def textbook(
    pings: Pings, beam: BeamModel, frame: GridFrame, weights: np.ndarray, silence_weight: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return evidence and touch counts, the whole grid a reading at a time."""
    evidence, touched = np.zeros(frame.shape), np.zeros(frame.shape, dtype=np.uint32)
    xc, yc = frame.x_centres_m(), frame.y_centres_m()
    for x, y, bearing, echo, weight, limit in _each(pings, beam, weights, silence_weight):
        dx, dy = xc[None, :] - x, yc[:, None] - y
        r = np.sqrt(dx * dx + dy * dy)
        off = np.remainder(np.arctan2(dy, dx) - bearing + math.pi, 2.0 * math.pi) - math.pi
        inside = (np.abs(off) <= beam.support_rad(r)) & (r <= limit) & (r >= pings.blind_zone_m)
        evidence += np.where(inside, weight * beam.log_odds(r, off, echo), 0.0)
        touched += inside
    return evidence, touched


def bounding_box(
    pings: Pings, beam: BeamModel, frame: GridFrame, weights: np.ndarray, silence_weight: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return evidence and touch counts, the box round each reading's wedge at a time (half beams below 90 degrees)."""
    evidence, touched = np.zeros(frame.shape), np.zeros(frame.shape, dtype=np.uint32)
    xc, yc, cell, half = frame.x_centres_m(), frame.y_centres_m(), frame.cell_m, float(beam.support_rad(0.0))
    left_m, bottom_m = frame.corner_m
    compass = [k * math.pi / 2 for k in range(-4, 9)]
    for x, y, bearing, echo, weight, limit in _each(pings, beam, weights, silence_weight):
        turns = [bearing - half, bearing + half, *(c for c in compass if abs(c - bearing) <= half)]
        xs = [x, *(x + limit * math.cos(t) for t in turns)]
        ys = [y, *(y + limit * math.sin(t) for t in turns)]
        c0, c1 = max(0, int((min(xs) - left_m) / cell)), min(frame.columns, int((max(xs) - left_m) / cell) + 1)
        r0, r1 = max(0, int((min(ys) - bottom_m) / cell)), min(frame.rows, int((max(ys) - bottom_m) / cell) + 1)
        if c0 < c1 and r0 < r1:
            block = (slice(r0, r1), slice(c0, c1))
            _add(
                evidence[block], touched[block], xc[c0:c1] - x, yc[r0:r1] - y, bearing, echo, weight, limit, pings, beam
            )
    return evidence, touched

"""Readings at known distances -> the ranger's scale and bias, with the uncertainty that placing errors leave.

Arrays in metres.  Reading the file is the command's business; applying the values is `calibration`'s.

Readings at one distance share that distance's placing error, so a hundred of them are one point of the line, not a
hundred: each distance is first reduced to its middle, robustly, and the line's uncertainty comes from how the distances
scatter about it.  Gross short readings, time-outs and slips of one sound period are named, not averaged in.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Bools, Floats, Ints, frozen

GROSS_SIGMAS = 6.0  # a reading so many robust sigmas from its distance's middle is gross ...
GROSS_LEAST_M = 0.02  # ... and at least this far from it; common practice, no source
HUBER = 1.345  # 95 % efficient on clean data: P. J. Huber, Robust Statistics, 1981; from memory
MAD_TO_SIGMA = 1.4826  # of a normal distribution
SLIP_WINDOW = 0.25  # a gap between readings within this share of one period counts as a slip


@dataclass(frozen=True, slots=True)
class Place:
    """One known distance and what was read there [m]; read_m nan = no usable reading."""

    known_m: float
    read_m: float
    spread_m: float
    readings: int
    outliers: int


@dataclass(frozen=True, slots=True)
class RangerFit:
    """range = range_scale * read + range_bias_m, and how sure that is.

    covariance : (2, 2) of (scale, bias)
    noise_m, noise_per_m : spread of single readings, noise_m + noise_per_m * range
    residual_m : spread of the distances about the line; placing errors mostly
    slips : share of usable readings one sound period beside their distance's middle
    blind_zone_m : nearest known distance that reads right, where a nearer one did not; nan = none did
    outlier : (N,) True for readings left out
    places : one row a known distance, by rising distance
    """

    range_scale: float
    range_bias_m: float
    range_scale_sigma: float
    range_bias_m_sigma: float
    covariance: Floats
    noise_m: float
    noise_per_m: float
    residual_m: float
    slips: float
    blind_zone_m: float
    outlier: Bools
    places: tuple[Place, ...]

    def __post_init__(self) -> None:
        object.__setattr__(self, "covariance", frozen(self.covariance))
        object.__setattr__(self, "outlier", frozen(self.outlier, np.bool_))

    def corrected(self, read_m: float) -> tuple[float, float]:
        """Return a reading's corrected range and its standard uncertainty from the calibration [m]."""
        row = np.array([read_m, 1.0])
        return self.range_scale * read_m + self.range_bias_m, float(math.sqrt(row @ self.covariance @ row))


def _sigma(values: Floats) -> float:
    """Return the robust standard deviation of values."""
    return float(MAD_TO_SIGMA * np.median(np.abs(values - np.median(values)))) if values.size else math.nan


def _mode_middle(values: Floats, width_m: float) -> float:
    """Return the median of the densest stretch of values: right even when half of them are gross."""
    ordered = np.sort(values)
    inside = np.searchsorted(ordered, ordered + width_m, side="right") - np.arange(ordered.size)
    # of equally dense stretches the farthest: gross readings are short
    start = int(ordered.size - 1 - np.argmax(inside[::-1]))
    return float(np.median(ordered[start : start + inside[start]]))


def _weighted_line(x: Floats, y: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Return ((slope, offset), (2, 2) unscaled covariance) of a weighted straight line."""
    rows = np.stack([x, np.ones_like(x)], axis=1)
    normal = rows.T @ (weight[:, None] * rows)
    inverse = np.linalg.inv(normal)
    return inverse @ rows.T @ (weight * y), np.asarray(inverse, dtype=np.float64)


def _robust_line(x: Floats, y: Floats) -> tuple[Floats, Floats, float, Floats]:
    """Return (line, covariance, spread, weights): Huber weights, started from the middle of all pairwise slopes."""
    i, j = np.triu_indices(x.size, 1)
    apart = np.abs(x[i] - x[j]) > 1e-9
    slope = float(np.median((y[i] - y[j])[apart] / (x[i] - x[j])[apart]))
    line = np.array([slope, float(np.median(y - slope * x))])
    weight = np.ones_like(x)
    for _ in range(50):
        residual = y - line @ np.stack([x, np.ones_like(x)])
        scale = max(_sigma(residual), 1e-6)
        weight = np.minimum(1.0, HUBER * scale / np.maximum(np.abs(residual), 1e-12))
        new, _ = _weighted_line(x, y, weight)
        done = bool(np.max(np.abs(new - line)) < 1e-12)
        line = new
        if done:
            break
    residual = y - line @ np.stack([x, np.ones_like(x)])
    _, inverse = _weighted_line(x, y, weight)
    # two of the points' freedom went into the line; with few points the plain spread is the honest one
    spread = math.sqrt(float(np.sum(weight * residual**2)) / max(1, x.size - 2))
    return line, inverse * spread**2, spread, weight


def _places(known: Floats, read: Floats, period_m: float) -> tuple[list[Place], Bools, float]:
    """Return each distance's middle, which readings are gross, and the share that slipped one period."""
    outlier = ~np.isfinite(read)
    places, slipped, usable = [], 0, 0
    for distance in np.unique(known):
        at = np.flatnonzero((known == distance) & np.isfinite(read))
        if at.size == 0:
            places.append(Place(float(distance), math.nan, math.nan, 0, int(np.sum(known == distance))))
            continue
        middle = _mode_middle(read[at], max(GROSS_LEAST_M, 0.02 * float(distance)))
        near = np.abs(read[at] - middle) <= max(GROSS_LEAST_M, 0.02 * float(distance))
        spread = max(_sigma(read[at][near]), 1e-4)
        gross = np.abs(read[at] - middle) > max(GROSS_LEAST_M, GROSS_SIGMAS * spread)
        outlier[at[gross]] = True
        kept = read[at][~gross]
        middle = float(np.median(kept))
        off = np.abs(kept - middle)
        slipped += int(np.sum(np.abs(off - period_m) < SLIP_WINDOW * period_m)) if spread < 0.4 * period_m else 0
        usable += kept.size
        places.append(Place(float(distance), middle, float(np.std(kept)), int(kept.size), int(gross.sum())))
    return places, outlier, slipped / max(1, usable)


def fit_ranger(known_m: Floats, read_m: Floats, period_m: float = 0.00429) -> RangerFit:
    """Return the straight line from readings to known distances.

    Parameters
    ----------
    known_m : (N,) array
        True distances from the ranger's face [m].
    read_m : (N,) array
        What was read, sound speed applied, scale and bias not [m]; inf or nan where nothing was heard.
    period_m : float
        Range of one period of the sound [m]: half a wavelength, 4.29 mm at 40 kHz and 20 degC.

    Raises
    ------
    ValueError
        If the arrays differ in shape, or fewer than three different known distances have readings: a line through two
        points leaves nothing to judge it by.

    Examples
    --------
    >>> known = np.repeat([0.2, 0.5, 0.8, 1.1], 5)
    >>> fit = fit_ranger(known, (known - 0.004) / 1.01)
    >>> round(fit.range_scale, 6), round(fit.range_bias_m, 6)
    (1.01, 0.004)
    """
    known, read = np.asarray(known_m, dtype=np.float64), np.asarray(read_m, dtype=np.float64)
    if known.shape != read.shape or known.ndim != 1:
        raise ValueError(f"known and read distances must be of one length, got {known.shape} and {read.shape}")
    places, outlier, slips = _places(known, read, period_m)
    used = [p for p in places if p.readings > 0]
    if len(used) < 3:
        raise ValueError(f"a line needs readings at three different known distances at least, got {len(used)}")
    x, y = np.array([p.read_m for p in used]), np.array([p.known_m for p in used])
    line, covariance, spread, weight = _robust_line(x, y)
    # a distance whose whole middle is gross does not lie on the line: its readings are outliers too
    off = np.abs(y - (line[0] * x + line[1]))
    for place, away, w in zip(used, off, weight, strict=True):
        if w < 0.25 and away > 2.0 * GROSS_LEAST_M:
            outlier[known == place.known_m] = True
    noise_m, noise_per_m = _noise(used, line)
    sigmas = np.sqrt(np.diag(covariance))
    return RangerFit(
        range_scale=float(line[0]),
        range_bias_m=float(line[1]),
        range_scale_sigma=float(sigmas[0]),
        range_bias_m_sigma=float(sigmas[1]),
        covariance=covariance,
        noise_m=noise_m,
        noise_per_m=noise_per_m,
        residual_m=spread,
        slips=slips,
        blind_zone_m=_blind_zone(places, known, outlier),
        outlier=outlier,
        places=tuple(places),
    )


def _noise(used: list[Place], line: Floats) -> tuple[float, float]:
    """Return (fixed part, part per metre) of single readings' spread, both at least 0."""
    spread = np.array([p.spread_m for p in used]) * line[0]
    at = np.array([p.known_m for p in used])
    repeated = np.array([p.readings for p in used]) >= 3
    if repeated.sum() < 3:
        return (float(np.median(spread[repeated])) if repeated.any() else math.nan), 0.0
    slope, offset = np.polyfit(at[repeated], spread[repeated], 1)
    if slope < 0.0 or offset < 0.0:
        return float(np.median(spread[repeated])), 0.0
    return float(offset), float(slope)


def _blind_zone(places: list[Place], known: Floats, outlier: Bools) -> float:
    """Return the nearest known distance most of whose readings are right, if a nearer one failed."""
    good = [bool(np.mean(outlier[known == p.known_m]) < 0.5) for p in places]
    if not good or good[0] or not any(good):
        return math.nan
    return places[good.index(True)].known_m


def groups_of(known_m: Floats) -> Ints:
    """Return the index of each reading's known distance among the distinct ones, (N,)."""
    _, index = np.unique(known_m, return_inverse=True)
    return np.asarray(index.reshape(-1), dtype=np.int32)

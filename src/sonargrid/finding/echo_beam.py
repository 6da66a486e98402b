"""The run's beam as the object fit sees it: how much an echo loses off the axis, how far aside it is heard.

Angles [rad], levels [dB], metres.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np

from sonargrid.arrays import Floats, Floats32
from sonargrid.physics.piston import piston_shape

WAVELENGTH_M = 0.00858  # 40 kHz at 20 degC
LOBE_STEPS = 1000  # table entries for one unit of k a sin(theta)
TURN_STEPS = 1 << 15  # table entries of a turn: as fine as those of the lobe
LOBE_DB = -42.0  # side lobes are taken as a plateau this far down, gently falling: real beams have no clean nulls
BEHIND_RAD = 1.75  # nothing is heard from farther aside than this


@dataclass(frozen=True, slots=True)
class Beam:
    """The run's beam, as the fit sees it.

    threshold_db : level at 1 m that is just heard
    size_m : radius of the piston whose main lobe this resembles
    lopsided : log of how much wider the left half is than the right one
    soft_db : how gradually detection falls off
    slope_db_m : loss with range beyond the physics
    late_m : how much later the weakest echo triggers
    sigma_m, sigma_share : noise of one range: fixed, and per metre
    stray, missed : share of echoes from nothing, of pings that miss everything
    slip, slip_m : share of echoes one period late, and how far that is
    """

    threshold_db: float = -26.0
    size_m: float = 0.0078
    lopsided: float = 0.0
    soft_db: float = 2.8
    slope_db_m: float = 0.0
    late_m: float = 0.007
    sigma_m: float = 0.0035
    sigma_share: float = 0.0055
    stray: float = 0.02
    missed: float = 0.04
    slip: float = 0.06
    slip_m: float = 0.0043
    absorption_db_m: float = 1.3
    wavelength_m: float = WAVELENGTH_M


@cache
def _lobe() -> Floats:
    """Return the two-way level at k a sin(theta) = 0, 1/LOBE_STEPS ...: a piston's main lobe, then a plateau [dB]."""
    u = np.arange(0.0, 14.0, 1.0 / LOBE_STEPS)
    x = np.maximum(u, 1e-9)
    level = 40.0 * np.log10(np.maximum(np.abs(piston_shape(x)), 1e-9))
    null = int(np.argmax(u > 3.8))
    level[null:] = -200.0
    floor = LOBE_DB - 6.0 * np.maximum(0.0, u - 3.4)
    return np.asarray(np.maximum(level, floor))


@cache
def _losses() -> Floats:
    return -_lobe()


@lru_cache(maxsize=16)
def _levels(k_a: float, lopsided: float) -> Floats32:
    """Return the two-way level [dB] at angles of `TURN_STEPS` to a turn, from the axis counter-clockwise."""
    off = np.arange(TURN_STEPS // 2 + 1, dtype=np.float32) * np.float32(2.0 * math.pi / TURN_STEPS)
    lobe = _lobe().astype(np.float32)
    behind = np.float32(60.0) * (off > BEHIND_RAD)
    left, right = (
        # beyond 90 degrees nothing is heard: sin would turn back
        lobe.take(
            (k_a * LOBE_STEPS * np.sin(np.minimum(off * stretch, 0.5 * math.pi)) + 0.5).astype(np.int64), mode="clip"
        )
        - behind
        for stretch in (np.float32(math.exp(-0.5 * lopsided)), np.float32(math.exp(0.5 * lopsided)))
    )
    return np.concatenate([left[:-1], right[:0:-1]])


def directivity_db(off_rad: Floats, beam: Beam) -> Floats:
    """Return the beam's two-way level at angles off its axis (counter-clockwise) [dB, 0 on the axis], any shape.

    Angles may lie some turns off: what costs time is to bring them near the axis, and to take sines.

    >>> round(float(directivity_db(np.array([np.radians(20.0)]), Beam())[0]), 1)
    -9.1
    """
    levels = _levels(2.0 * math.pi / beam.wavelength_m * beam.size_m, beam.lopsided)
    step = (off_rad * (TURN_STEPS / (2.0 * math.pi)) + (8.0 * TURN_STEPS + 0.5)).astype(np.int64)
    return np.asarray(levels.take(step & (TURN_STEPS - 1)), dtype=np.float64)


def reach_rad(loss_db: Floats, beam: Beam) -> Floats:
    """Return the angle off the axis beyond which a beam loses more than `loss_db` on both sides [rad], any shape.

    >>> np.degrees(reach_rad(np.array([-1.0, 6.0, 100.0]), Beam())).round(1).tolist()
    [0.0, 16.4, 100.3]
    """
    u = np.searchsorted(_losses(), loss_db) / LOBE_STEPS
    sine = u * beam.wavelength_m / (2.0 * math.pi * beam.size_m)
    off = np.where(sine < 1.0, np.arcsin(np.minimum(sine, 1.0)) * math.exp(0.5 * abs(beam.lopsided)), BEHIND_RAD)
    return np.asarray(np.where(loss_db < 0.0, 0.0, np.minimum(off, BEHIND_RAD)))

"""How loud an echo is: spreading, target strength by kind of surface, directivity of the transducer out and back.

Levels in dB relative to a smooth wall square on at 1 m, ranges in metres, angles in radians.  The simulator's own
physics, shared with no beam model of the mapper, so that agreement between the two means something.  Where surfaces
lie and what hides them is `room_echoes`.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.special import j1

from sonargrid.arrays import Floats, Numbers
from sonargrid.simulation.scene import Noise

CORNER_DB = -1.0  # two reflections instead of one; from memory
MIRROR_DB = -1.0  # loss at a mirroring wall; from memory
BOTH_WAYS_ROUND_DB = 3.0  # a way over a mirror that sound runs in both senses
AGAIN_DB = -10.0  # what robot and ranger send back of an echo, for its second round trip; from memory
LOBE_FLOOR_DB = -38.0  # two-way level that raised side lobes fill in up to 60 degrees; invented for stress tests
DEEPEST_DB = -200.0


def spreading_db(range_m: Numbers, absorption_db_m: float) -> Floats:
    """Return the level of an endless smooth wall, square on [dB]: 20 log r of its image, and absorption there and back.

    >>> [round(float(v), 4) for v in spreading_db(np.array([0.5, 3.0, 5.0]), 0.0)]
    [6.0206, -9.5424, -13.9794]
    """
    r = np.asarray(range_m, dtype=np.float64)
    return np.asarray(-20.0 * np.log10(r) - 2.0 * absorption_db_m * (r - 1.0))


def post_db(range_m: Numbers, radius_m: Numbers, absorption_db_m: float) -> Floats:
    """Return the level of an upright cylinder whose near face is at `range_m` [dB]; near 30 log r when it is thin.

    >>> round(float(post_db(1.0, 0.025, 1.3)), 2)
    -16.13
    """
    r, a = np.asarray(range_m, dtype=np.float64), np.asarray(radius_m, dtype=np.float64)
    return np.asarray(spreading_db(r, absorption_db_m) + 10.0 * np.log10(a / (a + r)))


def scatter_db(range_m: Numbers, level_at_1_m_db: Numbers, absorption_db_m: float) -> Floats:
    """Return the level of an upright edge or a patch of a rough wall [dB]: 30 log r.

    >>> round(float(scatter_db(2.0, -34.0, 0.0)), 2)
    -43.03
    """
    r = np.asarray(range_m, dtype=np.float64)
    return np.asarray(level_at_1_m_db + spreading_db(r, absorption_db_m) - 10.0 * np.log10(r))


def end_loss_db(inside_m: Numbers, length_m: Numbers, range_m: Numbers, wavelength_m: float) -> Floats:
    """Return what a flat face loses near its ends and by being short [dB], at most 0.

    Parameters
    ----------
    inside_m : float or array
        From the foot of the perpendicular to the nearer end; below 0 the foot is off the face: no mirror echo [m].
    length_m, range_m, wavelength_m : float or array
        The face's length, its distance, the wavelength [m].

    Examples
    --------
    >>> [round(float(v), 2) for v in end_loss_db(np.array([0.0, 0.5]), 1.0, 1.0, 0.00858)]
    [-6.0, 0.0]
    """
    zone = np.sqrt(wavelength_m * np.asarray(range_m, dtype=np.float64) / 2.0)
    inside = np.asarray(inside_m, dtype=np.float64) / zone
    # half the amplitude at an end itself; a face narrower than its zone sends back only its share
    loss = -6.0 * np.clip(1.0 - inside, 0.0, 1.0) + 20.0 * np.log10(np.minimum(1.0, np.asarray(length_m) / zone))
    return np.where(inside >= 0.0, loss, -np.inf)


def two_way_db(off_axis_rad: Numbers, wavenumber_radius: float, noise: Noise, elevation_rad: Numbers = 0.0) -> Floats:
    """Return the two-way directivity at angles off the axis [dB, 0 on the axis], any shape.

    Parameters
    ----------
    off_axis_rad : array
        Counter-clockwise from the axis, in the plane of the floor [rad].
    wavenumber_radius : float
        k a of the transducer.
    noise : Noise
        Chooses the shape: piston, soft, lobed or flat, and how lopsided it is.
    elevation_rad : array
        Out of that plane; shapes broadcast [rad].

    References
    ----------
    Baffled circular piston, 2 J1(x) / x with x = k a sin(theta): Kinsler et al., Fundamentals of Acoustics.

    Examples
    --------
    >>> round(float(two_way_db(np.array([np.radians(20.3851)]), 5.8584, Noise())[0]), 2)
    -10.0
    """
    off = np.asarray(off_axis_rad, dtype=np.float64)
    off = np.abs(np.where(off > 0.0, off / (1.0 + noise.skew), off * (1.0 + noise.skew)))
    elevation = np.asarray(elevation_rad, dtype=np.float64)
    if np.any(elevation):
        off = np.arccos(np.clip(np.cos(off) * np.cos(elevation), -1.0, 1.0))
    x = np.maximum(wavenumber_radius * np.sin(np.minimum(off, math.pi / 2)), 1e-9)
    if noise.beam == "soft":
        # the Gaussian that agrees with the piston near the axis: 2 J1(x)/x = 1 - x^2/8
        level = 40.0 * math.log10(math.e) * (-(x**2) / 8.0)
    elif noise.beam == "flat":
        level = np.where(off <= noise.flat_rad + 1e-9, 0.0, DEEPEST_DB)
    else:
        level = 40.0 * np.log10(np.maximum(np.abs(2.0 * j1(x) / x), 1e-10))
        if noise.beam == "lobed":
            level = np.where(off < math.radians(60.0), np.maximum(level, LOBE_FLOOR_DB), level)
    behind = off > math.pi / 2  # a transducer hardly hears what stands behind it
    return np.asarray(np.where(behind, DEEPEST_DB, level))


def margin_db(level_db: Floats, range_m: Floats, threshold_db: float) -> Floats:
    """Return by how much levels pass the threshold [dB]: gain that grows with time takes back half of the spreading.

    >>> margin_db(np.array([-26.0, -36.0]), np.array([1.0, 10.0]), -26.0).tolist()
    [0.0, 0.0]
    """
    return np.asarray(level_db - threshold_db + 10.0 * np.log10(range_m))

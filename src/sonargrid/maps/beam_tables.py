"""What the quick loops need of a beam: its gain as a short polynomial, and its shape along the range in few numbers.

The angle off the axis comes as q = tan(off / 2) / tan(half / 2) with tan(off / 2) = |left| / (range + ahead): no arc
tangent, nothing cancels, and the gain of every smooth beam is a power series in q squared.  Single floats; metres and
radians.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Floats, Floats32, frozen
from sonargrid.maps.beams import BeamModel, SpreadBeam

DEGREE = 7
GAIN_ERROR = 2e-6  # the polynomial must be so near the gain everywhere; the map itself is rounded to 6e-5
WIDEST_RAD = math.radians(85.0)  # wedges wider than half the floor are no wedges
MOST_SIGMAS = 500.0  # reach / range sigma: farther out single floats err by more than the rounding of the map


@dataclass(frozen=True, slots=True, eq=False)
class BeamTables:
    """A beam of one width as numbers.

    half_rad : end of the support [rad]
    gain : (DEGREE + 1,) float32, coefficients of q squared, lowest first; q = 1 at the end of the support
    hit, miss : evidence of an echo, and of floor passed through, on the axis
    sigma_m : of one range [m]
    """

    half_rad: float
    gain: Floats32
    hit: float
    miss: float
    sigma_m: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "gain", frozen(self.gain, np.float32))


def tables_for(beam: BeamModel) -> BeamTables | None:
    """Return the numbers of a beam; None where its width changes with the range or its gain is no smooth hump.

    Parameters
    ----------
    beam : BeamModel

    Examples
    --------
    >>> from sonargrid.maps.beams import make_beam
    >>> from sonargrid.runs.readings import Ranger
    >>> tables_for(make_beam("cone", Ranger())).gain.tolist()[:2]
    [1.0, 0.0]
    >>> tables_for(make_beam("tapered", Ranger())) is None
    True
    """
    if not isinstance(beam, SpreadBeam) or not beam.separable:
        return None
    half, sigma = float(beam.support_rad(0.0)), beam.ranger.range_sigma_m
    if half > WIDEST_RAD or sigma <= 0.0 or beam.ranger.reach_m > MOST_SIGMAS * sigma:
        return None
    from numpy.polynomial import Chebyshev, Polynomial  # costs start-up time

    edge = math.tan(0.5 * half)

    def gain_at(squared: Floats) -> Floats:
        off = 2.0 * np.arctan(edge * np.sqrt(np.maximum(squared, 0.0)))
        return np.asarray(beam.gain_of(np.minimum(off, half), np.full(1, half)))

    series = Chebyshev.interpolate(gain_at, DEGREE, domain=[0.0, 1.0]).convert(kind=Polynomial).coef
    gain = np.zeros(DEGREE + 1, dtype=np.float32)
    gain[: series.size] = series
    gain[np.abs(gain) < 1e-9] = 0.0  # a flat gain is flat to the last bit
    places = np.linspace(0.0, 1.0, 257)
    fitted = np.polynomial.polynomial.polyval(places, gain.astype(np.float64))
    if float(np.abs(fitted - gain_at(places)).max()) > GAIN_ERROR:
        return None
    return BeamTables(half, gain, beam.hit, beam.miss, sigma)

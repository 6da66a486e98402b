"""Which beam the joint solver hears with: its own soft one, or that of a beam model that the user names.

Of a beam model only `detection` counts here, the chance that a thing is heard; what an echo adds to a cell is the
additive solver's question.  Metres and radians.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from sonargrid.arrays import Floats
from sonargrid.maps.beams import BeamModel
from sonargrid.maps.wedges import LEAST_GAIN, SoftBeam
from sonargrid.runs.readings import ASSUMED_HALF_BEAM_RAD, Ranger

LEAST_FACTOR, MOST_FACTOR = 0.5, 1.6  # of the stated half beam to the usual one: beyond, the recipe means nothing
ANGLES_RAD = np.deg2rad(np.arange(0.0, 90.01, 0.1))  # where a model is asked how far off the axis it still hears
RANGES = 65


@dataclass(frozen=True, slots=True, eq=False)
class NamedBeam:
    """A beam model seen from the joint solver: its detection, and how far off the axis that is worth a cell.

    range_m, support_rad : (n,) table of the support, see `heard_with`
    """

    model: BeamModel
    range_m: Floats
    support_rad: Floats

    def detection(self, range_m: ArrayLike, off_axis_rad: ArrayLike) -> Floats:
        """Return the chance of being heard, 0..1; shapes broadcast."""
        return self.model.detection(range_m, off_axis_rad)

    def support_at(self, range_m: ArrayLike) -> Floats:
        """Return the angle off the axis beyond which nothing is heard well enough to count, at ranges [rad]."""
        return np.interp(np.asarray(range_m, dtype=np.float64), self.range_m, self.support_rad)

    @property
    def widest_rad(self) -> float:
        """The widest of these angles [rad]."""
        return float(self.support_rad.max())


def heard_with(model: BeamModel, reach_m: float) -> NamedBeam:
    """Return a beam model made ready for wedges out to a reach.

    >>> from sonargrid.maps.beams import make_beam
    >>> cone = heard_with(make_beam("cone", Ranger(half_beam_rad=np.radians(20.0))), 1.0)
    >>> round(float(np.degrees(cone.widest_rad)), 1)
    20.0
    """
    at = np.linspace(0.0, reach_m, RANGES)
    # a model that knows no range gives one row
    chance = np.broadcast_to(model.detection(at[:, None], ANGLES_RAD[None, :]), (RANGES, ANGLES_RAD.size))
    heard = chance >= LEAST_GAIN
    # the last angle that is heard well enough; the axis itself always is
    last = heard.shape[1] - 1 - np.argmax(heard[:, ::-1], axis=1)
    return NamedBeam(model, at, np.where(heard.any(axis=1), ANGLES_RAD[last], ANGLES_RAD[1]))


def own_beam(beam: SoftBeam, ranger: Ranger) -> SoftBeam:
    """Return the solver's own beam, scaled where the run states a width."""
    stated = ranger.half_beam_rad is not None or bool(ranger.half_beam_table)
    factor = ranger.mean_half_beam_rad / ASSUMED_HALF_BEAM_RAD if stated else 1.0
    factor = min(MOST_FACTOR, max(LEAST_FACTOR, factor))
    return replace(beam, half_rad=beam.half_rad * factor, slope_rad_m=beam.slope_rad_m * factor)

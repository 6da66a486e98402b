"""The run's own beam as people are told of it: numbers for summary.json, and a sentence where run.toml says another.

Degrees: this is the edge.  Fitting it is `run_beam`'s business.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from sonargrid.finding.run_beam import FittedBeam
    from sonargrid.runs.readings import Ranger

MEANT_AT_M = (0.4, 0.7, 1.0)  # a half beam is the mean of the half widths at these distances
SIDES = ("left_deg", "right_deg", "sigma_deg")
FAR_DEG, FAR_SIGMAS = 3.0, 3.0  # run.toml is far off where it differs by more than both; rangers differ by 2 to 3


def mean_half_deg(beam: FittedBeam) -> tuple[float, float]:
    """Return (half beam, its standard deviation) of a fitted beam, both sides together [deg]; nan = says nothing."""
    known = [k for k, r in enumerate(beam.range_m) if any(abs(r - at) < 1e-9 for at in MEANT_AT_M)]
    if not known:
        return math.nan, math.nan
    both = 0.5 * (beam.left_rad[known] + beam.right_rad[known])
    # errors at different distances come from the same few numbers: they do not average out
    return math.degrees(float(both.mean())), math.degrees(float(np.mean(beam.sigma_rad[known])))


def beam_told(beam: FittedBeam, ranger: Ranger) -> dict[str, Any]:
    """Return what summary.json says of the beam: half widths left and right against distance, with uncertainty."""
    half, sigma = mean_half_deg(beam)
    stated = ranger.half_beam_rad is not None or bool(ranger.half_beam_table)
    widths = np.degrees([beam.left_rad, beam.right_rad, beam.sigma_rad]).T
    return {
        "from": "the bench" if beam.known else "this run",
        "half_beam_deg": _rounded(half),
        "half_beam_sigma_deg": _rounded(sigma),
        "stated_half_beam_deg": _rounded(math.degrees(ranger.mean_half_beam_rad)) if stated else None,
        "half_widths": [
            {"range_m": float(r), **{name: _rounded(float(value)) for name, value in zip(SIDES, row, strict=True)}}
            for r, row in zip(beam.range_m, widths, strict=True)
        ],
    }


def beam_warning(beam: FittedBeam, ranger: Ranger) -> str:
    """Return a sentence where the fitted half beam is far from the stated one; empty otherwise."""
    half, sigma = mean_half_deg(beam)
    if beam.known or ranger.half_beam_rad is None or math.isnan(half):
        return ""
    stated = math.degrees(ranger.mean_half_beam_rad)
    if abs(half - stated) <= max(FAR_DEG, FAR_SIGMAS * sigma):
        return ""
    return (
        f"The echoes of this run fit a half beam of {half:.0f} degrees (give or take {sigma:.1f}), "
        f"ranger.half_beam_deg says {stated:.0f}: measure it with a 5 cm post at 0.4, 0.7 and 1.0 m "
        "(sonargrid explain beam-models) and state ranger.half_beam_table."
    )


def _rounded(value: float) -> float:
    return round(value, 3)

"""Sound in air: speed, absorption, echo time to range."""

from __future__ import annotations

import numpy as np

from sonargrid.arrays import Floats, Numbers


def sound_speed(
    temperature_c: Numbers, relative_humidity_pct: Numbers = 50.0, pressure_kpa: Numbers = 101.325
) -> Floats:
    """Return the speed of sound [m/s] (placeholder formula until the full one lands)."""
    return np.asarray(331.3 * np.sqrt(1.0 + np.asarray(temperature_c, dtype=np.float64) / 273.15))

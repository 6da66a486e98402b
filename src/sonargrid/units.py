"""The only conversions in the code: inside are metres, radians, seconds and degrees Celsius.

Every function takes a float or an array of any shape and returns the same.  Imports only the standard library, so
that the command line can read a length without loading numpy.
"""

from __future__ import annotations

import math
import re
from typing import Any

M_PER_IN = 0.0254  # exact; international inch, 1959
RAD_PER_DEG = math.pi / 180.0
S_PER_US = 1e-6

# distance columns of a file: name -> metres per unit; echo_us is a time and has no fixed factor
RANGE_COLUMNS_M = {"range_m": 1.0, "range_cm": 0.01, "range_mm": 0.001, "range_in": M_PER_IN}

_LENGTH = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*([A-Za-z]*)\s*", re.ASCII)
_LENGTH_UNITS = {"": 1.0, "m": 1.0, "cm": 0.01, "mm": 0.001, "in": M_PER_IN}


def to_rad(degrees: Any) -> Any:
    """Return degrees as radians.

    >>> to_rad(180.0) == math.pi
    True
    """
    return degrees * RAD_PER_DEG


def to_deg(radians: Any) -> Any:
    """Return radians as degrees.

    >>> round(to_deg(math.pi / 2), 12)
    90.0
    """
    return radians / RAD_PER_DEG


def parse_length(text: str) -> float:
    """Return a length with an optional unit (m, cm, mm, in) in metres.

    Raises
    ------
    ValueError
        If the text is no finite number followed by one of the units.

    Examples
    --------
    >>> parse_length("1cm"), parse_length("0.4in"), parse_length("0.02")
    (0.01, 0.01016, 0.02)
    """
    found = _LENGTH.fullmatch(text)
    unit = found.group(2).lower() if found else ""
    if found is None or unit not in _LENGTH_UNITS:
        raise ValueError(f"'{text}' is no length; write a number and m, cm, mm or in, such as 1cm")
    value = float(found.group(1))
    # dividing by whole counts keeps 1cm == 0.01 to the last bit, which a product would not for all numbers
    metres = {"cm": value / 100.0, "mm": value / 1000.0, "in": value * M_PER_IN}.get(unit, value)
    if not math.isfinite(metres):
        raise ValueError(f"'{text}' is no finite length")
    return metres

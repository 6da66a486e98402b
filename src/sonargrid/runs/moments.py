"""Dates and times of RFC 3339 as run files have them."""

from __future__ import annotations

import re
from datetime import date, datetime, time, timedelta
from typing import Any

_RFC3339 = re.compile(
    r"([0-9]{4}-[0-9]{2}-[0-9]{2})[Tt ]([0-9]{2}:[0-9]{2}):([0-9]{2})(\.[0-9]+)?([Zz]|[+-][0-9]{2}:[0-9]{2})"
)


def moment(text: str) -> datetime:
    """Return the instant that an RFC 3339 text names; a leap second counts as the second after it.

    Raises
    ------
    ValueError
        If it is none.

    Examples
    --------
    >>> moment("1990-12-31T23:59:60Z").isoformat()
    '1991-01-01T00:00:00+00:00'
    """
    found = _RFC3339.fullmatch(text)
    if found is None:
        raise ValueError(f"{text!r} is no RFC 3339 date and time")
    day, minute, second, part, zone = found.groups()
    leap = second == "60"
    whole = datetime.fromisoformat(f"{day}T{minute}:{'59' if leap else second}{zone.upper()}")
    return whole + timedelta(seconds=float(leap) + float(part or 0.0))


def recorded_moment(value: Any) -> str:
    """Return a TOML date and time, or a text that is one, as RFC 3339 text.

    Raises
    ------
    ValueError
        If it is none or has no time zone.

    Examples
    --------
    >>> recorded_moment(datetime.fromisoformat("2026-05-04T10:30:00+00:00"))
    '2026-05-04T10:30:00Z'
    """
    if isinstance(value, datetime):
        if value.tzinfo is None:
            raise ValueError(f"has no time zone, got {value.isoformat()}")
        return value.isoformat().replace("+00:00", "Z")
    if isinstance(value, str):
        try:
            moment(value)
        except ValueError:
            raise ValueError(f"must be a date and time of RFC 3339, got {value[:40]!r}") from None
        return value
    got = value.isoformat() if isinstance(value, date | time) else value
    raise ValueError(f"must be a date and time of RFC 3339, got {got}")

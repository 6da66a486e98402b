"""A first look at a run that was read: the classic faults of a first log, told with what `map` takes against them.

The rules are `first_faults`'; here they get a run's angles [deg] and distances [m].
"""

from __future__ import annotations

import math

import numpy as np

from sonargrid.runs.calibration import commanded_rad, head_angle_rad, read_distance_m
from sonargrid.runs.first_faults import AHEAD_WITHIN_DEG, AT_MAP, Found, look, side_words
from sonargrid.runs.nearest_echo import nearest_echo
from sonargrid.runs.readings import Run

LOOKED_AT = 2_000  # readings; the faults of a log show in its first part, and reading a million stays fast
AHEAD_DEG = 90.0


def first_look(run: Run) -> Found:
    """Return what a run's own numbers say against it: time-outs taken for walls, a wrong unit, a head that has 0 ahead.

    >>> from sonargrid.runs.readings import Readings
    >>> rows = Readings("angle_deg", "range_m", [60.0, 70.0, 80.0], [34.0, 35.0, 80.0], [0] * 3, [0] * 3, [1] * 3)
    >>> [words.split(":")[0] for words in first_look(Run(rows)).sentences][-1]
    'half of the distances are beyond 35 m, farther than such a ranger hears'
    """
    rows = run.readings
    part = slice(0, LOOKED_AT)
    unit_m = float(read_distance_m(run, np.ones(1))[0])
    metres = read_distance_m(run, rows.distance[part]).tolist()
    plain = rows.angle_column == "angle_deg" and round(math.degrees(run.head.ahead_rad), 6) == AHEAD_DEG
    angles = rows.angle[part].tolist() if plain else []
    return look(angles, metres, run.ranger.reach_m, unit_m, AT_MAP)


def nearest_aside(run: Run) -> tuple[str, float, float]:
    """Return (station, metres, degrees left) of the nearest borne out echo off to a side; ("", nan, 0): none."""
    rows = run.readings
    metres = read_distance_m(run)
    left = np.degrees(head_angle_rad(run, commanded_rad(run), rows.turning))
    heard = np.isfinite(metres) & (metres < run.ranger.reach_m) & (metres >= run.ranger.blind_zone_m)
    heard &= np.abs(left) > AHEAD_WITHIN_DEG
    at = nearest_echo(rows.station, left, metres, heard, rows.count)
    if at is None:
        return "", math.nan, 0.0
    return run.stations[int(rows.station[at])].name, float(metres[at]), float(left[at])


def nearest_sentence(run: Run) -> str:
    """Return where the nearest thing off to a side is, so that a mirrored head is seen at once; empty: no such thing.

    >>> from sonargrid.runs.readings import Readings
    >>> rows = Readings("angle_deg", "range_cm", [60.0, 140.0], [80.0, 34.0], [0, 0], [0, 0], [1, 1])
    >>> nearest_sentence(Run(rows))
    "nearest to a side: 34 cm, on your robot's LEFT at station A (if not: --set head.turns=cw)"
    """
    name, metres, left = nearest_aside(run)
    if not name:
        return ""
    where = f"nearest to a side: {100 * metres:.0f} cm, {side_words(left)} at station {name}"
    if run.readings.angle_column == "angle_deg":
        return f"{where} (if not: --set head.turns={'cw' if run.head.turns > 0 else 'ccw'})"
    return where

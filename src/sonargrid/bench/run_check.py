"""A run -> fit for use or not: every part of the check, and where the nearest thing is.

For programs: `check_run` gives a `RunCheck` with named findings.  Words for screens are the command line's business.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from sonargrid.bench.check_clock import check_clock, check_interval, check_late_echo
from sonargrid.bench.check_echoes import (
    check_constant_ranges,
    check_double_bounce,
    check_ring,
    check_short_echoes,
)
from sonargrid.bench.check_findings import SEVERITIES, Nearest, RunCheck, Sheet, StationCheck
from sonargrid.bench.check_head import check_coverage, check_one_angle, check_pulses, check_shift, check_turning
from sonargrid.bench.check_numbers import check_shares, check_slips, check_stuck, check_timeouts, check_unit
from sonargrid.bench.check_repeats import check_flyback, check_moved
from sonargrid.bench.check_setting import check_drift, check_temperature
from sonargrid.bench.check_stations import check_close_stations, check_headings
from sonargrid.bench.check_view import RunView, plateau_head_deg, run_view
from sonargrid.runs.first_faults import AHEAD_WITHIN_DEG
from sonargrid.runs.readings import Run
from sonargrid.units import RAD_PER_DEG

PARTS: tuple[Callable[[RunView, Sheet], None], ...] = (
    check_coverage,
    check_one_angle,
    check_pulses,
    check_turning,
    check_clock,
    check_interval,
    check_shares,
    check_timeouts,
    check_unit,
    check_stuck,
    check_constant_ranges,
    check_short_echoes,
    check_moved,
    check_flyback,
    check_late_echo,
    check_shift,
    check_double_bounce,
    check_ring,
    check_close_stations,
    check_headings,
    check_slips,
    check_temperature,
    check_drift,
)


def check_run(run: Run) -> RunCheck:
    """Return whether a run is fit for use, with every finding.

    Parameters
    ----------
    run : Run
        As it is to be mapped, with its calibration if it has one.

    Examples
    --------
    >>> from sonargrid.runs.readings import Readings, Station
    >>> angles = np.arange(0.0, 181.0, 2.0)
    >>> heard = np.where(abs(angles - 150.0) <= 24.0, 60.0, np.inf)
    >>> run = Run(Readings("angle_deg", "range_cm", angles, heard, 0 * angles, 0 * angles, 1 + 0 * angles))
    >>> check = check_run(run)
    >>> check.fit, check.nearest.words
    (True, 'The nearest thing is on the LEFT, 60 cm away (60 degrees left of ahead).')
    """
    view, sheet = run_view(run), Sheet()
    for part in PARTS:
        part(view, sheet)
    order = sorted(sheet.findings, key=lambda finding: SEVERITIES.index(finding.severity))
    return RunCheck(run.name, run.title, nearest_thing(view), _stations(view), tuple(order), tuple(sheet.untested))


def _stations(view: RunView) -> tuple[StationCheck, ...]:
    rows = []
    for s in view.stations:
        echoes, silent = int(s.heard.sum()), int(np.isposinf(s.range_m).sum())
        rows.append(
            StationCheck(
                s.name,
                round(float(s.angle_deg.min()), 3),
                round(float(s.angle_deg.max()), 3),
                round(s.step_deg, 3) if math.isfinite(s.step_deg) else 0.0,
                int(np.unique(s.sweep).size),
                int(s.rows.size),
                echoes,
                silent,
                int(s.rows.size) - echoes - silent,
            )
        )
    return tuple(rows)


def nearest_thing(view: RunView) -> Nearest | None:
    """Return the nearest thing heard: the nearest arc of equal range, else the nearest echo; None = nothing heard."""
    found = [
        (plateau.range_m, plateau_head_deg(plateau, view.run)[1] - 90.0, station.name)
        for station in view.stations
        for plateau in station.plateaus
    ]
    if not found:
        found = [
            (float(range_m), float(angle) - 90.0, station.name)
            for station in view.stations
            for range_m, angle in zip(station.range_m[station.heard], station.angle_deg[station.heard], strict=True)
        ]
    if not found:
        return None
    range_m, left, name = min(found)
    side = "left" if left > AHEAD_WITHIN_DEG else "right" if left < -AHEAD_WITHIN_DEG else "ahead"
    where = "straight AHEAD" if side == "ahead" else f"on the {side.upper()}"
    turned = f"{abs(left):.0f} degrees {'left' if left >= 0 else 'right'} of ahead"
    shown = f"{100.0 * range_m:.0f} cm" if range_m < 0.995 else f"{range_m:.2f} m"
    seen = f", seen from station {name}" if len(view.stations) > 1 else ""
    words = f"The nearest thing is {where}, {shown} away ({turned}{seen})."
    return Nearest(range_m, left * RAD_PER_DEG, side, name, words)

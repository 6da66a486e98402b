"""What the clock tells: readings out of order, pings too close together, late echoes of the ping before.

Parts of `check`.  A late echo comes back after the next ping has gone out: its range falls by half the speed of sound
times every second that the interval grows, while a true range stays.
"""

from __future__ import annotations

import numpy as np

from sonargrid.arrays import Floats, Ints
from sonargrid.bench.check_findings import FAULT, WARNING, Sheet
from sonargrid.bench.check_view import RunView, StationView
from sonargrid.physics.air import sound_speed
from sonargrid.runs.sweeps import backwards

CLOSE_S = 0.050  # echoes of the ping before need about so long to die away; common practice, no source
A_LITTLE = 0.002  # clocks that count milliseconds
CLOSE_SHARE = 1.0 / 3.0
LATE_TOLERANCE_M = 0.02
COARSE_M = 0.10  # a clock so coarse (as range) tells nothing
LEAST_LATE = 5
NEIGHBOURS = 4  # echoes each one is compared with
CHANCE = 1e-5


def check_clock(view: RunView, sheet: Sheet) -> None:
    """Look for a clock that goes backwards."""
    rows = view.run.readings
    if rows.time_s is None:
        sheet.cannot("there is no column time_s, so ping intervals and late echoes were not checked")
        return
    group = np.zeros(len(rows), dtype=np.int32) if view.run.moving else rows.station
    back = backwards(group, rows.time_s)
    if back.size:
        jump = float((rows.time_s[back - 1] - rows.time_s[back]).max())
        sheet.found(
            "clock_backwards",
            FAULT,
            f"time_s goes backwards {back.size} times, first at reading {int(back[0]) + 1}, by up to {jump:.3g} s.",
            "Lines were mixed up, or the robot's counter started anew: record again, or give each start its own run.",
            rows=back,
            times=int(back.size),
            most_s=jump,
        )


def _intervals(view: RunView, station: StationView) -> tuple[Ints, Floats]:
    """Return places of readings (in the station's order) that have one before them, and the time since that [s]."""
    assert station.time_s is not None
    if view.servo:
        return np.arange(1, station.time_s.size), np.diff(station.time_s)
    order = np.lexsort((station.time_s, station.angle_deg))  # a ring's rangers each have their own
    same = np.diff(station.angle_deg[order]) == 0.0
    return order[1:][same], np.diff(station.time_s[order])[same]


def check_interval(view: RunView, sheet: Sheet) -> None:
    """Look for pings closer together than about 50 ms."""
    if not view.clock_ok:
        return
    pairs = [_intervals(view, station) for station in view.stations]
    waits = np.concatenate([wait for _, wait in pairs]) if pairs else np.zeros(0)
    rows = np.concatenate([s.rows[at] for s, (at, _) in zip(view.stations, pairs, strict=True)]) if pairs else waits
    if waits.size < 3:
        return
    close = (waits < CLOSE_S - A_LITTLE) & (waits > 0.0)
    share = float(close.mean())
    if float(np.mean(waits == 0.0)) > 0.5:
        sheet.cannot("the clock stands still between readings (whole seconds?), so ping intervals were not checked")
        return
    if share < 0.01:
        return
    usual = float(np.median(waits[close]))
    sheet.found(
        "pings_too_close",
        FAULT if share > CLOSE_SHARE else WARNING,
        f"{100.0 * share:.0f} % of the pings come {1e3 * usual:.0f} ms after the one before; under about 50 ms "
        f"(common practice) an echo of the ping before, from up to {usual * _speed(view) / 2.0:.1f} m farther off, "
        "can pass for a near thing.",
        "Wait 60 ms or more between pings: sonargrid sender writes a program that does.",
        rows=rows[close],
        close_share=share,
        usual_s=usual,
        least_s=float(waits[close].min()),
    )


def _speed(view: RunView) -> float:
    air = view.run.air
    return float(sound_speed(air.temperature_c, air.relative_humidity_pct, air.pressure_kpa))


def check_late_echo(view: RunView, sheet: Sheet) -> None:
    """Look for ranges that change with the time since the ping before."""
    if not view.clock_ok:
        return
    speed, told = _speed(view), False
    for station in view.stations:
        at, wait = _intervals(view, station)
        tick = _tick(wait)
        tolerance = LATE_TOLERANCE_M + 3.0 * station.noise_m + 0.5 * speed * tick
        if tolerance > COARSE_M:
            continue
        one, two = _pairs(station, at, wait, 4.0 * tolerance / speed)
        if one.size < 2 * LEAST_LATE:
            continue
        told = True
        _judge_late(view, station, (at[one], at[two]), wait[two] - wait[one], tolerance, sheet)
    if not told:
        sheet.cannot(
            "ping intervals hardly vary (or the clock is too coarse), so a late echo of the ping before would not "
            "show; sweep once more with a few milliseconds more between pings"
        )


def _tick(wait: Floats) -> float:
    """Return how finely the clock counts [s]: a tenth of a millisecond at least."""
    steps = np.unique(np.round(np.abs(np.diff(np.unique(np.round(wait, 7)))), 7))
    steps = steps[steps > 0.0]
    return float(min(1e-3, max(1e-5, steps.min()))) if steps.size else 1e-5


def _pairs(station: StationView, at: Ints, wait: Floats, apart_s: float) -> tuple[Ints, Ints]:
    """Return pairs of places in `at`: echoes within two steps of each other whose waits differ by at least so much."""
    angle = station.angle_deg[at]
    heard = np.flatnonzero(station.heard[at] & (wait > 0.0))
    order = heard[np.lexsort((wait[heard], angle[heard]))]
    close = 2.0 * (station.step_deg if np.isfinite(station.step_deg) else 1.0) + 1e-6
    ones, twos = [], []
    for further in range(1, 1 + NEIGHBOURS):
        one, two = order[:-further], order[further:]
        one, two = np.where(wait[one] <= wait[two], one, two), np.where(wait[one] <= wait[two], two, one)
        kept = (np.abs(angle[two] - angle[one]) <= close) & (wait[two] - wait[one] >= apart_s)
        ones.append(one[kept])
        twos.append(two[kept])
    return np.concatenate(ones), np.concatenate(twos)


def _judge_late(
    view: RunView, station: StationView, pair: tuple[Ints, Ints], more_s: Floats, tolerance: float, sheet: Sheet
) -> None:
    from scipy.stats import binom

    speed = _speed(view)
    moved = station.range_m[pair[1]] - station.range_m[pair[0]]
    late = np.abs(moved + 0.5 * speed * more_s) < tolerance
    # an echo of nothing falls into the window by chance as often as the window is wide
    chance = min(0.5, max(0.01, 2.0 * tolerance / view.pings.reach_m))
    count = int(late.sum())
    if count < LEAST_LATE or float(binom.sf(count - 1, late.size, chance)) > CHANCE:
        return
    which = np.concatenate([pair[0][late], pair[1][late]])
    ranges, angles = station.range_m[which], station.angle_deg[which]
    sheet.found(
        "late_echo",
        FAULT,
        f"Station {station.name}: {count} of {late.size} pairs of neighbouring pings show a range that falls by "
        f"17 cm with each millisecond of waiting, between {angles.min():.0f} and {angles.max():.0f} degrees: an echo "
        "of the ping before, no thing.",
        "Wait longer between pings (60 ms or more), until these echoes are gone; or hang cloth over the far wall.",
        station=station.name,
        angles_deg=(float(angles.min()), float(angles.max())),
        ranges_m=(float(ranges.min()), float(ranges.max())),
        rows=np.unique(station.rows[which]),
        pairs=count,
        pairs_tested=int(late.size),
    )

"""Sweeps of one station against each other: something moved, or the head was not back yet after a fly-back.

Parts of `check`; head angles in degrees, 0 = the robot's right, 90 = straight ahead, ranges in metres, inf = silent.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Bools, Floats
from sonargrid.bench.check_findings import FAULT, NOTE, WARNING, Sheet
from sonargrid.bench.check_view import RunView, StationView, SweepTable, stretches, sweep_table
from sonargrid.runs.sweeps import FLYBACK_SHARE

APART_M = 0.05  # repeats of one angle that differ by more disagree
SIGMAS = 6.0
MOVED_DEG = 18.0  # disagreement over so many degrees is no edge of an arc that flickers
LEAST_ANGLES = 4
LEAST_THIRD = 3  # sweeps, early and late
HELD = 0.75  # of the angles there: a thing stood (or nothing did) throughout
ONE_SURFACE_M = 0.05
TAKE_TURNS = 0.1  # of the angles
NEARLY_REACH = 0.92  # echoes beyond this share of reach come and go
RETURN_S = 0.35  # for a full return; hobby servos take 0.1 to 0.2 s for 60 degrees, maker data sheets
MOST_WRONG, LEAST_WRONG, FLYBACK_CHANCE = 0.7, 2, 1e-4


@dataclass(frozen=True, slots=True)
class _Change:
    """Where two passes disagree: places in the table, and what each of them hears there."""

    before: int
    after: int
    first: int
    last: int
    before_m: float
    after_m: float


def check_moved(view: RunView, sheet: Sheet) -> None:
    """Look for bearings at which a station's sweeps disagree."""
    if view.run.moving:
        sheet.cannot("the robot moved, so sweeps of one place were not compared")
        return
    compared = False
    for station in view.stations:
        table = sweep_table(station)
        if table.sweeps.size < 2:
            continue
        compared = True
        last = table.sweeps.size - 1
        changes = [change for k in range(1, last + 1) for change in _changes(view, station, table, k - 1, k)]
        if not changes:
            _creeping(station, table, sheet)
        _tell_changes(view, station, table, changes, sheet)
    if not compared:
        sheet.cannot("each station has one sweep only, so nothing shows whether something moved meanwhile")


def _creeping(station: StationView, table: SweepTable, sheet: Sheet) -> None:
    """Look for angles whose range is steady early and steady late, but not the same: something crept, or the robot."""
    third = table.sweeps.size // 3
    if third < LEAST_THIRD:
        return
    known = np.where(np.isfinite(table.range_m), table.range_m, np.nan)
    early, late = known[:third], known[-third:]
    full = (np.isfinite(early).mean(axis=0) >= HELD) & (np.isfinite(late).mean(axis=0) >= HELD)
    if not full.any():
        return
    begin, end = np.nanmedian(early[:, full], axis=0), np.nanmedian(late[:, full], axis=0)
    still = np.nanmax(np.abs(early[:, full] - begin), axis=0) < 0.5 * APART_M
    still &= np.nanmax(np.abs(late[:, full] - end), axis=0) < 0.5 * APART_M
    crept = still & (np.abs(end - begin) > APART_M)
    if int(crept.sum()) < max(3, 0.15 * int(still.sum())):
        return
    angles = table.angle_deg[full][crept]
    by = float(np.median(np.abs(end - begin)[crept]))
    sheet.found(
        "sweeps_disagree",
        FAULT,
        f"Station {station.name}: on {angles.size} of {int(still.sum())} steady angles ({angles.min():.0f} to "
        f"{angles.max():.0f} degrees) the first sweeps and the last differ, by {100 * by:.0f} cm in the middle: "
        "something crept, or the robot did.",
        "Block the wheels and keep the floor still while the head turns; sweep again.",
        station=station.name,
        angles_deg=(float(angles.min()), float(angles.max())),
        angles=int(angles.size),
        steady_angles=int(still.sum()),
        by_m=by,
    )


def _apart(view: RunView, station: StationView, one: Floats, two: Floats) -> Bools:
    """Return where two passes disagree clearly."""
    limit = max(APART_M, SIGMAS * station.noise_m)
    far = NEARLY_REACH * view.pings.reach_m
    finite = np.isfinite(one) & np.isfinite(two)
    both = finite & (np.abs(np.where(finite, one, 0.0) - np.where(finite, two, 0.0)) > limit)
    lost = (np.isposinf(one) & (two < far)) | (np.isposinf(two) & (one < far))
    return np.asarray(both | lost)


def _changes(view: RunView, station: StationView, table: SweepTable, before: int, after: int) -> list[_Change]:
    one, two = table.range_m[before], table.range_m[after]
    common = np.flatnonzero(~np.isnan(one) & ~np.isnan(two))
    if common.size < LEAST_ANGLES:
        return []
    apart = _apart(view, station, one[common], two[common])
    step = float(np.median(np.diff(table.angle_deg[common])))
    found = []
    for first, last in stretches(apart, 1):
        here = common[first : last + 1]
        share = float(apart[first : last + 1].mean())
        if last - first + 1 < LEAST_ANGLES or (last - first + 1) * step < MOVED_DEG or share < HELD:
            continue
        before_m, after_m = _level(one[here]), _level(two[here])
        # on both sides either a surface or silence must hold: a flickering echo is nobody's move
        if before_m is None or after_m is None or not _apart(view, station, np.array(before_m), np.array(after_m)):
            continue
        if _flickers(one[here], two[here], before_m, after_m):
            continue
        found.append(_Change(before, after, int(here[0]), int(here[-1]), before_m, after_m))
    return found


def _level(ranges: Floats) -> float | None:
    """Return what a pass hears over some angles: one surface's median range, inf for silence; None = neither."""
    heard = np.isfinite(ranges)
    if float(heard.mean()) <= 1.0 - HELD:
        return float("inf")
    if float(heard.mean()) < HELD:
        return None
    middle = float(np.median(ranges[heard]))
    return middle if float(np.mean(np.abs(ranges[heard] - middle) <= ONE_SURFACE_M)) >= HELD else None


def _flickers(one: Floats, two: Floats, one_m: float, two_m: float) -> bool:
    """Return whether a pass hears the other's level too: two echoes take turns (rough walls, second round trips)."""
    shares = [
        float(np.mean(np.abs(np.where(np.isfinite(ranges), ranges, 99.0) - level) < ONE_SURFACE_M))
        for ranges, level in ((one, two_m), (two, one_m))
        if np.isfinite(level)
    ]
    return max(shares, default=0.0) >= TAKE_TURNS


def _heard(range_m: float) -> str:
    return "nothing" if np.isinf(range_m) else f"{range_m:.2f} m"


def _tell_changes(view: RunView, station: StationView, table: SweepTable, changes: list[_Change], sheet: Sheet) -> None:
    told: set[int] = set()
    for i, change in enumerate(changes):
        if i in told:
            continue
        back = next(
            (
                k
                for k, other in enumerate(changes)
                if other.after == change.after + 1 and other.first <= change.last and other.last >= change.first
            ),
            None,
        )
        same_again = back is not None and (
            changes[back].after_m == change.before_m or abs(changes[back].after_m - change.before_m) < APART_M
        )
        first, last = float(table.angle_deg[change.first]), float(table.angle_deg[change.last])
        sweep = int(table.sweeps[change.after])
        if same_again and back is not None:
            told.add(back)
            words = f"sweep {sweep} alone hears {_heard(change.after_m)}, the ones before and after it "
            words += f"{_heard(change.before_m)}: something passed by"
        else:
            words = f"sweep {int(table.sweeps[change.before])} hears {_heard(change.before_m)}, sweep {sweep} "
            words += f"{_heard(change.after_m)}: something moved between them"
        heard = [m for m in (change.before_m, change.after_m) if np.isfinite(m)]
        mine = (station.sweep == sweep) & (station.angle_deg >= first - 1e-6) & (station.angle_deg <= last + 1e-6)
        sheet.found(
            "sweeps_disagree",
            FAULT,
            f"Station {station.name}, {first:.0f} to {last:.0f} degrees: {words}{_when(station, sweep)}.",
            "Keep the floor still while the head turns; sweep again, or leave passes out with --sweeps.",
            station=station.name,
            sweep=sweep,
            angles_deg=(first, last),
            ranges_m=(min(heard), max(heard)),
            rows=station.rows[mine],
            before_m=change.before_m if np.isfinite(change.before_m) else None,
            after_m=change.after_m if np.isfinite(change.after_m) else None,
        )


def _when(station: StationView, sweep: int) -> str:
    if station.time_s is None:
        return ""
    mine = station.time_s[station.sweep == sweep]
    return f" (sweep {sweep} ran from {mine.min():.1f} to {mine.max():.1f} s)"


def check_flyback(view: RunView, sheet: Sheet) -> None:
    """Look at the first readings after the head flew back in one move: was it there yet?"""
    if not view.servo or view.run.moving:
        return
    for station in view.stations:
        table = sweep_table(station)
        after, before = _after_flyback(station, table)
        if after:
            _judge_flyback(view, station, table, after, before, sheet)
            _short_return(station, table, after, sheet)


def _after_flyback(station: StationView, table: SweepTable) -> tuple[list[int], list[int]]:
    """Return the passes (places in the table) that begin with a fly-back, and the others."""
    starts = [int(np.flatnonzero(station.sweep == sweep)[0]) for sweep in table.sweeps.tolist()]
    span = station.span_deg
    after: list[int] = []
    before: list[int] = []
    for place, start in enumerate(starts):
        leap = start > 0 and abs(station.angle_deg[start] - station.angle_deg[start - 1]) >= FLYBACK_SHARE * span > 0.0
        (after if leap else before).append(place)
    return after, before


def _judge_flyback(
    view: RunView, station: StationView, table: SweepTable, after: list[int], before: list[int], sheet: Sheet
) -> None:
    from scipy.stats import binom

    if not before:
        sheet.cannot(f"station {station.name}: every sweep begins with a fly-back, none to compare their starts with")
        return
    apart = _against(view, station, table, after, table.range_m[before[0]])
    size = apart.shape[1]
    late = max(3, size // 3)
    rest = apart[:, late:]
    base = max(0.05, float(np.nanmean(rest))) if np.isfinite(rest).any() else 0.5
    # from the very first reading on, angle by angle, most passes must disagree
    n = 0
    while n < late and float(np.sum(apart[:, n] == 1.0)) >= MOST_WRONG * len(after):
        n += 1
    tried, wrong = int(np.isfinite(apart[:, :n]).sum()), int(np.nansum(apart[:, :n]))
    if n < LEAST_WRONG or float(binom.sf(wrong - 1, tried, base)) > FLYBACK_CHANCE:
        return
    rows = np.concatenate([station.rows[np.flatnonzero(station.sweep == table.sweeps[p])[:n]] for p in after])
    angles = table.angle_deg[:n] if station.angle_deg[0] < 90.0 else table.angle_deg[-n:]
    sheet.found(
        "after_flyback",
        WARNING,
        f"Station {station.name}: of the first {n} readings after each fly-back {wrong} of {tried} disagree with the "
        f"sweep that had none ({100 * base:.0f} % elsewhere): the head was still on its way.",
        "Wait 0.5 s after a return before the first ping, or sweep there and back; leave the first readings out.",
        station=station.name,
        angles_deg=(float(angles.min()), float(angles.max())),
        rows=rows,
        readings_each=n,
        wrong=wrong,
        tried=tried,
        elsewhere_share=base,
    )


def _against(view: RunView, station: StationView, table: SweepTable, after: list[int], usual: Floats) -> Floats:
    """Return (passes, A) where passes disagree with the usual one, from each one's first angle on; nan = not asked."""
    apart = np.full((len(after), usual.size), np.nan)
    for i, place in enumerate(after):
        start = int(np.flatnonzero(station.sweep == table.sweeps[place])[0])
        here = table.range_m[place]
        known = ~np.isnan(here) & ~np.isnan(usual)
        differ = np.where(known, _apart(view, station, here, usual), np.nan)
        from_right = station.angle_deg[start] < 0.5 * (table.angle_deg[0] + table.angle_deg[-1])
        apart[i] = differ if from_right else differ[::-1]
    return apart


def _short_return(station: StationView, table: SweepTable, after: list[int], sheet: Sheet) -> None:
    """Note returns that no hobby servo makes in the time between two pings."""
    if station.time_s is None:
        return
    starts = np.array([int(np.flatnonzero(station.sweep == table.sweeps[place])[0]) for place in after])
    took = station.time_s[starts] - station.time_s[starts - 1]
    leap = np.abs(station.angle_deg[starts] - station.angle_deg[starts - 1])
    short = took < RETURN_S * leap / 180.0
    if short.any():
        sheet.found(
            "short_return",
            NOTE,
            f"Station {station.name}: {1e3 * float(took[short].min()):.0f} ms for a return over "
            f"{float(leap[short].max()):.0f} degrees; a hobby servo takes 350 ms or more for a half circle.",
            "Wait 0.5 s after a return before the first ping.",
            station=station.name,
            rows=station.rows[starts[short]],
            least_s=float(took[short].min()),
            leap_deg=float(leap[short].max()),
        )

"""What the numbers themselves tell: shares of outcomes, time-outs met as distances, stuck values, slips, a wrong unit.

Parts of `check`; distances as the file has them (`raw`) where equality counts, metres elsewhere.
"""

from __future__ import annotations

import math

import numpy as np

from sonargrid.arrays import Bools, Floats
from sonargrid.bench.check_findings import FAULT, NOTE, WARNING, Sheet
from sonargrid.bench.check_view import NEAR_PAIR_M, RunView, StationView, steps_between, stretches
from sonargrid.physics.air import sound_speed
from sonargrid.runs.first_faults import FARTHEST_USUAL_M, TOO_FAR_SHARE, usual_distances

VOID_SHARE, GREAT_VOID_SHARE = 0.05, 0.20
SILENT_SHARE = 0.97
DROPOUT_SHARE, LEAST_INSIDE = 0.30, 20
SHOWN = {"echo_us": "us", "range_m": "m", "range_cm": "cm", "range_mm": "mm", "range_in": "in"}

TIMEOUT_BEGINS = 3  # times that the value sets in anew
TIMEOUT_GAP = 1.3  # it lies this much farther than all other distances,
TIMEOUT_TIMES, TIMEOUT_COUNT = 10.0, 10  # or is met so many times as often as any other far distance
TIMEOUT_SPAN_DEG = 80.0  # over more than one thing could fill
SCATTERING, TIMEOUT_CHANCE = 0.5, 1e-6  # share of equal neighbours where a ranger counts finely
MOST_TIMEOUTS = 3

STUCK_LEAST, STUCK_CHANCE, STUCK_SPAN_DEG = 8, 1e-7, 120.0
FINE_M = 0.002  # a ranger that counts so finely scatters
SLIP_SHARE, SLIP_GAIN, SLIP_PARTED = 0.05, 12.0, 2.5


def check_shares(view: RunView, sheet: Sheet) -> None:
    """Count silent, void and out-of-reach readings, and dropouts inside arcs."""
    pings, ranger = view.pings, view.run.ranger
    count = len(pings)
    echoes, silent, void = int(pings.echo.sum()), int(pings.silent.sum()), int(pings.void.sum())
    if void > VOID_SHARE * count:
        rows = np.flatnonzero(pings.void)
        near = f", {pings.too_near} of them below the blind zone of {100 * ranger.blind_zone_m:.0f} cm"
        sheet.found(
            "void_share",
            FAULT if void > GREAT_VOID_SHARE * count else WARNING,
            f"{void} of {count} readings ({100 * void / count:.0f} %) are no measurement"
            f"{near if pings.too_near else ''}.",
            "Look at the leads of the ranger and its supply (5 V at the ranger while the servo moves).",
            rows=rows,
            void_share=void / count,
            too_near=pings.too_near,
        )
    if echoes == 0:
        words = "Nothing was heard at all: whether the ranger works does not show."
        sheet.found("nothing_heard", WARNING, words, "Hold a book 30 cm before it and record again.", silent=silent)
    elif silent > SILENT_SHARE * (count - void):
        sheet.found(
            "silent_share",
            WARNING,
            f"{silent} of {count} readings ({100 * silent / count:.0f} %) heard nothing, only {echoes} an echo.",
            "Is something within reach?  Does the robot's program wait long enough for the echo?",
            silent_share=silent / count,
            echoes=echoes,
        )
    _beyond_reach(view, sheet)
    _dropouts(view, sheet)


def _beyond_reach(view: RunView, sheet: Sheet) -> None:
    pings, reach = view.pings, view.run.ranger.reach_m
    known = int(pings.echo.sum()) + pings.too_near + pings.too_far
    if known and pings.too_far > TOO_FAR_SHARE * known:
        sheet.found(
            "beyond_reach",
            WARNING,
            f"{pings.too_far} of {known} distances ({100 * pings.too_far / known:.0f} %) lie beyond the reach of "
            f"{reach:g} m and count as nothing heard.",
            "If the ranger hears farther, say so: --reach 3m, or ranger.reach_m in run.toml.",
            beyond_share=pings.too_far / known,
            farthest_m=float(np.nanmax(np.where(np.isinf(pings.range_m), np.nan, pings.range_m), initial=0.0)),
        )


def _dropouts(view: RunView, sheet: Sheet) -> None:
    """Look for silence between two echoes of one surface, where the ranger should have heard it too."""
    inside = missed = 0
    for station in view.stations:
        same = np.abs(np.diff(station.angle_deg)) <= 1.5 * station.step_deg + 1e-9
        known = np.where(station.heard, station.range_m, math.nan)
        for apart in (2, 3):
            alike = np.abs(known[apart:] - known[:-apart]) < NEAR_PAIR_M
            for k in range(apart):
                alike &= same[k : same.size - apart + 1 + k]
            for k in range(1, apart):
                middle = station.range_m[k : station.range_m.size - apart + k][alike]
                inside += int((~np.isnan(middle)).sum())
                missed += int(np.isposinf(middle).sum())
    if inside >= LEAST_INSIDE and missed > DROPOUT_SHARE * inside + math.sqrt(inside):
        sheet.found(
            "dropouts",
            WARNING,
            f"Between echoes of one surface {missed} of {inside} pings ({100 * missed / inside:.0f} %) heard nothing.",
            "A weak supply, a loose lead, or a robot's program that gives up too early: mend it, then sweep again.",
            dropout_share=missed / inside,
            pings=inside,
        )


def check_unit(view: RunView, sheet: Sheet) -> None:
    """Look for distances that no such ranger measures: a wrong unit."""
    told = [f.rows for f in sheet.findings if f.id == "timeout_as_distance"]
    timeouts = np.concatenate(told) if told else np.zeros(0, dtype=np.int64)
    read = np.concatenate([s.read_m[~np.isin(s.rows, timeouts)] for s in view.stations])
    wrong = usual_distances(read.tolist())
    if wrong:
        middle, words = wrong
        sheet.found(
            "wrong_unit",
            FAULT,
            f"Half of the distances are {words}: the unit is wrong ({view.run.readings.distance_column}).",
            "Rename the distance column to the unit that the robot really logs.",
            median_m=middle,
        )


def check_timeouts(view: RunView, sheet: Sheet) -> None:
    """Look for a ranger's time-out value that is met as a distance."""
    rows, left = view.run.readings, np.isfinite(view.run.readings.distance)
    read = np.empty(len(rows))
    for station in view.stations:
        read[station.rows] = station.read_m
    for _ in range(MOST_TIMEOUTS):
        if int(left.sum()) < 3:
            return
        value = float(rows.distance[left].max())
        here = left & (rows.distance == value)
        if not _is_timeout(view, left, here, read):
            break
        _tell_timeout(view, here, read, f"exactly {value:g} {SHOWN[rows.distance_column]}", sheet)
        left = left & ~here
    # not always one value: some firmware logs whatever its counter had
    far = left & (np.where(np.isfinite(read), read, 0.0) > FARTHEST_USUAL_M)
    if TIMEOUT_BEGINS <= int(far.sum()) < 0.5 * int(left.sum()):
        _tell_timeout(view, far, read, f"{read[far].min():.0f} to {read[far].max():.0f} m", sheet)


def _tell_timeout(view: RunView, here: Bools, read: Floats, said: str, sheet: Sheet) -> None:
    distance, reach = view.run.readings.distance[here], view.run.ranger.reach_m
    metres, one = float(read[here].min()), bool(np.all(distance == distance[0]))
    met = metres < reach
    value = f"[{distance[0]:g}]"
    remedy = f"Write no_echo_at = {value} under [ranger] in run.toml, or --set ranger.no_echo_at={value}."
    if not one:
        remedy = (
            f"Give the ranger's true reach (ranger.reach_m, {FARTHEST_USUAL_M / 2:g} m or less): farther is silence."
        )
    sheet.found(
        "timeout_as_distance",
        FAULT if met else NOTE,
        f"{int(here.sum())} readings say {said}{f' ({metres:.2f} m)' if one else ''}, from all directions: the "
        "ranger's way to say that it heard nothing, no wall."
        + ("" if met else f"  That is beyond the reach of {reach:g} m and does no harm."),
        remedy,
        ranges_m=(metres, float(read[here].max())),
        rows=np.flatnonzero(here),
        value=float(distance[0]) if one else None,
        unit=SHOWN[view.run.readings.distance_column],
        range_m=metres,
        readings=int(here.sum()),
    )


def _is_timeout(view: RunView, left: Bools, here: Bools, read: Floats) -> bool:
    """Return whether the farthest value is met often, from everywhere, and apart from or far more than all others."""
    others = left & ~here
    begins, span, places = 0, 0.0, 0
    for station in view.stations:
        mine = here[station.rows]
        if mine.any():
            places += 1
            begins += len(stretches(mine, 0))
            angle = station.angle_deg[mine]
            span = max(span, float(angle.max() - angle.min()))
    count, wide = int(here.sum()), span >= TIMEOUT_SPAN_DEG or places > 1
    if not others.any():
        return False
    value = float(read[here][0])
    if value > FARTHEST_USUAL_M and count >= 2 and float(read[others].max()) < FARTHEST_USUAL_M:
        return True
    if begins < TIMEOUT_BEGINS:
        return False
    if wide and value >= TIMEOUT_GAP * float(read[others].max()):
        return True
    far = read[others][read[others] > 0.7 * value]
    most = int(np.unique(far, return_counts=True)[1].max()) if far.size else 0
    if wide and begins >= 5 and count >= max(TIMEOUT_COUNT, TIMEOUT_TIMES * most):
        return True
    # a true range scatters where the ranger counts finely: one that never does is none
    equal = max((_equal_share(s, here[s.rows]) for s in view.stations), default=1.0)
    near = int((others & (np.abs(np.where(others, read, 0.0) - value) < 0.01 * value)).sum())
    return equal < SCATTERING and near == 0 and equal ** (count - 2) < TIMEOUT_CHANCE


def _equal_share(station: StationView, leave_out: Bools) -> float:
    """Return how often readings of one surface agree to the last digit, a little more than counted."""
    order = np.lexsort((np.arange(station.rows.size), np.round(station.angle_deg, 6)))
    pairs = equal = 0
    for places in (np.arange(station.rows.size), order):  # neighbours in time, and repeats of one angle
        kept = places[~leave_out[places] & np.isfinite(station.raw[places])]
        near = steps_between(station.range_m[kept]) < NEAR_PAIR_M
        same = np.diff(station.raw[kept]) == 0.0 if kept.size else near
        pairs += int(near.sum())
        equal += int((near & same).sum())
    share = (equal + 1.0) / (pairs + 2.0)
    return min(1.0, share + 2.0 * math.sqrt(share * (1.0 - share) / (pairs + 2.0)))


def check_stuck(view: RunView, sheet: Sheet) -> None:
    """Look for one value that is repeated reading after reading while the head turns on."""
    timeouts = [
        float(f.numbers["value"] or 0.0) for f in sheet.findings if f.id == "timeout_as_distance" and f.numbers["value"]
    ]
    fine = _finest(view) <= FINE_M
    for station in view.stations:
        if station.rows.size < STUCK_LEAST:
            continue
        raw = np.where(np.isin(station.raw, timeouts), np.nan, station.raw)
        same = np.zeros(raw.size, dtype=np.bool_)
        same[1:] = np.isfinite(raw[1:]) & (raw[1:] == raw[:-1])
        longest = max(stretches(same, 0), key=lambda s: s[1] - s[0], default=(1, 0))
        first, last = longest[0] - 1, longest[1]
        length = last - first + 1
        if length < STUCK_LEAST or np.unique(station.angle_deg[first : last + 1]).size < STUCK_LEAST:
            continue
        turned = float(np.ptp(station.angle_deg[first : last + 1]))
        taken = (np.arange(raw.size) >= first) & (np.arange(raw.size) <= last)
        equal = _equal_share(station, taken)
        # in whole centimetres a still wall says one value for long: there only a great turn tells
        sure = fine and equal < SCATTERING and raw.size * equal ** (length - 1) <= STUCK_CHANCE
        if not station.heard[first] or not (sure or turned >= STUCK_SPAN_DEG):
            continue
        angle, metres = station.angle_deg[first : last + 1], float(station.range_m[first])
        sheet.found(
            "stuck_value",
            FAULT,
            f"Station {station.name}: {length} readings in a row say exactly {station.raw[first]:g} "
            f"{SHOWN[view.run.readings.distance_column]} while the head turns from {angle[0]:.0f} to "
            f"{angle[-1]:.0f} degrees; elsewhere neighbours agree to the last digit in {100 * equal:.0f} %.",
            "The robot's program logs an old value when nothing new came: let it log an empty cell, and sweep again.",
            station=station.name,
            angles_deg=(float(angle.min()), float(angle.max())),
            ranges_m=(metres, metres),
            rows=station.rows[first : last + 1],
            value=float(station.raw[first]),
            readings=length,
            turned_deg=turned,
        )


def check_slips(view: RunView, sheet: Sheet) -> None:
    """Look for ranges that stand one period of the sound beside the rest of their arc."""
    air = view.run.air
    speed = float(sound_speed(air.temperature_c, air.relative_humidity_pct, air.pressure_kpa))
    period = 0.5 * speed / view.run.ranger.frequency_hz
    groups = [_middle_of_arc(view, station, at) for station in view.stations for at in range(len(station.plateaus))]
    groups = [group for group in groups if group.size >= 8]
    if sum(group.size for group in groups) < 40:
        sheet.cannot("too few readings in the middle of arcs to tell slips of one sound period")
        return
    plain = _mixture(groups, period, 0.0)
    slipped = max((_mixture(groups, period, share) for share in (0.1, 0.3, 0.5)), key=lambda fit: fit[0])
    gain, share, sigma = slipped[0] - plain[0], slipped[1], slipped[2]
    if period < SLIP_PARTED * sigma or _finest(view) > 0.5 * period:
        sheet.cannot(f"ranges are too rough to tell slips of one sound period ({1e3 * period:.1f} mm)")
        return
    share = min(share, 1.0 - share)
    if gain < SLIP_GAIN or share < SLIP_SHARE:
        return
    sheet.found(
        "period_slips",
        WARNING,
        f"{100 * share:.0f} % of the readings on arcs stand one sound period ({1e3 * period:.1f} mm) beside the "
        f"rest, which scatter by only {1e3 * sigma:.1f} mm.",
        "The echo is near the threshold: a firmer supply, a squarer target; medians of several sweeps forgive it.",
        slip_share=share,
        period_m=period,
        scatter_m=sigma,
        gain=gain,
    )


def _finest(view: RunView) -> float:
    """Return the smallest step of the distances [m]."""
    read = np.unique(np.concatenate([s.read_m[np.isfinite(s.read_m)] for s in view.stations]))
    steps = np.diff(read)
    steps = steps[steps > 1e-7]
    return float(steps.min()) if steps.size else math.inf


def _middle_of_arc(view: RunView, station: StationView, at: int) -> Floats:
    """Return the ranges in the middle half of an arc, where echoes are strong and hardly late."""
    plateau = station.plateaus[at]
    bearing = view.pings.bearing_rad[plateau.pings]
    off = np.abs(np.remainder(bearing - plateau.bearing_rad + math.pi, 2.0 * math.pi) - math.pi)
    return np.asarray(view.pings.range_m[plateau.pings][off < 0.25 * plateau.width_rad])


def _mixture(groups: list[Floats], period: float, share: float) -> tuple[float, float, float]:
    """Return (log likelihood, share of slips, scatter [m]) of arcs whose readings slip by one period or not at all.

    share : to begin with; 0 = nothing slips
    """
    levels = [float(np.median(group)) for group in groups]
    if share > 0.0:  # an arc's level is that of its early readings
        levels = [float(np.quantile(group, 0.5 * (1.0 - share))) for group in groups]
    sigma, likelihood, count = 0.25 * period, -math.inf, sum(group.size for group in groups)
    for _ in range(60):
        total, square, slipped = 0.0, 0.0, 0.0
        for i, group in enumerate(groups):
            off = np.stack([group - levels[i], group - levels[i] - period])
            weight = np.array([[1.0 - share], [share]]) * np.exp(-0.5 * (off / sigma) ** 2) + 1e-300
            # a level part of wide errors keeps strays from deciding
            wide = 0.02 * sigma / (10.0 * period)
            chance = 0.98 * weight.sum(axis=0) + wide
            part = 0.98 * weight / chance
            total += float(np.log(chance / sigma).sum())
            levels[i] = float((part[0] @ group + part[1] @ (group - period)) / max(1e-9, part.sum()))
            square += float((part * off**2).sum())
            slipped += float(part[1].sum())
        share = slipped / count if share > 0.0 else 0.0
        sigma = max(1e-4, math.sqrt(square / count))
        if abs(total - likelihood) < 1e-6:
            break
        likelihood = total
    return likelihood, share, sigma

"""Echoes of no thing on the floor: the chassis, the floor itself, a second bounce, neighbours in a ring.

Parts of `check`; head angles in degrees, 0 = the robot's right, 90 = straight ahead, ranges in metres from the
ranger's face.  One thing fills about a beam's width at one range: what fills far more at one range is no thing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from sonargrid.arrays import Bools, Floats
from sonargrid.bench.check_findings import FAULT, WARNING, Sheet
from sonargrid.bench.check_view import RunView, StationView, steps_between, stretches, sweep_table, usual_ranges

RING_DEG = 145.0  # one range over so much of a half circle is no single thing
SHARED_DEG = 80.0  # and over so much where most stations hear it at the same range
BRIDGED_DEG = 10.0  # a ring may be silent so long without an end
SELF_M = 0.10  # from the ranger to the farthest part of its own robot, beyond the robot's radius
BOUNCE_TOLERANCE_M = 0.02
LEAST_NEAR, LEAST_BOUNCES, BOUNCE_CHANCE = 8, 4, 1e-4
NEIGHBOUR_M = 0.015
LEAST_WIDE = 3
SHORT_M, LEAST_SHORT, SHORT_SHARE = 0.03, 5, 0.02  # beyond the blind zone; bench reports have 3 to 5 cm


@dataclass(frozen=True, slots=True)
class _Ring:
    """A range that many angles of a station share: how much of them it fills, and where."""

    station: StationView
    range_m: float
    first_deg: float
    last_deg: float
    filled_deg: float
    hit: Bools  # (N,) readings of the station that carry it


def check_constant_ranges(view: RunView, sheet: Sheet) -> None:
    """Look for one range over many angles: near, the robot's own chassis; farther, the floor."""
    if view.run.moving:
        return
    rings = [ring for station in view.stations if (ring := _widest(station)) is not None]
    for ring in rings:
        alike = [one for one in rings if abs(one.range_m - ring.range_m) <= _tolerance(ring.range_m, ring.station)]
        most = 2 * len(alike) > len(view.stations) and len(alike) >= 3
        if ring.filled_deg < (SHARED_DEG if most else RING_DEG):
            continue
        near = ring.range_m < view.run.robot.radius_m + SELF_M
        (_self_echo if near else _floor_echo)(view, ring, len(alike) if most else 1, sheet)


def _tolerance(range_m: float, station: StationView) -> float:
    return max(0.012, 3.0 * station.noise_m, 0.012 * range_m)


def _widest(station: StationView) -> _Ring | None:
    """Return the range that fills the most of a station's turn, if it is more than a beam."""
    best: _Ring | None = None
    for range_m in sorted({round(p.range_m, 2) for p in station.plateaus}):
        ring = _ring_at(station, range_m)
        if ring is not None and (best is None or ring.filled_deg > best.filled_deg):
            best = ring
    return best if best is not None and best.filled_deg >= SHARED_DEG else None


def _ring_at(station: StationView, range_m: float) -> _Ring | None:
    ranges = np.where(station.heard, station.range_m, 1e9)
    near = np.abs(ranges - range_m) <= 3.0 * _tolerance(range_m, station)
    if not near.any():
        return None
    level = float(np.median(station.range_m[near]))
    hit = np.abs(ranges - level) <= _tolerance(level, station)
    step = station.step_deg if math.isfinite(station.step_deg) else 1.0
    angles = station.angles_deg
    at = np.searchsorted(angles, np.round(station.angle_deg, 6))
    count = np.bincount(at, minlength=angles.size)
    share = np.bincount(at, weights=hit, minlength=angles.size) / count
    masked = np.bincount(at, weights=station.range_m < level - 0.03, minlength=angles.size) / count
    here = share >= 0.4
    # nearer echoes hide a ring without ending it
    holes = max(1, round(BRIDGED_DEG / step))
    best: tuple[float, int, int] = (0.0, 0, 0)
    for first, last in stretches(here | (masked > 0.5), holes):
        filled = float(here[first : last + 1].sum()) * step
        best = max(best, (filled, first, last))
    filled, first, last = best
    return _Ring(station, level, float(angles[first]), float(angles[last]), filled, hit) if filled else None


def _self_echo(view: RunView, ring: _Ring, stations: int, sheet: Sheet) -> None:
    also = f"; {stations} stations hear it alike" if stations > 1 else ""
    sheet.found(
        "self_echo",
        FAULT,
        f"Station {ring.station.name}: one short range, {100 * ring.range_m:.1f} cm, over {ring.filled_deg:.0f} "
        f"degrees{also}: the ranger hears its own robot (or a thing right before it).",
        "Set the ranger forward or higher, clear leads and edges from its view; or raise ranger.blind_zone_m to "
        f"{math.ceil(100 * ring.range_m + 1.5) / 100:.2f} if nothing can stand that near.",
        **_where(ring),
        range_m=ring.range_m,
        filled_deg=ring.filled_deg,
        stations_alike=stations,
    )


def _where(ring: _Ring) -> dict[str, Any]:
    return {
        "station": ring.station.name,
        "angles_deg": (ring.first_deg, ring.last_deg),
        "ranges_m": (ring.range_m - 0.01, ring.range_m + 0.01),
        "rows": ring.station.rows[ring.hit],
    }


def check_short_echoes(view: RunView, sheet: Sheet) -> None:
    """Look for short readings of nearly one value where the same angle mostly hears something far beyond."""
    short = view.run.ranger.blind_zone_m + SHORT_M
    for station in view.stations:
        table = sweep_table(station)
        if table.sweeps.size < 3 or any(f.id == "self_echo" and f.station == station.name for f in sheet.findings):
            continue
        usual = usual_ranges(table)
        step = station.step_deg if math.isfinite(station.step_deg) else 1.0
        at = np.rint((station.angle_deg - table.angle_deg[0]) / step).astype(np.int64)
        false = station.heard & (station.range_m < short) & (np.nan_to_num(usual, nan=0.0)[at] > 3.0 * short)
        count = int(false.sum())
        if count < LEAST_SHORT or count < SHORT_SHARE * station.rows.size:
            continue
        ranges = station.range_m[false]
        low, high = (float(np.quantile(ranges, q)) for q in (0.1, 0.9))
        if high - low > 0.012:
            continue
        angles = station.angle_deg[false]
        sheet.found(
            "short_false_echoes",
            WARNING,
            f"Station {station.name}: {count} readings ({100 * count / station.rows.size:.0f} %) say about "
            f"{100 * float(np.median(ranges)):.1f} cm where the same angles mostly hear far beyond: the ranger hears "
            "itself ringing.",
            f"Raise ranger.blind_zone_m to {math.ceil(100 * high + 1.0) / 100:.2f}: what is shorter then counts as no "
            "measurement.  A firmer supply makes it rarer.",
            station=station.name,
            angles_deg=(float(angles.min()), float(angles.max())),
            ranges_m=(low, high),
            rows=station.rows[false],
            readings=count,
            share=count / station.rows.size,
        )


def predicted_floor_m(height_m: float, tilt_rad: float, half_beam_rad: float) -> tuple[float, float]:
    """Return the ranges at which the beam's lower edge and its axis meet a level floor [m]; inf where they do not.

    height_m, tilt_rad : of the beam's axis, tilt positive downwards

    >>> [round(v, 3) for v in predicted_floor_m(0.08, math.radians(10.0), math.radians(20.0))]
    [0.16, 0.461]
    """
    met = [height_m / math.sin(down) if down > 0.0 else math.inf for down in (tilt_rad + half_beam_rad, tilt_rad)]
    return met[0], met[1]


def _floor_echo(view: RunView, ring: _Ring, stations: int, sheet: Sheet) -> None:
    ranger = view.run.ranger
    edge, axis = predicted_floor_m(ranger.height_m, ranger.tilt_rad, float(ranger.half_beam_at(ring.range_m)))
    stated = "ranger.height_m" in view.run.origins or "ranger.tilt_deg" in view.run.origins
    beside = (
        f"by {'the stated' if stated else 'an assumed'} height of {100 * ranger.height_m:.0f} cm and tilt of "
        f"{math.degrees(ranger.tilt_rad):.0f} degrees the beam meets the floor from {edge:.2f} m"
        + (f" (its axis at {axis:.2f} m)" if math.isfinite(axis) else "")
    )
    also = f"; {stations} stations hear it alike" if stations > 1 else ""
    sheet.found(
        "floor_echo",
        FAULT,
        f"Station {ring.station.name}: one range, {ring.range_m:.2f} m, over {ring.filled_deg:.0f} degrees{also}: "
        f"the floor, or a round wall; {beside}.",
        "Set the ranger higher or tip it up a little, smooth the floor; measure ranger.height_m and tilt_deg.  What "
        f"lies beyond {ring.range_m:.2f} m is hidden.",
        **_where(ring),
        range_m=ring.range_m,
        filled_deg=ring.filled_deg,
        stations_alike=stations,
        predicted_edge_m=edge,
        predicted_axis_m=axis if math.isfinite(axis) else None,
    )


def check_double_bounce(view: RunView, sheet: Sheet) -> None:
    """Look for echoes at twice an arc's range where that arc answers too: the second round trip."""
    if view.run.moving:
        return
    for station in view.stations:
        ranges = {round(p.range_m, 2) for p in station.plateaus}
        near = sorted(ranges | {round(0.5 * p.range_m, 2) for p in station.plateaus})
        for range_m in near:
            if 2.0 * range_m < view.pings.reach_m and _bounce(view, station, range_m, sheet):
                break  # one is enough to tell


def _bounce(view: RunView, station: StationView, about_m: float, sheet: Sheet) -> bool:
    """Judge one range, and say whether its double was found."""
    from scipy.stats import poisson

    tolerance = max(BOUNCE_TOLERANCE_M, 4.0 * station.noise_m)
    near = station.heard & (station.range_m >= about_m - tolerance) & (station.range_m <= about_m + tolerance)
    if int(near.sum()) < LEAST_NEAR:
        return False
    level = float(np.median(station.range_m[near]))
    between = _between(station, station.angle_deg[near])
    beyond = between & station.heard & (station.range_m > level + 3.0 * tolerance)
    there = beyond & (np.abs(np.where(beyond, station.range_m, 0.0) - 2.0 * level) <= tolerance)
    other = int(beyond.sum()) - int(there.sum())
    room = max(0.3, view.pings.reach_m - level - 3.0 * tolerance)
    by_chance = max(0.3, (other + 1.0) * 2.0 * tolerance / room)
    count = int(there.sum())
    if count < LEAST_BOUNCES or float(poisson.sf(count - 1, by_chance)) > BOUNCE_CHANCE:
        return False
    angles = station.angle_deg[there]
    sheet.found(
        "double_bounce",
        WARNING,
        f"Station {station.name}: {count} echoes at {2.0 * level:.2f} m, twice the {level:.2f} m of the thing in "
        f"the same direction ({angles.min():.0f} to {angles.max():.0f} degrees): sound that went to and fro twice "
        "between robot and thing.",
        "Park farther off or at a slant to that face, or hang a cloth on the robot's front.",
        station=station.name,
        angles_deg=(float(angles.min()), float(angles.max())),
        ranges_m=(2.0 * level - tolerance, 2.0 * level + tolerance),
        rows=station.rows[there],
        range_m=level,
        echoes=count,
        by_chance=by_chance,
    )
    return True


def _between(station: StationView, angles: Floats) -> Bools:
    """Return which readings (N,) have some of these angles close by on either side: inside an arc, not beside it."""
    near = np.unique(np.round(angles, 6))
    step = station.step_deg if math.isfinite(station.step_deg) else 1.0
    at = np.round(station.angle_deg, 6)
    right = np.searchsorted(near, at, side="right") - 1
    left = np.searchsorted(near, at, side="left")
    inside = (right >= 0) & (left < near.size)
    gap = np.where(inside, near[np.minimum(left, near.size - 1)] - near[np.maximum(right, 0)], math.inf)
    edge = 0.15 * float(near[-1] - near[0])
    return np.asarray(inside & (gap <= 3.1 * step) & (at >= near[0] + edge) & (at <= near[-1] - edge))


def check_ring(view: RunView, sheet: Sheet) -> None:
    """Look in a fixed ring for more neighbours at one range than a beam is wide: they answer each other's pings."""
    if view.servo:
        return
    wide = rows_all = 0
    worst: tuple[float, StationView, float, float, float] | None = None
    for station in view.stations:
        table = sweep_table(station)
        if table.angle_deg.size < 4:
            continue
        step = float(station.step_deg)
        # of an arc two half beams wide so many rangers hear at most
        most = math.floor(2.0 * view.half_beam_deg / step) + 1
        for ranges in table.range_m:
            rows_all += 1
            first, last = _longest_equal(ranges)
            width = (last - first + 1) * step
            if last - first + 1 > most:
                wide += 1
                found = (width, station, float(table.angle_deg[first]), float(table.angle_deg[last]))
                if worst is None or width > worst[0]:
                    worst = (*found, float(np.median(ranges[first : last + 1])))
    if worst is None or wide < LEAST_WIDE or wide < 0.3 * rows_all:
        return
    width, station, first_deg, last_deg, range_m = worst
    sheet.found(
        "ring_neighbours",
        WARNING,
        f"In {wide} of {rows_all} rounds more neighbours hear one range than a beam is wide (such as {width:.0f} "
        f"degrees at {range_m:.2f} m, station {station.name}): rangers hear their neighbours' pings.",
        "Let the rangers ping one after the other, neighbours never together, about 50 ms apart.",
        station=station.name,
        angles_deg=(first_deg, last_deg),
        ranges_m=(range_m - NEIGHBOUR_M, range_m + NEIGHBOUR_M),
        rounds=wide,
        rounds_tested=rows_all,
        widest_deg=width,
    )


def _longest_equal(ranges: Floats) -> tuple[int, int]:
    """Return (first, last) of the longest run of neighbours that agree within 1.5 cm."""
    alike = steps_between(ranges) <= NEIGHBOUR_M
    best = (0, 0)
    for first, last in stretches(alike, 0):
        if last + 1 - first > best[1] - best[0]:
            best = (first, last + 1)
    return best

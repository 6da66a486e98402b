"""Stations against each other: parked closer than their uncertainty, headings that shared walls contradict.

Parts of `check`; floor axes [m], angles [rad] inside and degrees in words.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.bench.check_findings import FAULT, NOTE, WARNING, Sheet
from sonargrid.bench.check_view import RunView, StationView
from sonargrid.finding.plateaus import Plateau
from sonargrid.runs.readings import Station
from sonargrid.units import RAD_PER_DEG, to_deg

CLOSE_SIGMAS = 2.0
SAME_HEADING_RAD = math.radians(20.0)
SCANNED_DEG, TURN_STEP_DEG = 80.0, 1.0
LEAST_TURN_RAD, GREAT_TURN_RAD, MOST_TURN_RAD = math.radians(6.0), math.radians(9.0), math.radians(45.0)
PEAK_RAD = math.radians(8.0)
TURN_SIGMAS = 3.0
ARC_SIGMA_RAD, RANGE_SIGMA_M = math.radians(1.5), 0.012  # of one arc with both edges free
# log likelihood ratios: of the best turn, how much better it is than as stated, and than any other turn
LEAST_AGREEMENT, LEAST_GAIN, LEAST_PEAK, GREAT_GAIN = 4.0, 7.0, 2.0, 15.0
WALLS_BY_CHANCE, POINTS_BY_CHANCE = 0.08, 0.25  # 1 / (rad m), 1 / m2: strewn over a room of two metres
SHARED_SHARE = 0.6
LEAST_ARC_RAD, SAME_RANGE_M = math.radians(12.0), 0.015


def check_close_stations(view: RunView, sheet: Sheet) -> None:
    """Look for stations that are closer together than they are known."""
    if view.run.moving or len(view.stations) < 2:
        return
    places = [view.run.stations[s.index] for s in view.stations]
    for i, one in enumerate(places):
        for two in places[i + 1 :]:
            apart = math.hypot(one.x_m - two.x_m, one.y_m - two.y_m)
            sigma = math.hypot(one.position_sigma_m, two.position_sigma_m)
            if apart >= CLOSE_SIGMAS * sigma and apart > 1e-6:
                continue
            turned = abs(math.remainder(one.heading_rad - two.heading_rad, 2.0 * math.pi))
            other_way = turned > SAME_HEADING_RAD
            sheet.found(
                "stations_close",
                NOTE if other_way else WARNING,
                f"Stations {one.name} and {two.name} are {100 * apart:.1f} cm apart, each known to "
                f"{100 * one.position_sigma_m:.1f} and {100 * two.position_sigma_m:.1f} cm"
                + (f"; they look {to_deg(turned):.0f} degrees apart." if other_way else " and look the same way."),
                "Two views from one spot are one: park 20 cm or more to the side, or measure the places better.",
                station=two.name,
                apart_m=apart,
                sigma_m=sigma,
                turned_deg=float(to_deg(turned)),
            )


def check_headings(view: RunView, sheet: Sheet) -> None:
    """Look for a station whose arcs fall on the walls of the others only when its heading is turned."""
    if view.run.moving:
        return
    if len(view.stations) < 2:
        sheet.cannot("one station only, so no heading was compared with walls that stations share")
        return
    arcs = [_arcs(view, station) for station in view.stations]
    turns = np.arange(-SCANNED_DEG, SCANNED_DEG + 1e-9, TURN_STEP_DEG) * RAD_PER_DEG
    found = [(turned, i) for i in range(len(arcs)) if (turned := _turned(view, arcs, i, turns)) is not None]
    if found:
        turned, i = max(found)
        _tell_heading(view.run.stations[view.stations[i].index], turned, len(arcs[i]), sheet)


def _turned(view: RunView, arcs: list[Floats], i: int, turns: Floats) -> tuple[float, float, float, float] | None:
    """Return (gain, turn [rad], agreement there, as stated) of the turn at which a station fits the others best.

    None where its heading as stated does nearly as well, or many turns do.
    """
    place = view.run.stations[view.stations[i].index]
    shared = _agreement(place, arcs[i], turns, _all_but(view, arcs, i))
    as_stated = np.abs(turns) <= max(2.0 * ARC_SIGMA_RAD, TURN_SIGMAS * place.heading_sigma_rad)
    tried = ~as_stated & (np.abs(turns) >= LEAST_TURN_RAD) & (np.abs(turns) <= MOST_TURN_RAD)
    if not tried.any():
        return None
    # of turns that fit as well, the one in the middle
    top = np.flatnonzero(tried & (shared > shared[tried].max() - 0.05))
    at = int(top[top.size // 2])
    # chance lets arcs fall on something at any turn: the right one stands out among all others
    elsewhere = np.abs(turns - turns[at]) > PEAK_RAD
    before, peak = float(shared[as_stated].max()), float(shared[at] - shared[elsewhere].max())
    gain = float(shared[at]) - before
    if not (shared[at] >= LEAST_AGREEMENT and gain >= LEAST_GAIN and peak >= LEAST_PEAK):
        return None
    return gain, float(turns[at]), float(shared[at]), before


def _tell_heading(place: Station, turned: tuple[float, float, float, float], arcs: int, sheet: Sheet) -> None:
    gain, turn, after, before = turned
    stated = float(to_deg(math.remainder(place.heading_rad, 2.0 * math.pi)))
    sheet.found(
        "heading_disagrees",
        FAULT if gain >= GREAT_GAIN and abs(turn) > GREAT_TURN_RAD else WARNING,
        f"Station {place.name}: turned {abs(to_deg(turn)):.0f} degrees to the {'left' if turn > 0 else 'right'} its "
        f"arcs fall on walls and corners that other stations hear, far better than with the stated {stated:.0f} "
        f"degrees (by {gain:.1f} in log likelihood).",
        "Measure its heading again (chassis edge against a taped line); sonargrid map then shows walls as one line.",
        station=place.name,
        turn_deg=float(to_deg(turn)),
        heading_deg=stated,
        log_likelihood_ratio=gain,
        agreement_turned=after,
        agreement_as_stated=before,
        arcs=arcs,
    )


def _arcs(view: RunView, station: StationView) -> Floats:
    """Return (n, 3) of a station's arcs: bearing from its heading [rad], range [m], sigma of the bearing [rad]."""
    heading = view.run.stations[station.index].heading_rad
    step = (station.step_deg if math.isfinite(station.step_deg) else 1.0) * RAD_PER_DEG
    joined: list[list[Plateau]] = []
    for plateau in sorted(station.plateaus, key=lambda p: p.bearing_rad):
        # a wall's arc is wider than a post's and comes as two halves of one range
        last = joined[-1][-1] if joined else None
        if (
            last is not None
            and abs(last.range_m - plateau.range_m) <= SAME_RANGE_M
            and plateau.right_rad - last.left_rad <= 2.0 * step
        ):
            joined[-1].append(plateau)
        else:
            joined.append([plateau])
    found = []
    for parts in joined:
        right, left = parts[0].right_rad, parts[-1].left_rad
        free = not (parts[0].masked_right or parts[-1].masked_left)
        if left - right < LEAST_ARC_RAD:
            continue
        bearing = 0.5 * (left + right) if free or len(parts) > 1 else parts[0].bearing_rad
        sigma = max(ARC_SIGMA_RAD, parts[0].bearing_sigma_rad if not free else 0.0)
        found.append((bearing - heading, float(np.mean([p.range_m for p in parts])) + view.run.head.arm_m, sigma))
    return np.array(found).reshape(-1, 3)


@dataclass(frozen=True, slots=True, eq=False)
class _Others:
    """All arcs of other stations, (K,) each: where their station stands, bearing on the floor, range, sigma."""

    x_m: Floats
    y_m: Floats
    bearing_rad: Floats
    range_m: Floats
    sigma_rad: Floats


def _all_but(view: RunView, arcs: list[Floats], i: int) -> _Others:
    rows = [
        np.column_stack(
            [
                np.full(len(arcs[k]), place.x_m),
                np.full(len(arcs[k]), place.y_m),
                place.heading_rad + arcs[k][:, 0],
                arcs[k][:, 1:],
            ]
        )
        for k, place in enumerate(view.run.stations[s.index] for s in view.stations)
        if k != i
    ]
    return _Others(*np.concatenate(rows).T)


def _agreement(place: Station, mine: Floats, turns: Floats, others: _Others) -> Floats:
    """Return (T,) how well a station's arcs agree with what others hear once it is turned: a log likelihood ratio.

    An arc is the view of a wall that another station hears, of a corner or post that another hears, or of neither.  A
    wall is shared where direction and distance of the perpendicular agree, a point where its place does; what is known
    better counts more, and the more there is to agree with, the less one agreement says.
    """
    if not (mine.size and others.x_m.size):
        return np.zeros(turns.size)
    bearing = place.heading_rad + turns[:, None, None] + mine[None, :, None, 0]
    ratio = _as_wall(place, mine, bearing, others) / WALLS_BY_CHANCE
    ratio = ratio + _as_point(place, mine, bearing, others) / POINTS_BY_CHANCE
    shared = (1.0 - SHARED_SHARE) + SHARED_SHARE * ratio.sum(axis=2) / (2.0 * others.x_m.size)
    return np.asarray(np.log(shared).sum(axis=1))


def _as_wall(place: Station, mine: Floats, normal: Floats, others: _Others) -> Floats:
    """Return (T, M, K) the density of two stations' perpendiculars being one wall's [1 / (rad m)]."""
    apart = np.remainder(others.bearing_rad - normal + math.pi, 2.0 * math.pi) - math.pi
    middle = normal + 0.5 * apart
    dx, dy = place.x_m - others.x_m, place.y_m - others.y_m
    off = mine[:, 1, None] + dx * np.cos(middle) + dy * np.sin(middle) - others.range_m
    along = -dx * np.sin(middle) + dy * np.cos(middle)
    turn = np.hypot(mine[:, 2, None], others.sigma_rad)
    sigma = np.hypot(RANGE_SIGMA_M, 0.5 * turn * along)
    return np.asarray(np.exp(-0.5 * ((apart / turn) ** 2 + (off / sigma) ** 2)) / (2.0 * math.pi * turn * sigma))


def _as_point(place: Station, mine: Floats, bearing: Floats, others: _Others) -> Floats:
    """Return (T, M, K) the density of two stations' arcs being one point's [1 / m2]."""
    own, theirs = mine[:, 1, None], others.range_m
    dx = others.x_m + theirs * np.cos(others.bearing_rad) - place.x_m - own * np.cos(bearing)
    dy = others.y_m + theirs * np.sin(others.bearing_rad) - place.y_m - own * np.sin(bearing)
    xx = yy = xy = np.zeros(1)
    for angle, across in ((bearing, own * mine[:, 2, None]), (others.bearing_rad, theirs * others.sigma_rad)):
        c, s, wide = np.cos(angle), np.sin(angle), across**2
        xx = xx + RANGE_SIGMA_M**2 * c**2 + wide * s**2
        yy = yy + RANGE_SIGMA_M**2 * s**2 + wide * c**2
        xy = xy + (RANGE_SIGMA_M**2 - wide) * c * s
    size = xx * yy - xy**2
    square = (yy * dx**2 - 2.0 * xy * dx * dy + xx * dy**2) / size
    return np.asarray(np.exp(-0.5 * square) / (2.0 * math.pi * np.sqrt(size)))

"""Claims of a finished fit as rows of the list: centre, near face, bearing, and how sure each of them is.

The confidence is `confidence`'s business and comes in later.  Floor axes [m], bearings [rad].
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.finding.clusters import PRIOR_SHARE, ellipse
from sonargrid.finding.echo_board import Board
from sonargrid.finding.object_list import Claim, Sorted, heard_readings
from sonargrid.finding.object_middles import middle_by_one
from sonargrid.finding.object_moves import Prior, side_of
from sonargrid.finding.object_sigmas import Doubts, bearing_by_one, spread_of
from sonargrid.finding.things import Object
from sonargrid.physics.geometry import wrap
from sonargrid.runs.readings import Run

LOPSIDED_RAD = math.radians(1.2)  # how far a lopsided beam puts every bearing aside
FACE_RAD = math.radians(3.0)  # how well the bearing of a face heard from one station is known
CLUSTER_M = 0.035  # how well the centre of several faces of one thing is known
HALF_FACE_M = 0.035  # and where on its box the foot may lie
KNOWN_SIZE = 0.6  # a diameter is told where its log sigma falls below this share of the prior's
LEAST_SIGMA_M = 0.005  # echoes of one thing share errors of some millimetres
LEAST_BOX_SIGMA_M = 0.022  # a box is no post: its edges, its faces seen at a slant


def doubts_of(run: Run, stations: Sequence[int]) -> Doubts:
    """Return what is not known of the run itself, for its stations (indices) with readings."""
    one = len(stations) == 1
    place = np.array([0.0 if one else run.stations[n].position_sigma_m for n in stations])
    heading = np.array([0.0 if one else run.stations[n].heading_sigma_rad for n in stations])
    scale = 0.5 * run.air.temperature_sigma_c / (273.15 + run.air.temperature_c)
    return Doubts(place, heading, math.hypot(run.head.angle_sigma_rad, LOPSIDED_RAD), scale)


def _nearest(board: Board, x: float, y: float, heard: Floats | None = None) -> tuple[int, float, float]:
    """Return (station, distance, bearing) of the nearest place to (x, y), among those that heard something if told."""
    places = board.soundings.place_m
    d = np.hypot(x - places[:, 0], y - places[:, 1])
    k = int(np.argmin(d if heard is None else np.where(heard >= 0.5, d, d + 100.0)))
    return k, float(d[k]), math.atan2(y - places[k, 1], x - places[k, 0])


def counted_row(board: Board, claim: Claim, prior: Prior, doubts: Doubts, size_m: float) -> Object:
    """Return the row of a thing that counts; its confidence is left open."""
    lead = claim.members[0]
    thing = board.things[lead]
    readings = round(float(claim.heard.sum()))
    if claim.stations <= 1:
        return _echo_row(board, claim, prior, doubts, size_m)
    station, d, bearing = _nearest(board, claim.x_m, claim.y_m)
    if claim.kind == "box":
        return _box_row(board, claim, prior, doubts)
    if claim.kind in ("post", "corner"):
        spread = spread_of(board, lead, prior, doubts)
        known = claim.kind == "post" and spread.log_radius_sigma < KNOWN_SIZE * prior.log_radius_sigma
        radius = math.exp(thing.shape[2]) if claim.kind == "post" else 0.0
        # a stray corner is the edge of something whose middle lies behind it
        least = LEAST_SIGMA_M if claim.kind == "post" else CLUSTER_M
        sx, sy, rho = _of_covariance(spread.centre + np.eye(2) * least**2)
        row = Object(
            "post" if claim.kind == "post" else "cluster",
            claim.x_m,
            claim.y_m,
            sx,
            sy,
            rho,
            max(0.0, d - radius),
            bearing,
            claim.stations,
            readings,
        )
        if known:
            row = replace(row, diameter_m=2.0 * radius, diameter_sigma_m=2.0 * radius * spread.log_radius_sigma)
        return row
    return _cluster_row(claim, station, d, bearing, doubts, size_m)


def _box_row(board: Board, claim: Claim, prior: Prior, doubts: Doubts) -> Object:
    spread = spread_of(board, claim.members[0], prior, doubts)
    sx, sy, rho = _of_covariance(spread.centre + np.eye(2) * LEAST_BOX_SIGMA_M**2)
    station, _, bearing = _nearest(board, claim.x_m, claim.y_m)
    near, _ = side_of(board.things[claim.members[0]], board.soundings.place_m[station])
    return Object(
        "cluster",
        claim.x_m,
        claim.y_m,
        sx,
        sy,
        rho,
        near,
        bearing,
        claim.stations,
        round(float(claim.heard.sum())),
    )


def _cluster_row(claim: Claim, station: int, d: float, bearing: float, doubts: Doubts, size_m: float) -> Object:
    """Return the row of a thing of several stations that no circle explains, `d` from its nearest station."""
    across = math.hypot(CLUSTER_M, d * math.hypot(doubts.head_rad, float(doubts.heading_rad[station])))
    along = math.hypot(CLUSTER_M, float(doubts.position_m[station]))
    sx, sy, rho = ellipse(bearing, along, math.hypot(across, float(doubts.position_m[station])))
    return Object(
        "cluster",
        claim.x_m,
        claim.y_m,
        sx,
        sy,
        rho,
        max(0.0, d - size_m),
        bearing,
        claim.stations,
        round(float(claim.heard.sum())),
    )


def _echo_row(board: Board, claim: Claim, prior: Prior, doubts: Doubts, size_m: float) -> Object:
    """Return the row of a thing that one station heard: near face plus the size prior along the bearing."""
    lead = claim.members[0]
    thing = board.things[lead]
    station, d, bearing = _nearest(board, claim.x_m, claim.y_m, claim.heard)
    place = board.soundings.place_m[station]
    several = board.soundings.place_m.shape[0] > 1
    if several and not (thing.is_round and len(claim.members) == 1):
        return _one_sided_row(board, claim, prior, doubts, size_m, station)
    face = d - size_m
    width = math.hypot(FACE_RAD, HALF_FACE_M / max(d, 0.1))
    alone = len(claim.members) == 1 or len(board.soundings.place_m) == 1
    if alone and all(board.things[m].is_round for m in claim.members):
        face, bearing, width = _face_by_one(board, claim, place, prior)
    elif thing.kind == "box" or len(claim.members) == 1:
        face, _ = side_of(thing, place)
    reach = face + size_m
    near = _near_sigma(board, face, doubts)
    along = math.sqrt(near**2 + (PRIOR_SHARE * size_m) ** 2 + float(doubts.position_m[station]) ** 2)
    turn = math.sqrt(width**2 + doubts.head_rad**2 + float(doubts.heading_rad[station]) ** 2)
    across = math.hypot(reach * turn, float(doubts.position_m[station]))
    x, y = place[0] + reach * math.cos(bearing), place[1] + reach * math.sin(bearing)
    sx, sy, rho = ellipse(bearing, along, across)
    readings = round(float(claim.heard.sum()))
    return Object("echo", float(x), float(y), sx, sy, rho, max(0.0, face), float(wrap(bearing)), 1, readings)


def _near_sigma(board: Board, face: float, doubts: Doubts) -> float:
    """Return how well the distance of a near face is known from one station [m]."""
    return math.hypot(0.4 * (board.beam.sigma_m + board.beam.sigma_share * face), doubts.scale * face)


def _one_sided_row(board: Board, claim: Claim, prior: Prior, doubts: Doubts, size_m: float, station: int) -> Object:
    """Return the row of a thing of which one station of several heard one side."""
    place = board.soundings.place_m[station]
    face, _ = side_of(board.things[claim.members[0]], place)
    middle, spread = middle_by_one(board, claim.members, place, prior, size_m)
    dx, dy = float(middle[0] - place[0]), float(middle[1] - place[1])
    along = np.array([dx, dy]) / max(math.hypot(dx, dy), 1e-6)
    turned = math.hypot(doubts.head_rad, float(doubts.heading_rad[station])) * np.array([-dy, dx])
    near = math.hypot(_near_sigma(board, face, doubts), LEAST_BOX_SIGMA_M)
    spread = spread + near**2 * np.outer(along, along) + np.outer(turned, turned)
    sx, sy, rho = _of_covariance(spread + np.eye(2) * float(doubts.position_m[station]) ** 2)
    bearing, readings = math.atan2(dy, dx), round(float(claim.heard.sum()))
    return Object("echo", float(middle[0]), float(middle[1]), sx, sy, rho, max(0.0, face), bearing, 1, readings)


def _face_by_one(board: Board, claim: Claim, place: Floats, prior: Prior) -> tuple[float, float, float]:
    """Return (near face [m], bearing [rad], its sigma) of round things heard from one place that are one."""
    faces, bearings, widths = [], [], []
    for member in claim.members:
        thing = board.things[member]
        far = math.hypot(thing.shape[0] - place[0], thing.shape[1] - place[1])
        faces.append(far - (math.exp(thing.shape[2]) if thing.kind == "post" else 0.0))
        bearing, width = bearing_by_one(board, member, place, prior)
        bearings.append(bearing)
        widths.append(width)
    if len(faces) == 1:
        return faces[0], bearings[0], widths[0]
    weight = heard_readings(board)[list(claim.members)].sum(axis=1) + 1e-9
    off = np.array([math.remainder(b - bearings[0], 2.0 * math.pi) for b in bearings])
    mean = float(np.average(off, weights=weight))
    spread = float(np.average((off - mean) ** 2 + np.square(widths), weights=weight))
    return min(faces), bearings[0] + mean, math.sqrt(spread)


def _of_covariance(c: Floats) -> tuple[float, float, float]:
    sx, sy = math.sqrt(float(c[0, 0])), math.sqrt(float(c[1, 1]))
    return sx, sy, float(np.clip(c[0, 1] / (sx * sy), -0.999, 0.999))


def wall_row(board: Board, claim: Claim, found: Sorted, doubts: Doubts) -> Object:
    """Return the row of a wall, as far as it was heard."""
    index = claim.members[0]
    turn, rho = board.things[index].shape[:2]
    low, high = found.ends[index]
    middle = 0.5 * (low + high)
    x, y = math.cos(turn) * rho - math.sin(turn) * middle, math.sin(turn) * rho + math.cos(turn) * middle
    places = board.soundings.place_m
    away = np.where(
        claim.heard >= 0.5, np.abs(rho - math.cos(turn) * places[:, 0] - math.sin(turn) * places[:, 1]), 99.0
    )
    k = int(np.argmin(away))
    side = math.cos(turn) * places[k, 0] + math.sin(turn) * places[k, 1] - rho
    heard = max(1, claim.stations)
    square = math.sqrt(0.004**2 + float(doubts.position_m[k]) ** 2 / heard + (doubts.scale * float(away[k])) ** 2)
    along = math.hypot(0.5 * (high - low) / math.sqrt(3.0), 0.05)
    sx, sy, corr = ellipse(turn, square, along)
    return Object(
        "wall",
        x,
        y,
        sx,
        sy,
        corr,
        float(away[k]),
        math.remainder(turn + (math.pi if side > 0.0 else 0.0), 2.0 * math.pi),
        heard,
        max(1, round(float(claim.heard.sum()))),
        width_m=high - low,
        heading_rad=(turn + 0.5 * math.pi) % math.pi,
    )


def corner_row(board: Board, claim: Claim, prior: Prior, doubts: Doubts) -> Object:
    """Return the row of a corner of the floor."""
    spread = spread_of(board, claim.members[0], prior, doubts)
    _, d, bearing = _nearest(board, claim.x_m, claim.y_m)
    sx, sy, rho = _of_covariance(spread.centre + np.eye(2) * LEAST_SIGMA_M**2)
    readings = max(1, round(float(claim.heard.sum())))
    return Object("corner", claim.x_m, claim.y_m, sx, sy, rho, d, bearing, max(1, claim.stations), readings)

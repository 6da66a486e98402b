"""The list of things that stand there: from a map or a run to `things.Object` rows.

`fit_objects` fits posts, walls and corners to the pings under the first-return model and tells everything it found:
rows, ghosts, the run's beam.  `find_objects` returns the rows alone.  Floor axes [m], bearings [rad].
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.finding.clusters import PRIOR_SHARE, cluster_objects, ellipse
from sonargrid.finding.confidence import confidence
from sonargrid.finding.echo_board import Board
from sonargrid.finding.echo_model import Beam
from sonargrid.finding.object_fit import search
from sonargrid.finding.object_list import Claim, Sorted, heard_point, heard_readings, sort_things
from sonargrid.finding.object_moves import Prior
from sonargrid.finding.object_pool import gains
from sonargrid.finding.object_sigmas import Doubts, bearing_by_one, round_spread
from sonargrid.finding.plateaus import find_plateaus
from sonargrid.finding.run_beam import FittedBeam, beam_of_table, fitted_beam
from sonargrid.finding.soundings import pack, sweep_of
from sonargrid.finding.things import Object, Things
from sonargrid.maps.mapping import Map
from sonargrid.physics.air import absorption_db_per_m, sound_speed
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Pings, Run

SIZE_PRIOR_M = 0.05  # radius of a thing nobody has measured
MIN_CONFIDENCE = 0.5
SIZE_SIGMA = {False: 0.4, True: 0.5}  # of the log radius, for one and for several stations
SIZE_IN_ROOMS = 1.4  # things stood in rooms are larger than those put before a robot
LOPSIDED_RAD = math.radians(1.2)  # how far a lopsided beam puts every bearing aside
FACE_RAD = math.radians(3.0)  # how well the bearing of a face heard from one station is known
CLUSTER_M = 0.035  # how well the centre of several faces of one thing is known
HALF_FACE_M = 0.035  # and where on its box the foot may lie
KNOWN_SIZE = 0.6  # a diameter is told where its log sigma falls below this share of the prior's
LEAST_SIGMA_M = 0.003
MOST_STATIONS = 40  # beyond (a moving robot) the fit gives way to the plain list


@dataclass(frozen=True, slots=True)
class ObjectList:
    """What a run shows, and what was thought on the way.

    objects : the rows, nearest first
    beam : the run's own beam; None where nothing was fitted
    ghosts : sentences on echoes that are nobody's: behind a wall, too faint
    hidden : sentences on what may be hidden by nearer things
    notes : other sentences for the user
    """

    objects: tuple[Object, ...]
    beam: FittedBeam | None = None
    ghosts: tuple[str, ...] = ()
    hidden: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


def find_objects(
    map_or_run: Map | Run, size_prior_m: float = SIZE_PRIOR_M, min_confidence: float = MIN_CONFIDENCE
) -> Things:
    """Return the things that a run shows, in the order of objects.csv.

    Parameters
    ----------
    map_or_run : Map or Run
        A map keeps the run it was made from.
    size_prior_m : float
        Radius to assume where one station cannot tell [m].
    min_confidence : float
        Claims below this are left out.
    """
    if isinstance(map_or_run, Map):
        run, pings = map_or_run.run, map_or_run.pings
    else:
        run, pings = map_or_run, calibrated(map_or_run)
    return Things(fit_objects(pings, run, size_prior_m, min_confidence).objects)


def fit_objects(
    pings: Pings,
    run: Run,
    size_prior_m: float = SIZE_PRIOR_M,
    min_confidence: float = MIN_CONFIDENCE,
    empty: Pings | None = None,
) -> ObjectList:
    """Return the things that explain a run's pings.

    Parameters
    ----------
    pings : Pings
        Calibrated readings.
    run : Run
        Where they come from: ranger, air, stations and their sigmas.
    size_prior_m : float
        Radius to assume where one station cannot tell [m].
    min_confidence : float
        Claims below this are left out.
    empty : Pings, optional
        The same places swept before the things were put down.
    """
    if not pings.echo.any():
        return ObjectList((), notes=("no echo at all: nothing to list",))
    if len(np.unique(pings.station)) > MOST_STATIONS:
        plain = cluster_objects(find_plateaus(pings, run.ranger), pings, run, None, size_prior_m)
        return ObjectList(plain, notes=("too many poses for the fit: the list holds plain arcs",))
    before = None if empty is None else fit_things(empty, run, size_prior_m)
    fit = fit_things(pings, run, size_prior_m, before)
    board, found, prior = fit.board, fit.found, fit.prior
    doubts = _doubts(run, fit.stations)
    sure = [
        0.0 if empty is not None and stood_before(board, c, pings, empty) else confidence(board, c, found)
        for c in found.claims
    ]
    rows = [
        _row(board, claim, prior, doubts, size_prior_m, p)
        for claim, p in zip(found.claims, sure, strict=True)
        if p >= min_confidence
    ]
    rows += [_wall_row(board, c, found, doubts) for c in found.walls]
    rows += [_corner_row(board, c, prior, doubts) for c in found.corners]
    rows.sort(key=lambda o: (not o.counted, round(o.nearest_m, 6), o.bearing_rad))
    ghosts = [f"echo at ({c.x_m:.2f}, {c.y_m:.2f}) m not listed: {why}" for c, why in found.ghosts]
    for claim, p in zip(found.claims, sure, strict=True):
        if p < min_confidence:
            ghosts.append(f"echo at ({claim.x_m:.2f}, {claim.y_m:.2f}) m not listed: confidence {p:.2f}")
    hidden = () if before is None else _hidden(before.board, board)
    return ObjectList(tuple(rows), fitted_beam(board, fit.start, fit.known_beam), tuple(ghosts), hidden)


@dataclass(frozen=True, slots=True)
class Fit:
    """A finished fit, before it is put into rows.

    board : things, beam and pings
    found : the things sorted into claims, walls, corners and ghosts
    stations : the run's indices of the stations with readings
    """

    board: Board
    found: Sorted
    prior: Prior
    start: Beam
    known_beam: bool
    stations: list[int]


def fit_things(pings: Pings, run: Run, size_prior_m: float = SIZE_PRIOR_M, before: Fit | None = None) -> Fit:
    """Return the things that explain a run's pings best, sorted; those of an earlier fit stand there already."""
    soundings, stations = pack(pings)
    several = len(stations) > 1
    size = math.log(size_prior_m * (SIZE_IN_ROOMS if several else 1.0))
    prior = Prior(size, SIZE_SIGMA[several], sweep=None if several else sweep_of(soundings))
    start, known = start_beam(run)
    board = Board(soundings, start)
    if before is not None:
        there = before.board.things
        board = Board(soundings, before.board.beam, there, len(there))
    board = search(soundings, board, prior, keep_beam=known)
    found = sort_things(board, gains(board, prior))
    return Fit(board, found, prior, start, known, [int(n) for n in stations])


SAME_RANGE_M = 0.025
FADED = 0.4  # something that is heard in less than this share of its former readings is gone or hidden


def stood_before(board: Board, claim: Claim, pings: Pings, empty: Pings) -> bool:
    """Return whether most echoes of a claim were heard in the empty sweep too: same bearing, same range."""
    s = board.soundings
    mine = board.shares()[list(claim.members)].sum(axis=0) > 0.5
    if not mine.any():
        return False
    heard = empty.echo
    ray_of = empty.ray[heard]
    at = np.stack([empty.rays.x_m[ray_of], empty.rays.y_m[ray_of], empty.rays.bearing_rad[ray_of]], axis=1)
    known = 0.0
    for ray, range_m, count in zip(s.ray[mine], s.range_m[mine], s.count[mine], strict=True):
        near = np.hypot(at[:, 0] - s.x_m[ray], at[:, 1] - s.y_m[ray]) < 0.03
        off = np.abs(np.remainder(at[:, 2] - s.bearing_rad[ray] + math.pi, 2.0 * math.pi) - math.pi)
        close = near & (off < 1.1 * s.step_rad)
        known += count * float(np.any(np.abs(empty.range_m[heard][close] - range_m) < SAME_RANGE_M))
    return known > 0.6 * float(s.count[mine].sum())


def _hidden(before: Board, now: Board) -> tuple[str, ...]:
    """Return sentences on what the empty sweep heard and this one hardly does."""
    was, is_ = heard_readings(before).sum(axis=1), heard_readings(now).sum(axis=1)
    share = now.soundings.pings.sum() / max(1.0, float(before.soundings.pings.sum()))
    out = []
    for j in range(now.given):
        thing = before.things[j]
        if thing.kind == "floor" or was[j] < 3.0 or is_[j] > FADED * share * was[j]:
            continue
        x, y = heard_point(before, j)
        out.append(
            f"what the empty sweep heard at ({x:.2f}, {y:.2f}) m is hidden now, or gone; it is not called absent"
        )
    return tuple(out)


def start_beam(run: Run) -> tuple[Beam, bool]:
    """Return the beam to start from, and whether it is known from the bench."""
    air = run.air
    speed = float(sound_speed(air.temperature_c, air.relative_humidity_pct, air.pressure_kpa))
    fade = float(
        absorption_db_per_m(run.ranger.frequency_hz, air.temperature_c, air.relative_humidity_pct, air.pressure_kpa)
    )
    wavelength = speed / run.ranger.frequency_hz
    beam = Beam(
        size_m=run.ranger.transducer_radius_m,
        wavelength_m=wavelength,
        slip_m=0.5 * wavelength,
        absorption_db_m=fade,
    )
    if run.ranger.half_beam_table:
        return beam_of_table(beam, run.ranger.half_beam_table), True
    return beam, False


def _doubts(run: Run, stations: list[int]) -> Doubts:
    one = len(stations) == 1
    place = np.array([0.0 if one else run.stations[n].position_sigma_m for n in stations])
    heading = np.array([0.0 if one else run.stations[n].heading_sigma_rad for n in stations])
    scale = 0.5 * run.air.temperature_sigma_c / (273.15 + run.air.temperature_c)
    return Doubts(place, heading, math.hypot(run.head.angle_sigma_rad, LOPSIDED_RAD), scale)


def _nearest(board: Board, heard: Floats, x: float, y: float) -> tuple[int, float, float]:
    """Return (station, distance, bearing) of the nearest place that heard something at (x, y)."""
    places = board.soundings.place_m
    d = np.hypot(x - places[:, 0], y - places[:, 1])
    k = int(np.argmin(np.where(heard >= 0.5, d, d + 100.0)))
    return k, float(d[k]), math.atan2(y - places[k, 1], x - places[k, 0])


def _row(board: Board, claim: Claim, prior: Prior, doubts: Doubts, size_m: float, sure: float) -> Object:
    lead = claim.members[0]
    thing = board.things[lead]
    readings = round(float(claim.heard.sum()))
    if claim.stations <= 1:
        return _echo_row(board, claim, prior, doubts, size_m, sure)
    station, d, bearing = _nearest(board, claim.heard, claim.x_m, claim.y_m)
    if claim.kind in ("post", "corner"):
        spread = round_spread(board, lead, prior, doubts)
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
            confidence=sure,
        )
        if known:
            row = replace(row, diameter_m=2.0 * radius, diameter_sigma_m=2.0 * radius * spread.log_radius_sigma)
        return row
    return _cluster_row(claim, station, d, bearing, doubts, size_m, sure)


def _cluster_row(
    claim: Claim, station: int, d: float, bearing: float, doubts: Doubts, size_m: float, sure: float
) -> Object:
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
        confidence=sure,
    )


def _echo_row(board: Board, claim: Claim, prior: Prior, doubts: Doubts, size_m: float, sure: float) -> Object:
    """Return the row of a thing that one station heard: near face plus the size prior along the bearing."""
    lead = claim.members[0]
    thing = board.things[lead]
    station, d, bearing = _nearest(board, claim.heard, claim.x_m, claim.y_m)
    place = board.soundings.place_m[station]
    face = d - size_m
    width = math.hypot(FACE_RAD, HALF_FACE_M / max(d, 0.1))
    if thing.is_round and len(claim.members) == 1:
        face = math.hypot(thing.shape[0] - place[0], thing.shape[1] - place[1])
        face -= math.exp(thing.shape[2]) if thing.kind == "post" else 0.0
        bearing, width = bearing_by_one(board, lead, place, prior)
    elif len(claim.members) == 1:
        face = abs(thing.shape[1] - math.cos(thing.shape[0]) * place[0] - math.sin(thing.shape[0]) * place[1])
    reach = face + size_m
    beam = board.beam
    near = math.hypot(0.4 * (beam.sigma_m + beam.sigma_share * face), doubts.scale * face)
    along = math.sqrt(near**2 + (PRIOR_SHARE * size_m) ** 2 + float(doubts.position_m[station]) ** 2)
    turn = math.sqrt(width**2 + doubts.head_rad**2 + float(doubts.heading_rad[station]) ** 2)
    across = math.hypot(reach * turn, float(doubts.position_m[station]))
    x, y = place[0] + reach * math.cos(bearing), place[1] + reach * math.sin(bearing)
    sx, sy, rho = ellipse(bearing, along, across)
    readings = round(float(claim.heard.sum()))
    return Object("echo", float(x), float(y), sx, sy, rho, max(0.0, face), bearing, 1, readings, confidence=sure)


def _of_covariance(c: Floats) -> tuple[float, float, float]:
    sx, sy = math.sqrt(float(c[0, 0])), math.sqrt(float(c[1, 1]))
    return sx, sy, float(np.clip(c[0, 1] / (sx * sy), -0.999, 0.999))


def _wall_row(board: Board, claim: Claim, found: Sorted, doubts: Doubts) -> Object:
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


def _corner_row(board: Board, claim: Claim, prior: Prior, doubts: Doubts) -> Object:
    spread = round_spread(board, claim.members[0], prior, doubts)
    _, d, bearing = _nearest(board, claim.heard, claim.x_m, claim.y_m)
    sx, sy, rho = _of_covariance(spread.centre + np.eye(2) * LEAST_SIGMA_M**2)
    readings = max(1, round(float(claim.heard.sum())))
    return Object("corner", claim.x_m, claim.y_m, sx, sy, rho, d, bearing, max(1, claim.stations), readings)

"""The list of things that stand there: from a map or a run to `things.Object` rows.

`fit_objects` fits posts, walls and corners to the pings under the first-return model and tells everything it found:
rows, ghosts, the run's beam.  `find_objects` returns the rows alone.  Floor axes [m], bearings [rad].
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from sonargrid.finding.clusters import cluster_objects
from sonargrid.finding.confidence import MIN_CONFIDENCE, confidence
from sonargrid.finding.echo_beam import Beam
from sonargrid.finding.echo_board import Board
from sonargrid.finding.object_corners import explained
from sonargrid.finding.object_fit import refine_all, search
from sonargrid.finding.object_kinds import instead
from sonargrid.finding.object_list import Claim, Sorted, heard_point, heard_readings, sort_things
from sonargrid.finding.object_moves import Prior
from sonargrid.finding.object_pool import gains
from sonargrid.finding.object_rows import corner_row, counted_row, doubts_of, wall_row
from sonargrid.finding.plateaus import find_plateaus
from sonargrid.finding.run_beam import FittedBeam, beam_of_table, fitted_beam
from sonargrid.finding.soundings import pack, sweep_of
from sonargrid.finding.things import Object, Things
from sonargrid.finding.witnesses import Witnesses, witnesses
from sonargrid.maps.mapping import Map
from sonargrid.physics.air import absorption_db_per_m, sound_speed
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Pings, Run

SIZE_PRIOR_M = 0.05  # radius of a thing nobody has measured
SIZE_SIGMA = {False: 0.4, True: 0.5}  # of the log radius, for one and for several stations
WEAK_SHARE = 0.1  # of things before one station that answer far more weakly than a post
POST_ALONE = 5.0  # what one more post before one station must gain in log likelihood
SIZE_IN_ROOMS = 1.4  # things stood in rooms are larger than those put before a robot
MOST_STATIONS = 40  # beyond (a moving robot) the fit gives way to the plain list


@dataclass(frozen=True, slots=True)
class ObjectList:
    """What a run shows, and what was thought on the way.

    objects : the rows, nearest first
    beam : the run's own beam; None where nothing was fitted
    ghosts : sentences on echoes that are nobody's: behind a wall, too faint
    hidden : sentences on what may be hidden by nearer things
    notes : other sentences for the user
    seen : echoes that the rows explain; None where nothing was fitted, or one station only was there
    """

    objects: tuple[Object, ...]
    beam: FittedBeam | None = None
    ghosts: tuple[str, ...] = ()
    hidden: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    seen: Witnesses | None = None


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
    doubts = doubts_of(run, fit.stations)
    claimed = claimed_rows(fit, run, size_prior_m)
    if empty is not None:
        claimed = [(c, r) for c, r in claimed if not stood_before(board, c, pings, empty)]
    rows = [row for _, row in claimed if row.confidence >= min_confidence]
    rows += [wall_row(board, c, found, doubts) for c in found.walls]
    rows += [corner_row(board, c, prior, doubts) for c in found.corners]
    rows.sort(key=lambda o: (not o.counted, round(o.nearest_m, 6), o.bearing_rad))
    ghosts = [f"echo at ({c.x_m:.2f}, {c.y_m:.2f}) m not listed: {why}" for c, why in found.ghosts]
    ghosts += [
        f"echo at ({row.x_m:.2f}, {row.y_m:.2f}) m not listed: confidence {row.confidence:.2f}"
        for _, row in claimed
        if row.confidence < min_confidence
    ]
    hidden = () if before is None else _hidden(before.board, board)
    listed = [c for c, row in claimed if row.confidence >= min_confidence] + [*found.walls, *found.corners]
    seen = witnesses(board, sorted({*range(board.given), *(n for c in listed for n in c.members)}))
    beam = fitted_beam(board, fit.start, fit.known_beam)
    return ObjectList(tuple(rows), beam, tuple(ghosts), hidden, seen=seen if len(fit.stations) > 1 else None)


def claimed_rows(fit: Fit, run: Run, size_prior_m: float = SIZE_PRIOR_M) -> list[tuple[Claim, Object]]:
    """Return each claim of a fit with its row, however unlikely."""
    doubts = doubts_of(run, fit.stations)
    out = []
    for claim in fit.found.claims:
        row = counted_row(fit.board, claim, fit.prior, doubts, size_prior_m)
        out.append((claim, replace(row, confidence=confidence(fit.board, claim, fit.found, row))))
    return out


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
    prior = Prior(size, SIZE_SIGMA[several])
    if not several:
        penalty = (*prior.penalty[1:], ("post", POST_ALONE))
        prior = replace(prior, weak_share=WEAK_SHARE, sweep=sweep_of(soundings), penalty=penalty)
    start, known = start_beam(run)
    board = Board(soundings, start)
    if before is not None:
        there = before.board.things
        board = Board(soundings, before.board.beam, there, len(there))
    board = search(soundings, board, prior, keep_beam=known)
    if several:
        as_searched, board = board, explained(board, soundings, prior)
        if board is not as_searched:
            refine_all(board, prior, passes=3, first=0.3)
    found = sort_things(board, gains(board, prior), size_prior_m)
    if found.chance and instead(board, found.chance, soundings, prior):
        refine_all(board, prior, passes=3, first=0.3)
        found = sort_things(board, gains(board, prior), size_prior_m)
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

"""Did the stations stand where the run says?  Corrections of their poses from what they share, and what that can tell.

`align_stations` fits all poses under their sigmas, names stations that strayed, keeps any other correction only where
arcs that were left out fit better with it, and says what the data could not see.  `refine_poses` returns the corrected
run alone.  The frame is the mean of the stations: a shift or turn of all of them together cannot be seen.
Floor axes [m], headings [rad].
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from sonargrid.arrays import Bools, Floats, Ints, frozen
from sonargrid.errors import SonargridError
from sonargrid.finding.echo_order import Thing
from sonargrid.physics.geometry import wrap
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Run, Station
from sonargrid.stations.landmarks import Landmarks, agreement, landmarks_of, seen_again, spreads
from sonargrid.stations.pose_fit import LEAST_SIGMAS, SURE, place_one
from sonargrid.stations.pose_likelihood import Settled
from sonargrid.stations.sightings import Sightings, sightings_of, stated_poses
from sonargrid.stations.strayed import Strays, fit_with_strays

PREDICTED = np.array([[0.01, 0.01, math.radians(1.5)]])  # doubts of a pose that an arc is predicted from
MOST_STATIONS = 40  # beyond (a moving robot) there are too many poses and too few readings at each
LEAST_ARCS = 2  # at a station, for its pose to be asked for
BLIND_SHARE = 0.7  # a sigma that the data leave above this share of the stated one was hardly seen
CAUTION = "Measure a named station again before you trust the map; a fit cannot know what you did."


@dataclass(frozen=True, slots=True)
class Alignment:
    """Corrected poses and what they rest on; arrays over the run's stations.

    run : the run with the corrected poses and their sigmas
    before, after : (S, 3) x, y [m], heading [rad]
    sigmas : (S, 3) of the corrected poses on the floor axes
    relative : (S, 3) the same, a common shift and turn of all stations taken out
    shared : (S,) arcs of equal range that other stations explain
    gain : (S,) by how much left-out arcs fit better with the correction [nats]
    accepted, gross : (S,) correction kept; station strayed
    things : walls, posts and corners that the corrected stations share
    notes : sentences for the user
    """

    run: Run
    before: Floats
    after: Floats
    sigmas: Floats
    relative: Floats
    shared: Ints
    gain: Floats
    accepted: Bools
    gross: Bools
    things: tuple[Thing, ...]
    notes: tuple[str, ...]

    def __post_init__(self) -> None:
        for name in ("before", "after", "sigmas", "relative", "gain"):
            object.__setattr__(self, name, frozen(getattr(self, name)))
        object.__setattr__(self, "shared", frozen(self.shared, np.int64))
        for name in ("accepted", "gross"):
            object.__setattr__(self, name, frozen(getattr(self, name), np.bool_))


def refine_poses(run: Run) -> Run:
    """Return the run with its stations' poses corrected, and their sigmas, as far as the data tell.

    Parameters
    ----------
    run : Run
        At least two stations that share walls, posts or corners.

    Raises
    ------
    SonargridError
        If there are too few or too many stations, or they share nothing.
    """
    return align_stations(run).run


def align_stations(run: Run) -> Alignment:
    """Return corrected poses with their uncertainty and what speaks for them.

    Parameters
    ----------
    run : Run
        As loaded or simulated.

    Raises
    ------
    SonargridError
        If there are too few or too many stations, or they share nothing.
    """
    stations = _checked(run)
    seen = sightings_of(run, calibrated(run))
    stated = stated_poses(run.stations)
    sigma = np.array([(s.position_sigma_m, s.position_sigma_m, s.heading_sigma_rad) for s in run.stations])
    placed = fit_with_strays(run, seen, stated, sigma)
    fit, settled, widened = placed.fit, placed.settled, placed.sigma
    shared = np.bincount(seen.station[fit.sighting], minlength=len(run.stations))
    if not shared.any():
        raise SonargridError(_nothing_shared(run, seen, stations), hint=_CLOSER, file=run.path or None)
    gain = np.array([left_out_gain(seen, stated, settled, widened, fit.wider, k) for k in range(len(stated))])
    gross = np.zeros(len(stated), dtype=bool)
    gross[[stray.station for stray in placed.strays.named]] = True
    accepted = gross | ((shared >= LEAST_ARCS) & (gain > 0.0))
    sigmas = np.sqrt(np.diag(settled.covariance)).reshape(-1, 3)
    sigmas = np.where(accepted[:, None], sigmas, widened)
    after = np.where(accepted[:, None], _as_fine_as_told(settled.poses), stated)
    relative = np.where(accepted[:, None], _relative(settled.covariance, after, widened), widened)
    found = Alignment(
        _corrected(run, after, sigmas, accepted),
        stated,
        after,
        sigmas,
        relative,
        shared,
        gain,
        accepted,
        gross,
        tuple(settled.board.things),
        (),
    )
    return replace(found, notes=_notes(found, run, sigma, placed.strays))


_CLOSER = "park so that at least two stations sweep the same wall, post or corner"


def _checked(run: Run) -> list[int]:
    """Return the stations with readings.

    Raises
    ------
    SonargridError
        If they are too few or too many.
    """
    heard = sorted({int(k) for k in run.readings.station})
    file = run.path or None
    if run.moving or len(heard) > MOST_STATIONS:
        raise SonargridError(
            f"{len(heard)} poses of a moving robot: too few readings at each to correct them",
            hint=f"park at up to {MOST_STATIONS} stations and sweep at each",
            file=file,
        )
    if len(heard) < 2:
        raise SonargridError(
            "one station: it is the floor axes itself, there is nothing to align it with", hint=_CLOSER, file=file
        )
    return heard


def _nothing_shared(run: Run, seen: Sightings, stations: list[int]) -> str:
    arcs = np.bincount(seen.station, minlength=len(run.stations))
    told = ", ".join(f"{run.stations[k].name} {int(arcs[k])}" for k in stations)
    return f"the stations share no wall, post or corner (arcs of equal range seen: {told})"


def _as_fine_as_told(poses: Floats) -> Floats:
    """Return poses in whole tenths of millimetres and hundredths of degrees, finer than anybody can tell."""
    heading = np.radians(np.round(np.degrees(wrap(poses[:, 2])), 2))
    return np.column_stack([np.round(poses[:, :2], 4), heading])


def _turned(off: Floats) -> Floats:
    off[:, 2] = wrap(off[:, 2])
    return off


def left_out_gain(
    seen: Sightings, stated: Floats, settled: Settled, sigma: Floats, wider: float, station: int
) -> float:
    """Return by how much better a station's left-out arcs fit with corrected poses than with the stated ones [nats].

    Each arc in turn is left out, the station put where its other arcs and the landmarks of the other stations say, and
    the arc asked how well it fits there; the stated poses are asked the same.
    """
    own, others = seen.only(seen.station == station), seen.only(seen.station != station)
    if len(own) < LEAST_ARCS or not len(others):
        return 0.0
    marks = landmarks_of(settled.board.things)
    new = seen_again(marks, others, settled.poses, np.tile(SURE, (len(stated), 1)), wider)
    old = seen_again(marks, others, stated, np.maximum(sigma, SURE), wider)
    total = 0.0
    for k in range(len(own)):
        rest = own.only(np.arange(len(own)) != k)
        one = replace(own.only(np.array([k])), station=np.zeros(1, dtype=np.int64))
        pose = place_one(new, rest, settled.poses[station], stated[station], sigma[station], wider)
        total += _fits(new, one, pose, wider) - _fits(old, one, stated[station], wider)
    return total


def _fits(marks: Landmarks, one: Sightings, pose: Floats, wider: float) -> float:
    """Return how well landmarks explain one sighting from a pose [nats]; 0 = no better than chance."""
    if not len(marks):
        return 0.0
    return float(agreement(marks, one, pose[None], spreads(one, PREDICTED), wider).max())


def _relative(covariance: Floats, poses: Floats, sigma: Floats) -> Floats:
    """Return (S, 3) sigmas with a common shift and turn of all stations taken out."""
    count = len(poses)
    middle = poses[:, :2].mean(axis=0)
    common = np.zeros((3 * count, 3))
    common[0::3, 0] = common[1::3, 1] = common[2::3, 2] = 1.0
    common[0::3, 2], common[1::3, 2] = -(poses[:, 1] - middle[1]), poses[:, 0] - middle[0]
    trust = np.maximum(sigma, LEAST_SIGMAS).ravel() ** -2.0
    fitted = np.linalg.solve(common.T @ (trust[:, None] * common), common.T * trust)
    rest = np.eye(3 * count) - common @ fitted
    return np.sqrt(np.maximum(np.diag(rest @ covariance @ rest.T), 0.0)).reshape(-1, 3)


def _corrected(run: Run, poses: Floats, sigmas: Floats, accepted: Bools) -> Run:
    stations, known = [], set(run.assumed)
    for k, station in enumerate(run.stations):
        if not accepted[k]:
            stations.append(station)
            continue
        x, y, heading = (float(v) for v in poses[k])
        place = round(float(np.hypot(sigmas[k, 0], sigmas[k, 1]) / math.sqrt(2.0)), 5)
        turn_sigma = math.radians(round(math.degrees(sigmas[k, 2]), 2))
        stations.append(Station(station.name, x, y, float(wrap(heading)), place, turn_sigma))
        known -= {f"station.{station.name}.position_sigma_m", f"station.{station.name}.heading_sigma_deg"}
    moved = int(accepted.sum())
    note = f"poses of {moved} station{'s' if moved != 1 else ''} corrected from what the stations share"
    return replace(
        run,
        stations=tuple(stations),
        assumed=tuple(k for k in run.assumed if k in known),
        notes=f"{run.notes}\n{note}".strip(),
        digest="",
        path="",
        name=f"{run.name}_aligned",
    )


def _named(run: Run, some: Sequence[int], last: str = "and") -> str:
    """Return stations' names in words: A; A and B; A, B and C."""
    names = [run.stations[k].name for k in some]
    return f" {last} ".join(filter(None, (", ".join(names[:-1]), names[-1])))


def _notes(found: Alignment, run: Run, stated_sigma: Floats, strays: Strays) -> tuple[str, ...]:
    """Return what the data say and cannot say, in sentences."""
    heard = {int(k) for k in run.readings.station}
    out = []
    for k, station in enumerate(run.stations):
        if k not in heard:
            out.append(f"{station.name} has no readings; its pose stays as stated")
    for stray in strays.named:
        k = stray.station
        out.append(
            f"{run.stations[k].name} did not stand where the run says: {shift_words(found, k)}; all pings speak for it "
            f"with {stray.gain:.0f} nats"
        )
    if strays.unsure:
        either = _named(run, strays.unsure, "or")
        out.append(f"{either} did not stand where the run says; the data do not tell which, so all stated poses count")
    kept = [k for k in sorted(heard) if not found.accepted[k] and not found.gross[k]]
    for why, some in (
        ("too little is shared with the others", [k for k in kept if found.shared[k] < LEAST_ARCS]),
        ("left-out arcs fit no better with the correction", [k for k in kept if found.shared[k] >= LEAST_ARCS]),
    ):
        if some:
            keeps = "keeps its stated pose" if len(some) == 1 else "keep their stated poses"
            out.append(f"{_named(run, some)} {keeps}: {why}")
    if found.gross.any() or strays.unsure:
        out.append(CAUTION)
    blind = found.accepted & (found.sigmas[:, 2] > BLIND_SHARE * stated_sigma[:, 2]) & ~found.gross
    if blind.any():
        some = [int(k) for k in np.flatnonzero(blind)]
        seen = "the heading of {} was" if len(some) == 1 else "the headings of {} were"
        out.append(
            f"{seen.format(_named(run, some))} hardly seen: a wide beam tells a turn of a degree or two only faintly"
        )
    out.append(
        "a shift or turn of all stations together cannot be seen; their stated mean fixes the frame, so errors of 1 cm "
        "and 1 degree stay possible everywhere"
    )
    if len(heard) == 2:
        out.append("two stations: if one strayed, nobody can say which; a third would tell")
    return tuple(out)


def shift_words(found: Alignment, station: int) -> str:
    """Return a correction in words: how far ahead, to which side, turned by how much, give or take."""
    dx, dy, turn = _turned((found.after - found.before)[station][None].copy())[0]
    heading = found.before[station, 2]
    ahead, left = (
        math.cos(heading) * dx + math.sin(heading) * dy,
        -math.sin(heading) * dx + math.cos(heading) * dy,
    )
    place = 100.0 * float(np.hypot(*found.relative[station, :2]) / math.sqrt(2.0))
    words = [
        f"{abs(100.0 * ahead):.1f} cm further {'ahead' if ahead >= 0.0 else 'back'}",
        f"{abs(100.0 * left):.1f} cm to the {'left' if left >= 0.0 else 'right'} (give or take {place:.1f} cm)",
        f"turned {abs(math.degrees(turn)):.1f} degrees {'left' if turn >= 0.0 else 'right'}"
        f" (give or take {math.degrees(found.relative[station, 2]):.1f})",
    ]
    return ", ".join(words)

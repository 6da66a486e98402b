"""Surveyed things and the sweeps over them: which thing each ping heard first, and which ones it passed unheard.

Angles in radians from straight ahead, counter-clockwise; ranges in metres from the ranger's face; both before
calibration.  No fits here: `bench_posterior` and `beam_fit` judge by this evidence.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Bools, Floats, Ints, frozen

RANGE_GATE_M = 0.04  # echoes this near a thing's surveyed range are taken for its own
LEAST_ECHOES = 4  # fewer in one turning sense do not show a beam


@dataclass(frozen=True, slots=True)
class Sighting:
    """A surveyed thing as it should be seen from the station that swept it.

    bearing_rad, range_m : from straight ahead as stated; to the near face
    bearing_sigma_rad, range_sigma_m : from the survey alone, the station's heading left out
    radius_m : of a post; inf for flat things and corners
    """

    bearing_rad: float
    range_m: float
    bearing_sigma_rad: float
    range_sigma_m: float
    radius_m: float = 0.025


@dataclass(frozen=True, slots=True)
class Sweeps:
    """What one station's head heard, each array (N,): commanded angle turned to head sense, range, turning."""

    angle_rad: Floats
    range_m: Floats
    turning: Ints

    def __post_init__(self) -> None:
        object.__setattr__(self, "angle_rad", frozen(self.angle_rad))
        object.__setattr__(self, "range_m", frozen(self.range_m))
        object.__setattr__(self, "turning", frozen(self.turning, np.int8))


@dataclass(frozen=True, slots=True)
class Evidence:
    """What each ping (n,) reported: which thing, or none, and which things (n, things seen) it passed on the way.

    heard : place among the things seen; -1 = none of them
    weight : what the ping counts, less where one angle was pinged often
    station : where it was heard; 0 for one station's sweeps
    """

    angle_rad: Floats
    range_m: Floats
    turning: Floats
    heard: Ints
    silent: Bools
    passed: Bools
    weight: Floats
    station: Ints


def own_echoes(sweeps: Sweeps, things: Sequence[Sighting], number: int) -> Bools:
    """Return which pings heard a thing, by its surveyed range; things of nearly one range by the nearer angle."""
    thing = things[number]
    heard = np.where(np.isfinite(sweeps.range_m), sweeps.range_m, 1e9)
    own = np.abs(heard - thing.range_m) <= RANGE_GATE_M
    for other_number, other in enumerate(things):
        if other_number != number and abs(other.range_m - thing.range_m) <= 2.0 * RANGE_GATE_M:
            away = np.abs(heard - thing.range_m) - np.abs(heard - other.range_m)
            angle = np.abs(sweeps.angle_rad - thing.bearing_rad) - np.abs(sweeps.angle_rad - other.bearing_rad)
            own &= np.where(np.abs(away) > 0.5 * RANGE_GATE_M, away < 0.0, angle < 0.0)
    return own


def things_heard(sweeps: Sweeps, things: Sequence[Sighting]) -> tuple[list[int], Bools]:
    """Return the things heard often enough in some turning sense, and (things seen, n) which pings heard each."""
    own = np.array([own_echoes(sweeps, things, number) for number in range(len(things))]).reshape(len(things), -1)
    often = [
        any(int((own[t] & (sweeps.turning == sense)).sum()) >= LEAST_ECHOES for sense in (1, 0, -1))
        for t in range(len(things))
    ]
    seen = [t for t in range(len(things)) if often[t]]
    return seen, own[seen]


def evidence_of(sweeps: Sweeps, things: Sequence[Sighting], seen: list[int], own: Bools) -> Evidence:
    """Return what each ping says of the things seen; pings that measured nothing are left out."""
    use = ~np.isnan(sweeps.range_m)
    range_m = sweeps.range_m[use]
    heard = np.where(own[:, use].any(axis=0), own[:, use].argmax(axis=0), -1)
    at = np.array([things[t].range_m for t in seen])
    # the echo that is reported is the first: things nearer than it were not heard, things behind it are hidden
    reported = np.where(heard >= 0, at[heard], range_m)
    passed = at < reported[:, None]
    passed[heard >= 0, heard[heard >= 0]] = False
    both = np.stack([np.round(sweeps.angle_rad[use], 9), sweeps.turning[use]], axis=1)
    # repeats of one angle in one sense are hardly new: together they count as the root of their number
    _, index, count = np.unique(both, axis=0, return_inverse=True, return_counts=True)
    weight = 1.0 / np.sqrt(count[index.reshape(-1)])
    turning = sweeps.turning[use].astype(np.float64)
    station = np.zeros(range_m.size, dtype=np.int32)
    return Evidence(sweeps.angle_rad[use], range_m, turning, heard, np.isposinf(range_m), passed, weight, station)


def joined(parts: Sequence[Evidence]) -> Evidence:
    """Return the evidence of several stations as one: things are numbered on, and none is heard from another's."""
    counts = [part.passed.shape[1] for part in parts]
    first = np.cumsum([0, *counts])
    passed = np.zeros((sum(part.heard.size for part in parts), int(first[-1])), dtype=np.bool_)
    heard, row = [], 0
    for number, part in enumerate(parts):
        passed[row : row + part.heard.size, first[number] : first[number + 1]] = part.passed
        heard.append(np.where(part.heard >= 0, part.heard + first[number], -1))
        row += part.heard.size
    return Evidence(
        np.concatenate([part.angle_rad for part in parts]),
        np.concatenate([part.range_m for part in parts]),
        np.concatenate([part.turning for part in parts]),
        np.concatenate(heard),
        np.concatenate([part.silent for part in parts]),
        passed,
        np.concatenate([part.weight for part in parts]),
        np.repeat(np.arange(len(parts), dtype=np.int32), [part.heard.size for part in parts]),
    )

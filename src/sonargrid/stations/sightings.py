"""What each station saw, in its own axes: arcs of equal range, ready to be carried along when the station is moved.

`sightings_of` turns plateaus on the floor back into ranges and bearings that do not depend on the stated pose;
`Poses` (S, 3) are x, y [m] and heading [rad].  No landmarks here (`landmarks`), no fit (`pose_fit`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from sonargrid.arrays import Bools, Floats, Ints, frozen
from sonargrid.finding.echo_beam import Beam
from sonargrid.finding.echo_model import half_beam_rad
from sonargrid.finding.objects import start_beam
from sonargrid.finding.plateaus import Plateau, find_plateaus
from sonargrid.physics.geometry import to_floor, to_pose, wrap
from sonargrid.runs.readings import Pings, Run, Station

LATE_M = 0.004  # weak echoes trigger late by 0 to 7 mm: half of that is nobody's to know
RANGE_SHARE = 0.003  # of the range: triggering and noise grow with distance
EDGE_SIGMA_RAD = math.radians(2.5)  # where a beam's edge ends an arc; benchmarks/bench_align.py
WALL_LIKE_M = 1e6  # a post as wide as this is a wall
POST_RADIUS_M = 0.04  # of the post whose half beam is asked for
NEARER_M = 0.0176  # an echo so much nearer than an arc hides it
ONE_THING = 1.2  # an arc wider than this many beams of a wall belongs to two things


@dataclass(frozen=True, slots=True)
class Sightings:
    """Arcs of equal range in their stations' own axes; arrays (P,), ordered by station.

    station : index into the run's stations
    range_m, range_sigma_m : from the ranger's face
    left_rad, right_rad : edges of the arc, counter-clockwise from the station's heading, left_rad the larger one
    free_left, free_right : 1 where the beam itself ends the arc, 0 where a nearer echo or the sweep does
    loud_rad, quiet_rad : angle off the axis at which a wall or corner, and a post, is just heard at that range
    ahead_m, left_m : the ranger's face, from the station's point
    readings : pings that carry the arc
    """

    station: Ints
    range_m: Floats
    range_sigma_m: Floats
    left_rad: Floats
    right_rad: Floats
    free_left: Floats
    free_right: Floats
    loud_rad: Floats
    quiet_rad: Floats
    ahead_m: Floats
    left_m: Floats
    readings: Ints

    def __post_init__(self) -> None:
        for one in fields(self):
            kind = np.int64 if one.name in ("station", "readings") else np.float64
            object.__setattr__(self, one.name, frozen(getattr(self, one.name), kind))

    def __len__(self) -> int:
        return int(self.station.size)

    def only(self, kept: Bools | Ints) -> Sightings:
        """Return some of the sightings."""
        return Sightings(*(getattr(self, one.name)[kept] for one in fields(self)))

    def faces(self, poses: Floats) -> tuple[Floats, Floats, Floats]:
        """Return x, y [m] of the ranger's face and the heading [rad] of each sighting's station, (P,) each."""
        x, y, heading = poses[self.station].T
        face_x, face_y = to_floor(x, y, heading, self.ahead_m, self.left_m)
        return face_x, face_y, heading

    def bearing(self, half_rad: Floats) -> tuple[Floats, Floats]:
        """Return where in its arc a thing heard `half_rad` off the axis stands, and give or take [rad], (P,) each."""
        middle = 0.5 * (self.left_rad + self.right_rad)
        window = np.maximum(half_rad - 0.5 * (self.left_rad - self.right_rad), 0.0)
        by_left, by_right = self.left_rad - half_rad, self.right_rad + half_rad
        free = self.free_left + self.free_right
        one = np.where(self.free_left > 0.5, by_left, by_right)
        at = np.where(free == 1.0, one, middle)
        hidden = np.hypot(EDGE_SIGMA_RAD, window / math.sqrt(3.0))
        sigma = np.where(free == 2.0, EDGE_SIGMA_RAD / math.sqrt(2.0), np.where(free == 1.0, EDGE_SIGMA_RAD, hidden))
        return at, sigma


def stated_poses(stations: Sequence[Station]) -> Floats:
    """Return the (S, 3) poses that the run states: x, y [m], heading [rad]."""
    return np.array([(s.x_m, s.y_m, s.heading_rad) for s in stations], dtype=np.float64).reshape(-1, 3)


def sightings_of(run: Run, pings: Pings) -> Sightings:
    """Return a run's arcs of equal range in the axes of the stations that saw them.

    Examples
    --------
    >>> from sonargrid.runs.calibration import calibrated
    >>> from sonargrid.runs.readings import Readings
    >>> angles = np.arange(0.0, 181.0, 2.0)
    >>> heard = np.where(abs(angles - 70.0) <= 24.0, 60.0, np.inf)
    >>> run = Run(Readings("angle_deg", "range_cm", angles, heard, 0 * angles, 0 * angles, 1 + 0 * angles))
    >>> seen = sightings_of(run, calibrated(run))
    >>> seen.range_m.round(3).tolist(), np.degrees(seen.left_rad).round().tolist()
    ([0.6], [5.0])
    """
    beam, _ = start_beam(run)
    rows = []
    for p in _arcs(find_plateaus(pings, run.ranger), beam):
        at = run.stations[p.station]
        ray = pings.ray[p.pings]
        # the face lies ahead of the servo axis along the beam: take it where the thing's own bearing is looked at
        nearest = ray[np.argmin(np.abs(pings.rays.bearing_rad[ray] - p.bearing_rad))]
        face = to_pose(at.x_m, at.y_m, at.heading_rad, pings.rays.x_m[nearest], pings.rays.y_m[nearest])
        sigma = math.hypot(p.range_sigma_m, LATE_M, RANGE_SHARE * p.range_m)
        edges = p.left_rad - at.heading_rad, p.right_rad - at.heading_rad
        free = float(not p.masked_left and _open(p, pings, 1.0)), float(not p.masked_right and _open(p, pings, -1.0))
        loud = _heard_off(p.range_m, beam, WALL_LIKE_M)
        quiet = _heard_off(p.range_m, beam, POST_RADIUS_M)
        rows.append((p.station, p.range_m, sigma, *edges, *free, loud, quiet, *map(float, face), p.readings))
    columns = np.array(sorted(rows), dtype=np.float64).reshape(-1, 12).T
    return Sightings(*columns)


def _heard_off(range_m: float, beam: Beam, radius_m: float) -> float:
    """Return how far off the axis a post of some radius is just heard [rad]."""
    return float(half_beam_rad(np.array([range_m]), beam, True, radius_m)[0])


def _arcs(plateaus: Sequence[Plateau], beam: Beam) -> list[Plateau]:
    """Return plateaus with the halves of one wide arc put together again: a wall is heard wider than a post."""
    out: list[Plateau] = []
    for p in plateaus:
        other = next((k for k, q in enumerate(out) if q.station == p.station and _are_halves(q, p)), None)
        if other is None:
            out.append(p)
            continue
        q = out[other]
        if p.left_rad - q.right_rad < 2.0 * ONE_THING * _heard_off(p.range_m, beam, WALL_LIKE_M):
            out[other] = replace(
                q,
                left_rad=p.left_rad,
                bearing_rad=0.5 * (p.left_rad + q.right_rad),
                readings=q.readings + p.readings,
                pings=np.concatenate([q.pings, p.pings]),
            )
        else:  # two things side by side: where one ends and the other begins nobody sees
            out[other] = replace(q, masked_left=True)
            out.append(replace(p, masked_right=True))
    return out


def _are_halves(right: Plateau, left: Plateau) -> bool:
    return right.range_m == left.range_m and abs(left.right_rad - right.left_rad) < 1e-9


def _open(p: Plateau, pings: Pings, side: float) -> bool:
    """Return whether nothing nearer, however small, was heard just beyond an arc's left (+1) or right (-1) edge."""
    mine = (pings.station == p.station) & ~pings.void
    edge = p.left_rad if side > 0.0 else p.right_rad
    beyond = side * wrap(pings.bearing_rad - edge)
    step = float(np.min(np.abs(beyond[mine & (beyond > 0.0)]), initial=math.inf))
    close = mine & (beyond > 0.0) & (beyond < 3.0 * step + 1e-9)
    return bool(close.any()) and not bool((pings.range_m[close] < p.range_m - NEARER_M).any())

"""Arcs of equal range: what one thing leaves in the sweeps of one station.

A smooth thing answers at one range over about a beam's width, so a sweep shows it as a run of neighbouring bearings
with nearly equal ranges.  `find_plateaus` follows these runs through all sweeps of a station together: over
dropouts, behind nearer echoes (`masked` edges), over slips of one sound period; it splits runs too wide for one.
Metres and radians on the floor axes; ranges count from the ranger's face.  No things across stations here.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from sonargrid.arrays import Floats, Ints, frozen
from sonargrid.runs.readings import Pings, Ranger

# Starting values of the rule; benchmarks/bench_lists.py measures them again on simulated posts.
JOIN_M = 0.0176  # a reading belongs to a run whose median range is this near
GAP_RAD = math.radians(6.7)  # and whose last member lies within this angle
FILL = 0.55  # share of the bearings inside a run, nearer echoes aside, that must carry it
LEAST = 3  # bearings of a run
WIDTH_RAD = math.radians(5.6)  # narrower runs are dropped
SPLIT = 1.37  # a run wider than this many beams is two things
MASKED_STEPS = 2.1  # an edge within so many steps of a nearer run or the sweep's end does not show the beam's edge
EDGE_SIGMA_RAD = math.radians(1.6)  # how sharply a beam's edge is seen
RECENT = 9  # members that make the running median
RARE = 0.12  # ranges that fewer of a bearing's repeats show do not start or carry a run
HALF_BEAM_RAD = (math.radians(33.5), math.radians(12.6))  # half width of a 5 cm post: first - second * range_m
HALF_BEAM_LEAST_RAD = math.radians(10.0)


@dataclass(frozen=True, slots=True)
class Plateau:
    """One arc of equal range, seen from one station.

    station : index into the run's stations
    range_m, range_sigma_m : distance from the ranger's face to the near face
    bearing_rad, bearing_sigma_rad : where the thing stands on its arc; on the floor
    left_rad, right_rad : edges of the arc on the floor, left_rad the larger one
    masked_left, masked_right : that edge is a nearer echo's or the sweep's, not the beam's
    readings : how many pings carry it
    pings : (readings,) their indices
    """

    station: int
    range_m: float
    range_sigma_m: float
    bearing_rad: float
    bearing_sigma_rad: float
    left_rad: float
    right_rad: float
    masked_left: bool
    masked_right: bool
    readings: int
    pings: Ints = field(repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "pings", frozen(self.pings, np.int32))

    @property
    def width_rad(self) -> float:
        """Angle between the two edges [rad]."""
        return self.left_rad - self.right_rad


@dataclass(slots=True)
class _Track:
    """A run while it grows: positions in the station's bearings, ranges, counts, and its groups' numbers."""

    at: list[int]
    ranges: list[float]
    counts: list[int]
    groups: list[int]


@dataclass(frozen=True, slots=True)
class _Sweeps:
    """One station's pings, reduced: each bearing's distinct ranges (arrays over groups, sorted by bearing)."""

    bearings: Floats  # (B,) distinct, rising
    step_rad: float
    at: Ints  # (G,) index into bearings
    range_m: Floats  # (G,)
    count: Ints  # (G,)
    share: Floats  # (G,) of the bearing's pings
    nearest: Floats  # (B,) nearest range heard often enough on the bearing, inf = none
    members: list[Ints]  # pings of each group


def default_half_beam(range_m: float | Floats, ranger: Ranger | None = None) -> Floats:
    """Return the half width over which a 5 cm post is heard, before the run itself has been asked [rad].

    A table from the bench is followed; else the common falling line of 40 kHz rangers.

    >>> round(math.degrees(float(default_half_beam(1.0))), 1)
    20.9
    """
    r = np.asarray(range_m, dtype=np.float64)
    if ranger is not None and ranger.half_beam_table:
        return ranger.half_beam_at(r)
    return np.asarray(np.maximum(HALF_BEAM_LEAST_RAD, HALF_BEAM_RAD[0] - HALF_BEAM_RAD[1] * r))


def find_plateaus(pings: Pings, ranger: Ranger) -> tuple[Plateau, ...]:
    """Return the arcs of equal range of all stations, by station and bearing.

    Parameters
    ----------
    pings : Pings
        Calibrated readings.
    ranger : Ranger
        Its table of half beams, if it has one, tells how wide one thing may look.

    Examples
    --------
    >>> from sonargrid.runs.calibration import calibrated
    >>> from sonargrid.runs.readings import Readings, Run
    >>> angles = np.arange(0.0, 181.0, 2.0)
    >>> heard = np.where(abs(angles - 70.0) <= 24.0, 60.0, np.inf)
    >>> run = Run(Readings("angle_deg", "range_cm", angles, heard, 0 * angles, 0 * angles, 1 + 0 * angles))
    >>> (arc,) = find_plateaus(calibrated(run), run.ranger)
    >>> round(arc.range_m, 3), round(math.degrees(arc.bearing_rad)), arc.readings
    (0.6, 70, 25)
    """
    found: list[Plateau] = []
    for station, rows in _by_station(pings):
        sweeps = _reduce(pings, rows)
        tracks = [t for t in _follow(sweeps) if _is_kept(t, sweeps)]
        wider = _wider(tracks, sweeps, ranger)
        for track in tracks:
            range_m = float(np.median(np.repeat(track.ranges, track.counts)))
            half = float(default_half_beam(range_m, ranger)) + wider
            found.extend(_finish(track, tracks, sweeps, range_m, half, station, pings.range_sigma_m))
    found.sort(key=lambda p: (p.station, p.bearing_rad, p.range_m))
    return tuple(found)


def _by_station(pings: Pings) -> Iterator[tuple[int, Ints]]:
    """Yield each station that may have a run, and the places of its usable pings; a moving robot has very many."""
    usable = np.flatnonzero(~pings.void)
    station = pings.station[usable]
    order = np.argsort(station, kind="stable")
    usable, station = usable[order], station[order]
    ends = np.flatnonzero(np.diff(station, append=-1)) + 1
    counts = np.diff(ends, prepend=0)
    for end, count in zip(ends[counts >= LEAST].tolist(), counts[counts >= LEAST].tolist(), strict=True):
        yield int(station[end - 1]), usable[end - count : end]


def _reduce(pings: Pings, rows: Ints) -> _Sweeps:
    """Return one station's pings with repeats of nearly equal range on one bearing put together."""
    bearing = pings.rays.bearing_rad[pings.ray[rows]]
    # repeats on one commanded angle share a bearing to the last bit; passes with backlash do not, and need not
    bearings, at = np.unique(np.round(bearing, 9), return_inverse=True)
    turn = _start(bearings)
    bearings = np.roll(bearings, -turn)
    bearings[len(bearings) - turn :] += 2.0 * math.pi if turn else 0.0
    at = (at.reshape(-1) - turn) % len(bearings)
    gaps = np.diff(bearings)
    step = float(np.median(gaps)) if gaps.size else math.radians(1.0)
    total = np.bincount(at, minlength=len(bearings))
    ranges = pings.range_m[rows]
    heard = np.isfinite(ranges)
    rows, at, ranges = rows[heard], at[heard], ranges[heard]
    order = np.lexsort((ranges, at))
    rows, at, ranges = rows[order], at[order], ranges[order]
    starts = (
        np.flatnonzero(np.r_[True, (np.diff(at) > 0) | (np.diff(ranges) > JOIN_M)]) if at.size else np.zeros(0, int)
    )
    members = np.split(rows, starts[1:]) if starts.size else []
    count = np.array([m.size for m in members], dtype=np.int64)
    middle = np.array([float(np.median(pings.range_m[m])) for m in members])
    group_at = at[starts] if starts.size else np.zeros(0, dtype=np.int64)
    share = count / np.maximum(1, total[group_at])
    nearest = np.full(len(bearings), math.inf)
    common = share >= 0.3
    np.minimum.at(nearest, group_at[common], middle[common])
    return _Sweeps(bearings, step, group_at, middle, count, share, nearest, members)


def _start(bearings: Floats) -> int:
    """Return where to cut a full circle: after its widest gap (0 for anything less than a circle)."""
    if len(bearings) < 3:
        return 0
    gaps = np.r_[bearings[0] + 2.0 * math.pi - bearings[-1], np.diff(bearings)]
    widest = int(np.argmax(gaps))
    return widest if gaps[widest] > gaps[0] + 1e-9 else 0


def _follow(sweeps: _Sweeps) -> list[_Track]:
    """Return all runs: each group joins the nearest open run that fits, or opens one."""
    done: list[_Track] = []
    live: list[_Track] = []
    for group in range(len(sweeps.at)):
        if sweeps.share[group] < RARE:
            continue
        at, range_m = int(sweeps.at[group]), float(sweeps.range_m[group])
        ended = [
            t for t in live if sweeps.bearings[at] - sweeps.bearings[t.at[-1]] > max(GAP_RAD, 2.1 * sweeps.step_rad)
        ]
        done += ended
        live = [t for t in live if not any(t is e for e in ended)]
        fits = [(abs(float(np.median(t.ranges[-RECENT:])) - range_m), n) for n, t in enumerate(live)]
        best = min(fits, default=(math.inf, -1))
        if best[0] <= JOIN_M:
            track = live[best[1]]
            track.at.append(at)
            track.ranges.append(range_m)
            track.counts.append(int(sweeps.count[group]))
            track.groups.append(group)
        else:
            live.append(_Track([at], [range_m], [int(sweeps.count[group])], [group]))
    return done + live


def _is_kept(track: _Track, sweeps: _Sweeps) -> bool:
    """Return whether a run is wide, full and often enough heard to be a thing's."""
    first, last = track.at[0], track.at[-1]
    width = sweeps.bearings[last] - sweeps.bearings[first] + sweeps.step_rad
    if len(set(track.at)) < LEAST or width < WIDTH_RAD:
        return False
    inside = np.arange(first, last + 1)
    open_ = sweeps.nearest[inside] > float(np.median(track.ranges)) - JOIN_M
    share = np.zeros(len(inside))
    np.maximum.at(share, np.array(track.at) - first, sweeps.share[track.groups])
    return float(share[open_].sum()) >= FILL * max(1, int(open_.sum()))


def _masked(track: _Track, tracks: list[_Track], sweeps: _Sweeps, left: bool) -> bool:
    """Return whether one edge of a run is a nearer run's or the sweep's end."""
    reach = MASKED_STEPS * sweeps.step_rad
    edge = sweeps.bearings[track.at[-1] if left else track.at[0]]
    end = sweeps.bearings[-1 if left else 0]
    if abs(end - edge) <= reach:
        return True
    own = float(np.median(track.ranges))
    for other in tracks:
        if other is track or float(np.median(other.ranges)) > own - JOIN_M:
            continue
        low, high = sweeps.bearings[other.at[0]] - reach, sweeps.bearings[other.at[-1]] + reach
        probe = edge + (0.5 if left else -0.5) * sweeps.step_rad
        if low <= probe <= high:
            return True
    return False


def _wider(tracks: list[_Track], sweeps: _Sweeps, ranger: Ranger) -> float:
    """Return by how much the runs with two free edges are wider than the default half beam [rad]; 0 if none tells."""
    if ranger.half_beam_table:
        return 0.0
    more = []
    for track in tracks:
        if _masked(track, tracks, sweeps, True) or _masked(track, tracks, sweeps, False):
            continue
        half = 0.5 * (sweeps.bearings[track.at[-1]] - sweeps.bearings[track.at[0]] + sweeps.step_rad)
        more.append(half - float(default_half_beam(float(np.median(track.ranges)))))
    # two imagined runs of the default width keep one odd run from deciding
    return float(np.median([*more, 0.0, 0.0])) if len(more) >= 2 else 0.0


def _finish(
    track: _Track,
    tracks: list[_Track],
    sweeps: _Sweeps,
    range_m: float,
    half_rad: float,
    station: int,
    sigma_m: float,
) -> list[Plateau]:
    """Return the plateau of a run, or the two of a run too wide for one thing."""
    half_step = 0.5 * sweeps.step_rad
    right, left = sweeps.bearings[track.at[0]] - half_step, sweeps.bearings[track.at[-1]] + half_step
    masked = (_masked(track, tracks, sweeps, True), _masked(track, tracks, sweeps, False))
    members = np.concatenate([sweeps.members[g] for g in track.groups])
    if left - right > 2.0 * SPLIT * half_rad:
        middle = 0.5 * (left + right)
        ping_bearings = np.concatenate(
            [np.full(sweeps.members[g].size, sweeps.bearings[sweeps.at[g]]) for g in track.groups]
        )
        upper = ping_bearings >= middle
        halves = ((left - half_rad, left, middle, upper), (right + half_rad, middle, right, ~upper))
        return [
            _plateau(station, range_m, sigma_m, b, math.radians(3.0), (up, low), masked, members[part])
            for b, up, low, part in halves
        ]
    bearing, sigma = 0.5 * (left + right), math.hypot(sweeps.step_rad / math.sqrt(6.0), EDGE_SIGMA_RAD / math.sqrt(2.0))
    if masked == (True, False):
        bearing, sigma = max(bearing, right + half_rad), 2.0 * sigma + math.radians(1.0)
    elif masked == (False, True):
        bearing, sigma = min(bearing, left - half_rad), 2.0 * sigma + math.radians(1.0)
    elif all(masked):
        sigma = math.hypot(sigma, max(0.0, half_rad - 0.5 * (left - right)) / math.sqrt(3.0))
    return [_plateau(station, range_m, sigma_m, bearing, sigma, (left, right), masked, members)]


def _plateau(
    station: int,
    range_m: float,
    sigma_m: float,
    bearing: float,
    bearing_sigma: float,
    edges: tuple[float, float],
    masked: tuple[bool, bool],
    members: Ints,
) -> Plateau:
    """Return the record, with the give and take of its range."""
    # repeats and neighbours share their bias: more readings help only down to a fifth of one reading's spread
    spread = sigma_m * max(0.2, 1.0 / math.sqrt(max(1, members.size)))
    return Plateau(station, range_m, spread, bearing, bearing_sigma, *edges, *masked, int(members.size), members)

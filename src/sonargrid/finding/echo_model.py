"""What a post, a wall or a corner should sound like from a place: range, angle off the axis and loudness of its echo.

Physics that the object fit assumes (levels in dB relative to a smooth wall square on at 1 m):

    wall   -20 log r from the foot of the perpendicular, fading within a Fresnel zone of its ends
    rough  a wall that scatters everywhere: the nearest patch that the beam still lights
    post   the wall's level + 10 log(a / (a + r)), a its radius, r to its near face
    corner the wall's level - 1 dB, at the corner's range
    box    its nearest point: a face as a wall as wide as that, else an upright edge, weakly; and its other edges
    floor  one range at every bearing, with a level of its own

An echo is heard when level + two-way directivity - threshold + half of the spreading is above 0, softly.  The
directivity starts from a piston's main lobe, stretched on the left and on the right by the run's own beam.
Floor axes [m], bearings [rad].  How echoes hide each other is `echo_board`'s business.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Floats, Ints, frozen
from sonargrid.finding.echo_beam import Beam, directivity_db
from sonargrid.physics.log_odds import logistic

LOGISTIC = 1.7  # logistic curve that resembles a normal one; textbook constant
FULL_MARGIN_DB = 20.0  # an echo this far above the threshold triggers at once
TAIL_DOF = 5.0  # freedom of the t density of ranges: tails well above a normal one's
TAIL_NORM = math.gamma(3.0) / (math.sqrt(TAIL_DOF * math.pi) * math.gamma(2.5))
CORNER_DB = -1.0
EDGE_FADE_DB = 6.0
EDGE_DB = -34.0  # an upright edge at 1 m, falling with 30 log r; from memory
FAINT_DB = 8.0  # beside an echo louder than this no other one of the same thing is heard
EDGE_REACH_M = 0.7  # edges of things farther off than this are not heard


@dataclass(frozen=True, slots=True)
class Soundings:
    """Pings packed for the fit: M rays, H echoes (repeats of nearly one range put together), S places.

    station, x_m, y_m, bearing_rad : (M,) of each ray; station counts only stations with readings
    place_m : (S, 2) servo axis of each station, from which things hide each other
    ray, range_m, weight : (H,) echoes, weight in effective pings; count : (H,) raw pings
    silence : (M,) effective silent pings
    pings : (M,) raw pings of each ray
    """

    station: Ints
    x_m: Floats
    y_m: Floats
    bearing_rad: Floats
    place_m: Floats
    ray: Ints
    range_m: Floats
    weight: Floats
    count: Floats
    silence: Floats
    pings: Floats
    reach_m: float
    step_rad: float

    def __post_init__(self) -> None:
        for name in ("x_m", "y_m", "bearing_rad", "place_m", "range_m", "weight", "count", "silence", "pings"):
            object.__setattr__(self, name, frozen(getattr(self, name)))
        for name in ("station", "ray"):
            object.__setattr__(self, name, frozen(getattr(self, name), np.int64))


@dataclass(frozen=True, slots=True)
class Echoes:
    """Echoes of K versions of one thing at M rays: range [m], angle off the axis [rad], margin [dB], and the point
    (K, S) that answers to each station; margin -inf = cannot answer.  other_m, other_db : a box's second echo."""

    range_m: Floats
    off_rad: Floats
    margin_db: Floats
    x_m: Floats
    y_m: Floats
    other_m: Floats | None = None
    other_db: Floats | None = None


def half_beam_rad(range_m: Floats, beam: Beam, left: bool, radius_m: float = 0.025) -> Floats:
    """Return the angle off the axis at which half of the pings hear a post, on one side of the axis [rad].

    >>> np.degrees(half_beam_rad(np.array([0.4, 1.0]), Beam(), True)).round(1).tolist()
    [28.0, 20.8]
    """
    off = np.linspace(0.0, math.radians(75.0), 751)
    lost = directivity_db(off if left else -off, beam)
    r = np.asarray(range_m, dtype=np.float64)
    level = 10.0 * np.log10(radius_m / (radius_m + r)) + _common_db(r, beam)
    heard = level[..., None] + lost >= 0.0
    return np.asarray(off[np.maximum(heard.sum(axis=-1) - 1, 0)])


def _edge_db(r: Floats, beam: Beam) -> Floats:
    """Return the margin of an upright edge on the axis at range r [dB]."""
    return _common_db(r, beam, 20.0) + EDGE_DB


def _common_db(r: Floats, beam: Beam, spread_db: float = 10.0) -> Floats:
    """Return the margin of a smooth wall on the axis at range r [dB]: spreading, half taken back; air; threshold."""
    return np.asarray(
        -spread_db * np.log10(r) - (2.0 * beam.absorption_db_m + beam.slope_db_m) * (r - 1.0) - beam.threshold_db
    )


def _wrapped(angle: Floats) -> Floats:
    return np.asarray(angle - 2.0 * math.pi * np.rint(angle / (2.0 * math.pi)))


def _length(x: Floats, y: Floats) -> Floats:
    """Return the length of vectors; `np.hypot` takes ten times as long to be safe from lengths beyond 1e150."""
    return np.asarray(np.sqrt(x * x + y * y))


def thing_echoes(kind: str, shape: Floats, soundings: Soundings, beam: Beam) -> Echoes:
    """Return the echoes of K versions of a thing at all rays.

    Parameters
    ----------
    kind : str
        ``post`` (x, y, log radius, gain), ``corner`` (x, y, unused, gain), ``wall`` and ``rough`` (direction of the
        normal [rad], distance from the origin along it, two ends along the wall counted from the normal's foot, gain),
        ``box`` (x, y, direction of its width [rad], half width, half depth, gain), ``floor`` (range, unused, unused,
        margin [dB]).
    shape : (K, 4), (K, 5) or (K, 6)
        Their numbers; metres, radians, dB.
    soundings : Soundings
        The rays.
    beam : Beam
        How they hear.
    """
    s = soundings
    rays = Rays(s.x_m, s.y_m, s.bearing_rad)
    r, off, margin, *other = sounds_at(kind, tuple(n[:, None] for n in numbers_of(kind, shape)), rays, beam)
    return Echoes(r, _wrapped(off), margin, *answering_points(kind, shape, s.place_m), *other)


@dataclass(frozen=True, slots=True)
class Rays:
    """Where rays start [m] and where they look [rad]: arrays of one shape, or of shapes that fit each other."""

    x_m: Floats
    y_m: Floats
    bearing_rad: Floats


Columns = tuple[Floats, ...]  # the numbers of things, each an array that fits the rays' shape


def numbers_of(kind: str, shape: Floats) -> Columns:
    """Return what `echoes_at` needs of K versions of a kind, (K,) each: what costs time is worked out once a version.

    ``post``, ``corner``: x, y, radius, gain; ``wall``, ``rough``: direction, its cosine and sine, distance, ends, gain;
    ``box``: x, y, direction, its cosine and sine, half width, half depth, gain; ``floor``: range, margin.
    """
    columns = tuple(shape.T.copy())
    if kind == "floor":
        return columns[0], columns[3]
    if kind == "post":
        return columns[0], columns[1], np.exp(columns[2]), columns[3]
    if kind == "corner":
        return columns[0], columns[1], np.zeros(shape.shape[0]), columns[3]
    turn = 2 if kind == "box" else 0
    return *columns[: turn + 1], np.cos(columns[turn]), np.sin(columns[turn]), *columns[turn + 1 :]


def echoes_at(kind: str, columns: Columns, at: Rays, beam: Beam) -> tuple[Floats, Floats, Floats]:
    """Return (range [m], angle off the axis [rad], margin [dB]) of things' loudest echoes at rays, number by number.

    Angles may lie a turn off.

    Parameters
    ----------
    kind, columns : str, arrays
        As `numbers_of` tells them; each is an array that fits the shape of the rays.
    at : Rays
        The rays.
    beam : Beam
        How they hear.
    """
    r, off, margin, _, _ = sounds_at(kind, columns, at, beam)
    return r, off, margin


Sounds = tuple[Floats, Floats, Floats, Floats | None, Floats | None]


def sounds_at(kind: str, columns: Columns, at: Rays, beam: Beam) -> Sounds:
    """Return the same and, of boxes, range [m] and margin [dB] of what is next loudest (None, None of other kinds)."""
    if kind == "floor":
        return *_floor_echoes(columns, at), None, None
    if kind in ("post", "corner"):
        return *_round_echoes(columns, at, beam, kind == "post"), None, None
    if kind == "box":
        return _box_echoes(columns, at, beam)
    return *_wall_echoes(columns, at, beam, kind == "rough"), None, None


def answering_points(kind: str, shape: Floats, place_m: Floats) -> tuple[Floats, Floats]:
    """Return the points (K, S) of K things that answer to places (S, 2): x and y [m]."""
    if kind == "floor":
        here = np.ones((shape.shape[0], 1))
        return here * place_m[:, 0], here * place_m[:, 1]
    if kind == "box":
        return nearest_on_box(shape, place_m[:, 0], place_m[:, 1])
    if kind in ("post", "corner"):
        a = np.exp(shape[:, 2:3]) if kind == "post" else 0.0
        px, py = shape[:, 0:1] - place_m[:, 0], shape[:, 1:2] - place_m[:, 1]
        share = 1.0 - a / np.maximum(_length(px, py), 1e-6)
        return place_m[:, 0] + share * px, place_m[:, 1] + share * py
    # where the perpendiculars meet walls, held within their ends
    turn, rho, low, high = (shape[:, k : k + 1] for k in range(4))
    c, s = np.cos(turn), np.sin(turn)
    along = np.clip(-s * place_m[:, 0] + c * place_m[:, 1], low, high)
    return rho * c - along * s, rho * s + along * c


def _round_echoes(columns: Columns, at: Rays, beam: Beam, is_post: bool) -> tuple[Floats, Floats, Floats]:
    x, y, a, gain = columns
    dx, dy = x - at.x_m, y - at.y_m
    centre = _length(dx, dy)
    r = np.maximum(centre - a, 1e-3)
    level = _common_db(r, beam) + gain
    level = level + (10.0 * np.log10(a / (a + r)) if is_post else CORNER_DB)
    off = np.arctan2(dy, dx) - at.bearing_rad
    return r, off, np.where(centre > a, level + directivity_db(off, beam), -np.inf)


def _floor_echoes(columns: Columns, at: Rays) -> tuple[Floats, Floats, Floats]:
    """Return an echo that comes at one range wherever the beam looks: off the floor, or the ranger's own mounting."""
    none = np.zeros(np.broadcast_shapes(columns[0].shape, at.x_m.shape))
    return np.maximum(columns[0], 1e-3) + none, none, columns[1] + none


def _box_echoes(columns: Columns, at: Rays, beam: Beam) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Return the echo of each box's nearest point and, where that is faint, of the edge heard best; the louder first.

    A convex thing has one foot of a perpendicular at most; its upright edges answer weakly, each by itself.
    """
    x, y, turn, c, s, half_w, half_d, gain = columns
    dx, dy = at.x_m - x, at.y_m - y
    u, v = c * dx + s * dy, -s * dx + c * dy
    out_u, out_v = np.abs(u) - half_w, np.abs(v) - half_d
    r = np.maximum(_length(np.maximum(out_u, 0.0), np.maximum(out_v, 0.0)), 1e-3)
    zone = np.sqrt(0.5 * beam.wavelength_m * r)
    across = _face_db(-out_u / zone, 2.0 * half_w / zone, out_v)
    along = _face_db(-out_v / zone, 2.0 * half_d / zone, out_u)
    level = np.maximum(np.maximum(across, along), EDGE_DB - 10.0 * np.log10(r)) + _common_db(r, beam)
    # directions of points of the box, in its own frame, to those of the rays
    heading = at.bearing_rad - turn
    near_u, near_v = np.minimum(np.maximum(u, -half_w), half_w), np.minimum(np.maximum(v, -half_d), half_d)
    off = np.arctan2(near_v - v, near_u - u) - heading
    outside = np.maximum(out_u, out_v) > 0.0
    margin = np.where(outside, level + directivity_db(off, beam), -np.inf)
    other_m, other_db = r.copy(), np.full(r.shape, -np.inf)
    faint = np.nonzero((r < EDGE_REACH_M) & (margin < FAINT_DB) & outside)
    if faint[0].size:
        few = tuple(np.broadcast_to(a, r.shape)[faint] for a in (u, v, half_w, half_d, heading))
        parts = _with_edges(few, r[faint], off[faint], margin[faint], beam)
        for whole, part in zip((r, off, margin, other_m, other_db), parts, strict=True):
            whole[faint] = part
    return r, off, margin + gain, other_m, other_db + gain


def _with_edges(columns: Columns, r: Floats, off: Floats, margin: Floats, beam: Beam) -> tuple[Floats, ...]:
    """Return range, angle and margin of what is louder, each box's (n,) nearest point or the loudest other upright
    edge in sight, and range and margin of what is not."""
    u, v, half_w, half_d, heading = columns
    # edges in sight: both of the one face that looks here, or, of two such faces, those that only one has (the edge
    # that they share is the nearest point itself); +-1 tell on which side of the middle
    su, sv = np.sign(u) * (np.abs(u) > half_w), np.sign(v) * (np.abs(v) > half_d)
    flat_u, flat_v = su == 0.0, sv == 0.0
    sides = (
        (np.where(flat_u, 1.0, su), np.where(flat_u, sv, np.where(flat_v, 1.0, -sv))),
        (np.where(flat_u, -1.0, np.where(flat_v, su, -su)), np.where(flat_v, -1.0, sv)),
    )
    edges = []
    for i, j in sides:
        eu, ev = i * half_w - u, j * half_d - v
        far = np.maximum(_length(eu, ev), 1e-3)
        beside = np.arctan2(ev, eu) - heading
        edges.append((far, beside, _edge_db(far, beam) + directivity_db(beside, beam)))
    louder = edges[1][2] > edges[0][2]
    edge_m, edge_off, edge_db = (np.where(louder, b, a) for a, b in zip(*edges, strict=True))
    first = margin >= edge_db
    return (
        np.where(first, r, edge_m),
        np.where(first, off, edge_off),
        np.where(first, margin, edge_db),
        np.where(first, edge_m, r),
        np.where(first, edge_db, margin),
    )


def _face_db(inside: Floats, width: Floats, away: Floats) -> Floats:
    """Return the level of a flat face against an endless wall [dB].

    Parameters
    ----------
    inside : array
        How far the foot lies within the nearer end [Fresnel zones].
    width : array
        The face's width [Fresnel zones].
    away : array
        Distance from the face's plane [m]; the face answers before it only.
    """
    level = 20.0 * np.log10(np.minimum(1.0, width))
    level = level - EDGE_FADE_DB * np.minimum(np.maximum(1.0 - inside, 0.0), 1.0) - 12.0 * np.maximum(-inside, 0.0)
    return np.asarray(np.where(away > 0.0, level, -200.0))


def nearest_on_box(shape: Floats, x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Return each box's points nearest to (N,) places, (K, N) each [m]."""
    c, s = np.cos(shape[:, 2:3]), np.sin(shape[:, 2:3])
    dx, dy = x - shape[:, 0:1], y - shape[:, 1:2]
    u = np.clip(c * dx + s * dy, -shape[:, 3:4], shape[:, 3:4])
    v = np.clip(-s * dx + c * dy, -shape[:, 4:5], shape[:, 4:5])
    return shape[:, 0:1] + c * u - s * v, shape[:, 1:2] + s * u + c * v


def _wall_echoes(columns: Columns, at: Rays, beam: Beam, is_rough: bool) -> tuple[Floats, Floats, Floats]:
    turn, c, s, rho, low, high, gain = columns
    away = rho - c * at.x_m - s * at.y_m
    along = -s * at.x_m + c * at.y_m
    r = np.maximum(np.abs(away), 1e-3)
    off = turn + math.pi * (away < 0.0) - at.bearing_rad
    if is_rough:
        return _rough_echoes(columns, beam, r, _wrapped(off), along, away)
    zone = np.sqrt(0.5 * beam.wavelength_m * r)
    level = _common_db(r, beam) + gain + 20.0 * np.log10(np.minimum(1.0, (high - low) / zone))
    inside = np.minimum(along - low, high - along) / zone
    # beyond its end a wall fades on: a hard end would stop the fit from finding it
    level = level - EDGE_FADE_DB * np.minimum(np.maximum(1.0 - inside, 0.0), 1.0) - 12.0 * np.maximum(-inside, 0.0)
    return r, off, level + directivity_db(off, beam)


def _rough_echoes(
    columns: Columns, beam: Beam, r: Floats, off: Floats, along: Floats, away: Floats
) -> tuple[Floats, Floats, Floats]:
    """Return the echoes of walls that scatter: of the patch nearest to the foot that the beam still lights."""
    low, high, gain = columns[4:]
    # angle from the normal to the axis, and to the two ends; a patch is at off - turned from the axis
    toward = np.where(away < 0.0, 1.0, -1.0)
    first, last = np.arctan2((low - along) * -toward, r), np.arctan2((high - along) * -toward, r)
    lower, upper = np.minimum(first, last), np.maximum(first, last)
    axis = np.clip(-off, -1.3, 1.3)
    on_axis = _common_db(r, beam) - 10.0 * np.log10(r) + gain
    reach = 2.6 * np.sqrt(np.maximum(on_axis, 0.0) / 45.0)  # in k a sin(theta), the main lobe taken as a parabola
    width = np.arcsin(np.clip(reach * beam.wavelength_m / (2.0 * math.pi * beam.size_m), 0.0, 1.0))
    turned = np.sign(axis) * np.maximum(0.0, np.abs(axis) - 0.8 * width)
    turned = np.clip(turned, lower, upper)
    slant = r / np.cos(np.clip(turned, -1.4, 1.4))
    best = np.clip(axis, lower, upper)
    level = _common_db(slant, beam) - 10.0 * np.log10(slant) + gain + 20.0 * np.log10(np.cos(best))
    return slant, off, level + directivity_db(off + best, beam)


def heard_share(margin_db: Floats, beam: Beam) -> Floats:
    """Return how often an echo of some margin is heard, 0..1."""
    return np.asarray(logistic(LOGISTIC / beam.soft_db * margin_db))


def heard_first(
    echo_m: Floats, margin_db: Floats, other_m: Floats, other_db: Floats, beam: Beam
) -> tuple[Floats, Floats]:
    """Return how often each of two echoes of one thing is heard before the other, 0..1.

    >>> both = heard_first(np.array(0.3), np.array(50.0), np.array(0.2), np.array(0.0), Beam())
    >>> [round(float(share), 6) for share in both]
    [0.5, 0.5]
    """
    one, two = heard_share(margin_db, beam), heard_share(other_db, beam)
    before = echo_m <= other_m
    return np.where(before, one, one * (1.0 - two)), np.where(before, two * (1.0 - one), two)


def range_density(range_m: Floats, echo_m: Floats, margin_db: Floats, beam: Beam) -> Floats:
    """Return the density [1/m] of hearing `range_m` from an echo at `echo_m`: late when weak, heavy tails, slips."""
    weak = 1.0 - np.minimum(np.maximum(margin_db / FULL_MARGIN_DB, 0.0), 1.0)
    wide = 1.0 / (beam.sigma_m + beam.sigma_share * echo_m)
    t = (range_m - echo_m - beam.late_m * weak) * wide
    slipped = t - beam.slip_m * wide
    sharp = 1.0 / (1.0 + t * t * (1.0 / TAIL_DOF))
    late = 1.0 / (1.0 + slipped * slipped * (1.0 / TAIL_DOF))
    mixed = (1.0 - beam.slip) * sharp * sharp * sharp + beam.slip * late * late * late
    return np.asarray(TAIL_NORM * wide * mixed)

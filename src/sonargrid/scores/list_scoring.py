"""A list of found things against what truly stands there: who matches whom, and how far off.

Floor axes [m], bearings [rad].  Every listed thing that matches nothing is false, also outside the walls; walls are
told apart from the things that `count` counts.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.finding.things import Object
from sonargrid.physics.geometry import foot_on_segment, wrap
from sonargrid.scores.measures import Decisions
from sonargrid.scores.truth import places
from sonargrid.simulation.scene import Scene, SceneBox, ScenePost

MATCH_M, CLOSE_M = 0.10, 0.05
ELLIPSE_95 = 5.991464547107979  # chi-square of two degrees of freedom at 95 %: -2 ln 0.05
WALL_OFF_M, WALL_TURN_RAD = 0.05, math.radians(10.0)


@dataclass(frozen=True, slots=True)
class TrueThing:
    """A thing that counts: its name in the scene, centre, and the faces and circle that bound it."""

    name: str
    x_m: float
    y_m: float
    radius_m: float = 0.0
    faces: tuple[tuple[float, float, float, float], ...] = ()

    def near_m(self, x: float, y: float) -> float:
        """Return the distance from a place to the thing's near face [m]."""
        if not self.faces:
            return math.hypot(self.x_m - x, self.y_m - y) - self.radius_m
        feet = [foot_on_segment(x, y, *face) for face in self.faces]
        return min(math.hypot(float(fx) - x, float(fy) - y) for fx, fy, _ in feet)


@dataclass(frozen=True, slots=True)
class Match:
    """One listed thing and the true one it stands for: errors of centre, near face, bearing; inside its ellipse?"""

    listed: int
    thing: str
    centre_m: float
    near_m: float
    bearing_rad: float
    inside: bool


@dataclass(frozen=True, slots=True)
class ListScore:
    """A list of things against the truth; see the module's header.

    things, listed : how many should be found, how many were listed
    close : matches within 5 cm
    unexpected : matches of things that were not asked for (heard by nobody): neither right nor false
    claims : (confidence, whether something is there) of every listed thing
    walls_true, walls_listed, walls_right : straight faces of 0.45 m and more
    """

    things: int
    listed: int
    decisions: Decisions
    close: int
    unexpected: int
    matches: tuple[Match, ...]
    claims: tuple[tuple[float, bool], ...]
    walls_true: int
    walls_listed: int
    walls_right: int
    outside_walls: int

    @property
    def exact(self) -> bool:
        """Whether the count is right."""
        return self.listed - self.unexpected == self.things

    @property
    def perfect(self) -> bool:
        """Whether the count is right and everything matches within 10 cm."""
        return self.exact and self.decisions.missed == 0

    @property
    def perfect_close(self) -> bool:
        """Whether the count is right and everything matches within 5 cm."""
        return self.exact and self.close == self.things

    def as_dict(self) -> dict[str, object]:
        """Return all figures under plain names; None where there is nothing to tell."""
        centre = np.array([m.centre_m for m in self.matches])
        near = np.array([m.near_m for m in self.matches])
        bearing = np.degrees(np.abs([m.bearing_rad for m in self.matches]))
        return {
            "things": self.things,
            "listed": self.listed,
            "count_exact": self.exact,
            "perfect_10cm": self.perfect,
            "perfect_5cm": self.perfect_close,
            "matched_10cm": self.decisions.right,
            "matched_5cm": self.close,
            "false": self.decisions.wrong,
            "false_outside_walls": self.outside_walls,
            "precision": none_if_nan(self.decisions.precision),
            "recall": none_if_nan(self.decisions.recall),
            "centre_median_m": median(centre),
            "centre_rms_m": rms(centre),
            "near_face_rms_m": rms(near),
            "near_face_mean_m": none_if_nan(float(near.mean())) if near.size else None,
            "bearing_median_deg": median(bearing),
            "bearing_rms_deg": rms(bearing),
            "inside_95_ellipse": float(np.mean([m.inside for m in self.matches])) if self.matches else None,
            "walls": self.walls_true,
            "walls_listed": self.walls_listed,
            "walls_right": self.walls_right,
        }


def none_if_nan(value: float) -> float | None:
    """Return a number, or None for nan: JSON has no nan."""
    return None if math.isnan(value) else value


def median(values: Floats) -> float | None:
    """Return the median; None of nothing."""
    return float(np.median(values)) if values.size else None


def rms(values: Floats) -> float | None:
    """Return the root of the mean square; None of nothing."""
    return float(np.sqrt(np.mean(values**2))) if values.size else None


def true_things(scene: Scene) -> tuple[TrueThing, ...]:
    """Return the posts and boxes of a scene, which are the things that count."""
    found = [_post(f"post {i + 1}", post) for i, post in enumerate(scene.posts)]
    return (*found, *(_box(f"box {i + 1}", box) for i, box in enumerate(scene.boxes)))


def _post(name: str, post: ScenePost) -> TrueThing:
    return TrueThing(name, post.x_m, post.y_m, 0.5 * post.diameter_m)


def _box(name: str, box: SceneBox) -> TrueThing:
    c = box.corners_m()
    return TrueThing(name, box.x_m, box.y_m, faces=tuple((*c[i], *c[(i + 1) % 4]) for i in range(4)))


def _pairs(listed: Sequence[Object], things: Sequence[TrueThing], gate_m: float) -> list[tuple[int, int]]:
    """Return (listed, true) pairs nearer than the gate: as many as possible, then as near as possible."""
    from scipy.optimize import linear_sum_assignment  # costs start-up time that maps need not pay

    if not listed or not things:
        return []
    a = np.array([(o.x_m, o.y_m) for o in listed])
    b = np.array([(t.x_m, t.y_m) for t in things])
    distance = np.hypot(a[:, None, 0] - b[None, :, 0], a[:, None, 1] - b[None, :, 1])
    # one pair more is worth more than any saving in distance
    far = (1.0 + min(len(a), len(b))) * gate_m
    rows, columns = linear_sum_assignment(np.where(distance <= gate_m, distance, far))
    return [(int(i), int(j)) for i, j in zip(rows, columns, strict=True) if distance[i, j] <= gate_m]


def _match(number: int, one: Object, thing: TrueThing, axes: tuple[Floats, Floats]) -> Match:
    dx, dy = one.x_m - thing.x_m, one.y_m - thing.y_m
    nearest = int(np.argmin(np.hypot(axes[0] - one.x_m, axes[1] - one.y_m)))
    x, y = float(axes[0][nearest]), float(axes[1][nearest])
    bearing = float(wrap(one.bearing_rad - math.atan2(thing.y_m - y, thing.x_m - x)))
    sx, sy, r = one.x_sigma_m, one.y_sigma_m, one.xy_correlation
    free = 1.0 - r * r
    if sx > 0.0 and sy > 0.0 and free > 0.0:
        u, v = dx / sx, dy / sy
        inside = (u * u - 2.0 * r * u * v + v * v) / free <= ELLIPSE_95
    else:
        inside = False
    return Match(number, thing.name, math.hypot(dx, dy), one.nearest_m - thing.near_m(x, y), bearing, inside)


def _inside_walls(scene: Scene, one: Object) -> bool:
    """Return whether a listed thing lies inside the hull of the walls and stations (True where there are no walls)."""
    if len(scene.walls) < 3:
        return True
    from scipy.spatial import Delaunay

    corners = [(w.x1_m, w.y1_m) for w in scene.walls] + [(w.x2_m, w.y2_m) for w in scene.walls]
    corners += [(s.x_m, s.y_m) for s in scene.stations]
    return bool(Delaunay(np.array(corners)).find_simplex(np.array([[one.x_m, one.y_m]]))[0] >= 0)


def _walls_right(scene: Scene, walls: Sequence[Object]) -> int:
    """Return how many listed walls lie along a true wall: middle within 5 cm of it, direction within 10 degrees."""
    right = 0
    for one in walls:
        for w in scene.walls:
            fx, fy, _ = foot_on_segment(one.x_m, one.y_m, w.x1_m, w.y1_m, w.x2_m, w.y2_m)
            direction = math.atan2(w.y2_m - w.y1_m, w.x2_m - w.x1_m)
            turn = abs(math.remainder(one.heading_rad - direction, math.pi))
            if math.hypot(float(fx) - one.x_m, float(fy) - one.y_m) <= WALL_OFF_M and turn <= WALL_TURN_RAD:
                right += 1
                break
    return right


def score_list(objects: Sequence[Object], scene: Scene, only: Collection[str] | None = None) -> ListScore:
    """Return how a list of things fares against a scene.

    Parameters
    ----------
    objects : sequence of Object
        What was listed; walls and corners are looked at apart.
    scene : Scene
        What stands there.
    only : names, optional
        Things (``post 1``, ``box 2``) that could be heard; listing another true one is neither right nor false.
    """
    listed = [one for one in objects if one.counted]
    walls = [one for one in objects if one.kind == "wall"]
    things = true_things(scene)
    wanted = {t.name for t in things} if only is None else {t.name for t in things if t.name in only}
    pairs = _pairs(listed, things, MATCH_M)
    asked = [(i, j) for i, j in pairs if things[j].name in wanted]
    axes = places(scene)
    matches = tuple(_match(i, listed[i], things[j], axes) for i, j in asked)
    there = {i for i, _ in pairs}
    close = sum(1 for _, j in _pairs(listed, things, CLOSE_M) if things[j].name in wanted)
    false = [one for i, one in enumerate(listed) if i not in there]
    return ListScore(
        things=len(wanted),
        listed=len(listed),
        decisions=Decisions(len(asked), len(false), len(wanted) - len(asked)),
        close=close,
        unexpected=len(pairs) - len(asked),
        matches=matches,
        claims=tuple((one.confidence, i in there) for i, one in enumerate(listed)),
        walls_true=len(scene.walls),
        walls_listed=len(walls),
        walls_right=_walls_right(scene, walls),
        outside_walls=sum(1 for one in false if not _inside_walls(scene, one)),
    )

"""What can answer in a simulated room, seen from a place: range, bearing and level of each echo, beam left out.

Levels are dB relative to a smooth wall square on at 1 m (`echo_physics`).  Floor axes [m, rad].

    wall   : a smooth face, from the foot of the perpendicular if it lies on the face and is in sight
    again  : the same sound, sent back by the robot and by the wall once more, at twice the range
    post   : its near face
    corner : a square inner corner, at the corner's range (double bounce)
    edge, end : outer edges and free ends, weak
    patch  : 5 cm of a rough wall, scattering everywhere
    ghost  : a post seen in a smooth wall, by the mirror both ways or one way
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Bools, Floats
from sonargrid.simulation.echo_physics import (
    AGAIN_DB,
    BOTH_WAYS_ROUND_DB,
    CORNER_DB,
    MIRROR_DB,
    end_loss_db,
    post_db,
    scatter_db,
    spreading_db,
)
from sonargrid.simulation.scene import Scene, ScenePost, SceneWall

CORNER_TOLERANCE = np.radians(8.0)  # inner angles this far from 90 degrees still send sound back; from memory
STRAIGHT = np.sin(np.radians(15.0))  # joints of faces flatter than this are no edges
PATCH_M = 0.05
BLOCKING_SHARE = 0.8  # share of a post's radius that really blocks sound that grazes it; from memory
JOINT_M = 0.01  # ends so near each other, or a face, touch


@dataclass(frozen=True, slots=True)
class RoomEchoes:
    """Echoes from (P,) places off (R,) reflectors, arrays (P, R); level -inf = cannot answer.

    bearing_rad : where the sound goes out; back_rad : where it comes back from (differs for some ghosts)
    lean_rad : (R,) how far out of the floor's plane the reflector sends it
    kind, thing : (R,) see the module's header; the names of `Scene.things`
    """

    range_m: Floats
    bearing_rad: Floats
    level_db: Floats
    back_rad: Floats
    lean_rad: Floats
    kind: tuple[str, ...]
    thing: tuple[str, ...]

    def at(self, first: int, last: int) -> RoomEchoes:
        """Return the echoes at places `first` up to, not including, `last`, without those that no such place hears."""
        level = self.level_db[first:last]
        keep = np.flatnonzero(np.isfinite(level).any(axis=0))
        return RoomEchoes(
            range_m=self.range_m[first:last, keep],
            bearing_rad=self.bearing_rad[first:last, keep],
            level_db=level[:, keep],
            back_rad=self.back_rad[first:last, keep],
            lean_rad=self.lean_rad[keep],
            kind=tuple(self.kind[i] for i in keep),
            thing=tuple(self.thing[i] for i in keep),
        )


@dataclass(frozen=True, slots=True)
class _Part:
    """Echoes of one kind, arrays (P, R)."""

    range_m: Floats
    bearing_rad: Floats
    level_db: Floats
    thing: tuple[str, ...]
    back_rad: Floats | None = None
    lean_rad: Floats | None = None


@dataclass(frozen=True, slots=True)
class _Room:
    """A scene with what is asked of it again and again."""

    scene: Scene
    segments: Floats
    owners: tuple[str, ...]  # thing of each segment
    x: Floats  # (P, 1)
    y: Floats
    wavelength_m: float
    alpha: float


def crosses(ax: Floats, ay: Floats, bx: Floats, by: Floats, segments: Floats) -> Bools:
    """Return whether the ways from a to b cross any of the (S, 4) segments; shapes of a and b broadcast."""
    hit = np.zeros(np.broadcast_shapes(ax.shape, bx.shape), dtype=bool)
    dx, dy = bx - ax, by - ay
    for x1, y1, x2, y2 in segments:
        ex, ey = x2 - x1, y2 - y1
        across = dx * ey - dy * ex
        safe = np.where(np.abs(across) > 1e-15, across, 1.0)
        t = ((x1 - ax) * ey - (y1 - ay) * ex) / safe
        u = ((x1 - ax) * dy - (y1 - ay) * dx) / safe
        # touching at the far end is the reflector itself
        hit |= (np.abs(across) > 1e-15) & (t > 1e-6) & (t < 1.0 - 1e-6) & (u > -1e-9) & (u < 1.0 + 1e-9)
    return hit


def passes_posts(ax: Floats, ay: Floats, bx: Floats, by: Floats, scene: Scene) -> Bools:
    """Return whether the ways from a to b run through a post other than one that b itself lies on."""
    hit = np.zeros(np.broadcast_shapes(ax.shape, bx.shape), dtype=bool)
    dx, dy = bx - ax, by - ay
    length2 = np.maximum(dx * dx + dy * dy, 1e-12)
    for post in scene.posts:
        radius = 0.5 * post.diameter_m
        nearest = ((post.x_m - ax) * dx + (post.y_m - ay) * dy) / length2
        own = np.abs(np.hypot(bx - post.x_m, by - post.y_m) - radius) < 1e-6
        if post.half:
            hit |= ~own & _enters_round_side(post, nearest, ax, ay, dx, dy, length2)
            continue
        t = np.clip(nearest, 0.0, 1.0)
        away = np.hypot(ax + t * dx - post.x_m, ay + t * dy - post.y_m)
        hit |= (away < BLOCKING_SHARE * radius) & ~own
    return hit


def _enters_round_side(
    post: ScenePost, nearest: Floats, ax: Floats, ay: Floats, dx: Floats, dy: Floats, length2: Floats
) -> Bools:
    """Return whether ways cross the round side of a half post; its flat back is among the segments."""
    away2 = (ax + nearest * dx - post.x_m) ** 2 + (ay + nearest * dy - post.y_m) ** 2
    half_chord2 = ((BLOCKING_SHARE * 0.5 * post.diameter_m) ** 2 - away2) / length2
    hit = np.zeros(np.broadcast_shapes(ax.shape, nearest.shape), dtype=bool)
    for sign in (-1.0, 1.0):
        t = nearest + sign * np.sqrt(np.maximum(half_chord2, 0.0))
        nx, ny = ax + t * dx - post.x_m, ay + t * dy - post.y_m
        front = nx * np.cos(post.heading_rad) + ny * np.sin(post.heading_rad) > 1e-6
        hit |= (half_chord2 > 0.0) & (t > 0.0) & (t < 1.0 - 1e-6) & front
    return hit


def _in_sight(scene: Scene, segments: Floats, ax: Floats, ay: Floats, bx: Floats, by: Floats) -> Bools:
    return ~(crosses(ax, ay, bx, by, segments) | passes_posts(ax, ay, bx, by, scene))


def _towards(room: _Room, px: Floats, py: Floats) -> tuple[Floats, Floats, Bools]:
    """Return range, bearing and sight of (R,) points, stopping just short of them: their own faces end there."""
    dx, dy = px - room.x, py - room.y
    r = np.maximum(np.hypot(dx, dy), 1e-3)
    sight = _in_sight(room.scene, room.segments, room.x, room.y, px - 1e-4 * dx / r, py - 1e-4 * dy / r)
    return r, np.arctan2(dy, dx), sight


def _faces(room: _Room) -> _Part:
    """Smooth faces: foot of the perpendicular, weaker towards the ends."""
    walls, rest = room.scene.walls, len(room.segments) - len(room.scene.walls)
    smooth = np.array([w.surface == "smooth" for w in walls] + [True] * rest, dtype=bool)
    lean = np.array([w.lean_rad for w in walls] + [0.0] * rest)[smooth]
    x1, y1, x2, y2 = room.segments[smooth].T
    length = np.hypot(x2 - x1, y2 - y1)
    ux, uy = (x2 - x1) / length, (y2 - y1) / length
    along = (room.x - x1) * ux + (room.y - y1) * uy
    fx, fy = x1 + along * ux, y1 + along * uy
    r = np.maximum(np.hypot(fx - room.x, fy - room.y) * np.cos(lean), 1e-3)
    level = spreading_db(r, room.alpha)
    level = level + end_loss_db(np.minimum(along, length - along), length, r, room.wavelength_m)
    sight = _in_sight(room.scene, room.segments, room.x, room.y, fx, fy)
    owners = tuple(owner for owner, keep in zip(room.owners, smooth, strict=True) if keep)
    bearing = np.arctan2(fy - room.y, fx - room.x)
    return _Part(r, bearing, np.where(sight, level, -np.inf), owners, lean_rad=lean)


def _again(room: _Room, faces: _Part) -> _Part:
    twice = 2.0 * faces.range_m
    fade = spreading_db(twice, room.alpha) - spreading_db(faces.range_m, room.alpha) + AGAIN_DB
    return _Part(twice, faces.bearing_rad, faces.level_db + fade, faces.thing, lean_rad=faces.lean_rad)


def _looks_at(post: ScenePost, away_x: Floats, away_y: Floats) -> Bools:
    """Return whether a point of a post in a direction from its middle is there (half posts lack the other half)."""
    if not post.half:
        return np.ones(np.shape(away_x), dtype=bool)
    return np.asarray(away_x * np.cos(post.heading_rad) + away_y * np.sin(post.heading_rad) >= 0.0)


def _posts(room: _Room) -> _Part:
    posts = room.scene.posts
    px, py, d = np.array([(p.x_m, p.y_m, p.diameter_m) for p in posts], dtype=np.float64).reshape(-1, 3).T
    a = 0.5 * d
    centre, bearing = np.hypot(px - room.x, py - room.y), np.arctan2(py - room.y, px - room.x)
    r = np.maximum(centre - a, 1e-3)
    nx, ny = np.cos(bearing), np.sin(bearing)
    seen = (centre > a) & _in_sight(room.scene, room.segments, room.x, room.y, px - a * nx, py - a * ny)
    for column, post in enumerate(posts):
        seen[:, column] &= _looks_at(post, -nx[:, column], -ny[:, column])
    names = tuple(f"post {i + 1}" for i in range(len(posts)))
    return _Part(r, bearing, np.where(seen, post_db(r, a, room.alpha), -np.inf), names)


def corner_points(segments: Floats) -> tuple[Floats, list[int]]:
    """Return (n, 7) joints of two faces and the first face of each.

    Columns: x, y, the directions (ux, uy, vx, vy) away along both faces, and 1 where both faces end there, 0 where one
    ends in the middle of the other.
    """
    rows: list[list[float]] = []
    faces: list[int] = []
    for i, one in enumerate(segments):
        for j, other in enumerate(segments):
            for a in (0, 2):
                p, u = one[a : a + 2], one[2 - a : 4 - a] - one[a : a + 2]
                ends = [v for b in (0, 2) if np.hypot(*(other[b : b + 2] - p)) < JOINT_M for v in [_away(other, b)]]
                if j > i:
                    rows += [[*p, *(u / np.hypot(*u)), *v, 1.0] for v in ends]
                    faces += [i] * len(ends)
                if j != i and not ends and _on_face(other, p):
                    rows += [[*p, *(u / np.hypot(*u)), *_away(other, b), 0.0] for b in (0, 2)]
                    faces += [i, i]
    return np.array(rows, dtype=np.float64).reshape(-1, 7), faces


def _away(segment: Floats, end: int) -> Floats:
    """Return the unit direction from one end (0 or 2) of a segment along it."""
    v = segment[2 - end : 4 - end] - segment[end : end + 2]
    return np.asarray(v / np.hypot(*v))


def _on_face(segment: Floats, point: Floats) -> bool:
    ux, uy = _away(segment, 0)
    dx, dy = point - segment[:2]
    along, off = dx * ux + dy * uy, abs(dy * ux - dx * uy)
    return bool(off < JOINT_M and 0.0 < along < np.hypot(*(segment[2:] - segment[:2])))


def _corners(room: _Room, corners: Floats, faces: list[int]) -> tuple[_Part, _Part]:
    """Inner corners answer strongly when they are square; outer ones are edges."""
    cx, cy, ux, uy, vx, vy, both_end = corners.T
    dx, dy = room.x - cx, room.y - cy
    # inside the angle of the two faces: both coordinates along (u, v) above 0
    det = ux * vy - uy * vx
    safe = np.where(np.abs(det) > 1e-9, det, 1.0)
    along_u, along_v = (dx * vy - dy * vx) / safe, (ux * dy - uy * dx) / safe
    inside = (np.abs(det) > 1e-9) & (along_u > 0.0) & (along_v > 0.0)
    square = np.abs(np.arccos(np.clip(ux * vx + uy * vy, -1.0, 1.0)) - np.pi / 2) < CORNER_TOLERANCE
    flat = (np.abs(det) < STRAIGHT) & (ux * vx + uy * vy < 0.0)
    r, bearing, sight = _towards(room, cx, cy)
    inner = np.where(inside & square & sight, spreading_db(r, room.alpha) + CORNER_DB, -np.inf)
    is_edge = ~inside & ~flat & (both_end > 0.0) & sight
    outer = np.where(is_edge, scatter_db(r, room.scene.noise.edge_db, room.alpha), -np.inf)
    names = tuple(room.owners[i] for i in faces)
    return _Part(r, bearing, inner, names), _Part(r, bearing, outer, names)


def _free_ends(room: _Room, corners: Floats) -> _Part:
    ends, owners = room.segments.reshape(-1, 2), np.repeat(np.arange(len(room.owners)), 2)
    if len(corners) and len(ends):
        apart = np.hypot(ends[:, None, 0] - corners[None, :, 0], ends[:, None, 1] - corners[None, :, 1])
        free = apart.min(axis=1) > JOINT_M
        ends, owners = ends[free], owners[free]
    r, bearing, sight = _towards(room, ends[:, 0], ends[:, 1])
    level = np.where(sight, scatter_db(r, room.scene.noise.edge_db, room.alpha), -np.inf)
    return _Part(r, bearing, level, tuple(room.owners[i] for i in owners))


def _patches(room: _Room) -> _Part:
    points, names = [np.zeros((4, 0))], []
    for number, wall in enumerate(room.scene.walls):
        if wall.surface == "rough":
            nx, ny, length = _normal(wall)
            count = max(1, round(length / PATCH_M))
            t = (np.arange(count) + 0.5) / count
            px, py = wall.x1_m + t * (wall.x2_m - wall.x1_m), wall.y1_m + t * (wall.y2_m - wall.y1_m)
            points.append(np.stack([px, py, np.full(count, nx), np.full(count, ny)]))
            names += [f"wall {number + 1}"] * count
    px, py, nx, ny = np.concatenate(points, axis=1)
    r, bearing, sight = _towards(room, px, py)
    cosine = np.abs(np.cos(bearing) * nx + np.sin(bearing) * ny)
    level = scatter_db(r, room.scene.noise.patch_db, room.alpha) + 20.0 * np.log10(np.maximum(cosine, 1e-3))
    return _Part(r, bearing, np.where(sight, level, -np.inf), tuple(names))


def _normal(wall: SceneWall) -> tuple[float, float, float]:
    """Return a wall's unit normal (left of its direction) and its length [m]."""
    dx, dy = wall.x2_m - wall.x1_m, wall.y2_m - wall.y1_m
    length = float(np.hypot(dx, dy))
    return -dy / length, dx / length, length


def _ghosts(room: _Room) -> list[_Part]:
    """Posts seen in smooth walls."""
    mirrors = [(i, wall) for i, wall in enumerate(room.scene.walls) if wall.surface == "smooth"]
    pairs = [(i, wall, k) for i, wall in mirrors for k in range(len(room.scene.posts))]
    return [part for i, wall, k in pairs for part in _ghost(room, i, wall, k)]


def _ghost(room: _Room, number: int, wall: SceneWall, which: int) -> tuple[_Part, _Part]:
    """One post in one wall: over the wall both ways, as if it stood behind the wall; and out over it, straight back."""
    scene, x, y, post = room.scene, room.x, room.y, room.scene.posts[which]
    own, others = room.segments[number : number + 1], np.delete(room.segments, number, axis=0)
    nx, ny, _ = _normal(wall)
    away = (post.x_m - wall.x1_m) * nx + (post.y_m - wall.y1_m) * ny
    ix, iy = post.x_m - 2.0 * away * nx, post.y_m - 2.0 * away * ny
    side = (x - wall.x1_m) * nx + (y - wall.y1_m) * ny
    t = side / np.where(np.abs(side + away) > 1e-9, side + away, 1.0)  # where the way meets the wall
    wx, wy = x + t * (ix - x), y + t * (iy - y)
    on_wall = crosses(x, y, np.asarray(ix + 0.0 * x), np.asarray(iy + 0.0 * y), own) & (side * away > 0.0)
    on_wall &= _in_sight(scene, others, x, y, wx, wy)
    a, image = 0.5 * post.diameter_m, np.hypot(ix - x, iy - y)
    direct = np.maximum(np.hypot(post.x_m - x, post.y_m - y), 1e-6)
    back = np.maximum(np.hypot(post.x_m - wx, post.y_m - wy), 1e-6)
    from_wall = (wx - post.x_m) / back, (wy - post.y_m) / back
    half_way = from_wall[0] + (x - post.x_m) / direct, from_wall[1] + (y - post.y_m) / direct
    opening = np.maximum(np.hypot(*half_way), 1e-6)  # 2 cos of half the angle between the ways
    bend = half_way[0] / opening, half_way[1] / opening

    def seen(towards: tuple[Floats, Floats], straight: bool) -> Bools:
        bx, by = post.x_m + a * towards[0], post.y_m + a * towards[1]
        clear = on_wall & _in_sight(scene, others, wx, wy, bx, by) & _looks_at(post, *towards)
        return clear & _in_sight(scene, room.segments, x, y, bx, by) if straight else clear

    name, bearing = (f"post {which + 1}",), np.arctan2(iy - y, ix - x)
    twice = np.maximum(image - a, 1e-3)
    once = np.maximum(0.5 * (image + direct - a * opening), 1e-3)
    level = np.where(seen(from_wall, False), post_db(twice, a, room.alpha) + MIRROR_DB, -np.inf)
    bent = np.where(seen(bend, True), post_db(once, a, room.alpha) + MIRROR_DB + BOTH_WAYS_ROUND_DB, -np.inf)
    straight_back = np.arctan2(post.y_m - y, post.x_m - x)
    return _Part(twice, bearing, level, name), _Part(once, bearing, bent, name, straight_back)


def _owners(scene: Scene) -> tuple[str, ...]:
    walls = [f"wall {i + 1}" for i in range(len(scene.walls))]
    boxes = [f"box {i + 1}" for i in range(len(scene.boxes)) for _ in range(4)]
    return (*walls, *boxes, *(f"post {i + 1}" for i, post in enumerate(scene.posts) if post.half))


def room_echoes(scene: Scene, x_m: Floats, y_m: Floats, wavelength_m: float, absorption_db_m: float) -> RoomEchoes:
    """Return every echo that a scene can send to (P,) places [m], (P, R) each.

    Parameters
    ----------
    scene : Scene
        The room.
    x_m, y_m : (P,) arrays
        Places of the ranger's face [m].
    wavelength_m : float
        Of the sound [m].
    absorption_db_m : float
        One way, in the air [dB/m].

    Examples
    --------
    >>> from sonargrid.runs.readings import Station
    >>> one = Scene((Station("A"),), posts=(ScenePost(0.0, 1.05, 0.1),))
    >>> heard = room_echoes(one, np.zeros(1), np.zeros(1), 0.00858, 1.3)
    >>> round(float(heard.range_m[0, 0]), 6), round(float(heard.level_db[0, 0]), 2)
    (1.0, -13.22)
    """
    x, y = np.asarray(x_m, dtype=np.float64)[:, None], np.asarray(y_m, dtype=np.float64)[:, None]
    room = _Room(scene, scene.segments(), _owners(scene), x, y, wavelength_m, absorption_db_m)
    corners, corner_faces = corner_points(room.segments)
    walls = _faces(room)
    inner, outer = _corners(room, corners, corner_faces)
    parts = [("wall", walls), ("post", _posts(room)), ("corner", inner), ("edge", outer)]
    parts += [("end", _free_ends(room, corners)), ("patch", _patches(room))]
    if scene.noise.double_bounce:
        parts.append(("again", _again(room, walls)))
    if scene.noise.ghosts:
        parts += [("ghost", part) for part in _ghosts(room)]
    back = [p.bearing_rad if p.back_rad is None else p.back_rad for _, p in parts]
    lean = [np.zeros(p.range_m.shape[1]) if p.lean_rad is None else p.lean_rad for _, p in parts]
    return RoomEchoes(
        range_m=np.concatenate([p.range_m for _, p in parts], axis=1),
        bearing_rad=np.concatenate([p.bearing_rad for _, p in parts], axis=1),
        level_db=np.concatenate([p.level_db for _, p in parts], axis=1),
        back_rad=np.concatenate(back, axis=1),
        lean_rad=np.concatenate(lean),
        kind=tuple(kind for kind, p in parts for _ in p.thing),
        thing=tuple(name for _, p in parts for name in p.thing),
    )

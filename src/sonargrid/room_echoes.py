"""What can answer in a simulated room, seen from a place: range, bearing and level of each echo, beam left out.

Levels are dB relative to a smooth wall square on at 1 m.  Floor axes [m, rad].  The formulas are the simulator's own
and are shared with no beam model of the mapper, so that agreement between the two means something.

    smooth wall : -20 log r, from the foot of the perpendicular; Fresnel roll-off at its ends
    post        : the wall's level + 10 log(a / (a + r)), r to its near face
    inner corner: the wall's level - 1 dB, at the corner's range (double bounce)
    outer edge  : weak, cylindrical spreading
    rough wall  : patches that scatter everywhere
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Bools, Floats
from sonargrid.scene import Scene

CORNER_DB = -1.0  # two reflections instead of one; from memory
CORNER_TOLERANCE = np.radians(8.0)  # inner angles this far from 90 degrees still send sound back; from memory
PATCH_M = 0.05
BLOCKING_SHARE = 0.8  # share of a post's radius that really blocks sound that grazes it; from memory
MIRROR_DB = -1.0  # loss at the mirroring wall; from memory


@dataclass(frozen=True, slots=True)
class RoomEchoes:
    """Echoes from (P,) places off (R,) reflectors, each array (P, R); level -inf = cannot answer."""

    range_m: Floats
    bearing_rad: Floats
    level_db: Floats
    kind: tuple[str, ...]


def _spreading(r: Floats, absorption_db_m: float) -> Floats:
    return np.asarray(-20.0 * np.log10(r) - 2.0 * absorption_db_m * (r - 1.0))


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
        t = np.clip(((post.x_m - ax) * dx + (post.y_m - ay) * dy) / length2, 0.0, 1.0)
        away = np.hypot(ax + t * dx - post.x_m, ay + t * dy - post.y_m)
        own = np.abs(np.hypot(bx - post.x_m, by - post.y_m) - radius) < 1e-6
        hit |= (away < BLOCKING_SHARE * radius) & ~own
    return hit


def _in_sight(scene: Scene, segments: Floats, ax: Floats, ay: Floats, bx: Floats, by: Floats) -> Bools:
    return ~(crosses(ax, ay, bx, by, segments) | passes_posts(ax, ay, bx, by, scene))


def _faces(scene: Scene, segments: Floats, x: Floats, y: Floats, wavelength_m: float, alpha: float) -> list[Floats]:
    """Smooth faces: foot of the perpendicular, weaker towards the ends (half the amplitude at an end itself)."""
    smooth = np.array([w.surface == "smooth" for w in scene.walls] + [True] * (4 * len(scene.boxes)), dtype=bool)
    x1, y1, x2, y2 = segments[smooth].T
    length = np.hypot(x2 - x1, y2 - y1)
    ux, uy = (x2 - x1) / length, (y2 - y1) / length
    along = (x - x1) * ux + (y - y1) * uy
    fx, fy = x1 + along * ux, y1 + along * uy
    r = np.maximum(np.hypot(fx - x, fy - y), 1e-3)
    zone = np.sqrt(wavelength_m * r / 2.0)
    inside = np.minimum(along, length - along) / zone  # in Fresnel zones from the nearer end
    level = _spreading(r, alpha) - 6.0 * np.clip(1.0 - inside, 0.0, 1.0)
    # a face narrower than its zone sends back only its share
    level = level + 20.0 * np.log10(np.minimum(1.0, length / zone))
    seen = (inside >= 0.0) & _in_sight(scene, segments, x, y, fx, fy)
    return [r, np.arctan2(fy - y, fx - x), np.where(seen, level, -np.inf)]


def _posts(scene: Scene, segments: Floats, x: Floats, y: Floats, alpha: float) -> list[Floats]:
    px, py, d = np.array([(p.x_m, p.y_m, p.diameter_m) for p in scene.posts], dtype=np.float64).reshape(-1, 3).T
    a = 0.5 * d
    centre, bearing = np.hypot(px - x, py - y), np.arctan2(py - y, px - x)
    r = np.maximum(centre - a, 1e-3)
    level = _spreading(r, alpha) + 10.0 * np.log10(a / (a + r))
    seen = (centre > a) & _in_sight(scene, segments, x, y, px - a * np.cos(bearing), py - a * np.sin(bearing))
    return [r, bearing, np.where(seen, level, -np.inf)]


def corner_points(segments: Floats) -> Floats:
    """Return (n, 6) places where two faces meet: x, y and the directions (ux, uy, vx, vy) away along both faces."""
    rows = []
    for i in range(len(segments)):
        for j in range(i + 1, len(segments)):
            for a in (0, 2):
                for b in (0, 2):
                    p, q = segments[i, a : a + 2], segments[j, b : b + 2]
                    if np.hypot(*(p - q)) < 0.01:
                        u, v = segments[i, 2 - a : 4 - a] - p, segments[j, 2 - b : 4 - b] - q
                        rows.append([*p, *(u / np.hypot(*u)), *(v / np.hypot(*v))])
    return np.array(rows, dtype=np.float64).reshape(-1, 6)


def _corners(
    scene: Scene, segments: Floats, corners: Floats, x: Floats, y: Floats, alpha: float
) -> tuple[list[Floats], list[Floats]]:
    """Inner corners answer strongly when they are square; outer ones (and nearly straight joints) are edges."""
    cx, cy, ux, uy, vx, vy = corners.T
    dx, dy = x - cx, y - cy
    # inside the angle of the two faces: both coordinates along (u, v) above 0
    det = ux * vy - uy * vx
    safe = np.where(np.abs(det) > 1e-9, det, 1.0)
    along_u, along_v = (dx * vy - dy * vx) / safe, (ux * dy - uy * dx) / safe
    inside = (np.abs(det) > 1e-9) & (along_u > 0.0) & (along_v > 0.0)
    square = np.abs(np.arccos(np.clip(ux * vx + uy * vy, -1.0, 1.0)) - np.pi / 2) < CORNER_TOLERANCE
    r = np.maximum(np.hypot(dx, dy), 1e-3)
    bearing = np.arctan2(-dy, -dx)
    # stop just short of the point: its own two faces end there
    sight = _in_sight(scene, segments, x, y, cx + 1e-4 * dx / r, cy + 1e-4 * dy / r)
    inner = np.where(inside & square & sight, _spreading(r, alpha) + CORNER_DB, -np.inf)
    outer = np.where(~inside & sight, scene.noise.edge_db + 1.5 * _spreading(r, alpha), -np.inf)
    return [r, bearing, inner], [r, bearing, outer]


def _free_ends(scene: Scene, segments: Floats, corners: Floats, x: Floats, y: Floats, alpha: float) -> list[Floats]:
    ends = segments.reshape(-1, 2)
    if len(corners) and len(ends):
        apart = np.hypot(ends[:, None, 0] - corners[None, :, 0], ends[:, None, 1] - corners[None, :, 1])
        ends = ends[apart.min(axis=1) > 0.01]
    ex, ey = ends.T
    r = np.maximum(np.hypot(ex - x, ey - y), 1e-3)
    sight = _in_sight(scene, segments, x, y, ex + 1e-4 * (x - ex) / r, ey + 1e-4 * (y - ey) / r)
    return [r, np.arctan2(ey - y, ex - x), np.where(sight, scene.noise.edge_db + 1.5 * _spreading(r, alpha), -np.inf)]


def _patches(scene: Scene, segments: Floats, x: Floats, y: Floats, alpha: float) -> list[Floats]:
    points = []
    for wall in scene.walls:
        if wall.surface == "rough":
            length = np.hypot(wall.x2_m - wall.x1_m, wall.y2_m - wall.y1_m)
            count = max(1, round(length / PATCH_M))
            t = (np.arange(count) + 0.5) / count
            nx, ny = -(wall.y2_m - wall.y1_m) / length, (wall.x2_m - wall.x1_m) / length
            px, py = wall.x1_m + t * (wall.x2_m - wall.x1_m), wall.y1_m + t * (wall.y2_m - wall.y1_m)
            points.append(np.stack([px, py, np.full(count, nx), np.full(count, ny)], axis=1))
    px, py, nx, ny = (np.concatenate(points) if points else np.zeros((0, 4))).T
    r = np.maximum(np.hypot(px - x, py - y), 1e-3)
    cosine = np.abs((px - x) * nx + (py - y) * ny) / r
    level = scene.noise.patch_db + 1.5 * _spreading(r, alpha) + 20.0 * np.log10(np.maximum(cosine, 1e-3))
    sight = _in_sight(scene, segments, x, y, px + 1e-4 * (x - px) / r, py + 1e-4 * (y - py) / r)
    return [r, np.arctan2(py - y, px - x), np.where(sight, level, -np.inf)]


def _ghosts(scene: Scene, segments: Floats, x: Floats, y: Floats, alpha: float) -> list[Floats]:
    """Posts seen in smooth walls: the way there and back over the wall, as if the post stood behind it."""
    rows: list[list[Floats]] = []
    for wall in (w for w in scene.walls if w.surface == "smooth"):
        length = np.hypot(wall.x2_m - wall.x1_m, wall.y2_m - wall.y1_m)
        nx, ny = -(wall.y2_m - wall.y1_m) / length, (wall.x2_m - wall.x1_m) / length
        own = np.array([[wall.x1_m, wall.y1_m, wall.x2_m, wall.y2_m]])
        others = segments[~np.all(np.isclose(segments, own), axis=1)]
        for post in scene.posts:
            away = (post.x_m - wall.x1_m) * nx + (post.y_m - wall.y1_m) * ny
            ix, iy = post.x_m - 2.0 * away * nx, post.y_m - 2.0 * away * ny
            side = (x - wall.x1_m) * nx + (y - wall.y1_m) * ny
            t = side / np.where(np.abs(side + away) > 1e-9, side + away, 1.0)  # where the way meets the wall
            wx, wy = x + t * (ix - x), y + t * (iy - y)
            a, reach = 0.5 * post.diameter_m, np.hypot(ix - x, iy - y)
            r = np.maximum(reach - a, 1e-3)
            level = _spreading(r, alpha) + 10.0 * np.log10(a / (a + r)) + MIRROR_DB
            back = np.maximum(np.hypot(post.x_m - wx, post.y_m - wy), 1e-6)
            bx, by = post.x_m + a * (wx - post.x_m) / back, post.y_m + a * (wy - post.y_m) / back
            on_wall = crosses(x, y, np.asarray(ix + 0.0 * x), np.asarray(iy + 0.0 * y), own) & (side * away > 0.0)
            clear = _in_sight(scene, others, x, y, wx, wy) & _in_sight(scene, others, wx, wy, bx, by)
            rows.append([r, np.arctan2(iy - y, ix - x), np.where(on_wall & clear, level, -np.inf)])
    if not rows:
        return [np.zeros((x.shape[0], 0))] * 3
    return [np.concatenate([row[k] for row in rows], axis=1) for k in range(3)]


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
    >>> from sonargrid.readings import Station
    >>> from sonargrid.scene import Scene, ScenePost
    >>> one = Scene((Station("A"),), posts=(ScenePost(0.0, 1.05, 0.1),))
    >>> heard = room_echoes(one, np.zeros(1), np.zeros(1), 0.00858, 1.3)
    >>> round(float(heard.range_m[0, 0]), 6), round(float(heard.level_db[0, 0]), 2)
    (1.0, -13.22)
    """
    x, y = np.asarray(x_m, dtype=np.float64)[:, None], np.asarray(y_m, dtype=np.float64)[:, None]
    segments = scene.segments()
    corners = corner_points(segments)
    inner, outer = _corners(scene, segments, corners, x, y, absorption_db_m)
    parts = {
        "wall": _faces(scene, segments, x, y, wavelength_m, absorption_db_m),
        "post": _posts(scene, segments, x, y, absorption_db_m),
        "corner": inner,
        "edge": outer,
        "end": _free_ends(scene, segments, corners, x, y, absorption_db_m),
        "patch": _patches(scene, segments, x, y, absorption_db_m),
    }
    if scene.noise.ghosts:
        parts["ghost"] = _ghosts(scene, segments, x, y, absorption_db_m)
    stacked = [np.concatenate([part[k] for part in parts.values()], axis=1) for k in range(3)]
    kind = tuple(name for name, part in parts.items() for _ in range(part[0].shape[1]))
    return RoomEchoes(stacked[0], stacked[1], stacked[2], kind)

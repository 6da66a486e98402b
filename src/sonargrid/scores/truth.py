"""What truly stands in a scene, on the cells of a map: what may be scored, and what a ranger can hear of it.

    reflector  the places of a surface that a faultless ranger would report at some angle of the sweep: the foot of the
               perpendicular on a smooth face, the near point of a post, corners, edges, patches of a rough wall
    surface    every cell that a face or a post's outline runs through
    free       cells in sight of a station, within reach and inside the sweep, that are neither surface nor solid

Floor axes [m].  Ghosts are no truth.  Measures are `scoring`'s business.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Bools, Floats, frozen
from sonargrid.maps.grid import GridFrame
from sonargrid.physics.air import absorption_db_per_m, sound_speed
from sonargrid.physics.geometry import to_floor, wrap
from sonargrid.simulation.echo_physics import margin_db, two_way_db
from sonargrid.simulation.room_echoes import crosses, passes_posts, room_echoes
from sonargrid.simulation.scene import Scene

MIRAGES = ("ghost", "again")  # echoes that come from no surface at their range


@dataclass(frozen=True, slots=True)
class CellTruth:
    """Truth of each cell of a frame, arrays (rows, columns).

    reflector, surface, free : see the module's header; reflector cells are surface cells
    """

    frame: GridFrame
    reflector: Bools
    surface: Bools
    free: Bools

    def __post_init__(self) -> None:
        for name in ("reflector", "surface", "free"):
            object.__setattr__(self, name, frozen(getattr(self, name), np.bool_))


def places(scene: Scene) -> tuple[Floats, Floats]:
    """Return the (S,) x and y of the servo axis at every station [m]."""
    poses = np.array([(s.x_m, s.y_m, s.heading_rad) for s in scene.stations], dtype=np.float64)
    return to_floor(poses[:, 0], poses[:, 1], poses[:, 2], scene.robot.head_ahead_m, scene.robot.head_left_m)


def _sound(scene: Scene) -> tuple[float, float]:
    """Return (speed of sound [m/s], absorption one way [dB/m]) in a scene."""
    air = scene.air.temperature_c, scene.air.relative_humidity_pct, scene.air.pressure_kpa
    return float(sound_speed(*air)), float(absorption_db_per_m(scene.ranger.frequency_hz, *air))


def _head_angles(scene: Scene) -> Floats:
    """Return where a straight servo would look at every step of the sweep, relative to straight ahead [rad]."""
    plan, head = scene.sweep, scene.head
    commanded = plan.from_rad + plan.step_rad * np.arange(round((plan.to_rad - plan.from_rad) / plan.step_rad) + 1)
    if plan.angle_column == "bearing_deg":
        return np.asarray(commanded + head.angle_offset_rad)
    return np.asarray(head.turns * head.angle_scale * (commanded - head.ahead_rad) + head.angle_offset_rad)


def _inside_sweep(scene: Scene, bearing_rad: Floats, heading_rad: float) -> Bools:
    """Return whether bearings lie between the sweep's ends."""
    angles = _head_angles(scene)
    low, high = float(angles.min()), float(angles.max())
    half = 0.5 * (high - low)
    off = np.abs(wrap(bearing_rad - heading_rad - 0.5 * (low + high)))
    return np.asarray(off <= half + 1e-9) | (half >= math.pi - scene.sweep.step_rad)


def reflectors(scene: Scene) -> Floats:
    """Return (n, 3) places that a faultless ranger would report: x, y [m] and the index of the station that hears them.

    A place counts if, at some angle of the sweep, its echo is above the threshold and the nearest one that is.
    """
    x, y = places(scene)
    speed, alpha = _sound(scene)
    all_echoes = room_echoes(scene, x, y, speed / scene.ranger.frequency_hz, alpha)
    k_a = 2.0 * math.pi * scene.ranger.frequency_hz / speed * scene.ranger.transducer_radius_m
    angles = _head_angles(scene)
    found = [np.zeros((0, 3))]
    for number, station in enumerate(scene.stations):
        echoes = all_echoes.at(number, number + 1)
        r, b = echoes.range_m[0], echoes.bearing_rad[0]
        if not r.size:
            continue
        off = wrap(b[None, :] - station.heading_rad - angles[:, None])
        level = echoes.level_db[0] + two_way_db(off, k_a, scene.noise, echoes.lean_rad + scene.ranger.tilt_rad)
        heard = margin_db(level, r, scene.noise.threshold_db) > 0.0
        ranges = np.where(heard & (r < scene.ranger.reach_m) & (r >= scene.ranger.blind_zone_m), r, np.inf)
        first = np.unique(np.argmin(ranges, axis=1)[np.isfinite(ranges.min(axis=1))])
        first = np.array([k for k in first if echoes.kind[k] not in MIRAGES], dtype=np.intp)
        where = x[number] + r[first] * np.cos(b[first]), y[number] + r[first] * np.sin(b[first])
        found.append(np.stack([*where, np.full(first.size, float(number))], axis=1))
    return np.concatenate(found)


def _mark(frame: GridFrame, x_m: Floats, y_m: Floats) -> Bools:
    cells = np.zeros(frame.shape, dtype=bool)
    row, column = frame.cell_of(x_m, y_m)
    inside = frame.contains(row, column)
    cells[row[inside], column[inside]] = True
    return cells


def outlines(scene: Scene, step_m: float) -> Floats:
    """Return (n, 2) points on every face and every post's outline, at most `step_m` apart [m]."""
    points = []
    for x1, y1, x2, y2 in scene.segments():
        t = np.linspace(0.0, 1.0, max(2, math.ceil(math.hypot(x2 - x1, y2 - y1) / step_m) + 1))
        points.append(np.stack([x1 + t * (x2 - x1), y1 + t * (y2 - y1)], axis=1))
    for post in scene.posts:
        a = 0.5 * post.diameter_m
        # of a half post only the round side; its flat back is among the segments
        start, span = (post.heading_rad - math.pi / 2, math.pi) if post.half else (0.0, 2.0 * math.pi)
        turn = start + np.linspace(0.0, span, max(9, math.ceil(2.0 * math.pi * a / step_m) + 1))
        if post.half:
            turn = post.heading_rad + 0.5 * (turn - math.pi)
        points.append(np.stack([post.x_m + a * np.cos(turn), post.y_m + a * np.sin(turn)], axis=1))
    return np.concatenate(points) if points else np.zeros((0, 2))


def solid(scene: Scene, x_m: Floats, y_m: Floats) -> Bools:
    """Return whether places lie inside a post or a box; shapes broadcast."""
    x, y = np.asarray(x_m, dtype=np.float64), np.asarray(y_m, dtype=np.float64)
    inside = np.zeros(np.broadcast_shapes(x.shape, y.shape), dtype=bool)
    for post in scene.posts:
        dx, dy = x - post.x_m, y - post.y_m
        within = np.hypot(dx, dy) <= 0.5 * post.diameter_m
        if post.half:
            within &= dx * math.cos(post.heading_rad) + dy * math.sin(post.heading_rad) >= 0.0
        inside |= within
    for box in scene.boxes:
        c, s = math.cos(box.heading_rad), math.sin(box.heading_rad)
        dx, dy = x - box.x_m, y - box.y_m
        inside |= (np.abs(c * dx + s * dy) <= 0.5 * box.width_m) & (np.abs(-s * dx + c * dy) <= 0.5 * box.depth_m)
    return inside


def in_sight(scene: Scene, x_m: Floats, y_m: Floats) -> Bools:
    """Return whether (n,) places are within reach, inside the sweep and in sight of at least one station."""
    seen = np.zeros(x_m.shape, dtype=bool)
    segments = scene.segments()
    for sx, sy, station in zip(*places(scene), scene.stations, strict=True):
        r, b = np.hypot(x_m - sx, y_m - sy), np.arctan2(y_m - sy, x_m - sx)
        near = (r < scene.ranger.reach_m) & ~seen & _inside_sweep(scene, b, station.heading_rad)
        at = np.flatnonzero(near)
        start = np.full(at.shape, sx), np.full(at.shape, sy)
        hidden = crosses(*start, x_m[at], y_m[at], segments) | passes_posts(*start, x_m[at], y_m[at], scene)
        seen[at[~hidden]] = True
    return seen


def cell_truth(scene: Scene, frame: GridFrame) -> CellTruth:
    """Return what each cell of a frame truly is.

    Examples
    --------
    >>> from sonargrid.runs.readings import Station
    >>> from sonargrid.simulation.scene import ScenePost
    >>> one = Scene((Station("A"),), posts=(ScenePost(0.0, 0.6, 0.1),))
    >>> truth = cell_truth(one, GridFrame.around(-0.5, 0.0, 0.5, 1.0, 0.02))
    >>> int(truth.reflector.sum()), bool(truth.free[5, 25]), bool(truth.free[45, 25])
    (1, True, False)
    """
    heard = reflectors(scene)
    edge = outlines(scene, 0.2 * frame.cell_m)
    surface = _mark(frame, edge[:, 0], edge[:, 1])
    reflector = _mark(frame, heard[:, 0], heard[:, 1])
    row, column = np.nonzero(~surface)
    x, y = frame.centre_of(row, column)
    free = np.zeros(frame.shape, dtype=bool)
    free[row, column] = in_sight(scene, x, y) & ~solid(scene, x, y)
    # a reflector on a cell's edge may round into the cell beside its outline
    return CellTruth(frame, reflector, surface | reflector, free & ~reflector)

"""How stations, things and their uncertainty are drawn, in every picture alike.

A station is a small disc with a bar that points where the robot faces; a post its true circle; a thing without a
known shape a diamond; a wall a thick line with ends; a corner two short lines; an echo the piece of its arc of equal
range.  Uncertainty is the 95 % ellipse of the centre.  Pixels, y downwards.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.drawing.axes import View
from sonargrid.drawing.palette import Theme
from sonargrid.drawing.shapes import Box, Stroke, cased, circle, straight
from sonargrid.finding.things import Object
from sonargrid.physics.geometry import to_floor
from sonargrid.runs.readings import Robot, Station

ELLIPSE_95 = math.sqrt(-2.0 * math.log(0.05))  # 2.4477 standard deviations: chi-square with 2 degrees of freedom
LEAST_RADIUS_PX = 5.0  # smaller things are drawn so large
STATION_PX, BAR_PX = 8.0, 25.0  # a station's disc, and how far its bar reaches
PATH_BAR_PX = 75.0  # between the bars along a moving robot's path
LARGEST_PX = 1e5  # drawings never leave this: a place far outside must not overflow


@dataclass(frozen=True, slots=True)
class Drawn:
    """One mark on the picture: what to draw, and what labels have to mind.

    x, y : where its label belongs [px]
    clear : how far from there its own drawing reaches [px]
    outline : points that labels had better not cover
    """

    strokes: tuple[Stroke, ...]
    x: float
    y: float
    clear: float
    outline: Floats

    def boxes(self, half: float = 3.0) -> list[Box]:
        """Return small boxes along the outline."""
        return [(x - half, y - half, x + half, y + half) for x, y in self.outline.tolist()]


def station_mark(x: float, y: float, heading_rad: float, theme: Theme, note: str = "") -> Drawn:
    """Return a disc with a bar in the direction the robot faces."""
    tip = (x + BAR_PX * math.cos(heading_rad), y - BAR_PX * math.sin(heading_rad))
    bar, disc = straight((x, y), tip), circle(x, y, STATION_PX)
    strokes = (
        Stroke(bar, theme.halo, 10.0),
        Stroke(circle(x, y, STATION_PX + 2.5), fill=theme.halo, closed=True),
        Stroke(bar, theme.station, 5.0),
        Stroke(disc, fill=theme.station, closed=True, note=note),
        Stroke(circle(x, y, 2.6), fill=theme.halo, closed=True),
    )
    along = np.linspace(0.0, 1.0, 6)[:, None]
    return Drawn(strokes, x, y, STATION_PX + 5.0, bar[0] + along * (bar[1] - bar[0]))


def path_marks(places: Floats, headings_rad: Sequence[float], theme: Theme) -> tuple[Stroke, ...]:
    """Return a moving robot's way: a line through its (N, 2) places [px], with a short bar now and then."""
    strokes = list(cased(places, theme.station, 2.5, theme.halo))
    since = math.inf
    for index, (x, y) in enumerate(places.tolist()):
        since += math.hypot(*(places[index] - places[index - 1])) if index else 0.0
        if since >= PATH_BAR_PX:
            since = 0.0
            c, s = math.cos(headings_rad[index]), math.sin(headings_rad[index])
            strokes.append(Stroke(straight((x, y), (x + 13.0 * c, y - 13.0 * s)), theme.station, 5.0))
            strokes.append(Stroke(circle(x, y, 4.5, 24), fill=theme.station, closed=True))
    return tuple(strokes)


def ellipse_m(thing: Object, steps: int = 72) -> Floats | None:
    """Return the (steps, 2) outline on the floor [m] of the region that holds the true centre in 95 % of cases.

    None where the uncertainty is not known.
    """
    if not (math.isfinite(thing.x_sigma_m) and math.isfinite(thing.y_sigma_m)):
        return None
    turn = np.linspace(0.0, 2.0 * math.pi, steps, endpoint=False)
    rho = float(np.clip(np.nan_to_num(thing.xy_correlation), -1.0, 1.0))
    x = thing.x_m + ELLIPSE_95 * thing.x_sigma_m * np.cos(turn)
    spread = rho * np.cos(turn) + math.sqrt(1.0 - rho * rho) * np.sin(turn)
    return np.column_stack([x, thing.y_m + ELLIPSE_95 * thing.y_sigma_m * spread])


def ellipse_95(thing: Object, view: View, steps: int = 72) -> Floats | None:
    """Return `ellipse_m` on the picture [px]; None if not known.

    Examples
    --------
    >>> round(ELLIPSE_95, 4)
    2.4477
    """
    rim = ellipse_m(thing, steps)
    return None if rim is None else np.clip(view.place(*rim.T), -LARGEST_PX, LARGEST_PX)


def axis_of(thing: Object, stations: Sequence[Station], robot: Robot) -> tuple[float, float] | None:
    """Return the servo axis (x, y) that a thing's `nearest_m` and `bearing_rad` count from [m]; None without one.

    The record keeps distance and bearing, not the station: it is the one from which the bearing meets the centre best.
    """
    if not (math.isfinite(thing.nearest_m) and math.isfinite(thing.bearing_rad)):
        return None
    c, s = math.cos(thing.bearing_rad), math.sin(thing.bearing_rad)
    best: tuple[float, tuple[float, float]] | None = None
    for station in stations:
        x, y = (
            float(part)
            for part in to_floor(station.x_m, station.y_m, station.heading_rad, robot.head_ahead_m, robot.head_left_m)
        )
        dx, dy = thing.x_m - x, thing.y_m - y
        along, across = c * dx + s * dy, abs(c * dy - s * dx)
        # the centre lies behind the near face, on the bearing
        miss = across + max(0.0, thing.nearest_m - along) + max(0.0, along - thing.nearest_m - 0.5)
        if best is None or miss < best[0]:
            best = (miss, (x, y))
    return None if best is None else best[1]


def _post(thing: Object, view: View, theme: Theme) -> tuple[list[Stroke], Floats]:
    x, y = view.place(thing.x_m, thing.y_m)
    if math.isnan(thing.diameter_m):
        cross = [straight((x - 7, y), (x + 7, y)), straight((x, y - 7), (x, y + 7))]
        strokes = [part for line in cross for part in cased(line, theme.thing, 3.0, theme.halo)]
        return strokes, np.concatenate(cross)
    radius = max(LEAST_RADIUS_PX, thing.diameter_m / 2 * view.px_per_m)
    outline = circle(x, y, radius)
    return cased(outline, theme.thing, 3.0, theme.halo, closed=True), outline


def diamond(x: float, y: float, radius: float) -> Floats:
    """Return the corners of a square that stands on its tip."""
    return straight((x, y - radius), (x + radius, y), (x, y + radius), (x - radius, y))


def _cluster(thing: Object, view: View, theme: Theme) -> tuple[list[Stroke], Floats]:
    x, y = view.place(thing.x_m, thing.y_m)
    tip = diamond(x, y, 9.0)
    strokes = cased(tip, theme.thing, 3.0, theme.halo, closed=True)
    if math.isnan(thing.width_m) or math.isnan(thing.heading_rad):
        return strokes, tip
    ends = np.array([view.place(*end) for end in thing.ends_m()])
    return cased(ends, theme.thing, 3.0, theme.halo) + strokes, np.concatenate([ends, tip])


def _end_bars(ends: Floats, half: float) -> list[Floats]:
    along = ends[1] - ends[0]
    across = np.array([-along[1], along[0]]) / max(1e-9, math.hypot(*along)) * half
    return [np.array([end - across, end + across]) for end in ends]


def _wall(thing: Object, view: View, theme: Theme) -> tuple[list[Stroke], Floats]:
    if math.isnan(thing.width_m) or math.isnan(thing.heading_rad):
        return _cluster(thing, view, theme)
    ends = np.clip(np.array([view.place(*end) for end in thing.ends_m()]), -LARGEST_PX, LARGEST_PX)
    lines = [(ends, 6.0), *((bar, 4.0) for bar in _end_bars(ends, 9.0))]
    strokes = [Stroke(line, theme.halo, wide + 4.0, opacity=0.85) for line, wide in lines]
    strokes += [Stroke(line, theme.wall, wide) for line, wide in lines]
    return strokes, ends[0] + np.linspace(0.0, 1.0, 24)[:, None] * (ends[1] - ends[0])


def corner_arms(x: float, y: float, towards_rad: tuple[float, float], length: float = 17.0) -> Floats:
    """Return the three points of a corner's mark, its arms in two directions (counter-clockwise from right)."""
    tips = [(x + length * math.cos(turn), y - length * math.sin(turn)) for turn in towards_rad]
    return straight(tips[0], (x, y), tips[1])


def _corner(thing: Object, view: View, theme: Theme, walls: Sequence[Object]) -> tuple[list[Stroke], Floats]:
    x, y = view.place(thing.x_m, thing.y_m)
    known = [wall for wall in walls if not (math.isnan(wall.width_m) or math.isnan(wall.heading_rad))]

    def gap_m(wall: Object) -> float:
        return min(math.hypot(thing.x_m - end[0], thing.y_m - end[1]) for end in wall.ends_m())

    near = sorted((wall for wall in known if gap_m(wall) < 0.4), key=gap_m)[:2]
    towards = [math.atan2(wall.y_m - thing.y_m, wall.x_m - thing.x_m) for wall in near]
    if len(towards) < 2:  # the walls it belongs to are not among those shown: any two arms say "corner"
        towards = [0.0, math.pi / 2]
    arms = corner_arms(x, y, (towards[0], towards[1]))
    strokes = cased(arms, theme.wall, 5.0, theme.halo)
    return [*strokes, Stroke(circle(x, y, 5.0, 24), theme.wall, 2.5, theme.halo, closed=True)], arms


def _echo(thing: Object, view: View, theme: Theme, axis: tuple[float, float] | None) -> tuple[list[Stroke], Floats]:
    x, y = view.place(thing.x_m, thing.y_m)
    if axis is None:
        return _cluster(thing, view, theme)
    c, s = math.cos(thing.bearing_rad), math.sin(thing.bearing_rad)
    rho = float(np.nan_to_num(thing.xy_correlation))
    across2 = (s * thing.x_sigma_m) ** 2 + (c * thing.y_sigma_m) ** 2
    across2 -= 2.0 * rho * s * c * thing.x_sigma_m * thing.y_sigma_m
    across = ELLIPSE_95 * math.sqrt(max(0.0, across2)) if math.isfinite(across2) else 0.0
    radius = max(thing.nearest_m, 1e-6)
    half = min(math.pi / 2, max(across, 11.0 / view.px_per_m) / radius)
    turn = thing.bearing_rad + np.linspace(-half, half, 25)
    arc = view.place(axis[0] + radius * np.cos(turn), axis[1] + radius * np.sin(turn))
    return cased(arc, theme.thing, 5.0, theme.halo), np.concatenate([arc[::4], [[x, y]]])


def thing_mark(
    thing: Object, view: View, theme: Theme, things: Sequence[Object], stations: Sequence[Station], robot: Robot
) -> Drawn:
    """Return a thing's outline with its 95 % ellipse; walls go without, their ends say where they are."""
    walls = [other for other in things if other.kind == "wall"]
    makers: dict[str, Callable[[], tuple[list[Stroke], Floats]]] = {
        "post": lambda: _post(thing, view, theme),
        "cluster": lambda: _cluster(thing, view, theme),
        "wall": lambda: _wall(thing, view, theme),
        "corner": lambda: _corner(thing, view, theme, walls),
        "echo": lambda: _echo(thing, view, theme, axis_of(thing, stations, robot)),
    }
    strokes, outline = makers[thing.kind]()
    x, y = view.place(thing.x_m, thing.y_m)
    clear = 9.0 if thing.kind == "wall" else 10.0
    if thing.kind == "post" and not math.isnan(thing.diameter_m):
        clear = max(LEAST_RADIUS_PX, thing.diameter_m / 2 * view.px_per_m) + 3.0
    ellipse = None if thing.kind == "wall" else ellipse_95(thing, view)
    if ellipse is not None:
        colour = theme.thing if thing.counted else theme.wall
        inside, halo = (
            Stroke(ellipse, fill=colour, closed=True, opacity=0.18),
            Stroke(ellipse, theme.halo, 3.6, closed=True),
        )
        strokes = [inside, halo, Stroke(ellipse, colour, 1.6, closed=True), *strokes]
        centre = np.array([x, y])
        outline = np.concatenate([outline, ellipse[::4], centre + 0.5 * (ellipse[::8] - centre)])
    return Drawn(tuple(strokes), float(x), float(y), clear, outline)

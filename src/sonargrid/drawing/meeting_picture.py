"""How the arcs of one thing from several stations meet: one small plan for each station that joins, one close up.

Each plan shows the same floor; the arc that has just come in is broad, with the part of the beam it was heard in, the
earlier ones are thin.  The last one is close by: the thing, its 95 % ellipse and all arcs.  Floor axes [m]; pictures in
pixels, y downwards.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.drawing.axes import View, axes, floor_rules, length_text, round_step, scale_bar, view_of
from sonargrid.drawing.marks import ELLIPSE_95, station_mark, thing_mark
from sonargrid.drawing.palette import SMALL_PX, Theme, theme_named
from sonargrid.drawing.shapes import Figure, Layer, Mark, Stroke, Words, cased, rectangle
from sonargrid.finding.things import Object
from sonargrid.maps.grid import GridFrame
from sonargrid.runs.readings import Robot, Station

PLOT_PX = 430
LEFT_PX, TOP_PX, RIGHT_PX, AXIS_PX = 92, 14, 24, 78
AROUND = 0.13  # of the floor's width, kept beyond what is drawn
CLOSE_M = (0.12, 0.5)  # half width of the close-up, least and most


@dataclass(frozen=True, slots=True, eq=False)
class MeetingArc:
    """One arc of equal range that passes by the thing.

    station : where it was heard
    face_m : (x, y) of the ranger's face while it heard it
    points_m : (N, 2) along the arc
    """

    station: Station
    face_m: tuple[float, float]
    points_m: Floats


def meeting_figures(
    thing: Object, arcs: Sequence[Sequence[MeetingArc]], theme: str = "light", robot: Robot | None = None
) -> tuple[Figure, ...]:
    """Return one picture for each station that joins and, from two stations on, the close-up.

    Parameters
    ----------
    thing : Object
        Whose arcs these are.
    arcs : sequence of sequence of MeetingArc
        Of one station each, in the order in which they join.
    theme : str
        ``light`` or ``dark``.
    robot : Robot, optional
        Where the servo axis stands on it.

    Raises
    ------
    ValueError
        If there is no arc, or the theme is unknown.
    """
    if not arcs or not all(arcs):
        raise ValueError("arcs of at least one station are needed")
    look = theme_named(theme)
    view = _view(_everything(thing, arcs))
    made = [
        _figure(view, look, _step_layers(arcs[: count + 1], view, look), f"step {count + 1}", _step_words(arcs, count))
        for count in range(len(arcs))
    ]
    if len(arcs) > 1:
        close = _view(_close_by(thing))
        stations = [joined[0].station for joined in arcs]
        layers = _close_layers(thing, arcs, stations, close, look, robot or Robot())
        wide = length_text(round_step(close.edges_m[2] - close.edges_m[0]))
        words = f"The thing with its 95 % ellipse and all arcs, on less than {wide} of floor."
        made.append(_figure(close, look, layers, "close up", words))
    return tuple(made)


def _step_words(arcs: Sequence[Sequence[MeetingArc]], count: int) -> str:
    names = ", ".join(joined[0].station.name for joined in arcs[: count + 1])
    return f"The arcs of {names}; the one of {arcs[count][0].station.name} has just joined."


def _everything(thing: Object, arcs: Sequence[Sequence[MeetingArc]]) -> Floats:
    points = [np.array([[thing.x_m, thing.y_m]])]
    for arc in (arc for joined in arcs for arc in joined):
        points += [arc.points_m, np.array([arc.face_m])]
    every = np.concatenate(points)
    low, high = every.min(axis=0), every.max(axis=0)
    half = (0.5 + AROUND) * max(0.2, float((high - low).max()))
    return np.array([(low + high) / 2 - half, (low + high) / 2 + half])


def _close_by(thing: Object) -> Floats:
    sizes = [thing.diameter_m, thing.width_m, ELLIPSE_95 * thing.x_sigma_m, ELLIPSE_95 * thing.y_sigma_m]
    half = float(np.clip(1.4 * np.nanmax([*sizes, CLOSE_M[0] / 1.4]), *CLOSE_M))
    return np.array([[thing.x_m - half, thing.y_m - half], [thing.x_m + half, thing.y_m + half]])


def _view(corners_m: Floats) -> View:
    (left, bottom), (right, top) = corners_m.tolist()
    frame = GridFrame.around(left, bottom, right, top, max(0.0005, (right - left) / PLOT_PX))
    return view_of(frame, LEFT_PX, TOP_PX, (PLOT_PX, PLOT_PX, PLOT_PX / max(frame.rows, frame.columns)))


def _figure(view: View, look: Theme, layers: tuple[Layer, ...], title: str, words: str) -> Figure:
    wide, high = LEFT_PX + PLOT_PX + RIGHT_PX, TOP_PX + PLOT_PX + AXIS_PX
    ground = Layer("ground", (rectangle(view.box, look.page),))
    bar = Layer("bar", scale_bar(view, *_room_for_bar(view, layers), 0.5 * PLOT_PX, look))
    return Figure(wide, high, look.page, (ground, *layers, bar, Layer("axes", axes(view, look))), title, words)


def _room_for_bar(view: View, layers: tuple[Layer, ...]) -> tuple[float, float]:
    """Return where the scale bar hides no station: the first of four corners that is free, else the lower left."""
    left, top, right, bottom = view.box
    wide, high = 0.5 * PLOT_PX + 50.0, 70.0  # the bar is at most half the plot, its words stand over its ends
    corners = [(x, y) for y in (bottom - 46, top + 16) for x in (left + 18, right - wide + 18)]
    marks = [mark.points for layer in layers if layer.name == "meeting-stations" for mark in layer.marks
             if isinstance(mark, Stroke)]  # fmt: skip
    for x, y in corners:
        boxes = [
            (points >= (x - 24, y - 24)).all(axis=1) & (points <= (x + wide, y + high)).all(axis=1) for points in marks
        ]
        if not any(box.any() for box in boxes):
            return x, y
    return corners[0]


def _step_layers(arcs: Sequence[Sequence[MeetingArc]], view: View, look: Theme) -> tuple[Layer, ...]:
    beams: list[Mark] = []
    lines: list[Mark] = []
    for place, joined in enumerate(arcs):
        new = place == len(arcs) - 1
        for arc in joined:
            points = view.place(*arc.points_m.T)
            if new:
                outline = np.concatenate([view.place(*arc.face_m)[None, :], points])
                beams.append(Stroke(outline, fill=look.arc, closed=True, opacity=0.14))
                lines += cased(points, look.arc, 5.0, look.halo)
            else:
                lines.append(Stroke(points, look.arc, 2.0))
    stations = [mark for joined in arcs for mark in _station(joined[0].station, view, look)]
    return (
        Layer("beams", tuple(beams), view.box),
        Layer("rules", floor_rules(view, look)),
        Layer("meeting-arcs", tuple(lines), view.box),
        Layer("meeting-stations", tuple(stations), view.box),
    )


def _station(station: Station, view: View, look: Theme) -> tuple[Mark, ...]:
    x, y = (float(part) for part in view.place(station.x_m, station.y_m))
    name = " ".join(station.name.split())[:12]
    # on the side away from its bar
    below = y + 14 + SMALL_PX if np.sin(station.heading_rad) >= 0 else y - 16
    return (
        *station_mark(x, y, station.heading_rad, look).strokes,
        Words(name, x, below, SMALL_PX, look.station, "middle", halo=look.halo),
    )


def _close_layers(
    thing: Object,
    arcs: Sequence[Sequence[MeetingArc]],
    stations: Sequence[Station],
    view: View,
    look: Theme,
    robot: Robot,
) -> tuple[Layer, ...]:
    lines = [
        Stroke(view.place(*arc.points_m.T), look.arc, 3.0, note=f"arc of station {arc.station.name}")
        for joined in arcs
        for arc in joined
    ]
    mark = thing_mark(thing, view, look, (thing,), tuple(stations), robot)
    return (
        Layer("rules", floor_rules(view, look)),
        Layer("meeting-arcs", tuple(lines), view.box),
        Layer("meeting-thing", mark.strokes, view.box),
    )

"""One station's sweep as a picture: the strip of range against head angle, and below it where the echoes may come from.

The lower part is a floor plan on straight metre axes.  Each echo is the arc that its range leaves across the beam, and
nothing is drawn where no echo is; arcs of equal range are broad and carry their numbers.  Of one chosen reading the
plan shows every place that its echo can come from.  Floor axes [m]; pictures in pixels, y downwards.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from sonargrid.arrays import Floats, Ints
from sonargrid.drawing.axes import LEAST_PX, View, axes, floor_rules, view_of
from sonargrid.drawing.legend import COLUMN_PX, GAP_PX, ROW_PX, bar_block, title_marks
from sonargrid.drawing.marks import station_mark
from sonargrid.drawing.palette import SMALL_PX, TEXT_PX, TITLE_PX, Theme, blend, theme_named
from sonargrid.drawing.placement import Label, place_labels
from sonargrid.drawing.raster import shortened, text_width
from sonargrid.drawing.shapes import Box, Figure, Layer, Mark, Stroke, Words, cased, circle, rounded, straight
from sonargrid.drawing.sweep_content import StripContent, strip_content, strip_description, strip_words
from sonargrid.drawing.sweep_strip import FOOT, FOOT_PX, LEFT_PX, RIGHT_PX, TOP_PX, WIDTH_PX, strip_layers
from sonargrid.finding.plateaus import Plateau, default_half_beam
from sonargrid.maps.grid import GridFrame
from sonargrid.physics.geometry import to_floor, wrap_deg
from sonargrid.runs.readings import Pings, Ranger, Run

PLAN_PX = (WIDTH_PX - LEFT_PX - RIGHT_PX - COLUMN_PX - GAP_PX, 780)  # widest and highest plan
AROUND_M = 0.08  # floor shown beyond what is drawn
MOST_ARCS = 600  # arcs of echoes, thinned from here on
LIST_ROWS = 20
SIGMAS = 2.0  # half thickness of the band of a chosen reading, in standard deviations of its range


def half_beam_of(range_m: float | Floats, ranger: Ranger) -> Floats:
    """Return over which half angle an echo is drawn: the run's own figure, else the common one for a 5 cm post [rad].

    >>> round(math.degrees(float(half_beam_of(0.5, Ranger(half_beam_rad=math.radians(15.0))))), 6)
    15.0
    """
    if ranger.half_beam_table or ranger.half_beam_rad is not None:
        return ranger.half_beam_at(range_m)
    return default_half_beam(range_m, ranger)


def arc_points(pings: Pings, row: int, half_rad: float, range_m: float | None = None, steps: int = 41) -> Floats:
    """Return the (steps, 2) floor points at one range across a reading's beam [m].

    Parameters
    ----------
    pings : Pings
    row : int
        Which reading, from 0.
    half_rad : float
        Half of the beam's width [rad].
    range_m : float, optional
        Instead of the reading's own range.
    """
    ray = int(pings.ray[row])
    turn = pings.rays.bearing_rad[ray] + np.linspace(-half_rad, half_rad, steps)
    r = float(pings.range_m[row]) if range_m is None else range_m
    return np.column_stack([pings.rays.x_m[ray] + r * np.cos(turn), pings.rays.y_m[ray] + r * np.sin(turn)])


def places_of_reading(run: Run, pings: Pings, row: int) -> Floats | None:
    """Return the outline of every place that a reading speaks of, (N, 2) [m]; None for one without a measurement.

    An echo may come from anywhere on the band of its range (two sigmas either way) across the beam; silence says of
    the whole beam out to reach that probably nothing stands there.
    """
    range_m = float(pings.range_m[row])
    if math.isnan(range_m):
        return None
    if math.isinf(range_m):
        half = float(half_beam_of(pings.reach_m, run.ranger))
        inner, outer = pings.blind_zone_m, pings.reach_m
    else:
        half = float(half_beam_of(range_m, run.ranger))
        inner, outer = max(0.0, range_m - SIGMAS * pings.range_sigma_m), range_m + SIGMAS * pings.range_sigma_m
    return np.concatenate([arc_points(pings, row, half, outer), arc_points(pings, row, half, inner)[::-1]])


def reading_words(run: Run, pings: Pings, row: int) -> str:
    """Return one sentence on what a reading says."""
    ray, range_m = int(pings.ray[row]), float(pings.range_m[row])
    head = math.degrees(float(pings.rays.head_rad[ray])) + 90.0
    who = f"reading {row + 1}, head angle {head:.1f}°"
    if math.isnan(range_m):
        return f"{who}: no measurement, so it tells of no place"
    if math.isinf(range_m):
        return f"{who}: silent; in the beam out to {pings.reach_m:g} m probably nothing stands"
    half = math.degrees(float(half_beam_of(range_m, run.ranger)))
    return (
        f"{who}: {range_m:.3f} m, from anywhere on the arc of ±{half:.0f}° (give or take {pings.range_sigma_m:.3f} m)"
    )


def sweep_figure(
    run: Run,
    pings: Pings,
    station: int,
    plateaus: Sequence[Plateau],
    reading: int | None = None,
    theme: str = "light",
) -> Figure:
    """Return the picture of one station's sweep before it becomes pixels or SVG.

    Parameters
    ----------
    run : Run
    pings : Pings
        Its calibrated readings.
    station : int
        Index into the run's stations.
    plateaus : sequence of Plateau
        Of any stations, as `find_plateaus` gives them.
    reading : int, optional
        Number of a reading of this station, counted from 1 over the run, whose places are shown.
    theme : str
        ``light`` or ``dark``.

    Raises
    ------
    ValueError
        If the reading is none of this station's, or the theme is unknown.
    """
    look = theme_named(theme)
    content = strip_content(run, pings, station, plateaus, chosen=reading)
    if reading is not None and reading not in content.number:
        raise ValueError(f"reading {reading} is none of station {content.station}'s")
    room = WIDTH_PX - LEFT_PX - RIGHT_PX
    words = strip_words(content) if reading is None else reading_words(run, pings, reading - 1)
    title = shortened(" ".join(content.title.split()), TITLE_PX, room)
    heading = title_marks(title, shortened(words, TEXT_PX, room), LEFT_PX - 2, TOP_PX - 8, look, TITLE_PX)
    upper, bottom = strip_layers(content, look, TOP_PX + TITLE_PX + TEXT_PX + 34, WIDTH_PX)
    view = _view(run, pings, station, content, round(bottom) + 26)
    lower = _plan_layers(run, pings, content, view, look)
    end = max(view.box[3] + 84.0, view.box[1] + ROW_PX * (10 + min(LIST_ROWS, len(content.plateaus))))
    foot = Words(shortened(FOOT, SMALL_PX, room), LEFT_PX - 2, end + FOOT_PX - 18, SMALL_PX, look.muted)
    said = f"{strip_description(content)} {reading_words(run, pings, reading - 1) if reading is not None else ''}"
    return Figure(
        width=WIDTH_PX,
        height=round(end + FOOT_PX),
        page=look.page,
        layers=(*upper, *lower, Layer("heading", (*heading, foot))),
        title=f"Sweep of station {content.station}",
        description=said.strip(),
    )


def _rows(content: StripContent) -> Ints:
    """Return which readings of the run have an echo here, from 0, thinned until there are few enough."""
    rows = content.number[np.isfinite(content.range_m)] - 1
    return np.asarray(rows[:: max(1, -(-rows.size // MOST_ARCS))])


def _view(run: Run, pings: Pings, station: int, content: StripContent, top: int) -> View:
    """Return the view that holds the station and all its arcs."""
    place, robot = run.stations[station], run.robot
    points = [np.array([[place.x_m - robot.radius_m, place.y_m - robot.radius_m]])]
    points.append(np.array([[place.x_m + robot.radius_m, place.y_m + robot.radius_m]]))
    for row in _rows(content).tolist():
        points.append(arc_points(pings, row, float(half_beam_of(float(pings.range_m[row]), run.ranger)), steps=9))
    if content.chosen is not None:
        outline = places_of_reading(run, pings, content.chosen - 1)
        points += [] if outline is None else [outline]
    every = np.concatenate(points)
    low, high = every.min(axis=0) - AROUND_M, every.max(axis=0) + AROUND_M
    frame = GridFrame.around(float(low[0]), float(low[1]), float(high[0]), float(high[1]), 0.01)
    per_cell = min(PLAN_PX[0] / frame.columns, PLAN_PX[1] / frame.rows)
    return view_of(frame, LEFT_PX, top, (PLAN_PX[0], max(LEAST_PX, math.ceil(frame.rows * per_cell)), per_cell))


def _plan_layers(run: Run, pings: Pings, content: StripContent, view: View, look: Theme) -> tuple[Layer, ...]:
    x = view.box[2] + GAP_PX
    bar = bar_block(view, look).draw(x, view.box[1])
    return (
        Layer("plan-rules", floor_rules(view, look)),
        Layer("plan-echoes", _echoes(run, pings, content, view, look), view.box),
        Layer("plan-robot", _robot(run, content, view, look), view.box),
        Layer("plan-arcs", _plateaus(pings, content, view, look), view.box),
        Layer("plan-chosen", _chosen(run, pings, content, view, look), view.box),
        Layer("plan-labels", _labels(pings, content, view, look)),
        Layer("plan-axes", axes(view, look)),
        Layer("plan-list", (*bar, *_meaning(content, x, view.box[1] + 2.6 * ROW_PX, look))),
        Layer("plan-table", _list(content, x, view.box[1] + 7.4 * ROW_PX, look)),
    )


def _meaning(content: StripContent, x: float, y: float, look: Theme) -> tuple[Mark, ...]:
    """Return what the robot's outline, the thin arcs and the band of a chosen reading stand for."""
    rows = [("where one echo can come from", _echo_colour(content, look), 1.6)]
    if content.chosen is not None:
        rows = [("any other echo", rows[0][1], 1.6)]
        rows.append((f"reading {content.chosen} can come from here", look.thing, 4.0))
    marks: list[Mark] = []
    for row, (words, colour, width) in enumerate(rows):
        line = y + row * ROW_PX + ROW_PX / 2
        marks.append(Stroke(straight((x, line), (x + 34, line)), colour, width))
        marks.append(Words(words, x + 46.0, line + SMALL_PX * 0.36, SMALL_PX, look.ink))
    for row, (words, radius, colour) in enumerate(
        (("the robot's outline", 12.0, look.muted), ("the servo's axis", 4.0, look.ink)), start=len(rows)
    ):
        line = y + row * ROW_PX + ROW_PX / 2
        marks.append(Stroke(circle(x + 17.0, line, radius, 32), colour, 1.6, closed=True))
        marks.append(Words(words, x + 46.0, line + SMALL_PX * 0.36, SMALL_PX, look.ink))
    return tuple(marks)


def _echo_colour(content: StripContent, look: Theme) -> str:
    share = 0.3 if content.chosen is not None else 0.5  # quieter where one reading is pointed out
    return "#{:02x}{:02x}{:02x}".format(*blend(look.page, look.muted, [share])[0].tolist())


def _echoes(run: Run, pings: Pings, content: StripContent, view: View, look: Theme) -> tuple[Mark, ...]:
    colour = _echo_colour(content, look)
    marks: list[Mark] = []
    for row in _rows(content).tolist():
        half = float(half_beam_of(float(pings.range_m[row]), run.ranger))
        marks.append(Stroke(view.place(*arc_points(pings, row, half, steps=25).T), colour, 1.6))
    return tuple(marks)


def _robot(run: Run, content: StripContent, view: View, look: Theme) -> tuple[Mark, ...]:
    place = next(station for station in run.stations if station.name == content.station)
    x, y = (float(part) for part in view.place(place.x_m, place.y_m))
    disc = circle(x, y, run.robot.radius_m * view.px_per_m)
    axis = to_floor(place.x_m, place.y_m, place.heading_rad, run.robot.head_ahead_m, run.robot.head_left_m)
    axis_x, axis_y = (float(part) for part in view.place(float(axis[0]), float(axis[1])))
    at = circle(axis_x, axis_y, 4.0, 16)
    mark = station_mark(x, y, place.heading_rad, look, f"station {place.name}")
    return (Stroke(disc, look.muted, 1.6, closed=True), *mark.strokes, Stroke(at, look.ink, 1.6, closed=True))


def _arc_of(plateau: Plateau, pings: Pings) -> tuple[Floats, Floats]:
    """Return a plateau's arc between its edges, and the point at its bearing, on the floor [m]."""
    rays = pings.ray[plateau.pings]
    x, y = float(np.mean(pings.rays.x_m[rays])), float(np.mean(pings.rays.y_m[rays]))
    turn = np.append(np.linspace(plateau.right_rad, plateau.left_rad, 31), plateau.bearing_rad)
    points = np.column_stack([x + plateau.range_m * np.cos(turn), y + plateau.range_m * np.sin(turn)])
    return points[:-1], points[-1]


def _plateaus(pings: Pings, content: StripContent, view: View, look: Theme) -> tuple[Mark, ...]:
    marks: list[Mark] = []
    for plateau in content.plateaus:
        arc, at = _arc_of(plateau, pings)
        marks += cased(view.place(*arc.T), look.arc, 4.0, look.halo)
        x, y = view.place(*at)
        out = np.array([math.cos(plateau.bearing_rad), -math.sin(plateau.bearing_rad)])
        marks.append(Stroke(np.array([[x, y] - 9.0 * out, [x, y] + 9.0 * out]), look.arc, 5.0))
    return tuple(marks)


def _chosen(run: Run, pings: Pings, content: StripContent, view: View, look: Theme) -> tuple[Mark, ...]:
    if content.chosen is None:
        return ()
    row = content.chosen - 1
    outline = places_of_reading(run, pings, row)
    if outline is None:
        return ()
    places, note = view.place(*outline.T), reading_words(run, pings, row)
    inside = Stroke(places, fill=look.thing, closed=True, opacity=0.35, note=note)
    if math.isinf(pings.range_m[row]):
        return (inside,)
    half = float(half_beam_of(float(pings.range_m[row]), run.ranger))
    return (inside, *cased(view.place(*arc_points(pings, row, half).T), look.thing, 4.0, look.halo))


def _labels(pings: Pings, content: StripContent, view: View, look: Theme) -> tuple[Mark, ...]:
    """Return each arc's number beside its bearing, where it hides least."""
    labels, soft = [], []
    for number, plateau in enumerate(content.plateaus, start=1):
        arc, at = _arc_of(plateau, pings)
        x, y = (float(part) for part in view.place(*at))
        labels.append(Label(x, y, max(26.0, text_width(str(number), SMALL_PX) + 14.0), 26.0, 12.0))
        soft += [(a - 4.0, b - 4.0, a + 4.0, b + 4.0) for a, b in view.place(*arc.T).tolist()]
    left, top, right, bottom = view.box
    inside: Box = (left + 5.0, top + 5.0, right - 5.0, bottom - 5.0)
    marks: list[Mark] = []
    for number, place in enumerate(place_labels(labels, inside, [], soft), start=1):
        if place.leader is not None:
            marks.append(Stroke(straight(*place.leader), look.arc, 1.6))
        middle = ((place.box[0] + place.box[2]) / 2, (place.box[1] + place.box[3]) / 2)
        marks.append(Stroke(rounded(place.box, 8.0), look.arc, 2.0, look.halo, closed=True))
        marks.append(Words(str(number), middle[0], middle[1] + SMALL_PX * 0.36, SMALL_PX, look.ink, "middle"))
    return tuple(marks)


def _list(content: StripContent, x: float, y: float, look: Theme) -> tuple[Mark, ...]:
    """Return the arcs as a short table: number, range, bearing on the floor, how wide, how many readings."""
    if not content.plateaus:
        return (Words("no arc of equal range", x, y + 20.0, SMALL_PX, look.muted),)
    places = ((22.0, "end"), (98.0, "end"), (182.0, "end"), (246.0, "end"), (316.0, "end"))
    table = [("", "range [m]", "bearing", "wide", "pings")]
    for number, p in enumerate(content.plateaus[:LIST_ROWS], start=1):
        bearing, wide = float(wrap_deg(math.degrees(p.bearing_rad))), math.degrees(p.width_rad)
        table.append((str(number), f"{p.range_m:.3f}", f"{bearing:.0f}°", f"{wide:.0f}°", str(p.readings)))
    marks: list[Mark] = []
    for row, texts in enumerate(table):
        colour = look.muted if row == 0 else look.ink
        line = y + row * ROW_PX + 20.0
        marks += [
            Words(text, x + at, line, SMALL_PX, colour, anchor)
            for text, (at, anchor) in zip(texts, places, strict=True)
            if text
        ]
    if len(content.plateaus) > LIST_ROWS:
        rest = f"and {len(content.plateaus) - LIST_ROWS} more"
        marks.append(Words(rest, x + 22.0, y + len(table) * ROW_PX + 20.0, SMALL_PX, look.muted))
    return tuple(marks)

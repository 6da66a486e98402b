"""The floor plan for masking tape: where to park, which way to look, marks with their tape lines, a scale bar.

Floor axes: x right, y up, metres; the picture is to be printed and laid on the bench.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from sonargrid.drawing.axes import length_text, round_step, tick_text, ticks
from sonargrid.drawing.palette import SMALL_PX, TEXT_PX, TITLE_PX, Theme, theme_named
from sonargrid.drawing.raster import text_width
from sonargrid.drawing.shapes import Figure, Layer, Mark, Stroke, Words, circle, dashes, straight
from sonargrid.runs.readings import Mark as FloorMark
from sonargrid.runs.readings import Station

WIDE, TOP, SIDE = 1000, 150, 70  # px
ARROW_PX, PUCK_PX = 62.0, 15.0
LEAST_SPAN_M = 0.4


class _Sheet:
    """Metres on the floor -> pixels on the page."""

    def __init__(self, points: Sequence[tuple[float, float]]) -> None:
        xs, ys = zip(*points, strict=True)
        span_x, span_y = (max(max(v) - min(v), LEAST_SPAN_M) for v in (xs, ys))
        margin = 0.28 * max(span_x, span_y)
        self.left, self.low = (min(xs) + max(xs) - span_x) / 2.0 - margin, (min(ys) + max(ys) - span_y) / 2.0 - margin
        self.width_m, self.height_m = span_x + 2.0 * margin, span_y + 2.0 * margin
        self.px_m = (WIDE - 2 * SIDE) / self.width_m
        self.high_px = round(self.height_m * self.px_m)

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Return the pixel of a place on the floor."""
        return SIDE + (x - self.left) * self.px_m, TOP + self.high_px - (y - self.low) * self.px_m


def floor_plan(
    stations: Sequence[Station],
    marks: Sequence[FloorMark] = (),
    tapes: Sequence[tuple[str, str, float]] = (),
    theme: str = "light",
) -> Figure:
    """Return the plan of the parked places and the marks they are measured from.

    tapes : (station, mark, metres) of each tape distance
    """
    look = theme_named(theme)
    points = [(s.x_m, s.y_m) for s in stations] + [(m.x_m, m.y_m) for m in marks] + [(0.0, 0.0)]
    sheet = _Sheet(points)
    layers = (
        Layer("grid", tuple(_grid(sheet, look))),
        Layer("origin", tuple(_origin(sheet, look, bool(marks)))),
        Layer("tapes", tuple(part for tape in tapes for part in _tape(sheet, tape, stations, marks, look))),
        Layer("marks", tuple(part for mark in marks for part in _mark(sheet, mark, look))),
        Layer("stations", tuple(part for one in stations for part in _station(sheet, one, look))),
        Layer("words", tuple(_words(sheet, bool(marks), look))),
    )
    return Figure(WIDE, TOP + sheet.high_px + 110, look.page, layers, "Floor plan", "Where to park the robot")


def _grid(sheet: _Sheet, look: Theme) -> list[Mark]:
    step = round_step(sheet.width_m / 9.0)
    right, high = sheet.left + sheet.width_m, sheet.low + sheet.height_m
    made: list[Mark] = []
    for x in ticks(sheet.left, right, step):
        (px, top), (_, bottom) = sheet.at(x, high), sheet.at(x, sheet.low)
        made += [
            Stroke(straight((px, top), (px, bottom)), look.unknown, 1.0),
            Words(tick_text(x, step), px, bottom + 26, SMALL_PX, look.muted, "middle"),
        ]
    for y in ticks(sheet.low, high, step):
        (left, py), (end, _) = sheet.at(sheet.left, y), sheet.at(right, y)
        made += [
            Stroke(straight((left, py), (end, py)), look.unknown, 1.0),
            Words(tick_text(y, step), left - 10, py + 6, SMALL_PX, look.muted, "end"),
        ]
    return made


def _tape(
    sheet: _Sheet,
    tape: tuple[str, str, float],
    stations: Sequence[Station],
    marks: Sequence[FloorMark],
    look: Theme,
) -> list[Mark]:
    """Return a tape's line from its mark, with the distance in its middle."""
    one = next(station for station in stations if station.name == tape[0])
    mark = next(mark for mark in marks if mark.name == tape[1])
    ends = straight(sheet.at(mark.x_m, mark.y_m), sheet.at(one.x_m, one.y_m))
    x, y = ends.mean(axis=0)
    return [
        Stroke(ends, look.arc, 1.5, opacity=0.8),
        Words(f"{tape[2]:.2f} m", float(x), float(y) + 6, SMALL_PX, look.arc, "middle", halo=look.halo),
    ]


def _origin(sheet: _Sheet, look: Theme, marks: bool) -> list[Mark]:
    """Return the cross of masking tape at (0, 0) with the two lines that are stuck from it."""
    x, y = sheet.at(0.0, 0.0)
    end_x, end_y = sheet.at(sheet.left + sheet.width_m, 0.0)[0] - 8, sheet.at(0.0, sheet.low + sheet.height_m)[1] + 8
    made: list[Mark] = []
    for points in (straight((x, y), (end_x, y)), straight((x, y), (x, end_y))):
        made += [Stroke(piece, look.muted, 3.0) for piece in dashes(points, 14.0, 9.0)]
    made += [Stroke(straight((x - 14, y), (x + 14, y)), look.ink, 5.0)]
    made += [Stroke(straight((x, y - 14), (x, y + 14)), look.ink, 5.0)]
    if not marks:  # a mark says where it is
        made.append(Words("(0, 0)", x - 12, y + 34, SMALL_PX, look.ink, "end", halo=look.halo))
    made += [
        Words("x", end_x - 4, y - 12, TEXT_PX, look.ink, "end", halo=look.halo),
        Words("y", x + 12, end_y + 14, TEXT_PX, look.ink, halo=look.halo),
    ]
    return made


def _mark(sheet: _Sheet, mark: FloorMark, look: Theme) -> list[Mark]:
    x, y = sheet.at(mark.x_m, mark.y_m)
    r = 11.0
    words = f"mark {mark.name} ({mark.x_m:.2f}, {mark.y_m:.2f})"
    return [
        Stroke(straight((x - r, y - r), (x + r, y + r)), look.arc, 4.0),
        Stroke(straight((x - r, y + r), (x + r, y - r)), look.arc, 4.0),
        Words(words, *_beside(sheet, words, x, y, 44.0), SMALL_PX, look.arc, halo=look.halo),
    ]


def _station(sheet: _Sheet, station: Station, look: Theme) -> list[Mark]:
    x, y = sheet.at(station.x_m, station.y_m)
    way = np.array([math.cos(station.heading_rad), -math.sin(station.heading_rad)])
    across = np.array([-way[1], way[0]])
    tip = np.array([x, y]) + ARROW_PX * way
    head = np.array([tip, tip - 16 * way + 9 * across, tip - 16 * way - 9 * across])
    below = 34.0 if way[1] <= 0.3 else -22.0  # words keep clear of the arrow
    turn = math.degrees(station.heading_rad)
    words = f"({station.x_m:.2f}, {station.y_m:.2f}) m, heading {0.0 if abs(turn) < 0.05 else turn:.0f}"
    place_x, place_y = _beside(sheet, words, x, y, below + (18.0 if below > 0 else -14.0))
    return [
        Stroke(np.array([[x, y], tip - 14 * way]), look.station, 4.0),
        Stroke(head, fill=look.station, closed=True),
        Stroke(circle(x, y, PUCK_PX), look.halo, 3.0, look.station, closed=True),
        Words(station.name[:3], x, y + 7, TEXT_PX, look.page, "middle"),
        Words(words, place_x, place_y, SMALL_PX, look.ink, halo=look.halo),
    ]


def _beside(sheet: _Sheet, words: str, x: float, y: float, below: float) -> tuple[float, float]:
    """Return where words begin that stand under a place, kept on the page."""
    width = text_width(words, SMALL_PX)
    return min(max(x - width / 2.0, SIDE + 4.0), WIDE - SIDE - width - 4.0), y + below


def _words(sheet: _Sheet, marks: bool, look: Theme) -> list[Mark]:
    bottom = TOP + sheet.high_px
    bar = round_step(150.0 / sheet.px_m)
    x, y = float(SIDE), bottom + 74.0
    end = x + bar * sheet.px_m
    how = "Stick tape along the dashed lines; put the servo axis on each dot, facing its arrow."
    more = "Measure where it really stands, and write that down."
    if marks:
        more = "Tape distances are measured from the purple crosses."
    return [
        Words("Where to park", SIDE, 52, TITLE_PX, look.ink),
        Words(how, SIDE, 90, TEXT_PX, look.ink),
        Words(more, SIDE, 120, TEXT_PX, look.muted),
        Stroke(straight((x, y - 7), (x, y), (end, y), (end, y - 7)), look.ink, 3.0),
        Words(f"{length_text(bar)} on the floor", end + 14, y + 3, SMALL_PX, look.ink),
        Words("x, y in metres", WIDE - SIDE, y + 3, SMALL_PX, look.muted, "end"),
    ]

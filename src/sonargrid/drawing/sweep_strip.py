"""One station's sweep as range against head angle: the drawing that `sweep`, `check` and `report` share.

The robot's left (180 degrees) lies at the left, so the strip reads like the floor plan.  Readings are told apart by
the head's turning (shape first, colour second); silent and void ones are ticks on a rim above the plot; arcs of equal
range are bars with their bearings on the floor; findings are shaded spans of the head's turn.  Pixels, y downwards.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Floats, Ints
from sonargrid.drawing.axes import round_step, tick_text, ticks
from sonargrid.drawing.legend import title_marks
from sonargrid.drawing.palette import SMALL_PX, TEXT_PX, TITLE_PX, Theme, theme_named
from sonargrid.drawing.placement import Label, place_labels
from sonargrid.drawing.raster import shortened, text_width
from sonargrid.drawing.shapes import Box, Figure, Layer, Mark, Stroke, Words, circle, rectangle, rounded, straight
from sonargrid.drawing.sweep_content import StripContent, finding_letter, plateau_words, strip_description, strip_words
from sonargrid.physics.geometry import wrap_deg

WIDTH_PX, PLOT_PX = 1400, 430
LEFT_PX, RIGHT_PX, TOP_PX, FOOT_PX = 104, 36, 30, 46
RIM_PX = 25  # one row of the rim
AXIS_PX, ROW_PX = 84, 30
DOT_PX = 4.5
MOST_DOTS = 3000  # readings that fall on one place are drawn once; more places than this are thinned
MOST_NOTES = 500  # pictures of more dots go without a note on each
FOOT = "An echo may come from anywhere on its arc across the beam, not only from straight along the head."
UP, DOWN, UNKNOWN = "angles growing", "angles shrinking", "turning not known"


def strip_figure(content: StripContent, theme: str = "light", width_px: int = WIDTH_PX) -> Figure:
    """Return the strip of one station before it becomes pixels or SVG (`raster.figure_png`, `vector.figure_svg`).

    Raises
    ------
    ValueError
        If the theme is unknown.
    """
    look = theme_named(theme)
    room = width_px - LEFT_PX - RIGHT_PX
    heading = title_marks(
        shortened(" ".join(content.title.split()), TITLE_PX, room),
        shortened(strip_words(content), TEXT_PX, room),
        LEFT_PX - 2,
        TOP_PX - 8,
        look,
        TITLE_PX,
    )
    layers, bottom = strip_layers(content, look, TOP_PX + TITLE_PX + TEXT_PX + 34, width_px)
    foot = Words(shortened(FOOT, SMALL_PX, room), LEFT_PX - 2, bottom + FOOT_PX - 18, SMALL_PX, look.muted)
    return Figure(
        width=width_px,
        height=round(bottom + FOOT_PX),
        page=look.page,
        layers=(*layers, Layer("heading", (*heading, foot))),
        title=f"Sweep of station {content.station}",
        description=strip_description(content),
    )


@dataclass(frozen=True, slots=True)
class _Plot:
    """Where head angles and ranges lie on the picture; the plot's box [px]."""

    box: Box
    span_deg: tuple[float, float]
    top_m: float

    def x(self, head_deg: float | Floats) -> Floats:
        left, _, right, _ = self.box
        low, high = self.span_deg
        return np.asarray(right - (np.asarray(head_deg) - low) / (high - low) * (right - left))

    def y(self, range_m: float | Floats) -> Floats:
        _, top, _, bottom = self.box
        return np.asarray(bottom - np.asarray(range_m) / self.top_m * (bottom - top))


def strip_layers(content: StripContent, look: Theme, top: float, width_px: int) -> tuple[tuple[Layer, ...], float]:
    """Return the strip's layers below a height on a picture of a width [px], and where they end."""
    upper = top + 2 * RIM_PX + 6
    plot = _Plot((LEFT_PX, upper, width_px - RIGHT_PX, upper + PLOT_PX), content.span_deg, content.top_m)
    legend, bottom = _legend(content, look, upper + PLOT_PX + AXIS_PX, width_px)
    layers = (
        Layer("strip-findings", _findings(content, plot, look, top)),
        Layer("strip-rules", _rules(plot, look)),
        Layer("strip-arcs", _arcs(content, plot, look)),
        Layer("strip-readings", _readings(content, plot, look)),
        Layer("strip-rim", _rim(content, plot, look, top)),
        Layer("strip-labels", _labels(content, plot, look)),
        Layer("strip-axes", _axes(plot, look)),
        Layer("strip-legend", legend),
    )
    return layers, bottom


def _steps(plot: _Plot) -> tuple[float, float]:
    low, high = plot.span_deg
    return (15.0 if high - low <= 200.0 else 30.0), round_step(plot.top_m / 6.0)


def _rules(plot: _Plot, look: Theme) -> tuple[Mark, ...]:
    left, top, right, bottom = plot.box
    across, up = _steps(plot)
    columns = [round(float(plot.x(value))) for value in ticks(*plot.span_deg, across)]
    rows = [round(float(plot.y(value))) for value in ticks(0.0, plot.top_m, up)]
    upright = [rectangle((x, top, x + 1, bottom), look.rule, 0.13) for x in columns if left < x < right - 1]
    return (*upright, *(rectangle((left, y, right, y + 1), look.rule, 0.13) for y in rows if top < y < bottom - 1))


def _axes(plot: _Plot, look: Theme) -> tuple[Mark, ...]:
    left, top, right, bottom = plot.box
    across, up = _steps(plot)
    marks: list[Mark] = [
        rectangle((left - 2, top - 2, right + 2, top), look.ink),
        rectangle((left - 2, bottom, right + 2, bottom + 2), look.ink),
        rectangle((left - 2, top, left, bottom), look.ink),
        rectangle((right, top, right + 2, bottom), look.ink),
    ]
    for value in ticks(*plot.span_deg, across):
        x = round(float(plot.x(value)))
        marks.append(rectangle((x - 1, bottom + 2, x + 1, bottom + 9), look.ink))
        marks.append(Words(f"{value:g}", x, bottom + 13 + SMALL_PX, SMALL_PX, look.ink, "middle"))
    for value in ticks(0.0, plot.top_m, up):
        y = round(float(plot.y(value)))
        marks.append(rectangle((left - 9, y - 1, left - 2, y + 1), look.ink))
        marks.append(Words(tick_text(value, up), left - 14, y + SMALL_PX * 0.36, SMALL_PX, look.ink, "end"))
    low, high = plot.span_deg
    marks.append(Words("head angle [°]", (left + right) / 2, bottom + 62, TEXT_PX, look.ink, "middle"))
    for angle, words in ((180.0, "the robot's left"), (0.0, "its right")):
        anchor = "start" if angle >= high else "end" if angle <= low else "middle"
        marks.append(Words(words, float(plot.x(angle)), bottom + 62, SMALL_PX, look.muted, anchor))
    marks.append(Words("range [m]", left - 66, (top + bottom) / 2, TEXT_PX, look.ink, "middle", turned=True))
    return tuple(marks)


def _sort(turning: int) -> str:
    return {1: UP, -1: DOWN}.get(turning, UNKNOWN)


def _shape(sort: str, x: float, y: float, look: Theme, note: str = "") -> Stroke:
    if sort == DOWN:
        r = DOT_PX + 1.5
        triangle = straight((x, y - r), (x + r, y + r * 0.8), (x - r, y + r * 0.8))
        return Stroke(triangle, look.thing, 1.6, look.page, closed=True, note=note)
    colour = look.station if sort == UP else look.ink
    return Stroke(circle(x, y, DOT_PX, 20), fill=colour, closed=True, note=note)


def _distinct(x: Floats, y: Floats, sort: Ints) -> Ints:
    """Return the rows to draw: one for each place and sort, thinned until there are few enough."""
    apart = 2.0
    while True:
        keys = np.column_stack([np.rint(x / apart), np.rint(y / apart), sort])
        _, first = np.unique(keys, axis=0, return_index=True)
        if first.size <= MOST_DOTS:
            return np.sort(first)
        apart *= 1.4


def _readings(content: StripContent, plot: _Plot, look: Theme) -> tuple[Mark, ...]:
    rows = np.flatnonzero(np.isfinite(content.range_m) & (content.range_m <= plot.top_m))
    x, y = plot.x(content.head_deg[rows]), plot.y(content.range_m[rows])
    marks: list[Mark] = []
    shown = _distinct(x, y, content.turning[rows]) if rows.size else rows
    for at in shown.tolist():
        row = int(rows[at])
        note = ""
        if shown.size <= MOST_NOTES:
            note = f"reading {content.number[row]}: {content.range_m[row]:.3f} m at {content.head_deg[row]:.1f}°"
        marks.append(_shape(_sort(int(content.turning[row])), float(x[at]), float(y[at]), look, note))
    for row in np.flatnonzero(content.number == content.chosen).tolist() if content.chosen is not None else ():
        if math.isfinite(content.range_m[row]):
            place = circle(float(plot.x(content.head_deg[row])), float(plot.y(content.range_m[row])), 12.0)
            marks += [Stroke(place, look.halo, 6.0, closed=True), Stroke(place, look.ink, 3.0, closed=True)]
    return tuple(marks)


def _rim(content: StripContent, plot: _Plot, look: Theme, top: float) -> tuple[Mark, ...]:
    """Return the two rows above the plot: ticks where nothing was heard, crosses where there was no measurement."""
    left, _, right, _ = plot.box
    marks: list[Mark] = []
    for row, words in enumerate(("silent", "void")):
        line = top + row * RIM_PX + RIM_PX / 2
        marks.append(Words(words, left - 14, line + SMALL_PX * 0.36, SMALL_PX, look.muted, "end"))
        marks.append(rectangle((left, round(line), right, round(line) + 1), look.rule, 0.13))
    for row, chosen in enumerate((np.isposinf(content.range_m), np.isnan(content.range_m))):
        line = top + row * RIM_PX + RIM_PX / 2
        for x in np.unique(np.rint(plot.x(content.head_deg[chosen]))).tolist():
            if row == 0:
                marks.append(Stroke(straight((x, line - 7), (x, line + 7)), look.ink, 2.0))
            else:
                marks += [Stroke(straight((x - 4, line - a), (x + 4, line + a)), look.thing, 2.0) for a in (4, -4)]
    for row_at in np.flatnonzero(content.number == content.chosen).tolist() if content.chosen is not None else ():
        if not math.isfinite(content.range_m[row_at]):
            line = top + (0.5 if np.isposinf(content.range_m[row_at]) else 1.5) * RIM_PX
            ring = circle(float(plot.x(content.head_deg[row_at])), line, 11.0)
            marks.append(Stroke(ring, look.ink, 3.0, closed=True))
    return tuple(marks)


def _arcs(content: StripContent, plot: _Plot, look: Theme) -> tuple[Mark, ...]:
    """Return a broad bar for each arc of equal range; an edge that the beam itself made has an end."""
    marks: list[Mark] = []
    for number, plateau in enumerate(content.plateaus, start=1):
        left, at, right = content.head_of(plateau)
        y = float(plot.y(plateau.range_m))
        ends = [float(np.clip(plot.x(angle), plot.box[0], plot.box[2])) for angle in (left, right)]
        note = f"arc {number}: {plateau_words(plateau)}, {plateau.readings} readings"
        bar = straight((ends[0], y - 9), (ends[1], y - 9), (ends[1], y + 9), (ends[0], y + 9))
        marks.append(Stroke(bar, fill=look.arc, closed=True, opacity=0.28, note=note))
        for x, masked in zip(ends, (plateau.masked_left, plateau.masked_right), strict=True):
            if not masked:
                marks.append(Stroke(straight((x, y - 9), (x, y + 9)), look.arc, 3.0))
        x = float(plot.x(at))
        if plot.box[0] <= x <= plot.box[2]:  # a thing at the sweep's end may stand beyond it
            marks.append(Stroke(straight((x, y - 15), (x, y + 15)), look.arc, 4.0))
    return tuple(marks)


def _labels(content: StripContent, plot: _Plot, look: Theme) -> tuple[Mark, ...]:
    """Return each arc's number and bearing on the floor, where they hide least."""
    labels, texts = [], []
    for number, plateau in enumerate(content.plateaus, start=1):
        text = f"{number}: {float(wrap_deg(math.degrees(plateau.bearing_rad))):.0f}°"
        at = np.clip(plot.x(content.head_of(plateau)[1]), plot.box[0], plot.box[2])
        x, y = float(at), float(plot.y(plateau.range_m))
        labels.append(Label(x, y, text_width(text, SMALL_PX) + 16.0, 26.0, 17.0))
        texts.append(text)
    heard = np.isfinite(content.range_m)
    dots = np.column_stack([plot.x(content.head_deg[heard]), plot.y(content.range_m[heard])])
    places = np.unique(np.rint(dots / 8.0), axis=0)[:1500] * 8.0
    soft: list[Box] = [(a - DOT_PX, b - DOT_PX, a + DOT_PX, b + DOT_PX) for a, b in places.tolist()]
    left, top, right, bottom = plot.box
    marks: list[Mark] = []
    for text, place in zip(
        texts, place_labels(labels, (left + 4, top + 4, right - 4, bottom - 4), [], soft), strict=True
    ):
        if place.leader is not None:
            marks.append(Stroke(straight(*place.leader), look.arc, 1.6))
        marks.append(Stroke(rounded(place.box, 8.0), look.arc, 2.0, look.halo, closed=True))
        middle = ((place.box[0] + place.box[2]) / 2, (place.box[1] + place.box[3]) / 2)
        marks.append(Words(text, middle[0], middle[1] + SMALL_PX * 0.36, SMALL_PX, look.ink, "middle"))
    return tuple(marks)


def _findings(content: StripContent, plot: _Plot, look: Theme, top: float) -> tuple[Mark, ...]:
    marks: list[Mark] = []
    left, _, right, bottom = plot.box
    for number, finding in enumerate(content.findings, start=1):
        angles = sorted((math.degrees(finding.first_rad), math.degrees(finding.last_rad)))
        x1, x0 = (float(np.clip(plot.x(angle), left, right)) for angle in angles)
        if x1 - x0 < 6.0:
            x0, x1 = max(left, x0 - 3.0), min(right, x1 + 3.0)
        band = straight((x0, top), (x1, top), (x1, bottom), (x0, bottom))
        marks.append(Stroke(band, fill=look.thing, closed=True, opacity=0.16, note=finding.words))
        letter = Words(
            finding_letter(number), (x0 + x1) / 2, bottom - 8, SMALL_PX, look.thing, "middle", halo=look.halo
        )
        marks.append(letter)
    return tuple(marks)


def _legend(content: StripContent, look: Theme, top: float, width_px: int) -> tuple[tuple[Mark, ...], float]:
    """Return what the marks mean, in rows that wrap, then one row for each finding; and where they end."""
    heard = content.turning[np.isfinite(content.range_m)]
    entries = [
        (sort, f"echo, {sort}") for sort in (UP, DOWN, UNKNOWN) if any(_sort(int(t)) == sort for t in set(heard))
    ]
    if content.plateaus:
        entries.append(
            ("arc", "arc of equal range and its bearing; no bar at an end: hidden by a nearer echo, or the sweep ends")
        )
    if np.isposinf(content.range_m).any():
        entries.append(("silent", "listened, heard nothing"))
    if np.isnan(content.range_m).any():
        entries.append(("void", "no measurement"))
    marks: list[Mark] = []
    x, y = float(LEFT_PX), top + 12.0
    for sample, words in entries:
        wide = 44.0 + text_width(words, SMALL_PX)
        if x > LEFT_PX and x + wide > width_px - RIGHT_PX:
            x, y = float(LEFT_PX), y + ROW_PX
        marks += [*_sample(sample, x + 14.0, y, look), Words(words, x + 36.0, y + 6.5, SMALL_PX, look.ink)]
        x += wide + 26.0
    for number, finding in enumerate(content.findings, start=1):
        y += ROW_PX
        marks.append(Words(finding_letter(number), LEFT_PX + 14.0, y + 6.5, SMALL_PX, look.thing, "middle"))
        words = shortened(" ".join(finding.words.split()), SMALL_PX, width_px - RIGHT_PX - LEFT_PX - 36)
        marks.append(Words(words, LEFT_PX + 36.0, y + 6.5, SMALL_PX, look.ink))
    return tuple(marks), y + ROW_PX / 2


def _sample(sample: str, x: float, y: float, look: Theme) -> list[Stroke]:
    if sample == "arc":
        bar = straight((x - 13, y - 8), (x + 13, y - 8), (x + 13, y + 8), (x - 13, y + 8))
        ends = [Stroke(straight((x + a, y - 8), (x + a, y + 8)), look.arc, 3.0) for a in (-13, 13)]
        middle = Stroke(straight((x, y - 12), (x, y + 12)), look.arc, 4.0)
        return [Stroke(bar, fill=look.arc, closed=True, opacity=0.28), *ends, middle]
    if sample == "silent":
        return [Stroke(straight((x + a, y - 7), (x + a, y + 7)), look.ink, 2.0) for a in (-5, 0, 5)]
    if sample == "void":
        return [Stroke(straight((x - 4, y - a), (x + 4, y + a)), look.thing, 2.0) for a in (4, -4)]
    return [_shape(sample, x, y, look)]

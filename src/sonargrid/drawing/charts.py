"""Charts with two scales: an edge, round ticks, their numbers and what the axes are; places for points and lines.

For pictures of the bench, whose axes have different units; maps have `axes`.  Pixels, y downwards.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from sonargrid.arrays import Floats
from sonargrid.drawing.axes import round_step, tick_text, ticks
from sonargrid.drawing.palette import SMALL_PX, TEXT_PX, Theme
from sonargrid.drawing.shapes import Box, Mark, Stroke, Words, circle, rectangle, straight

TICK_SPACE_PX = 90.0


@dataclass(frozen=True, slots=True)
class Chart:
    """A plot's edges [px], the values at them (left, bottom, right, top), and the words along the axes."""

    box: Box
    values: tuple[float, float, float, float]
    x_words: str
    y_words: str
    x_step: float | None = None
    y_step: float | None = None

    def place(self, x: ArrayLike, y: ArrayLike) -> Floats:
        """Return (N, 2) places of values [px]; scalars give (2,)."""
        left, top, right, bottom = self.box
        x0, y0, x1, y1 = self.values
        across = left + (np.asarray(x, dtype=np.float64) - x0) / (x1 - x0) * (right - left)
        up = bottom - (np.asarray(y, dtype=np.float64) - y0) / (y1 - y0) * (bottom - top)
        return np.stack([across, up], axis=-1)

    def line(self, x: ArrayLike, y: ArrayLike, colour: str, width: float = 2.0) -> Stroke:
        """Return a line through values."""
        return Stroke(self.place(x, y), colour, width)

    def frame(self, theme: Theme) -> tuple[Mark, ...]:
        """Return rules, edge, ticks and words."""
        left, top, right, bottom = self.box
        x0, y0, x1, y1 = self.values
        x_step = self.x_step or round_step(abs(x1 - x0) * TICK_SPACE_PX / (right - left))
        y_step = self.y_step or round_step(abs(y1 - y0) * TICK_SPACE_PX / (bottom - top))
        marks: list[Mark] = []
        for value in ticks(min(x0, x1), max(x0, x1), x_step):
            x = round(float(self.place(value, y0)[0]))
            marks += [rectangle((x, top, x + 1, bottom), theme.rule, 0.13)]
            marks += [rectangle((x, bottom, x + 2, bottom + 8), theme.ink)]
            marks.append(Words(tick_text(value, x_step), x, bottom + 13 + SMALL_PX, SMALL_PX, theme.ink, "middle"))
        for value in ticks(min(y0, y1), max(y0, y1), y_step):
            y = round(float(self.place(x0, value)[1]))
            marks += [rectangle((left, y, right, y + 1), theme.rule, 0.13)]
            marks += [rectangle((left - 8, y, left, y + 2), theme.ink)]
            marks.append(Words(tick_text(value, y_step), left - 13, y + SMALL_PX * 0.36, SMALL_PX, theme.ink, "end"))
        edge = straight((left, top), (right, top), (right, bottom), (left, bottom))
        marks.append(Stroke(edge, theme.ink, 2.0, closed=True))
        marks.append(Words(self.x_words, (left + right) / 2, bottom + 62, TEXT_PX, theme.ink, "middle"))
        marks.append(Words(self.y_words, left - 78, (top + bottom) / 2, TEXT_PX, theme.ink, "middle", turned=True))
        return tuple(marks)


def dot(place: Floats, radius: float, fill: str | None, line: str | None = None) -> Stroke:
    """Return a round mark."""
    return Stroke(circle(float(place[0]), float(place[1]), radius, 16), line, 2.0, fill=fill, closed=True)


def cross(place: Floats, radius: float, colour: str) -> tuple[Stroke, Stroke]:
    """Return an upright-free mark of two slanting strokes."""
    x, y = float(place[0]), float(place[1])
    one = straight((x - radius, y - radius), (x + radius, y + radius))
    other = straight((x - radius, y + radius), (x + radius, y - radius))
    return Stroke(one, colour, 2.5), Stroke(other, colour, 2.5)


def error_bar(chart: Chart, x: float, low: float, high: float, colour: str) -> tuple[Stroke, ...]:
    """Return an upright bar between two values with short ends."""
    top, bottom = chart.place(x, high), chart.place(x, low)
    across = float(top[0])
    ends = [
        Stroke(straight((across - 6.0, float(y)), (across + 6.0, float(y))), colour, 2.5) for y in (top[1], bottom[1])
    ]
    return Stroke(np.stack([top, bottom]), colour, 2.5), *ends


def triangle(place: Floats, radius: float, colour: str, left: bool) -> Stroke:
    """Return a filled triangle that points to the left, or to the right."""
    x, y, way = float(place[0]), float(place[1]), -1.0 if left else 1.0
    corners = straight((x + way * radius, y), (x - way * radius, y - radius), (x - way * radius, y + radius))
    return Stroke(corners, None, 1.0, fill=colour, closed=True)

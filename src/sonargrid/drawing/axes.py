"""The view of a map: which floor is shown where on the picture, with round ticks, fine rules and a scale bar.

The floor's y grows upwards, the picture's downwards: `View.place` is the one crossing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from sonargrid.arrays import Floats
from sonargrid.drawing.palette import SMALL_PX, TEXT_PX, Theme
from sonargrid.drawing.shapes import Box, Mark, Stroke, Words, rectangle, straight
from sonargrid.maps.grid import GridFrame

LEAST_PX = 430  # a plot is at least this wide and high, however narrow its frame
TICK_SPACE_PX = 95.0  # between ticks, at least
SHARP_FROM_PX = 3.0  # cells this wide are drawn whole pixels wide


@dataclass(frozen=True, slots=True)
class View:
    """Where the floor lies on the picture.

    box : the plot's edges [px], whole numbers
    cells : the edges of the grid's frame [px], inside the box
    px_per_m : scale
    origin_px : where the floor's (0, 0) would lie
    """

    box: Box
    cells: Box
    px_per_m: float
    origin_px: tuple[float, float]

    def place(self, x_m: ArrayLike, y_m: ArrayLike) -> Floats:
        """Return (N, 2) places on the picture of floor points [px]; scalars give (2,)."""
        x = self.origin_px[0] + np.asarray(x_m, dtype=np.float64) * self.px_per_m
        y = self.origin_px[1] - np.asarray(y_m, dtype=np.float64) * self.px_per_m
        return np.stack([x, y], axis=-1)

    @property
    def edges_m(self) -> tuple[float, float, float, float]:
        """(x_min, y_min, x_max, y_max) of the floor that is shown [m]."""
        left, top, right, bottom = self.box
        x0, y0 = self.origin_px
        s = self.px_per_m
        return (left - x0) / s, (y0 - bottom) / s, (right - x0) / s, (y0 - top) / s

    def shows(self, x_m: float, y_m: float) -> bool:
        """Return True if a floor point lies in the plot."""
        left, bottom, right, top = self.edges_m
        return left <= x_m <= right and bottom <= y_m <= top


def plot_size_px(frame: GridFrame, long_side_px: int) -> tuple[int, int, float]:
    """Return (width, height, pixels a cell) of a plot whose longer side comes near a length.

    >>> plot_size_px(GridFrame(0.01, (0, 0), 100, 220), 1200)
    (1100, 500, 5.0)
    """
    per_cell = long_side_px / max(frame.rows, frame.columns)
    if per_cell >= SHARP_FROM_PX:
        per_cell = float(round(per_cell))
    wide, high = (max(LEAST_PX, round(cells * per_cell)) for cells in (frame.columns, frame.rows))
    return wide, high, per_cell


def view_of(frame: GridFrame, left: int, top: int, size: tuple[int, int, float]) -> View:
    """Return the view with its upper-left corner at a place [px], the frame in its middle."""
    wide, high, per_cell = size
    frame_wide, frame_high = round(frame.columns * per_cell), round(frame.rows * per_cell)
    x, y = left + (wide - frame_wide) // 2, top + (high - frame_high) // 2
    px_per_m = per_cell / frame.cell_m
    origin = (x - frame.corner_m[0] * px_per_m, y + frame_high + frame.corner_m[1] * px_per_m)
    return View((left, top, left + wide, top + high), (x, y, x + frame_wide, y + frame_high), px_per_m, origin)


def round_step(least: float) -> float:
    """Return the smallest 1, 2 or 5 times a power of ten that is not below `least`.

    >>> round_step(0.013), round_step(0.3), round_step(5.0)
    (0.02, 0.5, 5.0)
    """
    power = 10.0 ** math.floor(math.log10(least) + 1e-9)
    for digit in (1.0, 2.0, 5.0):
        if digit * power >= least * (1.0 - 1e-9):
            return float(f"{digit * power:.12g}")
    return float(f"{10.0 * power:.12g}")


def ticks(low: float, high: float, step: float) -> tuple[float, ...]:
    """Return the whole multiples of a step from low to high.

    >>> ticks(-0.25, 0.61, 0.2)
    (-0.2, 0.0, 0.2, 0.4, 0.6)
    """
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return tuple(float(f"{n * step:.12g}") + 0.0 for n in range(first, last + 1))


def tick_text(value: float, step: float) -> str:
    """Return a tick's number with as many decimals as its step needs.

    >>> tick_text(0.5, 0.25), tick_text(-2.0, 1.0)
    ('0.50', '-2')
    """
    decimals = max(0, len(f"{step:.10f}".rstrip("0").split(".")[1]))
    return f"{value:.{decimals}f}"


def length_text(length_m: float) -> str:
    """Return a round length in the unit people would say it in.

    >>> length_text(0.05), length_text(2.0), length_text(0.5)
    ('5 cm', '2 m', '50 cm')
    """
    return f"{length_m:g} m" if length_m >= 1.0 else f"{length_m * 100:g} cm"


def floor_rules(view: View, theme: Theme) -> tuple[Mark, ...]:
    """Return fine rules over the plot at the ticks of both axes."""
    left, top, right, bottom = view.box
    x_low, y_low, x_high, y_high = view.edges_m
    step = round_step(TICK_SPACE_PX / view.px_per_m)
    columns = [round(float(view.place(value, 0.0)[0])) for value in ticks(x_low, x_high, step)]
    rows = [round(float(view.place(0.0, value)[1])) for value in ticks(y_low, y_high, step)]
    upright = [rectangle((x, top, x + 1, bottom), theme.rule, 0.13) for x in columns if left < x < right - 1]
    level = [rectangle((left, y, right, y + 1), theme.rule, 0.13) for y in rows if top < y < bottom - 1]
    return (*upright, *level)


def axes(view: View, theme: Theme) -> tuple[Mark, ...]:
    """Return the plot's edge, its ticks, their numbers, and what the axes are."""
    left, top, right, bottom = view.box
    x_low, y_low, x_high, y_high = view.edges_m
    step = round_step(TICK_SPACE_PX / view.px_per_m)
    marks: list[Mark] = []
    for edge in ((left - 2, top - 2, right + 2, top), (left - 2, bottom, right + 2, bottom + 2)):
        marks.append(rectangle(edge, theme.ink))
    for edge in ((left - 2, top, left, bottom), (right, top, right + 2, bottom)):
        marks.append(rectangle(edge, theme.ink))
    for value in ticks(x_low, x_high, step):
        x = round(float(view.place(value, 0.0)[0]))
        marks.append(rectangle((x, bottom + 2, x + 2, bottom + 9), theme.ink))
        marks.append(Words(tick_text(value, step), x, bottom + 13 + SMALL_PX, SMALL_PX, theme.ink, "middle"))
    for value in ticks(y_low, y_high, step):
        y = round(float(view.place(0.0, value)[1]))
        marks.append(rectangle((left - 9, y, left - 2, y + 2), theme.ink))
        marks.append(Words(tick_text(value, step), left - 14, y + SMALL_PX * 0.36, SMALL_PX, theme.ink, "end"))
    marks.append(Words("x [m]", (left + right) / 2, bottom + 62, TEXT_PX, theme.ink, "middle"))
    marks.append(Words("y [m]", left - 66, (top + bottom) / 2, TEXT_PX, theme.ink, "middle", turned=True))
    return tuple(marks)


def scale_bar(view: View, x: float, y: float, room_px: float, theme: Theme) -> tuple[Mark, ...]:
    """Return a bar of the longest round length that fits the room, in two tones, from (x, y) to the right."""
    length = round_step(room_px * 0.4 / view.px_per_m)  # steps grow by 2.5 at most
    wide = length * view.px_per_m
    middle, high = x + wide / 2, 8.0
    outline = straight((x, y), (x + wide, y), (x + wide, y + high), (x, y + high))
    half = straight((x, y), (middle, y), (middle, y + high), (x, y + high))
    return (
        Stroke(half, fill=theme.ink, closed=True),
        Stroke(outline, theme.ink, 1.5, closed=True),
        Words("0", x, y + 14 + SMALL_PX, SMALL_PX, theme.ink, "middle"),
        Words(length_text(length), x + wide, y + 14 + SMALL_PX, SMALL_PX, theme.ink, "middle"),
    )

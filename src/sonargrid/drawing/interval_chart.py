"""Means with their intervals, side by side: a row each, a panel a figure, rows in groups.

A dot is a mean, the bar through it its interval; a row without an interval has the dot alone.  Pictures in pixels, y
downwards.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from sonargrid.drawing.axes import round_step, tick_text, ticks
from sonargrid.drawing.charts import dot
from sonargrid.drawing.palette import SMALL_PX, TEXT_PX, TITLE_PX, Theme, theme_named
from sonargrid.drawing.raster import figure_png, shortened, text_width
from sonargrid.drawing.shapes import Figure, Layer, Mark, Stroke, Words, rectangle, straight

WIDE, EDGE, GAP = 1400, 40.0, 36.0
ROW_PX, GROUP_PX, TOP, FOOT = 44.0, 40.0, 176.0, 118.0
LABEL_PX = 340.0  # widest the rows' names may be
TICK_SPACE_PX = 70.0


@dataclass(frozen=True, slots=True)
class IntervalRow:
    """One row: its group, its name, and (mean, low, high) for each panel; nan = unknown."""

    group: str
    name: str
    values: tuple[tuple[float, float, float], ...]


def interval_chart(
    rows: Sequence[IntervalRow], panels: Sequence[str], title: str, foot: str = "", theme: str = "light"
) -> bytes:
    """Return the chart as PNG.

    Parameters
    ----------
    rows : sequence of IntervalRow
        In the order to be drawn; rows of a group stand together.
    panels : sequence of str
        What each value is, unit included.
    title, foot : str
        Above and below.
    theme : str
        ``light`` or ``dark``.

    Raises
    ------
    ValueError
        If there is no row, or a row has not one value a panel.
    """
    if not rows or any(len(row.values) != len(panels) for row in rows):
        raise ValueError("every row needs one value a panel, and there must be a row")
    look = theme_named(theme)
    names = min(LABEL_PX, max(text_width(row.name, TEXT_PX) for row in rows)) + 24.0
    wide = (WIDE - 2 * EDGE - names - GAP * (len(panels) - 1)) / len(panels)
    places, bottom = _places(rows)
    marks: list[Mark] = [Words(shortened(title, TITLE_PX, WIDE - 2 * EDGE), EDGE, 66.0, TITLE_PX, look.ink)]
    for row, y, head in places:
        if head is not None:
            marks.append(Words(shortened(row.group, TEXT_PX, WIDE - 2 * EDGE), EDGE, head, TEXT_PX, look.muted))
        marks.append(Words(shortened(row.name, TEXT_PX, names - 24.0), EDGE, y + 0.36 * TEXT_PX, TEXT_PX, look.ink))
    for number, words in enumerate(panels):
        left = EDGE + names + number * (wide + GAP)
        values = [(y, row.values[number]) for row, y, _ in places]
        marks += _panel(values, words, (left, TOP - 30.0, left + wide, bottom), look)
    marks.append(Words(shortened(foot, SMALL_PX, WIDE - 2 * EDGE), EDGE, bottom + FOOT - 24.0, SMALL_PX, look.muted))
    return figure_png(Figure(WIDE, round(bottom + FOOT), look.page, (Layer("chart", tuple(marks)),), title))


def _places(rows: Sequence[IntervalRow]) -> tuple[list[tuple[IntervalRow, float, float | None]], float]:
    """Return each row with its height and, where a group begins, that of its name; and where all end."""
    places: list[tuple[IntervalRow, float, float | None]] = []
    y, group = TOP, None
    for row in rows:
        head = None
        if row.group != group:
            y += GROUP_PX if row.group else 0.0
            head, group = (y - 8.0 if row.group else None), row.group
        places.append((row, y + 0.5 * ROW_PX, head))
        y += ROW_PX
    return places, y


def _panel(
    values: Sequence[tuple[float, tuple[float, float, float]]],
    words: str,
    box: tuple[float, float, float, float],
    look: Theme,
) -> list[Mark]:
    left, top, right, bottom = box
    known = [one for _, three in values for one in three if math.isfinite(one)]
    low, high = (min(known), max(known)) if known else (0.0, 1.0)
    spare = 0.06 * (high - low) or 0.05 * abs(high) or 0.5
    low, high = low - spare, high + spare
    step = round_step((high - low) * TICK_SPACE_PX / (right - left))

    def across(value: float) -> float:
        return left + (value - low) / (high - low) * (right - left)

    marks: list[Mark] = [Words(shortened(words, TEXT_PX, right - left), left, top - 16.0, TEXT_PX, look.ink)]
    for value in ticks(low, high, step):
        x = round(across(value))
        marks.append(rectangle((x, top, x + 1, bottom), look.rule, 0.13))
        marks.append(Words(tick_text(value, step), x, bottom + 14 + SMALL_PX, SMALL_PX, look.ink, "middle"))
    frame = straight((left, top), (right, top), (right, bottom), (left, bottom))
    marks.append(Stroke(frame, look.ink, 1.5, closed=True, opacity=0.6))
    for y, (mean, start, end) in values:
        if math.isfinite(start) and math.isfinite(end):
            marks.append(Stroke(straight((across(start), y), (across(end), y)), look.station, 3.0))
            for edge in (across(start), across(end)):
                marks.append(Stroke(straight((edge, y - 8.0), (edge, y + 8.0)), look.station, 3.0))
        if math.isfinite(mean):
            marks.append(dot(straight((across(mean), y))[0], 5.5, look.thing, look.halo))
    return marks

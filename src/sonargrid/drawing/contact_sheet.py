"""Pages of small maps, one a run of a batch, each with its name and what was found: the whole term at one look.

Pictures in pixels, y downwards.  The maps are the runs' own map.png, made smaller; nothing is drawn into them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sonargrid.drawing.palette import SMALL_PX, TEXT_PX, TITLE_PX, Theme, theme_named
from sonargrid.drawing.raster import figure_png, png_pixels, shortened
from sonargrid.drawing.shapes import Figure, Layer, Mark, Raster, Stroke, Words, rounded

COLUMNS, ROWS = 3, 4
WIDE, HIGH = 1400, 1840
EDGE, GAP, TOP = 40.0, 24.0, 112.0
WORDS_PX = 64.0  # room under each picture


@dataclass(frozen=True, slots=True)
class Small:
    """One run on a page: its name, one line of words, and its map.png; None = there is none."""

    name: str
    words: str
    png: bytes | None


def contact_pages(runs: Sequence[Small], title: str, theme: str = "light") -> tuple[bytes, ...]:
    """Return the pages as PNG, twelve runs each; none where there is no run.

    Parameters
    ----------
    runs : sequence of Small
    title : str
        Stands on every page, with the page's number.
    theme : str
        ``light`` or ``dark``.
    """
    look = theme_named(theme)
    each = COLUMNS * ROWS
    count = -(-len(runs) // each)
    return tuple(
        figure_png(_page(runs[each * page : each * (page + 1)], title, page + 1, count, look)) for page in range(count)
    )


def _page(runs: Sequence[Small], title: str, page: int, count: int, look: Theme) -> Figure:
    wide = (WIDE - 2 * EDGE - (COLUMNS - 1) * GAP) / COLUMNS
    high = (HIGH - TOP - EDGE - (ROWS - 1) * GAP) / ROWS
    rows = -(-len(runs) // COLUMNS)
    marks: list[Mark] = [
        Words(shortened(title, TITLE_PX, WIDE - 2 * EDGE - 220.0), EDGE, 66.0, TITLE_PX, look.ink),
        Words(f"page {page} of {count}", WIDE - EDGE, 66.0, TEXT_PX, look.muted, "end"),
    ]
    for place, run in enumerate(runs):
        row, column = divmod(place, COLUMNS)
        left, top = EDGE + column * (wide + GAP), TOP + row * (high + GAP)
        marks += _cell(run, (left, top, left + wide, top + high), look)
    height = round(TOP + rows * (high + GAP) - GAP + EDGE)
    return Figure(WIDE, height, look.page, (Layer("runs", tuple(marks)),), title)


def _cell(run: Small, box: tuple[float, float, float, float], look: Theme) -> list[Mark]:
    left, top, right, bottom = box
    room = (left, top, right, bottom - WORDS_PX)
    frame = Stroke(rounded(room, 8.0), look.rule, 1.0, None, closed=True, opacity=0.35)
    middle = 0.5 * (left + right)
    marks: list[Mark] = [frame]
    if run.png is None:
        marks.append(Words("no map", middle, 0.5 * (room[1] + room[3]), TEXT_PX, look.muted, "middle"))
    else:
        pixels = png_pixels(run.png)
        scale = min((right - left - 8.0) / pixels.shape[1], (room[3] - top - 8.0) / pixels.shape[0])
        wide, high = scale * pixels.shape[1], scale * pixels.shape[0]
        x, y = middle - 0.5 * wide, 0.5 * (room[1] + room[3]) - 0.5 * high
        marks.append(Raster(np.ascontiguousarray(pixels), (x, y, x + wide, y + high)))
    width = right - left
    marks.append(Words(shortened(run.name, TEXT_PX, width), left, bottom - 34.0, TEXT_PX, look.ink))
    marks.append(Words(shortened(run.words, SMALL_PX, width), left, bottom - 8.0, SMALL_PX, look.muted))
    return marks

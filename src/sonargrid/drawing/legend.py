"""What the marks mean, and the list of things, set in columns beside or below a map.

Everything is a block of whole rows, so that one packer serves both places.  Pixels, y downwards.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from sonargrid.drawing.axes import View, scale_bar
from sonargrid.drawing.marks import corner_arms, diamond, station_mark
from sonargrid.drawing.palette import SMALL_PX, TEXT_PX, Theme, probability_at, ramp
from sonargrid.drawing.shapes import Mark, Raster, Stroke, Words, cased, circle, dashes, rectangle, straight
from sonargrid.finding.things import Object

ROW_PX, COLUMN_PX, GAP_PX = 30, 322, 34
LIST_TOGETHER = 12  # lists of so many rows are never torn apart
SAMPLE_PX = 62  # room for a mark before its words
KIND_WORDS = {
    "post": "post, its true size",
    "post?": "post, size not known",
    "cluster": "thing without a known shape",
    "echo": "echo: arc of equal range",
    "wall": "wall and its ends",
    "corner": "corner of two walls",
}


@dataclass(frozen=True, slots=True)
class Block:
    """Some rows of the legend that stay together.

    draw : takes the upper-left corner [px]
    lead : rows left empty above it, unless it starts a column
    whole : rows that had better stay in one column, from this block on; 0 = its own
    head : one row that is repeated above it where it starts a column
    """

    rows: int
    draw: Callable[[float, float], tuple[Mark, ...]]
    lead: int = 0
    whole: int = 0
    head: Callable[[float, float], tuple[Mark, ...]] | None = None


def _entry(words: str, theme: Theme, sample: Callable[[float, float], Sequence[Mark]]) -> Block:
    def draw(x: float, y: float) -> tuple[Mark, ...]:
        middle = y + ROW_PX / 2
        text = Words(words, x + SAMPLE_PX, middle + SMALL_PX * 0.36, SMALL_PX, theme.ink)
        return (*sample(x + 24.0, middle), text)

    return Block(1, draw)


def evidence_block(prior: float, theme: Theme) -> Block:
    """Return the evidence scale with its three words and the probabilities they stand for."""
    percent = [(step / 4.0, f"{100.0 * probability_at(step / 2.0 - 1.0, prior):.2g}") for step in range(4)]
    percent.append((1.0, "100"))
    percent[0] = (0.0, "0 %")

    def draw(x: float, y: float) -> tuple[Mark, ...]:
        wide, high = COLUMN_PX - 22, 22
        marks: list[Mark] = [Words("free", x, y + 21, SMALL_PX, theme.ink)]
        marks.append(Words("unknown", x + wide / 2, y + 21, SMALL_PX, theme.ink, "middle"))
        marks.append(Words("occupied", x + wide, y + 21, SMALL_PX, theme.ink, "end"))
        # whole pixels: the scale is a picture and must not blur at its ends
        left, top = round(x), round(y) + 30
        marks.append(rectangle((left - 1, top - 1, left + wide + 1, top + high + 1), theme.ink))
        marks.append(Raster(ramp(theme)[None, :, :], (left, top, left + wide, top + high)))
        for place, words in percent:
            anchor = {0.0: "start", 1.0: "end"}.get(place, "middle")
            marks.append(Words(words, x + place * wide, y + 76, SMALL_PX, theme.muted, anchor))
        return tuple(marks)

    return Block(3, draw)


def bar_block(view: View, theme: Theme) -> Block:
    """Return the scale bar."""

    def draw(x: float, y: float) -> tuple[Mark, ...]:
        return scale_bar(view, x + 8, y + 14, COLUMN_PX - 60, theme)

    return Block(2, draw)


def _kind_sample(kind: str, theme: Theme) -> Callable[[float, float], Sequence[Mark]]:
    turn = np.linspace(-0.55, 0.55, 15)

    def arc(x: float, y: float) -> Sequence[Mark]:
        points = np.column_stack([x - 17.0 + 22.0 * np.cos(turn), y + 22.0 * np.sin(turn)])
        return cased(points, theme.thing, 5.0, theme.halo)

    def wall(x: float, y: float) -> Sequence[Mark]:
        bars = (straight((x - 20, y), (x + 20, y)), straight((x - 20, y - 8), (x - 20, y + 8)))
        lines = (*bars, straight((x + 20, y - 8), (x + 20, y + 8)))
        return [Stroke(line, theme.wall, 6.0 if index == 0 else 4.0) for index, line in enumerate(lines)]

    samples: dict[str, Callable[[float, float], Sequence[Mark]]] = {
        "post": lambda x, y: cased(circle(x, y, 9.0), theme.thing, 3.0, theme.halo, closed=True),
        "post?": lambda x, y: [
            Stroke(straight((x - 7, y), (x + 7, y)), theme.thing, 3.0),
            Stroke(straight((x, y - 7), (x, y + 7)), theme.thing, 3.0),
        ],
        "cluster": lambda x, y: cased(diamond(x, y, 9.0), theme.thing, 3.0, theme.halo, closed=True),
        "echo": arc,
        "wall": wall,
        "corner": lambda x, y: [
            Stroke(corner_arms(x - 6, y + 6, (0.0, math.pi / 2), 19.0), theme.wall, 5.0),
            Stroke(circle(x - 6, y + 6, 5.0, 24), theme.wall, 2.5, theme.halo, closed=True),
        ],
    }
    return samples[kind]


def thing_kinds(things: Sequence[Object]) -> list[str]:
    """Return the entries that the things of a map need, in the order of `KIND_WORDS`."""
    there = {"post?" if thing.kind == "post" and math.isnan(thing.diameter_m) else thing.kind for thing in things}
    return [kind for kind in KIND_WORDS if kind in there]


def mark_blocks(
    things: Sequence[Object], theme: Theme, stations: bool, path: bool, reach: bool, arcs: bool
) -> list[Block]:
    """Return one row for each sort of mark that the map has."""
    blocks = []
    if stations:
        blocks.append(
            _entry("station, facing this way", theme, lambda x, y: station_mark(x - 10, y, 0.0, theme).strokes)
        )
    if path:
        way = lambda x, y: cased(straight((x - 22, y), (x + 22, y)), theme.station, 2.5, theme.halo)  # noqa: E731
        blocks.append(_entry("the robot's way", theme, way))
    if reach:
        blocks.append(
            _entry(
                "reach of the ranger",
                theme,
                lambda x, y: [
                    Stroke(piece, theme.muted, 2.0) for piece in dashes(straight((x - 22, y), (x + 22, y)), 9.0, 8.0)
                ],
            )
        )
    if arcs:
        blocks.append(
            _entry(
                "arc not yet explained",
                theme,
                lambda x, y: [rectangle((round(x) - 22, round(y) - 8, round(x) + 22, round(y) + 8), theme.arc, 0.5)],
            )
        )
    blocks += [_entry(KIND_WORDS[kind], theme, _kind_sample(kind, theme)) for kind in thing_kinds(things)]
    if any(math.isfinite(thing.x_sigma_m) and thing.kind != "wall" for thing in things):
        turn = np.linspace(0.0, 2.0 * math.pi, 48, endpoint=False)

        def ellipse(x: float, y: float) -> Sequence[Mark]:
            points = np.column_stack([x + 19.0 * np.cos(turn), y + 9.0 * np.sin(turn)])
            inside = Stroke(points, fill=theme.thing, closed=True, opacity=0.18)
            return [inside, Stroke(points, theme.thing, 1.6, closed=True)]

        blocks.append(_entry("95 % ellipse of a centre", theme, ellipse))
    return blocks


def _cells(texts: Sequence[str], theme: Theme, colour: str) -> Callable[[float, float], tuple[Mark, ...]]:
    places = ((26.0, "end"), (42.0, "start"), (176.0, "end"), (240.0, "end"), (304.0, "end"))

    def draw(x: float, y: float) -> tuple[Mark, ...]:
        line = y + ROW_PX / 2 + SMALL_PX * 0.36
        return tuple(
            Words(text, x + at, line, SMALL_PX, colour, anchor)
            for text, (at, anchor) in zip(texts, places, strict=True)
            if text
        )

    return draw


def _give_or_take(thing: Object, decimals: int) -> str:
    if not (math.isfinite(thing.x_sigma_m) and math.isfinite(thing.y_sigma_m)):
        return ""
    return f"{math.hypot(thing.x_sigma_m, thing.y_sigma_m):.{decimals}f}"


def thing_blocks(things: Sequence[Object], theme: Theme, rows: int, decimals: int) -> list[Block]:
    """Return the list of things in at most so many rows; what does not fit is counted in the last one.

    The head and the first row stay together; places have so many decimals [m].
    """
    if not things or rows < 5:
        return []
    shown = len(things) if len(things) + 2 <= rows else rows - 3
    head = _cells(("", "thing", "x [m]", "y [m]", "± [m]"), theme, theme.muted)
    lines = []
    for number, thing in enumerate(things[:shown], start=1):
        # adding 0.0 after rounding keeps "-0.00" out
        x, y = (f"{round(value, decimals) + 0.0:.{decimals}f}" for value in (thing.x_m, thing.y_m))
        cells = (str(number), thing.kind, x, y, _give_or_take(thing, decimals))
        lines.append(_cells(cells, theme, theme.ink))
    first = lines[0]
    blocks = [
        Block(
            2, lambda x, y: (*head(x, y), *first(x, y + ROW_PX)), lead=1, whole=len(lines) + 1 + (shown < len(things))
        )
    ]
    blocks += [Block(1, line, head=head) for line in lines[1:]]
    if shown < len(things):
        rest = _cells(("", f"and {len(things) - shown} more in objects.csv", "", "", ""), theme, theme.muted)
        blocks.append(Block(1, rest))
    return blocks


def column_rows(blocks: Sequence[Block], columns: int) -> int:
    """Return the least height, in rows, at which blocks fit into so many columns in their order."""
    rows = max(max(block.rows, min(block.whole, LIST_TOGETHER)) for block in blocks)
    rows = max(rows, -(-sum(block.rows for block in blocks) // columns))
    while max(number for number, _, _ in _settled(blocks, rows)) >= columns:
        rows += 1
    return rows


def _settled(blocks: Sequence[Block], rows: int) -> list[tuple[int, int, Block]]:
    """Return (column, row, block) of blocks set one below the other in columns of so many rows."""
    column, row = 0, 0
    places = []
    for block in blocks:
        lead = block.lead if row else 0
        wanted = max(block.rows, min(block.whole, rows))
        if row and row + lead + wanted > rows:
            column, row, lead = column + 1, 0, 0
            if block.head is not None:
                places.append((column, 0, Block(1, block.head)))
                row = 1
        places.append((column, row + lead, block))
        row += lead + block.rows
    return places


def set_blocks(blocks: Sequence[Block], left: float, top: float, rows: int) -> tuple[Mark, ...]:
    """Return the marks of blocks set in columns of so many rows, the first at a place [px]."""
    return tuple(
        mark
        for column, row, block in _settled(blocks, rows)
        for mark in block.draw(left + column * (COLUMN_PX + GAP_PX), top + row * ROW_PX)
    )


def title_marks(title: str, subtitle: str, left: float, top: float, theme: Theme, size: int) -> tuple[Mark, ...]:
    """Return the heading of a picture."""
    marks: list[Mark] = []
    if title:
        marks.append(Words(title, left, top + size, size, theme.ink))
    if subtitle:
        marks.append(Words(subtitle, left, top + (size + 12 if title else 0) + TEXT_PX, TEXT_PX, theme.muted))
    return tuple(marks)

"""A map as characters: what a terminal can show of it, before colours become escape codes.

A coloured screen shows two squares of floor in each character (upper and lower half block), a plain one a letter for
each character.  Things and stations are the same on both: their number or name where they stand.  Nothing is printed
here; columns and lines count from the upper-left corner, floor axes are in metres.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sonargrid.drawing.axes import length_text, round_step, tick_text, ticks
from sonargrid.drawing.palette import Pixels, Theme, blend, evidence_colours, ramp, rgb, theme_named
from sonargrid.drawing.pictures import MapContent, is_way
from sonargrid.drawing.screen_squares import (
    OUTLINE,
    RIM,
    WALL,
    WALL_RIM,
    WAY,
    Chip,
    Squares,
    chips_of,
    settled,
    squares_of,
)

Colour = tuple[int, int, int]

LEFT_COLUMNS = 7  # for the numbers of the y axis and its line
UNDER_LINES = 2  # for the x axis and its numbers
TICK_COLUMNS, TICK_LINES = 9, 4  # between ticks, at least
FREE, MAYBE, SURE = -0.12, 0.25, 0.6  # places on the evidence scale from which plain letters change
UPPER_HALF = "▀"
TINT = 0.55  # how much of its colour the rim of an ellipse has


@dataclass(frozen=True, slots=True)
class Piece:
    """Some characters of one colour pair; None = the screen's own."""

    text: str
    front: Colour | None = None
    back: Colour | None = None


Line = tuple[Piece, ...]


def screen_map(content: MapContent, columns: int, lines: int, theme: str = "dark", plain: bool = False) -> list[Line]:
    """Return a map as lines of characters with its axes, scale and legend, none wider than `columns`.

    Parameters
    ----------
    content : MapContent
    columns, lines : int
        Room on the screen, in characters; the legend comes on top of the lines.
    theme : str
        ``light`` or ``dark``; a plain map has no colours.
    plain : bool
        Letters of ASCII only, no colour.

    Raises
    ------
    ValueError
        If the theme is unknown.

    Examples
    --------
    >>> from sonargrid.maps.grid import GridFrame
    >>> content = MapContent(GridFrame(0.1, (0, 0), 4, 20), np.full((4, 20), 0.9))
    >>> print(plain_text(screen_map(content, 28, 4, plain=True)).splitlines()[0])
          |####################
    """
    look = theme_named(theme)
    squares = squares_of(content, max(8, columns - LEFT_COLUMNS - 1), max(3, lines))
    texts = settled(chips_of(content, plain), squares)
    body = _plain_body(content, squares, texts) if plain else _colour_body(content, squares, texts, look)
    names = _y_names(squares)
    upright = "|" if plain else "│"
    made: list[Line] = [
        (Piece(f"{names.get(line, ''):>{LEFT_COLUMNS - 1}}{upright}"), *pieces) for line, pieces in enumerate(body)
    ]
    made += _x_axis(squares, plain)
    made += _legend(content, squares, columns, look, plain)
    return made


def plain_text(lines: list[Line]) -> str:
    """Return lines as text without colours, blanks at their ends cut off."""
    return "\n".join("".join(piece.text for piece in line).rstrip() for line in lines)


def _colour_body(
    content: MapContent, squares: Squares, texts: dict[tuple[int, int], tuple[str, Chip]], look: Theme
) -> list[Line]:
    colours = evidence_colours(squares.probability, content.prior, look, squares.touched)
    for mark, colour in ((OUTLINE, look.thing), (WALL, look.wall), (WAY, look.station)):
        colours[squares.marks == mark] = rgb(colour)
    for mark, colour in ((RIM, look.thing), (WALL_RIM, look.wall)):
        rim = squares.marks == mark
        colours[rim] = np.rint((1.0 - TINT) * colours[rim] + TINT * np.array(rgb(colour))).astype(np.uint8)
    body = []
    for line in range(squares.lines):
        pieces: list[Piece] = []
        for column in range(squares.columns):
            front, back = (_triple(colours[2 * line + half, column]) for half in (0, 1))
            letter = UPPER_HALF
            if (line, column) in texts:
                letter, chip = texts[line, column]
                ground = look.station if chip.station else look.thing if chip.counted else look.wall
                front, back = rgb(look.halo), rgb(ground)
            pieces.append(Piece(letter, front, back))
        body.append(_joined(pieces))
    return body


def _triple(colour: Pixels) -> Colour:
    return int(colour[0]), int(colour[1]), int(colour[2])


def _joined(pieces: list[Piece]) -> Line:
    """Return the same line with neighbours of one colour pair made one piece."""
    made: list[Piece] = []
    for piece in pieces:
        if made and (made[-1].front, made[-1].back) == (piece.front, piece.back):
            made[-1] = replace(made[-1], text=made[-1].text + piece.text)
        else:
            made.append(piece)
    return tuple(made)


def _plain_body(content: MapContent, squares: Squares, texts: dict[tuple[int, int], tuple[str, Chip]]) -> list[Line]:
    p = squares.probability
    place = np.where(p < content.prior, (p - content.prior) / content.prior, (p - content.prior) / (1 - content.prior))
    place[~squares.touched] = 0.0
    pairs = place.reshape(squares.lines, 2, squares.columns)
    high, low = pairs.max(axis=1), pairs.min(axis=1)
    marks = squares.marks.reshape(squares.lines, 2, squares.columns).max(axis=1)
    wall = np.any(squares.marks.reshape(squares.lines, 2, squares.columns) == WALL, axis=1)
    body: list[Line] = []
    for line in range(squares.lines):
        letters = []
        for column in range(squares.columns):
            letter = "." if low[line, column] < FREE else " "
            if high[line, column] > MAYBE:
                letter = "#" if high[line, column] > SURE else "+"
            letter = "=" if wall[line, column] else "~" if marks[line, column] == WAY else letter
            letters.append(texts.get((line, column), (letter, None))[0])
        body.append((Piece("".join(letters)),))
    return body


def _y_names(squares: Squares) -> dict[int, str]:
    """Return line -> number of the y axis; a line counts as its upper edge."""
    step = round_step(2.0 * squares.edge_m * TICK_LINES)
    low = squares.top_m - 2.0 * squares.edge_m * squares.lines
    found: dict[int, str] = {}
    for value in ticks(low, squares.top_m, step):
        line = min(squares.lines - 1, max(0, round((squares.top_m - value) / (2.0 * squares.edge_m) - 0.5)))
        found[line] = tick_text(value, step)
    return found


def _x_axis(squares: Squares, plain: bool) -> list[Line]:
    step = round_step(squares.edge_m * TICK_COLUMNS)
    line, names = ["-" if plain else "─"] * squares.columns, [" "] * (squares.columns + 12)
    for value in ticks(squares.left_m, squares.left_m + squares.edge_m * squares.columns, step):
        column = min(squares.columns - 1, round((value - squares.left_m) / squares.edge_m - 0.5))
        text = tick_text(value, step)
        start = max(0, min(column - (len(text) - 1) // 2, squares.columns - len(text)))
        if column < 0 or any(letter != " " for letter in names[max(0, start - 1) : start + len(text) + 1]):
            continue
        line[column] = "+" if plain else "┴"
        names[start : start + len(text)] = text
    corner = " " * (LEFT_COLUMNS - 1) + ("+" if plain else "└")
    unit = f"{'x, y m':>{LEFT_COLUMNS - 1}} "
    return [(Piece(corner + "".join(line)),), (Piece(unit + "".join(names).rstrip()),)]


def _legend(content: MapContent, squares: Squares, columns: int, look: Theme, plain: bool) -> list[Line]:
    """Return the scale bar and what the colours or letters mean."""
    length = round_step(0.12 * squares.edge_m * squares.columns)
    wide = max(2, round(length / squares.edge_m))
    bar = f"|{'-' * (wide - 2)}|" if plain else f"├{'─' * (wide - 2)}┤"
    indent = " " * LEFT_COLUMNS
    bar_text = f"{indent}{bar} {length_text(length)}"
    if plain:
        return [(Piece(bar_text),), *_plain_meaning(content, squares, columns - LEFT_COLUMNS, indent)]
    scale = ramp(look)
    strip = [Piece(" ", None, _triple(scale[round(at * (len(scale) - 1) / 15)])) for at in range(16)]
    made: list[Line] = [(Piece(f"{bar_text}   free "), *strip, Piece(" occupied"))]
    entries = _entries(content, squares, look)
    row: list[Piece] = [Piece(indent)]
    room = columns - LEFT_COLUMNS
    for colour, words in entries:
        if room < len(words) + 5 and len(row) > 1:
            made.append(tuple(row))
            row, room = [Piece(indent)], columns - LEFT_COLUMNS
        row += [Piece("  ", None, colour), Piece(f" {words}  ")]
        room -= len(words) + 5
    return [*made, tuple(row)] if len(row) > 1 else made


def _entries(content: MapContent, squares: Squares, look: Theme) -> list[tuple[Colour, str]]:
    entries = [(rgb(look.unknown), "unknown")]
    if content.stations:
        entries.append((rgb(look.station), "the robot's way" if is_way(content) else "station, facing its arrow"))
    if any(thing.counted for thing in content.things):
        entries.append((rgb(look.thing), "thing"))
    if any(not thing.counted for thing in content.things):
        entries.append((rgb(look.wall), "wall, corner"))
    for mark, colour in ((RIM, look.thing), (WALL_RIM, look.wall)):
        if np.any(squares.marks == mark):
            entries.append((_triple(blend(look.unknown, colour, [TINT])[0]), "95 % ellipse of a centre"))
    return entries


def _plain_meaning(content: MapContent, squares: Squares, room: int, indent: str) -> list[Line]:
    words = [". free", "blank: unknown", "+ perhaps occupied", "# occupied"]
    words += ["= wall"] if np.any(squares.marks == WALL) else []
    words += ["~ the robot's way"] if np.any(squares.marks == WAY) else []
    words += ["1, 2 ...: things"] if content.things else []
    words += ["^ > v <: station, facing so"] if content.stations else []
    made: list[Line] = []
    row = ""
    for entry in words:
        if row and len(row) + 3 + len(entry) > room:
            made.append((Piece(indent + row),))
            row = ""
        row += ("   " if row else "") + entry
    return [*made, (Piece(indent + row),)]

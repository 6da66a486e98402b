"""The floor as squares that fit a terminal's characters, and the short texts that stand on it.

Two squares lie in each character, one above the other.  What they look like is `screen_map`'s business; columns and
lines count from the upper-left corner, floor axes are in metres.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sonargrid.arrays import Floats, Ints
from sonargrid.drawing.marks import ellipse_m
from sonargrid.drawing.pictures import MapContent, is_way
from sonargrid.finding.things import Object
from sonargrid.maps.grid import GridFrame

LONGEST_NAME = 8
STRONG = 0.4  # from here on a square shows the strongest sign in it, not the mean: a thin post must not fade away
FAINTEST = 0.08  # on the evidence scale; floor of which less is said may be cut off at the map's edges
MARGIN = 0.03  # of the longer side, kept beyond what is said
ARROWS = "→↗↑↖←↙↓↘"
PLAIN_ARROWS = ">>^<<<v>"
NOTHING, OUTLINE, WALL, RIM, WALL_RIM, WAY = range(6)  # what lies on a square


@dataclass(frozen=True, slots=True)
class Chip:
    """A short text that stands on the map: a thing's number, or a station's arrow and name."""

    text: str
    x_m: float
    y_m: float
    counted: bool = True
    station: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Squares:
    """The floor as squares, row 0 at the top; arrays (2 * lines, columns).

    edge_m : edge of a square
    left_m, top_m : outer corner of the first one
    probability, touched : of each square
    marks : `NOTHING`, a thing's `OUTLINE`, a `WALL`, the `RIM` of an ellipse (of a corner's: `WALL_RIM`), a `WAY`
    """

    edge_m: float
    left_m: float
    top_m: float
    probability: Floats
    touched: NDArray[np.bool_]
    marks: NDArray[np.uint8]

    @property
    def columns(self) -> int:
        """How many characters wide."""
        return int(self.probability.shape[1])

    @property
    def lines(self) -> int:
        """How many characters high."""
        return int(self.probability.shape[0]) // 2

    def place(self, x_m: float, y_m: float) -> tuple[int, int]:
        """Return the (line, column) of the character that holds a floor point; may lie outside."""
        column = math.floor((x_m - self.left_m) / self.edge_m)
        return math.floor((self.top_m - y_m) / (2.0 * self.edge_m)), column


def squares_of(content: MapContent, columns: int, lines: int) -> Squares:
    """Return the floor in squares that fit so many characters.

    Raises
    ------
    ValueError
        If there is no room at all.
    """
    if columns < 1 or lines < 1:
        raise ValueError(f"a map needs room, got {columns} columns and {lines} lines")
    content = _cropped(content)
    frame = content.frame
    left, bottom, right, top = frame.extent_m
    edge = max((right - left) / columns, (top - bottom) / (2 * lines))
    across = min(columns, max(1, math.ceil((right - left) / edge - 1e-9)))
    high = 2 * min(lines, max(1, math.ceil((top - bottom) / edge / 2.0 - 1e-9)))
    # the squares are counted from the upper edge; rows of the grid from the lower one
    column_at = _cuts(across, edge / frame.cell_m, frame.columns)
    row_at = _cuts(high, edge / frame.cell_m, frame.rows)
    p = np.asarray(content.probability, dtype=np.float64)[::-1]
    seen = np.ones(frame.shape, dtype=bool) if content.touched is None else np.asarray(content.touched)[::-1] > 0
    touched = _reduced(np.maximum, seen.astype(np.uint8), row_at, column_at) > 0
    count = _reduced(np.add, np.ones(frame.shape), row_at, column_at)
    mean = _reduced(np.add, p, row_at, column_at) / count
    most = _reduced(np.maximum, np.where(seen, p, 0.0), row_at, column_at)
    strong = most > content.prior + STRONG * (1.0 - content.prior)
    chance = np.clip(np.where(strong, most, mean), 0.0, 1.0)
    # what lies below the grid's own edge is as unknown as what no reading reached
    below = np.arange(high) * edge >= (top - bottom) - 1e-9
    beside = np.arange(across) * edge >= (right - left) - 1e-9
    touched[below, :] = False
    touched[:, beside] = False
    made = Squares(edge, left, top, chance, touched, np.zeros(chance.shape, dtype=np.uint8))
    return replace(made, marks=_marks(content, made))


def _cropped(content: MapContent) -> MapContent:
    """Return the part of a map on which something is said or stands: a screen has no room for empty margins."""
    frame = content.frame
    p = np.asarray(content.probability, dtype=np.float64)
    said = np.abs(p - content.prior) > FAINTEST * np.where(p < content.prior, content.prior, 1.0 - content.prior)
    rows, columns = (np.flatnonzero(said.any(axis=axis)) for axis in (1, 0))
    places = [(s.x_m, s.y_m) for s in content.stations] + [(thing.x_m, thing.y_m) for thing in content.things]
    row, column = frame.cell_of(*np.array(places).reshape(-1, 2).T)
    inside = frame.contains(row, column)
    rows, columns = np.append(rows, row[inside]), np.append(columns, column[inside])
    if not rows.size:
        return content
    spare = math.ceil(MARGIN * max(np.ptp(rows), np.ptp(columns)) + 1.0)
    low, high = max(0, int(rows.min()) - spare), min(frame.rows, int(rows.max()) + spare + 1)
    left, right = max(0, int(columns.min()) - spare), min(frame.columns, int(columns.max()) + spare + 1)
    x, y = frame.corner_cells
    smaller = GridFrame(frame.cell_m, (x + left, y + low), high - low, right - left)
    part = np.s_[low:high, left:right]
    touched = None if content.touched is None else np.asarray(content.touched)[part]
    return replace(content, frame=smaller, probability=p[part], touched=touched, unresolved=None)


def _cuts(count: int, cells: float, most: int) -> Ints:
    return np.minimum((np.arange(count) * cells + 1e-9).astype(np.int32), most - 1)


def _reduced(how: np.ufunc, values: Floats, rows: Ints, columns: Ints) -> Floats:
    return np.asarray(how.reduceat(how.reduceat(values, rows, axis=0), columns, axis=1))


def _marks(content: MapContent, squares: Squares) -> NDArray[np.uint8]:
    marks = np.zeros(squares.probability.shape, dtype=np.uint8)

    def put(points: Floats, mark: int) -> None:
        row = np.floor((squares.top_m - points[:, 1]) / squares.edge_m).astype(int)
        column = np.floor((points[:, 0] - squares.left_m) / squares.edge_m).astype(int)
        inside = (row >= 0) & (row < 2 * squares.lines) & (column >= 0) & (column < squares.columns)
        marks[row[inside], column[inside]] = mark

    if is_way(content):
        put(_line(np.array([[s.x_m, s.y_m] for s in content.stations]), squares.edge_m), WAY)
    for thing in content.things:
        rim = ellipse_m(thing)
        if thing.kind != "wall" and rim is not None and float(np.ptp(rim, axis=0).max()) > 4.0 * squares.edge_m:
            put(_line(np.concatenate([rim, rim[:1]]), squares.edge_m), RIM if thing.counted else WALL_RIM)
    for thing in content.things:
        put(_outline(thing, squares.edge_m), WALL if thing.kind in ("wall", "corner") else OUTLINE)
    return marks


def _outline(thing: Object, edge_m: float) -> Floats:
    """Return points along what of a thing is drawn [m]: a wall's line, a box's face, a post's true circle."""
    if thing.kind in ("wall", "cluster") and not (math.isnan(thing.width_m) or math.isnan(thing.heading_rad)):
        return _line(np.array(thing.ends_m()), edge_m)
    radius = 0.0 if math.isnan(thing.diameter_m) else thing.diameter_m / 2.0
    turn = np.linspace(0.0, 2.0 * math.pi, 49)
    rim = np.column_stack([thing.x_m + radius * np.cos(turn), thing.y_m + radius * np.sin(turn)])
    return rim if radius > edge_m else np.array([[thing.x_m, thing.y_m]])


def _line(points: Floats, edge_m: float) -> Floats:
    """Return points along a line, closer together than the squares."""
    if len(points) < 2:
        return points
    at = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    whole = float(at[-1])
    far = np.linspace(0.0, whole, max(2, min(20_000, int(3.0 * whole / edge_m) + 2)))
    return np.column_stack([np.interp(far, at, points[:, axis]) for axis in (0, 1)])


def chips_of(content: MapContent, plain: bool) -> tuple[Chip, ...]:
    """Return the texts that stand on a map: stations first, then things by their numbers."""
    arrows = PLAIN_ARROWS if plain else ARROWS
    stations = content.stations
    if is_way(content):
        ends = (content.stations[0], content.stations[-1])
        stations = tuple(replace(s, name=name) for name, s in zip(("start", "end"), ends, strict=True))
    chips = [
        Chip(arrows[round(s.heading_rad / (math.pi / 4)) % 8] + _short(s.name, plain), s.x_m, s.y_m, station=True)
        for s in stations
    ]
    chips += [Chip(str(n), thing.x_m, thing.y_m, thing.counted) for n, thing in enumerate(content.things, start=1)]
    return tuple(chips)


def _short(name: str, plain: bool) -> str:
    """Return a name as it fits on a map; letters of uncertain width are left to the list below it."""
    flat = "".join(
        letter if letter.isprintable() and ord(letter) < (128 if plain else 0x250) else "?" for letter in name
    )
    return flat if len(flat) <= LONGEST_NAME else flat[: LONGEST_NAME - 1] + "."


def settled(chips: tuple[Chip, ...], squares: Squares) -> dict[tuple[int, int], tuple[str, Chip]]:
    """Return (line, column) -> (letter, its chip): each chip where it stands, or as near as there is room."""
    taken: dict[tuple[int, int], tuple[str, Chip]] = {}
    for chip in chips:
        line, column = squares.place(chip.x_m, chip.y_m)
        if not (0 <= line < squares.lines and 0 <= column < squares.columns):
            continue
        found = _room(taken, line, column, len(chip.text), squares)
        if found is not None:
            for step, letter in enumerate(chip.text):
                taken[found[0], found[1] + step] = (letter, chip)
    return taken


def _room(
    taken: dict[tuple[int, int], tuple[str, Chip]], line: int, column: int, size: int, squares: Squares
) -> tuple[int, int] | None:
    """Return where a text of a size goes: its first letter on the place itself, or the nearest that is free."""
    places = [(dy, dx) for dy in range(-4, 5) for dx in range(-14, 15)]
    for dy, dx in sorted(places, key=lambda step: (2.0 * step[0]) ** 2 + step[1] ** 2):
        row, start = line + dy, min(max(0, column + dx), squares.columns - size)
        free = all((row, start + step) not in taken for step in range(-1, size + 1))
        if 0 <= row < squares.lines and start >= 0 and free:
            return row, start
    return None

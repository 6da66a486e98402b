"""What a picture is made of before it becomes pixels or SVG: strokes, words and rasters in named layers.

Places are in pixels from the picture's upper-left corner, y downwards.  `raster` and `vector` draw a `Figure`; neither
knows what it shows.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.drawing.palette import Pixels

Box = tuple[float, float, float, float]  # left, top, right, bottom [px]


@dataclass(frozen=True, slots=True, eq=False)
class Stroke:
    """A line through points, or a closed outline.

    points : (N, 2) [px]
    line, width : colour and width [px] of the line; None = none
    fill : colour of the inside of a closed outline; None = none
    note : what it is, told by an SVG viewer that points at it
    """

    points: Floats
    line: str | None = None
    width: float = 1.0
    fill: str | None = None
    closed: bool = False
    opacity: float = 1.0
    note: str = ""


@dataclass(frozen=True, slots=True)
class Words:
    """One line of text; (x, y) is the point on its base line that `anchor` (start, middle, end) names.

    turned : reads upwards, a quarter turn to the left
    halo : colour round the letters, "" = none
    """

    text: str
    x: float
    y: float
    size: int
    colour: str
    anchor: str = "start"
    turned: bool = False
    halo: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Raster:
    """A picture of cells, (rows, columns, 3 or 4), row 0 at the top, stretched over a box [px]."""

    cells: Pixels
    box: Box

    @property
    def enlarged(self) -> bool:
        """True where a cell is at least three pixels wide, so that its edges are to be kept sharp."""
        return bool((self.box[2] - self.box[0]) >= 3.0 * self.cells.shape[1])


Mark = Stroke | Words | Raster


@dataclass(frozen=True, slots=True)
class Layer:
    """Marks that belong together; `clip` is the box that they are cut off at, if any."""

    name: str
    marks: tuple[Mark, ...]
    clip: Box | None = None


@dataclass(frozen=True, slots=True)
class Figure:
    """A whole picture: size [px], page colour, layers from the bottom up, and words for those who cannot see it."""

    width: int
    height: int
    page: str
    layers: tuple[Layer, ...]
    title: str = ""
    description: str = ""

    def words(self) -> tuple[Words, ...]:
        """Return every line of text in the picture."""
        return tuple(mark for layer in self.layers for mark in layer.marks if isinstance(mark, Words))


def rectangle(box: Box, fill: str, opacity: float = 1.0) -> Stroke:
    """Return a filled rectangle."""
    left, top, right, bottom = box
    points = np.array([[left, top], [right, top], [right, bottom], [left, bottom]], dtype=np.float64)
    return Stroke(points, fill=fill, closed=True, opacity=opacity)


def circle(x: float, y: float, radius: float, steps: int = 48) -> Floats:
    """Return the (steps, 2) points of a circle."""
    turn = np.linspace(0.0, 2.0 * math.pi, steps, endpoint=False)
    return np.column_stack([x + radius * np.cos(turn), y + radius * np.sin(turn)])


def rounded(box: Box, radius: float) -> Floats:
    """Return the outline of a rectangle with round corners."""
    left, top, right, bottom = box
    r = min(radius, (right - left) / 2, (bottom - top) / 2)
    corners = ((right - r, top + r, -90.0), (right - r, bottom - r, 0.0), (left + r, bottom - r, 90.0))
    points = []
    for x, y, start in (*corners, (left + r, top + r, 180.0)):
        turn = np.radians(start + np.linspace(0.0, 90.0, 7))
        points.append(np.column_stack([x + r * np.cos(turn), y + r * np.sin(turn)]))
    return np.concatenate(points)


def dashes(points: Floats, on: float, off: float) -> Iterable[Floats]:
    """Yield the pieces of a line that a dash pattern leaves, each at least two points.

    >>> [piece.tolist() for piece in dashes(np.array([[0.0, 0.0], [10.0, 0.0]]), 4.0, 4.0)]
    [[[0.0, 0.0], [4.0, 0.0]], [[8.0, 0.0], [10.0, 0.0]]]
    """
    steps = np.hypot(*np.diff(points, axis=0).T)
    at = np.concatenate([[0.0], np.cumsum(steps)])
    for start in np.arange(0.0, float(at[-1]), on + off):
        stop = min(start + on, float(at[-1]))
        inner = points[(at > start) & (at < stop)]
        ends = [[float(np.interp(s, at, points[:, axis])) for axis in (0, 1)] for s in (start, stop)]
        yield np.concatenate([[ends[0]], inner, [ends[1]]])


def cased(points: Floats, colour: str, width: float, halo: str, closed: bool = False, note: str = "") -> list[Stroke]:
    """Return a line on a wider line of the halo's colour, so that it reads on any ground."""
    under = Stroke(points, halo, width + 3.0, closed=closed, opacity=0.85)
    return [under, Stroke(points, colour, width, closed=closed, note=note)]


def bounds(points: Floats) -> Box:
    """Return the box round points."""
    left, top = points.min(axis=0)
    right, bottom = points.max(axis=0)
    return float(left), float(top), float(right), float(bottom)


def overlaps(one: Box, other: Box) -> bool:
    """Return True where two boxes share more than an edge.

    >>> overlaps((0, 0, 2, 2), (1, 1, 3, 3)), overlaps((0, 0, 2, 2), (2, 0, 3, 3))
    (True, False)
    """
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def straight(*points: Sequence[float]) -> Floats:
    """Return (N, 2) points typed one by one."""
    return np.array(points, dtype=np.float64)

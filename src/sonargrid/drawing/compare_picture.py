"""The picture of a comparison: small maps in one colour scale, where each differs from the best, scores with intervals.

Evidence is shown at 50:50 for every model, whatever prior its own map has: one colour means one thing.  Pixels.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.comparing.comparison import Comparison, Trial
from sonargrid.comparing.findings import left_out_words, signed, verdict
from sonargrid.drawing.axes import length_text, round_step
from sonargrid.drawing.charts import dot
from sonargrid.drawing.compare_charts import ROW_PX, outline, score_charts
from sonargrid.drawing.palette import (
    SMALL_PX,
    TEXT_PX,
    TITLE_PX,
    Pixels,
    Theme,
    blend,
    evidence_colours,
    ramp,
    theme_named,
)
from sonargrid.drawing.raster import figure_png, folded, shortened
from sonargrid.drawing.shapes import Box, Figure, Layer, Mark, Raster, Stroke, Words, rectangle, straight
from sonargrid.physics.log_odds import to_probability

WIDE, EDGE, GAP = 1600, 40, 22
MOST_PX, MOST_COLUMNS = 400, 6
MARGIN_M = 0.25  # floor shown round stations and echoes
FAR_SHARE = 0.01  # echoes beyond this share of all do not widen the view


@dataclass(frozen=True, slots=True)
class _Crop:
    """Which cells are shown, and at what size [px]."""

    rows: slice
    columns: slice
    wide: int
    high: int

    def of(self, cells: np.ndarray) -> np.ndarray:
        return cells[self.rows, self.columns][::-1]


def compare_figure(found: Comparison, theme: str = "light") -> Figure:
    """Return the picture of a comparison before it becomes pixels.

    Parameters
    ----------
    found : Comparison
    theme : str
        ``light`` or ``dark``.

    Raises
    ------
    ValueError
        If the theme is unknown.
    """
    look = theme_named(theme)
    columns = min(MOST_COLUMNS, len(found.trials))
    bands = -(-len(found.trials) // columns)
    cell_wide = min(MOST_PX, (WIDE - 2 * EDGE - (columns - 1) * GAP) // columns)
    crop = _crop(found, cell_wide)
    marks, top = _heading(found, look)
    band_high = 2 * crop.high + 84
    for place, trial in enumerate(found.ranked):
        x = EDGE + (place % columns) * (cell_wide + GAP) + (cell_wide - crop.wide) // 2
        marks += _column(found, trial, crop, (x, top + (place // columns) * band_high), look)
    bottom = top + bands * band_high
    marks += _scales(found, crop, bottom + 8, look)
    charts = score_charts(found, (EDGE, bottom + 96, WIDE - EDGE), look) if len(found.folds) else []
    high = bottom + 72 + (len(found.trials) * ROW_PX + 156 if charts else 0)
    layers = (Layer("maps", tuple(marks)), Layer("scores", tuple(charts)))
    return Figure(WIDE, round(high), look.page, layers, f"Beam models on {found.run.name}", verdict(found))


def draw_comparison(found: Comparison, theme: str = "light") -> bytes:
    """Return the picture of a comparison as PNG; parameters as `compare_figure`."""
    return figure_png(compare_figure(found, theme))


def _crop(found: Comparison, wide: int) -> _Crop:
    """Return the floor worth showing: stations and all but the farthest echoes, the same for every model."""
    made = found.trials[0].map
    pings, frame = made.pings, made.grid.frame
    heard = pings.echo
    b, r, ray = pings.bearing_rad[heard], pings.range_m[heard], pings.ray[heard]
    x, y = pings.rays.x_m[ray] + r * np.cos(b), pings.rays.y_m[ray] + r * np.sin(b)
    edges = []
    for ends, own in ((x, pings.rays.axis_x_m), (y, pings.rays.axis_y_m)):
        low, high = np.quantile(ends, [FAR_SHARE, 1.0 - FAR_SHARE]) if ends.size else (own.min(), own.max())
        edges.append((min(low, own.min()) - MARGIN_M, max(high, own.max()) + MARGIN_M))
    low_row, low_column = frame.cell_of(edges[0][0], edges[1][0])
    high_row, high_column = frame.cell_of(edges[0][1], edges[1][1])
    rows = slice(max(0, int(low_row)), min(frame.rows, int(high_row) + 1))
    columns = slice(max(0, int(low_column)), min(frame.columns, int(high_column) + 1))
    if rows.stop <= rows.start or columns.stop <= columns.start:  # an extent that no reading reaches
        rows, columns = slice(0, frame.rows), slice(0, frame.columns)
    tall, across = rows.stop - rows.start, columns.stop - columns.start
    per_cell = min(wide / across, wide / tall)
    return _Crop(rows, columns, round(across * per_cell), round(tall * per_cell))


def _heading(found: Comparison, look: Theme) -> tuple[list[Mark], float]:
    """Return title, verdict and what was done, and where the maps begin [px]."""
    run, room = found.run, WIDE - 2 * EDGE
    count = len(found.trials[0].map.pings)
    marks: list[Mark] = [
        Words(shortened(f"Beam models on {run.title or run.name}", TITLE_PX, room), EDGE, 52, TITLE_PX, look.ink)
    ]
    y = 88
    for line in folded(verdict(found), TEXT_PX, room):
        marks.append(Words(line, EDGE, y, TEXT_PX, look.ink))
        y += 28
    about = f"{count} readings; {left_out_words(found)}; cells of {length_text(found.trials[0].map.grid.cell_m)}"
    marks.append(Words(shortened(about, SMALL_PX, room), EDGE, y, SMALL_PX, look.muted))
    return marks, y + 28.0


def _evidence(trial: Trial) -> Floats:
    return to_probability(trial.map.grid.log_odds, 0.5)


def difference_colours(difference: Floats, look: Theme) -> Pixels:
    """Return the colour of differences of probability, -1..1: blue = freer, page = alike, orange = more occupied."""
    steps = np.linspace(0.0, 1.0, 128)
    less, more = blend(look.page, look.station, steps), blend(look.page, look.thing, steps)
    scale = np.concatenate([less[::-1], more[1:]])
    return np.asarray(scale[np.rint(127.0 * np.clip(difference, -1.0, 1.0)).astype(int) + 127])


def _column(found: Comparison, trial: Trial, crop: _Crop, corner: tuple[float, float], look: Theme) -> list[Mark]:
    """Return one model's map and, below it, where it differs from the best model."""
    x, y = corner
    grid, best = trial.map.grid, found.ranked[0]
    upper: Box = (x, y + 30, x + crop.wide, y + 30 + crop.high)
    lower: Box = (x, upper[3] + 28, x + crop.wide, upper[3] + 28 + crop.high)
    colours = evidence_colours(_evidence(trial), 0.5, look, grid.touched)
    score = f"score {signed(trial.mean)}" if len(found.folds) else ""
    marks: list[Mark] = [Words(trial.name, x, y + 22, TEXT_PX, look.ink), Raster(crop.of(colours), upper)]
    if score:
        marks.append(Words(score, x + crop.wide, y + 22, SMALL_PX, look.muted, "end"))
    if trial is best:
        marks.append(rectangle(lower, look.rule, 0.05))
        middle = (x + lower[2]) / 2, (lower[1] + lower[3]) / 2
        words = ("best by score" if score else "the first asked for", "beside: where the others", "say something else")
        marks += [
            Words(t, middle[0], middle[1] + 26 * k - 20, SMALL_PX, look.muted, "middle") for k, t in enumerate(words)
        ]
    else:
        off = _evidence(trial) - _evidence(best)
        marks.append(Words(f"minus {best.name}", x, lower[1] - 7, SMALL_PX, look.muted))
        marks.append(Raster(crop.of(difference_colours(off, look)), lower))
    marks += [Stroke(outline(box), look.ink, 1.5, closed=True) for box in (upper, lower)]
    return marks + _stations(found, crop, upper, look)


def _stations(found: Comparison, crop: _Crop, box: Box, look: Theme) -> list[Mark]:
    made = found.trials[0].map
    if made.run.moving or len(made.run.stations) > 12:
        return []
    frame = made.grid.frame
    per_m = crop.wide / ((crop.columns.stop - crop.columns.start) * frame.cell_m)
    left_m = (frame.corner_cells[0] + crop.columns.start) * frame.cell_m
    low_m = (frame.corner_cells[1] + crop.rows.start) * frame.cell_m
    marks: list[Mark] = []
    for index in np.unique(made.run.readings.station):
        at = made.run.stations[int(index)]
        x, y = box[0] + (at.x_m - left_m) * per_m, box[3] - (at.y_m - low_m) * per_m
        marks.append(dot(np.array([x, y]), 4.5, look.station, look.halo))
        ahead = 13.0 * np.array([math.cos(at.heading_rad), -math.sin(at.heading_rad)])
        marks.append(Stroke(straight((x, y), (x + ahead[0], y + ahead[1])), look.station, 2.5))
    return marks


def _scales(found: Comparison, crop: _Crop, y: float, look: Theme) -> list[Mark]:
    """Return the two colour scales and the bar of length, in one row."""
    marks: list[Mark] = []
    wide, high = 400, 16
    steps = np.linspace(-1.0, 1.0, 255)[None, :]
    best = found.ranked[0].name
    rows = (
        (float(EDGE), ramp(look)[None, :, :], ("free", "unknown", "occupied")),
        (EDGE + 520.0, difference_colours(steps, look), (f"freer than {best}", "alike", "more occupied")),
    )
    for left, cells, words in rows:
        bar: Box = (left, y + 24, left + wide, y + 24 + high)
        marks.append(Raster(cells, bar))
        marks.append(Stroke(outline(bar), look.ink, 1.0, closed=True))
        for text, at, anchor in zip(
            words, (left, left + wide / 2, left + wide), ("start", "middle", "end"), strict=True
        ):
            marks.append(Words(text, at, y + 16, SMALL_PX, look.ink, anchor))
    frame = found.trials[0].map.grid.frame
    per_m = crop.wide / ((crop.columns.stop - crop.columns.start) * frame.cell_m)
    length = round_step(80.0 / per_m)
    x = EDGE + 1060.0
    marks.append(rectangle((x, y + 26, x + length * per_m, y + 34), look.ink))
    marks.append(Words(length_text(length), x, y + 16, SMALL_PX, look.ink))
    marks += [dot(np.array([x + 260, y + 30]), 4.5, look.station, look.halo)]
    marks += [Stroke(straight((x + 260, y + 30), (x + 274, y + 30)), look.station, 2.5)]
    marks.append(Words("station, facing", x + 286, y + 36, SMALL_PX, look.ink))
    return marks

"""Before and after: what every station heard, laid out from its stated and from its corrected pose, side by side.

Each arc of equal range is drawn where its echo came from, in the station's tone; where the poses are right, arcs of one
wall touch one line and arcs of one post one circle.  A named station stands out.  Metres on the floor axes.
"""

from __future__ import annotations

import math

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.drawing.axes import View, axes, floor_rules, scale_bar, view_of
from sonargrid.drawing.marks import station_mark
from sonargrid.drawing.palette import SMALL_PX, TEXT_PX, TITLE_PX, Theme, theme_named
from sonargrid.drawing.placement import Label, place_labels
from sonargrid.drawing.raster import figure_png, shortened, text_width
from sonargrid.drawing.shapes import Figure, Layer, Mark, Stroke, Words, cased, straight
from sonargrid.maps.grid import GridFrame
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Run
from sonargrid.stations.alignment import Alignment
from sonargrid.stations.sightings import Sightings, sightings_of

PANEL_PX = 620
LEFT_PX, GAP_PX, TOP_PX, FOOT_PX = 104, 110, 150, 226
MARGIN_M = 0.15
FAR_SHARE = 0.98  # the few farthest arcs are mirror images: they do not stretch the picture


def draw_alignment(run: Run, found: Alignment, theme: str = "light") -> bytes:
    """Return a PNG: all arcs from the stated poses on the left, from the corrected ones on the right.

    Parameters
    ----------
    run : Run
        With its stated poses.
    found : Alignment
    theme : str
        ``light`` or ``dark``.
    """
    return figure_png(alignment_figure(run, found, theme))


def alignment_figure(run: Run, found: Alignment, theme: str = "light") -> Figure:
    """Return the picture before it becomes pixels; parameters as `draw_alignment`."""
    look = theme_named(theme)
    seen = sightings_of(run, calibrated(run))
    frame = _frame(found, seen)
    per_cell = PANEL_PX / max(frame.rows, frame.columns)
    size = round(frame.columns * per_cell), round(frame.rows * per_cell), per_cell
    views = (
        view_of(frame, LEFT_PX, TOP_PX, size),
        view_of(frame, LEFT_PX + size[0] + GAP_PX, TOP_PX, size),
    )
    layers: list[Layer] = []
    for view, poses, words in zip(views, (found.before, found.after), ("as stated", "corrected"), strict=True):
        layers += [
            Layer("rules", floor_rules(view, look)),
            Layer(f"things {words}", _things(found, view, look) if words == "corrected" else (), view.box),
            Layer(f"arcs {words}", _arcs(seen, poses, found, view, look), view.box),
            Layer(f"stations {words}", _stations(run, found, poses, view, look), view.box),
            Layer("axes", axes(view, look)),
            Layer("words", (Words(words, view.box[0], TOP_PX - 14, TEXT_PX, look.ink),)),
        ]
    wide = views[1].box[2] + 40
    bottom = views[0].box[3]
    layers.append(Layer("legend", _legend(run, found, look, wide, bottom, views[0])))
    return Figure(round(wide), round(bottom + FOOT_PX), look.page, tuple(layers), "Station poses before and after")


def _frame(found: Alignment, seen: Sightings) -> GridFrame:
    points = [found.before[:, :2], found.after[:, :2]]
    for poses in (found.before, found.after):
        x, y, heading = seen.faces(poses)
        turn = heading + 0.5 * (seen.left_rad + seen.right_rad)
        near = seen.range_m <= np.quantile(seen.range_m, FAR_SHARE) if len(seen) else np.zeros(0, dtype=bool)
        points.append(np.stack([x + seen.range_m * np.cos(turn), y + seen.range_m * np.sin(turn)], axis=1)[near])
    every = np.concatenate(points)
    low, high = every.min(axis=0) - MARGIN_M, every.max(axis=0) + MARGIN_M
    return GridFrame.around(float(low[0]), float(low[1]), float(high[0]), float(high[1]), 0.01)


def _arcs(seen: Sightings, poses: Floats, found: Alignment, view: View, look: Theme) -> tuple[Mark, ...]:
    x, y, heading = seen.faces(poses)
    marks: list[Mark] = []
    for k in range(len(seen)):
        turn = heading[k] + np.linspace(seen.right_rad[k], seen.left_rad[k], 25)
        arc = view.place(x[k] + seen.range_m[k] * np.cos(turn), y[k] + seen.range_m[k] * np.sin(turn))
        named = bool(found.gross[seen.station[k]])
        marks.append(Stroke(arc, look.thing if named else look.station, 3.5 if named else 2.5, opacity=0.75))
    return tuple(marks)


def _things(found: Alignment, view: View, look: Theme) -> tuple[Mark, ...]:
    """Return the walls, posts, corners and boxes that explain the arcs, faint under them."""
    marks: list[Mark] = []
    for thing in found.things:
        if thing.kind in ("wall", "rough"):
            turn, rho, low, high = thing.shape[:4]
            c, s = math.cos(turn), math.sin(turn)
            ends = view.place([rho * c - low * s, rho * c - high * s], [rho * s + low * c, rho * s + high * c])
            marks.append(Stroke(np.clip(ends, -1e5, 1e5), look.wall, 9.0, opacity=0.35))
        elif thing.kind in ("post", "corner"):
            radius = math.exp(thing.shape[2]) if thing.kind == "post" else 0.012
            turn_all = np.linspace(0.0, 2.0 * math.pi, 40, endpoint=False)
            ring = view.place(thing.shape[0] + radius * np.cos(turn_all), thing.shape[1] + radius * np.sin(turn_all))
            marks.append(Stroke(ring, look.wall, 2.0, look.wall, closed=True, opacity=0.35))
        elif thing.kind == "box":
            x, y, turn, half_w, half_d = thing.shape[:5]
            c, s = math.cos(turn), math.sin(turn)
            ahead, aside = half_w * np.array([1, 1, -1, -1]), half_d * np.array([1, -1, -1, 1])
            outline = view.place(x + c * ahead - s * aside, y + s * ahead + c * aside)
            marks.append(Stroke(outline, look.wall, 2.0, look.wall, closed=True, opacity=0.35))
    return tuple(marks)


def _stations(run: Run, found: Alignment, poses: Floats, view: View, look: Theme) -> tuple[Mark, ...]:
    heard = sorted({int(k) for k in run.readings.station})
    marks: list[Mark] = []
    drawn, labels = [], []
    for k in heard:
        x, y = (float(v) for v in view.place(poses[k, 0], poses[k, 1]))
        if not np.array_equal(poses[k], found.before[k]):
            old = view.place(found.before[k, 0], found.before[k, 1])
            marks += cased(straight(tuple(old), (x, y)), look.ink, 2.0, look.halo)
        one = station_mark(x, y, float(poses[k, 2]), look, f"station {run.stations[k].name}")
        marks += one.strokes
        drawn.append(one)
        labels.append(Label(x, y, text_width(run.stations[k].name, TEXT_PX) + 6.0, TEXT_PX + 3.0, one.clear))
    left, top, right, bottom = view.box
    hard = [box for one in drawn for box in one.boxes(5.0)]
    for k, place in zip(
        heard, place_labels(labels, (left + 5.0, top + 5.0, right - 5.0, bottom - 5.0), hard, []), strict=True
    ):
        x, y = (place.box[0] + place.box[2]) / 2, (place.box[1] + place.box[3]) / 2
        colour = look.thing if found.gross[k] else look.ink
        marks.append(Words(run.stations[k].name, x, y + TEXT_PX * 0.36, TEXT_PX, colour, "middle", halo=look.halo))
    return tuple(marks)


def _legend(run: Run, found: Alignment, look: Theme, wide: float, bottom: float, view: View) -> tuple[Mark, ...]:
    y = bottom + 112
    marks: list[Mark] = [
        Words(shortened(run.title or run.name, TITLE_PX, wide - 2 * LEFT_PX), LEFT_PX, 52, TITLE_PX, look.ink),
        Words(
            "Where each echo can come from, by the pose of the station that heard it", LEFT_PX, 88, TEXT_PX, look.muted
        ),
        Stroke(straight((LEFT_PX, y - 6), (LEFT_PX + 44, y - 6)), look.station, 2.5),
        Words("arc of equal range", LEFT_PX + 56, y, SMALL_PX, look.ink),
        Stroke(straight((LEFT_PX + 250, y - 6), (LEFT_PX + 294, y - 6)), look.wall, 9.0, opacity=0.35),
        Words("wall or thing found", LEFT_PX + 306, y, SMALL_PX, look.ink),
        *cased(straight((LEFT_PX + 570, y - 6), (LEFT_PX + 614, y - 6)), look.ink, 2.0, look.halo),
        Words("from the stated to the corrected place", LEFT_PX + 626, y, SMALL_PX, look.ink),
        *scale_bar(view, LEFT_PX + 570, y + 18, 300.0, look),
    ]
    if found.gross.any():
        marks += [
            Stroke(straight((LEFT_PX, y + 26), (LEFT_PX + 44, y + 26)), look.thing, 3.5),
            Words("arc of a station that did not stand where the run says", LEFT_PX + 56, y + 32, SMALL_PX, look.ink),
        ]
    told = "Arcs of one wall should touch one line, arcs of one post one circle. A picture is no safety function."
    marks.append(Words(told, LEFT_PX, bottom + FOOT_PX - 24, SMALL_PX, look.muted))
    return tuple(marks)

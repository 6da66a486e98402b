"""The map with the places to park next: numbered discs that face where the robot should, with the way from a station.

The disc's ring is the robot's own size, dashed where no sweep heard the floor clear.  Metres on the floor axes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from sonargrid.drawing.axes import View
from sonargrid.drawing.palette import SMALL_PX, Theme, theme_named
from sonargrid.drawing.pictures import LONG_SIDE_PX, map_content, map_figure, map_view
from sonargrid.drawing.raster import figure_png
from sonargrid.drawing.shapes import Figure, Layer, Mark, Stroke, Words, cased, circle, dashes, straight
from sonargrid.finding.things import Object
from sonargrid.maps.mapping import Map
from sonargrid.runs.readings import Run
from sonargrid.stations.next_station import Proposal

DISC_PX, BAR_PX = 15.0, 36.0
UNDER = "axes"  # the layer before which the places are put


def draw_places(made: Map, things: Sequence[Object], places: Sequence[Proposal], theme: str = "light") -> bytes:
    """Return a PNG of a map with the places to park next, best first.

    Parameters
    ----------
    made, things : the map and its list
    places : sequence of Proposal
    theme : str
        ``light`` or ``dark``.
    """
    return figure_png(places_figure(made, things, places, theme))


def places_figure(made: Map, things: Sequence[Object], places: Sequence[Proposal], theme: str = "light") -> Figure:
    """Return the picture before it becomes pixels; parameters as `draw_places`."""
    look = theme_named(theme)
    content = map_content(made, things)
    words = "where to park next: numbered discs, best first, facing along their bars; ring = the robot's size"
    doubt = "" if all(place.heard_clear for place in places) else ", dashed = not heard clear"
    content = replace(content, subtitle=words + doubt)
    figure, view = map_figure(content, theme), map_view(content, LONG_SIDE_PX)
    at = next(n for n, layer in enumerate(figure.layers) if layer.name == UNDER)
    marks = tuple(mark for rank, place in enumerate(places, 1) for mark in _place(rank, place, made.run, view, look))
    layers = (*figure.layers[:at], Layer("places", marks, view.box), *figure.layers[at:])
    return replace(figure, layers=layers)


def _place(rank: int, place: Proposal, run: Run, view: View, look: Theme) -> list[Mark]:
    x, y = (float(v) for v in view.place(place.x_m, place.y_m))
    start = next(s for s in run.stations if s.name == place.from_station)
    way = straight(tuple(view.place(start.x_m, start.y_m)), (x, y))
    c, s = math.cos(place.heading_rad), math.sin(place.heading_rad)
    bar = straight((x, y), (x + BAR_PX * c, y - BAR_PX * s))
    ring = circle(x, y, max(DISC_PX + 4.0, run.robot.radius_m * view.px_per_m))
    marks: list[Mark] = []
    for piece in dashes(way, 9.0, 7.0):
        marks += cased(piece, look.ink, 1.8, look.halo)
    marks.append(Stroke(ring, look.halo, 4.5, closed=True, opacity=0.8))
    whole = np.concatenate([ring, ring[:1]])
    marks += [Stroke(piece, look.ink, 1.8) for piece in ([whole] if place.heard_clear else dashes(whole, 5.0, 5.0))]
    marks += [
        *cased(bar, look.ink, 6.0, look.halo),
        Stroke(circle(x, y, DISC_PX + 2.5), fill=look.halo, closed=True),
        Stroke(circle(x, y, DISC_PX), fill=look.ink, closed=True, note=f"{rank}: {place.way()}"),
        Words(str(rank), x, y + SMALL_PX * 0.36, SMALL_PX, look.page, "middle"),
    ]
    return marks

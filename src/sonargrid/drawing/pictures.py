"""The map as people look at it: evidence, stations, things with their uncertainty, axes in metres, legend, list.

`draw_map` gives PNG, `map_svg` the same picture as SVG with the evidence embedded; both draw one `Figure`.  The grid's
row 0 is the southern edge: it is flipped here, once.  Finding things, and files, are not made here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from sonargrid.arrays import Floats
from sonargrid.drawing.axes import LEAST_PX, View, axes, floor_rules, plot_size_px, view_of
from sonargrid.drawing.legend import (
    COLUMN_PX,
    GAP_PX,
    ROW_PX,
    Block,
    bar_block,
    column_rows,
    evidence_block,
    mark_blocks,
    set_blocks,
    thing_blocks,
    title_marks,
)
from sonargrid.drawing.marks import Drawn, path_marks, station_mark, thing_mark
from sonargrid.drawing.palette import SMALL_PX, TEXT_PX, TITLE_PX, Theme, evidence_colours, rgb, theme_named
from sonargrid.drawing.placement import Label, place_labels
from sonargrid.drawing.raster import figure_png, shortened, text_width
from sonargrid.drawing.shapes import (
    Box,
    Figure,
    Layer,
    Mark,
    Raster,
    Stroke,
    Words,
    cased,
    dashes,
    rectangle,
    rounded,
    straight,
)
from sonargrid.drawing.vector import figure_svg
from sonargrid.finding.things import Object
from sonargrid.maps.grid import GridFrame, LogOddsGrid
from sonargrid.maps.mapping import Map
from sonargrid.physics.geometry import to_floor
from sonargrid.runs.readings import Robot, Station

LONG_SIDE_PX = 1400  # of the whole picture, about
LEFT_PX, RIGHT_PX, TOP_PX, AXIS_PX, FOOT_PX = 104, 36, 30, 84, 50
MANY_STATIONS = 40  # more are drawn as a way, not one by one
REACH_STATIONS = 1  # reach is drawn for so many stations at most: crossing arcs only hide the map
LONGEST_NAME_PX = 170.0
FINE_PX_PER_M = 900.0  # from here on places are listed to the millimetre
FAINTEST_ARC = 0.15  # weaker arcs would not be seen
FEW_ECHOES = 0.5  # of one of the solver's cells: from here on an arc is drawn in full
MOST_PLACES = 5000  # of a way: more would lie within a pixel of one another
LIST_ROWS = 44  # of the legend below a wide map, all columns together
CAUTION = "A slice at the height of the beam: low, soft or slanting things may be missed. No safety function."


@dataclass(frozen=True, slots=True, eq=False)
class MapContent:
    """What one map picture shows.

    frame : where the cells lie
    probability : (rows, columns) P(occupied), prior applied
    touched : (rows, columns), 0 where no reading reached; None = all were reached
    unresolved : (rows, columns) 0..1, how far a cell lies on an arc without a cause yet; None = not known
    things : numbered from 1 in this order
    reach_m : the ranger's; None = not drawn
    prior : what no evidence leaves, the middle of the scale
    moving : the stations are poses on the way of a moving robot
    listing : whether the things are also listed beside the map
    arcs : (note, (N, 2) floor points [m]) of arcs of equal range, for pages that can switch them on and off
    """

    frame: GridFrame
    probability: ArrayLike
    touched: ArrayLike | None = None
    unresolved: ArrayLike | None = None
    stations: tuple[Station, ...] = ()
    things: tuple[Object, ...] = ()
    robot: Robot = field(default_factory=Robot)
    reach_m: float | None = None
    prior: float = 0.5
    title: str = ""
    subtitle: str = ""
    moving: bool = False
    listing: bool = True
    arcs: tuple[tuple[str, Floats], ...] = ()

    def __post_init__(self) -> None:
        if not 0.0 < self.prior < 1.0:
            raise ValueError(f"prior must lie between 0 and 1, got {self.prior}")
        for name in ("probability", "touched", "unresolved"):
            values = getattr(self, name)
            if values is not None and np.shape(values) != self.frame.shape:
                raise ValueError(f"{name} has shape {np.shape(values)}, its frame {self.frame.shape}")


def map_content(made: Map, things: Sequence[Object] = (), listing: bool = True) -> MapContent:
    """Return what the picture of a map shows.

    Parameters
    ----------
    made : Map
        As `build_map` gives it.
    things : sequence of Object
        In the order of objects.csv.
    listing : bool
        Whether the things are also listed beside the map.
    """
    grid, run, settings = made.grid, made.run, made.settings
    heard = np.unique(run.readings.station)
    count = f"{heard.size} {'place' if run.moving else 'station'}{'' if heard.size == 1 else 's'}"
    if heard.size > MOST_PLACES:
        heard = heard[np.rint(np.linspace(0, heard.size - 1, MOST_PLACES)).astype(int)]
    stations = tuple(run.stations[index] for index in heard.tolist())
    readings = f"{run.readings.taken:,} readings".replace(",", " ")
    how = f"{made.method}, cells of {settings.cell_m * 100:g} cm"
    return MapContent(
        frame=grid.frame,
        probability=grid.probability(),
        touched=grid.touched,
        unresolved=_unexplained(grid),
        stations=stations,
        things=tuple(things),
        robot=run.robot,
        reach_m=run.ranger.reach_m,
        prior=float(grid.meta.get("prior", 0.5)),
        title=run.title or run.name,
        subtitle=f"{count}, {readings}; {how}",
        moving=run.moving,
        listing=listing,
    )


def _unexplained(grid: LogOddsGrid) -> Floats | None:
    """Return how far each cell lies on arcs without a cause yet, 0..1: the open share of its echoes, if it has any."""
    if "unresolved_arc" not in grid.layers:
        return None
    opened, echoes = (grid.layers[name].astype(np.float64) for name in ("unresolved_arc", "expected_echoes"))
    # echoes are counted per cell: finer cells than the solver's own hold their part of them
    cells = (float(grid.meta.get("working_cell_m", grid.cell_m)) / grid.cell_m) ** 2
    return np.asarray(np.minimum(1.0, cells * echoes / FEW_ECHOES) * opened / np.maximum(echoes, 1e-12))


def draw_map(content: MapContent, theme: str = "light", long_side_px: int = LONG_SIDE_PX) -> bytes:
    """Return a map's picture as PNG.

    Parameters
    ----------
    content : MapContent
    theme : str
        ``light`` or ``dark``.
    long_side_px : int
        About how long the longer side becomes [px]; cells of three pixels and more are drawn whole pixels wide.

    Raises
    ------
    ValueError
        If the theme is unknown.

    Examples
    --------
    >>> draw_map(MapContent(GridFrame(0.1, (0, 0), 8, 10), np.full((8, 10), 0.5)))[1:4]
    b'PNG'
    """
    return figure_png(map_figure(content, theme, long_side_px))


def map_svg(content: MapContent, theme: str = "light", long_side_px: int = LONG_SIDE_PX) -> str:
    """Return a map's picture as SVG; parameters as `draw_map`."""
    return figure_svg(map_figure(content, theme, long_side_px))


def map_figure(content: MapContent, theme: str = "light", long_side_px: int = LONG_SIDE_PX) -> Figure:
    """Return a map's picture before it becomes pixels; parameters as `draw_map`."""
    look = theme_named(theme)
    beside = _is_tall(content)
    title, subtitle = " ".join(content.title.split()), " ".join(content.subtitle.split())
    view = map_view(content, long_side_px)
    wide = view.box[2] + RIGHT_PX + (COLUMN_PX + GAP_PX if beside else 0)
    blocks, rows = _legend(content, view, look, beside)
    right, bottom = view.box[2], view.box[3]
    x, y = (right + GAP_PX, view.box[1]) if beside else (LEFT_PX, bottom + AXIS_PX + 10)
    end = max(bottom + AXIS_PX, y + rows * ROW_PX) if beside else y + rows * ROW_PX
    fitting = shortened(title, TITLE_PX, wide - LEFT_PX - RIGHT_PX)
    heading = title_marks(
        fitting, shortened(subtitle, TEXT_PX, wide - LEFT_PX - RIGHT_PX), LEFT_PX - 2, TOP_PX - 8, look, TITLE_PX
    )
    foot = Words(_foot(content, view, wide), LEFT_PX - 2, end + FOOT_PX - 16, SMALL_PX, look.muted)
    frame_layers = (
        Layer("axes", axes(view, look)),
        Layer("legend", set_blocks(blocks, x, y, rows)),
        Layer("heading", (*heading, foot)),
    )
    return Figure(
        width=round(wide),
        height=round(end + FOOT_PX),
        page=look.page,
        layers=(*_plot_layers(content, view, look), *frame_layers),
        title=title or "Map",
        description=_description(content),
    )


def _is_tall(content: MapContent) -> bool:
    """Return whether the legend stands beside the map and not below it."""
    return content.frame.rows > 0.72 * content.frame.columns


def map_view(content: MapContent, long_side_px: int = LONG_SIDE_PX) -> View:
    """Return where the floor lies on a map's picture; parameters as `draw_map`."""
    size = plot_size_px(content.frame, max(LEAST_PX, long_side_px - (370 if _is_tall(content) else 170)))
    head = (TITLE_PX + 14 if content.title.split() else 0) + (TEXT_PX + 14 if content.subtitle.split() else 0)
    return view_of(content.frame, LEFT_PX, TOP_PX + head, size)


def _foot(content: MapContent, view: View, wide: float) -> str:
    hidden = sum(not view.shows(thing.x_m, thing.y_m) for thing in content.things)
    words = f"{hidden} of {len(content.things)} things lie outside this picture. " if hidden else ""
    return shortened(words + CAUTION, SMALL_PX, wide - LEFT_PX - RIGHT_PX)


def _description(content: MapContent) -> str:
    things = ", ".join(
        f"{number} {thing.kind} at x {thing.x_m:.2f} m, y {thing.y_m:.2f} m"
        for number, thing in enumerate(content.things, start=1)
    )
    left, bottom, right, top = content.frame.extent_m
    floor = f"Floor map from x {left:.2f} to {right:.2f} m and y {bottom:.2f} to {top:.2f} m."
    return f"{floor} Things: {things or 'none'}. {CAUTION}"


def is_way(content: MapContent) -> bool:
    """Return True where stations are drawn as a robot's way: it moved, or they are too many for one mark each."""
    return (content.moving and len(content.stations) > 1) or len(content.stations) > MANY_STATIONS


def _legend(content: MapContent, view: View, look: Theme, beside: bool) -> tuple[list[Block], int]:
    way = is_way(content)
    blocks = [evidence_block(content.prior, look), bar_block(view, look)]
    reach = bool(_reach_marks(content, view, look))
    arcs = content.unresolved is not None and bool(np.any(np.asarray(content.unresolved) > FAINTEST_ARC))
    stations = any(view.shows(station.x_m, station.y_m) for station in content.stations)
    blocks += mark_blocks(content.things, look, stations and not way, stations and way, reach, arcs)
    used = sum(block.rows for block in blocks)
    decimals = 2 if view.px_per_m < FINE_PX_PER_M else 3
    tall = int((view.box[3] - view.box[1] + AXIS_PX) // ROW_PX)
    if beside:
        blocks += thing_blocks(content.things if content.listing else (), look, tall - used, decimals)
        return blocks, sum(block.lead + block.rows for block in blocks)
    columns = max(1, int((view.box[2] - view.box[0] + GAP_PX) // (COLUMN_PX + GAP_PX)))
    blocks += thing_blocks(content.things if content.listing else (), look, max(8, LIST_ROWS - used), decimals)
    return blocks, column_rows(blocks, columns)


def _plot_layers(content: MapContent, view: View, look: Theme) -> tuple[Layer, ...]:
    """Return what lies inside the axes, from the bottom up."""
    stations = _station_marks(content, view, look)
    things = [
        (number, thing, thing_mark(thing, view, look, content.things, content.stations, content.robot))
        for number, thing in enumerate(content.things, start=1)
        if view.shows(thing.x_m, thing.y_m)
    ]
    background = tuple(stroke for _, thing, drawn in things if not thing.counted for stroke in drawn.strokes)
    counted = tuple(stroke for _, thing, drawn in things if thing.counted for stroke in drawn.strokes)
    way = _way_marks(content, view, look)
    marks = tuple(stroke for _, drawn in stations for stroke in drawn.strokes)
    return (
        Layer("evidence", _evidence(content, view, look)),
        Layer("unresolved-arcs", _unresolved(content, view, look)),
        Layer("rules", floor_rules(view, look)),
        Layer("reach", _reach_marks(content, view, look), view.box),
        Layer("arcs", _arc_marks(content, view, look), view.box),
        Layer("walls", background, view.box),
        Layer("way", way, view.box),
        Layer("things", counted, view.box),
        Layer("stations", marks, view.box),
        Layer("labels", _labels(content, view, look, stations, [(n, t, d) for n, t, d in things])),
    )


def _evidence(content: MapContent, view: View, look: Theme) -> tuple[Mark, ...]:
    colours = evidence_colours(content.probability, content.prior, look, content.touched)
    marks: list[Mark] = [rectangle(view.box, look.unknown)] if view.cells != view.box else []
    return (*marks, Raster(colours[::-1], view.cells))


def _unresolved(content: MapContent, view: View, look: Theme) -> tuple[Mark, ...]:
    if content.unresolved is None:
        return ()
    share = np.clip(np.asarray(content.unresolved, dtype=np.float32), 0.0, 1.0)
    if not np.any(share > FAINTEST_ARC):
        return ()
    tint = np.empty((*content.frame.shape, 4), dtype=np.uint8)
    tint[..., :3] = rgb(look.arc)
    tint[..., 3] = np.rint(190.0 * share)
    return (Raster(tint[::-1], view.cells),)


def _reach_marks(content: MapContent, view: View, look: Theme) -> tuple[Mark, ...]:
    """Return dashed arcs where the ranger's reach ends, if they are few and mostly in sight."""
    if content.reach_m is None or is_way(content) or not 0 < len(content.stations) <= REACH_STATIONS:
        return ()
    marks: list[Mark] = []
    for station in content.stations:
        x, y = to_floor(
            station.x_m, station.y_m, station.heading_rad, content.robot.head_ahead_m, content.robot.head_left_m
        )
        turn = station.heading_rad + np.linspace(-math.pi / 2, math.pi / 2, 121)
        xs, ys = x + content.reach_m * np.cos(turn), y + content.reach_m * np.sin(turn)
        seen = [view.shows(float(a), float(b)) for a, b in zip(xs, ys, strict=True)]
        if np.mean(seen) >= 0.25:
            marks += [Stroke(piece, look.muted, 2.0) for piece in dashes(view.place(xs, ys), 9.0, 8.0)]
    return tuple(marks)


def _arc_marks(content: MapContent, view: View, look: Theme) -> tuple[Mark, ...]:
    strokes = [cased(view.place(*points.T), look.arc, 3.0, look.halo, note=note) for note, points in content.arcs]
    return tuple(stroke for pair in strokes for stroke in pair)


def _station_marks(content: MapContent, view: View, look: Theme) -> list[tuple[Station, Drawn]]:
    shown = content.stations
    if is_way(content):
        shown = (content.stations[0], content.stations[-1])
        shown = tuple(
            Station(name, s.x_m, s.y_m, s.heading_rad) for name, s in zip(("start", "end"), shown, strict=True)
        )
    drawn = []
    for station in shown:
        if view.shows(station.x_m, station.y_m):
            x, y = view.place(station.x_m, station.y_m)
            drawn.append(
                (station, station_mark(float(x), float(y), station.heading_rad, look, f"station {station.name}"))
            )
    return drawn


def _way_marks(content: MapContent, view: View, look: Theme) -> tuple[Stroke, ...]:
    if not is_way(content):
        return ()
    places = view.place([s.x_m for s in content.stations], [s.y_m for s in content.stations])
    return path_marks(places, [s.heading_rad for s in content.stations], look)


def _labels(
    content: MapContent,
    view: View,
    look: Theme,
    stations: Sequence[tuple[Station, Drawn]],
    things: Sequence[tuple[int, Object, Drawn]],
) -> tuple[Mark, ...]:
    """Return station names and thing numbers, with leader lines where they had to move away."""
    left, top, right, bottom = view.box
    names = [shortened(station.name, TEXT_PX, LONGEST_NAME_PX) for station, _ in stations]
    labels = [
        Label(drawn.x, drawn.y, text_width(name, TEXT_PX) + 6.0, TEXT_PX + 3.0, drawn.clear)
        for name, (_, drawn) in zip(names, stations, strict=True)
    ]
    labels += [
        Label(drawn.x, drawn.y, max(26.0, text_width(str(number), SMALL_PX) + 14.0), 26.0, drawn.clear)
        for number, _, drawn in things
    ]
    hard: list[Box] = [box for _, drawn in stations for box in drawn.boxes(5.0)]
    hard += [(d.x - 11.0, d.y - 11.0, d.x + 11.0, d.y + 11.0) for _, d in stations]
    soft = [box for _, _, drawn in things for box in drawn.boxes()]
    places = place_labels(labels, (left + 5.0, top + 5.0, right - 5.0, bottom - 5.0), hard, soft)
    marks: list[Mark] = []
    for place in places:
        if place.leader is not None:
            ends = straight(*place.leader)
            marks += [Stroke(ends, look.halo, 4.5, opacity=0.8), Stroke(ends, look.ink, 1.6)]
    for name, place in zip(names, places, strict=False):
        x, y = (place.box[0] + place.box[2]) / 2, (place.box[1] + place.box[3]) / 2
        marks.append(Words(name, x, y + TEXT_PX * 0.36, TEXT_PX, look.station, "middle", halo=look.halo))
    for (number, thing, _), place in zip(things, places[len(names) :], strict=True):
        x, y = (place.box[0] + place.box[2]) / 2, (place.box[1] + place.box[3]) / 2
        note = f"{number}: {thing.kind} at x {thing.x_m:.3f} m, y {thing.y_m:.3f} m"
        colour = look.thing if thing.counted else look.wall
        marks.append(Stroke(rounded(place.box, 8.0), colour, 2.0, look.halo, closed=True, note=note))
        marks.append(Words(str(number), x, y + SMALL_PX * 0.36, SMALL_PX, look.ink, "middle"))
    return tuple(marks)

"""Evidence building up reading by reading, as a short film: the plain sum of what each reading says, on metre axes.

Stations join in their order; the arc of the reading that has just come in is drawn, nothing else moves.  The sum is the
additive solver's, with the weights of the whole run, so the last step is its map.  Floor axes [m]; pictures in pixels.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from sonargrid.arrays import Counts, Floats, Ints
from sonargrid.drawing.axes import View, axes, floor_rules, plot_size_px, round_step, view_of
from sonargrid.drawing.legend import title_marks
from sonargrid.drawing.marks import station_mark
from sonargrid.drawing.palette import SMALL_PX, TEXT_PX, Pixels, Theme, blend, evidence_colours, ramp, rgb, theme_named
from sonargrid.drawing.raster import film, shortened
from sonargrid.drawing.shapes import Figure, Layer, Mark, Raster, Words, cased, rectangle
from sonargrid.drawing.sweep_picture import arc_points, half_beam_of
from sonargrid.errors import SonargridError
from sonargrid.maps.additive import additive_grid
from sonargrid.maps.beams import make_beam
from sonargrid.maps.evidence import MapSettings, data_extent, frame_for, ray_weights
from sonargrid.maps.grid import GridFrame
from sonargrid.physics.log_odds import to_probability
from sonargrid.runs.readings import Pings, Run

MOST_STEPS = 181  # longer runs come in several readings a step
CELLS_ACROSS = 130
LONG_SIDE_PX = 520
LEFT_PX, RIGHT_PX, TOP_PX, AXIS_PX = 104, 36, 24, 84
STEP_MS, LAST_MS = 80, 2500


@dataclass(frozen=True, slots=True, eq=False)
class FilmStep:
    """Where the sum stands after some readings.

    row : the last reading that came in, from 0
    count : how many have come in
    log_odds : (rows, columns)
    touched : (rows, columns), 0 where no reading has reached yet
    """

    row: int
    count: int
    log_odds: Floats
    touched: Counts


def film_order(pings: Pings, stations: Sequence[int] = ()) -> Ints:
    """Return the readings, from 0, in the order in which a film takes them: station by station, as recorded.

    stations : indices into the run's stations; none = all
    """
    station = pings.station
    chosen = np.unique(station) if not len(stations) else np.asarray(stations)
    parts = [np.flatnonzero((station == index) & ~pings.void) for index in chosen]
    return np.concatenate(parts).astype(np.int32) if parts else np.zeros(0, dtype=np.int32)


def film_steps(run: Run, pings: Pings, order: Ints) -> tuple[GridFrame, Iterator[FilmStep]]:
    """Return the frame, and the sums as they grow.

    Parameters
    ----------
    run : Run
    pings : Pings
        Its calibrated readings.
    order : (N,) array
        As `film_order` gives it.

    Raises
    ------
    SonargridError
        If no reading tells anything.
    """
    if not order.size:
        raise SonargridError("no reading tells anything, so there is nothing to build up", file=run.path or run.name)
    taken = _taken(pings, order)
    left, bottom, right, top = data_extent(taken, make_beam("gaussian", run.ranger))
    settings = MapSettings(beam="gaussian", cell_m=round_step(max(right - left, top - bottom) / CELLS_ACROSS))
    beam = make_beam("gaussian", run.ranger, settings.cell_m)
    frame = frame_for(taken, beam, settings)
    weights = ray_weights(taken, run.ranger.mean_half_beam_rad, settings)

    def grow() -> Iterator[FilmStep]:
        total, touched = np.zeros(frame.shape), np.zeros(frame.shape, dtype=np.int64)
        count = 0
        for part in np.array_split(order, min(MOST_STEPS, order.size)):
            grid, _ = additive_grid(_taken(pings, part), beam, frame, settings, weights)
            total, touched = total + grid.log_odds, touched + grid.touched
            count += part.size
            yield FilmStep(int(part[-1]), count, total, touched.astype(np.uint32))

    return frame, grow()


def _taken(pings: Pings, rows: Ints) -> Pings:
    """Return some of the readings with the rays of all."""
    time_s = None if pings.time_s is None else pings.time_s[rows]
    return replace(
        pings,
        ray=pings.ray[rows],
        range_m=pings.range_m[rows],
        sweep=pings.sweep[rows],
        turning=pings.turning[rows],
        time_s=time_s,
    )


def sweep_film(run: Run, pings: Pings, stations: Sequence[int] = (), how: str = "GIF", theme: str = "light") -> bytes:
    """Return the film of evidence building up.

    Parameters
    ----------
    run : Run
    pings : Pings
        Its calibrated readings.
    stations : sequence of int
        Indices into the run's stations; none = all, one after the other.
    how : str
        ``GIF`` or ``WEBP``.
    theme : str
        ``light`` or ``dark``.

    Raises
    ------
    SonargridError
        If no reading tells anything.
    ValueError
        If format or theme are unknown.
    """
    look = theme_named(theme)
    order = film_order(pings, stations)
    frame, steps = film_steps(run, pings, order)
    size = plot_size_px(frame, LONG_SIDE_PX)
    view = view_of(frame, LEFT_PX, TOP_PX + 2 * TEXT_PX + 28, size)
    width, height = round(view.box[2]) + RIGHT_PX, round(view.box[3]) + AXIS_PX
    title = shortened(" ".join((run.title or run.name).split()), TEXT_PX, width - LEFT_PX - RIGHT_PX)
    ground = (
        Layer("ground", (rectangle(view.box, look.unknown),)),
        Layer("axes", axes(view, look)),
        Layer("heading", title_marks(title, "", LEFT_PX - 2, TOP_PX - 8, look, TEXT_PX)),
    )
    drawn = (_layers(run, pings, step, int(order.size), view, look) for step in steps)
    return film(Figure(width, height, look.page, ground, title), drawn, _colours(look), how, STEP_MS, LAST_MS)


def _colours(look: Theme) -> Pixels:
    """Return the colours of a film: the evidence scale, plain and under a rule, and what marks and words blend to."""
    scale = ramp(look)[::4]
    ruled = np.rint(0.87 * scale[::2].astype(float) + 0.13 * np.array(rgb(look.rule))).astype(np.uint8)
    share = np.linspace(0.0, 1.0, 9)
    pairs = ((look.page, look.ink), (look.page, look.muted), (look.halo, look.arc), (look.halo, look.station))
    return np.concatenate([scale, ruled, *(blend(one, other, share) for one, other in pairs)])


def _layers(run: Run, pings: Pings, step: FilmStep, of: int, view: View, look: Theme) -> tuple[Layer, ...]:
    """Return what one step draws over the ground."""
    colours = evidence_colours(to_probability(step.log_odds, 0.5), 0.5, look, step.touched)
    station = int(pings.station[step.row])
    range_m = float(pings.range_m[step.row])
    arc: list[Mark] = []
    if math.isfinite(range_m) and step.count < of:
        half = float(half_beam_of(range_m, run.ranger))
        arc = list(cased(view.place(*arc_points(pings, step.row, half, steps=25).T), look.arc, 4.0, look.halo))
    said = f"{range_m:.2f} m" if math.isfinite(range_m) else "silent"
    name = shortened(" ".join(run.stations[station].name.split()), SMALL_PX, 120.0)
    words = f"reading {step.count} of {of}, station {name}: {said}"
    room = view.box[2] - LEFT_PX
    line = Words(shortened(words, SMALL_PX, room), LEFT_PX - 2, view.box[1] - 14, SMALL_PX, look.muted)
    marks: list[Mark] = []
    for index in range(station + 1):
        place = run.stations[index]
        if view.shows(place.x_m, place.y_m):
            x, y = (float(part) for part in view.place(place.x_m, place.y_m))
            marks += station_mark(x, y, place.heading_rad, look).strokes
    return (
        Layer("evidence", (Raster(colours[::-1], view.cells),)),
        Layer("rules", floor_rules(view, look)),
        Layer("arc", tuple(arc), view.box),
        Layer("stations", tuple(marks), view.box),
        Layer("words", (line,)),
    )

"""What a notebook shows of a run, a map and a list of things: a picture, and a page fragment with the figures.

The package's root hangs these on the classes as `_repr_png_` and `_repr_html_`; they load when a notebook asks.  Every
string that comes from a run is escaped.
"""

from __future__ import annotations

import base64
import math
from collections.abc import Iterable, Sequence

import numpy as np

from sonargrid.comparing.comparison import Comparison
from sonargrid.comparing.findings import against_best, verdict
from sonargrid.drawing.compare_picture import compare_figure
from sonargrid.drawing.pictures import MapContent, map_content, map_figure
from sonargrid.drawing.raster import figure_png
from sonargrid.drawing.sweep_content import strip_content, strip_words
from sonargrid.drawing.sweep_strip import strip_figure
from sonargrid.drawing.vector import xml_text
from sonargrid.errors import SonargridError
from sonargrid.finding.plateaus import find_plateaus
from sonargrid.finding.things import Object, Things
from sonargrid.maps.grid import GridFrame
from sonargrid.maps.mapping import Map
from sonargrid.physics.geometry import wrap_deg
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Run

MAP_PX, LIST_PX, STRIP_PX = 800, 720, 900
COLOURS = 256  # pictures are kept in notebooks: a palette makes them a third as large
AROUND_M = 0.25  # floor shown beyond the outermost thing of a list without a map
MOST_ROWS = 60  # of a list; the rest is counted
HEADS = ("no.", "kind", "x [m]", "y [m]", "± [m]", "across [m]", "nearest [m]", "bearing [°]", "sure", "stations")


def map_png(made: Map) -> bytes:
    """Return the map's picture, without things: finding them is another question."""
    return figure_png(map_figure(map_content(made, listing=False), long_side_px=MAP_PX), COLOURS)


def map_html(made: Map) -> str:
    """Return the map's picture with what it was made from."""
    run, grid = made.run, made.grid
    left, bottom, right, top = grid.frame.extent_m
    seen = int(np.count_nonzero(grid.touched))
    facts = {
        "run": run.title or run.name,
        "floor": f"{right - left:.2f} m × {top - bottom:.2f} m, cells of {grid.cell_m * 100:g} cm, {seen} reached",
        "how": f"{made.settings.beam} beam, {made.settings.solver} solver",
        "readings": _readings(run),
    }
    return _picture(map_png(made), "map", MAP_PX) + _facts(facts, made.warnings)


def things_png(things: Things) -> bytes:
    """Return the things with their ellipses on floor of which nothing else is told, and the list."""
    if not things:
        frame = GridFrame.around(-0.5, -0.5, 0.5, 0.5, 0.01)
    else:
        points = [(thing.x_m, thing.y_m) for thing in things]
        points += [end for thing in things if thing.kind == "wall" and _has_ends(thing) for end in thing.ends_m()]
        low, high = np.min(points, axis=0) - AROUND_M, np.max(points, axis=0) + AROUND_M
        cell_m = max(0.01, float((high - low).max()) / 400.0)
        frame = GridFrame.around(float(low[0]), float(low[1]), float(high[0]), float(high[1]), cell_m)
    blank = np.full(frame.shape, 0.5)
    content = MapContent(frame, blank, np.zeros(frame.shape), things=tuple(things), title=_count(things))
    return figure_png(map_figure(content, long_side_px=LIST_PX), COLOURS)


def _has_ends(thing: Object) -> bool:
    return not (math.isnan(thing.width_m) or math.isnan(thing.heading_rad))


def things_html(things: Things) -> str:
    """Return the list as a table, in the columns of the report page."""
    rows = []
    for number, thing in enumerate(things[:MOST_ROWS], start=1):
        across = thing.width_m if math.isnan(thing.diameter_m) else thing.diameter_m
        figures = (
            (thing.x_m, 3),
            (thing.y_m, 3),
            (math.hypot(thing.x_sigma_m, thing.y_sigma_m), 3),
            (across, 3),
            (thing.nearest_m, 3),
            (float(wrap_deg(math.degrees(thing.bearing_rad))), 1),
            (thing.confidence, 2),
        )
        cells = [f"{value:.{decimals}f}" if math.isfinite(value) else "" for value, decimals in figures]
        rows.append((str(number), thing.kind, *cells, str(thing.stations)))
    if len(things) > MOST_ROWS:
        rows.append(("", f"and {len(things) - MOST_ROWS} more", *[""] * (len(HEADS) - 2)))
    return f"<p>{_text(_count(things))}</p>{_table(HEADS, rows)}"


def _count(things: Things) -> str:
    counted = sum(thing.counted for thing in things)
    behind = len(things) - counted
    said = f"{counted} thing{'' if counted == 1 else 's'}"
    few = "a wall or corner" if behind == 1 else f"{behind} walls and corners"
    return f"{said}; behind: {few}" if behind else said


def comparison_png(found: Comparison) -> bytes:
    """Return the maps of all models side by side, and their scores."""
    return figure_png(compare_figure(found), COLOURS)


def comparison_html(found: Comparison) -> str:
    """Return the verdict, the picture and the table of scores, best first."""
    rows = []
    for trial in found.ranked:
        low, high = trial.mean - trial.half_width, trial.mean + trial.half_width
        known = math.isfinite(trial.mean)
        span = f"{low:+.2f} to {high:+.2f}" if math.isfinite(low) else ""
        rows.append((trial.name, f"{trial.mean:.2f}" if known else "", span, against_best(found, trial.name)))
    table = _table(("model", "nats per ping", "95 % interval", "verdict"), rows)
    notes = _facts({}, found.warnings) if found.warnings else ""
    return f"<p>{_text(verdict(found))}</p>{_picture(comparison_png(found), 'comparison', STRIP_PX)}{table}{notes}"


def run_png(run: Run) -> bytes:
    """Return the sweep of the run's first station as a strip of range against head angle."""
    pings = calibrated(run)
    if not len(pings):
        raise SonargridError("there is no reading to show", file=run.path or run.name)
    station = int(pings.station.min())
    content = strip_content(run, pings, station, find_plateaus(pings, run.ranger))
    return figure_png(strip_figure(content, width_px=STRIP_PX), COLOURS)


def run_html(run: Run) -> str:
    """Return the first station's strip, what the run holds, and what is to be known about it."""
    pings = calibrated(run)
    plateaus = find_plateaus(pings, run.ranger)
    heard = sorted({int(index) for index in pings.station})
    facts = {
        "run": run.title or run.name,
        "readings": _readings(run),
        **{run.stations[index].name: strip_words(strip_content(run, pings, index, plateaus)) for index in heard[:8]},
    }
    if len(heard) > 8:
        facts["..."] = f"and {len(heard) - 8} more stations"
    return _picture(run_png(run), "sweep of the first station", STRIP_PX) + _facts(facts, run.warnings)


def _readings(run: Run) -> str:
    count = len(set(run.readings.station.tolist()))
    return f"{run.readings.taken} from {count} station{'' if count == 1 else 's'}, reach {run.ranger.reach_m:g} m"


def _text(words: object) -> str:
    return xml_text(str(words))


def _picture(png: bytes, words: str, wide_px: int) -> str:
    kept = base64.b64encode(png).decode("ascii")
    return f'<img alt="{words}" style="max-width:{wide_px}px;width:100%" src="data:image/png;base64,{kept}">'


def _table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    head = "".join(f"<th>{_text(words)}</th>" for words in heads)
    body = "".join(f"<tr>{''.join(f'<td>{_text(cell)}</td>' for cell in row)}</tr>" for row in rows)
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def _facts(facts: dict[str, str], warnings: Sequence[str]) -> str:
    rows = "".join(f"<tr><th>{_text(what)}</th><td>{_text(words)}</td></tr>" for what, words in facts.items())
    notes = "".join(f"<li>{_text(words)}</li>" for words in dict.fromkeys(warnings))
    return f"<table><tbody>{rows}</tbody></table>" + (f"<ul>{notes}</ul>" if notes else "")

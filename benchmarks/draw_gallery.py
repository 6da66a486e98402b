"""Draw README's gallery sheet again: ``python benchmarks/draw_gallery.py``.

Every picture on it is made by the program as it stands, from the shipped potting bench, in both themes; the sheet is a
picture of the same family.
"""

from __future__ import annotations

import math
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from sonargrid.drawing.meeting_picture import meeting_figures
from sonargrid.drawing.palette import SMALL_PX, TITLE_PX, Theme, theme_named
from sonargrid.drawing.pictures import map_content
from sonargrid.drawing.raster import figure_png, png_pixels, shortened
from sonargrid.drawing.screen_map import UPPER_HALF, Line, screen_map
from sonargrid.drawing.shapes import Box, Figure, Layer, Mark, Raster, Words, rectangle
from sonargrid.finding.floor_behind import as_far_as_seen
from sonargrid.finding.objects import fit_objects
from sonargrid.maps.mapping import Map, build_map
from sonargrid.results.report_data import ReportData, meetings, read_report
from sonargrid.results.report_meetings import arcs_of, by_station_of
from sonargrid.runs.run_files import load_run
from sonargrid.runs.samples import find_sample
from sonargrid_cli.main import main as sonargrid

ROOT = Path(__file__).resolve().parent.parent
TARGET = ROOT / "sample_runs" / "gallery.png"
SAMPLE = "potting_bench"
WIDE, EDGE, GAP, TOP, CAPTION = 1280, 32, 28, 92, 40
LETTER = (10, 20)  # a terminal's character [px]
SCREEN = (76, 30)
COLOURS = 256


@dataclass(frozen=True)
class Panel:
    """One picture on the sheet: what is under it, its pixels, and how much of the sheet's width it takes."""

    words: str
    png: bytes
    share: float = 0.5


def by_command(folder: Path, name: str, words: list[str]) -> bytes:
    """Return the picture that a command writes."""
    if sonargrid([*words, "-q"]) != 0:
        raise SystemExit(f"failed: sonargrid {' '.join(words)}")
    return (folder / name).read_bytes()


def panels(folder: Path) -> list[list[Panel]]:
    """Return the rows of the sheet."""
    sample = ["--sample", SAMPLE]
    light, dark = str(folder / "light"), str(folder / "dark")
    sweep, reading = str(folder / "sweep.png"), str(folder / "reading.png")
    made = build_map(load_run(find_sample(SAMPLE)), solver="joint")
    rows = [
        [
            Panel(
                "map: evidence, stations, things", by_command(folder, "light/map.png", ["map", *sample, "-o", light])
            ),
            Panel(
                "map --theme dark",
                by_command(folder, "dark/map.png", ["map", *sample, "-o", dark, "--theme", "dark"]),
            ),
        ],
        [
            Panel("sweep: what one station heard", by_command(folder, "sweep.png", ["sweep", *sample, "-o", sweep])),
            Panel(
                "sweep --reading 42 --theme dark: where one echo can come from",
                by_command(
                    folder,
                    "reading.png",
                    ["sweep", *sample, "--reading", "42", "-o", reading, "--theme", "dark"],
                ),
            ),
        ],
    ]
    data = read_report(folder / "light")
    rows.append(meeting_panels(data))
    compared = str(folder / "compared")
    models = ["--beams", "cone,gaussian,piston,joint"]
    beside = by_command(folder, "compared/compare.png", ["compare", *sample, *models, "-o", compared])
    rows.append([Panel("map --show: on the terminal", terminal(made), 0.4), Panel("compare: beam models", beside, 0.6)])
    return rows


def meeting_panels(data: ReportData) -> list[Panel]:
    """Return how the arcs of the first post meet."""
    assert data.objects and data.run
    number, thing = next((n, t) for n, t in enumerate(data.objects, start=1) if t.kind == "post")
    figures = meeting_figures(thing, arcs_of(by_station_of(meetings(thing, data)), data), robot=data.run.robot)[:4]
    words = [f"report: the arcs of thing {number} meet ...", *["..."] * (len(figures) - 2), "... close up"]
    return [Panel(said, figure_png(one), 1 / len(figures)) for said, one in zip(words, figures, strict=True)]


def terminal(made: Map) -> bytes:
    """Return what a terminal of 76 columns shows of a map."""
    look = theme_named("dark")
    things = fit_objects(made.pings, made.run)
    lines = screen_map(map_content(as_far_as_seen(made, things), things.objects), *SCREEN)
    across, high = LETTER
    size = (SCREEN[0] * across, len(lines) * high)
    marks = [mark for at, line in enumerate(lines) for mark in _line(line, at * high, look)]
    return figure_png(Figure(*size, look.page, (Layer("screen", tuple(marks)),), "Terminal"))


def _line(line: Line, top: int, look: Theme) -> list[Mark]:
    across, high = LETTER
    marks: list[Mark] = []
    left = 0
    for piece in line:
        front, back = ("" if c is None else "#{:02x}{:02x}{:02x}".format(*c) for c in (piece.front, piece.back))
        for letter in piece.text:
            box: Box = (left, top, left + across, top + high)
            if back:
                marks.append(rectangle(box, back))
            if letter == UPPER_HALF:
                marks.append(rectangle((left, top, left + across, top + high / 2), front or look.ink))
            elif letter != " ":
                marks.append(Words(letter, left + across / 2, top + 15, 15, front or look.ink, "middle"))
            left += across
    return marks


def sheet(rows: list[list[Panel]]) -> bytes:
    """Return the sheet: rows of pictures, each as wide as its share, with one line of words under it."""
    look = theme_named("light")
    marks: list[Mark] = [Words("What sonargrid draws", EDGE, 46, TITLE_PX, look.ink)]
    marks.append(Words("one run, one palette, one way to draw each thing", EDGE, 76, SMALL_PX, look.muted))
    top = float(TOP)
    for row in rows:
        whole = WIDE - 2 * EDGE - GAP * (len(row) - 1)
        left, deepest = float(EDGE), top
        for panel in row:
            pixels = png_pixels(panel.png)
            wide = round(whole * panel.share)
            high = round(pixels.shape[0] * wide / pixels.shape[1])
            frame = (left - 1, top - 1, left + wide + 1, top + high + 1)
            marks += [rectangle(frame, look.unknown), Raster(np.asarray(pixels), (left, top, left + wide, top + high))]
            words = shortened(panel.words, SMALL_PX, wide)
            marks.append(Words(words, left, top + high + 24, SMALL_PX, look.ink))
            left, deepest = left + wide + GAP, max(deepest, top + high)
        top = math.ceil(deepest) + CAPTION + 12
    figure = Figure(WIDE, round(top), look.page, (Layer("sheet", tuple(marks)),), "What sonargrid draws")
    return figure_png(figure, COLOURS)


def main() -> int:
    with tempfile.TemporaryDirectory() as name:
        content = sheet(panels(Path(name)))
    TARGET.write_bytes(content)
    print(f"{TARGET.relative_to(ROOT)}: {len(content) / 1000:.0f} kB")
    return 0


if __name__ == "__main__":
    sys.exit(main())

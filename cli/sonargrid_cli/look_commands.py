"""The commands that show things to people: `sweep` (a picture or a film of one sweep) and `report` (a page of maps).

Everything that loads numpy is imported inside the bodies.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sonargrid.errors import SonargridError, UsageProblem
from sonargrid_cli.config_words import shown_config
from sonargrid_cli.map_options import known_theme
from sonargrid_cli.notes import more_words, told
from sonargrid_cli.run_options import RunOptions, ScreenOptions, load_chosen, spread

if TYPE_CHECKING:
    from sonargrid.runs.readings import Pings, Run

PICTURE_PANEL = "The picture"
FILMS = {".gif": "GIF", ".webp": "WEBP"}
KINDS = {".png": (b"\x89PNG",), ".svg": (b"<svg",), ".gif": (b"GIF8",), ".webp": (b"RIFF",)}


@dataclass(frozen=True, slots=True)
class PictureOptions:
    """What of a sweep is drawn, how, and into which file."""

    station: Annotated[
        str | None,
        typer.Option("--station", metavar="NAME", help="Which station; else the first.", rich_help_panel=PICTURE_PANEL),
    ] = None
    reading: Annotated[
        int | None,
        typer.Option(
            "--reading", metavar="N", help="Show where echo N can come from; 1 first.", rich_help_panel=PICTURE_PANEL
        ),
    ] = None
    out: Annotated[
        str | None,
        typer.Option("-o", "--out", metavar="FILE", help="A .png or .svg file.", rich_help_panel=PICTURE_PANEL),
    ] = None
    svg: Annotated[bool, typer.Option("--svg", help="Also as SVG.", rich_help_panel=PICTURE_PANEL)] = False
    theme: Annotated[
        str, typer.Option("--theme", metavar="NAME", help="light or dark.", rich_help_panel=PICTURE_PANEL)
    ] = "light"
    animate: Annotated[
        str | None,
        typer.Option(
            "--animate", metavar="FILE", help="Film of evidence: .gif or .webp.", rich_help_panel=PICTURE_PANEL
        ),
    ] = None


@spread
def draw_sweep(which: RunOptions, wish: PictureOptions, screen: ScreenOptions) -> str:
    """Draw one sweep: range by angle, and where echoes come from.

    Example: sonargrid sweep --sample two_flowerpots --reading 42
    """
    _check_words(which, wish)
    run = load_chosen(which)
    if which.show_config:
        return shown_config(run, {}, {}, screen.json)
    from sonargrid.runs.calibration import calibrated

    pings = calibrated(run)
    chosen = _station(run, pings, wish.station, wish.reading)
    if wish.animate is not None:
        written, said = _film(run, pings, () if wish.station is None else (chosen,), wish.animate, wish.theme)
    else:
        written, said = _pictures(run, pings, chosen, wish)
    _write(written)
    told(run.warnings, screen.quiet)
    if screen.verbose:
        told(more_words(run, {}))
    if screen.json:
        return json.dumps({"files": list(written), **said}, indent=2, ensure_ascii=False)
    return "" if screen.quiet else f"{said['words']}\nwritten to {', '.join(written)}"


def _check_words(which: RunOptions, wish: PictureOptions) -> None:
    """Refuse flags that do not go together, before anything is read."""
    out, reading, animate = wish.out, wish.reading, wish.animate
    known_theme(wish.theme)
    if reading is not None and (which.stations or which.sweeps):
        raise UsageProblem(
            "--reading counts the readings of the whole run", hint="leave out --stations and --sweeps, or --reading"
        )
    if animate is not None:
        if out is not None or wish.svg or reading is not None:
            raise UsageProblem("--animate makes a film and no picture", hint="leave out -o, --svg and --reading")
        if Path(animate).suffix.lower() not in FILMS:
            raise UsageProblem(f"--animate takes a name that ends in .gif or .webp, got '{animate}'")
    if out is not None and Path(out).suffix.lower() not in (".png", ".svg"):
        raise UsageProblem(f"-o takes a name that ends in .png or .svg, got '{out}'", hint="such as -o sweep.png")


def _heard(pings: Pings) -> list[int]:
    """Return the stations that have readings."""
    return sorted({int(station) for station in pings.station})


def _station(run: Run, pings: Pings, name: str | None, reading: int | None) -> int:
    """Return the station to draw: the one named, the reading's own, or the first with readings."""
    heard = _heard(pings)
    if reading is not None and not 1 <= reading <= len(pings):
        raise UsageProblem(f"there is no reading {reading}", hint=f"this run has readings 1 to {len(pings)}")
    own = None if reading is None else int(pings.station[reading - 1])
    if name is None:
        return heard[0] if own is None else own
    names = [station.name for station in run.stations]
    if name not in names:
        shown = ", ".join(names[:12]) + (", ..." if len(names) > 12 else "")
        raise UsageProblem(f"there is no station '{name}'", hint=f"this run has {shown}")
    index = names.index(name)
    if index not in heard:
        raise SonargridError(f"station {name} has no readings, so there is no sweep to draw", file=run.path or run.name)
    if own is not None and own != index:
        raise UsageProblem(f"reading {reading} is station {names[own]}'s", hint=f"--station {names[own]}")
    return index


def _film(
    run: Run, pings: Pings, stations: tuple[int, ...], name: str, theme: str
) -> tuple[dict[str, bytes], dict[str, object]]:
    """Return the film's file, and what there is to say about it."""
    from sonargrid.drawing.sweep_film import film_order, sweep_film

    content = sweep_film(run, pings, stations, FILMS[Path(name).suffix.lower()], theme)
    names = [run.stations[index].name for index in stations or _heard(pings)]
    count = int(film_order(pings, stations).size)
    words = f"evidence from {count} readings of station{'s' if len(names) > 1 else ''} {', '.join(names)}"
    return {name: content}, {"stations": names, "words": words}


def _pictures(run: Run, pings: Pings, station: int, wish: PictureOptions) -> tuple[dict[str, bytes], dict[str, object]]:
    """Return the picture's files, and what there is to say about it."""
    from sonargrid.drawing.raster import figure_png
    from sonargrid.drawing.sweep_content import strip_content, strip_words
    from sonargrid.drawing.sweep_picture import reading_words, sweep_figure
    from sonargrid.drawing.vector import figure_svg
    from sonargrid.finding.plateaus import find_plateaus

    reading, out = wish.reading, wish.out or f"{run.name}_sweep.png"
    plateaus = find_plateaus(pings, run.ranger)
    figure = sweep_figure(run, pings, station, plateaus, reading, wish.theme)
    words = strip_words(strip_content(run, pings, station, plateaus))
    if reading is not None:
        words = reading_words(run, pings, reading - 1)
    files: dict[str, bytes] = {}
    if Path(out).suffix.lower() == ".png":
        files[out] = figure_png(figure)
    if wish.svg or not files:
        files[out if not files else str(Path(out).with_suffix(".svg"))] = figure_svg(figure).encode("utf-8")
    return files, {"station": run.stations[station].name, "reading": reading, "words": words}


def _write(files: dict[str, bytes]) -> None:
    from sonargrid.results.out_folder import write_one

    for name, content in files.items():
        write_one(content, name, KINDS[Path(name).suffix.lower()])


@spread
def make_report(
    outs: Annotated[list[str], typer.Argument(metavar="OUT...", help="Folders that map, batch or compare wrote.")],
    screen: ScreenOptions,
    out: Annotated[str, typer.Option("-o", "--out", metavar="FILE", help="The page to write.")] = "report.html",
    worksheet: Annotated[bool, typer.Option("--worksheet", help="Ask first; the answers on a page of their own.")] = (
        False
    ),
) -> str:
    """Put one or more maps on one page: to read, to print, to repeat.

    Example: sonargrid report bench_map -o bench.html
    """
    if Path(out).suffix.lower() not in (".html", ".htm"):
        raise UsageProblem(f"-o takes a name that ends in .html, got '{out}'", hint="such as -o report.html")
    from sonargrid.results.out_folder import write_one
    from sonargrid.results.report import report_page
    from sonargrid.results.report_data import is_map, read_report, report_folders
    from sonargrid.results.report_sections import is_comparison, read_comparison

    compared = [name for name in outs if is_comparison(name)]
    folders = report_folders([name for name in outs if name not in compared or is_map(name)])
    if not folders:
        raise UsageProblem("a page needs at least one map", hint="such as sonargrid report bench_map bench_compare")
    parts = [read_report(folder) for folder in folders]
    page = report_page(parts, worksheet, [read_comparison(name) for name in compared]).encode("utf-8")
    write_one(page, out, (b"<!DOCTYPE html>",))
    told((note for data in parts for note in data.notes), screen.quiet)
    if screen.json:
        return json.dumps({"file": out, "bytes": len(page), "maps": list(folders)}, indent=2, ensure_ascii=False)
    return "" if screen.quiet else f"{len(parts)} map{'' if len(parts) == 1 else 's'} on one page, written to {out}"

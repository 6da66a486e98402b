"""What `map` and `count` say when they are done, in plain words that fit 80 columns."""

from __future__ import annotations

import io
import math
import shutil
import textwrap
from collections import Counter
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sonargrid.finding.things import Object
    from sonargrid.maps.mapping import Map
    from sonargrid.pipeline import Outcome
    from sonargrid.runs.readings import Pings, Run

WIDEST = 80

# file -> what it is for
FILE_WORDS = {
    "map.png": "the picture to look at",
    "map.svg": "the same picture, sharp at any size",
    "objects.csv": "the list, one row a thing",
    "grid.png": "one grey pixel a cell",
    "grid.pgw": "where grid.png lies on the floor",
    "grid.npz": "the evidence itself, for programs",
    "grid.tif": "the evidence as GeoTIFF, and how often cells were reached",
    "summary.json": "settings, counts and digests: enough to repeat it",
}
KIND_WORDS = {
    "post": ("post", "posts"),
    "cluster": ("cluster", "clusters"),
    "echo": ("heard from one place only", "heard from one place only"),
    "wall": ("wall", "walls"),
    "corner": ("corner", "corners"),
}


def width_of_screen() -> int:
    """Return how wide words may run: the terminal's width, at most 80 columns."""
    return min(WIDEST, max(40, shutil.get_terminal_size((WIDEST, 24)).columns))


def filled(text: str, indent: str = "") -> str:
    """Return a paragraph wrapped to the screen, later lines indented."""
    return textwrap.fill(text, width_of_screen(), subsequent_indent=indent, break_on_hyphens=False)


def length_words(metres: float) -> str:
    """Return a length as a person would say it.

    >>> length_words(0.01), length_words(0.0254), length_words(1.234), length_words(math.nan)
    ('1 cm', '2.5 cm', '1.23 m', '')
    """
    if math.isnan(metres):
        return ""
    if metres < 0.995:
        return f"{metres * 100:.{0 if abs(metres * 100 - round(metres * 100)) < 0.05 else 1}f} cm"
    return f"{metres:.2f} m"


def kinds_in_words(objects: Iterable[Object], counted: bool) -> str:
    """Return how many of each kind there are, such as ``3 posts, 1 cluster``; empty if there is none."""
    count = Counter(thing.kind for thing in objects if thing.counted is counted)
    return ", ".join(f"{count[kind]} {KIND_WORDS[kind][count[kind] > 1]}" for kind in KIND_WORDS if count[kind])


def things_sentence(objects: Sequence[Object]) -> str:
    """Return how many things stand there, and what is background."""
    kinds = {thing.kind for thing in objects if thing.counted}
    things = sum(thing.counted for thing in objects)
    said = "no thing found" if things == 0 else f"{things} thing{'s' if things > 1 else ''}"
    if kinds == {"echo"}:
        said += ", heard from one place only"
    elif things:
        said += f": {kinds_in_words(objects, counted=True)}"
    behind = kinds_in_words(objects, counted=False)
    return f"{said}; behind them {behind}" if behind else said


def pings_sentence(run: Run, pings: Pings) -> str:
    """Return what the run holds: pings, stations, echoes, silence."""
    stations = len(set(pings.rays.station.tolist()))
    places = f"{stations} {'place' if run.moving else 'station'}{'s' if stations != 1 else ''}"
    outcome = f"{pings.number(pings.echo)} echoes, {pings.number(pings.silent)} silent"
    void = pings.number(pings.void)
    return f"{pings.number()} pings from {places}: {outcome}" + (f", {void} no measurement" if void else "")


def floor_sentence(made: Map) -> str:
    """Return which floor was mapped, and how."""
    x_min, y_min, x_max, y_max = made.grid.frame.extent_m
    tiles = ", in tiles" if made.settings.tiled else ""
    size = f"floor {x_max - x_min:.2f} m x {y_max - y_min:.2f} m in cells of {length_words(made.settings.cell_m)}"
    return f"{size}; {made.method}{tiles}"


def map_report(done: Outcome) -> str:
    """Return the last words of `map`: what was found, from what, and what lies where."""
    from sonargrid.runs.first_look import nearest_sentence

    made, tiled = done.map, done.map.settings.tiled
    lines = [made.run.title or made.run.name]
    if done.objects is not None:
        lines.append(filled(f"  {things_sentence(done.objects)}", "  "))
    lines.append(filled(f"  {floor_sentence(made)}", "  "))
    lines.append(filled(f"  {pings_sentence(made.run, made.pings)}", "  "))
    nearest = nearest_sentence(made.run)
    if nearest:
        lines.append(filled(f"  {nearest}", "  "))
    lines += ["", f"written to {done.folder}"]
    words = (
        {**FILE_WORDS, "grid.png": "the floor in grey, small: the mean of many cells a pixel"} if tiled else FILE_WORDS
    )
    lines += [f"  {name:13} {words.get(name, '')}".rstrip() for name in done.files]
    return "\n".join(lines)


def bearing_words(thing: Object) -> str:
    """Return the bearing of a thing from the nearest station in whole degrees, -180 to 179."""
    degrees = round(math.degrees(thing.bearing_rad))
    return f"{(degrees + 180) % 360 - 180}"


def things_table(objects: Sequence[Object], numbers: Sequence[int]) -> str:
    """Return the list of things as a table for the screen."""
    from rich import box
    from rich.console import Console
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0), show_edge=False)
    for head in ("id", "kind", "x m", "y m", "give or take", "wide cm", "near m", "bearing", "sure", "heard"):
        table.add_column(head, justify="left" if head == "kind" else "right", no_wrap=True)
    for number, thing in zip(numbers, objects, strict=True):
        wide = thing.diameter_m if math.isfinite(thing.diameter_m) else thing.width_m
        table.add_row(
            str(number),
            thing.kind,
            f"{thing.x_m:.2f}",
            f"{thing.y_m:.2f}",
            f"{thing.x_sigma_m * 100:.1f}, {thing.y_sigma_m * 100:.1f}",
            "" if math.isnan(wide) else f"{wide * 100:.1f}",
            f"{thing.nearest_m:.3f}",
            bearing_words(thing),
            "" if math.isnan(thing.confidence) else f"{thing.confidence:.0%}",
            f"{thing.readings}/{thing.stations}",
        )
    page = io.StringIO()
    Console(file=page, width=WIDEST, color_system=None, highlight=False).print(table)
    # a plain rule: the drawn one is missing from old terminals' code pages
    return "\n".join(line.rstrip() for line in page.getvalue().replace("─", "-").splitlines())

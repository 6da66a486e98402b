"""The options of `map` and `count` beyond the run: which model, which floor, which things, what to write.

No numpy here: reading help must not load it, and a wrong name must be told fast.
"""

from __future__ import annotations

import difflib
import math
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any

import typer

from sonargrid.errors import UsageProblem
from sonargrid.units import parse_length
from sonargrid_cli.run_options import ScreenOptions, length_of

# Names only, so that a wrong one is refused before numpy loads; a test holds them equal to the library's tables.
BEAMS = ("centreline", "cone", "tapered", "gaussian", "piston", "measured", "soft")
SOLVERS = ("additive", "joint")
THEMES = ("light", "dark")

Origins = dict[str, str]  # argument -> the flag or variable it came from
MODEL, FLOOR, THINGS, OUTPUT = "The model", "The floor", "The things", "What comes out"


def _option(flags: str, panel: str, words: str, metavar: str | None = None, known: Sequence[str] = ()) -> Any:
    """Return an option; what a shell offers for it are the known words, if there are any."""

    def offer(incomplete: str) -> list[str]:
        return [word for word in known if word.startswith(incomplete)]

    complete = offer if known else None
    return typer.Option(*flags.split(), metavar=metavar, help=words, rich_help_panel=panel, autocompletion=complete)


@dataclass(frozen=True, slots=True)
class ModelOptions:
    """How readings become evidence, and on which cells."""

    beam: Annotated[str | None, _option("--beam", MODEL, f"Beam model: {', '.join(BEAMS)}.", "NAME", BEAMS)] = None
    solver: Annotated[
        str | None,
        _option("--solver", MODEL, "joint: one cause per echo, the default; additive: sums.", "NAME", SOLVERS),
    ] = None
    no_redundancy: Annotated[bool, _option("--no-redundancy", MODEL, "Count each ping in full.")] = False
    repeat_correlation: Annotated[
        str | None, _option("--repeat-correlation", MODEL, "How alike two repeats of a ping are.", "0..1")
    ] = None
    silence_weight: Annotated[str | None, _option("--silence-weight", MODEL, "What a silent ping weighs.", "0..1")] = (
        None
    )
    never_lower: Annotated[bool, _option("--never-lower", MODEL, "tapered only: an echo never lowers its own arc.")] = (
        False
    )
    cell: Annotated[str | None, _option("--cell", FLOOR, "Edge of a cell, such as 1cm.", "LENGTH")] = None
    extent: Annotated[str | None, _option("--extent", FLOOR, "XMIN,YMIN,XMAX,YMAX, metres or with units.", "BOX")] = (
        None
    )
    max_cells: Annotated[
        str | None, _option("--max-cells", FLOOR, "The most cells allowed; with --tiled, of touched tiles.", "COUNT")
    ] = None
    tiled: Annotated[bool, _option("--tiled", FLOOR, "Large floors: keep only what readings reached; sums only.")] = (
        False
    )


@dataclass(frozen=True, slots=True)
class ThingOptions:
    """How things are found."""

    empty: Annotated[str | None, _option("--empty", THINGS, "A run of the same floor without the things.", "RUN")] = (
        None
    )
    size_prior: Annotated[
        str | None, _option("--size-prior", THINGS, "Radius to assume where one station cannot tell.", "LENGTH")
    ] = None
    min_confidence: Annotated[str | None, _option("--min-confidence", THINGS, "List claims from here on.", "0..1")] = (
        None
    )


@dataclass(frozen=True, slots=True)
class OutputOptions:
    """What `map` writes, and where."""

    out: Annotated[
        str | None, _option("-o --out", OUTPUT, "Folder to write; default: the run's name and _map.", "OUT")
    ] = None
    no_objects: Annotated[bool, _option("--no-objects", OUTPUT, "Only the grid: no list of things.")] = False
    draw_objects: Annotated[
        bool, _option("--draw-objects", OUTPUT, "Add a layer to grid.npz with the things drawn in.")
    ] = False
    svg: Annotated[bool, _option("--svg", OUTPUT, "Add map.svg.")] = False
    geotiff: Annotated[bool, _option("--geotiff", OUTPUT, "Add grid.tif, for geographic information systems.")] = False
    theme: Annotated[str, _option("--theme", OUTPUT, "light or dark.", "NAME", THEMES)] = "light"
    show: Annotated[bool, _option("--show", OUTPUT, "Also draw the map here.")] = False
    force: Annotated[bool, _option("--force", OUTPUT, "Replace the map of another run.")] = False


def typed_model(options: ModelOptions) -> tuple[dict[str, Any], Origins]:
    """Return what was typed as arguments of `MapSettings`, and the flag or variable each came from.

    Raises
    ------
    UsageProblem
        If a name, a length, a share, a count or the extent is none.
    """
    values, origins = _typed(options, MODEL_VALUES)
    for field, argument, value in FLAG_VALUES:
        if getattr(options, field):
            values[argument], origins[argument] = value, "--" + field.replace("_", "-")
    return values, origins


def typed_search(options: ThingOptions) -> tuple[dict[str, Any], Origins]:
    """Return what was typed as arguments of `Search`, the empty run apart, and where each came from.

    Raises
    ------
    UsageProblem
        If a length or a share is none.
    """
    return _typed(options, THING_VALUES)


def _typed(options: Any, table: Mapping[str, tuple[str, Callable[[str, str], Any]]]) -> tuple[dict[str, Any], Origins]:
    values: dict[str, Any] = {}
    origins: Origins = {}
    for field, (argument, read) in table.items():
        text, origin = getattr(options, field), "--" + field.replace("_", "-")
        if text is None:
            origin = "SONARGRID_" + field.upper()
            text = os.environ.get(origin)
        if text is not None:
            values[argument], origins[argument] = read(text, origin), origin
    return values, origins


def _beam_of(text: str, origin: str) -> str:
    return known_name(text, BEAMS, "beam model", origin)


def _solver_of(text: str, origin: str) -> str:
    return known_name(text, SOLVERS, "solver", origin)


def known_theme(name: str) -> None:
    """Refuse a theme that is none.

    Raises
    ------
    UsageProblem
        With the known ones.
    """
    if name not in THEMES:
        raise UsageProblem(f"unknown theme '{name}'", hint=f"known: {', '.join(THEMES)}")


def check_map_words(output: OutputOptions, screen: ScreenOptions, tiled: bool = False) -> None:
    """Refuse flags that do not go together, before anything is read.

    Raises
    ------
    UsageProblem
        With what to leave out.
    """
    if output.no_objects and output.draw_objects:
        raise UsageProblem("--no-objects and --draw-objects exclude one another", hint="leave one out")
    if tiled and output.draw_objects:
        raise UsageProblem("--tiled and --draw-objects exclude one another", hint="objects.csv lists the things")
    if output.show and screen.json:
        raise UsageProblem("--show and --json exclude one another", hint="leave one out")
    known_theme(output.theme)


def known_name(name: str, known: Sequence[str], what: str, origin: str) -> str:
    """Return a name that is known.

    Raises
    ------
    UsageProblem
        If it is not; lists the known ones and, for a variable, names it.
    """
    if name in known:
        return name
    near = difflib.get_close_matches(name, known, n=1)
    hint = f"did you mean '{near[0]}'?" if near else "sonargrid explain beam-models tells them apart"
    place = "" if origin.startswith("--") else f"{origin}: "
    raise UsageProblem(f"{place}unknown {what} '{name}'; known: {', '.join(known)}", hint=hint)


def extent_of(text: str, origin: str) -> tuple[float, float, float, float]:
    """Return the four edges of a typed extent in metres.

    Raises
    ------
    UsageProblem
        If the text is not four lengths with commas between, from smaller to larger.

    Examples
    --------
    >>> extent_of("-50cm,0,0.5,1m", "--extent")
    (-0.5, 0.0, 0.5, 1.0)
    """
    hint = "XMIN,YMIN,XMAX,YMAX, such as --extent -1,0,1,1"
    try:
        edges = [parse_length(part) for part in text.split(",")]
    except ValueError as problem:
        raise UsageProblem(f"{origin}: {problem}", hint=hint) from None
    if len(edges) != 4:
        raise UsageProblem(f"{origin} takes four lengths, got '{text}'", hint=hint)
    x_min, y_min, x_max, y_max = edges
    if not (x_min < x_max and y_min < y_max):
        raise UsageProblem(f"{origin} must run from smaller to larger, got '{text}'", hint=hint)
    return x_min, y_min, x_max, y_max


def share_of(text: str, origin: str) -> float:
    """Return a share between 0 and 1.

    Raises
    ------
    UsageProblem
        If the text is none.

    Examples
    --------
    >>> share_of("0.5", "--silence-weight")
    0.5
    """
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not 0.0 <= value <= 1.0:
        raise UsageProblem(f"{origin} must be a number from 0 to 1, got '{text}'")
    return value


def count_of(text: str, origin: str) -> int:
    """Return a whole number above 0.

    Raises
    ------
    UsageProblem
        If the text is none.
    """
    if not (text.isascii() and text.isdigit() and int(text) > 0):
        raise UsageProblem(f"{origin} must be a whole number above 0, got '{text}'")
    return int(text)


def span_of(text: str, flag: str) -> tuple[float, float]:
    """Return the two ends of a span of head angles in degrees.

    Raises
    ------
    UsageProblem
        If the text is not FROM..TO with 0 <= FROM < TO <= 180.

    Examples
    --------
    >>> span_of("30..150", "--between")
    (30.0, 150.0)
    """
    low, dots, high = text.partition("..")
    try:
        ends = float(low), float(high)
    except ValueError:
        ends = (1.0, 0.0)
    if not dots or not 0.0 <= ends[0] < ends[1] <= 180.0:
        raise UsageProblem(f"{flag} takes two head angles in degrees, got '{text}'", hint=f"such as {flag} 30..150")
    return ends


# flag -> (argument of the library's record, what it then is)
FLAG_VALUES = (("no_redundancy", "redundancy", False), ("never_lower", "never_lower", True), ("tiled", "tiled", True))

# field of the options -> (argument of the library's record, how its text is read)
MODEL_VALUES: Mapping[str, tuple[str, Callable[[str, str], Any]]] = {
    "beam": ("beam", _beam_of),
    "solver": ("solver", _solver_of),
    "cell": ("cell_m", length_of),
    "extent": ("extent_m", extent_of),
    "repeat_correlation": ("repeat_correlation", share_of),
    "silence_weight": ("silence_weight", share_of),
    "max_cells": ("max_cells", count_of),
}
THING_VALUES: Mapping[str, tuple[str, Callable[[str, str], Any]]] = {
    "size_prior": ("size_prior_m", length_of),
    "min_confidence": ("min_confidence", share_of),
}

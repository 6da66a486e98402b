"""The commands that pass things on: `explain`."""

from __future__ import annotations

import io
import os
import sys
from typing import Annotated

import typer

from sonargrid.errors import UsageProblem

DRAWN = ("mounting", "sending", "stations")  # pages with a drawing


def topic_words(incomplete: str) -> list[str]:
    """Return the pages that a half-typed name may mean, for the shell."""
    from sonargrid.explain import topics

    return [name for name in topics() if name.startswith(incomplete)]


def explain_topic(
    topic: Annotated[
        str | None,
        typer.Argument(metavar="TOPIC", help="A page; without one, the list of pages.", autocompletion=topic_words),
    ] = None,
    svg: Annotated[
        str | None,
        typer.Option("--svg", metavar="FILE", help="The page's drawing: mounting, sending, stations."),
    ] = None,
) -> str:
    """Read a short page: run files, maps, beams, words, cautions.

    Example: sonargrid explain reading-a-map
    """
    from sonargrid.explain import page, topics

    if svg is not None:
        return _drawing(topic, svg)
    if topic is not None:
        return on_screen(page(topic))
    lines = [f"  {name:14} {answers}" for name, answers in topics().items()]
    return "\n".join(["Short pages, each read with `sonargrid explain TOPIC`:", "", *lines])


def _drawing(topic: str | None, path: str) -> str:
    """Write the drawing of a page and say so.

    Raises
    ------
    UsageProblem
        If the page has none, or the name is no SVG's.
    """
    if topic not in DRAWN:
        raise UsageProblem("--svg belongs to a page with a drawing", hint=f"those are {', '.join(DRAWN)}")
    if not path.lower().endswith(".svg"):
        raise UsageProblem(f"--svg takes a name that ends in .svg, got '{path}'", hint=f"such as --svg {topic}.svg")
    from sonargrid.drawing.mounting_picture import page_figure
    from sonargrid.drawing.vector import figure_svg
    from sonargrid.results.out_folder import write_one

    write_one(figure_svg(page_figure(topic)).encode("utf-8"), path, (b"<svg",))
    return f"the drawing of {topic} is in {path}"


def on_screen(markdown: str) -> str:
    """Return a page as it should reach stdout: laid out in a terminal, plain when piped."""
    if not sys.stdout.isatty():
        return markdown
    from rich.console import Console
    from rich.markdown import Markdown

    paper = io.StringIO()
    colour = None if os.environ.get("NO_COLOR") else "auto"
    screen = Console()
    Console(
        file=paper,
        width=min(80, screen.width),
        force_terminal=True,
        color_system="standard" if colour and screen.color_system else None,
        highlight=False,
    ).print(Markdown(markdown))
    return paper.getvalue()

"""The commands that pass things on: `explain`."""

from __future__ import annotations

import io
import os
import sys
from typing import Annotated

import typer


def topic_words(incomplete: str) -> list[str]:
    """Return the pages that a half-typed name may mean, for the shell."""
    from sonargrid.explain import topics

    return [name for name in topics() if name.startswith(incomplete)]


def explain_topic(
    topic: Annotated[
        str | None,
        typer.Argument(metavar="TOPIC", help="A page; without one, the list of pages.", autocompletion=topic_words),
    ] = None,
) -> str:
    """Read a short page: run files, maps, beams, words, cautions.

    Example: sonargrid explain reading-a-map
    """
    from sonargrid.explain import page, topics

    if topic is not None:
        return on_screen(page(topic))
    lines = [f"  {name:14} {answers}" for name, answers in topics().items()]
    return "\n".join(["Short pages, each read with `sonargrid explain TOPIC`:", "", *lines])


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

"""A map on the terminal: how much room there is, which colours it has, and the escape codes or plain letters for it."""

from __future__ import annotations

import io
import os
import shutil
import sys
from typing import TYPE_CHECKING

from sonargrid_cli.map_words import WIDEST

if TYPE_CHECKING:
    from rich.console import Console

    from sonargrid.drawing.pictures import MapContent
    from sonargrid.drawing.screen_map import Line

MOST_COLUMNS = 160  # wider maps are no easier to read
LEAST_LINES, MOST_LINES = 20, 60  # of the map itself
PAPER_LINES = 44  # where the output is no screen
OTHER_LINES = 8  # left for axes and legend, so that the whole is in sight


def shown_map(content: MapContent) -> str:
    """Return a map for this screen: half blocks in colour, letters where it is no colour screen or NO_COLOR is set."""
    from sonargrid.drawing.screen_map import plain_text, screen_map

    console = _console()
    size = shutil.get_terminal_size((WIDEST, PAPER_LINES))
    columns = max(40, min(MOST_COLUMNS, size.columns))
    lines = max(LEAST_LINES, min(MOST_LINES, size.lines - OTHER_LINES))
    if console is None:
        return plain_text(screen_map(content, columns, lines, plain=True))
    return _escaped(screen_map(content, columns, lines, _theme()), console)


def _console() -> Console | None:
    """Return the screen if it can show half blocks in enough colours, else None."""
    if os.environ.get("NO_COLOR") or not sys.stdout.isatty():
        return None
    if not (sys.stdout.encoding or "").lower().replace("-", "").startswith("utf"):
        return None
    from rich.console import Console

    screen = Console()
    return screen if screen.color_system in ("256", "truecolor") else None


def _theme() -> str:
    """Return the theme that suits the screen's ground, where the terminal tells it (COLORFGBG); else the dark one."""
    ground = os.environ.get("COLORFGBG", "").rpartition(";")[2]
    return "light" if ground in ("7", "15") else "dark"


def _escaped(lines: list[Line], screen: Console) -> str:
    from rich.color import Color
    from rich.console import Console
    from rich.style import Style
    from rich.text import Text

    paper = io.StringIO()
    whole = screen.color_system == "truecolor"
    printer = Console(
        file=paper,
        width=2 * MOST_COLUMNS,
        force_terminal=True,
        color_system="truecolor" if whole else "256",
        highlight=False,
    )
    for line in lines:
        text = Text(end="\n")
        for piece in line:
            front, back = (None if colour is None else Color.from_rgb(*colour) for colour in (piece.front, piece.back))
            text.append(piece.text, Style(color=front, bgcolor=back))
        printer.print(text, no_wrap=True, crop=False, soft_wrap=True)
    return paper.getvalue().rstrip("\n")

"""What `import` shows: lines as understood, what was assumed, the strips, and where the nearest thing is."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sonargrid.runs.log_guess import LogGuess
    from sonargrid.runs.log_import import Imported

SHOWN_LINES = 5
WIDEST = 80


def understood(name: str, guess: LogGuess) -> str:
    """Return how many readings a log gave, and five lines with what they were taken for: heard ones if there are."""
    left = len(guess.unread)
    lost = f", {left} line{'s' if left > 1 else ''} not read" if left else ""
    lines = [f"{name}: {len(guess.angles)} readings{lost}; five of them as understood:"]
    rows = list(zip(guess.texts, guess.angles, guess.distances, strict=True))
    first_heard = next((i for i, row in enumerate(rows) if math.isfinite(row[2])), 0)
    start = max(0, min(first_heard - 2, len(rows) - SHOWN_LINES))
    for text, angle, distance in rows[start : start + SHOWN_LINES]:
        shown = textwrap.shorten(text.replace("\x1b", ""), 32, placeholder="...") or "(blank)"
        heard = "nothing heard" if math.isinf(distance) else f"{distance:g} {guess.distance_unit}"
        heard = "no measurement" if math.isnan(distance) else heard
        lines.append(f"  {shown:32}  ->  angle {angle:g} {guess.angle_unit}, {heard}")
    return "\n".join(lines)


def assumptions(said: Iterable[str]) -> str:
    """Return what was assumed as a list that fits the screen."""
    fill = textwrap.TextWrapper(WIDEST, initial_indent="  - ", subsequent_indent="    ", break_on_hyphens=False)
    return "\n".join(["Assumed:", *(fill.fill(text) for text in said)])


def pictures(done: Imported) -> str:
    """Return the strip of each station."""
    from sonargrid.runs.log_import import strip

    stations = done.run.stations
    return "\n\n".join(f"What station {s.name} heard:\n{strip(done.run, i)}" for i, s in enumerate(stations))


def nearest(done: Imported) -> tuple[str, float, float]:
    """Return the sentence on the nearest thing, how far it is [m] and how far left of straight ahead [deg]."""
    from sonargrid.runs.log_import import nearest_thing, nearest_words

    distance, left = nearest_thing(done.run)
    words = nearest_words(done.run)[0]
    return words[:1].upper() + words[1:], distance, left

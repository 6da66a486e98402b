"""The list of things as `count` shows it on the screen; as CSV and JSON it is `results.count_files`' business."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from sonargrid_cli.map_words import filled, pings_sentence, things_sentence, things_table

if TYPE_CHECKING:
    from sonargrid.finding.things import Object
    from sonargrid.pipeline import Found
    from sonargrid.runs.readings import Run

Listed = Sequence[tuple[int, "Object"]]  # id in the whole list, thing

ONE_POSITION = (
    "From one position nobody can tell a post from a corner or a short wall, nor say how wide a thing is: each is "
    "listed as an echo, with its near face and its bearing. Its x and y assume a size; give or take says how much that "
    "may be off. What stands behind a nearer thing, and a smooth wall at a slant, stay unheard. Sweep the same things "
    "from a second position to learn more."
)
COLUMNS = (
    "x, y: centre. give or take: one sigma in x and in y, centimetres. near: near face to the servo axis of the "
    "nearest station, at that bearing (degrees, counter-clockwise from +x). heard: readings / stations."
)
ECHO_ONLY = (
    "A thing of kind echo was heard from one position only: what it is and how wide it is, the readings do not say."
)
EXPLAIN = "sonargrid explain reading-a-map says more."


def as_table(run: Run, listed: Listed, found: Found, limits: str) -> str:
    """Return the list for the screen: how many, the table, and what the readings cannot tell.

    Parameters
    ----------
    run : Run
        What was counted in.
    listed : sequence of (int, Object)
        Id and thing.
    found : Found
        The whole list and the pings it came from.
    limits : str
        What was left out, in words; empty for nothing.
    """
    from sonargrid.results.count_files import one_position

    things = [thing for _, thing in listed]
    lines = [run.title or run.name, filled(f"  {pings_sentence(run, found.pings)}", "  ")]
    lines.append(filled(f"  {things_sentence(things)}{limits and f' ({limits})'}", "  "))
    if things:
        lines += ["", things_table(things, [number for number, _ in listed]), ""]
        lines.append(filled(COLUMNS))
    if one_position(found.pings):
        lines += ["", filled(ONE_POSITION)]
    elif any(thing.kind == "echo" for thing in things):
        lines += ["", filled(ECHO_ONLY)]
    return "\n".join(lines)

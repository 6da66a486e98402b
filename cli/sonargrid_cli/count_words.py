"""The list of things as `count` prints it: a table for the screen, CSV, or one JSON object."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

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


def as_csv(listed: Listed) -> str:
    """Return the list in the columns of objects.csv; ids as in the whole list."""
    from sonargrid.results.exports import objects_csv

    return objects_csv([thing for _, thing in listed], [number for number, _ in listed])


def as_json(run: Run, listed: Listed, found: Found) -> str:
    """Return the list as one JSON object: counted things, background, what was said beside them."""
    from sonargrid.results.exports import object_row

    rows = [(thing.counted, object_row(thing, number)) for number, thing in listed]
    whole: dict[str, Any] = {
        "run": run.name,
        "count": sum(counted for counted, _ in rows),
        "objects": [row for counted, row in rows if counted],
        "background": [row for counted, row in rows if not counted],
        "one_position": one_position(found),
        "warnings": list(found.warnings),
    }
    return json.dumps(whole, indent=2, ensure_ascii=False, allow_nan=False)


def one_position(found: Found) -> bool:
    """Return True where all pings that hear something come from one station."""
    pings = found.pings
    return len(set(pings.station[~pings.void].tolist())) <= 1


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
    things = [thing for _, thing in listed]
    lines = [run.title or run.name, filled(f"  {pings_sentence(run, found.pings)}", "  ")]
    lines.append(filled(f"  {things_sentence(things)}{limits and f' ({limits})'}", "  "))
    if things:
        lines += ["", things_table(things, [number for number, _ in listed]), ""]
        lines.append(filled(COLUMNS))
    if one_position(found):
        lines += ["", filled(ONE_POSITION)]
    elif any(thing.kind == "echo" for thing in things):
        lines += ["", filled(ECHO_ONLY)]
    return "\n".join(lines)

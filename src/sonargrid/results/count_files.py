"""The list of things as `count` gives it to programs: CSV in the columns of objects.csv, or one JSON object.

Metres and degrees: this is the edge.
"""

from __future__ import annotations

import json
from collections.abc import Sequence

from sonargrid.finding.things import Object
from sonargrid.results.exports import object_row, objects_csv
from sonargrid.runs.readings import Pings, Run

Listed = Sequence[tuple[int, Object]]  # id in the whole list, thing


def count_csv(listed: Listed) -> str:
    """Return the list in the columns of objects.csv; ids as in the whole list."""
    return objects_csv([thing for _, thing in listed], [number for number, _ in listed])


def count_json(run: Run, listed: Listed, pings: Pings, warnings: Sequence[str]) -> str:
    """Return the list as one JSON object: counted things, background, what was said beside them."""
    rows = [(thing.counted, object_row(thing, number)) for number, thing in listed]
    whole = {
        "run": run.name,
        "count": sum(counted for counted, _ in rows),
        "objects": [row for counted, row in rows if counted],
        "background": [row for counted, row in rows if not counted],
        "one_position": one_position(pings),
        "warnings": list(warnings),
    }
    return json.dumps(whole, indent=2, ensure_ascii=False, allow_nan=False)


def one_position(pings: Pings) -> bool:
    """Return True where all pings that hear something come from one station."""
    return len(set(pings.station[~pings.void].tolist())) <= 1

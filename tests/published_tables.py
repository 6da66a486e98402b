"""Reads the tables of published and exactly computed values in ``published/``.

The first line of each file is a comment that names the source, and says so where a value is from memory; then a header
and numbers.  A file is read by the one test that its name stands in.
"""

from __future__ import annotations

import csv
from pathlib import Path

FOLDER = Path(__file__).resolve().parent / "published"


def source_of(name: str) -> str:
    """Return the source that a table names in its first line."""
    with (FOLDER / name).open(encoding="utf-8") as lines:
        first = lines.readline()
    assert first.startswith("# source: "), f"{name} does not begin with its source"
    return first.removeprefix("# source: ").strip()


def table(name: str) -> list[dict[str, float]]:
    """Return the rows of a table, header -> number."""
    assert source_of(name)
    with (FOLDER / name).open(encoding="utf-8", newline="") as lines:
        rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    assert rows, f"{name} has no rows"
    return [{head: float(cell) for head, cell in row.items()} for row in rows]

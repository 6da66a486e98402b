"""``--show-config``: every value a command would use, and where it came from."""

from __future__ import annotations

import dataclasses
import json
import textwrap
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sonargrid.runs.readings import Run

LONGEST = 30  # of a value on the screen; --json has all of it
Rows = list[tuple[str, Any, str]]


def shown_config(run: Run, chosen: Mapping[str, object], origins: Mapping[str, str], as_json: bool) -> str:
    """Return every setting with its origin, as lines or as one JSON object.

    Parameters
    ----------
    run : Run
        As loaded.
    chosen : mapping
        Heading -> record of settings beyond the run (`MapSettings`, `Search`).
    origins : mapping
        Field of those records -> the flag or variable it came from; absent = default.
    as_json : bool
        As ``{"settings": {key: {"value", "origin"}}}``.
    """
    from sonargrid.runs.run_files import show_config

    rows: Rows = list(show_config(run))
    for heading, record in chosen.items():
        for field in dataclasses.fields(record):  # type: ignore[arg-type]
            value = getattr(record, field.name)
            if not dataclasses.is_dataclass(value):
                rows.append((f"{heading}.{field.name}", value, origins.get(field.name, "default")))
    if as_json:
        whole = {key: {"value": value, "origin": origin} for key, value, origin in rows}
        return json.dumps({"run": run.name, "settings": whole}, indent=2, ensure_ascii=False)
    texts = [(key, short(value_text(value)), origin) for key, value, origin in rows]
    first, second = (max(len(row[column]) for row in texts) for column in (0, 1))
    return "\n".join(f"{key:{first}}  {text:{second}}  {origin}" for key, text, origin in texts)


def short(text: str) -> str:
    """Return a text that fits beside its key."""
    return textwrap.shorten(text, LONGEST, placeholder=" ...")


def value_text(value: Any) -> str:
    """Return a value as run.toml would spell it; a dash for none.

    >>> value_text(None), value_text(1.0), value_text([0.0, 999.0]), value_text("x"), value_text(True)
    ('-', '1', '[0, 999]', '"x"', 'true')
    """
    if value is None:
        return "-"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, list | tuple):
        return "[" + ", ".join(value_text(item) for item in value) + "]"
    return f"{value:.6g}"

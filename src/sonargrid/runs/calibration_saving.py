"""Fitted values -> a calibration file, which `calibration_files` reads; later fits join an earlier file.

One file holds one ranger's values: the tables and key names of run.toml, a `_sigma` beside each, and under [made_from]
what each part was made of (run, digest, date, sweep rate, covariance).  It appears whole, by one rename.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any

from sonargrid.errors import OutputProblem
from sonargrid.runs.calibration_files import CALIBRATION_FORMAT, SIGMA, read_calibration
from sonargrid.runs.run_input import read_input
from sonargrid.runs.run_keys import BY_NAME, in_file_unit
from sonargrid.runs.run_saving import toml_value
from sonargrid.runs.toml_text import read_toml
from sonargrid.whole_file import replace_whole


@dataclass(frozen=True, slots=True)
class Fitted:
    """What one calibration found.

    part : ``head``, ``ranger`` or ``beam``; names its table under [made_from]
    values : full key of run.toml -> (value, sigma or None), in the record's unit; a table has a sigma for each row
    made_from : what it was made of; numbers, texts and lists of them
    """

    part: str
    label: str
    values: Mapping[str, tuple[Any, Any]]
    made_from: Mapping[str, Any] = field(default_factory=dict)

    def in_file_units(self) -> dict[str, dict[str, Any]]:
        """Return section -> key's name and ``<name>_sigma`` -> value as run.toml has it."""
        tables: dict[str, dict[str, Any]] = {}
        for full, (value, sigma) in self.values.items():
            key = BY_NAME[full]
            table = tables.setdefault(key.section, {})
            table[key.name] = in_file_unit(key, value)
            if sigma is not None:
                rows = [float(f"{one / key.unit:.6g}") for one in (sigma if isinstance(sigma, tuple) else (sigma,))]
                table[key.name + SIGMA] = rows if isinstance(sigma, tuple) else rows[0]
        return tables


def dated(fitted: Fitted) -> Fitted:
    """Return a fit with the moment at which it is written down, so that drift can be told from an older one."""
    now = datetime.now(UTC).replace(microsecond=0).isoformat().replace("+00:00", "Z")
    return replace(fitted, made_from={**fitted.made_from, "calibrated_at": now})


def calibration_text(fitted: Fitted, earlier: Mapping[str, Any] | None = None) -> str:
    """Return a calibration file's text: an earlier one's tables with the fitted keys in place of its own.

    Examples
    --------
    >>> print(calibration_text(Fitted("ranger", "left", {"ranger.range_scale": (1.01, 0.002)})))
    format = "sonargrid-calibration/1"
    <BLANKLINE>
    [ranger]
    label = "left"
    range_scale = 1.01
    range_scale_sigma = 0.002
    <BLANKLINE>
    """
    before = dict(earlier or {})
    new = fitted.in_file_units()
    lines = [f'format = "{CALIBRATION_FORMAT}"']
    lines += [f"{name} = {toml_value(before[name])}" for name in ("title", "notes") if name in before]
    for section in ("ranger", "head"):
        # a head's values hang together: an older centre beside a newer offset would be applied twice
        kept = {} if section == "head" and fitted.part == "head" else before.get(section, {})
        table = {**kept, **new.get(section, {})}
        if section == "ranger":
            table = {"label": fitted.label, **{k: v for k, v in table.items() if k != "label"}}
        if "half_beam_table" in new.get(section, {}):
            table = {k: v for k, v in table.items() if not k.startswith("half_beam_deg")}
        shown = [f"{name} = {toml_value(value)}" for name, value in table.items() if value != ""]
        lines += ["", f"[{section}]", *shown] if shown else []
    sources = dict(before.get("made_from", {}))
    if fitted.made_from:
        sources[fitted.part] = dict(fitted.made_from)
    for part, table in sources.items():
        lines += ["", f"[made_from.{part}]", *(f"{name} = {toml_value(value)}" for name, value in table.items())]
    return "\n".join(lines) + "\n"


def save_calibration(fitted: Fitted, path: str) -> None:
    """Write fitted values to a calibration file; one that is there already keeps its other keys.

    Raises
    ------
    InputFaults
        If a file is there that is no calibration.
    OutputProblem
        If it is another ranger's, or the place cannot be written to.
    """
    earlier: Mapping[str, Any] | None = None
    if os.path.exists(path):
        (one,) = read_calibration(path, "-o", "")
        if one.label != fitted.label:
            words = f"is the calibration of ranger {one.label!r}, this one is of {fitted.label!r}"
            raise OutputProblem(words, hint="choose another name, or set ranger.label", file=path)
        earlier = read_toml(read_input(path).content, path).data
    text = calibration_text(fitted, earlier)
    try:
        os.makedirs(os.path.dirname(os.path.abspath(path)), exist_ok=True)
        replace_whole(path, text.encode("utf-8"))
    except OSError as problem:
        words = (problem.strerror or type(problem).__name__).lower()
        raise OutputProblem(f"cannot be written: {words}", hint="choose another place", file=path) from None

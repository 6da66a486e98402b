"""Calibration files -> values for the keys of [ranger] and [head], each with its sigma where the file has one.

A calibration has the tables and key names of run.toml, with `<key>_sigma` beside each fitted value, and the label of
the ranger it was made with.  Its values are totals: they replace those of run.toml.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sonargrid.errors import Fault, InputFaults
from sonargrid.runs.run_input import read_input
from sonargrid.runs.run_keys import BY_NAME, BadValue, Key, convert
from sonargrid.runs.run_settings import Given
from sonargrid.runs.run_toml import Findings, check_tables, names_in, table_values
from sonargrid.runs.toml_text import TomlText, read_toml

CALIBRATION_FORMAT = "sonargrid-calibration/1"
_TOP = ("format", "title", "notes", "recorded_at", "ranger", "head", "made_from")
SIGMA = "_sigma"


@dataclass(frozen=True, slots=True)
class CalibrationFile:
    """What one calibration file says.

    label : of the ranger it was made with; empty = not stated
    values, sigmas : by full key of run.toml, in the record's unit
    content : its bytes
    sweep_rate_deg_s : how fast the head turned when its play and lag were measured; None = not stated
    """

    file: str
    label: str
    values: Mapping[str, Any]
    sigmas: Mapping[str, float]
    content: bytes
    sweep_rate_deg_s: float | None = None

    def given(self, rank: int) -> dict[str, Given]:
        """Return the values with their origin and rank."""
        return {full: Given(value, self.file, rank) for full, value in self.values.items()}


def read_calibration(path: str, asked_by: str, label: str) -> list[CalibrationFile]:
    """Return the calibration at a path; in a folder, those of its files that were made with the ranger `label`.

    asked_by : the flag or key that named the path, for messages

    Raises
    ------
    InputFaults
        If there is none, or none for this ranger, or it is faulty.
    """
    if not os.path.exists(path):
        raise _problem(f"cannot be found; {asked_by} asks for it", "is the name right?", path)
    if not os.path.isdir(path):
        one = _read(path)
        if label and one.label and one.label != label:
            words = f"was made with ranger {one.label!r}, but the run's ranger.label is {label!r}"
            raise _problem(words, "choose the calibration of this ranger", path)
        return [one]
    names = sorted(name for name in os.listdir(path) if name.endswith(".toml"))
    files = [_read(os.path.join(path, name)) for name in names]
    if not files:
        raise _problem(f"holds no calibration (*.toml); {asked_by} asks for one", "is it the right folder?", path)
    if not label and len({one.label for one in files}) == 1:
        return files
    fitting = [one for one in files if one.label == label and label]
    if not fitting:
        known = ", ".join(sorted({repr(one.label) for one in files}))
        words = f"holds no calibration for ranger {label!r}; there are: {known}"
        raise _problem(words, "set ranger.label in run.toml to one of them, or name the file", path)
    return fitting


def _problem(message: str, hint: str, file: str) -> InputFaults:
    return InputFaults([Fault(message, hint, file)])


def _read(path: str) -> CalibrationFile:
    content = read_input(path).content
    toml = read_toml(content, path)
    findings = Findings()
    check_tables(toml, findings, _TOP)
    if toml.data.get("format", CALIBRATION_FORMAT) != CALIBRATION_FORMAT:
        words = f"must be {CALIBRATION_FORMAT!r}, got {toml.data['format']!r}"
        findings.at(toml, ("format",), words, "is this a calibration file?")
    values: dict[str, Any] = {}
    sigmas: dict[str, float] = {}
    for section in ("ranger", "head"):
        names = tuple(name + SIGMA for name in names_in(section))
        for name, value in table_values(toml, (section,), section, findings, names).items():
            values[f"{section}.{name}"] = value
        sigmas.update(_sigmas(toml, section, findings))
    label = values.pop("ranger.label", "")
    if findings.faults:
        raise InputFaults(findings.faults)
    return CalibrationFile(path, label, values, sigmas, content, _rate(toml, values))


def _rate(toml: TomlText, values: Mapping[str, Any]) -> float | None:
    """Return the sweep rate that the file's backlash belongs to; what is no number there is no rate."""
    found: Any = toml.data
    for name in ("made_from", "head", "sweep_rate_deg_s"):
        found = found.get(name) if isinstance(found, Mapping) else None
    number = isinstance(found, int | float) and not isinstance(found, bool) and found > 0.0
    return float(found) if number and "head.backlash_deg" in values else None


def _sigmas(toml: TomlText, section: str, findings: Findings) -> dict[str, float]:
    table = toml.data.get(section)
    found: dict[str, float] = {}
    for name, value in table.items() if isinstance(table, dict) else ():
        key = BY_NAME.get(f"{section}.{name.removesuffix(SIGMA)}")
        if name in names_in(section) or not name.endswith(SIGMA) or key is None:
            continue
        try:
            sigma = Key(section, name, name, unit=key.unit, low=0.0)
            rows = value if key.kind == "pairs" and isinstance(value, list) else [value]
            each = [convert(sigma, one, toml.raw.get((section, name))) for one in rows]
            found[key.full] = max(each, default=0.0)  # of a table its worst row
        except BadValue as bad:
            findings.at(toml, (section, name), bad.message, bad.hint)
    return found

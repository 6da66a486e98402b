"""A run -> its folder: run.toml with every value that is not a default, and readings.csv.

The folder appears whole, by one rename, and never over something that is there already.  What `run_files` reads back
is the very same run.
"""

from __future__ import annotations

import json
import math
import os
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.errors import OutputProblem
from sonargrid.runs.moments import moment
from sonargrid.runs.pose_stations import places_of
from sonargrid.runs.readings import Readings, Run
from sonargrid.runs.run_keys import (
    BY_NAME,
    KEYS,
    LISTS,
    RUN_FORMAT,
    SECTIONS,
    TARGET_KEYS,
    Key,
    default_of,
    in_file_unit,
)
from sonargrid.runs.run_settings import value_of
from sonargrid.units import RAD_PER_DEG

_TURNING = {1: "up", -1: "down", 0: ""}


def save_run(run: Run, path: str | os.PathLike[str]) -> Path:
    """Write a run as a new folder and return its path.

    Raises
    ------
    OutputProblem
        If something is there already, or the place cannot be written to.
    """
    return write_new_folder({"run.toml": run_toml(run), "readings.csv": readings_csv(run)}, path)


def write_new_folder(texts: Mapping[str, str | bytes], path: str | os.PathLike[str]) -> Path:
    """Write named texts and pictures as a new folder, which appears whole, and return its path.

    Raises
    ------
    OutputProblem
        If something is there already, or the place cannot be written to.
    """
    target = Path(path)
    shown = os.fspath(path)
    if os.path.lexists(target):
        raise OutputProblem("is there already; a run is never written over", hint="choose another name", file=shown)
    building: str | None = None
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        building = tempfile.mkdtemp(prefix=f".{target.name}.", dir=target.parent)
        for name, text in texts.items():
            with open(os.path.join(building, name), "wb") as file:
                file.write(text if isinstance(text, bytes) else text.encode("utf-8"))
        os.chmod(building, 0o777 & ~_umask())
        os.rename(building, target)
        building = None
    except OSError as problem:
        words = (problem.strerror or type(problem).__name__).lower()
        raise OutputProblem(f"cannot be written: {words}", hint="choose another place", file=shown) from None
    finally:
        if building is not None:
            shutil.rmtree(building, ignore_errors=True)
    return target


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def toml_value(value: Any) -> str:
    """Return a text, number or list as TOML writes it; numbers read back as the very same.

    >>> toml_value([0.1, 3.0]), toml_value('a "b"')
    ('[0.1, 3.0]', '"a \\\\"b\\\\""')
    """
    if isinstance(value, str):
        # JSON's escapes are TOML's too, but for the one control character that JSON leaves as it is
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    return repr(float(value)) if isinstance(value, float | np.floating) else str(value)


def _line(key: Key, value: Any) -> str:
    if key.kind == "time":
        return f"{key.name} = {value if _is_toml_time(value) else toml_value(value)}"
    return f"{key.name} = {toml_value(in_file_unit(key, value))}"


def _is_toml_time(text: str) -> bool:
    try:
        # the reader gives back this very form for a bare TOML time; any other spelling is kept as a text
        return moment(text).isoformat().replace("+00:00", "Z") == text
    except ValueError:
        return False


def run_toml(run: Run) -> str:
    """Return the text of a run's run.toml."""
    lines = [f'format = "{RUN_FORMAT}"']
    lines += [
        _line(key, value_of(run, key))
        for key in KEYS
        if key.section == "" and key.name != "format" and value_of(run, key)
    ]
    for section in SECTIONS:
        if section != "calibration":
            lines += _section(run, section)
    for section in LISTS:
        records = () if run.moving and section == "station" else getattr(run, f"{section}s")
        for number, record in enumerate(records, 1):
            lines += _record(run, section, number, record)
    return "\n".join(lines) + "\n"


def _section(run: Run, section: str) -> list[str]:
    lines = []
    for key in KEYS:
        if key.section != section or key.name == "us_per_cm":
            continue
        value = value_of(run, key)
        stated = key.full in run.origins or (key.sigma and key.full not in run.assumed)
        if value is not None and value != () and (value != default_of(key) or stated):
            lines.append(_line(key, value))
    return ["", f"[{section}]", *lines] if lines else []


def _record(run: Run, section: str, number: int, record: Any) -> list[str]:
    name = record.name if section != "target" else str(number)
    lines = ["", f"[[{section}]]"]
    wanted = [key.name for key in KEYS if key.section == section]
    if section == "target":
        lines.append(f'kind = "{record.kind}"')
        wanted = [*TARGET_KEYS[record.kind], "position_sigma_m"]
    for own in wanted:
        if f"{section}.{name}.{own}" not in run.assumed:
            key = BY_NAME[f"{section}.{own}"]
            lines.append(_line(key, getattr(record, key.field)))
    return lines


def readings_csv(run: Run) -> str:
    """Return the text of a run's readings.csv; silent cells are empty, void ones `nan`."""
    readings = run.readings
    columns: dict[str, list[str]] = {}
    if run.moving:
        places = places_of(run.stations)
        for name, values in zip(("x_m", "y_m", "heading_deg"), _pose_columns(places), strict=True):
            cells = _numbers(values)
            columns[name] = [cells[i] for i in readings.station.tolist()]
    else:
        names = [_cell(station.name) for station in run.stations]
        columns["station"] = [names[i] for i in readings.station.tolist()]
    columns["sweep"] = [str(i) for i in readings.sweep.tolist()]
    if readings.time_s is not None:
        columns["time_s"] = _numbers(readings.time_s)
    columns[readings.angle_column] = _numbers(readings.angle)
    columns["turning"] = [_TURNING[i] for i in readings.turning.tolist()]
    columns[readings.distance_column] = _distances(readings)
    rows = map(",".join, zip(*columns.values(), strict=True))
    return "\r\n".join([",".join(columns), *rows]) + "\r\n"


def _pose_columns(places: Floats) -> tuple[Floats, Floats, Floats]:
    return places[:, 0], places[:, 1], _degrees(places[:, 2])


def _degrees(radians: Floats) -> Floats:
    """Return angles (N,) in degrees that read back as the very same radians wherever such degrees exist."""
    plain = radians / RAD_PER_DEG
    best = plain.copy()
    found = np.zeros(plain.shape, dtype=bool)
    for tried in (np.round(plain, 3), np.round(plain, 9), np.round(plain, 12), plain, *_beside(plain)):
        fits = ~found & (tried * RAD_PER_DEG == radians)
        best[fits], found = tried[fits], found | fits
    return best


def _beside(values: Floats) -> tuple[Floats, ...]:
    return np.nextafter(values, np.inf), np.nextafter(values, -np.inf)


def _cell(text: str) -> str:
    return '"' + text.replace('"', '""') + '"' if any(char in text for char in '",\r\n') else text


def _numbers(values: Floats) -> list[str]:
    """Return numbers as the shortest texts that read back as the very same; whole ones without a point."""
    if values.size and bool(np.all(np.rint(values) == values)) and float(np.abs(values).max()) < 1e15:
        return [str(value) for value in values.astype(np.int64).tolist()]
    return [repr(value) for value in values.tolist()]


def _distances(readings: Readings) -> list[str]:
    values = readings.distance
    if bool(np.any(values <= 0.0)):
        raise ValueError("distances must be above 0 (inf = nothing heard, nan = no measurement)")
    finite = np.isfinite(values)
    cells = iter(_numbers(values[finite]))
    kinds = zip(finite.tolist(), values.tolist(), strict=True)
    return [next(cells) if known else "nan" if math.isnan(value) else "" for known, value in kinds]

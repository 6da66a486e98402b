"""The lines of a readings CSV -> columns, row by row: strict, slower, and with the line of every fault.

The rules are those of RFC 4180 with blank lines skipped (but counted) and blanks round cells trimmed.  Called where the
fast ways of `csv_rows` met something odd; what they accept, this accepts with the same values.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial

import numpy as np

from sonargrid.errors import SHOWN_FAULTS, Fault, InputFaults
from sonargrid.runs.csv_rows import (
    FAR,
    LIMITS,
    MAX_SWEEP,
    POSE_COLUMNS,
    TURNING,
    Header,
    Rows,
)
from sonargrid.runs.run_keys import NUMBER, shown
from sonargrid.runs.toml_text import decoded

_INFINITE = re.compile(r"\+?inf", re.IGNORECASE)
_NOT_A_NUMBER = re.compile(r"[+-]?nan", re.IGNORECASE)
_DECIMAL_COMMA = re.compile(r"[+-]?[0-9]+,[0-9]+")


_MEANT = {  # what a column's limits mean
    "angle_deg": "head angles run from 0 (right) over 90 (ahead) to 180 (left); "
    "where 0 looks ahead, type sonargrid import FILE -o RUN",
    "bearing_deg": "degrees counter-clockwise from straight ahead",
    "pulse_us": "a servo's pulse in microseconds, about 1500 in the middle",
    "x_m": "metres on the floor axes",
    "y_m": "metres on the floor axes",
    "heading_deg": "degrees counter-clockwise from the x axis",
}


@dataclass(slots=True)
class Faults:
    """Faults as they come: the first ones kept, all of them counted.

    torn : whether quotes are so wrong that nothing behind them can be read
    """

    file: str
    kept: list[Fault] = field(default_factory=list)
    count: int = 0
    torn: bool = False

    def add(self, line: int, column: str | None, message: str, hint: str = "") -> None:
        """Note one fault."""
        self.count += 1
        if len(self.kept) < SHOWN_FAULTS:
            self.kept.append(Fault(message, hint, self.file, line, column))


class BadCell(Exception):
    """A cell that its column does not take: what is wrong, and what would mend it."""

    def __init__(self, message: str, hint: str = "") -> None:
        self.message, self.hint = message, hint
        super().__init__(message)


def plain_number(cell: str) -> float:
    """Return a plain decimal.

    Raises
    ------
    BadCell
        If the cell is none.
    """
    if not NUMBER.fullmatch(cell):
        if not cell:
            raise BadCell("the cell is empty", "every reading needs one")
        if _DECIMAL_COMMA.fullmatch(cell):
            raise BadCell(f"decimals have a point, got {shown(cell)}", f"write {cell.replace(',', '.')}")
        raise BadCell(f"must be a plain decimal number, got {shown(cell)}", "such as 12, 0.5 or 1.2e-3")
    value = float(cell)
    if not math.isfinite(value):
        raise BadCell(f"the number is too large, got {shown(cell)}", "nothing heard is an empty cell or inf")
    return value


def _within(cell: str, name: str, low: float, high: float) -> float:
    value = plain_number(cell)
    if not low <= value <= high:
        unit = "degrees" if name.endswith("_deg") else name.rpartition("_")[2]
        hint = _MEANT[name]
        if name == "angle_deg" and 180.0 < value <= 360.0:
            hint += "; a ring of rangers has bearing_deg"
        raise BadCell(f"must lie between {low:g} and {high:g} {unit}, got {cell}", hint)
    return value


def _whole(cell: str) -> float:
    value = plain_number(cell)
    if value != round(value) or abs(value) > MAX_SWEEP:
        raise BadCell(f"must be a whole number, got {cell}", "passes of the head are numbered 0, 1, 2 ...")
    return value


def distance_cell(cell: str, no_echo_at: Sequence[float]) -> float:
    """Return a distance as read; inf for silent cells, nan for void ones.

    Raises
    ------
    BadCell
        If it is neither a plain decimal above 0 nor one of `no_echo_at`.
    """
    if not cell or _INFINITE.fullmatch(cell):
        return math.inf
    if _NOT_A_NUMBER.fullmatch(cell):
        return math.nan
    if cell.lower() == "-inf":
        raise BadCell("must be above 0, got -inf", "nothing heard is an empty cell or inf, no measurement nan")
    value = plain_number(cell)
    if value in no_echo_at:
        return math.inf
    if value <= 0.0:
        listed = ", ".join(f"{v:g}" for v in (*no_echo_at, value))
        hint = f"if it means nothing heard, put this line under [ranger] in run.toml: no_echo_at = [{listed}]"
        raise BadCell(f"must be above 0, got {cell}", hint)
    return value


def _turning(cell: str) -> float:
    if cell not in TURNING:
        raise BadCell(f"must be up or down, got {shown(cell)}", "leave the cell empty where it is not known")
    return TURNING[cell]


def _station(cell: str, numbers: dict[str, int]) -> float:
    if not (len(cell) <= 64 and (cell.isprintable())):
        words = f"a station's name has at most 64 characters and no control characters, got {shown(cell)}"
        raise BadCell(words, "a short name, such as A")
    return numbers.setdefault(cell, len(numbers))


class Lines:
    """The lines of a text, for a CSV reader; where a record goes on behind them, more are asked for.

    more : returns the bytes of the next line behind the text, b"" at the end of the file
    used : how many have been read
    """

    def __init__(self, text: str, more: Callable[[], bytes] = bytes) -> None:
        self._lines, self._more = list(io.StringIO(text, newline="")), more
        self.used = 0

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        if not self.left:
            self._lines += io.StringIO(self._more().decode("utf-8"), newline="")
            if not self.left:
                raise StopIteration
        self.used += 1
        return self._lines[self.used - 1]

    @property
    def left(self) -> bool:
        """Whether some of them have not been read."""
        return self.used < len(self._lines)


def body_rows(lines: Lines, header: Header, first_line: int, faults: Faults) -> Iterator[tuple[int, list[str]]]:
    """Yield (line, trimmed cells) of the rows that have as many cells as the header; `first_line` = of `lines`."""
    reader = csv.reader(lines, strict=True)
    before = 0
    try:
        while lines.left:
            cells = [cell.strip(" \t") for cell in next(reader)]
            line, before = first_line + before, reader.line_num
            if not cells or cells == [""]:
                continue
            if len(cells) != len(header.cells):
                words = f"{len(cells)} cell{'s' if len(cells) > 1 else ''}, but the header has {len(header.cells)}"
                faults.add(line, None, words, _ragged_hint(cells, len(header.cells)))
            elif tuple(cells) == header.cells:
                faults.add(line, None, "the header row once more", "remove it; one file holds one run")
            else:
                yield line, cells
    except csv.Error as problem:
        words = f"quotes are not closed or stand inside a cell ({problem})"
        faults.add(first_line + before, None, words, 'a quoted cell is "..." whole, quotes in it doubled')
        faults.torn = True


def _ragged_hint(cells: Sequence[str], wanted: int) -> str:
    if len(cells) == 2 * wanted or (len(cells) > wanted and all(cell.lstrip("+-").isdigit() for cell in cells)):
        return "if commas are decimal marks here, write points: 0.5, not 0,5"
    if len(cells) == 1 and (";" in cells[0] or "\t" in cells[0]):
        return "cells are separated by commas, not by semicolons or tabs"
    return "is the line cut off?" if len(cells) < wanted else "no comma stands after the last cell"


def rescan(content: bytes, header: Header, no_echo_at: Sequence[float], file: str) -> Rows:
    """Return a checked CSV's columns.

    Raises
    ------
    InputFaults
        With the first faults, line by line, and how many there are.
    """
    faults = Faults(file)
    lines = Lines(decoded(content[header.body_at :], file))
    rows = rescan_lines(lines, header, no_echo_at, header.body_line, faults)
    if faults.count:
        raise InputFaults(faults.kept, faults.count)
    if not len(rows):
        raise InputFaults([no_reading(file)])
    return rows


def no_reading(file: str) -> Fault:
    """Return what is wrong with a file that has a header only."""
    return Fault("no reading at all", "below the header stands one reading a line", file)


def rescan_lines(lines: Lines, header: Header, no_echo_at: Sequence[float], first_line: int, faults: Faults) -> Rows:
    """Return the columns of some lines of a checked CSV, and note their faults; nan stands in place of a faulty cell.

    first_line : line number of the first of them
    """
    numbers: dict[str, int] = {}
    low, high = LIMITS[header.angle_column]
    readers: dict[str, Callable[[str], float]] = {
        header.angle_column: partial(_within, name=header.angle_column, low=low, high=high),
        header.distance_column: partial(distance_cell, no_echo_at=no_echo_at),
        "station": partial(_station, numbers=numbers),
        "sweep": _whole,
        "turning": _turning,
        "time_s": plain_number,
        **{name: partial(_within, name=name, low=-FAR, high=FAR) for name in POSE_COLUMNS},
    }
    used = [(place, name, readers[name]) for place, name in enumerate(header.cells) if name in readers]
    values: dict[str, list[float]] = {name: [] for _, name, _ in used}
    at: list[int] = []
    known: list[dict[str, float]] = [{} for _ in used]  # what a cell means does not change from row to row
    wrong: list[dict[str, BadCell]] = [{} for _ in used]
    before = faults.count
    for line, cells in body_rows(lines, header, first_line, faults):
        at.append(line)
        for (place, name, read), seen, bad in zip(used, known, wrong, strict=True):
            cell = cells[place]
            value = seen.get(cell)
            if value is None:
                value = _newly_read(cell, read, seen, bad)
                if cell in bad:
                    faults.add(line, name, bad[cell].message, bad[cell].hint)
            values[name].append(value)
    if faults.count > before:  # nobody will use them
        values, at = {name: [] for name in values}, []
    return _as_rows(header, values, at, tuple(numbers), first_line)


def _newly_read(cell: str, read: Callable[[str], float], seen: dict[str, float], bad: dict[str, BadCell]) -> float:
    """Return what a cell means, and remember that, or what is wrong with it; then nan."""
    if cell not in bad:
        try:
            seen[cell] = read(cell)
        except BadCell as problem:
            bad[cell] = problem.with_traceback(None)
    return seen.get(cell, math.nan)


def _as_rows(
    header: Header, values: dict[str, list[float]], lines: list[int], names: tuple[str, ...], first_line: int
) -> Rows:
    def whole(name: str) -> np.ndarray[tuple[int], np.dtype[np.int32]] | None:
        return np.array(values[name], dtype=np.int32) if name in values else None

    pose = np.array([values[name] for name in POSE_COLUMNS], dtype=np.float64).T if "x_m" in values else None
    return Rows(
        angle_column=header.angle_column,
        distance_column=header.distance_column,
        angle=np.array(values[header.angle_column], dtype=np.float64),
        distance=np.array(values[header.distance_column], dtype=np.float64),
        first_line=lines[0] if lines else first_line,
        station_names=names,
        station=whole("station"),
        sweep=whole("sweep"),
        turning=whole("turning"),
        time_s=np.array(values["time_s"], dtype=np.float64) if "time_s" in values else None,
        pose=pose,
        line=np.array(lines, dtype=np.int32),
    )

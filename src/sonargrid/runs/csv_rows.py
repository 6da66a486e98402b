"""The bytes of a readings CSV -> columns: the fast way, for files in which nothing is odd.

A file is first tried whole with `numpy.loadtxt`, as integers where it looks so.  At anything unexpected (a quote, a
cell that is no number, a value out of its range ...) that is thrown away, and `csv_rescan` reads the rows one by one
and finds every fault with its line.  Values stay in the unit of their column; what they mean is not asked here.
"""

from __future__ import annotations

import csv
import io
import re
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonargrid.arrays import Floats, Ints
from sonargrid.errors import Fault, InputFaults
from sonargrid.runs.readings import ANGLE_COLUMNS, DISTANCE_COLUMNS
from sonargrid.runs.run_keys import nearest
from sonargrid.runs.toml_text import BOM, decoded

MAX_LINE_BYTES = 64_000
POSE_COLUMNS = ("x_m", "y_m", "heading_deg")
KNOWN_COLUMNS = (*ANGLE_COLUMNS, *DISTANCE_COLUMNS, "station", "sweep", "time_s", "turning", *POSE_COLUMNS)
TEXT_COLUMNS = ("station", "turning")
TURNING = {"up": 1, "down": -1, "": 0}
LIMITS = {"angle_deg": (0.0, 180.0), "bearing_deg": (-360.0, 360.0), "pulse_us": (400.0, 2600.0)}
FAR = 1e6  # largest place and heading of a moving robot; keeps sums finite
MAX_SWEEP = 2**31 - 1

Table = NDArray[Any]  # whole numbers or decimals, as the file has them
Texts = tuple[tuple[str, ...], Ints]  # distinct texts, and each row's index among them

# loadtxt reads these as infinite, the rules do not: the word in full, and numbers that are too large
_TOO_LARGE = re.compile(rb"infinity|e\+?0*[1-9][0-9]{2}|[0-9]{300}", re.IGNORECASE)
_PART = 1 << 17  # bytes looked at together: fits the cache, needs no new memory
FILLER = b"+inf"
_SHORT, _LONG = 8, 72  # bytes of a text field: whole words that can be compared; names have at most 64 characters
_DIGITS = b"0123456789,+-\n"
_CONTROL = bytes(set(range(32)) - {9, 10, 13}) + b"\x7f"


@dataclass(frozen=True, slots=True)
class Header:
    """The header row: cells as written (trimmed), its line, where the first row after it begins, in bytes and lines."""

    cells: tuple[str, ...]
    line: int
    body_at: int
    body_line: int

    def place(self, name: str) -> int | None:
        """Return a column's place; None where the file has no such column."""
        return self.cells.index(name) if name in self.cells else None

    @property
    def angle_column(self) -> str:
        """The one angle column."""
        return next(name for name in ANGLE_COLUMNS if name in self.cells)

    @property
    def distance_column(self) -> str:
        """The one distance column."""
        return next(name for name in DISTANCE_COLUMNS if name in self.cells)


@dataclass(frozen=True, slots=True)
class Rows:
    """The columns of a readings CSV; arrays (N,) in the order of the file, None where there is no such column.

    distance : in the unit of its column; inf = nothing heard, nan = no measurement, otherwise above 0
    station_names, station : the names that occur, and each row's index among them
    pose : (N, 3) x_m, y_m, heading_deg of a moving robot
    line : line number of each row; None = rows stand on consecutive lines from `first_line`
    """

    angle_column: str
    distance_column: str
    angle: Floats
    distance: Floats
    first_line: int
    station_names: tuple[str, ...] = ()
    station: Ints | None = None
    sweep: Ints | None = None
    turning: Ints | None = None
    time_s: Floats | None = None
    pose: Floats | None = None
    line: Ints | None = None

    def __len__(self) -> int:
        return int(self.angle.size)

    def line_of(self, row: int) -> int:
        """Return the line number of a row counted from 0."""
        return self.first_line + row if self.line is None else int(self.line[row])


def check_text(content: bytes, file: str) -> None:
    """Refuse bytes that are not UTF-8 or hold a NUL or a line over the limit.

    Raises
    ------
    InputFaults
        With the line of the first such place.
    """
    if b"\0" in content or not content.isascii():
        decoded(content, file)
    at = 0
    while at + MAX_LINE_BYTES < len(content):
        end = content.rfind(b"\n", at, at + MAX_LINE_BYTES + 1)
        if end < 0:
            line = content.count(b"\n", 0, at) + 1
            words = f"a line of more than {MAX_LINE_BYTES} bytes"
            raise InputFaults([Fault(words, "is this a CSV file with one reading a line?", file, line)])
        at = end + 1


def read_header(content: bytes, file: str, check: Callable[[Header, str], list[Fault]] | None = None) -> Header:
    """Return the header row of a checked CSV.

    check : what its columns must be, as faults of (header, file); None = those of a run's readings

    Raises
    ------
    InputFaults
        With everything that is wrong with its columns.
    """
    start = len(BOM) if content.startswith(BOM) else 0
    lines = io.StringIO(content[start : start + 2 * MAX_LINE_BYTES].decode("utf-8", "ignore"), newline="")
    reader = csv.reader(lines, strict=True)
    line, used = 1, 0
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                lines.seek(0)
                used = sum(len(next(lines).encode()) for _ in range(reader.line_num))
                header = Header(tuple(cell.strip(" \t") for cell in cells), line, start + used, reader.line_num + 1)
                faults = (check or _header_faults)(header, file)
                if faults:
                    raise InputFaults(faults)
                return header
            line = reader.line_num + 1
    except csv.Error as problem:
        raise InputFaults([Fault(f"header row: {problem}", "quotes go round whole cells", file, line)]) from None
    raise InputFaults([Fault("the file is empty", "it needs a header row, such as angle_deg,range_cm", file)])


def _header_faults(header: Header, file: str) -> list[Fault]:
    """Return what is wrong with a header row."""
    cells, line = header.cells, header.line
    faults: list[Fault] = []

    def say(message: str, hint: str, column: str | None = None) -> None:
        faults.append(Fault(message, hint, file, line, column))

    for name in dict.fromkeys(cells):
        if name and cells.count(name) > 1:
            say(f"{cells.count(name)} columns have this name", "each column may stand there once", name)
    groups = (("angle", ANGLE_COLUMNS), ("distance", DISTANCE_COLUMNS))
    for what, names in groups:
        found = [name for name in names if name in cells]
        if len(found) > 1:
            say(f"{len(found)} {what} columns: {', '.join(found)}", "keep exactly one of them", found[1])
        if not found:
            say(f"no {what} column among: {_listed(cells)}", _missing_hint(cells, names))
    poses = [name for name in POSE_COLUMNS if name in cells]
    if 0 < len(poses) < 3:
        left_out = ", ".join(name for name in POSE_COLUMNS if name not in cells)
        say(f"only a part of a pose: {', '.join(poses)}", f"a moving robot needs {left_out} too", poses[0])
    if poses and "station" in cells:
        say("both `station` and a pose on every row", "parked robots need station, moving ones the pose", "station")
    return faults


def _listed(cells: Sequence[str]) -> str:
    text = ", ".join(repr(cell) for cell in cells)
    return text if len(text) <= 100 else text[:97] + "..."


def _missing_hint(cells: Sequence[str], names: Sequence[str]) -> str:
    """Return what would mend a header without any of `names`."""
    text = ",".join(cells)
    if ";" in text or "\t" in text:
        return "cells are separated by commas, not by semicolons or tabs; decimals are written 0.5"
    if cells and all(cell.strip(" +-.0123456789eE") == "" for cell in cells):
        return "the first row must name the columns, such as angle_deg,range_cm"
    for cell in cells:
        close = nearest(cell.lower().replace(" ", "_"), tuple(names)) if cell not in KNOWN_COLUMNS else None
        if close is not None:
            return f"did you mean {close} where the header says {cell!r}?"
    return f"name one column {', '.join(names[:-1])} or {names[-1]}"


def fast_rows(content: bytes, header: Header, no_echo_at: Sequence[float], path: str | None) -> Rows | None:
    """Return a checked CSV's columns if nothing in it is odd; None = read it row by row.

    path : a plain file with the very same content, which loadtxt reads faster than memory; None = there is none
    """
    body = content[header.body_at :]
    named = any(name not in KNOWN_COLUMNS or name in TEXT_COLUMNS for name in header.cells)
    if named or body.translate(None, _DIGITS):
        odd = not body.isascii() or b'"' in content or len(body.translate(None, _CONTROL)) != len(body)
        if odd or (b"\r" in body and body.count(b"\r") != body.count(b"\r\n")):
            return None
    table = _table(body, header, path)
    if table is None:
        return None
    columns: dict[str, Table] = {}
    texts: dict[str, Texts] = {}
    for place, name in enumerate(header.cells):
        if name in TEXT_COLUMNS:
            found = _texts(table[f"f{place}"])
            if found is None:
                return None
            texts[name] = found
        elif name in KNOWN_COLUMNS:
            columns[name] = table[f"f{place}"]
    return _checked(columns, texts, header, no_echo_at, body)


def _table(body: bytes, header: Header, path: str | None) -> Table | None:
    """Return the cells as a structured array (N,) with fields f0, f1 ...; None where one does not suit its column.

    An empty cell is read as `+inf`, in columns of texts, too.
    """
    first = body[:MAX_LINE_BYTES].lstrip(b"\r\n").partition(b"\n")[0].split(b",")
    if len(first) != len(header.cells):
        return None
    whole = [cell.strip().removeprefix(b"-").isdigit() for cell in first]
    decimal = [False] * len(first)
    for whole_cells in (whole, decimal) if any(whole) else (decimal,):
        for width in (_SHORT, _LONG):
            table = _load(body, path, _types(header, whole_cells, width), header.body_line - 1)
            if table is None or not _cut_off(table, width):
                break
        if table is not None:
            return table
    if not _has_empty(body) or FILLER in body:
        return None
    return _load(_filled(body), None, _types(header, decimal, _LONG), 0)


def _types(header: Header, whole: Sequence[bool], width: int) -> list[tuple[str, str]]:
    types = []
    for place, name in enumerate(header.cells):
        number = "i8" if whole[place] else "f8"
        kind = f"S{width}" if name in TEXT_COLUMNS else number if name in KNOWN_COLUMNS else "S1"
        types.append((f"f{place}", kind))
    return types


def _cut_off(table: Table, width: int) -> bool:
    """Return whether some text fills its field, so that its end may be missing."""
    texts = [table[name] for name in table.dtype.names or () if table.dtype[name] == np.dtype(f"S{width}")]
    return any(bool(np.any(_bytes_of(cells)[:, -1])) for cells in texts)


def _bytes_of(cells: Table) -> NDArray[np.uint8]:
    return np.ascontiguousarray(cells).view(np.uint8).reshape(cells.size, cells.dtype.itemsize)


def _load(body: bytes, path: str | None, types: list[tuple[str, str]], skip: int) -> Table | None:
    source, skip = (path, skip) if path is not None else (io.StringIO(body.decode("ascii")), 0)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of an empty file; that is told elsewhere
            table = np.loadtxt(source, dtype=types, delimiter=",", comments=None, ndmin=1, skiprows=skip)
    except (ValueError, OverflowError, OSError):
        return None
    return table if table.size else None


def _has_empty(body: bytes) -> bool:
    edges = (b",,", b",\n", b",\r", b"\n,")
    return any(edge in body for edge in edges) or body[:1] == b"," or body[-1:] == b","


def _filled(body: bytes) -> bytes:
    """Return a body with the filler in every empty cell."""
    body = body.replace(b",\r\n", b",+inf\r\n").replace(b",\n", b",+inf\n").replace(b"\n,", b"\n+inf,")
    body = (FILLER if body[:1] == b"," else b"") + body + (FILLER if body[-1:] == b"," else b"")
    return body.replace(b",,", b",+inf,").replace(b",,", b",+inf,")


def _texts(cells: Table) -> Texts | None:
    """Return (distinct texts, index of each row's text) of one column; None if a cell is too long."""
    codes = _bytes_of(cells)
    if bool(np.any(codes[:, -1])):
        return None
    different = np.zeros(cells.size, dtype=np.bool_)
    different[0] = True
    words = codes.view(np.uint64)
    for column in range(words.shape[1]):
        different[1:] |= words[1:, column] != words[:-1, column]
    changes = np.flatnonzero(different)
    numbers: dict[str, int] = {}
    heads = ["" if cell == FILLER else cell.decode("ascii").strip(" \t") for cell in cells[changes].tolist()]
    index = np.array([numbers.setdefault(text, len(numbers)) for text in heads], dtype=np.int32)
    return tuple(numbers), np.repeat(index, np.diff(np.append(changes, cells.size)))


def _checked(
    columns: dict[str, Table], texts: dict[str, Texts], header: Header, no_echo_at: Sequence[float], body: bytes
) -> Rows | None:
    """Return the columns as `Rows` if every value lies where it must; None if any does not."""
    angle = columns[header.angle_column].astype(np.float64)
    low, high = LIMITS[header.angle_column]
    distance = columns[header.distance_column].astype(np.float64)
    if np.isposinf(np.fmax.reduce(distance)) and _TOO_LARGE.search(body):
        return None
    for value in no_echo_at:
        distance[distance == value] = np.inf
    if not (angle.min() >= low and angle.max() <= high) or not np.fmin.reduce(distance) > 0.0:
        return None
    line = _lines(body, angle.size, header.body_line)
    if not _plain(columns, texts) or (line is not None and line.size != angle.size):
        return None
    sweep, time_s = columns.get("sweep"), columns.get("time_s")
    stations, turning = texts.get("station"), texts.get("turning")
    pose = np.column_stack([columns[name] for name in POSE_COLUMNS]) if "x_m" in columns else None
    return Rows(
        angle_column=header.angle_column,
        distance_column=header.distance_column,
        angle=angle,
        distance=distance,
        first_line=header.body_line,
        station_names=() if stations is None else stations[0],
        station=None if stations is None else stations[1],
        sweep=None if sweep is None else sweep.astype(np.int32),
        turning=None if turning is None else np.array([TURNING[t] for t in turning[0]], np.int32)[turning[1]],
        time_s=None if time_s is None else time_s.astype(np.float64),
        pose=None if pose is None else pose.astype(np.float64),
        line=line,
    )


def _plain(columns: dict[str, Table], texts: dict[str, Texts]) -> bool:
    """Return whether all but angles and distances are what their columns take."""
    sweep, time_s = columns.get("sweep"), columns.get("time_s")
    if sweep is not None and not (sweep.min() >= -MAX_SWEEP and sweep.max() <= MAX_SWEEP):
        return False
    if sweep is not None and sweep.dtype.kind == "f" and not np.all(np.rint(sweep) == sweep):
        return False
    if time_s is not None and not np.all(np.isfinite(time_s)):
        return False
    if not all(np.all(np.abs(columns[name]) <= FAR) for name in POSE_COLUMNS if name in columns):
        return False
    return set(texts.get("turning", ((), None))[0]) <= set(TURNING)


def _lines(body: bytes, count: int, first: int) -> Ints | None:
    """Return the line of each row where blank lines stand between them; None where there are none."""
    codes = np.frombuffer(body, dtype=np.uint8)
    ends = sum(int(np.count_nonzero(codes[at : at + _PART] == 10)) for at in range(0, codes.size, _PART))
    if ends + (not body.endswith(b"\n")) == count:
        return None
    rows = body.split(b"\n")
    return np.array([first + i for i, row in enumerate(rows) if row.strip(b"\r")], dtype=np.int32)

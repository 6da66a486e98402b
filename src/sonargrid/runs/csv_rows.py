"""The bytes of a readings CSV -> columns: the fast ways, for rows in which nothing is odd.

Rows are first tried with `plain_cells`, then with `numpy.loadtxt`, as integers where they look so.  At anything
unexpected (a quote, a cell that is no number, a value out of its range ...) that is thrown away, and `csv_rescan` reads
the rows one by one and finds every fault with its line.  Values stay in the unit of their column; what they mean is not
asked here.
"""

from __future__ import annotations

import csv
import io
import re
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonargrid.arrays import Floats, Ints
from sonargrid.errors import Fault, InputFaults
from sonargrid.runs.line_blocks import MAX_LINE_BYTES, newlines
from sonargrid.runs.plain_cells import NUMBER, SKIPPED, TEXT, Column, Table, Texts, plain_cells
from sonargrid.runs.readings import ANGLE_COLUMNS, DISTANCE_COLUMNS
from sonargrid.runs.run_keys import nearest
from sonargrid.runs.toml_text import BOM

POSE_COLUMNS = ("x_m", "y_m", "heading_deg")
KNOWN_COLUMNS = (*ANGLE_COLUMNS, *DISTANCE_COLUMNS, "station", "sweep", "time_s", "turning", *POSE_COLUMNS)
TEXT_COLUMNS = ("station", "turning")
TURNING = {"up": 1, "down": -1, "": 0}
LIMITS = {"angle_deg": (0.0, 180.0), "bearing_deg": (-360.0, 360.0), "pulse_us": (400.0, 2600.0)}
FAR = 1e6  # largest place and heading of a moving robot; keeps sums finite
MAX_SWEEP = 2**31 - 1

# loadtxt reads these as infinite, the rules do not: the word in full, and numbers that are too large
_TOO_LARGE = re.compile(rb"infinity|e\+?0*[1-9][0-9]{2}|[0-9]{300}", re.IGNORECASE)
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

    angle : whole numbers where they are no decimals; so, too
    distance : in the unit of its column; inf = nothing heard, nan = no measurement, otherwise above 0
    station_names, station : the names that occur, and each row's index among them
    pose : (N, 3) x_m, y_m, heading_deg of a moving robot
    line : line number of each row; None = rows stand on consecutive lines from `first_line`
    count : how many equal readings each row stands for, see `counted_rows`; None = one each
    name_lines : of counted rows, the line on which each station name stands first
    clock_back : of counted rows, how often time_s goes backwards, and the line of the first time
    turned_back : of counted rows, how often turning is against the angles, and the line of the first time
    """

    angle_column: str
    distance_column: str
    angle: Table
    distance: Table
    first_line: int
    station_names: tuple[str, ...] = ()
    station: Ints | None = None
    sweep: Ints | None = None
    turning: Ints | None = None
    time_s: Floats | None = None
    pose: Floats | None = None
    line: Ints | None = None
    count: Ints | None = None
    name_lines: tuple[int, ...] = ()
    clock_back: tuple[int, int] = (0, 0)
    turned_back: tuple[int, int] = (0, 0)

    def __len__(self) -> int:
        return int(self.angle.size)

    def line_of(self, row: int) -> int:
        """Return the line number of a row counted from 0."""
        return self.first_line + row if self.line is None else int(self.line[row])

    def naming(self, number: int) -> tuple[int, int]:
        """Return how many readings name a station, and the line of the first of them."""
        assert self.station is not None
        at = np.flatnonzero(self.station == number)
        if self.count is None:
            return at.size, self.line_of(int(at[0]))
        return int(self.count[at].sum()), self.name_lines[number]


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


def fast_rows(body: bytes, header: Header, no_echo_at: Sequence[float], first_line: int) -> Rows | None:
    """Return the columns of whole rows of a checked CSV if nothing in them is odd; None = read them row by row.

    first_line : line number of the first of them
    """
    kinds = [TEXT if name in TEXT_COLUMNS else NUMBER if name in KNOWN_COLUMNS else SKIPPED for name in header.cells]
    cells = plain_cells(body, kinds, header.cells.index(header.distance_column))
    if cells is not None:
        rows = _checked(cells, header, no_echo_at, first_line)
        if rows is not None:
            return rows
    return _loaded(body, header, no_echo_at, first_line)


def _loaded(body: bytes, header: Header, no_echo_at: Sequence[float], first_line: int) -> Rows | None:
    """Return the columns as loadtxt reads them, blanks and exponents, too; None where it may read what it must not."""
    named = any(name not in KNOWN_COLUMNS or name in TEXT_COLUMNS for name in header.cells)
    if named or body.translate(None, _DIGITS):
        odd = not body.isascii() or b'"' in body or len(body.translate(None, _CONTROL)) != len(body)
        if odd or (b"\r" in body and body.count(b"\r") != body.count(b"\r\n")):
            return None
    table = _table(body, header)
    if table is None:
        return None
    cells: list[Column] = []
    for place, name in enumerate(header.cells):
        column: Column = table[f"f{place}"] if name in KNOWN_COLUMNS else None
        if name in TEXT_COLUMNS and (column := _texts(table[f"f{place}"])) is None:
            return None
        cells.append(column)
    distance = table[f"f{header.cells.index(header.distance_column)}"]
    if np.isposinf(np.fmax.reduce(distance)) and _TOO_LARGE.search(body):
        return None
    line = _lines(body, table.size, first_line)
    if line is not None and line.size != table.size:
        return None
    return _checked(cells, header, no_echo_at, first_line, line)


def _table(body: bytes, header: Header) -> Table | None:
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
            table = _load(body, _types(header, whole_cells, width))
            if table is None or not _cut_off(table, width):
                break
        if table is not None:
            return table
    if not _has_empty(body) or FILLER in body:
        return None
    return _load(_filled(body), _types(header, decimal, _LONG))


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


def _load(body: bytes, types: list[tuple[str, str]]) -> Table | None:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of an empty file; that is told elsewhere
            source = io.StringIO(body.decode("ascii"))
            table = np.loadtxt(source, dtype=types, delimiter=",", comments=None, ndmin=1)
    except (ValueError, OverflowError):
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
    cells: Sequence[Column],
    header: Header,
    no_echo_at: Sequence[float],
    first_line: int,
    line: Ints | None = None,
) -> Rows | None:
    """Return the columns as `Rows` if every value lies where it must; None if any does not."""
    columns: dict[str, Table] = {}
    texts: dict[str, Texts] = {}
    for name, column in zip(header.cells, cells, strict=True):
        if isinstance(column, tuple):
            texts[name] = column
        elif column is not None:
            columns[name] = column
    angle = columns[header.angle_column]
    low, high = LIMITS[header.angle_column]
    distance = _silenced(columns[header.distance_column], no_echo_at)
    if not (angle.min() >= low and angle.max() <= high) or not np.fmin.reduce(distance) > 0.0:
        return None
    if not _plain(columns, texts):
        return None
    sweep, time_s = columns.get("sweep"), columns.get("time_s")
    stations, turning = texts.get("station"), texts.get("turning")
    pose = np.column_stack([columns[name] for name in POSE_COLUMNS]) if "x_m" in columns else None
    return Rows(
        angle_column=header.angle_column,
        distance_column=header.distance_column,
        angle=angle,
        distance=distance,
        first_line=first_line,
        station_names=() if stations is None else stations[0],
        station=None if stations is None else stations[1],
        sweep=None if sweep is None else sweep.astype(np.int32),
        turning=None if turning is None else np.array([TURNING[t] for t in turning[0]], np.int32)[turning[1]],
        time_s=None if time_s is None else time_s.astype(np.float64),
        pose=None if pose is None else pose.astype(np.float64),
        line=line,
    )


def _silenced(distance: Table, no_echo_at: Sequence[float]) -> Table:
    """Return distances with inf for the values that mean "nothing heard"."""
    silent = np.zeros(distance.shape, dtype=np.bool_)
    for value in no_echo_at:
        silent |= distance == value
    return np.where(silent, np.inf, distance) if bool(silent.any()) else distance


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
    if newlines(body) + (not body.endswith(b"\n")) == count:
        return None
    rows = body.split(b"\n")
    return np.array([first + i for i, row in enumerate(rows) if row.strip(b"\r")], dtype=np.int32)

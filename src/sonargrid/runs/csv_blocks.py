"""The bytes of a readings CSV, piece by piece -> columns: block after block, each the fastest way that serves it.

One odd block is read row by row, those before and behind it stay fast; only what columns need is kept.  Faults are
noted to the end of the file and told together.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import numpy as np

from sonargrid.arrays import Ints
from sonargrid.errors import InputFaults
from sonargrid.runs.counted_rows import RowCounter
from sonargrid.runs.csv_rescan import Faults, Lines, no_reading, rescan_lines
from sonargrid.runs.csv_rows import Rows, fast_rows, read_header
from sonargrid.runs.line_blocks import LineBlocks
from sonargrid.runs.run_input import PIECE

# The common allocator gives large blocks back at once and pages them in anew, until one larger than them has been let
# go: after that it keeps them, which saves a tenth of the time.
KEPT_BYTES = 1 << 24
COUNT_FROM = 200_000  # readings up to which all are kept one by one: more than anything looks at singly


def read_readings(
    pieces: Iterable[bytes],
    file: str,
    no_echo_at: Sequence[float] = (),
    counter: RowCounter | None = None,
    block_bytes: int = PIECE,
) -> Rows:
    """Return the columns of a readings CSV.

    pieces : its bytes, cut anywhere
    file : what messages call it
    no_echo_at : values that mean "nothing heard", in the unit of the distance column
    counter : counts equal readings together in a file of more than `COUNT_FROM`, where order does not matter

    Raises
    ------
    InputFaults
        With every fault in it.

    >>> read_readings([b"angle_deg,range_cm\\n0,5", b"0\\n90,60\\n"], "a.csv").distance.tolist()
    [50.0, 60.0]
    """
    parts: list[Rows] = []
    waiting = 0
    for rows in _blocks(pieces, file, no_echo_at, block_bytes):
        parts.append(rows)
        waiting += len(rows)
        if counter is not None and counter.serves(rows) and waiting > COUNT_FROM:
            for part in parts:
                counter.add(part)
            parts.clear()
    return _joined(parts) if counter is None or not counter.taken else counter.result()


def _blocks(pieces: Iterable[bytes], file: str, no_echo_at: Sequence[float], block_bytes: int) -> Iterator[Rows]:
    """Yield the rows of a readings CSV, block by block, until there is a fault."""
    np.empty(KEPT_BYTES, dtype=np.uint8)  # made and let go
    blocks = LineBlocks(pieces, file, block_bytes)
    try:
        header = read_header(blocks.head(), file)
    except InputFaults:
        blocks.drain()  # what is no text is told first
        raise
    blocks.skip(header.body_at)
    faults, line, any_row = Faults(file), header.body_line, False
    while block := blocks.block():
        rows = fast_rows(block, header, no_echo_at, line)
        if rows is None:
            lines = Lines(block.decode("utf-8"), blocks.line)
            rows = rescan_lines(lines, header, no_echo_at, line, faults)
            line += lines.used
        else:
            line += blocks.ends
        if faults.torn:
            blocks.drain()
            break
        if len(rows) and not faults.count:
            any_row = True
            yield rows
    if faults.count:
        raise InputFaults(faults.kept, faults.count)
    if not any_row:
        raise InputFaults([no_reading(file)])


def _joined(parts: list[Rows]) -> Rows:
    """Return blocks of rows as one, all numbers as decimals; uses the list up."""
    first = parts[0]
    sizes = [len(part) for part in parts]
    names: dict[str, int] = {}
    numbers = [np.array([names.setdefault(n, len(names)) for n in part.station_names], np.int32) for part in parts]
    whole: dict[str, Any] = {
        name: np.empty((sum(sizes), *values.shape[1:]), dtype)
        for name, dtype in _COLUMNS.items()
        if (values := getattr(first, name)) is not None
    }
    line = _lines(parts, sizes)
    at = 0
    parts.reverse()
    for size, number in zip(sizes, numbers, strict=True):
        part = parts.pop()
        for name, column in whole.items():
            values = getattr(part, name)
            column[at : at + size] = number[values] if name == "station" else values
        at += size
    return Rows(
        angle_column=first.angle_column,
        distance_column=first.distance_column,
        first_line=first.line_of(0),
        station_names=tuple(names),
        line=line,
        **whole,
    )


_COLUMNS = {
    "angle": np.float64,
    "distance": np.float64,
    "station": np.int32,
    "sweep": np.int32,
    "turning": np.int32,
    "time_s": np.float64,
    "pose": np.float64,
}


def _lines(parts: Sequence[Rows], sizes: Sequence[int]) -> Ints | None:
    """Return the line of each row; None where they stand on consecutive lines."""
    starts = np.array([part.first_line for part in parts])
    if all(part.line is None for part in parts) and bool(np.all(np.diff(starts) == sizes[:-1])):
        return None
    return np.concatenate(
        [
            np.arange(part.first_line, part.first_line + len(part), dtype=np.int32) if part.line is None else part.line
            for part in parts
        ]
    )

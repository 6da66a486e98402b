"""A block of CSV rows in which nothing is odd -> columns, all cells at once, by vector operations over its bytes.

Plain decimals of few digits (12, -3, 0.5) and short texts without blanks.  At anything else the answer is None, and a
slower reader has its turn.  Every byte gets the value of the digits that end there; a cell's value is that of its last
byte.  No units, no limits, no meaning here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonargrid.arrays import Bools, Ints

NUMBER, TEXT, SKIPPED = "number", "text", "skipped"
DIGITS = 8  # before the point, and behind it: the longest that is read here
EXACT_DIGITS = 15  # whole numbers of so many digits are exact; their quotient by a power of ten is then the nearest
TEXT_BYTES = 8
_ZERO, _COMMA, _NEWLINE, _MINUS, _POINT = b"0,\n-."
_POWERS = 10.0 ** np.arange(DIGITS + 1)

Bytes = NDArray[np.uint8]
Table = NDArray[Any]  # whole numbers or decimals, as the file has them
Texts = tuple[tuple[str, ...], Ints]  # distinct texts, and each row's index among them
Column = Table | Texts | None  # None = a column that nobody reads


@dataclass(frozen=True, slots=True)
class _Cells:
    """Where the cells of one column lie: first byte, and the byte behind the last one."""

    start: NDArray[np.int64]
    end: NDArray[np.int64]


def plain_cells(block: bytes, kinds: Sequence[str], empty_at: int) -> list[Column] | None:
    """Return one array (N,), or texts, a column; None if any row is odd.

    block : whole lines
    kinds : `NUMBER`, `TEXT` or `SKIPPED` for each column; at least two
    empty_at : the column in which an empty cell is read as inf; elsewhere it is odd

    >>> [part.tolist() for part in plain_cells(b"1,0.5\\n2,\\n", ["number", "number"], 1)]
    [[1, 2], [0.5, inf]]
    """
    if not block.isascii():
        return None
    if b"\r" in block:
        block = block.replace(b"\r\n", b"\n")
    if not block.endswith(b"\n"):
        block += b"\n"
    codes = np.frombuffer(block, dtype=np.uint8)
    marks = np.flatnonzero(codes < _ZERO)
    kind = codes.take(marks)
    count, left = divmod(marks.size, len(kinds))
    row = b"," * (len(kinds) - 1) + b"\n"
    if left == 0 and kind.tobytes() == row * count:
        return _bare(codes, marks, kinds, empty_at)
    is_end = (kind == _COMMA) | (kind == _NEWLINE)
    other = kind[~is_end]
    at = np.flatnonzero(is_end)
    if at.size % len(kinds) or kind.take(at).tobytes() != row * (at.size // len(kinds)):
        return None
    if not bool(np.all((other == _MINUS) | (other == _POINT))):
        return None
    return _signed(codes, marks, kind, at, kinds, empty_at)


def _bare(codes: Bytes, ends: NDArray[np.int64], kinds: Sequence[str], empty_at: int) -> list[Column] | None:
    """Return the columns of rows of digits and texts alone: no signs, no points."""
    n = len(kinds)
    width = ends.copy()
    width[1:] -= ends[:-1]
    width[1:] -= 1
    top = int(width.max())
    if top > DIGITS:  # of a text that nobody reads, perhaps
        top = max((int(width[j::n].max()) for j, kind in enumerate(kinds) if kind == NUMBER), default=0)
        if top > DIGITS:
            return None
    values = _values(codes, top).take(ends - 1).reshape(-1, n)
    letters_there = int(codes.max()) > _ZERO + 9
    letters = codes > _ZERO + 9 if letters_there else None
    none_empty = bool(width.min() > 0)
    columns: list[Column] = []
    for j, kind in enumerate(kinds):
        column: Column = None
        if kind == NUMBER:
            column = np.ascontiguousarray(values[:, j])
            if letters is not None and not _all_digits(letters, ends[j::n], width[j::n]):
                return None
            if not none_empty and not bool(width[j::n].all()):
                if j != empty_at:
                    return None
                column = np.where(width[j::n] > 0, column, np.inf)
        elif kind == TEXT:
            all_of_it = not letters_there and int(width[j::n].max()) <= top
            cells = _Cells(ends[j::n] - width[j::n], ends[j::n])
            column = _texts(codes, cells, values[:, j] if all_of_it else None)
            if column is None:
                return None
        columns.append(column)
    return columns


def _values(codes: Bytes, digits: int) -> NDArray[np.unsignedinteger[Any]]:
    """Return, at each byte, the number that the digits up to it make: 0 at a byte that is none."""
    one = codes - np.uint8(_ZERO)
    digit = (one < 10).view(np.uint8)
    one *= digit
    tens = one[:-1] * np.uint8(10)
    tens *= digit[1:]
    one[1:] += tens
    if digits <= 2:
        return one
    # a byte takes in the two before the last two if it and the one before it are digits; so, then, for four
    joined = digit[1:-1] * digit[2:]
    hundreds = (one[:-2] * joined).astype(np.uint16)
    hundreds *= np.uint16(100)
    four = one.astype(np.uint16)
    four[2:] += hundreds
    if digits <= 4:
        return four
    eight = four.astype(np.uint32)
    eight[4:] += (four[:-4] * (joined[2:] * joined[:-2])).astype(np.uint32) * np.uint32(10_000)
    return eight


def _all_digits(letters: Bools, end: NDArray[np.int64], width: NDArray[np.int64]) -> bool:
    """Return whether no byte of these cells is a letter or the like."""
    return not any(bool(np.any(letters.take(end - 1 - k) & (width > k))) for k in range(int(width.max(initial=0))))


def _signed(
    codes: Bytes,
    marks: NDArray[np.int64],
    kind: Bytes,
    at: NDArray[np.int64],
    kinds: Sequence[str],
    empty_at: int,
) -> list[Column] | None:
    """Return the columns of rows in which some cells have a minus or a point; `at` = which marks are cells' ends."""
    n = len(kinds)
    ends = marks.take(at)
    starts = np.concatenate([[0], ends[:-1] + 1])
    extra = np.diff(at, prepend=-1) - 1
    letters = codes > _ZERO + 9
    letters_there = bool(letters.any())
    columns: list[Column] = []
    value: Table | None = None
    for j, what in enumerate(kinds):
        column: Column = None
        cells = _Cells(starts[j::n], ends[j::n])
        if what == TEXT:
            column = _texts(codes, cells)
        elif what == NUMBER:
            before = at[j::n] - 1
            minus = codes.take(cells.start) == _MINUS
            pointed = (extra[j::n] > minus) & (kind.take(before) == _POINT)
            point = np.where(pointed, marks.take(before), cells.end)
            if bool(np.any(extra[j::n] != minus.astype(np.int64) + pointed)):
                return None
            value = _values(codes, DIGITS) if value is None else value
            column = _decimals(value, cells, minus, pointed, point, letters if letters_there else None, j == empty_at)
        if column is None and what != SKIPPED:
            return None
        columns.append(column)
    return columns


def _decimals(
    value: Table,
    cells: _Cells,
    minus: Bools,
    pointed: Bools,
    point: NDArray[np.int64],
    letters: Bools | None,
    may_be_empty: bool,
) -> Table | None:
    """Return one column's numbers; `point` = the byte behind the whole part, `pointed` = whether it is a point."""
    whole = point - cells.start - minus
    part = np.where(pointed, cells.end - point - 1, 0)
    empty = cells.end == cells.start
    if bool(np.any((whole < 1) & ~empty)) or bool(np.any(pointed & (part < 1))):
        return None
    if whole.max() > DIGITS or part.max() > DIGITS or (whole + part).max() > EXACT_DIGITS:
        return None
    if letters is not None and not (_all_digits(letters, point, whole) and _all_digits(letters, cells.end, part)):
        return None
    number: Table = value.take(point - 1).astype(np.int64)
    if bool(pointed.any()):
        scale = _POWERS.take(part)
        behind = np.where(pointed, value.take(cells.end - 1), 0)
        number = (number * scale + behind) / scale  # both exact: the quotient is the nearest decimal
    if bool(minus.any()):
        number = np.where(minus, -number, number)
    if bool(empty.any()):
        return np.where(empty, np.inf, number) if may_be_empty else None
    return number


def _texts(codes: Bytes, cells: _Cells, values: Table | None = None) -> Texts | None:
    """Return (distinct texts, index of each row's text) of one column; None if a cell is too long or no clean text.

    values : the number that each cell makes, where all are digits
    """
    width = cells.end - cells.start
    longest, shortest = int(width.max()), int(width.min())
    if longest > TEXT_BYTES:
        return None
    # digits of one width are equal texts where they are equal numbers
    word = values if values is not None and longest == shortest else _words(codes, cells.start, width)
    first = np.concatenate([[0], np.flatnonzero(word[1:] != word[:-1]) + 1])
    numbers: dict[str, int] = {}
    index = np.empty(first.size, dtype=np.int32)
    for i, (start, end) in enumerate(zip(cells.start[first].tolist(), cells.end[first].tolist(), strict=True)):
        text = codes[start:end].tobytes().decode("ascii")
        if not text.isprintable():
            return None
        index[i] = numbers.setdefault(text, len(numbers))
    return tuple(numbers), np.repeat(index, np.diff(np.append(first, width.size)))


def _words(codes: Bytes, start: NDArray[np.int64], width: NDArray[np.int64]) -> Table:
    """Return the bytes of each cell as one number; different cells give different numbers."""
    longest, shortest = int(width.max()), int(width.min())
    word: Table = np.zeros(width.size, dtype=np.uint8 if longest < 2 else np.uint64)
    for k in range(longest):
        byte = codes.take(start + k, mode="clip").astype(word.dtype)
        if k >= shortest:
            byte *= width > k
        word |= byte << word.dtype.type(8 * k) if k else byte
    return word

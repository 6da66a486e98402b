"""The bytes of a text file, piece by piece -> blocks of whole lines, looked at while they pass.

A file is never held whole: a block is read, looked at, handed on and forgotten.  What is no text (a NUL, bytes that are
not UTF-8, an endless line) is told with its line as if the whole file had been looked at first.  What the lines mean is
not asked here.
"""

from __future__ import annotations

from codecs import utf_8_decode
from collections.abc import Iterable, Iterator

import numpy as np

from sonargrid.errors import Fault, InputFaults
from sonargrid.runs.run_input import PIECE
from sonargrid.runs.toml_text import BOM, decoded, text_fault

MAX_LINE_BYTES = 64_000
HEAD_BYTES = 2 * MAX_LINE_BYTES + len(BOM)  # a header row with line breaks in its cells may be longer than a line


def check_text(content: bytes, file: str) -> None:
    """Refuse bytes that are not UTF-8 or hold a NUL or a line over the limit.

    Raises
    ------
    InputFaults
        With the line of the first such place.
    """
    if b"\0" in content or not content.isascii():
        decoded(content, file)
    at = _too_long(content)
    if at is not None:
        raise InputFaults([_long_line(file, content.count(b"\n", 0, at) + 1)])


def _too_long(data: bytes, before: int = 0) -> int | None:
    """Return where a line over the limit begins, if one does; `before` bytes of the first line came earlier."""
    at = -before
    while at + MAX_LINE_BYTES < len(data):
        end = data.rfind(b"\n", max(at, 0), at + MAX_LINE_BYTES + 1)
        if end < 0:
            return max(at, 0)
        at = end + 1
    return None


def _long_line(file: str, line: int) -> Fault:
    words = f"a line of more than {MAX_LINE_BYTES} bytes"
    return Fault(words, "is this a CSV file with one reading a line?", file, line)


def newlines(data: bytes) -> int:
    """Return how many line ends there are.

    >>> newlines(b"a\\nb\\n")
    2
    """
    return int(np.count_nonzero(np.frombuffer(data, dtype=np.uint8) == 10))


class LineBlocks:
    """Blocks of whole lines, one after the other, of bytes that come in pieces of any size.

    ends : how many line ends there were in the last one

    >>> blocks = LineBlocks(iter([b"a,b\\n1,", b"2\\n3,4"]), "a.csv", block_bytes=8)
    >>> blocks.head(), blocks.block(), blocks.block(), blocks.block()
    (b'a,b\\n1,2\\n3,4', b'a,b\\n1,2\\n', b'3,4', b'')
    """

    def __init__(self, pieces: Iterable[bytes], file: str, block_bytes: int = PIECE) -> None:
        self._pieces, self._file, self._block_bytes = iter(pieces), file, block_bytes
        self._buffer, self._at, self._ended = b"", 0, False
        self._line = 1  # on which the next block begins
        self.ends = 0
        self._start: bytes | None = None

    def head(self) -> bytes:
        """Return how the file begins, as much as a header row may take; nothing is used up."""
        self._fill(HEAD_BYTES)
        return self._buffer[self._at :]

    def skip(self, size: int) -> None:
        """Pass over bytes that `head` returned, whole lines of them."""
        self._use(self._at + size)

    def block(self) -> bytes:
        """Return the next whole lines; b"" at the end.  The last line of a file may have no end.

        Raises
        ------
        InputFaults
            If they, or anything behind them, are no text; everything behind them has been read then.
        """
        self._fill(self._block_bytes)
        end = self._buffer.rfind(b"\n", self._at, self._at + self._block_bytes) + 1
        return self._use(end or self._line_end())

    def line(self) -> bytes:
        """Return the next line; b"" at the end.  Raises as `block`."""
        return self._use(self._line_end())

    def drain(self) -> None:
        """Read to the end, and raise InputFaults if what is left is no text."""
        fault = self._worst(b"")
        if fault is not None:
            raise InputFaults([fault])

    def _fill(self, wanted: int) -> None:
        """Read until so many bytes wait, or there are no more."""
        have = len(self._buffer) - self._at
        if have >= wanted or self._ended:
            return
        parts = [self._buffer[self._at :]]
        while have < wanted:
            piece = next(self._pieces, None)
            if piece is None:
                self._ended = True
                break
            parts.append(piece)
            have += len(piece)
        self._buffer, self._at = b"".join(parts), 0
        if self._start is None:
            self._start = self._buffer.removeprefix(BOM)[:16]

    def _line_end(self) -> int:
        """Return the place behind the next line end; of all that waits where a line has too many bytes or no end."""
        while True:
            end = self._buffer.find(b"\n", self._at) + 1
            waiting = len(self._buffer) - self._at
            if end or self._ended or waiting > MAX_LINE_BYTES:
                return end or len(self._buffer)
            self._fill(waiting + 1)

    def _use(self, end: int) -> bytes:
        data = self._buffer[self._at : end]
        self._at = end
        plain = data.isascii() and b"\0" not in data
        if (not plain and text_fault(data, self._file) is not None) or _too_long(data) is not None:
            fault = self._worst(data)
            if fault is not None:
                raise InputFaults([fault])
        self.ends = newlines(data)
        self._line += self.ends
        return data

    def _rest(self, data: bytes) -> Iterator[bytes]:
        yield data
        yield self._buffer[self._at :]
        yield from self._pieces
        self._buffer, self._at, self._ended = b"", 0, True

    def _worst(self, data: bytes) -> Fault | None:
        """Return what is wrong from `data` on to the end of the file: a NUL before other bytes before a long line."""
        nul = bad = long = None
        line, tail, before = self._line, b"", 0
        for piece in self._rest(data):
            if nul is None and b"\0" in piece:
                nul = text_fault(piece, self._file, line, self._start)
            if nul is None and bad is None:
                text = tail + piece
                try:
                    tail = text[utf_8_decode(text, "strict", False)[1] :]
                except UnicodeDecodeError:
                    bad = text_fault(text, self._file, line)
            at = _too_long(piece, before) if long is None else None
            if at is not None:
                long = _long_line(self._file, line + piece.count(b"\n", 0, at))
            line += piece.count(b"\n")
            end = piece.rfind(b"\n")
            before = before + len(piece) if end < 0 else len(piece) - end - 1
        if tail and nul is None and bad is None:
            bad = text_fault(tail, self._file, line)
        return nul or bad or long

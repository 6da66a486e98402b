"""Bytes of an input: from a plain or compressed file, a named pipe, or standard input, whole or piece by piece.

Nothing is decoded here.  Waiting is told through a callback; this module prints nothing.
"""

from __future__ import annotations

import os
import select
import stat
import sys
import threading
import time
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from sonargrid.errors import Fault, InputFaults

PATIENCE_S = 2.0  # how long a pipe may be without a writer, and standard input silent without a word
STANDARD_INPUT = "standard input"
PIECE = 1 << 18  # bytes read at a time: a piece and what is made of it stay in the cache
_GZIP = b"\x1f\x8b"
_GZIP_WINDOW = 31  # zlib's sign for a gzip member with its header and check sum


class Unreadable(InputFaults):
    """An input whose bytes cannot be had: before anything in them is looked at."""


@dataclass(frozen=True, slots=True)
class Input:
    """What was read.

    stored : the bytes as they lie in the file; digests are of these
    content : the same, unpacked
    """

    stored: bytes
    content: bytes


def _problem(message: str, hint: str, file: str) -> Unreadable:
    return Unreadable([Fault(message, hint, file)])


def read_input(path: str, on_wait: Callable[[str], None] | None = None) -> Input:
    """Return what lies at a path; `-` is standard input.

    Raises
    ------
    InputFaults
        If there is nothing, or nothing that can be read.
    """
    stored = b"".join(stored_pieces(path, on_wait))
    packed = path != "-" and (path.endswith(".gz") or stored.startswith(_GZIP))
    return Input(stored, b"".join(_unpacked(iter([stored]), path)) if packed else stored)


def content_pieces(
    path: str, on_stored: Callable[[bytes], object], on_wait: Callable[[str], None] | None = None
) -> Iterator[bytes]:
    """Yield what lies at a path, unpacked, piece by piece; `-` is standard input.

    on_stored : gets every piece as it lies in the file

    Raises
    ------
    InputFaults
        If there is nothing, or nothing that can be read; when the place is reached.
    """

    def seen() -> Iterator[bytes]:
        for piece in stored_pieces(path, on_wait):
            on_stored(piece)
            yield piece

    pieces = seen()
    first = next(pieces, b"")
    if len(first) == 1:  # a pipe's first byte may come alone
        first += next(pieces, b"")
    if path != "-" and (path.endswith(".gz") or first.startswith(_GZIP)):
        yield from _unpacked(_after(first, pieces), path)
    else:
        yield from _after(first, pieces)


def _after(first: bytes, rest: Iterator[bytes]) -> Iterator[bytes]:
    if first:
        yield first
    yield from rest


def stored_pieces(path: str, on_wait: Callable[[str], None] | None = None) -> Iterator[bytes]:
    """Yield what lies at a path piece by piece, as it is stored; `-` is standard input.

    Raises
    ------
    InputFaults
        If there is nothing, or nothing that can be read.
    """
    if path == "-":
        yield from _standard_input(on_wait)
        return
    try:
        kind = os.stat(path).st_mode
        if stat.S_ISFIFO(kind):
            yield from _pipe(path)
        elif stat.S_ISREG(kind):
            with open(path, "rb", buffering=0) as file:
                while piece := file.read(PIECE):
                    yield piece
        else:
            raise _problem("is no regular file", "a run is a folder, a CSV file, a named pipe, or - ", path)
    except OSError as problem:
        words = (problem.strerror or type(problem).__name__).lower()
        raise _problem(f"cannot be read: {words}", "is the name right, and may you read it?", path) from None


def _unpacked(pieces: Iterator[bytes], path: str) -> Iterator[bytes]:
    """Yield gzip members unpacked, one after the other; zeros that pad a member are passed over (RFC 1952)."""
    member, begun = zlib.decompressobj(_GZIP_WINDOW), False
    try:
        for piece in pieces:
            while piece:
                if member.eof:
                    piece = piece.lstrip(b"\0")
                    if not piece:
                        break
                    member = zlib.decompressobj(_GZIP_WINDOW)
                begun = True
                yield member.decompress(piece, PIECE)
                piece = member.unused_data if member.eof else member.unconsumed_tail
        while begun and not member.eof and (part := member.decompress(b"", PIECE)):
            yield part
    except zlib.error:
        raise _problem("is no gzip file, or a damaged one", _PACK_AGAIN, path) from None
    if begun and not member.eof:
        raise _problem("is cut off", _PACK_AGAIN, path)


_PACK_AGAIN = "pack it again with gzip, or give the unpacked CSV"


def _pipe(path: str) -> Iterator[bytes]:
    """Yield all that the writers of a named pipe write, waiting for the first of them no longer than patience."""
    handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    try:
        limit = time.monotonic() + PATIENCE_S
        seen = False
        while True:
            select.select([handle], [], [], 0.05)
            try:
                part = os.read(handle, PIECE)
            except BlockingIOError:
                seen = True  # somebody holds the other end and has not written yet
                continue
            if part:
                seen = True
                yield part
            elif seen:
                return
            elif time.monotonic() > limit:
                raise _problem(
                    f"nobody writes into this pipe (waited {PATIENCE_S:g} s)", "start the writer first", path
                )
            else:
                time.sleep(0.02)
    finally:
        os.close(handle)


def _standard_input(on_wait: Callable[[str], None] | None) -> Iterator[bytes]:
    if sys.stdin is None or sys.stdin.closed:
        raise _problem("is closed", "pipe a CSV into the command, or name a file", STANDARD_INPUT)
    stream = getattr(sys.stdin, "buffer", None)
    if stream is None:  # a program has put texts in its place
        yield sys.stdin.read().encode("utf-8")
        return
    words = "waiting for a readings CSV on standard input"
    timer = threading.Timer(PATIENCE_S, on_wait, [words]) if on_wait is not None else None
    if timer is not None:
        timer.daemon = True
        timer.start()
    try:
        first: bytes = stream.read(1)
    finally:
        if timer is not None:
            timer.cancel()
    yield first
    while first and (part := stream.read(PIECE)):
        yield part
        if len(part) < PIECE:
            return  # the end was met: a terminal asked again would wait for a second Ctrl-D

"""Bytes of an input: from a plain or compressed file, a named pipe, or standard input.

Nothing is decoded here.  Waiting is told through a callback; this module prints nothing.
"""

from __future__ import annotations

import gzip
import os
import select
import stat
import sys
import threading
import time
import zlib
from collections.abc import Callable
from dataclasses import dataclass

from sonargrid.errors import Fault, InputFaults

PATIENCE_S = 2.0  # how long a pipe may be without a writer, and standard input silent without a word
STANDARD_INPUT = "standard input"
_CHUNK = 1 << 20


@dataclass(frozen=True, slots=True)
class Input:
    """What was read.

    stored : the bytes as they lie in the file; digests are of these
    content : the same, unpacked
    plain_path : a file with exactly `content` in it that can be read again; None for pipes and packed files
    """

    stored: bytes
    content: bytes
    plain_path: str | None


def _problem(message: str, hint: str, file: str) -> InputFaults:
    return InputFaults([Fault(message, hint, file)])


def read_input(path: str, on_wait: Callable[[str], None] | None = None) -> Input:
    """Return what lies at a path; `-` is standard input.

    Raises
    ------
    InputFaults
        If there is nothing, or nothing that can be read.
    """
    if path == "-":
        content = _standard_input(on_wait)
        return Input(content, content, None)
    try:
        kind = os.stat(path).st_mode
        if stat.S_ISFIFO(kind):
            stored, plain = _pipe(path), None
        elif stat.S_ISREG(kind):
            with open(path, "rb") as file:
                stored, plain = file.read(), path
        else:
            raise _problem("is no regular file", "a run is a folder, a CSV file, a named pipe, or - ", path)
    except OSError as problem:
        words = (problem.strerror or type(problem).__name__).lower()
        raise _problem(f"cannot be read: {words}", "is the name right, and may you read it?", path) from None
    if path.endswith(".gz") or stored[:2] == b"\x1f\x8b":
        return Input(stored, _unpacked(stored, path), None)
    return Input(stored, stored, plain)


def _unpacked(stored: bytes, path: str) -> bytes:
    try:
        return gzip.decompress(stored)
    except (OSError, EOFError, zlib.error) as problem:
        words = "is cut off" if isinstance(problem, EOFError) else "is no gzip file, or a damaged one"
        raise _problem(words, "pack it again with gzip, or give the unpacked CSV", path) from None


def _pipe(path: str) -> bytes:
    """Return all that the writers of a named pipe write, waiting for the first of them no longer than patience."""
    parts: list[bytes] = []
    handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    try:
        limit = time.monotonic() + PATIENCE_S
        seen = False
        while True:
            select.select([handle], [], [], 0.05)
            try:
                part = os.read(handle, _CHUNK)
            except BlockingIOError:
                seen = True  # somebody holds the other end and has not written yet
                continue
            if part:
                seen = True
                parts.append(part)
            elif seen:
                return b"".join(parts)
            elif time.monotonic() > limit:
                raise _problem(
                    f"nobody writes into this pipe (waited {PATIENCE_S:g} s)", "start the writer first", path
                )
            else:
                time.sleep(0.02)
    finally:
        os.close(handle)


def _standard_input(on_wait: Callable[[str], None] | None) -> bytes:
    if sys.stdin is None or sys.stdin.closed:
        raise _problem("is closed", "pipe a CSV into the command, or name a file", STANDARD_INPUT)
    stream = getattr(sys.stdin, "buffer", None)
    if stream is None:  # a program has put texts in its place
        return sys.stdin.read().encode("utf-8")
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
    rest: bytes = stream.read()
    return first + rest

"""A journal of finished work: one JSON object a line, only ever added to, readable after a break at any byte.

Each line carries a checksum of its own text; what was torn by a break does not match it and is left out.  The last
line that names a piece of work counts.  Text is UTF-8; times are clock times, kept for people only.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from sonargrid.errors import OutputProblem

CHECK = "check"
CHECK_DIGITS = 16  # of SHA-256: a torn line passes by chance once in 10^19


def sealed(entry: Mapping[str, Any]) -> bytes:
    """Return an entry as its line, checksum last.

    >>> sealed({"name": "bench", "status": "done"})
    b'{"name": "bench", "status": "done", "check": "cc1114f9fa7f8c3b"}\\n'
    """
    text = json.dumps(entry, ensure_ascii=False)
    check = hashlib.sha256(text.encode()).hexdigest()[:CHECK_DIGITS]
    return json.dumps({**entry, CHECK: check}, ensure_ascii=False).encode() + b"\n"


def opened(line: bytes) -> dict[str, Any] | None:
    """Return the entry of a line; None where it is torn or not one of ours.

    >>> opened(sealed({"name": "bench"})), opened(sealed({"name": "bench"})[:-9])
    ({'name': 'bench'}, None)
    """
    try:
        entry = json.loads(line)
    except (ValueError, RecursionError):
        return None
    if not isinstance(entry, dict) or CHECK not in entry:
        return None
    check = entry.pop(CHECK)
    own = hashlib.sha256(json.dumps(entry, ensure_ascii=False).encode()).hexdigest()[:CHECK_DIGITS]
    return entry if check == own else None


@dataclass(frozen=True, slots=True)
class Kept:
    """What a journal holds.

    entries : the last entry of each name, in the order in which the names first came up
    torn : how many lines could not be read
    """

    entries: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    torn: int = 0


def read_journal(path: str | os.PathLike[str]) -> Kept:
    """Return what a journal holds; one that is not there yet holds nothing."""
    try:
        content = Path(path).read_bytes()
    except FileNotFoundError:
        return Kept()
    entries: dict[str, Mapping[str, Any]] = {}
    torn = 0
    for line in content.split(b"\n"):
        if not line:
            continue
        entry = opened(line)
        if entry is None or not isinstance(entry.get("name"), str):
            torn += 1
        else:
            entries[entry["name"]] = entry
    return Kept(entries, torn)


class Journal:
    """A journal that is open for adding; each entry is on the disk before `add` returns.

    Raises
    ------
    OutputProblem
        If it cannot be opened or added to; names the file.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self.path = Path(path)
        try:
            torn = self.path.exists() and self.path.read_bytes()[-1:] not in (b"", b"\n")
            self._file = self.path.open("ab", buffering=0)
            if torn:  # what a break left is closed off, so that the next line stands alone
                self._put(b"\n")
        except OSError as problem:
            raise self._problem(problem) from None

    def add(self, entry: Mapping[str, Any]) -> None:
        """Add one entry."""
        try:
            self._put(sealed(entry))
            os.fsync(self._file.fileno())
        except OSError as problem:
            raise self._problem(problem) from None

    def _put(self, content: bytes) -> None:
        rest = memoryview(content)
        while rest:  # a disk that is nearly full takes a part, then says so
            rest = rest[self._file.write(rest) :]

    def _problem(self, problem: OSError) -> OutputProblem:
        full = problem.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
        hint = "make room on that disk and start again: what is finished is not done twice" if full else ""
        return OutputProblem(f"cannot be written ({problem.strerror or problem})", hint=hint, file=str(self.path))

    def close(self) -> None:
        """Close the file; closing twice is no fault."""
        self._file.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, _: BaseException | None, __: TracebackType | None) -> None:
        self.close()

"""How far the reading of a long log is, on stderr, for who waits at a terminal."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from time import monotonic
from typing import Any

PATIENT_S = 2.0  # most logs are read before anybody wonders
NAMES = ("readings.csv", "readings.csv.gz", "readings.parquet")


@contextmanager
def reading_watch(path: str, quiet: bool) -> Iterator[Callable[[bytes], object] | None]:
    """Give what is to be told of every piece of a run's readings; a bar appears once that has taken some time."""
    if quiet or not sys.stderr.isatty():
        yield None
        return
    watch = _Bar(path)
    try:
        yield watch.read
    finally:
        watch.close()


class _Bar:
    def __init__(self, path: str) -> None:
        self._path, self._start, self._bytes = path, monotonic(), 0
        self._bar: Any = None

    def read(self, piece: bytes) -> None:
        """Take note of some bytes."""
        self._bytes += len(piece)
        if self._bar is None and monotonic() - self._start > PATIENT_S:
            self._show()
        if self._bar is not None:
            self._bar.update(self._task, completed=self._bytes)

    def _show(self) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, DownloadColumn, Progress, TextColumn, TimeRemainingColumn

        columns = (TextColumn("{task.description}"), BarColumn(), DownloadColumn(), TimeRemainingColumn())
        self._bar = Progress(*columns, console=Console(stderr=True), transient=True)
        self._bar.start()
        self._task = self._bar.add_task("reading", total=size_of(self._path))

    def close(self) -> None:
        """Take the bar away."""
        if self._bar is not None:
            self._bar.stop()


def size_of(path: str) -> int | None:
    """Return the size of a run's readings in bytes; None where it is not known beforehand."""
    for name in ("", *NAMES):
        place = os.path.join(path, name) if name else path
        if os.path.isfile(place):
            return os.path.getsize(place)
    return None

"""How far a long job is, on stderr, and what Ctrl-C does to it."""

from __future__ import annotations

import signal
import sys
from collections.abc import Callable, Mapping
from time import perf_counter
from typing import TYPE_CHECKING, Any, Self

if TYPE_CHECKING:
    from sonargrid.many.pieces import Watched
    from sonargrid.many.workers import Crew


class Watch:
    """Shows on stderr how far a long job is, and takes Ctrl-C: once = finish what is begun, twice = leave at once."""

    def __init__(self, what: str, total: int, quiet: bool, words_of: Callable[[Mapping[str, Any]], str]) -> None:
        self._what, self._total, self._quiet, self._words_of, self._done = what, total, quiet, words_of, 0
        self._crew: Crew | None = None
        self._bar: Any = None
        self._before: Any = None
        self.interrupted = False

    def __enter__(self) -> Self:
        self._before = signal.signal(signal.SIGINT, self._asked_to_leave)
        if not self._quiet and sys.stderr.isatty():
            from rich.console import Console
            from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

            columns = (
                TextColumn("{task.description}"),
                BarColumn(),
                MofNCompleteColumn(),
                TextColumn("{task.fields[rate]}"),
            )
            self._bar = Progress(*columns, TimeRemainingColumn(), console=Console(stderr=True), transient=True)
            self._bar.start()
            self._task = self._bar.add_task(self._what, total=self._total, rate="")
            self._start = perf_counter()
        return self

    def __exit__(self, *_: object) -> None:
        if self._bar is not None:
            self._bar.stop()
        signal.signal(signal.SIGINT, self._before)

    def watched(self) -> Watched:
        """Return who is told, and who gets the crew."""
        from sonargrid.many.pieces import Watched

        return Watched(self.told, self._on_crew)

    def _on_crew(self, crew: Crew) -> None:
        self._crew = crew  # for Ctrl-C

    def told(self, line: Mapping[str, Any]) -> None:
        """Move the bar, or say a line where there is none."""
        self._done += line.get("count", 1)  # what was done before comes in one line
        if self._bar is not None:
            rate = self._done / max(perf_counter() - self._start, 1e-9)
            self._bar.update(self._task, completed=self._done, rate=f"{rate:.1f} a second")
        elif not self._quiet:
            print(f"{self._done} of {self._total}  {self._words_of(line)}", file=sys.stderr, flush=True)

    def _asked_to_leave(self, *_: object) -> None:
        if self.interrupted or self._crew is None:
            raise KeyboardInterrupt
        self.interrupted = True
        self._crew.drain()
        print("finishing what is begun; Ctrl-C again leaves at once", file=sys.stderr, flush=True)

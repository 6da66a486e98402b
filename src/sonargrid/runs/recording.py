"""The recording itself: bytes are kept as they come, then read, then added to the run, until something ends it.

However it ends, the run is whole and holds what was heard up to then.  Nothing is printed; `tell` is called with news.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from sonargrid.errors import OutputProblem
from sonargrid.runs.byte_source import Source
from sonargrid.runs.heard_lines import LineReader, LineSplitter, Reading
from sonargrid.runs.recorded_run import RecordedRun
from sonargrid.runs.run_writer import GrowingFile, RowWriter

WAIT_S = 0.1  # how long to sleep on a quiet line before looking round


@dataclass(frozen=True, slots=True)
class Limits:
    """When to stop by itself: after so many readings, or so many seconds."""

    readings: float = math.inf
    seconds: float = math.inf


@dataclass(frozen=True, slots=True)
class Ending:
    """How a recording ended.

    reason : ``end`` (of the stream), ``stopped``, ``enough`` (a limit), ``gone`` (unplugged) or ``full`` (the disk)
    problem : the fault behind ``gone`` and ``full``
    kept_bytes : how much came and was kept as it came
    seconds, restarts : how long it took, and how often the robot's clock began anew
    """

    reason: str
    problem: OutputProblem | OSError | None
    kept_bytes: int
    seconds: float
    restarts: int


Tell = Callable[[Sequence[Reading]], None]


class _Session:
    """One station's stream on its way into the run."""

    def __init__(self, run: RecordedRun, reader: LineReader, begun: float) -> None:
        self._split, self._reader = LineSplitter(), reader
        self._raw = GrowingFile(run.raw_path, rows=False)
        self.rows = RowWriter(run, reader, lambda: time.monotonic() - begun)
        self.kept_bytes = 0

    def take(self, part: bytes, most: float) -> list[Reading]:
        """Keep bytes, read them and add their readings to the run, up to `most` readings in all.

        Raises
        ------
        OutputProblem
            If the disk is full; what was kept is read and added as far as it fits.
        """
        full: OutputProblem | None = None
        try:
            self._raw.add(part)
        except OutputProblem as problem:
            full, part = problem, part[: self._raw.kept]
        self.kept_bytes += len(part)
        self._reader.weigh(part)
        made = self._up_to(most, self._reader.read(self._split.feed(part)))
        self.rows.add(made)
        if full is not None:
            raise full
        return made

    def finish(self, whole: bool, most: float) -> list[Reading]:
        """Add what was held back; a last line without an end counts where the stream came to a `whole` end."""
        rest = self._split.rest()
        if not whole:
            self._reader.unread += len(rest)
        made = self._reader.read(rest) if whole else []
        made = self._up_to(most, made + self._reader.finish())
        self.rows.add(made)
        return made

    def _up_to(self, most: float, made: list[Reading]) -> list[Reading]:
        over = self._reader.readings - most
        return made[: len(made) - int(over)] if over > 0 else made

    def close(self) -> None:
        self._raw.close()
        self.rows.close()


def record(
    source: Source,
    reader: LineReader,
    run: RecordedRun,
    stop: Callable[[], bool] = lambda: False,
    tell: Tell = lambda readings: None,
    limits: Limits = Limits(),
) -> Ending:
    """Record a stream into a run until it ends, is stopped, goes away, is enough, or the disk is full.

    stop : asked all the time
    tell : called with the new readings, or none where nothing came for a moment

    Raises
    ------
    InputFaults
        If the robot sends other columns than the run has; what came is kept as it came.
    """
    begun = time.monotonic()
    session = _Session(run, reader, begun)
    reason = "stopped"
    problem: OutputProblem | OSError | None = None
    try:
        while not stop():
            if time.monotonic() - begun >= limits.seconds or reader.readings >= limits.readings:
                reason = "enough"
                break
            try:
                part = source.read(WAIT_S)
            except OSError as gone:
                reason, problem = "gone", gone
                break
            if part is None:
                reason = "end"
                break
            tell(session.take(part, limits.readings) if part else [])
        tell(session.finish(reason == "end", limits.readings))
    except OutputProblem as full:
        reason, problem = "full", full
    finally:
        session.close()
    return Ending(reason, problem, session.kept_bytes, time.monotonic() - begun, session.rows.restarts)

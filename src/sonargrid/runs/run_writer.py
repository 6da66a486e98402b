"""Rows and raw bytes of a recording -> the run's folder, whole at every moment.

Both files are only added to.  What a full disk or a size limit cut off is taken away again up to the last whole row.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Sequence
from pathlib import Path

from sonargrid.errors import InputFaults, OutputProblem
from sonargrid.runs.heard_lines import LineReader, Reading
from sonargrid.runs.readings import DISTANCE_COLUMNS
from sonargrid.runs.recorded_run import RecordedRun, wrong_columns
from sonargrid.units import RANGE_COLUMNS_M
from sonargrid.whole_file import replace_whole

SESSION_GAP_S = 1.0  # a clock that begins anew goes on so much later


class GrowingFile:
    """A file that is only added to.

    rows : whether it must end with a whole row; else every byte that fitted is kept
    """

    def __init__(self, path: Path, *, rows: bool) -> None:
        self._path, self._rows = path, rows
        try:
            self._number = os.open(path, os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o666)
        except OSError as problem:
            words = (problem.strerror or str(problem)).lower()
            raise OutputProblem(f"cannot be written: {words}", file=str(path)) from None
        self._size = os.fstat(self._number).st_size

    def add(self, data: bytes) -> None:
        """Add bytes.

        Raises
        ------
        OutputProblem
            If they do not fit; `kept` says how many of them are in the file.
        """
        done = 0
        try:
            while done < len(data):
                done += os.write(self._number, data[done:])
        except OSError as problem:
            if self._rows:
                done = data[:done].rfind(b"\n") + 1
                os.ftruncate(self._number, self._size + done)
            self._size += done
            self.kept = done
            words = (problem.strerror or str(problem)).lower()
            hint = "make room, then record again: it goes on where it stopped"
            raise OutputProblem(f"cannot be written any more: {words}", hint=hint, file=str(self._path)) from None
        self._size += done

    def close(self) -> None:
        """Let go of it."""
        os.close(self._number)


class RowWriter:
    """Readings of one station as rows of readings.csv.

    reader : whose columns they are in
    seconds : how long the recording has run [s], for a run with a clock and a robot without one
    """

    def __init__(self, run: RecordedRun, reader: LineReader, seconds: Callable[[], float]) -> None:
        self._run, self._reader, self._seconds = run, reader, seconds
        self._file: GrowingFile | None = None
        self._names: tuple[str, ...] = ()
        self._factor = 1.0
        self._last_clock, self._shift = run.last_clock, math.nan
        self._last_angle, self._turning, self._sweep = math.nan, "", run.next_sweep
        self.restarts = 0

    def add(self, readings: Sequence[Reading]) -> None:
        """Add readings.

        Raises
        ------
        OutputProblem
            If they do not fit on the disk; the file ends with a whole row.
        InputFaults
            If the run's columns are others.
        """
        if not readings:
            return
        if self._file is None:
            self._begin()
        assert self._file is not None
        self._file.add("".join(map(self._row, readings)).encode())

    def close(self) -> None:
        """Let go of the file."""
        if self._file is not None:
            self._file.close()

    def _begin(self) -> None:
        run, reader = self._run, self._reader
        angle, distance = str(reader.angle_column), str(reader.distance_column)
        if run.empty:
            self._names = ("station", angle, distance, *(("time_s",) if reader.has_clock else ()))
            replace_whole(run.readings_path, (",".join(self._names) + "\r\n").encode())
        else:
            self._names = run.header
            own = next(name for name in run.header if name in DISTANCE_COLUMNS)
            if angle not in run.header or (own != distance and "echo_us" in (own, distance)):
                raise InputFaults([wrong_columns(run, angle, distance)])
            self._factor = 1.0 if own == distance else RANGE_COLUMNS_M[distance] / RANGE_COLUMNS_M[own]
        self._file = GrowingFile(run.readings_path, rows=True)
        if not run.empty and not run.readings_path.read_bytes().endswith(b"\n"):
            self._file.add(b"\r\n")

    def _row(self, reading: Reading) -> str:
        angle, distance, clock = reading
        if not math.isnan(self._last_angle) and angle != self._last_angle:
            way = "up" if angle > self._last_angle else "down"
            self._sweep += bool(self._turning) and way != self._turning
            self._turning = way
        self._last_angle = angle
        cells = []
        for name in self._names:
            if name == "station":
                cells.append(_cell(self._run.station.name))
            elif name == "time_s":
                cells.append(_number(self._clock(clock)))
            elif name == self._reader.angle_column:
                cells.append(_number(angle))
            elif name in DISTANCE_COLUMNS:
                cells.append(self._distance(distance))
            else:
                cells.append({"sweep": str(self._sweep), "turning": self._turning}.get(name, ""))
        return ",".join(cells) + "\r\n"

    def _distance(self, distance: float) -> str:
        if math.isinf(distance):
            return ""
        return _number(distance if self._factor == 1.0 else round(distance * self._factor, 9))

    def _clock(self, clock: float) -> float:
        """Return a clock that never goes back: a robot that begins anew is counted on [s]."""
        if math.isnan(clock):
            clock = round(self._seconds(), 3)
        if math.isnan(self._shift):
            goes_on = not math.isnan(self._last_clock) and clock <= self._last_clock
            self._shift = self._last_clock + SESSION_GAP_S - clock if goes_on else 0.0
        elif clock + self._shift < self._last_clock:
            self._shift = self._last_clock + SESSION_GAP_S - clock
            self.restarts += 1
        self._last_clock = clock if self._shift == 0.0 else round(clock + self._shift, 6)
        return self._last_clock


def _number(value: float) -> str:
    if math.isnan(value):
        return "nan"
    return str(int(value)) if value == int(value) and abs(value) < 1e15 else repr(value)


def _cell(text: str) -> str:
    return '"' + text.replace('"', '""') + '"' if any(char in text for char in '",\r\n') else text

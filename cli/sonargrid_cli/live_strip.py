"""The strip that is drawn while a robot sweeps: range upwards, head angle from the robot's left to its right.

The newest reading of each few degrees is shown; two range steps share one row of characters (half blocks), or one row
of plain marks where the screen cannot do better.  Text only; no numpy.
"""

from __future__ import annotations

import math
import os
import sys
import time
from collections.abc import Sequence
from typing import TextIO

COLUMNS, ROWS = 61, 10  # 3 degrees a column
EVERY_S = 0.12  # how often the screen is drawn anew
PLAIN_EVERY_S = 5.0  # how often a count is said where nothing can be drawn anew
SILENT, ECHO, AHEAD, QUIET, OFF = "\x1b[2m", "\x1b[1;36m", "\x1b[33m", "\x1b[2m", "\x1b[0m"


class Strip:
    """What was heard last in each direction.

    reach_m : the top of the strip
    """

    def __init__(self, reach_m: float) -> None:
        self.reach_m = reach_m
        self._heard: list[float | None] = [None] * COLUMNS
        self._now = -1

    def add(self, left_deg: float, range_m: float) -> None:
        """Take a reading: degrees left of straight ahead, metres (inf = nothing heard, nan = no measurement)."""
        at = round((90.0 - left_deg) / 180.0 * (COLUMNS - 1))
        if 0 <= at < COLUMNS:
            self._now = at
            self._heard[at] = math.inf if range_m >= self.reach_m else range_m

    def lines(self, blocks: bool = True, colour: bool = False) -> list[str]:
        """Return the strip as lines of at most 75 columns.

        >>> strip = Strip(1.0); strip.add(90.0, 0.05); strip.add(0.0, math.inf)
        >>> [line[:14] for line in strip.lines(blocks=False)[-3:-1]]
        ['0.00 m |#', '        left 9']
        """
        steps = 2 * ROWS if blocks else ROWS
        made = []
        for row in range(ROWS):
            cells = [self._cell(column, row, steps, colour) for column in range(COLUMNS)]
            edge = {0: self.reach_m, ROWS // 2: self.reach_m / 2, ROWS - 1: 0.0}.get(row)
            label = "" if edge is None else f"{edge:.2f} m"
            made.append(f"{label:>6} |{''.join(cells)}".rstrip())
        axis = [" "] * COLUMNS
        for place, words in ((0, "left 90"), (15, "45"), (28, "ahead"), (44, "45"), (53, "right 90")):
            axis[place : place + len(words)] = words
        head = [" "] * COLUMNS
        if self._now >= 0:
            head[self._now] = "^"
        made.append(f"        {''.join(axis)}".rstrip())
        made.append(f"        {''.join(head)}".rstrip())
        return made

    def _cell(self, column: int, row: int, steps: int, colour: bool) -> str:
        value = self._heard[column]
        if value is None or math.isnan(value):
            return " "
        if math.isinf(value):
            return _painted("." if steps == ROWS else "·", SILENT, colour) if row == 0 else " "
        step = min(steps - 1, int(value / self.reach_m * steps))
        per_row = steps // ROWS
        if ROWS - 1 - step // per_row != row:
            return " "
        mark = "#" if per_row == 1 else ("▄", "▀")[step % 2]
        return _painted(mark, ECHO, colour)


def _painted(text: str, code: str, colour: bool) -> str:
    return f"{code}{text}{OFF}" if colour else text


class LiveScreen:
    """The strip and a line of counts, drawn anew in place; on a screen that cannot, a count now and then.

    station : its name
    """

    def __init__(self, strip: Strip, station: str, quiet: bool = False, stream: TextIO | None = None) -> None:
        self._strip, self._station = strip, station
        self._stream = sys.stderr if stream is None else stream
        self._quiet = quiet
        live = self._stream.isatty() and os.environ.get("TERM", "") != "dumb" and _lines_of(self._stream) > ROWS + 5
        self._live = live and not quiet
        self._colour = self._live and not os.environ.get("NO_COLOR")
        self._blocks = "utf" in (getattr(self._stream, "encoding", "") or "").lower() and self._colour
        self._begun = self._last = time.monotonic()
        self._drawn = 0

    def show(self, counts: str, last: bool = False) -> None:
        """Draw, if it is time to."""
        now = time.monotonic()
        if self._quiet or (not last and now - self._last < (EVERY_S if self._live else PLAIN_EVERY_S)):
            return
        self._last = now
        line = f"station {self._station}: {counts}, {now - self._begun:.0f} s"
        lines = [line]
        if self._live or last:
            lines = [*self._strip.lines(self._blocks, self._colour), line]
        if self._live and self._drawn:
            self._stream.write(f"\r\x1b[{self._drawn}A")
        clear = "\x1b[K" if self._live else ""
        self._stream.write("".join(f"{text}{clear}\n" for text in lines))
        self._stream.flush()
        self._drawn = len(lines)

    def say(self, sentence: str) -> None:
        """Say something that stays on the screen, above the strip."""
        if self._quiet:
            return
        if self._live and self._drawn:
            self._stream.write(f"\r\x1b[{self._drawn}A\x1b[J")
        self._drawn = 0
        self._stream.write(f"note: {sentence}\n")
        self._stream.flush()


def _lines_of(stream: TextIO) -> int:
    try:
        return os.get_terminal_size(stream.fileno()).lines
    except (OSError, ValueError):
        return 24


def counted(parts: Sequence[tuple[int, str]]) -> str:
    """Return counts that are not nought, in words.

    >>> counted([(12, "heard"), (0, "silent"), (1, "not read")])
    '12 heard, 1 not read'
    """
    return ", ".join(f"{count} {words}" for count, words in parts if count) or "nothing yet"

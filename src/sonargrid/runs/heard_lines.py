"""Bytes as they come -> lines -> readings: columns by their header, by the run's own, or guessed from the first lines.

Angles and distances in the unit of their column; a distance of inf = nothing heard, nan = no measurement.  No files.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from sonargrid.runs.log_guess import DISTANCE_UNITS, USUAL_NOTHING, LogShape, Stated, guess_shape
from sonargrid.runs.log_lines import Line, Row, has_decimal_commas, row_of
from sonargrid.runs.readings import ANGLE_COLUMNS, DISTANCE_COLUMNS
from sonargrid.units import RAD_PER_DEG

NOTHING_STATED = Stated()
LONGEST_LINE = 1 << 16
GUESS_LINES = 24  # so many lines with two numbers are looked at before it is guessed what they are
NOISE_BYTES = 200  # of fewer bytes nothing is said about noise
NOISE_SHARE = 0.2
LIMITS = {"angle_deg": (0.0, 180.0), "pulse_us": (400.0, 2600.0), "bearing_deg": (-360.0, 360.0)}
_NAMES = frozenset((*ANGLE_COLUMNS, *DISTANCE_COLUMNS, "time_s", "station", "sweep", "turning"))
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_TEXT_BYTES = bytes(range(32, 127)) + b"\t\r\n"

Reading = tuple[float, float, float]  # angle, distance, clock [s]; nan = the robot sent no clock


class LineSplitter:
    """Whole lines out of parts of a stream.

    >>> split = LineSplitter()
    >>> split.feed(b"1,2\\r\\n3,"), split.feed(b"4\\n"), split.rest()
    ([b'1,2'], [b'3,4'], [])
    """

    def __init__(self) -> None:
        self._held = b""

    def feed(self, part: bytes) -> list[bytes]:
        """Return the lines that are whole now; a line without an end is cut at `LONGEST_LINE`."""
        *whole, self._held = (self._held + part.replace(b"\r", b"\n")).split(b"\n")
        whole = [line for line in whole if line]
        if len(self._held) <= LONGEST_LINE:
            return whole
        whole.append(self._held)
        self._held = b""
        return whole

    def rest(self) -> list[bytes]:
        """Return what has no end of line yet, as the last line."""
        held, self._held = self._held, b""
        return [held] if held.strip() else []


class LineReader:
    """Readings out of lines, one after the other.

    columns : angle, distance and (if any) clock column of the run, where the robot prints no header; None = not known
    joined_late : whether the first line may have lost its beginning
    no_echo_at : values of the distance column that the run knows as "nothing heard"

    Attributes
    ----------
    angle_column, distance_column : None until they are known
    has_clock : whether the robot sends a clock
    readings, silent, unread, headers, zeros : counts of what was met; zeros were taken for "nothing heard"
    said : sentences on what was assumed
    """

    def __init__(
        self,
        columns: Sequence[str] | None = None,
        stated: Stated = NOTHING_STATED,
        *,
        ahead_deg: float | None = None,
        joined_late: bool = False,
        no_echo_at: Sequence[float] = (),
    ) -> None:
        self.angle_column: str | None = None
        self.distance_column: str | None = None
        self.has_clock = False
        self.readings = self.silent = self.unread = self.headers = self.zeros = 0
        self.said: list[str] = []
        self._run_columns = None if columns is None else tuple(columns)
        self._stated, self._ahead_deg = stated, ahead_deg
        self._no_echo_at = frozenset(no_echo_at)
        self._cells: tuple[str, ...] = ()  # names of the cells of a line, where they are known
        self._shape: LogShape | None = None
        self._waiting: list[str] = []
        self._first: str | None = "" if joined_late else None
        self._bytes = self._odd = 0

    @property
    def noise(self) -> bool:
        """Whether what came is no text: the rates of the two ends differ, most likely."""
        return self._bytes >= NOISE_BYTES and self._odd > NOISE_SHARE * self._bytes

    def weigh(self, part: bytes) -> None:
        """Count how much of what comes is no text, lines or not."""
        self._bytes += len(part)
        self._odd += len(part.translate(None, _TEXT_BYTES))

    def read(self, lines: Sequence[bytes]) -> list[Reading]:
        """Return the readings of the next lines; none while it is not known yet what the columns are."""
        made: list[Reading] = []
        for raw in lines:
            text = raw.decode("utf-8", "replace").strip()
            if not text:
                continue
            if self._first is None and self._cells and (reading := self._by_cells(text)) is not None:
                made.append(reading)
            else:
                made += self._otherwise(text)
        return made

    def finish(self) -> list[Reading]:
        """Return the readings of the lines that were held back."""
        return self._let_go() + (self._guessed() if self._waiting else [])

    def _otherwise(self, text: str) -> list[Reading]:
        """Return what a line brings that is no plain line of known cells."""
        if self._is_header(text):
            self._first = None
            return []
        if self._first == "":
            self._first = text  # kept until the next line shows whether its beginning is missing
            return []
        before = self._let_go(text)
        return before + self._one(text)

    def _let_go(self, after: str = "") -> list[Reading]:
        """Return the reading of the line that was held back as the first, unless its beginning is missing."""
        held, self._first = self._first, None
        if not held:
            return []
        if _is_torn(held, after):
            self.unread += 1
            return []
        return self._one(held)

    def _one(self, text: str) -> list[Reading]:
        if not self._cells and self._shape is None and self._run_columns is not None and self._fits(text):
            self._set_cells(self._run_columns)
        if self._cells:
            reading = self._by_cells(text)
            self.unread += reading is None
            return [] if reading is None else [reading]
        if self._shape is not None:
            return self._by_shape(text)
        if len(row_of(0, text).values) < 2:
            self.unread += 1
            return []
        self._waiting.append(text)
        return self._guessed() if len(self._waiting) >= GUESS_LINES else []

    def _fits(self, text: str) -> bool:
        cells = [cell.strip() for cell in text.split(",")]
        return len(cells) == len(self._run_columns or ()) and all(
            not cell or _NUMBER.fullmatch(cell) is not None for cell in cells
        )

    def _is_header(self, text: str) -> bool:
        """Take a line of column names in; names that say something else than before are no header."""
        names = tuple(cell.strip().strip('"') for cell in text.lstrip("#").split(","))
        angle = [name for name in names if name in ANGLE_COLUMNS]
        distance = [name for name in names if name in DISTANCE_COLUMNS]
        if len(angle) != 1 or len(distance) != 1 or len(set(names)) < len(names):
            return False
        if self.angle_column is not None and (angle[0], distance[0]) != (self.angle_column, self.distance_column):
            return False
        self._set_cells(names)
        self.headers += 1
        return True

    def _set_cells(self, names: tuple[str, ...]) -> None:
        self._cells = names
        self.angle_column = next(name for name in names if name in ANGLE_COLUMNS)
        self.distance_column = next(name for name in names if name in DISTANCE_COLUMNS)
        self.has_clock = self.has_clock or "time_s" in names
        left_out = [name for name in names if name not in _NAMES]
        if left_out:
            self.said.append(f"column {', '.join(left_out)} is no column of a run and is left out")

    def _by_cells(self, text: str) -> Reading | None:
        cells = text.split(",")
        if len(cells) != len(self._cells):
            return None
        angle = distance = clock = math.nan
        for name, cell in zip(self._cells, cells, strict=True):
            cell = cell.strip()
            number = float(cell) if _NUMBER.fullmatch(cell) else None
            if name == self.angle_column:
                if number is None:
                    return None
                angle = number
            elif name == self.distance_column:
                word = cell.lower()
                if number is None and word not in ("", "nan", "inf", "+inf"):
                    return None
                distance = number if number is not None else math.nan if word == "nan" else math.inf
            elif name == "time_s":
                if number is None:
                    return None
                clock = number
        return self._checked(angle, distance, clock)

    def _checked(self, angle: float, distance: float, clock: float) -> Reading | None:
        low, high = LIMITS[self.angle_column or "angle_deg"]
        if not low <= angle <= high or math.isinf(clock):
            return None
        if distance <= 0.0 and distance not in self._no_echo_at:
            self.zeros += 1
            distance = math.inf
        self.readings += 1
        self.silent += math.isinf(distance) or distance in self._no_echo_at
        return angle, distance, clock

    def _guessed(self) -> list[Reading]:
        """Guess what the values of a line are, and return the readings of the lines that waited for it."""
        waiting, self._waiting = self._waiting, []
        comma = has_decimal_commas([Line((0,), text) for text in waiting])
        rows = [row_of(number, text, comma) for number, text in enumerate(waiting, 1)]
        try:
            self._shape, _ = guess_shape(rows, waiting, self._stated, self.said, comma)
        except ValueError:
            self.unread += len(waiting)
            return []
        shape = self._shape
        self.angle_column = "pulse_us" if shape.angle_unit == "pulse" else "angle_deg"
        self.distance_column = DISTANCE_UNITS[shape.distance_unit]
        self.has_clock = bool(shape.time_unit)
        if self._ahead_deg is None and shape.angle_unit != "pulse":
            lowest = min((row.values[shape.roles.index("angle")] for row in rows if shape.read(row)), default=0.0)
            self._ahead_deg = 0.0 if lowest < -0.5 or shape.sides else 90.0
            self.said.append(f"{self._ahead_deg:g} degrees look straight ahead")
        return [one for text in waiting for one in self._by_shape(text)]

    def _by_shape(self, text: str) -> list[Reading]:
        assert self._shape is not None
        row: Row = row_of(0, text, self._shape.decimal_comma)
        found = self._shape.read(row)
        if found is None or (self.has_clock and math.isnan(found[2])):
            self.unread += 1
            return []
        angle, distance, clock = found
        if self._shape.angle_unit == "rad":
            angle /= RAD_PER_DEG
        if self._shape.angle_unit != "pulse":
            angle = round(angle - (self._ahead_deg or 0.0) + 90.0, 6)
        if self._stated.no_echo_at is None and distance in USUAL_NOTHING and self._shape.distance_unit != "us":
            distance = math.inf
        reading = self._checked(angle, distance, clock)
        self.unread += reading is None
        return [] if reading is None else [reading]


def _is_torn(first: str, second: str) -> bool:
    """Return whether the first line lost its beginning: its angle is the end of the one that was to be expected.

    >>> _is_torn("5,1893", "106,1890"), _is_torn("105,1893", "106,1890")
    (True, False)
    """
    one, two = (re.match(r"\s*([+-]?\d+)", text) for text in (first, second))
    if one is None or two is None or one[1] == two[1]:
        return False
    nearby = [str(int(two[1]) + step) for step in range(-12, 13)]
    return any(near.endswith(one[1]) and near != one[1] for near in nearby) and one[1] not in nearby

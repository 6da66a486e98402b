"""What a text log says: which number is the head angle, which the distance, in what unit, and when nothing was heard.

Pure functions from lines to `LogGuess`: head angles and distances as the log gives them (inf = nothing heard, nan = no
measurement), every assumption as a sentence, and the lines that could not be read.  Making a run of it is
`log_import`'s business; the faults of a first log are `first_faults`'.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from sonargrid.runs.log_lines import UNIT_WORDS, Row, has_decimal_commas, records, row_of, tidy
from sonargrid.runs.log_roles import column_roles, role_of

ANGLE_UNITS = ("deg", "rad", "pulse")
DISTANCE_UNITS = {"m": "range_m", "cm": "range_cm", "mm": "range_mm", "in": "range_in", "us": "echo_us"}
METRES = {"m": 1.0, "cm": 0.01, "mm": 0.001, "in": 0.0254, "us": 343.0 / 2e6}  # for judging only
SECONDS = {"s": 1.0, "ms": 1e-3, "us": 1e-6}
LONGEST_ECHO_MS = 100.0  # there and back over 17 m, farther than these rangers hear; common practice, no source
USUAL_NOTHING = frozenset({999.0, 9999.0, 65535.0, 999.9})


@dataclass(frozen=True, slots=True)
class Stated:
    """What the user said about a log, None or empty = to be guessed."""

    columns: tuple[str, ...] = ()
    angle_unit: str | None = None
    distance_unit: str | None = None
    no_echo_at: tuple[float, ...] | None = None


@dataclass(frozen=True, slots=True)
class LogGuess:
    """One log as understood.

    angles, distances : one each reading, in these units; inf = nothing heard, nan = no measurement
    times : the clock of each reading [s]; empty where the log has none
    lines : the line each reading stands on, counted from 1
    angle_unit, distance_unit : `ANGLE_UNITS`, keys of `DISTANCE_UNITS`
    nothing_at : the log's own values that were taken as "nothing heard"
    assumptions : sentences, one for each thing that the log does not state
    unread : (line, text) of every line that gave no reading, header and blank lines aside
    """

    angles: tuple[float, ...]
    distances: tuple[float, ...]
    times: tuple[float, ...]
    lines: tuple[int, ...]
    texts: tuple[str, ...]
    angle_unit: str
    distance_unit: str
    nothing_at: tuple[float, ...]
    assumptions: tuple[str, ...]
    unread: tuple[tuple[int, str], ...]

    @property
    def metres(self) -> tuple[float, ...]:
        """Distances in metres, at the speed of sound of 20 degC, for judging only."""
        return tuple(d * METRES[self.distance_unit] for d in self.distances)


@dataclass(frozen=True, slots=True)
class LogShape:
    """How the lines of a log are to be read.

    roles : what each value is, of `ROLES`
    angle_unit, distance_unit, time_unit : `ANGLE_UNITS`, keys of `DISTANCE_UNITS`, keys of `SECONDS` or "" (no clock)
    nothing_at : distances that mean "nothing heard"
    sides : whether the word left or right stands before each angle, counted from straight ahead
    factor : from the log's own distances to distance_unit; 1000 where echo times are milliseconds
    """

    roles: tuple[str, ...]
    angle_unit: str
    distance_unit: str
    time_unit: str
    nothing_at: tuple[float, ...]
    decimal_comma: bool
    sides: bool = False
    factor: float = 1.0

    def read(self, row: Row) -> tuple[float, float, float] | None:
        """Return (angle, distance, clock [s]) of a row, None where it is no reading; inf = nothing heard, nan = none.

        >>> LogShape(("angle", "distance"), "deg", "cm", "", (999.0,), False).read(row_of(1, "45,999"))
        (45.0, inf, nan)
        """
        at, far = self.roles.index("angle"), self.roles.index("distance")
        values = row.values
        if len(values) > len(self.roles) or len(values) <= max(at, far) or not math.isfinite(values[at]):
            return None
        if len(values) < len(self.roles) and math.isfinite(values[far]):
            return None  # torn: only a line without a distance may be shorter than the others
        angle = -values[at] if self.sides and _side(row.names[at]) == "right" else values[at]
        distance = math.inf if values[far] in self.nothing_at else self.factor * values[far]
        if not self.time_unit:
            return angle, distance, math.nan
        if "time" not in self.roles:
            return angle, distance, row.clock_s
        when = self.roles.index("time")
        return angle, distance, values[when] * SECONDS[self.time_unit] if when < len(values) else math.nan


def _side(name: str) -> str:
    return next((side for side in ("left", "right") if side in name.split("_")), "")


def guess_shape(
    rows: Sequence[Row], texts: Sequence[str], stated: Stated, said: list[str], decimal_comma: bool
) -> tuple[LogShape, int]:
    """Return how a log's rows are to be read, and the line of its header (0: none); adds to `said` what is assumed.

    Raises
    ------
    ValueError
        If no two numbers stand on a line, or the columns stated do not fit.
    """
    counts = Counter(len(row.values) for row in rows if len(row.values) >= 2)
    if not counts:
        raise ValueError("no line holds both an angle and a distance" + _one_number_only(rows))
    # a line that says "timeout" may be shorter than the others: the width is that of the lines with numbers alone
    whole = {len(row.values) for row in rows if len(row.values) >= 2 and all(map(math.isfinite, row.values))}
    width = len(stated.columns) or max(whole or counts, key=lambda w: counts[w])
    rows = [row for row in rows if len(row.values) == width]
    if not rows:
        raise ValueError(f"no line holds {width} values, as --columns says")
    header = _header(texts, rows[0].line, width)
    names = tuple(_name(rows, header, i) for i in range(width))
    roles = _stated_roles(stated.columns) or column_roles(rows, names, said)
    at, far = roles.index("angle"), roles.index("distance")
    angle_unit = stated.angle_unit or _angle_unit(rows, at, names[at], said)
    nothing = _nothing_values([row.values[far] for row in rows], stated, said)
    distance_unit = stated.distance_unit or _distance_unit(rows, far, names[far], nothing, said)
    factor = 1.0
    if distance_unit == "ms":
        distance_unit, factor = "us", 1000.0
    time_unit = _time_unit(rows, roles, names, said)
    sides = {_side(row.names[at]) for row in rows} >= {"left", "right"}
    if sides:
        said.append("angles count from straight ahead, to the side that the log names")
    shape = LogShape(tuple(roles), angle_unit, distance_unit, time_unit, nothing, decimal_comma, sides, factor)
    return shape, header[0] if header else 0


def _stated_roles(columns: Sequence[str]) -> list[str]:
    if columns and (columns.count("angle") != 1 or columns.count("distance") != 1):
        raise ValueError("--columns needs 'angle' once and 'distance' once")
    return list(columns)


def _one_number_only(rows: Sequence[Row]) -> str:
    if sum(len(row.values) == 1 for row in rows) < 3:
        return ""
    return ": only one number stands on a line; the robot must print the head angle with each distance"


def guess_log(lines: Sequence[str], stated: Stated = Stated()) -> LogGuess:
    """Return what a log says.

    Raises
    ------
    ValueError
        If no two numbers stand on a line, or the columns stated do not fit.

    Examples
    --------
    >>> log = guess_log(["angle: 45 dist: 32 cm", "angle: 50 dist: 33 cm", "angle: 55 dist: timeout"])
    >>> log.angles, log.distances, log.distance_unit
    ((45.0, 50.0, 55.0), (32.0, 33.0, inf), 'cm')
    """
    found = records(lines)
    decimal_comma = has_decimal_commas(found)
    said = ["decimal commas: 32,5 is read as 32.5"] if decimal_comma else []
    parsed = [row_of(one.numbers[0], one.text, decimal_comma) for one in found]
    shape, header = guess_shape(parsed, lines, stated, said, decimal_comma)
    pairs = zip(found, parsed, strict=True)
    read = [(one, row, values) for one, row in pairs if (values := shape.read(row)) is not None]
    kept = {number for one, _, _ in read for number in one.numbers} | {header}
    return LogGuess(
        tuple(values[0] for _, _, values in read),
        tuple(values[1] for _, _, values in read),
        tuple(values[2] for _, _, values in read) if shape.time_unit else (),
        tuple(row.line for _, row, _ in read),
        tuple(row.text for _, row, _ in read),
        shape.angle_unit,
        shape.distance_unit,
        shape.nothing_at,
        tuple(said),
        tuple((n, text) for n, text in enumerate(lines, 1) if n not in kept and text.strip()),
    )


def _header(lines: Sequence[str], before: int, width: int) -> tuple[int, list[str]] | None:
    """Return (line, names) of the line of column names just above the first reading."""
    for number in range(before - 1, 0, -1):
        text = tidy(lines[number - 1])[0].lstrip("#").strip().strip("|")
        if not text:
            continue
        if not any(map(str.isalnum, text)):
            continue  # a ruler
        cells = [cell.strip().lower() for cell in re.split(r"[,;\t|]", text)]
        cells = cells if len(cells) == width else text.lower().split()
        known = sum(role_of(cell) is not None for cell in cells)
        return (number, cells) if len(cells) == width and known >= 2 else None
    return None


def _name(rows: Sequence[Row], header: tuple[int, list[str]] | None, i: int) -> str:
    """Return what a field is called: its header, else the word before it, with the unit behind it."""
    units = Counter(row.units[i] for row in rows if row.units[i])
    unit = units.most_common(1)[0][0] if units else ""
    word = header[1][i] if header else Counter(row.names[i] for row in rows).most_common(1)[0][0]
    return f"{word} {unit}".strip()


def _time_unit(rows: Sequence[Row], roles: Sequence[str], names: Sequence[str], said: list[str]) -> str:
    """Return the unit of the clock, "" where there is none."""
    if "time" not in roles:
        return "s" if all(math.isfinite(row.clock_s) for row in rows) else ""
    at = roles.index("time")
    unit = _unit_in(names[at], tuple(SECONDS))
    if unit:
        return unit
    steps = sorted(b - a for a, b in pairwise(row.values[at] for row in rows) if b > a)
    step = steps[len(steps) // 2] if steps else 1.0
    unit = "s" if step < 5.0 else "ms" if step < 5000.0 else "us"
    full = {"s": "seconds", "ms": "milliseconds", "us": "microseconds"}
    said.append(f"the clock counts {full[unit]}, as it steps by {step:g}")
    return unit


def _unit_in(name: str, known: Sequence[str]) -> str | None:
    words = re.split(r"[^a-zµμ°\"]+", name)
    return next((UNIT_WORDS[w] for w in reversed(words) if UNIT_WORDS.get(w) in known), None)


def _angle_unit(rows: Sequence[Row], at: int, name: str, said: list[str]) -> str:
    unit = _unit_in(name, ("deg", "rad"))
    if unit:
        return unit
    values = [row.values[at] for row in rows if math.isfinite(row.values[at])]
    if min(values) >= 400 and max(values) <= 2600:
        said.append("angles between 400 and 2600 are servo pulses in microseconds, 1500 straight ahead")
        return "pulse"
    if max(map(abs, values)) <= 3.2 and any(value != round(value) for value in values):
        said.append("angles are radians, as none is above 3.2")
        return "rad"
    said.append("angles are degrees")
    return "deg"


def _nothing_values(values: Sequence[float], stated: Stated, said: list[str]) -> tuple[float, ...]:
    """Return the values that stand for "nothing heard"."""
    if stated.no_echo_at is not None:
        return stated.no_echo_at
    counts = Counter(value for value in values if math.isfinite(value))
    found = {value for value in counts if value <= 0 or value in USUAL_NOTHING}
    rest = sorted(value for value in counts if value not in found)
    if len(rest) > 2 and rest[-1] > 1.8 * rest[-2] and _places(values, rest[-1]) >= 3:
        found.add(rest[-1])
    for value in sorted(found):
        said.append(f"{value:g} as a distance means that nothing was heard ({counts[value]} readings)")
    return tuple(sorted(found))


def _places(values: Sequence[float], one: float) -> int:
    """Return how many times in the sweep a value begins anew; a thing begins once, a time-out again and again."""
    return sum(value == one and (i == 0 or values[i - 1] != one) for i, value in enumerate(values))


def _distance_unit(rows: Sequence[Row], far: int, name: str, nothing: tuple[float, ...], said: list[str]) -> str:
    unit = _unit_in(name, (*DISTANCE_UNITS, "ms"))
    if unit:
        return unit
    values = [row.values[far] for row in rows if math.isfinite(row.values[far]) and row.values[far] not in nothing]
    if not values:
        said.append("no distance was heard at all; centimetres are assumed")
        return "cm"
    middle, top = median(values), max(values)
    if role_of(name) == "time":
        unit = "ms" if top < LONGEST_ECHO_MS else "us"
        said.append(f"echo times are {'milli' if unit == 'ms' else 'micro'}seconds, out and back, up to {top:g}")
        return unit
    unit = "m" if top <= 8.0 else "cm" if top <= 500.0 else "mm" if top <= 4500.0 and middle <= 1500.0 else "us"
    full = {"m": "metres", "cm": "centimetres", "mm": "millimetres", "us": "echo times in microseconds, out and back"}
    said.append(f"distances are {full[unit]}, as they lie between {min(values):g} and {top:g}")
    return unit

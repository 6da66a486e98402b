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

ROLES = ("angle", "distance", "time", "skip")
ANGLE_UNITS = ("deg", "rad", "pulse")
DISTANCE_UNITS = {"m": "range_m", "cm": "range_cm", "mm": "range_mm", "in": "range_in", "us": "echo_us"}
METRES = {"m": 1.0, "cm": 0.01, "mm": 0.001, "in": 0.0254, "us": 343.0 / 2e6}  # for judging only
SECONDS = {"s": 1.0, "ms": 1e-3, "us": 1e-6}
USUAL_NOTHING = frozenset({999.0, 9999.0, 65535.0, 999.9})

_ANGLE_NAMES = ("ang", "deg", "winkel", "servo", "pos", "bearing", "theta", "pan", "heading", "pulse", "pwm", "rad")
_DISTANCE_NAMES = ("dist", "range", "echo", "ping", "sonar", "entf", "cm", "mm", "inch", "abstand", "far", "us")
_TIME_NAMES = ("time", "millis", "clock", "ms", "sec", "stamp")


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

    angles, distances : one each reading, in the log's units; inf = nothing heard, nan = no measurement
    times : the clock of each reading [s]; empty where the log has none
    lines : the line each reading stands on, counted from 1
    angle_unit, distance_unit : `ANGLE_UNITS`, keys of `DISTANCE_UNITS`
    nothing_at : the values that were taken as "nothing heard"
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
    """

    roles: tuple[str, ...]
    angle_unit: str
    distance_unit: str
    time_unit: str
    nothing_at: tuple[float, ...]
    decimal_comma: bool
    sides: bool = False

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
        distance = math.inf if values[far] in self.nothing_at else values[far]
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
    roles = _roles(rows, names, stated, said)
    at, far = roles.index("angle"), roles.index("distance")
    angle_unit = stated.angle_unit or _angle_unit(rows, at, names[at], said)
    nothing = _nothing_values([row.values[far] for row in rows], stated, said)
    distance_unit = stated.distance_unit or _distance_unit(rows, far, names[far], nothing, said)
    time_unit = _time_unit(rows, roles, names, said)
    sides = {_side(row.names[at]) for row in rows} >= {"left", "right"}
    if sides:
        said.append("angles count from straight ahead, to the side that the log names")
    shape = LogShape(tuple(roles), angle_unit, distance_unit, time_unit, nothing, decimal_comma, sides)
    return shape, header[0] if header else 0


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
        known = sum(_role_of(cell) is not None for cell in cells)
        return (number, cells) if len(cells) == width and known >= 2 else None
    return None


def _name(rows: Sequence[Row], header: tuple[int, list[str]] | None, i: int) -> str:
    """Return what a field is called: its header, else the word before it, with the unit behind it."""
    units = Counter(row.units[i] for row in rows if row.units[i])
    unit = units.most_common(1)[0][0] if units else ""
    word = header[1][i] if header else Counter(row.names[i] for row in rows).most_common(1)[0][0]
    return f"{word} {unit}".strip()


def _role_of(name: str) -> str | None:
    words = re.findall(r"[a-zµμ°\"]+", name)
    for role, known in (("time", _TIME_NAMES), ("angle", _ANGLE_NAMES), ("distance", _DISTANCE_NAMES)):
        if any(word.startswith(known) for word in words[:1]):
            return role
    if words[:1] == ["a"]:
        return "angle"
    if words[:1] in (["d"], ["r"]):
        return "distance"
    if words[:1] == ["t"]:
        return "time"
    unit = next((UNIT_WORDS[word] for word in words if word in UNIT_WORDS), None)
    if unit in {"deg", "rad"}:
        return "angle"
    return {"ms": "time", "s": "time"}.get(unit, "distance") if unit else None


def _roles(rows: Sequence[Row], names: Sequence[str], stated: Stated, said: list[str]) -> list[str]:
    """Return what each field is, by its name where it has one, else by how it moves."""
    width = len(names)
    if stated.columns:
        if stated.columns.count("angle") != 1 or stated.columns.count("distance") != 1:
            raise ValueError("--columns needs 'angle' once and 'distance' once")
        return list(stated.columns)
    roles = ["skip"] * width
    columns = [[row.values[i] for row in rows] for i in range(width)]
    counters = _counters(columns, names)
    for i, name in enumerate(names):
        role = _role_of(name)
        if role is not None and role not in roles and i not in counters:
            roles[i] = role
    _not_by_name(roles, names, columns)
    said += [f"value {i + 1} of each line counts the lines and is left out" for i in counters]
    free = [i for i in range(width) if roles[i] == "skip" and i not in counters]
    if "time" not in roles and len(free) > 2 - ("angle" in roles) - ("distance" in roles):
        _clock_among(free, counters, roles, columns, said)
    if "angle" not in roles and free:
        best = max(free, key=lambda i: _evenness(columns[i]))
        roles[best] = "angle"
        free.remove(best)
        said.append(f"value {best + 1} of each line moves in even steps: it is the head angle")
    if "distance" not in roles and free:
        most = max(len(set(columns[i])) for i in free)
        best = next(i for i in free if 2 * len(set(columns[i])) >= most)
        roles[best] = "distance"
        said.append(f"value {best + 1} of each line is the distance")
    left_out = [str(i + 1) for i in range(width) if roles[i] == "skip" and i not in counters]
    if left_out:
        said.append(f"value {' and '.join(left_out)} of each line is left out")
    if "angle" not in roles or "distance" not in roles:
        raise ValueError("cannot tell which value is the angle and which the distance; say --columns angle,distance")
    return roles


def _clock_among(
    free: list[int], counters: Sequence[int], roles: list[str], columns: Sequence[Sequence[float]], said: list[str]
) -> None:
    """Take the first value without a name that always grows for the clock, if an angle and a distance remain."""
    rising = [i for i in free if len(columns[i]) > 3 and all(b > a for a, b in pairwise(columns[i]))]
    both_ways = [i for i in free if i not in rising]
    # a head that only turns up rises too: one value must be left that moves in even steps
    others = [i for i in range(len(columns)) if i not in rising[:1] and i not in counters]
    even = "angle" in roles or any(_evenness(columns[i]) > 0.5 for i in others)
    if rising and even and len(both_ways) + ("angle" in roles) + ("distance" in roles) >= 2:
        roles[rising[0]] = "time"
        free.remove(rising[0])
        said.append(f"value {rising[0] + 1} of each line always grows: it is the clock")


def _not_by_name(roles: list[str], names: Sequence[str], columns: Sequence[Sequence[float]]) -> None:
    """Take a name back that stands before the wrong number, as in ``dist(45)=32``."""
    if "angle" in roles or "distance" not in roles:
        return
    at = roles.index("distance")
    bare = not any(word in UNIT_WORDS for word in names[at].split())
    others = [i for i, role in enumerate(roles) if role == "skip"]
    if bare and _evenness(columns[at]) > 0.8 and any(_evenness(columns[i]) < 0.5 for i in others):
        roles[at] = "angle"


def _counters(columns: Sequence[Sequence[float]], names: Sequence[str]) -> list[int]:
    """Return the values that only number the lines: they grow by one, and another value is the angle by its name."""
    if len(columns) < 3 or len(columns[0]) < 4:
        return []
    ones = [i for i, values in enumerate(columns) if all(b - a == 1.0 for a, b in pairwise(values))]
    return [i for i in ones if any(_role_of(name) == "angle" for j, name in enumerate(names) if j != i)]


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


def _evenness(values: Sequence[float]) -> float:
    """Return the share of steps that are the usual one, and not nought."""
    steps = [round(abs(b - a), 6) for a, b in pairwise(values) if math.isfinite(a) and math.isfinite(b)]
    moved = [step for step in steps if step > 0]
    return Counter(moved).most_common(1)[0][1] / len(values) if moved else 0.0


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
    unit = _unit_in(name, tuple(DISTANCE_UNITS))
    if unit:
        return unit
    values = [row.values[far] for row in rows if math.isfinite(row.values[far]) and row.values[far] not in nothing]
    if not values:
        said.append("no distance was heard at all; centimetres are assumed")
        return "cm"
    middle, top = median(values), max(values)
    unit = "m" if top <= 8.0 else "cm" if top <= 500.0 else "mm" if top <= 4500.0 and middle <= 1500.0 else "us"
    full = {"m": "metres", "cm": "centimetres", "mm": "millimetres", "us": "echo times in microseconds, out and back"}
    said.append(f"distances are {full[unit]}, as they lie between {min(values):g} and {top:g}")
    return unit

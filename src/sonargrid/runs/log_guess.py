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

ROLES = ("angle", "distance", "time", "skip")
ANGLE_UNITS = ("deg", "rad", "pulse")
DISTANCE_UNITS = {"m": "range_m", "cm": "range_cm", "mm": "range_mm", "in": "range_in", "us": "echo_us"}
METRES = {"m": 1.0, "cm": 0.01, "mm": 0.001, "in": 0.0254, "us": 343.0 / 2e6}  # for judging only
USUAL_NOTHING = frozenset({999.0, 9999.0, 65535.0, 999.9})

_CLOCK = re.compile(r"^\s*\[?\d{1,2}:\d\d:\d\d(?:[.,]\d+)?\]?\s*(?:->|>|\||-)?\s*")
_NOTHING = r"time[ -]?out|no[ -]?echo|out of range|nothing|none|null|inf(?:inity)?|nan|oor|-{2,}"
_TOKEN = re.compile(
    rf"(?P<word>(?<![A-Za-z])(?:{_NOTHING})(?![A-Za-z]))"
    r"|(?P<number>(?:(?<![\w.])[-+])?(?<![\d.])(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)",
    re.IGNORECASE,
)
_UNIT_WORDS = {
    "deg": "deg", "degree": "deg", "degrees": "deg", "°": "deg", "rad": "rad", "cm": "cm", "mm": "mm", "m": "m",
    "in": "in", "inch": "in", "inches": "in", '"': "in", "us": "us", "µs": "us", "μs": "us", "ms": "ms", "s": "s",
    "metres": "m", "meters": "m", "usec": "us",
}  # fmt: skip
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

    angles, distances, times : one each reading, in the log's units; inf = nothing heard, nan = no measurement
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
class _Row:
    line: int
    text: str
    values: tuple[float, ...]
    names: tuple[str, ...]
    units: tuple[str, ...]


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
    decimal_comma = _has_decimal_commas(lines)
    parsed = [_row(number, text, decimal_comma) for number, text in enumerate(lines, 1)]
    counts = Counter(len(row.values) for row in parsed if len(row.values) >= 2)
    if not counts:
        raise ValueError("no line holds both an angle and a distance")
    width = len(stated.columns) or counts.most_common(1)[0][0]
    rows = [row for row in parsed if len(row.values) == width]
    if not rows:
        raise ValueError(f"no line holds {width} values, as --columns says")
    header = _header(lines, rows[0].line, width)
    said = ["decimal commas: 32,5 is read as 32.5"] if decimal_comma else []
    names = tuple(_name(rows, header, i) for i in range(width))
    roles = _roles(rows, names, stated, said)
    at, far = roles.index("angle"), roles.index("distance")
    when = roles.index("time") if "time" in roles else None
    angle_unit = stated.angle_unit or _angle_unit(rows, at, names[at], said)
    nothing = _nothing_values([row.values[far] for row in rows], stated, said)
    distance_unit = stated.distance_unit or _distance_unit(rows, far, names[far], nothing, said)
    bad = {row.line for row in rows if not math.isfinite(row.values[at])}
    read = [row for row in rows if row.line not in bad]
    kept = {row.line for row in read} | ({header[0]} if header else set())
    return LogGuess(
        tuple(row.values[at] for row in read),
        tuple(math.inf if row.values[far] in nothing else row.values[far] for row in read),
        () if when is None else tuple(row.values[when] for row in read),
        tuple(row.line for row in read),
        tuple(row.text for row in read),
        angle_unit,
        distance_unit,
        nothing,
        tuple(said),
        tuple((n, text) for n, text in enumerate(lines, 1) if n not in kept and text.strip()),
    )


def _has_decimal_commas(lines: Sequence[str]) -> bool:
    """Return whether commas are decimal: digits stand round them, and something else divides the values."""
    clean = [_CLOCK.sub("", line) for line in lines]
    if any(re.search(r"\d\.\d", line) for line in clean):
        return False
    with_comma = [line for line in clean if re.search(r"\d,\d", line)]
    divided = [
        line
        for line in with_comma
        if ";" in line or "\t" in line.strip() or sum(any(map(str.isdigit, part)) for part in line.split()) >= 2
    ]
    return bool(divided) and 2 * len(divided) > len(with_comma)


def _row(number: int, text: str, decimal_comma: bool) -> _Row:
    """Return the values of a line, each with the word before it and the unit behind it."""
    line = _CLOCK.sub("", text.strip())
    if decimal_comma:
        line = re.sub(r"(?<=\d),(?=\d)", ".", line)
    sign = next((mark for mark in ";\t," if mark in line), None)
    if sign is not None and any(char.isdigit() for char in line):
        line = sign.join(cell if cell.strip() else " timeout " for cell in line.split(sign))
    found = list(_TOKEN.finditer(line))
    values, names, units = [], [], []
    for i, token in enumerate(found):
        before = line[found[i - 1].end() if i else 0 : token.start()]
        after = line[token.end() : found[i + 1].start() if i + 1 < len(found) else len(line)]
        word = re.match(r"\s*([A-Za-zµμ°\"]+)", after)
        units.append(_UNIT_WORDS.get(word[1].lower(), "") if word else "")
        labels = re.findall(r"[A-Za-z_]+", before)
        if i and labels and units[i - 1] and _UNIT_WORDS.get(labels[0].lower()) == units[i - 1]:
            labels = labels[1:]
        names.append("_".join(labels).lower())
        values.append(_value(token))
    return _Row(number, text, tuple(values), tuple(names), tuple(units))


def _value(token: re.Match[str]) -> float:
    if token["number"] is not None:
        return float(token["number"])
    return math.nan if token["word"].lower() == "nan" else math.inf


def _header(lines: Sequence[str], before: int, width: int) -> tuple[int, list[str]] | None:
    """Return (line, names) of the line of column names just above the first reading."""
    for number in range(before - 1, 0, -1):
        text = lines[number - 1].strip().lstrip("#").strip()
        if not text:
            continue
        cells = [cell.strip().lower() for cell in re.split(r"[,;\t]", text)]
        cells = cells if len(cells) == width else text.lower().split()
        known = sum(_role_of(cell) is not None for cell in cells)
        return (number, cells) if len(cells) == width and known >= 2 else None
    return None


def _name(rows: Sequence[_Row], header: tuple[int, list[str]] | None, i: int) -> str:
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
    unit = next((_UNIT_WORDS[word] for word in words if word in _UNIT_WORDS), None)
    if unit in {"deg", "rad"}:
        return "angle"
    return {"ms": "time", "s": "time"}.get(unit, "distance") if unit else None


def _roles(rows: Sequence[_Row], names: Sequence[str], stated: Stated, said: list[str]) -> list[str]:
    """Return what each field is, by its name where it has one, else by how it moves."""
    width = len(names)
    if stated.columns:
        if stated.columns.count("angle") != 1 or stated.columns.count("distance") != 1:
            raise ValueError("--columns needs 'angle' once and 'distance' once")
        return list(stated.columns)
    roles = ["skip"] * width
    for i, name in enumerate(names):
        role = _role_of(name)
        if role is not None and role not in roles:
            roles[i] = role
    free = [i for i in range(width) if roles[i] == "skip"]
    columns = {i: [row.values[i] for row in rows] for i in free}
    if "time" not in roles and len(free) > 2 - ("angle" in roles) - ("distance" in roles):
        rising = [i for i in free if len(rows) > 3 and all(b > a for a, b in pairwise(columns[i]))]
        both_ways = [i for i in free if i not in rising]
        if rising and len(both_ways) + ("angle" in roles) + ("distance" in roles) >= 2:
            roles[rising[0]] = "time"
            free.remove(rising[0])
            said.append(f"value {rising[0] + 1} of each line always grows: it is taken for a clock and left out")
    if "angle" not in roles and free:
        best = max(free, key=lambda i: _evenness(columns[i]))
        roles[best] = "angle"
        free.remove(best)
        said.append(f"value {best + 1} of each line moves in even steps: it is the head angle")
    if "distance" not in roles and free:
        best = max(free, key=lambda i: len(set(columns[i])))
        roles[best] = "distance"
        said.append(f"value {best + 1} of each line is the distance")
    if "angle" not in roles or "distance" not in roles:
        raise ValueError("cannot tell which value is the angle and which the distance; say --columns angle,distance")
    return roles


def _evenness(values: Sequence[float]) -> float:
    """Return the share of steps that are the usual one, and not nought."""
    steps = [round(abs(b - a), 6) for a, b in pairwise(values) if math.isfinite(a) and math.isfinite(b)]
    moved = [step for step in steps if step > 0]
    return Counter(moved).most_common(1)[0][1] / len(values) if moved else 0.0


def _unit_in(name: str, known: Sequence[str]) -> str | None:
    words = re.split(r"[^a-zµμ°\"]+", name)
    return next((_UNIT_WORDS[w] for w in reversed(words) if _UNIT_WORDS.get(w) in known), None)


def _angle_unit(rows: Sequence[_Row], at: int, name: str, said: list[str]) -> str:
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


def _distance_unit(rows: Sequence[_Row], far: int, name: str, nothing: tuple[float, ...], said: list[str]) -> str:
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

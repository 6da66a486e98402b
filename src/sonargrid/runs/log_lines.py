"""Lines of a text log -> rows of numbers: each with the word before it, the unit behind it, and the line's own clock.

Pure functions over texts.  What the numbers mean is `log_guess`'s business.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

UNIT_WORDS = {
    "deg": "deg", "degree": "deg", "degrees": "deg", "°": "deg", "rad": "rad", "cm": "cm", "mm": "mm", "m": "m",
    "in": "in", "inch": "in", "inches": "in", '"': "in", "us": "us", "µs": "us", "μs": "us", "ms": "ms", "s": "s",
    "metres": "m", "meters": "m", "usec": "us", "micros": "us", "microseconds": "us", "millis": "ms", "sec": "s",
    "radians": "rad", "seconds": "s",
}  # fmt: skip

NUL_SHARE = 0.1  # a controller that starts sends a NUL or two; more is no text

_COLOUR = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f]")
_CLOCK = re.compile(
    r"^\s*\[?(?:\d{4}-\d\d-\d\d[T ])?(?P<h>\d{1,2}):(?P<m>\d\d):(?P<s>\d\d(?:[.,]\d+)?)"
    r"(?:Z|[+-]\d\d:?\d\d)?\]?\s*(?:->|>|\||-(?!\d))?\s*"
)
_NOTHING = r"time[ -]?out|no[ -]?echo|out of range|nothing|none|null|inf(?:inity)?|nan|oor|-{2,}|\*{2,}"
_TOKEN = re.compile(
    rf"(?P<word>(?<![A-Za-z])(?:{_NOTHING})(?:(?=(?:cm|mm|us|in|m)\b)|(?![A-Za-z]))|>\s*\d+(?:\.\d+)?)"
    r"|(?P<number>(?:(?<![\w.])[-+])?(?<![\d.])(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)",
    re.IGNORECASE,
)
_ARROW = re.compile(r"(?<=[\w\s\"'])(?:->|=>|>)(?=\s)")  # between two values, no "more than"
_RULER = re.compile(r"[-=*_#~+|\s]*")  # a line that only divides
_CHECKSUM = re.compile(r"(?<=\w)\*[0-9A-Fa-f]{2}$")
_DOTTED = re.compile(r"\d+,\d+\.")


@dataclass(frozen=True, slots=True)
class Line:
    """One record of a log: its text, and the lines it stands on, counted from 1."""

    numbers: tuple[int, ...]
    text: str


@dataclass(frozen=True, slots=True)
class Row:
    """One record as numbers; inf stands for a word such as "timeout", nan for "nan".

    names, units : the word before each value, and the unit behind it
    clock_s : the time of day in front of the line [s]; nan where there is none
    """

    line: int
    text: str
    values: tuple[float, ...]
    names: tuple[str, ...]
    units: tuple[str, ...]
    clock_s: float


def text_of(content: bytes) -> str:
    """Return the text of a log's bytes; bytes that are no text stay visible as a mark.

    Raises
    ------
    ValueError
        If the bytes are no text at all.

    Examples
    --------
    >>> text_of("45,32".encode("utf-16")), text_of(b"45,32\\xff")
    ('45,32', '45,32\ufffd')
    """
    if content[:2] in (b"\xff\xfe", b"\xfe\xff"):  # what some shells write when they redirect
        return content.decode("utf-16", errors="replace")
    if content.count(0) > NUL_SHARE * len(content):
        raise ValueError("is no text: it is full of NUL bytes; save the log as UTF-8 text")
    return content.decode("utf-8-sig", errors="replace")


def records(texts: Sequence[str]) -> list[Line]:
    """Return the records of a log: mostly its lines, but pairs run together and pairs on two lines are told apart.

    >>> [one.text for one in records(["15,32.16,33.17,31."])]
    ['15,32', '16,33', '17,31']
    >>> [one.text for one in records(["Angle: 5", "Distance: 30", "Angle: 10", "Distance: 31"])]
    ['Angle: 5 Distance: 30', 'Angle: 10 Distance: 31']
    """
    lines: list[Line] = []
    for number, text in enumerate(texts, 1):
        pairs = _DOTTED.findall(text)
        if len(pairs) >= 3 and "".join(pairs) == text.strip():
            lines += [Line((number,), pair[:-1]) for pair in pairs]
        else:
            lines.append(Line((number,), text))
    return _on_two_lines(lines) or lines


def _on_two_lines(lines: Sequence[Line]) -> list[Line]:
    """Return the records of a log whose values stand on lines of two kinds, in turn; empty where they do not."""
    if any(_kind(line.text)[1] >= 2 for line in lines):
        return []
    kinds = Counter(_kind(line.text)[0] for line in lines if _kind(line.text)[1] == 1)
    if len(kinds) < 2:
        return []
    (first, count), (second, others) = kinds.most_common(2)
    if others < max(2, 0.8 * count):
        return []
    of_kind = [(_kind(line.text)[0], line) for line in lines]
    first = next(kind for kind, _ in of_kind if kind in (first, second))
    made: list[Line] = []
    held: Line | None = None
    for kind, line in of_kind:
        if kind == first:
            made += [held] if held else []
            held = line
        elif held is not None and kind in kinds and kind != first:
            made.append(Line(held.numbers + line.numbers, f"{held.text.strip()} {line.text.strip()}"))
            held = None
        else:
            made.append(line)
    return made + ([held] if held else [])


def _kind(text: str) -> tuple[str, int]:
    """Return the first word of a line, and how many values stand on it."""
    line = tidy(text)[0]
    word = re.match(r"\W*([A-Za-z]+)", line)
    return (word[1].lower() if word else ""), len(list(_TOKEN.finditer(_ARROW.sub(" ", line))))


def tidy(text: str) -> tuple[str, float]:
    """Return a line without colours, quotes, checksum and clock, and the clock [s] (nan: none).

    >>> tidy('10:02:03.500 -> "45","32"')
    ('45,32', 36123.5)
    """
    line = _CONTROL.sub("", _COLOUR.sub("", text)).strip()
    line = "" if _RULER.fullmatch(line) else _CHECKSUM.sub("", line)
    clock = _CLOCK.match(line)
    seconds = math.nan
    if clock:
        seconds = 3600.0 * int(clock["h"]) + 60.0 * int(clock["m"]) + float(clock["s"].replace(",", "."))
        line = line[clock.end() :]
    return re.sub(r'"([^"]*)"', r"\1", line), seconds


def has_decimal_commas(lines: Sequence[Line]) -> bool:
    """Return whether commas are decimal: digits stand round them, and something else divides the values."""
    clean = [tidy(line.text)[0] for line in lines]
    if any(re.search(r"\d\.\d", line) for line in clean):
        return False
    with_comma = [line for line in clean if re.search(r"\d,\d", line)]
    divided = [
        line
        for line in with_comma
        if ";" in line or "\t" in line.strip() or sum(any(map(str.isdigit, part)) for part in line.split()) >= 2
    ]
    return bool(divided) and 2 * len(divided) > len(with_comma)


def row_of(number: int, text: str, decimal_comma: bool = False) -> Row:
    """Return the values of a line, each with the word before it and the unit behind it.

    >>> row_of(1, "angle: 45 dist: 32 cm").values, row_of(2, "45;").values
    ((45.0, 32.0), (45.0, inf))
    """
    line, clock_s = tidy(text)
    if decimal_comma:
        line = re.sub(r"(?<=\d),(?=\d)", ".", line)
    line = _ARROW.sub(lambda arrow: " " * len(arrow[0]), line)
    sign = next((mark for mark in ";\t," if mark in line), None)
    if sign is not None and any(char.isdigit() for char in line):
        line = sign.join(cell if cell.strip() else " timeout " for cell in line.split(sign))
    found = list(_TOKEN.finditer(line))
    values, names, units = [], [], []
    for i, token in enumerate(found):
        before = line[found[i - 1].end() if i else 0 : token.start()]
        after = line[token.end() : found[i + 1].start() if i + 1 < len(found) else len(line)]
        word = re.match(r"\s*([A-Za-zµμ°\"]+)", after)
        units.append(UNIT_WORDS.get(word[1].lower(), "") if word else "")
        labels = re.findall(r"[A-Za-z_]+", before)
        if i and labels and units[i - 1] and UNIT_WORDS.get(labels[0].lower()) == units[i - 1]:
            labels = labels[1:]
        names.append("_".join(labels).lower())
        values.append(_value(token))
    return Row(number, text, tuple(values), tuple(names), tuple(units), clock_s)


def _value(token: re.Match[str]) -> float:
    if token["number"] is not None:
        return float(token["number"])
    return math.nan if token["word"].lower() == "nan" else math.inf

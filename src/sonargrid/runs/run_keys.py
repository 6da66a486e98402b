"""The keys of run.toml as one table: unit, limits and the field of the record that each one fills.

The table drives reading, defaults, ``--set``, environment variables, ``--show-config`` and saving.  Values are in the
file's units up to `convert`, in the records' (metres, radians, seconds) after it.  Whole documents are `run_toml`'s
business.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from itertools import pairwise
from typing import Any

from sonargrid.runs.moments import recorded_moment
from sonargrid.runs.readings import Air, Head, Mark, Ranger, Robot, Station, Target
from sonargrid.units import RAD_PER_DEG

RUN_FORMAT = "sonargrid-run/1"
NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_ODD_SPELLING = re.compile(r"[0-9]_[0-9]|(?<![0-9A-Za-z_.])[+-]?0[xob][0-9A-Fa-f]")
_QUOTED = re.compile(r"\"(?:[^\"\\]|\\.)*\"|'[^']*'")
FAR_M = 1e6  # no floor is larger; keeps sums finite


class BadValue(Exception):
    """A value that a key does not take: what is wrong with it, and what would mend it."""

    def __init__(self, message: str, hint: str = "") -> None:
        self.message, self.hint = message, hint
        super().__init__(message)


@dataclass(frozen=True, slots=True)
class Key:
    """One key of run.toml.

    kind : ``number``, ``numbers`` (a list), ``pairs`` (range and angle rows), ``text``, ``name``, ``choice``, ``time``
    unit : a number times this is the record's value
    low, high : limits in the file's unit; `open_low` leaves the lower one out
    sigma : whether a common-practice figure stands in where it is left out
    """

    section: str
    name: str
    field: str
    kind: str = "number"
    unit: float = 1.0
    low: float = -FAR_M
    high: float = FAR_M
    open_low: bool = False
    nonzero: bool = False
    sigma: bool = False
    required: bool = False
    choices: tuple[tuple[str, Any], ...] = ()
    hint: str = ""

    @property
    def full(self) -> str:
        """The key with its section, such as ``ranger.reach_m``."""
        return f"{self.section}.{self.name}" if self.section else self.name


def _sigma(section: str, name: str, field: str, unit: float = 1.0, high: float = 100.0) -> Key:
    return Key(section, name, field, unit=unit, low=0.0, high=high, sigma=True)


def _above(section: str, name: str, high: float, hint: str = "", field: str = "", unit: float = 1.0) -> Key:
    return Key(section, name, field or name, low=0.0, high=high, open_low=True, hint=hint, unit=unit)


def _within(section: str, name: str, low: float, high: float, **more: Any) -> Key:
    return Key(section, name, more.pop("field", name), low=low, high=high, **more)


_DEG: Mapping[str, Any] = {"unit": RAD_PER_DEG}
_ROUND_TRIP = "the divisor for the round trip, about 58; a divisor per inch is 2.54 times that"
KEYS: tuple[Key, ...] = (
    Key("", "format", "format", "text", required=True),
    Key("", "title", "title", "text"),
    Key("", "recorded_at", "recorded_at", "time"),
    Key("", "notes", "notes", "text"),
    _within("air", "temperature_c", -40.0, 60.0),
    _sigma("air", "temperature_sigma_c", "temperature_sigma_c"),
    _within("air", "relative_humidity_pct", 0.0, 100.0),
    _within("air", "pressure_kpa", 30.0, 120.0),
    Key("ranger", "label", "label", "text"),
    _within("ranger", "frequency_hz", 1e3, 1e6),
    _above("ranger", "half_beam_deg", 90.0, field="half_beam_rad", **_DEG),
    Key("ranger", "half_beam_table", "half_beam_table", "pairs", unit=RAD_PER_DEG),
    _above("ranger", "half_beam_soft_deg", 30.0, field="half_beam_soft_rad", **_DEG),
    _above("ranger", "transducer_radius_m", 0.2),
    _within("ranger", "blind_zone_m", 0.0, 100.0),
    _above("ranger", "reach_m", 100.0, "a length in metres, such as 3.0"),
    _sigma("ranger", "range_sigma_m", "range_sigma_m"),
    _above("ranger", "range_scale", 10.0),
    _within("ranger", "range_bias_m", -10.0, 10.0),
    Key("ranger", "no_echo_at", "no_echo_at", "numbers"),
    _within("ranger", "us_per_cm", 40.0, 100.0, field="assumed_sound_speed_m_s", hint=_ROUND_TRIP),
    _within("ranger", "assumed_sound_speed_m_s", 250.0, 500.0),
    _within("ranger", "height_m", 0.0, 10.0),
    _within("ranger", "tilt_deg", -90.0, 90.0, field="tilt_rad", **_DEG),
    Key("head", "turns", "turns", "choice", choices=(("ccw", 1), ("cw", -1))),
    _within("head", "ahead_deg", -360.0, 360.0, field="ahead_rad", **_DEG),
    _above("head", "angle_scale", 10.0, 'which way angles grow is told by turns = "cw" or "ccw"'),
    _within("head", "angle_offset_deg", -360.0, 360.0, field="angle_offset_rad", **_DEG),
    _within("head", "backlash_deg", 0.0, 90.0, field="backlash_rad", **_DEG),
    _sigma("head", "angle_sigma_deg", "angle_sigma_rad", RAD_PER_DEG, 180.0),
    _within("head", "pulse_centre_us", 400.0, 2600.0),
    _within("head", "pulse_us_per_deg", -1000.0, 1000.0, nonzero=True, hint="11.1111 is 2000 us for 180 degrees"),
    _within("head", "arm_m", -1.0, 1.0),
    _within("head", "side_m", -1.0, 1.0),
    _within("robot", "radius_m", 0.0, 10.0),
    _within("robot", "head_ahead_m", -10.0, 10.0),
    _within("robot", "head_left_m", -10.0, 10.0),
    Key("calibration", "file", "file", "text"),
    Key("mark", "name", "name", "name", required=True),
    Key("mark", "x_m", "x_m", required=True),
    Key("mark", "y_m", "y_m", required=True),
    Key("station", "name", "name", "name", required=True),
    Key("station", "x_m", "x_m", required=True),
    Key("station", "y_m", "y_m", required=True),
    Key("station", "heading_deg", "heading_rad", unit=RAD_PER_DEG, required=True),
    _sigma("station", "position_sigma_m", "position_sigma_m"),
    _sigma("station", "heading_sigma_deg", "heading_sigma_rad", RAD_PER_DEG, 360.0),
    Key("target", "x_m", "x_m", required=True),
    Key("target", "y_m", "y_m", required=True),
    Key("target", "x1_m", "x_m", required=True),
    Key("target", "y1_m", "y_m", required=True),
    Key("target", "x2_m", "x2_m", required=True),
    Key("target", "y2_m", "y2_m", required=True),
    _within("target", "diameter_m", 0.0, 100.0, open_low=True, required=True),
    _sigma("target", "position_sigma_m", "position_sigma_m"),
)
BY_NAME: Mapping[str, Key] = {key.full: key for key in KEYS}
SECTIONS = ("air", "ranger", "head", "robot", "calibration")  # single tables
LISTS = ("mark", "station", "target")  # tables in a list
RECORDS: Mapping[str, Any] = {
    "air": Air,
    "ranger": Ranger,
    "head": Head,
    "robot": Robot,
    "mark": Mark,
    "station": Station,
    "target": Target,
}
TARGET_KEYS: Mapping[str, tuple[str, ...]] = {
    "post": ("x_m", "y_m", "diameter_m"),
    "corner": ("x_m", "y_m"),
    "wall": ("x1_m", "y1_m", "x2_m", "y2_m"),
}
SURVEY_KEYS = ("from", "side", "facing")  # of a station placed by two tape distances


def default_of(key: Key) -> Any:
    """Return what holds where a key is left out, in the record's unit; None where there is nothing."""
    if key.section in ("air", "ranger", "head", "robot"):
        return None if key.name == "us_per_cm" else getattr(RECORDS[key.section](), key.field)
    return "" if key.kind in ("text", "time") and not key.required else None


def shown(value: Any) -> str:
    """Return a value as a message shows what it got: short, on one line.

    >>> shown("a" * 50), shown(True)
    ("'aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa...'", 'true')
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        short = value if len(value) <= 40 else value[:37] + "..."
        return repr(short)
    text = str(value)
    return text if len(text) <= 40 else text[:37] + "..."


def nearest(name: str, known: tuple[str, ...]) -> str | None:
    """Return the known name that looks most like `name`; None if none does.

    >>> nearest("reach", ("reach_m", "label")), nearest("zebra", ("label",))
    ('reach_m', None)
    """
    close = get_close_matches(name.lower(), known, n=1, cutoff=0.55)
    return close[0] if close else None


def _number(value: Any, raw: str | None) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        kind = "text" if isinstance(value, str) else "value"
        hint = "write it without quotes" if isinstance(value, str) and NUMBER.fullmatch(value.strip()) else ""
        raise BadValue(f"must be a number, got the {kind} {shown(value)}", hint)
    if raw is not None and _ODD_SPELLING.search(_QUOTED.sub("", raw)):
        raise BadValue(f"numbers are plain decimals, got {shown(raw)[1:-1]}", f"write {value}")
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise BadValue(f"must be a finite number, got {shown(value if raw is None else raw).strip(chr(39))}")
    return number


def _limited(key: Key, number: float) -> float:
    low = number <= key.low if key.open_low else number < key.low
    if low or number > key.high:
        got = f"{number:.8g}"
        if key.low <= -FAR_M:
            raise BadValue(f"must lie between {key.low:g} and {key.high:g}, got {got}", key.hint)
        above = f"above {key.low:g}" if key.open_low else f"at least {key.low:g}"
        raise BadValue(f"must be {above} and at most {key.high:g}, got {got}", key.hint)
    if key.nonzero and number == 0.0:
        raise BadValue("must not be zero", key.hint)
    return number


def to_record_unit(key: Key, number: float) -> float:
    """Return a number in the file's unit in the record's."""
    return 20000.0 / number if key.name == "us_per_cm" else number * key.unit  # 2 cm of way in us_per_cm microseconds


def to_file_unit(key: Key, value: float) -> float:
    """Return a record's number in the file's unit: the shortest one that reads back as the very same value.

    >>> to_file_unit(BY_NAME["head.ahead_deg"], math.pi / 2)
    90.0
    """
    if key.unit == 1.0:
        return 20000.0 / value if key.name == "us_per_cm" else value
    plain = value / key.unit
    tries = [round(plain, digits) for digits in (3, 9, 12)] + [plain, math.nextafter(plain, math.inf)]
    tries.append(math.nextafter(plain, -math.inf))
    return next((number for number in tries if number * key.unit == value), plain)


def in_file_unit(key: Key, value: Any) -> Any:
    """Return a record's value as run.toml has it."""
    if value is None:
        return None
    if key.kind == "number":
        return to_file_unit(key, float(value))
    if key.kind == "numbers":
        return [float(item) for item in value]
    if key.kind == "pairs":
        return [[at, to_file_unit(key, half)] for at, half in value]
    if key.kind == "choice":
        return next(word for word, meaning in key.choices if meaning == value)
    return value


def convert(key: Key, value: Any, raw: str | None = None) -> Any:
    """Return a parsed value of a key in the record's unit.

    Raises
    ------
    BadValue
        If the key does not take it.
    """
    if key.kind == "number":
        return to_record_unit(key, _limited(key, _number(value, raw)))
    if key.kind == "numbers":
        if not isinstance(value, list):
            raise BadValue(f"must be a list of numbers, got {shown(value)}", f"write {key.name} = [0, 999]")
        return tuple(_number(item, raw) for item in value)
    if key.kind == "pairs":
        return _pairs(key, value, raw)
    if key.kind == "time":
        return _moment(value)
    if not isinstance(value, str):
        raise BadValue(f"must be a text, got {shown(value)}", f'write {key.name} = "{value}"')
    if key.kind == "name":
        return checked_name(value)
    if key.kind == "choice":
        if value not in dict(key.choices):
            raise BadValue(f"must be {' or '.join(repr(word) for word, _ in key.choices)}, got {shown(value)}")
        return dict(key.choices)[value]
    return value


def _pairs(key: Key, value: Any, raw: str | None) -> tuple[tuple[float, float], ...]:
    example = "write half_beam_table = [[0.4, 28.0], [0.7, 24.0], [1.0, 21.0]]"
    rows = value if isinstance(value, list) else []
    if not rows or not all(isinstance(row, list) and len(row) == 2 for row in rows):
        raise BadValue(f"must be a list of [range_m, half_deg] rows, got {shown(value)}", example)
    table = [(_number(at, raw), _number(half, raw)) for at, half in rows]
    for at, half in table:
        if not (0.0 < at <= 100.0 and 0.0 < half <= 90.0):
            words = "ranges must be above 0 and at most 100 m, half angles above 0 and at most 90 degrees"
            raise BadValue(f"{words}, got [{at:g}, {half:g}]", example)
    for (one, _), (two, _) in pairwise(table):
        if two <= one:
            raise BadValue(f"ranges must rise from row to row, got {two:g} after {one:g}", example)
    return tuple((at, half * key.unit) for at, half in table)


def checked_name(name: str) -> str:
    """Return a station's or mark's name.

    Raises
    ------
    BadValue
        If it is empty, longer than 64 characters, or holds control characters or outer blanks.
    """
    if not 1 <= len(name) <= 64:
        raise BadValue(f"must have 1 to 64 characters, got {len(name)}", "a short name, such as A")
    if any(not char.isprintable() for char in name):
        raise BadValue(f"must not hold control characters, got {shown(name)}", "a short name, such as A")
    if name != name.strip():
        raise BadValue(f"must not begin or end with a blank, got {shown(name)}", f'write "{name.strip()}"')
    return name


def _moment(value: Any) -> str:
    try:
        return recorded_moment(value)
    except ValueError as problem:
        hint = "write recorded_at = 2026-05-04T10:30:00Z (date, time, and Z or an offset such as +02:00)"
        raise BadValue(str(problem), hint) from None


def parse_text(key: Key, text: str) -> Any:
    """Return a typed text (``--set``, an environment variable) as the value that TOML would have given.

    Raises
    ------
    BadValue
        If a number or a list is spelled wrongly.
    """
    text = text.strip()
    if key.kind == "number":
        if not NUMBER.fullmatch(text):
            raise BadValue(f"must be a number, got {shown(text)}", key.hint)
        return float(text)
    if key.kind in ("numbers", "pairs"):
        try:
            return tomllib.loads(f"v = {text if text.startswith('[') else f'[{text}]'}")["v"]
        except tomllib.TOMLDecodeError:
            raise BadValue(f"must be a list, got {shown(text)}", "write it as in run.toml, such as [0, 999]") from None
    quoted = len(text) >= 2 and text[0] == text[-1] and text[0] in "\"'"
    return text[1:-1] if quoted else text

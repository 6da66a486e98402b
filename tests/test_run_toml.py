"""run.toml: its text against the TOML standard, its keys against their table, and lines that are sure or not told."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sonargrid.errors import InputFaults
from sonargrid.runs.moments import moment, recorded_moment
from sonargrid.runs.readings import Air, Head, Ranger, Robot
from sonargrid.runs.run_keys import BY_NAME, KEYS, BadValue, convert, default_of, in_file_unit, nearest, parse_text
from sonargrid.runs.toml_text import read_toml

PROPERTY = settings(derandomize=True, deadline=None, max_examples=150)


# TOML 1.0.0 (toml.io/en/v1.0.0): keys may be given once, a dot needs digits on both sides, no leading zeros
@pytest.mark.parametrize("text", ["a = 1\na = 2", "a = .5", "a = 5.", "a = 012", "a.b = 1\na.b.c = 2"])
def test_what_toml_forbids_is_refused(text: str) -> None:
    with pytest.raises(InputFaults, match="not TOML"):
        read_toml(text.encode(), "run.toml")


# TOML 1.0.0, integers: underscores and hexadecimal are TOML (our keys refuse them), 64 bits are kept whole
@pytest.mark.parametrize(
    ("text", "value"),
    [("1_000", 1000), ("0x1F", 31), ("inf", float("inf")), ("9223372036854775807", 2**63 - 1)],
)
def test_what_toml_allows_is_read(text: str, value: float) -> None:
    assert read_toml(f"a = {text}".encode(), "run.toml").data["a"] == value


@pytest.mark.parametrize("text", ["1_000", "0x1F", "0b11", "0o17", "1_0.5"])
def test_numbers_of_our_keys_are_plain_decimals(text: str) -> None:
    key = BY_NAME["head.pulse_centre_us"]
    value = read_toml(f"a = {text}".encode(), "run.toml").data["a"]
    with pytest.raises(BadValue, match="plain decimals"):
        convert(key, value, text)


# RFC 3339 (Klyne and Newman 2002), section 5.8: its own examples; TOML 1.0.0 has the third as an offset date-time
@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57+00:00"),
        ("1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27.870000+00:00"),
        ("1979-05-27T00:32:00-07:00", "1979-05-27T07:32:00+00:00"),
        ("1990-12-31T23:59:60Z", "1991-01-01T00:00:00+00:00"),  # a leap second, which datetime itself refuses
    ],
)
def test_rfc_3339_examples(text: str, utc: str) -> None:
    assert moment(text) == datetime.fromisoformat(utc)
    assert moment(text.lower().replace("t", "T")).astimezone(UTC).isoformat() == utc
    assert recorded_moment(text) == text


def test_rfc_3339_epoch() -> None:
    # RFC 3339 section 5.8, 1985-04-12T23:20:50.52Z: 482196050520 ms after 1970
    assert round(moment("1985-04-12T23:20:50.52Z").timestamp() * 1000) == 482196050520


@pytest.mark.parametrize("text", ["1985-04-12", "12:00", "1985-04-12T23:20:50", "1985-13-12T23:20:50Z", "yesterday"])
def test_no_moment(text: str) -> None:
    with pytest.raises(ValueError, match=r"RFC 3339|month"):
        moment(text)
    with pytest.raises(ValueError, match="RFC 3339"):
        recorded_moment(text)


def test_lines_are_told_only_where_they_are_sure() -> None:
    toml = read_toml(
        b'''format = "x"   # a comment = 3
notes = """
reach_m = 3   looks like a key
"""
"quoted key" = 1
[ranger]  # a comment
no_echo_at = [
  0,  # ] no end
  999,
]
label = "# no comment, \\" [no] table"
[[station]]
name = 'A'
from = { P = 1.2, Q = 0.85 }
[[station]]
name = "B"
[a.b]
c.d = 1
[[station.extra]]
x = 1
''',
        "run.toml",
    )
    assert toml.lines == {
        ("format",): 1,
        ("notes",): 2,
        ("quoted key",): 5,
        ("ranger",): 6,
        ("ranger", "no_echo_at"): 7,
        ("ranger", "label"): 11,
        ("station", 0): 12,
        ("station", 0, "name"): 13,
        ("station", 0, "from"): 14,
        ("station", 1): 15,
        ("station", 1, "name"): 16,
        ("a", "b"): 17,
        ("a", "b", "c", "d"): 18,
    }
    assert toml.raw[("ranger", "no_echo_at")].count("\n") == 3


NAMES = st.sampled_from(["a", "b", "c-1", "d_2"])
SCALARS = st.one_of(st.integers(-5, 5), st.booleans(), st.text("ab#=[]' ", max_size=6), st.floats(-2, 2))


@PROPERTY
@given(st.dictionaries(NAMES, SCALARS, max_size=4), st.lists(st.dictionaries(NAMES, SCALARS, max_size=3), max_size=3))
def test_every_line_told_is_the_line_of_that_key(top: dict[str, object], tables: list[dict[str, object]]) -> None:
    import json

    rows: list[str] = []
    where: dict[tuple[str | int, ...], int] = {}
    for name, value in top.items():
        rows += ["", f"{name} = {json.dumps(value)}  # note = 1"]
        where[(name,)] = len(rows)
    for number, table in enumerate(tables):
        rows += ["[[list]]"]
        where[("list", number)] = len(rows)
        for name, value in table.items():
            rows.append(f"  {name}={json.dumps(value)}")
            where["list", number, name] = len(rows)
    assert read_toml("\r\n".join(rows).encode(), "run.toml").lines == where


def test_a_fault_inside_an_open_list_names_no_line() -> None:
    with pytest.raises(InputFaults) as caught:
        read_toml(b"a = [1,\n2\nb = 3\n", "run.toml")
    assert caught.value.faults[0].line is None


def test_defaults_are_those_of_the_records() -> None:
    assert default_of(BY_NAME["ranger.reach_m"]) == Ranger().reach_m == 1.0
    assert in_file_unit(BY_NAME["head.ahead_deg"], default_of(BY_NAME["head.ahead_deg"])) == 90.0
    records = {"air": Air, "ranger": Ranger, "head": Head, "robot": Robot}
    for section, record in records.items():
        named = {key.field for key in KEYS if key.section == section}
        assert named == set(record.__dataclass_fields__), "every field has a key, every key a field"


@PROPERTY
@given(st.sampled_from([key for key in KEYS if key.kind == "number"]), st.floats(0.001, 40.0))
def test_numbers_survive_the_way_into_a_record_and_out(key: object, value: float) -> None:
    from sonargrid.runs.run_keys import Key, to_file_unit, to_record_unit

    assert isinstance(key, Key)
    if key.name != "us_per_cm":
        inside = to_record_unit(key, value)
        assert to_record_unit(key, to_file_unit(key, inside)) == inside


def test_typed_texts() -> None:
    assert parse_text(BY_NAME["ranger.reach_m"], " 3 ") == 3.0
    assert parse_text(BY_NAME["ranger.no_echo_at"], "[0, 999]") == [0, 999]
    assert parse_text(BY_NAME["ranger.no_echo_at"], "0,999") == [0, 999]
    assert parse_text(BY_NAME["ranger.label"], '"front"') == parse_text(BY_NAME["ranger.label"], "front") == "front"
    for text in ("3m", "1_0", "0x1", "", "\u0665", "inf"):
        with pytest.raises(BadValue, match="must be a number"):
            parse_text(BY_NAME["ranger.reach_m"], text)
    with pytest.raises(BadValue, match="must be a list"):
        parse_text(BY_NAME["ranger.no_echo_at"], "zero")


def test_nearest_names() -> None:
    assert nearest("tempreture_c", ("temperature_c", "pressure_kpa")) == "temperature_c"
    assert nearest("qqq", ("temperature_c",)) is None

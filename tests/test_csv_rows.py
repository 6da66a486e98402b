"""The fast reader of CSVs against the row-by-row one, and both against RFC 4180."""

from __future__ import annotations

import csv
import io

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sonargrid.errors import InputFaults
from sonargrid.runs.csv_rescan import rescan
from sonargrid.runs.csv_rows import Rows, fast_rows, read_header
from sonargrid.runs.line_blocks import check_text

PROPERTY = settings(derandomize=True, deadline=None, max_examples=250)
HEAD = "station,sweep,angle_deg,range_cm,turning,note\n"


def both(text: str, no_echo_at: tuple[float, ...] = ()) -> tuple[Rows | None, Rows | None]:
    """Return what the fast reader and the slow one say; None where they refuse."""
    content = text.encode()
    header = read_header(content, "a.csv")
    fast = fast_rows(content[header.body_at :], header, no_echo_at, header.body_line)
    try:
        return fast, rescan(content, header, no_echo_at, "a.csv")
    except InputFaults as problem:
        assert problem.count >= len(problem.faults) > 0
        return fast, None


def assert_same(fast: Rows, slow: Rows) -> None:
    for name in ("angle", "distance", "station", "sweep", "turning", "time_s", "pose"):
        one, two = getattr(fast, name), getattr(slow, name)
        assert (one is None) == (two is None), name
        if one is not None:
            assert np.array_equal(one, two, equal_nan=True), name
    assert fast.station_names == slow.station_names
    assert [fast.line_of(i) for i in range(len(fast))] == [slow.line_of(i) for i in range(len(slow))]


CELLS = st.sampled_from(
    [
        "1",
        "12",
        " 7 ",
        "0.5",
        "1e2",
        "+3",
        "-4",
        "0",
        "",
        "nan",
        "NaN",
        "-nan",
        "inf",
        "INF",
        "+inf",
        "-inf",
        "infinity",
        "1e400",
        "1_0",
        "0x1F",
        "1.",
        ".5",
        "abc",
        "999",
        "1e-400",
        "\t5",
        "5\xa0",
        "٥",
        "180",
        "181",
        "1e3",
        "0e999",
    ]
)


@PROPERTY
@given(st.lists(st.tuples(CELLS, CELLS), min_size=1, max_size=4), st.sampled_from(["\n", "\r\n"]))
def test_the_fast_reader_accepts_nothing_that_the_strict_one_refuses(rows: list[tuple[str, str]], end: str) -> None:
    fast, slow = both("angle_deg,range_cm" + end + "".join(f"{a},{b}{end}" for a, b in rows), (999.0,))
    if fast is not None:
        assert slow is not None
        assert_same(fast, slow)


TEXTS = st.sampled_from(["A", "B", " A", "long name of a station", "", "up", "down", "+inf", "#1", "a" * 70])


@PROPERTY
@given(st.lists(st.tuples(TEXTS, CELLS, CELLS, CELLS, TEXTS, TEXTS), min_size=1, max_size=4), st.booleans())
def test_the_same_with_names_and_unknown_columns(rows: list[tuple[str, ...]], blank: bool) -> None:
    fast, slow = both(HEAD + ("\n" if blank else "") + "".join(",".join(row) + "\n" for row in rows))
    if fast is not None:
        assert slow is not None
        assert_same(fast, slow)


@pytest.mark.parametrize(
    "text",
    [
        "angle_deg,range_mm\n0,500\n90,600\n",
        "angle_deg,range_mm\r\n0,500\r\n90,600",
        "\ufeffangle_deg,range_mm\n0,500\n",
        "\n\nangle_deg,range_mm\n0,500\n\n\n90,600\n\n",
        "angle_deg,range_mm\n0,\n90,600\n",
        "angle_deg , range_mm\n0.5, 500\n",
        "range_mm,angle_deg\n,0\n600,90\n",
        HEAD + "A,0,10,50,up,hello world\nB,1,20,60.5,down,#2\n",
        HEAD + "a name of more than eight characters,0,10,50,up,x\nB,1,20,60,,x\n",
        "angle_deg,range_m,time_s\n0,0.5,0.25\n1,inf,1\n2,nan,2\n",
        "angle_deg,range_m,x_m,y_m,heading_deg\n0,0.5,1,2,3\n1,0.6,1,2,4\n",
        "pulse_us,echo_us\n1500,2900\n",
        "bearing_deg,range_in\n-30,12\n330,14\n",
    ],
)
def test_plain_files_go_the_fast_way(text: str) -> None:
    fast, slow = both(text)
    assert fast is not None and slow is not None
    assert_same(fast, slow)


@pytest.mark.parametrize(
    "text",
    [
        'angle_deg,range_mm\n"0",500\n',
        "angle_deg,range_mm\r0,500\r90,600\r",
        "angle_deg,range_mm\n0,500\n \n90,600\n",
        'note,angle_deg,range_mm\n"a, b",0,500\n"say ""hi""",90,600\n"two\nlines",91,600\n',
        "station,angle_deg,range_mm\nT\u00fcr,0,500\n",
        "angle_deg,range_mm\n0,nan\n",
    ],
)
def test_odd_but_right_files_go_the_strict_way(text: str) -> None:
    fast, slow = both(text)
    assert fast is None and slow is not None and len(slow) >= 1


def test_silent_values_are_compared_as_numbers() -> None:
    fast, slow = both("angle_deg,range_cm\n0,999\n1,999.0\n2,-1\n3,50\n", (999.0, -1.0))
    assert fast is not None and slow is not None
    assert fast.distance.tolist() == [np.inf, np.inf, np.inf, 50.0]
    assert_same(fast, slow)


def test_lines_up_to_the_limit_are_read() -> None:
    check_text(b"a" * 64_000 + b"\n" + b"b" * 64_000 + b"\n" + b"c" * 64_000, "a.csv")
    with pytest.raises(InputFaults, match="line 2: a line of more than 64000 bytes"):
        check_text(b"a" * 64_000 + b"\n" + b"b" * 64_001 + b"\n", "a.csv")


# RFC 4180 (Shafranovich 2005), section 2, rules 5 to 7: quoted cells may hold commas, doubled quotes and line breaks
@pytest.mark.parametrize(
    ("cell", "value"),
    [('"b,c"', "b,c"), ('"d""e"', 'd"e'), ('"two\r\nlines"', "two\r\nlines"), ('"plain"', "plain"), ("a b", "a b")],
)
def test_rfc_4180_cells(cell: str, value: str) -> None:
    text = f"station,angle_deg,range_cm\r\n{cell},10,50\r\n{cell},20,60"
    assert next(iter(csv.reader(io.StringIO(f"{cell}\r\n", newline=""))))[0] == value  # the standard library agrees
    content = text.encode()
    if value.isprintable():
        rows = rescan(content, read_header(content, "a.csv"), (), "a.csv")
        assert rows.station_names == (value,) and rows.angle.tolist() == [10.0, 20.0]
    else:
        with pytest.raises(InputFaults, match=r"line 2, station: .* no control characters"):
            rescan(content, read_header(content, "a.csv"), (), "a.csv")


def test_rfc_4180_quoted_header() -> None:
    header = read_header(b'"angle_deg","range_cm","a ""note"""\r\n1,2,3\r\n', "a.csv")
    assert header.cells == ("angle_deg", "range_cm", 'a "note"') and header.body_line == 2


def test_faults_are_counted_beyond_those_shown() -> None:
    content = ("angle_deg,range_cm\n" + "200,x\n" * 50).encode()
    with pytest.raises(InputFaults) as caught:
        rescan(content, read_header(content, "a.csv"), (), "a.csv")
    assert (len(caught.value.faults), caught.value.count) == (20, 100)
    assert [f.line for f in caught.value.faults[:3]] == [2, 2, 3]

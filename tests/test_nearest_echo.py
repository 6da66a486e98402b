"""The nearest echo that is told first: strays do not name the side, rows may come in any order."""

from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sonargrid.runs import nearest_echo as module
from sonargrid.runs.first_look import nearest_sentence
from sonargrid.runs.nearest_echo import ALIKE_M, ALIKE_SHARE, BESIDE_DEG, nearest_echo
from sonargrid.runs.run_files import find_sample, load_run

Row = tuple[int, float, float, bool, int]
ROWS = st.lists(
    st.tuples(
        st.integers(0, 1),
        st.integers(-9, 9).map(lambda k: 10.0 * k),
        st.integers(3, 40).map(lambda k: k / 40.0),
        st.booleans(),
        st.integers(1, 2),
    ),
    min_size=1,
    max_size=12,
)


def _nearest(rows: list[Row], counted: bool = True) -> int | None:
    station, left, metres, usable, count = (np.array(column) for column in zip(*rows, strict=True))
    return nearest_echo(station, left, metres, usable, count if counted else None)


def _slow(rows: list[Row]) -> Row | None:
    usable = sorted((m, s, a, n) for s, a, m, use, n in rows if use)
    for m, s, a, _n in usable:
        near = [
            n
            for m2, s2, a2, n in usable
            if s2 == s and abs(a2 - a) <= BESIDE_DEG and abs(m2 - m) <= ALIKE_M + ALIKE_SHARE * m
        ]
        if sum(near) > 1:
            return (s, a, m, True, 0)
    return (usable[0][1], usable[0][2], usable[0][0], True, 0) if usable else None


@given(ROWS, st.integers(0, 9))
def test_it_is_the_slow_way_in_any_order(rows: list[Row], seed: int) -> None:
    random.Random(seed).shuffle(rows)
    at, slow = _nearest(rows), _slow(rows)
    assert (at is None) == (slow is None)
    if at is not None and slow is not None:
        assert rows[at][:3] == slow[:3]


def test_rows_of_one_are_rows_without_a_count() -> None:
    rows: list[Row] = [(0, -40.0, 0.2, True, 1), (0, 20.0, 0.5, True, 1), (0, 25.0, 0.51, True, 1)]
    assert _nearest(rows, counted=False) == _nearest(rows) == 1


def test_long_logs_are_looked_through_as_far_as_they_are_near(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "LOOKED_THROUGH", 2)
    lone: list[Row] = [(0, -80.0, 0.2, True, 1), (0, 0.0, 0.4, True, 1)]
    pair: list[Row] = [(0, 60.0, 0.6, True, 1), (0, 65.0, 0.6, True, 1)]
    assert _nearest(lone[:1] + pair) == 1
    assert _nearest(lone + pair) == 0, "more lone echoes than are looked through are no strays"


def test_one_stray_does_not_name_the_side_of_a_sample() -> None:
    # the sample's scene has its nearer pot 47 cm away on the left; one stray reads 38 cm on the right
    assert nearest_sentence(load_run(find_sample("two_flowerpots"))).startswith(
        "nearest to a side: 46 cm, on your robot's LEFT at station A"
    )


def test_nothing_heard_is_no_row() -> None:
    assert _nearest([(0, 10.0, 0.5, False, 1)]) is None

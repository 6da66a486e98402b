"""Passes of the head and its turning, against a plain loop and against sweeps that a hand can follow."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slow_twins_runs import directions, passes
from sonargrid.arrays import Floats
from sonargrid.runs.sweeps import against_angles, backwards, derive

PROPERTY = settings(derandomize=True, deadline=None, max_examples=150)
ANGLES = st.lists(st.sampled_from([0.0, 30.0, 60.0, 90.0, 120.0, 180.0]), min_size=1, max_size=40)


def one_head(angles: list[float]) -> tuple[Floats, np.ndarray]:  # type: ignore[type-arg]
    return np.array(angles), np.zeros(len(angles), dtype=np.int32)


@pytest.mark.parametrize(
    ("angles", "sweep", "turning"),
    [
        ([0, 90, 180], [0, 0, 0], [1, 1, 1]),
        ([180, 90, 0], [0, 0, 0], [-1, -1, -1]),
        ([0, 90, 180, 90, 0], [0, 0, 0, 1, 1], [1, 1, 1, -1, -1]),
        ([0, 0, 90, 90, 180, 180, 90], [0, 0, 0, 0, 0, 0, 1], [1, 1, 1, 1, 1, 1, -1]),
        ([90], [0], [0]),
        ([90, 90, 90], [0, 0, 0], [0, 0, 0]),
        # a saw tooth: the head comes back in one move, which begins the next pass and is none itself
        ([0, 90, 180, 0, 90, 180, 0, 90, 180], [0, 0, 0, 1, 1, 1, 2, 2, 2], [1, 1, 1, -1, 1, 1, -1, 1, 1]),
        ([0, 90, 180, 0, 0, 90, 180], [0, 0, 0, 1, 1, 1, 1], [1, 1, 1, -1, -1, 1, 1]),
        # dithering about one angle is no saw tooth
        ([80, 90, 80, 90, 80], [0, 0, 1, 2, 3], [1, 1, -1, 1, -1]),
    ],
)
def test_passes_by_hand(angles: list[float], sweep: list[int], turning: list[int]) -> None:
    found = derive(*one_head([float(a) for a in angles]))
    assert [part.tolist() for part in found] == [sweep, turning]


@PROPERTY
@given(ANGLES)
def test_one_head_agrees_with_the_slow_twin(angles: list[float]) -> None:
    sweep, turning = derive(*one_head(angles))
    assert turning.tolist() == directions(angles)
    assert sweep.tolist() == passes(angles, directions(angles))


@PROPERTY
@given(st.lists(st.tuples(st.integers(0, 2), st.sampled_from([0.0, 45.0, 90.0, 180.0])), min_size=1, max_size=40))
def test_interleaved_stations_are_read_apart(rows: list[tuple[int, float]]) -> None:
    group, angle = np.array([row[0] for row in rows], dtype=np.int32), np.array([row[1] for row in rows])
    sweep, turning = derive(angle, group)
    for station in set(group.tolist()):
        mine = group == station
        alone = directions(angle[mine].tolist())
        assert turning[mine].tolist() == alone
        own = sweep[mine] - sweep[mine].min()
        _, dense = np.unique(own, return_inverse=True)
        assert dense.tolist() == passes(angle[mine].tolist(), alone)
    pairs = {(s, g) for s, g in zip(sweep.tolist(), group.tolist(), strict=True)}
    assert len(pairs) == len(set(sweep.tolist())), "a sweep belongs to one station"
    first_seen = list(dict.fromkeys(sweep.tolist()))
    assert first_seen == sorted(first_seen), "numbers rise as sweeps appear in the file"


@PROPERTY
@given(ANGLES, st.randoms(use_true_random=False))
def test_with_a_clock_row_order_does_not_matter(angles: list[float], random: object) -> None:
    angle, group = one_head(angles)
    order = np.array(random.sample(range(len(angles)), len(angles)))  # type: ignore[attr-defined]
    time_s = np.arange(len(angles), dtype=np.float64)
    _, straight = derive(angle, group, time_s)
    _, shuffled = derive(angle[order], group, time_s[order])
    assert np.array_equal(shuffled, straight[order])


def test_a_given_column_is_kept_and_helps_to_find_the_other() -> None:
    angle, group = one_head([0.0, 90.0, 0.0, 90.0])
    sweep = np.array([4, 4, 7, 7], dtype=np.int32)
    kept, turning = derive(angle, group, sweep=sweep)
    assert kept is sweep and turning.tolist() == [1, 1, 1, 1]
    given_turning = np.array([1, 1, -1, -1], dtype=np.int8)
    number, kept_turning = derive(angle, group, turning=given_turning)
    assert kept_turning is given_turning and number.tolist() == [0, 0, 1, 1]


def test_a_clock_that_goes_backwards_is_found_within_one_station_only() -> None:
    time_s = np.array([5.0, 6.0, 1.0, 2.0, 1.5])
    assert backwards(np.array([0, 0, 1, 1, 1]), time_s).tolist() == [4]
    assert backwards(np.zeros(5, dtype=np.int32), time_s).tolist() == [2, 4]


def test_turning_against_the_angles_is_found_within_one_sweep_only() -> None:
    angle, group = one_head([0.0, 10.0, 20.0, 0.0, 10.0])
    sweep, turning = np.array([0, 0, 0, 1, 1]), np.array([1, 1, -1, 1, 1])
    assert against_angles(angle, group, sweep, turning).tolist() == [2]
    assert against_angles(angle, group, sweep, np.ones(5, dtype=np.int8)).size == 0
    # by the clock, the angles fall
    assert against_angles(
        angle, group, np.zeros(5), -turning * 0 - 1, np.array([5.0, 4.0, 3.0, 2.0, 1.0])
    ).tolist() == [2]

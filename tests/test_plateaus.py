"""Arcs of equal range: what one sweep of made-up readings must show."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sonargrid.finding.plateaus import default_half_beam, find_plateaus
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Ranger, Readings, Run, Station

ANGLES = np.arange(0.0, 181.0, 2.0)


def _run(ranges_cm: np.ndarray, angles: np.ndarray = ANGLES, sweeps: int = 1, station: Station | None = None) -> Run:
    n = angles.size
    rows = Readings(
        "angle_deg",
        "range_cm",
        np.tile(angles, sweeps),
        np.asarray(ranges_cm, dtype=np.float64).ravel(),
        np.zeros(n * sweeps),
        np.repeat(np.arange(sweeps), n),
        np.ones(n * sweeps),
    )
    return Run(rows, stations=(station or Station("A"),))


def _arc(middle: float, half: float, range_cm: float) -> np.ndarray:
    return np.where(np.abs(ANGLES - middle) <= half, range_cm, np.inf)


def _found(run: Run) -> list[tuple[float, float]]:
    arcs = find_plateaus(calibrated(run), run.ranger)
    return [(round(p.range_m, 4), round(math.degrees(p.bearing_rad), 1)) for p in arcs]


def test_a_smooth_cylinder_answers_at_one_range_over_the_whole_beam() -> None:
    # E07: beam of 30 degrees, 1 degree steps, near face at 100 cm: 31 readings of one range (specular reflection law)
    angles = np.arange(0.0, 181.0, 1.0)
    run = _run(np.where(np.abs(angles - 90.0) <= 15.0, 99.9, np.inf), angles)
    (arc,) = find_plateaus(calibrated(run), run.ranger)
    assert arc.readings == 31
    assert arc.range_m == pytest.approx(0.999)
    assert math.degrees(arc.bearing_rad) == pytest.approx(90.0)
    assert not arc.masked_left
    assert not arc.masked_right


def test_dropouts_do_not_break_an_arc() -> None:
    heard = _arc(80.0, 24.0, 60.0)
    heard[[35, 41, 42]] = np.inf
    assert _found(_run(heard)) == [(0.6, 80.0)]


def test_slips_of_one_period_stay_in_their_arc() -> None:
    heard = _arc(80.0, 24.0, 60.0)
    heard[30:50:3] += 0.43  # 25 us at 343 m/s, half of it the way there
    assert [round(b) for _, b in _found(_run(heard))] == [80]


def test_a_lone_stray_is_no_arc() -> None:
    heard = _arc(80.0, 24.0, 60.0)
    heard[10] = 33.0
    assert _found(_run(heard)) == [(0.6, 80.0)]


def test_a_nearer_arc_masks_the_edge_of_a_farther_one() -> None:
    heard = np.minimum(_arc(60.0, 20.0, 40.0), _arc(90.0, 24.0, 70.0))
    run = _run(heard)
    near, far = find_plateaus(calibrated(run), run.ranger)
    assert (near.masked_left, near.masked_right) == (False, False)
    assert (far.masked_left, far.masked_right) == (False, True)
    # the free edge tells: the middle of what is left would be 97.5 degrees
    assert math.degrees(far.bearing_rad) == pytest.approx(90.0, abs=3.0)
    assert far.bearing_sigma_rad > near.bearing_sigma_rad


def test_an_arc_at_the_sweeps_end_is_masked_there() -> None:
    run = _run(np.where(ANGLES <= 30.0, 50.0, np.inf))
    (arc,) = find_plateaus(calibrated(run), run.ranger)
    assert arc.masked_right
    assert not arc.masked_left


def test_two_things_of_one_range_are_split() -> None:
    found = _found(_run(np.where(np.abs(ANGLES - 90.0) <= 44.0, 60.0, np.inf)))
    assert len(found) == 2
    assert found[0][1] < 80.0 < 100.0 < found[1][1]


def test_the_table_of_the_bench_says_how_wide_one_thing_may_be() -> None:
    run = _run(_arc(90.0, 44.0, 60.0))
    wide = Ranger(half_beam_table=((0.3, math.radians(45.0)), (1.0, math.radians(45.0))))
    assert len(find_plateaus(calibrated(run), wide)) == 1


def test_repeats_do_not_move_an_arc() -> None:
    once = _arc(80.0, 24.0, 60.0)
    one = find_plateaus(calibrated(_run(once)), Ranger())[0]
    five = find_plateaus(calibrated(_run(np.tile(once, 5), sweeps=5)), Ranger())[0]
    assert five.bearing_rad == one.bearing_rad
    assert five.range_m == one.range_m
    assert five.readings == 5 * one.readings
    assert five.pings.size == five.readings


def test_silence_and_void_make_no_arc() -> None:
    assert _found(_run(np.full(ANGLES.size, np.inf))) == []
    assert _found(_run(np.full(ANGLES.size, np.nan))) == []


def test_a_full_ring_is_cut_where_it_hurts_nothing() -> None:
    bearing = np.arange(0.0, 360.0, 5.0)
    off = np.abs((bearing + 180.0) % 360.0 - 180.0)
    rows = Readings(
        "bearing_deg", "range_cm", bearing, np.where(off <= 22.0, 60.0, np.inf), *[np.zeros(72)] * 2, np.ones(72)
    )
    run = Run(rows)
    arcs = find_plateaus(calibrated(run), run.ranger)
    assert sum(p.readings for p in arcs) == 9


@settings(derandomize=True, deadline=None, max_examples=20)
@given(st.floats(-3.0, 3.0), st.integers(30, 150), st.floats(30.0, 95.0))
def test_turning_the_robot_turns_its_arcs(turn: float, middle: int, range_cm: float) -> None:
    heard = _arc(float(middle), 22.0, range_cm)
    here = find_plateaus(calibrated(_run(heard)), Ranger())
    there = find_plateaus(calibrated(_run(heard, station=Station("A", 0.3, -0.2, math.pi / 2 + turn))), Ranger())
    assert [p.readings for p in there] == [p.readings for p in here]
    for a, b in zip(here, there, strict=True):
        assert math.remainder(b.bearing_rad - a.bearing_rad - turn, 2.0 * math.pi) == pytest.approx(0.0, abs=1e-7)
        assert b.range_m == pytest.approx(a.range_m)


def test_the_usual_beam_narrows_with_distance() -> None:
    # means over 40 kHz rangers: 28 degrees at 0.4 m, 21 at 1.0 m for a 5 cm post (common practice, no source)
    assert np.degrees(default_half_beam(np.array([0.4, 1.0]))).round().tolist() == [28.0, 21.0]

"""From readings to pings: poses, head angles and ranges by hand, and against a plain loop."""

from __future__ import annotations

import cmath
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sonargrid.physics.air import sound_speed
from sonargrid.runs.calibration import calibrated, read_distance_m
from sonargrid.runs.readings import Air, Head, Ranger, Readings, Robot, Run, Station

PROPERTY = settings(derandomize=True, deadline=None, max_examples=80)
DEG = math.radians(1.0)
FAR = Ranger(reach_m=100.0)


def run_of(
    angles: list[float],
    distances: list[float],
    turning: list[int] | None = None,
    columns: tuple[str, str] = ("angle_deg", "range_m"),
    **parts: object,
) -> Run:
    n = len(angles)
    rows = Readings(*columns, angles, distances, [0] * n, [0] * n, turning or [0] * n)
    return Run(rows, **{"ranger": FAR, **parts})  # type: ignore[arg-type]


def end_points(run: Run) -> list[tuple[float, float]]:
    """Return where each echo lies on the beam's axis."""
    pings = calibrated(run)
    rays = pings.rays
    x = rays.x_m[pings.ray] + pings.range_m * np.cos(pings.bearing_rad)
    y = rays.y_m[pings.ray] + pings.range_m * np.sin(pings.bearing_rad)
    return list(zip(x.tolist(), y.tolist(), strict=True))


# Exactly computed rigid transforms: a sensor at (120, 80) heading 30 degrees, a reading at 100 under 20 degrees left;
# then the same with the sensor 5 ahead and 2 left of the robot's point (here in metres for centimetres)
@pytest.mark.parametrize(
    ("robot", "point"),
    [
        (Robot(), (1.84278761, 1.56604444)),
        (Robot(head_ahead_m=0.05, head_left_m=0.02), (1.87608888, 1.60836495)),
    ],
)
def test_pose_examples(robot: Robot, point: tuple[float, float]) -> None:
    station = Station("A", 1.2, 0.8, math.radians(30.0))
    run = run_of([110.0], [1.0], stations=(station,), robot=robot)
    assert end_points(run) == [pytest.approx(point, abs=6e-9)]
    # the same by complex numbers
    ahead = complex(robot.head_ahead_m, robot.head_left_m)
    by_hand = complex(1.2, 0.8) + cmath.exp(30j * DEG) * (ahead + cmath.exp(20j * DEG))
    assert end_points(run) == [pytest.approx((by_hand.real, by_hand.imag), abs=1e-12)]


@pytest.mark.parametrize(("angle", "point"), [(0.0, (1.0, 0.0)), (90.0, (0.0, 1.0)), (180.0, (-1.0, 0.0))])
def test_right_ahead_and_left_of_a_robot_that_looks_up(angle: float, point: tuple[float, float]) -> None:
    assert end_points(run_of([angle], [1.0])) == [pytest.approx(point, abs=1e-15)]


def test_arm_and_side_turn_with_the_beam() -> None:
    run = run_of([90.0, 0.0], [1.0, 1.0], head=Head(arm_m=0.04, side_m=0.01))
    assert end_points(run) == [pytest.approx((-0.01, 1.04)), pytest.approx((1.04, 0.01))]
    rays = calibrated(run).rays
    assert np.allclose(rays.axis_x_m, 0.0) and np.allclose(np.hypot(rays.x_m, rays.y_m), math.hypot(0.04, 0.01))


@pytest.mark.parametrize(
    ("turns", "turning", "head_deg"),
    [
        (1, 1, 100.0 + 3.0 - 2.0),  # turning up the head lags: it looks lower than it was told
        (1, -1, 100.0 + 3.0 + 2.0),
        (1, 0, 100.0 + 3.0),
        (-1, 1, 80.0 + 3.0 + 2.0),  # growing angles turn right there, and the head lags to the left
        (-1, -1, 80.0 + 3.0 - 2.0),
    ],
)
def test_backlash_lags(turns: int, turning: int, head_deg: float) -> None:
    head = Head(turns=turns, angle_offset_rad=3.0 * DEG, backlash_rad=4.0 * DEG)
    pings = calibrated(run_of([100.0], [1.0], [turning], head=head))
    assert float(pings.rays.head_rad[0]) + math.pi / 2 == pytest.approx(head_deg * DEG)


def test_scale_and_ahead() -> None:
    head = Head(ahead_rad=80.0 * DEG, angle_scale=1.5)
    pings = calibrated(run_of([80.0, 100.0], [1.0, 1.0], head=head))
    assert pings.rays.head_rad.tolist() == pytest.approx([0.0, 30.0 * DEG])


def test_pulses() -> None:
    # 2000 us for 180 degrees: data sheets of hobby servos give 0.5, 1.5 and 2.5 ms
    columns = ("pulse_us", "range_m")
    pings = calibrated(run_of([500.0, 1500.0, 2500.0], [1.0] * 3, columns=columns))
    assert pings.rays.head_rad.tolist() == pytest.approx([-math.pi / 2, 0.0, math.pi / 2])
    turned = calibrated(run_of([500.0], [1.0], columns=columns, head=Head(pulse_us_per_deg=-100.0 / 9.0)))
    assert float(turned.rays.head_rad[0]) == pytest.approx(math.pi / 2)


def test_a_ring_has_no_servo() -> None:
    head = Head(turns=-1, ahead_rad=0.0, angle_scale=2.0, backlash_rad=0.3, angle_offset_rad=5.0 * DEG)
    run = run_of([-30.0, 0.0, 30.0], [1.0] * 3, [1, 1, -1], columns=("bearing_deg", "range_m"), head=head)
    assert calibrated(run).rays.head_rad.tolist() == pytest.approx([-25.0 * DEG, 5.0 * DEG, 35.0 * DEG])


def test_ranges() -> None:
    air = Air(temperature_c=30.0)
    speed = float(sound_speed(30.0, air.relative_humidity_pct, air.pressure_kpa))
    echo = run_of([90.0], [5800.0], columns=("angle_deg", "echo_us"), air=air)
    assert float(read_distance_m(echo)[0]) == pytest.approx(5800e-6 * speed / 2, rel=1e-15)
    for column, value in (("range_cm", 100.0), ("range_mm", 1000.0), ("range_in", 1 / 0.0254), ("range_m", 1.0)):
        logged = run_of([90.0], [value], columns=("angle_deg", column), air=air)
        assert float(read_distance_m(logged)[0]) == 1.0, "left as it was logged"
        firmware = Ranger(reach_m=9.0, assumed_sound_speed_m_s=20000.0 / 58.0, range_scale=1.1, range_bias_m=-0.01)
        corrected = run_of([90.0], [value], columns=("angle_deg", column), air=air, ranger=firmware)
        assert float(calibrated(corrected).range_m[0]) == pytest.approx(1.1 * speed * 58.0 / 20000.0 - 0.01)


@PROPERTY
@given(
    st.lists(
        st.tuples(
            st.integers(0, 2),
            st.one_of(st.integers(0, 180).map(float), st.floats(0, 180)),
            st.sampled_from([-1, 0, 1]),
            st.sampled_from([0.01, 0.5, 0.99, 1.0, 2.0, math.inf, math.nan]),
        ),
        min_size=1,
        max_size=25,
    ),
    st.sampled_from([0.0, 0.1]),
)
def test_many_readings_are_calibrated_as_one_by_one(rows: list[tuple[int, float, int, float]], backlash: float) -> None:
    stations = tuple(Station(name, x, 2.0 * x, x) for name, x in (("A", 0.0), ("B", 1.0), ("C", -2.0)))
    station, angle, turning, distance = (list(column) for column in zip(*rows, strict=True))
    readings = Readings("angle_deg", "range_m", angle, distance, station, [0] * len(rows), turning)
    head = Head(backlash_rad=backlash, arm_m=0.04, turns=-1)
    pings = calibrated(Run(readings, stations, head=head))
    for i, (s, a, t, d) in enumerate(rows):
        rows_alone = Readings("angle_deg", "range_m", [a], [d], [s], [0], [t])
        alone = calibrated(Run(rows_alone, stations, head=head))
        ray = int(pings.ray[i])
        for name in ("station", "bearing_rad", "x_m", "y_m", "commanded_rad"):
            assert getattr(pings.rays, name)[ray] == getattr(alone.rays, name)[0], name
        assert np.array_equal(pings.range_m[i : i + 1], alone.range_m, equal_nan=True)
    distinct = {(s, a, t if backlash else 0) for s, a, t, _ in rows}
    assert len(pings.rays) == len(distinct)


def test_outcomes_are_counted() -> None:
    # 1.0 m is at reach as read; 0.96 m only as calibrated; 0.01 m lies in the blind zone
    ranger = Ranger(reach_m=1.0, blind_zone_m=0.03, range_scale=1.05)
    pings = calibrated(run_of([10, 20, 30, 40, 50], [1.0, 0.96, 0.95, 0.01, math.nan], ranger=ranger))
    assert pings.silent.tolist() == [True, True, False, False, False]
    assert pings.echo.tolist() == [False, False, True, False, False]
    assert (pings.too_far, pings.too_near) == (2, 1)
    shrunk = Ranger(reach_m=1.0, range_scale=0.5)
    assert calibrated(run_of([10.0], [1.2], ranger=shrunk)).silent.tolist() == [True], "beyond reach as read"

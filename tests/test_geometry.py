"""Angles, poses, feet of perpendiculars and wedges: against hand-made values, SciPy and Shapely."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import circmean
from shapely.geometry import LineString, Point, Polygon

from published_tables import table
from sonargrid.physics.geometry import (
    foot_on_segment,
    range_and_bearing,
    to_floor,
    to_pose,
    wedge_area_m2,
    wrap,
    wrap_deg,
)

BY_COMPUTER = settings(derandomize=True, deadline=None, max_examples=100)
PLACES = st.floats(-100.0, 100.0)
ANGLES = st.floats(-50.0, 50.0)


def test_wrap_keeps_the_lower_end() -> None:
    # the usual exercise 190, -190, 540, 180, -180; ours lies in [-180, 180)
    assert wrap_deg([190.0, -190.0, 540.0, 180.0, -180.0]).tolist() == [-170.0, 170.0, -180.0, -180.0, -180.0]
    assert wrap(np.radians([190.0, -190.0])) == pytest.approx(np.radians([-170.0, 170.0]))
    assert float(wrap(-math.pi)) == -math.pi
    assert float(wrap(np.nextafter(-math.pi, -4.0))) < math.pi
    assert float(wrap_deg(np.nextafter(-180.0, -181.0))) < 180.0


@BY_COMPUTER
@given(ANGLES, st.integers(-5, 5))
def test_wrap_forgets_whole_turns(angle: float, turns: int) -> None:
    once = float(wrap(angle))
    assert -math.pi <= once < math.pi
    again = float(wrap(angle + turns * 2.0 * math.pi))
    assert abs(math.remainder(again - once, 2.0 * math.pi)) < 1e-12
    assert abs(math.remainder(once - angle, 2.0 * math.pi)) < 1e-12


def test_wrap_agrees_with_the_circular_mean() -> None:
    # directional statistics (Mardia, from memory): 350 and 10 degrees meet at 0, 170 and -170 at 180
    for pair, middle in (((350.0, 10.0), 0.0), ((170.0, -170.0), 180.0)):
        first, second = pair
        ours = first + 0.5 * float(wrap_deg(second - first))
        theirs = math.degrees(circmean(np.radians(pair)))
        assert abs(math.remainder(ours - middle, 360.0)) < 1e-9
        assert abs(math.remainder(ours - theirs, 360.0)) < 1e-9


def test_end_point_of_a_reading() -> None:
    # rigid transform, by complex numbers: robot at (1.20, 0.80) m heading 30 degrees, head 20 degrees on, 1 m out
    x, y = to_floor(1.20, 0.80, math.radians(50.0), 1.0, 0.0)
    assert (float(x), float(y)) == pytest.approx((1.84278761, 1.56604444), abs=6e-9)
    # the servo axis 5 cm ahead of the robot's point and 2 cm left of it, by rotation matrix
    axis_x, axis_y = to_floor(1.20, 0.80, math.radians(30.0), 0.05, 0.02)
    x, y = to_floor(axis_x, axis_y, math.radians(50.0), 1.0, 0.0)
    assert (float(x), float(y)) == pytest.approx((1.87608888, 1.60836495), abs=6e-9)


@BY_COMPUTER
@given(PLACES, PLACES, ANGLES, PLACES, PLACES)
def test_pose_and_floor_are_inverse(x: float, y: float, heading: float, ahead: float, left: float) -> None:
    back = to_pose(x, y, heading, *to_floor(x, y, heading, ahead, left))
    assert [float(b) for b in back] == pytest.approx([ahead, left], abs=1e-11)


@BY_COMPUTER
@given(PLACES, PLACES, PLACES, PLACES)
def test_range_and_bearing_lead_back(x: float, y: float, to_x: float, to_y: float) -> None:
    r, b = range_and_bearing(x, y, to_x, to_y)
    assert float(r) == pytest.approx(math.dist((x, y), (to_x, to_y)))
    end = to_floor(x, y, b, r, 0.0)
    assert [float(e) for e in end] == pytest.approx([to_x, to_y], abs=1e-11)


@pytest.mark.parametrize(
    ("ends", "nearest_cm"),
    [
        # point to segment from (0, 0), checked with shapely [cm]
        ((100.0, -50.0, 100.0, 50.0), 100.0),
        ((50.0, 20.0, 90.0, 60.0), 53.851648),
        ((30.0, -40.0, 30.0, -10.0), 31.622777),
    ],
)
def test_nearest_point_of_a_wall(ends: tuple[float, float, float, float], nearest_cm: float) -> None:
    x, y, along = foot_on_segment(0.0, 0.0, *ends)
    assert math.hypot(float(x), float(y)) == pytest.approx(nearest_cm, abs=6e-7)
    assert math.hypot(float(x), float(y)) == pytest.approx(LineString([ends[:2], ends[2:]]).distance(Point(0, 0)))
    assert 0.0 <= float(along) <= 1.0


def test_a_wall_without_length_is_a_point() -> None:
    assert [float(v) for v in foot_on_segment(0.0, 0.0, 3.0, 4.0, 3.0, 4.0)] == [3.0, 4.0, 0.0]


def test_near_face_of_a_post() -> None:
    # a circle of radius 6 cm about (80, 60): the near face lies 94 cm away at (75.2, 56.4), by unit vector
    centre, bearing = range_and_bearing(0.0, 0.0, 80.0, 60.0)
    x, y = to_floor(0.0, 0.0, bearing, centre - 6.0, 0.0)
    assert [float(centre) - 6.0, float(x), float(y)] == pytest.approx([94.0, 75.2, 56.4], abs=1e-9)
    assert Point(80.0, 60.0).buffer(6.0, 256).distance(Point(0.0, 0.0)) == pytest.approx(94.0, abs=1e-3)


@BY_COMPUTER
@given(PLACES, PLACES, PLACES, PLACES, PLACES, PLACES)
def test_foot_on_segment_as_shapely_has_it(x: float, y: float, x1: float, y1: float, x2: float, y2: float) -> None:
    foot_x, foot_y, _ = foot_on_segment(x, y, x1, y1, x2, y2)
    away = math.dist((x, y), (float(foot_x), float(foot_y)))
    assert away == pytest.approx(LineString([(x1, y1), (x2, y2)]).distance(Point(x, y)), abs=1e-9)


def test_area_of_a_beam() -> None:
    # sector r^2 w / 2 (textbook): 100 cm reach, 15, 30 and 60 degrees wide [cm2]; a ring of 95..105 cm
    widths = np.radians([15.0, 30.0, 60.0])
    assert 1e4 * wedge_area_m2(widths, 1.0) == pytest.approx([1308.9969, 2617.9939, 5235.9878], abs=6e-5)
    assert 1e4 * float(wedge_area_m2(math.radians(30.0), 1.05, 0.95)) == pytest.approx(523.5988, abs=6e-5)
    edge = np.linspace(-0.5, 0.5, 2001) * math.radians(30.0)
    outline = Polygon([(0.0, 0.0), *zip(np.cos(edge), np.sin(edge), strict=True)])
    assert float(wedge_area_m2(math.radians(30.0), 1.0)) == pytest.approx(outline.area, rel=1e-6)


def test_cells_of_a_beam_counted_here_and_elsewhere() -> None:
    for row in table("wedge_cells.csv"):
        cell, half = row["cell_cm"], math.radians(row["full_width_deg"]) / 2.0
        side = math.ceil(100.0 / cell) + 1
        centres = (np.arange(-side, side) + 0.5) * cell
        ahead, left = to_pose(0.0, 0.0, math.radians(row["heading_deg"]), centres[None, :], centres[:, None])
        r, off = range_and_bearing(0.0, 0.0, ahead, left)
        inside = int(np.count_nonzero((r <= 100.0 + 1e-9) & (np.abs(off) <= half + 1e-9)))
        assert inside == row["cells"]
        # a cell's worth of edge on each side is all that counting may differ from the area
        assert inside * cell**2 == pytest.approx(1e4 * float(wedge_area_m2(2.0 * half, 1.0)), rel=0.02)


def test_smear_of_an_arc() -> None:
    # circle geometry at 100 cm and 30 degrees: arc r w, chord 2 r sin(w / 2), sagitta r (1 - cos(w / 2)) [cm]
    w = math.radians(30.0)
    left, right = to_floor(0.0, 0.0, 0.5 * w, 100.0, 0.0), to_floor(0.0, 0.0, -0.5 * w, 100.0, 0.0)
    chord, _ = range_and_bearing(*left, *right)
    assert [100.0 * w, float(chord), 100.0 - float(left[0])] == pytest.approx([52.3599, 51.7638, 3.4074], abs=6e-5)


def test_rough_wall_seen_aslant() -> None:
    # a rough wall at x = 100 cm, half beam 15 degrees: nearest range inside the beam at headings 0, 10, 20, 30
    half = math.radians(15.0)
    for heading, expected in ((0.0, 100.0), (10.0, 100.0), (20.0, 100.382), (30.0, 103.5276)):
        low, high = math.radians(heading) - half, math.radians(heading) + half
        ends = (100.0, 100.0 * math.tan(low), 100.0, 100.0 * math.tan(high))
        x, y, _ = foot_on_segment(0.0, 0.0, *ends)
        assert math.hypot(float(x), float(y)) == pytest.approx(expected, abs=6e-4 if heading == 20.0 else 6e-5)

"""Poses, angles and rays on the floor.

Floor axes: x right, y up [m]; headings and bearings counter-clockwise from +x [rad].  Head axes: 0 = straight ahead of
the robot, counter-clockwise.  No readings, no grids here.
"""

from __future__ import annotations

import math

import numpy as np

from sonargrid.arrays import Floats, Numbers


def wrap(angle_rad: Numbers) -> Floats:
    """Return angles wrapped into [-pi, pi), any shape [rad].

    >>> float(wrap(math.pi)) == -math.pi, round(float(wrap(7.0)), 6)
    (True, 0.716815)
    """
    a = np.asarray(angle_rad, dtype=np.float64)
    turned = np.remainder(a + math.pi, 2.0 * math.pi) - math.pi
    # an angle just below -pi rounds up to +pi, which lies outside
    return np.where(turned >= math.pi, -math.pi, turned)


def wrap_deg(angle_deg: Numbers) -> Floats:
    """Return angles wrapped into [-180, 180), any shape [deg]; exact for whole degrees.

    >>> wrap_deg([190.0, -190.0, 540.0, 180.0, -180.0]).tolist()
    [-170.0, 170.0, -180.0, -180.0, -180.0]
    """
    a = np.asarray(angle_deg, dtype=np.float64)
    turned = np.remainder(a + 180.0, 360.0) - 180.0
    return np.where(turned >= 180.0, -180.0, turned)


def to_floor(
    x_m: Numbers, y_m: Numbers, heading_rad: Numbers, ahead_m: Numbers, left_m: Numbers
) -> tuple[Floats, Floats]:
    """Return the floor place of a point that lies ahead and left of a pose; shapes broadcast [m].

    >>> x, y = to_floor(1.2, 0.8, math.radians(30.0), 0.05, 0.02)
    >>> round(float(x), 6), round(float(y), 6)
    (1.233301, 0.842321)
    """
    c, s = np.cos(heading_rad), np.sin(heading_rad)
    ahead, left = np.asarray(ahead_m, dtype=np.float64), np.asarray(left_m, dtype=np.float64)
    return np.asarray(x_m + c * ahead - s * left), np.asarray(y_m + s * ahead + c * left)


def to_pose(
    x_m: Numbers, y_m: Numbers, heading_rad: Numbers, point_x_m: Numbers, point_y_m: Numbers
) -> tuple[Floats, Floats]:
    """Return how far ahead and left of a pose a floor point lies; the inverse of `to_floor` [m].

    >>> ahead, left = to_pose(0.0, 0.0, math.pi / 2, 0.0, 2.0)
    >>> round(float(ahead), 9), round(float(left), 9)
    (2.0, 0.0)
    """
    c, s = np.cos(heading_rad), np.sin(heading_rad)
    dx = np.asarray(point_x_m, dtype=np.float64) - x_m
    dy = np.asarray(point_y_m, dtype=np.float64) - y_m
    return np.asarray(c * dx + s * dy), np.asarray(-s * dx + c * dy)


def range_and_bearing(x_m: Numbers, y_m: Numbers, point_x_m: Numbers, point_y_m: Numbers) -> tuple[Floats, Floats]:
    """Return distance [m] and bearing [rad] from one place to another; shapes broadcast.

    >>> r, b = range_and_bearing(0.0, 0.0, 3.0, 4.0)
    >>> float(r), round(math.degrees(float(b)), 3)
    (5.0, 53.13)
    """
    dx = np.asarray(point_x_m, dtype=np.float64) - x_m
    dy = np.asarray(point_y_m, dtype=np.float64) - y_m
    return np.hypot(dx, dy), np.arctan2(dy, dx)


def foot_on_segment(
    x_m: Numbers, y_m: Numbers, x1_m: Numbers, y1_m: Numbers, x2_m: Numbers, y2_m: Numbers
) -> tuple[Floats, Floats, Floats]:
    """Return the nearest point of a segment (x, y) [m] and its place along it (0 = first end, 1 = second).

    >>> x, y, t = foot_on_segment(0.0, 0.0, 1.0, -0.5, 1.0, 0.5)
    >>> float(x), float(y), float(t)
    (1.0, 0.0, 0.5)
    """
    ax, ay = np.asarray(x1_m, dtype=np.float64), np.asarray(y1_m, dtype=np.float64)
    dx, dy = np.asarray(x2_m, dtype=np.float64) - ax, np.asarray(y2_m, dtype=np.float64) - ay
    length2 = dx * dx + dy * dy
    along = ((x_m - ax) * dx + (y_m - ay) * dy) / np.where(length2 > 0.0, length2, 1.0)
    t = np.clip(along, 0.0, 1.0)
    return ax + t * dx, ay + t * dy, t


def wedge_area_m2(full_width_rad: Numbers, outer_m: Numbers, inner_m: Numbers = 0.0) -> Floats:
    """Return the floor that a beam covers between two ranges [m2]; shapes broadcast.

    >>> round(float(wedge_area_m2(math.radians(30.0), 1.0)), 4)
    0.2618
    """
    outer, inner = np.asarray(outer_m, dtype=np.float64), np.asarray(inner_m, dtype=np.float64)
    return np.asarray(0.5 * full_width_rad * (outer * outer - inner * inner))

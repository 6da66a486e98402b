"""Circles: what a post's ranges say of its middle and radius, against published fits and against a plain geometric one.

The range from a face to a post is its distance to the middle less the radius: faces that hear nothing between
themselves and the post (range 0) stand on it, and a least-squares fit of their ranges is the geometric circle fit.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from sonargrid.arrays import Floats
from sonargrid.finding.objects import fit_things
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Station
from sonargrid.simulation.scene import Noise, Scene, ScenePost, SweepPlan
from sonargrid.simulation.simulate import simulate
from sonargrid.stations.landmarks import POST, Landmarks, expected, slopes

# Gander, Golub & Strebel, Least-squares fitting of circles and ellipses, BIT 34 (1994) 558-578; numbers from memory
SIX = np.array([(1.0, 7.0), (2.0, 6.0), (5.0, 8.0), (7.0, 7.0), (9.0, 5.0), (3.0, 7.0)])
GEOMETRIC = (4.7398, 2.9835, 4.7142)
UNIT_NORM = (5.3794, 7.2532, 3.0370)  # same paper: the algebraic fit of the smallest singular vector
# I. Kasa, A circle fitting procedure and its error analysis, IEEE Trans. Instrum. Meas. 25 (1976): method; computed
KASA = (4.742331, 3.835123, 4.108762)


def _ranges(shape: tuple[float, ...], faces: Floats) -> Floats:
    return expected(Landmarks(np.array([POST]), np.array([shape])), faces[:, 0], faces[:, 1])[0][0]


def _fitted(faces: Floats, range_m: Floats, start: tuple[float, ...]) -> Floats:
    """Return (x, y, radius) of the post whose ranges come nearest to those heard: Gauss-Newton with the slopes."""
    shape = np.array(start)
    for _ in range(200):
        post = Landmarks(np.array([POST]), shape[None])
        by_shape = slopes(post, np.zeros(len(faces), dtype=np.int64), faces[:, 0], faces[:, 1])[2]
        shape = shape + np.linalg.lstsq(by_shape, range_m - _ranges(tuple(shape), faces), rcond=None)[0]
    return shape


def _squares(shape: tuple[float, ...], faces: Floats) -> float:
    return float(np.sum(_ranges(shape, faces) ** 2))


def test_three_points_have_one_circle() -> None:
    # the right angle of 3, 4, 5 stands on the half circle over the longest side (Thales)
    faces = np.array([(0.0, 0.0), (4.0, 0.0), (0.0, 3.0)])
    assert _fitted(faces, np.zeros(3), (1.0, 1.0, 1.0)) == pytest.approx([2.0, 1.5, 2.5], abs=1e-9)


def test_a_short_exact_arc_gives_its_circle_back() -> None:
    turn = np.radians(np.linspace(70.0, 110.0, 9))
    faces = np.column_stack([3.0 + 5.0 * np.cos(turn), -2.0 + 5.0 * np.sin(turn)])
    assert _fitted(faces, np.zeros(9), (3.2, -1.0, 4.0)) == pytest.approx([3.0, -2.0, 5.0], abs=1e-6)


def test_the_published_geometric_fit_of_six_points() -> None:
    found = _fitted(SIX, np.zeros(6), KASA)
    assert found == pytest.approx(GEOMETRIC, abs=5e-5)
    # the algebraic fits of the same points lie where these ranges are worse: up to 4.3 off in y, 1.7 in radius
    assert _squares(tuple(found), SIX) < 0.9 * _squares(KASA, SIX)
    assert _squares(tuple(found), SIX) < 0.6 * _squares(UNIT_NORM, SIX)
    # and nothing near by is better
    for step in 1e-3 * np.vstack([np.eye(3), -np.eye(3)]):
        assert _squares(tuple(found + step), SIX) > _squares(tuple(found), SIX)


def test_four_points_all_round_leave_the_fits_little_to_differ() -> None:
    # a surveyors' public exercise on the regression circle; its algebraic (Kasa) circle, computed
    faces = np.array([(11.88, 0.08), (10.34, 8.59), (2.58, 9.54), (-0.29, 1.95)])
    algebraic = (6.08144, 3.63465, 6.69918)
    found = _fitted(faces, np.zeros(4), algebraic)
    assert found == pytest.approx(algebraic, abs=0.02)
    assert _squares(tuple(found), faces) <= _squares(algebraic, faces)


@pytest.mark.parametrize("radius_m", [0.03, 0.07])
def test_a_post_that_stations_surround_is_the_circle_through_its_near_faces(radius_m: float) -> None:
    turn = np.radians([10.0, 75.0, 140.0, 200.0, 270.0, 320.0])
    at = np.column_stack([0.7 * np.cos(turn), 0.6 * np.sin(turn)])
    stations = tuple(
        Station("ABCDEF"[k], *at[k], math.atan2(-at[k, 1], -at[k, 0]), position_sigma_m=0.0, heading_sigma_rad=0.0)
        for k in range(6)
    )
    plan = SweepPlan(math.radians(45.0), math.radians(135.0), math.radians(3.0))
    scene = Scene(stations, posts=(ScenePost(0.04, -0.02, 2.0 * radius_m),), noise=Noise(), sweep=plan)
    run = simulate(scene, 5)
    pings = calibrated(run)
    near = [float(np.median(pings.range_m[(pings.station == k) & pings.echo])) for k in range(6)]
    x, y, radius = _fitted(at, np.array(near), (0.0, 0.0, 0.05))
    (post,) = fit_things(pings, run).board.things
    assert post.kind == "post"
    assert post.shape[:2] == pytest.approx([x, y], abs=0.003)
    # echoes come late by some millimetres, which the plain circle takes for a smaller post
    assert math.exp(post.shape[2]) == pytest.approx(radius, abs=0.008)
    assert post.shape[:2] == pytest.approx([0.04, -0.02], abs=0.004)
    assert math.exp(post.shape[2]) == pytest.approx(radius_m, abs=0.008)

"""Maps and lists against the truth: measures against scikit-learn and by hand, what counts and what does not."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, Point, Polygon
from sklearn import metrics

from sonargrid.finding.things import Object
from sonargrid.maps.grid import GridFrame, LogOddsGrid
from sonargrid.runs.readings import Readings, Run, Station, Target
from sonargrid.scores.list_scoring import score_list, true_things
from sonargrid.scores.measures import auc, balanced_log_loss, brier_score, calibration_error, log_loss, reliability
from sonargrid.scores.scoring import scene_of_targets, score, score_map
from sonargrid.scores.truth import cell_truth, in_sight, reflectors, solid
from sonargrid.simulation.scene import Scene, SceneBox, ScenePost, SceneWall

ONE = Scene((Station("A"),), posts=(ScenePost(0.0, 0.6, 0.1), ScenePost(0.5, 0.5, 0.06)))
FRAME = GridFrame.around(-1.0, 0.0, 1.0, 1.0, 0.02)


@settings(derandomize=True, deadline=None, max_examples=60)
@given(st.integers(0, 10_000), st.integers(3, 60), st.integers(1, 6))
def test_measures_agree_with_scikit_learn(seed: int, n: int, levels: int) -> None:
    rng = np.random.default_rng(seed)
    truth = rng.random(n) < 0.4
    truth[:2] = True, False
    chance = np.round(rng.uniform(0.01, 0.99, n), levels)
    chance = np.clip(chance, 0.01, 0.99)
    assert auc(truth, chance) == pytest.approx(metrics.roc_auc_score(truth, chance), abs=1e-12)
    assert brier_score(truth, chance) == pytest.approx(metrics.brier_score_loss(truth, chance), abs=1e-12)
    assert log_loss(truth, chance) == pytest.approx(metrics.log_loss(truth, chance), abs=1e-12)
    evidence = np.log(chance / (1.0 - chance))
    weights = np.where(truth, 0.5 / truth.sum(), 0.5 / (~truth).sum())
    want = metrics.log_loss(truth, chance, sample_weight=weights)
    assert balanced_log_loss(truth, evidence) == pytest.approx(want, abs=1e-12)


def test_reliability_and_its_error_by_hand() -> None:
    chance = np.array([0.05, 0.15, 0.12, 0.95, 0.91, 0.99])
    truth = np.array([0, 0, 1, 1, 1, 0])
    bins = reliability(truth, chance, 2)
    assert [(round(b.claimed, 6), round(b.observed, 6), b.count) for b in bins] == [
        (round(0.32 / 3, 6), round(1 / 3, 6), 3),
        (0.95, round(2 / 3, 6), 3),
    ]
    assert calibration_error(bins) == pytest.approx(0.5 * (1 / 3 - 0.32 / 3) + 0.5 * (0.95 - 2 / 3), abs=1e-12)


def test_measures_of_nothing_and_of_one_class() -> None:
    assert math.isnan(brier_score([], [])) and math.isnan(auc([1, 1], [0.2, 0.3]))
    assert math.isnan(balanced_log_loss([0, 0], [0.1, 0.2])) and math.isnan(calibration_error(()))
    with pytest.raises(ValueError, match="shape"):
        brier_score([0, 1], [0.5])


def test_truth_of_two_posts() -> None:
    heard = reflectors(ONE)
    assert heard[:, :2] == pytest.approx(
        np.array([[0.0, 0.55], [0.5 * (1 - 0.03 / math.hypot(0.5, 0.5)), 0.5 * (1 - 0.03 / math.hypot(0.5, 0.5))]])
    )
    truth = cell_truth(ONE, FRAME)
    assert int(truth.reflector.sum()) == 2
    assert not (truth.free & truth.surface).any()
    row, column = FRAME.cell_of(np.array([0.0, 0.0, 0.0]), np.array([0.3, 0.6, 0.9]))
    # before the post, inside it, in its shadow
    assert truth.free[row, column].tolist() == [True, False, False]


def test_solid_and_sight_agree_with_shapely() -> None:
    scene = Scene((Station("A"),), posts=(ScenePost(0.2, 0.6, 0.2),), boxes=(SceneBox(-0.3, 0.5, 0.2, 0.1, 0.4),))
    rng = np.random.default_rng(5)
    x, y = rng.uniform(-0.6, 0.6, 400), rng.uniform(0.05, 0.79, 400)  # all within reach
    outline = Polygon(scene.boxes[0].corners_m())
    post = Point(0.2, 0.6)
    inside = [outline.contains(Point(a, b)) or post.distance(Point(a, b)) < 0.1 for a, b in zip(x, y, strict=True)]
    assert solid(scene, x, y).tolist() == inside
    seen = in_sight(scene, x, y)
    for a, b, got in zip(x, y, seen, strict=True):
        way = LineString([(0.0, 0.0), (a, b)])
        # four fifths of a post's radius really block
        assert got == (not (way.crosses(outline) or outline.contains(Point(a, b)) or way.distance(post) < 0.08))


def _grid(values: np.ndarray) -> LogOddsGrid:
    return LogOddsGrid(FRAME, values, np.ones(FRAME.shape), {"prior": 0.02})


def test_a_perfect_map_and_one_that_knows_nothing() -> None:
    truth = cell_truth(ONE, FRAME)
    perfect = score_map(_grid(np.where(truth.reflector, 9.0, -9.0)), truth)
    assert perfect.f1 == 1.0 and perfect.auc == 1.0
    assert perfect.balanced_log_loss == pytest.approx(math.log1p(math.exp(-9.0)), rel=1e-6)
    nothing = score_map(_grid(np.zeros(FRAME.shape)), truth)
    assert nothing.f1 == 0.0 and math.isnan(nothing.precision)
    assert nothing.balanced_log_loss == pytest.approx(math.log(2.0), abs=1e-12)
    assert nothing.auc == 0.5


def test_one_cell_off_is_right_two_are_not() -> None:
    truth = cell_truth(ONE, FRAME)
    one_down = np.roll(truth.reflector, -1, axis=0)
    assert score_map(_grid(np.where(one_down, 5.0, -5.0)), truth).f1 == 1.0
    two_down = np.roll(truth.reflector, -2, axis=0)
    assert score_map(_grid(np.where(two_down, 5.0, -5.0)), truth).recall == 0.0
    with pytest.raises(ValueError, match="the truth on"):
        score_map(_grid(np.zeros(FRAME.shape)), cell_truth(ONE, GridFrame.around(-1.0, 0.0, 1.0, 1.0, 0.04)))


def _thing(x: float, y: float, sigma: float = 0.02, confidence: float = 0.9) -> Object:
    d = math.hypot(x, y)
    return Object("echo", x, y, sigma, sigma, 0.0, d - 0.05, math.atan2(y, x), 1, 9, confidence=confidence)


def test_list_figures_by_hand() -> None:
    found = score_list([_thing(0.0, 0.63), _thing(0.5, 0.56, sigma=0.01), _thing(-0.6, 0.3)], ONE)
    figures = found.as_dict()
    assert (found.decisions.right, found.decisions.wrong, found.decisions.missed) == (2, 1, 0)
    assert not found.exact and not found.perfect and found.close == 1
    assert figures["precision"] == pytest.approx(2 / 3) and figures["recall"] == 1.0
    assert figures["centre_median_m"] == pytest.approx(0.045)
    assert figures["centre_rms_m"] == pytest.approx(math.sqrt((0.03**2 + 0.06**2) / 2))
    assert figures["inside_95_ellipse"] == 0.5  # 3 cm at 2 cm sigma is inside (1.5 < 2.448), 6 cm at 1 cm is not
    assert found.claims == ((0.9, True), (0.9, True), (0.9, False))
    json.dumps(figures)


def test_the_nearest_pairs_match_and_each_only_once() -> None:
    found = score_list([_thing(0.02, 0.6), _thing(0.05, 0.6)], ONE)
    assert [m.thing for m in found.matches] == ["post 1"]
    assert found.decisions.wrong == 1 and found.decisions.missed == 1
    perfect = score_list([_thing(0.5, 0.5), _thing(0.0, 0.6)], ONE)
    assert perfect.perfect and perfect.perfect_close
    assert [m.near_m for m in perfect.matches] == pytest.approx([-0.02, 0.0])


def test_things_nobody_heard_are_neither_right_nor_false() -> None:
    both = [_thing(0.0, 0.6), _thing(0.5, 0.5)]
    found = score_list(both, ONE, only={"post 1"})
    assert found.things == 1 and found.unexpected == 1 and found.decisions.wrong == 0 and found.exact and found.perfect


def test_outside_the_walls_is_false_and_said() -> None:
    walls = (
        SceneWall(-1, -0.2, 1, -0.2),
        SceneWall(1, -0.2, 1, 0.8),
        SceneWall(1, 0.8, -1, 0.8),
        SceneWall(-1, 0.8, -1, -0.2),
    )
    scene = replace(ONE, walls=walls)
    wall = Object("wall", 0.0, 0.81, 0.01, 0.01, 0.0, 0.8, 1.5, 1, 9, width_m=1.9, heading_rad=0.02)
    askew = replace(wall, heading_rad=0.5)
    found = score_list([_thing(0.0, 0.6), _thing(0.5, 0.5), _thing(0.0, 1.1), wall, askew], scene)
    assert found.outside_walls == 1 and found.decisions.wrong == 1
    assert (found.walls_true, found.walls_listed, found.walls_right) == (4, 2, 1)


def test_near_face_of_a_turned_box() -> None:
    scene = Scene((Station("A"),), boxes=(SceneBox(0.1, 0.7, 0.2, 0.1, 0.7),))
    (thing,) = true_things(scene)
    assert thing.near_m(0.0, 0.0) == pytest.approx(Polygon(scene.boxes[0].corners_m()).distance(Point(0.0, 0.0)))


def test_a_run_stands_for_its_surveyed_targets() -> None:
    angle = np.arange(0.0, 181.0, 3.0)
    rows = Readings("angle_deg", "range_cm", angle, np.full(61, np.inf), 0 * angle, 0 * angle, 1 + 0 * angle)
    targets = (Target("post", 0.0, 0.6, 0.1), Target("wall", -1.0, 0.9, 0.0, 1.0, 0.9))
    run = Run(rows, targets=targets)
    scene = scene_of_targets(run)
    assert len(scene.posts) == 1 and len(scene.walls) == 1
    assert math.degrees(scene.sweep.step_rad) == pytest.approx(3.0)
    both = score(_grid(np.zeros(FRAME.shape)), run, objects=[_thing(0.0, 0.6)])
    assert both.things is not None and both.things.perfect and both.grid is not None
    assert len(both.rows()) == 15  # one of them the only bin of the reliability diagram
    drawn = replace(_grid(np.zeros(FRAME.shape)), layers={"drawn_log_odds": np.full(FRAME.shape, -2.0)})
    with_drawn = score(drawn, run, objects=[_thing(0.0, 0.6)])
    assert with_drawn.drawn is not None and with_drawn.drawn.f1 == 0.0
    assert len(with_drawn.rows()) == 16 and with_drawn.as_dict()["drawn_map"] is not None
    assert both.as_dict()["drawn_map"] is None
    json.dumps(both.as_dict())
    with pytest.raises(ValueError, match="no surveyed"):
        score([], Run(rows))

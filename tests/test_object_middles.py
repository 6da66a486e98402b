"""Middles of things that one station heard, and posts that replace what stood in for them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sonargrid.finding.echo_beam import Beam
from sonargrid.finding.echo_board import Board
from sonargrid.finding.echo_model import Soundings, nearest_on_box, thing_echoes
from sonargrid.finding.echo_order import Thing
from sonargrid.finding.object_boxes import rebox
from sonargrid.finding.object_middles import boxes_behind, middle_by_one, posts_behind
from sonargrid.finding.object_moves import Prior, side_of
from sonargrid.finding.object_pool import objective

PRIOR = Prior(math.log(0.07), 0.5)


def _heard(places: np.ndarray, thing: Thing, step_deg: float = 3.0) -> Soundings:
    """What an ideal ranger hears of one thing from some places, all round."""
    turns = np.radians(np.arange(0.0, 360.0, step_deg))
    station = np.repeat(np.arange(len(places)), turns.size)
    x, y = places[station].T
    bare = Soundings(
        station, x, y, np.tile(turns, len(places)), places, *(4 * [np.zeros(0)]), *(2 * [np.ones(x.size)]), 3.0, 0.05
    )
    e = thing_echoes(thing.kind, np.array([thing.shape]), bare, Beam())
    loud = e.margin_db[0] > 0.0
    ray = np.flatnonzero(loud)
    one = np.ones(ray.size)
    return Soundings(
        station, x, y, bare.bearing_rad, places, ray, e.range_m[0, ray], one, one, (~loud).astype(float),
        np.ones(x.size), 3.0, 0.05,
    )  # fmt: skip


@settings(derandomize=True, deadline=None, max_examples=20)
@given(st.floats(-3.0, 3.0), st.floats(0.2, 2.0))
def test_everything_tried_has_its_nearest_point_where_the_echo_came_from(bearing: float, face: float) -> None:
    place = np.array([0.3, -0.4])
    boxes = boxes_behind(place, face, bearing, 0.05, 1.5)
    x, y = nearest_on_box(boxes, place[:1], place[1:])
    assert np.hypot(x[:, 0] - place[0], y[:, 0] - place[1]) == pytest.approx(face, rel=1e-9)
    for shape in posts_behind(place, face, bearing, 0.05, 1.5)[:20]:
        assert side_of(Thing("post", tuple(shape)), place)[0] == pytest.approx(face)


def test_the_middle_of_a_face_heard_from_one_place_lies_behind_it() -> None:
    place = np.array([[0.0, 0.0]])
    box = Thing("box", (0.0, 0.85, math.pi / 2, 0.05, 0.08, 0.0))
    board = Board(_heard(place, box), Beam(), [Thing("wall", (math.pi / 2, 0.8, -0.08, 0.08, 0.0))])
    middle, spread = middle_by_one(board, (0,), place[0], PRIOR, 0.05)
    assert middle == pytest.approx([0.0, 0.85], abs=0.02)
    assert np.linalg.eigvalsh(spread).min() > 0.0
    assert 0.005 < math.sqrt(spread[1, 1]) < 0.04  # as unsure as half a depth is


def test_one_post_takes_the_place_of_an_edge_and_a_too_thick_one() -> None:
    places = np.array([[0.0, 0.0], [1.2, 0.1], [0.6, 1.3]])
    post = Thing("post", (0.6, 0.55, math.log(0.035), 0.0))
    s = _heard(places, post)
    for wrong in (Thing("corner", (0.58, 0.53, -9.0, -4.0)), Thing("post", (0.62, 0.58, math.log(0.09), 0.0))):
        board = Board(s, Beam(), [wrong])
        before = objective(board, PRIOR)
        found = rebox(board, PRIOR)
        assert objective(found, PRIOR) > before
        assert [t.kind for t in found.things] == ["post"]
        assert found.things[0].middle_m == pytest.approx((0.6, 0.55), abs=0.006)

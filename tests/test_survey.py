"""Places from tape distances: whole-number triangles, the errors of the tape, and what is refused."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from sonargrid.runs.readings import Mark
from sonargrid.runs.survey import TAPE_SIGMA_M, heading_towards, place_from_tapes

P, Q = Mark("P", 0.0, 0.0), Mark("Q", 5.0, 0.0)
PLACES = st.floats(-3.0, 3.0).map(lambda v: round(v, 3))


# Exactly computed: Pythagorean and Heronian triangles with whole sides (3-4-5, 13-14-15, 5-5-6)
@pytest.mark.parametrize(
    ("apart", "p_m", "q_m", "along", "across"),
    [(5.0, 3.0, 4.0, 1.8, 2.4), (14.0, 13.0, 15.0, 5.0, 12.0), (6.0, 5.0, 5.0, 3.0, 4.0)],
)
def test_whole_number_triangles(apart: float, p_m: float, q_m: float, along: float, across: float) -> None:
    q = Mark("Q", apart, 0.0)
    assert place_from_tapes(P, q, p_m, q_m, "left")[:2] == pytest.approx((along, across), abs=1e-12)
    assert place_from_tapes(P, q, p_m, q_m, "right")[:2] == pytest.approx((along, -across), abs=1e-12)
    assert place_from_tapes(q, P, q_m, p_m, "right")[:2] == pytest.approx((along, across), abs=1e-12)


@settings(derandomize=True, deadline=None, max_examples=100)
@given(PLACES, PLACES, PLACES, PLACES, PLACES, PLACES)
def test_any_well_placed_station_is_found_again(px: float, py: float, qx: float, qy: float, x: float, y: float) -> None:
    p, q = Mark("P", px, py), Mark("Q", qx, qy)
    to_p, to_q = math.hypot(x - px, y - py), math.hypot(x - qx, y - qy)
    apart = math.hypot(qx - px, qy - py)
    assume(min(to_p, to_q, apart) > 0.1)
    turn = (qx - px) * (y - py) - (qy - py) * (x - px)
    sine = abs(turn) / (to_p * to_q)
    assume(sine > 0.3)
    found = place_from_tapes(p, q, to_p, to_q, "left" if turn > 0 else "right")
    assert found[:2] == pytest.approx((x, y), abs=1e-9)
    assert found[2] == pytest.approx(TAPE_SIGMA_M / sine, rel=1e-6)


def test_the_sigma_is_that_of_many_wrong_tapes() -> None:
    rng = np.random.default_rng(7)
    tapes = rng.normal((3.0, 4.5), TAPE_SIGMA_M, (4000, 2))
    places = np.array([place_from_tapes(P, Q, a, b, "left")[:2] for a, b in tapes])
    per_axis = math.sqrt(float(places.var(axis=0).mean()))
    assert place_from_tapes(P, Q, 3.0, 4.5, "left")[2] == pytest.approx(per_axis, rel=0.05)


@pytest.mark.parametrize(
    ("p_m", "q_m", "words"),
    [
        (1.0, 3.0, "cannot both hold: the marks are 5 m apart"),
        (9.0, 3.0, "cannot both hold"),
        (2.51, 2.5, "cross at only"),
        (100.0, 100.0, "cross at only 3 degrees"),
    ],
)
def test_no_place_is_made_up(p_m: float, q_m: float, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        place_from_tapes(P, Q, p_m, q_m, "left")


def test_one_mark_twice_is_refused() -> None:
    with pytest.raises(ValueError, match="one and the same place"):
        place_from_tapes(P, Mark("Q", 0.0, 0.0), 1.0, 1.0, "left")


def test_heading_towards_a_mark() -> None:
    heading, sigma = heading_towards(5.0, -2.0, 0.02, Q)
    assert heading == pytest.approx(math.pi / 2)
    assert sigma == pytest.approx(math.hypot(math.radians(2.0), 0.02 / 2.0))
    with pytest.raises(ValueError, match="stands on mark Q"):
        heading_towards(5.0, 0.01, 0.02, Q)

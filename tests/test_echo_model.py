"""Expected echoes against geometry and piston tables, and the first-return likelihood against a slow twin."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from slow_twins_board import directivity_slowly, likelihood_ping_by_ping
from sonargrid.finding.echo_beam import Beam, directivity_db
from sonargrid.finding.echo_board import Board
from sonargrid.finding.echo_model import Soundings, half_beam_rad, range_density, thing_echoes
from sonargrid.finding.echo_order import Thing
from sonargrid.finding.echo_shadows import shadows

KA_8_MM = Beam(size_m=0.008, wavelength_m=343.2 / 40000.0)


def _looks(places: list[tuple[float, float]], degrees: np.ndarray, heard: dict[int, float] | None = None) -> Soundings:
    """Rays from places at bearings; `heard` gives the range of some of them, the others are silent."""
    n, p = degrees.size, len(places)
    station = np.repeat(np.arange(p), n)
    xy = np.array(places)[station]
    echoes = heard or {}
    ray = np.array(sorted(echoes), dtype=np.int64)
    silence = np.ones(n * p)
    silence[ray] = 0.0
    return Soundings(
        station=station,
        x_m=xy[:, 0],
        y_m=xy[:, 1],
        bearing_rad=np.tile(np.radians(degrees), p),
        place_m=np.array(places),
        ray=ray,
        range_m=np.array([echoes[r] for r in ray.tolist()]),
        weight=np.ones(ray.size),
        count=np.ones(ray.size),
        silence=silence,
        pings=np.ones(n * p),
        reach_m=3.0,
        step_rad=math.radians(3.0),
    )


@pytest.mark.parametrize(("margin_db", "half_angle_deg"), [(6, 15.9892), (10, 20.3851), (20, 27.7898), (30, 32.5552)])
def test_the_lobe_starts_as_a_pistons(margin_db: float, half_angle_deg: float) -> None:
    # half angle at which the two-way loss equals an echo's margin, 8 mm piston at 40 kHz, 343.2 m/s:
    # 40 log10 |2 J1(x) / x| (Kinsler et al., Fundamentals of Acoustics), computed with scipy
    off = np.radians([half_angle_deg, -half_angle_deg])
    assert directivity_db(off, KA_8_MM) == pytest.approx([-margin_db] * 2, abs=0.06)


def test_side_lobes_are_a_plateau_and_nothing_is_heard_behind() -> None:
    off = np.radians(np.arange(0.0, 181.0, 1.0))
    level = directivity_db(off, Beam())
    assert np.all(np.diff(level[:90]) <= 1e-9)  # no nulls to lock into
    assert np.all(level[105:] < -90.0)


@given(st.floats(-0.3, 0.3), st.floats(0.006, 0.01))
@settings(max_examples=20, deadline=None)
def test_the_table_of_a_whole_turn_tells_what_the_lobe_tells(lopsided: float, size_m: float) -> None:
    beam = replace(Beam(), lopsided=lopsided, size_m=size_m)
    off = np.linspace(-3.1, 3.1, 2001)  # a grid that does not meet the edge behind the beam
    slowly = directivity_slowly(off, beam)
    # an entry is 0.2 mrad wide and the lobe's steepest flank, just before the plateau, falls by 0.5 dB/mrad
    for turns in (-2.0, 0.0, 1.0):
        assert directivity_db(off + turns * 2.0 * math.pi, beam) == pytest.approx(slowly, abs=0.1)


def test_a_lopsided_beam_is_wider_on_one_side() -> None:
    wide = replace(Beam(), lopsided=0.2)
    left, right = half_beam_rad(np.array([0.5]), wide, True), half_beam_rad(np.array([0.5]), wide, False)
    even = half_beam_rad(np.array([0.5]), Beam(), True)
    assert left / right == pytest.approx(math.exp(0.2), rel=0.01)
    assert left * right == pytest.approx(even**2, rel=0.01)


def test_louder_echoes_are_heard_farther_aside() -> None:
    quiet, loud = (half_beam_rad(np.array([0.7]), replace(Beam(), threshold_db=t), True)[0] for t in (-22.0, -30.0))
    assert quiet < loud


def test_a_post_answers_with_its_near_face() -> None:
    # nearest point of a circle at (80, 60) of radius 6 from the origin: 94 away at (75.2, 56.4); plane geometry
    e = thing_echoes(
        "post", np.array([[0.8, 0.6, math.log(0.06), 0.0]]), _looks([(0.0, 0.0)], np.array([30.0])), Beam()
    )
    assert float(e.range_m[0, 0]) == pytest.approx(0.94)
    assert (float(e.x_m[0, 0]), float(e.y_m[0, 0])) == (pytest.approx(0.752), pytest.approx(0.564))
    assert math.degrees(float(e.off_rad[0, 0])) == pytest.approx(math.degrees(math.atan2(0.6, 0.8)) - 30.0)


def test_a_corner_is_farther_than_its_two_walls() -> None:
    # from (70, 40) cm: walls x = 0 and y = 0 at 70 and 40, their corner at 80.6226; image method (Kuc and Siegel 1987)
    s = _looks([(0.7, 0.4)], np.array([180.0]))
    west = thing_echoes("wall", np.array([[math.pi, 0.0, -2.0, 2.0, 0.0]]), s, Beam())
    south = thing_echoes("wall", np.array([[-math.pi / 2, 0.0, -2.0, 2.0, 0.0]]), s, Beam())
    corner = thing_echoes("corner", np.array([[0.0, 0.0, -9.0, 0.0]]), s, Beam())
    ranges = [float(e.range_m[0, 0]) for e in (west, south, corner)]
    assert ranges == pytest.approx([0.7, 0.4, 0.806226], abs=5e-7)


def test_a_smooth_wall_answers_only_where_it_stands_square() -> None:
    wall = np.array([[math.pi / 2, 1.0, -0.5, 0.5, 0.0]])  # y = 1, x from -0.5 to 0.5 (ends count to the left)
    inside, outside = (
        float(thing_echoes("wall", wall, _looks([(x, 0.0)], np.array([90.0])), Beam()).margin_db[0, 0])
        for x in (0.2, 0.9)
    )
    assert inside > 20.0
    assert outside < 0.0


def test_a_wall_spreads_less_than_a_post() -> None:
    # doubling the way costs a smooth wall 6 dB (mirror image), a small post 3 dB more (cylinder); textbook spreading
    s = _looks([(0.0, 0.0)], np.array([90.0]))
    air = replace(Beam(), absorption_db_m=0.0)

    def level(kind: str, shape: list[float]) -> float:
        return float(thing_echoes(kind, np.array([shape]), s, air).margin_db[0, 0])

    wall = [level("wall", [math.pi / 2, r, -3.0, 3.0, 0.0]) for r in (0.5, 1.0)]
    post = [level("post", [0.0, r + 0.001, math.log(0.001), 0.0]) for r in (0.5, 1.0)]
    # half of the spreading is taken back by amplification in both
    assert wall[0] - wall[1] == pytest.approx(3.01, abs=0.01)
    assert post[0] - post[1] == pytest.approx(6.01, abs=0.05)


def test_the_range_density_is_one_whole_with_heavy_tails_and_slips() -> None:
    z = np.linspace(0.0, 2.0, 400_001)
    density = range_density(z, np.array(1.0), np.array(30.0), Beam())
    assert float(density.sum() * (z[1] - z[0])) == pytest.approx(1.0, abs=2e-3)
    sigma = 0.009
    normal = math.exp(-0.5 * 5.0**2) / (sigma * math.sqrt(2.0 * math.pi))
    assert float(range_density(np.array(1.0 - 5.0 * sigma), np.array(1.0), np.array(30.0), Beam())) > 50.0 * normal
    slipped = replace(Beam(), slip=0.3, sigma_m=0.0005, sigma_share=0.0)
    late = float(range_density(np.array(1.0043), np.array(1.0), np.array(30.0), slipped))
    assert late > 20.0 * float(
        range_density(np.array(1.0043), np.array(1.0), np.array(30.0), replace(slipped, slip=0.0))
    )


def test_weak_echoes_come_late() -> None:
    z = np.linspace(0.98, 1.03, 5001)
    peaks = [
        float(z[np.argmax(range_density(z, np.array(1.0), np.array(m), replace(Beam(), slip=0.0)))])
        for m in (0.0, 20.0)
    ]
    assert peaks == pytest.approx([1.007, 1.0], abs=1e-4)


THINGS = (
    Thing("post", (0.10, 0.60, math.log(0.04), 0.0)),
    Thing("post", (-0.45, 0.85, math.log(0.06), 1.0)),
    Thing("corner", (0.80, 0.90, -9.0, 0.0)),
    Thing("floor", (0.35, 0.0, 0.0, -3.0)),
)
DEGREES = np.arange(0.0, 181.0, 6.0)
HEARD = {n: 0.5 + 0.013 * n for n in range(5, 24, 2)} | {7: 0.561, 13: 0.56, 15: 0.565}


def test_the_likelihood_agrees_with_its_slow_twin() -> None:
    s = _looks([(0.0, 0.0)], DEGREES, HEARD)
    assert Board(s, Beam(), THINGS).likelihood() == pytest.approx(likelihood_ping_by_ping(s, Beam(), list(THINGS)))
    assert Board(s, Beam()).likelihood() == pytest.approx(likelihood_ping_by_ping(s, Beam(), []))


@settings(derandomize=True, deadline=None, max_examples=15)
@given(st.floats(-0.6, 0.6), st.floats(0.3, 1.2), st.floats(0.005, 0.1), st.floats(-3.0, 3.0))
def test_rating_a_version_is_the_likelihood_with_it(x: float, y: float, radius: float, gain: float) -> None:
    s = _looks([(0.0, 0.0), (0.5, -0.1)], DEGREES, HEARD)
    board = Board(s, Beam(), THINGS)
    thing = Thing("post", (x, y, math.log(radius), gain))
    rated = board.rate(board.rest(1), "post", np.array([thing.shape, THINGS[1].shape]))
    for value, version in zip(rated, (thing, THINGS[1]), strict=True):
        others = [*THINGS[:1], version, *THINGS[2:]]
        assert float(value) == pytest.approx(Board(s, Beam(), others).likelihood(), abs=0.02)
    terms = board.rate_terms(board.rest(1), "post", np.array([thing.shape]))
    exact = Board(s, Beam(), [*THINGS[:1], thing, *THINGS[2:]]).terms()
    for one, other in zip(terms, exact, strict=True):
        assert one[0] == pytest.approx(other, abs=2e-3)


def test_looking_only_at_the_rays_in_question_changes_next_to_nothing() -> None:
    s = _looks([(0.0, 0.0), (1.5, 0.4)], DEGREES, HEARD)
    board = Board(s, Beam(), THINGS)
    for index, thing in enumerate(THINGS):
        rest, shape = board.rest(index), np.array([thing.shape])
        by_echo, by_ray = board.rate_terms(rest, thing.kind, shape)
        every = float(by_echo[0] @ s.weight + by_ray[0] @ s.silence)
        assert float(board.rate(rest, thing.kind, shape)[0]) == pytest.approx(every, abs=0.02)
    assert 0.1 < board.audible("post", np.array([THINGS[0].shape])).mean() < 0.6


def test_likelihood_by_station_adds_up() -> None:
    s = _looks([(0.0, 0.0), (0.5, -0.1)], DEGREES, HEARD)
    board = Board(s, Beam(), THINGS)
    shape = np.array([THINGS[0].shape])
    parts = board.rate_by_station(board.rest(0), "post", shape)
    assert parts.shape == (1, 2)
    assert float(parts.sum()) == pytest.approx(float(board.rate(board.rest(0), "post", shape)[0]))


def test_each_echo_is_shared_out_once() -> None:
    board = Board(_looks([(0.0, 0.0)], DEGREES, HEARD), Beam(), THINGS)
    assert board.shares().sum(axis=0) + board.strays() == pytest.approx(np.ones(len(HEARD)))


def test_a_post_hides_what_stands_behind_it_and_a_wall_does_too() -> None:
    place = np.array([[0.0, 0.0]])
    behind, beside = (np.array([[x]]) for x in (0.0, 0.5))
    far = np.array([[2.0]])
    post = np.array([[0.0, 1.0, math.log(0.05), 0.0]])
    wall = np.array([[math.pi / 2, 1.0, -0.3, 0.3, 0.0]])
    for kind, shape in (("post", post), ("wall", wall)):
        assert shadows(kind, shape, place, behind, far).all()
        assert not shadows(kind, shape, place, beside * 4.0, far).any()
        assert not shadows(kind, shape, place, behind, np.array([[0.5]])).any()
    assert not shadows("corner", post, place, behind, far).any()


def test_a_hidden_thing_is_not_called_absent() -> None:
    # silence towards a thing behind a nearer one says nothing against it: it costs no more than not being there
    s = _looks([(0.0, 0.0)], DEGREES)
    near = Thing("post", (0.0, 0.5, math.log(0.08), 0.0))
    board = Board(s, Beam(), [near])
    open_, hidden = (
        float(board.rate(board.rest(), "post", np.array([[x, 1.0, math.log(0.04), 0.0]]))[0]) - board.likelihood()
        for x in (0.9, 0.0)
    )
    assert hidden == pytest.approx(0.0, abs=1e-9)
    assert open_ < -5.0

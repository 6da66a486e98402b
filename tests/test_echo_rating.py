"""Versions of things rated side by side, against boards on which they stand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sonargrid.finding import echo_order
from sonargrid.finding.echo_beam import Beam
from sonargrid.finding.echo_board import Board
from sonargrid.finding.echo_model import Soundings
from sonargrid.finding.echo_order import Thing, Versions, forms
from sonargrid.finding.echo_shadows import Screens, shadows
from sonargrid.finding.object_candidates import crossing, crossings, mirrored
from sonargrid.finding.object_moves import Prior
from sonargrid.finding.object_pool import cost, nets
from sonargrid.finding.run_beam import KNOBS, turned

BEAM = Beam()
KINDS = ("post", "box", "wall", "rough", "corner")


def _soundings(rng: np.random.Generator, most: int) -> Soundings:
    """Three stations that look all round, with up to `most` echoes and some silence on each ray."""
    place = np.array([(0.0, 0.0), (1.5, 0.2), (0.4, 1.3)])
    degrees = np.arange(0.0, 360.0, 12.0)
    station = np.repeat(np.arange(3), degrees.size)
    number = rng.integers(0, most + 1, station.size)
    ray = np.repeat(np.arange(station.size), number)
    return Soundings(
        station=station,
        x_m=place[station, 0],
        y_m=place[station, 1],
        bearing_rad=np.tile(np.radians(degrees), 3),
        place_m=place,
        ray=ray,
        range_m=rng.uniform(0.2, 2.0, ray.size),
        weight=rng.uniform(0.5, 2.0, ray.size),
        count=np.ones(ray.size),
        silence=rng.integers(0, 3, station.size).astype(np.float64),
        pings=np.ones(station.size),
        reach_m=3.0,
        step_rad=math.radians(12.0),
    )


def _thing(rng: np.random.Generator, kind: str) -> Thing:
    x, y, gain = rng.uniform(-1.0, 2.5), rng.uniform(-1.0, 2.5), rng.normal(0.0, 2.0)
    if kind in ("wall", "rough"):
        low = rng.uniform(-1.0, 0.5)
        return Thing(kind, (rng.uniform(0.0, 2 * math.pi), rng.uniform(0.5, 2.0), low, low + rng.uniform(0.3, 2), gain))
    if kind == "box":
        half_w, half_d = rng.uniform(0.03, 0.15, 2)
        return Thing(kind, (x, y, rng.uniform(0.0, math.pi), half_w, half_d, gain))
    return Thing(kind, (x, y, math.log(rng.uniform(0.01, 0.12)), gain))


def _near(rng: np.random.Generator, thing: Thing) -> Thing:
    return Thing(thing.kind, tuple(v + rng.normal(0.0, 0.004) for v in thing.shape))


@given(st.integers(0, 10_000))
@settings(max_examples=20, deadline=None)
def test_screens_hide_what_the_things_hide_one_by_one(seed: int) -> None:
    rng = np.random.default_rng(seed)
    things = [_thing(rng, kind) for kind in KINDS * 3]
    place = rng.uniform(-1.0, 2.0, (4, 2))
    x, y = rng.uniform(-1.0, 2.5, (2, 6, 4))
    there = rng.uniform(size=(6, len(things))) < 0.7
    for walls in (True, False):
        hidden = Screens(forms(things), place).hidden(x, y, there, walls)
        for k, s in np.ndindex(hidden.shape):
            at = place[s : s + 1], x[k : k + 1, s : s + 1], y[k : k + 1, s : s + 1]
            one = [
                bool(shadows(_form(t), np.array([t.shape]), *at)[0, 0, 0])
                for n, t in enumerate(things)
                if there[k, n] and (walls or _form(t) != "wall")
            ]
            assert hidden[k, s] == any(one)


def _form(thing: Thing) -> str:
    return "wall" if thing.kind == "rough" else thing.kind


@given(st.integers(0, 10_000), st.sampled_from([k.field for k in KNOBS]), st.sampled_from([-1.0, 0.5, 1.0]))
@settings(max_examples=40, deadline=None)
def test_a_board_heard_anew_scores_what_a_new_board_scores(seed: int, field: str, steps: float) -> None:
    rng = np.random.default_rng(seed)
    board = Board(_soundings(rng, 2), BEAM, [_thing(rng, kind) for kind in KINDS])
    knob = next(k for k in KNOBS if k.field == field)
    beam = turned(BEAM, knob, steps * knob.step)
    anew = Board(board.soundings, beam, board.things).likelihood()
    assert board.heard_with(beam).likelihood() == pytest.approx(anew, abs=1e-3)


@given(st.integers(0, 10_000), st.booleans())
@settings(max_examples=30, deadline=None)
def test_the_nets_of_things_are_those_of_each_beside_the_others(seed: int, alone: bool) -> None:
    rng = np.random.default_rng(seed)
    things = [_thing(rng, kind) for kind in KINDS * 2]
    wall, post = things[2], things[0]
    things += [Thing("post", tuple(v)) for v in mirrored(np.array([wall.shape]), [post])]
    things += [Thing("corner", (x, y, -9.0, 0.0)) for x, y in crossings(np.array([t.shape for t in things[2:4]]))]
    prior = Prior(math.log(0.05), 0.4, sweep=(0.0, 0.0, 1.0, 1.0) if alone else None)
    for thing, net in zip(things, nets(things, prior).tolist(), strict=True):
        density = float(prior.log_density(thing.kind, np.array([thing.shape]))[0])
        assert net == pytest.approx(density - cost(thing, things, prior))


@given(st.integers(0, 10_000))
def test_walls_cross_in_pairs(seed: int) -> None:
    rng = np.random.default_rng(seed)
    walls = np.array([_thing(rng, "wall").shape for _ in range(5)])
    pairs = [crossing(a, b) for n, a in enumerate(walls) for b in walls[n + 1 :]]
    assert crossings(walls) == pytest.approx(np.array([p for p in pairs if p]).reshape(-1, 2), abs=1e-9)


@given(st.integers(0, 10_000), st.integers(1, 3))
@settings(max_examples=25, deadline=None)
def test_versions_side_by_side_score_what_boards_with_them_score(seed: int, most: int) -> None:
    with pytest.MonkeyPatch.context() as patch:
        # elsewhere what is heard in less than one ping of a hundred may be hidden unnoticed
        patch.setattr(echo_order, "NEGLIGIBLE", 0.0)
        rng = np.random.default_rng(seed)
        things = [_thing(rng, kind) for kind in (*KINDS, "post")]
        board = Board(_soundings(rng, most), BEAM, things)
        tried = {n: [thing, *(_near(rng, thing) for _ in range(3))] for n, thing in enumerate(things)}
        k, m = np.nonzero(np.ones((4, board.soundings.station.size)))
        versions = [
            Versions(things[n].kind, np.array([t.shape for t in near]), np.full(4, n), k, m)
            for n, near in tried.items()
        ]
        rests = [board.rest(n) for n in tried]
        for (n, near), values in zip(tried.items(), board.rate_all(rests, versions), strict=True):
            for thing, value in zip(near, values.tolist(), strict=True):
                other = Board(board.soundings, BEAM, [*things[:n], thing, *things[n + 1 :]])
                assert value == pytest.approx(other.likelihood(), abs=0.01)

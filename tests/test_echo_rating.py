"""Versions of things rated side by side, against boards on which they stand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sonargrid.finding.echo_beam import Beam
from sonargrid.finding.echo_board import Board
from sonargrid.finding.echo_model import Soundings
from sonargrid.finding.echo_order import Thing, Versions

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


@given(st.integers(0, 10_000), st.integers(1, 3))
@settings(max_examples=25, deadline=None)
def test_versions_side_by_side_score_what_boards_with_them_score(seed: int, most: int) -> None:
    rng = np.random.default_rng(seed)
    things = [_thing(rng, kind) for kind in (*KINDS, "post")]
    board = Board(_soundings(rng, most), BEAM, things)
    tried = {n: [thing, *(_near(rng, thing) for _ in range(3))] for n, thing in enumerate(things)}
    k, m = np.nonzero(np.ones((4, board.soundings.station.size)))
    versions = [
        Versions(things[n].kind, np.array([t.shape for t in near]), np.full(4, n), k, m) for n, near in tried.items()
    ]
    rests = [board.rest(n) for n in tried]
    for (n, near), values in zip(tried.items(), board.rate_all(rests, versions), strict=True):
        for thing, value in zip(near, values.tolist(), strict=True):
            other = Board(board.soundings, BEAM, [*things[:n], thing, *things[n + 1 :]])
            # what is heard in less than one ping of a hundred may be hidden unnoticed
            assert value == pytest.approx(other.likelihood(), abs=0.01)

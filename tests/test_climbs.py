"""Climbs of things side by side: what they promise, and what they may leave out."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sonargrid.finding.echo_beam import Beam
from sonargrid.finding.echo_board import Board
from sonargrid.finding.echo_order import Thing
from sonargrid.finding.object_boxes import Refusals, rebox
from sonargrid.finding.object_climb import climb_all
from sonargrid.finding.object_moves import Prior, alike
from sonargrid.finding.object_pool import drop_poor, objective
from sonargrid.finding.soundings import pack
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Station
from sonargrid.simulation.scene import Scene, SceneBox, ScenePost, SceneWall, SweepPlan
from sonargrid.simulation.simulate import simulate

PRIOR = Prior(math.log(0.07), 0.5)
# a post before a box and a wall: what climbs hides others and is hidden
THINGS = (
    Thing("post", (0.9, 0.8, math.log(0.04), 0.0)),
    Thing("box", (1.5, 0.9, 0.3, 0.12, 0.08, 0.0)),
    Thing("wall", (math.pi / 2, 1.5, -2.0, 0.0, 0.0)),
    Thing("corner", (2.0, 1.5, -9.0, 0.0)),
)


def _room(seed: int, alone: bool = False) -> Board:
    stations = Station("S1", 0.0, 0.0, 0.6), Station("S2", 1.8, 0.1, 2.2), Station("S3", 0.6, 0.2, 1.0)
    scene = Scene(
        stations[:1] if alone else stations,
        posts=(ScenePost(0.9, 0.8, 0.04),),
        boxes=(SceneBox(1.5, 0.9, 0.24, 0.16, 0.3),),
        walls=(SceneWall(-0.5, 1.5, 2.0, 1.5),),
        sweep=SweepPlan(step_rad=math.radians(4.0)),
    )
    soundings, _ = pack(calibrated(simulate(scene, seed)))
    return Board(soundings, Beam(), THINGS)


def _off(rng: np.random.Generator, thing: Thing) -> Thing:
    return Thing(thing.kind, tuple(v + rng.normal(0.0, 0.01) for v in thing.shape))


@given(st.integers(0, 1000), st.booleans())
@settings(max_examples=10, deadline=None)
def test_a_climb_ends_higher_and_tells_what_its_end_scores(seed: int, alone: bool) -> None:
    rng, board = np.random.default_rng(seed), _room(3, alone)
    rests, starts = [board.rest(n) for n in range(len(THINGS))], [_off(rng, thing) for thing in THINGS]
    climbed = climb_all(board, rests, starts, PRIOR, passes=3)
    for rest, start, (thing, value) in zip(rests, starts, climbed, strict=True):
        shapes = np.array([thing.shape, start.shape])
        end, before = board.rate(rest, thing.kind, shapes) + PRIOR.log_density(thing.kind, shapes)
        # a climb leaves out rays that hear a thing less than once in a thousand pings
        assert value == pytest.approx(end, abs=0.02)
        assert value > before - 1e-6


@pytest.mark.parametrize("thing", THINGS)
def test_things_are_alike_but_for_small_moves(thing: Thing) -> None:
    assert alike(thing, thing)
    assert alike(thing, Thing(thing.kind, (*thing.shape[:-1], thing.shape[-1] + 3.0)))
    assert not alike(thing, Thing(thing.kind, (thing.shape[0] + 0.04, *thing.shape[1:])))
    assert not any(alike(thing, other) for other in THINGS if other is not thing)


def test_only_what_stands_beside_a_thing_is_dropped() -> None:
    board = _room(7)
    board.add(Thing("post", (0.95, 0.5, math.log(0.04), 0.0)))
    board.add(Thing("post", (-1.2, 0.3, math.log(0.04), 0.0)))  # both where nobody heard anything
    near = board.with_more([])
    drop_poor(near, PRIOR, near=near.things[0])
    assert [t for t in board.things if t not in near.things] == [board.things[4]]
    far = board.things[5]
    drop_poor(board, PRIOR)
    assert far not in board.things


def test_what_was_refused_clearly_is_not_tried_again() -> None:
    room = _room(9)
    wrong = Thing("corner", (1.45, 0.8, -9.0, 0.0))
    board = Board(room.soundings, Beam(), [wrong, *THINGS[2:]])
    refused: Refusals = []
    better = rebox(board, PRIOR, refused=refused)
    assert objective(better, PRIOR) > objective(board, PRIOR) + 0.5
    assert wrong not in better.things
    assert all(gained <= 0.5 for _, gained in refused)
    assert wrong in rebox(board, PRIOR, refused=[((wrong,), -20.0)]).things
    assert wrong not in rebox(board, PRIOR, refused=[((wrong,), -2.0)]).things

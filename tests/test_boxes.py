"""Boxes and images in the object fit: their echoes against geometry, and rooms in which they must be found."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sonargrid.arrays import Floats
from sonargrid.finding.echo_beam import Beam, directivity_db
from sonargrid.finding.echo_board import Board
from sonargrid.finding.echo_model import EDGE_DB, Soundings, heard_first, thing_echoes
from sonargrid.finding.echo_order import Thing, same_rows
from sonargrid.finding.echo_shadows import shadows
from sonargrid.finding.object_boxes import rebox
from sonargrid.finding.object_candidates import mirrored
from sonargrid.finding.object_corners import explained, free_corners
from sonargrid.finding.object_moves import Prior, apply_moves
from sonargrid.finding.object_pool import EXPECTED_BONUS, cost, costs, objective
from sonargrid.finding.objects import find_objects
from sonargrid.finding.soundings import pack
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Ranger, Station
from sonargrid.simulation.scene import Noise, Scene, SceneBox, ScenePost, SceneWall, SweepPlan
from sonargrid.simulation.simulate import simulate

BEAM = Beam()


def _looks(x: float, y: float, degrees: Floats) -> Soundings:
    n = degrees.size
    none = np.zeros(0)
    return Soundings(
        station=np.zeros(n, dtype=np.int64),
        x_m=np.full(n, x),
        y_m=np.full(n, y),
        bearing_rad=np.radians(degrees),
        place_m=np.array([(x, y)]),
        ray=np.zeros(0, dtype=np.int64),
        range_m=none,
        weight=none,
        count=none,
        silence=np.ones(n),
        pings=np.ones(n),
        reach_m=3.0,
        step_rad=math.radians(3.0),
    )


def test_a_wide_face_answers_as_a_wall_does() -> None:
    s = _looks(0.0, 0.0, np.arange(60.0, 121.0, 10.0))
    box = thing_echoes("box", np.array([[0.0, 1.2, 0.0, 1.0, 0.2, 0.0]]), s, BEAM)
    wall = thing_echoes("wall", np.array([[math.pi / 2, 1.0, -1.0, 1.0, 0.0]]), s, BEAM)
    assert box.range_m == pytest.approx(wall.range_m)
    assert box.off_rad == pytest.approx(wall.off_rad)
    assert box.margin_db == pytest.approx(wall.margin_db)


def test_from_beside_its_faces_an_edge_answers_weakly() -> None:
    s = _looks(0.0, 0.0, np.array([45.0]))
    box = thing_echoes("box", np.array([[0.5, 0.5, 0.0, 0.1, 0.1, 0.0]]), s, BEAM)
    wall = thing_echoes("wall", np.array([[math.pi / 4, 0.4 * math.sqrt(2.0), -1.0, 1.0, 0.0]]), s, BEAM)
    assert float(box.range_m[0, 0]) == pytest.approx(0.4 * math.sqrt(2.0))
    # an edge falls by 10 log r more than a wall; the fading end of a face may add to it
    least = EDGE_DB - 10.0 * math.log10(0.4 * math.sqrt(2.0))
    assert least - 1e-9 <= float(box.margin_db[0, 0] - wall.margin_db[0, 0]) < -15.0


def test_where_the_beam_looks_past_its_face_a_near_box_answers_with_an_edge() -> None:
    s = _looks(0.0, 0.0, np.array([90.0, 40.0]))
    box = thing_echoes("box", np.array([[0.0, 0.25, 0.0, 0.10, 0.05, 0.0]]), s, BEAM)
    assert box.range_m[0].tolist() == pytest.approx([0.2, math.hypot(0.1, 0.2)])


@given(st.floats(-0.5, 0.5), st.floats(-0.5, 0.5), st.floats(-3.0, 3.0), st.floats(-1.0, 1.0))
@settings(max_examples=60, deadline=None)
def test_the_edges_in_sight_are_those_that_a_walk_round_the_box_finds(
    x: float, y: float, turn: float, aside: float
) -> None:
    half_w, half_d, toward = 0.09, 0.05, math.atan2(y, x) + aside
    s = _looks(0.0, 0.0, np.degrees(np.array([toward])))
    e = thing_echoes("box", np.array([[x, y, turn, half_w, half_d, 0.0]]), s, BEAM)
    c, sn = math.cos(turn), math.sin(turn)
    u, v = -c * x - sn * y, sn * x - c * y  # the station in the box's own frame
    if e.other_db is None or not math.isfinite(float(e.other_db[0, 0])):
        return
    heard = []
    for i, j in ((1, 1), (1, -1), (-1, 1), (-1, -1)):
        eu, ev = i * half_w, j * half_d
        if (i * u > half_w) == (j * v > half_d):
            continue
        ex, ey = x + c * eu - sn * ev, y + sn * eu + c * ev
        far = math.hypot(ex, ey)
        spread = 20.0 * math.log10(far) + (2.0 * BEAM.absorption_db_m + BEAM.slope_db_m) * (far - 1.0)
        off = directivity_db(np.array([math.atan2(ey, ex) - toward]), BEAM)
        heard.append((EDGE_DB - BEAM.threshold_db - spread + float(off[0]), far))
    level, far = max(heard)
    told = [(float(e.margin_db[0, 0]), float(e.range_m[0, 0])), (float(e.other_db[0, 0]), float(e.other_m[0, 0]))]
    assert any(m == pytest.approx(level, abs=1e-6) and r == pytest.approx(far) for m, r in told)


def test_two_edges_of_a_near_box_answer_each_with_its_own_chance() -> None:
    # an edge towards the station, another one to the left, and the beam looks left
    s = _looks(0.0, 0.0, np.array([105.0]))
    shape = np.array([[0.0, 0.35, 0.25 * math.pi, 0.08, 0.08, 0.0]])
    diagonal = 0.08 * math.sqrt(2.0)
    e = thing_echoes("box", shape, s, BEAM)
    assert e.other_m is not None and e.other_db is not None
    assert sorted([float(e.range_m[0, 0]), float(e.other_m[0, 0])]) == pytest.approx(
        [0.35 - diagonal, math.hypot(0.35, diagonal)]
    )
    one, other = (float(share[0, 0]) for share in heard_first(e.range_m, e.margin_db, e.other_m, e.other_db, BEAM))
    assert min(one, other) > 0.03
    silent = BEAM.missed + (1.0 - BEAM.stray - BEAM.missed) * (1.0 - one - other)
    assert Board(s, BEAM, [Thing("box", tuple(shape[0]))]).likelihood() == pytest.approx(math.log(silent))


def test_nothing_is_heard_from_inside() -> None:
    s = _looks(0.0, 0.0, np.array([90.0]))
    assert thing_echoes("box", np.array([[0.05, 0.0, 0.3, 0.2, 0.2, 0.0]]), s, BEAM).margin_db[0, 0] == -math.inf


@settings(derandomize=True, deadline=None, max_examples=30)
@given(st.floats(-1.5, 1.5), st.floats(-1.5, 1.5), st.floats(0.0, 3.0))
def test_the_nearest_point_is_the_nearest_of_many(x: float, y: float, turn: float) -> None:
    if math.hypot(x, y) < 0.3:
        return
    half_w, half_d = 0.12, 0.07
    e = thing_echoes("box", np.array([[0.0, 0.0, turn, half_w, half_d, 0.0]]), _looks(x, y, np.array([0.0])), BEAM)
    u, v = np.meshgrid(np.linspace(-half_w, half_w, 241), np.linspace(-half_d, half_d, 141))
    px, py = math.cos(turn) * u - math.sin(turn) * v, math.sin(turn) * u + math.cos(turn) * v
    assert math.hypot(e.x_m[0, 0] - x, e.y_m[0, 0] - y) == pytest.approx(
        float(np.hypot(px - x, py - y).min()), abs=1e-3
    )


def test_a_box_hides_what_stands_behind_it() -> None:
    place = np.array([[0.0, 0.0]])
    box = np.array([[0.0, 1.0, 0.4, 0.1, 0.1, 0.0]])
    at = [np.array([[v]]) for v in (0.0, 2.0, 0.5, 1.0)]
    assert shadows("box", box, place, at[0], at[1]).all()
    assert not shadows("box", box, place, at[0], at[2]).any()
    assert not shadows("box", box, place, at[3], at[1]).any()


def test_a_face_moves_by_itself() -> None:
    shape = np.array([0.2, 0.3, 0.5, 0.1, 0.05, 0.0])
    (moved,) = apply_moves("box", shape, np.array([[0.02, 0.0, 0.0, 0.0, 0.0, 0.0]]), np.zeros(2))
    c, s = math.cos(0.5), math.sin(0.5)
    other_face = np.array([0.2 - 0.1 * c, 0.3 - 0.1 * s])
    assert moved[:2] - moved[3] * np.array([c, s]) == pytest.approx(other_face)
    assert moved[3:5].tolist() == pytest.approx([0.11, 0.05])


def test_rows_that_are_alike_are_found_together() -> None:
    rng = np.random.default_rng(5)
    for columns in (3, 70):
        flat = rng.random((40, columns)) < 0.5
        flat[10:20] = flat[:10]
        groups = same_rows(flat)
        assert sorted(int(n) for g in groups for n in g) == list(range(40))
        assert len(groups) == len({tuple(row) for row in flat.tolist()})
        assert all((flat[g] == flat[g[0]]).all() for g in groups)


def test_an_image_stands_as_far_behind_its_wall() -> None:
    post = Thing("post", (0.6, 0.5, math.log(0.03), 0.0))
    wall = Thing("wall", (math.pi / 2, 2.0, -1.0, 1.0, 0.0))
    (image,) = mirrored(np.array([wall.shape]), [post])
    assert image.tolist() == pytest.approx([0.6, 3.5, math.log(0.03), 0.0])
    short = Thing("wall", (math.pi / 2, 2.0, -0.1, 0.1, 0.0))
    assert not len(mirrored(np.array([short.shape]), [post]))
    prior = Prior(math.log(0.07), 0.5)
    beside = [post, wall]
    assert cost(Thing("post", tuple(image)), beside, prior) == prior.cost("post") - EXPECTED_BONUS
    assert cost(Thing("post", (1.6, 3.5, -3.0, 0.0)), beside, prior) == prior.cost("post")


def test_what_others_make_likely_is_cheap() -> None:
    prior = Prior(math.log(0.07), 0.5)
    walls = [Thing("wall", (0.0, 2.0, -1.0, 1.0, 0.0)), Thing("wall", (math.pi / 2, 1.5, -1.0, 1.0, 0.0))]
    corners = np.array([(2.0, 1.5, -9.0, 0.0), (2.0, 1.3, -9.0, 0.0)])
    assert costs("corner", corners, walls, prior).tolist() == [
        prior.cost("corner") - EXPECTED_BONUS,
        prior.cost("corner"),
    ]
    turned = np.array([(math.pi, 0.0, -1.0, 1.0, 0.0), (0.3, 0.0, -1.0, 1.0, 0.0)])
    assert costs("wall", turned, walls, prior).tolist() == [prior.cost("wall") - EXPECTED_BONUS, prior.cost("wall")]
    assert cost(walls[0], walls[:1], prior) == prior.cost("wall")  # nobody vouches for himself


ROOM = Scene(
    stations=tuple(
        Station(name, x, y, math.radians(turn), 0.003, math.radians(0.3))
        for name, x, y, turn in (("A", 1.22, 0.5, 90), ("B", 1.9, 1.08, 180), ("C", 0.6, 1.7, -45), ("D", 0.5, 0.4, 45))
    ),
    walls=tuple(SceneWall(*ends) for ends in ((0, 0, 2.4, 0), (2.4, 0, 2.4, 2.2), (2.4, 2.2, 0, 2.2), (0, 2.2, 0, 0))),
    boxes=(SceneBox(1.2, 1.1, 0.20, 0.12),),
    ranger=Ranger(reach_m=3.0),
    sweep=SweepPlan(step_rad=math.radians(3.0)),
    noise=Noise(dropout=0.02, stray=0.01),
    seed=4,
)


def test_a_box_in_a_room_is_one_thing_at_its_centre() -> None:
    for seed in (1, 2, 3):
        things = [one for one in find_objects(simulate(ROOM, seed)) if one.counted]
        assert len(things) == 1
        assert things[0].kind == "cluster" and things[0].stations >= 2
        assert math.hypot(things[0].x_m - 1.2, things[0].y_m - 1.1) < 0.04


def test_a_box_replaces_the_pieces_that_stood_in_for_it() -> None:
    soundings, _ = pack(calibrated(simulate(ROOM, 5)))
    walls = [
        Thing("wall", (turn, rho, low, high, 0.0))
        for turn, rho, low, high in (
            (0.0, 2.4, 0.0, 2.2),
            (math.pi, 0.0, -2.2, 0.0),
            (math.pi / 2, 2.2, -2.4, 0.0),
            (-math.pi / 2, 0.0, 0.0, 2.4),
        )
    ]
    pieces = [Thing("post", (1.2, 1.1, math.log(0.07), 0.0))]
    prior = Prior(math.log(0.07), 0.5)
    board = Board(soundings, BEAM, [*walls, *pieces])
    better = rebox(board, prior)
    assert [t.kind for t in better.things].count("box") == 1
    assert objective(better, prior) > objective(board, prior) + 0.5


def test_what_a_post_or_a_wall_explains_as_well_is_no_free_corner() -> None:
    scene = replace(ROOM, boxes=(), posts=(ScenePost(1.2, 1.1, 0.08),))
    soundings, _ = pack(calibrated(simulate(scene, 6)))
    prior = Prior(math.log(0.07), 0.5)
    south, west = Thing("wall", (-math.pi / 2, 0.0, 0.0, 2.4, 0.0)), Thing("wall", (math.pi, 0.0, -2.2, 0.0, 0.0))
    # where B hears the east wall, on the post's near side, and where walls really cross
    corners = [Thing("corner", (x, y, -9.0, 0.0)) for x, y in ((2.4, 1.08), (1.19, 1.07), (0.0, 0.0))]
    board = Board(soundings, BEAM, [south, west, *corners])
    assert free_corners(board, prior) == [2, 3]
    better = explained(board, soundings, prior)
    posts, walls = ([t for t in better.things if t.kind == kind] for kind in ("post", "wall"))
    assert (len(posts), len(walls)) == (1, 3)
    assert not free_corners(better, prior)
    x, y = posts[0].middle_m
    assert math.hypot(x - 1.2, y - 1.1) < 0.02
    assert max(abs(wall.shape[1]) for wall in walls) == pytest.approx(2.4, abs=0.02)


def test_a_wall_found_for_one_free_corner_may_take_another() -> None:
    scene = replace(ROOM, boxes=(), posts=(ScenePost(1.2, 1.1, 0.08),))
    soundings, _ = pack(calibrated(simulate(scene, 6)))
    corners = [Thing("corner", (x, y, -9.0, 0.0)) for x, y in ((2.4, 1.08), (2.42, 0.08))]
    board = Board(soundings, BEAM, [Thing("wall", (-math.pi / 2, 0.0, 0.0, 2.4, 0.0)), *corners])
    better = explained(board, soundings, Prior(math.log(0.07), 0.5))
    assert [t.kind for t in better.things] == ["wall", "wall", "corner"]
    assert math.hypot(better.things[2].shape[0] - 2.4, better.things[2].shape[1]) < 0.03


def test_copies_of_a_sweep_change_no_count() -> None:
    scene = Scene(
        stations=(Station("A"),),
        posts=(ScenePost(-0.25, 0.45, 0.08), ScenePost(0.3, 0.6, 0.10)),
        ranger=Ranger(reach_m=1.0),
        sweep=SweepPlan(step_rad=math.radians(2.0)),
        seed=3,
    )
    run = simulate(scene)
    found = {}
    for count in (1, 5, 20):
        r = run.readings
        rows = np.tile(np.arange(len(r.angle)), count)
        many = replace(
            r,
            angle=r.angle[rows],
            distance=r.distance[rows],
            station=r.station[rows],
            turning=r.turning[rows],
            sweep=r.sweep[rows] + np.repeat(np.arange(count), len(r.angle)) * (int(r.sweep.max()) + 1),
        )
        found[count] = find_objects(replace(run, readings=many))
        packed, once = (pack(calibrated(one))[0] for one in (replace(run, readings=many), run))
        assert packed.weight == pytest.approx(once.weight) and packed.silence == pytest.approx(once.silence)
    assert [len(f) for f in found.values()] == [2, 2, 2]
    for one, many in zip(found[1], found[20], strict=True):
        assert (many.x_m, many.y_m) == pytest.approx((one.x_m, one.y_m), abs=0.005)
        # copies tell nothing new: at most a tenth of the ellipse
        assert many.x_sigma_m > 0.9 * one.x_sigma_m and many.y_sigma_m > 0.9 * one.y_sigma_m

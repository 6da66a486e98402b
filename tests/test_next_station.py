"""Where to park next: what may be reached, what is seen from there, and what it is worth, against hand values."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sonargrid.arrays import Bools
from sonargrid.errors import SonargridError
from sonargrid.finding.things import Object
from sonargrid.maps.grid import GridFrame, LogOddsGrid
from sonargrid.maps.mapping import build_map
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Ranger, Readings, Robot, Run, Station
from sonargrid.stations.next_station import (
    ENOUGH_FLOOR_M2,
    ENOUGH_SPREAD_M,
    NOT_HEARD_CLEAR,
    WORTH,
    Proposal,
    _told,
    next_station,
)
from sonargrid.stations.outlook import (
    FOOT_M,
    NEAR_M,
    NEW_SIDE_RAD,
    WALLS,
    directions,
    how_new,
    in_sight,
    inside_sweep,
    new_sides_m2,
    new_wall_m,
    sight,
    square_to,
    walls_of,
)
from sonargrid.stations.reachable import (
    beyond_walls,
    footprint_m,
    heard_clear,
    likely_cells,
    parking_cells,
    parking_places,
)

ANGLES = np.arange(0.0, 181.0, 3.0)


def _run(heard_m: np.ndarray | float = np.inf, radius_m: float = 0.10) -> Run:
    heard = np.broadcast_to(np.asarray(heard_m, dtype=np.float64), ANGLES.shape)
    rows = Readings("angle_deg", "range_m", ANGLES, heard, 0 * ANGLES, 0 * ANGLES, 1 + 0 * ANGLES)
    return Run(rows, (Station("A"),), ranger=Ranger(reach_m=1.0), robot=Robot(radius_m=radius_m))


def _floor(occupied: tuple[slice, slice] | None = None) -> LogOddsGrid:
    """Free floor from x -1 to 1 and y 0 to 1, but for some cells."""
    frame = GridFrame.around(-1.0, 0.0, 1.0, 1.0, 0.02)
    log_odds = np.full(frame.shape, -2.0, dtype=np.float32)
    if occupied is not None:
        log_odds[occupied] = 3.0
    return LogOddsGrid(frame, log_odds, np.ones(frame.shape, dtype=np.uint32), {})


def _post(x: float, y: float, stations: int = 1) -> Object:
    return Object("post", x, y, 0.01, 0.02, 0.0, math.hypot(x, y) - 0.03, math.atan2(y, x), stations, 20, 0.06)


WALL = Object("wall", 0.0, 0.7, 0.3, 0.01, 0.0, 0.7, math.pi / 2, 2, 30, width_m=1.0, heading_rad=0.0)


def test_a_place_lies_before_the_first_echo_of_all_the_beams_width() -> None:
    heard = np.where(np.abs(ANGLES - 90.0) <= 20.0, 0.6, np.inf)
    run = _run(heard)
    clear = heard_clear(_floor(), calibrated(run), math.radians(25.0), 0.12)
    frame = _floor().frame

    def at(x: float, y: float) -> bool:
        return bool(clear[frame.cell_of(x, y)])

    assert at(0.01, 0.45)
    assert not at(0.01, 0.51)  # 0.12 m more would touch the arc at 0.6 m
    # 40 degrees aside of the post's middle: its arc ends at 20, the beam is 25 wide to each side
    assert not at(0.7 * math.sin(math.radians(40.0)), 0.7 * math.cos(math.radians(40.0)))
    assert at(0.7 * math.sin(math.radians(48.0)), 0.7 * math.cos(math.radians(48.0)))
    # 30 degrees from the sweep's end a wall could slant across the way and answer from where nobody listened
    assert not at(0.7 * math.sin(math.radians(60.0)), 0.7 * math.cos(math.radians(60.0)))


def test_a_sweep_in_coarse_steps_has_no_gaps_where_a_beam_is_wider_than_a_step() -> None:
    floor = _floor()

    def clear(step_deg: float) -> Bools:
        angles = np.arange(0.0, 181.0, step_deg)
        rows = Readings("angle_deg", "range_m", angles, 0 * angles + np.inf, 0 * angles, 0 * angles, 1 + 0 * angles)
        return heard_clear(floor, calibrated(replace(_run(), readings=rows)), math.radians(25.0), 0.12)

    fine, coarse = clear(3.0), clear(15.0)
    between = 0.6 * math.sin(math.radians(7.5)), 0.6 * math.cos(math.radians(7.5))
    assert coarse[floor.frame.cell_of(0.0, 0.6)]
    assert coarse[floor.frame.cell_of(*between)]
    # half a step more at each end is all that a coarse sweep claims beyond a fine one
    assert not (fine & ~coarse).any()
    assert not clear(45.0).any()  # more than any beam covers


def test_behind_a_wall_nobody_parks() -> None:
    cells = beyond_walls(_floor(), _run(), [WALL])
    frame = _floor().frame
    assert cells[frame.cell_of(0.0, 0.8)]
    assert cells[frame.cell_of(0.9, 0.8)]  # the wall's line is drawn out
    assert not cells[frame.cell_of(0.0, 0.6)]


@given(st.floats(0.05, 0.20))
def test_the_robot_never_parks_nearer_than_its_radius(radius: float) -> None:
    grid = _floor((slice(20, 24), slice(40, 60)))
    cells = parking_cells(grid, _run(radius_m=radius), calibrated(_run()), [_post(0.5, 0.5)])
    x, y = grid.frame.centre_of(*np.nonzero(cells))
    stood = np.hypot(x, y) <= grid.cell_m
    row, column = np.nonzero(np.asarray(grid.log_odds) > 0.0)
    ox, oy = grid.frame.centre_of(row, column)
    gap = np.hypot(x[:, None] - ox, y[:, None] - oy).min(axis=1) if x.size else np.zeros(0)
    assert (gap[~stood] >= radius - 0.02).all()
    assert (np.hypot(x - 0.5, y - 0.5)[~stood] >= radius + footprint_m(_post(0.5, 0.5)) - 0.03).all()


def test_floor_that_hangs_together_with_no_station_is_not_reached() -> None:
    grid = _floor((slice(0, 50), slice(60, 62)))  # a bar from bottom to top at x = 0.2
    x = parking_places(grid, _run(radius_m=0.05), calibrated(_run()))[:, 0]
    assert x.size > 5
    assert x.max() < 0.2


@given(st.floats(0.05, 0.20))
def test_what_is_heard_clear_is_free_on_the_map_and_that_may_be_free(radius: float) -> None:
    grid = _floor((slice(20, 24), slice(40, 60)))
    run, things = _run(radius_m=radius), [_post(0.5, 0.5)]
    clear, free = parking_cells(grid, run, calibrated(run), things), likely_cells(grid, run, things)
    maybe = likely_cells(grid, run, things, unknown=True)
    assert not (clear & ~free).any()
    assert not (free & ~maybe).any()
    assert not free.any() or clear.sum() < free.sum()  # near the sweep's ends nobody listened from aside
    # what is free by the map alone keeps the same distance from what was found
    x, y = grid.frame.centre_of(*np.nonzero(free))
    stood = np.hypot(x, y) <= radius + 0.05
    assert (np.hypot(x - 0.5, y - 0.5)[~stood] >= radius + footprint_m(_post(0.5, 0.5)) - 0.03).all()


def _new_wall(place: tuple[float, float], heading: float, square: float | None = None) -> float:
    """New wall [m] after one station at the origin that faced +y, walls taken to stand 1 m away all round."""
    half, far = (-math.pi / 2, math.pi / 2), np.full((1, directions().size), 1.0)
    new = how_new(np.array([place]), np.array([[0.0, 0.0, math.pi / 2]]), half)
    return float(new_wall_m(far, new, np.array([heading]), half, square)[0, 0])


def test_the_same_sweep_again_meets_no_new_wall_and_the_other_half_circle_only_new_wall() -> None:
    """Four walls, two in a half circle; a piece ends where its arc is 5 cm off the wall: 2 sqrt(2 h r), the sagitta."""
    piece = 2.0 * math.sqrt(2.0 * 0.05 * 1.0)
    assert _new_wall((0.0, 0.0), math.pi / 2) == pytest.approx(0.0, abs=1e-9)
    assert _new_wall((0.0, 0.0), -math.pi / 2) == pytest.approx(0.5 * WALLS * piece, rel=0.03)
    assert 0.0 < _new_wall((0.2, 0.0), math.pi / 2) < _new_wall((0.6, 0.0), math.pi / 2)


def test_a_step_along_the_way_to_a_wall_does_not_move_its_foot() -> None:
    """A foot moves by the step's part across the way to the wall (foot of the perpendicular; plane geometry)."""
    new = how_new(np.array([[0.1, 0.3]]), np.array([[0.0, 0.0, math.pi / 2]]), (-math.pi / 2, math.pi / 2))[0]
    turn = directions()
    for at in (math.pi / 2, math.pi / 4, math.atan2(0.3, 0.1)):
        n = int(np.argmin(np.abs(turn - at)))
        across = abs(0.1 * math.sin(turn[n]) - 0.3 * math.cos(turn[n]))
        assert new[n] == pytest.approx(min(across, FOOT_M) / FOOT_M)
    assert new[int(np.argmin(np.abs(turn - 1.5 * math.pi)))] == 1.0  # nobody listened there


@given(st.floats(-math.pi, math.pi), st.floats(-1.0, 1.0), st.floats(-1.0, 1.0), st.integers(0, 71))
def test_new_wall_turns_with_the_world(heading: float, x: float, y: float, steps: int) -> None:
    turned = steps * 2.0 * math.pi / directions().size
    c, s = math.cos(turned), math.sin(turned)
    half, far = (-1.5, 1.5), np.ones((1, directions().size))
    one = how_new(np.array([[x, y]]), np.array([[0.0, 0.0, 0.02]]), half)
    other = how_new(np.array([[c * x - s * y, s * x + c * y]]), np.array([[0.0, 0.0, 0.02 + turned]]), half)
    assert np.roll(one[0], steps) == pytest.approx(other[0], abs=1e-6)
    everywhere = (-math.pi, math.pi)
    before = new_wall_m(far, one, np.array([heading]), everywhere, 0.1)
    assert before == pytest.approx(new_wall_m(far, other, np.array([heading]), everywhere, 0.1 + turned), abs=1e-6)
    assert (before >= 0.0).all()


def test_floor_seen_from_a_new_side_is_that_of_a_plain_count() -> None:
    grid = _floor((slice(20, 24), slice(30, 60)))
    blocked = np.asarray(grid.log_odds) > 0.0
    rng = np.random.default_rng(4)
    floor = rng.uniform([-1.0, 0.0], [1.0, 1.0], (60, 2))
    poses = np.array([[0.0, 0.05, math.pi / 2], [-0.8, 0.8, -0.5]])
    places, headings = np.array([[0.0, 0.05], [0.8, 0.9], [-0.7, 0.1]]), np.array([0.0, math.pi / 2, -2.5])
    half = (-math.pi / 2, math.pi / 2)
    fast = new_sides_m2(grid, blocked, floor, 0.01, poses, places, headings, half)

    def bearing_if_seen(x: float, y: float, heading: float, point: np.ndarray) -> float:
        sees = in_sight(grid, blocked, np.array([[x, y]]), point[None], NEAR_M)[0, 0]
        bearing = math.atan2(point[1] - y, point[0] - x)
        return bearing if sees and abs(math.remainder(bearing - heading, 2 * math.pi)) <= math.pi / 2 else math.nan

    for n, (x, y) in enumerate(places):
        for h, heading in enumerate(headings):
            total = 0.0
            for point in floor:
                here = bearing_if_seen(x, y, heading, point)
                if math.isnan(here):
                    continue
                turns = [
                    abs(math.remainder(here - b, 2 * math.pi))
                    for p in poses
                    if not math.isnan(b := bearing_if_seen(*p, point))
                ]
                total += 0.01 * min(1.0, min(turns, default=math.pi) / NEW_SIDE_RAD)
            assert fast[n, h] == pytest.approx(total)
    assert fast[0, 1] == pytest.approx(0.0)  # the first station's own place and heading
    assert fast[1].max() > 0.1


def test_walls_are_expected_square_to_those_found() -> None:
    assert square_to([]) is None
    assert square_to([WALL, _post(0.5, 0.5)]) == pytest.approx(0.0)
    slanted = replace(WALL, heading_rad=math.radians(95.0))
    assert square_to([slanted]) == pytest.approx(math.radians(5.0))
    # a sweep of 40 degrees that looks at where a wall is expected meets more than one that looks between
    narrow, far = (-math.radians(20.0), math.radians(20.0)), np.ones((1, directions().size))
    new = np.ones((1, directions().size))
    at, between = new_wall_m(far, new, np.array([0.0, math.pi / 4]), narrow, square_to([WALL]))[0]
    even = new_wall_m(far, new, np.array([0.0, math.pi / 4]), narrow, None)[0]
    assert at > 2.0 * between
    assert even[0] == pytest.approx(even[1])


def test_the_next_wall_is_where_sight_ends_or_what_is_known() -> None:
    frame = GridFrame.around(-1.0, -1.0, 1.0, 1.0, 0.02)
    known = np.hypot(*np.meshgrid(frame.x_centres_m(), frame.y_centres_m())) < 0.7
    log_odds = np.where(known, -2.0, 0.0).astype(np.float32)
    grid = LogOddsGrid(frame, log_odds, known.astype(np.uint32), {})
    blocked = np.zeros(frame.shape, dtype=bool)
    blocked[frame.cell_of(0.31, 0.0)] = True
    walls = walls_of([replace(WALL, y_m=0.4)])
    far = sight(grid, blocked, np.array([[0.0, 0.0]]), walls, 3.0)[1][0]
    ahead = {turn: far[int(np.argmin(np.abs(directions() - turn)))] for turn in (0.0, math.pi / 2, math.pi)}
    assert ahead[0.0] == pytest.approx(0.31, abs=0.04)
    assert ahead[math.pi / 2] == pytest.approx(0.4, abs=1e-6)
    assert ahead[math.pi] == pytest.approx(0.7, abs=0.04)


def test_new_floor_of_an_empty_world_is_the_disc() -> None:
    frame = GridFrame.around(-1.0, -1.0, 1.0, 1.0, 0.02)
    nothing = LogOddsGrid(frame, np.zeros(frame.shape, np.float32), np.zeros(frame.shape, np.uint32), {})
    none = np.zeros(frame.shape, dtype=bool)
    seen, _ = sight(nothing, none, np.array([[0.0, 0.0]]), walls_of([]), 0.8)
    assert float(seen.sum()) == pytest.approx(math.pi * 0.8**2, rel=1e-6)
    # a wall at y = 0.4 cuts off a segment of the disc: r^2 (t - sin t cos t), t = acos(0.4 / 0.8); circle segment
    wall = Object("wall", 0.0, 0.4, 0.3, 0.01, 0.0, 0.4, math.pi / 2, 2, 30, width_m=1.0, heading_rad=0.0)
    behind, _ = sight(nothing, none, np.array([[0.0, 0.0]]), walls_of([wall]), 0.8)
    t = math.acos(0.5)
    assert float((seen - behind).sum()) == pytest.approx(0.8**2 * (t - math.sin(t) * math.cos(t)), rel=0.06)
    assert directions().size == seen.shape[1]


def test_what_stands_between_ends_sight() -> None:
    grid = _floor((slice(20, 22), slice(40, 60)))
    points = np.array([[0.0, 0.8], [0.0, 0.3], [0.6, 0.4], [0.0, 3.0]])
    blocked = np.asarray(grid.log_odds) > 0.0
    sees = in_sight(grid, blocked, np.array([[0.0, 0.0]]), points, 1.0)
    assert sees.tolist() == [[False, True, True, False]]


def test_a_sweep_covers_its_half_circle_and_the_beams_side() -> None:
    half = (-math.pi / 2, math.pi / 2)
    bearing = np.radians([0.0, 89.0, 95.0, 180.0])
    assert inside_sweep(bearing, np.zeros(4), half, 0.0).tolist() == [True, True, False, False]
    assert inside_sweep(bearing, np.zeros(4), half, math.radians(12.0)).tolist() == [True, True, True, False]


def test_information_is_that_of_range_and_bearing() -> None:
    """At 1 m, range to 6 mm and bearing to 1.5 degrees: 0.69 nats from the same side, 1.52 from 90 degrees aside."""
    run = _run()
    points = np.array([[0.0, 1.0]])
    one, same, aside = (
        _told(np.array([place]), points, run)[0, 0][:2, :2] for place in ([0.0, 0.0], [0.0, 0.0], [1.0, 1.0])
    )
    assert np.sqrt(np.diag(np.linalg.inv(one))) == pytest.approx([math.radians(1.5), 0.006], rel=1e-9)

    def drop(other: np.ndarray) -> float:
        return 0.5 * float(np.linalg.slogdet(one + other)[1] - np.linalg.slogdet(one)[1])

    assert drop(same) == pytest.approx(math.log(2.0))
    assert drop(aside) == pytest.approx(math.log((1 / 6.0**2 + 1 / 26.18**2) * 6.0 * 26.18), rel=1e-3)
    assert drop(aside) == pytest.approx(1.52, abs=0.01)


def test_the_way_is_told_as_people_say_it() -> None:
    def way(ahead: float, left: float, turn_deg: float) -> str:
        return Proposal(0, 0, 0, 1, 0, 0, 0, 0.4, "A", ahead, left, math.radians(turn_deg), ()).way()

    assert way(0.4, 0.2, 30.0) == "from A: 40 cm ahead, 20 cm left, turn 30 degrees left"
    assert way(-0.4, -0.2, -30.0) == "from A: 40 cm back, 20 cm right, turn 30 degrees right"
    assert way(0.0, 0.004, 0.0) == "from A: stay"


def test_one_thing_seen_once_is_looked_at_from_aside() -> None:
    heard = np.where(np.abs(ANGLES - 90.0) <= 22.0, 0.7, np.inf)
    made = build_map(_run(heard), solver="joint", cell_m=0.02)
    post = _post(0.0, 0.73)
    places = next_station(made, [post])
    assert len(places) == 3
    best = places[0]
    # the way leads to the place, and the thing lies in the sweep there
    assert (best.x_m, best.y_m) == pytest.approx((-best.left_m, best.ahead_m))
    bearing = math.atan2(post.y_m - best.y_m, post.x_m - best.x_m)
    assert abs(math.remainder(bearing - best.heading_rad, 2 * math.pi)) <= math.radians(102.0)
    assert best.things_nats > math.log(2.0)  # more than a repeat from the same place would give
    assert any("post or a wall" in reason for reason in best.reasons)
    for one, other in pairwise(places):
        assert one.gain >= other.gain
        assert math.hypot(one.x_m - other.x_m, one.y_m - other.y_m) >= 0.35


def test_what_no_sweep_heard_clear_is_said() -> None:
    made = build_map(_run(np.where(np.abs(ANGLES - 90.0) <= 22.0, 0.7, np.inf)), solver="joint", cell_m=0.02)
    post = _post(0.0, 0.73)
    clear = parking_cells(made.grid, made.run, made.pings, [post])
    places = next_station(made, [post], count=8)
    assert {place.heard_clear for place in places} == {True, False}
    for place in places:
        assert place.heard_clear == bool(clear[made.grid.frame.cell_of(place.x_m, place.y_m)])
        assert (place.reasons[-1] == NOT_HEARD_CLEAR) != place.heard_clear
        assert NOT_HEARD_CLEAR not in place.reasons[:-1]


def test_one_place_was_heard_clear_if_there_is_any() -> None:
    heard = np.where(np.abs(ANGLES - 90.0) <= 22.0, 0.7, np.inf)
    made = build_map(_run(heard), solver="joint", cell_m=0.02)
    best = next_station(made, [_post(0.0, 0.73)], count=1)[0]
    assert not best.heard_clear  # else this test tells nothing
    for count in (2, 3):
        places = next_station(made, [_post(0.0, 0.73)], count)
        assert len(places) == count
        assert places[0] == best
        assert any(place.heard_clear for place in places)
        for one, other in pairwise(places):
            assert one.gain >= other.gain


def test_the_gain_is_the_sum_of_what_is_told() -> None:
    made = build_map(_run(np.where(np.abs(ANGLES - 90.0) <= 22.0, 0.7, np.inf)), solver="joint", cell_m=0.02)
    for place in next_station(made, []):
        much = [
            enough * (1.0 - math.exp(-amount / enough))
            for amount, enough in ((place.floor_m2, ENOUGH_FLOOR_M2), (place.spread_m, ENOUGH_SPREAD_M))
        ]
        told = WORTH["walls"] * place.wall_m + WORTH["floor"] * much[0] + WORTH["spread"] * much[1]
        told += WORTH["sides"] * place.sides_m2 - WORTH["middle"] * place.middle_m
        assert place.gain == pytest.approx(told)


def test_nowhere_to_go_is_said() -> None:
    made = build_map(_run(0.12, radius_m=0.3), solver="joint", cell_m=0.02)
    with pytest.raises(SonargridError, match="no free floor that a robot of 30 cm radius fits on"):
        next_station(made, [])

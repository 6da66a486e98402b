"""The layer with things drawn in, on small floors where every cell can be told by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from sonargrid.finding.drawn import FREE, SURE, THING, WALL, drawn_log_odds
from sonargrid.finding.things import Object
from sonargrid.maps.mapping import Map, build_map
from sonargrid.runs.readings import Readings, Run, Station


def made(*stations: Station) -> Map:
    angle = np.arange(0.0, 181.0, 10.0)
    count = angle.size * len(stations)
    which = np.repeat(np.arange(len(stations)), angle.size)
    rows = Readings(
        "angle_deg", "range_m", np.tile(angle, len(stations)), np.full(count, 0.95), which, which, np.ones(count)
    )
    return build_map(Run(rows, stations=stations), cell_m=0.05)


def thing(kind: str, x_m: float, y_m: float, nearest_m: float, **more: float) -> Object:
    return Object(kind, x_m, y_m, 0.01, 0.01, 0.0, nearest_m, math.atan2(y_m, x_m), 1, 5, **more)


def at(layer: np.ndarray, on: Map, x_m: float, y_m: float) -> float:
    row, column = on.grid.frame.cell_of(x_m, y_m)
    return float(layer[row, column])


def test_without_things_all_floor_in_sight_is_free() -> None:
    one = made(Station("A"))
    layer = drawn_log_odds(one, [])
    touched = one.grid.touched > 0
    own = one.grid.log_odds[touched]
    assert np.array_equal(layer[touched], np.minimum(own, np.float32(FREE)))
    assert not layer[~touched].any()
    assert layer.dtype == np.float32


def test_what_several_stations_are_sure_of_stays() -> None:
    for stations, left in (
        ((Station("A"),), FREE),
        ((Station("A"), Station("B", 0.02, 1.5, -math.pi / 2)), SURE + 0.5),
    ):
        one = made(*stations)
        row, column = one.grid.frame.cell_of(0.01, 0.51)
        sure = one.grid.log_odds.copy()
        sure[row, column : column + 2] = SURE + 0.5, SURE - 0.5
        surer = replace(one, grid=replace(one.grid, log_odds=sure))
        assert drawn_log_odds(surer, [])[row, column : column + 2].tolist() == [left, FREE]


def test_a_post_has_its_near_face_and_a_shadow() -> None:
    one = made(Station("A"))
    post = thing("post", 0.0, 0.6, 0.5, diameter_m=0.2)
    layer = drawn_log_odds(one, [post])
    assert at(layer, one, 0.01, 0.51) == THING  # the near face
    assert at(layer, one, 0.01, 0.31) <= FREE  # before it
    for y in (0.62, 0.78):  # inside it, and hidden behind it: as the map had it
        assert at(layer, one, 0.01, y) == at(one.grid.log_odds, one, 0.01, y)
    assert at(layer, one, 0.4, 0.6) <= FREE  # beside it
    assert drawn_log_odds(one, [thing("corner", 0.0, 0.6, 0.5)])[layer == THING].max() < THING  # corners are background


def test_a_wall_is_drawn_and_hides_what_is_behind() -> None:
    one = made(Station("A"))
    wall = thing("wall", 0.0, 0.51, 0.5, width_m=1.0, heading_rad=0.0)
    behind = thing("post", 0.02, 0.8, 0.75, diameter_m=0.1)
    layer = drawn_log_odds(one, [wall, behind])
    assert at(layer, one, 0.22, 0.51) >= WALL
    assert at(layer, one, 0.22, 0.31) <= FREE
    assert at(layer, one, 0.02, 0.76) == at(one.grid.log_odds, one, 0.02, 0.76)  # nobody hears that post
    # another station sees it from its own side
    two = made(Station("A"), Station("B", 0.02, 1.5, -math.pi / 2))
    assert at(drawn_log_odds(two, [wall, behind]), two, 0.02, 0.84) == THING


def test_an_echo_belongs_to_the_station_that_heard_it() -> None:
    two = made(Station("A"), Station("B", 0.0, 1.2, -math.pi / 2))
    layer = drawn_log_odds(two, [thing("echo", 0.0, 0.55, 0.5)])
    assert at(layer, two, 0.01, 0.51) == THING
    assert at(layer, two, 0.01, 0.62) < THING
    post = drawn_log_odds(two, [thing("post", 0.0, 0.55, 0.5, diameter_m=0.1)])
    assert at(post, two, 0.01, 0.61) == THING  # its other face, from B


def test_what_is_out_of_reach_is_not_drawn() -> None:
    one = made(Station("A"))
    layer = drawn_log_odds(one, [thing("post", 0.0, 1.2, 1.1, diameter_m=0.2)])
    assert layer.max() < THING

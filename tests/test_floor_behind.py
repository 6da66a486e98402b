"""Floor behind listed walls: withdrawn where every station is on the other side, and nowhere else."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sonargrid.finding.floor_behind import CLEAR_M, confirmed_walls, floor_behind, without_floor_behind
from sonargrid.finding.things import Object
from sonargrid.maps.mapping import Map, build_map
from sonargrid.runs.readings import Readings, Run, Station

TWO = (Station("A", -0.2, 0.0, math.pi / 2), Station("B", 0.2, 0.0, math.pi / 2))


def made(solver: str = "joint", stations: tuple[Station, ...] = TWO) -> Map:
    angle = np.tile(np.arange(0.0, 181.0, 10.0), len(stations))
    which = np.repeat(np.arange(len(stations)), angle.size // len(stations))
    rows = Readings("angle_deg", "range_m", angle, np.full(angle.size, 0.95), which, which, np.ones(angle.size))
    return build_map(Run(rows, stations=stations), solver=solver, cell_m=0.05)


def wall(x1: float, x2: float, y: float, stations: int = 2) -> Object:
    middle = 0.5 * (x1 + x2)
    more = {"width_m": x2 - x1, "heading_rad": 0.0}
    return Object("wall", middle, y, 0.01, 0.01, 0.0, y, math.pi / 2, stations, 9, **more)


def corner(x: float, y: float) -> Object:
    return Object("corner", x, y, 0.01, 0.01, 0.0, y, math.pi / 2, 2, 9)


def test_a_wall_hides_what_lies_behind_it_from_all_stations() -> None:
    one = made()
    hidden = floor_behind(one, [wall(-0.4, 0.4, 0.5)])
    row, column = np.nonzero(one.grid.log_odds)
    x, y = one.grid.frame.centre_of(row, column)
    # from A and from B alike: the line to the cell meets y = 0.5 between the wall's ends
    want = np.ones(x.shape, dtype=bool)
    for place in (-0.2, 0.2):
        at = place + (x - place) * 0.5 / np.where(np.abs(y) < 1e-9, 1e-9, y)
        want &= (y > 0.5) & (np.abs(at) < 0.4)
    want &= (y > 0.5 + CLEAR_M) | (np.abs(x) > 0.4 + CLEAR_M)
    assert np.array_equal(hidden[row, column], want) and want.any()


def test_evidence_is_withdrawn_and_nothing_else_changes() -> None:
    one = made()
    hidden = floor_behind(one, [wall(-0.4, 0.4, 0.5)])
    after = without_floor_behind(one, [wall(-0.4, 0.4, 0.5)])
    assert not after.grid.log_odds[hidden].any()
    assert np.array_equal(after.grid.log_odds[~hidden], one.grid.log_odds[~hidden])
    assert np.array_equal(after.grid.touched, one.grid.touched)
    assert all(np.array_equal(after.grid.layers[name], layer) for name, layer in one.grid.layers.items())


def test_sums_stay_sums() -> None:
    one = made("additive")
    assert without_floor_behind(one, [wall(-0.4, 0.4, 0.5)]) is one


@pytest.mark.parametrize("things", [[], [wall(-0.4, 0.4, 0.5, stations=1)], [corner(0.4, 0.5)]])
def test_what_is_not_confirmed_hides_nothing(things: list[Object]) -> None:
    assert not floor_behind(made(), things).any()


def test_what_one_station_still_sees_stays() -> None:
    beyond = (*TWO, Station("C", 0.0, 0.9, -math.pi / 2))
    assert not floor_behind(made(stations=beyond), [wall(-0.4, 0.4, 0.5)])[:, :].any()


def test_a_wall_is_drawn_out_to_the_corners_on_its_line() -> None:
    listed = [wall(-0.4, 0.4, 0.5), corner(0.9, 0.53), corner(-0.8, 0.7), corner(-3.0, 0.5)]
    (ends,) = confirmed_walls(listed)
    assert ends[0] == pytest.approx((-0.4, 0.5)) and ends[1] == pytest.approx((0.9, 0.5))


def test_pieces_of_one_line_are_one_wall_up_to_a_door() -> None:
    pieces = [wall(-0.4, 0.4, 0.5), wall(1.2, 1.4, 0.53, stations=1), corner(2.5, 0.5)]
    assert [ends[1][0] for ends in confirmed_walls(pieces)] == pytest.approx([2.5, 2.5])
    far = [wall(-0.4, 0.4, 0.5), wall(2.2, 3.0, 0.5)]
    assert sorted(x for ends in confirmed_walls(far) for x, _ in ends) == pytest.approx([-0.4, 0.4, 2.2, 3.0])


def test_a_corner_on_its_line_bears_out_what_one_station_heard() -> None:
    alone = wall(-0.4, 0.4, 0.5, stations=1)
    assert confirmed_walls([alone, corner(0.9, 0.7), corner(-3.0, 0.5)]) == []
    ((start, end),) = confirmed_walls([alone, corner(0.9, 0.53)])
    assert start == pytest.approx((-0.4, 0.5)) and end == pytest.approx((0.9, 0.5))

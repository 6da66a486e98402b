"""The beam that the joint solver hears with: its own, or that of a model that was named."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sonargrid.errors import UsageProblem
from sonargrid.maps.beams import make_beam
from sonargrid.maps.evidence import ADDITIVE_ONLY, BEAMS_OF_JOINT, JOINT_BEAM, MapSettings
from sonargrid.maps.grid import GridFrame
from sonargrid.maps.heard_beam import heard_with, own_beam
from sonargrid.maps.joint import SEVERAL_STATIONS
from sonargrid.maps.mapping import build_map, map_run
from sonargrid.maps.wedges import LEAST_GAIN, SoftBeam, wedges
from sonargrid.runs.readings import Ranger, Rays, Run, Station
from sonargrid.simulation.scene import Scene, ScenePost
from sonargrid.simulation.simulate import simulate

TABLE = Ranger(half_beam_table=((0.4, math.radians(30.0)), (1.0, math.radians(18.0))))


def _run(ranger: Ranger | None = None) -> Run:
    run = simulate(Scene((Station("A"),), posts=(ScenePost(0.1, 0.6, 0.1),)), seed=5)
    return run if ranger is None else Run(run.readings, stations=run.stations, ranger=ranger)


@pytest.mark.parametrize("name", ["cone", "gaussian", "piston", "measured"])
def test_support_ends_where_a_cell_is_hardly_heard(name: str) -> None:
    model = make_beam(name, TABLE)
    heard = heard_with(model, TABLE.reach_m)
    for range_m in (0.2, 0.55, 0.9):
        edge = float(heard.support_at(range_m))
        step = math.radians(0.3)  # the table has steps of a tenth of a degree
        assert float(model.detection(range_m, edge - step)) >= LEAST_GAIN
        assert float(model.detection(range_m, edge + step)) <= LEAST_GAIN + 0.01
    assert heard.widest_rad >= float(heard.support_at(1.0))


def test_wedges_hold_the_cells_that_the_model_hears() -> None:
    model = make_beam("gaussian", TABLE)
    frame = GridFrame(0.02, (-60, -60), 120, 120)
    ray = Rays([0], [0.7], [0.7], [0.0], [0.0], [0.0], [0.0], [0.7])
    wedge = wedges(frame, ray, np.array([1.0]), heard_with(model, 1.0))
    row, column = np.divmod(np.arange(120 * 120), 120)
    x, y = frame.centre_of(row, column)
    r, off = np.hypot(x, y), np.abs(np.angle(np.exp(1j * (np.arctan2(y, x) - 0.7))))
    want = (model.detection(r, off) >= LEAST_GAIN) & (r <= 1.0) & (r >= 0.03)
    got = np.zeros(want.size, dtype=bool)
    got[wedge.cell] = True
    assert np.mean(got != want) < 0.002
    assert wedge.gain == pytest.approx(model.detection(r, off)[wedge.cell], abs=1e-5)


def test_own_beam_follows_the_stated_half_beam() -> None:
    own = SEVERAL_STATIONS.beam
    assert own_beam(own, Ranger()) == own
    wide = own_beam(own, Ranger(half_beam_rad=math.radians(30.0)))
    assert wide.half_rad == pytest.approx(1.2 * own.half_rad) and wide.edge_rad == own.edge_rad
    # nobody's recipe is meant for a beam of a few degrees
    assert own_beam(own, Ranger(half_beam_rad=math.radians(2.0))).half_rad == pytest.approx(0.5 * own.half_rad)


def test_soft_beam_support_is_where_its_detection_has_faded() -> None:
    beam = SoftBeam(0.5, 0.1, 0.03)
    for range_m in (0.0, 0.7, 5.0):
        assert float(beam.detection(range_m, float(beam.support_at(range_m)))) == pytest.approx(LEAST_GAIN)


@pytest.mark.parametrize("name", BEAMS_OF_JOINT)
def test_every_beam_of_the_joint_solver_finds_the_post(name: str) -> None:
    made = build_map(_run(TABLE), beam=name, solver="joint", cell_m=0.02)
    assert made.grid.meta["beam"] == name
    assert made.grid.meta["additive_beam"] == ("gaussian" if name == JOINT_BEAM else name)
    row, column = made.grid.frame.cell_of(0.09, 0.55)
    assert made.grid.log_odds[row - 1 : row + 2, column - 1 : column + 2].max() > 0.5
    row, column = made.grid.frame.cell_of(0.02, 0.3)
    assert made.grid.log_odds[row, column] < -1.0


def test_a_named_beam_changes_the_joint_map() -> None:
    wide, narrow = Ranger(half_beam_rad=math.radians(25.0)), Ranger(half_beam_rad=math.radians(12.0))
    a, b = (build_map(_run(r), beam="cone", solver="joint", cell_m=0.02).grid for r in (wide, narrow))
    assert np.count_nonzero(b.log_odds) < 0.9 * np.count_nonzero(a.log_odds)


def test_names_that_were_left_open() -> None:
    assert (MapSettings().named().solver, MapSettings().named().beam) == ("joint", "soft")
    assert MapSettings(solver="additive").named().beam == "gaussian"
    assert MapSettings(beam="cone").named().solver == "joint"
    for name in ADDITIVE_ONLY:
        assert MapSettings(beam=name).named().solver == "additive"
    made = map_run(_run(), MapSettings(cell_m=0.05))
    assert (made.settings.solver, made.settings.beam, made.method) == ("joint", "soft", "joint solver")
    assert build_map(_run(), cell_m=0.05).method == "gaussian beam, additive solver"
    assert build_map(_run(), beam="cone", solver="joint", cell_m=0.05).method == "cone beam, joint solver"


@pytest.mark.parametrize(("beam", "solver", "words"), [("tapered", "joint", "no use"), ("soft", "additive", "own")])
def test_names_that_do_not_go_together(beam: str, solver: str, words: str) -> None:
    with pytest.raises(UsageProblem, match=words) as problem:
        map_run(_run(), MapSettings(beam=beam, solver=solver))
    assert problem.value.exit_code == 2 and "--solver" in problem.value.faults[0].hint

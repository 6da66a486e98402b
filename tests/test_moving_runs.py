"""Runs with a pose on every row: kept small, mapped by the solver they can afford, told in plain words."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from sonargrid.errors import SonargridError
from sonargrid.finding.plateaus import find_plateaus
from sonargrid.maps import joint_cost
from sonargrid.maps.evidence import MapSettings
from sonargrid.maps.grid import LogOddsGrid
from sonargrid.maps.joint_cost import affordable, waiting_words
from sonargrid.maps.mapping import map_run
from sonargrid.maps.tiled_grid import TiledGrid
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.pose_stations import PoseStations, places_of
from sonargrid.runs.readings import Readings, Run, Station
from sonargrid.runs.run_files import load_run
from sonargrid_cli.main import main

Capture = pytest.CaptureFixture[str]


@pytest.fixture
def drive(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """Return the path of a run of 50 poses, two readings at each."""
    lines = ["x_m,y_m,heading_deg,angle_deg,range_mm"]
    for k in range(50):
        lines += [f"{0.02 * k:.2f},{0.01 * k:.2f},{3 * k},{angle},{500 + 3 * k}" for angle in (60, 120)]
    path = tmp_path / "drive.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return str(path)


def test_poses_are_the_stations_they_stand_for() -> None:
    places = np.array([[0.0, 1.0, 0.5], [2.0, 3.0, -0.5], [4.0, 5.0, 1.5]])
    poses = PoseStations(places)
    records = tuple(Station(f"pose {k}", *place) for k, place in enumerate(places.tolist(), 1))
    assert tuple(poses) == records and len(poses) == 3
    assert (poses[0], poses[-1], poses[1:]) == (records[0], records[2], records[1:])
    assert poses == PoseStations(places.copy()) == records and hash(poses) == hash(records)
    assert poses != records[:2] and poses != PoseStations(places[:2])
    assert np.array_equal(places_of(poses), places_of(records))
    assert not poses.places.flags.writeable
    with pytest.raises(IndexError):
        poses[3]


def test_a_moving_run_keeps_its_poses_as_numbers(drive: str) -> None:
    run = load_run(drive)
    assert run.moving and isinstance(run.stations, PoseStations) and len(run.stations) == 50
    assert run.stations[4] == Station("pose 5", 0.08, 0.04, math.radians(12.0))
    pings = calibrated(run)
    assert pings.rays.x_m[pings.ray[8]] == 0.08
    some = load_run(drive, stations=["pose 5", "pose 7"])
    assert [station.name for station in some.stations] == ["pose 5", "pose 7"] and len(some.readings) == 4


def test_a_place_with_less_than_three_readings_has_no_arc() -> None:
    nothing = np.zeros(3)
    angle, distance = np.array([88.0, 90.0, 92.0]), np.array([500.0, 501.0, 502.0])
    parked = Run(Readings("angle_deg", "range_mm", angle, distance, nothing, nothing, nothing))
    assert len(find_plateaus(calibrated(parked), parked.ranger)) == 1
    places = tuple(Station(name) for name in "ABC")
    apart = Run(Readings("angle_deg", "range_mm", angle, distance, np.arange(3), nothing, nothing), places)
    assert find_plateaus(calibrated(apart), apart.ranger) == ()


def test_too_many_poses_are_summed_unless_the_joint_solver_is_named(
    drive: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = load_run(drive)
    assert affordable(MapSettings(), run) == (MapSettings().named(), "")
    assert waiting_words(MapSettings(solver="joint"), run) == ""
    monkeypatch.setattr(joint_cost, "MOST_POSES", 10)
    settings, note = affordable(MapSettings(), run)
    assert (settings.solver, settings.beam) == ("additive", "gaussian") and "--solver joint" in note
    assert affordable(MapSettings(beam="cone"), run)[0].beam == "cone"
    made = map_run(run, MapSettings(cell_m=0.02))
    assert made.settings.solver == "additive" and note in made.warnings
    for asked in (MapSettings(solver="joint"), MapSettings(beam="soft")):
        assert affordable(asked, run) == (asked.named(), "")
    assert "50 poses" in waiting_words(MapSettings(solver="joint"), run)
    monkeypatch.setattr(joint_cost, "_machine_bytes", lambda: 1000)
    with pytest.raises(SonargridError, match="this machine has 0 GB") as problem:
        affordable(MapSettings(solver="joint"), run)
    assert "--solver additive" in problem.value.faults[0].hint


def test_map_says_why_it_sums_and_calls_poses_places(
    drive: str, monkeypatch: pytest.MonkeyPatch, capsys: Capture
) -> None:
    monkeypatch.setattr(joint_cost, "MOST_POSES", 10)
    assert main(["map", drive, "--cell", "2cm"]) == 0
    said = capsys.readouterr()
    assert "100 pings from 50 places" in said.out and "additive solver" in said.out
    assert "The map is the plain sum (additive solver): 50 poses" in said.err
    assert main(["map", drive, "--cell", "2cm", "--solver", "joint", "-o", "joint"]) == 0
    assert "The joint solver takes about" in capsys.readouterr().err


def test_a_large_floor_in_tiles_from_the_command_line(drive: str, capsys: Capture, tmp_path: Path) -> None:
    box = "--extent=-100,-100,100,100"
    assert main(["map", drive, box, "--solver", "additive"]) == 1
    refused = capsys.readouterr().err
    assert "--cell 0.05 fits" in refused and "--tiled" in refused
    assert main(["map", drive, box, "--tiled", "--geotiff", "-o", "large"]) == 0
    assert "in tiles" in capsys.readouterr().out.replace("\n  ", " ")
    grid = TiledGrid.load(tmp_path / "large" / "grid.npz")
    assert grid.frame.rows == 20_000 and 1 <= len(grid.tiles) <= 9
    told = json.loads((tmp_path / "large" / "summary.json").read_text(encoding="utf-8"))
    assert told["counts"]["cells"] == 400_000_000 and told["counts"]["cells_touched"] == grid.cells_touched
    assert told["grid"]["tiles"] == len(grid.tiles) and told["grid"]["picture_cell_m"] == 0.16
    # the world file places the small grid.png on the same floor
    pixel, _, _, down, x, y = map(float, (tmp_path / "large" / "grid.pgw").read_text().split())
    assert (pixel, down) == (0.16, -0.16) and (x - 0.08, y + 0.08) == pytest.approx((-100.0, 100.0))
    assert main(["report", "large", "-o", "page.html"]) == 0
    capsys.readouterr()
    assert main(["merge", "large", "large", "-o", "both"]) == 0
    said = capsys.readouterr().out
    assert f"{grid.cells_touched} cells of 1 cm were reached" in said.replace("\n  ", " ")
    both = TiledGrid.load(tmp_path / "both" / "grid.npz")
    assert both.frame == grid.frame and list(both.tiles) == list(grid.tiles)
    for place, tile in grid.tiles.items():
        assert np.array_equal(both.tiles[place].log_odds, 2.0 * tile.log_odds)
        assert np.array_equal(both.tiles[place].touched, 2 * tile.touched)
    told = json.loads((tmp_path / "both" / "summary.json").read_text(encoding="utf-8"))
    assert told["counts"]["cells_touched"] == grid.cells_touched and told["grid"]["picture_cell_m"] == 0.16


def test_a_map_in_tiles_and_one_in_a_single_piece_add_up_in_tiles(drive: str, capsys: Capture, tmp_path: Path) -> None:
    box = "--extent=-2,-2,2,2"
    assert main(["map", drive, box, "--cell", "2cm", "--tiled", "-o", "tiles"]) == 0
    assert main(["map", drive, box, "--cell", "2cm", "--solver", "joint", "--no-objects", "-o", "piece"]) == 0
    capsys.readouterr()
    assert main(["merge", "tiles", "piece/grid.npz", "-o", "sum.npz", "--json"]) == 0
    said = capsys.readouterr()
    assert "is not added" in said.err  # the joint solver's own evidence
    total, piece = TiledGrid.load(tmp_path / "sum.npz").dense(), LogOddsGrid.load(tmp_path / "piece" / "grid.npz")
    one = TiledGrid.load(tmp_path / "tiles" / "grid.npz").dense()
    assert np.array_equal(total.log_odds, one.log_odds + piece.additive_log_odds)
    assert json.loads(said.out)["cells_touched"] == int(np.count_nonzero(total.touched))


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["--tiled", "--solver", "joint"], 2, "in one piece"),
        (["--tiled", "--draw-objects"], 2, "exclude one another"),
        (["--tiled", "--beam", "soft"], 2, "joint solver's own"),
        (["--tiled", "--max-cells", "1000"], 1, "more than 1000"),
    ],
)
def test_what_does_not_go_together_is_said(drive: str, words: list[str], code: int, said: str, capsys: Capture) -> None:
    assert main(["map", drive, *words]) == code
    err = capsys.readouterr().err
    assert said in err and "hint:" in err and not Path("drive_map").exists()

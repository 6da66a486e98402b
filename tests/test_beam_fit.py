"""`calibrate beam` on benches whose beam is known, and maps that hear with what it found."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sonargrid.bench.beam_bench import BeamCalibration, beforehand, calibrate_beam
from sonargrid.errors import SonargridError
from sonargrid.maps.beams import make_beam
from sonargrid.maps.mapping import build_map
from sonargrid.runs.calibration_files import read_calibration
from sonargrid.runs.readings import Head, Ranger, Run, Station, Target
from sonargrid.runs.run_files import load_run, save_run
from sonargrid.simulation.simulate import Noise, Scene, ScenePost, SceneWall, SweepPlan, simulate
from sonargrid_cli.main import main

Capture = pytest.CaptureFixture[str]
HEAD = Head(angle_scale=0.97, angle_offset_rad=math.radians(2.0), backlash_rad=math.radians(1.6))
NOISE = Noise.none(level_sigma_db=1.0, range_sigma_m=0.0035, late_m=0.007, dropout=0.02)
RANGES = (0.3, 0.5, 0.8, 1.1)
# of a 5 cm post, a piston of k a 5.699 and a threshold of -26 dB at 1 m: the root of
# 40 log |2 J1(x) / x| + 10 log(a / (a + r)) - 10 log r - 2.64 (r - 1) + 26 = 0 by scipy.optimize.brentq
TRUE_DEG = (29.76, 26.78, 23.11, 19.75)


def bench(
    ranges: tuple[float, ...] = RANGES, diameter_m: float = 0.05, plate: bool = False, noise: Noise = NOISE
) -> Run:
    stations = tuple(
        Station(name, 0.0, -(r + 0.5 * diameter_m), math.pi / 2, 0.0, math.radians(0.5))
        for name, r in zip("ABCDEF", ranges, strict=False)
    )
    posts: tuple[ScenePost, ...] = (ScenePost(0.0, 0.0, diameter_m),)
    walls: tuple[SceneWall, ...] = ()
    targets: tuple[Target, ...] = (Target("post", 0.0, 0.0, diameter_m, position_sigma_m=0.001),)
    if plate:
        far = 0.5 * diameter_m + 0.35  # to the right of station A
        walls = (SceneWall(far, -2.0, far, 0.5),)
        targets = (*targets, Target("wall", far, -2.0, 0.0, far, 0.5, 0.001))
    scene = Scene(
        stations,
        posts=posts,
        walls=walls,
        targets=targets,
        ranger=Ranger(label="front", reach_m=2.0),
        head=HEAD,
        given_head=HEAD,
        sweep=SweepPlan(step_rad=math.radians(2.0), passes=4, both_ways=True),
        noise=noise,
        name="beam",
    )
    sigmas = {"head.angle_scale": 0.004, "head.angle_offset_deg": 0.004, "head.backlash_deg": 0.005}
    return replace(simulate(scene, 3), calibration_sigmas=sigmas)


@pytest.fixture(scope="module")
def found() -> BeamCalibration:
    return calibrate_beam(bench())


@pytest.fixture(autouse=True)
def _own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def test_half_widths_are_the_true_ones(found: BeamCalibration) -> None:
    at, half, sigma = (np.array(column) for column in zip(*found.post_rows, strict=True))
    assert at == pytest.approx(RANGES, abs=1e-6)
    off = np.degrees(half) - TRUE_DEG
    assert np.abs(off).max() < 1.2
    assert np.all(np.abs(off) < 3.5 * np.degrees(sigma))
    assert np.all(np.degrees(sigma) < 0.9)


def test_left_and_right_agree_where_the_beam_is_even(found: BeamCalibration) -> None:
    for place in found.fit.places:
        assert abs(place.left[0] - place.right[0]) < 3.0 * math.hypot(place.left[1], place.right[1])
        assert place.on_axis > 0.85
        asked = place.pings > 0
        assert np.all((place.share[asked] >= 0.0) & (place.share[asked] <= 1.0))


def test_the_closest_piston_is_the_one_that_sang(found: BeamCalibration) -> None:
    assert abs(found.piston_m[0] - 0.0078) < 3.0 * found.piston_m[1] < 0.0015
    assert abs(found.fit.threshold_db[0] + 26.0) < 4.0 * found.fit.threshold_db[1]
    assert 0.001 < found.fit.noise_on_m < 0.006


def test_a_lopsided_beam_is_called_so() -> None:
    wide = calibrate_beam(bench(noise=replace(NOISE, skew=0.12)))
    for place in wide.fit.places:
        assert place.left[0] > place.right[0]


def test_posts_of_another_thickness_are_turned_into_the_common_one(found: BeamCalibration) -> None:
    thick = calibrate_beam(bench(diameter_m=0.12))
    for place in thick.fit.places:
        assert place.half[0] > place.post[0]
    by_range = np.array([row[1] for row in thick.post_rows])
    assert np.degrees(np.abs(by_range - [row[1] for row in found.post_rows])).max() < 1.8


def test_plates_are_kept_apart() -> None:
    both = calibrate_beam(bench(ranges=(0.3, 0.5, 0.8), plate=True))
    kinds = {place.kind for place in both.fit.places}
    assert kinds == {"post", "plate"}
    assert len(both.post_rows) == 3  # the wall is in none of them
    told = both.made_from(bench())
    assert len(told["plate_rows"]) >= 1 and len(told["post_rows"]) == 3


def test_only_plates_give_no_table() -> None:
    run = bench(ranges=(0.3,), plate=True)
    alone = calibrate_beam(replace(run, targets=run.targets[1:]))
    assert not alone.values
    assert any(reason.startswith("half_beam_table") for reason in alone.reasons)


def test_what_is_known_of_the_head_comes_from_its_calibration() -> None:
    run = bench()
    assert beforehand(run).scale == (0.97, 0.004)
    bare = replace(run, calibration_sigmas={})
    assert beforehand(bare).scale == (0.97, 0.10)
    assert any("calibrate head first" in reason for reason in calibrate_beam(bare).reasons)


@pytest.mark.parametrize("targets", [(), (Target("post", 3.0, 3.0, 0.05),)])
def test_without_things_there_is_nothing_to_say(targets: tuple[Target, ...]) -> None:
    with pytest.raises(SonargridError, match="target"):
        calibrate_beam(replace(bench(ranges=(0.5,)), targets=targets))


def test_from_bench_to_map(capsys: Capture) -> None:
    save_run(bench(), "bench")
    assert main(["calibrate", "beam", "bench", "-o", "c.toml", "--json", "--picture", "b.png"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert len(told["half_beam_table"]) == len(told["half_beam_table_sigma"]) == 4
    for key in ("half_beam_soft_deg", "transducer_radius_m", "half_beam_deg"):
        assert told[key] > 0.0 and told[key + "_sigma"] > 0.0
    (one,) = read_calibration("c.toml", "-o", "front")
    table = [[at, math.degrees(half)] for at, half in one.values["ranger.half_beam_table"]]
    assert np.array(table) == pytest.approx(np.array(told["half_beam_table"]), abs=1e-6)
    assert math.degrees(one.sigmas["ranger.half_beam_table"]) == pytest.approx(max(told["half_beam_table_sigma"]))
    assert Path("b.png").read_bytes()[:4] == b"\x89PNG"
    run = load_run("bench", calibration="c.toml")
    assert run.ranger.half_beam_soft_rad == pytest.approx(math.radians(told["half_beam_soft_deg"]))
    assert build_map(run, beam="measured", cell_m=0.04).grid.log_odds.any()
    assert main(["map", "bench", "--beam", "measured", "-o", "m"]) == 1
    said = capsys.readouterr().err
    assert "calibrate beam" in said and not Path("m").exists()


def test_words_fit_a_screen(capsys: Capture) -> None:
    save_run(bench(ranges=(0.3, 0.5, 0.8), plate=True), "bench")
    assert main(["calibrate", "beam", "bench"]) == 0
    said = capsys.readouterr().out
    assert "Posts: half of the pings" in said and "Plates (walls)" in said and "Power off" in said
    assert max(map(len, said.splitlines())) <= 80


def test_the_map_hears_with_the_measured_curve() -> None:
    table = ((0.4, math.radians(28.0)), (1.0, math.radians(20.0)))
    soft = math.radians(1.5)
    beam = make_beam("measured", Ranger(half_beam_table=table, half_beam_soft_rad=soft))
    off = np.radians([0.0, 20.0, 24.0, 28.0, 40.0])
    # a logistic curve about the half width between the table's rows: 24 degrees at 0.7 m
    wanted = 1.0 / (1.0 + np.exp((off - math.radians(24.0)) / soft))
    assert beam.detection(0.7, off) == pytest.approx(wanted, abs=1e-9)
    echo = beam.log_odds(0.7, off, 0.7)
    assert echo[0] > echo[2] > 0.0 and echo[4] == 0.0
    assert echo[2] / echo[0] == pytest.approx(wanted[2] / wanted[0], abs=1e-6)
    assert float(beam.support_rad(0.7)) == pytest.approx(math.radians(24.0) + 3.0 * soft)


def test_what_the_widths_share_stands_in_the_covariance(found: BeamCalibration) -> None:
    made, rows = found.made_from(bench()), len(found.post_rows)
    table = [f"half_beam_table[{row}]" for row in range(rows)]
    assert made["covariance_keys"] == [*table, "half_beam_soft_deg", "transducer_radius_m"]
    covariance = np.array(made["covariance"])
    assert np.allclose(covariance, covariance.T) and np.linalg.eigvalsh(covariance).min() > -1e-9
    sigmas = np.sqrt(np.diag(covariance))
    assert sigmas[:rows] == pytest.approx(np.degrees([row[2] for row in found.post_rows]), rel=1e-4)
    assert sigmas[-2:] == pytest.approx([np.degrees(found.fit.soft_rad[1]), found.piston_m[1]], rel=1e-4)
    # one threshold and one piston stand behind all rows: neighbours err together
    assert all(covariance[row, row + 1] > 0.0 for row in range(rows - 1))
    assert covariance[0, -1] < 0.0  # a larger disc sends a narrower beam


def test_two_posts_at_one_range_are_one_row_whose_sigma_keeps_what_they_share(found: BeamCalibration) -> None:
    twice = calibrate_beam(bench(ranges=(0.5, 0.505, 0.9)))
    assert len(twice.post_rows) == 2 and twice.covariance.shape == (4, 4)
    alone = calibrate_beam(bench(ranges=(0.5, 0.9)))
    assert 0.5 * alone.post_rows[0][2] < twice.post_rows[0][2] < 1.1 * alone.post_rows[0][2]

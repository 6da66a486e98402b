"""`calibrate head` and `calibrate ranger`: benches of known truth, real readings, faulty files, files written."""

from __future__ import annotations

import json
import math
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sonargrid.bench.head_bench import calibrate_head, sighting
from sonargrid.errors import InputFaults, OutputProblem, SonargridError
from sonargrid.runs.calibration_files import read_calibration
from sonargrid.runs.calibration_saving import Fitted, save_calibration
from sonargrid.runs.known_distances import read_known_distances
from sonargrid.runs.readings import Air, Head, Ranger, Run, Station, Target
from sonargrid.runs.run_files import load_run, save_run
from sonargrid.simulation.simulate import Noise, Scene, ScenePost, SceneWall, SweepPlan, simulate
from sonargrid_cli.main import main

Capture = pytest.CaptureFixture[str]
REAL = Path(__file__).parent / "real" / "known_distance.csv"
OFFSET_DEG, SCALE, BACKLASH_DEG = 3.0, 0.97, 2.4
PLACES = ((0.45, 36.0), (0.65, 90.0), (0.85, 144.0))
TRUE = Head(angle_scale=SCALE, angle_offset_rad=math.radians(OFFSET_DEG), backlash_rad=math.radians(BACKLASH_DEG))
NOISE = Noise.none(level_sigma_db=1.0, range_sigma_m=0.0035, late_m=0.007, dropout=0.02)
SWEEP = SweepPlan(step_rad=math.radians(2.0), passes=4, both_ways=True)


def bench(head: Head = TRUE, given: Head | None = None, sweep: SweepPlan = SWEEP, surveyed: bool = True) -> Run:
    centres = [((r + 0.025) * math.cos(math.radians(b)), (r + 0.025) * math.sin(math.radians(b))) for r, b in PLACES]
    ranger = Ranger(label="left", reach_m=1.5)
    scene = Scene(
        (Station("A", heading_sigma_rad=math.radians(1.0)),),
        posts=tuple(ScenePost(x, y, 0.05) for x, y in centres),
        targets=tuple(Target("post", x, y, 0.05) for x, y in centres) if surveyed else (),
        ranger=ranger,
        head=head,
        given_head=given or Head(),
        sweep=sweep,
        noise=NOISE,
        name="bench",
    )
    return simulate(scene, 1)


@pytest.fixture(autouse=True)
def _own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def near(found: tuple[float, float], true: float, sigmas: float = 3.0) -> bool:
    return abs(found[0] - true) < sigmas * found[1]


def test_a_bench_gives_offset_scale_and_backlash() -> None:
    found = calibrate_head(bench())
    assert near(found.values["head.angle_offset_deg"], TRUE.angle_offset_rad)
    assert near(found.values["head.angle_scale"], SCALE)
    assert near(found.values["head.backlash_deg"], TRUE.backlash_rad)
    assert found.values["head.angle_offset_deg"][1] > math.radians(1.0)  # the heading's own sigma is in it
    assert found.sweep_rate_deg_s == pytest.approx(2.0 / 0.06)
    assert [t.name for t in found.targets] == ["post 1", "post 2", "post 3"]


def test_applying_the_values_takes_the_error_away() -> None:
    run = bench()
    found = calibrate_head(run)
    values = {key.split(".")[1]: value for key, (value, _) in found.values.items()}
    again = replace(
        run.head,
        angle_offset_rad=values["angle_offset_deg"],
        angle_scale=values["angle_scale"],
        backlash_rad=values["backlash_deg"],
    )
    # fitted on uncalibrated readings: values of an earlier calibration in the run change nothing
    assert calibrate_head(replace(run, head=again)).values == found.values


@pytest.mark.parametrize("turns", [1, -1])
def test_heads_that_turn_the_other_way(turns: int) -> None:
    found = calibrate_head(bench(replace(TRUE, turns=turns), Head(turns=turns)))
    assert near(found.values["head.angle_offset_deg"], TRUE.angle_offset_rad)
    assert near(found.values["head.backlash_deg"], TRUE.backlash_rad)


@pytest.mark.parametrize("per_deg", [10.0, -10.0])
def test_pulses_give_centre_and_microseconds_per_degree(per_deg: float) -> None:
    plan = replace(SWEEP, from_rad=math.radians(6.0), to_rad=math.radians(174.0), angle_column="pulse_us")
    given = Head(pulse_us_per_deg=per_deg)
    found = calibrate_head(bench(replace(TRUE, pulse_us_per_deg=per_deg), given, plan))
    # scale * (angle - 90) + offset = 0 at the angle that looks straight ahead
    centre = 1500.0 - OFFSET_DEG / SCALE * per_deg
    assert near(found.values["head.pulse_centre_us"], centre)
    assert near(found.values["head.pulse_us_per_deg"], per_deg / SCALE)
    assert near(found.values["head.backlash_deg"], TRUE.backlash_rad)
    assert "head.angle_offset_deg" not in found.values


def test_walls_are_seen_square_on() -> None:
    walls = (SceneWall(-0.9, 0.7, 0.9, 0.7), SceneWall(0.6, -0.3, 0.6, 0.69), SceneWall(-0.8, -0.3, -0.8, 0.69))
    targets = tuple(Target("wall", w.x1_m, w.y1_m, 0.0, w.x2_m, w.y2_m) for w in walls)
    scene = Scene(
        (Station("A"),),
        walls=walls,
        targets=targets,
        ranger=Ranger(reach_m=1.5),
        head=TRUE,
        given_head=Head(),
        sweep=SWEEP,
        noise=NOISE,
    )
    found = calibrate_head(simulate(scene, 1))
    assert near(found.values["head.angle_offset_deg"], TRUE.angle_offset_rad)
    assert near(found.values["head.angle_scale"], SCALE)
    assert {round(t.range_m, 3) for t in found.targets} == {0.6, 0.7, 0.8}


def test_a_wall_whose_foot_lies_beyond_its_end_is_no_target() -> None:
    run = bench()
    assert sighting(Target("wall", 0.5, 1.0, 0.0, 1.5, 1.0), Station("A"), run) is None
    seen = sighting(Target("wall", -0.5, 1.0, 0.0, 1.5, 1.0), Station("A"), run)
    assert seen is not None and seen.range_m == pytest.approx(1.0) and seen.bearing_rad == pytest.approx(0.0)


def test_one_post_gives_no_scale_and_says_so() -> None:
    run = bench()
    found = calibrate_head(replace(run, targets=run.targets[1:2]))
    assert "head.angle_scale" not in found.values
    assert any(reason.startswith("angle_scale") for reason in found.reasons)


def test_backlash_without_targets() -> None:
    found = calibrate_head(bench(surveyed=False))
    assert set(found.values) == {"head.backlash_deg"}
    assert near(found.values["head.backlash_deg"], TRUE.backlash_rad)
    assert {r.split(":")[0] for r in found.reasons} == {"angle_offset_deg", "angle_scale"}


def test_one_way_without_targets_tells_nothing() -> None:
    with pytest.raises(SonargridError, match="nothing here tells of the head"):
        calibrate_head(bench(surveyed=False, sweep=replace(SWEEP, both_ways=False)))


def test_targets_that_nobody_heard_are_an_error() -> None:
    run = bench()
    with pytest.raises(SonargridError, match="none of the surveyed"):
        calibrate_head(replace(run, targets=(Target("post", 0.0, 1.3, 0.05),)))


def test_the_command_writes_a_file_that_map_reads(capsys: Capture) -> None:
    save_run(bench(), "bench")
    assert main(["calibrate", "head", "bench", "-o", "calibration.toml", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    names = ("angle_offset_deg", "angle_scale", "backlash_deg")
    assert all(name in told and told[name + "_sigma"] > 0.0 for name in names)
    (one,) = read_calibration("calibration.toml", "-o", "left")
    assert one.label == "left"
    assert one.values["head.angle_scale"] == told["angle_scale"]
    assert math.degrees(one.sigmas["head.backlash_deg"]) == pytest.approx(told["backlash_deg_sigma"])
    run = load_run("bench", calibration="calibration.toml")
    assert math.degrees(run.head.backlash_rad) == pytest.approx(told["backlash_deg"])
    assert run.origins["head.angle_scale"].endswith("calibration.toml")
    made = tomllib.loads(Path("calibration.toml").read_text())["made_from"]["head"]
    assert made["run"] == "bench" and len(made["run_digest"]) == 64 and len(made["covariance"]) == 3


def test_words_fit_a_screen(capsys: Capture) -> None:
    save_run(bench(), "bench")
    assert main(["calibrate", "head", "bench"]) == 0
    said = capsys.readouterr().out
    assert "backlash_deg" in said and "give or take" in said and "Power off" in said
    assert max(map(len, said.splitlines())) <= 80


def test_another_sweep_rate_warns() -> None:
    slow = bench(sweep=replace(SWEEP, ping_interval_s=0.09))
    save_run(bench(), "bench")
    save_run(slow, "slow")
    found = calibrate_head(load_run("bench"))
    save_calibration(Fitted("head", "left", found.values, found.made_from(load_run("bench"))), "c.toml")
    assert not any("degrees a second" in w for w in load_run("bench", calibration="c.toml").warnings)
    assert any("33.3 degrees a second" in w for w in load_run("slow", calibration="c.toml").warnings)


# the ranger


def real_file() -> str:
    rows = np.loadtxt(REAL, delimiter=",", skiprows=1)
    lines = [f"{known:g},{us:g},23" for known, us in rows[:, :2]]
    Path("real.csv").write_text("\n".join(["known_cm,echo_us,temperature_c", *lines]) + "\n", encoding="utf-8")
    return "real.csv"


def test_real_readings_through_the_command(capsys: Capture) -> None:
    # attribution of the readings in tests/real/README.md; straight line of the set: 0.017484 cm/us, -0.186 cm
    assert main(["calibrate", "ranger", real_file(), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert abs(told["range_scale"] - 0.017484 / 0.01728) < 2.0 * told["range_scale_sigma"]
    assert abs(told["range_bias_m"] + 0.00186) < 2.0 * told["range_bias_m_sigma"]
    assert told["outliers"] == []


def test_outliers_are_line_numbers_of_the_file(capsys: Capture) -> None:
    rows = [(cm, cm + 0.3 * k) for cm in (20, 40, 60, 80, 100) for k in (-1, 0, 1)]
    text = "known_cm,range_cm\n\n" + "".join(f"{a},{b}\n" for a, b in rows)
    lines = text.splitlines()
    assert lines[6] == "40,40.0"
    lines[6] = "40,7"
    Path("d.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert main(["calibrate", "ranger", "d.csv", "--temperature", "20", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["outliers"] == [7]


@pytest.mark.parametrize(
    "unit, per_m", [("known_m", 1.0), ("known_cm", 100.0), ("known_mm", 1000.0), ("known_in", 1 / 0.0254)]
)
def test_known_distances_in_every_unit(unit: str, per_m: float) -> None:
    rows = "".join(f"{m * per_m!r},{(m - 0.01) / 1.02!r}\n" for m in (0.2, 0.4, 0.7, 1.0))
    Path("d.csv").write_text(f"{unit},range_m\n{rows}", encoding="utf-8")
    fit = read_known_distances("d.csv").fit()
    assert fit.range_scale == pytest.approx(1.02) and fit.range_bias_m == pytest.approx(0.01)


def test_warmer_air_makes_echo_times_longer_ways() -> None:
    rows = "".join(f"{m},{round(m * 5830)},30\n" for m in (0.2, 0.5, 1.0))
    Path("d.csv").write_text(f"known_m,echo_us,temperature_c\n{rows}", encoding="utf-8")
    dry = Air(relative_humidity_pct=0.0)
    warm = read_known_distances("d.csv", air=dry).read_m
    Path("d.csv").write_text(f"known_m,echo_us,temperature_c\n{rows.replace(',30', ',10')}", encoding="utf-8")
    cold = read_known_distances("d.csv", air=dry).read_m
    # dry air as an ideal gas: the speed goes with the root of the absolute temperature
    assert warm / cold == pytest.approx(math.sqrt(303.15 / 283.15), rel=1e-3)


def test_all_faults_of_the_file_at_once(capsys: Capture) -> None:
    Path("bad.csv").write_text("known_cm,range_cm\n10,10.2\nx,5\n20,-3\n500000,2\n", encoding="utf-8")
    assert main(["calibrate", "ranger", "bad.csv", "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert [(e["line"], e["column"]) for e in told["errors"]] == [(3, "known_cm"), (4, "range_cm"), (5, "known_cm")]


@pytest.mark.parametrize(
    "text, words",
    [
        ("range_cm\n10\n", "no known distance columns"),
        ("known_cm\n10\n", "no distance columns"),
        ("known_cm,known_m,range_cm\n1,1,1\n", "2 known distance columns"),
        ("known_cm,range_cm\n", "no reading at all"),
        ("known_cm,range_cm\n10,10\n20,20\n", "three|3 different"),
        ("known_cm,range_cm,temperature_c\n10,10,200\n", "degC, got 200"),
    ],
)
def test_what_cannot_be_a_file_of_known_distances(text: str, words: str) -> None:
    Path("d.csv").write_text(text, encoding="utf-8")
    with pytest.raises(InputFaults, match=words):
        read_known_distances("d.csv").fit()


def test_pictures_have_a_dark_theme(capsys: Capture) -> None:
    from PIL import Image

    for theme, low, high in (("light", 200, 255), ("dark", 0, 60)):
        assert main(["calibrate", "ranger", real_file(), "--picture", "t.png", "--theme", theme, "-q"]) == 0
        with Image.open("t.png") as picture:
            assert low <= max(picture.convert("L").getcolors() or [])[1] <= high  # the ground's grey
    assert main(["calibrate", "ranger", real_file(), "--theme", "mauve"]) == 2
    assert "unknown theme 'mauve'" in capsys.readouterr().err


def test_the_picture_is_a_picture(capsys: Capture) -> None:
    from PIL import Image

    assert main(["calibrate", "ranger", real_file(), "--picture", "r.png", "-q"]) == 0
    assert capsys.readouterr().out == ""
    with Image.open("r.png") as picture:
        assert picture.size == (1240, 1040)
        assert len(picture.getcolors(1 << 20) or []) > 50


def test_head_and_ranger_share_one_file_and_no_other_ranger_does() -> None:
    save_calibration(Fitted("head", "left", {"head.pulse_centre_us": (1520.0, 3.0)}), "c.toml")
    save_calibration(Fitted("ranger", "left", {"ranger.range_scale": (1.01, 0.002)}), "c.toml")
    (one,) = read_calibration("c.toml", "-o", "left")
    assert one.values == {"head.pulse_centre_us": 1520.0, "ranger.range_scale": 1.01}
    # a newer head's values replace all of the older one's
    save_calibration(Fitted("head", "left", {"head.angle_scale": (0.98, 0.01)}), "c.toml")
    (one,) = read_calibration("c.toml", "-o", "left")
    assert one.values == {"head.angle_scale": 0.98, "ranger.range_scale": 1.01}
    before = Path("c.toml").read_bytes()
    with pytest.raises(OutputProblem, match="calibration of ranger 'left', this one is of 'right'"):
        save_calibration(Fitted("head", "right", {"head.angle_scale": (0.98, 0.01)}), "c.toml")
    assert Path("c.toml").read_bytes() == before


def test_the_file_says_what_each_part_was_made_of_and_when(capsys: Capture) -> None:
    assert main(["calibrate", "ranger", real_file(), "-o", "c.toml", "-q"]) == 0
    made = tomllib.loads(Path("c.toml").read_text())["made_from"]["ranger"]
    assert made["file"] == "real.csv" and len(made["file_digest"]) == 64
    assert made["covariance_keys"] == ["ranger.range_scale", "ranger.range_bias_m"]
    assert np.linalg.eigvalsh(np.array(made["covariance"])).min() > 0.0
    assert made["calibrated_at"].endswith("Z")
    save_run(bench(), "bench")
    assert main(["calibrate", "head", "bench", "-o", "d.toml", "-q", "--picture", "h.png"]) == 0
    assert Path("h.png").read_bytes()[:4] == b"\x89PNG"
    assert tomllib.loads(Path("d.toml").read_text())["made_from"]["head"]["calibrated_at"].endswith("Z")


def test_the_door_has_all_three() -> None:
    import sonargrid

    assert sonargrid.calibrate_ranger(real_file()).range_scale == pytest.approx(1.0125, abs=0.0005)
    assert sonargrid.calibrate_head is calibrate_head and callable(sonargrid.calibrate_beam)


@pytest.mark.parametrize(
    "words", [["calibrate", "wheel", "x"], ["calibrate", "ranger"], ["calibrate", "ranger", "x.csv", "--sweeps", "1"]]
)
def test_wrong_usage(words: list[str], capsys: Capture) -> None:
    assert main(words) == 2
    assert "hint:" in capsys.readouterr().err


def test_a_file_that_is_not_there(capsys: Capture) -> None:
    assert main(["calibrate", "ranger", "none.csv"]) == 1
    assert "none.csv" in capsys.readouterr().err

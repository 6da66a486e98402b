"""`check`: each fault provoked by what happens to sound, servo, wires or floor, and found; clean runs left in peace.

The runs are those of benchmarks/faulty_runs.py, which knows no rule of the check; seeds are others than those that
the rules were set on.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sonargrid.bench.check_echoes import predicted_floor_m
from sonargrid.bench.check_findings import SEVERITIES, CheckFinding, RunCheck
from sonargrid.bench.check_view import run_view, stretches, sweep_table
from sonargrid.bench.run_check import check_run
from sonargrid.runs.readings import Head, Ranger, Readings, Run, Station
from sonargrid.runs.run_files import load_run
from sonargrid.runs.run_saving import save_run
from sonargrid_cli.main import main

ROOT = Path(__file__).resolve().parent.parent
ANGLES = np.arange(0.0, 181.0, 2.0)
Capture = pytest.CaptureFixture[str]
STRAIGHT = Head()

# fault -> strength, seeds on which it must be named; a strength of 0 is the weak one
PROVOKED = {
    "short travel": (0.0, (301, 302)),
    "lost lines": (0.0, (301, 302)),
    "uneven steps": (0.0, (301, 302)),
    "wild pulses": (0.0, (301, 302)),
    "servo twitches": (0.0, (301, 302)),
    "play in the gears": (1.0, (301, 302)),
    "pings on the way back": (1.0, (301, 302)),
    "turning crossed": (0.0, (301, 302)),
    "weak supply": (0.0, (301, 302)),
    "loose lead": (1.0, (301, 302)),
    "no ranger": (0.0, (301, 302)),
    "small reach": (0.0, (301, 302)),
    "time-outs logged": (0.0, (301, 302)),
    "stuck value": (0.0, (301, 302)),
    "slips": (1.0, (301, 302)),
    "wrong unit": (0.0, (301, 302)),
    "chassis heard": (0.0, (301, 302)),
    "floor heard": (0.0, (301, 302)),
    "double bounce": (1.0, (301, 302)),
    "late echoes": (0.0, (301, 302)),
    "hasty pings": (0.0, (301, 302)),
    "ring pings together": (0.0, (301, 302)),
    "mixed lines": (0.0, (301, 302)),
    "post moved": (0.0, (301, 302)),
    "passer-by": (1.0, (301, 302)),
    "stations on one spot": (0.0, (301, 302)),
    "wrong heading": (1.0, (302, 308)),
    "no thermometer": (0.0, (301, 302)),
    "Fahrenheit": (0.0, (301, 302)),
    "slipped horn": (1.0, (301,)),
}


@pytest.fixture(scope="module")
def faulty_runs() -> Iterator[ModuleType]:
    sys.path.insert(0, str(ROOT / "benchmarks"))
    import faulty_runs as module

    yield module
    sys.path.remove(str(ROOT / "benchmarks"))


def ids(check: RunCheck) -> set[str]:
    return {finding.id for finding in check.findings}


def one_arc(left_of_ahead_deg: float, head: Head = STRAIGHT) -> Run:
    """One thing 60 cm off, in a sweep there and back, with noise of its own."""
    rng = np.random.default_rng(3)
    angle = np.concatenate([ANGLES, ANGLES[::-1]])
    commanded = left_of_ahead_deg * head.turns + 90.0
    heard = np.where(np.abs(angle - commanded) <= 24.0, 600.0 + 2.0 * rng.standard_normal(angle.size), np.inf)
    sweep = np.repeat([0, 1], ANGLES.size)
    rows = Readings(
        "angle_deg", "range_mm", angle, np.round(heard), 0 * sweep, sweep, 1 - 2 * sweep, 0.06 * np.arange(182)
    )
    return Run(rows, head=head, title="one thing")


def test_every_fault_of_the_list_is_tried(faulty_runs: ModuleType) -> None:
    assert set(PROVOKED) == set(faulty_runs.FAULTS)


@pytest.mark.parametrize("fault", PROVOKED)
def test_a_provoked_fault_is_found(fault: str, faulty_runs: ModuleType) -> None:
    strength, seeds = PROVOKED[fault]
    kind = faulty_runs.FAULTS[fault]
    for seed in seeds:
        check = check_run(kind.make(seed, strength))
        named = [finding for finding in check.findings if finding.id == kind.finding]
        assert named, f"seed {seed}: only {sorted(ids(check))}"
        for finding in named:
            assert finding.words.endswith(".") and finding.remedy and finding.numbers


@pytest.mark.parametrize("seed", range(320, 332))
def test_a_clean_run_is_fit(seed: int, faulty_runs: ModuleType) -> None:
    check = check_run(faulty_runs.clean_run(seed))
    assert check.fit, [finding.words for finding in check.findings]


def test_where_the_moved_post_stood_and_when(faulty_runs: ModuleType) -> None:
    run = faulty_runs.moved_post(302, 0.0)  # the post ahead is carried off between sweeps 1 and 2
    (found,) = [f for f in check_run(run).findings if f.id == "sweeps_disagree"]
    post = faulty_runs.posts_scene(302, passes=4).posts[1]
    bearing = math.atan2(post.y_m, post.x_m)
    assert found.first_rad < bearing < found.last_rad
    assert found.sweep == 2
    near = math.hypot(post.x_m, post.y_m) - 0.5 * post.diameter_m
    assert found.numbers["before_m"] == pytest.approx(near, abs=0.02)
    assert found.numbers["after_m"] is None  # nothing stands there any more
    assert "sweep 2 ran from" in found.words


def test_the_height_that_was_slipped_in_is_found_beside_the_floor(faulty_runs: ModuleType) -> None:
    scene_run = faulty_runs.floor(303, 1.0)
    tilt = math.radians(12.0)
    run = replace(scene_run, ranger=replace(scene_run.ranger, height_m=0.10, tilt_rad=tilt))
    floors = [f for f in check_run(run).findings if f.id == "floor_echo"]
    assert floors
    assert floors[0].numbers["predicted_axis_m"] == pytest.approx(0.10 / math.sin(tilt), rel=1e-5)
    assert f"its axis at {0.10 / math.sin(tilt):.2f} m" in floors[0].words


def test_predicted_floor_by_hand() -> None:
    # the 3-4-5 triangle: a beam edge that falls 3 in 5 meets the floor 3/5 of the way
    edge, axis = predicted_floor_m(0.3, math.asin(0.6), 0.0)
    assert (edge, axis) == (pytest.approx(0.5), pytest.approx(0.5))
    assert predicted_floor_m(0.3, 0.0, math.radians(30.0)) == (pytest.approx(0.6), math.inf)
    assert predicted_floor_m(0.1, math.radians(-40.0), math.radians(25.0)) == (math.inf, math.inf)


def test_double_bounce_of_the_textbook() -> None:
    """A plate 50 cm off answers again at 100 cm: the way is gone twice (multiple reflection, textbook)."""
    angle = np.tile(np.concatenate([ANGLES, ANGLES[::-1]]), 2)
    rng = np.random.default_rng(5)
    missed = rng.random(angle.size) < 0.25
    metres = np.where(missed, 1.00, 0.50) + 0.002 * rng.standard_normal(angle.size)
    heard = np.where(np.abs(angle - 90.0) < 25.0, np.round(1000 * metres), np.inf)
    sweep = np.repeat(np.arange(4), ANGLES.size)
    rows = Readings("angle_deg", "range_mm", angle, heard, 0 * sweep, sweep, 1 - 2 * (sweep % 2))
    (found,) = [f for f in check_run(Run(rows, ranger=Ranger(reach_m=2.0))).findings if f.id == "double_bounce"]
    assert found.numbers["range_m"] == pytest.approx(0.50, abs=0.003)
    assert (
        found.numbers["echoes"] == int((missed & (np.abs(angle - 90.0) < 25.0)).sum()) or found.numbers["echoes"] >= 15
    )


@pytest.mark.parametrize(("left", "side"), [(60.0, "left"), (-60.0, "right"), (2.0, "ahead")])
@pytest.mark.parametrize("turns", [1, -1])
def test_the_first_line_says_the_side(left: float, side: str, turns: int) -> None:
    nearest = check_run(one_arc(left, Head(turns=turns))).nearest
    assert nearest is not None
    assert nearest.side == side
    assert side.upper() in nearest.words
    assert "60 cm away" in nearest.words
    assert math.degrees(nearest.left_rad) == pytest.approx(left, abs=1.5)


def test_a_sweep_of_silence_is_told_and_no_crash() -> None:
    silent = replace(one_arc(0.0).readings, distance=np.full(182, np.inf))
    check = check_run(Run(silent))
    assert check.nearest is None
    assert "nothing_heard" in ids(check)


@pytest.mark.parametrize("count", [1, 2, 3])
def test_a_handful_of_readings_is_judged_without_a_crash(count: int) -> None:
    rows = Readings("angle_deg", "range_m", 90.0 * np.arange(count), np.full(count, 0.5), *(np.zeros((3, count), int)))
    assert not check_run(Run(rows)).fit or count == 3


def test_a_moving_robot_is_not_judged_by_its_half_circle() -> None:
    rows = Readings("bearing_deg", "range_m", [0.0, 15.0, 0.0], [0.5, 0.6, 0.7], [0, 0, 1], [0, 0, 0], [0, 0, 0])
    check = check_run(Run(rows, (Station("pose 1"), Station("pose 2", 0.1)), moving=True))
    assert check.fit
    assert any("the robot moved" in sentence for sentence in check.untested)


def test_severities_come_in_order(faulty_runs: ModuleType) -> None:
    check = check_run(faulty_runs.hasty(301, 1.0))
    order = [SEVERITIES.index(finding.severity) for finding in check.findings]
    assert order == sorted(order)
    assert check.verdict.startswith("NOT fit for use: 1 fault")


@settings(max_examples=12, deadline=None)
@given(turn=st.floats(-math.pi, math.pi), x=st.floats(-3.0, 3.0), y=st.floats(-3.0, 3.0), seed=st.integers(400, 430))
def test_where_the_floor_axes_lie_changes_nothing(turn: float, x: float, y: float, seed: int) -> None:
    sys.path.insert(0, str(ROOT / "benchmarks"))
    import faulty_runs as module

    run = module.clean_run(seed)
    cos, sin = math.cos(turn), math.sin(turn)
    moved = tuple(
        replace(
            s,
            x_m=x + cos * s.x_m - sin * s.y_m,
            y_m=y + sin * s.x_m + cos * s.y_m,
            heading_rad=s.heading_rad + turn,
        )
        for s in run.stations
    )
    here, there = check_run(run), check_run(replace(run, stations=moved))
    assert [f.id for f in here.findings] == [f.id for f in there.findings]


# the pieces


def test_sweeps_side_by_side_against_the_obvious_way(faulty_runs: ModuleType) -> None:
    run = faulty_runs.weak_supply(305, 0.0)
    for station in run_view(run).stations:
        table = sweep_table(station)
        for i, sweep in enumerate(table.sweeps.tolist()):
            for k, angle in enumerate(table.angle_deg.tolist()):
                here = (station.sweep == sweep) & (np.abs(station.angle_deg - angle) < 0.5 * station.step_deg)
                known = sorted(station.range_m[here & ~np.isnan(station.range_m)].tolist())
                wanted = known[(len(known) - 1) // 2] if known else math.nan
                assert table.range_m[i, k] == pytest.approx(wanted, abs=0.0, nan_ok=True)


@given(st.lists(st.booleans(), max_size=40), st.integers(0, 3))
def test_stretches_against_the_obvious_way(true: list[bool], holes: int) -> None:
    wanted: list[list[int]] = []
    for i, here in enumerate(true):
        if here and wanted and i - wanted[-1][1] - 1 <= holes:
            wanted[-1][1] = i
        elif here:
            wanted.append([i, i])
    assert stretches(np.array(true, dtype=bool), holes) == [(a, b) for a, b in wanted]


def test_a_finding_has_a_known_severity() -> None:
    with pytest.raises(ValueError, match="severity must be one of fault, warning, note"):
        CheckFinding("gap", "grave", "A gap.", "Sweep again.")


# the command


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_a_fit_run_answers_0(folder: Path, capsys: Capture) -> None:
    assert main(["check", "--sample", "two_flowerpots"]) == 0
    said = capsys.readouterr()
    assert said.out.splitlines()[0] == "The nearest thing is on the LEFT, 48 cm away (29 degrees left of ahead)."
    assert "Fit for use" in said.out
    assert "What this run cannot show:" in said.out
    assert max(map(len, said.out.splitlines()[1:])) <= 80
    assert said.err == ""
    assert list(folder.iterdir()) == []


def test_an_unfit_run_answers_1_without_error_lines(folder: Path, capsys: Capture, faulty_runs: ModuleType) -> None:
    save_run(faulty_runs.chassis(301, 1.0), folder / "deck")
    assert main(["check", "deck"]) == 1
    said = capsys.readouterr()
    assert "NOT fit for use" in said.out
    assert "FAULT  self_echo" in said.out
    assert "error" not in said.err
    assert main(["check", "deck", "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert told["fit"] is False
    found = next(f for f in told["findings"] if f["id"] == "self_echo")
    assert found["severity"] == "fault"
    assert 0.05 < found["numbers"]["range_m"] < 0.13
    assert found["first_deg"] < 60.0 < 120.0 < found["last_deg"]
    assert found["reading_count"] >= len(found["readings"]) > 0
    assert main(["check", "deck", "-q"]) == 1
    assert capsys.readouterr().out == ""


def test_a_saved_run_is_judged_as_the_one_in_memory(folder: Path, faulty_runs: ModuleType) -> None:
    run = faulty_runs.moved_post(301, 1.0)
    save_run(run, folder / "run")
    assert ids(check_run(load_run(folder / "run"))) - {"temperature_missing"} == ids(check_run(run))


def test_a_time_out_goes_when_it_is_told(folder: Path, capsys: Capture, faulty_runs: ModuleType) -> None:
    save_run(faulty_runs.timed_out(302, 0.0), folder / "run")
    assert main(["check", "run", "--json"]) == 1
    (found,) = [f for f in json.loads(capsys.readouterr().out)["findings"] if f["id"] == "timeout_as_distance"]
    assert found["numbers"]["value"] == 24_000.0
    assert "no_echo_at = [24000]" in found["remedy"]
    main(["check", "run", "--set", "ranger.no_echo_at=[24000]", "--json"])
    assert "timeout_as_distance" not in {f["id"] for f in json.loads(capsys.readouterr().out)["findings"]}


def test_pictures_and_json_in_a_folder(folder: Path, capsys: Capture, faulty_runs: ModuleType) -> None:
    save_run(faulty_runs.passer_by(301, 1.0), folder / "run")
    assert main(["check", "run", "-o", "seen"]) == 1
    assert sorted(path.name for path in (folder / "seen").iterdir()) == ["check.json", "check.png", "check.svg"]
    assert json.loads((folder / "seen" / "check.json").read_text(encoding="utf-8"))["fit"] is False
    assert (folder / "seen" / "check.png").read_bytes().startswith(b"\x89PNG")
    drawn = (folder / "seen" / "check.svg").read_text(encoding="utf-8")
    assert "alone hears" in drawn
    assert "NOT fit for use" in drawn
    capsys.readouterr()
    assert main(["check", "run", "-o", "seen"]) == 1  # once more over its own files
    assert main(["check", "run", "-o", "one.svg", "--theme", "dark"]) == 1


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["-o", "check.gif"], "-o takes a folder, or a name that ends in .png, .svg or .json"),
        (["--theme", "pink"], "unknown theme 'pink'"),
    ],
)
def test_wrong_usage(words: list[str], said: str, folder: Path, capsys: Capture) -> None:
    assert main(["check", "--sample", "two_flowerpots", *words]) == 2
    assert said in capsys.readouterr().err


def test_what_stands_in_the_way_is_left_alone(folder: Path, capsys: Capture) -> None:
    (folder / "seen").write_text("mine", encoding="utf-8")
    assert main(["check", "--sample", "two_flowerpots", "-o", "seen"]) == 1
    assert "exists and is no folder" in capsys.readouterr().err
    assert (folder / "seen").read_text(encoding="utf-8") == "mine"


def test_two_readings_of_999_are_no_wrong_unit(folder: Path, capsys: Capture) -> None:
    Path("log.csv").write_text("angle_deg,range_cm\n0,50\n90,999\n180,999\n", encoding="utf-8")
    main(["check", "log.csv", "--json"])
    found = {f["id"] for f in json.loads(capsys.readouterr().out)["findings"]}
    assert "timeout_as_distance" in found
    assert "wrong_unit" not in found


def test_a_run_that_is_not_there_is_named(folder: Path, capsys: Capture) -> None:
    assert main(["check", "nowhere"]) == 1
    assert "nowhere" in capsys.readouterr().err

"""Scene files: what they may say, and what they are told when they say something else."""

from __future__ import annotations

import io
import math
import sys
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest

from sonargrid.errors import InputFaults
from sonargrid.runs.readings import Station
from sonargrid.runs.run_files import load_run, save_run
from sonargrid.simulation.scene import Noise, Scene, SceneBox, ScenePost, SceneWall, SweepPlan
from sonargrid.simulation.scene_files import SCENE_KEYS, load_scene, parse_scene
from sonargrid.simulation.simulate import simulate

FULL = b"""
format = "sonargrid-scene/1"
title = "Tool corner"
notes = "made up"
seed = 9

[[wall]]
x1_m = 0.0
y1_m = 1.0
x2_m = 2.0
y2_m = 1.0
surface = "rough"
lean_deg = 3.0

[[post]]
x_m = 0.5
y_m = 0.5
diameter_m = 0.08
half = true
heading_deg = 90.0

[[box]]
x_m = 1.5
y_m = 0.5
width_m = 0.3
depth_m = 0.2
heading_deg = 30.0

[air]
temperature_c = 25.0

[ranger]
reach_m = 2.5
us_per_cm = 58.0

[head]
angle_offset_deg = 4.0
turns = "cw"

[robot]
radius_m = 0.1

[[station]]
name = "bench"
x_m = 0.1
y_m = 0.2
heading_deg = 45.0

[[station]]
name = "door"
x_m = 1.0
y_m = 0.1
heading_deg = 90.0
position_sigma_m = 0.02

[given.air]
temperature_c = 20.0

[given.head]
angle_offset_deg = 0.0

[[given.station]]
name = "bench"
x_m = 0.12
y_m = 0.2
heading_deg = 45.0
position_sigma_m = 0.01
heading_sigma_deg = 1.0

[sweep]
step_deg = 2.5
passes = 3
both_ways = true
from_deg = 10.0
to_deg = 170.0
distance_column = "range_mm"

[noise]
dropout = 0.1
ghosts = true
beam = "soft"
bend_deg = -1.5
threshold_db = -24
"""


def faults_of(text: str | bytes) -> list[str]:
    """Return `key: message | hint` of every fault of a scene."""
    with pytest.raises(InputFaults) as told:
        parse_scene(text if isinstance(text, bytes) else text.encode(), "room.toml")
    assert all(fault.file == "room.toml" for fault in told.value.faults)
    return [f"{fault.column}: {fault.message} | {fault.hint}" for fault in told.value.faults]


def test_a_scene_says_all_there_is_to_say() -> None:
    scene = parse_scene(FULL, name="tool_corner")
    assert scene.walls == (SceneWall(0.0, 1.0, 2.0, 1.0, "rough", math.radians(3.0)),)
    assert scene.posts == (ScenePost(0.5, 0.5, 0.08, True, math.radians(90.0)),)
    assert scene.boxes == (SceneBox(1.5, 0.5, 0.3, 0.2, math.radians(30.0)),)
    assert (scene.title, scene.notes, scene.seed, scene.name) == ("Tool corner", "made up", 9, "tool_corner")
    assert scene.air.temperature_c == 25.0 and scene.ranger.reach_m == 2.5 and scene.robot.radius_m == 0.1
    assert scene.ranger.assumed_sound_speed_m_s == pytest.approx(344.8276, abs=1e-4)
    assert scene.head.turns == -1 and scene.head.angle_offset_rad == math.radians(4.0)
    assert [station.name for station in scene.stations] == ["bench", "door"]
    assert scene.sweep.passes == 3 and scene.sweep.both_ways and scene.sweep.distance_column == "range_mm"
    assert np.degrees([scene.sweep.step_rad, scene.sweep.from_rad, scene.sweep.to_rad]) == pytest.approx([2.5, 10, 170])
    assert scene.noise == Noise(dropout=0.1, ghosts=True, beam="soft", bend_rad=math.radians(-1.5), threshold_db=-24.0)


def test_given_tables_change_only_what_they_name() -> None:
    scene = parse_scene(FULL)
    assert scene.given_air is not None and scene.given_air.temperature_c == 20.0
    assert scene.given_head is not None and scene.given_head.angle_offset_rad == 0.0 and scene.given_head.turns == -1
    assert scene.given_ranger is None and scene.given_robot is None
    assert scene.given_stations is not None
    assert [s.x_m for s in scene.given_stations] == [0.12, 1.0]
    assert scene.given_stations[1] == scene.stations[1]


def test_sigmas_that_nobody_states_are_handed_on_as_assumed() -> None:
    assert parse_scene(FULL).assumed == (
        "air.temperature_sigma_c",
        "ranger.range_sigma_m",
        "head.angle_sigma_deg",
        "station.door.heading_sigma_deg",
    )
    stated = parse_scene(b"[given.air]\ntemperature_sigma_c = 1.0\n[ranger]\nrange_sigma_m = 0.01")
    assert stated.assumed == ("head.angle_sigma_deg",)


def test_an_empty_file_is_an_empty_floor() -> None:
    assert parse_scene(b"") == Scene(
        (Station("A"),),
        name="scene",
        assumed=("air.temperature_sigma_c", "ranger.range_sigma_m", "head.angle_sigma_deg"),
    )


def test_stations_are_placed_by_tape_as_in_a_run() -> None:
    scene = parse_scene(
        b"""
[[mark]]
name = "P"
x_m = 0.0
y_m = 0.0
[[mark]]
name = "Q"
x_m = 1.0
y_m = 0.0
[[station]]
name = "A"
from = {P = 0.6, Q = 0.8}
side = "left"
facing = "Q"
[[target]]
kind = "post"
x_m = 0.5
y_m = 0.9
diameter_m = 0.05
"""
    )
    assert (scene.stations[0].x_m, scene.stations[0].y_m) == pytest.approx((0.36, 0.48))
    assert len(scene.marks) == 2 and scene.targets[0].diameter_m == 0.05
    assert simulate(scene).targets == scene.targets


@pytest.mark.parametrize("field", [field.name for field in fields(Noise)])
def test_every_noise_has_its_key(field: str) -> None:
    (key,) = (key for key in SCENE_KEYS["noise"] if key.field == field)
    value = getattr(Noise(), field)
    words = {bool: ("true", True), str: ('"lobed"', "lobed")}.get(type(value), ("0.5", 0.5 * key.unit))
    noise = parse_scene(f"[noise]\n{key.name} = {words[0]}".encode()).noise
    assert getattr(noise, field) == words[1]


@pytest.mark.parametrize("field", [field.name for field in fields(SweepPlan)])
def test_every_part_of_the_plan_has_its_key(field: str) -> None:
    assert any(key.field == field for key in SCENE_KEYS["sweep"])


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("[[pots]]", "pots: unknown key 'pots' | did you mean post?"),
        ("colour = 1", "colour: unknown key 'colour' | known here: format"),
        (
            'format = "sonargrid-run/1"',
            "format: must be 'sonargrid-scene/1', got 'sonargrid-run/1' | a run is no scene",
        ),
        ("title = 3", "title: must be a text, got 3"),
        ("seed = -1", "seed: must be at least 0"),
        ("seed = 1.5", "seed: must be a whole number, got 1.5"),
        ("seed = true", "seed: must be a whole number, got true"),
        ("[post]\nx_m = 1", "post: must be a list of tables, got one table | write [[post]] with two brackets"),
        (
            "[[post]]\nx_m = 0\ny_m = 1\ndiameter = 2",
            "post.1.diameter: unknown key 'diameter' | did you mean diameter_m?",
        ),
        ("[[post]]\nx_m = 0\ny_m = 1", "post.1.diameter_m: the key is missing | a post has x_m, y_m, diameter_m"),
        ("[[post]]\nx_m = 0\ny_m = '1'\ndiameter_m = 1", "post.1.y_m: must be a number, got the text '1'"),
        ("[[post]]\nx_m = 0\ny_m = 1\ndiameter_m = 0", "post.1.diameter_m: must be above 0"),
        ("[[post]]\nx_m = 0\ny_m = 1\ndiameter_m = 1\nhalf = 1", "post.1.half: must be true or false, got 1"),
        ("[[box]]\nx_m = 0\ny_m = 1\nwidth_m = -1\ndepth_m = 1", "box.1.width_m: must be above 0"),
        (
            "[[wall]]\nx1_m = 1\ny1_m = 1\nx2_m = 1\ny2_m = 1",
            "wall.1: a wall needs two different ends | ",
        ),
        (
            "[[wall]]\nx1_m = 1\ny1_m = 1\nx2_m = 2\ny2_m = 1\nsurface = 'smoth'",
            "wall.1.surface: must be 'smooth' or 'rough', got 'smoth'",
        ),
        ("[sweep]\nstep_deg = 0", "sweep.step_deg: must be above 0"),
        ("[sweep]\npasses = 0", "sweep.passes: must be at least 1"),
        ("[sweep]\npasses = 2.0", "sweep.passes: must be a whole number, got 2.0"),
        ("[sweep]\nboth_ways = 'yes'", "sweep.both_ways: must be true or false, got 'yes'"),
        ("[sweep]\nfrom_deg = 100\nto_deg = 20", "sweep: a sweep needs a step above 0"),
        ("[sweep]\nfrom_deg = -10", "sweep: head angles lie between 0 and 180, got -10 to 180 | for a fixed ring"),
        ("[sweep]\ndistance_column = 'range_km'", "sweep.distance_column: must be 'echo_us' or"),
        ("[[sweep]]\npasses = 1", "sweep: must be one table, got a list of tables | write [sweep]"),
        ("[noise]\ndropout = 3", "noise.dropout: must be at least 0 and at most 1, got 3 | a chance"),
        ("[noise]\nbend_rad = 0.1", "noise.bend_rad: unknown key 'bend_rad' | did you mean bend_deg?"),
        ("[noise]\nbeam = 'laser'", "noise.beam: must be 'piston' or"),
        ("[ranger]\nreach = 3", "ranger.reach: unknown key 'reach' | did you mean reach_m?"),
        ("[ranger]\nreach_m = nan", "ranger.reach_m: must be a finite number"),
        ("[air]\ntemperature_c = 400", "air.temperature_c: must be at least -40 and at most 60, got 400"),
        ("[[station]]\nname = 'A'\nx_m = 0\ny_m = 0", "station.A.heading_deg: the key is missing"),
        (
            "[[station]]\nname = 'A'\nx_m = 0\ny_m = 0\nheading_deg = 0\n"
            "[[station]]\nname = 'A'\nx_m = 1\ny_m = 0\nheading_deg = 0",
            "station.A.name: a second station of the name 'A'",
        ),
        ("[[post]]\nx_m = 0\ny_m = 0.01\ndiameter_m = 0.1", "station.A: stands inside post 1, at (0, 0) | move"),
        (
            "[[box]]\nx_m = 0.3\ny_m = 0.3\nwidth_m = 1\ndepth_m = 0.2\nheading_deg = 45",
            "station.A: stands inside box 1, at (0, 0)",
        ),
        ("given = 3", "given: must be one table, got 3 | write [given.head]"),
        (
            "[given.sweep]\npasses = 2",
            "given.sweep: unknown key 'sweep' | known here: air, ranger, head, robot, station",
        ),
        ("[given.head]\nangle_offset_deg = 'x'", "given.head.angle_offset_deg: must be a number, got the text 'x'"),
        (
            "[[given.station]]\nname = 'Z'\nx_m = 0\ny_m = 0\nheading_deg = 0",
            "given.station.Z: no true station of the name 'Z' | true stations: A",
        ),
        ("x = [1, ", "None: not TOML"),
    ],
)
def test_a_fault_is_told_with_its_key(text: str, fault: str) -> None:
    told = faults_of(text)
    assert len(told) == 1, told
    assert told[0].startswith(fault), told[0]


def test_all_faults_at_once_with_their_lines() -> None:
    text = b"seed = -1\n[[post]]\nx_m = 0\ny_m = 'a'\ndiameter_m = 1\n[noise]\nstray = 7\nslipp = 0.1\n"
    with pytest.raises(InputFaults) as told:
        parse_scene(text)
    assert [fault.line for fault in told.value.faults] == [1, 4, 7, 8]


def test_a_scene_comes_from_a_file_or_from_standard_input(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "tool_corner.toml"
    path.write_bytes(FULL)
    scene = load_scene(path)
    assert scene.name == "tool_corner" and len(scene.stations) == 2
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(FULL)))
    assert load_scene("-").title == "Tool corner"
    with pytest.raises(InputFaults, match=r"nowhere\.toml"):
        load_scene(tmp_path / "nowhere.toml")
    with pytest.raises(InputFaults, match="tool_corner"):
        path.write_bytes(b"[[post]]")
        load_scene(path)


def test_what_is_simulated_is_read_back_the_same(tmp_path: Path) -> None:
    run = simulate(parse_scene(FULL))
    back = load_run(save_run(run, tmp_path / "run"))
    assert back.readings.distance.tobytes() == run.readings.distance.tobytes()
    assert back.readings.angle.tobytes() == run.readings.angle.tobytes()
    assert back.readings.turning.tolist() == run.readings.turning.tolist()
    assert back.readings.sweep.tolist() == run.readings.sweep.tolist()
    assert (back.stations, back.air, back.head, back.robot) == (run.stations, run.air, run.head, run.robot)
    assert (back.title, back.notes) == ("Tool corner", "made up")
    assert set(run.assumed) == set(back.assumed)

"""Each classic first failure, met in one and the same log: `import` and `map` notice it and say what to type."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from sonargrid.runs.readings import Ranger, Run, Station
from sonargrid.runs.run_files import load_run
from sonargrid.runs.run_saving import save_run
from sonargrid.runs.samples import sample_names
from sonargrid.runs.stations_agree import contradictions
from sonargrid.simulation.scene import Scene, ScenePost, SceneWall
from sonargrid.simulation.simulate import simulate
from sonargrid_cli.main import main

Row = tuple[float, float | None]


def _bench() -> list[Row]:
    """Return a sweep there and back over a bench: a pot left, a tray right; centimetres, None = silent."""
    rows: list[Row] = []
    there = list(range(0, 181, 4))
    for angle in there + there[::-1]:
        near = 34.0 if 128 <= angle <= 152 else 80.0 if 38 <= angle <= 62 else None
        rows.append((float(angle), None if near is None else near + 0.3 * math.sin(angle)))
    return rows


def _log(change: Callable[[Row], str], header: str = "") -> str:
    return header + "".join(change(row) + "\n" for row in _bench())


def _cm(row: Row, nothing: str = "") -> str:
    return f"{row[0]:g},{nothing if row[1] is None else f'{row[1]:.1f}'}"


LOGS: dict[str, str] = {
    "sound": _log(_cm),
    "zeros": _log(lambda row: _cm(row, "0")),
    "nines": _log(lambda row: _cm(row, "999")),
    "clipped": _log(lambda row: _cm(row, "450")),
    "centred": _log(lambda row: _cm((row[0] - 90.0, row[1]))),
    "one sided": _log(lambda row: _cm((row[0] / 2.0, row[1]))),
    "shifted": _log(lambda row: _cm((row[0] * 0.8, row[1]))),
    "whole turn": _log(lambda row: _cm(((row[0] - 90.0) % 360.0, row[1]))),
    "microseconds": _log(lambda row: f"{row[0]:g},{'' if row[1] is None else round(row[1] * 58.2)}"),
}


def _import(log: str, tmp_path: Path, *flags: str) -> Path:
    (tmp_path / "log.txt").write_text(LOGS[log])
    assert main(["import", str(tmp_path / "log.txt"), "-o", str(tmp_path / "run"), "--yes", *flags]) == 0
    return tmp_path / "run"


@pytest.mark.parametrize(
    ("log", "flags", "typed"),
    [
        ("zeros", ["--no-echo-at", "999"], ""),  # zeros are never distances: they are kept as unread lines
        ("nines", ["--no-echo-at", "0"], "999: a time-out, no wall; type --no-echo-at 999"),
        ("clipped", ["--no-echo-at", "0"], "450: a time-out, no wall; type --no-echo-at 450"),
        ("sound", ["--reach", "0.5"], "lie beyond the reach of 0.5 m and count as nothing heard; if it hears "
         "farther, type --reach 0.9"),
        ("sound", ["--turns", "cw"], "RIGHT, 34 cm away: if it stands on the other side, type --turns ccw"),
        ("sound", ["--nearest", "right"], "mirrored head: growing angles turn the other way"),
        ("centred", ["--ahead", "90"], "angles go below 0, so 0 looks straight ahead; type --ahead 0"),
        ("centred", [], "angles go below 0, so 0 looks straight ahead"),
        ("one sided", [], "if 0 looks ahead, type --ahead 0"),
        ("shifted", [], "middle is 72 degrees, not 90; if the head looks straight ahead there, type --ahead 72"),
        ("whole turn", [], "350 is -10, and 0 looks straight ahead"),
        ("sound", ["--distance-unit", "m"], "the unit is wrong; type --distance-unit cm"),
        ("microseconds", ["--distance-unit", "cm"], "the unit is wrong; type --distance-unit cm (or mm, us)"),
        ("sound", ["--distance-unit", "us"], "the unit is wrong; type --distance-unit m (or cm, us-one-way)"),
    ],
)  # fmt: skip
def test_import_says_what_to_type(
    log: str, flags: list[str], typed: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _import(log, tmp_path, *flags)
    said = capsys.readouterr()
    assert " ".join(typed.split()) in " ".join(said.err.split())


@pytest.mark.parametrize(
    ("log", "flags", "tape", "typed"),
    [
        ("sound", [], "68cm", "type --distance-scale 2"),
        ("microseconds", [], "68cm", "type --distance-unit us-one-way"),
        ("sound", ["--distance-unit", "m"], "34cm", "type --distance-unit cm"),
        ("sound", [], "36.5cm", "type --distance-scale 1.0"),
        ("sound", ["--distance-unit", "cm"], "86cm", "type --distance-unit in"),
    ],
)
def test_the_tape_tells_what_numbers_alone_cannot(
    log: str, flags: list[str], tape: str, typed: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "log.txt").write_text(LOGS[log])
    words = ["import", str(tmp_path / "log.txt"), "-o", str(tmp_path / "run"), "--yes", "--tape", tape, *flags]
    assert main(words) == 1
    assert typed in capsys.readouterr().err
    assert not (tmp_path / "run").exists()


def test_zeros_at_import_are_nothing_heard(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run = load_run(_import("zeros", tmp_path))
    assert "0 as a distance means that nothing was heard" in capsys.readouterr().err
    assert sum(math.isinf(value) for value in run.readings.distance.tolist()) == sum(r is None for _, r in _bench())


@pytest.mark.parametrize(
    ("header", "log", "flags", "typed"),
    [
        ("angle_deg,range_cm\n", "nines", [], "999: a time-out, no wall; type --set ranger.no_echo_at=[999]"),
        ("angle_deg,range_cm\n", "nines", ["--reach", "20"], "type --set ranger.no_echo_at=[999]"),
        ("angle_deg,range_cm\n", "sound", ["--reach", "0.5"], "if the ranger hears farther, give --reach"),
        ("angle_deg,range_cm\n", "sound", [], "on your robot's LEFT at station A (if not: --set head.turns=cw)"),
        (
            "angle_deg,range_cm\n",
            "sound",
            ["--set", "head.turns=cw"],
            "RIGHT at station A (if not: --set head.turns=ccw)",
        ),
        ("angle_deg,range_cm\n", "one sided", [], "if 0 looks ahead, type --set head.ahead_deg=0"),
        ("angle_deg,range_cm\n", "shifted", [], "type --set head.ahead_deg=72"),
        ("angle_deg,range_m\n", "sound", [], "the unit is wrong; type range_cm (or range_mm, echo_us) as the name"),
        ("angle_deg,range_cm\n", "microseconds", [], "the unit is wrong; type range_cm (or range_mm, echo_us)"),
        ("angle_deg,echo_us\n", "sound", [], "for times that are one way only --set ranger.range_scale=2"),
        ("angle_deg,range_cm\n", "sound", [], "often 58: --set ranger.us_per_cm=58)"),
    ],
)
def test_map_says_what_to_type(
    header: str, log: str, flags: list[str], typed: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "log.csv").write_text(header + LOGS[log])
    words = ["map", str(tmp_path / "log.csv"), "-o", str(tmp_path / "out"), "--no-objects", "--solver", "additive"]
    assert main([*words, *flags]) == 0
    said = capsys.readouterr()
    assert typed in " ".join((said.out + said.err).split())


@pytest.mark.parametrize(
    ("log", "typed"),
    [
        ("zeros", "no_echo_at = [0]"),
        ("centred", "where 0 looks ahead, type sonargrid import FILE -o RUN"),
        ("whole turn", "where 0 looks ahead, type sonargrid import FILE -o RUN"),
    ],
)
def test_map_refuses_with_what_mends_it(
    log: str, typed: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "log.csv").write_text("angle_deg,range_cm\n" + LOGS[log])
    assert main(["map", str(tmp_path / "log.csv"), "-o", str(tmp_path / "out")]) == 1
    assert typed in capsys.readouterr().err


def test_a_sound_log_raises_no_alarm(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    _import("sound", tmp_path)
    assert "note:" not in capsys.readouterr().err


def test_the_shipped_samples_raise_no_alarm() -> None:
    for name in sample_names():
        from sonargrid.runs.first_look import first_look
        from sonargrid.runs.samples import find_sample

        assert first_look(load_run(find_sample(name))).sentences == (), name


def _four_stations(seed: int) -> Run:
    """Return a room of posts and walls, swept from four places."""
    walls = tuple(SceneWall(*ends) for ends in ((-1, -1, 3, -1), (3, -1, 3, 2), (3, 2, -1, 2), (-1, 2, -1, -1)))
    posts = (ScenePost(0.6, 1.3, 0.06), ScenePost(1.6, 0.4, 0.08), ScenePost(2.3, 1.4, 0.05))
    places = ((-0.4, 0.2, 10.0), (1.0, -0.6, 80.0), (2.5, 0.1, 150.0), (1.1, 1.6, -100.0))
    stations = tuple(Station(n, x, y, math.radians(h)) for n, (x, y, h) in zip("ABCD", places, strict=True))
    return simulate(Scene(stations, walls=walls, posts=posts, ranger=Ranger(reach_m=2.5)), seed)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_stations_that_contradict_one_another_tell_a_mirrored_head(seed: int) -> None:
    run = _four_stations(seed)
    assert contradictions(run) == ()
    mirrored = replace(run, head=replace(run.head, turns=-1))
    assert "mirrored; then type --set head.turns=ccw" in contradictions(mirrored)[0]
    assert contradictions(replace(run, moving=True)) == ()


def test_stations_that_contradict_one_another_may_tell_one_way_times() -> None:
    said = [
        contradictions(replace(run, ranger=replace(run.ranger, range_scale=0.5)))
        for run in map(_four_stations, range(1, 9))
    ]
    # about half of such runs are noticed (benchmarks/README.md); what is said must be right
    told = [words[0] for words in said if words]
    assert len(told) >= 2
    assert all("ranges were doubled" in words and "--set ranger.range_scale=1" in words for words in told)


def test_map_tells_of_contradicting_stations(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    save_run(_four_stations(1), tmp_path / "run")
    words = ["map", str(tmp_path / "run"), "--no-objects", "--solver", "additive", "--cell", "5cm", "-o"]
    assert main([*words, str(tmp_path / "a")]) == 0
    assert "contradict" not in capsys.readouterr().err
    assert main([*words, str(tmp_path / "b"), "--set", "head.turns=cw"]) == 0
    assert "then type --set head.turns=ccw" in capsys.readouterr().err

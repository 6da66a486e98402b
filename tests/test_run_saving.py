"""Saving a run and reading it back: the very same run, whole or not at all, never over something else."""

from __future__ import annotations

import csv
import math
import tempfile
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from run_texts import FORMAT, SWEEP, lay_run
from sonargrid.errors import OutputProblem
from sonargrid.runs.readings import Air, Head, Mark, Ranger, Readings, Robot, Run, Station, Target
from sonargrid.runs.run_files import load_run, save_run

PROPERTY = settings(derandomize=True, deadline=None, max_examples=60)
NOT_SAVED = {"readings", "name", "path", "digest", "origins", "warnings", "assumed", "calibration_sigmas"}


def assert_same_run(one: Run, two: Run) -> None:
    for field in fields(Run):
        if field.name not in NOT_SAVED:
            assert getattr(one, field.name) == getattr(two, field.name), field.name
    for field in fields(Readings):
        a, b = getattr(one.readings, field.name), getattr(two.readings, field.name)
        if isinstance(a, np.ndarray):
            assert np.array_equal(a, b, equal_nan=a.dtype.kind == "f"), field.name
        else:
            assert a == b, field.name


def again(run: Run) -> Run:
    with tempfile.TemporaryDirectory() as folder:
        return load_run(save_run(run, Path(folder) / "saved"))


def degrees(low: float, high: float) -> st.SearchStrategy[float]:
    return st.integers(round(low * 100), round(high * 100)).map(lambda v: math.radians(1.0) * (v / 100))


MOMENTS = ["", "2026-05-04T10:30:00Z", "1990-12-31T23:59:60Z", "1979-05-27T00:32:00.5-07:00"]
METRES = st.floats(0.001, 0.9)
NAMES = st.text(st.characters(exclude_categories=("C", "Z")), min_size=1, max_size=12)
TEXTS = st.text(st.characters(exclude_categories=("Cs",)), max_size=30)


@st.composite
def runs(draw: st.DrawFn) -> Run:
    names = draw(st.lists(NAMES, min_size=1, max_size=3, unique=True))
    place = st.floats(-5, 5)
    turns = degrees(-360, 360)
    stations = tuple(
        Station(n, draw(place), draw(place), draw(turns), draw(METRES), draw(degrees(0, 40))) for n in names
    )
    count = draw(st.integers(1, 20))
    angle_column = draw(st.sampled_from(["angle_deg", "pulse_us", "bearing_deg"]))
    low, high = {"angle_deg": (0, 180), "pulse_us": (400, 2600), "bearing_deg": (-360, 360)}[angle_column]
    distances = st.one_of(st.floats(5.0, 90.0), st.integers(5, 90), st.sampled_from([math.inf, math.nan, 50.0]))
    listed = [float(draw(distances)) for _ in range(count - 1)]
    times = st.one_of(st.none(), st.just(np.sort([draw(st.floats(0, 1e6)) for _ in range(count)])))
    readings = Readings(
        angle_column,
        draw(st.sampled_from(["range_cm", "range_in"])),
        [float(draw(st.one_of(st.floats(low, high), st.integers(low, high)))) for _ in range(count)],
        [50.0, *listed],
        [draw(st.integers(0, len(names) - 1)) for _ in range(count)],
        [draw(st.integers(0, 5)) for _ in range(count)],
        [draw(st.sampled_from([-1, 0, 1])) for _ in range(count)],
        draw(times),
    )
    ranger = Ranger(
        label=draw(TEXTS),
        half_beam_rad=draw(st.one_of(st.none(), degrees(0.1, 90))),
        half_beam_table=draw(st.sampled_from([(), ((0.4, math.radians(1) * 28), (1.0, math.radians(1) * 21))])),
        reach_m=draw(st.floats(1.0, 100.0)),
        range_sigma_m=draw(METRES),
        range_bias_m=draw(st.floats(-0.05, 0.05)),
        no_echo_at=tuple(draw(st.lists(st.sampled_from([0.0, -1.0, 999.0]), max_size=2, unique=True))),
        assumed_sound_speed_m_s=draw(st.one_of(st.none(), st.floats(300, 400))),
        tilt_rad=draw(degrees(-90, 90)),
    )
    if ranger.half_beam_table:
        ranger = replace(ranger, half_beam_rad=None)
    head = Head(
        turns=draw(st.sampled_from([1, -1])),
        ahead_rad=draw(turns),
        backlash_rad=draw(degrees(0, 90)),
        pulse_us_per_deg=draw(st.sampled_from([-10.0, 100.0 / 9.0])),
        arm_m=draw(METRES),
    )
    return Run(
        readings,
        stations,
        Air(draw(st.floats(-10, 40)), draw(METRES), 40.0, 99.0),
        ranger,
        head,
        Robot(head_left_m=draw(METRES)),
        marks=(Mark("P", draw(place), 0.0),),
        targets=(
            Target("post", draw(place), 1.0, 0.05),
            Target("corner", 1.0, draw(place), position_sigma_m=0.02),
            Target("wall", 0.0, 1.0, 0.0, draw(place), 1.0),
        ),
        title=draw(TEXTS),
        notes=draw(TEXTS),
        recorded_at=draw(
            st.sampled_from(["", "2026-05-04T10:30:00Z", "1990-12-31T23:59:60Z", "1979-05-27T00:32:00.5-07:00"])
        ),
    )


@PROPERTY
@given(runs())
def test_round_trip(run: Run) -> None:
    assert_same_run(again(run), run)


@PROPERTY
@given(st.lists(st.tuples(st.floats(-5, 5), st.floats(-5, 5), degrees(-400, 400)), min_size=1, max_size=8, unique=True))
def test_round_trip_of_a_moving_robot(poses: list[tuple[float, float, float]]) -> None:
    stations = tuple(Station(f"pose {i}", *pose) for i, pose in enumerate(poses, 1))
    index = list(range(len(poses))) * 2
    count = len(index)
    readings = Readings("angle_deg", "range_m", [90.0] * count, [0.5] * count, index, [0] * count, [0] * count)
    run = Run(readings, stations, moving=True)
    assert_same_run(again(run), run)


def test_what_was_assumed_is_not_written_as_stated(tmp_path: Path) -> None:
    run = load_run(lay_run(tmp_path, FORMAT, SWEEP))
    text = (save_run(run, tmp_path / "saved") / "run.toml").read_text()
    assert "sigma_c" not in text and "range_sigma_m" not in text
    assert load_run(tmp_path / "saved").assumed == run.assumed
    stated = replace(run, assumed=())
    assert "temperature_sigma_c = 3.0" in (save_run(stated, tmp_path / "stated") / "run.toml").read_text()


def test_the_readings_file(tmp_path: Path) -> None:
    values = [50.0, math.inf, math.nan, 50.5]
    stations = (Station('a "b", c'),)
    run = Run(Readings("angle_deg", "range_cm", [0, 1, 2, 3.5], values, [0] * 4, [0] * 4, [1, -1, 0, 1]), stations)
    content = (save_run(run, tmp_path / "saved") / "readings.csv").read_bytes()
    # RFC 4180 section 2: lines end in CRLF, cells with quotes or commas are quoted, quotes doubled
    assert content.splitlines(keepends=True)[1] == b'"a ""b"", c",0,0.0,up,50.0\r\n'
    rows = list(csv.reader(content.decode().splitlines()))
    assert rows[0] == ["station", "sweep", "angle_deg", "turning", "range_cm"]
    assert [row[4] for row in rows[1:]] == ["50.0", "", "nan", "50.5"]
    assert [row[3] for row in rows[1:]] == ["up", "down", "", "up"]
    whole = replace(run, readings=Readings("angle_deg", "range_cm", [0, 1], [50, 51], [0, 0], [0, 0], [1, 1]))
    assert b",0,up,50\r\n" in (save_run(whole, tmp_path / "whole") / "readings.csv").read_bytes()


def test_nothing_is_written_over(tmp_path: Path) -> None:
    run = load_run(lay_run(tmp_path, FORMAT, SWEEP))
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(OutputProblem, match="is there already"):
        save_run(run, tmp_path / "run")
    assert sorted(tmp_path.rglob("*")) == before


def test_a_folder_appears_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    run = load_run(lay_run(tmp_path, FORMAT, SWEEP))
    out = tmp_path / "out"
    out.mkdir()

    def refused(*_args: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("os.rename", refused)
        with pytest.raises(OutputProblem, match="saved: cannot be written: no space left on device"):
            save_run(run, out / "saved")
    assert list(out.iterdir()) == []
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputProblem, match="cannot be written"):
        save_run(run, tmp_path / "file" / "saved")
    assert save_run(run, out / "a" / "b").is_dir()


def test_distances_that_no_file_may_hold(tmp_path: Path) -> None:
    run = Run(Readings("angle_deg", "range_cm", [0.0], [0.0], [0], [0], [0]))
    with pytest.raises(ValueError, match="distances must be above 0"):
        save_run(run, tmp_path / "saved")
    assert list(tmp_path.iterdir()) == []

"""Runs from folders, bare files, packed files, pipes and standard input; what is warned of; units and mirrors."""

from __future__ import annotations

import gzip
import hashlib
import io
import math
import os
import sys
import threading
import time
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from run_texts import FORMAT, SWEEP, TWO_STATIONS, lay_run
from sonargrid.errors import InputFaults, UsageProblem
from sonargrid.runs import run_input, samples
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Run
from sonargrid.runs.run_files import find_sample, load_run, sample_names

PROPERTY = settings(derandomize=True, deadline=None, max_examples=40)
BOTH = (
    "station,sweep,angle_deg,range_cm\n"
    + "".join(f"A,0,{a},50\n" for a in range(0, 181, 30))
    + "".join(f"B,{s},{a},70\n" for s in (1, 2) for a in range(0, 181, 30))
)


class FakeInput:
    """Standard input that hands out bytes, after a while."""

    closed = False

    def __init__(self, content: bytes, wait_s: float = 0.0) -> None:
        self.buffer = self
        self._stream, self._wait_s = io.BytesIO(content), wait_s

    def read(self, size: int = -1) -> bytes:
        time.sleep(self._wait_s)
        self._wait_s = 0.0
        return self._stream.read(size)


def warned(run: Run, words: str) -> list[str]:
    return [warning for warning in run.warnings if words in warning]


def test_a_folder(tmp_path: Path) -> None:
    path = lay_run(tmp_path, TWO_STATIONS, BOTH, "bench run")
    run = load_run(path)
    assert (run.name, run.path, len(run.readings)) == ("bench run", str(path), 21)
    assert [s.name for s in run.stations] == ["A", "B"] and run.stations[1].heading_rad == math.pi
    assert run.readings.station.tolist() == [0] * 7 + [1] * 14
    assert run.readings.sweep.tolist() == [0] * 7 + [1] * 7 + [2] * 7
    assert run.readings.turning.tolist() == [1] * 21
    assert run.ranger.assumed_sound_speed_m_s == pytest.approx(344.8276, abs=1e-4)  # 2 cm / 58 us
    assert run.digest == hashlib.sha256((path / "run.toml").read_bytes() + BOTH.encode()).hexdigest()
    assert run.assumed[:3] == ("air.temperature_sigma_c", "ranger.range_sigma_m", "head.angle_sigma_deg")
    assert "station.B.heading_sigma_deg" in run.assumed
    assert run.warnings == ()


def test_a_bare_file_is_one_station_at_the_origin(tmp_path: Path) -> None:
    path = lay_run(tmp_path, None, SWEEP, "my sweep")
    run = load_run(path)
    assert run.name == "my sweep" and run.digest == hashlib.sha256(SWEEP.encode()).hexdigest()
    (station,) = run.stations
    assert (station.name, station.x_m, station.y_m, station.heading_rad) == ("A", 0.0, 0.0, math.pi / 2)
    assert not any(key.startswith("station.") for key in run.assumed), "the only station is the floor axes"
    assert run.stations_on_floor[0].heading_sigma_rad == 0.0
    named = lay_run(tmp_path, None, "station,angle_deg,range_m\nA,90,1\n,90,1\n", "named")
    assert load_run(named).readings.station.tolist() == [0, 0]


def test_targets_tie_the_only_station_to_the_floor(tmp_path: Path) -> None:
    target = '[[target]]\nkind = "wall"\nx1_m = 0\ny1_m = 1\nx2_m = 2\ny2_m = 1\n'
    run = load_run(lay_run(tmp_path, FORMAT + target, SWEEP))
    assert run.stations_on_floor[0].position_sigma_m == 0.01
    assert {"station.A.position_sigma_m", "target.1.position_sigma_m"} <= set(run.assumed)
    assert (run.targets[0].kind, run.targets[0].x2_m) == ("wall", 2.0)


@pytest.mark.parametrize("bare", [True, False])
def test_gzip(tmp_path: Path, bare: bool) -> None:
    path = lay_run(tmp_path, None if bare else TWO_STATIONS, SWEEP if bare else BOTH)
    plain = path if bare else path / "readings.csv"
    packed = plain.with_name(plain.name + ".gz")
    want = load_run(path)
    packed.write_bytes(gzip.compress(plain.read_bytes(), mtime=0))
    plain.unlink()
    got = load_run(packed if bare else path)
    assert got.name == want.name == "run"
    assert np.array_equal(got.readings.distance, want.readings.distance)
    packed.write_bytes(packed.read_bytes()[:-9])
    with pytest.raises(InputFaults, match=r"\.csv\.gz: is cut off"):
        load_run(packed if bare else path)
    packed.write_bytes(b"no gzip at all")
    with pytest.raises(InputFaults, match="is no gzip file"):
        load_run(packed if bare else path)


def test_standard_input(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", FakeInput(SWEEP.encode()))
    run = load_run("-")
    assert (run.name, run.path, len(run.readings)) == ("stdin", "-", 13)
    monkeypatch.setattr(sys, "stdin", FakeInput(b"angle_deg,range_cm\n1,x\n"))
    with pytest.raises(InputFaults, match="standard input line 2, range_cm"):
        load_run("-")
    monkeypatch.setattr(sys, "stdin", io.StringIO(SWEEP))
    assert len(load_run("-").readings) == 13
    monkeypatch.setattr(sys, "stdin", None)
    with pytest.raises(InputFaults, match="standard input: is closed"):
        load_run("-")


def test_slow_standard_input_is_told_of_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(run_input, "PATIENCE_S", 0.05)
    said: list[str] = []
    monkeypatch.setattr(sys, "stdin", FakeInput(SWEEP.encode(), wait_s=0.3))
    load_run("-", on_wait=said.append)
    assert said == ["waiting for a readings CSV on standard input"]
    monkeypatch.setattr(sys, "stdin", FakeInput(SWEEP.encode()))
    load_run("-", on_wait=said.append)
    assert len(said) == 1


def test_a_named_pipe(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pipe = tmp_path / "pipe.csv"
    os.mkfifo(pipe)

    def write() -> None:
        with open(pipe, "wb", buffering=0) as end:
            end.write(SWEEP[:30].encode())
            time.sleep(0.15)  # a slow writer is waited for
            end.write(SWEEP[30:].encode())

    writer = threading.Thread(target=write)
    writer.start()
    run = load_run(pipe)
    writer.join()
    assert len(run.readings) == 13 and run.name == "pipe"
    assert run.digest == hashlib.sha256(SWEEP.encode()).hexdigest()
    assert run_input.PATIENCE_S == 2.0
    monkeypatch.setattr(run_input, "PATIENCE_S", 0.1)
    with pytest.raises(InputFaults, match="nobody writes into this pipe"):
        load_run(pipe)


def test_what_is_no_run(tmp_path: Path) -> None:
    with pytest.raises(InputFaults, match=r"nothing.csv: no such run; RUN was looked for in"):
        load_run(tmp_path / "nothing.csv")
    with pytest.raises(InputFaults, match="is no regular file"):
        load_run("/dev/null")
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputFaults) as caught:
        load_run(tmp_path / "empty")
    words = [fault.message for fault in caught.value.faults]
    assert words == ["the folder holds no run.toml", "the folder holds no readings.csv and no readings.csv.gz"]
    path = lay_run(tmp_path, FORMAT, SWEEP)
    with pytest.raises(InputFaults, match="only a part of a run"):
        load_run(path / "run.toml")
    (path / "readings.csv.gz").write_bytes(gzip.compress(SWEEP.encode()))
    with pytest.raises(InputFaults, match=r"more than one readings file: readings.csv, readings.csv.gz"):
        load_run(path)
    (path / "readings.csv.gz").unlink()
    (path / "readings.csv").unlink()
    (path / "readings.csv").mkdir()
    with pytest.raises(InputFaults, match="is no regular file"):
        load_run(path)


def test_unreadable_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = lay_run(tmp_path, None, SWEEP)

    def refused(*_args: object, **_more: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("builtins.open", refused)
    with pytest.raises(InputFaults, match="cannot be read: permission denied"):
        load_run(path)


def test_faults_of_both_files_come_together_up_to_twenty(tmp_path: Path) -> None:
    path = lay_run(tmp_path, TWO_STATIONS.replace("3.0", "300"), BOTH + "A,0,200,1\n" * 30 + "C,0,1,1\n")
    with pytest.raises(InputFaults) as caught:
        load_run(path)
    assert caught.value.faults[0].column == "ranger.reach_m"
    assert {fault.message for fault in caught.value.faults[1:]} == {"must lie between 0 and 180 degrees, got 200"}
    assert (len(caught.value.faults), caught.value.count) == (20, 31)


def test_choosing_stations_and_sweeps(tmp_path: Path) -> None:
    path = lay_run(tmp_path, TWO_STATIONS, BOTH)
    one = load_run(path, stations=["B"])
    assert [s.name for s in one.stations] == ["B"] and set(one.readings.station.tolist()) == {0}
    assert load_run(path, sweeps=[2]).readings.sweep.tolist() == [2] * 7
    assert len(load_run(path, stations=["A", "B"], sweeps=[0, 2]).readings) == 14
    with pytest.raises(UsageProblem, match="--stations: the run has no station 'b'") as caught:
        load_run(path, stations=["b"])
    assert caught.value.faults[0].hint == "it has: A, B"
    with pytest.raises(UsageProblem, match="--sweeps: the run has no sweep 7"):
        load_run(path, sweeps=[7])
    with pytest.raises(InputFaults, match="no reading at all in the stations and sweeps asked for"):
        load_run(path, stations=["A"], sweeps=[2])


def test_a_moving_robot(tmp_path: Path) -> None:
    text = "x_m,y_m,heading_deg,angle_deg,range_m\n1,2,90,0,1\n1,2,90,90,1\n0,0,0,180,1\n1,2,90,45,1\n"
    run = load_run(lay_run(tmp_path, TWO_STATIONS, text))
    assert run.moving and [s.name for s in run.stations] == ["pose 1", "pose 2"]
    assert run.readings.station.tolist() == [0, 0, 1, 0]
    assert run.readings.turning.tolist() == [1, 1, 1, -1] and run.readings.sweep.tolist() == [0, 0, 0, 1]
    assert run.stations[0].x_m == 1.0 and run.stations[0].heading_rad == math.pi / 2
    assert warned(run, "the [[station]] tables of run.toml are not used")
    assert "station.position_sigma_m" in run.assumed


def test_a_ring_has_no_turning(tmp_path: Path) -> None:
    run = load_run(lay_run(tmp_path, None, "bearing_deg,range_m\n" + "-30,1\n0,1\n30,1\n" * 2))
    assert run.readings.turning.tolist() == [0] * 6 and run.readings.sweep.tolist() == [0] * 3 + [1] * 3


# what is odd but can be read
def test_stations_without_readings(tmp_path: Path) -> None:
    path = lay_run(tmp_path, TWO_STATIONS, "station,angle_deg,range_cm\nB,90,50\n")
    run = load_run(path)
    assert run.warnings == ("Station A has no readings.",)
    assert len(run.stations) == 2 and run.readings.station.tolist() == [1]
    assert load_run(path, stations=["B"]).warnings == ()


def test_clock_and_turning_warnings_name_the_line(tmp_path: Path) -> None:
    text = "\ntime_s,turning,angle_deg,range_cm\n1,up,0,50\n2,up,90,50\n\n1.5,up,180,50\n3,down,185e-1,50\n"
    run = load_run(lay_run(tmp_path, None, text))
    assert warned(run, "time_s goes backwards once, first at line 6.")
    text = "turning,angle_deg,range_cm\nup,0,50\ndown,90,50\ndown,120,50\n"
    run = load_run(lay_run(tmp_path, None, text, "other"))
    assert warned(run, "turning is against the angles once, first at line 4.")


@pytest.mark.parametrize(("far", "is_said"), [(2, False), (3, True)])
def test_a_reach_that_is_too_small(tmp_path: Path, far: int, is_said: bool) -> None:
    # ten distances, two of them beyond reach are 20 %, which is not more than 20 %
    cells = ["150"] * far + ["50"] * (10 - far) + ["", "inf", "nan"]
    text = "angle_deg,range_cm\n" + "".join(f"{i},{cell}\n" for i, cell in enumerate(cells))
    path = lay_run(tmp_path, None, text)
    run = load_run(path)
    assert bool(warned(run, "give --reach")) == is_said
    if is_said:
        assert warned(run, "3 of 10 distances (30 %) lie beyond the reach of 1 m")
    assert not warned(load_run(path, {"reach": ("3", "--reach")}), "--reach")
    assert int(calibrated(run).silent.sum()) == far + 2
    shifted = {"ranger.range_bias_m": ("0.6", "--set")}
    assert warned(load_run(path, shifted), "10 of 10 distances")


def test_air_and_beam_warnings(tmp_path: Path) -> None:
    path = lay_run(tmp_path, None, SWEEP)
    run = load_run(path)
    assert warned(run, "air temperature is not used") and warned(run, "half beam is not stated")
    told = {"half_beam": ("15", "--half-beam"), "ranger.us_per_cm": ("58", "--set")}
    assert load_run(path, told).warnings == ()
    for key, text in (("temperature", "31"), ("temperature", "-1"), ("air.pressure_kpa", "70")):
        assert warned(load_run(path, {key: (text, "--set")}), "0 to 30 degC and 75 to 102 kPa")
    echo = lay_run(tmp_path, None, "angle_deg,echo_us\n90,2900\n", "echo")
    assert not warned(load_run(echo), "air temperature")
    assert warned(load_run(echo, {"ranger.us_per_cm": ("58", "--set")}), "is not used")


# outcomes: interfaces of a run, "silent" and "void"
def test_outcomes(tmp_path: Path) -> None:
    cells = ["50", "", "inf", "999", "150", "nan", "2", "100"]
    text = "angle_deg,range_cm\n" + "".join(f"{i},{cell}\n" for i, cell in enumerate(cells))
    path = lay_run(tmp_path, FORMAT + "[ranger]\nno_echo_at = [999]\n", text)
    pings = calibrated(load_run(path))
    assert pings.echo.tolist() == [True] + [False] * 7
    assert pings.silent.tolist() == [False, True, True, True, True, False, False, True]
    assert pings.void.tolist() == [False] * 5 + [True, True, False]
    assert (pings.too_far, pings.too_near) == (2, 1)
    stretched = calibrated(load_run(path, {"ranger.range_scale": ("2", "--set")}))
    assert np.flatnonzero(stretched.echo).tolist() == [6], "half a metre read at scale 2 is at reach, 2 cm are 4 cm"


def test_only_silent_readings_are_a_run(tmp_path: Path) -> None:
    run = load_run(lay_run(tmp_path, None, "angle_deg,range_cm\n0,\n90,inf\n"))
    assert calibrated(run).silent.all()


@PROPERTY
@given(
    st.lists(st.tuples(st.integers(0, 180), st.integers(10, 300)), min_size=1, max_size=30),
    st.sampled_from(["range_mm", "range_m", "range_in", "echo_us"]),
)
def test_unit_columns_give_the_same_pings(rows: list[tuple[int, int]], column: str) -> None:
    per_cm = {"range_mm": 10.0, "range_m": 0.01, "range_in": 1 / 2.54, "echo_us": 2e4 / 343.0}[column]
    speed = {"ranger.reach_m": ("3", "--set")}
    if column != "echo_us":
        speed["ranger.assumed_sound_speed_m_s"] = ("343", "--set")
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        both = []
        for name, factor in (("range_cm", 1.0), (column, per_cm)):
            text = f"angle_deg,{name}\n" + "".join(f"{a},{d * factor!r}\n" for a, d in rows)
            given_speed = speed if name == column else {**speed, "ranger.assumed_sound_speed_m_s": ("343", "--set")}
            both.append(calibrated(load_run(lay_run(Path(folder), None, text, name), given_speed)))
    echoes = both[0].echo & both[1].echo  # right at reach a rounding decides
    assert (both[0].echo ^ both[1].echo).sum() <= sum(d == 300 for _, d in rows)
    assert np.allclose(both[0].range_m[echoes], both[1].range_m[echoes], rtol=1e-12)
    assert np.array_equal(both[0].bearing_rad, both[1].bearing_rad)


@PROPERTY
@given(
    st.lists(st.integers(0, 180), min_size=2, max_size=30),
    st.floats(0.0, 8.0),
    st.floats(-5.0, 5.0),
    st.floats(0.9, 1.1),
)
def test_a_clockwise_head_is_the_mirror_image(angles: list[int], play: float, offset: float, scale: float) -> None:
    text = "angle_deg,range_cm\n" + "".join(f"{a},50\n" for a in angles)
    common = {"head.backlash_deg": (repr(play), "--set"), "head.angle_scale": (repr(scale), "--set")}
    sides = {"head.side_m": 0.02, "head.angle_offset_deg": offset}
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        path = lay_run(Path(folder), None, text)
        left = calibrated(load_run(path, {**common, **{k: (repr(v), "--set") for k, v in sides.items()}}))
        right_set = {**common, **{k: (repr(-v), "--set") for k, v in sides.items()}}
        right = calibrated(load_run(path, {**right_set, "head.turns": ("cw", "--set")}))
    assert np.allclose(left.rays.head_rad[left.ray], -right.rays.head_rad[right.ray], atol=1e-12)
    assert np.allclose(left.rays.x_m[left.ray], -right.rays.x_m[right.ray], atol=1e-12)
    assert np.allclose(left.rays.y_m[left.ray], right.rays.y_m[right.ray], atol=1e-12)


def test_pulses_are_angles_of_another_name(tmp_path: Path) -> None:
    angles = [0, 45, 90, 135, 180, 90]
    plain = "angle_deg,range_cm\n" + "".join(f"{a},50\n" for a in angles)
    for scale, turn in ((10.0, 1), (-10.0, -1)):
        pulses = "pulse_us,range_cm\n" + "".join(f"{1500 + (a - 90) * scale:g},50\n" for a in angles)
        for extra in ({}, {"head.turns": ("cw", "--set")}, {"head.ahead_deg": ("80", "--set")}):
            common = {"head.backlash_deg": ("6", "--set"), **extra}
            want = calibrated(load_run(lay_run(tmp_path, None, plain, "plain"), common))
            us = {**common, "head.pulse_us_per_deg": (repr(scale), "--set")}
            run = load_run(lay_run(tmp_path, None, pulses, "pulses"), us)
            got = calibrated(run)
            assert run.readings.turning.tolist() == [turn] * 5 + [-turn]
            assert np.allclose(got.rays.head_rad[got.ray], want.rays.head_rad[want.ray], atol=1e-12)


def test_taped_stations(tmp_path: Path) -> None:
    marks = '[[mark]]\nname = "P"\nx_m = 0\ny_m = 0\n[[mark]]\nname = "Q"\nx_m = 5\ny_m = 0\n'
    taped = '[[station]]\nname = "A"\nfrom = {P = 3, Q = 4}\nside = "right"\nfacing = "P"\n'
    run = load_run(lay_run(tmp_path, FORMAT + marks + taped, SWEEP))
    (station,) = run.stations
    assert (station.x_m, station.y_m) == pytest.approx((1.8, -2.4))
    assert station.heading_rad == pytest.approx(math.atan2(2.4, -1.8))
    assert station.position_sigma_m == pytest.approx(0.005)
    assert run.origins["station.A.x_m"] == "run.toml, by tape (5 mm assumed)"
    stated = taped.replace('facing = "P"', "heading_deg = 10\nposition_sigma_m = 0.02")
    (station,) = load_run(lay_run(tmp_path, FORMAT + marks + stated, SWEEP, "stated")).stations
    assert (station.position_sigma_m, station.heading_rad) == (0.02, math.radians(10.0))


def test_samples_are_found_in_a_checkout_and_in_a_package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in sample_names():
        assert load_run(find_sample(name)).name == name
    (tmp_path / "sample_runs").mkdir()
    lay_run(tmp_path / "sample_runs", FORMAT, SWEEP, "my_sample")
    monkeypatch.setattr(samples, "__file__", str(tmp_path / "runs" / "samples.py"))
    assert sample_names() == ("my_sample",)
    assert load_run(find_sample("my_sample")).name == "my_sample"
    with pytest.raises(UsageProblem, match="no sample run 'nothing'") as caught:
        find_sample("nothing")
    assert caught.value.faults[0].hint == "there are: my_sample"


def test_parquet_without_its_library(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = lay_run(tmp_path, FORMAT, SWEEP)
    (path / "readings.csv").rename(path / "readings.parquet")
    monkeypatch.setitem(sys.modules, "pandas", None)
    with pytest.raises(InputFaults, match="needs the extra `table`"):
        load_run(path)


class FakeTable:
    """What stands for the library's table where the library is not installed."""

    def __init__(self, text: str) -> None:
        self.text = text

    def to_csv(self, index: bool, na_rep: str) -> str:
        assert (index, na_rep) == (False, "nan")
        return self.text


def test_parquet_is_read_as_rows_without_lines(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = lay_run(tmp_path, FORMAT, SWEEP)
    (path / "readings.csv").rename(path / "readings.parquet")
    library = ModuleType("pandas")
    monkeypatch.setitem(sys.modules, "pandas", library)
    monkeypatch.setattr(library, "read_parquet", lambda _: FakeTable(SWEEP), raising=False)
    assert len(load_run(path).readings) == 13
    monkeypatch.setattr(library, "read_parquet", lambda _: FakeTable(SWEEP + "200,1\n"))
    with pytest.raises(InputFaults, match="parquet angle_deg: row 14: must lie between") as caught:
        load_run(path)
    assert caught.value.faults[0].line is None

    def damaged(_: str) -> None:
        raise ValueError("magic bytes are missing")

    monkeypatch.setattr(library, "read_parquet", damaged)
    with pytest.raises(InputFaults, match="is no parquet file: magic bytes are missing"):
        load_run(path)

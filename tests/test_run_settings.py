"""Which value holds: flag, variable, calibration, run.toml, default; and what `show_config` says of it."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest

from run_texts import FORMAT, SWEEP, TWO_STATIONS, lay_run
from sonargrid.errors import InputFaults, UsageProblem
from sonargrid.runs.readings import Run
from sonargrid.runs.run_files import load_run, settings_from_environment, show_config

BENCH = """
format = "sonargrid-calibration/1"
[ranger]
label = "front"
range_scale = 1.02
range_scale_sigma = 0.002
[head]
angle_offset_deg = 3.0
angle_offset_deg_sigma = 0.5
"""
CALIBRATED = FORMAT + '[ranger]\nlabel = "front"\nrange_scale = 1.5\n[calibration]\nfile = "bench/cal.toml"\n'


def config(run: Run) -> dict[str, tuple[Any, str]]:
    return {key: (value, origin) for key, value, origin in show_config(run)}


def lay_calibrated(folder: Path, text: str = BENCH) -> Path:
    path = lay_run(folder, CALIBRATED, SWEEP)
    (path / "bench").mkdir()
    (path / "bench" / "cal.toml").write_text(text)
    return path


def test_precedence_from_default_to_flag(tmp_path: Path) -> None:
    path = lay_calibrated(tmp_path)
    other = tmp_path / "other.toml"
    other.write_text("[ranger]\nrange_scale = 1.03\n")
    variable = settings_from_environment({"SONARGRID_RANGER_RANGE_SCALE": "1.04"})
    flag = {"ranger.range_scale": ("1.05", "--set")}
    seen = []
    for settings, calibration in (({}, None), ({}, other), (variable, other), ({**variable, **flag}, other)):
        run = load_run(path, settings, calibration=calibration)
        seen.append(config(run)["ranger.range_scale"])
    assert seen == [
        (1.02, str(path / "bench" / "cal.toml")),
        (1.03, str(other)),
        (1.04, "SONARGRID_RANGER_RANGE_SCALE"),
        (1.05, "--set"),
    ]
    plain = config(load_run(lay_run(tmp_path, FORMAT + "[ranger]\nrange_scale = 1.5\n", SWEEP, "plain")))
    assert plain["ranger.range_scale"] == (1.5, "run.toml")
    assert plain["ranger.range_bias_m"] == (0.0, "default")
    assert plain["ranger.range_sigma_m"] == (0.01, "assumed")


def test_a_variable_loses_to_a_flag_of_another_name() -> None:
    # the same key under its short and its full name
    for settings in (
        {"reach": ("2", "--reach"), "ranger.reach_m": ("4", "SONARGRID_RANGER_REACH_M")},
        {"ranger.reach_m": ("4", "SONARGRID_REACH"), "reach": ("2", "--reach")},
    ):
        from sonargrid.runs.run_settings import typed_values

        assert typed_values(settings)[0]["ranger.reach_m"].value == 2.0


def test_a_key_in_two_files_is_a_warning_that_names_both(tmp_path: Path) -> None:
    path = lay_calibrated(tmp_path)
    run = load_run(path)
    cal = str(path / "bench" / "cal.toml")
    assert f"ranger.range_scale is given in run.toml and in {cal}; the value of {cal} holds" in run.warnings
    assert not any("angle_offset" in warning for warning in run.warnings)
    assert run.ranger.range_scale == 1.02 and run.head.angle_offset_rad == math.radians(3.0)
    assert dict(run.calibration_sigmas) == {
        "ranger.range_scale": 0.002,
        "head.angle_offset_deg": pytest.approx(math.radians(0.5)),
    }


def test_the_digest_covers_the_calibration(tmp_path: Path) -> None:
    path = lay_calibrated(tmp_path)
    before = load_run(path).digest
    (path / "bench" / "cal.toml").write_text(BENCH.replace("1.02", "1.03"))
    assert load_run(path).digest != before


def test_a_calibration_of_another_ranger_is_refused(tmp_path: Path) -> None:
    path = lay_calibrated(tmp_path, BENCH.replace('"front"', '"rear"'))
    with pytest.raises(InputFaults, match="was made with ranger 'rear', but the run's"):
        load_run(path)
    assert load_run(path, {"ranger.label": ("rear", "--set")}).ranger.range_scale == 1.02


def test_a_folder_of_calibrations_is_searched_by_label(tmp_path: Path) -> None:
    path = lay_run(tmp_path, FORMAT + '[ranger]\nlabel = "front"\n', SWEEP)
    bench = tmp_path / "bench"
    bench.mkdir()
    with pytest.raises(InputFaults, match="holds no calibration"):
        load_run(path, calibration=bench)
    (bench / "a.toml").write_text(BENCH.replace('"front"', '"rear"').replace("1.02", "1.1"))
    with pytest.raises(InputFaults, match="no calibration for ranger 'front'; there are: 'rear'"):
        load_run(path, calibration=bench)
    (bench / "b.toml").write_text(BENCH)
    assert load_run(path, calibration=bench).ranger.range_scale == 1.02
    with pytest.raises(InputFaults, match="no calibration for ranger ''"):
        load_run(lay_run(tmp_path, None, SWEEP), calibration=bench)


def test_a_calibration_that_is_not_there_says_who_asked(tmp_path: Path) -> None:
    with pytest.raises(InputFaults, match=r"nowhere.toml: cannot be found; --calibration asks for it"):
        load_run(lay_run(tmp_path, None, SWEEP), calibration="nowhere.toml")


@pytest.mark.parametrize(
    ("text", "words", "column"),
    [
        ("[ranger]\nrange_scales = 1\n", "unknown key 'range_scales'", "ranger.range_scales"),
        ("[air]\ntemperature_c = 20\n", "unknown key 'air'", "air"),
        ("[ranger]\nrange_scale_sigma = -1\n", "at least 0", "ranger.range_scale_sigma"),
        ("[ranger]\nrange_scale = 'x'\n", "must be a number", "ranger.range_scale"),
        ('format = "sonargrid-run/1"\n', "must be 'sonargrid-calibration/1'", "format"),
    ],
)
def test_faulty_calibrations(text: str, words: str, column: str, tmp_path: Path) -> None:
    path = lay_calibrated(tmp_path, text)
    with pytest.raises(InputFaults) as caught:
        load_run(path)
    assert words in caught.value.faults[0].message and caught.value.faults[0].column == column
    assert caught.value.faults[0].file == str(path / "bench" / "cal.toml")


def test_faults_of_calibration_run_and_readings_come_together(tmp_path: Path) -> None:
    path = lay_calibrated(tmp_path, "[ranger]\nrange_scale = 0\n")
    (path / "run.toml").write_text(CALIBRATED.replace("1.5", "-1"))
    (path / "readings.csv").write_text("angle_deg,range_cm\n" + "x,1\n" * 30)
    with pytest.raises(InputFaults) as caught:
        load_run(path)
    files = [Path(str(fault.file)).name for fault in caught.value.faults]
    assert files[:3] == ["run.toml", "cal.toml", "readings.csv"]
    assert (len(files), caught.value.count) == (20, 32)


def test_variables() -> None:
    environ = {
        "SONARGRID_REACH": "2.5",
        "SONARGRID_TEMPERATURE": "18",
        "SONARGRID_HALF_BEAM": "12",
        "SONARGRID_HEAD_TURNS": "cw",
        "SONARGRID_CELL": "1cm",
        "REACH": "9",
    }
    assert settings_from_environment(environ) == {
        "head.turns": ("cw", "SONARGRID_HEAD_TURNS"),
        "ranger.reach_m": ("2.5", "SONARGRID_REACH"),
        "air.temperature_c": ("18", "SONARGRID_TEMPERATURE"),
        "ranger.half_beam_deg": ("12", "SONARGRID_HALF_BEAM"),
    }


@pytest.mark.parametrize(
    ("key", "text", "words", "hint"),
    [
        ("reach_m", "3", "--set reach_m: unknown key 'reach_m'", "ranger.reach_m"),
        ("ranger.reech_m", "3", "unknown key", "ranger.reach_m"),
        ("zzz", "3", "unknown key", "as in run.toml"),
        ("station.A.colour", "3", "unknown key", "as in run.toml"),
        ("mark.P.x_m", "3", "unknown key", ""),
        ("ranger.reach_m", "three", "must be a number, got 'three'", "metres"),
        ("ranger.reach_m", "1e400", "must be a finite number", ""),
        ("head.turns", "left", "must be 'ccw' or 'cw'", ""),
        ("ranger.reach_m", "0.01", "must lie above blind_zone_m", ""),
        ("station.Z.x_m", "1", "has no station 'Z'; it has: A, B", "case-sensitive"),
    ],
)
def test_wrong_settings_are_wrong_usage(key: str, text: str, words: str, hint: str, tmp_path: Path) -> None:
    path = lay_run(tmp_path, TWO_STATIONS, "station," + SWEEP.replace("\n", "\nA,").removesuffix("A,"))
    with pytest.raises(UsageProblem) as caught:
        load_run(path, {key: (text, "--set")})
    assert words in str(caught.value) and hint in caught.value.faults[0].hint
    assert caught.value.exit_code == 2


def test_all_wrong_settings_come_together(tmp_path: Path) -> None:
    with pytest.raises(UsageProblem) as caught:
        load_run(lay_run(tmp_path, None, SWEEP), {"reach": ("x", "--reach"), "a.b": ("1", "--set")})
    assert [str(fault).split(":")[0] for fault in caught.value.faults] == ["--reach", "--set a.b"]


def test_a_station_can_be_set(tmp_path: Path) -> None:
    run = load_run(lay_run(tmp_path, None, SWEEP), {"station.A.heading_deg": ("45", "--set")})
    assert run.stations[0].heading_rad == math.radians(45.0)
    assert config(run)["station.A.heading_deg"] == (45.0, "--set")


def test_one_half_beam_holds(tmp_path: Path) -> None:
    table = FORMAT + "[ranger]\nhalf_beam_deg = 20\nhalf_beam_table = [[0.4, 28], [1.0, 21]]\n"
    path = lay_run(tmp_path, table, SWEEP)
    run = load_run(path)
    assert run.ranger.half_beam_rad is None and len(run.ranger.half_beam_table) == 2
    assert any("half_beam_table holds" in warning for warning in run.warnings)
    flagged = load_run(path, {"half_beam": ("15", "--half-beam")})
    assert flagged.ranger.half_beam_table == () and flagged.ranger.half_beam_rad == math.radians(15.0)
    assert not any("holds" in warning for warning in flagged.warnings)


def test_every_key_is_shown_once(tmp_path: Path) -> None:
    run = load_run(lay_run(tmp_path, TWO_STATIONS, "station," + SWEEP.replace("\n", "\nB,").removesuffix("B,")))
    rows = show_config(run)
    names = [row[0] for row in rows]
    assert len(set(names)) == len(names)
    shown = config(run)
    assert shown["ranger.us_per_cm"] == (58.0, "run.toml") and shown["ranger.assumed_sound_speed_m_s"][1] == "default"
    assert shown["station.B.heading_deg"] == (180.0, "run.toml")
    assert shown["station.B.heading_sigma_deg"] == (2.0, "assumed")
    assert shown["head.turns"] == ("ccw", "default")

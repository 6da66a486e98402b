"""Weights of readings and the extent of the map."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from mapping_runs import half_circles, parts, ring
from sonargrid.errors import SonargridError, UsageProblem
from sonargrid.maps.beams import make_beam
from sonargrid.maps.evidence import MapSettings, angle_steps, frame_for, ray_weights
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Head, Readings, Run

HALF = math.radians(15.0)


def test_step_is_the_median_gap_of_commanded_angles() -> None:
    angle = np.array([0.0, 3.0, 6.0, 9.0, 50.0, 3.0])
    rows = Readings("angle_deg", "range_mm", angle, angle + 500.0, 0 * angle, 0 * angle, 0 * angle)
    assert np.degrees(angle_steps(calibrated(Run(rows)))) == pytest.approx(3.0)


def test_a_lone_angle_counts_in_full() -> None:
    rows = Readings("angle_deg", "range_mm", [90.0], [500.0], [0], [0], [0])
    pings = calibrated(Run(rows))
    assert angle_steps(pings).tolist() == [math.inf]
    assert ray_weights(pings, HALF, MapSettings()).tolist() == [1.0]


@pytest.mark.parametrize(("sweeps", "rho"), [(1, 0.8), (4, 0.8), (4, 0.0), (4, 1.0)])
def test_weight_is_the_stated_formula(sweeps: int, rho: float) -> None:
    pings = calibrated(half_circles(sweeps))
    n_eff = sweeps / (1.0 + (sweeps - 1) * rho)
    expected = min(1.0, 3.0 / 30.0) * n_eff / sweeps
    assert ray_weights(pings, HALF, MapSettings(repeat_correlation=rho)) == pytest.approx(expected, rel=1e-12)


def test_both_passes_with_backlash_are_repeats_of_one_angle() -> None:
    angle = np.array([80.0, 90.0, 100.0, 100.0, 90.0, 80.0])
    rows = Readings("angle_deg", "range_mm", angle, angle + 400.0, 0 * angle, 0 * angle, [1, 1, 1, -1, -1, -1])
    pings = calibrated(Run(rows, head=Head(backlash_rad=0.05)))
    assert len(pings.rays) == 6
    assert ray_weights(pings, HALF, MapSettings()) == pytest.approx(10.0 / 30.0 / 1.8)


def test_void_readings_are_no_repeats_and_the_switch_gives_ones() -> None:
    rows = Readings("angle_deg", "range_mm", [90.0, 90.0], [500.0, math.nan], [0, 0], [0, 0], [0, 0])
    pings = calibrated(Run(rows))
    assert ray_weights(pings, HALF, MapSettings()).tolist() == [1.0]
    assert set(ray_weights(calibrated(half_circles(3)), HALF, MapSettings(redundancy=False)).tolist()) == {1.0}


@pytest.mark.parametrize("run", [half_circles(), half_circles(arm_m=0.04), ring()], ids=["half", "arm", "ring"])
def test_the_frame_holds_every_cell_that_a_reading_reaches(run: Run) -> None:
    pings, beam, frame, settings, _ = parts(run)
    x_min, y_min, x_max, y_max = frame.extent_m
    turns = np.linspace(-HALF, HALF, 61)[:, None]
    reach = beam.limit_m(pings.range_m)
    x = pings.rays.x_m[pings.ray] + reach * np.cos(pings.bearing_rad + turns)
    y = pings.rays.y_m[pings.ray] + reach * np.sin(pings.bearing_rad + turns)
    assert x_min <= x.min() and x.max() <= x_max and y_min <= y.min() and y.max() <= y_max
    assert x_max - x.max() < 1.1 * settings.cell_m and x.min() - x_min < 1.1 * settings.cell_m


def _frame(**more: object) -> object:
    run = half_circles()
    return frame_for(calibrated(run), make_beam("gaussian", run.ranger), MapSettings(**more))  # type: ignore[arg-type]


def test_too_large_a_grid_names_its_size_and_a_cell_that_fits() -> None:
    with pytest.raises(SonargridError, match="cells, more than 1000") as problem:
        _frame(max_cells=1000)
    assert problem.value.exit_code == 1
    fits = float(problem.value.faults[0].hint.split()[1])
    assert _frame(max_cells=1000, cell_m=fits)


@pytest.mark.parametrize(
    "more",
    [{"cell_m": 0.0}, {"cell_m": -1.0}, {"cell_m": math.nan}, {"cell_m": math.inf}, {"cell_m": 5.0},
     {"extent_m": (0.0, 0.0, 0.0, 1.0)}, {"extent_m": (1.0, 0.0, 0.0, 1.0)}, {"extent_m": (0.0, 0.0, math.nan, 1.0)},
     {"silence_weight": 1.5}, {"repeat_correlation": -0.1}, {"max_cells": 0}],
)  # fmt: skip
def test_impossible_settings_are_a_fault_of_usage(more: dict[str, object]) -> None:
    with pytest.raises(UsageProblem) as problem:
        _frame(**more)
    assert problem.value.exit_code == 2


def test_an_extent_is_rounded_outwards_to_whole_cells() -> None:
    frame = _frame(extent_m=(-0.501, 0.0, 0.502, 0.999))
    assert frame.extent_m == pytest.approx((-0.51, 0.0, 0.51, 1.0))  # type: ignore[attr-defined]


def test_only_void_readings_are_an_error() -> None:
    run = half_circles()
    nothing = replace(run.readings, distance=np.full(len(run.readings), math.nan))
    with pytest.raises(SonargridError, match="no reading tells anything"):
        parts(replace(run, readings=nothing))

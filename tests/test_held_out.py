"""How a map foretells readings: against hand values, a slow twin, and what a likelihood has to be."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import logit

from comparing_runs import SURE, bay, row_of_cells
from slow_twins_comparing import slow_nats, slow_scores
from sonargrid.comparing.comparison import JUDGE, judge_beam
from sonargrid.comparing.held_out import Replay, foretell, left_out_scores, readings_of, recalibrate, replay
from sonargrid.comparing.left_out import by_fold, folds_of, left_out_maps
from sonargrid.maps.evidence import MapSettings
from sonargrid.maps.grid import GridFrame
from sonargrid.maps.mapping import map_run
from sonargrid.runs.calibration import calibrated

BY_COMPUTER = settings(derandomize=True, deadline=None, max_examples=25)


def _bay_ready(beam: str = "gaussian") -> tuple[Replay, np.ndarray, np.ndarray]:
    """Return the bay's readings made ready, evidence of maps without their own station at each entry, and folds."""
    _, run = bay(5)
    pings = calibrated(run)
    made = map_run(run, MapSettings(beam=beam, cell_m=0.05))
    own = MapSettings(beam=beam, cell_m=0.05, extent_m=made.grid.frame.extent_m)
    folds = folds_of(run, pings)
    maps = np.stack([one.ravel() for one in left_out_maps(run, pings, folds, made.grid.frame, own)])
    split, fold = by_fold(pings, folds)
    ready = replay(split, made.grid.frame, judge_beam(run.ranger), JUDGE)
    return ready, maps[fold[ready.entry_ray], ready.cell], fold


def test_six_cells_by_hand() -> None:
    # own example (exact Bayes, checked by enumeration of all 2^6 maps): each of 6 cells answers with chance 0.2, the
    # first answer is reported: silence 0.8^6 = 0.262144; cell 1, 2, 3 ... 0.2, 0.16, 0.128 ...
    pings, frame, beam = row_of_cells(np.array([math.inf]))
    flat = np.zeros(6, dtype=np.float32)
    ready = replay(pings, frame, beam, SURE)
    assert foretell(ready, flat, 0.0, float(logit(0.2))).nats[0] == pytest.approx(math.log(0.262144), abs=1e-5)
    for cell in range(6):
        z = 0.25 + 0.05 + 0.1 * cell
        here = replay(row_of_cells(np.array([z]))[0], frame, beam, SURE)
        peak = 1.0 / (0.002 * math.sqrt(2.0 * math.pi))
        told = foretell(here, np.zeros(here.cell.size, dtype=np.float32), 0.0, float(logit(0.2)))
        assert told.nats[0] == pytest.approx(math.log(0.2 * 0.8**cell * peak), abs=1e-4)


def test_all_that_can_be_heard_sums_to_one() -> None:
    causes = JUDGE
    _, frame, beam = row_of_cells(np.zeros(1))
    evidence = np.array([0.5, -1.0, 2.0, -3.0, 0.0, 1.0], dtype=np.float32)
    step, reach = 0.004, 2.0
    total = 0.0
    for z in [*np.arange(0.5 * step, reach, step), math.inf]:
        ready = replay(row_of_cells(np.array([z]))[0], frame, beam, causes)
        chance = math.exp(foretell(ready, evidence[ready.cell], 0.3, -1.0).nats[0])
        total += chance if math.isinf(z) else chance * step
    # bands of three sigmas hold 99.73 % of each cell's echoes
    assert total == pytest.approx(1.0, abs=0.004)


@BY_COMPUTER
@given(st.integers(0, 10_000), st.floats(-2.0, 1.5), st.floats(-6.0, 0.0))
def test_the_likelihood_is_the_slow_ones(seed: int, log_scale: float, shift: float) -> None:
    rng = np.random.default_rng(seed)
    ranges = np.where(rng.random(3) < 0.3, math.inf, rng.uniform(0.2, 0.9, 3))
    pings, frame, beam = row_of_cells(ranges)
    ready = replay(pings, frame, beam, JUDGE)
    evidence = rng.normal(0.0, 2.0, 6).astype(np.float32)[ready.cell]
    told = foretell(ready, evidence, log_scale, shift)
    assert told.nats[0] == pytest.approx(slow_nats(ready, evidence, log_scale, shift)[0], abs=2e-4)


def test_slopes_are_slopes() -> None:
    ready, evidence, _ = _bay_ready()
    h = 1e-3
    at = foretell(ready, evidence, 0.3, -4.0)
    by_scale = (foretell(ready, evidence, 0.3 + h, -4.0).nats - foretell(ready, evidence, 0.3 - h, -4.0).nats) / (2 * h)
    by_shift = (foretell(ready, evidence, 0.3, -4.0 + h).nats - foretell(ready, evidence, 0.3, -4.0 - h).nats) / (2 * h)
    assert at.by_scale == pytest.approx(by_scale, abs=0.02)
    assert at.by_shift == pytest.approx(by_shift, abs=0.02)


def test_scale_and_shift_of_the_map_do_not_matter() -> None:
    # a map that says the same in other words is as good: this is what recalibration is for
    ready, evidence, fold = _bay_ready()
    plain = left_out_scores(ready, evidence, fold)
    other = left_out_scores(ready, 2.0 * evidence - 0.5, fold)
    assert other == pytest.approx(plain, abs=0.02)


@pytest.mark.parametrize("beam", ["gaussian", "tapered", "centreline"])
def test_taking_one_fold_away_is_the_full_fit_of_the_others(beam: str) -> None:
    ready, evidence, fold = _bay_ready(beam)
    assert left_out_scores(ready, evidence, fold) == pytest.approx(slow_scores(ready, evidence, fold), abs=0.03)


def test_what_a_fold_says_of_itself_moves_its_own_scale_by_little() -> None:
    ready, evidence, fold = _bay_ready()
    others = recalibrate(ready, evidence, fold != 0)
    everyone = recalibrate(ready, evidence, fold >= 0)
    assert np.abs(others - everyone).max() < 1.0


def test_a_map_that_knows_nothing_is_beaten() -> None:
    ready, evidence, fold = _bay_ready()
    nothing = left_out_scores(ready, 0.0 * evidence, fold)
    assert left_out_scores(ready, evidence, fold).mean() > nothing.mean() + 0.05


def test_readings_are_counted_raw() -> None:
    pings, frame, beam = row_of_cells(np.array([0.5, 0.5, 0.5, math.inf, math.nan]))
    assert readings_of(replay(pings, frame, beam, JUDGE)).tolist() == [4.0]


def test_nothing_on_the_way_still_has_a_chance() -> None:
    pings, _, beam = row_of_cells(np.array([0.5, math.inf]))
    away = GridFrame(0.1, (100, 100), 2, 2)
    ready = replay(pings, away, beam, JUDGE)
    told = foretell(ready, np.zeros(ready.cell.size, dtype=np.float32), 0.0, 0.0)
    stray = math.log((1.0 - JUDGE.missed) * JUDGE.stray / 2.0)
    quiet = math.log(JUDGE.missed + (1.0 - JUDGE.missed) * (1.0 - JUDGE.stray))
    assert told.nats[0] == pytest.approx(stray + quiet, abs=1e-6)

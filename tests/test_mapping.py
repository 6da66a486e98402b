"""build_map: the whole way from a run to a map, and its settings."""

from __future__ import annotations

import json

import numpy as np
import pytest

from mapping_runs import half_circles, solved
from sonargrid.errors import SonargridError, UsageProblem
from sonargrid.maps.beams import BEAM_MODELS
from sonargrid.maps.mapping import SOLVERS, build_map

MODELS = [name for name in BEAM_MODELS if name != "measured"]


@pytest.mark.parametrize("beam", MODELS)
def test_every_model_sees_floor_before_the_wall_and_something_at_it(beam: str) -> None:
    run = half_circles(2)
    found = build_map(run, beam=beam, cell_m=0.02)
    assert found.grid.log_odds.max() > 0.0 > found.grid.log_odds.min()
    assert found.settings.beam == beam and found.grid.log_odds.tobytes() == solved(run, beam).log_odds.tobytes()


def test_settings_are_kept_in_the_grid() -> None:
    meta = build_map(half_circles(), cell_m=0.02, redundancy=False, silence_weight=0.1, prior=0.2).grid.meta
    assert (meta["redundancy"], meta["silence_weight"], meta["solver"]) == (False, 0.1, "additive")
    assert meta["prior"] == 0.2 and meta["beam"] == "gaussian" and "version" in meta
    json.dumps(dict(meta))


def test_weights_can_be_switched_off() -> None:
    with_weights, without = (build_map(half_circles(), cell_m=0.02, redundancy=on).grid for on in (True, False))
    # 3 degree steps in a beam 30 degrees wide: ten readings tell what one would
    assert np.abs(without.log_odds - 10.0 * with_weights.log_odds).max() < 1e-3
    quiet = build_map(half_circles(), cell_m=0.02, silence_weight=0.0).grid
    assert np.array_equal(quiet.touched, with_weights.touched)
    assert quiet.log_odds.sum() > with_weights.log_odds.sum()


def test_an_extent_frames_the_map() -> None:
    grid = build_map(half_circles(), cell_m=0.02, extent_m=(-0.2, 0.0, 0.2, 0.4)).grid
    assert grid.log_odds.shape == (20, 20) and grid.corner_m == pytest.approx((-0.2, 0.0))


def test_unknown_names_list_the_known_ones() -> None:
    with pytest.raises(UsageProblem, match=f"known: {', '.join(SOLVERS)}") as problem:
        build_map(half_circles(), solver="additiv")
    assert problem.value.exit_code == 2 and "'additive'" in problem.value.faults[0].hint
    with pytest.raises(UsageProblem, match="unknown beam model"):
        build_map(half_circles(), beam="laser")
    with pytest.raises(SonargridError, match="calibrated beam"):
        build_map(half_circles(), beam="measured")


def test_too_fine_a_cell_is_refused() -> None:
    with pytest.raises(SonargridError, match="more than 50000000") as problem:
        build_map(half_circles(), cell_m=1e-5)
    assert problem.value.exit_code == 1

"""The log-odds grid: reading, adding, saving."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path

import numpy as np
import pytest

from sonargrid.errors import OutputProblem, SonargridError
from sonargrid.maps.grid import EVIDENCE_HOLD, GridFrame, LogOddsGrid

FRAME = GridFrame(0.01, (-1, 2), 2, 3)


def _grid(layers: dict[str, np.ndarray] | None = None, **meta: object) -> LogOddsGrid:
    values = np.float32([[0.0, 0.5, -0.5], [1.0, 30.0, -30.0]])
    return LogOddsGrid(FRAME, values, np.uint32([[0, 1, 2], [3, 4, 5]]), meta, layers or {})


def test_arrays_are_read_only_and_of_the_stated_types() -> None:
    grid = _grid()
    assert (grid.log_odds.dtype, grid.touched.dtype) == (np.float32, np.uint32)
    for array in (grid.log_odds, grid.touched):
        with pytest.raises(ValueError, match="read-only"):
            array[0, 0] = 1
    assert np.asarray(grid).shape == (2, 3) and np.array(grid, dtype=np.float64).dtype == np.float64


def test_probability_applies_the_prior_and_alone_is_limited() -> None:
    # +-4 nats: p = 0.982014, 0.017986 (common clamp, computed)
    p = _grid(evidence_limit=4.0).probability()
    assert p[1, 1:] == pytest.approx([0.982014, 0.017986], abs=1e-6)
    assert _grid(prior=0.2).probability()[0, 0] == pytest.approx(0.2)
    assert _grid(prior=0.2).probability(prior=0.5)[0, 0] == 0.5
    assert float(_grid().log_odds.max()) == 30.0


def test_repr_is_one_short_line() -> None:
    assert "\n" not in repr(_grid()) and len(repr(_grid())) <= 80 and "2 x 3 cells of 0.01 m" in repr(_grid())


def test_a_wrong_shape_is_refused() -> None:
    with pytest.raises(ValueError, match="touched has shape"):
        LogOddsGrid(FRAME, np.zeros((2, 3)), np.zeros((3, 2)))


def test_sum_takes_additive_evidence_and_forgets_joint_layers() -> None:
    joint = _grid({"additive_log_odds": np.full((2, 3), 2.0, np.float32)}, solver="joint", prior=0.1)
    total = joint + _grid()
    assert total.log_odds[0].tolist() == [2.0, 2.5, 1.5]
    assert total.meta["solver"] == "additive" and not total.layers
    assert total.touched.tolist() == [[0, 2, 4], [6, 8, 10]]


def test_sum_is_held_and_frames_must_match() -> None:
    full = LogOddsGrid(FRAME, np.full((2, 3), EVIDENCE_HOLD), np.ones((2, 3)))
    assert float((full + full).log_odds.max()) == EVIDENCE_HOLD
    other = LogOddsGrid(GridFrame(0.01, (0, 0), 2, 3), np.zeros((2, 3)), np.zeros((2, 3)))
    with pytest.raises(ValueError, match="--cell and --extent"):
        _ = full + other
    with pytest.raises(TypeError):
        _ = full + 1.0


def test_saved_and_loaded_grids_are_the_same_and_so_are_the_bytes(tmp_path: Path) -> None:
    grid = _grid({"unresolved_arc": np.ones((2, 3), np.float32)}, solver="joint", settings={"b": 1, "a": [1, 2]})
    first, second = tmp_path / "a.npz", tmp_path / "b.npz"
    grid.save(first)
    back = LogOddsGrid.load(first)
    back.save(second)
    assert first.read_bytes() == second.read_bytes()
    assert back.frame == FRAME and back.log_odds.tobytes() == grid.log_odds.tobytes()
    assert json.dumps(dict(back.meta), sort_keys=True) == json.dumps(dict(grid.meta), sort_keys=True)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.npz", "b.npz"]


def test_the_file_is_plain_numpy_with_a_fixed_date(tmp_path: Path) -> None:
    path = tmp_path / "grid.npz"
    _grid(solver="additive").save(path)
    with np.load(path, allow_pickle=False) as kept:
        assert kept["log_odds"].dtype == np.float32 and kept["touched"].dtype == np.uint32
        assert float(kept["cell_m"]) == 0.01 and kept["corner_m"] == pytest.approx([-0.01, 0.02])
        assert json.loads(str(kept["meta"]))["solver"] == "additive"
    with zipfile.ZipFile(path) as archive:
        assert {entry.date_time for entry in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}


@pytest.mark.parametrize("content", [b"", b"no archive", b"PK\x03\x04broken"])
def test_a_file_that_is_no_grid_is_named(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "strange.npz"
    path.write_bytes(content)
    with pytest.raises(SonargridError, match=r"strange\.npz"):
        LogOddsGrid.load(path)


def test_an_archive_without_the_arrays_and_no_file_at_all(tmp_path: Path) -> None:
    path = tmp_path / "other.npz"
    np.savez(path, something=np.zeros(3))
    with pytest.raises(SonargridError, match=r"other\.npz"):
        LogOddsGrid.load(path)
    with pytest.raises(SonargridError, match=r"none\.npz"):
        LogOddsGrid.load(tmp_path / "none.npz")
    with pytest.raises(OutputProblem, match="cannot be written"):
        _grid().save(tmp_path / "no_folder" / "grid.npz")

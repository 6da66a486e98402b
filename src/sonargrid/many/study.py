"""A study: rooms on paper recorded with many seeds, mapped in several ways and scored, as one tidy table.

One piece of work is one scene with one seed, by all settings, so that settings meet the very same readings.  What is
finished is not done again; ``study_journal.jsonl`` keeps it.  Beside it lie ``study.csv``, a line a scene, seed and
setting, and ``study.png``, the means with their intervals.
"""

from __future__ import annotations

import csv
import hashlib
import io
import math
import os
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from time import perf_counter
from typing import Any

import numpy as np

import sonargrid
from sonargrid.errors import SonargridError
from sonargrid.finding.drawn import drawn_log_odds
from sonargrid.many.journal import read_journal
from sonargrid.many.pieces import UNWATCHED, Hire, PieceWork, Watched, finish_pieces, held, write_table
from sonargrid.many.study_file import SceneOfSeed, Study, StudySetting
from sonargrid.many.workers import Died, Trade, as_it_is
from sonargrid.maps.grid import LogOddsGrid
from sonargrid.maps.mapping import map_run
from sonargrid.pipeline import Search, find_things
from sonargrid.results.exports import safe_cell
from sonargrid.runs.readings import Run
from sonargrid.runs.run_files import load_run, save_run
from sonargrid.scores.scoring import score
from sonargrid.simulation.scene import Scene
from sonargrid.simulation.simulate import simulate

JOURNAL, TABLE, PICTURE = "study_journal.jsonl", "study.csv", "study.png"
MAP_FIGURES = ("f1", "precision", "recall", "balanced_log_loss", "brier", "auc", "calibration_error")
LIST_FIGURES = (
    "things", "listed", "count_exact", "perfect_10cm", "perfect_5cm", "matched_10cm", "false", "false_outside_walls",
    "centre_median_m", "centre_rms_m", "near_face_rms_m", "bearing_median_deg", "bearing_rms_deg", "inside_95_ellipse",
    "walls", "walls_listed", "walls_right",
)  # fmt: skip
CLOCKS = ("map_s", "things_s")
COLUMNS = ("scene", "seed", "setting", *(f"map_{name}" for name in MAP_FIGURES), *LIST_FIGURES, *CLOCKS)


@dataclass(frozen=True, slots=True)
class Piece:
    """One scene with one seed, to be mapped by all settings; what gives the scene of a seed is asked by the worker."""

    scene: Scene | SceneOfSeed
    name: str
    seed: int
    settings: tuple[StudySetting, ...]

    @property
    def key(self) -> str:
        """What the journal calls it."""
        return f"{self.name} {self.seed}"


def mark(study: Study) -> str:
    """Return what tells studies apart: their files' digest and the version of the project."""
    return hashlib.sha256(f"{study.digest} {sonargrid.__version__}".encode()).hexdigest()


def score_piece(piece: Piece) -> dict[str, Any]:
    """Return the rows of one piece of a study; what goes wrong is told there."""
    try:
        scene = piece.scene if isinstance(piece.scene, Scene) else piece.scene(piece.seed)
        run = simulate(scene, piece.seed)
        rows = [_row(piece, scene, run, one) for one in piece.settings]
    except SonargridError as problem:
        return {"name": piece.key, "status": "failed", "words": "; ".join(map(str, problem.faults))}
    except Exception as problem:  # one room's fault, even ours, must not end the study
        words = f"a fault in sonargrid itself: {type(problem).__name__}: {' '.join(str(problem).split())}"
        return {"name": piece.key, "status": "failed", "words": words}
    return {"name": piece.key, "status": "done", "rows": rows}


def _row(piece: Piece, scene: Scene, run: Run, setting: StudySetting) -> dict[str, Any]:
    taken = _told_otherwise(run, setting.run) if setting.run else run
    start = perf_counter()
    made = map_run(taken, setting.settings)
    mapped = perf_counter()
    listed = find_things(taken, Search(None, **setting.search), made.pings).things.objects if setting.things else None
    found = perf_counter()
    grid = made.grid
    if setting.drawn and listed is not None:
        grid = LogOddsGrid(grid.frame, drawn_log_odds(made, listed), grid.touched, grid.meta)
    scored = score(grid, scene, listed).as_dict()
    on_map, on_list = scored["map"], scored["list"]
    assert isinstance(on_map, dict)
    row: dict[str, Any] = {"scene": piece.name, "seed": piece.seed, "setting": setting.name}
    row |= {f"map_{name}": on_map[name] for name in MAP_FIGURES}
    row |= {name: on_list[name] if isinstance(on_list, dict) else None for name in LIST_FIGURES}
    return row | {"map_s": round(mapped - start, 4), "things_s": round(found - mapped, 4) if setting.things else None}


PIECE_TRADE = Trade(as_it_is, score_piece, as_it_is)


def _told_otherwise(run: Run, values: Mapping[str, str]) -> Run:
    """Return a run as its files would be read with other values: the same way that a user's ``--set`` goes."""
    with tempfile.TemporaryDirectory() as folder:
        place = save_run(run, Path(folder) / "run")
        return load_run(place, {key: (text, "the study") for key, text in values.items()})


def run_study(
    study: Study, out: str | os.PathLike[str], jobs: int, watched: Watched = UNWATCHED, hire: Hire | None = None
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Do what is left of a study and return (rows, pieces that failed); the table is written as far as it got.

    Parameters
    ----------
    study : Study
    out : path
        The study's folder; made where it is missing.
    jobs : int
        How many processes of this machine.
    watched, hire
        As for a batch.

    Raises
    ------
    OutputProblem
        If OUT cannot be written, or another study is at work there.
    """
    known = mark(study)
    pieces = [
        Piece(scene, name, seed, study.settings)
        for name, scene in study.scenes.items()
        for seed in range(study.first_seed, study.first_seed + study.seeds)
    ]
    with held(out) as folder:
        kept = read_journal(folder / JOURNAL).entries
        done = {
            piece.key: kept[piece.key]
            for piece in pieces
            if piece.key in kept and kept[piece.key].get("mark") == known and kept[piece.key]["status"] == "done"
        }
        if watched.told is not None and done:
            watched.told({"name": "", "status": "done", "fresh": False, "count": len(done)})
        left = [piece for piece in pieces if piece.key not in done]
        fresh = finish_pieces(PieceWork(folder, JOURNAL, PIECE_TRADE, known, _died), left, jobs, watched, hire)
        whole = {**done, **{entry["name"]: entry for entry in fresh if entry is not None}}
        entries = [whole.get(piece.key, {}) for piece in pieces]
        rows = [row for entry in entries for row in entry.get("rows", [])]
        failed = [dict(entry) for entry in entries if entry.get("status") == "failed"]
        write_table(folder / TABLE, table_csv(rows))
    return rows, failed


def _died(piece: Piece, how: Died) -> dict[str, Any]:
    return {"name": piece.key, "status": "failed", "words": str(how)}


def table_csv(rows: Sequence[Mapping[str, Any]]) -> str:
    """Return study.csv: one line a scene, seed and setting; true and false as 1 and 0, unknown as empty."""
    whole = io.StringIO()
    writer = csv.writer(whole, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in rows:
        cells = (row.get(name) for name in COLUMNS)
        plain = (int(cell) if isinstance(cell, bool) else "" if cell is None else cell for cell in cells)
        writer.writerow([safe_cell(cell) if isinstance(cell, str) else cell for cell in plain])
    return whole.getvalue()


@dataclass(frozen=True, slots=True)
class Mean:
    """A mean with its 95 % interval over seeds (Student's t); nan = too few to tell."""

    mean: float
    low: float
    high: float
    count: int


def mean_of(values: Sequence[float | None]) -> Mean:
    """Return the mean of the known values and its 95 % interval.

    References
    ----------
    Student's t interval: any textbook of statistics; checked against scipy.stats.

    Examples
    --------
    >>> found = mean_of([1.0, 2.0, 3.0, None])
    >>> round(found.mean, 3), round(found.low, 3), round(found.high, 3), found.count
    (2.0, -0.484, 4.484, 3)
    """
    from scipy.special import stdtrit  # half of scipy.stats' start-up time

    known = np.array([float(one) for one in values if one is not None])
    if not known.size:
        return Mean(math.nan, math.nan, math.nan, 0)
    middle = float(known.mean())
    if known.size == 1:
        return Mean(middle, math.nan, math.nan, 1)
    half = float(stdtrit(known.size - 1, 0.975)) * float(known.std(ddof=1)) / math.sqrt(known.size)
    return Mean(middle, middle - half, middle + half, int(known.size))


def means(rows: Sequence[Mapping[str, Any]], figures: Sequence[str]) -> dict[tuple[str, str], dict[str, Mean]]:
    """Return (scene, setting) -> figure -> its mean over seeds, in the order of the rows."""
    groups: dict[tuple[str, str], list[Mapping[str, Any]]] = {}
    for row in rows:
        groups.setdefault((row["scene"], row["setting"]), []).append(row)
    return {key: {name: mean_of([row.get(name) for row in some]) for name in figures} for key, some in groups.items()}

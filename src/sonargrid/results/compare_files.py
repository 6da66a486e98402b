"""The bytes of the files that `compare` leaves: compare.csv, compare.json and the pictures that `drawing` makes.

Metres and nats per ping: this is the edge.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Mapping, Sequence
from typing import Any

from sonargrid import __version__
from sonargrid.comparing.comparison import Comparison, Trial
from sonargrid.comparing.findings import against_best, limits, verdict
from sonargrid.comparing.trust import Trust
from sonargrid.drawing.compare_picture import draw_comparison
from sonargrid.drawing.trust_picture import draw_trust
from sonargrid.results.exports import plain, safe_cell
from sonargrid.results.out_folder import COMPARISON_FOLDER, digest, run_identity

TRUTH = ("f1", "precision", "recall", "balanced_log_loss", "brier", "auc", "calibration_error")
COLUMNS = (
    "model",
    "solver",
    "beam",
    "nats_per_ping",
    "low",
    "high",
    "behind_best",
    "behind_best_low",
    "behind_best_high",
    "same_sign",
    "left_out",
    "verdict",
    *TRUTH,
)


def _cells(found: Comparison, trial: Trial) -> list[str]:
    """Return one model's row; empty cells where there is no figure."""
    numbers = [trial.mean, trial.mean - trial.half_width, trial.mean + trial.half_width]
    behind, sign, count = [math.nan] * 3, "", str(len(found.folds))
    best = found.ranked[0].name
    if len(found.folds) and trial.name != best:
        pair = found.pair(best, trial.name)
        low, high = pair.difference - pair.half_width, pair.difference + pair.half_width
        behind, sign = [pair.difference, low, high], str(pair.agree)
    truth = [math.nan if trial.truth is None else float(getattr(trial.truth, name)) for name in TRUTH]
    settings = trial.map.settings
    head = [trial.name, str(settings.solver), str(settings.beam)]
    told = [sign, count, against_best(found, trial.name)]
    return [*head, *map(_number, [*numbers, *behind]), *told, *map(_number, truth)]


def _number(value: float) -> str:
    return "" if math.isnan(value) else f"{round(value, 5) + 0.0:.5f}"


def compare_csv(found: Comparison) -> str:
    """Return the table of models, best first: RFC 4180, CRLF, empty cells where there is no figure."""
    whole = io.StringIO(newline="")
    table = csv.writer(whole)
    table.writerow(COLUMNS)
    for trial in found.ranked:
        table.writerow([safe_cell(cell) if index < 3 else cell for index, cell in enumerate(_cells(found, trial))])
    return whole.getvalue()


def _model(found: Comparison, trial: Trial) -> dict[str, Any]:
    settings, half = trial.map.settings, trial.half_width
    return {
        "model": trial.name,
        "solver": settings.solver,
        "beam": settings.beam,
        "nats_per_ping": trial.mean,
        "interval": None if math.isnan(half) else [trial.mean - half, trial.mean + half],
        "left_out": dict(zip(found.folds.names, trial.scores.tolist(), strict=False)),
        "verdict": against_best(found, trial.name) or None,
        "truth": None if trial.truth is None else trial.truth.as_dict(),
    }


def compare_told(
    found: Comparison,
    files: Mapping[str, bytes],
    commands: Sequence[str] = (),
    trust: Sequence[Trust] = (),
) -> dict[str, Any]:
    """Return what compare.json says: scores, pairs, verdict, and enough to repeat them.

    Parameters
    ----------
    found : Comparison
    files : mapping
        The other files of OUT, name -> content.
    commands : sequence of str
        What to type to get the same again.
    trust : sequence of Trust
        Reliability, where it was asked for.
    """
    run, settings = found.run, found.trials[0].map.settings
    frame = found.trials[0].map.grid.frame
    entries = {
        "format": COMPARISON_FOLDER.format,
        "run": {"name": run.name, "title": run.title, "path": run_identity(run.path), "digest": run.digest},
        "commands": list(commands),
        "verdict": verdict(found),
        "limits": limits(found),
        "left_out": {"unit": found.folds.unit, "names": found.folds.names},
        "models": [_model(found, trial) for trial in found.ranked],
        "pairs": [pair.as_dict() for pair in found.pairs] if len(found.folds) else [],
        "list": None if found.things is None else found.things.as_dict(),
        "trust": [one.as_dict() for one in trust] or None,
        "warnings": found.warnings,
        "grid": {"cell_m": frame.cell_m, "extent_m": frame.extent_m},
        "settings": {
            "redundancy": settings.redundancy,
            "repeat_correlation": settings.repeat_correlation,
            "silence_weight": settings.silence_weight,
        },
        "version": __version__,
        "files": {name: {"sha256": digest(content), "bytes": len(content)} for name, content in files.items()},
    }
    return dict(plain(entries))


def compare_json(entries: Mapping[str, Any]) -> bytes:
    """Return compare.json: UTF-8, indented, never a NaN."""
    return (json.dumps(entries, indent=2, ensure_ascii=False, allow_nan=False) + "\n").encode()


def comparison_files(
    found: Comparison, trust: Sequence[Trust] = (), commands: Sequence[str] = (), theme: str = "light"
) -> tuple[dict[str, bytes], dict[str, Any]]:
    """Return the content of every file by name, compare.json last, and what that says."""
    files = {"compare.png": draw_comparison(found, theme)}
    if trust:
        files["trust.png"] = draw_trust(trust, found.run.title or found.run.name, theme)
    files["compare.csv"] = compare_csv(found).encode()
    entries = compare_told(found, files, commands, trust)
    return {**files, "compare.json": compare_json(entries)}, entries

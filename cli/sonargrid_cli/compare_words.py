"""What `compare` says when it is done: scores, truth, trust, and what they can and cannot decide, in 80 columns."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from sonargrid_cli.map_words import WIDEST, filled

if TYPE_CHECKING:
    from sonargrid.comparing.comparison import Comparison, Trial
    from sonargrid.comparing.trust import Trust

FILE_WORDS = {
    "compare.png": "the maps side by side, and the scores",
    "trust.png": "what the maps said, and how often it was so",
    "compare.csv": "the table, one row a model",
    "compare.json": "all figures, every pair of models",
}


def comparison_report(found: Comparison, trust: Sequence[Trust], out: Path, files: Sequence[str]) -> str:
    """Return the last words of `compare`."""
    from sonargrid.comparing.findings import left_out_words, limits, verdict
    from sonargrid.scores.scoring import Score

    lines = [found.run.title or found.run.name, f"  {left_out_words(found)}", ""]
    if len(found.folds):
        lines += [scores_table(found), ""]
    lines += [filled(verdict(found)), ""]
    if found.trials[0].truth is not None:
        lines += ["Against the truth", truth_table(found), ""]
        lines += [f"  {what:36}{figure}" for what, figure in Score(None, found.things).rows()]
        lines += ["", filled("The list of things does not depend on the beam model; it is the same for all."), ""]
    if trust:
        lines += ["How far the probabilities can be trusted", trust_table(trust), ""]
    lines += [part for words in limits(found) for part in (filled(words), "")]
    lines += [f"written to {out}", *(f"  {name:14}{FILE_WORDS[name]}" for name in files)]
    return "\n".join(lines)


def scores_table(found: Comparison) -> str:
    """Return each model's score, and how it stands against the best."""
    rows = []
    for trial in found.ranked:
        rows.append([trial.name, _signed(trial.mean), *_behind(found, trial)])
    unit = {"station": "stations", "piece": "pieces", "sweeps": "sweeps"}[found.folds.unit]
    return _table(("model", "nats per ping", "behind", "95 % interval", unit, "verdict"), rows)


def _behind(found: Comparison, trial: Trial) -> list[str]:
    from sonargrid.comparing.findings import against_best

    best = found.ranked[0].name
    if trial.name == best:
        return ["", "", "", "best"]
    pair = found.pair(best, trial.name)
    ends = _ends(pair.difference, pair.half_width)
    return [f"{pair.difference:.2f}", ends, f"{pair.agree} of {pair.folds}", against_best(found, trial.name)]


def truth_table(found: Comparison) -> str:
    """Return every figure that `score` gives of a map, a model a row."""
    rows = []
    for trial in found.ranked:
        t = trial.truth
        assert t is not None
        values = (t.f1, t.precision, t.recall, t.balanced_log_loss, t.brier, t.auc, t.calibration_error)
        rows.append([trial.name, *(_figure(value) for value in values)])
    return _table(("model", "F1", "precision", "recall", "log loss", "Brier", "ROC area", "cal. error"), rows)


def trust_table(trust: Sequence[Trust]) -> str:
    """Return each model's calibration error with the redundancy weight and without."""
    rows = [[one.name, _figure(one.prior), _figure(one.weighed_error), _figure(one.full_error)] for one in trust]
    return _table(("model", "prior", "calibration error", "every ping in full"), rows)


def _figure(value: float) -> str:
    return "-" if math.isnan(value) else f"{value:.3f}"


def _signed(value: float) -> str:
    from sonargrid.comparing.findings import signed

    return signed(value)


def _ends(middle: float, half: float) -> str:
    return "-" if math.isnan(half) else f"{_signed(middle - half)} to {_signed(middle + half)}"


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    from rich import box
    from rich.console import Console
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 2 if len(head) < 7 else 1, 0, 0), show_edge=False)
    for number, words in enumerate(head):
        table.add_column(words, justify="left" if number == 0 else "right", no_wrap=True)
    for row in rows:
        table.add_row(*row)
    page = io.StringIO()
    Console(file=page, width=WIDEST, color_system=None, highlight=False).print(table)
    # a plain rule: the drawn one is missing from old terminals' code pages
    return "\n".join(line.rstrip() for line in page.getvalue().replace("─", "-").splitlines())

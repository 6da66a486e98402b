"""What drawing the found things into a map gives: F1, precision, recall and log loss without and with.

Run by hand: ``python benchmarks/bench_drawn.py [seeds]``; ``--smoke`` takes one seed of each class.  This is the source
of the numbers in `sonargrid.finding.drawn`.
"""

from __future__ import annotations

import sys

import numpy as np
from worlds import make

from sonargrid.finding.drawn import drawn_log_odds
from sonargrid.finding.objects import find_objects
from sonargrid.maps.mapping import build_map
from sonargrid.scores.scoring import score_map
from sonargrid.scores.truth import cell_truth

CLASSES = {"one_position": 0.02, "room": 0.04, "pose": 0.04, "nasty": 0.04}  # class -> cell [m]
FIRST_SEED = 7000  # worlds that nothing was fitted on


def figures(class_name: str, seed: int) -> list[float]:
    """Return F1, precision, recall and balanced log loss, each without and with the things drawn in."""
    world = make(class_name, seed)
    made = build_map(world.run, solver="joint", cell_m=CLASSES[class_name])
    truth = cell_truth(world.scene, made.grid.frame)
    plain = score_map(made.grid, truth)
    drawn = score_map(made.grid, truth, drawn_log_odds(made, find_objects(made)))
    return [
        value
        for name in ("f1", "precision", "recall", "balanced_log_loss")
        for value in (getattr(plain, name), getattr(drawn, name))
    ]


def main(seeds: int) -> None:
    """Print one row a class: mean of each figure, and the standard error of the drawn F1."""
    print(f"{'class':14}{'F1':>13}{'precision':>15}{'recall':>15}{'log loss':>15}   (plain, drawn; {seeds} worlds)")
    for name in CLASSES:
        rows = np.array([figures(name, FIRST_SEED + seed) for seed in range(seeds)])
        mean = np.nanmean(rows, axis=0)
        error = float(np.nanstd(rows[:, 1]) / np.sqrt(seeds))
        pairs = "".join(f"  {mean[i]:6.3f} {mean[i + 1]:6.3f}" for i in range(0, 8, 2))
        print(f"{name:12}{pairs}   +-{error:.3f}")


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    main(1 if "--smoke" in sys.argv else (numbers or [40])[0])

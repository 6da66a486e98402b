"""What a map of several stations calls free floor outside the walls, and what withdrawing it costs inside them.

Run by hand: ``python benchmarks/bench_floor.py [worlds] [first seed]``; ``--smoke`` takes one world of a class.
Three maps of each world: as the solver makes it, without the floor behind confirmed walls, and as `map` writes it (free
floor with a witness only).  This is the source of the numbers in `sonargrid.finding.witnesses`.
"""

from __future__ import annotations

import sys

import numpy as np
from skimage.measure import points_in_poly
from worlds import make

from sonargrid.finding.floor_behind import as_far_as_seen, without_floor_behind
from sonargrid.finding.objects import fit_objects
from sonargrid.maps.mapping import build_map
from sonargrid.scores.scoring import score_map
from sonargrid.scores.truth import cell_truth

CLASSES = ("room", "pose", "nasty", "other_room")
CELL_M = 0.04
WAYS = ("solver", "no floor behind walls", "as map writes it")


def figures(class_name: str, seed: int) -> list[list[float]]:
    """Return, for each of `WAYS`: false free floor [m2], shares of truly free floor free and unknown, F1, log loss."""
    world = make(class_name, seed)
    made = build_map(world.run, solver="joint", cell_m=CELL_M)
    things = fit_objects(made.pings, made.run)
    frame, truth = made.grid.frame, cell_truth(world.scene, made.grid.frame)
    x, y = frame.centre_of(*np.indices(frame.shape).reshape(2, -1))
    corners = [(wall.x1_m, wall.y1_m) for wall in world.scene.walls]  # each wall begins where the last one ends
    inside = points_in_poly(np.stack([x, y], axis=1), np.array(corners)).reshape(frame.shape)
    free = inside & truth.free
    out = []
    for one in (made, without_floor_behind(made, things.objects), as_far_as_seen(made, things)):
        level, score = one.grid.log_odds, score_map(one.grid, truth)
        false_m2 = float((level < 0.0)[~inside].sum()) * CELL_M**2
        shares = [float(cells[free].mean()) for cells in (level < 0.0, level == 0.0)]
        out.append([false_m2, *shares, score.f1, score.balanced_log_loss])
    return out


def main(worlds: int, first: int) -> None:
    """Print one row for each class and way: means over its worlds."""
    print(f"{worlds} worlds a class, seeds {first} on; m2 of false free floor; truly free floor: called free, unknown")
    print(f"{'class':12}{'map':24}{'m2':>7}{'free':>7}{'unknown':>9}{'F1':>7}{'log loss':>10}")
    for name in CLASSES:
        mean = np.mean([figures(name, first + n) for n in range(worlds)], axis=0)
        for way, (false_m2, is_free, unknown, f1, loss) in zip(WAYS, mean.tolist(), strict=True):
            print(f"{name:12}{way:24}{false_m2:7.2f}{is_free:7.3f}{unknown:9.3f}{f1:7.3f}{loss:10.3f}")


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    main(1 if "--smoke" in sys.argv else (numbers or [16])[0], numbers[1] if len(numbers) > 1 else 3200)

"""How right maps are, made as a study: the classes of `worlds`, unseen seeds, means with their 95 % intervals.

    python benchmarks/bench_study.py [--classes room,pose] [--seeds 60] [--keep FOLDER] [--jobs N]     # resumable
    python benchmarks/bench_study.py --smoke                                                          # one world

It is `sonargrid.many.study` that simulates, maps, scores, keeps the journal and writes study.csv: one scene a seed, by
`worlds`.  Cells are 2 cm for one position and 4 cm for rooms, all other settings the defaults of `map`.  With --smoke a
row is held against the figures of bench_accuracy.py for the same world.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import bench_accuracy
import worlds

from sonargrid.many.study import means, run_study
from sonargrid.many.study_file import Study, StudySetting
from sonargrid.many.workers import cores
from sonargrid.maps.evidence import MapSettings
from sonargrid.simulation.scene import Scene

FIGURES = ("map_f1", "map_balanced_log_loss", "map_auc", "map_brier", "map_calibration_error")
AS_IN_ACCURACY = {"map_f1": "f1", "map_balanced_log_loss": "log_loss", "map_brier": "brier", "map_auc": "auc"}


@dataclass(frozen=True, slots=True)
class SceneOfClass:
    """Gives the scene of a class for a seed."""

    name: str

    def __call__(self, seed: int) -> Scene:
        """Return it; the same for ever."""
        return worlds.make(self.name, seed).scene


def study_of(classes: Sequence[str], cell_m: float, first: int, seeds: int, things: bool = False) -> Study:
    """Return the study of some classes that are mapped with one cell."""
    ways = {
        "additive gaussian": MapSettings(cell_m=cell_m, solver="additive"),
        "additive cone": MapSettings(cell_m=cell_m, solver="additive", beam="cone"),
        "joint": MapSettings(cell_m=cell_m),
    }
    settings = tuple(StudySetting(name, chosen, things=things) for name, chosen in ways.items())
    digest = f"{bench_accuracy.sources_digest('maps')} {cell_m} {things}"
    return Study("Maps", {name: SceneOfClass(name) for name in classes}, first, seeds, settings, digest)


def measured(classes: Sequence[str], first: int, seeds: int, keep: Path, jobs: int) -> list[dict[str, Any]]:
    """Do what is left of the studies and return their rows."""
    rows: list[dict[str, Any]] = []
    for cell_m in (0.02, 0.04):
        own = [name for name in classes if bench_accuracy.cell_m(name) == cell_m]
        if own:
            made, failed = run_study(study_of(own, cell_m, first, seeds), keep / f"cells_{cell_m:g}", jobs)
            rows += made
            for one in failed:
                print(f"failed: {one['name']}: {one['words']}")
    return rows


def table(rows: Sequence[dict[str, Any]]) -> str:
    """Return the means and half of their 95 % intervals as a Markdown table."""
    lines = ["| class | method | n | F1 | log loss | AUC | Brier | calibration error |", "|---" * 8 + "|"]
    for (name, way), found in means(rows, FIGURES).items():
        cells = " | ".join(f"{one.mean:.3f} +- {0.5 * (one.high - one.low):.3f}" for one in found.values())
        lines.append(f"| {name} | {way} | {found['map_f1'].count} | {cells} |")
    return "\n".join(lines)


def agrees(rows: Sequence[dict[str, Any]]) -> bool:
    """Return True where the rows of the first world are those of bench_accuracy.py."""
    name, seed = rows[0]["scene"], rows[0]["seed"]
    other = bench_accuracy.measure_maps(worlds.make(name, seed), name)
    same = True
    for row in rows:
        if (row["scene"], row["seed"]) == (name, seed):
            for mine, theirs in AS_IN_ACCURACY.items():
                same &= row[mine] == other[row["setting"]][theirs]
    return same


def main() -> None:
    """Measure and tell."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--classes", default=",".join(worlds.CLASSES))
    ask.add_argument("--seeds", type=int, default=60)
    ask.add_argument("--first", type=int, default=bench_accuracy.FIRST_SEED)
    ask.add_argument("--jobs", type=int, default=cores())
    ask.add_argument("--keep", type=Path, help="where the journal and the table lie, to go on there")
    ask.add_argument("--smoke", action="store_true", help="one world, held against bench_accuracy.py")
    asked = ask.parse_args()
    if asked.smoke:
        asked.classes, asked.seeds, asked.jobs = "one_position", 1, 1
    with tempfile.TemporaryDirectory() as scratch:
        rows = measured(asked.classes.split(","), asked.first, asked.seeds, asked.keep or Path(scratch), asked.jobs)
    print(table(rows))
    if asked.smoke and not agrees(rows):
        raise SystemExit("the study's figures differ from those of bench_accuracy.py")


if __name__ == "__main__":
    main()

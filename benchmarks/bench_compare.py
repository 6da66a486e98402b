"""Whether `compare` is right: verdicts from readings left out against the truth of simulated rooms; and what it costs.

    python benchmarks/bench_compare.py run [--classes room,nasty] [--seeds 30]    # resumable
    python benchmarks/bench_compare.py table                                      # Markdown, from the cache
    python benchmarks/bench_compare.py cost [--times 3]                           # against `map`, in this process

Every (class, seed) is one line of compare.jsonl beside this file (not under version control), with a digest of the
sources it was made with; an interrupted run goes on where it stopped.  The judge's constants were chosen on seeds
40000 to 40013 (room), 41000 to 41009 (nasty) and 41000 to 41001 (other_room); the seeds here were never used before.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import math
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path
from time import perf_counter, process_time
from typing import Any

import numpy as np
import worlds
from scipy.stats import spearmanr

from sonargrid.comparing.comparison import Comparison, compare_beams
from sonargrid.comparing.verdicts import Pair, pairs_of
from sonargrid.maps.evidence import MapSettings
from sonargrid.maps.mapping import map_run
from sonargrid.scores.scoring import score_map
from sonargrid.scores.truth import cell_truth

HERE = Path(__file__).resolve().parent
CACHE = HERE / "compare.jsonl"
CLASSES = ("room", "pose", "nasty", "other_room")
FIRST_SEED = 620_000
FIVE = ("centreline", "cone", "tapered", "gaussian", "joint")
Record = dict[str, Any]


def sources_digest() -> str:
    """Return a digest of the sources that scores and truth depend on."""
    whole = hashlib.sha256()
    for name in sorted(n for n in sys.modules if n.startswith("sonargrid.")):
        whole.update(Path(sys.modules[name].__file__ or "").read_bytes())
    whole.update((HERE / "worlds.py").read_bytes())
    return whole.hexdigest()[:16]


def measure(class_name: str, seed: int) -> Record:
    """Return one room's scores and truth, by model."""
    world = worlds.make(class_name, seed)
    start = perf_counter()
    found = compare_beams(world.run)
    seconds = perf_counter() - start
    truth = cell_truth(world.scene, found.trials[0].map.grid.frame)
    models = {}
    for trial in found.trials:
        figures = score_map(trial.map.grid, truth)
        models[trial.name] = {
            "scores": trial.scores.tolist(),
            "log_loss": figures.balanced_log_loss,
            "auc": figures.auc,
            "f1": figures.f1,
        }
    return {"class": class_name, "seed": seed, "seconds": seconds, "models": models}


def cached(digest: str | None) -> dict[tuple[str, int], Record]:
    """Return the cache's lines made with these sources (None = any), the last of each room."""
    found: dict[tuple[str, int], Record] = {}
    if CACHE.exists():
        for line in CACHE.read_text(encoding="utf-8").splitlines():
            one = json.loads(line)
            if digest is None or one["sources"] == digest:
                found[one["class"], one["seed"]] = one
    return found


def run(classes: Sequence[str], seeds: int) -> None:
    """Measure what the cache lacks, a line at a time, the classes in turn."""
    digest = sources_digest()
    have = cached(digest)
    for seed in range(FIRST_SEED, FIRST_SEED + seeds):
        for name in classes:
            if (name, seed) not in have:
                record = {**measure(name, seed), "sources": digest}
                with CACHE.open("a", encoding="utf-8") as file:
                    file.write(json.dumps(record) + "\n")


def verdicts(record: Record) -> tuple[Pair, ...]:
    """Return the pairs of one room, as `compare` tells them."""
    return pairs_of({name: one["scores"] for name, one in record["models"].items()})


def right(record: Record, pair: Pair, figure: str) -> bool:
    """Return whether the better one of a pair truly is."""
    better, worse = (record["models"][name][figure] for name in (pair.better, pair.worse))
    return bool(better < worse if figure == "log_loss" else better > worse)


def _share(part: int, whole: int) -> str:
    return f"{part} of {whole} ({100.0 * part / whole:.0f} %)" if whole else "-"


def _ranks(records: Sequence[Record], figure: str) -> float:
    """Return how alike mean score and mean truth rank the models: Spearman's rank correlation."""
    names = list(records[0]["models"])
    score = [np.mean([np.mean(r["models"][n]["scores"]) for r in records]) for n in names]
    true = [np.mean([r["models"][n][figure] for r in records]) for n in names]
    return float(spearmanr(score, true)[0]) * (-1.0 if figure == "log_loss" else 1.0)


def table(records: Sequence[Record]) -> str:
    """Return what the verdicts are worth, by class and over all."""
    rows = [
        "| rooms | n | decided | right by log loss | right by ROC area | ties | rank correlation, log loss; ROC |",
        "|---" * 7 + "|",
    ]
    groups = {name: [r for r in records if r["class"] == name] for name in CLASSES}
    for name, some in {**groups, "all": list(records)}.items():
        if not some:
            continue
        decided = [(r, p) for r in some for p in verdicts(r) if not p.tie]
        pairs = sum(len(verdicts(r)) for r in some)
        good = [sum(right(r, p, figure) for r, p in decided) for figure in ("log_loss", "auc")]
        rows.append(
            f"| {name} | {len(some)} | {len(decided)} of {pairs} | {_share(good[0], len(decided))}"
            f" | {_share(good[1], len(decided))} | {100.0 * (1.0 - len(decided) / pairs):.0f} %"
            f" | {_ranks(some, 'log_loss'):.2f}; {_ranks(some, 'auc'):.2f} |"
        )
    return "\n".join(rows)


def models_table(records: Sequence[Record]) -> str:
    """Return mean score and mean truth of every model."""
    rows = ["| model | nats per ping left out | log loss | area under ROC | F1 |", "|---" * 5 + "|"]
    for name in records[0]["models"]:
        some = [r["models"][name] for r in records]
        score = np.array([np.mean(one["scores"]) for one in some])
        true = [f"{np.mean([one[key] for one in some]):.3f}" for key in ("log_loss", "auc", "f1")]
        error = score.std(ddof=1) / math.sqrt(score.size) if score.size > 1 else math.nan
        rows.append(f"| {name} | {score.mean():.3f} +- {error:.3f} | {' | '.join(true)} |")
    return "\n".join(rows)


def gap_table(records: Sequence[Record]) -> str:
    """Return how often the better-scored model is better, by the size of the difference: why 0.3 is the least."""
    rows = ["| difference, nats per ping | pairs | better one truly better |", "|---|---|---|"]
    pairs = [(r, p) for r in records for p in verdicts(r)]
    for low, high in ((0.0, 0.1), (0.1, 0.3), (0.3, 0.5), (0.5, 1.0), (1.0, math.inf)):
        some = [(r, p) for r, p in pairs if low <= p.difference < high]
        good = sum(right(r, p, "log_loss") for r, p in some)
        rows.append(f"| {low:g} to {high:g} | {len(some)} | {_share(good, len(some))} |")
    return "\n".join(rows)


def wrong_ones(records: Sequence[Record]) -> str:
    """Return which verdicts were wrong, and how often."""
    bad = Counter(
        (p.better, p.worse) for r in records for p in verdicts(r) if not p.tie and not right(r, p, "log_loss")
    )
    return ", ".join(f"{a} over {b} {n} times" for (a, b), n in bad.most_common()) or "none"


def cost(times: int) -> str:
    """Return what comparing five models on six stations costs, against one `map` of the same run, interleaved.

    Processor time of one thread, so that other work on the machine does not count.
    """
    from sonargrid.pipeline import Output, map_to_folder

    world = next(w for w in (worlds.make("room", s) for s in range(FIRST_SEED, FIRST_SEED + 40)) if _stations(w) == 6)

    def whole(solver: str) -> None:
        with tempfile.TemporaryDirectory() as place:
            map_to_folder(world.run, MapSettings(solver=solver), output=Output(Path(place) / "map"))

    ways: dict[str, Callable[[], object]] = {
        "`map`": lambda: whole("joint"),
        "`map --solver additive`": lambda: whole("additive"),
        "the additive grid alone": lambda: map_run(world.run, MapSettings(solver="additive")),
        "the joint grid alone": lambda: map_run(world.run, MapSettings(solver="joint")),
    }
    ratios: dict[str, list[float]] = {name: [] for name in ways}
    seconds: list[float] = []
    for _ in range(times):
        start = process_time()
        compare_beams(world.run, FIVE)
        seconds.append(process_time() - start)
        for name, way in ways.items():
            start = process_time()
            way()
            ratios[name].append(seconds[-1] / (process_time() - start))
    told = ", ".join(f"{np.median(found):.1f} times {name}" for name, found in ratios.items())
    return f"five models, six stations: {np.median(seconds):.2f} s, {told} (medians of {times})"


def _stations(world: worlds.World) -> int:
    return len(world.run.stations)


def show(found: Comparison) -> str:
    """Return one comparison in a line."""
    return f"{found!r}; {sum(not p.tie for p in found.pairs)} of {len(found.pairs)} pairs decided"


def main(argv: Sequence[str] | None = None) -> None:
    """Run, or tell what the cache holds."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=("run", "table", "cost"), nargs="?", default="table")
    parser.add_argument("--classes", default=",".join(CLASSES))
    parser.add_argument("--seeds", type=int, default=30)
    parser.add_argument("--times", type=int, default=3)
    parser.add_argument("--any-sources", action="store_true", help="tell figures of other sources, too")
    parser.add_argument("--smoke", action="store_true", help="one room and three models, to see that it runs")
    options = parser.parse_args(argv)
    if options.smoke:
        print(show(compare_beams(worlds.make("room", FIRST_SEED).run, FIVE[-3:])))
    elif options.what == "run":
        run(options.classes.split(","), options.seeds)
    elif options.what == "cost":
        print(cost(options.times))
    else:
        records = list(cached(None if options.any_sources else sources_digest()).values())
        if not records:
            sys.exit("nothing measured with these sources yet: bench_compare.py run")
        parts = (table(records), models_table(records), gap_table(records), f"Wrong verdicts: {wrong_ones(records)}")
        print("\n\n".join(parts))


if __name__ == "__main__":
    main()

"""How right maps and lists are: classes of `worlds`, unseen seeds, standard errors, the plain ways beside.

    python benchmarks/bench_accuracy.py run [--classes room,pose] [--seeds 60] [--parts maps,lists,bounds]   # resumable
    python benchmarks/bench_accuracy.py table                                                 # Markdown, from the cache
    python benchmarks/bench_accuracy.py reliability                                           # confidence of the lists

Every (class, seed, method) is one line of accuracy.jsonl beside this file (not under version control), with a digest of
the sources it was made with; lines of other sources are made again, so a run that was interrupted goes on where it
stopped.  Cells are 2 cm for one position and 4 cm for rooms; all other settings are the defaults of `map`.

Methods for maps: additive (Gaussian beam, uniform cone), `one_cause` (answer rates alone, shifted: plain expectation
and maximisation with the starting values of the literature search), joint.  For lists: `blobs` (connected components of
the additive map) and the likelihood fit.  `bounds`: what anybody could reach (Fisher information, see bounds.py).  Map
figures are those of `sonargrid.scores.scoring`; `f1_d` and its kin take all surface cells within one cell of a
reflector for true, and only them.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import math
import sys
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from time import perf_counter, process_time
from typing import Any

import numpy as np
import worlds
from bounds import bounds
from scipy.ndimage import label, maximum_filter
from scipy.special import logit

from sonargrid.finding.things import Object
from sonargrid.maps.evidence import MapSettings
from sonargrid.maps.explained import FEATURES, Recipe, explain_run
from sonargrid.maps.first_return import Causes
from sonargrid.maps.grid import LogOddsGrid
from sonargrid.maps.joint import ONE_STATION, SEVERAL_STATIONS, combine, seen
from sonargrid.maps.mapping import Map, map_run
from sonargrid.maps.wedges import SoftBeam
from sonargrid.runs.calibration import calibrated
from sonargrid.scores.list_scoring import ListScore, score_list
from sonargrid.scores.measures import auc, balanced_log_loss, f1_of, reliability
from sonargrid.scores.scoring import score_map
from sonargrid.scores.truth import CellTruth, cell_truth

HERE = Path(__file__).resolve().parent
CACHE = HERE / "accuracy.jsonl"
MAP_MODULES = frozenset(sys.modules)  # what is loaded before anything that finds things
FIRST_SEED = 100_000  # the fits use seeds below 10 000
FINE = ("one_position", "other_one", "any_size", "with_empty")

# starting values found in a literature search and a first tuning elsewhere; here they are only a yardstick
START_ONE = replace(
    ONE_STATION,
    beam=SoftBeam(math.radians(27.8), math.radians(1.4), math.radians(1.4)),
    causes=Causes(0.97, 0.13, 0.027, 0.0033, 0.20, 0.022),
    weights={**dict.fromkeys(FEATURES, 0.0), "best": 1.0},
    constant=3.75 + float(logit(0.0033)),
    passes=25,
    turns=(0.0,),
)
START_ROOMS = replace(
    SEVERAL_STATIONS,
    beam=SoftBeam(math.radians(30.5), math.radians(5.1), math.radians(1.2)),
    causes=Causes(0.82, 0.059, 0.23, 0.0072, 1.27, 0.019),
    weights={**dict.fromkeys(FEATURES, 0.0), "best": 0.75, "mean": 0.25},
    constant=4.5 + float(logit(0.0072)),
    passes=25,
    turns=(0.0,),
)


def cell_m(class_name: str) -> float:
    """Return the cell at which a class is mapped [m]."""
    return 0.02 if class_name in FINE else 0.04


def sources_digest(part: str) -> str:
    """Return a digest of the sources that the figures of a part (maps, lists) depend on."""
    if part == "lists":
        import sonargrid.finding.objects  # noqa: F401 - so that its modules count
    names = sorted(n for n in sys.modules if n.startswith("sonargrid.") and (part == "lists" or n in MAP_MODULES))
    whole = hashlib.sha256()
    for path in (*(Path(sys.modules[name].__file__ or "") for name in names), HERE / "worlds.py"):
        whole.update(path.read_bytes())
    return whole.hexdigest()[:16]


def _one_cause(made: Map, class_name: str) -> np.ndarray:
    recipe: Recipe = START_ONE if class_name in FINE else START_ROOMS
    explained = explain_run(made.pings, made.run.ranger, made.grid.frame, recipe, weigh=False)
    return np.asarray(combine(explained, recipe) * seen(explained), dtype=np.float32)


def map_methods(world: worlds.World, class_name: str) -> Iterable[tuple[str, LogOddsGrid, float]]:
    """Yield (method, grid, seconds) of every way to a map."""
    pings = calibrated(world.run)
    settings = MapSettings(cell_m=cell_m(class_name))
    for method, chosen in (
        ("additive gaussian", replace(settings, solver="additive")),
        ("additive cone", replace(settings, solver="additive", beam="cone")),
        ("joint", settings),
    ):
        start = perf_counter()
        made = map_run(world.run, chosen, pings)
        yield method, made.grid, perf_counter() - start
    start = perf_counter()
    evidence = _one_cause(made, class_name)
    yield "one_cause", LogOddsGrid(made.grid.frame, evidence, made.grid.touched, made.grid.meta), perf_counter() - start


def map_figures(grid: LogOddsGrid, truth: CellTruth) -> dict[str, float]:
    """Return a map's figures, those with the wider truth (all surface within a cell of a reflector) included."""
    found = score_map(grid, truth)
    near = truth.surface & maximum_filter(truth.reflector, 3)
    called = grid.log_odds > 0.0
    counted = called & (near | truth.free)
    precision = float((counted & maximum_filter(near, 3)).sum() / max(1, counted.sum()))
    recall = float((near & maximum_filter(called, 3)).sum() / max(1, near.sum()))
    scored = near | truth.free
    return {
        "f1": found.f1,
        "precision": found.precision,
        "recall": found.recall,
        "log_loss": found.balanced_log_loss,
        "brier": found.brier,
        "auc": found.auc,
        "ece": found.calibration_error,
        "f1_d": f1_of(precision, recall),
        "log_loss_d": balanced_log_loss(near[scored], grid.log_odds[scored]),
        "auc_d": auc(near[scored], grid.log_odds[scored]),
    }


def blobs(grid: LogOddsGrid) -> tuple[Object, ...]:
    """Return the centroids of connected cells above log-odds 1 as things: the usual practice, as a yardstick."""
    marked, count = label(grid.log_odds > 1.0, np.ones((3, 3)))
    found = []
    for k in range(1, count + 1):
        row, column = np.nonzero(marked == k)
        x, y = grid.frame.centre_of(row, column)
        found.append(Object("cluster", float(x.mean()), float(y.mean()), 0.03, 0.03, 0.0, 0.0, 0.0, 1, row.size))
    return tuple(found)


def list_figures(found: ListScore) -> dict[str, Any]:
    """Return a list's figures and, per match, the errors that medians and RMS over all scenes need."""
    return {
        **found.as_dict(),
        "centre_m": [m.centre_m for m in found.matches],
        "near_m": [m.near_m for m in found.matches],
        "bearing_rad": [m.bearing_rad for m in found.matches],
        "inside": [m.inside for m in found.matches],
        "claims": [list(claim) for claim in found.claims],
    }


def measure_maps(world: worlds.World, class_name: str) -> dict[str, Any]:
    """Return the figures of every way to a map of one world."""
    out: dict[str, Any] = {}
    truth: CellTruth | None = None
    for method, grid, seconds in map_methods(world, class_name):
        if truth is None or truth.frame != grid.frame:
            truth = cell_truth(world.scene, grid.frame)
        out[method] = {**map_figures(grid, truth), "seconds": seconds}
    return out


def measure_lists(world: worlds.World, class_name: str) -> dict[str, Any]:
    """Return the figures of every way to a list of one world."""
    from sonargrid.finding.objects import fit_objects

    heard = world.heard or None
    pings = calibrated(world.run)
    plain = map_run(world.run, MapSettings(solver="additive", cell_m=cell_m(class_name)), pings).grid
    start = process_time()
    empty = None if world.empty_run is None else calibrated(world.empty_run)
    found = fit_objects(pings, world.run, empty=empty).objects
    seconds = process_time() - start
    return {
        "blobs": list_figures(score_list(blobs(plain), world.scene, heard)),
        "fit": {**list_figures(score_list(found, world.scene, heard)), "seconds": seconds},
    }


def measure_bounds(world: worlds.World, class_name: str) -> dict[str, Any]:
    """Return how well anybody could place the posts of one world."""
    return {"bound": bounds(world)}


PARTS = {"maps": measure_maps, "lists": measure_lists, "bounds": measure_bounds}
Record = dict[str, Any]


def cached(part: str, digest: str | None) -> dict[tuple[str, int], Record]:
    """Return the cache's lines of a part made with these sources (None = any), the last of each world."""
    found: dict[tuple[str, int], Record] = {}
    if CACHE.exists():
        for line in CACHE.read_text(encoding="utf-8").splitlines():
            one = json.loads(line)
            if one["part"] == part and (digest is None or one["sources"] == digest):
                found[one["class"], one["seed"]] = one
    return found


def run(classes: Sequence[str], seeds: int, parts: Sequence[str], first: int = FIRST_SEED) -> None:
    """Measure what the cache lacks of so many worlds from a first seed on, a line at a time."""
    for part in parts:
        digest = sources_digest(part)
        have = cached(part, digest)
        for name in classes:
            for seed in range(first, first + seeds):
                if (name, seed) in have:
                    continue
                figures = PARTS[part](worlds.make(name, seed), name)
                record = {"class": name, "seed": seed, "part": part, "sources": digest, "figures": figures}
                with CACHE.open("a", encoding="utf-8") as file:
                    file.write(json.dumps(record) + "\n")
            print(f"{part} of {name}: {seeds} worlds", file=sys.stderr)


def _mean(values: Sequence[float]) -> str:
    v = np.array([x for x in values if x is not None and not math.isnan(x)], dtype=np.float64)
    if not v.size:
        return "-"
    return f"{v.mean():.3f} +- {v.std(ddof=1) / math.sqrt(v.size):.3f}" if v.size > 1 else f"{v.mean():.3f}"


def _grouped(records: Iterable[Record]) -> dict[tuple[str, str], list[dict[str, Any]]]:
    groups: dict[tuple[str, str], list[dict[str, Any]]] = defaultdict(list)
    for record in records:
        for method, figures in record["figures"].items():
            groups[record["class"], method].append(figures)
    return groups


def map_table(records: Iterable[Record]) -> str:
    """Return the map figures as a Markdown table: means and standard errors over worlds."""
    keys = ("f1", "log_loss", "f1_d", "log_loss_d", "auc", "brier", "ece")
    rows = ["| class | method | n | " + " | ".join(keys) + " | ms |", "|---" * (4 + len(keys)) + "|"]
    for (name, method), found in _grouped(records).items():
        figures = " | ".join(_mean([one[key] for one in found]) for key in keys)
        ms = 1000.0 * float(np.median([one["seconds"] for one in found]))
        rows.append(f"| {name} | {method} | {len(found)} | {figures} | {ms:.0f} |")
    return "\n".join(rows)


def _all(found: Sequence[dict[str, Any]], key: str) -> np.ndarray:
    return np.concatenate([np.zeros(0), *(np.asarray(one[key], dtype=np.float64) for one in found)])


def list_table(records: Iterable[Record]) -> str:
    """Return the list figures as a Markdown table; errors are over all matches of all worlds."""
    rows = [
        "| class | method | n | exact count | perfect 10 cm | perfect 5 cm | precision | recall "
        "| centre mm, median RMS | near mm, mean RMS | bearing deg, median RMS | in ellipse | s |",
        "|---" * 13 + "|",
    ]
    for (name, method), found in _grouped(records).items():
        right = sum(one["matched_10cm"] for one in found)
        false, things = sum(one["false"] for one in found), sum(one["things"] for one in found)
        centre, near = 1000.0 * _all(found, "centre_m"), 1000.0 * _all(found, "near_m")
        bearing, inside = np.degrees(np.abs(_all(found, "bearing_rad"))), _all(found, "inside")
        rms: Callable[[np.ndarray], float] = lambda v: float(np.sqrt(np.mean(v**2))) if v.size else math.nan  # noqa: E731
        rows.append(
            f"| {name} | {method} | {len(found)} | {_mean([float(one['count_exact']) for one in found])}"
            f" | {_mean([float(one['perfect_10cm']) for one in found])}"
            f" | {_mean([float(one['perfect_5cm']) for one in found])}"
            f" | {right / max(1, right + false):.3f} | {right / max(1, things):.3f}"
            f" | {np.median(centre) if centre.size else math.nan:.0f}, {rms(centre):.0f}"
            f" | {near.mean() if near.size else math.nan:.1f}, {rms(near):.1f}"
            f" | {np.median(bearing) if bearing.size else math.nan:.1f}, {rms(bearing):.1f}"
            f" | {inside.mean() if inside.size else math.nan:.2f}"
            f" | {np.median([one.get('seconds', math.nan) for one in found]):.2f} |"
        )
    return "\n".join(rows)


def bound_table(records: Iterable[Record]) -> str:
    """Return the Fisher bounds as a Markdown table, over all posts that were heard."""
    keys = {"centre_m": 1000.0, "near_m": 1000.0, "bearing_rad": math.degrees(1.0)}
    rows = [
        "| class | posts | centre mm, median RMS | near mm, median RMS | bearing deg, median RMS |",
        "|---" * 5 + "|",
    ]
    for (name, _), found in _grouped(records).items():
        bound = {key: unit * _all(found, key) for key, unit in keys.items()}
        cells = [f"{np.median(v):.2g}, {np.sqrt(np.mean(v**2)):.2g}" for v in bound.values()]
        rows.append(f"| {name} | {bound['near_m'].size} | {' | '.join(cells)} |")
    return "\n".join(rows)


def reliability_table(records: Iterable[Record]) -> str:
    """Return how often listed things are there, by their stated confidence."""
    rows = ["| method | claimed | observed | claims |", "|---|---|---|---|"]
    claims: dict[str, list[list[float]]] = defaultdict(list)
    for (_, method), found in _grouped(records).items():
        claims[method] += [claim for one in found for claim in one["claims"]]
    for method, pairs in claims.items():
        c = np.array(pairs, dtype=np.float64).reshape(-1, 2)
        c = c[np.isfinite(c[:, 0])]
        rows += [
            f"| {method} | {b.claimed:.3f} | {b.observed:.3f} | {b.count} |" for b in reliability(c[:, 1], c[:, 0])
        ]
    return "\n".join(rows)


def main(argv: Sequence[str] | None = None) -> None:
    """Run, or tell what the cache holds."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=("run", "table", "reliability"), nargs="?", default="table")
    parser.add_argument("--classes", default=",".join(worlds.CLASSES))
    parser.add_argument("--seeds", type=int, default=60)
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED)
    parser.add_argument("--parts", default="maps,lists,bounds")
    parser.add_argument("--any-sources", action="store_true", help="tell figures of other sources, too")
    parser.add_argument("--smoke", action="store_true", help="one world of one class, to see that it runs")
    options = parser.parse_args(argv)
    if options.smoke:
        options.what, options.classes, options.seeds = "run", "one_position", 1
    classes, parts = options.classes.split(","), options.parts.split(",")
    if options.what == "run":
        run(classes, options.seeds, parts, options.first_seed)
        return
    for part in parts if options.what == "table" else ("lists",):
        kept = cached(part, None if options.any_sources else sources_digest(part))
        order = {name: place for place, name in enumerate(classes)}
        records = sorted((one for key, one in kept.items() if key[0] in order), key=lambda r: order[r["class"]])
        print(
            {"maps": map_table, "lists": list_table, "bounds": bound_table}[part](records)
            if options.what == "table"
            else reliability_table(records)
        )


if __name__ == "__main__":
    main()

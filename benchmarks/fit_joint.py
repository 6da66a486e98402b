"""Fit the joint solver's weights on worlds of its own seeds: what each feature of a cell is worth, and the constant.

    python benchmarks/fit_joint.py one|several [--seeds 60]      # prints the recipe's `weights` and `constant`
    python benchmarks/fit_joint.py one|several --search 10       # minutes of random search for beam, causes and humps

Logistic regression with both classes weighing alike, each world alike; true cells are half `reflector` cells and half
all surface cells within one cell of them (`sonargrid.scores.truth`): a map is right whichever of the two is asked for.
Seeds 2000 and up for the fit, 3000 and up to judge a search; bench_accuracy.py uses others.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import worlds
from bench_accuracy import cell_m, map_figures
from scipy.ndimage import maximum_filter
from scipy.optimize import minimize

from sonargrid.maps.arc_map import ArcHump
from sonargrid.maps.beams import make_beam
from sonargrid.maps.evidence import MapSettings, frame_for
from sonargrid.maps.explained import FEATURES, Explained, Recipe, explain_run
from sonargrid.maps.grid import LogOddsGrid
from sonargrid.maps.joint import ONE_STATION, SEVERAL_STATIONS, combine, decide, seen
from sonargrid.maps.wedges import SoftBeam
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Pings, Run
from sonargrid.scores.truth import CellTruth, cell_truth
from sonargrid.simulation.scene import SceneWall

# class -> share of the worlds; other physics weighs in so that the weights do not lean on one beam shape
MIX = {
    "one": {"one_position": 0.5, "other_one": 0.35, "any_size": 0.15},
    "several": {"room": 0.35, "pose": 0.2, "nasty": 0.2, "other_room": 0.25},
}
RECIPES = {"one": ONE_STATION, "several": SEVERAL_STATIONS}
TURNING = ("stations", "walls", "posts", "boxes")
RIDGE = 1e-4  # holds features that say the same apart

# physical bounds of the search: (get, low, high)
BOUNDS = {
    "half_deg": (18.0, 45.0),
    "slope_deg_m": (0.5, 14.0),
    "edge_deg": (0.8, 5.0),
    "answer_most": (0.2, 0.98),
    "stray": (0.005, 0.2),
    "missed": (0.01, 0.35),
    "rate": (0.001, 0.03),
    "strength": (0.05, 4.0),
    "sigma_m": (0.008, 0.03),
    "narrow_m": (0.004, 0.03),
    "narrow_factor": (0.5, 2.5),
    "wide_m": (0.01, 0.08),
    "wide_factor": (1.5, 8.0),
}


@dataclass(frozen=True, slots=True)
class Case:
    """One world, ready to be explained."""

    run: Run
    pings: Pings
    truth: CellTruth


def turned_about(one: Any, turn_rad: float) -> Any:
    """Return a scene's record (station, wall, post, box) turned about the origin."""
    c, s = math.cos(turn_rad), math.sin(turn_rad)
    if isinstance(one, SceneWall):
        ends = ((one.x1_m, one.y1_m), (one.x2_m, one.y2_m))
        (x1, y1), (x2, y2) = ((c * x - s * y, s * x + c * y) for x, y in ends)
        return replace(one, x1_m=x1, y1_m=y1, x2_m=x2, y2_m=y2)
    x, y = c * one.x_m - s * one.y_m, s * one.x_m + c * one.y_m
    return replace(one, x_m=x, y_m=y, heading_rad=one.heading_rad + turn_rad)


def cases(kind: str, seeds: int, first: int) -> list[Case]:
    """Return worlds of the mix of a kind; of several stations, every other room lies askew to the axes.

    Bearing sectors have edges: rooms along the axes alone would be fitted too well.
    """
    found = []
    for name, share in MIX[kind].items():
        for seed in range(first, first + max(1, round(share * seeds))):
            world = worlds.make(name, seed)
            turn = math.radians(37.0 * seed % 90.0) if kind == "several" and seed % 2 else 0.0
            parts = {k: tuple(turned_about(one, turn) for one in getattr(world.scene, k)) for k in TURNING}
            run = replace(world.run, stations=tuple(turned_about(s, turn) for s in world.run.stations))
            pings = calibrated(run)
            frame = frame_for(pings, make_beam("gaussian", run.ranger), MapSettings(cell_m=cell_m(name)))
            truth = cell_truth(replace(world.scene, **parts), frame)
            if truth.reflector.any():
                found.append(Case(run, pings, truth))
    return found


def explained(worlds_: Sequence[Case], recipe: Recipe) -> list[Explained]:
    """Return the features of every world."""
    return [explain_run(one.pings, one.run.ranger, one.truth.frame, recipe) for one in worlds_]


def _rows(what: Explained, truth: CellTruth) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    near = truth.surface & maximum_filter(truth.reflector, 3)
    true_weight = 0.5 * truth.reflector / truth.reflector.sum() + 0.5 * near / near.sum()
    free_weight = truth.free / truth.free.sum()
    keep = ((true_weight > 0.0) | truth.free) & (what.touched > 0)
    x = np.stack([what.features[name][keep] for name in FEATURES], axis=1)
    is_true = true_weight[keep] > 0.0
    return x, is_true, np.where(is_true, true_weight[keep], free_weight[keep])


def fit_weights(found: Sequence[Explained], truths: Sequence[CellTruth]) -> tuple[dict[str, float], float]:
    """Return (weights, constant) of the regression."""
    parts = [_rows(what, truth) for what, truth in zip(found, truths, strict=True)]
    x, y, w = (np.concatenate([part[k] for part in parts]) for k in range(3))
    mean, spread = x.mean(axis=0), x.std(axis=0) + 1e-9
    z = np.column_stack([(x - mean) / spread, np.ones(len(x))])
    sign = np.where(y, 1.0, -1.0)
    w = w / w.sum()

    def loss(theta: np.ndarray) -> tuple[float, np.ndarray]:
        m = sign * (z @ theta)
        slope = -w * sign / (1.0 + np.exp(np.clip(m, -50.0, 50.0)))
        ridge = RIDGE * theta * np.r_[np.ones(len(FEATURES)), 0.0]
        return float(w @ np.logaddexp(0.0, -m) + 0.5 * ridge @ theta), z.T @ slope + ridge

    best = minimize(loss, np.zeros(z.shape[1]), jac=True, method="L-BFGS-B", options={"maxiter": 500}).x
    values = best[:-1] / spread
    return dict(zip(FEATURES, map(float, values), strict=True)), float(best[-1] - values @ mean)


def judge(found: Sequence[Explained], worlds_: Sequence[Case], recipe: Recipe) -> dict[str, float]:
    """Return the mean map figures under a recipe."""
    figures = []
    for what, one in zip(found, worlds_, strict=True):
        evidence = decide(combine(what, recipe), recipe.undecided, recipe.hold) * seen(what)
        grid = LogOddsGrid(one.truth.frame, evidence.astype(np.float32), what.touched.astype(np.uint32))
        figures.append(map_figures(grid, one.truth))
    return {key: float(np.nanmean([f[key] for f in figures])) for key in figures[0]}


def knobs(recipe: Recipe) -> dict[str, float]:
    """Return what the search may turn."""
    b, c = recipe.beam, recipe.causes
    values = (math.degrees(b.half_rad), math.degrees(b.slope_rad_m), math.degrees(b.edge_rad), c.answer_most, c.stray)
    values += (c.missed, c.rate, c.strength, c.sigma_m, recipe.narrow.range_sigma_m, recipe.narrow.bearing_factor)
    return dict(zip(BOUNDS, (*values, recipe.wide.range_sigma_m, recipe.wide.bearing_factor), strict=True))


def turned(recipe: Recipe, k: dict[str, float]) -> Recipe:
    """Return a recipe with its knobs set."""
    rad = math.radians
    return replace(
        recipe,
        beam=SoftBeam(rad(k["half_deg"]), rad(k["slope_deg_m"]), rad(k["edge_deg"])),
        causes=replace(
            recipe.causes,
            answer_most=k["answer_most"],
            stray=k["stray"],
            missed=k["missed"],
            rate=k["rate"],
            strength=k["strength"],
            sigma_m=k["sigma_m"],
        ),
        narrow=ArcHump(k["narrow_m"], k["narrow_factor"]),
        wide=ArcHump(k["wide_m"], k["wide_factor"]),
    )


def fitted(recipe: Recipe, train: Sequence[Case]) -> Recipe:
    """Return a recipe with its weights fitted on worlds."""
    weights, constant = fit_weights(explained(train, recipe), [one.truth for one in train])
    return replace(recipe, weights=weights, constant=constant)


def search(kind: str, seeds: int, minutes: float, seed: int = 1) -> Recipe:
    """Return the best recipe of a random walk that only goes down, judged on worlds of other seeds."""
    train, test = cases(kind, seeds, 2000), cases(kind, seeds, 3000)

    def cost(recipe: Recipe) -> float:
        f = judge(explained(test, recipe), test, recipe)
        return f["log_loss"] + f["log_loss_d"] - 0.6 * (f["f1"] + f["f1_d"])

    rng = np.random.default_rng(seed)
    best = fitted(RECIPES[kind], train)
    least, end = cost(best), time.monotonic() + 60.0 * minutes
    while time.monotonic() < end:
        k = knobs(best)
        for name in rng.choice(list(BOUNDS), size=rng.integers(1, 4), replace=False):
            k[name] = float(np.clip(k[name] * math.exp(0.35 * rng.standard_normal()), *BOUNDS[name]))
        tried = fitted(turned(best, k), train)
        value = cost(tried)
        if value < least:
            best, least = tried, value
            print(f"{least:.4f} {knobs(best)}", file=sys.stderr)
    return best


def main(argv: Sequence[str] | None = None) -> None:
    """Fit, or search and fit; print what belongs into `sonargrid.maps.joint`."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("kind", choices=tuple(MIX))
    parser.add_argument("--seeds", type=int, default=60)
    parser.add_argument("--search", type=float, default=0.0, help="minutes")
    options = parser.parse_args(argv)
    recipe = RECIPES[options.kind]
    if options.search > 0.0:
        recipe = search(options.kind, options.seeds, options.search)
    train = cases(options.kind, options.seeds, 2000)
    found = explained(train, recipe)
    weights, constant = fit_weights(found, [one.truth for one in train])
    recipe = replace(recipe, weights=weights, constant=constant)
    print(f"weights={ {k: float(f'{v:.4g}') for k, v in weights.items()} }\nconstant={constant:.4g}")
    print({k: float(f"{v:.4g}") for k, v in knobs(recipe).items()})
    for undecided in (0.0, 1.0, 1.5, 2.0, 2.5, 3.0):
        f = judge(found, train, replace(recipe, undecided=undecided))
        print(f"undecided {undecided}: " + ", ".join(f"{k} {v:.3f}" for k, v in f.items()))


if __name__ == "__main__":
    main()

"""What the list of things says of itself: its confidence, its repeats, its cost.

    python benchmarks/bench_lists.py collect [--classes room,pose] [--seeds 40]   # claims of made-up worlds, resumable
    python benchmarks/bench_lists.py fit                                          # the numbers of `confidence`
    python benchmarks/bench_lists.py repeats [--seeds 20]   # 1, 5 and 20 sweeps, alike and with noise of their own
    python benchmarks/bench_lists.py cost                   # seconds a list, and how it grows with stations and sweeps

`collect` keeps what `confidence` looks at of each claim, whether a thing truly stands there (within 10 cm of its row,
or in its 95 % ellipse) and whether within 10 cm, in claims.jsonl beside this file (not under version control); `fit`
fits logistic curves, two for runs of one station and one for several, to four fifths of the worlds, and tells how well
they hold on the rest.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from time import process_time

import numpy as np
import worlds
from scipy.optimize import minimize
from scipy.special import expit

from sonargrid.arrays import Floats, Ints
from sonargrid.finding.confidence import FEATURES, features
from sonargrid.finding.object_list import Claim
from sonargrid.finding.objects import Fit, claimed_rows, fit_objects, fit_things, stood_before
from sonargrid.finding.things import Object
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Readings, Run, Station
from sonargrid.scores.list_scoring import ELLIPSE_95, score_list, true_things
from sonargrid.simulation.simulate import simulate

CLAIMS = Path(__file__).resolve().parent / "claims.jsonl"
FIRST_SEED = 40_000  # other seeds than those that accuracy is told of
ONE = ("one_position", "other_one", "any_size", "with_empty")
SEVERAL = ("room", "pose", "nasty", "other_room")
RIDGE = 0.02  # pull of every number towards 0, in claims' log likelihood


def collect(classes: Sequence[str], seeds: int, first: int = FIRST_SEED) -> None:
    """Keep the features of every claim of worlds that are not kept yet, and whether it is true."""
    have = set()
    if CLAIMS.exists():
        have = {(one["class"], one["seed"]) for one in map(json.loads, CLAIMS.read_text().splitlines())}
    for name in classes:
        for seed in range(first, first + seeds):
            if (name, seed) in have:
                continue
            world = worlds.make(name, seed)
            fit, claimed = claims_of(world)
            told = score_list([row for _, row in claimed], world.scene, world.heard or None)
            near = [there for _, there in told.claims]
            truths = is_there([row for _, row in claimed], world, near)
            rows = [
                (features(fit.board, claim, fit.found, row).tolist(), bool(there), bool(close))
                for (claim, row), there, close in zip(claimed, truths, near, strict=True)
            ]
            with CLAIMS.open("a", encoding="utf-8") as file:
                file.write(json.dumps({"class": name, "seed": seed, "things": told.things, "claims": rows}) + "\n")
        print(f"claims of {name}: {seeds} worlds", file=sys.stderr)


def claims_of(world: worlds.World) -> tuple[Fit, list[tuple[Claim, Object]]]:
    """Return a world's fit and its claims with their rows, however unlikely, less what stood there before."""
    pings = calibrated(world.run)
    if world.empty_run is None:
        fit = fit_things(pings, world.run)
        return fit, claimed_rows(fit, world.run)
    empty = calibrated(world.empty_run)
    fit = fit_things(pings, world.run, before=fit_things(empty, world.run))
    claimed = claimed_rows(fit, world.run)
    return fit, [(c, row) for c, row in claimed if not stood_before(fit.board, c, pings, empty)]


def is_there(rows: Sequence[Object], world: worlds.World, near: Sequence[bool]) -> list[bool]:
    """Return whether a thing stands where each row says: within 10 cm, or an unmatched one in its 95 % ellipse."""
    free = {t.name: t for t in true_things(world.scene)}
    for m in score_list(rows, world.scene).matches:
        free.pop(m.thing, None)
    out = list(near)
    for n, row in enumerate(rows):
        if out[n]:
            continue
        sx, sy, r = row.x_sigma_m, row.y_sigma_m, row.xy_correlation
        for name, thing in list(free.items()):
            u, v = (row.x_m - thing.x_m) / sx, (row.y_m - thing.y_m) / sy
            if (u * u - 2.0 * r * u * v + v * v) / (1.0 - r * r) <= ELLIPSE_95:
                out[n] = True
                free.pop(name)
                break
    return out


def fit_curve(x: Floats, there: Floats) -> Floats:
    """Return the numbers of the logistic curve that suits claims (n, F) and whether they are true (n,) best."""
    scale = np.maximum(x.std(axis=0), 1e-9)
    used = x.std(axis=0) > 1e-9
    used[0] = True
    scale[0] = 1.0

    def loss(w: Floats) -> tuple[float, Floats]:
        z = (x[:, used] / scale[used]) @ w
        p = expit(z)
        pull = RIDGE * len(x) * w * np.r_[0.0, np.ones(used.sum() - 1)] / 10.0
        value = float(np.sum(np.logaddexp(0.0, z) - there * z) + 0.5 * pull @ w)
        return value, (x[:, used] / scale[used]).T @ (p - there) + pull

    found = minimize(loss, np.zeros(int(used.sum())), jac=True)
    out = np.zeros(x.shape[1])
    out[used] = found.x / scale[used]
    return out


def fit() -> None:
    """Print the numbers for `confidence`, and how well they hold on worlds that they were not fitted to."""
    kept = [json.loads(line) for line in CLAIMS.read_text().splitlines()]
    for title, classes, which in (("ONE_STATION_THERE", ONE, 1), ("ONE_STATION", ONE, 2), ("SEVERAL", SEVERAL, 1)):
        mine = [one for one in kept if one["class"] in classes]
        if not mine:
            continue
        x, there, part = [], [], []
        for one in mine:
            for claim in one["claims"]:
                # how well its place is known says nothing of whether it is there
                x.append([*claim[0][:-1], 0.0] if title == "ONE_STATION_THERE" else claim[0])
                there.append(float(claim[which]))
                part.append(one["seed"] % 5 == 0)
        feature, true, held = np.array(x), np.array(there), np.array(part)
        curve = fit_curve(feature[~held], true[~held])
        p = expit(feature[held] @ curve)
        print(f"{title} = {tuple(round(float(v), 3) for v in curve)}  # {len(true)} claims, {true.mean():.2f} true")
        loss = -np.mean(np.where(true[held] > 0.5, np.log(p), np.log1p(-p)))
        print(f"    held back: {held.sum()} claims, log loss {loss:.3f}, right of those above .5: ", end="")
        print(f"{true[held][p > 0.5].mean():.3f}, of the true ones listed: {np.mean(p[true[held] > 0.5] > 0.5):.3f}")
        for low in np.arange(0.0, 1.0, 0.2):
            inside = (p >= low) & (p < low + 0.2)
            if inside.any():
                print(f"    claimed {p[inside].mean():.2f}  observed {true[held][inside].mean():.2f}  n {inside.sum()}")
    print(f"# in the order of {', '.join(FEATURES)}")


def _with_sweeps(world: worlds.World, seed: int, count: int, alike: bool) -> Run:
    """Return the run of a world swept so many times: copies of its first two passes, or passes with their own noise."""
    if not alike:
        scene = replace(world.scene, sweep=replace(world.scene.sweep, passes=2 * count))
        return simulate(scene, seed)
    once = world.run.readings
    rows = np.tile(np.arange(len(once.angle)), count)
    turn = np.repeat(np.arange(count), len(once.angle)) * (int(np.max(once.sweep)) + 1)
    many = _rows(once, rows)
    return replace(world.run, readings=replace(many, sweep=many.sweep + turn))


def _rows(readings: Readings, rows: Ints) -> Readings:
    """Return some rows of readings, without their clock."""
    columns = {name: getattr(readings, name)[rows] for name in ("angle", "distance", "station", "sweep", "turning")}
    return replace(readings, time_s=None, **columns)


def repeats(seeds: int) -> None:
    """Print how counts and ellipses stand up to more sweeps of the same floor."""
    print("| sweeps | same count as once | exact count | in ellipse | matches |\n|---|---|---|---|---|")
    for alike in (True, False):
        once: dict[int, int] = {}
        for count in (1, 5, 20):
            same, exact, inside = [], [], []
            for seed in range(FIRST_SEED + 5000, FIRST_SEED + 5000 + seeds):
                world = worlds.make("one_position", seed)
                run = _with_sweeps(world, seed, count, alike)
                found = score_list(fit_objects(calibrated(run), run).objects, world.scene, world.heard or None)
                same.append(found.listed == once.setdefault(seed, found.listed))
                exact.append(found.exact)
                inside += [m.inside for m in found.matches]
            words = f"{count}, {'copies' if alike else 'each with its own noise'}"
            print(f"| {words} | {np.mean(same):.2f} | {np.mean(exact):.2f} | {np.mean(inside):.3f} | {len(inside)} |")


def _room_of(seed: int, stations: int, sweeps: int) -> Run:
    """Return a room swept so often from so many places, clear of its things and walls."""
    scene = worlds.make("room", seed).scene
    rng = np.random.default_rng([97, seed])
    corner = np.max([(max(w.x1_m, w.x2_m), max(w.y1_m, w.y2_m)) for w in scene.walls], axis=0)
    kept: list[Station] = []
    while len(kept) < stations:
        x, y = rng.uniform(0.25, corner - 0.25)
        things = [*((t.x_m, t.y_m) for t in (*scene.posts, *scene.boxes)), *((s.x_m, s.y_m) for s in kept)]
        if all(math.hypot(x - u, y - v) > 0.22 for u, v in things):
            middle = math.atan2(0.5 * corner[1] - y, 0.5 * corner[0] - x)
            one = scene.stations[0]
            kept.append(replace(one, name=f"S{len(kept)}", x_m=x, y_m=y, heading_rad=middle + rng.uniform(-0.9, 0.9)))
    swept = replace(scene, stations=tuple(kept), given_stations=tuple(kept), sweep=replace(scene.sweep, passes=sweeps))
    return simulate(swept, seed)


def _seconds(run: Run) -> float:
    pings = calibrated(run)
    start = process_time()
    fit_objects(pings, run)
    return process_time() - start


def cost(rooms: int = 4) -> None:
    """Print what a list costs, and how that grows with stations and with sweeps of the same rooms."""
    for name in ("one_position", "room"):
        took = [_seconds(worlds.make(name, seed).run) for seed in range(FIRST_SEED, FIRST_SEED + 3 * rooms)]
        print(f"{name}: {np.median(took):.2f} s, longest {max(took):.2f} s")
    print("| stations | sweeps | readings | s | ms a reading |\n|---|---|---|---|---|")
    for stations, sweeps in ((4, 1), (8, 1), (16, 1), (6, 1), (6, 5), (6, 20)):
        runs = [_room_of(seed, stations, sweeps) for seed in range(FIRST_SEED, FIRST_SEED + rooms)]
        readings = float(np.mean([len(run.readings.angle) for run in runs]))
        took = [_seconds(run) for run in runs]
        mean = float(np.mean(took))
        print(f"| {stations} | {sweeps} | {readings:.0f} | {mean:.2f} | {1000.0 * mean / readings:.2f} |")


def main(argv: Sequence[str] | None = None) -> None:
    """Collect, fit, or tell."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=("collect", "fit", "repeats", "cost"), nargs="?", default="cost")
    parser.add_argument("--classes", default=",".join((*ONE, *SEVERAL)))
    parser.add_argument("--seeds", type=int, default=40)
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED, help="of what is collected")
    parser.add_argument("--smoke", action="store_true", help="one world, to see that it runs")
    options = parser.parse_args(argv)
    if options.smoke:
        repeats(1)
    elif options.what == "collect":
        collect(options.classes.split(","), options.seeds, options.first_seed)
    elif options.what == "repeats":
        repeats(options.seeds)
    else:
        {"fit": fit, "cost": cost}[options.what]()


if __name__ == "__main__":
    main()

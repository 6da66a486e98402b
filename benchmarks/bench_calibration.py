"""How near the calibrations come to the truth, on simulated benches: `python benchmarks/bench_calibration.py`.

The head: three 5 cm posts as the bench sheet advises (0.4 to 0.9 m, some 55 degrees apart, all edges free), one sweep
forth and one back in 2 degree steps, dropouts 2 %, noise 2 to 5 mm.  The beam: see `beam_benches`.  The simulator's
echo model is its own.
"""

from __future__ import annotations

import argparse
import math
import re
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from beam_benches import BEAM_BENCHES, one_beam_bench

from sonargrid.arrays import Floats
from sonargrid.bench.head_fit import fit_head
from sonargrid.bench.heard_things import Sighting, Sweeps
from sonargrid.runs.calibration import read_distance_m
from sonargrid.runs.readings import Head, Ranger, Station
from sonargrid.simulation.simulate import Noise, Scene, ScenePost, SweepPlan, simulate

POST_M = 0.05
SAVE_EVERY = 5
FIRST_SEED = 20_000  # parameters were tuned on lower ones
NAMES = ("offset deg", "scale", "backlash deg", "range bias mm")


@dataclass(frozen=True, slots=True)
class Bench:
    """One kind of bench: how its noise, survey, posts and passes are."""

    name: str
    scatter_db: float = 1.0
    fading_db: float = 0.0
    jitter_deg: float = 0.0
    survey_m: float = 0.0
    heading_deg: float = 0.0
    passes: int = 2
    crowded: bool = False


BENCHES = (
    Bench("levels without scatter", scatter_db=0.0),
    Bench("plain noise"),
    Bench("plain, two sweeps each way", passes=4),
    Bench("plain, heading 1 deg, posts 5 mm", survey_m=0.005, heading_deg=1.0),
    Bench("level scatter shared by repeats", fading_db=0.9, jitter_deg=0.2),
    Bench("crowded posts hiding each other", crowded=True),
)


def _places(bench: Bench, rng: np.random.Generator) -> tuple[Floats, Floats]:
    if bench.crowded:
        ranges = rng.permutation(np.array([0.3, 0.5, 0.7, 0.9]) + rng.uniform(-0.05, 0.05, 4))[:3]
        return ranges, np.radians([rng.uniform(25, 60), rng.uniform(75, 105), rng.uniform(120, 155)])
    ranges = rng.permutation(np.array([0.45, 0.65, 0.85]) + rng.uniform(-0.05, 0.05, 3))
    return ranges, np.radians([rng.uniform(33, 39), rng.uniform(86, 94), rng.uniform(141, 147)])


def one_bench(bench: Bench, seed: int) -> tuple[Floats, Floats]:
    """Return errors and stated sigmas, (4,) each, in the units of `NAMES`."""
    rng = np.random.default_rng(seed)
    offset, scale = math.radians(rng.normal(0.0, 3.0)), 1.0 + rng.normal(0.0, 0.03)
    lag, bias = math.radians(abs(rng.normal(0.0, 2.0))), rng.normal(0.0, 0.005)
    ranges, bearings = _places(bench, rng)
    centre = ranges + 0.5 * POST_M
    xs, ys = centre * np.cos(bearings), centre * np.sin(bearings)
    noise = Noise.none(
        threshold_db=-26.0 + 1.5 * rng.standard_normal(),
        level_sigma_db=bench.scatter_db,
        late_m=0.007,
        dropout=0.02,
        range_sigma_m=rng.uniform(0.002, 0.005),
        fading_db=bench.fading_db,
        angle_jitter_rad=math.radians(bench.jitter_deg),
    )
    heading = math.radians(bench.heading_deg * rng.standard_normal())
    scene = Scene(
        (Station("A", heading_rad=math.pi / 2 + heading),),
        posts=tuple(ScenePost(float(x), float(y), POST_M) for x, y in zip(xs, ys, strict=True)),
        ranger=Ranger(reach_m=1.5, transducer_radius_m=0.0078 * math.exp(0.08 * rng.standard_normal())),
        head=Head(angle_scale=scale, angle_offset_rad=offset, backlash_rad=lag),
        sweep=SweepPlan(step_rad=math.radians(2.0), passes=bench.passes, both_ways=True),
        noise=noise,
    )
    run = simulate(scene, seed)
    xs, ys = xs + bench.survey_m * rng.standard_normal(3), ys + bench.survey_m * rng.standard_normal(3)
    things = [
        Sighting(
            math.atan2(y, x) - math.pi / 2,
            math.hypot(x, y) - 0.5 * POST_M,
            bench.survey_m / math.hypot(x, y),
            bench.survey_m,
            0.5 * POST_M,
        )
        for x, y in zip(xs.tolist(), ys.tolist(), strict=True)
    ]
    angle = np.radians(run.readings.angle) - math.pi / 2
    sweeps = Sweeps(angle, read_distance_m(run) - bias, run.readings.turning)
    fit = fit_head(sweeps, things, math.radians(bench.heading_deg))
    unit = np.array([math.degrees(1.0), 1.0, math.degrees(1.0), 1000.0])
    error = [fit.angle_offset_rad - offset, fit.angle_scale - scale, fit.backlash_rad - lag, fit.range_bias_m - bias]
    sigma = [fit.angle_offset_sigma_rad, fit.angle_scale_sigma, fit.backlash_sigma_rad, fit.range_bias_sigma_m]
    return np.array(error) * unit, np.array(sigma) * unit


def kept_rows(path: Path, one: Callable[[int], tuple[Floats, Floats]], seeds: int) -> Floats:
    """Return (seeds, 2, values) errors and sigmas, going on from what `path` holds of an earlier call."""
    rows = list(np.load(path)) if path.is_file() else []
    for seed in range(len(rows), seeds):
        rows.append(np.stack(one(FIRST_SEED + seed)))
        if len(rows) % SAVE_EVERY == 0 or len(rows) == seeds:
            np.save(path, np.array(rows))
    return np.array(rows[:seeds])


def told(name: str, values: tuple[str, ...], rows: Floats) -> str:
    """Return RMS errors, and how often the truth lies within one stated sigma, in words."""
    error, sigma = rows[:, 0], rows[:, 1]
    rms = np.sqrt(np.nanmean(error**2, axis=0))
    inside = 100.0 * np.nanmean(np.where(np.isnan(error), np.nan, np.abs(error) < sigma), axis=0)
    parts = "; ".join(f"{n} {r:.4g} ({s:.0f} %)" for n, r, s in zip(values, rms, inside, strict=True))
    return f"{name}, {len(rows)} seeds: RMS (within 1 sigma) {parts}"


def main() -> None:
    """Print RMS errors and how often the truth lies within one stated sigma; `--keep FOLDER` goes on where it was."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--smoke", action="store_true", help="three seeds a bench")
    words.add_argument("--keep", type=Path, help="folder in which finished seeds are kept")
    words.add_argument("--seeds", type=int, default=200)
    words.add_argument("--only", default="", help="benches whose names hold this")
    asked = words.parse_args()
    seeds = 3 if asked.smoke else asked.seeds
    beams: list[tuple[str, tuple[str, ...], Callable[[int], tuple[Floats, Floats]]]] = [
        (bench.name, NAMES, partial(one_bench, bench)) for bench in BENCHES
    ]
    beams += [
        (bench.name, tuple(f"half width at {r:g} m, deg" for r in bench.ranges_m), partial(one_beam_bench, bench))
        for bench in BEAM_BENCHES
    ]
    with TemporaryDirectory() as passing:
        folder = asked.keep or Path(passing)
        folder.mkdir(parents=True, exist_ok=True)
        for name, values, one in beams:
            if asked.only in name:
                began = time.perf_counter()
                rows = kept_rows(folder / f"{re.sub('[^a-z0-9]+', '_', name.lower())}.npy", one, seeds)
                print(f"{told(name, values, rows)}; {time.perf_counter() - began:.0f} s", flush=True)


if __name__ == "__main__":
    main()

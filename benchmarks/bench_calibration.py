"""How near the head's calibration comes to the truth, on simulated benches: `python benchmarks/bench_calibration.py`.

Three 5 cm posts as the bench sheet advises (0.4 to 0.9 m, some 55 degrees apart, all edges free), one sweep forth and
one back in 2 degree steps, dropouts 2 %, noise 2 to 5 mm.  The simulator's echo model is its own.
"""

from __future__ import annotations

import math
import sys
import time
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.bench.head_fit import fit_head
from sonargrid.bench.heard_things import Sighting, Sweeps
from sonargrid.runs.calibration import read_distance_m
from sonargrid.runs.readings import Head, Ranger, Station
from sonargrid.simulation.simulate import Noise, Scene, ScenePost, SweepPlan, simulate

POST_M = 0.05
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


def main() -> None:
    """Print RMS errors and how often the truth lies within one stated sigma."""
    seeds = 3 if "--smoke" in sys.argv else 200
    for bench in BENCHES:
        began = time.perf_counter()
        rows = [one_bench(bench, seed) for seed in range(seeds)]
        error, sigma = (np.array(part) for part in zip(*rows, strict=True))
        rms, inside = np.sqrt(np.mean(error**2, axis=0)), np.mean(np.abs(error) < sigma, axis=0)
        told = "; ".join(f"{n} {r:.4g} ({100 * s:.0f} %)" for n, r, s in zip(NAMES, rms, inside, strict=True))
        print(f"{bench.name}, {seeds} seeds: RMS (within 1 sigma) {told}; {time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main()

"""What anybody could tell of things round one parked station: an observer who knows all but one thing's bearing.

    python benchmarks/bench_limits.py [--classes one_position,any_size] [--seeds 60] [--first-seed 41000] [--smoke]

For each thing that was heard, the observer knows the beam, the threshold and the noise, what every reading came from,
how many things there are, where all the others stand, how far the near face is, and in one of two rows how thick the
thing is and how loud it answers.  It weighs every bearing in steps of half a degree by the simulator's own chances of
an echo; things lie in the sweep and 8 cm apart, as they were laid.  No list does better on average, whatever it is made
with: neither in perfect lists (every thing within 10 cm; the count is given) nor in bearings of what matches.
"Expected" is what the observer itself believes of its best places, "reached" what came of them.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import worlds
from bounds import normal_below

from sonargrid.physics.air import absorption_db_per_m, sound_speed
from sonargrid.physics.geometry import wrap
from sonargrid.runs.calibration import calibrated
from sonargrid.scores.list_scoring import MATCH_M
from sonargrid.simulation.echo_physics import margin_db, post_db, two_way_db
from sonargrid.simulation.room_echoes import BLOCKING_SHARE
from sonargrid.simulation.simulate import simulate_traced

BEARINGS = np.radians(np.arange(5.0, 175.01, 0.5))
APART_M = 0.08  # as worlds.py lays things
RADII_M = {"one_position": np.linspace(0.0275, 0.0725, 10), "any_size": np.exp(np.linspace(-5.13, -2.07, 10))}
LEVELS_DB = np.array([-1.4, -0.7, 0.0, 0.7, 1.4])


@dataclass(frozen=True, slots=True)
class Told:
    """What the observer makes of one thing: chance of its best place, whether that was right, error of the bearing."""

    expected: float
    reached: bool
    off_rad: float


class Observer:
    """All that is known of one world."""

    def __init__(self, world: worlds.World) -> None:
        scene = world.scene
        air = scene.air.temperature_c, scene.air.relative_humidity_pct, scene.air.pressure_kpa
        self.noise = scene.noise
        self.alpha = float(absorption_db_per_m(scene.ranger.frequency_hz, *air))
        k = 2.0 * math.pi * scene.ranger.frequency_hz / float(sound_speed(*air))
        self.k_a = k * scene.ranger.transducer_radius_m
        self.soft_db = math.hypot(self.noise.level_sigma_db, self.noise.fading_db)
        traced = simulate_traced(scene, scene.seed)
        names = [f"post {n}" for n in range(1, len(scene.posts) + 1)]
        self.cause = np.array([names.index(thing) if thing else -1 for thing in traced.thing])
        self.silent = ~np.isfinite(calibrated(traced.run).range_m)
        angle = np.deg2rad(traced.run.readings.angle)
        self.bearing = scene.stations[0].heading_rad + angle - math.pi / 2 + scene.head.angle_offset_rad
        self.xy = np.array([(p.x_m, p.y_m) for p in scene.posts])
        self.radius = np.array([0.5 * p.diameter_m for p in scene.posts])
        self.near = np.hypot(*self.xy.T) - self.radius
        self.turn = np.arctan2(self.xy[:, 1], self.xy[:, 0])
        self.heard = [n for n, name in enumerate(names) if name in world.heard]

    def chance(self, off: np.ndarray, near: float, radius: float, louder_db: float = 0.0) -> np.ndarray:
        """Return how often a post answers at angles off the axis."""
        level = post_db(near, radius, self.alpha) + louder_db + two_way_db(off, self.k_a, self.noise)
        margin = margin_db(np.asarray(level), np.asarray(near), self.noise.threshold_db)
        return np.clip(normal_below(margin / self.soft_db), 1e-6, 1.0 - 1e-6)

    def possible(self, which: int, radius: float) -> np.ndarray:
        """Return at which bearings a thing may stand: clear of the others, neither hidden by them nor hiding them."""
        far = self.near[which] + radius
        x, y = far * np.cos(BEARINGS), far * np.sin(BEARINGS)
        free = np.ones(BEARINGS.size, dtype=bool)
        for k in range(len(self.near)):
            if k == which:
                continue
            free &= np.hypot(x - self.xy[k, 0], y - self.xy[k, 1]) > radius + self.radius[k] + APART_M
            off = wrap(BEARINGS - self.turn[k])
            thick, deep = (self.radius[k], self.near[k] + self.radius[k])
            if self.near[k] > self.near[which]:
                thick, deep = radius, far
            free &= (np.abs(np.sin(off)) * deep > BLOCKING_SHARE * thick) | (np.cos(off) < 0.0)
        return free

    def log_likelihood(self, which: int, radius: float, louder_db: float) -> np.ndarray:
        """Return the log likelihood of all readings with one thing at each of the bearings."""
        p = self.chance(wrap(BEARINGS[:, None] - self.bearing), self.near[which], radius, louder_db)
        beyond = (self.cause >= 0) & (self.near[self.cause] > self.near[which])
        quiet = np.ones(self.bearing.size)
        for k in range(len(self.near)):
            if k != which:
                quiet *= 1.0 - self.chance(wrap(self.turn[k] - self.bearing), self.near[k], self.radius[k])
        missed = self.noise.dropout + (1.0 - self.noise.dropout) * (1.0 - p[:, self.silent]) * quiet[self.silent]
        value = np.log(p[:, self.cause == which]).sum(axis=1) + np.log(1.0 - p[:, beyond]).sum(axis=1)
        return value + np.log(missed).sum(axis=1)

    def tell(self, which: int, radii_m: Sequence[float] | None = None) -> Told:
        """Return what can be told of one thing, its radius known or one of some that are as likely."""
        parts = []
        for radius in (self.radius[which],) if radii_m is None else radii_m:
            for db in (0.0,) if radii_m is None else LEVELS_DB:
                value = self.log_likelihood(which, radius, db) - 0.5 * (db / max(self.noise.level_spread_db, 0.1)) ** 2
                parts.append(np.where(self.possible(which, radius), value, -1e9))
        value = np.array(parts)
        weight = np.exp(value - value.max()).sum(axis=0)
        weight /= weight.sum()
        far = self.near[which] + self.radius[which]
        apart = 2.0 * far * np.abs(np.sin(0.5 * (BEARINGS[:, None] - BEARINGS)))
        inside = (apart < MATCH_M) @ weight
        best = np.flatnonzero(inside > inside.max() - 1e-9)
        place = BEARINGS[best[best.size // 2]]
        reached = 2.0 * far * abs(math.sin(0.5 * (place - self.turn[which]))) < MATCH_M
        return Told(float(inside.max()), reached, float(weight @ BEARINGS) - float(self.turn[which]))


def measure(name: str, seeds: Sequence[int], size_known: bool) -> str:
    """Return a class's figures as a row of a Markdown table."""
    expected, reached, off = [], [], []
    for seed in seeds:
        observer = Observer(worlds.make(name, seed))
        told = [observer.tell(n, None if size_known else RADII_M[name]) for n in observer.heard]
        expected.append(float(np.prod([t.expected for t in told])))
        reached.append(float(all(t.reached for t in told)))
        off += [t.off_rad for t in told if t.reached]
    error = [np.std(v, ddof=1) / math.sqrt(len(v)) if len(v) > 1 else math.nan for v in (expected, reached)]
    degrees = np.degrees(np.abs(off))
    return (
        f"| {name} | {'known' if size_known else 'not known'} | {len(expected)} "
        f"| {np.mean(expected):.3f} +- {error[0]:.3f} | {np.mean(reached):.3f} +- {error[1]:.3f} "
        f"| {np.median(degrees):.2f}, {np.sqrt(np.mean(degrees**2)):.2f} |"
    )


def main(argv: Sequence[str] | None = None) -> None:
    """Print what could be told."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--classes", default="one_position,any_size")
    parser.add_argument("--seeds", type=int, default=60)
    parser.add_argument("--first-seed", type=int, default=41_000)
    parser.add_argument("--smoke", action="store_true", help="two worlds, to see that it runs")
    options = parser.parse_args(argv)
    print("| class | size, level | worlds | perfect, expected | reached | bearing of matches, degrees, median RMS |")
    print("|---|---|---|---|---|---|")
    seeds = range(options.first_seed, options.first_seed + (2 if options.smoke else options.seeds))
    for name in options.classes.split(","):
        for size_known in (True, False):
            print(measure(name, seeds, size_known), flush=True)


if __name__ == "__main__":
    main()

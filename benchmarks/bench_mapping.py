"""How fast the additive solver is, as ratios to two plain designs in the same run, and how true.

    python benchmarks/bench_mapping.py            all figures, about two minutes
    python benchmarks/bench_mapping.py --smoke    a few seconds, to see that it runs

Work: a gaussian beam of 15 degrees half width, 181 bearings, 1 m reach, 1 cm cells, `touched` included, timed from
Pings to LogOddsGrid (frame and weights included).  A yardstick's time for many sweeps is its time for one, times their
number: it goes reading by reading, so its cost is a straight line; K = 10 is timed in full to show it.
One thread: set OPENBLAS_NUM_THREADS=1 before the start where the machine is shared.
"""

from __future__ import annotations

import math
import os
import sys
import time
from collections.abc import Callable
from typing import ClassVar

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np
from yardsticks import bounding_box, textbook

from sonargrid.maps.additive import additive_grid
from sonargrid.maps.beams import BeamModel, make_beam
from sonargrid.maps.evidence import MapSettings, frame_for, ray_weights
from sonargrid.maps.grid import GridFrame, LogOddsGrid
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Pings, Ranger, Readings, Run, Station

SETTINGS = MapSettings()
RANGER = Ranger(half_beam_rad=math.radians(15.0), reach_m=1.0, range_sigma_m=0.01)
SWEEPS = (1, 3, 10, 100, 1000)


def pings_of(sweeps: int, stations: int = 1, whole_mm: bool = True) -> Pings:
    """Return made-up half circles: a wavy wall, 1 cm of noise, one reading in ten silent."""
    rng = np.random.default_rng(20260504)
    places = tuple(
        Station(f"S{k}", 0.1234 + 0.45 * (k % 4), 0.0567 + 0.5 * (k // 4), math.radians(83.0 + 11.0 * k))
        for k in range(stations)
    )
    angle = np.tile(np.arange(181.0), sweeps * stations)
    station = np.repeat(np.arange(stations), 181 * sweeps)
    sweep = np.repeat(np.arange(sweeps * stations), 181)
    distance = 0.55 + 0.3 * np.sin(np.radians(angle) * 3.0 + station) + rng.normal(0.0, 0.01, angle.size)
    distance = np.where(rng.random(angle.size) < 0.1, math.inf, distance)
    column, values = ("range_mm", np.rint(distance * 1000.0)) if whole_mm else ("range_m", distance)
    rows = Readings("angle_deg", column, angle, values, station, sweep, np.ones(angle.size))
    return calibrated(Run(rows, stations=places, ranger=RANGER))


def solve(pings: Pings, beam: BeamModel) -> LogOddsGrid:
    """Return the map: what is timed."""
    frame = frame_for(pings, beam, SETTINGS)
    return additive_grid(pings, beam, frame, SETTINGS, ray_weights(pings, RANGER.mean_half_beam_rad, SETTINGS))[0]


def plain(
    design: Callable[[Pings, BeamModel, GridFrame, np.ndarray, float], tuple[np.ndarray, np.ndarray]],
    pings: Pings,
    beam: BeamModel,
) -> tuple[np.ndarray, np.ndarray]:
    """Return what a yardstick makes of the same pings."""
    weights = ray_weights(pings, RANGER.mean_half_beam_rad, SETTINGS)
    return design(pings, beam, frame_for(pings, beam, SETTINGS), weights, SETTINGS.silence_weight)


def best(work: Callable[[], object], repeats: int) -> float:
    """Return the shortest of several processor times of this thread [s]: other work on the machine hardly counts."""
    times = []
    for _ in range(repeats):
        start = time.thread_time()
        work()
        times.append(time.thread_time() - start)
    return min(times)


class Mapping:
    """asv: the solver by number of sweeps."""

    params: ClassVar[list[int]] = list(SWEEPS)
    param_names = ("sweeps",)

    def setup(self, sweeps: int) -> None:
        """Make the pings."""
        self.pings, self.beam = pings_of(sweeps), make_beam("gaussian", RANGER)

    def time_additive(self, sweeps: int) -> None:
        """Pings to grid."""
        solve(self.pings, self.beam)


class ManyStations(Mapping):
    """asv: eight stations with 3 and 20 sweeps each."""

    params: ClassVar[list[int]] = [3, 20]

    def setup(self, sweeps: int) -> None:
        """Make the pings."""
        self.pings, self.beam = pings_of(sweeps, stations=8), make_beam("gaussian", RANGER)


class Yardsticks:
    """asv: the plain designs, one sweep."""

    def setup(self) -> None:
        """Make the pings."""
        self.pings, self.beam = pings_of(1), make_beam("gaussian", RANGER)

    def time_bounding_box(self) -> None:
        """Box round each wedge."""
        plain(bounding_box, self.pings, self.beam)

    def time_textbook(self) -> None:
        """Whole grid for each reading."""
        plain(textbook, self.pings, self.beam)


def truth(pings: Pings, beam: BeamModel) -> tuple[float, int, int]:
    """Return (error / peak beyond 3 cells, cells with a wrong touch count, cells touched) against the textbook."""
    grid, (evidence, touched) = solve(pings, beam), plain(textbook, pings, beam)
    x, y = np.meshgrid(grid.frame.x_centres_m(), grid.frame.y_centres_m())
    far = np.hypot(x - pings.rays.x_m[0], y - pings.rays.y_m[0]) > max(pings.blind_zone_m, 3.0 * grid.cell_m)
    error = np.abs(grid.log_odds - evidence)[far].max() / np.abs(evidence).max()
    return float(error), int(np.count_nonzero(grid.touched != touched)), int(np.count_nonzero(touched))


def main(smoke: bool) -> None:
    """Print the table."""
    beam, repeats = make_beam("gaussian", RANGER), 2 if smoke else 15
    one = pings_of(1)
    box, book = (best(lambda d=d: plain(d, one, beam), 1 if smoke else 5) for d in (bounding_box, textbook))
    print(f"one sweep: bounding box {box * 1e3:.1f} ms, textbook {book * 1e3:.0f} ms")
    ten = best(lambda: plain(bounding_box, pings_of(10), beam), 1)
    print(f"ten sweeps, bounding box in full: {ten / box:.1f} times one")
    print(f"{'sweeps':>16} {'ms':>8} {'x box':>8} {'x book':>8} {'x K=1':>6}   off-step ranges: ms, x K=1")
    first: dict[bool, float] = {}
    for sweeps in SWEEPS[:3] if smoke else SWEEPS:
        took = {}
        for whole in (True, False):
            pings = pings_of(sweeps, whole_mm=whole)
            took[whole] = best(lambda p=pings: solve(p, beam), repeats)
            first.setdefault(whole, took[whole])
        t, off = took[True], took[False]
        print(
            f"{sweeps:16d} {t * 1e3:8.2f} {box * sweeps / t:8.0f} {book * sweeps / t:8.0f} {t / first[True]:6.2f}"
            f"   {off * 1e3:8.2f} {off / first[False]:6.2f}"
        )
    for sweeps in (3,) if smoke else (3, 20):
        pings = pings_of(sweeps, stations=8)
        t, yard = best(lambda p=pings: solve(p, beam), repeats), best(lambda p=pings: plain(bounding_box, p, beam), 1)
        print(f"{f'8 stations x {sweeps}':>16} {t * 1e3:8.2f} {yard / t:8.0f}")
    for whole, words in ((True, "whole mm"), (False, "off-step")):
        error, wrong, cells = truth(pings_of(1, whole_mm=whole), beam)
        print(
            f"{words}: error {error:.1e} of the peak (rounding to 2^-14 included); touched wrong in {wrong} of {cells}"
        )


if __name__ == "__main__":
    main("--smoke" in sys.argv)

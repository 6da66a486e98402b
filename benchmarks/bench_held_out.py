"""Does a map foretell readings it was not made from?  Nats per ping of left-out sweeps, additive against joint maps.

    python benchmarks/bench_held_out.py [RECORDING.csv] [--worlds 20] [--smoke]

Real: the sample run `ring_room` and, of the open recording it was cut from (see cut_ring_room.py; 24 rangers in a
ring), every stretch of at least `LEAST_ROWS` rows in which the robot stands still: one sweep a row, one station, no
place invented.  Simulated beside it: classes of `worlds`, whose sweeps go forth and back.  Maps are made from every
other sweep and foretell the rest, both ways round.  In runs of several stations half of each station's bearings are
left out instead, as there is one sweep of each.

How well: the likelihood of a first return.  A cell answers with P(occupied) * detection; an echo at z came from the
first cell that answered, blurred by sigma, or from nowhere (stray); silence means that all cells failed, or a miss.
P = logit^-1(scale * log_odds + shift), scale and shift fitted on the readings that made the map: raw log-odds of
different kinds cannot be compared.  Detection, blur, stray and missed share are the same for all maps.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import worlds
from cut_ring_room import NO_ECHO_M, STILL_M, STILL_SHARE, recording
from scipy.optimize import minimize

from sonargrid.maps.evidence import MapSettings
from sonargrid.maps.first_return import BAND_SIGMAS
from sonargrid.maps.grid import LogOddsGrid
from sonargrid.maps.mapping import map_run
from sonargrid.maps.wedges import SoftBeam, Wedges, wedges
from sonargrid.physics.log_odds import to_probability
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Head, Pings, Ranger, Readings, Run, Station
from sonargrid.runs.run_files import load_run
from sonargrid.runs.samples import find_sample

LEAST_ROWS, LEAST_RANGERS = 4, 12
RING_DEG = -180.0 + 15.0 * np.arange(24)
HEARING = SoftBeam(math.radians(27.0), math.radians(3.0), math.radians(3.0))  # between the two recipes' own
CELL_M = 0.04
SIGMA_M, SIGMA_SHARE, STRAY, MISSED = 0.02, 0.005, 0.05, 0.1
MAPS = {
    "additive gaussian": MapSettings(solver="additive"),
    "additive cone": MapSettings(solver="additive", beam="cone"),
    "joint": MapSettings(solver="joint"),
}


def stands(ranges: np.ndarray) -> list[tuple[int, int]]:
    """Return (first, end) of stretches of rows in which the robot stands still; none share a row."""
    found, first = [], 0
    while first < len(ranges) - 1:
        low, high, end = ranges[first].copy(), ranges[first].copy(), first + 1
        while end < len(ranges):
            low, high = np.minimum(low, ranges[end]), np.maximum(high, ranges[end])
            span = (high - low)[high < NO_ECHO_M]
            if span.size < LEAST_RANGERS or np.quantile(span, STILL_SHARE) > STILL_M:
                break
            end += 1
        if end - first >= LEAST_ROWS:
            found.append((first, end))
            first = end
        else:
            first += 1
    return found


def ring_run(rows: np.ndarray) -> Run:
    """Return rows of 24 ranges as a run of one station, one sweep a row."""
    sweep, bearing = np.divmod(np.arange(rows.size), RING_DEG.size)
    heard = np.where(rows.ravel() >= NO_ECHO_M, np.inf, rows.ravel())
    readings = Readings(
        "bearing_deg", "range_m", RING_DEG[bearing], heard, 0 * sweep, sweep, np.ones(rows.size, dtype=int)
    )
    return Run(readings, stations=(Station("A"),), ranger=Ranger(reach_m=5.0), head=Head())


def picked(run: Run, keep: np.ndarray) -> Run:
    """Return a run of some of the readings."""
    r = run.readings
    columns = (r.angle[keep], r.distance[keep], r.station[keep], r.sweep[keep], r.turning[keep])
    return replace(run, readings=Readings(r.angle_column, r.distance_column, *columns))


def halves(run: Run) -> Iterator[tuple[Run, Run]]:
    """Yield (makes the map, is foretold), both ways round."""
    r = run.readings
    several = np.unique(r.station).size > 1
    _, bearing = np.unique(r.angle, return_inverse=True)
    even = (bearing.reshape(-1) if several else r.sweep) % 2 == 0
    yield picked(run, even), picked(run, ~even)
    yield picked(run, ~even), picked(run, even)


class Foretold:
    """A run's readings, ready to be foretold by any map of one frame."""

    def __init__(self, grid: LogOddsGrid, pings: Pings) -> None:
        """Cut the wedges."""
        rays = pings.rays
        self.reach = pings.reach_m
        self.wedge: Wedges = wedges(grid.frame, rays, np.full(len(rays), self.reach), HEARING, pings.blind_zone_m)
        self.echo, self.silent = np.flatnonzero(pings.echo), np.flatnonzero(pings.silent)
        self.ray, self.range_m = pings.ray, pings.range_m

    def nats(self, log_odds: np.ndarray, scale: float, shift: float) -> np.ndarray:
        """Return the log likelihood of each usable reading, echoes first [nats]; per metre for echoes."""
        w = self.wedge
        answer = to_probability(scale * log_odds.ravel()[w.cell].astype(np.float64) + shift) * w.gain
        gone = np.concatenate([[0.0], np.cumsum(np.log1p(-np.minimum(answer, 1.0 - 1e-9)))])
        found = np.empty(self.echo.size)
        for place, ping in enumerate(self.echo):
            a, b = w.start[self.ray[ping]], w.start[self.ray[ping] + 1]
            z = float(self.range_m[ping])
            sigma = SIGMA_M + SIGMA_SHARE * z
            low, high = a + np.searchsorted(w.range_m[a:b], [z - BAND_SIGMAS * sigma, z + BAND_SIGMAS * sigma])
            t = (w.range_m[low:high] - z) / sigma
            near = np.exp(-0.5 * t * t) / (sigma * math.sqrt(2.0 * math.pi))
            chance = float(np.sum(np.exp(gone[low:high] - gone[a]) * answer[low:high] * near))
            found[place] = math.log(STRAY / self.reach + (1.0 - STRAY) * (1.0 - MISSED) * chance)
        ray = self.ray[self.silent]
        nothing = np.exp(gone[w.start[ray + 1]] - gone[w.start[ray]])
        return np.concatenate([found, np.log(MISSED + (1.0 - MISSED) * nothing)])


def recalibrated(own: Foretold, log_odds: np.ndarray) -> tuple[float, float]:
    """Return the (scale, shift) of log-odds that suit the readings a map was made from best."""

    def cost(knobs: np.ndarray) -> float:
        return -float(own.nats(log_odds, math.exp(knobs[0]), float(knobs[1])).mean())

    limits = {"maxfev": 50, "xatol": 0.03, "fatol": 1e-3}
    starts = ((0.0, -2.0), (-1.0, -4.0))
    tries = [minimize(cost, start, method="Nelder-Mead", options=limits) for start in starts]
    best = min(tries, key=lambda one: float(one.fun)).x
    return math.exp(best[0]), float(best[1])


def foretelling(run: Run, cell_m: float) -> dict[str, float]:
    """Return nats per left-out ping of every kind of map, both halves together."""
    total: dict[str, list[float]] = {name: [] for name in MAPS}
    # one frame for both halves and all maps
    whole = map_run(run, replace(MAPS["additive gaussian"], cell_m=cell_m)).grid.frame.extent_m
    middle = tuple(edge + sign * 0.25 * cell_m for edge, sign in zip(whole, (1, 1, -1, -1), strict=True))
    for made_from, left_out in halves(run):
        for name, settings in MAPS.items():
            grid = map_run(made_from, replace(settings, cell_m=cell_m, extent_m=middle)).grid
            own, other = (Foretold(grid, calibrated(half)) for half in (made_from, left_out))
            total[name] += other.nats(grid.log_odds, *recalibrated(own, grid.log_odds)).tolist()
    return {name: float(np.mean(values)) for name, values in total.items()}


def told(words: str, found: Sequence[dict[str, float]]) -> None:
    """Print one row: means, and the paired difference of joint to each sum."""
    cells = [f"{np.mean([one[name] for one in found]):.3f}" for name in MAPS]
    for name in list(MAPS)[:-1]:
        gain = np.array([one["joint"] - one[name] for one in found])
        error = gain.std(ddof=1) / math.sqrt(gain.size) if gain.size > 1 else math.nan
        cells.append(f"{gain.mean():+.3f} +- {error:.3f} ({np.mean(gain > 0.0):.0%})")
    print(f"| {words} | {len(found)} | " + " | ".join(cells) + " |", flush=True)


def main(argv: Sequence[str] | None = None) -> None:
    """Print one row for each set of runs."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("recording", nargs="?", type=Path)
    parser.add_argument("--worlds", type=int, default=20)
    parser.add_argument("--every", type=int, default=1, help="take every so many of the recording's stands")
    parser.add_argument("--smoke", action="store_true", help="the sample run and one world")
    options = parser.parse_args(argv)
    print("| runs | n | " + " | ".join(MAPS) + " | joint - gaussian (better in) | joint - cone (better in) |")
    print("|---" * (len(MAPS) + 4) + "|")
    told("ring_room (real)", [foretelling(load_run(find_sample("ring_room")), CELL_M)])
    if options.recording is not None:
        ranges = recording(options.recording)
        found = [foretelling(ring_run(ranges[a:b]), CELL_M) for a, b in stands(ranges)[:: options.every]]
        told("stands of the recording (real)", found)
    for name in ("one_position", "other_one", "room", "other_room")[: 1 if options.smoke else 4]:
        seeds = range(12_000, 12_000 + (1 if options.smoke else options.worlds))
        told(f"{name} (simulated)", [foretelling(worlds.make(name, seed).run, CELL_M) for seed in seeds])


if __name__ == "__main__":
    main(sys.argv[1:])

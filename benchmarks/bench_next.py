"""How many stations it takes to know a room, by how the next one is chosen.

    python benchmarks/bench_next.py run [--rooms 50] [--ways random,farthest,next,truth] [--keep FOLDER]   # resumable
    python benchmarks/bench_next.py table [--keep FOLDER]
    python benchmarks/bench_next.py --smoke                                             # one room, few stations

Rooms of `worlds` (class room, seeds from 320 000; the weights were tuned below 10 000).  Every way starts at the same
station and parks on one lattice of places where a robot of 12 cm radius truly fits:
    random    anywhere, any heading; F1 is the mean of several draws a room, which makes the comparison surer
    farthest  as far as can be from all stations there are, facing the middle of the room
    next      `next_station` with the list of things of the run so far; it knows only what the map shows
    truth     what lets a faultless ranger hear most surface that nobody heard yet: greedy on the truth
After each station the joint map (4 cm cells) is scored against all surfaces in the room that a faultless ranger hears
from somewhere (reflectors from a lattice of places), F1 within one cell; and the list of things by the uncertainty of
the best match within 10 cm (half a metre where a true thing is missing), geometric mean over all true things, up to
five stations (six counted where a goal was not met by then).  Of the places that `next` names, it is told how many
truly carry the robot; where one does not, the robot is parked at the nearest place that does.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import math
import sys
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import worlds
from scipy.ndimage import maximum_filter

import sonargrid.stations
from sonargrid.finding.objects import fit_objects
from sonargrid.finding.things import Object
from sonargrid.maps.evidence import MapSettings
from sonargrid.maps.grid import GridFrame
from sonargrid.maps.mapping import Map, map_run
from sonargrid.runs.readings import Run, Station
from sonargrid.scores.truth import cell_truth, reflectors, solid
from sonargrid.simulation.scene import Scene
from sonargrid.simulation.simulate import simulate
from sonargrid.stations.next_station import next_station

HERE = Path(__file__).resolve().parent
CACHE = "next.jsonl"
FIRST_SEED = 320_000
WAYS = ("random", "farthest", "next", "truth")
DRAWS = 3  # of random ways in a room
MOST = 14
GOAL_F1 = 0.7
GOALS_M = (0.05, 0.03)  # of the things' uncertainty
MOST_LISTED = 5  # stations up to which the list is asked for it: fits with more take long
MISSING_M = 0.5
MATCH_M = 0.10
CELL_M = 0.04
SPACING_M = 0.12
RADIUS_M = 0.12
HEADINGS = 12
SIGMAS = worlds.ROOM_SIGMAS


def sources_digest() -> str:
    """Return a digest of the sources that the choice depends on."""
    whole = hashlib.sha256()
    folder = Path(sonargrid.stations.__file__ or "").parent
    for path in (*(folder / f"{name}.py" for name in ("reachable", "outlook", "next_station")), HERE / "worlds.py"):
        whole.update(path.read_bytes())
    return whole.hexdigest()[:16]


def fits(scene: Scene, x: np.ndarray, y: np.ndarray, margin_m: float = 0.0) -> np.ndarray:
    """Return (n,) whether the robot truly fits at places, so much kept free round it."""
    ends = np.array([(w.x1_m, w.y1_m) for w in scene.walls])
    inside = (x > RADIUS_M) & (x < ends[:, 0].max() - RADIUS_M) & (y > RADIUS_M) & (y < ends[:, 1].max() - RADIUS_M)
    for turn in np.arange(0.0, 2.0 * math.pi, math.pi / 8):
        for r in (0.5 * RADIUS_M, RADIUS_M + margin_m):
            inside &= ~solid(scene, x + r * math.cos(turn), y + r * math.sin(turn))
    return np.asarray(inside)


def free_places(scene: Scene) -> np.ndarray:
    """Return (n, 2) places where the robot truly fits [m]."""
    ends = np.array([(w.x1_m, w.y1_m) for w in scene.walls])
    x, y = np.meshgrid(
        np.arange(0.5 * SPACING_M, ends[:, 0].max(), SPACING_M), np.arange(0.5 * SPACING_M, ends[:, 1].max(), SPACING_M)
    )
    x, y = x.ravel(), y.ravel()
    free = fits(scene, x, y, 0.02)
    return np.stack([x[free], y[free]], axis=1)


def recorded(scene: Scene, stations: Sequence[tuple[float, float, float]], seed: int) -> tuple[Scene, Run]:
    """Return the scene with stations, and the run recorded there; they stood a little off, as a careful tape leaves."""
    names = "ABCDEFGHIJKLMNOP"
    rng = np.random.default_rng([91, seed])
    given, true = [], []
    for name, (x, y, heading) in zip(names, stations, strict=False):
        one = Station(name, float(x), float(y), float(heading), *SIGMAS)
        off = rng.standard_normal(3)
        given.append(one)
        true.append(
            replace(
                one,
                x_m=one.x_m + SIGMAS[0] * off[0],
                y_m=one.y_m + SIGMAS[0] * off[1],
                heading_rad=one.heading_rad + SIGMAS[1] * off[2],
            )
        )
    there = replace(scene, stations=tuple(true), given_stations=tuple(given))
    return there, simulate(there, seed)


@dataclass(frozen=True, slots=True)
class Room:
    """One room: its scene and truth, where the robot truly fits, and the chance that ways draw from.

    named : for each place that `next` named, whether it truly carries the robot, and whether it was heard clear
    """

    scene: Scene
    judge: Judge
    places: np.ndarray
    rng: np.random.Generator
    named: list[tuple[bool, bool]]


class Judge:
    """The truth of one room: all that can be heard from somewhere."""

    def __init__(self, scene: Scene) -> None:
        places = free_places(scene)
        some = places[:: max(1, len(places) // 60)]
        everywhere = [Station(f"{n}", x, y, h) for n, (x, y) in enumerate(some) for h in (0.0, math.pi)]
        ends = np.array([(w.x1_m, w.y1_m) for w in scene.walls])
        self.frame = GridFrame.around(-0.2, -0.2, ends[:, 0].max() + 0.2, ends[:, 1].max() + 0.2, CELL_M)
        truth = cell_truth(replace(scene, stations=tuple(everywhere), given_stations=None), self.frame)
        self.surface, self.free = truth.surface, truth.free

    def f1(self, made: Map) -> float:
        """Return F1 of surface cells within one cell."""
        called = made.grid.log_odds > 0.0
        counted = called & (self.surface | self.free)
        precision = float((counted & maximum_filter(self.surface, 3)).sum() / max(1, counted.sum()))
        recall = float((self.surface & maximum_filter(called, 3)).sum() / max(1, self.surface.sum()))
        return 2.0 * precision * recall / max(1e-9, precision + recall)


def uncertainty_m(scene: Scene, objects: Sequence[Object]) -> float:
    """Return the geometric mean over all true things of the uncertainty of the best match [m]."""
    centres = [(t.x_m, t.y_m) for t in (*scene.posts, *scene.boxes)]
    total = 0.0
    for x, y in centres:
        near = [o for o in objects if o.counted and math.hypot(o.x_m - x, o.y_m - y) < MATCH_M]
        best = min((math.hypot(o.x_sigma_m, o.y_sigma_m) for o in near), default=MISSING_M)
        total += math.log(min(max(best, 1e-3), MISSING_M))
    return math.exp(total / max(1, len(centres)))


def _farthest(places: np.ndarray, stations: np.ndarray) -> tuple[float, float]:
    d = np.hypot(places[:, None, 0] - stations[:, 0], places[:, None, 1] - stations[:, 1]).min(axis=1)
    x, y = places[int(np.argmax(d))]
    return float(x), float(y)


def _heard(scene: Scene, stations: Sequence[tuple[float, float, float]], frame: GridFrame) -> list[np.ndarray]:
    """Return the surface cells that a faultless ranger would report from each station."""
    there = replace(scene, stations=tuple(Station(f"{n}", *s) for n, s in enumerate(stations)), given_stations=None)
    at = reflectors(there)
    row, column = frame.cell_of(at[:, 0], at[:, 1])
    cells = row.astype(np.int64) * frame.columns + column
    return [np.unique(cells[at[:, 2] == n]) for n in range(len(stations))]


def _by_truth(
    scene: Scene, places: np.ndarray, stations: list[tuple[float, float, float]], frame: GridFrame
) -> tuple[float, float, float]:
    rng = np.random.default_rng([17, len(stations)])
    some = places[rng.permutation(len(places))[:40]]
    tried = [(float(x), float(y), h) for x, y in some for h in np.arange(0.0, 2.0 * math.pi, math.pi / 3)]
    heard = _heard(scene, [*stations, *tried], frame)
    covered = np.zeros(frame.rows * frame.columns, dtype=bool)
    for cells in heard[: len(stations)]:
        covered[cells] = True
    covered = maximum_filter(covered.reshape(frame.shape), 3).ravel()
    gains = [int((~covered[cells]).sum()) for cells in heard[len(stations) :]]
    return tried[int(np.argmax(gains))]


def _chosen(
    way: str, room: Room, made: Map, objects: Sequence[Object] | None, stations: list[tuple[float, float, float]]
) -> tuple[float, float, float]:
    """Return where a way parks next."""
    places, rng = room.places, room.rng
    if way == "random":
        x, y = places[int(rng.integers(len(places)))]
        return float(x), float(y), float(rng.uniform(-math.pi, math.pi))
    if way == "farthest":
        x, y = _farthest(places, np.array(stations))
        middle = places.mean(axis=0)
        return x, y, math.atan2(middle[1] - y, middle[0] - x)
    if way == "truth":
        return _by_truth(room.scene, places, stations, room.judge.frame)
    listed = fit_objects(made.pings, made.run).objects if objects is None else objects
    best = next_station(made, listed, 1)[0]
    room.named.append((bool(fits(room.scene, np.array([best.x_m]), np.array([best.y_m]))[0]), best.heard_clear))
    # where the map errs and something stands, the robot is parked at the nearest place that is free
    x, y = places[int(np.argmin(np.hypot(places[:, 0] - best.x_m, places[:, 1] - best.y_m)))]
    return float(x), float(y), best.heading_rad


@lru_cache(maxsize=1)
def _room(seed: int) -> tuple[Scene, Judge]:
    scene = worlds._room_scene(seed, SIGMAS, worlds._noise, 0.2)
    return scene, Judge(scene)


def measure(way: str, seed: int, most: int = MOST, with_things: bool = True) -> dict[str, Any]:
    """Return F1 and the things' uncertainty after each station; ``random 2`` is the second draw of a random way."""
    scene, judge = _room(seed)
    way, _, draw = way.partition(" ")
    chance = [3, seed, WAYS.index(way), *([int(draw)] if draw else [])]
    room = Room(scene, judge, free_places(scene), np.random.default_rng(chance), [])
    first = scene.given_stations[0] if scene.given_stations else scene.stations[0]
    stations = [(first.x_m, first.y_m, first.heading_rad)]
    f1s: list[float] = []
    sigmas: list[float] = []
    while True:
        _, run = recorded(scene, stations, seed)
        made = map_run(run, MapSettings(solver="joint", cell_m=CELL_M, extent_m=room.judge.frame.extent_m))
        f1s.append(room.judge.f1(made))
        unsure = with_things and len(stations) <= MOST_LISTED and min(sigmas, default=math.inf) > GOALS_M[-1]
        objects = fit_objects(made.pings, run).objects if unsure else None
        if objects is not None:
            sigmas.append(uncertainty_m(scene, objects))
        listed = not with_things or len(stations) >= MOST_LISTED or min(sigmas) <= GOALS_M[-1]
        if len(stations) >= most or (max(f1s) >= GOAL_F1 and listed):
            return {"f1": f1s, "sigma_m": sigmas, "stations": stations, "named": room.named}
        stations.append(_chosen(way, room, made, objects, stations))


def cached(keep: Path, digest: str | None) -> dict[tuple[str, int], dict[str, Any]]:
    """Return what was measured with these sources (None = any), by way and seed."""
    found: dict[tuple[str, int], dict[str, Any]] = {}
    if (keep / CACHE).exists():
        for line in (keep / CACHE).read_text(encoding="utf-8").splitlines():
            one = json.loads(line)
            if digest is None or one["sources"] == digest or one["way"] != "next":
                found[one["way"], one["seed"]] = one["figures"]
    return found


def run_all(keep: Path, ways: Sequence[str], first: int, rooms: int, with_things: bool = True) -> None:
    """Measure what is missing, a line at a time."""
    digest = sources_digest()
    have = cached(keep, digest)
    more = [f"random {draw}" for draw in range(2, DRAWS + 1)] if "random" in ways else []
    for seed in range(first, first + rooms):
        for way in (*ways, *more):
            if (way, seed) not in have:
                figures = measure(way, seed, MOST, with_things and way not in more)
                record = {"way": way, "seed": seed, "sources": digest, "figures": figures}
                with (keep / CACHE).open("a", encoding="utf-8") as file:
                    file.write(json.dumps(record) + "\n")


def needed(values: Sequence[float], goal: float, above: bool) -> int:
    """Return after how many stations a goal was first met; one more than the most where it never was.

    >>> needed([0.3, 0.6, 0.72], 0.7, True), needed([0.3], 0.7, True), needed([0.3], 0.05, False)
    (3, 15, 6)
    """
    for count, value in enumerate(values, start=1):
        if (value >= goal) if above else (value <= goal):
            return count
    return (MOST if above else MOST_LISTED) + 1


def _needed_by(found: dict[tuple[str, int], dict[str, Any]], key: str, goal: float) -> dict[str, dict[int, float]]:
    """Return stations needed by way and room; of several draws their mean."""
    each: dict[str, dict[int, list[int]]] = defaultdict(lambda: defaultdict(list))
    for (way, seed), figures in found.items():
        if figures[key]:
            each[way.split()[0]][seed].append(needed(figures[key], goal, key == "f1"))
    return {way: {seed: float(np.mean(counts)) for seed, counts in rooms.items()} for way, rooms in each.items()}


def table(found: dict[tuple[str, int], dict[str, Any]]) -> str:
    """Return the figures as Markdown; for each goal only rooms that every way was tried in."""
    rows = []
    goals = [("F1 0.7", "f1", GOAL_F1), *((f"{100.0 * g:.0f} cm", "sigma_m", g) for g in GOALS_M)]
    for words, key, goal in goals:
        by_way = _needed_by(found, key, goal)
        ways = [way for way in WAYS if way in by_way]
        seeds = sorted(set.intersection(*(set(by_way[way]) for way in ways))) if ways else []
        if not seeds:
            continue
        rows += [f"| way, {len(seeds)} rooms | stations to {words} | against random, paired | |", "|---|---|---|---|"]
        base = np.array([by_way["random" if "random" in ways else ways[0]][seed] for seed in seeds])
        for way in ways:
            own = np.array([by_way[way][seed] for seed in seeds])
            less = 100.0 * (own.mean() / base.mean() - 1.0)
            rows.append(f"| {way} | {_mean(own)} | {_mean(own - base)} | {less:+.0f} % |")
        rows.append("")
    named = [one for (way, _), figures in found.items() if way == "next" for one in figures.get("named", [])]
    for words, clear in (("heard clear", True), ("free by the map alone", False)):
        carry = [truly for truly, heard in named if heard == clear]
        if carry:
            rows.append(f"{sum(carry)} of {len(carry)} named places that were {words} truly carry the robot.")
    return "\n".join(rows) or "nothing yet"


def _mean(values: np.ndarray) -> str:
    """Return the mean with its standard error."""
    error = values.std(ddof=1) / math.sqrt(values.size) if values.size > 1 else math.nan
    return f"{values.mean():.2f} +- {error:.2f}"


def main(argv: Sequence[str] | None = None) -> None:
    """Run, or tell what is there."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=("run", "table"), nargs="?", default="table")
    parser.add_argument("--rooms", type=int, default=50)
    parser.add_argument("--first", type=int, default=FIRST_SEED, help="first seed; to tune, take others")
    parser.add_argument("--ways", default=",".join(WAYS))
    parser.add_argument("--keep", type=Path, default=HERE, help="folder of the cache")
    parser.add_argument("--f1-only", action="store_true", help="leave out the things' uncertainty, which takes long")
    parser.add_argument("--any-sources", action="store_true", help="tell figures of other sources, too")
    parser.add_argument("--smoke", action="store_true", help="one room, to see that it runs")
    options = parser.parse_args(argv)
    if options.smoke:
        print(table({(way, FIRST_SEED): measure(way, FIRST_SEED, 3) for way in WAYS}))
        return
    if options.what == "run":
        run_all(options.keep, options.ways.split(","), options.first, options.rooms, not options.f1_only)
        print(f"{options.rooms} rooms", file=sys.stderr)
        return
    print(table(cached(options.keep, None if options.any_sources else sources_digest())))


if __name__ == "__main__":
    main()

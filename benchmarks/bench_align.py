"""How near corrected station poses come to the truth, and how surely a strayed station is named.

    python benchmarks/bench_align.py run [--rooms 30] [--kinds off,none,place,turn] [--keep FOLDER]   # resumable
    python benchmarks/bench_align.py names [--rooms 30] [--kinds ...] [--first-seed 250000]   # who strayed, alone
    python benchmarks/bench_align.py table [--keep FOLDER]                             # Markdown, from what is there
    python benchmarks/bench_align.py --smoke                                           # one room, seconds

Rooms of `worlds` (seeds from 210 000; the rules were tuned below 1000 and, in part, on 200 000 to 200 040):
    off    the stations lie off the stated ones by 3 cm along each axis and 5 degrees (one sigma), which the run says
    none   six stations, off by 1 cm and 1 degree (one sigma), which the run says
    place  the same, and one station of the six stated 15 cm away from where it stood
    turn   the same, and one station of the six stated 20 degrees turned

A shift or turn of all stations together cannot be seen by anybody, so errors are told twice: on the floor, and in the
stations' own frame (the common shift and turn that weighted least squares find taken out).  Lines of other sources are
made again.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import math
import sys
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from time import process_time
from typing import Any

import numpy as np
import worlds

import sonargrid.stations
from sonargrid.physics.geometry import wrap
from sonargrid.runs.calibration import calibrated
from sonargrid.stations.alignment import align_stations
from sonargrid.stations.sightings import sightings_of, stated_poses
from sonargrid.stations.strayed import find_strays

HERE = Path(__file__).resolve().parent
CACHE = "align.jsonl"
FIRST_SEED = 210_000
OFF_SIGMAS = (0.03, math.radians(5.0))
KINDS = ("off", "none", "place", "turn")
STRAY_M, STRAY_RAD = 0.15, math.radians(20.0)
LEAST_SHARED = 3
NAMES = " (names)"  # kinds of the cache in which nothing but who strayed was asked for


def sources_digest() -> str:
    """Return a digest of the sources that the figures depend on."""
    whole = hashlib.sha256()
    folder = Path(sonargrid.stations.__file__ or "").parent
    modules = ("sightings", "landmarks", "pose_fit", "pose_likelihood", "own_pings", "strayed", "alignment")
    for path in (*(folder / f"{name}.py" for name in modules), HERE / "worlds.py"):
        whole.update(path.read_bytes())
    return whole.hexdigest()[:16]


def room(kind: str, seed: int) -> tuple[worlds.World, int]:
    """Return a world and the index of the station that strayed (-1: none)."""
    if kind == "off":
        return worlds._recorded(worlds._room_scene(seed, OFF_SIGMAS, worlds._noise, 0.2), seed), -1
    scene = worlds._room_scene(seed, worlds.POSE_SIGMAS, worlds._noise, 0.2)
    rng = np.random.default_rng([77, seed])
    strayed, turn = int(rng.integers(len(scene.stations))), rng.uniform(0.0, 2.0 * math.pi)
    stated = list(scene.given_stations)
    one = stated[strayed]
    if kind == "place":
        one = replace(one, x_m=one.x_m + STRAY_M * math.cos(turn), y_m=one.y_m + STRAY_M * math.sin(turn))
    elif kind == "turn":
        one = replace(one, heading_rad=one.heading_rad + math.copysign(STRAY_RAD, math.pi - turn))
    stated[strayed] = one
    world = worlds._recorded(replace(scene, given_stations=tuple(stated)), seed)
    return world, -1 if kind == "none" else strayed


def six_station_seeds(count: int, first: int = FIRST_SEED) -> list[int]:
    """Return the first seeds whose rooms have six stations."""
    found: list[int] = []
    seed = first
    while len(found) < count:
        if len(worlds._room_scene(seed, worlds.POSE_SIGMAS, worlds._noise, 0.2).stations) == 6:
            found.append(seed)
        seed += 1
    return found


def in_own_frame(off: np.ndarray, poses: np.ndarray, sigma: np.ndarray) -> np.ndarray:
    """Return errors (S, 3) with the common shift and turn taken out."""
    count, middle = len(poses), poses[:, :2].mean(axis=0)
    common = np.zeros((3 * count, 3))
    common[0::3, 0] = common[1::3, 1] = common[2::3, 2] = 1.0
    common[0::3, 2], common[1::3, 2] = -(poses[:, 1] - middle[1]), poses[:, 0] - middle[0]
    trust = sigma.ravel() ** -2
    fitted = np.linalg.solve(common.T @ (trust[:, None] * common), common.T @ (trust * off.ravel()))
    return np.asarray(off - (common @ fitted).reshape(-1, 3))


def measure(kind: str, seed: int) -> dict[str, Any]:
    """Return one room's figures."""
    world, strayed = room(kind, seed)
    true = stated_poses(world.scene.stations)
    sigma = np.array([(s.position_sigma_m, s.position_sigma_m, s.heading_sigma_rad) for s in world.run.stations])
    start = process_time()
    found = align_stations(world.run)
    seconds = process_time() - start

    def off(poses: np.ndarray) -> np.ndarray:
        error = poses - true
        error[:, 2] = wrap(error[:, 2])
        return error

    trusted = np.where(found.gross[:, None], 1.0, sigma)
    return {
        "strayed": strayed,
        "named": np.flatnonzero(found.gross).tolist(),
        "shared": found.shared.tolist(),
        "accepted": found.accepted.tolist(),
        "before": off(found.before.copy()).tolist(),
        "before_own": in_own_frame(off(found.before.copy()), found.before, sigma).tolist(),
        "after": off(found.after.copy()).tolist(),
        "after_own": in_own_frame(off(found.after.copy()), found.after, trusted).tolist(),
        "sigmas": found.sigmas.tolist(),
        "relative": found.relative.tolist(),
        "seconds": seconds,
    }


def names(kind: str, seed: int) -> dict[str, Any]:
    """Return which stations of one room are said to have strayed, and how far off they are then put; nothing else."""
    world, strayed = room(kind, seed)
    run, true = world.run, stated_poses(world.scene.stations)
    sigma = np.array([(s.position_sigma_m, s.position_sigma_m, s.heading_sigma_rad) for s in run.stations])
    start = process_time()
    found = find_strays(run, sightings_of(run, calibrated(run)), stated_poses(run.stations), sigma)
    seconds = process_time() - start
    off = [one.pose - true[one.station] for one in found.named]
    return {
        "strayed": strayed,
        "named": [one.station for one in found.named],
        "gain": [one.gain for one in found.named],
        "unsure": list(found.unsure),
        "put_off": [[float(math.hypot(x, y)), float(abs(wrap(h)))] for x, y, h in off],
        "seconds": seconds,
    }


def cached(keep: Path, digest: str | None) -> dict[tuple[str, int], dict[str, Any]]:
    """Return what was measured with these sources (None = any), by kind and seed."""
    found: dict[tuple[str, int], dict[str, Any]] = {}
    if (keep / CACHE).exists():
        for line in (keep / CACHE).read_text(encoding="utf-8").splitlines():
            one = json.loads(line)
            if digest is None or one["sources"] == digest:
                found[one["kind"], one["seed"]] = one["figures"]
    return found


def run(keep: Path, kinds: Sequence[str], rooms: int, names_alone: bool, first: int) -> None:
    """Measure what is missing, kinds in turn, a line at a time."""
    digest = sources_digest()
    have = cached(keep, digest)
    six = six_station_seeds(rooms, first)
    for number in range(rooms):
        for kind in kinds:
            seed = first + number if kind == "off" and not names_alone else six[number]
            label = f"{kind}{NAMES}" if names_alone else kind
            if (label, seed) not in have:
                figures = names(kind, seed) if names_alone else measure(kind, seed)
                record = {"kind": label, "seed": seed, "sources": digest, "figures": figures}
                with (keep / CACHE).open("a", encoding="utf-8") as file:
                    file.write(json.dumps(record) + "\n")
    print(f"{rooms} rooms of {', '.join(kinds)}", file=sys.stderr)


def _row(words: str, errors: np.ndarray, kept: np.ndarray) -> str:
    e = errors[kept]
    flat = 100.0 * np.hypot(e[:, 0], e[:, 1])
    turned = np.degrees(np.abs(e[:, 2]))
    axis = 100.0 * np.abs(e[:, :2])
    return f"| {words} | {np.median(flat):.2f} | {np.median(axis):.2f} | {np.median(turned):.2f} |"


def table(found: dict[tuple[str, int], dict[str, Any]]) -> str:
    """Return the figures as Markdown."""
    by_kind: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for (kind, _), figures in found.items():
        by_kind[kind].append(figures)
    out = []
    if by_kind["off"]:
        stack = {
            key: np.concatenate([np.array(one[key], dtype=float) for one in by_kind["off"]])
            for key in ("before", "before_own", "after", "after_own", "sigmas", "relative", "shared", "accepted")
        }
        kept = stack["shared"] >= LEAST_SHARED
        out += [
            f"{len(by_kind['off'])} rooms, {kept.size} stations, {int(kept.sum())} that share at least three arcs, "
            f"{np.mean(stack['accepted'][kept]):.2f} of these corrected",
            "",
            "| median error | cm | cm, one axis | degrees |",
            "|---|---|---|---|",
            _row("stated, on the floor", stack["before"], kept),
            _row("corrected, on the floor", stack["after"], kept),
            _row("stated, own frame", stack["before_own"], kept),
            _row("corrected, own frame", stack["after_own"], kept),
            "",
        ]
        for words, errors, sigmas in (("on the floor", "after", "sigmas"), ("own frame", "after_own", "relative")):
            inside = (np.abs(stack[errors]) < stack[sigmas])[kept]
            out.append(
                f"one-sigma intervals {words} hold {inside[:, :2].mean():.2f} of places (per axis), "
                f"{inside[:, 2].mean():.2f} of headings"
            )
        out.append("")
        named = sum(bool(one["named"]) for one in by_kind["off"])
        out.append(f"a station named, though none strayed beyond its sigmas, in {named} of {len(by_kind['off'])} rooms")
        out.append("")
    for kind in KINDS[1:]:
        if by_kind[kind]:
            right = [one["strayed"] in one["named"] for one in by_kind[kind]]
            false = [any(k != one["strayed"] for k in one["named"]) for one in by_kind[kind]]
            out.append(
                f"{kind}: {len(right)} rooms, the strayed station named in {sum(right)}, another one in {sum(false)}"
            )
    out += _names_table(by_kind)
    seconds = [one["seconds"] for figures in by_kind.values() for one in figures]
    out.append(
        f"seconds of one core: median {np.median(seconds):.1f}, most {max(seconds):.1f}" if seconds else "nothing yet"
    )
    return "\n".join(out)


def _names_table(by_kind: dict[str, list[dict[str, Any]]]) -> list[str]:
    """Return a table of rooms in which only the strayed station was asked for, if there are any."""
    if not any(by_kind[f"{kind}{NAMES}"] for kind in KINDS):
        return []
    out = ["", "| rooms | n | the strayed one named | another one named | one of several said | put off by |"]
    out.append("|---|---|---|---|---|---|")
    for kind in KINDS:
        mine = by_kind[f"{kind}{NAMES}"]
        right = sum(one["strayed"] in one["named"] for one in mine)
        false = sum(any(k != one["strayed"] for k in one["named"]) for one in mine)
        put = [off for one in mine for k, off in zip(one["named"], one["put_off"], strict=True) if k == one["strayed"]]
        far = np.median(np.array(put).reshape(-1, 2), axis=0) if put else np.full(2, np.nan)
        told = f"{100.0 * far[0]:.1f} cm, {math.degrees(far[1]):.1f} degrees" if put else "-"
        out.append(f"| {kind} | {len(mine)} | {right} | {false} | {sum(bool(o['unsure']) for o in mine)} | {told} |")
    return [*out, ""]


def main(argv: Sequence[str] | None = None) -> None:
    """Run, or tell what is there."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=("run", "names", "table"), nargs="?", default="table")
    parser.add_argument("--rooms", type=int, default=30)
    parser.add_argument("--kinds", default=",".join(KINDS))
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED)
    parser.add_argument("--keep", type=Path, default=HERE, help="folder of the cache")
    parser.add_argument("--any-sources", action="store_true", help="tell figures of other sources, too")
    parser.add_argument("--smoke", action="store_true", help="one room, to see that it runs")
    options = parser.parse_args(argv)
    if options.smoke:
        print(table({("off", FIRST_SEED + 3): measure("off", FIRST_SEED + 3)}))
        return
    if options.what != "table":
        kinds = options.kinds.split(",")
        run(options.keep, kinds, options.rooms, options.what == "names", options.first_seed)
        return
    print(table(cached(options.keep, None if options.any_sources else sources_digest())))


if __name__ == "__main__":
    main()

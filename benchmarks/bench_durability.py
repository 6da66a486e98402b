"""What a batch loses when its processes are killed at random moments: nothing, or this says what.

    python benchmarks/bench_durability.py [--runs 200] [--kills 100]     # minutes
    python benchmarks/bench_durability.py --speed [--runs 1000] [--no-objects]   # only the time, minutes
    python benchmarks/bench_durability.py --smoke                        # seconds

A batch of small runs is mapped once undisturbed and once with SIGKILLs: each time the parent or one of its workers is
killed after a random wait, and the batch begun again once the parent is gone.  In the end everything in both folders
must be the same byte for byte, clock times apart.  Also told: the time of an undisturbed batch beside the sum of the
maps made one after the other in this process, by the clock and by the processors (children's resource usage), which
tells more where others use the machine too.
"""

from __future__ import annotations

import argparse
import csv
import json
import os
import random
import resource
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

from sonargrid.many.batch import JOURNAL
from sonargrid.many.journal import read_journal
from sonargrid.many.recipe import Recipe, Task
from sonargrid.many.run_list import listed_runs
from sonargrid.many.run_steps import RUN_TRADE
from sonargrid.many.workers import cores
from sonargrid.maps.evidence import MapSettings
from sonargrid.pipeline import Search

CLOCKS = ("took_s", "timing_s")
FLAGS = ("--solver", "additive", "--cell", "2cm", "--no-sheet", "-q")


def lay(folder: Path, count: int) -> Path:
    """Write small runs, all a little different."""
    for number in range(count):
        place = folder / f"run_{number:04d}"
        place.mkdir(parents=True)
        rows = (f"{angle},{50 + number % 40 + (angle * (number + 3)) % 7}\n" for angle in range(0, 181, 3))
        (place / "readings.csv").write_text("angle_deg,range_cm\n" + "".join(rows))
        (place / "run.toml").write_text('format = "sonargrid-run/1"\n[ranger]\nreach_m = 1.0\n')
    return folder


def start(runs: Path, out: Path, *more: str) -> subprocess.Popen[bytes]:
    """Begin, or go on with, a batch."""
    words = [sys.executable, "-m", "sonargrid_cli", "batch", str(runs), "-o", str(out), *FLAGS, *more]
    return subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def children(parent: int) -> list[int]:
    """Return the processes that a process began (Linux)."""
    found = []
    for place in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError, IndexError):
            if int(place.read_text().rpartition(")")[2].split()[1]) == parent:
                found.append(int(place.parent.name))
    return found


def without_clocks(value: Any) -> Any:
    """Return nested records without their times."""
    if isinstance(value, dict):
        return {key: without_clocks(one) for key, one in value.items() if key not in CLOCKS}
    return [without_clocks(one) for one in value] if isinstance(value, list) else value


def left_by(out: Path) -> Iterator[tuple[str, Any]]:
    """Yield (name, content without clock times) of everything that a batch left, its journal and locks apart."""
    for path in sorted(out.rglob("*")):
        if path.is_dir() or path.name == JOURNAL or path.name.startswith(".batch"):
            continue
        content = path.read_bytes()
        name = str(path.relative_to(out))
        if path.suffix == ".json":
            yield name, without_clocks(json.loads(content))
        elif path.name == "batch.csv":
            rows = list(csv.DictReader(content.decode().splitlines()))
            yield name, [without_clocks(row) for row in rows]
        else:
            yield name, content


def disturbed(runs: Path, out: Path, kills: int, total: int, rng: random.Random) -> tuple[int, int]:
    """Map a batch with kills and return how many parents and how many workers were killed."""
    parents = workers = 0
    while parents + workers < kills and len(read_journal(out / JOURNAL).entries) < total:
        process = start(runs, out)
        time.sleep(rng.uniform(0.2, 1.5))
        while process.poll() is None and parents + workers < kills:
            below = children(process.pid)
            if below and rng.random() < 0.5:
                with suppress(ProcessLookupError):
                    os.kill(rng.choice(below), signal.SIGKILL)
                    workers += 1
                time.sleep(rng.uniform(0.05, 0.6))
                continue
            process.kill()
            parents += 1
        process.wait()
    for _ in range(3):  # a run whose worker was killed twice is told as failed, and done when begun again
        if start(runs, out).wait() == 0:
            break
    return parents, workers


def processor_s(who: int) -> float:
    """Return the processor time of this process, or of all its children that have ended [s]."""
    used = resource.getrusage(who)
    return used.ru_utime + used.ru_stime


def timed(runs: Path, alone: Path, whole: Path, objects: bool) -> None:
    """Map every run in this process and then as a batch, and tell what the batch took against that."""
    recipe = Recipe(MapSettings(solver="additive", cell_m=0.02), Search() if objects else None)
    listed = listed_runs(runs)
    RUN_TRADE.whole(Task(listed[0], str(alone / "warm"), recipe))
    clock, used = time.perf_counter(), processor_s(resource.RUSAGE_SELF)
    for run in listed:
        RUN_TRADE.whole(Task(run, str(alone / run.name), recipe))
    one_clock, one_used = time.perf_counter() - clock, processor_s(resource.RUSAGE_SELF) - used
    clock, used = time.perf_counter(), processor_s(resource.RUSAGE_CHILDREN)
    assert start(runs, whole, *(() if objects else ("--no-objects",))).wait() == 0
    took, all_used = time.perf_counter() - clock, processor_s(resource.RUSAGE_CHILDREN) - used
    jobs = min(cores(), len(listed))
    print(f"{len(listed)} runs, {jobs} processes: {took:.1f} s; one after the other in one process {one_clock:.1f} s")
    print(f"processors: {all_used:.1f} s against {one_used:.1f} s")
    print(
        f"times the sum of the maps divided by the cores: {took / (one_clock / jobs):.2f} by the clock, "
        f"{all_used / one_used:.2f} by the processors"
    )


def main() -> None:
    """Kill, go on, compare, and say what came of it."""
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    ask.add_argument("--runs", type=int, default=200)
    ask.add_argument("--kills", type=int, default=100)
    ask.add_argument("--seed", type=int, default=7)
    ask.add_argument("--speed", action="store_true", help="only the time, no kills")
    ask.add_argument("--no-objects", action="store_true", help="with --speed: grids only")
    ask.add_argument("--smoke", action="store_true")
    asked = ask.parse_args()
    count, kills = (6, 3) if asked.smoke else (asked.runs, asked.kills)
    with tempfile.TemporaryDirectory() as work:
        runs, whole, out, alone = (Path(work) / name for name in ("runs", "whole", "out", "alone"))
        lay(runs, count)
        timed(runs, alone, whole, not asked.no_objects)
        if asked.speed:
            return
        parents, workers = disturbed(runs, out, kills, count, random.Random(asked.seed))
        print(f"killed: {parents} parents, {workers} workers")
        expected, found = dict(left_by(whole)), dict(left_by(out))
        other = sorted(name for name in expected.keys() | found.keys() if expected.get(name) != found.get(name))
        print(f"{len(expected)} files; different or missing: {len(other)} {other[:5]}")
        print(f"torn lines in the journal: {read_journal(out / JOURNAL).torn}")
        if other:
            raise SystemExit(1)


if __name__ == "__main__":
    main()

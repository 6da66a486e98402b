"""Work behind a scheduler: what a killed worker costs, whether results are those of one machine, and how it scales.

    python benchmarks/bench_machines.py [--runs 120] [--stations 40]     # minutes
    python benchmarks/bench_machines.py --smoke                          # seconds

A local scheduler with two workers maps a batch; after the first results one worker is killed (SIGKILL).  Told: the log,
how many runs were done more than once, and whether every file is that of a batch without machines.  Then one run of
many stations is summed, with a death again, and compared bit for bit.  At last the parts that more workers do not make
shorter are measured, and the time for more than two workers is worked out from them.
"""

from __future__ import annotations

import argparse
import math
import os
import resource
import signal
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
from bench_durability import lay, left_by
from distributed.protocol.pickle import dumps, loads

from sonargrid.many.batch import finish, plan
from sonargrid.many.machines import RUNS_A_TASK, Machines, reach
from sonargrid.many.pieces import Watched
from sonargrid.many.recipe import Recipe, Task
from sonargrid.many.run_list import listed_runs
from sonargrid.many.run_steps import RUN_TRADE, ReadRun, do_run, read_run, write_run
from sonargrid.many.workers import Ready, Trade
from sonargrid.maps.additive import Part, part_window
from sonargrid.maps.evidence import MapSettings
from sonargrid.maps.kernels import Window
from sonargrid.maps.mapping import map_run
from sonargrid.runs.readings import Ranger, Readings, Run, Station

RECIPE = Recipe(MapSettings(solver="additive", cell_m=0.02))
WORKERS = (1, 2, 4, 8, 16, 32, 64, 128)


def logged_do(read: ReadRun) -> tuple[int, Any]:
    """Do a run and leave a mark that it was begun, and where."""
    folder = Path(read.task.out).parent.parent / "begun"
    (folder / f"{read.task.run.name}-{os.getpid()}-{time.time_ns()}").touch()
    return os.getpid(), do_run(read)


def logged_write(done: tuple[int, Any]) -> Any:
    """Write a run and keep the number of the process that did it."""
    return {**write_run(done[1]), "process": done[0]}


LOGGED = Trade(read_run, logged_do, logged_write)


def processor_s() -> float:
    """Return the processor time of this process and of its children that have ended [s]."""
    used = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(one.ru_utime + one.ru_stime for one in used)


def killed_batch(work: Path, runs: Path) -> bool:
    """Map a batch on two workers, kill one and tell the log; True where every file is as it should be."""
    whole, out = work / "whole", work / "out"
    (work / "begun").mkdir()
    start = time.perf_counter()
    finish(plan(listed_runs(runs), whole, RECIPE), whole, 2)
    print(f"without machines, two processes: {time.perf_counter() - start:.1f} s")
    tasks = plan(listed_runs(runs), out, RECIPE)
    first: list[int] = []
    begun_at = time.time()

    def told(line: dict[str, Any]) -> None:
        if not first:
            first.append(line["process"])
            print(f"{time.time() - begun_at:6.2f} s  first results, from process {first[0]}; it is killed now")
            with suppress(ProcessLookupError):
                os.kill(first[0], signal.SIGKILL)

    with reach("local", 2) as machines:
        begun_at = time.time()
        lines = finish(tasks, out, 2, watched=Watched(told), hire=lambda _: machines.hire(LOGGED))
        took = time.time() - begun_at
        for event in machines.log():
            if event["at"] >= begun_at:
                words = f"with {event['unfinished']} unfinished tasks" if event["what"] == "lost" else ""
                print(f"{event['at'] - begun_at:6.2f} s  worker {event['worker']} {event['what']} {words}")
    from_it = sum(line["process"] == first[0] for line in lines)
    begun = Counter(path.name.partition("-")[0] for path in (work / "begun").iterdir())
    again = [name for name, count in begun.items() if count > 1]
    done = sum(line["status"] == "done" for line in lines)
    print(f"{took:6.2f} s  all {done} of {len(tasks)} done; {from_it} came from the killed one and stand")
    print(f"begun more than once: {len(again)} runs (a task holds {min(RUNS_A_TASK, len(tasks) // 2)})")
    expected, found = dict(left_by(whole)), dict(left_by(out))
    for content in (*found.pop("batch.json")["runs"], *expected.pop("batch.json")["runs"]):
        content.pop("process", None)
    other = sorted(name for name in expected.keys() | found.keys() if expected.get(name) != found.get(name))
    print(f"{len(expected)} files; different from those of one machine: {len(other)} {other[:4]}")
    return not other and done == len(tasks) and len(again) <= RUNS_A_TASK


def big_run(stations: int) -> Run:
    """Return a run of many parked stations with a half circle each, which overlap."""
    rng = np.random.default_rng(5)
    side = math.ceil(math.sqrt(stations))
    places = tuple(
        Station(f"S{n}", 0.8 * (n % side), 0.8 * (n // side), rng.uniform(-math.pi, math.pi)) for n in range(stations)
    )
    angle = np.tile(np.arange(0.0, 181.0), 4 * stations)
    where = np.repeat(np.arange(stations), angle.size // stations)
    ranges = np.rint(rng.uniform(300.0, 2900.0, angle.size))
    none = np.zeros(angle.size)
    rows = Readings("angle_deg", "range_mm", angle, ranges, where, none, none + 1)
    return Run(rows, stations=places, ranger=Ranger(half_beam_rad=math.radians(15.0), reach_m=3.0))


def killed_sum(stations: int) -> tuple[bool, dict[str, float]]:
    """Sum one run on two workers of which one dies; return whether the grid is the same bit for bit, and the cost."""
    run, chosen = big_run(stations), MapSettings(solver="additive", cell_m=0.01, beam="piston")
    start = time.process_time()
    here = map_run(run, chosen).grid
    alone = time.process_time() - start
    parts: list[Part] = []

    def kept(some: Iterator[Part]) -> Iterator[Window | None]:
        for part in some:
            parts.append(part)
            yield part_window(part)

    map_run(run, chosen, elsewhere=kept)
    with reach("local", 2) as machines:
        victim = machines._client.run(os.getpid)

        def with_a_death(some: Iterator[Part]) -> Iterator[Window | None]:
            for number, window in enumerate(machines.sums(some)):
                if number == 1:
                    os.kill(next(iter(victim.values())), signal.SIGKILL)
                yield window

        start = time.process_time()
        there = map_run(run, chosen, elsewhere=with_a_death).grid
        driver = time.process_time() - start
        lost = sum(event["what"] == "lost" for event in machines.log())
    same = there.log_odds.tobytes() == here.log_odds.tobytes() and there.touched.tobytes() == here.touched.tobytes()
    print(f"one run, {stations} stations, {len(run.readings)} readings, {here.log_odds.size} cells, piston beam:")
    print(f"  workers lost: {lost}; grid the same bit for bit: {same}")
    sent = sum(len(dumps(part)) for part in parts)
    cost = {"alone": alone, "driver": driver, "sent": sent / 1e6}
    print(f"  one process {alone:.2f} s; with machines the driver itself {driver:.2f} s; sent {sent / 1e6:.1f} MB")
    return same, cost


def measured_parts(work: Path, runs: Path, machines: Machines) -> dict[str, float]:
    """Return what one run costs driver and worker, in processor seconds and bytes, and what a task costs beside."""
    tasks = [Task(run, str(work / "parts" / run.name), RECIPE) for run in listed_runs(runs)]
    RUN_TRADE.whole(Task(tasks[0].run, str(work / "warm"), RECIPE))
    start = time.process_time()
    reads = [got for got in map(read_run, tasks) if not isinstance(got, Ready)]
    read = time.process_time()
    done = [do_run(one) for one in reads]
    did = time.process_time()
    sent = dumps(reads)
    back = dumps(done)
    loads(back)
    packed = time.process_time()
    for one in done:
        write_run(one)
    wrote = time.process_time()
    crew = machines.hire(Trade(abs, abs, abs))
    count = 40 * RUNS_A_TASK
    before = time.process_time()
    assert len(dict(crew.results(range(count)))) == count
    task = (time.process_time() - before) / (count / RUNS_A_TASK)
    number = len(tasks)
    return {
        "read": (read - start) / number,
        "do": (did - read) / number,
        "pack": (packed - did) / number,
        "write": (wrote - packed) / number,
        "task": task,
        "sent": len(sent) / number,
        "back": len(back) / number,
    }


def tell_model(part: dict[str, float], count: int = 1000) -> None:
    """Print the measured parts and the time that they foretell for more workers."""
    driver = part["read"] + part["pack"] + part["write"] + part["task"] / RUNS_A_TASK
    print("processor time of one small run, milliseconds:")
    print(f"  worker: doing {1e3 * part['do']:.1f}")
    print(
        f"  driver: reading {1e3 * part['read']:.2f}, packing {1e3 * part['pack']:.2f}, writing "
        f"{1e3 * part['write']:.2f}, its share of a task {1e3 * part['task'] / RUNS_A_TASK:.2f}; "
        f"together {1e3 * driver:.2f}"
    )
    print(f"  bytes: {part['sent']:.0f} there, {part['back']:.0f} back")
    print(f"T(W) = max(n driver, ceil(n / (b W)) b worker) + b driver, n = {count} runs, b = {RUNS_A_TASK} a task")
    for workers in WORKERS:
        bundles = math.ceil(count / (RUNS_A_TASK * workers))
        whole = max(count * driver, bundles * RUNS_A_TASK * part["do"]) + RUNS_A_TASK * driver
        alone = count * (part["read"] + part["do"] + part["write"])
        print(f"  {workers:4} workers: {whole:7.1f} s for {count} runs, {alone / whole:5.1f} times one process")
    print(f"  more than {part['do'] / driver:.0f} workers wait for the driver")


def main() -> None:
    """Kill, compare, measure, and say what came of it."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--runs", type=int, default=120)
    ask.add_argument("--stations", type=int, default=40)
    ask.add_argument("--smoke", action="store_true")
    asked = ask.parse_args()
    count, stations = (4, 4) if asked.smoke else (asked.runs, asked.stations)
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder)
        runs = lay(work / "runs", count)
        well = killed_batch(work, runs)
        same, _ = killed_sum(stations)
        for workers in (2,) if asked.smoke else (1, 2):
            out = work / f"by_{workers}"
            start, used = time.perf_counter(), processor_s()
            with reach("local", workers) as machines:
                ready = time.perf_counter()
                finish(plan(listed_runs(runs), out, RECIPE), out, workers, hire=machines.hire)
                end = time.perf_counter()
                if workers == 2:
                    part = measured_parts(work, runs, machines)
            print(
                f"{count} runs, {workers} worker{'s' if workers > 1 else ''}: start {ready - start:.1f} s, work "
                f"{end - ready:.1f} s of the clock"
                + (f", {processor_s() - used:.1f} s of processors in all" if workers == 1 else "")
            )
        tell_model(part)
    if not (well and same):
        raise SystemExit(1)


if __name__ == "__main__":
    main()

"""How often `check` finds what is wrong, and how often it cries wolf: `python benchmarks/bench_check.py [--smoke]`.

    python benchmarks/bench_check.py faults [SEEDS]          # each fault of `faulty_runs`, weak and gross
    python benchmarks/bench_check.py clean [CLASS SEEDS]     # runs on which nothing is wrong, by class

Classes: `bench` (faulty_runs.clean_run) and those of `worlds`; in nasty, other_one and other_room the simulator's own
faults are on, so there findings are not false alarms by themselves.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import replace

import worlds
from faulty_runs import FAULTS, STATED, clean_run

from sonargrid.bench.check_findings import RunCheck
from sonargrid.bench.run_check import check_run
from sonargrid.runs.readings import Run

CLEAN = ("bench", "one_position", "room", "pose", "any_size", "with_empty")
FIRST_SEED = 70_000  # rules were set on seeds below


def ids_of(check: RunCheck, severities: tuple[str, ...] = ("fault", "warning")) -> set[str]:
    """Return the names of what was found."""
    return {finding.id for finding in check.findings if finding.severity in severities}


def detection(name: str, seeds: range, strength: float) -> tuple[int, int]:
    """Return how often a provoked fault was named, and how often the run was called unfit."""
    found = unfit = 0
    for seed in seeds:
        check = check_run(FAULTS[name].make(seed, strength))
        found += FAULTS[name].finding in ids_of(check)
        unfit += not check.fit
    return found, unfit


def maker(class_name: str) -> Callable[[int], Run]:
    """Return what makes the runs of a class."""
    if class_name == "bench":
        return clean_run
    return lambda seed: replace(worlds.make(class_name, seed).run, origins=STATED)


def alarms(class_name: str, seeds: range) -> tuple[int, Counter[str], list[int]]:
    """Return how many runs were called unfit, how often each finding came up, and the seeds of the unfit."""
    make, told, unfit = maker(class_name), Counter[str](), []
    for seed in seeds:
        check = check_run(make(seed))
        told.update(f"{finding.severity} {finding.id}" for finding in check.findings if finding.severity != "note")
        if not check.fit:
            unfit.append(seed)
    return len(unfit), told, unfit


def main() -> None:
    """Print detection and false alarms."""
    words = [word for word in sys.argv[1:] if word != "--smoke"]
    smoke = "--smoke" in sys.argv
    if not words or words[0] == "faults":
        count = 2 if smoke else int(words[1]) if len(words) > 1 else 20
        for name, kind in FAULTS.items():
            began = time.perf_counter()
            told = [detection(name, range(FIRST_SEED, FIRST_SEED + count), strength) for strength in (0.0, 0.5, 1.0)]
            shown = ", ".join(f"{found}/{count}" for found, _ in told)
            print(
                f"| {name} | {kind.finding} | {shown} | {sum(u for _, u in told)}/{3 * count} | "
                f"{time.perf_counter() - began:.1f} s",
                flush=True,
            )
    if not words or words[0] == "clean":
        count = 2 if smoke else int(words[2]) if len(words) > 2 else 60
        for name in words[1:2] or CLEAN:
            began = time.perf_counter()
            unfit, told, seeds = alarms(name, range(FIRST_SEED, FIRST_SEED + count))
            listed = ", ".join(f"{n} {what}" for what, n in told.most_common())
            print(
                f"| {name} | {count} | {unfit} | {listed or 'none'} | {seeds} {time.perf_counter() - began:.0f} s",
                flush=True,
            )


if __name__ == "__main__":
    main()

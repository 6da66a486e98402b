"""What is passed on: the time of a report against its map, the size of the page, of a film and of the notebooks.

    python benchmarks/bench_report.py [--smoke]

The run is the shipped one of four stations.  Times are processor time, best of some, interleaved; once within one
process (imports paid before), once as whole processes.  The film has 181 readings of one sweep.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from sonargrid.drawing.sweep_film import sweep_film
from sonargrid.pipeline import Output, map_to_folder
from sonargrid.results.displays import map_html
from sonargrid.results.report import report_page
from sonargrid.results.report_data import read_report
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Readings, Run
from sonargrid.runs.run_files import load_run
from sonargrid.runs.samples import find_sample

SAMPLE = "potting_bench"
MOST_TIMES_MAP, MOST_PAGE, MOST_FILM = 2.0, 1_500_000, 2_000_000


def best(work: Callable[[], object], rounds: int) -> float:
    """Return the least processor time of some rounds [s]."""
    took = []
    for _ in range(rounds):
        start = time.process_time()
        work()
        took.append(time.process_time() - start)
    return min(took)


def in_one_process(folder: Path, rounds: int) -> tuple[float, float, int]:
    """Return the time of a map, of its report [s], and the size of the page [bytes]."""
    run = load_run(find_sample(SAMPLE))
    out = folder / "one"
    page = [b""]

    def report() -> None:
        page[0] = report_page([read_report(out)]).encode("utf-8")

    map_to_folder(run, output=Output(out))
    report()  # imports and fonts are paid here
    maps, reports = [], []
    for _ in range(rounds):
        maps.append(best(lambda: map_to_folder(load_run(find_sample(SAMPLE)), output=Output(out)), 1))
        reports.append(best(report, 1))
    return min(maps), min(reports), len(page[0])


def as_processes(folder: Path, rounds: int) -> tuple[float, float]:
    """Return the processor time of a `map` and of its `report` as whole processes [s]."""
    env = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    out, page = str(folder / "two"), str(folder / "two.html")
    commands = (["map", "--sample", SAMPLE, "-o", out, "-q"], ["report", out, "-o", page, "-q"])
    took: list[list[float]] = [[], []]
    for _ in range(rounds):
        for at, words in enumerate(commands):
            before = resource.getrusage(resource.RUSAGE_CHILDREN)
            subprocess.run([sys.executable, "-m", "sonargrid_cli", *words], check=True, env=env)
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            took[at].append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return min(took[0]), min(took[1])


def film_run() -> Run:
    """Return 181 readings of one sweep past two things before a far wall."""
    angles = np.arange(181.0)
    ranges = np.where(abs(angles - 60) < 22, 0.45, np.where(abs(angles - 125) < 20, 0.7, np.inf))
    none = np.zeros(181, dtype=int)
    return Run(Readings("angle_deg", "range_m", angles, ranges, none, none, none + 1), title="One sweep")


def main(words: list[str]) -> int:
    smoke = "--smoke" in words
    rounds = 1 if smoke else 5
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        made, told, size = in_one_process(folder, rounds)
        print(f"within one process: map {made:.3f} s, report {told:.3f} s, {told / made:.2f} times its map")
        alone = as_processes(folder, rounds)
        print(f"as processes: map {alone[0]:.3f} s, report {alone[1]:.3f} s, {alone[1] / alone[0]:.2f} times its map")
        print(f"the page: {size / 1e6:.2f} MB")
    run = film_run()
    sizes = {how: len(sweep_film(run, calibrated(run), how=how)) for how in ("GIF", "WEBP")}
    print("film of 181 readings: " + ", ".join(f"{how} {size / 1e6:.2f} MB" for how, size in sizes.items()))
    from sonargrid.maps.mapping import build_map

    shown = map_html(build_map(load_run(find_sample(SAMPLE))))
    print(f"a map in a notebook: {len(shown) / 1e6:.2f} MB")
    well = size < MOST_PAGE and max(sizes.values()) < MOST_FILM
    well = well and (smoke or max(told / made, alone[1] / alone[0]) < MOST_TIMES_MAP)
    print("within what is asked" if well else "NOT within what is asked")
    return 0 if well else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

"""What a long log costs, beside the barest parser: numpy.loadtxt on the same file, each in a process of its own.

``python benchmarks/bench_big_runs.py [--smoke] [--keep FOLDER]`` prints processor time, time on the clock and the peak
of memory above what the imports took, for 1e5, 1e6 and 1e7 readings of eight stations; asv finds the class.
"""

from __future__ import annotations

import argparse
import gzip
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

from sonargrid.maps.evidence import MapSettings
from sonargrid.pipeline import Output, map_to_folder
from sonargrid.runs.run_files import load_run

STATIONS = 8
BLOCK = 200_000  # rows written at a time
RUN_TOML = 'format = "sonargrid-run/1"\n[ranger]\nhalf_beam_deg = 15\n'
# kind of file -> its header, how a row is written, the type that loadtxt reads it with
KINDS: dict[str, tuple[str, str, Any]] = {
    "whole numbers": ("station,angle_deg,range_mm", "{s},{a},{mm}", np.int64),
    "whole numbers, gzip": ("station,angle_deg,range_mm", "{s},{a},{mm}", np.int64),
    "names of stations": ("station,angle_deg,range_mm", "bay{s},{a},{mm}", "S8,i8,i8"),
    "decimals": ("station,angle_deg,range_m", "{s},{a},{m:.3f}", np.float64),
    "every tenth silent": ("station,angle_deg,range_mm", "{s},{a},{mm_or_empty}", None),
    "echo times": ("station,angle_deg,echo_us", "{s},{a},{us}", np.int64),
}
# a room: ranges by bearing with 4 mm of noise; any: every range as likely, which is the most different readings
RANGES = ("room", "any")


def _ranges(which: str, rows: int) -> Iterator[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """Yield (station, angle [deg], range [mm]) of up-sweeps, some rows at a time."""
    rng = np.random.default_rng(1)
    room = np.repeat(rng.integers(200, 1200, (STATIONS, 19)), 10, axis=1)[:, :181]
    for at in range(0, rows, BLOCK):
        row = np.arange(at, min(rows, at + BLOCK))
        station, angle = row * STATIONS // rows, row % 181
        if which == "any":
            yield station, angle, rng.integers(30, 1000, row.size)
        else:
            yield station, angle, room[station, angle] + np.rint(rng.normal(0.0, 4.0, row.size)).astype(np.int64)


def write_run(folder: Path, kind: str, rows: int, which: str = "room") -> Path:
    """Write a run's folder, if it is not there yet, and return the path of its readings."""
    header, row, _ = KINDS[kind]
    place = folder / f"{kind.replace(' ', '_').replace(',', '')}_{which}_{rows}"
    path = place / ("readings.csv.gz" if kind.endswith("gzip") else "readings.csv")
    if path.exists():
        return path
    place.mkdir(parents=True)
    name = row.partition(",")[0]
    toml = RUN_TOML
    for i in range(STATIONS):
        toml += f'[[station]]\nname = "{name.format(s=i + 1)}"\nx_m = {i % 4 * 0.5}\ny_m = {i // 4 * 0.7}\n'
        toml += f"heading_deg = {i * 45}\n"
    (place / "run.toml").write_text(toml)
    part = path.with_suffix(".part")
    with gzip.open(part, "wb", 6) if kind.endswith("gzip") else open(part, "wb") as file:
        file.write(f"{header}\n".encode())
        for station, angle, mm in _ranges(which, rows):
            cells = zip((station + 1).tolist(), angle.tolist(), mm.tolist(), strict=True)
            lines = (
                row.format(s=s, a=a, mm=r, m=r / 1e3, mm_or_empty=r if r % 10 else "", us=round(r * 5.83))
                for s, a, r in cells
            )
            file.write(("\n".join(lines) + "\n").encode())
    part.rename(path)
    return path


def bare(path: Path, kind: str) -> None:
    """Read a file as plainly as numpy can."""
    np.loadtxt(path, dtype=KINDS[kind][2], delimiter=",", skiprows=1)


def bare_16(path: Path, kind: str) -> None:
    """Read a file of small whole numbers into the narrowest type that holds them."""
    np.loadtxt(path, dtype=np.int16, delimiter=",", skiprows=1)


def read(path: Path, kind: str) -> None:
    """Read a run, digest included, as the map of a sum of evidence needs it."""
    load_run(path.parent, count_repeats=True)


def every_reading(path: Path, kind: str) -> None:
    """Read a run and keep every reading."""
    load_run(path.parent)


def mapped(path: Path, kind: str) -> None:
    """Do what ``map --solver additive --no-objects`` does."""
    run = load_run(path.parent, count_repeats=True)
    with tempfile.TemporaryDirectory() as folder:
        map_to_folder(run, MapSettings(solver="additive").named(), None, Output(folder=Path(folder) / "out"))


def digest(path: Path, kind: str) -> None:
    """Make the digest of a file and nothing else."""
    import hashlib

    whole = hashlib.sha256()
    with open(path, "rb", buffering=0) as file:
        while piece := file.read(1 << 18):
            whole.update(piece)


WORK: dict[str, Callable[[Path, str], None]] = {
    "loadtxt": bare,
    "loadtxt, 16 bits": bare_16,
    "read": read,
    "map": mapped,
    "digest": digest,
    "every reading": every_reading,
}


def _peak_mb() -> float:
    """Return the peak of this process's memory; what getrusage says may still be that of the process it came from."""
    status = Path("/proc/self/status")
    lines = status.read_text().splitlines() if status.exists() else []
    own = [int(line.split()[1]) for line in lines if line.startswith("VmHWM:")]
    return (own[0] if own else resource.getrusage(resource.RUSAGE_SELF).ru_maxrss) / 1024.0


def child(work: str, path: str, kind: str) -> None:
    """Do one piece of work in this process and print what it took as JSON."""
    import sonargrid.drawing.pictures
    import sonargrid.drawing.raster  # noqa: F401

    base = _peak_mb()
    clock, processor = time.perf_counter(), time.process_time()
    WORK[work](Path(path), kind)
    spent = {"clock_s": time.perf_counter() - clock, "processor_s": time.process_time() - processor}
    print(json.dumps({**spent, "peak_mb": _peak_mb() - base}))


def _in_child(work: str, path: Path, kind: str) -> dict[str, float]:
    done = subprocess.run(
        [sys.executable, __file__, "--child", work, str(path), kind], stdout=subprocess.PIPE, check=True, text=True
    )
    told: dict[str, float] = json.loads(done.stdout)
    return told


def _whole(words: list[str], folder: Path) -> tuple[float, float]:
    """Return (processor time, time on the clock) of a whole process [s]."""
    before, clock = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    subprocess.run(words, check=True, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    clock, after = time.perf_counter() - clock, resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, clock


def _best(rounds: list[dict[str, float]], name: str) -> float:
    return min(one[name] for one in rounds)


def table(folder: Path, cases: list[tuple[str, str, int]], rounds: int) -> None:
    """Print one line a case: the shortest times of some rounds, taken turn about, and the largest peaks."""
    print("| file | ranges | readings | MB | loadtxt s | read | map | digest | map, clock | peak MB: loadtxt | map |")
    print("|---|---|---|---|---|---|---|---|---|---|---|")
    for kind, which, rows in cases:
        path = write_run(folder, kind, rows, which)
        plain = (path, kind)
        if KINDS[kind][2] is None:  # loadtxt knows no empty cells: the same numbers without them stand in
            plain = (write_run(folder, "whole numbers", rows, which), "whole numbers")
        took: dict[str, list[dict[str, float]]] = {name: [] for name in ("loadtxt", "read", "map", "digest")}
        for _ in range(rounds):
            for name, some in took.items():
                some.append(_in_child(name, *(plain if name == "loadtxt" else (path, kind))))
        least, clock = (_best(took["loadtxt"], name) for name in ("processor_s", "clock_s"))
        ratio = {name: _best(took[name], "processor_s") / least for name in ("read", "map", "digest")}
        peak = {name: max(one["peak_mb"] for one in took[name]) for name in ("loadtxt", "map")}
        print(
            f"| {kind} | {which} | {rows:.0e} | {path.stat().st_size / 1e6:.0f} | {least:.3f} | {ratio['read']:.2f} | "
            f"{ratio['map']:.2f} | {ratio['digest']:.2f} | {_best(took['map'], 'clock_s') / clock:.2f} | "
            f"{peak['loadtxt']:.0f} | {peak['map']:.0f} |",
            flush=True,
        )


def narrow(folder: Path, rows: int, rounds: int) -> None:
    """Print how the map compares with loadtxt into the narrowest type, and what keeping every reading costs."""
    path = write_run(folder, "whole numbers", rows, "any")
    names = ("loadtxt, 16 bits", "map", "every reading")
    took: dict[str, list[dict[str, float]]] = {name: [] for name in names}
    for _ in range(rounds):
        for name, some in took.items():
            some.append(_in_child(name, path, "whole numbers"))
    least, whole, kept = (_best(took[name], "processor_s") for name in names)
    peak = max(one["peak_mb"] for one in took["every reading"])
    print(
        f"loadtxt into 16 bits {least:.3f} s: map {whole / least:.2f} times; "
        f"every reading kept {kept / least:.2f} times, {peak:.0f} MB"
    )


def whole_processes(folder: Path, which: str, rows: int, rounds: int) -> None:
    """Print how the whole command compares with a whole process that only loads the file."""
    path = write_run(folder, "whole numbers", rows, which)
    loads = f"import numpy; numpy.loadtxt({str(path)!r}, dtype=int, delimiter=',', skiprows=1)"
    out = folder / "out"
    maps = [sys.executable, "-m", "sonargrid_cli", "map", str(path.parent), "--solver", "additive", "--no-objects"]
    times: list[list[tuple[float, float]]] = [[], []]
    for _ in range(rounds):
        shutil.rmtree(out, ignore_errors=True)
        times[0].append(_whole([sys.executable, "-c", loads], folder))
        times[1].append(_whole([*maps, "-o", str(out)], folder))
    shutil.rmtree(out, ignore_errors=True)
    (one, one_clock), (two, two_clock) = ([min(x) for x in zip(*some, strict=True)] for some in times)
    print(
        f"whole processes, ranges of {which}, {rows} readings: loadtxt {one:.2f} s ({one_clock:.2f} on the clock), "
        f"map {two:.2f} s ({two_clock:.2f}): {two / one:.2f} times ({two_clock / one_clock:.2f})"
    )


class TimeBigRuns:
    """asv: a million readings of eight stations, from the files to a map."""

    params = tuple(KINDS)
    param_names = ("file",)

    def setup(self, kind: str) -> None:
        self.folder = Path(tempfile.mkdtemp())
        self.path = write_run(self.folder, kind, 1_000_000)

    def teardown(self, _kind: str) -> None:
        shutil.rmtree(self.folder)

    def time_map(self, kind: str) -> None:
        mapped(self.path, kind)

    def time_read(self, kind: str) -> None:
        read(self.path, kind)

    def time_bare_loadtxt(self, kind: str) -> None:
        if KINDS[kind][2] is not None:
            bare(self.path, kind)

    def peakmem_map(self, kind: str) -> None:
        mapped(self.path, kind)


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--smoke", action="store_true", help="small files, one round")
    parser.add_argument("--keep", type=Path, help="where the files lie, and stay")
    parser.add_argument("--child", nargs=3, metavar=("WORK", "PATH", "KIND"), help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.child:
        child(*asked.child)
        return
    sizes, rounds = ((2_000, 20_000), 1) if asked.smoke else ((100_000, 1_000_000, 10_000_000), 5)
    print(
        f"{os.cpu_count()} processors, load {os.getloadavg()[0]:.1f}; shortest of {rounds}, taken turn about, each in "
        "a process of its own, imports left out; read, map, digest: processor time as times of loadtxt's"
    )
    folder = asked.keep or Path(tempfile.mkdtemp())
    try:
        cases = [("whole numbers", which, rows) for which in RANGES for rows in sizes]
        cases += [("whole numbers, gzip", "room", sizes[-1])]
        cases += [(kind, "room", sizes[1]) for kind in list(KINDS)[2:]]
        table(folder, cases, rounds)
        narrow(folder, sizes[-1], rounds)
        for which in RANGES:
            whole_processes(folder, which, sizes[-1], rounds)
    finally:
        if asked.keep is None:
            shutil.rmtree(folder)


if __name__ == "__main__":
    main()

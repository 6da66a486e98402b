"""How long reading a run takes, beside the barest parser: numpy.loadtxt on the same columns, in the same process.

asv finds the classes; by hand, ``python benchmarks/bench_ingest.py`` prints the ratios.
"""

from __future__ import annotations

import shutil
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from sonargrid.csv_rescan import rescan
from sonargrid.csv_rows import read_header
from sonargrid.run_files import load_run, read_readings
from sonargrid.run_input import read_input

ROWS = 1_000_000
FILES = {
    # name: header, how a row is written, columns that the bare parser reads, their type
    "angle and millimetres": ("angle_deg,range_mm", "{a},{mm}", (0, 1), np.int64),
    "three whole columns": ("sweep,angle_deg,range_mm", "{s},{a},{mm}", (0, 1, 2), np.int64),
    "a station's name, too": ("station,sweep,angle_deg,range_mm", "A,{s},{a},{mm}", (1, 2, 3), np.int64),
    "decimals": ("angle_deg,range_m", "{a},{m:.3f}", (0, 1), np.float64),
    "every tenth cell empty": ("angle_deg,range_mm", "{a},{mm_or_empty}", None, None),
}


def write(folder: Path, name: str, rows: int = ROWS) -> Path:
    """Write a readings CSV of up-sweeps and return its path."""
    header, row, _, _ = FILES[name]
    mm = np.random.default_rng(1).integers(30, 1000, rows).tolist()
    lines = (
        row.format(s=i // 181, a=i % 181, mm=r, m=r / 1000.0, mm_or_empty="" if r % 10 == 0 else r)
        for i, r in enumerate(mm)
    )
    path = folder / f"{name.replace(' ', '_')}.csv"
    path.write_text("\n".join([header, *lines]) + "\n")
    return path


def bare(path: Path, name: str) -> None:
    """Read the numbers of a file as fast as numpy can."""
    _, _, columns, dtype = FILES[name]
    np.loadtxt(path, dtype=dtype, delimiter=",", skiprows=1, usecols=columns)


class TimeIngest:
    """asv: one million rows from a file to a `Run`, digest included, and the parts of that."""

    params = tuple(FILES)
    param_names = ("file",)

    def setup(self, name: str) -> None:
        self.folder = Path(tempfile.mkdtemp())
        self.path = write(self.folder, name)
        self.content = self.path.read_bytes()

    def teardown(self, _name: str) -> None:
        shutil.rmtree(self.folder)

    def time_load_run(self, _name: str) -> None:
        load_run(self.path)

    def time_parse(self, _name: str) -> None:
        read_readings(read_input(str(self.path)), "readings.csv")

    def time_bare_loadtxt(self, name: str) -> None:
        if FILES[name][3] is not None:
            bare(self.path, name)

    def time_row_by_row(self, _name: str) -> None:
        rescan(self.content, read_header(self.content, "readings.csv"), (), "readings.csv")


def _seconds(work: Callable[[], object], others: Callable[[], object], rounds: int = 7) -> tuple[float, float]:
    """Return the medians of two pieces of work, taken turn about so that a busy machine slows both."""
    times: tuple[list[float], list[float]] = ([], [])
    for _ in range(rounds):
        for place, piece in enumerate((work, others)):
            start = time.perf_counter()
            piece()
            times[place].append(time.perf_counter() - start)
    return statistics.median(times[0]), statistics.median(times[1])


def main() -> None:
    """Print each file's times and ratios."""
    print(f"{ROWS} rows; bare = numpy.loadtxt of the same columns; medians of 7, taken turn about")
    with tempfile.TemporaryDirectory() as folder:
        base = write(Path(folder), "angle and millimetres")
        for name, (_, _, columns, _) in FILES.items():
            path = write(Path(folder), name)
            known = name if columns is not None else "angle and millimetres"
            source = path if columns is not None else base
            whole, least = _seconds(lambda p=path: load_run(p), lambda s=source, k=known: bare(s, k))  # type: ignore[misc]
            parse = _seconds(lambda p=path: read_readings(read_input(str(p)), "a.csv"), lambda: None, 3)[0]  # type: ignore[misc]
            print(
                f"{name:24s} load_run {whole * 1e3:6.0f} ms = {whole / least:4.2f} x bare ({least * 1e3:.0f} ms); "
                f"parsing alone {parse / least:4.2f} x"
            )
        content = base.read_bytes()
        slow = _seconds(lambda: rescan(content, read_header(content, "a.csv"), (), "a.csv"), lambda: None, 1)[0]
        print(f"row by row (a file with something odd in it): {slow * 1e3:.0f} ms")


if __name__ == "__main__":
    main()

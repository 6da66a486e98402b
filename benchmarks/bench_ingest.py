"""How long reading a run takes, beside the barest parser: numpy.loadtxt on the same columns, in the same process.

asv finds the classes; by hand, ``python benchmarks/bench_ingest.py [--smoke]`` prints the ratios.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import numpy as np

from sonargrid.runs.csv_blocks import read_readings
from sonargrid.runs.csv_rescan import rescan
from sonargrid.runs.csv_rows import read_header
from sonargrid.runs.run_files import load_run
from sonargrid.runs.run_input import content_pieces

ROWS, SMOKE_ROWS = 1_000_000, 20_000
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
        _parse(self.path)

    def time_bare_loadtxt(self, name: str) -> None:
        if FILES[name][3] is not None:
            bare(self.path, name)

    def time_row_by_row(self, _name: str) -> None:
        _row_by_row(self.content)


def _seconds(pieces: Sequence[Callable[[], object]], rounds: int = 9) -> list[float]:
    """Return the shortest time of each piece of work, taken turn about: what a busy machine adds is left out."""
    times: list[list[float]] = [[] for _ in pieces]
    for _ in range(rounds):
        for spent, piece in zip(times, pieces, strict=True):
            start = time.perf_counter()
            piece()
            spent.append(time.perf_counter() - start)
    return [min(spent) for spent in times]


def main() -> None:
    """Print each file's times and ratios."""
    rows = SMOKE_ROWS if "--smoke" in sys.argv[1:] else ROWS
    print(f"{rows} rows; bare = numpy.loadtxt of the same columns; shortest of 9, taken turn about")
    with tempfile.TemporaryDirectory() as folder:
        base = write(Path(folder), "angle and millimetres", rows)
        for name, (_, _, columns, _) in FILES.items():
            path = write(Path(folder), name, rows)
            known, source = (name, path) if columns is not None else ("angle and millimetres", base)
            whole, parse, least = _seconds(
                (
                    partial(load_run, path),
                    partial(_parse, path),
                    partial(bare, source, known),
                )
            )
            print(
                f"{name:24s} load_run {whole * 1e3:6.0f} ms = {whole / least:5.2f} x bare ({least * 1e3:.0f} ms); "
                f"parsing alone {parse / least:5.2f} x"
            )
        content = base.read_bytes()
        (slow,) = _seconds((partial(_row_by_row, content),), 2)
        print(f"row by row (a file with something odd in it): {slow * 1e3:.0f} ms")


def _parse(path: Path) -> None:
    read_readings(content_pieces(str(path), len), "readings.csv")


def _row_by_row(content: bytes) -> None:
    rescan(content, read_header(content, "readings.csv"), (), "readings.csv")


if __name__ == "__main__":
    main()

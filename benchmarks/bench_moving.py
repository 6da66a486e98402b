"""How fast a moving robot's readings become a map, as ratios in one run; and what memory large floors need.

    python benchmarks/bench_moving.py            all figures, about three minutes
    python benchmarks/bench_moving.py --smoke    a few seconds, to see that it runs

Work: 200 000 readings, a pose each, gaussian beam of 15 degrees half width, 1 m reach, 1 cm cells, `touched` included,
on a floor of 40 m x 40 m (64 MB of log-odds), places in no order (the worst that can come) or along a way.  Yardsticks:
the box round each wedge in NumPy (`yardsticks`), and a loop over readings in C (`moving_loop.c`), compiled here with
gcc -O3 -march=native -ffast-math; each is timed on a part of the readings and counted up, as it goes reading by
reading.  Times are processor times of the process; what two threads gain is wall time, with the load beside it.
"""

from __future__ import annotations

import ctypes
import math
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np
from yardsticks import bounding_box

from sonargrid.maps import many_poses
from sonargrid.maps.beam_tables import tables_for
from sonargrid.maps.beams import make_beam
from sonargrid.maps.grid import GridFrame
from sonargrid.maps.many_poses import PosePings, Way, compiled_sum, poses_of, tile_sums
from sonargrid.maps.wedge_pings import wedge_pings
from sonargrid.runs.readings import Pings, Ranger, Rays

SIDE_M, CELL_M, SILENCE = 40.0, 0.01, 0.3
RANGER = Ranger(half_beam_rad=math.radians(15.0), reach_m=1.0, range_sigma_m=0.01)
BEAM = make_beam("gaussian", RANGER, CELL_M)
FRAME = GridFrame(CELL_M, (0, 0), round(SIDE_M / CELL_M), round(SIDE_M / CELL_M))
LOOP_C = Path(__file__).with_name("moving_loop.c")
FLAGS = ("-O3", "-march=native", "-ffast-math", "-shared", "-fPIC")
EXTENTS_M = (20.0, 100.0, 200.0)

Took = tuple[float, float]  # processor and wall time [s]


def moving(readings: int, ordered: bool = False, side_m: float = SIDE_M) -> Pings:
    """Return made-up pings of a robot that is everywhere on the floor: in no order, or along a way."""
    rng = np.random.default_rng(20260504)
    t = np.linspace(0.0, 300.0, readings)
    x, y = (0.5 * side_m + (0.5 * side_m - 1.2) * f(t * s) for f, s in ((np.cos, 1.0), (np.sin, 0.618)))
    if not ordered:
        mixed = rng.permutation(readings)
        x, y = x[mixed], y[mixed]
    bearing = rng.uniform(-math.pi, math.pi, readings)
    echo = np.where(rng.random(readings) < 0.1, math.inf, rng.uniform(0.2, 0.97, readings))
    nothing = np.zeros(readings)
    rays = Rays(np.arange(readings), bearing, bearing, x, y, x, y, nothing)
    return Pings(rays, np.arange(readings), echo, nothing, nothing, RANGER.reach_m, RANGER.range_sigma_m, 0.03)


def poses(pings: Pings) -> list[PosePings]:
    """Return the readings as the solver takes them."""
    return list(poses_of(pings, np.arange(len(pings)), np.ones(len(pings)), SILENCE))


def best(work: Callable[[], object], repeats: int) -> Took:
    """Return the shortest of several processor times, and the shortest of several wall times [s]."""
    took = []
    for _ in range(repeats):
        cpu, wall = time.process_time(), time.perf_counter()
        work()
        took.append((time.process_time() - cpu, time.perf_counter() - wall))
    return min(c for c, _ in took), min(w for _, w in took)


def ours(some: list[PosePings], way: Way) -> tuple[np.ndarray, np.ndarray]:
    """Return evidence [whole steps] and touches of the whole floor."""
    evidence, touched = (np.zeros(FRAME.shape, dtype=np.int32) for _ in range(2))
    size = many_poses.TILE
    for part in some:
        for tile in tile_sums(part, BEAM, FRAME, way):
            there = (slice(tile.row * size, (tile.row + 1) * size), slice(tile.column * size, (tile.column + 1) * size))
            rows, columns = evidence[there].shape
            evidence[there] += tile.evidence[:rows, :columns].astype(np.int32)
            touched[there] += tile.touched[:rows, :columns].astype(np.int32)
    return evidence, touched


def unsorted(some: list[PosePings]) -> Callable[[], object]:
    """Return the same compiled loop on the whole floor at once, readings as they come."""
    from sonargrid.maps.tile_loops import tile_loop

    tables = tables_for(BEAM)
    assert tables is not None
    (one,) = some
    limit = np.asarray(BEAM.limit_m(one.range_m))
    wedges = wedge_pings(one.pose, one.x_m, one.y_m, one.bearing_rad, one.range_m, limit, one.weight, tables.half_rad)
    sums = compiled_sum(tile_loop, wedges, tables, CELL_M, 0.03, FRAME.rows)
    return lambda: sums(np.arange(len(wedges)), (0, 0))


def c_loop(pings: Pings, folder: str) -> Callable[[], object] | None:
    """Return the C loop over all readings; None where there is no gcc."""
    gcc = shutil.which("gcc")
    if gcc is None:
        return None
    library = os.path.join(folder, "moving_loop.so")
    subprocess.run([gcc, *FLAGS, "-o", library, str(LOOP_C), "-lm"], check=True)
    run = ctypes.CDLL(library).per_reading
    tables = tables_for(BEAM)
    assert tables is not None
    evidence, touched = np.zeros(FRAME.shape, dtype=np.float32), np.zeros(FRAME.shape, dtype=np.uint32)
    silent = np.isposinf(pings.range_m)
    arrays = (
        pings.rays.x_m, pings.rays.y_m, pings.rays.bearing_rad, np.where(silent, 1e6, pings.range_m).astype(np.float32),
        np.asarray(BEAM.limit_m(pings.range_m)), np.where(silent, SILENCE, 1.0).astype(np.float32),
    )  # fmt: skip
    pointers = [ctypes.c_void_p(array.ctypes.data) for array in (evidence, touched, *arrays)]
    gain = np.ascontiguousarray(tables.gain)

    def work() -> tuple[np.ndarray, np.ndarray]:
        evidence[:], touched[:] = 0.0, 0
        run(
            *pointers[:2], ctypes.c_long(FRAME.rows), ctypes.c_long(FRAME.columns), ctypes.c_double(CELL_M),
            *pointers[2:], ctypes.c_long(len(pings)), ctypes.c_double(tables.half_rad),
            ctypes.c_void_p(gain.ctypes.data), ctypes.c_float(tables.hit), ctypes.c_float(tables.miss),
            ctypes.c_double(tables.sigma_m),
        )  # fmt: skip
        assert arrays and gain.size
        return evidence, touched

    return work


def box_s(repeats: int) -> float:
    """Return the bounding box yardstick's processor time for one reading [s]: on 4 m x 4 m, memory in the cache."""
    frame, pings = GridFrame(CELL_M, (0, 0), 400, 400), moving(300, ordered=True, side_m=4.0)
    return best(lambda: bounding_box(pings, BEAM, frame, np.ones(300), SILENCE), repeats)[0] / 300


def speeds(readings: int, repeats: int) -> None:
    """Print the table of speeds."""
    pings = moving(readings)
    some = poses(pings)
    ours(poses(moving(500)), Way(compiled=True))  # compiled, or loaded
    box = box_s(repeats) * readings
    rows: dict[str, Took] = {"bounding box, NumPy, a reading at a time": (box, box)}
    with tempfile.TemporaryDirectory() as folder:
        loop = c_loop(pings, folder)
        if loop is None:
            print("no gcc on this machine: the C yardstick is left out")
        else:
            rows["gcc -O3 -march=native -ffast-math, as they come"] = best(loop, repeats)
            check(some, loop)
        along = c_loop(moving(readings, ordered=True), folder)
        if along is not None:
            rows["gcc, along the way"] = best(along, repeats)
    if len(some) == 1:
        rows["numba, as they come, one 64 MB piece"] = best(unsorted(some), repeats)
    rows["numba, tiles, one thread"] = best(lambda: ours(some, Way(True, 1)), repeats)
    rows["numba, tiles, two threads"] = best(lambda: ours(some, Way(True, 2)), repeats)
    few = poses(moving(min(readings, 20_000)))
    part = readings / min(readings, 20_000)
    plain = best(lambda: ours(few, Way(compiled=False)), 1)
    rows["NumPy, tiles"] = plain[0] * part, plain[1] * part
    touched = int(ours(some, Way(True, 2))[1].sum())
    print(f"{readings} readings, {touched / readings:.0f} cells each; processor time, and ratios of it")
    print(f"{'':46}{'s':>8}{'ns a cell':>11}{'x box':>8}{'wall s':>9}")
    for name, (cpu, wall) in rows.items():
        print(f"{name:46}{cpu:8.2f}{cpu / touched * 1e9:11.2f}{box / cpu:8.1f}{wall:9.2f}")
    one, two = rows["numba, tiles, one thread"], rows["numba, tiles, two threads"]
    print(
        f"two threads against one: wall {one[1] / two[1]:.2f}, processor {one[0] / two[0]:.2f} "
        f"({os.cpu_count()} cores, load {os.getloadavg()[0]:.1f})"
    )


def check(some: list[PosePings], loop: Callable[[], object]) -> None:
    """Print how far the C loop and ours are apart, so that nobody times two different things."""
    evidence, touched = ours(some, Way(True, 1))
    theirs = loop()
    assert isinstance(theirs, tuple)
    alike = touched == theirs[1]
    far = np.abs(evidence * 2.0**-14 - theirs[0])[alike].max()
    apart = 1.0 - np.count_nonzero(alike & (touched > 0)) / max(1, np.count_nonzero(touched))
    print(f"C and numba: at most {far:.1e} of log-odds apart; {apart:.1%} of cells touched otherwise (the blind zone)")


MEMORY = """
import re, sys
import numpy as np
sys.path.insert(0, {here!r})
from bench_moving import moving, RANGER
from sonargrid.maps.evidence import MapSettings
from sonargrid.maps.tiled_map import map_in_tiles
from sonargrid.runs.readings import Readings, Run
pings = moving({readings}, True, {side})
none = np.zeros(1)
run = Run(Readings("angle_deg", "range_m", none, none + 0.5, none, none, none), ranger=RANGER)
chosen = MapSettings(tiled=True, extent_m=({low}, {low}, {high}, {high}))
def peak_mb():  # of this process alone: ru_maxrss keeps what the parent had
    return int(re.search(r"VmHWM:\\s+(\\d+)", open("/proc/self/status").read()).group(1)) // 1024
before = peak_mb()
made = map_in_tiles(run, chosen, pings)
size = len(made.grid.to_bytes())
made.overview()
print(peak_mb() - before, len(made.grid.tiles), size // 2**20)
"""


def memory(readings: int) -> None:
    """Print how memory goes with the extent: the same readings on larger floors."""
    print(f"\n{readings} readings on 20 m x 20 m of a larger floor, 1 cm cells, in tiles, file and overview made:")
    print(f"{'extent':>10}{'million cells':>15}{'tiles':>7}{'MB more':>9}{'file MB':>9}")
    for extent in EXTENTS_M:
        low, high = 0.5 * (EXTENTS_M[0] - extent), 0.5 * (EXTENTS_M[0] + extent)
        here = str(Path(__file__).parent)
        code = MEMORY.format(here=here, readings=readings, side=EXTENTS_M[0], low=low, high=high)
        said = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True).stdout.split()
        print(f"{extent:8.0f} m{(extent / CELL_M) ** 2 / 1e6:15.0f}{said[1]:>7}{said[0]:>9}{said[2]:>9}")


def main(smoke: bool) -> None:
    """Print the tables."""
    speeds(5_000 if smoke else 200_000, 1 if smoke else 3)
    memory(500 if smoke else 20_000)


if __name__ == "__main__":
    main("--smoke" in sys.argv)

"""What a person waits for before anything happens: whole processes, as ratios to ``python -c "import numpy"``.

Run by hand: ``python benchmarks/bench_startup.py`` (best of 9 each, interleaved, so that a busy machine hurts all
alike); ``--smoke`` runs each once.  Under asv every command is one parameter.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

MAP = ["-m", "sonargrid_cli", "map", "--sample", "two_flowerpots", "-q", "-o"]
# name -> (arguments of python; OUT stands for a folder to write, most times the yardstick that is asked for)
COMMANDS: dict[str, tuple[list[str], float | None]] = {
    "import numpy": (["-c", "import numpy"], None),
    "--version": (["-m", "sonargrid_cli", "--version"], 2.0),
    "--help": (["-m", "sonargrid_cli", "--help"], None),
    "map, additive, no objects": ([*MAP, "OUT", "--solver", "additive", "--no-objects"], 4.0),
    "map": ([*MAP, "OUT"], 8.0),
    "count": (["-m", "sonargrid_cli", "count", "--sample", "two_flowerpots"], 15.0),
}


def seconds(arguments: list[str], folder: Path) -> float:
    """Return the wall time of one process [s].

    Raises
    ------
    RuntimeError
        If the process fails.
    """
    out = folder / f"map{time.monotonic_ns()}"  # a new one each time, as for a first map
    words = [str(out) if word == "OUT" else word for word in arguments]
    env = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    # an installed package has its byte code; a checkout gets it here, in the first round, away from its sources
    env |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "PYTHONPYCACHEPREFIX": str(folder / "pycache")}
    start = time.perf_counter()
    done = subprocess.run([sys.executable, *words], capture_output=True, text=True, env=env)
    took = time.perf_counter() - start
    if done.returncode != 0:
        raise RuntimeError(f"{' '.join(words)} failed: {done.stderr}")
    return took


class Startup:
    """asv: time of each command as a process."""

    params = tuple(COMMANDS)
    param_names = ("command",)

    def setup(self, command: str) -> None:
        """Make a place to write to."""
        self.folder = tempfile.TemporaryDirectory()

    def teardown(self, command: str) -> None:
        """Take it away."""
        self.folder.cleanup()

    def time_process(self, command: str) -> None:
        """One whole process."""
        seconds(COMMANDS[command][0], Path(self.folder.name))


def main(repeats: int) -> None:
    """Print the best time of each command and its ratio to the yardstick."""
    best = dict.fromkeys(COMMANDS, float("inf"))
    with tempfile.TemporaryDirectory() as folder:
        for _ in range(repeats):
            for name, (arguments, _) in COMMANDS.items():
                best[name] = min(best[name], seconds(arguments, Path(folder)))
    yardstick = best["import numpy"]
    print(f"{'process':28} {'ms':>6} {'times numpy':>12} {'asked':>6}")
    for name, (_, asked) in COMMANDS.items():
        limit = "" if asked is None else f"{asked:.0f}"
        print(f"{name:28} {best[name] * 1000:6.0f} {best[name] / yardstick:12.2f} {limit:>6}")


if __name__ == "__main__":
    main(repeats=1 if "--smoke" in sys.argv else 9)

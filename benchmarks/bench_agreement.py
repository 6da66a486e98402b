"""How often a mirrored head, and ranges half as long as they should be, are noticed because stations contradict.

Rooms of `worlds`, seeds 300 to 339 (the margins were chosen on seeds 200 to 224 of one class): each as it is, mirrored,
and halved.  By hand: ``python benchmarks/bench_agreement.py [--smoke]``; asv finds the class.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import replace

from worlds import make

from sonargrid.runs.readings import Run
from sonargrid.runs.run_assembly import chosen_part
from sonargrid.runs.stations_agree import contradictions

CASES = (("room", 99), ("nasty", 99), ("pose", 99), ("other_room", 99), ("room", 3), ("room", 2))


def told(run: Run) -> str:
    """Return what is said of a run: nothing, mirrored or halved."""
    said = contradictions(run)
    return "nothing" if not said else "mirrored" if "mirrored" in said[0] else "halved"


def tally(class_name: str, seeds: range, most: int) -> dict[str, Counter[str]]:
    """Return what is said of runs as they are, mirrored and halved, with at most so many stations."""
    counts: dict[str, Counter[str]] = {"as is": Counter(), "mirrored": Counter(), "halved": Counter()}
    for seed in seeds:
        run = make(class_name, seed).run
        run = chosen_part(run, [station.name for station in run.stations[:most]], (), "run")
        counts["as is"][told(run)] += 1
        counts["mirrored"][told(replace(run, head=replace(run.head, turns=-1)))] += 1
        counts["halved"][told(replace(run, ranger=replace(run.ranger, range_scale=0.5)))] += 1
    return counts


class TimeAgreement:
    """asv: one room."""

    def setup(self) -> None:
        """Record it."""
        self.run = make("room", 300).run

    def time_contradictions(self) -> None:
        """Compare its stations."""
        contradictions(self.run)


def main(smoke: bool) -> None:
    """Print the counts."""
    for class_name, most in CASES[:1] if smoke else CASES:
        counts = tally(class_name, range(300, 302 if smoke else 340), most)
        words = "all stations" if most == 99 else f"{most} stations"
        print(f"{class_name}, {words}: " + "; ".join(f"{kind}: {dict(told)}" for kind, told in counts.items()))


if __name__ == "__main__":
    main("--smoke" in sys.argv)

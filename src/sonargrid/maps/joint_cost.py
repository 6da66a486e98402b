"""What the joint solver costs a moving robot's run, and what is done where that is too much: the sum, or a word.

Parked robots never come near: the cost goes with the number of poses.  Measured with benchmarks/bench_moving.py's kind
of run: 20 000 poses on 20 m x 20 m took 27 s and 0.5 GB, 5000 took 4 s and 0.1 GB.
"""

from __future__ import annotations

import os
from dataclasses import replace

from sonargrid.errors import SonargridError
from sonargrid.maps.evidence import ADDITIVE_BEAM, JOINT_BEAM, MapSettings
from sonargrid.runs.readings import Run

MOST_POSES = 20_000  # beyond, the sum is made unless the joint solver was asked for by name
SECONDS_A_POSE, BYTES_A_POSE = 1.35e-3, 25e3  # at MOST_POSES and beyond, at least
SUM_HINT = "--solver additive makes the plain sum in seconds"


def affordable(settings: MapSettings, run: Run) -> tuple[MapSettings, str]:
    """Return settings with everything named, and a sentence where the sum takes the joint solver's place.

    Raises
    ------
    UsageProblem
        As `MapSettings.named`.
    SonargridError
        If the joint solver was asked for by name and needs more memory than the machine has.

    Examples
    --------
    >>> from sonargrid.runs.readings import Readings
    >>> affordable(MapSettings(), Run(Readings("angle_deg", "range_m", [90.0], [0.5], [0], [0], [0])))[1]
    ''
    """
    named, poses = settings.named(), len(run.stations)
    if not run.moving or named.solver != "joint" or poses <= MOST_POSES:
        return named, ""
    if settings.solver is None and settings.beam != JOINT_BEAM:
        note = (
            f"The map is the plain sum (additive solver): {poses} poses would take the joint one {_cost(poses)}; "
            "--solver joint asks for it all the same."
        )
        return replace(named, solver="additive", beam=settings.beam or ADDITIVE_BEAM), note
    memory = _machine_bytes()
    if memory and poses * BYTES_A_POSE > memory:
        raise SonargridError(
            f"the joint solver would take {_cost(poses)} for {poses} poses, and this machine has "
            f"{memory / 2**30:.0f} GB of memory",
            hint=SUM_HINT,
        )
    return named, ""


def waiting_words(settings: MapSettings, run: Run) -> str:
    """Return what to say before a long wait for the joint solver; empty where it is short."""
    if not run.moving or settings.solver != "joint" or len(run.stations) <= MOST_POSES:
        return ""
    return f"The joint solver takes {_cost(len(run.stations))} for {len(run.stations)} poses; {SUM_HINT}."


def _cost(poses: int) -> str:
    """Return time and memory in words.

    >>> _cost(1_000_000)
    'about 22 minutes or more and 23 GB of memory'
    """
    minutes = max(1, round(poses * SECONDS_A_POSE / 60.0))
    memory = f"{poses * BYTES_A_POSE / 2**30:.2g} GB of memory"
    return f"about {minutes} minute{'' if minutes == 1 else 's'} or more and {memory}"


def _machine_bytes() -> int:
    """Return how much memory the machine has; 0 where that cannot be told."""
    try:
        return os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, ValueError, OSError):
        return 0

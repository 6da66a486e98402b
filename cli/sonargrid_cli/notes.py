"""Notes: what a person should know though nothing failed; on stderr, one paragraph each."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sonargrid.runs.readings import Run

# what a reading takes that is kept by itself; benchmarks/README.md, long logs
SUM_BYTES, JOINT_BYTES, LIST_BYTES = 70, 120, 300
MUCH_BYTES = 3e8


def told(warnings: Iterable[str], quiet: bool = False) -> None:
    """Print each warning once as a ``note:`` on stderr, unless asked to be quiet."""
    if quiet:
        return
    for warning in dict.fromkeys(warnings):
        print(_fitted(f"note: {warning}"), file=sys.stderr)


def _fitted(text: str) -> str:
    """Return a paragraph wrapped for a person's screen; one line where it is piped."""
    if not sys.stderr.isatty():
        return text
    import shutil
    import textwrap

    width = min(80, max(40, shutil.get_terminal_size((80, 24)).columns))
    return textwrap.fill(text, width, subsequent_indent="      ", break_on_hyphens=False, break_long_words=False)


def kept_words(readings: int, solver: str, listing: bool) -> list[str]:
    """Return what readings that are kept one by one will take, and what takes less; nothing while that is little.

    >>> kept_words(20_000, "joint", True)
    []
    """
    needed = readings * (LIST_BYTES if listing else SUM_BYTES if solver == "additive" else JOINT_BYTES)
    if needed < MUCH_BYTES:
        return []
    takes = f"{readings} readings, kept one by one, may take {needed / 1e9:.1f} GB of memory"
    if listing:
        return [
            f"{takes}, and the list many minutes: choose a part with --stations or --sweeps; or --solver additive "
            "--no-objects, which counts equal readings together"
        ]
    if solver != "additive":
        return [f"{takes}; --solver additive --no-objects counts equal ones together"]
    return [
        f"{takes}: their order has a say here (a moving robot, backlash without turning, --sweeps), so none are counted"
    ]


def more_words(run: Run, timing_s: Mapping[str, float]) -> list[str]:
    """Return what ``-v`` adds: sigmas that nobody stated, and what took how long."""
    words = []
    if run.assumed:
        words.append(f"assumed, as the run does not state them: {', '.join(run.assumed)}")
    if timing_s:
        words.append(f"took {', '.join(f'{seconds:.3f} s for the {step}' for step, seconds in timing_s.items())}")
    return words

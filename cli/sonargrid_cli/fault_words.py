"""What went wrong, in the words that a person sees on stderr and in the object that ``--json`` prints.

Imports nothing heavy: it must work when everything else has failed.
"""

from __future__ import annotations

import json
import os
from collections.abc import Sequence

from sonargrid.errors import SHOWN_FAULTS, Fault, SonargridError

REPORT_PLACE = "please tell the project, with the command and, if you can, the run"
INTERRUPTED = 130  # the shell's own number for a program stopped with Ctrl-C


def faults_of(problem: BaseException) -> tuple[tuple[Fault, ...], int, int]:
    """Return (faults to show, how many there are, exit code) of anything that was raised.

    >>> faults, count, code = faults_of(FileNotFoundError(2, "No such file or directory", "a.csv"))
    >>> str(faults[0]), count, code
    ('a.csv: no such file or directory', 1, 1)
    """
    if isinstance(problem, SonargridError):
        return problem.faults[:SHOWN_FAULTS], problem.count, problem.exit_code
    if isinstance(problem, KeyboardInterrupt):
        return (Fault("interrupted; no output was left half written"),), 1, INTERRUPTED
    if isinstance(problem, MemoryError):
        return (
            (
                Fault(
                    "not enough memory",
                    "a larger --cell or a smaller --extent needs less; of a long log, --solver additive --no-objects",
                ),
            ),
            1,
            1,
        )
    if isinstance(problem, OSError) and problem.strerror:
        words = problem.strerror[:1].lower() + problem.strerror[1:]
        name = None if problem.filename is None else os.fsdecode(problem.filename)
        return (Fault(words, file=name),), 1, 1
    kind = type(problem).__name__
    text = " ".join(str(problem).split())
    said = f"{kind}: {text}" if text else kind
    hint = f"{REPORT_PLACE}; SONARGRID_DEBUG=1 shows where it happened"
    return (Fault(f"this is a fault in sonargrid itself, not in your data ({said})", hint),), 1, 1


def as_words(faults: Sequence[Fault], count: int) -> str:
    """Return the lines for stderr: each fault with its hint, then how many more there are.

    >>> print(as_words([Fault("no such file", "is the name right?", "a.csv")], 3))
    error: a.csv: no such file
    hint: is the name right?
    error: and 2 more faults
    """
    lines = []
    for fault in faults:
        lines.append(f"error: {fault}")
        if fault.hint:
            lines.append(f"hint: {fault.hint}")
    more = count - len(faults)
    if more > 0:
        lines.append(f"error: and {more} more fault{'s' if more > 1 else ''}")
    return "\n".join(lines)


def as_json(faults: Sequence[Fault], count: int, exit_code: int) -> str:
    """Return the one object that ``--json`` prints on failure."""
    told = {"errors": [fault.as_dict() for fault in faults], "error_count": count, "exit_code": exit_code}
    return json.dumps(told, indent=2, ensure_ascii=False)

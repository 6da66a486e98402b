"""Notes: what a person should know though nothing failed; on stderr, one paragraph each."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sonargrid.runs.readings import Run


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


def more_words(run: Run, timing_s: Mapping[str, float]) -> list[str]:
    """Return what ``-v`` adds: sigmas that nobody stated, and what took how long."""
    words = []
    if run.assumed:
        words.append(f"assumed, as the run does not state them: {', '.join(run.assumed)}")
    if timing_s:
        words.append(f"took {', '.join(f'{seconds:.3f} s for the {step}' for step, seconds in timing_s.items())}")
    return words

"""Notes: what a person should know though nothing failed; on stderr, one paragraph each."""

from __future__ import annotations

import sys
from collections.abc import Iterable


def told(warnings: Iterable[str], quiet: bool = False) -> None:
    """Print each warning once as a ``note:`` on stderr, unless asked to be quiet."""
    if quiet:
        return
    for warning in dict.fromkeys(warnings):
        print(f"note: {warning}", file=sys.stderr)

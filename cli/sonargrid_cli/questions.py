"""Questions at the terminal: asked again, with the reason, until the answer can be used.

Each question is a flag, too; nothing is asked where a flag was given or nobody sits at a terminal.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

import typer

from sonargrid.errors import UsageProblem

T = TypeVar("T")
UNKNOWN = "-"  # what is typed for "I do not know", "nothing", "as usual"


def asked(question: str, usual: str, read: Callable[[str], T]) -> T:
    """Return what an answer means; one that cannot be used is asked for again, with the reason."""
    while True:
        answer = str(typer.prompt(question, default=usual, err=True)).strip()
        try:
            return read(answer)
        except UsageProblem as problem:
            typer.echo(f"  {problem}", err=True)
            if problem.faults[0].hint:
                typer.echo(f"  {problem.faults[0].hint}", err=True)


def answer_of(given: str | None, question: str, usual: str, read: Callable[[str], T], ask: bool) -> T:
    """Return what a flag says, else what is answered, else the usual."""
    if given is not None or not ask:
        return read(usual if given is None else given)
    return asked(question, usual, read)

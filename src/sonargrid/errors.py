"""What can go wrong for a user, as exceptions that say what, where, what was got and what would mend it.

    SonargridError          exit code 1: the data or the environment is at fault
    |- InputFaults          one input file (or several) with one or more faults, all told at once
    |- OutputProblem        the place or the disk that results should go to
    `- UsageProblem         exit code 2: the command line was wrong

Wrong arguments of a library call are plain ``ValueError``/``TypeError``.  Imports nothing but the standard library.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

SHOWN_FAULTS = 20  # the first so many are told one by one, the rest as a count


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong in one place.

    message : what is wrong and what was got, without file and line
    hint : what would mend it; empty if there is nothing to say
    file : the file's name as the user typed it, or ``standard input``
    line : line number counted from 1, where it is known for sure
    column : the column's header name, or the key's full path in a TOML file
    """

    message: str
    hint: str = ""
    file: str | None = None
    line: int | None = None
    column: str | None = None

    def __str__(self) -> str:
        place = self.file or ""
        if self.line is not None:
            place += f" line {self.line}"
        if self.column is not None:
            place += f" {self.column}" if self.line is None else f", {self.column}"
        place = place.strip()
        return f"{place}: {self.message}" if place else self.message

    def as_dict(self) -> dict[str, str | int | None]:
        """Return the fault as the object that ``--json`` prints."""
        return {
            "file": self.file,
            "line": self.line,
            "column": self.column,
            "message": self.message,
            "hint": self.hint or None,
        }


class SonargridError(Exception):
    """Something a user can mend; carries one or more faults and the exit code.

    >>> problem = SonargridError("no reading at all", hint="is the file the right one?", file="readings.csv")
    >>> str(problem), problem.exit_code
    ('readings.csv: no reading at all', 1)
    """

    exit_code = 1

    def __init__(
        self,
        message: str,
        *,
        hint: str = "",
        file: str | None = None,
        line: int | None = None,
        column: str | None = None,
    ) -> None:
        self.faults: tuple[Fault, ...] = (Fault(message, hint, file, line, column),)
        self.count = 1
        super().__init__(str(self.faults[0]))


class InputFaults(SonargridError):
    """All faults found in a run, a scene or a calibration; `count` may exceed the faults kept."""

    def __init__(self, faults: Sequence[Fault], count: int | None = None) -> None:
        if not faults:
            raise ValueError("InputFaults needs at least one fault")
        kept = tuple(faults[:SHOWN_FAULTS])
        total = len(faults) if count is None else count
        super().__init__(str(kept[0]))
        self.faults = kept
        self.count = total
        self.args = ("\n".join(str(fault) for fault in kept),)


class OutputProblem(SonargridError):
    """A result that cannot be written, or must not be overwritten."""


class UsageProblem(SonargridError):
    """The command line (or an environment variable that stands for a flag) was wrong."""

    exit_code = 2

"""The option ``--machines``: which scheduler's workers do the work, and the way from it to them.

No numpy and no network library here: reading help must not load them.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated

import typer

from sonargrid.errors import UsageProblem
from sonargrid_cli.notes import told

if TYPE_CHECKING:
    from sonargrid.many.machines import Machines

MACHINES_PANEL = "The machines"
ADDRESS = re.compile(r"tcp://(\[[0-9A-Fa-f:.]+\]|[^\s:/\[\]]+):([0-9]{1,5})")


@dataclass(frozen=True, slots=True)
class MachineOptions:
    """Who does the work, where it is not this process."""

    machines: Annotated[
        str | None,
        typer.Option(
            "--machines",
            metavar="WHERE",
            help="local, or a scheduler, tcp://host:port; see explain machines.",
            rich_help_panel=MACHINES_PANEL,
        ),
    ] = None


def check_machines(options: MachineOptions) -> None:
    """Refuse what is no address of a scheduler.

    Raises
    ------
    UsageProblem
        With what it must look like.
    """
    where = options.machines
    if where is None or where == "local":
        return
    found = ADDRESS.fullmatch(where)
    if found is None or not 0 < int(found[2]) < 65536:
        words = f"--machines takes local or the address of a scheduler, got '{where}'"
        raise UsageProblem(words, hint="such as --machines tcp://192.168.1.20:8786")


@contextmanager
def reached(options: MachineOptions, jobs: int, quiet: bool) -> Iterator[Machines | None]:
    """Reach the machines, if any were asked for, while the body runs."""
    if options.machines is None:
        yield None
        return
    from sonargrid.many.machines import reach

    with reach(options.machines, jobs) as machines:
        told(machines.notes, quiet)
        yield machines

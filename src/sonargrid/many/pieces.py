"""Pieces of work done by a crew, each result kept in a journal: what batch and study share.

Results are dicts with `name` and `status`; one that is ``unchanged`` stands for what the journal already holds.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from sonargrid.many.holding import WORKERS_LOCK, alone, hold_workers_lock
from sonargrid.many.journal import Journal, read_journal
from sonargrid.many.workers import Crew, Died, Trade, Workers
from sonargrid.results.out_folder import write_problem
from sonargrid.whole_file import replace_whole

Entry = dict[str, Any]
Hire = Callable[[Trade], Crew]


@dataclass(frozen=True, slots=True)
class Watched:
    """Who is told what while pieces are done.

    told : called with each entry as it comes in
    on_crew : gets the crew, so that a caller can `drain` or `stop` it
    """

    told: Callable[[Entry], None] | None = None
    on_crew: Callable[[Crew], None] | None = None


UNWATCHED = Watched()


@dataclass(frozen=True, slots=True)
class PieceWork:
    """What pieces are, and where their results are kept.

    mark : goes into each entry; an entry with another one is not of this work
    died : (task, how its worker died) -> the entry
    strict : begin nothing more once a piece has failed
    """

    folder: Path
    journal: str
    trade: Trade
    mark: str
    died: Callable[[Any, Died], Entry]
    strict: bool = False


@contextmanager
def held(out: str | os.PathLike[str]) -> Iterator[Path]:
    """Make a folder where it is missing, and hold it alone while the body runs.

    Raises
    ------
    OutputProblem
        If it cannot be made, or another job is at work there.
    """
    folder = Path(out)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise write_problem(problem, folder) from None
    with alone(folder):
        yield folder


def local_crew(trade: Trade, folder: Path, jobs: int) -> Crew:
    """Return processes of this machine that read, do and write; they tell that they may still write in the folder."""
    return Workers(trade.whole, jobs, partial(hold_workers_lock, str(folder / WORKERS_LOCK)))


def finish_pieces(
    work: PieceWork, tasks: Sequence[Any], jobs: int, watched: Watched, hire: Hire | None = None
) -> list[Entry | None]:
    """Do pieces of work and return the entry of each, in their order; None where one was not begun.

    Parameters
    ----------
    work : PieceWork
    tasks : sequence
    jobs : int
        How many processes of this machine.
    watched : Watched
    hire : function, optional
        Gives another crew in their place.

    Raises
    ------
    OutputProblem
        If the journal cannot be written.
    """
    entries: list[Entry | None] = [None] * len(tasks)
    before = read_journal(work.folder / work.journal).entries
    with Journal(work.folder / work.journal) as journal:
        crew = local_crew(work.trade, work.folder, jobs) if hire is None else hire(work.trade)
        if watched.on_crew is not None:
            watched.on_crew(crew)
        for place, answer in crew.results(tasks):
            entry = work.died(tasks[place], answer) if isinstance(answer, Died) else answer
            fresh = entry["status"] != "unchanged"
            if fresh:
                entry = {**entry, "mark": work.mark}
                journal.add(entry)
            told = {**(entry if fresh else before[entry["name"]]), "fresh": fresh}
            entries[place] = told
            if watched.told is not None:
                watched.told(told)
            if work.strict and told["status"] == "failed":
                crew.drain()
    return entries


def write_table(path: Path, content: str) -> None:
    """Write a table whole or not at all.

    Raises
    ------
    OutputProblem
        If it cannot be written; names the file.
    """
    try:
        replace_whole(path, content.encode())
    except OSError as problem:
        raise write_problem(problem, path) from None

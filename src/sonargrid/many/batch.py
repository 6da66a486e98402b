"""Every run of a batch mapped into a folder of its own, by several processes, with a journal that survives.

What is finished and unchanged (digest of the inputs, settings, version, the files themselves) is not done again.
Beside the folders lie ``batch.csv`` and ``batch.json``, a line a run, and ``batch_journal.jsonl``.
"""

from __future__ import annotations

import csv
import io
import json
import os
import shutil
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import sonargrid
from sonargrid.finding.things import KINDS
from sonargrid.many.journal import read_journal
from sonargrid.many.pieces import UNWATCHED, Hire, PieceWork, Watched, finish_pieces, held, write_table
from sonargrid.many.recipe import ALSO, Recipe, Task
from sonargrid.many.run_list import ListedRun
from sonargrid.many.run_steps import RUN_TRADE
from sonargrid.many.workers import Died
from sonargrid.results.exports import safe_cell

JOURNAL, TABLE_CSV, TABLE_JSON = "batch_journal.jsonl", "batch.csv", "batch.json"
COLUMNS = (
    "name", "path", "status", "things", *(f"{kind}s" if kind != "echo" else "echoes" for kind in KINDS),
    "stations", "readings", "warnings", "took_s", "words",
)  # fmt: skip
ALSO_COLUMNS = {"check": ("fit",), "count": ("counted",), "compare": ("best_model",)}


def plan(runs: Sequence[ListedRun], out: str | os.PathLike[str], recipe: Recipe, force: bool = False) -> list[Task]:
    """Return the tasks of a batch; each knows what an earlier batch in OUT left of its run.

    Parameters
    ----------
    runs : sequence of ListedRun
    out : path
        The batch's folder.
    recipe : Recipe
    force : bool
        Whether maps of other runs in the way may be replaced.
    """
    folder, mark = Path(out), recipe.mark()
    kept = read_journal(folder / JOURNAL).entries
    tasks = []
    for run in runs:
        entry = kept.get(run.name, {})
        same = entry.get("status") == "done" and entry.get("mark") == mark and entry.get("path") == run.path
        tasks.append(Task(run, str(folder / run.name), recipe, entry if same else {}, force))
    return tasks


def finish(
    tasks: Sequence[Task],
    out: str | os.PathLike[str],
    jobs: int,
    strict: bool = False,
    watched: Watched = UNWATCHED,
    hire: Hire | None = None,
) -> list[dict[str, Any]]:
    """Do the tasks of a batch and return the line of each, in their order; tasks not begun have none.

    Parameters
    ----------
    tasks : sequence of Task
        From `plan`.
    out : path
        The batch's folder; made where it is missing.
    jobs : int
        How many processes of this machine.
    strict : bool
        Begin nothing more once a run has failed.
    watched : Watched
        Who is told each line as it comes in, and gets the crew.
    hire : function, optional
        Gives another crew in the processes' place.

    Raises
    ------
    OutputProblem
        If OUT cannot be written, or another batch is at work there.
    """
    recipe = tasks[0].recipe if tasks else Recipe()
    with held(out) as folder:
        _sweep_up(folder, tasks)
        work = PieceWork(folder, JOURNAL, RUN_TRADE, recipe.mark(), _died, strict)
        lines = [line for line in finish_pieces(work, tasks, jobs, watched, hire) if line is not None]
        _write_tables(lines, recipe.also, folder)
    return lines


def _died(task: Task, how: Died) -> dict[str, Any]:
    fault = {"step": "", "words": str(how), "hint": "sonargrid map tells more of this run alone"}
    return {"name": task.run.name, "path": task.run.path, "digest": "", "status": "failed", "faults": [fault]}


def columns(also: Sequence[str] = ()) -> tuple[str, ...]:
    """Return the columns of batch.csv.

    >>> [name for name in columns(["check", "compare"]) if name not in COLUMNS]
    ['fit', 'best_model']
    """
    return (*COLUMNS[:-2], *(name for step in ALSO if step in also for name in ALSO_COLUMNS[step]), *COLUMNS[-2:])


def as_row(line: Mapping[str, Any], also: Sequence[str] = ()) -> dict[str, Any]:
    """Return a run's line as the row of batch.csv; what is not known stays empty."""
    kinds = line.get("kinds") or {}
    faults = line.get("faults") or []
    warnings = line.get("warnings")
    fit, tied = line.get("fit"), line.get("tied_models")
    values = {
        **{name: line.get(name) for name in ("name", "path", "status", "things", "stations", "readings", "took_s")},
        **{f"{kind}s" if kind != "echo" else "echoes": kinds.get(kind) for kind in KINDS},
        "warnings": None if warnings is None else len(warnings),
        "fit": None if fit is None else "fit" if fit else "unfit",
        "counted": line.get("counted"),
        "best_model": "tie" if tied else line.get("best_model"),
        "words": faults[0]["words"] if faults else warnings[0] if warnings else "",
    }
    return {name: "" if values[name] is None else values[name] for name in columns(also)}


def table_csv(lines: Sequence[Mapping[str, Any]], also: Sequence[str] = ()) -> str:
    """Return batch.csv, a line a run in the order of the batch; no cell that a spreadsheet takes for a formula."""
    whole = io.StringIO()
    writer = csv.DictWriter(whole, columns(also), lineterminator="\n")
    writer.writeheader()
    for line in lines:
        writer.writerow({key: safe_cell(str(cell)) for key, cell in as_row(line, also).items()})
    return whole.getvalue()


def told_of(line: Mapping[str, Any]) -> dict[str, Any]:
    """Return what batch.json and ``--json`` say of a run: its line, less what only the journal needs."""
    return {key: value for key, value in line.items() if key not in ("mark", "fresh", "beside")}


def _write_tables(lines: Sequence[Mapping[str, Any]], also: Sequence[str], folder: Path) -> None:
    whole = {"format": "sonargrid-batch/1", "version": sonargrid.__version__, "runs": [told_of(one) for one in lines]}
    write_table(folder / TABLE_CSV, table_csv(lines, also))
    write_table(folder / TABLE_JSON, json.dumps(whole, indent=2, ensure_ascii=False) + "\n")


def _sweep_up(folder: Path, tasks: Sequence[Task]) -> None:
    """Remove half-written folders and files that processes of an earlier batch left when they were ended."""
    names = {task.run.name[:100] for task in tasks}
    for left in folder.glob(".*.part"):
        if left.is_dir() and left.name[1:].rsplit(".", 2)[0] in names:
            shutil.rmtree(left, ignore_errors=True)
        elif left.is_file() and left.name.startswith((f".{TABLE_CSV}.", f".{TABLE_JSON}.")):
            left.unlink(missing_ok=True)
    for name in names:
        for left in (folder / name).glob(".*.part"):
            left.unlink(missing_ok=True)

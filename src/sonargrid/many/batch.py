"""Every run of a batch mapped into a folder of its own, by several processes, with a journal that survives.

What is finished and unchanged (digest of the inputs, settings, version, the files themselves) is not done again.
Beside the folders lie ``batch.csv`` and ``batch.json``, a line a run, and ``batch_journal.jsonl``.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import shutil
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields
from functools import partial
from pathlib import Path
from time import perf_counter
from typing import Any

import sonargrid
from sonargrid.errors import SonargridError
from sonargrid.finding.things import KINDS
from sonargrid.many.holding import WORKERS_LOCK, alone, hold_workers_lock
from sonargrid.many.journal import Journal, Kept, read_journal
from sonargrid.many.run_list import ListedRun
from sonargrid.many.workers import Died, Workers
from sonargrid.maps.evidence import MapSettings
from sonargrid.pipeline import Output, Search, map_to_folder
from sonargrid.results.exports import safe_cell
from sonargrid.results.out_folder import look_at_out, write_problem
from sonargrid.runs.run_files import load_run
from sonargrid.whole_file import replace_whole

JOURNAL, TABLE_CSV, TABLE_JSON = "batch_journal.jsonl", "batch.csv", "batch.json"
COLUMNS = (
    "name", "path", "status", "things", *(f"{kind}s" if kind != "echo" else "echoes" for kind in KINDS),
    "stations", "readings", "warnings", "took_s", "words",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Recipe:
    """How every run of a batch is to be mapped; what decides whether a finished one still stands.

    typed : key of run.toml -> (text, the flag it came from), for all runs
    search : None = only the grid
    """

    settings: MapSettings = field(default_factory=MapSettings)
    search: Search | None = field(default_factory=Search)
    typed: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    calibration: str | None = None
    svg: bool = False
    draw_objects: bool = False
    theme: str = "light"
    origins: Mapping[str, str] = field(default_factory=dict)

    def mark(self) -> str:
        """Return what tells recipes apart, the version of the project included."""
        told = {one.name: getattr(self, one.name) for one in fields(self) if one.name not in ("settings", "search")}
        told |= {"settings": asdict(self.settings), "version": sonargrid.__version__}
        told["search"] = None if self.search is None else asdict(self.search)
        return hashlib.sha256(json.dumps(told, sort_keys=True, default=str).encode()).hexdigest()


@dataclass(frozen=True, slots=True)
class Task:
    """One run's share of a batch, as it goes to a worker.

    before : digest of the inputs of an earlier, finished map by the same recipe; empty = there is none
    """

    run: ListedRun
    out: str
    recipe: Recipe
    before: str = ""
    force: bool = False


def map_one(task: Task) -> dict[str, Any]:
    """Map one run of a batch and return its line; whatever goes wrong is told there and nowhere else."""
    start = perf_counter()
    line: dict[str, Any] = {"name": task.run.name, "path": task.run.path, "digest": ""}
    try:
        run = load_run(task.run.path, task.recipe.typed, calibration=task.recipe.calibration)
        line["digest"] = run.digest
        if task.before and run.digest == task.before and _stands(task):
            return {**line, "status": "unchanged"}
        recipe = task.recipe
        output = Output(
            Path(task.out), recipe.svg, recipe.draw_objects, task.force, (), recipe.origins, theme=recipe.theme
        )
        done = map_to_folder(run, recipe.settings, recipe.search, output)
    except SonargridError as problem:
        faults = [{"words": str(one), "hint": one.hint} for one in problem.faults]
        return {**line, "status": "failed", "faults": faults, "fault_count": problem.count}
    except MemoryError:
        fault = {"words": "not enough memory", "hint": "a larger --cell or a smaller --extent needs less"}
        return {**line, "status": "failed", "faults": [fault], "fault_count": 1}
    except Exception as problem:  # one run's fault, even ours, must not end the batch
        words = f"a fault in sonargrid itself: {type(problem).__name__}: {' '.join(str(problem).split())}"
        return {**line, "status": "failed", "faults": [{"words": words, "hint": ""}], "fault_count": 1}
    kinds = Counter(thing.kind for thing in done.objects or ())
    return {
        **line,
        "status": "done",
        "kinds": None if done.objects is None else {kind: kinds[kind] for kind in KINDS},
        "things": None if done.objects is None else sum(thing.counted for thing in done.objects),
        "stations": len(set(run.readings.station.tolist())),
        "readings": len(run.readings),
        "warnings": list(done.warnings),
        "took_s": round(perf_counter() - start, 3),
    }


def _stands(task: Task) -> bool:
    """Return True where an earlier map of the same run lies whole in its folder."""
    return look_at_out(task.out, task.run.path, task.force).state == "same"


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
        same = entry.get("status") == "done" and entry.get("recipe") == mark and entry.get("path") == run.path
        tasks.append(Task(run, str(folder / run.name), recipe, str(entry["digest"]) if same else "", force))
    return tasks


def finish(
    tasks: Sequence[Task],
    out: str | os.PathLike[str],
    jobs: int,
    strict: bool = False,
    told: Callable[[dict[str, Any]], None] | None = None,
    on_workers: Callable[[Workers], None] | None = None,
) -> list[dict[str, Any]]:
    """Do the tasks of a batch and return the line of each, in their order; tasks not begun have none.

    Parameters
    ----------
    tasks : sequence of Task
        From `plan`.
    out : path
        The batch's folder; made where it is missing.
    jobs : int
        How many processes.
    strict : bool
        Begin nothing more once a run has failed.
    told : function, optional
        Called with each line as it comes in.
    on_workers : function, optional
        Gets the workers, so that a caller can `drain` or `stop` them.

    Raises
    ------
    OutputProblem
        If OUT cannot be written, or another batch is at work there.
    """
    folder = Path(out)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise write_problem(problem, folder) from None
    with alone(folder):
        _sweep_up(folder, tasks)
        before = read_journal(folder / JOURNAL)
        with Journal(folder / JOURNAL) as journal:
            lines = _done(tasks, folder, jobs, strict, before, journal, told, on_workers)
        present = [line for line in lines if line is not None]
        _write_tables(present, folder)
    return present


def _done(
    tasks: Sequence[Task],
    folder: Path,
    jobs: int,
    strict: bool,
    before: Kept,
    journal: Journal,
    told: Callable[[dict[str, Any]], None] | None,
    on_workers: Callable[[Workers], None] | None,
) -> list[dict[str, Any] | None]:
    lines: list[dict[str, Any] | None] = [None] * len(tasks)
    mark = tasks[0].recipe.mark() if tasks else ""
    workers = Workers(map_one, jobs, partial(hold_workers_lock, str(folder / WORKERS_LOCK)))
    if on_workers is not None:
        on_workers(workers)
    for place, answer in workers.results(tasks):
        run = tasks[place].run
        line = answer
        if isinstance(answer, Died):
            fault = {"words": str(answer), "hint": "sonargrid map tells more of this run alone"}
            line = {"name": run.name, "path": run.path, "digest": "", "status": "failed", "faults": [fault]}
        if line["status"] == "unchanged":
            lines[place] = {**before.entries[run.name], "fresh": False}
        else:
            journal.add({**line, "recipe": mark})
            lines[place] = {**line, "recipe": mark, "fresh": True}
        if told is not None:
            told(lines[place] or {})
        if strict and line["status"] == "failed":
            workers.drain()
    return lines


def as_row(line: Mapping[str, Any]) -> dict[str, Any]:
    """Return a run's line as the row of batch.csv; what is not known stays empty."""
    kinds = line.get("kinds") or {}
    faults = line.get("faults") or []
    warnings = line.get("warnings")
    words = faults[0]["words"] if faults else warnings[0] if warnings else ""
    values = {
        "name": line["name"],
        "path": line["path"],
        "status": line["status"],
        "things": line.get("things"),
        **{f"{kind}s" if kind != "echo" else "echoes": kinds.get(kind) for kind in KINDS},
        "stations": line.get("stations"),
        "readings": line.get("readings"),
        "warnings": None if warnings is None else len(warnings),
        "took_s": line.get("took_s"),
        "words": words,
    }
    return {name: "" if values[name] is None else values[name] for name in COLUMNS}


def table_csv(lines: Sequence[Mapping[str, Any]]) -> str:
    """Return batch.csv, a line a run in the order of the batch; no cell that a spreadsheet takes for a formula."""
    whole = io.StringIO()
    writer = csv.DictWriter(whole, COLUMNS, lineterminator="\n")
    writer.writeheader()
    for line in lines:
        writer.writerow({key: safe_cell(str(cell)) for key, cell in as_row(line).items()})
    return whole.getvalue()


def _write_tables(lines: Sequence[Mapping[str, Any]], folder: Path) -> None:
    whole = {"format": "sonargrid-batch/1", "version": sonargrid.__version__}
    runs = [{key: value for key, value in line.items() if key not in ("recipe", "fresh")} for line in lines]
    text = json.dumps({**whole, "runs": runs}, indent=2, ensure_ascii=False) + "\n"
    for name, content in ((TABLE_CSV, table_csv(lines)), (TABLE_JSON, text)):
        try:
            replace_whole(folder / name, content.encode())
        except OSError as problem:
            raise write_problem(problem, folder / name) from None


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

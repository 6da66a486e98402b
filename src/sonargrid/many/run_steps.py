"""One run's share of a batch in three strides: its files are read, the work is done, the files are written.

The middle one touches no file: it can be done by another process or on another machine.  Each step of it (`map` and
what of `recipe.ALSO` was asked for) stands alone: where one fails, the files of the others are kept.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from time import perf_counter
from typing import Any, TypeVar

from sonargrid.errors import SonargridError
from sonargrid.finding.things import KINDS
from sonargrid.many.recipe import Recipe, Task
from sonargrid.many.workers import Ready, Trade
from sonargrid.pipeline import Made, Output, Search, find_things, make_map
from sonargrid.results.exports import installed_versions
from sonargrid.results.out_folder import (
    MAP_FOLDER,
    digest,
    look_at_out,
    run_identity,
    write_one,
    write_outputs,
    write_problem,
)
from sonargrid.runs.readings import Run
from sonargrid.runs.run_files import load_run

FILES_OF = {
    "check": ("check.png", "check.svg", "check.json"),
    "count": ("count.csv", "count.json"),
    "compare": ("compare.png", "compare.csv", "compare.json"),
}
# what lies beside a map is no reason to refuse to put the map there
RUN_FOLDER = replace(MAP_FOLDER, beside=tuple(name for names in FILES_OF.values() for name in names))
BEGINS = {".png": (b"\x89PNG",), ".svg": (b"<svg",), ".json": (b"{",), ".csv": (b"id,kind,", b"model,solver,")}

Line = dict[str, Any]
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class ReadRun:
    """A run whose work is still to be done; all of it goes to whoever does it.

    note : what is to be said of the folder it will go to
    typed_in : the folder that relative paths start from
    took_s : what reading took
    """

    task: Task
    run: Run
    note: str
    typed_in: str
    took_s: float

    @property
    def nbytes(self) -> int:
        """About how much there is to send: three numbers of 8 bytes and three of 4 a reading."""
        return 36 * len(self.run.readings)


@dataclass(frozen=True, slots=True)
class DoneRun:
    """A run's line as far as it is known, and the content of its files, a step each."""

    task: Task
    line: Line
    files: Mapping[str, Mapping[str, bytes]] = field(default_factory=dict)


def read_run(task: Task) -> ReadRun | Ready:
    """Read a run's files; ready where that cannot be done, or where its earlier map still stands."""
    start = perf_counter()
    line: Line = {"name": task.run.name, "path": task.run.path, "digest": "", "status": "done", "faults": []}
    ready: list[Line] = []

    def read() -> ReadRun:
        recipe = task.recipe
        run = load_run(
            task.run.path, recipe.typed, calibration=recipe.calibration, count_repeats=recipe.only_sums_evidence
        )
        line["digest"] = run.digest
        if task.before and run.digest == task.before["digest"] and _stands(task):
            ready.append({**line, "status": "unchanged"})
        place = look_at_out(task.out, task.run.path, task.force, kind=RUN_FOLDER)
        # a path must mean the same file wherever the work is done
        run = replace(run, path=run_identity(run.path))
        return ReadRun(task, run, place.sentence, os.getcwd(), perf_counter() - start)

    got = _guarded("", read, line)
    if got is None or ready:
        return Ready(ready[0] if ready else _told(line))
    return got


def _stands(task: Task) -> bool:
    """Return True where everything that an earlier batch made of the same run lies whole in its folder."""
    if look_at_out(task.out, task.run.path, task.force, kind=RUN_FOLDER).state != "same":
        return False
    try:
        return all(
            digest((Path(task.out) / name).read_bytes()) == kept for name, kept in task.before.get("beside", {}).items()
        )
    except OSError:
        return False


def do_run(read: ReadRun) -> DoneRun:
    """Do every step of a run; whatever goes wrong is told in its line."""
    start = perf_counter()
    task, run = read.task, read.run
    line: Line = {"name": task.run.name, "path": task.run.path, "digest": run.digest, "status": "done", "faults": []}
    line |= {"steps": {}, "stations": len(set(run.readings.station.tolist())), "readings": run.readings.taken}
    files: dict[str, Mapping[str, bytes]] = {}
    made = _guarded("map", lambda: _map(read, line), line)
    if made is not None:
        files["map"] = made.files
    steps: dict[str, Callable[[], Mapping[str, bytes]]] = {
        "check": lambda: _check(run, task.recipe, line),
        "count": lambda: _count(run, task.recipe, made, line),
        "compare": lambda: _compare(run, task.recipe, line),
    }
    for step, work in steps.items():
        if step in task.recipe.also:
            content = _guarded(step, work, line)
            if content is not None:
                files[step] = content
    line["took_s"] = read.took_s + perf_counter() - start
    return DoneRun(task, line, files)


def write_run(done: DoneRun) -> Line:
    """Write what was made of a run into its folder and return its line."""
    start = perf_counter()
    task, line, out = done.task, done.line, Path(done.task.out)
    beside: dict[str, str] = {}

    def write_map() -> bool:
        write_outputs(done.files["map"], out, task.run.path, task.force, kind=RUN_FOLDER)
        return True

    def write_beside(step: str) -> bool:
        try:
            out.mkdir(parents=True, exist_ok=True)
        except OSError as problem:
            raise write_problem(problem, out) from None
        for name, content in done.files[step].items():
            write_one(content, out / name, BEGINS[Path(name).suffix])
            beside[name] = digest(content)
        return True

    if "map" in done.files:
        _guarded("map", write_map, line)
    for step in task.recipe.also:
        if step in done.files:
            _guarded(step, lambda step=step: write_beside(step), line)  # type: ignore[misc]
        if line["steps"].get(step) != "done":
            for name in FILES_OF[step]:  # of an earlier batch: it would pass for the outcome of this one
                with suppress(OSError):
                    (out / name).unlink()
    line["beside"] = beside
    line["took_s"] = round(line["took_s"] + perf_counter() - start, 3)
    return _told(line)


RUN_TRADE = Trade(read_run, do_run, write_run)


def _told(line: Line) -> Line:
    """Return a line with its status, and how many faults there are."""
    faults = line["faults"]
    if not faults:
        return {key: value for key, value in line.items() if key != "faults"}
    return {**line, "status": "failed", "fault_count": line.get("fault_count", len(faults))}


def _guarded(step: str, work: Callable[[], T], line: Line) -> T | None:
    """Return what a step comes to; None where it failed, which the line then tells."""
    try:
        done = work()
    except SonargridError as problem:
        faults = [{"words": str(one), "hint": one.hint} for one in problem.faults]
        line["fault_count"] = len(line["faults"]) + problem.count
    except MemoryError:
        faults = [{"words": "not enough memory", "hint": "a larger --cell or a smaller --extent needs less"}]
    except Exception as problem:  # one run's fault, even ours, must not end the batch
        words = f"a fault in sonargrid itself: {type(problem).__name__}: {' '.join(str(problem).split())}"
        faults = [{"words": words, "hint": ""}]
    else:
        if step:
            line["steps"] = {**line["steps"], step: "done"}
        return done
    if step:
        line["steps"] = {**line["steps"], step: "failed"}
    line["faults"] = [*line["faults"], *({"step": step, **one} for one in faults)]
    return None


def _map(read: ReadRun, line: Line) -> Made:
    recipe = read.task.recipe
    output = Output(
        svg=recipe.svg,
        draw_objects=recipe.draw_objects,
        origins=recipe.origins,
        theme=recipe.theme,
        typed_in=read.typed_in,
        versions=installed_versions(),
        geotiff=recipe.geotiff,
    )
    made = make_map(read.run, recipe.settings, recipe.search, output, read.note)
    kinds = Counter(thing.kind for thing in made.objects or ())
    line |= {
        "kinds": None if made.objects is None else {kind: kinds[kind] for kind in KINDS},
        "things": None if made.objects is None else sum(thing.counted for thing in made.objects),
        "warnings": list(made.warnings),
    }
    return made


def _check(run: Run, recipe: Recipe, line: Line) -> Mapping[str, bytes]:
    from sonargrid.bench.run_check import check_run
    from sonargrid.results.check_files import check_files

    check = check_run(run)
    line["fit"] = check.fit
    line["findings"] = [{"id": one.id, "severity": one.severity} for one in check.findings]
    return check_files(check, run, FILES_OF["check"], recipe.theme)


def _count(run: Run, recipe: Recipe, made: Made | None, line: Line) -> Mapping[str, bytes]:
    from sonargrid.results.count_files import count_csv, count_json

    found = None if made is None else made.found
    if found is None:
        found = find_things(run, recipe.search or Search())
    listed = tuple(enumerate(found.things.objects, start=1))
    line["counted"] = sum(thing.counted for _, thing in listed)
    words = count_json(run, listed, found.pings, found.warnings) + "\n"
    return {"count.csv": count_csv(listed).encode(), "count.json": words.encode()}


def _compare(run: Run, recipe: Recipe, line: Line) -> Mapping[str, bytes]:
    from sonargrid.comparing.comparison import compare_beams, usual_settings
    from sonargrid.comparing.findings import against_best
    from sonargrid.results.compare_files import comparison_files

    typed = {name: getattr(recipe.settings, name) for name in ("cell_m", "extent_m", "redundancy")}
    found = compare_beams(
        run, settings=usual_settings(run, **{name: typed[name] for name in typed if name in recipe.origins})
    )
    names = [trial.name for trial in found.ranked]
    line["best_model"] = names[0] if len(found.folds) else None
    line["tied_models"] = [name for name in names[1:] if against_best(found, name) == "tie"]
    return comparison_files(found, theme=recipe.theme)[0]

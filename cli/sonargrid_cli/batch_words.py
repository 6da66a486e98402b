"""What `batch` says: what would be done, how far it is, and in the end what came of it and what failed."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sonargrid.errors import Fault, InputFaults

if TYPE_CHECKING:
    from sonargrid.many.recipe import Task

Line = Mapping[str, Any]


def default_batch_out(source: str) -> str:
    """Return the folder of a batch where none is named: in the current one, named after its source.

    >>> default_batch_out("runs/term_1/"), default_batch_out("lists/monday.toml"), default_batch_out("*.csv")
    ('term_1_maps', 'monday_maps', 'maps')
    """
    name = Path(os.path.abspath(source)).name.removesuffix(".toml")
    return "maps" if set(name) & set("*?[") else f"{name}_maps"


def dry_words(tasks: Sequence[Task], out: str, as_json: bool) -> str:
    """Return what a batch would do with each run."""
    wish = {task.run.name: "unless its files changed, stands" if task.before else "to do" for task in tasks}
    if as_json:
        runs = [{"name": task.run.name, "path": task.run.path, "finished": bool(task.before)} for task in tasks]
        return json.dumps({"out": out, "runs": runs}, indent=2, ensure_ascii=False)
    wide = max(map(len, wish))
    lines = [f"  {task.run.name:{wide}}  {wish[task.run.name]}  ({task.run.path})" for task in tasks]
    return "\n".join([f"{_runs(len(tasks))}, to be mapped into {out}:", *lines])


def write_sheet(lines: Sequence[Line], out: str, theme: str) -> tuple[str, ...]:
    """Write the contact sheet's pages into OUT and return their names; pages of an earlier, longer one are removed."""
    from sonargrid.drawing.contact_sheet import Small, contact_pages
    from sonargrid.results.out_folder import write_one

    small = [Small(str(line["name"]), words_of(line), _picture(Path(out) / str(line["name"]), line)) for line in lines]
    pages = contact_pages(small, f"{Path(os.path.abspath(out)).name}: {_runs(len(lines))}", theme)
    names = tuple(f"contact_sheet_{number}.png" for number in range(1, len(pages) + 1))
    for name, page in zip(names, pages, strict=True):
        write_one(page, Path(out) / name, (b"\x89PNG",))
    for left in Path(out).glob("contact_sheet_*.png"):
        if left.name not in names:
            left.unlink(missing_ok=True)
    return names


def _picture(folder: Path, line: Line) -> bytes | None:
    try:
        mapped = line["status"] == "done" or (line.get("steps") or {}).get("map") == "done"
        return (folder / "map.png").read_bytes() if mapped else None
    except OSError:
        return None


def words_of(line: Line) -> str:
    """Return what came of one run, in a few words.

    >>> words_of({"status": "done", "things": 1, "kinds": {"wall": 2}, "warnings": ["too cold"]})
    '1 thing, 2 walls, 1 warning'
    """
    if line["status"] == "failed":
        return f"failed: {line['faults'][0]['words']}"
    walls = (line.get("kinds") or {}).get("wall", 0)
    warnings = len(line.get("warnings") or ())
    counts = [(line.get("things"), "thing"), (walls or None, "wall"), (warnings or None, "warning")]
    said = [f"{count} {noun}{'' if count == 1 else 's'}" for count, noun in counts if count is not None]
    said += ["unfit"] if line.get("fit") is False else []
    best = line.get("best_model")
    said += ["models tie" if line.get("tied_models") else f"best {best}"] if best else []
    return ", ".join(said) or "mapped"


def last_words(lines: Sequence[Line], out: str, pages: Sequence[str], asked: int) -> str:
    """Return what came of a batch."""
    fresh = sum(line["status"] == "done" and bool(line["fresh"]) for line in lines)
    stood = sum(line["status"] == "done" and not line["fresh"] for line in lines)
    failed = sum(line["status"] == "failed" for line in lines)
    counts = [f"{fresh} mapped"]
    counts += [f"{stood} unchanged"] if stood else []
    counts += [f"{failed} failed"] if failed else []
    counts += [f"{asked - len(lines)} not begun"] if asked > len(lines) else []
    unfit = sum(line.get("fit") is False for line in lines)
    counts += [f"{unfit} unfit for use"] if unfit else []
    sheet = f", {pages[0]}" + (f" to {pages[-1]}" if len(pages) > 1 else "") if pages else ""
    return f"{_runs(asked)}: {', '.join(counts)}\n{out}: a folder a run, batch.csv, batch.json{sheet}"


def as_json(lines: Sequence[Line], out: str, pages: Sequence[str]) -> str:
    """Return what came of a batch as one object."""
    from sonargrid.many.batch import told_of

    runs = [told_of(line) for line in lines]
    return json.dumps({"out": out, "contact_sheet": list(pages), "runs": runs}, indent=2, ensure_ascii=False)


def failure(failed: Sequence[Line]) -> InputFaults:
    """Return what failed in a batch and why, as the faults that the door tells."""
    faults = [
        Fault(f"{_step_of(line, line['faults'][0])} failed: {line['faults'][0]['words']}", line["faults"][0]["hint"])
        for line in failed
    ]
    return InputFaults(faults)


def _step_of(line: Line, fault: Mapping[str, Any]) -> str:
    """Return what failed: the run's name, and the step where there are several.

    >>> _step_of({"name": "bench", "steps": {"map": "done", "check": "failed"}}, {"step": "check"})
    'check of bench'
    """
    several = len(line.get("steps") or ()) > 1
    return f"{fault['step']} of {line['name']}" if several and fault.get("step") else str(line["name"])


def _runs(count: int) -> str:
    return f"{count} run{'' if count == 1 else 's'}"


def line_words(line: Line) -> str:
    """Return what came of one run, for the line that is told when it is done.

    >>> line_words({"name": "bench", "status": "done", "fresh": False})
    'bench: unchanged'
    """
    return f"{line['name']}: {'unchanged' if not line.get('fresh', True) else words_of(line)}"

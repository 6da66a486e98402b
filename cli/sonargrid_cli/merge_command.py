"""The command `merge`: maps of one frame added up, and the things of their runs fitted together.

Everything that loads numpy is imported inside the body.
"""

from __future__ import annotations

import json
import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sonargrid.errors import UsageProblem
from sonargrid_cli.map_words import FILE_WORDS, filled, length_words, things_sentence
from sonargrid_cli.notes import told
from sonargrid_cli.run_options import ScreenOptions, spread

if TYPE_CHECKING:
    from sonargrid.results.merge_files import Merged
    from sonargrid.runs.readings import Run

DEFAULT_OUT = "merged_map"


@dataclass(frozen=True, slots=True)
class MergeOptions:
    """What goes with the maps, and what is written."""

    out: Annotated[
        str, typer.Option("-o", "--out", metavar="OUT", help="Folder to write, or a file that ends in .npz.")
    ] = DEFAULT_OUT
    run: Annotated[
        list[str] | None,
        typer.Option("--run", metavar="RUN", help="What a map was made from; repeat it. Things are fitted anew."),
    ] = None
    together: Annotated[
        str | None,
        typer.Option("--together", metavar="FOLDER", help="Write the runs as one run, to be mapped together."),
    ] = None
    grow: Annotated[bool, typer.Option("--grow", help="Maps of one cell: onto a floor that holds all of them.")] = False
    force: Annotated[bool, typer.Option("--force", help="Replace another merged map.")] = False


@spread
def merge_maps(
    ctx: typer.Context,
    maps: Annotated[list[str], typer.Argument(metavar="MAP MAP ...", help="Maps' folders, or their grid.npz.")],
    wish: MergeOptions,
    screen: ScreenOptions,
) -> str:
    """Add the evidence of maps of one frame.

    Example: sonargrid merge monday_map tuesday_map -o both_map
    """
    _check_words(maps, wish)
    from sonargrid.results import merge_files
    from sonargrid.results.out_folder import MERGED_FOLDER, look_at_out

    out = wish.out
    alone = Path(out).suffix.lower() == ".npz"
    files = [merge_files.grid_file(path) for path in maps]
    inputs = [*map(str, files), *maps, *(wish.run or ())]
    identity = str(files[0].resolve())
    if not alone:
        look_at_out(out, identity, wish.force, inputs, MERGED_FOLDER)
    merged = merge_files.merge_maps(maps, _runs(wish.run or ()), wish.grow)
    if wish.together is not None:
        _save_together(merged, wish.together)
    command = shlex.join(["sonargrid", *ctx.obj])
    written = _write_alone(merged, out, inputs) if alone else _write(merged, out, identity, wish.force, inputs, command)
    told(merged.notes, screen.quiet)
    if screen.json:
        return json.dumps(_as_json(merged, out, written, wish.together), indent=2, ensure_ascii=False)
    return "" if screen.quiet else _report(merged, out, written, wish.together)


def _check_words(maps: Sequence[str], wish: MergeOptions) -> None:
    """Refuse words that do not go together, before anything is read."""
    if len(maps) < 2:
        raise UsageProblem("there is nothing to merge: give two maps or more", hint="such as a_map b_map")
    if wish.together is None:
        return
    if len(wish.run or ()) < 2:
        raise UsageProblem("--together needs the runs", hint="name each with --run")
    if Path(wish.together).resolve() == Path(wish.out).resolve():
        raise UsageProblem("-o and --together name the same place", hint="give them two names")


def _runs(paths: Sequence[str]) -> list[Run]:
    from sonargrid.runs.run_files import load_run

    return [load_run(path) for path in paths]


def _save_together(merged: Merged, folder: str) -> None:
    from dataclasses import replace

    from sonargrid.runs.run_files import save_run

    assert merged.run is not None
    save_run(replace(merged.run, name=Path(folder).name), folder)


def _write(merged: Merged, out: str, identity: str, force: bool, inputs: Sequence[str], command: str) -> list[str]:
    from sonargrid.results.merge_files import merge_files
    from sonargrid.results.out_folder import MERGED_FOLDER, write_outputs

    files = merge_files(merged, (command,), identity)
    write_outputs(files, out, identity, force, inputs, MERGED_FOLDER)
    return list(files)


def _write_alone(merged: Merged, out: str, inputs: Sequence[str]) -> list[str]:
    from sonargrid.results.out_folder import write_one

    if any(Path(out).resolve() == Path(path).resolve() for path in inputs):
        raise UsageProblem(f"{out} is one of the maps; nothing was written", hint="choose another name with -o")
    write_one(merged.grid.to_bytes(), out, (b"PK",))
    return [Path(out).name]


def _as_json(merged: Merged, out: str, written: Sequence[str], together: str | None) -> dict[str, object]:
    from sonargrid.results.exports import object_row

    frame = merged.grid.frame
    listed = merged.objects
    rows = None if listed is None else [object_row(thing, number) for number, thing in enumerate(listed, start=1)]
    return {
        "out": out,
        "files": list(written),
        "maps": list(merged.names),
        "cell_m": frame.cell_m,
        "extent_m": list(frame.extent_m),
        "cells_touched": merged.grid.cells_touched,
        "objects": rows,
        "together": together,
        "notes": list(merged.notes),
    }


def _report(merged: Merged, out: str, written: Sequence[str], together: str | None) -> str:
    from sonargrid.maps.merging import frame_words

    grid = merged.grid
    lines = [f"{len(merged.names)} maps added: {', '.join(merged.names)}"]
    lines.append(filled(f"  floor {frame_words(grid.frame)}", "  "))
    lines.append(f"  {grid.cells_touched} cells of {length_words(grid.cell_m)} were reached by readings")
    if merged.objects is None:
        lines.append("  no list of things: give the runs with --run to have them fitted")
    else:
        lines.append(filled(f"  {things_sentence(merged.objects)}", "  "))
    lines += ["", f"written to {out}"]
    if written != [Path(out).name]:
        lines += [f"  {name:13} {FILE_WORDS.get(name, '')}".rstrip() for name in written]
    if together is not None:
        lines += [
            "",
            f"the runs as one run: {together}",
            f"  sonargrid map {shlex.quote(together)}   maps them together",
        ]
    return "\n".join(lines)

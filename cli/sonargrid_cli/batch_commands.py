"""The commands for many runs at once: `batch`.

Everything that loads numpy is imported inside the bodies.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sonargrid.errors import UsageProblem
from sonargrid_cli.batch_watch import Watch
from sonargrid_cli.machine_options import MachineOptions, check_machines, reached
from sonargrid_cli.map_options import (
    ModelOptions,
    OutputOptions,
    ThingOptions,
    check_map_words,
    count_of,
    typed_model,
    typed_search,
)
from sonargrid_cli.notes import told
from sonargrid_cli.run_options import ScreenOptions, SettingOptions, names_of, spread, typed_settings

if TYPE_CHECKING:
    from sonargrid.many.recipe import Recipe

BATCH_PANEL = "The batch"
ALSO = (
    "check",
    "count",
    "compare",
)  # as `recipe.ALSO`; a test holds them equal


@dataclass(frozen=True, slots=True)
class BatchOptions:
    """How a batch is run."""

    jobs: Annotated[
        str | None,
        typer.Option("--jobs", "-j", metavar="N", help="Processes; default: one a core.", rich_help_panel=BATCH_PANEL),
    ] = None
    strict: Annotated[
        bool, typer.Option("--strict", help="Begin no further run once one failed.", rich_help_panel=BATCH_PANEL)
    ] = False
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Say what would be done, and leave.", rich_help_panel=BATCH_PANEL)
    ] = False
    also: Annotated[
        str | None,
        typer.Option(
            "--also",
            metavar="A,B,...",
            help=f"Beside each map: {', '.join(ALSO)}.",
            rich_help_panel=BATCH_PANEL,
        ),
    ] = None
    no_sheet: Annotated[
        bool, typer.Option("--no-sheet", help="No contact sheet of all maps.", rich_help_panel=BATCH_PANEL)
    ] = False


@spread
def map_batch(
    source: Annotated[
        str, typer.Argument(metavar="FOLDER|GLOB|LIST.toml", help="A folder of runs, a quoted pattern, or a list.")
    ],
    setting: SettingOptions,
    model: ModelOptions,
    things: ThingOptions,
    output: OutputOptions,
    batch: BatchOptions,
    where: MachineOptions,
    screen: ScreenOptions,
) -> str:
    """Map many runs, each into a folder of its own.

    What is finished and unchanged is not done again.

    Example: sonargrid batch term_1 --jobs 4
    """
    check_map_words(output, screen, model.tiled)
    check_machines(where)
    if output.show or things.empty is not None:
        raise UsageProblem("--show and --empty are for one run", hint="sonargrid map takes them")
    jobs = None if batch.jobs is None else count_of(batch.jobs, "--jobs")
    recipe = _recipe(setting, model, things, output, _also(batch.also))
    from sonargrid.many.batch import finish, plan
    from sonargrid.many.run_list import listed_runs
    from sonargrid.many.workers import cores
    from sonargrid_cli import batch_words

    runs = listed_runs(source)
    out = output.out or batch_words.default_batch_out(source)
    tasks = plan(runs, out, recipe, output.force)
    if batch.dry_run:
        return batch_words.dry_words(tasks, out, screen.json)
    watch = Watch("runs", len(tasks), screen.quiet, batch_words.line_words)
    jobs = jobs or min(cores(), len(tasks))
    with reached(where, jobs, screen.quiet) as machines, watch:
        hire = None if machines is None else machines.hire
        lines = finish(tasks, out, jobs, batch.strict, watch.watched(), hire)
    if watch.interrupted:
        raise KeyboardInterrupt
    return _said(lines, out, len(tasks), None if batch.no_sheet else output.theme, screen)


def _said(lines: Sequence[Mapping[str, Any]], out: str, asked: int, theme: str | None, screen: ScreenOptions) -> str:
    """Draw the contact sheet, unless its theme is None, and return what came of the batch."""
    from sonargrid_cli import batch_words

    pages = () if theme is None else batch_words.write_sheet(lines, out, theme)
    failed = [line for line in lines if line["status"] == "failed"]
    said = batch_words.last_words(lines, out, pages, asked)
    if failed:
        told([] if screen.quiet else said.split("\n"))
        raise batch_words.failure(failed)
    if screen.json:
        return batch_words.as_json(lines, out, pages)
    return "" if screen.quiet else said


def _also(text: str | None) -> tuple[str, ...]:
    """Return what each run gets beside its map, in the order in which it is done."""
    names = names_of(text)
    unknown = [name for name in names if name not in ALSO]
    if unknown:
        raise UsageProblem(f"--also takes {', '.join(ALSO)}, got '{unknown[0]}'", hint="such as --also check,count")
    return tuple(name for name in ALSO if name in names)


def _recipe(
    setting: SettingOptions, model: ModelOptions, things: ThingOptions, output: OutputOptions, also: tuple[str, ...]
) -> Recipe:
    """Return how every run is to be mapped, from what was typed and from the environment."""
    values, origins = typed_model(model)
    wanted, more_origins = typed_search(things)
    typed = typed_settings(setting)
    from sonargrid.many.recipe import Recipe
    from sonargrid.maps.evidence import MapSettings
    from sonargrid.pipeline import Search
    from sonargrid.runs.run_files import settings_from_environment

    return Recipe(
        MapSettings(**values),
        None if output.no_objects else Search(**wanted),
        {**settings_from_environment(os.environ), **typed},
        setting.calibration,
        output.svg,
        output.draw_objects,
        output.theme,
        {**origins, **more_origins},
        also,
        output.geotiff,
    )

"""The commands of a first day: `map` and `count`.

Everything that loads numpy is imported inside the bodies.
"""

from __future__ import annotations

import json
import math
import shlex
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sonargrid.errors import UsageProblem
from sonargrid_cli.config_words import shown_config
from sonargrid_cli.machine_options import MachineOptions, check_machines, reached
from sonargrid_cli.map_options import (
    ModelOptions,
    OutputOptions,
    ThingOptions,
    check_map_words,
    span_of,
    typed_model,
    typed_search,
)
from sonargrid_cli.notes import kept_words, more_words, told
from sonargrid_cli.run_options import RunOptions, ScreenOptions, length_of, load_chosen, refuse_two_readers, spread

if TYPE_CHECKING:
    from sonargrid.finding.things import Object
    from sonargrid.maps.additive import Elsewhere
    from sonargrid.maps.evidence import MapSettings
    from sonargrid.maps.mapping import Map
    from sonargrid.pipeline import Output
    from sonargrid.runs.readings import Run

COUNT_PANEL = "The list"


@dataclass(frozen=True, slots=True)
class ListOptions:
    """Which part of the list `count` prints, and how."""

    within: Annotated[
        str | None,
        typer.Option(
            "--within", metavar="LENGTH", help="Only things whose near face is so near.", rich_help_panel=COUNT_PANEL
        ),
    ] = None
    between: Annotated[
        str | None,
        typer.Option(
            "--between", metavar="FROM..TO", help="Only these head angles, degrees.", rich_help_panel=COUNT_PANEL
        ),
    ] = None
    csv: Annotated[bool, typer.Option("--csv", help="As objects.csv.", rich_help_panel=COUNT_PANEL)] = False
    show: Annotated[bool, typer.Option("--show", help="Also draw the map here.", rich_help_panel=COUNT_PANEL)] = False


@spread
def map_run(
    ctx: typer.Context,
    which: RunOptions,
    model: ModelOptions,
    things: ThingOptions,
    output: OutputOptions,
    where: MachineOptions,
    screen: ScreenOptions,
) -> str:
    """Make a map and a list of things from a run, in a folder.

    Example: sonargrid map bench_run --show
    """
    check_map_words(output, screen, model.tiled)
    check_machines(where)
    values, origins = typed_model(model)
    wanted, more_origins = typed_search(things)
    origins |= more_origins
    refuse_two_readers(which.run, things.empty, "--empty")
    from sonargrid.maps.evidence import MapSettings

    settings = MapSettings(**values)
    # a plain sum needs no more than how often what was heard: a long log then takes little memory
    run = load_chosen(
        which, count_repeats=output.no_objects and settings.named().solver == "additive", quiet=screen.quiet
    )
    from sonargrid.pipeline import Search, map_to_folder

    if which.show_config:
        return shown_config(run, {"map": settings.named(), "things": Search(**wanted)}, origins, screen.json)
    told(_before(settings, run, not output.no_objects), screen.quiet)
    empty = None if things.empty is None else load_chosen(which, things.empty, "--empty", quiet=screen.quiet)
    wish = _wish(ctx, output, things, origins)
    with _summed(where, settings.named(), screen.quiet) as elsewhere:
        done = map_to_folder(run, settings, None if output.no_objects else Search(empty, **wanted), wish, elsewhere)
    told(done.warnings, screen.quiet)
    if screen.verbose:
        told(more_words(run, done.summary["timing_s"]))
    if screen.json:
        return json.dumps(done.summary, indent=2, ensure_ascii=False)
    from sonargrid_cli.map_words import map_report

    said = [] if screen.quiet else [map_report(done)]
    return "\n\n".join([*_drawn(done.map, done.objects or (), output.show), *said])


def _before(settings: MapSettings, run: Run, listed: bool) -> list[str]:
    """Return what to say before a long wait, or much memory, that was asked for."""
    from sonargrid.maps.joint_cost import waiting_words

    said = [waiting_words(settings, run)]
    if run.readings.count is None:
        said += kept_words(len(run.readings), str(settings.named().solver), listed)
    return [words for words in said if words]


@contextmanager
def _summed(where: MachineOptions, settings: MapSettings, quiet: bool) -> Iterator[Elsewhere | None]:
    """Give what sums the stations' evidence on other machines, if any were asked for."""
    if where.machines is None:
        yield None
        return
    if settings.solver != "additive":
        words = "--machines sums the evidence of stations; the joint solver explains all of them together"
        raise UsageProblem(words, hint="add --solver additive")
    from sonargrid.many.workers import cores

    with reached(where, cores(), quiet) as machines:
        yield None if machines is None else machines.sums


def _wish(ctx: typer.Context, output: OutputOptions, things: ThingOptions, origins: Mapping[str, str]) -> Output:
    """Return what is to be written, and where."""
    from sonargrid.pipeline import Output

    return Output(
        None if output.out is None else Path(output.out),
        output.svg,
        output.draw_objects,
        output.force,
        (shlex.join(["sonargrid", *ctx.obj]),),
        origins,
        () if things.empty is None else (things.empty,),
        output.theme,
        geotiff=output.geotiff,
    )


@spread
def count_things(which: RunOptions, things: ThingOptions, chosen: ListOptions, screen: ScreenOptions) -> str:
    """List what stands there: how many things, where, how sure.

    Also says what the readings cannot tell.

    Example: sonargrid count bench_run --within 80cm
    """
    if sum((chosen.csv, screen.json, chosen.show)) > 1:
        raise UsageProblem("--csv, --json and --show exclude one another", hint="leave all but one out")
    within_m = math.inf if chosen.within is None else length_of(chosen.within, "--within")
    between = None if chosen.between is None else span_of(chosen.between, "--between")
    wanted, origins = typed_search(things)
    refuse_two_readers(which.run, things.empty, "--empty")
    run = load_chosen(which, quiet=screen.quiet)
    from sonargrid.pipeline import Search, find_things, within_reach
    from sonargrid.results.count_files import count_csv, count_json
    from sonargrid_cli import count_words

    if which.show_config:
        return shown_config(run, {"things": Search(**wanted)}, origins, screen.json)
    told(kept_words(len(run.readings), "joint", True), screen.quiet)
    empty = None if things.empty is None else load_chosen(which, things.empty, "--empty", quiet=screen.quiet)
    found = find_things(run, Search(empty, **wanted))
    listed = within_reach(found.things.objects, run, within_m, between)
    told(found.warnings, screen.quiet)
    if screen.verbose:
        told((*found.things.ghosts, *found.things.hidden, *more_words(run, {})))
    if chosen.csv:
        return count_csv(listed)
    if screen.json:
        return count_json(run, listed, found.pings, found.warnings)
    table = count_words.as_table(run, listed, found, _limits(chosen))
    if not chosen.show:
        return table
    from sonargrid.finding.floor_behind import as_far_as_seen
    from sonargrid.maps.evidence import MapSettings
    from sonargrid.maps.mapping import map_run as map_of

    made = as_far_as_seen(map_of(run, MapSettings(), found.pings), found.things)
    return "\n\n".join([*_drawn(made, found.things.objects, True), table])


def _limits(chosen: ListOptions) -> str:
    """Return what part of the list was asked for, in words; empty for all of it."""
    within = chosen.within and f"within {chosen.within}"
    between = chosen.between and f"head angles {chosen.between} degrees"
    return ", ".join(words for words in (within, between) if words)


def _drawn(made: Map, things: Sequence[Object], show: bool) -> list[str]:
    """Return the map as it is drawn on the screen, if it was asked for."""
    if not show:
        return []
    from sonargrid.drawing.pictures import map_content
    from sonargrid_cli.screen_words import shown_map

    return [shown_map(map_content(made, things))]

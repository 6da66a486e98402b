"""The command `compare`: the same readings under several beam models and solvers.

Everything that loads numpy is imported inside the bodies.
"""

from __future__ import annotations

import json
import shlex
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sonargrid.errors import SonargridError, UsageProblem
from sonargrid_cli.compare_commands import is_scene, progress
from sonargrid_cli.config_words import shown_config
from sonargrid_cli.map_options import BEAMS, ModelOptions, known_name, known_theme, typed_model
from sonargrid_cli.notes import more_words, told
from sonargrid_cli.run_options import RunOptions, ScreenOptions, load_chosen, names_of, refuse_two_readers, spread

if TYPE_CHECKING:
    from sonargrid.comparing.comparison import Comparison
    from sonargrid.comparing.trust import Trust
    from sonargrid.runs.readings import Run
    from sonargrid.simulation.scene import Scene

MODELS, OUTPUT = "The models", "What comes out"
KNOWN = (*BEAMS, "joint")  # and joint:NAME, which only the library knows all of


@dataclass(frozen=True, slots=True)
class CompareOptions:
    """What is compared, with what, and where it is written."""

    beams: Annotated[
        str | None,
        typer.Option(
            "--beams",
            metavar="A,B,...",
            help=f"Which of {', '.join(KNOWN)}, joint:BEAM; default: all but joint:BEAM.",
            rich_help_panel=MODELS,
        ),
    ] = None
    against: Annotated[
        str | None,
        typer.Option(
            "--against",
            metavar="SCENE|RUN",
            help="The truth: a scene file, or a run with surveyed targets.",
            rich_help_panel=MODELS,
        ),
    ] = None
    trust: Annotated[
        bool,
        typer.Option(
            "--trust",
            help="With --against: how far the probabilities can be trusted, with the redundancy weight and without.",
            rich_help_panel=MODELS,
        ),
    ] = False
    no_redundancy: Annotated[
        bool, typer.Option("--no-redundancy", help="Count each ping in full.", rich_help_panel=MODELS)
    ] = False
    cell: Annotated[
        str | None,
        typer.Option(
            "--cell",
            metavar="LENGTH",
            help="Edge of a cell; default 2 cm for one station, 4 cm for several.",
            rich_help_panel=MODELS,
        ),
    ] = None
    extent: Annotated[
        str | None,
        typer.Option(
            "--extent", metavar="BOX", help="XMIN,YMIN,XMAX,YMAX, metres or with units.", rich_help_panel=MODELS
        ),
    ] = None
    out: Annotated[
        str | None,
        typer.Option(
            "-o",
            "--out",
            metavar="OUT",
            help="Folder to write; default: the run's name and _compare.",
            rich_help_panel=OUTPUT,
        ),
    ] = None
    theme: Annotated[str, typer.Option("--theme", metavar="NAME", help="light or dark.", rich_help_panel=OUTPUT)] = (
        "light"
    )
    force: Annotated[
        bool, typer.Option("--force", help="Replace the comparison of another run.", rich_help_panel=OUTPUT)
    ] = False


@spread
def compare_models(ctx: typer.Context, which: RunOptions, wish: CompareOptions, screen: ScreenOptions) -> str:
    """Tell beam models apart by stations left out, or by the truth.

    Example: sonargrid compare bench --beams cone,gaussian,joint
    """
    names = _checked(wish)
    refuse_two_readers(which.run, wish.against, "--against")
    values, origins = typed_model(ModelOptions(no_redundancy=wish.no_redundancy, cell=wish.cell, extent=wish.extent))
    run = load_chosen(which)
    from sonargrid.comparing.comparison import compare_beams, usual_settings
    from sonargrid.results.compare_files import comparison_files
    from sonargrid.results.out_folder import COMPARISON_FOLDER, look_at_out, write_outputs

    settings = usual_settings(run, **{key: value for key, value in values.items() if key not in ("beam", "solver")})
    if which.show_config:
        return shown_config(run, {"compare": settings}, origins, screen.json)
    out = Path(f"{run.name}_compare" if wish.out is None else wish.out)
    inputs = () if wish.against is None else (wish.against,)
    place = look_at_out(out, run.path, wish.force, inputs, COMPARISON_FOLDER)
    truth = None if wish.against is None else _truth(wish.against)
    with progress("models compared", len(names or KNOWN), screen.quiet) as step:
        found = compare_beams(run, names, truth, settings, step)
    trust = _trust(found, truth) if wish.trust else ()
    files, entries = comparison_files(found, trust, (shlex.join(["sonargrid", *ctx.obj]),), wish.theme)
    write_outputs(files, out, run.path, wish.force, inputs, COMPARISON_FOLDER)
    told((*found.warnings, *filter(None, [place.sentence])), screen.quiet)
    if screen.verbose:
        told(more_words(run, {}))
    if screen.json:
        return json.dumps(entries, indent=2, ensure_ascii=False)
    from sonargrid_cli.compare_words import comparison_report

    return "" if screen.quiet else comparison_report(found, trust, out, list(files))


def _checked(wish: CompareOptions) -> list[str] | None:
    """Return the models asked for, None for all; refuse what cannot be, before anything is read."""
    known_theme(wish.theme)
    if wish.trust and wish.against is None:
        raise UsageProblem("--trust needs the truth", hint="add --against SCENE, or a run with surveyed targets")
    if wish.beams is None:
        return None
    names = names_of(wish.beams)
    for name in names:
        known_name(name.removeprefix("joint:"), KNOWN, "beam model or solver", "--beams")
    return list(names)


def _truth(path: str) -> Scene | Run:
    from sonargrid.runs.run_files import load_run
    from sonargrid.scores.scoring import scene_of_targets
    from sonargrid.simulation.scene_files import load_scene

    if is_scene(path):
        return load_scene(path)
    try:
        return scene_of_targets(load_run(path))
    except ValueError as problem:
        raise SonargridError(str(problem), hint="state [[target]]s in its run.toml", file=path) from None


def _trust(found: Comparison, truth: Scene | Run | None) -> tuple[Trust, ...]:
    from sonargrid.comparing.trust import trust_of

    assert truth is not None
    return trust_of(found, truth)

"""The commands that compare: `score` (a map against what truly stands there) and `simulate` (a room on paper -> a run).

Everything that loads numpy is imported inside the bodies.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Annotated

import typer

from sonargrid_cli.notes import told
from sonargrid_cli.run_options import ScreenOptions, spread

LONG_STATIONS = 3  # below this a simulation is over before a bar is drawn


@spread
def simulate_scene(
    scene: Annotated[str, typer.Argument(metavar="SCENE.toml", help="The room, the robot and the sweep.")],
    out: Annotated[str, typer.Option("-o", "--out", metavar="RUN", help="Folder of the run to write.")],
    screen: ScreenOptions,
    seed: Annotated[int | None, typer.Option("--seed", help="Instead of the scene's own.")] = None,
) -> str:
    """Record a run in a room on paper, with a ranger's own physics.

    Example: sonargrid simulate room.toml -o paper_run
    """
    from sonargrid.runs.run_files import save_run
    from sonargrid.simulation.scene_files import load_scene
    from sonargrid.simulation.simulate import simulate

    drawn = load_scene(scene)
    with progress("stations swept", len(drawn.stations), screen.quiet) as step:
        run = simulate(drawn, seed, step)
    folder = save_run(run, out)
    told(run.warnings, screen.quiet)
    silent = int((~(run.readings.distance < float("inf"))).sum())
    if screen.json:
        told_json = {"run": str(folder), "readings": len(run.readings), "stations": len(run.stations), "silent": silent}
        return json.dumps(told_json, indent=2, ensure_ascii=False)
    if screen.quiet:
        return ""
    places = f"{len(run.stations)} station{'s' if len(run.stations) != 1 else ''}"
    return f"{len(run.readings)} readings from {places}, {silent} of them silent, written to {folder}"


@spread
def score_map(
    out: Annotated[str, typer.Argument(metavar="OUT", help="A folder that map wrote.")],
    against: Annotated[
        str, typer.Option("--against", metavar="SCENE|RUN", help="A scene file, or a run with surveyed targets.")
    ],
    screen: ScreenOptions,
) -> str:
    """Say how near a map and its list came to the truth.

    Example: sonargrid score bench_map --against room.toml
    """
    from sonargrid.errors import SonargridError
    from sonargrid.results.map_files import load_map_files
    from sonargrid.runs.run_files import load_run
    from sonargrid.scores.scoring import score
    from sonargrid.simulation.scene_files import load_scene

    made = load_map_files(out)
    truth = load_scene(against) if is_scene(against) else load_run(against)
    try:
        scored = score(made.grid, truth, made.objects)
    except ValueError as problem:
        raise SonargridError(str(problem), hint="state [[target]]s in its run.toml", file=against) from None
    if screen.json:
        return json.dumps(scored.as_dict(), indent=2, ensure_ascii=False, allow_nan=False)
    rows = scored.rows()
    wide = max(len(what) for what, _ in rows)
    return "\n".join([f"{out} against {against}", *(f"  {what:{wide}}  {figure}" for what, figure in rows)])


def is_scene(path: str) -> bool:
    """Return True for a scene file, False for a run (a folder, a CSV file, standard input).

    >>> is_scene("bench/scene.toml"), is_scene("bench"), is_scene("-")
    (True, False, False)
    """
    return path.endswith(".toml")


@contextmanager
def progress(words: str, total: int, quiet: bool) -> Iterator[Callable[[int, int], None] | None]:
    """Show a bar on stderr while something long runs in a terminal; give the function that moves it."""
    if quiet or total < LONG_STATIONS or not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(words, total=total)
        yield lambda done, _: bar.update(task, completed=done)

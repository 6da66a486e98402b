"""The command `study`: rooms on paper, mapped in several ways and scored.

Everything that loads numpy is imported inside the body.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from sonargrid_cli.batch_watch import Watch
from sonargrid_cli.machine_options import MachineOptions, check_machines, reached
from sonargrid_cli.map_options import count_of, known_theme
from sonargrid_cli.notes import told
from sonargrid_cli.run_options import ScreenOptions, spread

FAILURES_TOLD = 5


@spread
def make_study(
    study: Annotated[str, typer.Argument(metavar="STUDY.toml", help="Scenes, seeds and settings.")],
    where: MachineOptions,
    screen: ScreenOptions,
    out: Annotated[
        str | None, typer.Option("-o", "--out", metavar="OUT", help="Folder; default: the study's name and _study.")
    ] = None,
    jobs: Annotated[str | None, typer.Option("--jobs", "-j", metavar="N", help="Processes; default: one a core.")] = (
        None
    ),
    theme: Annotated[str, typer.Option("--theme", metavar="NAME", help="light or dark.")] = "light",
) -> str:
    """Map rooms on paper, many seeds, in several ways; score them.

    What is finished is not done again.

    Example: sonargrid study two_beams.toml
    """
    known_theme(theme)
    check_machines(where)
    wanted = None if jobs is None else count_of(jobs, "--jobs")
    from sonargrid.many.study import run_study
    from sonargrid.many.study_file import load_study
    from sonargrid.many.workers import cores
    from sonargrid_cli import study_words

    plan = load_study(study)
    folder = Path(out) if out is not None else Path(f"{Path(study).stem}_study")
    total = plan.seeds * len(plan.scenes)
    watch = Watch("rooms", total, screen.quiet, study_words.piece_words)
    processes = wanted or min(cores(), total)
    with reached(where, processes, screen.quiet) as machines, watch:
        rows, failed = run_study(plan, folder, processes, watch.watched(), None if machines is None else machines.hire)
    if watch.interrupted:
        raise KeyboardInterrupt
    if failed:
        raise study_words.failure(failed, total)
    picture = study_words.write_picture(rows, plan, folder, theme)
    if screen.json:
        return json.dumps(study_words.as_object(rows, folder, picture), indent=2, ensure_ascii=False, allow_nan=False)
    told(study_words.notes(plan), screen.quiet)
    return "" if screen.quiet else study_words.table(rows, folder)

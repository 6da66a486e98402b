"""Before a map is worth a look: `check` (is the run fit for use?) and `bench-sheet` (what to do at the bench).

Everything that loads numpy is imported inside the bodies.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sonargrid.errors import OutputProblem, UsageProblem
from sonargrid_cli.answers import Answer
from sonargrid_cli.config_words import shown_config
from sonargrid_cli.map_options import known_theme
from sonargrid_cli.notes import more_words, told
from sonargrid_cli.run_options import RunOptions, ScreenOptions, load_chosen, spread

if TYPE_CHECKING:
    from sonargrid.bench.check_findings import RunCheck
    from sonargrid.runs.readings import Run

UNFIT = 1
KINDS = {
    ".png": (b"\x89PNG",),
    ".svg": (b"<svg",),
    ".json": (b"{",),
    ".html": (b"<!DOCTYPE html>",),
    ".txt": (b"BENCH",),
}
PAPERS = ("a4", "letter")


@spread
def check_readings(
    which: RunOptions,
    screen: ScreenOptions,
    out: Annotated[
        str | None,
        typer.Option("-o", "--out", metavar="OUT", help="A folder for check.png, .svg, .json; or one such file."),
    ] = None,
    theme: Annotated[str, typer.Option("--theme", metavar="NAME", help="Of the picture: light or dark.")] = "light",
) -> str:
    """Say whether a run is fit for use, and what to do if not.

    Exit status 1 = not fit.

    Example: sonargrid check --sample two_flowerpots -o bench_check
    """
    known_theme(theme)
    if out is not None and Path(out).suffix.lower() not in ("", ".png", ".svg", ".json"):
        raise UsageProblem(f"-o takes a folder, or a name that ends in .png, .svg or .json, got '{out}'")
    run = load_chosen(which)
    if which.show_config:
        return shown_config(run, {}, {}, screen.json)
    from sonargrid.bench.run_check import check_run
    from sonargrid_cli.check_words import check_report

    check = check_run(run)
    written = [] if out is None else _write(check, run, out, theme)
    told(more_words(run, {}) if screen.verbose else (), screen.quiet)
    status = 0 if check.fit else UNFIT
    if screen.json:
        from sonargrid.results.check_files import check_json

        return Answer(check_json(check, written), status)
    return Answer("" if screen.quiet else check_report(check, written, screen.verbose), status)


def _write(check: RunCheck, run: Run, out: str, theme: str) -> list[str]:
    """Write the folder, or the one file, and return the names."""
    from sonargrid.results.check_files import KINDS as CHECK_KINDS
    from sonargrid.results.check_files import check_files
    from sonargrid.results.out_folder import write_one

    folder, ending = Path(out), Path(out).suffix.lower()
    if not ending and folder.exists() and not folder.is_dir():
        raise OutputProblem("exists and is no folder", hint="choose another name with -o", file=out)
    names = [out] if ending else [str(folder / f"check{kind}") for kind in CHECK_KINDS]
    for name, content in check_files(check, run, names, theme).items():
        _make_folder(Path(name).parent)
        write_one(content, name, KINDS[Path(name).suffix.lower()])
    return names


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        words = f"cannot be made ({problem.strerror or problem})"
        raise OutputProblem(words, hint="choose another folder with -o", file=str(folder)) from None


@spread
def bench_sheet(
    which: RunOptions,
    screen: ScreenOptions,
    out: Annotated[
        str | None, typer.Option("-o", "--out", metavar="FILE", help="A .html page to print, or .txt.")
    ] = None,
    paper: Annotated[str, typer.Option("--paper", metavar="a4|letter", help="Of the page.")] = "a4",
) -> str:
    """Print what to do at the bench, with boxes to fill in.

    With a RUN, the figures of its ranger.

    Example: sonargrid bench-sheet --sample two_flowerpots -o sheet.html
    """
    if paper not in PAPERS:
        raise UsageProblem(f"unknown paper '{paper}'", hint=f"known: {', '.join(PAPERS)}")
    ending = "" if out is None else Path(out).suffix.lower()
    if out is not None and ending not in (".html", ".htm", ".txt"):
        raise UsageProblem(f"-o takes a name that ends in .html or .txt, got '{out}'", hint="such as -o sheet.html")
    run = None if which.run is None and which.sample is None else load_chosen(which)
    if which.show_config:
        if run is None:
            raise UsageProblem("--show-config belongs to a RUN", hint="leave it out")
        return shown_config(run, {}, {}, screen.json)
    from sonargrid.bench.bench_plan import bench_plan
    from sonargrid.results.bench_sheet import sheet_html, sheet_text
    from sonargrid.results.out_folder import write_one

    plan = bench_plan(run)
    if out is not None:
        page = sheet_text(plan) if ending == ".txt" else sheet_html(plan, paper)
        write_one(page.encode("utf-8"), out, KINDS[".txt" if ending == ".txt" else ".html"])
    if screen.json:
        posts = [{name: getattr(post, name) for name in post.__slots__} for post in plan.posts]
        figures = [{"name": name, "value": value, "note": note} for name, value, note in plan.figures]
        steps = [step.title for step in plan.steps]
        said = {"title": plan.title, "figures": figures, "posts": posts, "known_m": list(plan.known_m), "steps": steps}
        return json.dumps({**said, "file": out}, indent=2, ensure_ascii=False)
    if out is None:
        return sheet_text(plan)
    return "" if screen.quiet else f"bench sheet written to {out}"

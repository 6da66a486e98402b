"""The commands about stations: `align` (did they stand where the run says?) and `next` (where to park next).

Everything that loads numpy is imported inside the bodies.
"""

from __future__ import annotations

import json
import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sonargrid.errors import UsageProblem
from sonargrid_cli.config_words import shown_config
from sonargrid_cli.map_options import count_of, known_theme
from sonargrid_cli.notes import more_words, told
from sonargrid_cli.run_options import RunOptions, ScreenOptions, length_of, load_chosen, spread

if TYPE_CHECKING:
    from sonargrid.runs.readings import Run
    from sonargrid.stations.next_station import Proposal

OUTPUT, PLACES = "What comes out", "The places"
WIDTH = 79


@dataclass(frozen=True, slots=True)
class AlignOptions:
    """Where the corrected run goes."""

    out: Annotated[
        str | None,
        typer.Option(
            "-o",
            "--out",
            metavar="RUN",
            help="Folder of the corrected run; default: the run's name and _aligned.",
            rich_help_panel=OUTPUT,
        ),
    ] = None
    dry: Annotated[bool, typer.Option("--dry", help="Only say; write nothing.", rich_help_panel=OUTPUT)] = False
    theme: Annotated[
        str, typer.Option("--theme", metavar="NAME", help="Of the picture: light or dark.", rich_help_panel=OUTPUT)
    ] = "light"


@spread
def align_run(which: RunOptions, wish: AlignOptions, screen: ScreenOptions) -> str:
    """Correct where stations stood, from what several of them heard.

    Example: sonargrid align bench_run -o bench_run_aligned
    """
    known_theme(wish.theme)
    run = load_chosen(which)
    if which.show_config:
        return shown_config(run, {}, {}, screen.json)
    from sonargrid.errors import OutputProblem
    from sonargrid.results.station_files import POSE_COLUMNS, pose_rows, rows_csv
    from sonargrid.runs.run_saving import readings_csv, run_toml, write_new_folder
    from sonargrid.stations.alignment import align_stations

    out = Path(wish.out or f"{Path(run.name).name}_aligned")
    if not wish.dry and (out.exists() or out.is_symlink()):
        raise OutputProblem("is there already; a run is never written over", hint="choose another name", file=str(out))
    told(run.warnings, screen.quiet)
    found = align_stations(run)
    rows = pose_rows(run, found)
    if not wish.dry:
        from sonargrid.drawing.align_picture import draw_alignment

        files: dict[str, str | bytes] = {
            "run.toml": run_toml(found.run),
            "readings.csv": readings_csv(found.run),
            "poses.csv": rows_csv(POSE_COLUMNS, rows),
            "align.png": draw_alignment(run, found, wish.theme),
        }
        write_new_folder(files, out)
    told(found.notes, screen.quiet)
    if screen.verbose:
        told(more_words(run, {}))
    if screen.json:
        folder = None if wish.dry else str(out)
        return json.dumps({"run": folder, "stations": rows, "notes": list(found.notes)}, indent=2, ensure_ascii=False)
    if screen.quiet:
        return ""
    return "\n".join([*_pose_table(rows), "nothing written (--dry)" if wish.dry else f"corrected run in {out}"])


def _pose_table(rows: Sequence[dict[str, Any]]) -> list[str]:
    """Return the table of corrections, within 80 columns."""
    wide = min(18, max(7, *(len(str(row["station"])) for row in rows)))
    lines = [
        f"{'':{wide}}        moved by [cm]    turned [deg]   shared  left-out",
        f"{'station':{wide}}     x      y   +-    by     +-      arcs    arcs fit",
    ]
    for row in rows:
        dx, dy = 100.0 * (row["x_m"] - row["x_stated_m"]), 100.0 * (row["y_m"] - row["y_stated_m"])
        turn = math.remainder(row["heading_deg"] - row["heading_stated_deg"], 360.0)
        place = 100.0 * math.hypot(row["x_relative_sigma_m"], row["y_relative_sigma_m"]) / math.sqrt(2.0)
        verdict = "strayed" if row["strayed"] else ("better" if row["corrected"] else "not better")
        name = str(row["station"])
        name = name if len(name) <= wide else name[: wide - 1] + "~"
        lines.append(
            f"{name:{wide}} {dx:+6.1f} {dy:+6.1f} {place:4.1f} {turn:+6.1f} {row['heading_relative_sigma_deg']:5.1f}"
            f" {row['shared_arcs']:8d}    {verdict}"
        )
    return lines


@dataclass(frozen=True, slots=True)
class NextOptions:
    """How many places, how dense, and which files."""

    count: Annotated[str, typer.Option("--count", metavar="N", help="How many places.", rich_help_panel=PLACES)] = "3"
    spacing: Annotated[
        str | None,
        typer.Option("--spacing", metavar="LENGTH", help="Between places tried; default 10cm.", rich_help_panel=PLACES),
    ] = None
    cell: Annotated[
        str | None,
        typer.Option("--cell", metavar="LENGTH", help="Edge of a cell; default 4cm.", rich_help_panel=PLACES),
    ] = None
    picture: Annotated[
        str | None,
        typer.Option("--picture", metavar="FILE", help="The map with the places, a .png.", rich_help_panel=OUTPUT),
    ] = None
    csv: Annotated[bool, typer.Option("--csv", help="As CSV on stdout.", rich_help_panel=OUTPUT)] = False
    theme: Annotated[
        str, typer.Option("--theme", metavar="NAME", help="Of the picture: light or dark.", rich_help_panel=OUTPUT)
    ] = "light"


@spread
def park_next(which: RunOptions, wish: NextOptions, screen: ScreenOptions) -> str:
    """Say where to park next for the most news, and why.

    Example: sonargrid next bench_run --picture next.png
    """
    _check_words(wish, screen)
    count = count_of(wish.count, "--count")
    spacing = 0.10 if wish.spacing is None else length_of(wish.spacing, "--spacing")
    cell = 0.04 if wish.cell is None else length_of(wish.cell, "--cell")
    run = load_chosen(which)
    if which.show_config:
        return shown_config(run, {}, {}, screen.json)
    from sonargrid.finding.objects import fit_objects
    from sonargrid.maps.evidence import MapSettings
    from sonargrid.maps.mapping import map_run
    from sonargrid.results.station_files import PLACE_COLUMNS, place_rows, rows_csv
    from sonargrid.stations.next_station import next_station

    made = map_run(run, MapSettings(solver="joint", cell_m=cell))
    told(made.warnings, screen.quiet)
    listed = fit_objects(made.pings, run)
    things = listed.objects
    places = next_station(made, things, count, spacing)
    if wish.picture is not None:
        from sonargrid.drawing.bench_pictures import save_picture
        from sonargrid.drawing.next_picture import draw_places
        from sonargrid.finding.floor_behind import as_far_as_seen

        save_picture(draw_places(as_far_as_seen(made, listed), things, places, wish.theme), wish.picture)
    told([*_too_few(len(places), count), CAUTION], screen.quiet)
    rows = place_rows(places)
    if screen.json:
        return json.dumps(
            {"places": [r | {"way": p.way()} for r, p in zip(rows, places, strict=True)], "picture": wish.picture},
            indent=2,
            ensure_ascii=False,
        )
    if wish.csv:
        return rows_csv(PLACE_COLUMNS, rows).rstrip("\r\n")
    return "" if screen.quiet else "\n".join(_words(places, run, wish.picture))


CAUTION = "look at the floor before you drive: the map is a slice at the beam's height and no safety function"


def _too_few(found: int, asked: int) -> list[str]:
    """Return why there are fewer places than were asked for."""
    if found >= asked:
        return []
    from sonargrid.stations.next_station import APART_M

    places = "one place" if found == 1 else f"{found} places"
    return [
        f"only {places}: the rest of the floor that the map shows as free and reachable lies within "
        f"{100.0 * APART_M:.0f} cm of {'it' if found == 1 else 'them'}"
    ]


def _check_words(wish: NextOptions, screen: ScreenOptions) -> None:
    """Refuse flags that do not go together, before anything is read."""
    known_theme(wish.theme)
    if wish.csv and screen.json:
        raise UsageProblem("--csv and --json exclude one another", hint="leave one out")
    if wish.picture is not None and Path(wish.picture).suffix.lower() != ".png":
        raise UsageProblem(f"--picture takes a name that ends in .png, got '{wish.picture}'", hint="such as next.png")


def _words(places: Sequence[Proposal], run: Run, picture: str | None) -> list[str]:
    lines = []
    for rank, place in enumerate(places, start=1):
        heading = math.degrees(place.heading_rad)
        lines.append(f"{rank}. {place.way()}")
        lines.append(f"   x {place.x_m:.2f} m, y {place.y_m:.2f} m, heading {heading:.0f} degrees")
        for reason in place.reasons:
            lines += textwrap.wrap(reason, WIDTH, initial_indent="   - ", subsequent_indent="     ")
    if picture is not None:
        lines.append(f"drawn on the map in {picture}")
    return lines

"""The whole way in one function: a run -> calibrated pings -> map -> things -> files.

The only place that knows the order; in the package only `many` imports it.  Reading a run's files is `run_files`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from time import perf_counter
from typing import TYPE_CHECKING, Any, TypeVar

from sonargrid.errors import UsageProblem
from sonargrid.finding.things import Object
from sonargrid.maps.additive import Elsewhere
from sonargrid.maps.evidence import MapSettings
from sonargrid.maps.grid import LogOddsGrid
from sonargrid.maps.mapping import COUNTED_HINT, Map, map_run
from sonargrid.maps.tiled_map import map_in_tiles
from sonargrid.physics.geometry import to_floor, wrap
from sonargrid.results.beam_told import beam_told, beam_warning
from sonargrid.results.exports import (
    default_out,
    grid_png,
    look_at_out,
    objects_csv,
    summary,
    summary_json,
    world_file,
    write_outputs,
)
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Pings, Ranger, Run, Station
from sonargrid.runs.stations_agree import contradictions

if TYPE_CHECKING:
    from sonargrid.finding.objects import ObjectList
    from sonargrid.maps.tiled_grid import TiledGrid

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Search:
    """How things are to be found.

    empty : a run of the same floor without the things; what it shows is background
    size_prior_m : radius to assume where one station cannot tell
    min_confidence : claims below this are left out
    """

    empty: Run | None = None
    size_prior_m: float = 0.05  # as `objects.SIZE_PRIOR_M`, which a plain grid need not load; a test holds them equal
    min_confidence: float = 0.5  # as `objects.MIN_CONFIDENCE`


@dataclass(frozen=True, slots=True)
class Output:
    """What is to be written, and where.

    folder : None = the run's name and ``_map``, in the current folder
    svg : whether map.svg is written too
    draw_objects : whether the grid gets a layer with the things drawn in
    force : whether the map of another run may be replaced
    commands : what was typed, for summary.json
    origins : field of `MapSettings` or `Search` -> the flag or variable it came from
    inputs : further files and folders that were read, so that none is overwritten
    theme : of the pictures, ``light`` or ``dark``
    typed_in : the folder that relative paths start from; empty = the current one
    versions : of what takes part; None = what this process has loaded
    geotiff : whether grid.tif is written too
    """

    folder: Path | None = None
    svg: bool = False
    draw_objects: bool = False
    force: bool = False
    commands: tuple[str, ...] = ()
    origins: Mapping[str, str] = field(default_factory=dict)
    inputs: tuple[str, ...] = ()
    theme: str = "light"
    typed_in: str = ""
    versions: Mapping[str, str] | None = None
    geotiff: bool = False


AS_USUAL, SEARCH, NEW_FOLDER = MapSettings(), Search(), Output()


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """What one way through came to.

    objects : the list, in the order of objects.csv; None where it was not asked for
    folder, files : where the files lie, and their names in it
    summary : what summary.json says
    """

    map: Map
    objects: tuple[Object, ...] | None
    folder: Path
    files: tuple[str, ...]
    warnings: tuple[str, ...]
    summary: Mapping[str, Any]


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """The whole list of a run, and the pings it came from.

    things : the rows, the run's own beam, and what was thought on the way
    warnings : sentences for the user, the run's own included
    """

    things: ObjectList
    pings: Pings
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Made:
    """A map with everything that is to be written of it, before anything is.

    found : the list and its pings; None where it was not asked for
    files : name -> content, summary.json last
    summary : what summary.json says
    """

    map: Map
    found: Found | None
    files: Mapping[str, bytes]
    warnings: tuple[str, ...]
    summary: Mapping[str, Any]

    @property
    def objects(self) -> tuple[Object, ...] | None:
        """The list, in the order of objects.csv."""
        return None if self.found is None else self.found.things.objects


def map_to_folder(
    run: Run,
    settings: MapSettings = AS_USUAL,
    search: Search | None = SEARCH,
    output: Output = NEW_FOLDER,
    elsewhere: Elsewhere | None = None,
) -> Outcome:
    """Map a run, list what stands there and write everything into one folder, whole or not at all.

    Parameters
    ----------
    run : Run
        As loaded or simulated.
    settings : MapSettings
        Beam model, solver, cell and weights.
    search : Search, optional
        How things are to be found; None = only the grid.
    output : Output
        Where to write, and what.
    elsewhere : function, optional
        Sums the stations' evidence on other machines, see `additive`.

    Raises
    ------
    OutputProblem
        If the folder may not or cannot be written; nothing is left half done.
    UsageProblem, SonargridError
        As `map_run`.
    """
    out = default_out(run) if output.folder is None else output.folder
    # asked first, so that nobody waits for a map that may not be kept
    place = look_at_out(out, run.path, output.force, output.inputs)
    made = make_map(run, settings, search, output, place.sentence, elsewhere)
    folder = write_outputs(made.files, out, run.path, output.force, output.inputs)
    return Outcome(made.map, made.objects, folder, tuple(made.files), made.warnings, made.summary)


def make_map(
    run: Run,
    settings: MapSettings = AS_USUAL,
    search: Search | None = SEARCH,
    output: Output = NEW_FOLDER,
    note: str = "",
    elsewhere: Elsewhere | None = None,
) -> Made:
    """Map a run and list what stands there; touches no file.

    Parameters
    ----------
    run, settings, search, output, elsewhere
        As `map_to_folder`.
    note : str
        A further sentence for the user.

    Raises
    ------
    UsageProblem, SonargridError
        As `map_run`.
    """
    took: dict[str, float] = {}
    tiled = _timed(took, "map", lambda: map_in_tiles(run, settings, None, elsewhere)) if settings.tiled else None
    made = tiled.overview() if tiled else _timed(took, "map", lambda: map_run(run, settings, None, elsewhere))
    grid = tiled.grid if tiled else None
    found = None if search is None else _timed(took, "things", lambda: find_things(run, search, made.pings))
    objects = None if found is None else found.things.objects
    if found is not None:
        made = _with_list(made, found.things, output.draw_objects)
    files = _timed(took, "files", lambda: _files(made, objects, output, grid))
    beside = () if found is None else found.warnings
    warnings = tuple(dict.fromkeys(filter(None, (*made.warnings, *beside, *contradictions(run), note))))
    told = summary(
        made,
        objects,
        files,
        warnings=warnings,
        timing_s=took,
        commands=output.commands,
        origins=output.origins,
        typed_in=output.typed_in,
        versions=output.versions,
        more=None if found is None or search is None else _search_told(found.things, search, run.ranger),
        tiled=grid,
    )
    return Made(made, found, {**files, "summary.json": summary_json(told)}, warnings, told)


def _timed(took: dict[str, float], step: str, work: Callable[[], T]) -> T:
    start = perf_counter()
    done = work()
    took[step] = perf_counter() - start
    return done


def _with_list(made: Map, things: ObjectList, draw: bool) -> Map:
    """Return a map that knows its list: free floor is only what was seen, and things are drawn in if wanted."""
    from sonargrid.finding.floor_behind import as_far_as_seen

    made = as_far_as_seen(made, things)
    if not draw:
        return made
    from sonargrid.finding.drawn import drawn_log_odds

    grid = made.grid
    layers = {**grid.layers, "drawn_log_odds": drawn_log_odds(made, things.objects)}
    return replace(made, grid=LogOddsGrid(grid.frame, grid.log_odds, grid.touched, grid.meta, layers))


def _files(made: Map, objects: tuple[Object, ...] | None, output: Output, tiled: TiledGrid | None) -> dict[str, bytes]:
    """Return the content of every file but summary.json, by name; of a grid in tiles, pictures show its overview."""
    from sonargrid.drawing.pictures import draw_map, map_content, map_svg

    content = map_content(made, objects or ())
    files = {"map.png": draw_map(content, output.theme)}
    if output.svg:
        files["map.svg"] = map_svg(content, output.theme).encode()
    if objects is not None:
        files["objects.csv"] = objects_csv(objects).encode()
    files["grid.png"] = grid_png(made.grid, made.run.title or made.run.name)
    files["grid.pgw"] = world_file(made.grid.frame).encode()
    files["grid.npz"] = (tiled or made.grid).to_bytes()
    if output.geotiff:
        from sonargrid.results.geotiff import geotiff_bytes

        files["grid.tif"] = geotiff_bytes(tiled or made.grid, made.run.title or made.run.name)
    return files


def find_things(run: Run, search: Search = SEARCH, pings: Pings | None = None) -> Found:
    """Return the list of things in a run, without a map of it.

    Parameters
    ----------
    run : Run
        As loaded or simulated.
    search : Search
        How things are to be found.
    pings : Pings, optional
        The run's calibrated readings, where they are at hand already.
    """
    from sonargrid.finding.objects import fit_objects  # costs start-up time that a plain grid need not pay

    if run.readings.count is not None:
        raise UsageProblem("a list of things needs every reading, not counts of equal ones", hint=COUNTED_HINT)
    known = calibrated(run) if pings is None else pings
    empty = None if search.empty is None else calibrated(search.empty)
    things = fit_objects(known, run, search.size_prior_m, search.min_confidence, empty)
    beam = "" if things.beam is None else beam_warning(things.beam, run.ranger)
    return Found(things, known, tuple(dict.fromkeys(filter(None, (*run.warnings, *things.notes, beam)))))


def _search_told(things: ObjectList, search: Search, ranger: Ranger) -> dict[str, Any]:
    """Return what summary.json says of the search: how it was made, the run's own beam, and what is not listed."""
    told: dict[str, Any] = {
        "search": {
            "empty": None if search.empty is None else {"path": search.empty.path, "digest": search.empty.digest},
            "size_prior_m": search.size_prior_m,
            "min_confidence": search.min_confidence,
        },
        "ghosts": things.ghosts,
        "hidden": things.hidden,
    }
    if things.beam is not None:
        told["beam"] = beam_told(things.beam, ranger)
    return told


def within_reach(
    objects: Sequence[Object],
    run: Run,
    within_m: float = math.inf,
    between_deg: tuple[float, float] | None = None,
) -> tuple[tuple[int, Object], ...]:
    """Return (id, thing) of things near enough and in the asked part of the half circle; ids as in the whole list.

    Parameters
    ----------
    objects : sequence of Object
        The whole list.
    run : Run
        Whose stations the head angles are counted at.
    within_m : float
        Farthest near face, from the servo axis of the nearest station [m].
    between_deg : (float, float), optional
        Head angles from..to at the nearest station [deg], 90 = straight ahead.
    """
    low, high = (-math.inf, math.inf) if between_deg is None else between_deg
    return tuple(
        (number, thing)
        for number, thing in enumerate(objects, start=1)
        if thing.nearest_m <= within_m and low <= head_angle_deg(thing, run) <= high
    )


def head_angle_deg(thing: Object, run: Run) -> float:
    """Return the head angle at which the nearest station looks at a thing [deg]; 90 = straight ahead."""
    robot = run.robot

    def distance_m(station: Station) -> float:
        x, y = to_floor(station.x_m, station.y_m, station.heading_rad, robot.head_ahead_m, robot.head_left_m)
        return math.hypot(thing.x_m - float(x), thing.y_m - float(y))

    heard = [run.stations[index] for index in sorted(set(run.readings.station.tolist()))]
    nearest = min(heard, key=distance_m)
    return 90.0 + math.degrees(float(wrap(thing.bearing_rad - nearest.heading_rad)))

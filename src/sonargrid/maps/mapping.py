"""A run and a beam model -> a map: weights, frame and solver brought together.

Metres and radians on the floor axes.  Objects are found by `objects`, files written by `exports`.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sonargrid import __version__
from sonargrid.errors import UsageProblem
from sonargrid.maps.additive import Elsewhere, additive_grid
from sonargrid.maps.beams import BeamModel, make_beam
from sonargrid.maps.evidence import ADDITIVE_BEAM, JOINT_BEAM, MapSettings, frame_for, ray_weights
from sonargrid.maps.grid import GridFrame, LogOddsGrid
from sonargrid.maps.joint_cost import affordable
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Pings, Run

if TYPE_CHECKING:
    import xarray


@dataclass(frozen=True, slots=True)
class Map:
    """A map, what it was made from, and how.

    grid : the evidence, with its layers
    pings : the calibrated readings
    warnings : sentences for the user, the run's own included
    """

    grid: LogOddsGrid
    run: Run
    pings: Pings
    settings: MapSettings
    warnings: tuple[str, ...] = ()

    def __repr__(self) -> str:
        return f"Map of {self.run.name}: {self.method}, {self.grid!r}"

    @property
    def method(self) -> str:
        """Solver and beam model in words; the joint solver's own beam goes without saying."""
        beam = "" if self.settings.beam == JOINT_BEAM else f"{self.settings.beam} beam, "
        return f"{beam}{self.settings.solver} solver"

    def to_xarray(self) -> xarray.Dataset:
        """Return the grid as an `xarray.Dataset` over y and x [m], named after its run; see `LogOddsGrid.to_xarray`."""
        return self.grid.to_xarray().assign_attrs(title=self.run.title or self.run.name)


def _additive(
    pings: Pings, run: Run, beam: BeamModel, frame: GridFrame, settings: MapSettings, elsewhere: Elsewhere | None
) -> tuple[LogOddsGrid, tuple[str, ...]]:
    weights = ray_weights(pings, run.ranger.mean_half_beam_rad, settings)
    return additive_grid(pings, beam, frame, settings, weights, elsewhere)


def _joint(
    pings: Pings, run: Run, beam: BeamModel, frame: GridFrame, settings: MapSettings, elsewhere: Elsewhere | None
) -> tuple[LogOddsGrid, tuple[str, ...]]:
    # they cost start-up time that additive maps need not pay
    from sonargrid.maps.heard_beam import heard_with
    from sonargrid.maps.joint import joint_map

    plain, warnings = _additive(pings, run, beam, frame, settings, elsewhere)
    heard = None if settings.beam == JOINT_BEAM else heard_with(beam, run.ranger.reach_m)
    return joint_map(pings, run, frame, settings.redundancy, plain, heard), warnings


COUNTED_HINT = "load the run without count_repeats"

Solver = Callable[
    [Pings, Run, BeamModel, GridFrame, MapSettings, Elsewhere | None], tuple[LogOddsGrid, tuple[str, ...]]
]
SOLVERS: dict[str, Solver] = {"additive": _additive, "joint": _joint}


def map_meta(run: Run, settings: MapSettings) -> dict[str, object]:
    """Return what a grid remembers of its making: enough to repeat it, no clock time."""
    return {
        "format": "sonargrid-grid/1",
        "version": __version__,
        "run_digest": run.digest,
        "run_name": run.name,
        "solver": settings.solver,
        "beam": settings.beam,
        "cell_m": settings.cell_m,
        "extent_m": None if settings.extent_m is None else list(settings.extent_m),
        "redundancy": settings.redundancy,
        "repeat_correlation": settings.repeat_correlation,
        "silence_weight": settings.silence_weight,
        "never_lower": settings.never_lower,
        "evidence_limit": settings.evidence_limit,
        "half_beam_deg": round(float(run.ranger.mean_half_beam_rad) * 57.29577951308232, 6),
    }


def map_run(run: Run, settings: MapSettings, pings: Pings | None = None, elsewhere: Elsewhere | None = None) -> Map:
    """Return the map of a run under settings.

    Parameters
    ----------
    run : Run
        As loaded or simulated.
    settings : MapSettings
        Beam model, solver, cell and weights.
    pings : Pings, optional
        The run's calibrated readings, where they are at hand already.
    elsewhere : function, optional
        Sums the stations' evidence on other machines, see `additive`.

    Raises
    ------
    UsageProblem
        If beam model or solver are unknown, or cell and extent do not fit each other.
    SonargridError
        If the map would be too large, or no reading tells anything.
    """
    if settings.tiled:
        raise UsageProblem("a map in tiles is no single grid", hint="map_in_tiles makes it")
    settings, note, model, beam, known, frame = named_parts(run, settings, pings)
    grid, warnings = SOLVERS[str(settings.solver)](known, run, beam, frame, settings, elsewhere)
    meta = with_meta(run, settings, model, grid.meta)
    grid = LogOddsGrid(frame, grid.log_odds, grid.touched, meta, grid.layers)
    return Map(grid, run, known, settings, (*run.warnings, *filter(None, (note,)), *warnings))


def named_parts(
    run: Run, settings: MapSettings, pings: Pings | None
) -> tuple[MapSettings, str, str, BeamModel, Pings, GridFrame]:
    """Return settings with everything named, a sentence on that, the additive beam's name and model, pings and frame.

    Raises
    ------
    UsageProblem, SonargridError
        As `map_run`.
    """
    if settings.solver is not None and settings.solver not in SOLVERS:
        near = difflib.get_close_matches(settings.solver, SOLVERS, n=1)
        hint = f"did you mean '{near[0]}'?" if near else ""
        raise UsageProblem(f"unknown solver '{settings.solver}'; known: {', '.join(SOLVERS)}", hint=hint)
    settings, note = affordable(settings, run)
    # the joint solver keeps the sum beside it, and sums have no soft beam
    model = ADDITIVE_BEAM if settings.beam in (None, JOINT_BEAM) else str(settings.beam)
    beam = make_beam(model, run.ranger, settings.cell_m, settings.never_lower)
    known = calibrated(run) if pings is None else pings
    if known.count is not None and settings.solver != "additive":
        raise UsageProblem("readings that were counted together serve the additive solver only", hint=COUNTED_HINT)
    return settings, note, model, beam, known, frame_for(known, beam, settings)


def with_meta(run: Run, settings: MapSettings, model: str, own: Mapping[str, Any]) -> dict[str, Any]:
    """Return what a finished grid remembers; `own` = what its solver gave it."""
    prior = {} if settings.prior is None else {"prior": settings.prior}
    return {**map_meta(run, settings), "additive_beam": model, **own, **prior}


def build_map(run: Run, beam: str | None = None, solver: str = "additive", cell_m: float = 0.01, **more: object) -> Map:
    """Return the map of a run.

    Parameters
    ----------
    run : Run
        As loaded or simulated.
    beam : str, optional
        Name from `evidence.BEAM_NAMES`; default the solver's own: ``gaussian`` for sums, ``soft`` for the joint one.
    solver : str
        Name from `SOLVERS`.  Here the plain sum is the default, as maps of it add up; the command ``map`` takes
        ``joint``.
    cell_m : float
        Edge of a cell [m].
    **more
        Any other field of `MapSettings`.

    Raises
    ------
    UsageProblem, SonargridError
        As `map_run`.

    Examples
    --------
    >>> from sonargrid.runs.readings import Readings
    >>> rows = Readings("angle_deg", "range_cm", [60.0, 90.0, 120.0], [50.0] * 3, [0] * 3, [0] * 3, [1] * 3)
    >>> build_map(Run(rows), beam="cone", cell_m=0.05)
    Map of run: cone beam, additive solver, LogOddsGrid(11 x 18 cells of 0.05 m, 106 touched)
    """
    return map_run(run, MapSettings(beam=beam, solver=solver, cell_m=cell_m, **more))  # type: ignore[arg-type]

"""How a map is to be made (`MapSettings`), how much each ping counts, and which floor the map covers.

Neighbouring pings of one station hear the same thing, and repeats of one ping hear it again: neither is new evidence.
The redundancy weight brings a whole fan of pings back to about one, the repeat weight a pile of repeats to few.
Metres and radians.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.errors import SonargridError, UsageProblem
from sonargrid.maps.beams import BEAM_MODELS, BeamModel
from sonargrid.maps.grid import GridFrame
from sonargrid.runs.readings import Pings

REPEAT_CORRELATION = 0.8  # of two pings on one bearing; common practice, no source
SILENCE_WEIGHT = 0.3  # a smooth wall at a slant is silent too; common practice, no source
MOST_CELLS = 50_000_000
MOST_CELLS_ACROSS = 2**30  # cells are numbered in 32 bits
JOINT_BEAM, ADDITIVE_BEAM = "soft", "gaussian"  # where no beam model is named
ADDITIVE_ONLY = ("centreline", "tapered")  # shapes of evidence, not of hearing
BEAMS_OF_JOINT = (JOINT_BEAM, *(name for name in BEAM_MODELS if name not in ADDITIVE_ONLY))
BEAM_NAMES = (*BEAM_MODELS, JOINT_BEAM)
COMMON_CELLS_M = (0.005, 0.01, 0.02, 0.025, 0.05, 0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0)


@dataclass(frozen=True, slots=True)
class MapSettings:
    """Everything that decides a map besides its run.

    beam, solver : names, see `named`; None = left open
    extent_m : (x_min, y_min, x_max, y_max) or None = from the data
    redundancy : weigh neighbouring and repeated pings down
    prior : share of floor believed occupied beforehand; None = the solver's own belief
    tiled : keep only the touched floor, in tiles; then `max_cells` counts the cells of touched tiles
    """

    beam: str | None = None
    solver: str | None = None
    cell_m: float = 0.01
    extent_m: tuple[float, float, float, float] | None = None
    redundancy: bool = True
    repeat_correlation: float = REPEAT_CORRELATION
    silence_weight: float = SILENCE_WEIGHT
    never_lower: bool = False
    max_cells: int = MOST_CELLS
    evidence_limit: float = 10.0
    prior: float | None = None
    tiled: bool = False

    def __post_init__(self) -> None:
        if not (math.isfinite(self.cell_m) and self.cell_m > 0.0):
            raise UsageProblem(f"the cell must be a finite length above 0, got {self.cell_m}", hint="such as 1cm")
        if not 0.0 <= self.repeat_correlation <= 1.0:
            raise UsageProblem(f"the repeat correlation must lie in 0..1, got {self.repeat_correlation}")
        if not 0.0 <= self.silence_weight <= 1.0:
            raise UsageProblem(f"the silence weight must lie in 0..1, got {self.silence_weight}")
        if self.max_cells < 1:
            raise UsageProblem(f"the most cells must be 1 or more, got {self.max_cells}")

    def named(self) -> MapSettings:
        """Return the settings with beam model and solver named where they were left open.

        The solver is the joint one, unless only sums will do: with such a beam model, or in tiles; the beam is the
        solver's own.

        Raises
        ------
        UsageProblem
            If beam model and solver do not go together.

        Examples
        --------
        >>> MapSettings().named().beam, MapSettings(solver="additive").named().beam
        ('soft', 'gaussian')
        >>> MapSettings(beam="tapered").named().solver
        'additive'
        """
        if self.tiled and self.solver == "joint":
            raise UsageProblem(
                "the joint solver explains all readings of a floor together, in one piece: it makes no map in tiles",
                hint="--tiled with --solver additive, or leave --tiled out",
            )
        if self.tiled and self.beam == JOINT_BEAM:
            raise UsageProblem(
                f"the beam model '{self.beam}' is the joint solver's own, and a map in tiles is a sum",
                hint=f"--tiled --beam {ADDITIVE_BEAM}",
            )
        solver = self.solver or ("additive" if self.beam in ADDITIVE_ONLY or self.tiled else "joint")
        beam = self.beam or (JOINT_BEAM if solver == "joint" else ADDITIVE_BEAM)
        if solver == "joint" and beam in ADDITIVE_ONLY:
            raise UsageProblem(
                f"the joint solver has no use for the beam model '{beam}'",
                hint=f"--solver additive --beam {beam}, or one of {', '.join(BEAMS_OF_JOINT)}",
            )
        if solver == "additive" and beam == JOINT_BEAM:
            raise UsageProblem(
                f"the beam model '{beam}' is the joint solver's own", hint="--solver joint, or --beam gaussian"
            )
        return replace(self, beam=beam, solver=solver)


def angle_steps(pings: Pings) -> Floats:
    """Return each ray's angle step [rad], (M,): the median gap of its station's distinct commanded angles.

    A station with a single angle has no neighbours: its step is infinite.
    """
    rays = pings.rays
    steps = np.full(len(rays), math.inf)
    order = np.lexsort((rays.commanded_rad, rays.station))
    station, angle = rays.station[order], rays.commanded_rad[order]
    gap = np.diff(angle)
    # commanded angles come through degrees: below a nanoradian they are the same angle
    apart = (np.diff(station) == 0) & (gap > 1e-9)
    starts = np.flatnonzero(np.r_[True, np.diff(station) != 0]) if station.size else np.zeros(0, dtype=int)
    for start, end in zip(starts, [*starts[1:], station.size], strict=True):
        gaps = gap[start : end - 1][apart[start : end - 1]]
        if gaps.size:
            steps[order[start:end]] = _median(gaps)
    return steps


def _median(values: Floats) -> float:
    # np.median loads numpy.ma, which costs more start-up time than a whole sweep takes to map
    low, high = np.sort(values)[[(values.size - 1) // 2, values.size // 2]]
    return float(0.5 * (low + high))


def ray_weights(pings: Pings, half_beam_rad: float, settings: MapSettings) -> Floats:
    """Return how much one ping of each ray counts, (M,), 0..1.

    Weight = min(1, step / (2 half beam)) * n_eff / n with n_eff = n / (1 + (n - 1) rho) for n pings on a bearing.

    Parameters
    ----------
    pings : Pings
        Calibrated readings; void ones do not count as repeats.
    half_beam_rad : float
        Half of the beam's width [rad].
    settings : MapSettings
        `redundancy` off gives 1 everywhere.
    """
    rays = pings.rays
    if not settings.redundancy:
        return np.ones(len(rays))
    void = pings.void
    use = ~void if void.any() else slice(None)
    times = None if pings.count is None else pings.count[use]
    count = np.bincount(pings.ray[use], weights=times, minlength=len(rays)).astype(np.float64)
    # passes with backlash are two rays on one commanded angle, and still repeats of one another
    _, bearing = np.unique(np.round(np.stack([rays.station, rays.commanded_rad]), 9), axis=1, return_inverse=True)
    bearing = bearing.reshape(-1)
    n = np.bincount(bearing, weights=count)[bearing] if len(rays) else count
    repeat = 1.0 / (1.0 + (np.maximum(n, 1.0) - 1.0) * settings.repeat_correlation)
    return np.asarray(np.minimum(1.0, angle_steps(pings) / (2.0 * half_beam_rad)) * repeat)


def data_extent(pings: Pings, beam: BeamModel) -> tuple[float, float, float, float]:
    """Return (x_min, y_min, x_max, y_max) of all places that some ping speaks of, stations included [m]."""
    rays = pings.rays
    farthest = np.full(len(rays), -math.inf)
    # a farther echo never speaks of less floor; fmax passes over void readings, maximum is quicker where there are none
    (np.fmax if pings.void.any() else np.maximum).at(farthest, pings.ray, pings.range_m)
    limit = np.where(farthest > -math.inf, beam.limit_m(np.maximum(farthest, 0.0)), 0.0)
    reached = limit > 0.0
    if not reached.any():
        raise SonargridError("no reading tells anything about the floor", hint="all are void; sonargrid check says why")
    x, y, r, b = rays.x_m[reached], rays.y_m[reached], limit[reached], rays.bearing_rad[reached]
    half = np.minimum(beam.support_rad(r), math.pi)
    xs, ys = [x, rays.axis_x_m[reached]], [y, rays.axis_y_m[reached]]
    # a sector's extremes: its two edges, its axis, and the compass points inside it
    for turn in (-half, half, np.zeros_like(half)):
        xs.append(x + r * np.cos(b + turn))
        ys.append(y + r * np.sin(b + turn))
    for compass in (0.0, 0.5 * math.pi, math.pi, 1.5 * math.pi):
        off = np.abs(np.remainder(compass - b + math.pi, 2.0 * math.pi) - math.pi)
        inside = off <= half
        xs.append(np.where(inside, x + r * math.cos(compass), x))
        ys.append(np.where(inside, y + r * math.sin(compass), y))
    return (
        float(min(a.min() for a in xs)),
        float(min(a.min() for a in ys)),
        float(max(a.max() for a in xs)),
        float(max(a.max() for a in ys)),
    )


def frame_for(pings: Pings, beam: BeamModel, settings: MapSettings) -> GridFrame:
    """Return the frame of whole cells for a map.

    Raises
    ------
    UsageProblem
        If a cell is larger than the extent or the extent is no extent.
    SonargridError
        If there would be more than `max_cells` cells; names a cell that fits.
    """
    extent = settings.extent_m if settings.extent_m is not None else data_extent(pings, beam)
    x_min, y_min, x_max, y_max = extent
    if not (all(map(math.isfinite, extent)) and x_min < x_max and y_min < y_max):
        raise UsageProblem(
            f"the extent must run from smaller to larger x and y, got {','.join(f'{e:g}' for e in extent)}",
            hint="XMIN,YMIN,XMAX,YMAX in metres, such as -1,0,1,1",
        )
    width, height, cell = x_max - x_min, y_max - y_min, settings.cell_m
    if cell > max(width, height):
        raise UsageProblem(
            f"a cell of {cell:g} m is larger than the map of {width:.3g} m x {height:.3g} m", hint="try --cell 1cm"
        )
    across, up = math.ceil(width / cell) + 1, math.ceil(height / cell) + 1
    if settings.tiled and max(across, up) >= MOST_CELLS_ACROSS:
        raise SonargridError(
            f"a floor of {width:.4g} m x {height:.4g} m is {max(across, up)} cells of {cell:g} m wide, more than can "
            f"be numbered ({MOST_CELLS_ACROSS})",
            hint="a smaller --extent, or a larger --cell; are x_m and y_m metres?",
        )
    if across * up > settings.max_cells and not settings.tiled:
        fits = next(
            (
                c
                for c in COMMON_CELLS_M
                if (math.ceil(width / c) + 1) * (math.ceil(height / c) + 1) <= settings.max_cells
            ),
            max(width, height),
        )
        raise SonargridError(
            f"a map of {width:.4g} m x {height:.4g} m with cells of {cell:g} m has {across} x {up} = "
            f"{across * up} cells, more than {settings.max_cells}",
            hint=f"--cell {fits:g} fits; or --tiled, which keeps only the floor that readings reached (with --solver "
            "additive); or a smaller --extent",
        )
    return GridFrame.around(x_min, y_min, x_max, y_max, cell)

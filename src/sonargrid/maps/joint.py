"""The joint solver: all readings of all stations explained together, one cause per echo, and turned into evidence.

Works on cells of the size that a wide beam can tell apart (`Recipe.cell_m`); finer maps are interpolated from it.
Metres and radians on the floor axes.  Parameters come from benchmarks/fit_joint.py; benchmarks/README.md has figures.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from sonargrid.arrays import Bools, Floats, Floats32
from sonargrid.maps.arc_map import ArcHump
from sonargrid.maps.behind_walls import behind_walls
from sonargrid.maps.explained import Explained, Recipe, explain_run
from sonargrid.maps.first_return import Causes
from sonargrid.maps.grid import GridFrame, LogOddsGrid
from sonargrid.maps.wedges import SoftBeam, WedgeBeam
from sonargrid.physics.log_odds import to_probability
from sonargrid.runs.readings import Pings, Run

FADE = 0.01  # weighted looks below which evidence fades out: half of one ping at the very edge of the beam
# a spot that answers lifts its neighbours, too: true to believed share was 1 to 4.3 .. 7.2 in five classes of worlds
BELIEVED_FOR_ONE = 5.0
FEWEST = 0.001  # answer rate beforehand, however long the reach

ONE_STATION = Recipe(
    cell_m=0.02,
    sectors=1,
    beam=SoftBeam(math.radians(28.1), math.radians(3.9), math.radians(3.3)),
    causes=Causes(0.68, 0.2, 0.035, 0.0059, 0.47, 0.012),
    narrow=ArcHump(0.011, 1.4),
    wide=ArcHump(0.066, 2.8),
    weights={
        "best": 0.3316,
        "mean": 0.3316,
        "peak": 1.212,
        "smooth": 2.413,
        "share": -1.366,
        "looks": 0.3907,
        "passed": 2.598,
        "heard": -2.126,
        "heard_peak": -1.622,
        "arc": 1.625,
        "wide_arc": 0.9472,
    },
    constant=-3.677,
    undecided=2.5,
    passes=10,
)
SEVERAL_STATIONS = Recipe(
    cell_m=0.04,
    sectors=4,
    beam=SoftBeam(math.radians(30.5), math.radians(2.3), math.radians(2)),
    causes=Causes(0.98, 0.0075, 0.25, 0.0044, 1.4, 0.03),
    narrow=ArcHump(0.0058, 1.4),
    wide=ArcHump(0.035, 3.4),
    weights={
        "best": 0.0342,
        "mean": 1.2,
        "peak": 1.196,
        "smooth": 0.01242,
        "share": -1.008,
        "looks": -0.04092,
        "passed": -0.1982,
        "heard": 2.245,
        "heard_peak": -2.234,
        "arc": -0.4731,
        "wide_arc": 1.554,
    },
    constant=-0.5287,
    undecided=0.75,
    passes=8,
    turns=(0.0, 0.5),
)


def recipe_for(pings: Pings) -> Recipe:
    """Return the recipe that a recording's own circumstances ask for: one station with its reach, or several."""
    if len(set(pings.rays.station[pings.ray[~pings.void]].tolist())) > 1:
        return SEVERAL_STATIONS
    # the recipe is for a reach of 1 m; at 5 m there are 25 times as many cells in sight but not as many things, and
    # beams that expect something everywhere take no echo from afar for real
    fewer = max(1.0, 0.5 * (1.0 + pings.reach_m))
    if fewer == 1.0:
        return ONE_STATION
    rate = max(FEWEST, ONE_STATION.causes.rate / fewer)
    return replace(ONE_STATION, causes=replace(ONE_STATION.causes, rate=rate))


def decide(evidence: Floats, undecided: float, hold: float) -> Floats:
    """Return evidence with its undecided middle held just below 0, so that > 0 means occupied; rising everywhere.

    Floor is mostly free: a cell is called occupied only if its evidence beats 0 by `undecided` nats.  Evidence below
    -hold stays as it is, far above the middle it does too.

    >>> [round(float(x), 2) for x in decide(np.array([-3.0, -0.3, 2.0, 9.0]), 2.0, 0.3)]
    [-3.0, -0.3, 0.0, 8.98]
    """
    middle = -hold + (evidence + hold) * hold / (undecided + hold)
    above = evidence - undecided * np.exp(np.minimum(0.0, (undecided - evidence) / 1.5))
    return np.asarray(np.where(evidence < -hold, evidence, np.where(evidence < undecided, middle, above)))


def combine(explained: Explained, recipe: Recipe) -> Floats:
    """Return the balanced evidence of each cell from its weighted features; means nothing where nobody looked."""
    total = np.full(explained.frame.shape, recipe.constant)
    for name, weight in recipe.weights.items():
        total += weight * explained.features[name]
    return total


def seen(explained: Explained) -> Floats:
    """Return how far each cell's evidence counts, 0..1: it fades out where hardly anybody looked."""
    return np.asarray(-np.expm1(-explained.looks / FADE) * (explained.touched > 0))


def working_frame(frame: GridFrame, cell_m: float) -> tuple[GridFrame, int]:
    """Return the frame of working cells that covers a frame, and how many fine cells one of them is wide."""
    factor = max(1, round(cell_m / frame.cell_m))
    if factor == 1:
        return frame, 1
    left, bottom = frame.corner_cells[0] // factor, frame.corner_cells[1] // factor
    right = -(-(frame.corner_cells[0] + frame.columns) // factor)
    top = -(-(frame.corner_cells[1] + frame.rows) // factor)
    return GridFrame(frame.cell_m * factor, (left, bottom), top - bottom, right - left), factor


def _onto(frame: GridFrame, coarse: GridFrame, factor: int, values: Floats, smooth: bool) -> Floats:
    """Return values of working cells on the cells of a finer frame, bilinear or cell by cell."""
    if factor == 1:
        return values
    row = (np.arange(frame.rows) + frame.corner_cells[1] + 0.5) / factor - coarse.corner_cells[1]
    column = (np.arange(frame.columns) + frame.corner_cells[0] + 0.5) / factor - coarse.corner_cells[0]
    if not smooth:
        return np.asarray(values[np.floor(row).astype(int)[:, None], np.floor(column).astype(int)[None, :]])
    return _bilinear(values, row - 0.5, column - 0.5)


def _bilinear(values: Floats, row: Floats, column: Floats) -> Floats:
    r = np.clip(row, 0.0, values.shape[0] - 1.0)
    c = np.clip(column, 0.0, values.shape[1] - 1.0)
    r0, c0 = np.floor(r).astype(int), np.floor(c).astype(int)
    r1, c1 = np.minimum(r0 + 1, values.shape[0] - 1), np.minimum(c0 + 1, values.shape[1] - 1)
    tr, tc = (r - r0)[:, None], c - c0
    upper = values[r0][:, c0] * (1.0 - tc) + values[r0][:, c1] * tc
    lower = values[r1][:, c0] * (1.0 - tc) + values[r1][:, c1] * tc
    return np.asarray(upper * (1.0 - tr) + lower * tr)


def _layer(frame: GridFrame, coarse: GridFrame, factor: int, values: Floats) -> Floats32:
    return _onto(frame, coarse, factor, values, smooth=False).astype(np.float32)


def believed_share(evidence: Floats, touched: Bools) -> float:
    """Return the share of touched working cells that hold something, by the evidence's own word.

    Expectation, maximised; of the cells that look occupied only one in `BELIEVED_FOR_ONE` holds what answers.
    """
    e = evidence[touched]
    share = 0.02
    if e.size:
        for _ in range(20):
            share = min(0.2, max(0.001, float(to_probability(e, share).mean())))
    return share / BELIEVED_FOR_ONE


def joint_map(
    pings: Pings,
    run: Run,
    frame: GridFrame,
    weigh: bool,
    additive: LogOddsGrid,
    beam: WedgeBeam | None = None,
) -> LogOddsGrid:
    """Return the joint map of a run, with its layers.

    Parameters
    ----------
    pings : Pings
        Calibrated readings.
    run : Run
        Its ranger.
    frame : GridFrame
        The map's cells.
    weigh : bool
        Whether repeats and close neighbours weigh less.
    additive : LogOddsGrid
        The additive map on the same frame; becomes a layer.
    beam : WedgeBeam, optional
        Whose detection counts; default the solver's own.
    """
    recipe = recipe_for(pings)
    coarse, factor = working_frame(frame, recipe.cell_m)
    explained = explain_run(pings, run.ranger, coarse, recipe, weigh, beam)
    balanced = combine(explained, recipe)
    known = seen(explained)
    decided = decide(balanced, recipe.undecided, recipe.hold) * known
    decided[behind_walls(decided, decided < 0.0, coarse, pings.rays)] = 0.0
    share = believed_share(balanced * known, explained.touched > 0)
    touched = _onto(frame, coarse, factor, explained.touched.astype(np.float64), smooth=False)
    evidence = np.where(touched > 0, _onto(frame, coarse, factor, decided, smooth=True), 0.0)
    area = float(factor * factor)  # echoes are counts: a finer cell holds its part of them
    return LogOddsGrid(
        frame,
        evidence.astype(np.float32),
        np.maximum(np.rint(touched).astype(np.int64), additive.touched).astype(np.uint32),
        {**additive.meta, "solver": "joint", "prior": round(share, 6), "working_cell_m": coarse.cell_m},
        {
            "additive_log_odds": additive.log_odds,
            "expected_echoes": _layer(frame, coarse, factor, explained.expected / area),
            "unresolved_arc": _layer(frame, coarse, factor, explained.unresolved / area),
        },
    )

"""A map, a list of things or both against the truth: a scene, or a run's surveyed targets.

Map figures, in words.  Scored are the cells of the map in sight of a station within reach: `reflector` cells (what a
faultless ranger would report from somewhere) and `free` ones (`truth` tells them).  F1 is at log-odds above 0 with a
tolerance of one cell: precision = share of the cells called occupied (on surface or free cells) that have a surface
within one cell; recall = share of reflector cells that have a cell called occupied within one cell.
`balanced_log_loss` takes `log_odds` as evidence relative to 50:50 and weighs both classes alike; Brier score,
reliability and calibration error take `probability()`, prior included; AUC takes `log_odds`.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import asdict, dataclass

import numpy as np
from scipy.ndimage import maximum_filter

from sonargrid.arrays import Bools, Floats32
from sonargrid.finding.things import Object
from sonargrid.maps.grid import LogOddsGrid
from sonargrid.maps.mapping import Map
from sonargrid.runs.readings import Run
from sonargrid.scores.list_scoring import ListScore, none_if_nan, score_list
from sonargrid.scores.measures import (
    ReliabilityBin,
    auc,
    balanced_log_loss,
    brier_score,
    calibration_error,
    f1_of,
    reliability,
)
from sonargrid.scores.truth import CellTruth, cell_truth
from sonargrid.simulation.scene import Scene, ScenePost, SceneWall, SweepPlan

__all__ = ["MapScore", "Score", "scene_of_targets", "score", "score_map"]


@dataclass(frozen=True, slots=True)
class MapScore:
    """A map's figures; see the module's header.  nan = a class is empty."""

    f1: float
    precision: float
    recall: float
    balanced_log_loss: float
    brier: float
    auc: float
    calibration_error: float
    reliability: tuple[ReliabilityBin, ...]
    reflector_cells: int
    free_cells: int

    def as_dict(self) -> dict[str, object]:
        """Return all figures under plain names; None for nan."""
        found = {k: none_if_nan(v) if isinstance(v, float) else v for k, v in asdict(self).items()}
        return {**found, "reliability": [asdict(one) for one in self.reliability]}


@dataclass(frozen=True, slots=True)
class Score:
    """How a map and a list fare, and the map with its things drawn in; each may be missing."""

    grid: MapScore | None
    things: ListScore | None
    drawn: MapScore | None = None

    def as_dict(self) -> dict[str, object]:
        """Return both parts as JSON can hold them."""
        return {
            "map": None if self.grid is None else self.grid.as_dict(),
            "list": None if self.things is None else self.things.as_dict(),
            "drawn_map": None if self.drawn is None else self.drawn.as_dict(),
        }

    def rows(self) -> list[tuple[str, str]]:
        """Return (what, figure) as a table for people."""
        rows: list[tuple[str, str]] = []
        if self.grid is not None:
            g = self.grid
            rows += [
                ("surface cells, F1 (within one cell)", _figure(g.f1)),
                ("  precision, recall", f"{_figure(g.precision)}, {_figure(g.recall)}"),
                ("log loss, both classes alike", _figure(g.balanced_log_loss)),
                ("Brier score", _figure(g.brier, 4)),
                ("area under the ROC curve", _figure(g.auc)),
                ("calibration error", _figure(g.calibration_error, 4)),
            ]
            rows += [
                (f"  {one.count} cells, occupied by {one.claimed:.1%}", f"{one.observed:.1%} are")
                for one in g.reliability
            ]
        if self.drawn is not None:
            rows.append(
                ("things drawn in: F1, log loss", f"{_figure(self.drawn.f1)}, {_figure(self.drawn.balanced_log_loss)}")
            )
        if self.things is not None:
            t, d = self.things, self.things.as_dict()
            rows += [
                ("things there, listed", f"{t.things}, {t.listed}"),
                ("matched within 10 cm, within 5 cm", f"{t.decisions.right}, {t.close}"),
                ("false, of these outside the walls", f"{t.decisions.wrong}, {t.outside_walls}"),
                ("centre, median and RMS", f"{_mm(d['centre_median_m'])}, {_mm(d['centre_rms_m'])}"),
                ("near face, RMS", _mm(d["near_face_rms_m"])),
                ("bearing, median and RMS", f"{_deg(d['bearing_median_deg'])}, {_deg(d['bearing_rms_deg'])}"),
                ("centres inside their 95 % ellipse", f"{sum(m.inside for m in t.matches)} of {len(t.matches)}"),
                ("walls there, listed, right", f"{t.walls_true}, {t.walls_listed}, {t.walls_right}"),
            ]
        return rows


def _figure(value: float, digits: int = 3) -> str:
    return "-" if math.isnan(value) else f"{value:.{digits}f}"


def _mm(value: object) -> str:
    return f"{1000.0 * value:.0f} mm" if isinstance(value, float) else "-"


def _deg(value: object) -> str:
    return f"{value:.1f} deg" if isinstance(value, float) else "-"


def _beside(cells: Bools) -> Bools:
    """Return the cells that have a marked cell within one cell, corners included."""
    return np.asarray(maximum_filter(cells, 3, mode="constant", cval=False))


def score_map(grid: LogOddsGrid, truth: CellTruth, log_odds: Floats32 | None = None) -> MapScore:
    """Return a map's figures against the truth of its own cells.

    Parameters
    ----------
    grid : LogOddsGrid
        The map.
    truth : CellTruth
        On the same frame.
    log_odds : (rows, columns) array, optional
        A layer to score in place of the map's own, such as ``additive_log_odds``.

    Raises
    ------
    ValueError
        If the frames differ.
    """
    if truth.frame != grid.frame:
        raise ValueError(f"the map lies on {grid.frame}, the truth on {truth.frame}")
    judged = grid if log_odds is None else LogOddsGrid(grid.frame, log_odds, grid.touched, grid.meta)
    evidence = judged.log_odds.astype(np.float64)
    called = evidence > 0.0
    counted = called & (truth.surface | truth.free)
    right = int((counted & _beside(truth.surface)).sum())
    precision = right / int(counted.sum()) if counted.any() else math.nan
    reflector = truth.reflector
    recall = float((reflector & _beside(called)).sum() / reflector.sum()) if reflector.any() else math.nan
    f1 = f1_of(0.0 if math.isnan(precision) else precision, recall)
    scored = reflector | truth.free
    there, chance = reflector[scored], judged.probability()[scored]
    diagram = reliability(there, chance)
    return MapScore(
        f1=f1,
        precision=precision,
        recall=recall,
        balanced_log_loss=balanced_log_loss(there, evidence[scored]),
        brier=brier_score(there, chance),
        auc=auc(there, evidence[scored]),
        calibration_error=calibration_error(diagram),
        reliability=diagram,
        reflector_cells=int(reflector.sum()),
        free_cells=int(truth.free.sum()),
    )


def scene_of_targets(run: Run) -> Scene:
    """Return a run's surveyed targets as a scene: posts and walls, seen from the run's stations.

    The targets are taken for all that stands there.

    Raises
    ------
    ValueError
        If the run has no post and no wall among its targets.
    """
    posts = tuple(ScenePost(t.x_m, t.y_m, t.diameter_m) for t in run.targets if t.kind == "post")
    walls = tuple(SceneWall(t.x_m, t.y_m, t.x2_m, t.y2_m) for t in run.targets if t.kind == "wall")
    if not posts and not walls:
        raise ValueError("the run has no surveyed post or wall among its targets to score against")
    angles = np.unique(np.deg2rad(run.readings.angle)) if run.readings.angle_column != "pulse_us" else np.zeros(0)
    plan = SweepPlan()
    if angles.size > 1:
        step = float(np.median(np.diff(angles)))
        plan = SweepPlan(float(angles[0]), float(angles[-1]), step)
    return Scene(
        tuple(run.stations), walls, posts, air=run.air, ranger=run.ranger, head=run.head, robot=run.robot, sweep=plan
    )


def score(
    result: Map | LogOddsGrid | Sequence[Object],
    truth: Scene | Run,
    objects: Sequence[Object] | None = None,
    only: Collection[str] | None = None,
) -> Score:
    """Return how a map, a list of things or both fare against the truth.

    Parameters
    ----------
    result : Map, LogOddsGrid or sequence of Object
        What was made.
    truth : Scene or Run
        What stands there; a run stands for its surveyed targets.
    objects : sequence of Object, optional
        The list that goes with a map.
    only : names, optional
        Things that could be heard, see `score_list`.

    Raises
    ------
    ValueError
        If a run has no targets to score against.

    Examples
    --------
    >>> from sonargrid.runs.readings import Station
    >>> from sonargrid.finding.things import Object
    >>> scene = Scene((Station("A"),), posts=(ScenePost(0.0, 0.6, 0.1),))
    >>> found = Object("echo", 0.01, 0.6, 0.02, 0.02, 0.0, 0.55, math.pi / 2, 1, 20)
    >>> score([found], scene).things.perfect
    True
    """
    scene = scene_of_targets(truth) if isinstance(truth, Run) else truth
    grid = result.grid if isinstance(result, Map) else result if isinstance(result, LogOddsGrid) else None
    listed = objects if grid is not None else result
    assert listed is None or not isinstance(listed, (Map, LogOddsGrid))
    on_list = None if listed is None else score_list(listed, scene, only)
    if grid is None:
        return Score(None, on_list)
    cells, layer = cell_truth(scene, grid.frame), grid.layers.get("drawn_log_odds")
    return Score(score_map(grid, cells), on_list, None if layer is None else score_map(grid, cells, layer))

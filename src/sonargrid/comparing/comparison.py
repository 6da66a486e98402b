"""The same readings under several beam models and solvers, judged by readings left out and by the truth where known.

    run -> folds -> maps without each fold -> how well they foretell it -> paired differences -> verdicts

Metres on the floor axes, nats per ping.  Pictures, tables and files are the business of `drawing` and `results`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.comparing.contenders import checked_models, settings_of, sum_beam
from sonargrid.comparing.held_out import left_out_scores, replay
from sonargrid.comparing.left_out import Folds, by_fold, folds_of, left_out_maps
from sonargrid.comparing.verdicts import Pair, pairs_of, student_half_width
from sonargrid.maps.evidence import COMMON_CELLS_M, MapSettings, data_extent, frame_for
from sonargrid.maps.first_return import Causes
from sonargrid.maps.grid import GridFrame
from sonargrid.maps.joint import recipe_for
from sonargrid.maps.mapping import Map, map_run
from sonargrid.maps.wedges import SoftBeam
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import ASSUMED_HALF_BEAM_RAD, Pings, Ranger, Run
from sonargrid.scores.list_scoring import ListScore
from sonargrid.scores.scoring import MapScore, scene_of_targets, score_map
from sonargrid.scores.truth import cell_truth
from sonargrid.simulation.scene import Scene

MOST_ENTRIES = 4_000_000  # cells on the way of all rays: some 5 s a model; a larger run is compared on coarser cells
# how readings come about besides the map's own cells: the same for every model; benchmarks/bench_compare.py
JUDGE = Causes(answer_most=0.95, stray=0.05, missed=0.15, rate=0.0, strength=0.0, sigma_m=0.02)
JUDGE_BEAM = SoftBeam(math.radians(30.0), math.radians(3.0), math.radians(3.0))  # at the half beam that is assumed


@dataclass(frozen=True, slots=True, eq=False)
class Trial:
    """One model on the run.

    name : as asked for, see `contenders`
    map : of all readings
    scores : (K,) mean log likelihood of each fold's readings [nats per ping]; empty where nothing was left out
    truth : the map's figures; None where no truth was given
    """

    name: str
    map: Map
    scores: Floats
    truth: MapScore | None = None

    @property
    def mean(self) -> float:
        """Mean score over folds [nats per ping]; nan where nothing was left out."""
        return float(self.scores.mean()) if self.scores.size else math.nan

    @property
    def half_width(self) -> float:
        """Half the width of the Student interval of the mean; nan where there is none."""
        return student_half_width(self.scores)


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """What `compare_beams` found.

    trials : the models in the order asked for
    pairs : every pair of them once
    folds : what was left out
    things : the run's list against the truth, the same for every model; None where no truth was given
    warnings : sentences for the user, the run's own included
    """

    run: Run
    trials: tuple[Trial, ...]
    pairs: tuple[Pair, ...]
    folds: Folds
    things: ListScore | None = None
    warnings: tuple[str, ...] = ()

    def __repr__(self) -> str:
        return f"Comparison of {self.run.name}: {', '.join(trial.name for trial in self.ranked)}"

    @property
    def ranked(self) -> tuple[Trial, ...]:
        """The models by falling mean score; as asked for where there is none."""
        if not len(self.folds):
            return self.trials
        return tuple(sorted(self.trials, key=lambda trial: -trial.mean))

    def pair(self, first: str, second: str) -> Pair:
        """Return the pair of two models.

        Raises
        ------
        KeyError
            If there is none.
        """
        for pair in self.pairs:
            if {pair.better, pair.worse} == {first, second}:
                return pair
        raise KeyError(f"no pair of {first} and {second}")


def _shared_frame(
    run: Run, pings: Pings, names: Sequence[str], settings: MapSettings
) -> tuple[MapSettings, GridFrame, tuple[str, ...]]:
    """Return settings with one extent and cell for every model, their frame, and warnings."""
    extents = np.array([data_extent(pings, sum_beam(settings_of(name, settings), run.ranger)) for name in names])
    low, high = extents[:, :2].min(axis=0), extents[:, 2:].max(axis=0)
    extent = settings.extent_m or (float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    farthest = np.zeros(len(pings.rays))
    np.fmax.at(farthest, pings.ray, np.minimum(pings.range_m, pings.reach_m))
    area = float(judge_beam(run.ranger).widest_rad * (farthest**2).sum())
    cell, warnings = settings.cell_m, tuple[str, ...]()
    if area / cell**2 > MOST_ENTRIES:
        cell = next((c for c in COMMON_CELLS_M if area / c**2 <= MOST_ENTRIES), COMMON_CELLS_M[-1])
        most = f"on cells of {cell:g} m: those of {settings.cell_m:g} m would take too much time and memory"
        warnings = (f"{len(pings)} readings are compared {most}",)
    asked = replace(settings, cell_m=cell, extent_m=extent)
    frame = frame_for(pings, sum_beam(settings_of(names[0], asked), run.ranger), asked)
    return replace(asked, extent_m=frame.extent_m), frame, warnings


def usual_settings(run: Run, **more: Any) -> MapSettings:
    """Return the settings that models are compared under, with some fields of `MapSettings` given otherwise.

    Cells are as large as what a wide beam can tell apart: 2 cm for one station, 4 cm for several.
    """
    return MapSettings(**{"cell_m": recipe_for(calibrated(run)).cell_m, **more})


def compare_beams(
    run: Run,
    beams: Sequence[str] | None = None,
    truth: Scene | Run | None = None,
    settings: MapSettings | None = None,
    step: Callable[[int, int], None] | None = None,
) -> Comparison:
    """Return how well several models serve a run's readings.

    Parameters
    ----------
    run : Run
        As loaded or simulated.
    beams : sequence of str, optional
        Beam models for sums, ``joint``, or ``joint:`` and a beam model (see `contenders`); default all that the run
        allows.
    truth : Scene or Run, optional
        What truly stands there; a run stands for its surveyed targets.
    settings : MapSettings, optional
        Cell, extent and weights; beam and solver in it do not count.  Default: `usual_settings`.
    step : function, optional
        Called with (models done, models) as the work goes on.

    Raises
    ------
    UsageProblem
        If a model is unknown, named twice, or alone.
    SonargridError
        If a model cannot serve this run, or the map would be too large.
    ValueError
        If a run given for the truth has no targets.

    References
    ----------
    Leaving whole stations out and Student intervals: textbook practice.  Scale and shift before scoring, and the least
    difference that counts: benchmarks/bench_compare.py.

    Examples
    --------
    >>> from sonargrid.runs.readings import Readings
    >>> rows = Readings("angle_deg", "range_cm", [60.0, 90.0, 120.0], [50.0] * 3, [0] * 3, [0] * 3, [1] * 3)
    >>> compare_beams(Run(rows), ["cone", "gaussian"])
    Comparison of run: cone, gaussian
    """
    names = checked_models(run, beams)
    pings = calibrated(run)
    scene = scene_of_targets(truth) if isinstance(truth, Run) else truth
    own, frame, warnings = _shared_frame(run, pings, names, settings or usual_settings(run))
    folds = folds_of(run, pings)
    judge = _judge(run, pings, folds, frame)
    on_floor = None if scene is None else cell_truth(scene, frame)
    trials = []
    for number, name in enumerate(names):
        if step is not None:
            step(number, len(names))
        asked = settings_of(name, own)
        made = map_run(run, asked, pings)
        figures = None if on_floor is None else score_map(made.grid, on_floor)
        trials.append(Trial(name, made, judge(asked), figures))
    things = None if scene is None else _things_score(run, pings, scene)
    scores = {trial.name: trial.scores for trial in trials}
    told = dict.fromkeys((*run.warnings, *folds.warnings, *warnings))
    return Comparison(run, tuple(trials), pairs_of(scores), folds, things, tuple(told))


def _things_score(run: Run, pings: Pings, scene: Scene) -> ListScore:
    from sonargrid.finding.objects import fit_objects  # costs start-up time that a plain comparison need not pay
    from sonargrid.scores.list_scoring import score_list

    return score_list(fit_objects(pings, run).objects, scene)


def judge_beam(ranger: Ranger) -> SoftBeam:
    """Return the beam that left-out readings are foretold with, the same for every model: as wide as the run states."""
    wider = ranger.mean_half_beam_rad / ASSUMED_HALF_BEAM_RAD
    return replace(JUDGE_BEAM, half_rad=wider * JUDGE_BEAM.half_rad, slope_rad_m=wider * JUDGE_BEAM.slope_rad_m)


def _judge(run: Run, pings: Pings, folds: Folds, frame: GridFrame) -> Callable[[MapSettings], Floats]:
    """Return the function from a model's settings to its (K,) scores, the readings made ready once."""
    if not len(folds):
        return lambda _: np.zeros(0)
    split, fold = by_fold(pings, folds)
    ready = replay(split, frame, judge_beam(run.ranger), JUDGE)
    fold_of_entry = fold[ready.entry_ray]

    def scores(settings: MapSettings) -> Floats:
        maps = np.stack([log_odds.ravel() for log_odds in left_out_maps(run, pings, folds, frame, settings)])
        return left_out_scores(ready, maps[fold_of_entry, ready.cell], fold)

    return scores

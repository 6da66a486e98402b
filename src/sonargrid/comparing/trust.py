"""How far a map's probabilities can be trusted, with the redundancy weight on and off.

Neighbouring pings and repeats hear the same thing.  Counted in full they make a map surer than it has a right to be:
of all cells called 95 % occupied far fewer are.  Both maps of a model are judged with one prior, so that nothing but
the weight differs.  Needs the truth; measures are those of `scores`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from sonargrid.arrays import Bools
from sonargrid.comparing.comparison import Comparison, Trial
from sonargrid.maps.mapping import map_run
from sonargrid.physics.log_odds import to_probability
from sonargrid.runs.readings import Run
from sonargrid.scores.measures import ReliabilityBin, calibration_error, reliability
from sonargrid.scores.scoring import scene_of_targets
from sonargrid.scores.truth import cell_truth
from sonargrid.simulation.scene import Scene

EDGES_NATS = np.arange(-7.0, 8.0, 2.0)  # between the diagram's bins
LEAST_SHARE, MOST_SHARE = 0.001, 0.5


@dataclass(frozen=True, slots=True)
class Trust:
    """One model's probabilities against the truth.

    prior : share of floor believed occupied beforehand, in both: the map's own, else `true_share`
    true_share : share of the judged cells that truly are
    weighed, full : reliability diagram with the redundancy weight on, and with every ping counted in full; bins of
        two nats, since most cells of a floor are hardly ever occupied
    weighed_error, full_error : expected calibration error over ten equal bins of probability; nan of nothing
    """

    name: str
    prior: float
    true_share: float
    weighed: tuple[ReliabilityBin, ...]
    full: tuple[ReliabilityBin, ...]
    weighed_error: float
    full_error: float

    def as_dict(self) -> dict[str, object]:
        """Return all figures as JSON can hold them."""

        def bins(diagram: Sequence[ReliabilityBin]) -> list[dict[str, float | int]]:
            return [{"claimed": b.claimed, "observed": b.observed, "count": b.count} for b in diagram]

        return {
            "model": self.name,
            "prior": self.prior,
            "true_share": self.true_share,
            "weighed": {"calibration_error": self.weighed_error, "diagram": bins(self.weighed)},
            "counted_in_full": {"calibration_error": self.full_error, "diagram": bins(self.full)},
        }


def trust_of(found: Comparison, truth: Scene | Run) -> tuple[Trust, ...]:
    """Return how far each model's probabilities can be trusted, in the order of the comparison.

    Parameters
    ----------
    found : Comparison
        From `compare_beams`.
    truth : Scene or Run
        What truly stands there; a run stands for its surveyed targets.

    Raises
    ------
    ValueError
        If a run given for the truth has no targets.
    """
    scene = scene_of_targets(truth) if isinstance(truth, Run) else truth
    floor = cell_truth(scene, found.trials[0].map.grid.frame)
    judged = floor.reflector | floor.free
    return tuple(_trust(trial, floor.reflector, judged) for trial in found.trials)


def _trust(trial: Trial, occupied: Bools, judged: Bools) -> Trust:
    made = trial.map
    grids = []
    for redundancy in (True, False):
        settings = replace(made.settings, redundancy=redundancy)
        same = settings == made.settings
        grids.append(made.grid if same else map_run(made.run, settings, made.pings).grid)
    there = occupied[judged]
    share = float(there.mean()) if there.size else 0.0
    # a model that believes nothing beforehand is given the true share: then only its evidence is on trial
    prior = float(grids[0].meta.get("prior", min(MOST_SHARE, max(LEAST_SHARE, share))))
    chances = [grid.probability(prior)[judged] for grid in grids]
    weighed, full = (reliability(there, chance, to_probability(EDGES_NATS)) for chance in chances)
    errors = [calibration_error(reliability(there, chance)) for chance in chances]
    return Trust(trial.name, prior, share, weighed, full, *errors)

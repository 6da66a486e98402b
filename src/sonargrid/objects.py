"""The list of things that stand there: from a map or a run to `things.Object` rows.

Floor axes [m], bearings [rad].
"""

from __future__ import annotations

from sonargrid.calibration import calibrated
from sonargrid.clusters import cluster_objects
from sonargrid.mapping import Map
from sonargrid.plateaus import find_plateaus
from sonargrid.readings import Run
from sonargrid.things import Object

SIZE_PRIOR_M = 0.05  # radius of a thing nobody has measured
MIN_CONFIDENCE = 0.5


def find_objects(
    map_or_run: Map | Run, size_prior_m: float = SIZE_PRIOR_M, min_confidence: float = MIN_CONFIDENCE
) -> tuple[Object, ...]:
    """Return the things that a run shows.

    Parameters
    ----------
    map_or_run : Map or Run
        A map keeps the run it was made from.
    size_prior_m : float
        Radius to assume where one station cannot tell [m].
    min_confidence : float
        Claims below this are left out; things without a confidence stay.
    """
    is_map = isinstance(map_or_run, Map)
    run = map_or_run.run if isinstance(map_or_run, Map) else map_or_run
    pings = map_or_run.pings if isinstance(map_or_run, Map) else calibrated(run)
    grid = map_or_run.grid if is_map and isinstance(map_or_run, Map) else None
    found = cluster_objects(find_plateaus(pings, run.ranger), pings, run, grid, size_prior_m)
    return tuple(o for o in found if not o.confidence < min_confidence)

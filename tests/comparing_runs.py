"""Runs for the tests that compare: a small bay swept from several stations, and what one cell row hears."""

from __future__ import annotations

import math
from functools import cache

import numpy as np

from sonargrid.maps.first_return import Causes
from sonargrid.maps.grid import GridFrame
from sonargrid.maps.wedges import SoftBeam
from sonargrid.runs.readings import Pings, Ranger, Rays, Run, Station
from sonargrid.simulation.scene import Scene, ScenePost, SceneWall, SweepPlan
from sonargrid.simulation.simulate import simulate

PLACES = ((0.4, 1.0, 0.0), (1.2, 0.3, 90.0), (2.0, 1.1, 180.0), (1.3, 1.6, -90.0), (0.4, 0.3, 45.0))


@cache
def bay(stations: int = 4, step_deg: float = 6.0, reach_m: float = 2.0) -> tuple[Scene, Run]:
    """Return a scene with two posts before four walls, and the run recorded in it."""
    corners = ((0.0, 0.0), (2.4, 0.0), (2.4, 2.0), (0.0, 2.0))
    scene = Scene(
        tuple(Station("ABCDE"[k], x, y, math.radians(t)) for k, (x, y, t) in enumerate(PLACES[:stations])),
        walls=tuple(SceneWall(*corners[k], *corners[(k + 1) % 4]) for k in range(4)),
        posts=(ScenePost(0.9, 1.4, 0.1), ScenePost(1.7, 0.8, 0.06)),
        ranger=Ranger(reach_m=reach_m),
        sweep=SweepPlan(step_rad=math.radians(step_deg)),
        seed=5,
        title="Test bay",
    )
    return scene, simulate(scene)


def row_of_cells(ranges: np.ndarray, cells: int = 6) -> tuple[Pings, GridFrame, SoftBeam]:
    """Return one ray along a row of 10 cm cells, heard in full on the row and hardly anywhere else."""
    n = ranges.size
    one = np.zeros(1)
    rays = Rays(one.astype(int), one, one, one - 0.25, one + 0.05, one - 0.25, one + 0.05, one)
    pings = Pings(rays, np.zeros(n, int), ranges, np.zeros(n, int), np.zeros(n, int), 2.0, 0.002)
    return pings, GridFrame(0.1, (0, 0), 1, cells), SoftBeam(math.radians(60.0), 0.0, math.radians(0.5))


SURE = Causes(answer_most=1.0, stray=0.0, missed=0.0, rate=0.0, strength=0.0, sigma_m=0.002, sigma_share=0.0)

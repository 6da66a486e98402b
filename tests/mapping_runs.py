"""Small made-up runs for the mapping tests: half circles before a wavy wall, with silence and noise."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from sonargrid.maps.additive import additive_grid
from sonargrid.maps.beams import BeamModel, make_beam
from sonargrid.maps.evidence import MapSettings, frame_for, ray_weights
from sonargrid.maps.grid import GridFrame, LogOddsGrid
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Head, Pings, Ranger, Readings, Run, Station

PLACE = Station("A", 0.1234, 0.0567, math.radians(83.0))


def half_circles(
    sweeps: int = 1,
    step_deg: float = 3.0,
    stations: tuple[Station, ...] = (PLACE,),
    arm_m: float = 0.0,
    reach_m: float = 1.0,
    half_deg: float = 15.0,
    sigma_m: float = 0.01,
    whole_mm: bool = True,
) -> Run:
    """Return a run of whole millimetres (or of ranges between them), one reading in ten silent."""
    rng = np.random.default_rng(7)
    bearings = np.arange(0.0, 180.5, step_deg)
    angle = np.tile(bearings, sweeps * len(stations))
    station = np.repeat(np.arange(len(stations)), bearings.size * sweeps)
    distance = reach_m * (0.55 + 0.3 * np.sin(np.radians(angle) * 3.0 + station)) + rng.normal(0.0, 0.005, angle.size)
    millimetres = np.where(
        rng.random(angle.size) < 0.1, math.inf, np.rint(distance * 1000.0) if whole_mm else distance * 1000.0
    )
    rows = Readings("angle_deg", "range_mm", angle, millimetres, station, np.zeros(angle.size), np.ones(angle.size))
    ranger = Ranger(half_beam_rad=math.radians(half_deg), reach_m=reach_m, range_sigma_m=sigma_m)
    return Run(rows, stations=stations, ranger=ranger, head=Head(arm_m=arm_m))


def ring(step_deg: float = 10.0) -> Run:
    """Return a fixed ring of rangers that looks all the way round."""
    angle = np.arange(-180.0, 180.0, step_deg)
    distance = np.rint(500.0 + 250.0 * np.cos(np.radians(2.0 * angle)))
    rows = Readings("bearing_deg", "range_mm", angle, distance, 0 * angle, 0 * angle, 0 * angle)
    return Run(rows, stations=(PLACE,), ranger=Ranger(half_beam_rad=math.radians(15.0)))


def with_rows(run: Run, keep: np.ndarray) -> Run:
    """Return a run of some of its rows, in the order given."""
    rows = run.readings
    columns = (rows.angle, rows.distance, rows.station, rows.sweep, rows.turning)
    return replace(run, readings=Readings(rows.angle_column, rows.distance_column, *(c[keep] for c in columns)))


def parts(
    run: Run, beam: str = "gaussian", cell_m: float = 0.02
) -> tuple[Pings, BeamModel, GridFrame, MapSettings, np.ndarray]:
    """Return what the additive solver takes."""
    pings, settings = calibrated(run), MapSettings(beam=beam, cell_m=cell_m)
    model = make_beam(beam, run.ranger, cell_m)
    weights = ray_weights(pings, run.ranger.mean_half_beam_rad, settings)
    return pings, model, frame_for(pings, model, settings), settings, weights


def solved(run: Run, beam: str = "gaussian", cell_m: float = 0.02, frame: GridFrame | None = None) -> LogOddsGrid:
    """Return the additive grid of a run."""
    pings, model, own, settings, weights = parts(run, beam, cell_m)
    return additive_grid(pings, model, own if frame is None else frame, settings, weights)[0]

"""Which readings are left out together, and the maps that the others give: one for each fold and model.

A fold is a whole station: pings of one sweep are near-copies of one another, so a single ping left out would be
foretold by its neighbours.  A run of many stations (a robot on its way) is left out in pieces of that way, a run of one
station by alternate sweeps, which see the same floor from the same spot: that measures repeatability more than truth.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from sonargrid.arrays import Bools, Floats32, Ints
from sonargrid.comparing.contenders import sum_beam
from sonargrid.maps.additive import station_pings, station_window
from sonargrid.maps.evidence import MapSettings, ray_weights
from sonargrid.maps.grid import EVIDENCE_HOLD, GridFrame
from sonargrid.maps.mapping import map_run
from sonargrid.runs.readings import Pings, Rays, Run

MOST_FOLDS = 12  # more stations than this are left out in pieces of the way, PIECES of them
PIECES = 10


@dataclass(frozen=True, slots=True)
class Folds:
    """Who is left out together.

    unit : ``station``, ``piece`` (neighbouring stations) or ``sweeps`` (of one station)
    names : of each fold
    of_ping : (N,) fold of each reading; -1 = void, in none
    warnings : sentences for the user
    """

    unit: str
    names: tuple[str, ...]
    of_ping: Ints
    warnings: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.names)


def folds_of(run: Run, pings: Pings) -> Folds:
    """Return what is to be left out in turn; no folds where nothing can be.

    Examples
    --------
    >>> from sonargrid.runs.calibration import calibrated
    >>> from sonargrid.runs.readings import Readings
    >>> one = Run(Readings("angle_deg", "range_m", [60.0, 90.0], [0.5, 0.5], [0, 0], [0, 0], [1, 1]))
    >>> folds_of(one, calibrated(one)).names
    ()
    """
    usable = ~pings.void
    station = pings.station
    heard = np.unique(station[usable])
    if heard.size > 1:
        number = np.searchsorted(heard, station)
        if heard.size <= MOST_FOLDS:
            names = tuple(run.stations[int(index)].name for index in heard)
            return Folds("station", names, np.where(usable, number, -1))
        piece = number * PIECES // heard.size
        words = f"{heard.size} stations: left out in {PIECES} pieces of the way, each as one"
        names = tuple(f"piece {k + 1}" for k in range(PIECES))
        return Folds("piece", names, np.where(usable, piece, -1), (words,))
    return _sweeps(pings, usable)


def _sweeps(pings: Pings, usable: Bools) -> Folds:
    """Return the alternate sweeps of the only station, first and last of a pair of ways in the same fold."""
    sweeps = np.unique(pings.sweep[usable])
    why = "this run has one station: from it no other place can be foretold, so no beam model can be proved right"
    none = np.full(len(pings), -1)
    if sweeps.size < 2:
        return Folds("sweeps", (), none, (f"{why}; with its one sweep nothing can be left out at all, so no score",))
    number = np.searchsorted(sweeps, pings.sweep) % 2
    names = ("even sweeps", "odd sweeps")
    words = f"{why}; every other sweep is left out instead, which only tells how well sweeps repeat one another"
    return Folds("sweeps", names, np.where(usable, number, -1), (words,))


def chosen(pings: Pings, keep: Bools) -> Pings:
    """Return some of the readings, (N,) marked, with only the rays that they use."""
    return _with_rays(pings, keep, pings.ray[keep])


def by_fold(pings: Pings, folds: Folds) -> tuple[Pings, Ints]:
    """Return the readings that are in some fold with rays that belong to one fold each, and that fold, (M,)."""
    keep = folds.of_ping >= 0
    count = max(1, len(folds))
    key = pings.ray[keep].astype(np.int64) * count + folds.of_ping[keep]
    return _with_rays(pings, keep, key, count), np.unique(key) % count


def _with_rays(pings: Pings, keep: Bools, key: Ints, share: int = 1) -> Pings:
    """Return some readings with rays made anew, one for each distinct key; key // share is the old ray."""
    kept, ray = np.unique(key, return_inverse=True)
    names = ("station", "bearing_rad", "head_rad", "x_m", "y_m", "axis_x_m", "axis_y_m", "commanded_rad")
    rays = Rays(*(getattr(pings.rays, name)[kept // share] for name in names))
    return replace(
        pings,
        rays=rays,
        ray=ray.reshape(-1),
        range_m=pings.range_m[keep],
        sweep=pings.sweep[keep],
        turning=pings.turning[keep],
        time_s=None if pings.time_s is None else pings.time_s[keep],
    )


def left_out_maps(run: Run, pings: Pings, folds: Folds, frame: GridFrame, settings: MapSettings) -> Iterator[Floats32]:
    """Yield for each fold the log-odds of the map that all other readings give, (rows, columns).

    Sums of the additive solver are exact, so that a station is taken out of them by subtraction; the joint solver
    explains all readings together and has to be asked again for each fold.

    Parameters
    ----------
    run, pings : Run, Pings
        The run and its calibrated readings.
    folds : Folds
        Who is left out together.
    frame : GridFrame
        The map's cells; `settings.extent_m` says the same.
    settings : MapSettings
        Beam model and solver.
    """
    if settings.solver != "additive" or folds.unit == "sweeps":
        for fold in range(len(folds)):
            others = chosen(pings, (folds.of_ping != fold) & ~pings.void)
            yield map_run(run, settings, others).grid.log_odds
        return
    parts = _fold_sums(run, pings, folds, frame, settings)
    total = parts.sum(axis=0)
    for part in parts:
        yield np.clip(total - part, -EVIDENCE_HOLD, EVIDENCE_HOLD).astype(np.float32)


def _fold_sums(run: Run, pings: Pings, folds: Folds, frame: GridFrame, settings: MapSettings) -> np.ndarray:
    """Return each fold's exact sum of evidence, (K, rows, columns)."""
    beam = sum_beam(settings, run.ranger)
    weights = ray_weights(pings, run.ranger.mean_half_beam_rad, settings)
    parts = np.zeros((len(folds), *frame.shape))
    usable = folds.of_ping >= 0
    stations, first = np.unique(pings.station[usable], return_index=True)
    for station, fold in zip(stations, folds.of_ping[usable][first], strict=True):
        one = station_pings(pings, int(station), weights, settings)
        window = None if one is None else station_window(one, beam, frame, pings.range_sigma_m)
        if window is not None:
            high, wide = window.evidence.shape
            parts[fold, window.row : window.row + high, window.column : window.column + wide] += window.evidence
    return parts

"""A run over surveyed things at several distances -> the beam in the keys of run.toml, posts and plates kept apart.

Brings targets and head into the view of each station for `beam_fit`.  The head's values and their sigmas are the run's:
calibrate the head first, or the unknown scale of its turning goes into every width.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.bench.beam_fit import BeamFit, BenchStation, fit_beam_width
from sonargrid.bench.bench_posterior import BACKLASH_SPREAD_RAD, SCALE_SPREAD, Beforehand
from sonargrid.bench.head_bench import station_view
from sonargrid.errors import SonargridError
from sonargrid.physics.air import sound_speed
from sonargrid.runs.readings import Run, Station
from sonargrid.units import RAD_PER_DEG

OFFSET_SIGMA_RAD = math.radians(3.0)  # of a head that nobody calibrated; common practice, no source
STATED_SCALE_SIGMA = 0.02  # of a scale that run.toml states without a calibration; common practice, no source
ONE_PLACE_M = 0.02  # places so near in range are one row of the table
KINDS = {"post": "post", "wall": "plate", "corner": "corner"}
COMMON_M = (0.4, 0.7, 1.0)  # run.toml's half_beam_deg is the mean over these


@dataclass(frozen=True, slots=True)
class BeamCalibration:
    """What the bench says of the beam.

    values : full key of run.toml -> (value, sigma), in the record's unit; empty where no post was heard
    piston_m : (value, sigma) of the radius of the closest piston
    post_rows : (range [m], half width [rad], sigma) for a 5 cm post, by rising range; what half_beam_table holds
    covariance : of the rows' half widths, the softness [rad] and the piston's radius [m], in that order
    half_beam : (value, sigma) of the mean over 0.4, 0.7 and 1.0 m [rad]; nan where the posts do not span it
    reasons : what the data cannot tell
    """

    fit: BeamFit
    values: Mapping[str, tuple[Any, Any]]
    piston_m: tuple[float, float]
    post_rows: tuple[tuple[float, float, float], ...]
    covariance: Floats
    half_beam: tuple[float, float]
    reasons: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()

    def made_from(self, run: Run) -> dict[str, Any]:
        """Return what a calibration file says of where the values come from."""
        told: dict[str, Any] = {"run": run.name, "run_digest": run.digest, "recorded_at": run.recorded_at}
        for kind in ("post", "plate", "corner"):
            places = [p for p in self.fit.places if p.kind == kind]
            if places:
                told[f"{kind}_columns"] = ["range_m", "left_deg", "left_deg_sigma", "right_deg", "right_deg_sigma"]
                told[f"{kind}_rows"] = [
                    [round(p.range_m, 4), *(round(v / RAD_PER_DEG, 3) for v in (*p.left, *p.right))] for p in places
                ]
        if self.post_rows:
            table = [f"half_beam_table[{row}]" for row in range(len(self.post_rows))]
            told["covariance_keys"] = [*table, "half_beam_soft_deg", "transducer_radius_m"]
            unit = np.array([RAD_PER_DEG] * (len(table) + 1) + [1.0])
            told["covariance"] = [[float(f"{v:.6g}") for v in row] for row in self.covariance / np.outer(unit, unit)]
        return {name: value for name, value in told.items() if value != ""}


def calibrate_beam(run: Run) -> BeamCalibration:
    """Return the beam's calibration from a run's readings over surveyed things.

    Raises
    ------
    SonargridError
        If the run has no targets, or none of them was heard.
    """
    if not run.targets:
        raise SonargridError(
            "nothing here tells how wide the beam is: no [[target]] is surveyed",
            hint="put a post at 0.4, 0.7 and 1.0 m, survey it as [[target]], and sweep forth and back",
            file=run.path or None,
        )
    warnings: list[str] = []
    stations = []
    for index, station in enumerate(run.stations_on_floor):
        one = _bench_station(run, index, station, warnings)
        if one is not None:
            stations.append(one)
    before = beforehand(run)
    try:
        fit = fit_beam_width(stations, before)
    except ValueError:
        raise SonargridError(
            "none of the surveyed [[target]]s was heard where run.toml puts it",
            hint="are their places, the stations and ranger.us_per_cm right?  sonargrid map shows what was heard",
            file=run.path or None,
        ) from None
    heard = {(p.station, p.name) for p in fit.places}
    asked = [(one.name, name) for one in stations for name in one.names]
    missed = [(at, name) for at, name in asked if (at, name) not in heard]
    warnings += [f"{name}: not heard from station {at}; left out there" for at, name in missed]
    rows, covariance = _post_rows(fit, _metres_per_k_a(run))
    values = _values(run, fit, rows)
    half_beam = _half_beam(rows, covariance)
    return BeamCalibration(fit, *values, rows, covariance, half_beam, tuple(_reasons(fit, before)), tuple(warnings))


def beforehand(run: Run) -> Beforehand:
    """Return what a run knows of its head: calibrated values with their sigmas, else what is usual."""
    head, sigmas = run.head, run.calibration_sigmas
    if run.readings.angle_column == "bearing_deg":
        return Beforehand(head.angle_offset_rad, (1.0, 1e-6), (0.0, 1e-6))
    stated = "head.angle_scale" in run.origins
    scale = sigmas.get("head.angle_scale", STATED_SCALE_SIGMA if stated else SCALE_SPREAD)
    if "head.pulse_us_per_deg" in sigmas:
        scale = sigmas["head.pulse_us_per_deg"] / abs(head.pulse_us_per_deg)
    lag = sigmas.get("head.backlash_deg", BACKLASH_SPREAD_RAD)
    return Beforehand(head.angle_offset_rad, (head.angle_scale, scale), (head.backlash_rad, lag))


def _bench_station(run: Run, index: int, station: Station, warnings: list[str]) -> BenchStation | None:
    """Return one station's sweeps with the things they should show; None without readings or things."""
    view = station_view(run, index, station, warnings)
    if view is None or not view.seen:
        return None
    offset = run.calibration_sigmas.get("head.angle_offset_deg", OFFSET_SIGMA_RAD)
    turn = math.hypot(station.heading_sigma_rad, offset)
    sweeps = replace(view.sweeps, range_m=view.sweeps.range_m + run.ranger.range_bias_m)
    names, targets, views = zip(*view.seen, strict=True)
    return BenchStation(station.name, sweeps, views, names, tuple(KINDS[target.kind] for target in targets), turn)


def _post_rows(fit: BeamFit, metres_per_k_a: float) -> tuple[tuple[tuple[float, float, float], ...], Floats]:
    """Return (range, half width of a 5 cm post, sigma) by rising range, places at nearly one range joined; covariance.

    The covariance goes on with the softness [rad] and the piston's radius [m].
    """
    posts = [p for p in fit.places if p.kind == "post"]
    groups: list[list[int]] = []
    for k, place in enumerate(posts):
        if groups and place.range_m - posts[groups[-1][0]].range_m < ONE_PLACE_M:
            groups[-1].append(k)
        else:
            groups.append([k])
    joined = np.zeros((len(groups) + 2, len(posts) + 2))
    for row, group in enumerate(groups):
        weight = np.array([posts[k].post[1] ** -2 for k in group])
        joined[row, group] = weight / weight.sum()
    joined[-2, -2], joined[-1, -1] = 1.0, metres_per_k_a
    covariance = joined @ fit.covariance @ joined.T
    at = joined[:-2, :-2] @ [p.range_m for p in posts]
    half = joined[:-2, :-2] @ [p.post[0] for p in posts]
    sigma = np.sqrt(np.diag(covariance))[:-2]
    return tuple(zip(at.tolist(), half.tolist(), sigma.tolist(), strict=True)), covariance


def _metres_per_k_a(run: Run) -> float:
    air = run.air
    speed = float(sound_speed(air.temperature_c, air.relative_humidity_pct, air.pressure_kpa))
    return speed / (2.0 * math.pi * run.ranger.frequency_hz)


def _values(
    run: Run, fit: BeamFit, rows: tuple[tuple[float, float, float], ...]
) -> tuple[dict[str, tuple[Any, Any]], tuple[float, float]]:
    """Return the values under their keys, and the closest piston's radius."""
    per_k_a = _metres_per_k_a(run)
    piston = (fit.k_a[0] * per_k_a, fit.k_a[1] * per_k_a)
    if not rows:
        return {}, piston
    table = tuple((round(at, 4), round(half / RAD_PER_DEG, 3) * RAD_PER_DEG) for at, half, _ in rows)
    return {
        "ranger.half_beam_table": (table, tuple(sigma for _, _, sigma in rows)),
        "ranger.half_beam_soft_deg": fit.soft_rad,
        "ranger.transducer_radius_m": piston,
    }, piston


def _half_beam(rows: tuple[tuple[float, float, float], ...], covariance: Floats) -> tuple[float, float]:
    at = [row[0] for row in rows]
    if not at or at[0] > COMMON_M[0] + 0.15 or at[-1] < COMMON_M[-1] - 0.15:
        return math.nan, math.nan
    weight = np.array([np.mean(np.interp(COMMON_M, at, unit)) for unit in np.eye(len(at))])
    half = float(weight @ [row[1] for row in rows])
    return half, float(np.sqrt(weight @ covariance[:-2, :-2] @ weight))


def _reasons(fit: BeamFit, before: Beforehand) -> list[str]:
    reasons = []
    posts = [p for p in fit.places if p.kind == "post"]
    if not posts:
        reasons.append("half_beam_table: it is stated for posts, and no post was heard; plates are told apart above")
    elif posts[-1].range_m - posts[0].range_m < 0.25:
        reasons.append("the fall with distance: the posts stand at nearly one distance; add one 30 cm farther or more")
    if before.scale[1] > 0.03:
        reasons.append("the head's scale is not calibrated: calibrate head first, or widths keep its give and take")
    return reasons

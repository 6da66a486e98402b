"""Simulated benches for the beam's calibration: one surveyed post seen from several distances, and its true width.

The truth comes from the simulator's own physics: the angle off the axis at which the echo just reaches the threshold.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
from scipy.optimize import brentq

from sonargrid.arrays import Floats
from sonargrid.bench.beam_bench import BeamCalibration, calibrate_beam
from sonargrid.physics.air import absorption_db_per_m, sound_speed
from sonargrid.runs.readings import Head, Ranger, Run, Station, Target
from sonargrid.simulation.echo_physics import margin_db, post_db, two_way_db
from sonargrid.simulation.simulate import Noise, Scene, ScenePost, SweepPlan, simulate

POST_M = 0.05
RANGES_M = (0.2, 0.4, 0.7, 1.0, 1.5)
HEAD_SIGMA = (0.3, 0.007, 0.6)  # degrees, share, degrees: what the head's own calibration leaves


@dataclass(frozen=True, slots=True)
class BeamBench:
    """One kind of bench: the post's distances, passes of the head, survey and heading errors, the beam's shape."""

    name: str
    ranges_m: tuple[float, ...] = RANGES_M
    passes: int = 2
    survey_m: float = 0.0
    heading_deg: float = 0.0
    scatter_db: float = 1.0
    fading_db: float = 0.0
    shape: str = "piston"
    skew: float = 0.0


BEAM_BENCHES = (
    BeamBench("beam, one sweep each way"),
    BeamBench("beam, two sweeps each way", passes=4),
    BeamBench("beam, heading 1 deg, post 5 mm", survey_m=0.005, heading_deg=1.0),
    BeamBench("beam of another shape, lopsided", shape="soft", skew=0.10),
    BeamBench("beam, levels scatter together", scatter_db=1.0, fading_db=0.9),
)


def true_half_deg(ranger: Ranger, noise: Noise, range_m: float) -> float:
    """Return the half width of a 5 cm post, mean of both sides [deg], by the simulator's physics."""
    speed, alpha = float(sound_speed(20.0)), float(absorption_db_per_m(ranger.frequency_hz, 20.0))
    k_a = 2.0 * math.pi * ranger.frequency_hz / speed * ranger.transducer_radius_m

    def margin(off: float) -> float:
        lobe = float(two_way_db(np.array([[off]]), k_a, noise, np.zeros(1))[0, 0])
        level = float(post_db(range_m, 0.5 * POST_M, alpha)) + lobe
        return float(margin_db(np.array(level), np.array(range_m), noise.threshold_db))

    sides = [
        brentq(lambda off, side=side: margin(side * off), 0.0, math.radians(80.0 if noise.beam == "soft" else 41.0))
        for side in (1.0, -1.0)
    ]
    return math.degrees(0.5 * sum(sides))


def beam_run(bench: BeamBench, seed: int) -> tuple[Run, Floats]:
    """Return a bench's run as its user would have it, and the true half widths (ranges,) [deg]."""
    rng = np.random.default_rng([seed, 7])
    off, share, lag = (
        sigma * float(z) for sigma, z in zip(HEAD_SIGMA, rng.standard_normal(3), strict=True)
    )  # what the head's calibration got wrong
    given = Head(angle_scale=0.98, angle_offset_rad=math.radians(1.5), backlash_rad=math.radians(1.5))
    head = replace(
        given,
        angle_scale=given.angle_scale + share,
        angle_offset_rad=given.angle_offset_rad + math.radians(off),
        backlash_rad=max(0.0, given.backlash_rad + math.radians(lag)),
    )
    ranger = Ranger(reach_m=2.5, transducer_radius_m=0.0078 * math.exp(0.08 * rng.standard_normal()))
    noise = Noise.none(
        threshold_db=-26.0 + 1.5 * rng.standard_normal(),
        level_sigma_db=bench.scatter_db,
        late_m=0.007,
        dropout=0.02,
        range_sigma_m=rng.uniform(0.002, 0.005),
        fading_db=bench.fading_db,
        beam=bench.shape,
        skew=bench.skew,
    )
    stations = tuple(
        Station(name, 0.0, -(r + 0.5 * POST_M), math.pi / 2, 0.0, math.radians(bench.heading_deg))
        for name, r in zip("ABCDEFGH", bench.ranges_m, strict=False)
    )
    turned = tuple(
        replace(s, heading_rad=s.heading_rad + math.radians(bench.heading_deg) * float(rng.standard_normal()))
        for s in stations
    )
    x, y = (bench.survey_m * float(v) for v in rng.standard_normal(2))
    scene = Scene(
        turned,
        posts=(ScenePost(0.0, 0.0, POST_M),),
        targets=(Target("post", x, y, POST_M, position_sigma_m=bench.survey_m),),
        ranger=ranger,
        given_ranger=Ranger(reach_m=2.5),
        head=head,
        given_head=given,
        given_stations=stations,
        sweep=SweepPlan(step_rad=math.radians(2.0), passes=bench.passes, both_ways=True),
        noise=noise,
    )
    deg = math.radians(1.0)
    sigmas = {
        "head.angle_offset_deg": HEAD_SIGMA[0] * deg,
        "head.angle_scale": HEAD_SIGMA[1],
        "head.backlash_deg": HEAD_SIGMA[2] * deg,
    }
    run = replace(simulate(scene, seed), calibration_sigmas=MappingProxyType(sigmas))
    return run, np.array([true_half_deg(ranger, noise, r) for r in bench.ranges_m])


def one_beam_bench(bench: BeamBench, seed: int) -> tuple[Floats, Floats]:
    """Return errors and stated sigmas of the half widths, (ranges,) each [deg]; nan where the post was not heard."""
    run, truth = beam_run(bench, seed)
    found: BeamCalibration = calibrate_beam(run)
    error, sigma = np.full(truth.size, np.nan), np.full(truth.size, np.nan)
    for at, half, spread in found.post_rows:
        which = int(np.argmin(np.abs(np.array(bench.ranges_m) - at)))
        error[which] = math.degrees(half) - truth[which]
        sigma[which] = math.degrees(spread)
    return error, sigma

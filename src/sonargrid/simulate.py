"""A room and a robot in it -> the run that its ranger would have recorded.

The echo model (levels, two-way directivity, threshold, first echo, late triggering, slips, strays) is the simulator's
own and shares nothing with the mapper's beam models: a simulator that did would flatter them.  Floor axes [m, rad].
What can answer from where is `room_echoes`; the records are in `scene`.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from scipy.special import j1

from sonargrid.air import absorption_db_per_m, sound_speed
from sonargrid.arrays import Floats, Ints
from sonargrid.geometry import to_floor, wrap
from sonargrid.readings import Head, Readings, Run, Station
from sonargrid.room_echoes import RoomEchoes, room_echoes
from sonargrid.scene import Noise, Scene, SceneBox, ScenePost, SceneWall, SweepPlan
from sonargrid.units import S_PER_US, to_deg

__all__ = ["Noise", "Scene", "SceneBox", "ScenePost", "SceneWall", "SweepPlan", "simulate", "two_way_db"]

PERIOD_ECHO_S = 25e-6  # one period of 40 kHz
LOBE_FLOOR_DB = -38.0  # two-way level that raised side lobes fill in up to 60 degrees; invented for stress tests
DEEPEST_DB = -200.0


def two_way_db(off_axis_rad: Floats, wavenumber_radius: float, noise: Noise) -> Floats:
    """Return the two-way directivity at angles off the axis [dB, 0 on the axis], any shape.

    Parameters
    ----------
    off_axis_rad : array
        Counter-clockwise from the axis [rad].
    wavenumber_radius : float
        k a of the transducer.
    noise : Noise
        Chooses the shape: piston, soft or lobed, and how lopsided it is.

    References
    ----------
    Baffled circular piston, 2 J1(x) / x with x = k a sin(theta): Kinsler et al., Fundamentals of Acoustics.

    Examples
    --------
    >>> round(float(two_way_db(np.array([np.radians(20.3851)]), 5.8584, Noise())[0]), 2)
    -10.0
    """
    off = np.asarray(off_axis_rad, dtype=np.float64)
    off = np.abs(np.where(off > 0.0, off / (1.0 + noise.skew), off * (1.0 + noise.skew)))
    x = np.maximum(wavenumber_radius * np.sin(np.minimum(off, math.pi / 2)), 1e-9)
    if noise.beam == "soft":
        # the Gaussian that agrees with the piston near the axis: 2 J1(x)/x = 1 - x^2/8
        level = 40.0 * np.log10(math.e) * (-(x**2) / 8.0)
    else:
        level = 40.0 * np.log10(np.maximum(np.abs(2.0 * j1(x) / x), 1e-10))
        if noise.beam == "lobed":
            level = np.where(off < math.radians(60.0), np.maximum(level, LOBE_FLOOR_DB), level)
    behind = off > math.pi / 2  # a transducer hardly hears what stands behind it
    return np.asarray(np.where(behind, DEEPEST_DB, level))


def _commanded(plan: SweepPlan) -> tuple[Floats, Ints, Ints]:
    """Return (commanded head angle [rad], sweep number, turning) of every ping of one station."""
    count = math.floor((plan.to_rad - plan.from_rad) / plan.step_rad + 1e-9) + 1
    up = plan.from_rad + plan.step_rad * np.arange(count)
    angle, sweep, turning = [], [], []
    for number in range(plan.passes):
        back = plan.both_ways and number % 2 == 1
        angle.append(up[::-1] if back else up)
        sweep.append(np.full(count, number))
        turning.append(np.full(count, -1 if back else 1))
    return np.concatenate(angle), np.concatenate(sweep).astype(np.int32), np.concatenate(turning).astype(np.int32)


def _true_head_rad(head: Head, noise: Noise, commanded: Floats, turning: Ints) -> Floats:
    """Return where the beam really looks, from straight ahead [rad]: offset, scale, play and a bent servo."""
    sense = float(head.turns)
    turned = head.angle_scale * sense * (commanded - head.ahead_rad) + head.angle_offset_rad
    lag = sense * 0.5 * head.backlash_rad * turning
    return np.asarray(turned - lag + noise.bend_rad * np.sin(2.0 * (commanded - head.ahead_rad)))


def _first_echo(
    echoes: RoomEchoes, bearing: Floats, scene: Scene, wavenumber_radius: float, rng: np.random.Generator
) -> Floats:
    """Return the (n,) range at which each ping triggers, before timing noise [m]; inf = nothing over the threshold."""
    noise = scene.noise
    off = wrap(echoes.bearing_rad - bearing[:, None])
    level = echoes.level_db + two_way_db(off, wavenumber_radius, noise)
    level = level + noise.level_sigma_db * rng.standard_normal(level.shape)
    # amplification that grows with time takes back half of the spreading
    margin = level - noise.threshold_db + 10.0 * np.log10(echoes.range_m)
    weak = 1.0 - np.clip(margin / 20.0, 0.0, 1.0)
    trigger = np.where(margin > 0.0, echoes.range_m + noise.late_m * weak, np.inf)
    first = trigger.min(axis=1, initial=np.inf)
    if noise.double_bounce:
        # robot and wall face each other: the sound goes to and fro once more
        walls = np.array([kind == "wall" for kind in echoes.kind], dtype=bool)
        again = np.where((margin > 12.0) & walls, 2.0 * echoes.range_m, np.inf).min(axis=1, initial=np.inf)
        first = np.minimum(first, again)
    if noise.floor_m > 0.0:
        loud = noise.floor_db - noise.threshold_db + noise.level_sigma_db * rng.standard_normal(first.shape)
        first = np.where(loud > 0.0, np.minimum(first, noise.floor_m), first)
    return np.asarray(first)


def _disturbed(first: Floats, reach_m: float, speed: float, noise: Noise, rng: np.random.Generator) -> Floats:
    """Return ranges with timing noise, heavy tails, slips, dropouts, strays and crosstalk [m]."""
    n = first.shape[0]
    heard = np.isfinite(first)
    sigma = noise.range_sigma_m + noise.range_sigma_share * np.where(heard, first, 0.0)
    sigma = sigma * np.where(rng.random(n) < noise.tail, noise.tail_factor, 1.0)
    out = np.where(heard, first + sigma * rng.standard_normal(n), np.inf)
    out = out + np.where(rng.random(n) < noise.slip, 0.5 * speed * PERIOD_ECHO_S, 0.0)
    previous = np.roll(first, 1)
    late = (rng.random(n) < noise.crosstalk) & np.isfinite(previous)
    # the echo of the ping before, heard after the head has moved on; nearer echoes of its own still come first
    out = np.where(late, np.minimum(out, previous + 0.02 * rng.standard_normal(n)), out)
    out = np.where(rng.random(n) < noise.dropout, np.inf, out)
    early = 0.03 + (reach_m - 0.03) * rng.random(n)
    out = np.where((rng.random(n) < noise.stray) & (early < out), early, out)
    out = np.where(out < 0.005, 0.005, out)
    return np.asarray(np.where(out < reach_m, out, np.inf))


def _one_station(scene: Scene, station: Station, speed: float, alpha: float, rng: np.random.Generator) -> Floats:
    commanded, _, turning = _commanded(scene.sweep)
    head, ranger, robot = scene.head, scene.ranger, scene.robot
    bearing = station.heading_rad + _true_head_rad(head, scene.noise, commanded, turning)
    axis = to_floor(station.x_m, station.y_m, station.heading_rad, robot.head_ahead_m, robot.head_left_m)
    face_x, face_y = to_floor(axis[0], axis[1], bearing, head.arm_m, head.side_m)
    if head.arm_m == 0.0 and head.side_m == 0.0:
        face_x, face_y = face_x[:1], face_y[:1]  # one place for all pings
    wavelength = speed / ranger.frequency_hz
    echoes = room_echoes(scene, face_x, face_y, wavelength, alpha)
    k_a = 2.0 * math.pi / wavelength * ranger.transducer_radius_m
    first = _first_echo(echoes, bearing, scene, k_a, rng)
    return _disturbed(first, ranger.reach_m, speed, scene.noise, rng)


def simulate(scene: Scene, seed: int | None = None, progress: Callable[[int, int], None] | None = None) -> Run:
    """Return the run that a ranger would record in a scene: echo times in whole microseconds.

    Parameters
    ----------
    scene : Scene
        The room, the true state of robot and ranger, and what the run will claim of them.
    seed : int, optional
        Replaces the scene's seed; same scene and seed, same run.
    progress : callable, optional
        Called with (stations done, stations).

    Examples
    --------
    >>> from sonargrid.readings import Station
    >>> run = simulate(Scene((Station("A"),), posts=(ScenePost(0.0, 0.6, 0.1),)), seed=1)
    >>> len(run.readings), run.readings.distance_column
    (61, 'echo_us')
    """
    rng = np.random.default_rng(scene.seed if seed is None else seed)
    air = scene.air
    speed = float(sound_speed(air.temperature_c, air.relative_humidity_pct, air.pressure_kpa))
    alpha = float(
        absorption_db_per_m(scene.ranger.frequency_hz, air.temperature_c, air.relative_humidity_pct, air.pressure_kpa)
    )
    commanded, sweep, turning = _commanded(scene.sweep)
    echo_us, done = [], len(scene.stations)
    for number, station in enumerate(scene.stations):
        ranges = _one_station(scene, station, speed, alpha, rng)
        echo_us.append(np.rint(2.0 * ranges / speed / S_PER_US))
        if progress is not None:
            progress(number + 1, done)
    pings = commanded.size
    readings = Readings(
        angle_column="angle_deg",
        distance_column="echo_us",
        angle=np.tile(np.round(to_deg(commanded), 9), done),
        distance=np.concatenate(echo_us),
        station=np.repeat(np.arange(done), pings),
        # sweeps are numbered through the run
        sweep=np.concatenate([sweep + scene.sweep.passes * number for number in range(done)]),
        turning=np.tile(turning, done),
        time_s=np.round(scene.sweep.ping_interval_s * np.arange(pings * done), 6),
    )
    return Run(
        readings=readings,
        stations=scene.stations if scene.given_stations is None else scene.given_stations,
        air=air if scene.given_air is None else scene.given_air,
        ranger=scene.ranger if scene.given_ranger is None else scene.given_ranger,
        head=scene.head if scene.given_head is None else scene.given_head,
        robot=scene.robot,
        marks=scene.marks,
        targets=scene.targets,
        name="simulated",
        title=scene.title,
    )

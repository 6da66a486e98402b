"""A room and a robot in it -> the run that its ranger would have recorded.

The first echo over the threshold is reported, late when it is weak; then come timing noise, slips, strays, crosstalk
and dropouts.  All physics is the simulator's own (`echo_physics`, `room_echoes`) and shares nothing with the mapper's
beam models: a simulator that did would flatter them.  Floor axes [m, rad]; the records are in `scene`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from sonargrid.arrays import Floats, Ints
from sonargrid.physics.air import absorption_db_per_m, sound_speed
from sonargrid.physics.geometry import to_floor, wrap
from sonargrid.runs.readings import Head, Readings, Run, Station
from sonargrid.simulation.echo_physics import margin_db, two_way_db
from sonargrid.simulation.room_echoes import RoomEchoes, room_echoes
from sonargrid.simulation.scene import Noise, Scene, SceneBox, ScenePost, SceneWall, SweepPlan
from sonargrid.units import RANGE_COLUMNS_M, S_PER_US, to_deg

__all__ = [
    "Noise",
    "Scene",
    "SceneBox",
    "ScenePost",
    "SceneWall",
    "SweepPlan",
    "Traced",
    "simulate",
    "simulate_traced",
    "two_way_db",
]

PATCH_SPREAD_DB = 4.0  # patches of a rough wall differ like speckle does
STATION_ERROR_STREAM = 1_000_003  # apart from the stations' own generators
SECTOR_RAD = math.radians(20.0)  # half width of the sector in which a station hears the ping before
FINEST_US = 1.0  # whole microseconds, whole millimetres: what ordinary firmware logs
FINEST_M = 0.001


@dataclass(frozen=True, slots=True)
class Traced:
    """A run with what each of its readings truly came from, (N,) each: ``post 2``; empty = nothing, or a stray."""

    run: Run
    thing: tuple[str, ...]
    kind: tuple[str, ...]

    def heard(self, at_least: int = 3) -> tuple[str, ...]:
        """Return the things that were the cause of so many readings or more, ghosts not counted, in order of name."""
        solid = [thing for thing, kind in zip(self.thing, self.kind, strict=True) if thing and kind != "ghost"]
        return tuple(sorted(name for name in set(solid) if solid.count(name) >= at_least))


@dataclass(frozen=True, slots=True)
class _Air:
    speed: float
    alpha: float


@dataclass(frozen=True, slots=True)
class _Heard:
    """First echo of each ping, (n,): range before timing noise [m], inf = nothing; column of its cause, -1 = none."""

    range_m: Floats
    cause: Ints


def _commanded(plan: SweepPlan) -> tuple[Floats, Ints, Ints]:
    """Return (angle in the file [rad], sweep number, +1 up or -1 down) of every ping of one station."""
    count = math.floor((plan.to_rad - plan.from_rad) / plan.step_rad + 1e-9) + 1
    up = plan.from_rad + plan.step_rad * np.arange(count)
    angle, sweep, turning = [], [], []
    for number in range(plan.passes):
        back = plan.both_ways and number % 2 == 1
        angle.append(up[::-1] if back else up)
        sweep.append(np.full(count, number))
        turning.append(np.full(count, -1 if back else 1))
    return np.concatenate(angle), np.concatenate(sweep).astype(np.int32), np.concatenate(turning).astype(np.int32)


def _true_head_rad(head: Head, plan: SweepPlan, noise: Noise, commanded: Floats, turning: Ints) -> Floats:
    """Return where the beam really looks, from straight ahead [rad]: offset, scale, play and a bent servo."""
    if plan.angle_column == "bearing_deg":
        return np.asarray(commanded + head.angle_offset_rad)  # a fixed ring has no servo
    sense, ahead = float(head.turns), head.ahead_rad
    turned = head.angle_scale * sense * (commanded - ahead) + head.angle_offset_rad
    lag = sense * 0.5 * head.backlash_rad * turning  # the head stays behind, whichever way it turns
    return np.asarray(turned - lag + noise.bend_rad * np.sin(2.0 * (commanded - ahead)))


def _margins(
    echoes: RoomEchoes, bearing: Floats, ray: Ints, scene: Scene, k_a: float, rng: np.random.Generator
) -> Floats:
    """Return by how much each echo passes the threshold in each ping, (n, R) [dB]."""
    noise, size = scene.noise, len(echoes.kind)
    lean = echoes.lean_rad + scene.ranger.tilt_rad
    shape = two_way_db(wrap(echoes.bearing_rad - bearing[:, None]), k_a, noise, lean)
    bent = np.any(echoes.back_rad != echoes.bearing_rad, axis=0)
    if bent.any():
        other = two_way_db(wrap(echoes.back_rad[:, bent] - bearing[:, None]), k_a, noise, lean[bent])
        shape[:, bent] = 0.5 * (shape[:, bent] + other)
    patch = np.array([kind == "patch" for kind in echoes.kind], dtype=bool)
    spread = np.where(patch & (noise.level_spread_db > 0.0), PATCH_SPREAD_DB, noise.level_spread_db)
    level = echoes.level_db + shape + spread * rng.standard_normal(size)
    level = level + noise.fading_db * rng.standard_normal((int(ray.max()) + 1, size))[ray]
    level = level + noise.level_sigma_db * rng.standard_normal(level.shape)
    return margin_db(level, echoes.range_m, noise.threshold_db)


def _first_echo(
    echoes: RoomEchoes, bearing: Floats, ray: Ints, scene: Scene, k_a: float, rng: np.random.Generator
) -> _Heard:
    """Return the first echo of each ping: before timing noise, later by `late_m` the weaker it is."""
    noise, pings = scene.noise, np.arange(bearing.size)
    margin = _margins(echoes, bearing, ray, scene, k_a, rng)
    weak = 1.0 - np.clip(margin / 20.0, 0.0, 1.0)
    own = noise.echo_sigma_m * rng.standard_normal(len(echoes.kind))
    audible = (margin > 0.0) & (echoes.range_m >= scene.ranger.blind_zone_m)
    # a last column of silence, so that there is always something to choose
    trigger = np.full((bearing.size, len(echoes.kind) + 1), np.inf)
    trigger[:, :-1] = np.where(audible, echoes.range_m + noise.late_m * weak + own, np.inf)
    deaf = rng.random(bearing.size) < noise.missed_first
    trigger[pings[deaf], trigger[deaf].argmin(axis=1)] = np.inf
    cause = trigger.argmin(axis=1)
    first = trigger[pings, cause]
    cause = np.where(np.isfinite(first), cause, -1)
    if noise.floor_m > 0.0:
        loud = noise.floor_db - noise.threshold_db + noise.level_sigma_db * rng.standard_normal(first.shape) > 0.0
        floor = loud & (noise.floor_m < first)
        first, cause = np.where(floor, noise.floor_m, first), np.where(floor, -1, cause)
    return _Heard(first, cause.astype(np.int32))


def _disturbed(heard: _Heard, bearing: Floats, scene: Scene, period_m: float, rng: np.random.Generator) -> _Heard:
    """Return ranges with timing noise, heavy tails, slips, dropouts, strays and crosstalk [m].

    period_m : what one period of the sound is worth in range (4.3 mm at 40 kHz)
    """
    noise, reach, blind = scene.noise, scene.ranger.reach_m, scene.ranger.blind_zone_m
    n, some = bearing.size, np.isfinite(heard.range_m)
    sigma = noise.range_sigma_m + noise.range_sigma_share * np.where(some, heard.range_m, 0.0)
    sigma = sigma * np.where(rng.random(n) < noise.tail, noise.tail_factor, 1.0)
    scatter = rng.standard_normal(n)
    out = np.where(some, heard.range_m + sigma * scatter, np.inf)
    out = out + np.where(rng.random(n) < noise.slip, period_m, 0.0)
    # the ping before comes back from far off, at one range and out of one sector
    late, middle = rng.uniform(0.2, 0.95) * reach, rng.uniform(-math.pi, math.pi)
    sector = np.abs(wrap(bearing - bearing[0] - middle)) < SECTOR_RAD
    false = (rng.random(n) < noise.crosstalk) & sector & (late < out)
    out = np.where(false, late + 2.0 * noise.range_sigma_m * scatter, out)
    early = blind + (reach - blind) * rng.random(n)
    stray = (rng.random(n) < noise.stray) & (early < out)
    out = np.where(stray, early, out)
    out = np.where(rng.random(n) < noise.dropout, np.inf, out)
    # a ranger that still rings hears nothing, so no echo is shorter than its blind zone
    out = np.where(out < reach, np.maximum(out, blind), np.inf)
    return _Heard(out, np.where(false | stray | np.isinf(out), -1, heard.cause).astype(np.int32))


def _bearings(scene: Scene, station: Station, rng: np.random.Generator) -> tuple[Floats, Floats, Floats]:
    """Return the (n,) true bearings of a station's pings and the (1,) or (n,) places of the ranger's face."""
    commanded, _, turning = _commanded(scene.sweep)
    head, robot = scene.head, scene.robot
    bearing = station.heading_rad + _true_head_rad(head, scene.sweep, scene.noise, commanded, turning)
    bearing = bearing + scene.noise.angle_jitter_rad * rng.standard_normal(bearing.shape)
    axis_x, axis_y = to_floor(station.x_m, station.y_m, station.heading_rad, robot.head_ahead_m, robot.head_left_m)
    if head.arm_m == 0.0 and head.side_m == 0.0:
        return bearing, np.atleast_1d(axis_x), np.atleast_1d(axis_y)  # one place for all pings
    return bearing, *to_floor(axis_x, axis_y, bearing, head.arm_m, head.side_m)


def _stations(scene: Scene, air: _Air, seed: int) -> Iterator[tuple[Floats, list[tuple[str, str]]]]:
    """Yield, station by station, the (n,) ranges that are reported [m] and (thing, kind) of what caused them."""
    # a generator for each station: one more station changes nothing for the others
    rngs = [np.random.default_rng([seed, number]) for number in range(len(scene.stations))]
    views = [_bearings(scene, station, rng) for station, rng in zip(scene.stations, rngs, strict=True)]
    wavelength = air.speed / scene.ranger.frequency_hz
    places = np.concatenate([view[1] for view in views]), np.concatenate([view[2] for view in views])
    all_echoes = room_echoes(scene, *places, wavelength, air.alpha)
    k_a = 2.0 * math.pi / wavelength * scene.ranger.transducer_radius_m
    _, ray = np.unique(np.round(_commanded(scene.sweep)[0], 9), return_inverse=True)
    row = 0
    for (bearing, x, _), rng in zip(views, rngs, strict=True):
        echoes = all_echoes.at(row, row + x.size)
        row += x.size
        first = _first_echo(echoes, bearing, ray.reshape(-1).astype(np.int32), scene, k_a, rng)
        got = _disturbed(first, bearing, scene, 0.5 * wavelength, rng)
        yield got.range_m, [(echoes.thing[i], echoes.kind[i]) if i >= 0 else ("", "") for i in got.cause]


def _logged(scene: Scene, ranges: Floats, speed: float) -> Floats:
    """Return ranges as the log's distance column has them: raw, before any calibration of the run."""
    plan, ranger = scene.sweep, scene.ranger
    raw = (ranges - ranger.range_bias_m) / ranger.range_scale
    if plan.distance_column == "echo_us":
        values, step = 2.0 * raw / speed / S_PER_US, FINEST_US
    else:
        # firmware turns the time into a distance with a speed of its own, if the run says so
        assumed = ranger.assumed_sound_speed_m_s
        factor = RANGE_COLUMNS_M[plan.distance_column]
        values, step = raw * (1.0 if assumed is None else assumed / speed) / factor, FINEST_M / factor
    step = step if plan.resolution is None else plan.resolution
    if step > 0.0:
        values = np.round(np.maximum(np.rint(values / step), 1.0) * step, 9)
    return np.asarray(values)


def _angles(scene: Scene, commanded: Floats) -> tuple[Floats, int]:
    """Return the angle column, and +1 where it grows with the commanded angles, -1 where it falls."""
    if scene.sweep.angle_column != "pulse_us":
        return np.round(to_deg(commanded), 9), 1
    head = scene.head if scene.given_head is None else scene.given_head
    pulses = head.pulse_centre_us + to_deg(commanded - math.pi / 2) * head.pulse_us_per_deg
    return np.round(pulses, 3), 1 if head.pulse_us_per_deg > 0.0 else -1


def simulate_traced(
    scene: Scene, seed: int | None = None, progress: Callable[[int, int], None] | None = None
) -> Traced:
    """Return what `simulate` returns, together with the true cause of every reading.

    Examples
    --------
    >>> from sonargrid.runs.readings import Station
    >>> traced = simulate_traced(Scene((Station("A"),), posts=(ScenePost(0.0, 0.6, 0.1),)), seed=1)
    >>> traced.heard()
    ('post 1',)
    """
    seed = scene.seed if seed is None else seed
    air = scene.air.temperature_c, scene.air.relative_humidity_pct, scene.air.pressure_kpa
    sound = _Air(float(sound_speed(*air)), float(absorption_db_per_m(scene.ranger.frequency_hz, *air)))
    commanded, sweep, turning = _commanded(scene.sweep)
    ranges, causes, done = [], [], len(scene.stations)
    for number, (reported, caused) in enumerate(_stations(scene, sound, seed)):
        ranges.append(reported)
        causes += caused
        if progress is not None:
            progress(number + 1, done)
    pings = commanded.size
    angle, sense = _angles(scene, commanded)
    readings = Readings(
        angle_column=scene.sweep.angle_column,
        distance_column=scene.sweep.distance_column,
        angle=np.tile(angle, done),
        distance=_logged(scene, np.concatenate(ranges), sound.speed),
        station=np.repeat(np.arange(done), pings),
        # sweeps are numbered through the run
        sweep=np.concatenate([sweep + scene.sweep.passes * number for number in range(done)]),
        turning=np.tile(sense * turning, done),
        time_s=np.round(scene.sweep.ping_interval_s * np.arange(pings * done), 6),
    )
    return Traced(
        _claimed(scene, readings, seed), tuple(thing for thing, _ in causes), tuple(kind for _, kind in causes)
    )


def _claimed_stations(scene: Scene, seed: int) -> tuple[Station, ...]:
    """Return where the run says that the robot stood."""
    if scene.given_stations is not None or not scene.noise.station_errors:
        return scene.stations if scene.given_stations is None else scene.given_stations
    off = np.random.default_rng([seed, STATION_ERROR_STREAM]).standard_normal((len(scene.stations), 3))
    return tuple(
        replace(
            s,
            x_m=s.x_m + s.position_sigma_m * float(dx),
            y_m=s.y_m + s.position_sigma_m * float(dy),
            heading_rad=s.heading_rad + s.heading_sigma_rad * float(turn),
        )
        for s, (dx, dy, turn) in zip(scene.stations, off, strict=True)
    )


def _claimed(scene: Scene, readings: Readings, seed: int) -> Run:
    """Return readings with what the run says of air, ranger, head, robot and stations."""
    return Run(
        readings=readings,
        stations=_claimed_stations(scene, seed),
        air=scene.air if scene.given_air is None else scene.given_air,
        ranger=scene.ranger if scene.given_ranger is None else scene.given_ranger,
        head=scene.head if scene.given_head is None else scene.given_head,
        robot=scene.robot if scene.given_robot is None else scene.given_robot,
        marks=scene.marks,
        targets=scene.targets,
        name=scene.name,
        title=scene.title,
        notes=scene.notes,
        assumed=scene.assumed,
    )


def simulate(scene: Scene, seed: int | None = None, progress: Callable[[int, int], None] | None = None) -> Run:
    """Return the run that a ranger would record in a scene: by default echo times in whole microseconds.

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
    >>> from sonargrid.runs.readings import Station
    >>> run = simulate(Scene((Station("A"),), posts=(ScenePost(0.0, 0.6, 0.1),)), seed=1)
    >>> len(run.readings), run.readings.distance_column
    (61, 'echo_us')
    """
    return simulate_traced(scene, seed, progress).run

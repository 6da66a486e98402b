"""Runs of a bench that goes wrong in one known way, and runs on which nothing is wrong: what `check` is measured on.

`clean_run` draws rooms, things, sweeps, columns and air at random.  Each of `FAULTS` provokes one fault by what happens
to the sound, the servo, the wires or the floor, at a strength of 0 (weak, yet to be found) to 1 (gross), and names the
finding that must come of it.  Nothing here uses a rule or a threshold of `check`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.runs.readings import Air, Head, Ranger, Readings, Run, Station, Target
from sonargrid.simulation.scene import Noise, Scene, SceneBox, ScenePost, SceneWall, SweepPlan
from sonargrid.simulation.simulate import simulate

SPEED_M_S = 343.4
CM, MM = 0.01, 0.001
STEPS_DEG = (1.0, 1.5, 2.0, 3.0, 4.0)
STATED = MappingProxyType({"air.temperature_c": "run.toml", "ranger.reach_m": "run.toml"})


def _rng(name: str, seed: int) -> np.random.Generator:
    return np.random.default_rng([sum(map(ord, name)), seed])


def _noise(rng: np.random.Generator) -> Noise:
    return Noise(
        threshold_db=-26.0 + 1.5 * float(rng.standard_normal()),
        dropout=float(rng.uniform(0.0, 0.05)),
        stray=float(rng.uniform(0.0, 0.02)),
        range_sigma_m=float(rng.uniform(0.001, 0.004)),
        range_sigma_share=float(rng.uniform(0.0, 0.006)),
    )


def _room(rng: np.random.Generator, width: float, depth: float) -> tuple[SceneWall, ...]:
    rough = float(rng.choice([0.0, 0.3, 1.0]))
    ends = [(0.0, 0.0), (width, 0.0), (width, depth), (0.0, depth)]
    return tuple(
        SceneWall(*ends[i], *ends[(i + 1) % 4], surface="rough" if rng.random() < rough else "smooth")
        for i in range(4)
        if rng.random() < 0.85
    )


def _things(
    rng: np.random.Generator, width: float, depth: float, stations: tuple[Station, ...]
) -> tuple[tuple[ScenePost, ...], tuple[SceneBox, ...]]:
    posts: list[ScenePost] = []
    boxes: list[SceneBox] = []
    for _ in range(int(rng.integers(0, 5))):
        x, y = rng.uniform(0.2, width - 0.2), rng.uniform(0.2, depth - 0.2)
        if all(math.hypot(x - s.x_m, y - s.y_m) > 0.3 for s in stations):
            if rng.random() < 0.6:
                posts.append(ScenePost(x, y, 2.0 * rng.uniform(0.015, 0.08)))
            else:
                boxes.append(SceneBox(x, y, rng.uniform(0.06, 0.2), rng.uniform(0.06, 0.15), rng.uniform(0, math.pi)))
    return tuple(posts), tuple(boxes)


def _stations(rng: np.random.Generator, count: int, width: float, depth: float) -> tuple[Station, ...]:
    found: list[Station] = []
    while len(found) < count:
        x, y = rng.uniform(0.3, width - 0.3), rng.uniform(0.3, depth - 0.3)
        if all(math.hypot(x - s.x_m, y - s.y_m) > 0.3 for s in found):
            heading = math.atan2(depth / 2 - y, width / 2 - x) + rng.uniform(-0.8, 0.8)
            found.append(Station("ABCD"[len(found)], x, y, heading))
    return tuple(found)


def clean_scene(seed: int, **fixed: Any) -> Scene:
    """Return a room, a bench in it and a careful sweep, all drawn at random.

    fixed : of stations (how many), passes, both_ways, step_deg, reach_m, column, span
    """
    rng = _rng("clean", seed)
    width, depth = float(rng.uniform(1.6, 3.6)), float(rng.uniform(1.6, 3.6))
    if rng.random() < 0.15:
        depth = width
    stations = _stations(rng, int(fixed.get("stations", rng.integers(1, 5))), width, depth)
    if rng.random() < 0.1:  # in the very middle: three walls at one range
        stations = (replace(stations[0], x_m=width / 2, y_m=depth / 2, heading_rad=math.pi / 2), *stations[1:])
    posts, boxes = _things(rng, width, depth, stations)
    low, high = fixed.get("span", [(0.0, 180.0), (0.0, 180.0), (5.0, 175.0), (10.0, 170.0)][int(rng.integers(4))])
    passes = int(fixed.get("passes", rng.integers(1, 5)))
    column, resolution = [("echo_us", 1.0), ("range_mm", 1.0), ("range_cm", 1.0), ("range_cm", 0.1), ("range_m", 0.01)][
        int(fixed.get("column", rng.integers(5)))
    ]
    plan = SweepPlan(
        from_rad=math.radians(low),
        to_rad=math.radians(high),
        step_rad=math.radians(float(fixed.get("step_deg", rng.choice(STEPS_DEG)))),
        passes=passes,
        both_ways=bool(fixed.get("both_ways", rng.random() < 0.6)),
        ping_interval_s=float(rng.uniform(0.055, 0.12)),
        distance_column=column,
        resolution=resolution,
    )
    air = Air(float(rng.uniform(12.0, 28.0)))
    ranger = Ranger(
        transducer_radius_m=0.0078 * math.exp(0.08 * float(rng.standard_normal())),
        reach_m=float(fixed.get("reach_m", rng.choice([1.0, 2.0, 3.0, 4.0]))),
        assumed_sound_speed_m_s=None if column == "echo_us" else 1e4 / 29.0,
    )
    sigmas = (0.005, math.radians(1.0)) if len(stations) > 1 else (0.0, 0.0)
    given = tuple(replace(s, position_sigma_m=sigmas[0], heading_sigma_rad=sigmas[1]) for s in stations)
    true = tuple(
        replace(
            s,
            x_m=s.x_m + sigmas[0] * float(rng.standard_normal()),
            y_m=s.y_m + sigmas[0] * float(rng.standard_normal()),
            heading_rad=s.heading_rad + sigmas[1] * float(rng.standard_normal()),
        )
        for s in given
    )
    return Scene(
        true,
        _room(rng, width, depth),
        posts,
        boxes,
        air=air,
        ranger=ranger,
        head=Head(angle_offset_rad=math.radians(rng.normal(0.0, 0.5)), backlash_rad=math.radians(rng.uniform(0, 0.6))),
        given_air=air,
        given_ranger=Ranger(reach_m=ranger.reach_m, assumed_sound_speed_m_s=ranger.assumed_sound_speed_m_s),
        given_head=Head(),
        given_stations=given,
        sweep=plan,
        noise=_noise(rng),
        seed=seed,
        title="a bench",
    )


def recorded(scene: Scene, seed: int) -> Run:
    """Return the run of a scene, with a temperature that somebody wrote down."""
    return replace(simulate(scene, seed), origins=STATED)


def clean_run(seed: int) -> Run:
    """Return a run on which nothing is wrong."""
    return recorded(clean_scene(seed), seed)


def _posts_round(rng: np.random.Generator, count: int = 3, near: float = 0.4, far: float = 0.85) -> list[ScenePost]:
    bearings = np.linspace(35.0, 145.0, count) + rng.uniform(-6.0, 6.0, count)
    ranges = rng.uniform(near, far, count) + 0.025
    return [
        ScenePost(r * math.cos(b), r * math.sin(b), 0.05) for r, b in zip(ranges, np.radians(bearings), strict=True)
    ]


def posts_scene(seed: int, name: str = "posts", **plan: Any) -> Scene:
    """Return three posts round one station: the bench that the sheet advises."""
    rng = _rng(name, seed)
    fixed: dict[str, Any] = {"step_rad": math.radians(2.0), "passes": 2, "both_ways": True, "ping_interval_s": 0.06}
    return Scene(
        (Station("A", position_sigma_m=0.0, heading_sigma_rad=0.0),),
        posts=tuple(_posts_round(rng)),
        ranger=Ranger(reach_m=1.5),
        sweep=SweepPlan(**{**fixed, **plan}),
        noise=_noise(rng),
        seed=seed,
        title="three posts",
    )


def _with(run: Run, keep: Any = slice(None), **columns: Any) -> Run:
    """Return a run with some of its rows and other columns."""
    rows = run.readings
    kept = {
        name: np.asarray(columns.get(name, getattr(rows, name)))[keep]
        for name in ("angle", "distance", "station", "sweep", "turning")
    }
    time_s = columns.get("time_s", rows.time_s)
    time_s = None if time_s is None else np.asarray(time_s)[keep]
    return replace(run, readings=Readings(rows.angle_column, rows.distance_column, **kept, time_s=time_s))


def _to_column(run: Run, metres: Floats) -> Floats:
    """Return distances of a run of echo times."""
    return np.asarray(np.rint(2.0e6 * metres / SPEED_M_S))


def _metres(run: Run) -> Floats:
    return np.asarray(run.readings.distance * 1e-6 * SPEED_M_S / 2.0)


# --- the head ---------------------------------------------------------------------------------------------------------


def short_travel(seed: int, strength: float) -> Run:
    """The servo's travel ends early on one side."""
    end = 138.0 - 40.0 * strength
    span = (0.0, end) if seed % 2 else (180.0 - end, 180.0)
    return recorded(clean_scene(seed, span=span), seed)


def lost_lines(seed: int, strength: float) -> Run:
    """Lines are lost on the way: nothing arrives over some degrees, in every sweep."""
    run = recorded(clean_scene(seed, step_deg=2.0), seed)
    middle = float(_rng("gap", seed).uniform(50.0, 130.0))
    return _with(run, np.abs(run.readings.angle - middle) > 17.0 + 15.0 * strength)


def uneven(seed: int, strength: float) -> Run:
    """The robot's program is late now and then and takes two steps at once."""
    run = recorded(clean_scene(seed, step_deg=2.0, passes=1), seed)
    rng = _rng("uneven", seed)
    return _with(run, rng.random(len(run.readings)) > 0.35 + 0.15 * strength)


def wild_pulses(seed: int, strength: float) -> Run:
    """Pulses go beyond what a servo takes."""
    scene = clean_scene(seed)
    wide = 11.6 + 0.5 * strength
    head = replace(Head(), pulse_us_per_deg=wide)
    plan = replace(scene.sweep, angle_column="pulse_us", from_rad=0.0, to_rad=math.pi)
    return recorded(replace(scene, head=head, given_head=head, sweep=plan), seed)


def twitch(seed: int, strength: float) -> Run:
    """The servo twitches: in mid-sweep the head goes back some steps and comes again."""
    run = recorded(clean_scene(seed, step_deg=2.0, passes=2), seed)
    rows, out, rng = np.arange(len(run.readings)), [], _rng("twitch", seed)
    per = int(np.sum((run.readings.sweep == 0) & (run.readings.station == 0)))
    for begin in range(0, rows.size, per):
        one = list(rows[begin : begin + per])
        for _ in range(1 + int(3 * strength)):
            at = int(rng.integers(per // 4, 3 * per // 4))
            one[at:at] = [*one[at - 6 : at][::-1], *one[at - 6 : at]]
        out += one
    keep = np.array(out)
    clock = 0.06 * np.arange(rows.size * 9)
    changed = _with(run, keep)
    zero = np.zeros(len(changed.readings), dtype=int)
    return _with(changed, time_s=clock[: zero.size], turning=zero)


def play(seed: int, strength: float) -> Run:
    """The gears have play that nobody measured."""
    scene = posts_scene(seed, passes=4)
    head = Head(backlash_rad=math.radians(2.5 + 3.0 * strength))
    return recorded(replace(scene, head=head, given_head=Head()), seed)


def flown_back(seed: int, strength: float) -> Run:
    """One-way sweeps: after the return the head needs its time, and the first pings go out on the way."""
    scene = clean_scene(seed, step_deg=2.0, passes=4, both_ways=False, stations=1, span=(0.0, 180.0))
    run = recorded(scene, seed)
    rows, speed = run.readings, 600.0 - 300.0 * strength  # degrees a second
    per, wait = int(np.sum(rows.sweep == 0)), scene.sweep.ping_interval_s
    distance = rows.distance.copy()
    for sweep in range(1, 4):
        begin = sweep * per
        for k in range(per):
            truly = max(float(rows.angle[begin + k]), 180.0 - speed * wait * (k + 1))
            distance[begin + k] = rows.distance[begin + int(np.argmin(np.abs(rows.angle[begin : begin + per] - truly)))]
    return _with(run, distance=distance)


def crossed_wires(seed: int, strength: float) -> Run:
    """The column that says which way the head turns says the opposite."""
    run = recorded(clean_scene(seed), seed)
    wrong = _rng("turning", seed).random(len(run.readings)) < 0.2 + 0.8 * strength
    return _with(run, turning=np.where(wrong, -run.readings.turning, run.readings.turning))


# --- the numbers ------------------------------------------------------------------------------------------------------


def weak_supply(seed: int, strength: float) -> Run:
    """The supply sags while the servo moves: garbage instead of measurements."""
    run = recorded(clean_scene(seed), seed)
    bad = _rng("void", seed).random(len(run.readings)) < 0.25 + 0.3 * strength
    return _with(run, distance=np.where(bad, np.nan, run.readings.distance))


def loose_lead(seed: int, strength: float) -> Run:
    """A lead makes contact now and then: many pings hear nothing."""
    scene = posts_scene(seed)
    return recorded(replace(scene, noise=replace(scene.noise, dropout=0.45 + 0.2 * strength)), seed)


def no_ranger(seed: int, strength: float) -> Run:
    """The ranger is not connected."""
    run = recorded(clean_scene(seed), seed)
    return _with(run, distance=np.full(len(run.readings), np.inf))


def small_reach(seed: int, strength: float) -> Run:
    """The run says that the ranger hears less far than it does."""
    run = recorded(clean_scene(seed, reach_m=4.0, column=0), seed)
    heard = np.isfinite(run.readings.distance)
    reach = float(np.quantile(_metres(run)[heard], 0.6 - 0.3 * strength))
    return replace(run, ranger=replace(run.ranger, reach_m=max(0.1, reach)))


def timed_out(seed: int, strength: float) -> Run:
    """The firmware logs the length of its wait where nothing came back."""
    scene = clean_scene(seed, column=0, reach_m=2.0, span=(0.0, 180.0))
    run = recorded(replace(scene, walls=scene.walls[:1]), seed)
    wait = 38_000.0 if seed % 2 else 24_000.0
    distance = np.where(np.isinf(run.readings.distance), wait, run.readings.distance)
    return _with(replace(run, ranger=replace(run.ranger, reach_m=7.0)), distance=distance)


def stuck(seed: int, strength: float) -> Run:
    """The ranger hangs for a while and the program logs the last number again and again."""
    run = recorded(clean_scene(seed, column=0, step_deg=2.0, reach_m=4.0), seed)
    distance, rng = run.readings.distance.copy(), _rng("stuck", seed)
    heard = np.flatnonzero(np.isfinite(distance))
    at = int(heard[rng.integers(max(1, heard.size // 2))])
    end = min(distance.size, at + 14 + int(30 * strength))
    distance[at:end] = distance[at]
    return _with(run, distance=distance)


def slips(seed: int, strength: float) -> Run:
    """A quiet ranger whose echoes trigger one period late now and then."""
    scene = posts_scene(seed, passes=4)
    share = 0.15 + 0.25 * strength
    noise = replace(scene.noise, range_sigma_m=0.001, range_sigma_share=0.0, slip=share, tail=0.0)
    return recorded(replace(scene, noise=noise), seed)


def wrong_unit(seed: int, strength: float) -> Run:
    """Centimetres in a column of metres."""
    run = recorded(clean_scene(seed, column=1, reach_m=4.0), seed)
    rows = run.readings
    readings = replace(rows, distance_column="range_m", distance=rows.distance / 10.0)
    return replace(run, readings=readings, ranger=replace(run.ranger, reach_m=100.0))


# --- echoes of nothing ------------------------------------------------------------------------------------------------


def chassis(seed: int, strength: float) -> Run:
    """An edge of the robot's own deck answers before everything else, whichever way the head looks."""
    run = recorded(clean_scene(seed, column=0, step_deg=2.0), seed)
    rng = _rng("chassis", seed)
    own = rng.uniform(0.06, 0.12) + 0.0015 * rng.standard_normal(len(run.readings))
    middle = float(rng.uniform(70.0, 110.0))
    there = np.abs(run.readings.angle - middle) < 75.0 + 30.0 * strength
    there &= rng.random(len(run.readings)) < 0.85
    metres = np.where(there, np.minimum(own, np.where(np.isfinite(_metres(run)), _metres(run), 99.0)), _metres(run))
    return _with(
        run, distance=np.where(np.isfinite(metres), _to_column(run, np.where(np.isfinite(metres), metres, 0.0)), np.inf)
    )


def floor(seed: int, strength: float) -> Run:
    """The ranger sits low: the floor answers at one range, all round."""
    scene = clean_scene(seed, reach_m=3.0, step_deg=2.0)
    noise = replace(scene.noise, floor_m=float(_rng("floor", seed).uniform(0.4, 0.7)), floor_db=-22.0 + 4.0 * strength)
    far = tuple(w for w in scene.walls[:1])
    return recorded(replace(scene, noise=noise, walls=far), seed)


def bounced(seed: int, strength: float) -> Run:
    """A smooth plate square before the robot's flat front; now and then its first echo is missed."""
    rng = _rng("bounce", seed)
    near = float(rng.uniform(0.25, 0.45))
    scene = replace(posts_scene(seed, passes=4), posts=(), walls=(SceneWall(-0.5, near, 0.5, near),))
    noise = replace(scene.noise, double_bounce=True, missed_first=0.15 + 0.25 * strength)
    return recorded(replace(scene, noise=noise), seed)


def late(seed: int, strength: float) -> Run:
    """A far wall answers when the next ping is out already; the time between pings is not steady."""
    rng = _rng("late", seed)
    scene = replace(posts_scene(seed, passes=4), posts=tuple(_posts_round(rng, 1)), ranger=Ranger(reach_m=2.0))
    run = recorded(scene, seed)
    wait = 0.030 + rng.uniform(0.0, 0.002 + 0.002 * strength, len(run.readings))
    clock = np.round(np.cumsum(wait), 6)
    far = float(rng.uniform(6.3, 6.8))
    # its true way less the time until the next ping, which starts the count anew
    false = far - SPEED_M_S * np.diff(clock, prepend=0.0) / 2.0
    off = np.abs(run.readings.angle - float(rng.uniform(125.0, 150.0)))
    own = np.where(np.isfinite(_metres(run)), _metres(run), 99.0)
    heard = (off < 20.0) & (rng.random(own.size) < 0.9) & (false > 0.03) & (false < np.minimum(own, 2.0))
    metres = np.where(heard, false + 0.003 * rng.standard_normal(own.size), own)
    return _with(run, distance=np.where(metres > 50.0, np.inf, _to_column(run, metres)), time_s=clock)


def hasty(seed: int, strength: float) -> Run:
    """The robot's program pings too fast."""
    run = recorded(clean_scene(seed), seed)
    return _with(run, time_s=np.round((0.042 - 0.025 * strength) * np.arange(len(run.readings)), 6))


def ring_together(seed: int, strength: float) -> Run:
    """A ring whose rangers all ping at once: each also hears what its neighbours' pings bring back.

    Echo from a wall at distance d, bearing 0: heard by ranger k if transmit level of any ranger plus its own receive
    level passes the threshold; with its own ping alone both are its own.
    """
    rng = _rng("ring", seed)
    bearings = np.arange(-180.0, 180.0, 15.0)
    distance, half = float(rng.uniform(0.4, 0.9)), 24.0
    rounds = 10
    level = -6.0 * (bearings / half) ** 2  # one way, dB: the pair is 12 dB down at the half beam
    heard = np.tile((level.max() + level) > -14.0 - 6.0 * strength, rounds)
    metres = np.where(heard, distance + 0.002 * rng.standard_normal(heard.size), np.inf)
    count = bearings.size * rounds
    rows = Readings(
        "bearing_deg",
        "range_m",
        np.tile(bearings, rounds),
        np.round(metres, 3),
        np.zeros(count),
        np.repeat(np.arange(rounds), bearings.size),
        np.zeros(count),
    )
    return Run(rows, ranger=Ranger(reach_m=3.0), name="ring", origins=STATED)


# --- clock, floor, stations, conditions -------------------------------------------------------------------------------


def mixed_lines(seed: int, strength: float) -> Run:
    """Lines overtake one another in a buffer."""
    run, rng = recorded(clean_scene(seed), seed), _rng("mixed", seed)
    order = np.arange(len(run.readings))
    for at in rng.integers(0, order.size - 1, 1 + int(6 * strength)):
        order[[at, at + 1]] = order[[at + 1, at]]
    return _with(run, order)


def moved_post(seed: int, strength: float) -> Run:
    """A post is carried off, or somewhere else, between two sweeps."""
    scene = posts_scene(seed, passes=4)
    first = recorded(scene, seed)
    moved = scene.posts[1]
    away = replace(moved, y_m=moved.y_m + 0.12 + 0.2 * strength) if seed % 2 else None
    later = replace(scene, posts=(scene.posts[0], *([away] if away else []), scene.posts[2]))
    second = recorded(later, seed)
    after = first.readings.sweep >= 2
    return _with(first, distance=np.where(after, second.readings.distance, first.readings.distance))


def passer_by(seed: int, strength: float) -> Run:
    """Somebody steps before the robot during one sweep."""
    scene = posts_scene(seed, passes=4)
    first = recorded(scene, seed)
    leg = ScenePost(0.0, 0.32, 0.08 + 0.1 * strength)
    second = recorded(replace(scene, posts=(*scene.posts, leg)), seed)
    return _with(first, distance=np.where(first.readings.sweep == 1, second.readings.distance, first.readings.distance))


def same_place(seed: int, strength: float) -> Run:
    """Two stations on one spot, as good as the tape can tell."""
    run = recorded(clean_scene(seed, stations=2), seed)
    one, two = run.stations
    two = replace(one, name="B", x_m=one.x_m + 0.006 * (1.0 - strength))
    return replace(run, stations=(one, two))


def wrong_heading(seed: int, strength: float) -> Run:
    """One heading was written down wrong; three stations look much the same way into a room with four smooth walls."""
    rng = _rng("heading", seed)
    width, depth = float(rng.uniform(1.8, 2.6)), float(rng.uniform(1.8, 2.6))
    ends = [(0.0, 0.0), (width, 0.0), (width, depth), (0.0, depth)]
    walls = tuple(SceneWall(*ends[i], *ends[(i + 1) % 4]) for i in range(4))
    scene = clean_scene(seed, stations=3, reach_m=3.0, step_deg=2.0, passes=2)
    stations = tuple(
        Station("ABC"[i], width * (0.2 + 0.3 * i), rng.uniform(0.3, 0.8), math.radians(90.0 + rng.uniform(-30.0, 30.0)))
        for i in range(3)
    )
    given = tuple(replace(s, position_sigma_m=0.005, heading_sigma_rad=math.radians(1.0)) for s in stations)
    wrong = math.radians((10.0 + 8.0 * strength) * (1 if seed % 2 else -1))
    said = (given[0], replace(given[1], heading_rad=given[1].heading_rad + wrong), *given[2:])
    return recorded(replace(scene, walls=walls, posts=(), boxes=(), stations=stations, given_stations=said), seed)


def no_thermometer(seed: int, strength: float) -> Run:
    """Nobody wrote the temperature down."""
    return replace(clean_run(seed), origins=MappingProxyType({}))


def fahrenheit(seed: int, strength: float) -> Run:
    """The thermometer shows degrees Fahrenheit."""
    run = clean_run(seed)
    return replace(run, air=replace(run.air, temperature_c=60.0 + 20.0 * strength))


def slipped_horn(seed: int, strength: float) -> Run:
    """The horn slipped on its shaft since the head was calibrated."""
    scene = posts_scene(seed, passes=4)
    truth = Head(angle_offset_rad=math.radians(3.0 + 4.0 * strength))
    targets = tuple(Target("post", p.x_m, p.y_m, p.diameter_m) for p in scene.posts)
    run = recorded(replace(scene, head=truth, given_head=Head(), targets=targets), seed)
    sigmas = {"head.angle_offset_deg": math.radians(0.3)}
    origins = {**STATED, "calibration.file": "calibration.toml", "head.angle_offset_deg": "calibration.toml"}
    return replace(run, origins=MappingProxyType(origins), calibration_sigmas=MappingProxyType(sigmas))


@dataclass(frozen=True, slots=True)
class FaultKind:
    """One provoked fault: how it is made, which finding must name it."""

    make: Callable[[int, float], Run]
    finding: str


FAULTS: dict[str, FaultKind] = {
    "short travel": FaultKind(short_travel, "short_sweep"),
    "lost lines": FaultKind(lost_lines, "gap"),
    "uneven steps": FaultKind(uneven, "uneven_steps"),
    "wild pulses": FaultKind(wild_pulses, "servo_pulses"),
    "servo twitches": FaultKind(twitch, "direction_changes"),
    "play in the gears": FaultKind(play, "forward_return_shift"),
    "pings on the way back": FaultKind(flown_back, "after_flyback"),
    "turning crossed": FaultKind(crossed_wires, "turning_against_angles"),
    "weak supply": FaultKind(weak_supply, "void_share"),
    "loose lead": FaultKind(loose_lead, "dropouts"),
    "no ranger": FaultKind(no_ranger, "nothing_heard"),
    "small reach": FaultKind(small_reach, "beyond_reach"),
    "time-outs logged": FaultKind(timed_out, "timeout_as_distance"),
    "stuck value": FaultKind(stuck, "stuck_value"),
    "slips": FaultKind(slips, "period_slips"),
    "wrong unit": FaultKind(wrong_unit, "wrong_unit"),
    "chassis heard": FaultKind(chassis, "self_echo"),
    "floor heard": FaultKind(floor, "floor_echo"),
    "double bounce": FaultKind(bounced, "double_bounce"),
    "late echoes": FaultKind(late, "late_echo"),
    "hasty pings": FaultKind(hasty, "pings_too_close"),
    "ring pings together": FaultKind(ring_together, "ring_neighbours"),
    "mixed lines": FaultKind(mixed_lines, "clock_backwards"),
    "post moved": FaultKind(moved_post, "sweeps_disagree"),
    "passer-by": FaultKind(passer_by, "sweeps_disagree"),
    "stations on one spot": FaultKind(same_place, "stations_close"),
    "wrong heading": FaultKind(wrong_heading, "heading_disagrees"),
    "no thermometer": FaultKind(no_thermometer, "temperature_missing"),
    "Fahrenheit": FaultKind(fahrenheit, "temperature_implausible"),
    "slipped horn": FaultKind(slipped_horn, "calibration_drift"),
}

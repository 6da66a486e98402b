"""Made-up worlds by class and seed, on which accuracy is measured: simulated scenes, never shipped.

one_position  1 to 6 posts 5 to 15 cm across within 1 m, half circle there and back in 1 to 3 degree steps, one station
room          2 to 3 m, walls mostly smooth, 2 to 5 boxes and posts, 4 to 8 stations, 3 m reach, 3 degree steps
pose          room, stations off by 1 cm and 1 degree (one sigma)
nasty         room, all walls smooth, mirrored posts, 10 to 25 % dropouts, 3 to 8 % early strays
other_one     one_position with other physics: beam shapes, lopsided, heavy tails, slips, crosstalk, floor echo, bent
              servo; boxes and half-round things at any angle
other_room    room with the same other physics, walls that stand askew and lean
any_size      one_position with radii from 0.5 to 15 cm
with_empty    one station, walls in reach, the same spot swept once before things were put down

Every thing can be heard: a layout is drawn again where one of them would cause fewer than `LEAST` readings of an ideal
ranger (a thing that never answers first cannot be found by anybody).  The real run may still miss it: `World.heard`.
What the run states of its own uncertainty (stations, head, air) is what the errors were really drawn from.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from sonargrid.runs.readings import Air, Head, Ranger, Run, Station
from sonargrid.simulation.scene import Noise, Scene, SceneBox, ScenePost, SceneWall, SweepPlan
from sonargrid.simulation.simulate import simulate, simulate_traced

LEAST = 4  # readings of an ideal ranger, over all stations and sweeps of the world
TRIES = 80  # draws of one thing before the layout is left with fewer
TEMPERATURE_SIGMA_C = 0.3
OFFSET_SIGMA_RAD = math.radians(0.3)
ROOM_SIGMAS = (0.003, math.radians(0.3))  # a careful tape
POSE_SIGMAS = (0.01, math.radians(1.0))

Thing = ScenePost | SceneBox
NOISE_SEED, POSE_SEED, EMPTY_SEED = 7, 31, 500_000


@dataclass(frozen=True, slots=True)
class World:
    """A scene, the run recorded in it and, for some classes, the run of the floor before things were put down.

    heard : names of the things (`Scene.things`) that caused at least three of the run's readings
    """

    scene: Scene
    run: Run
    empty_run: Run | None = None
    heard: tuple[str, ...] = ()


def _noise(rng: np.random.Generator) -> Noise:
    return Noise(
        threshold_db=-26.0 + 1.5 * rng.standard_normal(), dropout=rng.uniform(0.0, 0.04), stray=rng.uniform(0.0, 0.02)
    )


def _nasty_noise(rng: np.random.Generator) -> Noise:
    return replace(_noise(rng), ghosts=True, dropout=rng.uniform(0.10, 0.25), stray=rng.uniform(0.03, 0.08))


def _other_noise(rng: np.random.Generator) -> Noise:
    return replace(
        _noise(rng),
        beam=str(rng.choice(["soft", "lobed", "piston"])),
        skew=rng.uniform(-0.15, 0.15),
        level_sigma_db=rng.uniform(1.0, 3.0),
        level_spread_db=rng.uniform(0.5, 2.0),
        slip=rng.uniform(0.0, 0.25),
        tail=rng.uniform(0.02, 0.12),
        tail_factor=rng.uniform(3.0, 8.0),
        missed_first=rng.uniform(0.0, 0.03),
        crosstalk=float(rng.choice([0.0, 0.0, rng.uniform(0.05, 0.4)])),
        bend_rad=math.radians(rng.uniform(-2.0, 2.0)),
        floor_m=float(rng.choice([0.0, 0.0, 0.0, 0.35])),
        floor_db=-27.5,
        late_m=rng.uniform(0.003, 0.012),
        angle_jitter_rad=math.radians(rng.uniform(0.1, 0.6)),
        double_bounce=True,
    )


def _bench(rng: np.random.Generator, reach_m: float, noise: Noise) -> Scene:
    """A bare scene: the true ranger, head and air, and what a user would write down of them.

    Written down: reach, how well the head was centred, the thermometer; not the transducer's true size.
    """
    air = Air(20.0 + TEMPERATURE_SIGMA_C * rng.standard_normal(), temperature_sigma_c=TEMPERATURE_SIGMA_C)
    sigma = max(OFFSET_SIGMA_RAD, abs(noise.bend_rad))
    return Scene(
        (Station("A", position_sigma_m=0.0, heading_sigma_rad=0.0),),
        air=air,
        ranger=Ranger(transducer_radius_m=0.0078 * math.exp(0.08 * rng.standard_normal()), reach_m=reach_m),
        head=Head(angle_offset_rad=OFFSET_SIGMA_RAD * rng.standard_normal(), angle_sigma_rad=sigma),
        noise=noise,
        given_air=Air(temperature_sigma_c=TEMPERATURE_SIGMA_C),
        given_ranger=Ranger(reach_m=reach_m),
        given_head=Head(angle_sigma_rad=sigma),
    )


def _radius(thing: Thing) -> float:
    """Radius of the circle round a thing [m]."""
    return 0.5 * (thing.diameter_m if isinstance(thing, ScenePost) else math.hypot(thing.width_m, thing.depth_m))


def _with_things(scene: Scene, things: list[Thing]) -> Scene:
    return replace(
        scene,
        posts=tuple(thing for thing in things if isinstance(thing, ScenePost)),
        boxes=tuple(thing for thing in things if isinstance(thing, SceneBox)),
    )


def _furnished(scene: Scene, count: int, draw: Callable[[], Thing], gap_m: float, keep_off_m: float) -> Scene:
    """Return the scene with so many things: apart from each other and from the stations, each of them to be heard."""
    ideal = Noise.none(threshold_db=scene.noise.threshold_db, edge_db=scene.noise.edge_db)
    things: list[Thing] = []
    for _ in range(count):
        for _ in range(TRIES):
            new = draw()
            near = [math.hypot(new.x_m - t.x_m, new.y_m - t.y_m) - _radius(t) for t in things]
            near += [math.hypot(new.x_m - s.x_m, new.y_m - s.y_m) + gap_m - keep_off_m for s in scene.stations]
            if min(near) < _radius(new) + gap_m:
                continue
            # put down in any order, so that a new thing may stand before the others
            furnished = _with_things(scene, [*things, new])
            heard = simulate_traced(replace(furnished, noise=ideal), NOISE_SEED).heard(LEAST)
            if all(name in heard for name in furnished.things() if not name.startswith("wall")):
                things.append(new)
                break
    return _with_things(scene, things)


def _turned_thing(rng: np.random.Generator, x: float, y: float, r: float) -> Thing:
    """A post, a box or a half-round thing of about radius r, turned anyhow."""
    turned = rng.uniform(-math.pi, math.pi)
    kind = rng.random()
    if kind < 0.5:
        return ScenePost(x, y, 2.0 * r)
    if kind < 0.7:
        return ScenePost(x, y, 2.6 * r, half=True, heading_rad=turned)
    return SceneBox(x, y, 1.8 * r, rng.uniform(1.0, 1.8) * r, turned)


def _one_scene(seed: int, other: bool = False, radii_m: tuple[float, float] = (0.025, 0.075)) -> tuple[Scene, int]:
    """Return a scene with one station and no thing yet, and how many things are wanted."""
    rng = np.random.default_rng([11, seed])
    scene = _bench(rng, 1.0, _other_noise(rng) if other else _noise(rng))
    plan = SweepPlan(step_rad=math.radians(float(rng.choice([1.0, 1.5, 2.0, 3.0]))), passes=2, both_ways=True)
    return replace(scene, sweep=plan, seed=seed, title="things round one spot"), int(rng.integers(1, 7))


def _around(
    seed: int,
    radii_m: tuple[float, float],
    other: bool = False,
    inside: Callable[[float, float, float], bool] | None = None,
) -> Callable[[], Thing]:
    """Return a draw of one thing before a station at the origin, its near face 15 to 97 cm away."""
    rng = np.random.default_rng([13, seed])
    low, high = radii_m

    def draw() -> Thing:
        while True:
            # sizes over more than a decade are drawn evenly in their logarithm
            even = rng.uniform(low, high) if high < 4.0 * low else math.exp(rng.uniform(math.log(low), math.log(high)))
            near, bearing = rng.uniform(0.18, 0.90), math.radians(rng.uniform(5.0, 175.0))
            x, y = (near + even) * math.cos(bearing), (near + even) * math.sin(bearing)
            if inside is None or inside(x, y, even):
                return _turned_thing(rng, x, y, even) if other else ScenePost(x, y, 2.0 * even)

    return draw


def _recorded(scene: Scene, seed: int, empty_run: Run | None = None) -> World:
    traced = simulate_traced(scene, seed)
    return World(scene, traced.run, empty_run, traced.heard())


def _one_position(seed: int, other: bool = False, radii_m: tuple[float, float] = (0.025, 0.075)) -> World:
    scene, count = _one_scene(seed, other, radii_m)
    return _recorded(_furnished(scene, count, _around(seed, radii_m, other), 0.08, 0.15), seed)


def _with_empty(seed: int) -> World:
    scene, count = _one_scene(seed)
    rng = np.random.default_rng([53, seed])
    left, right, top = rng.uniform(0.5, 1.2), rng.uniform(0.5, 1.2), rng.uniform(0.6, 1.1)
    ends = [(-left, -0.6), (-left, top), (right, top), (right, -0.6)]
    scene = replace(scene, walls=tuple(SceneWall(*ends[i], *ends[i + 1]) for i in range(3)), title="a corner of a room")

    def inside(x: float, y: float, r: float) -> bool:
        return -left + 0.1 + r < x < right - 0.1 - r and y < top - 0.1 - r

    furnished = _furnished(scene, min(count, 5), _around(seed, (0.025, 0.075), inside=inside), 0.08, 0.15)
    return _recorded(furnished, seed, simulate(scene, seed + EMPTY_SEED))


def _stations(rng: np.random.Generator, width: float, depth: float) -> tuple[Station, ...]:
    stations: list[Station] = []
    wanted = int(rng.integers(4, 9))
    while len(stations) < wanted:
        x, y = rng.uniform(0.25, width - 0.25), rng.uniform(0.25, depth - 0.25)
        if all(math.hypot(x - s.x_m, y - s.y_m) > 0.35 for s in stations):
            # look about towards the middle of the room
            heading = math.atan2(depth / 2 - y, width / 2 - x) + rng.uniform(-0.9, 0.9)
            stations.append(Station("ABCDEFGH"[len(stations)], x, y, heading))
    return tuple(stations)


def _moved(scene: Scene, seed: int, sigmas: tuple[float, float]) -> Scene:
    """The run claims the planned places, with these sigmas; the robot really stood that much off."""
    rng = np.random.default_rng([POSE_SEED, seed])
    given = tuple(replace(s, position_sigma_m=sigmas[0], heading_sigma_rad=sigmas[1]) for s in scene.stations)
    true = tuple(
        replace(
            s,
            x_m=s.x_m + sigmas[0] * rng.standard_normal(),
            y_m=s.y_m + sigmas[0] * rng.standard_normal(),
            heading_rad=s.heading_rad + sigmas[1] * rng.standard_normal(),
        )
        for s in given
    )
    return replace(scene, stations=true, given_stations=given)


def _walls(rng: np.random.Generator, width: float, depth: float, rough: float, other: bool) -> tuple[SceneWall, ...]:
    off = (lambda: rng.uniform(-0.12, 0.12)) if other else (lambda: 0.0)
    ends = [(x + off(), y + off()) for x, y in ((0.0, 0.0), (width, 0.0), (width, depth), (0.0, depth))]
    return tuple(
        SceneWall(
            *ends[i],
            *ends[(i + 1) % 4],
            surface="rough" if rng.random() < rough else "smooth",
            lean_rad=math.radians(rng.uniform(-5.0, 5.0)) if other else 0.0,
        )
        for i in range(4)
    )


def _room_scene(
    seed: int,
    sigmas: tuple[float, float],
    noise: Callable[[np.random.Generator], Noise],
    rough: float,
    other: bool = False,
) -> Scene:
    rng = np.random.default_rng([23, seed])
    width, depth = rng.uniform(2.0, 3.0), rng.uniform(2.0, 3.0)
    walls = _walls(rng, width, depth, rough, other)
    scene = replace(_bench(rng, 3.0, noise(rng)), stations=_stations(rng, width, depth), walls=walls)
    scene = replace(scene, sweep=SweepPlan(step_rad=math.radians(3.0)), seed=seed, title="a small room")

    def draw() -> Thing:
        x, y = rng.uniform(0.35, width - 0.35), rng.uniform(0.35, depth - 0.35)
        if other:
            return _turned_thing(rng, x, y, rng.uniform(0.025, 0.09))
        if rng.random() < 0.5:
            return ScenePost(x, y, 2.0 * rng.uniform(0.025, 0.08))
        turned = rng.uniform(0.0, math.pi) if rng.random() < 0.5 else 0.0
        return SceneBox(x, y, rng.uniform(0.08, 0.22), rng.uniform(0.06, 0.16), turned)

    return _furnished(_moved(scene, seed, sigmas), int(rng.integers(2, 6)), draw, 0.15, 0.18)


CLASSES: dict[str, Callable[[int], World]] = {
    "one_position": _one_position,
    "room": lambda seed: _recorded(_room_scene(seed, ROOM_SIGMAS, _noise, 0.2), seed),
    "pose": lambda seed: _recorded(_room_scene(seed, POSE_SIGMAS, _noise, 0.2), seed),
    "nasty": lambda seed: _recorded(_room_scene(seed, ROOM_SIGMAS, _nasty_noise, 0.0), seed),
    "other_one": lambda seed: _one_position(seed, other=True),
    "other_room": lambda seed: _recorded(_room_scene(seed, ROOM_SIGMAS, _other_noise, 0.3, other=True), seed),
    "any_size": lambda seed: _one_position(seed, radii_m=(0.005, 0.15)),
    "with_empty": _with_empty,
}


def make(class_name: str, seed: int) -> World:
    """Return the world of a class and seed; the same for ever.

    Raises
    ------
    ValueError
        If the class is unknown.
    """
    if class_name not in CLASSES:
        raise ValueError(f"unknown class {class_name!r}; known: {', '.join(CLASSES)}")
    return CLASSES[class_name](seed)

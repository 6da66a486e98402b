"""Made-up worlds by class and seed, on which accuracy is measured: scenes of `sonargrid.simulate`, never shipped.

one_position  1 to 6 posts 5 to 15 cm across within 1 m, half circle there and back, one station
room          2 to 3 m, walls mostly smooth, 2 to 5 boxes and posts, 4 to 8 stations, 3 m reach
pose          room, stations off by 1 cm and 1 degree (one sigma)
nasty         room, all walls smooth, mirrored posts, 10 to 25 % dropouts, 3 to 8 % early strays
other_one     one_position with other physics: beam shapes, lopsided, tails, slips, bent servo, boxes, floor echo
other_room    room with other physics and turned boxes and leaning walls
any_size      one_position with radii from 0.5 to 15 cm
with_empty    one station, walls in reach, the same spot swept once before things were put down
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from sonargrid.readings import Ranger, Run, Station
from sonargrid.simulate import Noise, Scene, SceneBox, ScenePost, SceneWall, SweepPlan, simulate


@dataclass(frozen=True, slots=True)
class World:
    """A scene, the run recorded in it and, for some classes, the run of the floor before things were put down."""

    scene: Scene
    run: Run
    empty_run: Run | None = None


def _ranger(rng: np.random.Generator, reach_m: float, spread: bool = True) -> Ranger:
    radius = 0.0078 * math.exp(0.08 * rng.standard_normal()) if spread else 0.0078
    return Ranger(transducer_radius_m=radius, reach_m=reach_m)


def _claim(scene: Scene) -> Scene:
    """What a user would write down: reach and temperature, not the transducer's true size."""
    return replace(scene, given_ranger=Ranger(reach_m=scene.ranger.reach_m))


def _noise(rng: np.random.Generator) -> Noise:
    return Noise(
        threshold_db=-26.0 + 1.5 * rng.standard_normal(), dropout=rng.uniform(0.0, 0.04), stray=rng.uniform(0.0, 0.02)
    )


def _other_noise(rng: np.random.Generator) -> Noise:
    return replace(
        _noise(rng),
        beam=str(rng.choice(["soft", "lobed", "piston"])),
        skew=rng.uniform(-0.15, 0.15),
        level_sigma_db=rng.uniform(1.0, 3.0),
        slip=rng.uniform(0.0, 0.25),
        tail=rng.uniform(0.02, 0.12),
        tail_factor=rng.uniform(3.0, 8.0),
        crosstalk=rng.uniform(0.0, 0.02),
        bend_rad=math.radians(rng.uniform(-2.0, 2.0)),
        floor_m=float(rng.choice([0.0, 0.0, 0.0, 0.35])),
        floor_db=-27.5,
        late_m=rng.uniform(0.003, 0.012),
    )


def _scatter(
    rng: np.random.Generator, count: int, place: Callable[[], tuple[float, float, float]], gap_m: float
) -> list[tuple[float, float, float]]:
    """Draw (x, y, radius) that keep a gap from each other; fewer than asked when the floor is full."""
    found: list[tuple[float, float, float]] = []
    for _ in range(400):
        if len(found) == count:
            break
        x, y, r = place()
        if all(math.hypot(x - a, y - b) > r + s + gap_m for a, b, s in found):
            found.append((x, y, r))
    return found


def _one_position(seed: int, other: bool = False, radii_m: tuple[float, float] = (0.025, 0.075)) -> World:
    rng = np.random.default_rng([11, seed])
    low, high = radii_m

    def place() -> tuple[float, float, float]:
        r = math.exp(rng.uniform(math.log(low), math.log(high))) if high > 0.1 else rng.uniform(low, high)
        distance, bearing = rng.uniform(0.25, 0.92), math.radians(rng.uniform(8.0, 172.0))
        distance = min(max(distance, r + 0.15), 0.97)
        return distance * math.cos(bearing), distance * math.sin(bearing), r

    things = _scatter(rng, int(rng.integers(1, 7)), place, 0.12)
    posts = tuple(ScenePost(x, y, 2.0 * r) for x, y, r in things)
    boxes: tuple[SceneBox, ...] = ()
    if other and len(posts) > 1 and rng.random() < 0.6:
        p = posts[0]
        boxes = (SceneBox(p.x_m, p.y_m, p.diameter_m, 0.8 * p.diameter_m, rng.uniform(0.0, math.pi)),)
        posts = posts[1:]
    plan = SweepPlan(step_rad=math.radians(float(rng.choice([1.0, 1.5, 2.0, 3.0]))), passes=2, both_ways=True)
    scene = Scene(
        (Station("A"),),
        posts=posts,
        boxes=boxes,
        ranger=_ranger(rng, 1.0),
        sweep=plan,
        noise=_other_noise(rng) if other else _noise(rng),
        title="things round one spot",
    )
    scene = _claim(scene)
    return World(scene, simulate(scene, seed))


def _apart_from(things: list[tuple[float, float, float]], x: float, y: float, gap_m: float) -> bool:
    return all(math.hypot(x - a, y - b) > r + gap_m for a, b, r in things)


def _stations(
    rng: np.random.Generator, things: list[tuple[float, float, float]], width: float, depth: float
) -> tuple[Station, ...]:
    stations: list[Station] = []
    wanted = int(rng.integers(4, 9))
    for _ in range(2000):
        if len(stations) == wanted:
            break
        x, y = rng.uniform(0.25, width - 0.25), rng.uniform(0.25, depth - 0.25)
        if _apart_from(things, x, y, 0.18) and all(math.hypot(x - s.x_m, y - s.y_m) > 0.35 for s in stations):
            # look about towards the middle of the room
            heading = math.atan2(depth / 2 - y, width / 2 - x) + rng.uniform(-0.9, 0.9)
            stations.append(Station("ABCDEFGH"[len(stations)], x, y, heading, 0.01, math.radians(2.0)))
    return tuple(stations)


def _room_scene(seed: int, noise: Noise | None, rough_share: float, other: bool = False) -> Scene:
    rng = np.random.default_rng([23, seed])
    width, depth = rng.uniform(2.0, 3.0), rng.uniform(2.0, 3.0)
    lean = (lambda: rng.uniform(-0.12, 0.12)) if other else (lambda: 0.0)
    c = [(lean(), lean()), (width + lean(), lean()), (width + lean(), depth + lean()), (lean(), depth + lean())]
    walls = tuple(
        SceneWall(*c[i], *c[(i + 1) % 4], surface="rough" if rng.random() < rough_share else "smooth") for i in range(4)
    )

    def place() -> tuple[float, float, float]:
        r = rng.uniform(0.025, 0.11)
        return rng.uniform(0.3 + r, width - 0.3 - r), rng.uniform(0.3 + r, depth - 0.3 - r), r

    things = _scatter(rng, int(rng.integers(2, 6)), place, 0.25)
    posts, boxes = [], []
    for x, y, r in things:
        if rng.random() < 0.5:
            posts.append(ScenePost(x, y, 2.0 * min(r, 0.08)))
        else:
            turned = rng.uniform(0.0, math.pi) if other or rng.random() < 0.5 else 0.0
            boxes.append(SceneBox(x, y, 1.5 * r, rng.uniform(0.8, 1.3) * r, turned))
    stations = _stations(rng, things, width, depth)
    for st in stations:
        assert _apart_from(things, st.x_m, st.y_m, 0.0), "a station stands in a thing"
    return Scene(
        stations,
        walls=walls,
        posts=tuple(posts),
        boxes=tuple(boxes),
        ranger=_ranger(rng, 3.0),
        sweep=SweepPlan(step_rad=math.radians(3.0)),
        noise=noise if noise is not None else (_other_noise(rng) if other else _noise(rng)),
        title="a small room",
    )


def _room(seed: int) -> World:
    scene = _claim(_room_scene(seed, None, 0.2))
    return World(scene, simulate(scene, seed))


def _pose(seed: int) -> World:
    base = _room_scene(seed, None, 0.2)
    rng = np.random.default_rng([31, seed])
    # the run claims the planned places; the robot really stood a little off
    given = tuple(replace(s, position_sigma_m=0.01, heading_sigma_rad=math.radians(1.0)) for s in base.stations)
    true = tuple(
        replace(
            s,
            x_m=s.x_m + 0.01 * rng.standard_normal(),
            y_m=s.y_m + 0.01 * rng.standard_normal(),
            heading_rad=s.heading_rad + math.radians(1.0) * rng.standard_normal(),
        )
        for s in given
    )
    scene = _claim(replace(base, stations=true, given_stations=given))
    return World(scene, simulate(scene, seed))


def _nasty(seed: int) -> World:
    rng = np.random.default_rng([41, seed])
    noise = replace(_noise(rng), ghosts=True, dropout=rng.uniform(0.10, 0.25), stray=rng.uniform(0.03, 0.08))
    scene = _claim(_room_scene(seed, noise, 0.0))
    return World(scene, simulate(scene, seed))


def _other_room(seed: int) -> World:
    scene = _claim(_room_scene(seed, None, 0.3, other=True))
    return World(scene, simulate(scene, seed))


def _with_empty(seed: int) -> World:
    base = _one_position(seed).scene
    rng = np.random.default_rng([53, seed])
    left, right, top = rng.uniform(0.5, 1.2), rng.uniform(0.5, 1.2), rng.uniform(0.6, 1.1)
    walls = (
        SceneWall(-left, -0.6, -left, top),
        SceneWall(-left, top, right, top),
        SceneWall(right, top, right, -0.6),
    )
    posts = tuple(
        p
        for p in base.posts
        if -left + 0.12 < p.x_m - p.diameter_m / 2
        and p.x_m + p.diameter_m / 2 < right - 0.12
        and p.y_m + p.diameter_m / 2 < top - 0.12
    )
    scene = replace(base, walls=walls, posts=posts)
    empty = replace(scene, posts=())
    return World(scene, simulate(scene, seed), simulate(empty, seed + 500_000))


CLASSES: dict[str, Callable[[int], World]] = {
    "one_position": _one_position,
    "room": _room,
    "pose": _pose,
    "nasty": _nasty,
    "other_one": lambda seed: _one_position(seed, other=True),
    "other_room": _other_room,
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

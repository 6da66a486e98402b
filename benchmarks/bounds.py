"""How well anybody could place the posts of a world: Fisher information of its readings (Cramer-Rao bounds).

For each post: x, y and radius from (a) whether each ping heard it and (b) at which range, with everything else about
the room, the ranger and the noise known; nearer things hide it by the chance that they answer.  The size has the
class's own spread as prior, the bearing that of a beam (a post that others hide tells no more).  The head's offset, the
air's temperature and a thing's own range scatter, which one position cannot see, are added in squares.  All of this is
kinder than a real run, so that no honest list does better on average.  Heavy tails, errors of the stations' places,
slips and strays are left out, which is kinder still.  Boxes are not bounded.
"""

from __future__ import annotations

import math

import numpy as np
import worlds

from sonargrid.physics.air import absorption_db_per_m, sound_speed
from sonargrid.physics.geometry import wrap
from sonargrid.scores.truth import places
from sonargrid.simulation.echo_physics import margin_db, post_db, two_way_db
from sonargrid.simulation.room_echoes import room_echoes
from sonargrid.simulation.scene import Scene

SIZE_SPREAD_M = 0.0144  # of a radius drawn evenly from 2.5 to 7.5 cm
BEAM_RAD = math.radians(25.0) / math.sqrt(3.0)  # of a bearing that lies anywhere in half a beam to either side
STEPS_M = np.array([1e-4, 1e-4, 1e-4])


def normal_below(z: np.ndarray) -> np.ndarray:
    """Return the standard normal distribution function (Abramowitz and Stegun 7.1.26, error below 2e-7)."""
    t = 1.0 / (1.0 + 0.3275911 * np.abs(z) / math.sqrt(2.0))
    poly = t * (0.254829592 + t * (-0.284496736 + t * (1.421413741 + t * (-1.453152027 + t * 1.061405429))))
    tail = 0.5 * poly * np.exp(-0.5 * z * z)
    return np.asarray(np.where(z > 0.0, 1.0 - tail, tail))


class _Station:
    """One station's pings: the bearings, what can answer, and how it is heard."""

    def __init__(self, scene: Scene, number: int, commanded: np.ndarray) -> None:
        air = scene.air.temperature_c, scene.air.relative_humidity_pct, scene.air.pressure_kpa
        speed = float(sound_speed(*air))
        self.alpha = float(absorption_db_per_m(scene.ranger.frequency_hz, *air))
        self.scene, self.noise = scene, scene.noise
        self.k_a = 2.0 * math.pi * scene.ranger.frequency_hz / speed * scene.ranger.transducer_radius_m
        xs, ys = places(scene)
        self.x, self.y = float(xs[number]), float(ys[number])
        self.bearing = scene.stations[number].heading_rad + commanded - math.pi / 2
        self.echoes = room_echoes(scene, xs, ys, speed / scene.ranger.frequency_hz, self.alpha).at(number, number + 1)
        self.softness_db = math.hypot(self.noise.level_sigma_db, self.noise.fading_db)

    def chance(self, off: np.ndarray, level: np.ndarray, range_m: np.ndarray) -> np.ndarray:
        """Return the chance that an echo passes the threshold."""
        margin = margin_db(level + two_way_db(off, self.k_a, self.noise), range_m, self.noise.threshold_db)
        return normal_below(margin / self.softness_db)

    def outcome(self, knobs: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return (chance of an echo, its range) for each ping of a post at x, y with radius a."""
        dx, dy = knobs[0] - self.x, knobs[1] - self.y
        near = math.hypot(dx, dy) - knobs[2]
        off = wrap(math.atan2(dy, dx) - self.bearing)
        heard = self.chance(off, post_db(near, knobs[2], self.alpha), np.array(near))
        return heard, np.full(off.shape, near)

    def unhidden(self, name: str, near: float) -> np.ndarray:
        """Return the chance that no nearer echo answers first, for each ping."""
        e = self.echoes
        nearer = [k for k, thing in enumerate(e.thing) if thing != name and e.range_m[0, k] < near]
        off = wrap(e.bearing_rad[0, nearer][None, :] - self.bearing[:, None])
        others = self.chance(off, e.level_db[0, nearer][None, :], e.range_m[0, nearer][None, :])
        return np.asarray(np.prod(1.0 - others, axis=1) * (1.0 - self.noise.dropout))

    def information(self, name: str, knobs: np.ndarray) -> np.ndarray:
        """Return the (3, 3) Fisher information of this station's pings."""
        if name not in self.echoes.thing or not math.isfinite(self.echoes.level_db[0, self.echoes.thing.index(name)]):
            return np.zeros((3, 3))
        p, near = self.outcome(knobs)
        if near[0] >= self.scene.ranger.reach_m:
            return np.zeros((3, 3))
        slopes = []
        for k, step in enumerate(STEPS_M):
            by = np.eye(3)[k] * step
            (p_up, r_up), (p_down, r_down) = self.outcome(knobs + by), self.outcome(knobs - by)
            slopes.append(((p_up - p_down) / (2.0 * step), (r_up - r_down) / (2.0 * step)))
        free = self.unhidden(name, float(near[0]))
        q = np.clip(p * free, 1e-9, 1.0 - 1e-9)
        sigma = self.noise.range_sigma_m + self.noise.range_sigma_share * near
        dp, dr = (np.stack([slope[part] for slope in slopes]) for part in (0, 1))
        dp = dp * free
        return np.asarray((dp / (q * (1.0 - q))) @ dp.T + (dr * q / sigma**2) @ dr.T)


def bounds(world: worlds.World) -> dict[str, list[float]]:
    """Return, per post that was heard, the bounds' standard deviations: centre [m], near face [m], bearing [rad]."""
    scene, run = world.scene, world.run
    found: dict[str, list[float]] = {"centre_m": [], "near_m": [], "bearing_rad": []}
    stations = []
    for number in range(len(scene.stations)):
        stations.append(_Station(scene, number, np.deg2rad(run.readings.angle[run.readings.station == number])))
    for number, post in enumerate(scene.posts, start=1):
        if post.half or f"post {number}" not in world.heard:
            continue
        knobs = np.array([post.x_m, post.y_m, 0.5 * post.diameter_m])
        whole = sum((s.information(f"post {number}", knobs) for s in stations), np.zeros((3, 3)))
        whole[2, 2] += SIZE_SPREAD_M**-2
        nearest = min(stations, key=lambda s: math.hypot(knobs[0] - s.x, knobs[1] - s.y))
        dx, dy = knobs[0] - nearest.x, knobs[1] - nearest.y
        d = math.hypot(dx, dy)
        to_near, to_side = np.array([dx / d, dy / d, -1.0]), np.array([-dy / d, dx / d, 0.0])
        whole += np.outer(to_side, to_side) / (BEAM_RAD * d) ** 2
        if np.linalg.cond(whole) > 1e14:
            continue
        cov = np.linalg.inv(whole)
        shared = worlds.OFFSET_SIGMA_RAD if len(stations) == 1 else 0.0
        air = d * worlds.TEMPERATURE_SIGMA_C * 0.5 / 293.15
        near = math.sqrt(to_near @ cov @ to_near + scene.noise.echo_sigma_m**2 + air**2)
        found["near_m"].append(near)
        found["bearing_rad"].append(math.hypot(math.sqrt(to_side @ cov @ to_side) / d, shared))
        found["centre_m"].append(math.sqrt(cov[0, 0] + cov[1, 1] + (d * shared) ** 2 + air**2))
    return found

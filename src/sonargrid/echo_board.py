"""How well a set of things explains what was heard: the likelihood under which each ping reports the first answer.

Each ray meets its echoes in order of range; each is heard with its own chance, and only if no nearer one was.  Things
hide what stands behind them.  `Board` holds the things of one fit and rates many versions of one thing at once, all
others held still: prefix sums over the sorted echoes make that a few flat operations.
Floor axes [m].  What one thing sounds like is `echo_model`'s business, which things to try `object_fit`'s.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Bools, Floats
from sonargrid.echo_model import Beam, Soundings, heard_share, range_density, thing_echoes

BLOCKING_SHARE = 0.8  # sound bends round the outer fifth of a post; from memory
NEGLIGIBLE = 0.01


@dataclass(frozen=True, slots=True)
class Thing:
    """One thing of a fit: its kind and numbers as in `echo_model.thing_echoes`."""

    kind: str
    shape: tuple[float, ...]

    @property
    def is_round(self) -> bool:
        """True for posts and corners."""
        return self.kind in ("post", "corner")


@dataclass(slots=True)
class _Heard:
    """A thing's echoes: range (M,), chance in the open (M,), density (H,), answering point (S,) each."""

    range_m: Floats
    share: Floats
    density: Floats
    x_m: Floats
    y_m: Floats


@dataclass(frozen=True, slots=True)
class Rest:
    """All things but one, sorted along each ray: what the versions of that one are rated against."""

    things: tuple[Thing, ...]
    share: Floats  # (J, M) chances, hidden ones 0
    range_m: Floats  # (J, M)
    density: Floats  # (J, H)
    points: Floats  # (J, S, 2)
    sorted_m: Floats  # (J, M)
    passed: Floats  # (J + 1, M) chance that nothing nearer answered
    caused: Floats  # (J + 1, H) density summed over the nearer ones


def hidden_by(thing: Thing, place_m: Floats, x_m: Floats, y_m: Floats) -> Bools:
    """Return whether a thing stands between places (S, 2) and points (..., S)."""
    px, py = place_m[:, 0], place_m[:, 1]
    dx, dy = x_m - px, y_m - py
    if thing.is_round:
        if thing.kind == "corner":
            return np.zeros(dx.shape, dtype=bool)
        cx, cy, a = thing.shape[0], thing.shape[1], math.exp(thing.shape[2])
        length2 = np.maximum(dx * dx + dy * dy, 1e-12)
        t = ((cx - px) * dx + (cy - py) * dy) / length2
        across = np.abs((cx - px) * dy - (cy - py) * dx) / np.sqrt(length2)
        return np.asarray((t > 0.0) & (t < 1.0) & (across < BLOCKING_SHARE * a))
    turn, rho, low, high = thing.shape[:4]
    c, s = math.cos(turn), math.sin(turn)
    near, far = rho - c * px - s * py, rho - c * x_m - s * y_m
    span = near - far
    t = near / np.where(np.abs(span) > 1e-12, span, 1e-12)
    along = -s * (px + t * dx) + c * (py + t * dy)
    # points on the wall itself are not hidden by it
    crossed = (near * far < 0.0) & (np.abs(far) > 0.01)
    return np.asarray(crossed & (along > low + 0.02) & (along < high - 0.02))


def _version_hides(kind: str, shape: Floats, place_m: Floats, points: Floats) -> Bools:
    """Return whether K versions of a thing stand between places and J points each, (K, J, S)."""
    px, py = place_m[:, 0], place_m[:, 1]
    x, y = points[None, :, :, 0], points[None, :, :, 1]
    dx, dy = x - px, y - py
    if kind == "corner":
        return np.zeros((shape.shape[0], points.shape[0], place_m.shape[0]), dtype=bool)
    if kind == "post":
        cx, cy, a = shape[:, 0, None, None], shape[:, 1, None, None], np.exp(shape[:, 2, None, None])
        length2 = np.maximum(dx * dx + dy * dy, 1e-12)
        t = ((cx - px) * dx + (cy - py) * dy) / length2
        across = np.abs((cx - px) * dy - (cy - py) * dx) / np.sqrt(length2)
        return np.asarray((t > 0.0) & (t < 1.0) & (across < BLOCKING_SHARE * a))
    turn, rho, low, high = (shape[:, k, None, None] for k in range(4))
    c, s = np.cos(turn), np.sin(turn)
    near, far = rho - c * px - s * py, rho - c * x - s * y
    span = near - far
    t = near / np.where(np.abs(span) > 1e-12, span, 1e-12)
    along = -s * (px + t * dx) + c * (py + t * dy)
    crossed = (near * far < 0.0) & (np.abs(far) > 0.01)
    return np.asarray(crossed & (along > low + 0.02) & (along < high - 0.02))


class Board:
    """The things of one fit, what they explain, and how versions of one thing would do.

    The one object of the fit that changes: things are set, added and removed; everything it returns is new.
    """

    def __init__(self, soundings: Soundings, beam: Beam, things: Sequence[Thing] = ()) -> None:
        self.soundings = soundings
        self.beam = beam
        self.things: list[Thing] = []
        self._heard: list[_Heard] = []
        self.things = list(things)
        self._heard = self._listen(self.things)

    def heard_with(self, beam: Beam, soundings: Soundings | None = None) -> Board:
        """Return a new board of the same things, heard with another beam or from other places."""
        return Board(self.soundings if soundings is None else soundings, beam, self.things)

    def _listen(self, things: list[Thing]) -> list[_Heard]:
        s, beam = self.soundings, self.beam
        out: list[_Heard | None] = [None] * len(things)
        for kind in sorted({t.kind for t in things}):
            mine = [n for n, t in enumerate(things) if t.kind == kind]
            e = thing_echoes(kind, np.array([things[n].shape for n in mine]), s, beam)
            share = heard_share(e.margin_db, beam)
            density = range_density(s.range_m, e.range_m[:, s.ray], e.margin_db[:, s.ray], beam)
            for k, n in enumerate(mine):
                out[n] = _Heard(e.range_m[k], share[k], density[k], e.x_m[k], e.y_m[k])
        return [h for h in out if h is not None]

    def add(self, thing: Thing) -> None:
        """Put one more thing on the floor."""
        self._heard += self._listen([thing])
        self.things.append(thing)

    def replace(self, index: int, thing: Thing) -> None:
        """Put a thing in the place of another."""
        self._heard[index] = self._listen([thing])[0]
        self.things[index] = thing

    def remove(self, index: int) -> None:
        """Take a thing away."""
        del self.things[index], self._heard[index]

    def rest(self, without: int | None = None) -> Rest:
        """Return all things (but one), sorted along each ray, hidden ones silent."""
        s = self.soundings
        kept = [j for j in range(len(self.things)) if j != without]
        things = tuple(self.things[j] for j in kept)
        rows, echoes, places = len(kept), s.ray.size, s.place_m.shape[0]
        share = np.zeros((rows, s.station.size))
        range_m, density = np.zeros_like(share), np.zeros((rows, echoes))
        points = np.zeros((rows, places, 2))
        for k, j in enumerate(kept):
            h = self._heard[j]
            share[k], range_m[k], density[k] = h.share, h.range_m, h.density
            points[k, :, 0], points[k, :, 1] = h.x_m, h.y_m
        hidden = np.zeros((rows, places), dtype=bool)
        for k, thing in enumerate(things):
            by = hidden_by(thing, s.place_m, points[:, :, 0], points[:, :, 1])
            by[k] = False
            hidden |= by
        share *= ~hidden[:, s.station]
        return _sorted(things, share, range_m, density, points, s)

    def rate(self, rest: Rest, kind: str, shape: Floats) -> Floats:
        """Return the log likelihood (K,) of all pings with each of K versions of one thing beside the rest."""
        by_echo, by_ray = self._terms(rest, kind, shape)
        return np.asarray(by_echo @ self.soundings.weight + by_ray @ self.soundings.silence)

    def rate_by_station(self, rest: Rest, kind: str, shape: Floats) -> Floats:
        """Return the same, (K, S), station by station."""
        s = self.soundings
        by_echo, by_ray = self._terms(rest, kind, shape)
        of_place = np.zeros((s.station.size, s.place_m.shape[0]))
        of_place[np.arange(s.station.size), s.station] = 1.0
        return np.asarray((by_echo * s.weight) @ of_place[s.ray] + (by_ray * s.silence) @ of_place)

    def _terms(self, rest: Rest, kind: str, shape: Floats) -> tuple[Floats, Floats]:
        """Return (log likelihood of each echo (K, H), of silence on each ray (K, M))."""
        s, beam = self.soundings, self.beam
        e = thing_echoes(kind, shape, s, beam)
        share = heard_share(e.margin_db, beam)
        hidden = np.zeros(e.x_m.shape, dtype=bool)
        for thing in rest.things:
            hidden |= hidden_by(thing, s.place_m, e.x_m, e.y_m)
        if hidden.any():
            share = share * ~hidden[:, s.station]
        density = range_density(s.range_m, e.range_m[:, s.ray], e.margin_db[:, s.ray], beam)
        by_echo, by_ray = np.empty(density.shape), np.empty(share.shape)
        for mine, of_mine in self._patterns(rest, kind, shape):
            k = np.zeros(share[mine].shape, dtype=np.int64)
            for row in of_mine.sorted_m:
                k += row < e.range_m[mine]
            ray = np.arange(s.station.size)
            passed = of_mine.passed[k, ray]
            near = of_mine.caused[k[:, s.ray], np.arange(s.ray.size)]
            open_ = share[mine]
            at_echo = open_[:, s.ray]
            caused = near + passed[:, s.ray] * at_echo * density[mine] + (1.0 - at_echo) * (of_mine.caused[-1] - near)
            by_echo[mine], by_ray[mine] = self._logs(caused, of_mine.passed[-1] * (1.0 - open_))
        return by_echo, by_ray

    def _logs(self, caused: Floats, unheard: Floats) -> tuple[Floats, Floats]:
        beam = self.beam
        sure = 1.0 - beam.stray - beam.missed
        return (
            np.log(beam.stray / self.soundings.reach_m + sure * caused),
            np.log(beam.missed + sure * unheard),
        )

    def _patterns(self, rest: Rest, kind: str, shape: Floats) -> list[tuple[Floats, Rest]]:
        """Return the versions, grouped by which of the rest's echoes they hide, each with the rest so hidden."""
        s = self.soundings
        everyone = np.arange(shape.shape[0])
        if not rest.things:
            return [(everyone, rest)]
        hides = _version_hides(kind, shape, s.place_m, rest.points)
        if not hides.any():
            return [(everyone, rest)]
        # only echoes that would be heard matter
        loud = np.zeros((len(rest.things), s.place_m.shape[0]), dtype=bool)
        j, m = np.nonzero(rest.share > NEGLIGIBLE)
        loud[j, s.station[m]] = True
        flat = (hides & loud).reshape(shape.shape[0], -1)
        if not flat.any():
            return [(everyone, rest)]
        kinds, of = np.unique(flat, axis=0, return_inverse=True)
        out = []
        for n, pattern in enumerate(kinds):
            members = everyone[of.reshape(-1) == n]
            if not pattern.any():
                out.append((members, rest))
                continue
            gone = pattern.reshape(loud.shape)[:, s.station]
            part = _sorted(rest.things, rest.share * ~gone, rest.range_m, rest.density, rest.points, s)
            out.append((members, part))
        return out

    def likelihood(self, rest: Rest | None = None) -> float:
        """Return the log likelihood of all pings with the things as they are (or with a rest)."""
        full = self.rest() if rest is None else rest
        by_echo, by_ray = self._logs(full.caused[-1][None], full.passed[-1][None])
        return float(by_echo[0] @ self.soundings.weight + by_ray[0] @ self.soundings.silence)

    def strays(self) -> Floats:
        """Return (H,) the chance that each echo comes from none of the things."""
        full = self.rest()
        stray = self.beam.stray / self.soundings.reach_m
        caused = (1.0 - self.beam.stray - self.beam.missed) * full.caused[-1]
        return np.asarray(stray / (stray + caused))

    def shares(self) -> Floats:
        """Return (J, H): the chance that each echo comes from each thing."""
        full = self.rest()
        s = self.soundings
        order = np.argsort(full.range_m, axis=0, kind="stable")
        ray = np.arange(s.station.size)
        passed = np.empty_like(full.share)
        passed[order, ray] = full.passed[:-1]
        sure = 1.0 - self.beam.stray - self.beam.missed
        each = sure * passed[:, s.ray] * full.share[:, s.ray] * full.density
        total = self.beam.stray / s.reach_m + sure * full.caused[-1]
        return np.asarray(each / total)


def _sorted(
    things: tuple[Thing, ...], share: Floats, range_m: Floats, density: Floats, points: Floats, s: Soundings
) -> Rest:
    rows, rays = share.shape
    order = np.argsort(range_m, axis=0, kind="stable")
    ray = np.arange(rays)
    passed = np.ones((rows + 1, rays))
    sorted_share = share[order, ray]
    np.cumprod(1.0 - sorted_share, axis=0, out=passed[1:])
    by_echo = order[:, s.ray]
    caused = np.zeros((rows + 1, s.ray.size))
    first = passed[:-1][:, s.ray] * sorted_share[:, s.ray] * density[by_echo, np.arange(s.ray.size)]
    np.cumsum(first, axis=0, out=caused[1:])
    return Rest(things, share, range_m, density, points, range_m[order, ray], passed, caused)

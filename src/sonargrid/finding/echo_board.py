"""How well a set of things explains what was heard: the likelihood under which each ping reports the first answer.

Each ray meets its echoes in order of range; each is heard with its own chance, and only if no nearer one was.  Things
hide what stands behind them, but walls hide no posts: a post behind a wall is its mirror image of one before it, and
must be heard to be told from a real one.  `Board` holds the things of one fit and rates many versions of one thing at
once, all others held still: prefix sums over the sorted echoes make that a few flat operations.
Floor axes [m].  What one thing sounds like is `echo_model`'s business, which things to try `object_fit`'s.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Bools, Floats, Ints
from sonargrid.finding.echo_model import Beam, Soundings, heard_share, range_density, thing_echoes

BLOCKING_SHARE = 0.8  # sound bends round the outer fifth of a post; from memory
NEGLIGIBLE = 0.01
FLAT = ("wall", "rough")
HIDING = ("post", "box", *FLAT)
FOCUS_RAD = math.radians(50.0)  # no ray looks farther aside than this and still hears


@dataclass(frozen=True, slots=True)
class Thing:
    """One thing of a fit: its kind and numbers as in `echo_model.thing_echoes`."""

    kind: str
    shape: tuple[float, ...]

    @property
    def is_round(self) -> bool:
        """True for posts and corners."""
        return self.kind in ("post", "corner")

    @property
    def middle_m(self) -> tuple[float, float]:
        """Centre of a post, corner or box, middle of a wall [m]."""
        if self.kind not in FLAT:
            return self.shape[0], self.shape[1]
        turn, rho, low, high = self.shape[:4]
        m = 0.5 * (low + high)
        return math.cos(turn) * rho - math.sin(turn) * m, math.sin(turn) * rho + math.cos(turn) * m


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


def shadows(kind: str, shape: Floats, place_m: Floats, x_m: Floats, y_m: Floats) -> Bools:
    """Return (A, B, S) whether A things of a kind stand between S places (S, 2) and B points each (B, S)."""
    px, py = place_m[:, 0], place_m[:, 1]
    if kind in ("corner", "floor") or not shape.shape[0]:
        return np.zeros((shape.shape[0], *x_m.shape), dtype=bool)
    dx, dy = x_m - px, y_m - py
    if kind == "post":
        cx, cy = shape[:, 0, None, None] - px, shape[:, 1, None, None] - py
        length2 = np.maximum(dx * dx + dy * dy, 1e-12)
        t = cx * dx + cy * dy
        across = cx * dy - cy * dx
        thick = (BLOCKING_SHARE * np.exp(shape[:, 2])) ** 2
        return np.asarray((t > 0.0) & (t < length2) & (across * across < thick[:, None, None] * length2))
    if kind == "box":
        return _boxed(shape, px, py, dx, dy)
    turn, rho, low, high = (shape[:, k, None, None] for k in range(4))
    c, s = np.cos(turn), np.sin(turn)
    near, far = rho - c * px - s * py, rho - c * x_m - s * y_m
    # points on the wall itself are not hidden by it
    crossed = (near * far < 0.0) & (np.abs(far) > 0.01)
    if not crossed.any():
        return np.asarray(crossed)
    t = near / np.where(crossed, near - far, 1.0)
    along = -s * (px + t * dx) + c * (py + t * dy)
    return np.asarray(crossed & (along > low + 0.02) & (along < high - 0.02))


def _boxed(shape: Floats, px: Floats, py: Floats, dx: Floats, dy: Floats) -> Bools:
    """Return (A, B, S) whether the ways (B, S) from places (S,) run through A boxes, a little trimmed."""
    cx, cy, turn, half_w, half_d = (shape[:, k, None, None] for k in range(5))
    c, s = np.cos(turn), np.sin(turn)
    enter, leave = np.zeros(1), np.ones(1)
    for cos, sin, half in ((c, s, half_w), (-s, c, half_d)):
        start, step = cos * (px - cx) + sin * (py - cy), cos * dx + sin * dy
        step = np.where(np.abs(step) < 1e-9, 1e-9, step)
        one, other = (-BLOCKING_SHARE * half - start) / step, (BLOCKING_SHARE * half - start) / step
        enter, leave = np.maximum(enter, np.minimum(one, other)), np.minimum(leave, np.maximum(one, other))
    return np.asarray(enter < leave)


def by_kind(things: Sequence[Thing]) -> list[tuple[str, Floats]]:
    """Return the shapes of things that can hide others, one array a kind."""
    out = []
    for kind in HIDING:
        rows = [t.shape for t in things if t.kind == kind]
        if rows:
            out.append((kind, np.array(rows)))
    return out


class Board:
    """The things of one fit, what they explain, and how versions of one thing would do.

    The one object of the fit that changes: things are set, added and removed; everything it returns is new.
    """

    def __init__(self, soundings: Soundings, beam: Beam, things: Sequence[Thing] = (), given: int = 0) -> None:
        self.soundings = soundings
        self.given = given  # so many first things stood there before: they are never removed
        self.beam = beam
        self.things: list[Thing] = []
        self._heard: list[_Heard] = []
        self.things = list(things)
        self._heard = self._listen(self.things)

    def heard_with(self, beam: Beam, soundings: Soundings | None = None) -> Board:
        """Return a new board of the same things, heard with another beam or from other places."""
        return Board(self.soundings if soundings is None else soundings, beam, self.things, self.given)

    def with_more(self, things: Sequence[Thing]) -> Board:
        """Return a new board with more things."""
        return Board(self.soundings, self.beam, [*self.things, *things], self.given)

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
        for kind in HIDING:
            mine = [k for k, t in enumerate(things) if t.kind == kind]
            if mine:
                shape = np.array([things[k].shape for k in mine])
                by = shadows(kind, shape, s.place_m, points[:, :, 0], points[:, :, 1])
                by[np.arange(len(mine)), mine] = False
                if kind in FLAT:
                    by[:, [k for k, t in enumerate(things) if t.kind == "post"]] = False
                hidden |= by.any(axis=0)
        share *= ~hidden[:, s.station]
        return _sorted(things, share, range_m, density, points, s)

    def rate(self, rest: Rest, kind: str, shape: Floats) -> Floats:
        """Return the log likelihood (K,) of all pings with each of K versions of one thing beside the rest."""
        by_echo, by_ray = self.rate_terms(rest, kind, shape)
        return np.asarray(by_echo @ self.soundings.weight + by_ray @ self.soundings.silence)

    def rate_by_station(self, rest: Rest, kind: str, shape: Floats) -> Floats:
        """Return the same, (K, S), station by station."""
        s = self.soundings
        by_echo, by_ray = self.rate_terms(rest, kind, shape)
        of_place = np.zeros((s.station.size, s.place_m.shape[0]))
        of_place[np.arange(s.station.size), s.station] = 1.0
        return np.asarray((by_echo * s.weight) @ of_place[s.ray] + (by_ray * s.silence) @ of_place)

    def rate_terms(self, rest: Rest, kind: str, shape: Floats) -> tuple[Floats, Floats]:
        """Return (log likelihood of each echo (K, H), of silence on each ray (K, M))."""
        s, beam = self.soundings, self.beam
        e = thing_echoes(kind, shape, s, beam)
        share = heard_share(e.margin_db, beam)
        hidden = np.zeros(e.x_m.shape, dtype=bool)
        for other, shapes in by_kind(rest.things):
            if kind == "post" and other in FLAT:
                continue
            hidden |= shadows(other, shapes, s.place_m, e.x_m, e.y_m).any(axis=0)
        if hidden.any():
            share = share * ~hidden[:, s.station]
        density = range_density(s.range_m, e.range_m[:, s.ray], e.margin_db[:, s.ray], beam)
        patterns = self._patterns(rest, kind, shape)
        if len(patterns) == 1:
            return self._beside(patterns[0][1], share, e.range_m, density)
        by_echo, by_ray = np.empty(density.shape), np.empty(share.shape)
        for mine, of_mine in patterns:
            by_echo[mine], by_ray[mine] = self._beside(of_mine, share[mine], e.range_m[mine], density[mine])
        return by_echo, by_ray

    def _beside(self, rest: Rest, share: Floats, range_m: Floats, density: Floats) -> tuple[Floats, Floats]:
        """Return the log terms of versions with given chances, ranges and densities, beside one rest."""
        ray = self.soundings.ray
        nearer = np.zeros(share.shape, dtype=np.int64)
        for row in rest.sorted_m:
            nearer += row < range_m
        rays, echoes = share.shape[1], ray.size
        at_echo, k = share[:, ray], nearer[:, ray]
        passed = rest.passed.ravel()[k * rays + ray]
        near = rest.caused.ravel()[k * echoes + np.arange(echoes)]
        caused = near + passed * at_echo * density + (1.0 - at_echo) * (rest.caused[-1] - near)
        return self._logs(caused, rest.passed[-1] * (1.0 - share))

    def _logs(self, caused: Floats, unheard: Floats) -> tuple[Floats, Floats]:
        beam = self.beam
        sure = 1.0 - beam.stray - beam.missed
        return (
            np.log(beam.stray / self.soundings.reach_m + sure * caused),
            np.log(beam.missed + sure * unheard),
        )

    def _patterns(self, rest: Rest, kind: str, shape: Floats) -> list[tuple[Ints, Rest]]:
        """Return the versions, grouped by which of the rest's echoes they hide, each with the rest so hidden."""
        s = self.soundings
        everyone = np.arange(shape.shape[0])
        if not rest.things or kind in ("corner", "floor"):
            return [(everyone, rest)]
        hides = shadows(kind, shape, s.place_m, rest.points[:, :, 0], rest.points[:, :, 1])
        if kind in FLAT:
            hides[:, [k for k, t in enumerate(rest.things) if t.kind == "post"]] = False
        if not hides.any():
            return [(everyone, rest)]
        # only echoes that would be heard matter
        loud = np.zeros((len(rest.things), s.place_m.shape[0]), dtype=bool)
        j, m = np.nonzero(rest.share > NEGLIGIBLE)
        loud[j, s.station[m]] = True
        flat = (hides & loud).reshape(shape.shape[0], -1)
        if not flat.any():
            return [(everyone, rest)]
        out = []
        for members in same_rows(flat):
            pattern = flat[members[0]]
            if not pattern.any():
                out.append((members, rest))
                continue
            gone = pattern.reshape(loud.shape)[:, s.station]
            part = _sorted(rest.things, rest.share * ~gone, rest.range_m, rest.density, rest.points, s)
            out.append((members, part))
        return out

    def focus(self, rest: Rest, thing: Thing) -> tuple[Board, Rest, float]:
        """Return board and rest cut down to the rays that a thing can touch, and the log likelihood of all others."""
        s = self.soundings
        e = thing_echoes(thing.kind, np.array([thing.shape]), s, self.beam)
        near = (np.abs(e.off_rad[0]) < FOCUS_RAD) & (e.range_m[0] < s.reach_m + 0.3)
        if thing.kind == "rough":
            near = np.abs(e.off_rad[0]) < 2.0 * FOCUS_RAD
        if near.mean() > 0.8:
            return self, rest, 0.0
        kept = near[s.ray]
        part = Board(cut(s, near, kept), self.beam)
        few = Rest(
            rest.things,
            rest.share[:, near],
            rest.range_m[:, near],
            rest.density[:, kept],
            rest.points,
            rest.sorted_m[:, near],
            rest.passed[:, near],
            rest.caused[:, kept],
        )
        by_echo, by_ray = self._logs(rest.caused[-1][None, ~kept], rest.passed[-1][None, ~near])
        other = float(by_echo[0] @ s.weight[~kept] + by_ray[0] @ s.silence[~near])
        return part, few, other

    def likelihood(self, rest: Rest | None = None) -> float:
        """Return the log likelihood of all pings with the things as they are (or with a rest)."""
        by_echo, by_ray = self.terms(rest)
        return float(by_echo @ self.soundings.weight + by_ray @ self.soundings.silence)

    def terms(self, rest: Rest | None = None) -> tuple[Floats, Floats]:
        """Return (log likelihood of each echo (H,), of silence on each ray (M,)) with the things as they are."""
        full = self.rest() if rest is None else rest
        by_echo, by_ray = self._logs(full.caused[-1][None], full.passed[-1][None])
        return by_echo[0], by_ray[0]

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


def same_rows(flat: Bools) -> list[Ints]:
    """Return the numbers of the rows (K, n) that are alike, one array a kind.

    >>> [rows.tolist() for rows in same_rows(np.array([[True, False], [False, False], [True, False]]))]
    [[1], [0, 2]]
    """
    told = flat[:, (flat != flat[0]).any(axis=0)]
    if told.shape[1] > 50:  # more than a double holds exactly
        of = np.unique(told, axis=0, return_inverse=True)[1].reshape(-1)
    else:
        of = np.unique(told @ np.exp2(np.arange(told.shape[1])), return_inverse=True)[1].reshape(-1)
    return [np.flatnonzero(of == n) for n in range(int(of.max()) + 1)]


def cut(s: Soundings, rays: Bools, echoes: Bools) -> Soundings:
    """Return soundings of some rays and their echoes only; places stay."""
    number = np.cumsum(rays) - 1
    return Soundings(
        s.station[rays],
        s.x_m[rays],
        s.y_m[rays],
        s.bearing_rad[rays],
        s.place_m,
        number[s.ray[echoes]],
        s.range_m[echoes],
        s.weight[echoes],
        s.count[echoes],
        s.silence[rays],
        s.pings[rays],
        s.reach_m,
        s.step_rad,
    )


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

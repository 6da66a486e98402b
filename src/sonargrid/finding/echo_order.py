"""What already stands there, in the order in which each ray meets it; versions of one more thing are rated against it.

A version may hide some of the things that stand; `Rest.without` keeps what remains for each set of hidden echoes.
Floor axes [m].
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from sonargrid.arrays import Bools, Floats, Floats32, Ints
from sonargrid.finding.echo_beam import Beam
from sonargrid.finding.echo_model import Soundings
from sonargrid.finding.echo_shadows import Forms, shadows

FLAT = ("wall", "rough")
HIDING = ("post", "box", "wall")  # the forms that hide what stands behind them; walls of both kinds have one
INAUDIBLE = 1e-7  # an echo heard more rarely than this changes nothing
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

    @property
    def middle_m(self) -> tuple[float, float]:
        """Centre of a post, corner or box, middle of a wall [m]."""
        if self.kind not in FLAT:
            return self.shape[0], self.shape[1]
        turn, rho, low, high = self.shape[:4]
        m = 0.5 * (low + high)
        return math.cos(turn) * rho - math.sin(turn) * m, math.sin(turn) * rho + math.cos(turn) * m


@dataclass(frozen=True, slots=True)
class Answers:
    """What the things that stand make of each ray, some of them perhaps hidden.

    passed : (A + 1, M) chance that nothing nearer answered
    caused : (A + 1, H) density summed over the nearer ones
    by_echo, by_ray : (H,), (M,) log likelihood of each echo, of silence on each ray
    total : log likelihood of all pings
    """

    passed: Floats
    caused: Floats
    by_echo: Floats
    by_ray: Floats
    total: float


@dataclass(frozen=True, slots=True)
class Echoed:
    """What a rating asks of each ray: (M,) its first echo in `order`, how many it has (and any ray at most), nearest
    and farthest range, whether it was ever silent, and its bearing in 65536ths of a turn."""

    order: Ints
    first: Ints
    number: Ints
    low_m: Floats32
    high_m: Floats32
    silent: Bools
    most: int
    bearing: Ints

    @staticmethod
    def of(s: Soundings) -> Echoed:
        """Return it for some soundings."""
        order = np.argsort(s.ray, kind="stable")
        number = np.bincount(s.ray, minlength=s.station.size)
        low, high = np.full(s.station.size, np.inf), np.full(s.station.size, -np.inf)
        np.minimum.at(low, s.ray, s.range_m)
        np.maximum.at(high, s.ray, s.range_m)
        return Echoed(
            order,
            np.cumsum(number) - number,
            number,
            low.astype(np.float32),
            high.astype(np.float32),
            s.silence > 0.0,
            int(number.max(initial=0)),
            parts_of_turn(s.bearing_rad),
        )


def parts_of_turn(angle_rad: Floats) -> Ints:
    """Return angles in 65536ths of a turn: numbers of 16 bits, whose differences wrap as angles do.

    >>> parts_of_turn(np.array([0.0, math.pi / 2, 2.5 * math.pi])).tolist()
    [0, 16384, 16384]
    """
    return np.rint(angle_rad * (32768.0 / math.pi)).astype(np.int64).astype(np.int16)


@dataclass(frozen=True, slots=True)
class Versions:
    """Versions (K, D) of one kind of thing, and the pairs (version, ray) at which they may be heard, by version.

    beside : (K,) the number of the rest that each stands beside
    hidden, group : (K, S), (K,) where known before, from where each is hidden and what it leaves of the rest
    """

    kind: str
    shape: Floats
    beside: Ints
    k: Ints
    m: Ints
    hidden: Bools | None = None
    group: Ints | None = None


@dataclass(frozen=True, slots=True)
class Standing:
    """All things of a board as every station meets them: what its rests have in common.

    things : J of them; forms : those that hide others, one array a form, with their numbers
    density : (J, H); points : (J, S, 2) that answer
    thing, ray, range_m, share : (n,) every audible echo, ray by ray, from near to far
    """

    soundings: Soundings
    beam: Beam
    things: tuple[Thing, ...]
    forms: Forms
    density: Floats
    points: Floats
    thing: Ints
    ray: Ints
    range_m: Floats
    share: Floats

    @staticmethod
    def of(
        s: Soundings,
        beam: Beam,
        things: Sequence[Thing],
        range_m: Floats,
        share: Floats,
        density: Floats,
        points: Floats,
    ) -> Standing:
        """Return things that answer each ray from a range, with a chance in the open: (J, M) both."""
        ray, thing = np.nonzero(share.T > INAUDIBLE)
        far = range_m[thing, ray]
        order = np.lexsort((far, ray))
        ray, thing, far = ray.take(order), thing.take(order), far.take(order)
        told = tuple(things)
        return Standing(s, beam, told, forms(told), density, points, thing, ray, far, share[thing, ray])

    def hides(self, kind: str, shape: Floats) -> Bools:
        """Return (K, J, S) whether versions of a kind hide the things."""
        hides = shadows(kind, shape, self.soundings.place_m, self.points[:, :, 0], self.points[:, :, 1])
        if kind in FLAT:
            hides[:, [k for k, t in enumerate(self.things) if t.kind == "post"]] = False
        return hides


@dataclass(frozen=True, slots=True)
class Rest:
    """Things that stand there, sorted along each ray: what the versions of one more are rated against.

    standing, there : all things of a board, and (J,) which of them are meant
    things : those that are meant
    order, sorted_m, heard : (A, M) the audible ones from near to far: which, their ranges and chances in view of each
        other; J, inf, 0 = no more of them
    loud : (J, S) things that a station hears now and then: only these can be missed when hidden
    """

    standing: Standing
    there: Bools
    things: tuple[Thing, ...]
    order: Ints
    sorted_m: Floats
    heard: Floats
    plain: Answers
    loud: Bools
    kept: dict[bytes, Answers] = field(default_factory=dict)

    @staticmethod
    def of(standing: Standing, there: Bools, open_: Bools) -> Rest:
        """Return some things of a board, sorted; (J, S) whether each stands in view of each station."""
        s = standing.soundings
        number, stations, rays = len(standing.things), s.place_m.shape[0], s.station.size
        at = standing.thing * stations + s.station.take(standing.ray)
        kept = np.flatnonzero(open_.ravel().take(at))
        thing, ray, share = standing.thing.take(kept), standing.ray.take(kept), standing.share.take(kept)
        many = np.bincount(ray, minlength=rays)
        most = int(many.max(initial=0))
        place = (np.arange(ray.size) - (np.cumsum(many) - many).take(ray)) * rays + ray
        order, sorted_m, heard = np.full((most, rays), number), np.full((most, rays), np.inf), np.zeros((most, rays))
        order.ravel()[place], sorted_m.ravel()[place], heard.ravel()[place] = thing, standing.range_m.take(kept), share
        loud = np.zeros(number * stations, dtype=bool)
        loud[at.take(kept.take(np.flatnonzero(share > NEGLIGIBLE)))] = True
        things = tuple(t for t, is_there in zip(standing.things, there.tolist(), strict=True) if is_there)
        plain = _answers(standing, order, heard)
        return Rest(standing, there, things, order, sorted_m, heard, plain, loud.reshape(number, stations))

    def told_by(self, standing: Standing) -> Rest:
        """Return the same rest with the chances of strays and misses of another beam."""
        plain = _told(standing, self.plain.passed, self.plain.caused)
        return replace(self, standing=standing, plain=plain, kept={})

    def without(self, hides: Bools) -> Answers:
        """Return the answers with the echoes (J, S) silent."""
        if not hides.any():
            return self.plain
        key = hides.tobytes()
        if key not in self.kept:
            s = self.standing.soundings
            # stations that see everything keep their answers
            rays = np.flatnonzero(hides.any(axis=0).take(s.station))
            order = self.order.take(rays, axis=1)
            silent = hides.ravel().take(order * s.place_m.shape[0] + s.station.take(rays), mode="clip")
            self.kept[key] = _answers_anew(self, rays, order, self.heard.take(rays, axis=1) * ~silent)
        return self.kept[key]


def _answers_anew(rest: Rest, rays: Ints, order: Ints, heard: Floats) -> Answers:
    """Return a rest's answers with other chances (A, n) at some rays."""
    s, plain = rest.standing.soundings, rest.plain
    place = np.full(s.station.size, -1)
    place[rays] = np.arange(rays.size)
    at = place.take(s.ray)
    echoes = np.flatnonzero(at >= 0)
    at = at.take(echoes)
    passed, caused = plain.passed.copy(), plain.caused.copy()
    gone = np.ones((len(order) + 1, rays.size))
    np.cumprod(1.0 - heard, axis=0, out=gone[1:])
    density = rest.standing.density.ravel().take(order.take(at, axis=1) * s.ray.size + echoes, mode="clip")
    passed[:, rays] = gone
    caused[1:, echoes] = np.cumsum((gone[:-1] * heard).take(at, axis=1) * density, axis=0)
    by_echo, by_ray = plain.by_echo.copy(), plain.by_ray.copy()
    by_echo[echoes], by_ray[rays] = log_terms(s, rest.standing.beam, caused[-1, echoes], gone[-1])
    total = float(by_echo @ s.weight + by_ray @ s.silence)
    return Answers(passed, caused, by_echo, by_ray, total)


def _answers(standing: Standing, order: Ints, heard: Floats) -> Answers:
    s = standing.soundings
    rows, rays = order.shape
    passed = np.ones((rows + 1, rays))
    np.cumprod(1.0 - heard, axis=0, out=passed[1:])
    caused = np.zeros((rows + 1, s.ray.size))
    # where there are no more things any density will do
    density = standing.density.ravel().take(order.take(s.ray, axis=1) * s.ray.size + np.arange(s.ray.size), mode="clip")
    np.cumsum((passed[:-1] * heard).take(s.ray, axis=1) * density, axis=0, out=caused[1:])
    return _told(standing, passed, caused)


def _told(standing: Standing, passed: Floats, caused: Floats) -> Answers:
    s = standing.soundings
    by_echo, by_ray = log_terms(s, standing.beam, caused[-1], passed[-1])
    total = float(by_echo @ s.weight + by_ray @ s.silence)
    return Answers(passed, caused, by_echo, by_ray, total)


def log_terms(s: Soundings, beam: Beam, caused: Floats, unheard: Floats) -> tuple[Floats, Floats]:
    """Return the log likelihood of echoes with a density of causes, and of silence with a chance that all missed."""
    sure = 1.0 - beam.stray - beam.missed
    return np.log(beam.stray / s.reach_m + sure * caused), np.log(beam.missed + sure * unheard)


def stacked(arrays: Sequence[Floats], beyond: float | None = None) -> Floats:
    """Return arrays (A, n) of as many columns one on another, short ones continued by their last row (or a number).

    >>> stacked([np.array([[1.0], [2.0]]), np.array([[3.0]])]).tolist()
    [[[1.0], [2.0]], [[3.0], [3.0]]]
    """
    if len(arrays) == 1:
        return arrays[0][None]
    rows = max(len(a) for a in arrays)
    out = np.empty((len(arrays), rows, arrays[0].shape[1]))
    for row, a in zip(out, arrays, strict=True):
        row[: len(a)] = a
        row[len(a) :] = a[-1] if beyond is None else beyond
    return out


def forms(things: Sequence[Thing]) -> Forms:
    """Return the shapes of things that can hide others and their numbers, one array a form."""
    out = []
    for form in HIDING:
        mine = [n for n, t in enumerate(things) if t.kind == form or (form == "wall" and t.kind in FLAT)]
        if mine:
            out.append((form, np.array([things[n].shape for n in mine]), np.array(mine)))
    return tuple(out)


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

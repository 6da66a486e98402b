"""How well a set of things explains what was heard: the likelihood under which each ping reports the first answer.

Each ray meets its echoes in order of range; each is heard with its own chance, and only if no nearer one was.  Things
hide what stands behind them, but walls hide no posts: a post behind a wall is its mirror image of one before it, and
must be heard to be told from a real one.  `Board` holds the things of one fit and rates many versions of one thing at
once, all others held still, on the rays that can hear them.
Floor axes [m].  What one thing sounds like is `echo_model`'s business, which things to try `object_fit`'s.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from sonargrid.arrays import Bools, Floats, Ints
from sonargrid.finding.echo_beam import BEHIND_RAD, Beam, reach_rad
from sonargrid.finding.echo_model import (
    Rays,
    Soundings,
    echoes_at,
    heard_first,
    heard_share,
    numbers_of,
    range_density,
    sounds_at,
    thing_echoes,
)
from sonargrid.finding.echo_order import FLAT, Echoed, Rest, Standing, Thing, Versions, parts_of_turn
from sonargrid.finding.echo_rating import HOPELESS_DB, TINY, Beside, likelihoods, rated
from sonargrid.finding.echo_shadows import shadows

# what moves the margins of echoes; what moves their chances and the density of their ranges
LOUDNESS = frozenset({"threshold_db", "size_m", "lopsided", "slope_db_m", "absorption_db_m", "wavelength_m"})
TIMING = frozenset({"soft_db", "late_m", "sigma_m", "sigma_share", "slip", "slip_m"})
RARE_DB, SELDOM_DB = 6.9, 13.8  # log odds of being heard once in 1000, in a million pings; times softness / 1.7
NEAR_M = 0.15  # echoes farther than this from a thing's range are hardly its own
SLACK_RAD = math.radians(3.0)
OFFSET_M = 0.03  # rangers sit so far before the servo's axis at most, or a little more


@dataclass(slots=True)
class _Heard:
    """Echoes of J things: range, chance in the open and margin (J, M), density (J, H), answering points (J, S, 2);
    other_m, other_db : (J, M) a second echo of boxes, margin -inf = none."""

    range_m: Floats
    share: Floats
    margin_db: Floats
    density: Floats
    points: Floats
    other_m: Floats
    other_db: Floats

    @property
    def near_audible(self) -> Bools:
        """(J, M) where a thing is heard, or would be with a beam somewhat different."""
        return np.asarray((self.margin_db > HOPELESS_DB) | (self.other_db > HOPELESS_DB))

    def by(self, beam: Beam, s: Soundings) -> _Heard:
        """Return the same with the chances and densities of a beam that changes no margin."""
        share = heard_share(self.margin_db, beam)
        j, h = np.nonzero(self.near_audible.take(s.ray, axis=1))
        m, ranges = s.ray.take(h), s.range_m.take(h)
        told = range_density(ranges, self.range_m[j, m], self.margin_db[j, m], beam)
        two = np.flatnonzero((self.other_db > -np.inf).any(axis=1))
        if two.size:
            other_m, other_db = self.other_m[two], self.other_db[two]
            one, other = heard_first(self.range_m[two], self.margin_db[two], other_m, other_db, beam)
            share[two] = one + other
            part = np.zeros_like(share)
            part[two] = other / np.maximum(share[two], TINY)
            at = np.flatnonzero(part[j, m])
            a, b = j.take(at), m.take(at)
            late = range_density(ranges.take(at), self.other_m[a, b], self.other_db[a, b], beam)
            told[at] += part[a, b] * (late - told.take(at))
        density = np.zeros_like(self.density)
        density[j, h] = told
        return replace(self, share=share, density=density)


class Board:
    """The things of one fit, what they explain, and how versions of one thing would do.

    The one object of the fit that changes: things are set, added and removed; everything it returns is new.
    """

    def __init__(
        self,
        soundings: Soundings,
        beam: Beam,
        things: Sequence[Thing] = (),
        given: int = 0,
        heard: _Heard | None = None,
    ) -> None:
        self.soundings = soundings
        self.given = given  # so many first things stood there before: they are never removed
        self.beam = beam
        self.things: list[Thing] = list(things)
        self._heard = self._listen(self.things) if heard is None else heard
        self._full: Rest | None = None
        self._stands: Standing | None = None
        self._hides: Bools | None = None

    @cached_property
    def _echoed(self) -> Echoed:
        return Echoed.of(self.soundings)

    def heard_with(self, beam: Beam, soundings: Soundings | None = None) -> Board:
        """Return a new board of the same things, heard with another beam or from other places."""
        if soundings is not None:
            return Board(soundings, beam, self.things, self.given)
        changed = {name for name in Beam.__slots__ if getattr(beam, name) != getattr(self.beam, name)}
        if changed & LOUDNESS:
            heard = self._heard_anew(beam)
        else:
            heard = self._heard.by(beam, self.soundings) if changed & TIMING else replace(self._heard)
        other = Board(self.soundings, beam, self.things, self.given, heard)
        other._hides = self._hides
        other.__dict__["_echoed"] = self._echoed
        if not changed & (LOUDNESS | TIMING):
            # every ray hears the same things: only the words for what has no cause are others
            full = self.rest()
            other._stands = replace(full.standing, beam=beam)
            other._full = full.told_by(other._stands)
        return other

    def _heard_anew(self, beam: Beam) -> _Heard:
        """Return the echoes heard with a beam a little different; what is far from being heard stays as it was."""
        h, s = self._heard, self.soundings
        j, m = np.nonzero(h.near_audible)
        out = replace(h, range_m=h.range_m.copy(), margin_db=h.margin_db.copy())
        out.other_m, out.other_db = h.other_m.copy(), h.other_db.copy()
        kinds = np.array([t.kind for t in self.things])
        for kind in dict.fromkeys(t.kind for t in self.things):
            mine = np.flatnonzero(kinds == kind)
            numbers = numbers_of(kind, np.array([self.things[n].shape for n in mine]))
            at = np.flatnonzero((kinds == kind).take(j))
            row, ray = j.take(at), m.take(at)
            columns = tuple(n.take(np.searchsorted(mine, row)) for n in numbers)
            rays = Rays(s.x_m.take(ray), s.y_m.take(ray), s.bearing_rad.take(ray))
            out.range_m[row, ray], _, out.margin_db[row, ray], other_m, other_db = sounds_at(kind, columns, rays, beam)
            if other_m is not None and other_db is not None:
                out.other_m[row, ray], out.other_db[row, ray] = other_m, other_db
        return out.by(beam, s)

    def with_more(self, things: Sequence[Thing], without: Sequence[int] = ()) -> Board:
        """Return a new board with more things, and without some (indices) of those that stand there."""
        kept = [n for n in range(len(self.things)) if n not in set(without)]
        new = self._listen(list(things))
        heard = _Heard(
            *(np.concatenate([getattr(self._heard, name)[kept], getattr(new, name)]) for name in _Heard.__slots__)
        )
        other = Board(self.soundings, self.beam, [*(self.things[n] for n in kept), *things], self.given, heard)
        other.__dict__["_echoed"] = self._echoed
        return other

    def _listen(self, things: list[Thing]) -> _Heard:
        s, beam = self.soundings, self.beam
        rows, rays = len(things), s.station.size
        out = _Heard(
            np.zeros((rows, rays)),
            np.zeros((rows, rays)),
            np.zeros((rows, rays)),
            np.zeros((rows, s.ray.size)),
            np.zeros((rows, s.place_m.shape[0], 2)),
            np.zeros((rows, rays)),
            np.full((rows, rays), -np.inf),
        )
        for kind in sorted({t.kind for t in things}):
            mine = [n for n, t in enumerate(things) if t.kind == kind]
            e = thing_echoes(kind, np.array([things[n].shape for n in mine]), s, beam)
            out.range_m[mine], out.margin_db[mine] = e.range_m, e.margin_db
            out.points[mine, :, 0], out.points[mine, :, 1] = e.x_m, e.y_m
            if e.other_m is not None and e.other_db is not None:
                out.other_m[mine], out.other_db[mine] = e.other_m, e.other_db
        return out.by(beam, s)

    def _changed(self) -> None:
        self._full = self._stands = self._hides = None

    def add(self, thing: Thing) -> None:
        """Put one more thing on the floor."""
        new = self._listen([thing])
        for name in _Heard.__slots__:
            setattr(self._heard, name, np.concatenate([getattr(self._heard, name), getattr(new, name)]))
        self.things.append(thing)
        self._changed()

    def replace(self, index: int, thing: Thing) -> None:
        """Put a thing in the place of another."""
        new = self._listen([thing])
        for name in _Heard.__slots__:
            column = getattr(self._heard, name).copy()  # other boards may share it
            column[index] = getattr(new, name)[0]
            setattr(self._heard, name, column)
        self.things[index] = thing
        self._changed()

    def remove(self, index: int) -> None:
        """Take a thing away."""
        for name in _Heard.__slots__:
            setattr(self._heard, name, np.delete(getattr(self._heard, name), index, axis=0))
        del self.things[index]
        self._changed()

    def take(self, other: Board) -> None:
        """Put the things of another board of the same soundings and beam in the place of all."""
        self.things, self._heard = list(other.things), replace(other._heard)
        self._full, self._stands, self._hides = other._full, other._stands, other._hides

    def rest(self, without: int | Sequence[int] | None = None) -> Rest:
        """Return all things (but one, or but some), sorted along each ray, hidden ones silent."""
        if without is None and self._full is not None:
            return self._full
        standing = self._standing()
        there = np.ones(len(self.things), dtype=bool)
        if without is not None:
            there[without] = False
        hidden = self._hiding()[there].any(axis=0)
        rest = Rest.of(standing, there, np.asarray(there[:, None] & ~hidden))
        if without is None:
            self._full = rest
        return rest

    def _standing(self) -> Standing:
        """Return what all rests have in common."""
        if self._stands is None:
            h = self._heard
            self._stands = Standing.of(self.soundings, self.beam, self.things, h.range_m, h.share, h.density, h.points)
        return self._stands

    def _hiding(self) -> Bools:
        """Return (J, J, S) whether each thing hides each other one from each place."""
        if self._hides is None:
            number = len(self.things)
            hides = np.zeros((number, number, self.soundings.place_m.shape[0]), dtype=bool)
            x, y = self._heard.points[:, :, 0], self._heard.points[:, :, 1]
            posts = np.array([k for k, t in enumerate(self.things) if t.kind == "post"], dtype=np.int64)
            for form, shapes, mine in self._standing().forms:
                hides[mine] = shadows(form, shapes, self.soundings.place_m, x, y)
                if form in FLAT:
                    hides[mine[:, None], posts] = False
            hides[np.arange(number), np.arange(number)] = False
            self._hides = hides
        return self._hides

    def rate(self, rest: Rest, kind: str, shape: Floats) -> Floats:
        """Return the log likelihood (K,) of all pings with each of K versions of one thing beside the rest."""
        return self.rate_all([rest], [self.versions(kind, shape)])[0]

    def versions(self, kind: str, shape: Floats, beside: Ints | None = None) -> Versions:
        """Return versions of one thing, beside rests of these numbers, with the rays that may hear them."""
        k, m = np.nonzero(self.audible(kind, shape))
        return Versions(kind, shape, np.zeros(shape.shape[0], dtype=np.int64) if beside is None else beside, k, m)

    def rate_all(self, rests: Sequence[Rest] | Beside, versions: Sequence[Versions]) -> list[Floats]:
        """Return the same for versions of several things, each beside its own rest of one board, at known rays."""
        if not versions:
            return []
        beside = rests if isinstance(rests, Beside) else Beside(rests)
        value = likelihoods(beside, rated(self._echoed, beside, versions))
        ends = np.cumsum([v.shape.shape[0] for v in versions])
        return [value[end - v.shape.shape[0] : end] for end, v in zip(ends.tolist(), versions, strict=True)]

    def rate_by_station(self, rest: Rest, kind: str, shape: Floats) -> Floats:
        """Return the same, (K, S), station by station."""
        s = self.soundings
        by_echo, by_ray = self.rate_terms(rest, kind, shape)
        of_place = np.zeros((s.station.size, s.place_m.shape[0]))
        of_place[np.arange(s.station.size), s.station] = 1.0
        return np.asarray((by_echo * s.weight) @ of_place[s.ray] + (by_ray * s.silence) @ of_place)

    def rate_terms(self, rest: Rest, kind: str, shape: Floats) -> tuple[Floats, Floats]:
        """Return (log likelihood of each echo (K, H), of silence on each ray (K, M)); every ray is looked at."""
        everything = np.ones((shape.shape[0], self.soundings.station.size), dtype=bool)
        k, m = np.nonzero(everything)
        beside = Beside([rest])
        one = rated(self._echoed, beside, [Versions(kind, shape, np.zeros_like(k[: len(shape)]), k, m)], spoken=False)
        by_echo, by_ray = beside.by_echo[one.group], beside.by_ray[one.group]
        by_echo[one.k_echo, one.h], by_ray[one.k_ray, one.m] = one.by_echo, one.by_ray
        return by_echo, by_ray

    def audible(self, kind: str, shape: Floats, turn_rad: float = 0.0, louder_db: float = 0.0) -> Bools:
        """Return (K, M) at which rays versions of a thing can be heard, or might be if turned and made louder a little.

        A ray that hears it once in a thousand pings counts; so does one that hears it still more rarely but has an
        echo of its range.
        """
        s, soft = self.soundings, self.beam.soft_db / 1.7
        if kind in ("floor", "rough"):
            return np.ones((shape.shape[0], s.station.size), dtype=bool)
        columns = tuple(n[:, None] for n in numbers_of(kind, shape))
        places = Rays(s.place_m[:, 0], s.place_m[:, 1], np.zeros(s.place_m.shape[0]))
        far, toward, _ = echoes_at(kind, columns, places, self.beam)
        _, _, margin = echoes_at(kind, columns, Rays(places.x_m, places.y_m, toward), self.beam)
        slack = SLACK_RAD + turn_rad + OFFSET_M / np.maximum(far, 0.05)
        if kind == "box":
            slack = slack + 0.1 / np.maximum(far, 0.1)  # its edges
        near, wide = (
            np.minimum(reach_rad(margin + louder_db + loss * soft, self.beam) + slack, 2.0 * BEHIND_RAD)
            for loss in (RARE_DB, SELDOM_DB)
        )
        # 16 bits are fine enough for what has slack, and many times as quick
        heard, at = self._echoed, far.astype(np.float32).take(s.station, axis=1)
        off = np.abs(parts_of_turn(toward).take(s.station, axis=1) - heard.bearing).view(np.uint16)
        echoed = (at > heard.low_m - np.float32(NEAR_M)) & (at < heard.high_m + np.float32(NEAR_M))
        echoed &= off < (wide * (32768.0 / math.pi)).astype(np.uint16).take(s.station, axis=1)
        return np.asarray(echoed | (off < (near * (32768.0 / math.pi)).astype(np.uint16).take(s.station, axis=1)))

    def likelihood(self, rest: Rest | None = None) -> float:
        """Return the log likelihood of all pings with the things as they are (or with a rest)."""
        return (self.rest() if rest is None else rest).plain.total

    def terms(self) -> tuple[Floats, Floats]:
        """Return (log likelihood of each echo (H,), of silence on each ray (M,)) with the things as they are."""
        full = self.rest()
        return full.plain.by_echo, full.plain.by_ray

    def strays(self) -> Floats:
        """Return (H,) the chance that each echo comes from none of the things."""
        stray = self.beam.stray / self.soundings.reach_m
        caused = (1.0 - self.beam.stray - self.beam.missed) * self.rest().plain.caused[-1]
        return np.asarray(stray / (stray + caused))

    def answering_m(self) -> Floats:
        """Return (J, S, 2): the point of each thing that answers each station [m]."""
        return self._heard.points

    def shares(self) -> Floats:
        """Return (J, H): the chance that each echo comes from each thing."""
        full = self.rest()
        s = self.soundings
        first = np.zeros((len(self.things) + 1, s.station.size))
        np.put_along_axis(first, full.order, full.plain.passed[:-1] * full.heard, axis=0)
        sure = 1.0 - self.beam.stray - self.beam.missed
        each = sure * first[:-1, s.ray] * full.standing.density
        total = self.beam.stray / s.reach_m + sure * full.plain.caused[-1]
        return np.asarray(each / total)

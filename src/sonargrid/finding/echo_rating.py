"""What versions of things make of the pings, each beside a rest: worked out for all versions at once, ping by ping.

Only the rays that may hear a version are looked at.  Arrays of pairs (version, ray) are long and everything else is
short; so numbers are taken from flat arrays, which is several times as quick as indexing with two arrays at once.
Floor axes [m].  `Board.rate_all` is the way in.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Bools, Floats, Ints
from sonargrid.finding.echo_beam import Beam
from sonargrid.finding.echo_model import (
    Rays,
    Soundings,
    answering_points,
    heard_first,
    heard_share,
    numbers_of,
    range_density,
    sounds_at,
)
from sonargrid.finding.echo_order import Echoed, Rest, Versions, log_terms, same_rows, stacked
from sonargrid.finding.echo_shadows import Screens


class Beside:
    """Rests of one board side by side, and a table of what each leaves where versions hide some of its things.

    The table grows by one answer, beyond the rests' own, for each new set of hidden things; who rates the same rests
    again (a climb) finds them there.

    passed : (A, rows + 1, M); caused : (A, rows + 1, H); by_echo : (A, H); by_ray : (A, M); total : (A,)
    sorted_m : (R, rows, M); there : (R, J); loud : (R, J, S), as in `Rest`
    """

    def __init__(self, rests: Sequence[Rest]) -> None:
        self.rests, self.standing = rests, rests[0].standing
        self.screens = Screens(self.standing.forms, self.standing.soundings.place_m)
        self.there, self.loud = np.array([r.there for r in rests]), np.array([r.loud for r in rests])
        self.sorted_m = stacked([r.sorted_m for r in rests], np.inf)
        plain = [r.plain for r in rests]
        self.passed, self.caused = stacked([a.passed for a in plain]), stacked([a.caused for a in plain])
        self.by_echo, self.by_ray = np.array([a.by_echo for a in plain]), np.array([a.by_ray for a in plain])
        self.total = np.array([a.total for a in plain])
        self._number = len(rests)
        self._known: dict[tuple[int, bytes], int] = {}

    def view(self, kind: str, shape: Floats, beside: Ints) -> tuple[Bools, Ints]:
        """Return (K, S) from where versions of a kind beside rests (K,) are hidden, (K,) what they leave of those."""
        px, py = answering_points(kind, shape, self.standing.soundings.place_m)
        # a post behind a wall is its mirror image: walls hide no posts
        hidden = self.screens.hidden(px, py, self.there[beside], kind != "post")
        return hidden, self.left(beside, kind, shape)

    def left(self, beside: Ints, kind: str, shape: Floats) -> Ints:
        """Return (K,) which answer of the table each version of a kind leaves of the rest (K,) beside it."""
        if not self.standing.things or kind in ("corner", "floor"):
            return beside
        hides = self.standing.hides(kind, shape) & (self.loud if len(self.loud) == 1 else self.loud[beside])
        some = hides.any(axis=(1, 2))
        if not some.any():
            return beside
        group = beside.copy()
        for n in np.unique(beside[some]):
            mine = np.flatnonzero(some & (beside == n))
            for members in same_rows(hides[mine].reshape(mine.size, -1)):
                group[mine[members]] = self._place_of(int(n), hides[mine[members[0]]])
        return group

    def _place_of(self, n: int, hides: Bools) -> int:
        key = n, hides.tobytes()
        if key not in self._known:
            if self._number == len(self.total):
                for name in ("passed", "caused", "by_echo", "by_ray", "total"):
                    old = getattr(self, name)
                    new = np.empty((2 * len(old) + 4, *old.shape[1:]))
                    new[: len(old)] = old
                    setattr(self, name, new)
            answers = self.rests[n].without(hides)
            for table, rows in ((self.passed, answers.passed), (self.caused, answers.caused)):
                table[self._number, : len(rows)] = rows
                table[self._number, len(rows) :] = rows[-1]
            self.by_echo[self._number], self.by_ray[self._number] = answers.by_echo, answers.by_ray
            self.total[self._number] = answers.total
            self._known[key] = self._number
            self._number += 1
        return self._known[key]


HOPELESS_DB = -60.0  # echoes so far below the threshold are not heard, whichever likely beam
TINY = 1e-300  # no chance at all, and no division by zero
SELDOM = 1e-9  # a second echo heard more rarely than this changes nothing


@dataclass(frozen=True, slots=True)
class Rated:
    """Log terms of K versions where they differ from what stands without them.

    group : (K,) which answer of the table each version leaves of the others
    k_ray, m, by_ray : version, ray and log likelihood of silence
    k_echo, h, by_echo : version, echo and log likelihood
    """

    group: Ints
    k_ray: Ints
    m: Ints
    by_ray: Floats
    k_echo: Ints
    h: Ints
    by_echo: Floats


@dataclass(frozen=True, slots=True)
class _Heard:
    """Pairs (version, ray) at which versions answer: range, margin, chance to be heard; as in `Rated` for the rest.

    two : (n,) numbers of the pairs with a second echo; other_m, other_db : that one; part : its share of what is heard
    """

    k: Ints
    m: Ints
    range_m: Floats
    margin_db: Floats
    share: Floats
    group: Ints
    two: Ints
    other_m: Floats
    other_db: Floats
    part: Floats


def likelihoods(beside: Beside, one: Rated) -> Floats:
    """Return (K,) the log likelihood of all pings with each version."""
    s, value = beside.standing.soundings, beside.total.take(one.group)
    was_echo = beside.by_echo.ravel().take(one.group.take(one.k_echo) * s.ray.size + one.h)
    was_ray = beside.by_ray.ravel().take(one.group.take(one.k_ray) * s.station.size + one.m)
    value += np.bincount(one.k_ray, (one.by_ray - was_ray) * s.silence.take(one.m), minlength=value.size)
    value += np.bincount(one.k_echo, (one.by_echo - was_echo) * s.weight.take(one.h), minlength=value.size)
    return value


def rated(echoed: Echoed, beside: Beside, versions: Sequence[Versions], spoken: bool = True) -> Rated:
    """Return the log terms of versions where they may be heard, each beside its own rest.

    Parameters
    ----------
    echoed : Echoed
        Which echoes each ray has.
    beside, versions : Beside, sequence of Versions
        What stands, and what is tried beside it.
    spoken : bool
        Whether silent rays are told only where their silence counts.
    """
    s, beam = beside.standing.soundings, beside.standing.beam
    one = _sounding(beside, versions, spoken)
    rays, echoes, rows = s.station.size, s.ray.size, beside.passed.shape[1]
    passed, caused = beside.passed.ravel(), beside.caused.ravel()
    first = one.group.take(one.k) * rows
    silent = np.flatnonzero(echoed.silent.take(one.m)) if spoken else np.arange(one.m.size)
    m_ray = one.m.take(silent)
    unheard = passed.take((first.take(silent) + (rows - 1)) * rays + m_ray) * (1.0 - one.share.take(silent))
    p, h = _echoes_of(echoed, one.m)
    k, heard, at, r = one.k.take(p), one.share.take(p), one.m.take(p), one.range_m.take(p)
    density = _density(one, p, h, s, beam)
    row = first.take(p)
    last = caused.take((row + (rows - 1)) * echoes + h)
    row += _nearer(beside, versions, k, at, r)
    near = caused.take(row * echoes + h)
    causes = near + passed.take(row * rays + at) * heard * density + (1.0 - heard) * (last - near)
    by_echo, by_ray = log_terms(s, beam, causes, unheard)
    return Rated(one.group, one.k.take(silent), m_ray, by_ray, k, h, by_echo)


def _density(one: _Heard, p: Ints, h: Ints, s: Soundings, beam: Beam) -> Floats:
    """Return the density [1/m] of echoes h from versions at pairs p, whichever of their echoes is heard."""
    ranges = s.range_m.take(h)
    density = range_density(ranges, one.range_m.take(p), one.margin_db.take(p), beam)
    if one.two.size:
        place = np.full(one.m.size, -1)
        place[one.two[one.part > SELDOM]] = np.flatnonzero(one.part > SELDOM)
        at = place.take(p)
        q = np.flatnonzero(at >= 0)
        at = at.take(q)
        late = range_density(ranges.take(q), one.other_m.take(at), one.other_db.take(at), beam)
        density[q] += one.part.take(at) * (late - density.take(q))
    return density


def _echoes_of(echoed: Echoed, m: Ints) -> tuple[Ints, Ints]:
    """Return (n,) the number of each pair whose ray has echoes, once for each echo, and these echoes."""
    number = echoed.number.take(m)
    if echoed.most <= 1:
        p = np.flatnonzero(number)
        return p, echoed.order.take(echoed.first.take(m.take(p)))
    p = np.arange(m.size).repeat(number)
    turn = np.arange(p.size) - (np.cumsum(number) - number).take(p)
    return p, echoed.order.take(echoed.first.take(m.take(p)) + turn)


def _nearer(beside: Beside, versions: Sequence[Versions], k: Ints, at: Ints, r: Floats) -> Ints:
    """Return (n,) how many of the things that stand answer each ray from nearer than a range."""
    number, rows, rays = beside.sorted_m.shape
    flat, found = beside.sorted_m.ravel(), np.zeros(r.size, dtype=np.int8)
    if number > 1:
        at = np.concatenate([v.beside for v in versions]).take(k) * (rows * rays) + at
    for row in range(rows):
        found += (flat[row * rays :].take(at) < r).view(np.int8)
    return found.astype(np.int64)


def _sounding(beside: Beside, versions: Sequence[Versions], spoken: bool) -> _Heard:
    """Return how all versions sound, and what each leaves of the others."""
    s, beam = beside.standing.soundings, beside.standing.beam
    parts: list[tuple[Ints, Ints, Floats, Floats]] = []
    others: list[tuple[Ints, Floats, Floats]] = []
    groups: list[Ints] = []
    first, pairs = 0, 0
    for one in versions:
        k, m = one.k, one.m
        if one.hidden is None or one.group is None:
            hidden, group = beside.view(one.kind, one.shape, one.beside)
        else:
            hidden, group = one.hidden, one.group
        groups.append(group)
        dumb: Bools | None = None
        if hidden.any():
            dumb = hidden.ravel().take(k * s.place_m.shape[0] + s.station.take(m))
            if spoken:
                open_ = np.flatnonzero(~dumb)
                k, m = k.take(open_), m.take(open_)
        columns = tuple(column.take(k) for column in numbers_of(one.kind, one.shape))
        rays = Rays(s.x_m.take(m), s.y_m.take(m), s.bearing_rad.take(m))
        r, _, margin, other_m, other_db = sounds_at(one.kind, columns, rays, beam)
        if dumb is not None and not spoken:
            margin = np.where(dumb, -np.inf, margin)
            other_db = None if other_db is None else np.where(dumb, -np.inf, other_db)
        if other_m is not None and other_db is not None:
            two = np.flatnonzero(other_db > HOPELESS_DB)
            others.append((two + pairs, other_m.take(two), other_db.take(two)))
        parts.append((k + first, m, r, margin))
        first, pairs = first + one.shape.shape[0], pairs + k.size
    k, m, r, margin = parts[0] if len(parts) == 1 else (np.concatenate(n) for n in zip(*parts, strict=True))
    share, group = heard_share(margin, beam), np.concatenate(groups)
    if not others:
        return _Heard(k, m, r, margin, share, group, np.zeros(0, dtype=np.int64), *3 * (np.zeros(0),))
    two, other_m, other_db = (np.concatenate(n) for n in zip(*others, strict=True))
    louder, other = heard_first(r.take(two), margin.take(two), other_m, other_db, beam)
    share[two] = louder + other
    return _Heard(k, m, r, margin, share, group, two, other_m, other_db, other / np.maximum(share.take(two), TINY))

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
from sonargrid.finding.echo_order import Answers, Echoed, Rest, Versions, left_of, log_terms, stacked

TINY = 1e-300  # no chance at all, and no division by zero
SELDOM = 1e-9  # a second echo heard more rarely than this changes nothing


@dataclass(frozen=True, slots=True)
class Rated:
    """Log terms of K versions where they differ from what stands without them.

    group, answers : (K,) which of some answers each version leaves of the others, and these
    k_ray, m, by_ray : version, ray and log likelihood of silence
    k_echo, h, by_echo : version, echo and log likelihood
    """

    group: Ints
    answers: list[Answers]
    k_ray: Ints
    m: Ints
    by_ray: Floats
    k_echo: Ints
    h: Ints
    by_echo: Floats


@dataclass(frozen=True, slots=True)
class _Heard:
    """Pairs (version, ray) at which versions answer: range, margin, chance to be heard; as in `Rated` for the rest.

    other_m, other_db : second echoes of boxes; part : which share of what is heard they are (None = of no pair)
    """

    k: Ints
    m: Ints
    range_m: Floats
    margin_db: Floats
    share: Floats
    group: Ints
    answers: list[Answers]
    other_m: Floats | None = None
    other_db: Floats | None = None
    part: Floats | None = None


def likelihoods(s: Soundings, one: Rated) -> Floats:
    """Return (K,) the log likelihood of all pings with each version."""
    value = np.array([a.total for a in one.answers]).take(one.group)
    if len(one.answers) == 1:
        was_echo, was_ray = one.answers[0].by_echo.take(one.h), one.answers[0].by_ray.take(one.m)
    else:
        of_echo, of_ray = one.group.take(one.k_echo), one.group.take(one.k_ray)
        was_echo = np.concatenate([a.by_echo for a in one.answers]).take(of_echo * s.ray.size + one.h)
        was_ray = np.concatenate([a.by_ray for a in one.answers]).take(of_ray * s.station.size + one.m)
    value += np.bincount(one.k_ray, (one.by_ray - was_ray) * s.silence.take(one.m), minlength=value.size)
    value += np.bincount(one.k_echo, (one.by_echo - was_echo) * s.weight.take(one.h), minlength=value.size)
    return value


def rated(echoed: Echoed, rests: Sequence[Rest], versions: Sequence[Versions], spoken: bool = True) -> Rated:
    """Return the log terms of versions where they may be heard, each beside its own rest of one board.

    Parameters
    ----------
    echoed : Echoed
        Which echoes each ray has.
    rests, versions : sequences of Rest, Versions
        What stands, and what is tried beside it.
    spoken : bool
        Whether silent rays are told only where their silence counts.
    """
    s, beam = rests[0].standing.soundings, rests[0].standing.beam
    one = _sounding(rests, versions, spoken)
    rays, echoes = s.station.size, s.ray.size
    passed, caused = stacked([a.passed for a in one.answers]), stacked([a.caused for a in one.answers])
    rows = passed.shape[1]
    single = len(one.answers) == 1
    group = np.zeros(1, dtype=np.int64) if single else one.group.take(one.k)
    silent = np.flatnonzero(echoed.silent.take(one.m)) if spoken else np.arange(one.m.size)
    m_ray = one.m.take(silent)
    last = 0 if single else group.take(silent) * rays
    unheard = passed[:, -1].ravel().take(last + m_ray) * (1.0 - one.share.take(silent))
    p, h = _echoes_of(echoed, one.m)
    heard, at, r = one.share.take(p), one.m.take(p), one.range_m.take(p)
    density = _density(one, p, h, s, beam)
    nearer = _nearer(rests, versions, one.k.take(p), at, r)
    g = 0 if single else group.take(p)
    row = nearer if single else g * rows + nearer
    near = caused.ravel().take(row * echoes + h)
    beyond = caused[:, -1].ravel().take(h if single else g * echoes + h) - near
    causes = near + passed.ravel().take(row * rays + at) * heard * density + (1.0 - heard) * beyond
    by_echo, by_ray = log_terms(s, beam, causes, unheard)
    return Rated(one.group, one.answers, one.k.take(silent), m_ray, by_ray, one.k.take(p), h, by_echo)


def _density(one: _Heard, p: Ints, h: Ints, s: Soundings, beam: Beam) -> Floats:
    """Return the density [1/m] of echoes h from versions at pairs p, whichever of their echoes is heard."""
    ranges = s.range_m.take(h)
    density = range_density(ranges, one.range_m.take(p), one.margin_db.take(p), beam)
    if one.part is not None and one.other_m is not None and one.other_db is not None:
        part = one.part.take(p)
        two = np.flatnonzero(part > SELDOM)
        q = p.take(two)
        late = range_density(ranges.take(two), one.other_m.take(q), one.other_db.take(q), beam)
        density[two] += part.take(two) * (late - density.take(two))
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


def _nearer(rests: Sequence[Rest], versions: Sequence[Versions], k: Ints, at: Ints, r: Floats) -> Ints:
    """Return (n,) how many of the things that stand answer each ray from nearer than a range."""
    if len(rests) == 1:
        found = np.zeros(r.size, dtype=np.int8)
        for row in rests[0].sorted_m:
            found += (row.take(at) < r).view(np.int8)
        return found.astype(np.int64)
    sorted_m = stacked([rest.sorted_m for rest in rests], np.inf)
    rows, rays = sorted_m.shape[1:]
    beside = np.concatenate([v.beside for v in versions]).take(k) * (rows * rays) + at
    flat, found = sorted_m.ravel(), np.zeros(r.size, dtype=np.int8)
    for row in range(rows):
        found += (flat.take(beside + row * rays) < r).view(np.int8)
    return found.astype(np.int64)


def _sounding(rests: Sequence[Rest], versions: Sequence[Versions], spoken: bool) -> _Heard:
    """Return how all versions sound, what each leaves of the others, and that."""
    s = rests[0].standing.soundings
    beam = rests[0].standing.beam
    parts: list[tuple[Ints, Ints, Floats, Floats, Floats | None, Floats | None]] = []
    groups: list[Ints] = []
    answers: list[Answers] = []
    there, first = np.array([rest.there for rest in rests]), 0
    for one in versions:
        k, m = one.k, one.m
        px, py = answering_points(one.kind, one.shape, s.place_m)
        hidden = rests[0].standing.hidden(one.kind, px, py, there[one.beside])
        group, left = left_of(rests, one.beside, one.kind, one.shape)
        groups.append(group + len(answers))
        answers += left
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
        parts.append((k + first, m, r, margin, other_m, other_db))
        first += one.shape.shape[0]
    k, m = _joined([part[0] for part in parts]), _joined([part[1] for part in parts])
    r, margin = _joined([part[2] for part in parts]), _joined([part[3] for part in parts])
    group = np.concatenate(groups)
    if all(part[4] is None for part in parts):
        return _Heard(k, m, r, margin, heard_share(margin, beam), group, answers)
    other_m = _joined([part[2] if part[4] is None else part[4] for part in parts])
    other_db = _joined([np.full(part[2].shape, -np.inf) if part[5] is None else part[5] for part in parts])
    share, other = heard_first(r, margin, other_m, other_db, beam)
    share = share + other
    return _Heard(k, m, r, margin, share, group, answers, other_m, other_db, other / np.maximum(share, TINY))


def _joined(parts: Sequence[np.ndarray]) -> np.ndarray:
    return parts[0] if len(parts) == 1 else np.concatenate(parts)

"""What already stands there, in the order in which each ray meets it; versions of one more thing are rated against it.

A version may hide some of the things that stand; `Rest.without` keeps what remains for each set of hidden echoes.
Floor axes [m].
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from sonargrid.arrays import Bools, Floats, Ints
from sonargrid.finding.echo_beam import Beam
from sonargrid.finding.echo_model import Soundings
from sonargrid.finding.echo_shadows import shadows

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
    """Which echoes each ray has: (M,) the first in `order`, how many (and at most), nearest and farthest range."""

    order: Ints
    first: Ints
    number: Ints
    low_m: Floats
    high_m: Floats
    silent: Bools
    most: int

    @staticmethod
    def of(s: Soundings) -> Echoed:
        """Return them for some soundings."""
        order = np.argsort(s.ray, kind="stable")
        number = np.bincount(s.ray, minlength=s.station.size)
        low, high = np.full(s.station.size, np.inf), np.full(s.station.size, -np.inf)
        np.minimum.at(low, s.ray, s.range_m)
        np.maximum.at(high, s.ray, s.range_m)
        return Echoed(order, np.cumsum(number) - number, number, low, high, s.silence > 0.0, int(number.max(initial=0)))


@dataclass(frozen=True, slots=True)
class Versions:
    """Versions (K, D) of one kind of thing, and the pairs (version, ray) at which they may be heard, by version.

    beside : (K,) the number of the rest that each stands beside
    """

    kind: str
    shape: Floats
    beside: Ints
    k: Ints
    m: Ints


@dataclass(frozen=True, slots=True)
class Standing:
    """All things of a board as every station meets them: what its rests have in common.

    things : J of them; forms : those that hide others, one array a form, with their numbers
    range_m : (J, M); density : (J, H); points : (J, S, 2) that answer
    """

    soundings: Soundings
    beam: Beam
    things: tuple[Thing, ...]
    forms: tuple[tuple[str, Floats, Ints], ...]
    range_m: Floats
    density: Floats
    points: Floats

    def hidden(self, kind: str, x_m: Floats, y_m: Floats, there: Bools) -> Bools:
        """Return (K, S) whether things hide the points (K, S) of K versions of a kind; (K, J) which of them stand."""
        out = np.zeros(x_m.shape, dtype=bool)
        for form, shapes, numbers in self.forms:
            if kind == "post" and form in FLAT:
                continue
            by = shadows(form, shapes, self.soundings.place_m, x_m, y_m)
            if by.any():
                out |= (by & there.T[numbers][:, :, None]).any(axis=0)
        return out

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
    share : (J, M) chances in view of each other; 0 for the hidden and for those that are not meant
    order, sorted_m : (A, M) the audible ones from near to far: which, and their ranges (inf = no more of them)
    loud : (J, S) things that a station hears now and then: only these can be missed when hidden
    """

    standing: Standing
    there: Bools
    things: tuple[Thing, ...]
    share: Floats
    order: Ints
    sorted_m: Floats
    plain: Answers
    loud: Bools
    kept: dict[bytes, Answers] = field(default_factory=dict)

    @staticmethod
    def of(standing: Standing, there: Bools, share: Floats) -> Rest:
        """Return some things, sorted; arrays as in the class."""
        s = standing.soundings
        audible = share > INAUDIBLE
        most = int(audible.sum(axis=0).max(initial=0))
        far = np.where(audible, standing.range_m, np.inf)
        order = np.argsort(far, axis=0, kind="stable")[:most]
        share = share * audible
        plain = _answers(standing, order, share)
        loud = np.zeros((share.shape[0], s.place_m.shape[0]), dtype=bool)
        j, m = np.nonzero(share > NEGLIGIBLE)
        loud[j, s.station[m]] = True
        things = tuple(t for t, is_there in zip(standing.things, there, strict=True) if is_there)
        return Rest(standing, there, things, share, order, np.take_along_axis(far, order, axis=0), plain, loud)

    def without(self, hides: Bools) -> Answers:
        """Return the answers with the echoes (J, S) silent."""
        if not hides.any():
            return self.plain
        key = hides.tobytes()
        if key not in self.kept:
            share = self.share * ~hides[:, self.standing.soundings.station]
            self.kept[key] = _answers(self.standing, self.order, share)
        return self.kept[key]


def left_of(rests: Sequence[Rest], beside: Ints, kind: str, shape: Floats) -> tuple[Ints, list[Answers]]:
    """Return (K,) which of some answers each version of a kind leaves of the rest (K,) beside it, and these."""
    plain = [rest.plain for rest in rests]
    if not rests[0].standing.things or kind in ("corner", "floor"):
        return beside, plain
    loud = rests[0].loud if len(rests) == 1 else np.array([rest.loud for rest in rests])[beside]
    hides = rests[0].standing.hides(kind, shape) & loud
    some = hides.any(axis=(1, 2))
    if not some.any():
        return beside, plain
    group, answers = beside.copy(), plain
    for n in np.unique(beside[some]):
        mine = np.flatnonzero(some & (beside == n))
        for members in same_rows(hides[mine].reshape(mine.size, -1)):
            group[mine[members]] = len(answers)
            answers.append(rests[n].without(hides[mine[members[0]]]))
    return group, answers


def _answers(standing: Standing, order: Ints, share: Floats) -> Answers:
    s = standing.soundings
    rows, rays = order.shape
    passed = np.ones((rows + 1, rays))
    sorted_share = np.take_along_axis(share, order, axis=0)
    np.cumprod(1.0 - sorted_share, axis=0, out=passed[1:])
    caused = np.zeros((rows + 1, s.ray.size))
    density = np.take_along_axis(standing.density, order[:, s.ray], axis=0)
    np.cumsum((passed[:-1] * sorted_share)[:, s.ray] * density, axis=0, out=caused[1:])
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


def forms(things: Sequence[Thing]) -> tuple[tuple[str, Floats, Ints], ...]:
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

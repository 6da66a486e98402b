"""The climb to the best version of a thing: parabolas along its own directions, several things at once.

Things that climb side by side stand each beside a rest of its own, none of them beside another; what one call of the
likelihood costs before it looks at a ping is so paid once for all.  Floor axes [m, rad, dB].
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Bools, Floats, Ints
from sonargrid.finding.echo_board import Board
from sonargrid.finding.echo_order import FLAT, Rest, Thing, Versions
from sonargrid.finding.echo_rating import Beside
from sonargrid.finding.object_moves import Prior, apply_moves, nearest_place, steps_of

ASIDE_RAD, LOUDER_DB = math.radians(8.0), 3.0  # a climb looks at rays that might hear a thing so far aside, so loud
LEFT_RAD, LEFT_M = math.radians(5.0), 0.06  # and looks for them anew where it has gone so far
LEAST_GAIN = 0.02  # smaller gains halve the steps


@dataclass(slots=True)
class _Climber:
    """A thing on its way: numbers, steps, score, the rays that may hear it and where it stood when they were found.

    hidden, group : from which stations (S,) others hide it, and what it leaves of the others; as it stood when a pass
        began.  Within a pass that stays so: it changes seldom, and costs as much to find out as the echoes do.
    top, top_shape : the best that was reached, seen as it is
    """

    kind: str
    rest: int
    shape: Floats
    first: Floats
    steps: Floats
    rays: Ints
    start: Floats
    hidden: Bools
    top_shape: Floats
    group: int = 0
    best: float = -math.inf
    top: float = -math.inf
    watched: bool = False
    done: bool = False

    @staticmethod
    def at(thing: Thing, rest: int, first: float) -> _Climber:
        steps, shape = steps_of(thing.kind) * first, np.array(thing.shape)
        return _Climber(
            thing.kind, rest, shape, steps, steps, np.zeros(0, dtype=np.int64), shape, np.zeros(0, dtype=bool), shape
        )

    def has_left(self) -> bool:
        """Return whether the thing has moved so far that other rays may hear it."""
        move = np.abs(self.shape - self.start)
        if self.kind == "floor":
            return False
        first = LEFT_RAD if self.kind in FLAT else LEFT_M
        return bool(move[0] > first or move[1] > LEFT_M or move[-1] > LOUDER_DB)

    def moved(self, moves: Floats, place_m: Floats) -> Floats:
        """Return (K, D) versions, moved by so many steps (K, D)."""
        place = nearest_place(self.kind, self.shape, place_m) if self.kind in ("post", "corner") else np.zeros(2)
        return apply_moves(self.kind, self.shape, moves * self.steps, place)

    def arrive(self, value: float) -> bool:
        """Take what the thing scores where it is now; True = turn back to where it scored more, and go on with care."""
        if value < self.top - LEAST_GAIN:
            self.best, self.shape, self.watched = self.top, self.top_shape, True
            self.steps = 0.5 * self.steps
            return True
        self.best, self.top, self.top_shape = value, value, self.shape
        return False

    def leap(self, values: Floats) -> Floats:
        """Return (D,) steps to where parabolas through one step up and down (2 D,) have their tops."""
        size = self.steps.size
        up, down = values[:size], values[size:]
        curve, slope = up + down - 2.0 * self.best, 0.5 * (up - down)
        leap = np.where(curve < -1e-6, -slope / np.minimum(curve, -1e-6), 2.0 * np.sign(slope))
        return np.asarray(np.minimum(np.maximum(leap, -2.0), 2.0))

    def settle(self, shapes: Floats, values: Floats, leap: Floats) -> None:
        """Take the best of some versions, and the next steps: finer where an optimum lies well inside a step."""
        top = int(np.argmax(values))
        gained = float(values[top]) - self.best
        if gained > 0.0:
            self.best, self.shape = float(values[top]), shapes[top]
        inside = np.abs(leap) < 0.5
        self.steps = np.where(inside, 0.5 * self.steps, self.steps) if gained > LEAST_GAIN else 0.5 * self.steps
        self.done = gained < LEAST_GAIN and float(np.max(self.steps / self.first)) < 0.2


def climb_all(
    board: Board,
    rests: Rest | Sequence[Rest],
    things: Sequence[Thing],
    prior: Prior,
    passes: int = 7,
    first: float = 1.0,
) -> list[tuple[Thing, float]]:
    """Return for each of some things the best version near it, each beside a rest without the others, and its
    penalised log likelihood (penalty not subtracted).

    Parameters
    ----------
    board : Board
        What was heard.
    rests : Rest or sequence of Rest
        What stands there: the same for all things, or one for each.
    things : sequence of Thing
        Where to start.
    prior : Prior
        Beliefs.
    passes : int
        How often each direction is tried at most.
    first : float
        Size of the first steps, in those of the kind.
    """
    told = [rests] if isinstance(rests, Rest) else list(rests)
    climbers = [_Climber.at(thing, n if len(told) > 1 else 0, first) for n, thing in enumerate(things)]
    if not climbers:
        return []
    if len(board.soundings.place_m) > 1:
        # in rooms much hides much, and what a step of many centimetres uncovers must count
        for c in climbers:
            c.watched = True
    beside = Beside(told)
    _listen(board, climbers)
    for _ in range(passes):
        left = [c for c in climbers if not c.done and c.has_left()]
        if left:
            _listen(board, left)
        live = [c for c in climbers if not c.done]
        if not live:
            break
        _step(board, beside, live, prior)
    _look(beside, climbers)
    for c, v in zip(climbers, _scores(board, beside, climbers, [c.shape[None] for c in climbers], prior), strict=True):
        c.arrive(float(v[0]))
    return [(Thing(c.kind, tuple(float(v) for v in c.top_shape)), c.top) for c in climbers]


def _step(board: Board, beside: Beside, climbers: Sequence[_Climber], prior: Prior) -> None:
    """Let each thing take one step, or turn back from its last one."""
    place_m = board.soundings.place_m
    _look(beside, climbers)
    around = [np.concatenate([c.shape[None], c.moved(_both_ways(c.steps.size), place_m)]) for c in climbers]
    values = _scores(board, beside, climbers, around, prior)
    back = [c.arrive(float(v[0])) for c, v in zip(climbers, values, strict=True)]
    leaps = [c.leap(v[1:]) for c, v in zip(climbers, values, strict=True)]
    tries = [c.moved(np.stack([p, 0.5 * p, 1.5 * p]), place_m) for c, p in zip(climbers, leaps, strict=True)]
    last = _scores(board, beside, climbers, tries, prior)
    for c, gone, a, v, t, w, leap in zip(climbers, back, around, values, tries, last, leaps, strict=True):
        if not gone:
            c.settle(np.concatenate([a, t]), np.concatenate([v, w]), leap)


def climb(
    board: Board, rest: Rest, thing: Thing, prior: Prior, passes: int = 7, first: float = 1.0
) -> tuple[Thing, float]:
    """Return the best version of one thing near a start and its score; see `climb_all`."""
    return climb_all(board, rest, [thing], prior, passes, first)[0]


def _both_ways(size: int) -> Floats:
    return np.concatenate([np.eye(size), -np.eye(size)])


def _of_kinds(climbers: Sequence[_Climber]) -> list[tuple[str, list[int]]]:
    kinds = dict.fromkeys(c.kind for c in climbers)
    return [(kind, [n for n, c in enumerate(climbers) if c.kind == kind]) for kind in kinds]


def _listen(board: Board, climbers: Sequence[_Climber]) -> None:
    """Find the rays that may hear each thing."""
    for kind, mine in _of_kinds(climbers):
        shapes = np.array([climbers[n].shape for n in mine])
        for n, heard in zip(mine, board.audible(kind, shapes, ASIDE_RAD, LOUDER_DB), strict=True):
            c = climbers[n]
            c.rays, c.start, c.top = np.flatnonzero(heard), c.shape, -math.inf


def _look(beside: Beside, climbers: Sequence[_Climber]) -> None:
    """Find out from where each thing is hidden, and what it hides."""
    for kind, mine in _of_kinds(climbers):
        rest = np.array([climbers[n].rest for n in mine])
        hidden, group = beside.view(kind, np.array([climbers[n].shape for n in mine]), rest)
        for n, of_thing, left in zip(mine, hidden, group.tolist(), strict=True):
            climbers[n].hidden, climbers[n].group = of_thing, left


def _scores(
    board: Board, beside: Beside, climbers: Sequence[_Climber], shapes: Sequence[Floats], prior: Prior
) -> list[Floats]:
    """Return the penalised log likelihood of versions (K, D) of each climber."""
    kinds = [
        (kind, part)
        for kind, mine in _of_kinds(climbers)
        for part in ([n for n in mine if climbers[n].watched == watched] for watched in (False, True))
        if part
    ]
    versions = []
    for kind, mine in kinds:
        counts = [len(shapes[n]) for n in mine]
        first = np.cumsum(counts) - counts
        k = np.concatenate(
            [np.arange(f, f + c).repeat(climbers[n].rays.size) for n, f, c in zip(mine, first, counts, strict=True)]
        )
        m = np.concatenate([np.tile(climbers[n].rays, c) for n, c in zip(mine, counts, strict=True)])
        rest = np.repeat([climbers[n].rest for n in mine], counts)
        hidden = group = None
        if not climbers[mine[0]].watched:
            hidden = np.repeat(np.array([climbers[n].hidden for n in mine]), counts, axis=0)
            group = np.repeat([climbers[n].group for n in mine], counts)
        versions.append(Versions(kind, np.concatenate([shapes[n] for n in mine]), rest, k, m, hidden, group))
    out: list[Floats] = [np.zeros(0)] * len(climbers)
    for (kind, mine), one, value in zip(kinds, versions, board.rate_all(beside, versions), strict=True):
        believed = value + prior.log_density(kind, one.shape)
        for n, part in zip(mine, np.split(believed, np.cumsum([len(shapes[n]) for n in mine])[:-1]), strict=True):
            out[n] = part
    return out

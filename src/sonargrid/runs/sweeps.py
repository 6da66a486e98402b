"""Which way the head was turning at each reading, and which pass of the head it belongs to.

Derived where a run does not say: from the clock where there is one, else from the order of the rows.  A pass ends where
the head reverses; equal angles keep the last direction; a station with one angle only has none.  Angles in any unit.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sonargrid.arrays import Bools, Floats

Whole = NDArray[Any]  # whole numbers of any width

FLYBACK_SHARE = 0.5  # one move back over at least this share of a pass starts the next pass and is none itself


def _order(group: Whole, time_s: Floats | None) -> Whole | None:
    """Return the order in which each group's readings were taken; None where the rows stand so already."""
    if time_s is not None:
        order = np.lexsort((time_s, group))
        return None if bool(np.all(order[1:] > order[:-1])) else order
    if bool(np.all(group[1:] >= group[:-1])):
        return None
    return np.argsort(group, kind="stable")


def _starts(group: Whole) -> Bools:
    starts = np.empty(group.size, dtype=np.bool_)
    starts[0] = True
    np.not_equal(group[1:], group[:-1], out=starts[1:])
    return starts


def _directions(angle: Floats, starts: Bools) -> Whole:
    """Return +1, -1 or 0 for readings in the order taken; `starts` marks the first of each group."""
    turning = np.zeros(angle.size, dtype=np.int8)
    np.subtract(angle[1:] > angle[:-1], angle[1:] < angle[:-1], out=turning[1:], dtype=np.int8)
    turning[starts] = 0
    at = np.flatnonzero(starts)
    if np.count_nonzero(turning) < angle.size - at.size:  # equal angles: keep the last direction of the group
        rows = np.arange(angle.size)
        last = np.maximum.accumulate(np.where((turning != 0) | starts, rows, 0))
        turning = turning[last]
    moving = np.flatnonzero(turning)
    if moving.size:
        # readings before a group's first move take the direction of that move
        first = np.minimum(np.searchsorted(moving, at), moving.size - 1)
        ends = np.append(at[1:], angle.size)
        for start, end, move in zip(at, ends, moving[first], strict=True):
            if start < move < end:
                turning[start:move] = turning[move]
    return turning


def _passes(angle: Floats, turning: Whole, starts: Bools) -> Whole:
    """Return the number of the pass of readings in the order taken."""
    new = starts.copy()
    new[1:] |= turning[1:] != turning[:-1]
    first = np.flatnonzero(new)
    if first.size > 2:
        last = np.append(first[1:], angle.size) - 1
        before, start, end, after = first[:-2], first[1:-1], last[1:-1], first[2:]
        # the pass before began at its own first reading in a group's first pass, else at the reversal before that
        origin = np.where(starts[before], before, before - 1)
        swept, back = np.abs(angle[start - 1] - angle[origin]), np.abs(angle[start] - angle[start - 1])
        flyback = ~starts[start] & ~starts[after] & (angle[start] == angle[end])
        flyback &= (start - 1 - origin >= 2) & (back >= FLYBACK_SHARE * swept)
        new[after[flyback]] = False
    number = np.cumsum(new, dtype=np.int32)
    number -= 1
    return number


def derive(
    angle: Floats, group: Whole, time_s: Floats | None = None, sweep: Whole | None = None, turning: Whole | None = None
) -> tuple[Whole, Whole]:
    """Return (sweep, turning) of readings (N,), deriving what is None.

    group : readings that one head took in a row: the index of their station, or zeros for a moving robot

    >>> angle = np.array([0.0, 90.0, 180.0, 180.0, 90.0, 0.0])
    >>> [part.tolist() for part in derive(angle, np.zeros(6, int))]
    [[0, 0, 0, 0, 1, 1], [1, 1, 1, 1, -1, -1]]
    """
    if sweep is not None and turning is not None:
        return sweep, turning
    if sweep is not None:
        # passes were numbered by the file: the direction is sought inside each of them
        group = group.astype(np.int64) * (int(sweep.max()) - int(sweep.min()) + 1) + (sweep - int(sweep.min()))
    order = _order(group, time_s)
    a, g = (angle, group) if order is None else (angle[order], group[order])
    starts = _starts(g)
    way = _directions(a, starts) if turning is None else (turning if order is None else turning[order])
    number = _passes(a, way, starts) if sweep is None else None
    if order is not None:
        back = np.empty_like(order)
        back[order] = np.arange(order.size)
        way, number = way[back], None if number is None else number[back]
    if number is not None and order is not None:
        _, first, inverse = np.unique(number, return_index=True, return_inverse=True)
        rank = np.empty(first.size, dtype=np.int32)
        rank[np.argsort(first)] = np.arange(first.size)
        number = rank[inverse.reshape(-1)]
    chosen = sweep if number is None else number
    assert chosen is not None
    return chosen, way if turning is None else turning


def backwards(group: Whole, time_s: Floats) -> Whole:
    """Return the rows (M,) whose clock is behind that of the row before them in the same group."""
    back = (time_s[1:] < time_s[:-1]) & (group[1:] == group[:-1])
    return np.flatnonzero(back) + 1


def against_angles(angle: Floats, group: Whole, sweep: Whole, turning: Whole, time_s: Floats | None = None) -> Whole:
    """Return the rows (M,) whose stated turning is against the move from the reading before them in the same sweep."""
    order = _order(group, time_s)
    if order is None:
        order = np.arange(angle.size)
    a, g, s, t = angle[order], group[order], sweep[order], turning[order]
    move = np.sign(a[1:] - a[:-1])
    same = (g[1:] == g[:-1]) & (s[1:] == s[:-1])
    wrong = same & (move * t[1:] < 0)
    return np.sort(order[1:][wrong])


def sweep_rate(angle: Floats, group: Whole, sweep: Whole, time_s: Floats | None) -> float | None:
    """Return how fast the head turns, the median over the steps inside passes, in the angles' unit a second.

    None where there is no clock, or nothing moves.

    >>> sweep_rate(np.array([0.0, 2.0, 4.0]), np.zeros(3, int), np.zeros(3, int), np.array([0.0, 0.1, 0.2]))
    20.0
    """
    if time_s is None:
        return None
    order = np.lexsort((time_s, sweep, group))
    same = (np.diff(group[order]) == 0) & (np.diff(sweep[order]) == 0)
    step, wait = np.abs(np.diff(angle[order]))[same], np.diff(time_s[order])[same]
    moving = (step > 0.0) & (wait > 0.0)
    return float(np.round(np.median(step[moving] / wait[moving]), 9)) if moving.any() else None

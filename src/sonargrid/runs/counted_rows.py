"""Rows of a long log -> equal readings counted together: what a sum of evidence needs, in memory that does not grow.

A parked robot looks at the same angles over and over, and its ranges are whole millimetres or microseconds: of ten
million readings few are different.  The first ones are kept in their order, for whoever looks at how a log begins.
Angles and distances stay in the unit of their column, exact to the bit.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sonargrid.arrays import Floats, Ints
from sonargrid.runs.csv_rows import Rows
from sonargrid.runs.first_look import LOOKED_AT
from sonargrid.runs.plain_cells import Table
from sonargrid.runs.turning_watch import TurningWatch

MOST_PLACES = 1 << 24  # of the table of counts, four bytes each; more different readings than that are sorted instead
SCALES = (1, 10, 100, 1000)  # decimals of so many places are counted as whole numbers
SETTLE_FROM = 1 << 20  # unsorted readings that are put in order at once
WORTH = 0.5  # of such a share of different readings sorting more of them is not worth its time
SILENT, VOID, FIRST = 0, 1, 2  # places of "nothing heard", "no measurement" and the smallest distance, a step of 1


@dataclass(frozen=True, slots=True)
class Counted:
    """Different readings, arrays (N,), and how often each was taken; kind = of which station, and turning which way."""

    kind: Ints
    angle: Floats
    distance: Floats
    count: Ints


class RowCounter:
    """Takes rows block by block and counts the equal ones together.

    lone : the only station's name, which an empty cell means; "" = there are several
    asked : names of the stations whose first readings are kept in order; empty = all
    by_turning : whether readings of different turning differ
    timed : whether it serves rows with a clock
    again : whether the rows could be had once more, should their order matter after all
    taken : how many readings there were
    """

    def __init__(
        self,
        lone: str = "",
        asked: Sequence[str] = (),
        *,
        by_turning: bool = False,
        timed: bool = True,
        again: bool = True,
    ) -> None:
        self._lone, self._asked = lone, frozenset(asked)
        self._by_turning, self._timed, self._again = by_turning, timed, again
        self._turns = TurningWatch()
        self._numbers: dict[str, int] = {}
        self._name_lines: list[int] = []
        self._first: Rows | None = None
        self._head: list[Counted] = []
        self._head_left = LOOKED_AT
        self._tally: _Tally | None = None
        self._pile = _Pile()
        self._last: tuple[int, float] | None = None
        self._back = (0, 0)
        self.taken = 0

    def serves(self, rows: Rows) -> bool:
        """Return whether the order of such rows has no say in anything."""
        if rows.pose is not None or (rows.time_s is not None and not self._timed):
            return False
        return not self._by_turning if rows.turning is None else self._again

    def add(self, rows: Rows) -> None:
        """Take some rows.

        Raises
        ------
        OrderMatters
            If their order has a say after all.
        """
        station = self._stations(rows)
        if rows.turning is not None:
            self._turns.look(rows, station)
        if rows.time_s is not None:
            self._look_at_clock(rows, station, rows.time_s)
        angle, distance, kind = rows.angle, rows.distance, station
        if self._by_turning and rows.turning is not None:
            kind = station * np.int32(3) + (rows.turning + np.int32(1))
        if self._first is None:
            self._first = rows
            self._tally = _Tally.for_rows(angle, distance)
        self.taken += len(rows)
        if self._head_left:
            keep = self._keep_first(station, kind, angle, distance)
            kind, angle, distance = kind[keep], angle[keep], distance[keep]
        if self._tally is not None and not self._tally.add(kind, angle, distance):
            self._pile.add(self._tally.counted(_NOTHING))
            self._tally = None
        if self._tally is None:
            self._pile.add(_singly(kind, angle, distance))

    def _stations(self, rows: Rows) -> Ints:
        if rows.station is None:
            return np.zeros(len(rows), dtype=np.int32)
        names = [name or self._lone for name in rows.station_names]
        for i, name in enumerate(names):
            if name not in self._numbers:
                self._numbers[name] = len(self._numbers)
                self._name_lines.append(rows.line_of(int(np.argmax(rows.station == i))))
        return np.array([self._numbers[name] for name in names], dtype=np.int32)[rows.station]

    def _look_at_clock(self, rows: Rows, station: Ints, time_s: Floats) -> None:
        """Note where the clock is behind that of the row before, at the same station."""
        before = self._last or (-1, 0.0)
        group, clock = np.concatenate([[before[0]], station]), np.concatenate([[before[1]], time_s])
        back = np.flatnonzero((clock[1:] < clock[:-1]) & (group[1:] == group[:-1]))
        if back.size:
            count, line = self._back
            self._back = (count + back.size, line or rows.line_of(int(back[0])))
        self._last = (int(station[-1]), float(time_s[-1]))

    def _keep_first(self, station: Ints, kind: Ints, angle: Table, distance: Table) -> Ints:
        """Keep the first readings in their order, and return the places of the others."""
        wanted = np.ones(station.size, dtype=np.bool_)
        if self._asked and self._numbers:  # without the column all are of the only station
            wanted = np.isin(station, [n for name, n in self._numbers.items() if name in self._asked])
        at = np.flatnonzero(wanted)[: self._head_left]
        self._head_left -= at.size
        self._head.append(_singly(kind[at], angle[at], distance[at]))
        others = np.ones(station.size, dtype=np.bool_)
        others[at] = False
        return np.flatnonzero(others)

    def result(self) -> Rows:
        """Return the readings taken: the first ones in order, behind them all others in none."""
        assert self._first is not None
        head = _together(self._head)
        whole = _together([head, self._pile.settled()]) if self._tally is None else self._tally.counted(head)
        return Rows(
            angle_column=self._first.angle_column,
            distance_column=self._first.distance_column,
            angle=whole.angle,
            distance=whole.distance,
            first_line=self._first.line_of(0),
            station_names=tuple(self._numbers),
            station=None if self._first.station is None else whole.kind // 3 if self._by_turning else whole.kind,
            turning=whole.kind % 3 - 1 if self._by_turning else None,
            count=whole.count,
            name_lines=tuple(self._name_lines),
            clock_back=self._back,
            turned_back=self._turns.against,
        )


def _singly(station: Ints, angle: Table, distance: Table) -> Counted:
    ones = np.ones(station.size, dtype=np.int32)
    return Counted(station, angle.astype(np.float64), distance.astype(np.float64), ones)


def _room_for(head: Counted, more: int) -> Counted:
    """Return some readings with room for so many more behind them."""
    size = head.count.size + more
    whole = Counted(np.empty(size, np.int32), np.empty(size), np.empty(size), np.empty(size, np.int32))
    for name in ("kind", "angle", "distance", "count"):
        getattr(whole, name)[: head.count.size] = getattr(head, name)
    return whole


_NOTHING = _singly(*(np.empty(0, dtype=np.int32) for _ in range(3)))


def _together(parts: Sequence[Counted]) -> Counted:
    return Counted(
        np.concatenate([part.kind for part in parts]),
        np.concatenate([part.angle for part in parts]),
        np.concatenate([part.distance for part in parts]),
        np.concatenate([part.count for part in parts]),
    )


class _Tally:
    """A table of counts, (stations, angles, distances), for numbers of few decimals; it grows as they come."""

    def __init__(self, angle_scale: int, distance_scale: int) -> None:
        self._angle_scale, self._distance_scale = angle_scale, distance_scale
        self._low = 0  # the angle of the table's first place
        self._counts = np.zeros((0, 0, 0), dtype=np.int32)

    @classmethod
    def for_rows(cls, angle: Table, distance: Table) -> _Tally | None:
        """Return a table for numbers like these; None where they have too many decimals."""
        heard = distance[np.isfinite(distance)]
        scales = [next((s for s in SCALES if _steps(values, s) is not None), None) for values in (angle, heard)]
        if scales[0] is None or scales[1] is None:
            return None
        return cls(scales[0], scales[1])

    def add(self, station: Ints, angle: Table, distance: Table) -> bool:
        """Count some readings; False, and nothing is counted, if they do not fit the table."""
        if not station.size:
            return True
        at = _steps(angle, self._angle_scale)
        place = self._places(distance)
        if at is None or place is None or not self._grow(station, at, place):
            return False
        _, angles, distances = self._counts.shape
        key = (station * np.int32(angles) + (at - np.int32(self._low))) * np.int32(distances) + place
        np.add.at(self._counts.reshape(-1), key, np.int32(1))
        return True

    def _places(self, distance: Table) -> Ints | None:
        if distance.dtype.kind != "f":
            steps = _steps(distance, self._distance_scale)
            return None if steps is None else steps + np.int32(FIRST - 1)
        finite = np.isfinite(distance)
        steps = _steps(np.where(finite, distance, 0.0), self._distance_scale)
        if steps is None:
            return None
        return np.where(finite, steps + (FIRST - 1), np.where(np.isnan(distance), VOID, SILENT)).astype(np.int32)

    def _grow(self, station: Ints, at: Ints, place: Ints) -> bool:
        """Make room; False if there would be too many places."""
        stations, angles, distances = self._counts.shape
        low, high = int(at.min()), int(at.max()) + 1
        if angles:
            low, high = min(low, self._low), max(high, self._low + angles)
        wanted = (int(station.max()) + 1, high - low, int(place.max()) + 1)
        if wanted[0] <= stations and wanted[1] <= angles and wanted[2] <= distances:
            return True
        # some room for what comes next, unless that would be too much
        least = (max(wanted[0], stations), max(wanted[1], angles), max(wanted[2], distances))
        spare = (least[0] + (least[0] > stations) * least[0] // 2, least[1])
        roomy = (*spare, least[2] + (least[2] > distances) * least[2] // 2)
        size = roomy if math.prod(roomy) <= MOST_PLACES else least
        if math.prod(size) > MOST_PLACES:
            return False
        counts = np.zeros(size, dtype=np.int32)
        if self._counts.size:
            first = self._low - low
            counts[:stations, first : first + angles, :distances] = self._counts
        self._counts, self._low = counts, low
        return True

    def counted(self, head: Counted) -> Counted:
        """Return what was counted, behind the readings of `head`."""
        flat = self._counts.reshape(-1)
        _, angles, distances = self._counts.shape
        at = np.flatnonzero(flat).astype(np.int32)
        first = head.count.size
        whole = _room_for(head, at.size)
        station, angle, distance = whole.kind[first:], whole.angle[first:], whole.distance[first:]
        whole.count[first:] = flat[at]
        line = at // np.int32(max(distances, 1))
        at -= line * np.int32(distances)  # the place in its line
        station[:] = line // np.int32(max(angles, 1))
        line -= station * np.int32(angles)
        line += np.int32(self._low)
        np.divide(line, self._angle_scale, out=angle)
        np.divide(at - np.int32(FIRST - 1), self._distance_scale, out=distance)
        distance[at == SILENT] = np.inf
        distance[at == VOID] = np.nan
        return whole


def _steps(values: Table, scale: int) -> Ints | None:
    """Return numbers as whole steps of 1 / scale; None if they are none, or too large for a table."""
    if values.size and float(np.abs(values).max()) * scale >= MOST_PLACES:
        return None
    if values.dtype.kind != "f":
        whole = values.astype(np.int32)
        return whole if scale == 1 else whole * np.int32(scale)
    rounded = np.rint(values * scale)
    return rounded.astype(np.int32) if bool(np.all(rounded / scale == values)) else None


class _Pile:
    """Different readings of any decimals, sorted now and then, if that makes them fewer."""

    def __init__(self) -> None:
        self._settled = _NOTHING
        self._loose: list[Counted] = []
        self._waiting = 0
        self._pays = True

    def add(self, part: Counted) -> None:
        """Take some readings."""
        self._loose.append(part)
        self._waiting += part.count.size
        # as much again as is settled: sorting then costs no more than a few times the readings
        if self._pays and self._waiting > max(SETTLE_FROM, self._settled.count.size):
            before = self._waiting + self._settled.count.size
            self._pays = self.settled().count.size < WORTH * before

    def settled(self) -> Counted:
        """Return what was taken, equal readings counted together as far as that pays."""
        if self._waiting:
            whole = _together([self._settled, *self._loose])
            self._loose, self._waiting = [], 0
            if not self._pays:
                self._settled = whole
                return whole
            order = np.lexsort((whole.distance, whole.angle, whole.kind))
            station, angle, distance = whole.kind[order], whole.angle[order], whole.distance[order]
            new = np.ones(order.size, dtype=np.bool_)
            same = (station[1:] == station[:-1]) & (angle[1:] == angle[:-1])
            same &= (distance[1:] == distance[:-1]) | (np.isnan(distance[1:]) & np.isnan(distance[:-1]))
            new[1:] = ~same
            at = np.flatnonzero(new)
            counts = np.add.reduceat(whole.count[order], at)
            self._settled = Counted(station[at], angle[at], distance[at], counts.astype(np.int32))
        return self._settled

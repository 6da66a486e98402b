"""Stated turning against the angles, looked at block by block: the first and the number of the contradictions.

What `sweeps.against_angles` finds in all rows at once, as long as the rows of a station stand in the order in which
they were taken; where they may not, that is said, and somebody must look at them all.
"""

from __future__ import annotations

import numpy as np

from sonargrid.arrays import Ints
from sonargrid.runs.csv_rows import Rows


class OrderMatters(Exception):
    """The order of the rows has a say after all."""


class TurningWatch:
    """Looks at rows as they come.

    against : how often turning was against the angles, and the line of the first time
    """

    def __init__(self) -> None:
        self.against = (0, 0)
        self._last: dict[int, tuple[float, float, float, float]] = {}  # of each station: angle, turning, sweep, clock

    def look(self, rows: Rows, station: Ints) -> None:
        """Look at some rows; `station` (N,) = whose each of them is.

        Raises
        ------
        OrderMatters
            If a clock goes backwards, or it depends on passes that nobody numbered whether a turning is wrong.
        """
        assert rows.turning is not None
        sorted_already = bool(np.all(station[1:] >= station[:-1]))
        order = np.arange(station.size) if sorted_already else np.argsort(station, kind="stable")
        whose = station[order]
        none = np.zeros(station.size)
        columns = (rows.angle, rows.turning, rows.sweep, rows.time_s)
        now = np.stack([none if column is None else column[order].astype(np.float64) for column in columns])
        starts = np.flatnonzero(np.concatenate([[True], whose[1:] != whose[:-1]]))
        before = np.concatenate([now[:, :1], now[:, :-1]], axis=1)
        for at, one in zip(starts.tolist(), whose[starts].tolist(), strict=True):
            # a station's first reading has none before it: it is its own, and nothing moved
            before[:, at] = self._last.get(one, now[:, at])
        for at, one in zip([*(starts[1:] - 1).tolist(), station.size - 1], whose[starts].tolist(), strict=True):
            self._last[one] = (float(now[0, at]), float(now[1, at]), float(now[2, at]), float(now[3, at]))
        wrong = (now[0] - before[0]) * now[1] < 0.0
        if bool(np.any(now[3] < before[3])) or (rows.sweep is None and bool(np.any(wrong & (now[1] != before[1])))):
            raise OrderMatters
        at_wrong = order[wrong & (now[2] == before[2])]
        if at_wrong.size:
            count, line = self.against
            self.against = (count + at_wrong.size, line or rows.line_of(int(at_wrong.min())))

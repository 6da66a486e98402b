"""The stations of a moving robot, one a pose: kept as numbers, made into `Station`s only when somebody looks at one.

A million poses as records would take seconds and hundreds of megabytes; as numbers they take 24 MB.  Metres, radians.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import overload

import numpy as np

from sonargrid.arrays import Floats, frozen
from sonargrid.runs.readings import Station


class PoseStations(Sequence[Station]):
    """Poses as a sequence of stations, named ``pose 1``, ``pose 2`` ...

    places : (N, 3) x [m], y [m] and heading [rad], read-only

    >>> way = PoseStations([[0.0, 0.0, 0.0], [0.1, 0.0, 0.0]])
    >>> len(way), way[1].name, way[-1].x_m, [station.name for station in way[:1]]
    (2, 'pose 2', 0.1, ['pose 1'])
    """

    __slots__ = ("places",)

    def __init__(self, places: Floats | Sequence[Sequence[float]]) -> None:
        self.places = frozen(places).reshape(-1, 3)

    def __len__(self) -> int:
        return len(self.places)

    @overload
    def __getitem__(self, index: int) -> Station: ...
    @overload
    def __getitem__(self, index: slice) -> tuple[Station, ...]: ...
    def __getitem__(self, index: int | slice) -> Station | tuple[Station, ...]:
        if isinstance(index, slice):
            return tuple(self[place] for place in range(*index.indices(len(self))))
        x, y, heading = self.places[index].tolist()
        return Station(f"pose {int(index) % len(self) + 1}", x, y, heading)

    def __eq__(self, other: object) -> bool:
        if isinstance(other, PoseStations):
            return bool(np.array_equal(self.places, other.places))
        return isinstance(other, tuple) and len(other) == len(self) and tuple(self) == other

    def __hash__(self) -> int:
        return hash(tuple(self))  # that of the records it equals

    def __repr__(self) -> str:
        return f"PoseStations({len(self)} poses)"


def places_of(stations: Sequence[Station]) -> Floats:
    """Return (N, 3) x [m], y [m] and heading [rad] of stations.

    >>> places_of((Station("A", 1.0, 2.0, 0.5),)).tolist()
    [[1.0, 2.0, 0.5]]
    """
    if isinstance(stations, PoseStations):
        return stations.places
    return np.array([(s.x_m, s.y_m, s.heading_rad) for s in stations], dtype=np.float64).reshape(-1, 3)

"""Every ray's wedge as a list of cells in the order in which sound reaches them: flat arrays, cut into rays by `start`.

A cell belongs to a ray's wedge where the beam would hear a thing there with a chance of at least `least_gain`, not
nearer than the blind zone and not farther than the ray was listened to.  Metres and radians on the floor axes.
No evidence here: `first_return` walks the lists.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sonargrid.arrays import Floats, Floats32
from sonargrid.maps.grid import GridFrame
from sonargrid.runs.readings import Rays

LEAST_GAIN = 0.02  # detection below this is left out of the wedge
LEAST_HALF_RAD = math.radians(8.0)  # a beam is never believed narrower
NEAREST_CELLS = 1.5  # nearer cells are coarser than the wedge itself
BLOCK = 2_000_000  # ray-cell pairs looked at in one go

Indices = NDArray[np.intp]


class WedgeBeam(Protocol):
    """What a beam must say so that wedges can be cut: who is heard, how far off the axis that counts, at most where."""

    def detection(self, range_m: ArrayLike, off_axis_rad: ArrayLike) -> Floats: ...
    def support_at(self, range_m: ArrayLike) -> Floats: ...
    @property
    def widest_rad(self) -> float: ...


@dataclass(frozen=True, slots=True)
class SoftBeam:
    """The chance of being heard off the axis: 1 / (1 + exp((|angle| - h(r)) / edge)) with h(r) = half - slope r.

    half_rad, slope_rad_m, edge_rad : [rad], [rad/m], [rad]
    """

    half_rad: float
    slope_rad_m: float
    edge_rad: float

    def half_at(self, range_m: ArrayLike) -> Floats:
        """Return the half width at ranges [rad], any shape."""
        return np.asarray(np.maximum(LEAST_HALF_RAD, self.half_rad - self.slope_rad_m * np.asarray(range_m)))

    def detection(self, range_m: ArrayLike, off_axis_rad: ArrayLike) -> Floats:
        """Return the chance of being heard, 0..1; shapes broadcast.

        >>> beam = SoftBeam(0.5, 0.1, 0.03)
        >>> float(beam.detection(np.array(1.0), np.array(0.4)))
        0.5
        """
        z = (np.abs(off_axis_rad) - self.half_at(range_m)) / self.edge_rad
        return np.asarray(1.0 / (1.0 + np.exp(np.minimum(z, 60.0))))

    def support_at(self, range_m: ArrayLike) -> Floats:
        """Return the angle off the axis beyond which nothing is heard well enough to count, at ranges [rad]."""
        return np.asarray(self.half_at(range_m) + self.edge_rad * math.log(1.0 / LEAST_GAIN - 1.0))

    @property
    def widest_rad(self) -> float:
        """The widest of these angles, that of the nearest cells [rad]."""
        return float(self.support_at(0.0))


@dataclass(frozen=True, slots=True)
class Wedges:
    """The cells of M rays, ray after ray, each ray's by rising range; arrays (E,) unless said otherwise.

    start : (M + 1,) where each ray's entries begin
    cell : flat index of the cell, row * columns + column
    range_m, gain : distance from the ranger's face, chance of being heard there
    bearing_rad : from the face to the cell, on the floor
    """

    start: Indices
    cell: Indices
    range_m: Floats32
    gain: Floats32
    bearing_rad: Floats32

    @property
    def ray(self) -> Indices:
        """(E,) ray of each entry."""
        return np.repeat(np.arange(self.start.size - 1), np.diff(self.start))


def _box(frame: GridFrame, x: float, y: float, reach_m: float) -> tuple[Indices, Floats, Floats]:
    """Return (flat index, dx, dy) of the cells in the square of half width `reach_m` about a place."""
    columns = np.arange(
        max(0, math.floor((x - reach_m) / frame.cell_m) - frame.corner_cells[0]),
        min(frame.columns, math.ceil((x + reach_m) / frame.cell_m) - frame.corner_cells[0] + 1),
    )
    rows = np.arange(
        max(0, math.floor((y - reach_m) / frame.cell_m) - frame.corner_cells[1]),
        min(frame.rows, math.ceil((y + reach_m) / frame.cell_m) - frame.corner_cells[1] + 1),
    )
    dx = (frame.corner_cells[0] + columns + 0.5) * frame.cell_m - x
    dy = (frame.corner_cells[1] + rows + 0.5) * frame.cell_m - y
    flat = (rows[:, None] * frame.columns + columns[None, :]).ravel()
    return flat, np.tile(dx, rows.size), np.repeat(dy, columns.size)


def _place_wedges(
    frame: GridFrame, x: float, y: float, bearing: Floats, length: Floats, beam: WedgeBeam, nearest_m: float
) -> tuple[Indices, Indices, Floats32, Floats32, Floats32]:
    """Return (ray within the place, cell, range, gain, bearing) of all wedges seen from one place, in order."""
    flat, dx, dy = _box(frame, x, y, float(length.max()))
    r2 = dx * dx + dy * dy
    # angles relative to the middle of the fan, so that the cut of arctan2 lies behind it
    middle = math.atan2(float(np.sin(bearing).sum()), float(np.cos(bearing).sum()))
    off_middle = np.remainder(bearing - middle + math.pi, 2.0 * math.pi) - math.pi
    widest = beam.widest_rad
    near = (r2 <= float(length.max()) ** 2) & (r2 >= nearest_m**2)
    flat, dx, dy, r2 = flat[near], dx[near], dy[near], r2[near]
    c, s = math.cos(middle), math.sin(middle)
    angle = np.arctan2(c * dy - s * dx, c * dx + s * dy)
    low, high = float(off_middle.min()) - widest, float(off_middle.max()) + widest
    if high - low < 2.0 * math.pi:
        inside = (angle >= low) & (angle <= high)
        flat, r2, angle = flat[inside], r2[inside], angle[inside]
    # rounded, so that cells equally far but for the last bit keep their order wherever the floor's origin lies
    order = np.argsort(np.round(r2, 9), kind="stable")
    flat, r, angle = flat[order], np.sqrt(r2[order]).astype(np.float32), angle[order].astype(np.float32)
    # the widest angle that still counts, for each cell
    support = beam.support_at(r).astype(np.float32)
    parts = []
    size = max(1, BLOCK // max(1, flat.size))
    for first in range(0, bearing.size, size):
        off = angle[None, :] - off_middle[first : first + size, None].astype(np.float32)
        off = np.abs(off)
        np.minimum(off, np.float32(2.0 * math.pi) - off, out=off)
        ray, at = np.nonzero((off <= support) & (r <= length[first : first + size, None].astype(np.float32)))
        gain = beam.detection(r[at], off[ray, at]).astype(np.float32)
        parts.append((ray + first, flat[at], r[at], gain, angle[at] + np.float32(middle)))
    return tuple(np.concatenate([part[k] for part in parts]) for k in range(5))  # type: ignore[return-value]


def wedges(frame: GridFrame, rays: Rays, length_m: Floats, beam: WedgeBeam, blind_m: float = 0.0) -> Wedges:
    """Return the wedges of (M,) rays, listened to out to (M,) `length_m`.

    Parameters
    ----------
    frame : GridFrame
        The cells.
    rays : Rays
        Places and bearings.
    length_m : (M,) array
        Farthest range of each wedge; 0 = no wedge [m].
    beam : WedgeBeam
        Who is heard where.
    blind_m : float
        Nearest range that the ranger can report [m].

    Examples
    --------
    >>> ray = Rays([0], [0.0], [0.0], [0.0], [0.0], [0.0], [0.0], [0.0])
    >>> w = wedges(GridFrame(0.1, (0, -5), 10, 10), ray, np.array([0.5]), SoftBeam(0.3, 0.0, 0.02))
    >>> int(w.start[1]), bool(np.all(np.diff(w.range_m) >= 0))
    (10, True)
    """
    nearest = max(blind_m, NEAREST_CELLS * frame.cell_m)
    count = np.zeros(len(rays), dtype=np.intp)
    used = np.flatnonzero(length_m > nearest)
    places, which = np.unique(np.stack([rays.x_m[used], rays.y_m[used]], axis=1), axis=0, return_inverse=True)
    which = which.reshape(-1)
    pieces: list[tuple[Indices, Indices, Floats32, Floats32, Floats32]] = []
    order = np.argsort(which, kind="stable")
    bounds = np.searchsorted(which[order], np.arange(len(places) + 1))
    for number, (x, y) in enumerate(places):
        mine = used[order[bounds[number] : bounds[number + 1]]]
        piece = _place_wedges(frame, float(x), float(y), rays.bearing_rad[mine], length_m[mine], beam, nearest)
        count[mine] = np.bincount(piece[0], minlength=mine.size)
        pieces.append((mine[piece[0]], *piece[1:]))
    if not pieces:
        none = np.zeros(0, dtype=np.float32)
        return Wedges(np.zeros(len(rays) + 1, dtype=np.intp), none.astype(np.intp), none, none, none)
    ray, cell, r, gain, bearing = (np.concatenate([piece[k] for piece in pieces]) for k in range(5))
    if len(places) > 1:
        # places need not come in the order of the rays
        by_ray = np.argsort(ray, kind="stable")
        cell, r, gain, bearing = cell[by_ray], r[by_ray], gain[by_ray], bearing[by_ray]
    return Wedges(np.concatenate([[0], np.cumsum(count)]).astype(np.intp), cell, r, gain, bearing)

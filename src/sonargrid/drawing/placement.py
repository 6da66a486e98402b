"""Where labels go: beside what they name, never on each other, never off the picture.

Greedy, in the order given: each label takes the cheapest of the places round its anchor; what lies further away gets
a leader line.  Pixels, y downwards.  Nothing is drawn here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sonargrid.arrays import Floats
from sonargrid.drawing.shapes import Box

GAPS_PX = (2.0, 8.0, 16.0, 28.0, 42.0, 60.0, 85.0, 115.0, 150.0, 200.0)
FAR_GAPS_PX = (260.0, 330.0, 410.0, 500.0, 620.0, 760.0, 920.0)
LEADER_FROM_PX = 12.0  # labels further than this from their anchor get a leader line
MARGIN_PX = 3.0  # kept clear round each label
FORBIDDEN = 1e6  # price of two labels on one spot, of leaving the picture, of lying on a leader
ON_MARK = 9.0  # of covering part of a mark
COVERS_LABEL, CROSSES_LEADER = 400.0, 25.0  # of each dot of a leader that does so
CLOSELY_LOOKED_AT = 40  # cheapest candidates whose leaders are followed
LEADER_DOTS = 32
# (gaps, directions, price up to which nothing further away is tried)
SEARCHES = ((GAPS_PX[:4], 16, 25.0), (GAPS_PX, 16, FORBIDDEN), (GAPS_PX + FAR_GAPS_PX, 48, FORBIDDEN))
# right of and above comes first, as on printed maps; common practice, no source
_PREFERRED_RAD = -math.pi / 5


@dataclass(frozen=True, slots=True)
class Label:
    """A box of `width` x `height` [px] that wants to be near (x, y), at least `clear` [px] from it."""

    x: float
    y: float
    width: float
    height: float
    clear: float = 0.0


@dataclass(frozen=True, slots=True)
class Place:
    """Where a label came to lie; `leader` is the line's two ends, None where the label touches what it names.

    free : False where no place without overlap was left
    """

    box: Box
    leader: tuple[tuple[float, float], tuple[float, float]] | None
    free: bool = True


def _candidates(label: Label, gaps: Sequence[float], directions: int) -> tuple[Floats, Floats]:
    """Return (N, 4) boxes and (N,) what each costs for its distance and direction alone."""
    turn = np.linspace(0.0, 2.0 * math.pi, directions, endpoint=False)
    gap, angle = (part.ravel() for part in np.meshgrid(np.asarray(gaps), turn, indexing="ij"))
    c, s = np.cos(angle), np.sin(angle)
    x = label.x + (label.clear + gap + label.width / 2 * np.abs(c)) * c + label.width / 2 * (c - c * np.abs(c))
    y = label.y + (label.clear + gap + label.height / 2 * np.abs(s)) * s + label.height / 2 * (s - s * np.abs(s))
    half = np.array([label.width, label.height]) / 2
    boxes = np.column_stack([x - half[0], y - half[1], x + half[0], y + half[1]])
    return boxes, gap * 0.12 + 1.5 * (1.0 - np.cos(angle - _PREFERRED_RAD))


def _hits(boxes: Floats, others: Floats, margin: float = 0.0) -> NDArray[np.int64]:
    """Return how many of the (M, 4) others each of the (N, 4) boxes overlaps."""
    a, b = boxes[:, None, :], others[None, :, :]
    apart = (
        (a[..., 0] >= b[..., 2] + margin)
        | (b[..., 0] >= a[..., 2] + margin)
        | (a[..., 1] >= b[..., 3] + margin)
        | (b[..., 1] >= a[..., 3] + margin)
    )
    return np.asarray((~apart).sum(axis=1))


def _leader_points(label: Label, boxes: Floats) -> Floats:
    """Return (N, LEADER_DOTS, 2) points of the straight lines from the anchor's rim to the boxes' edges."""
    anchor = np.array([label.x, label.y])
    ends = np.clip(anchor, boxes[:, :2], boxes[:, 2:])
    away = np.hypot(*(ends - anchor).T)
    start = anchor + (ends - anchor) * (np.minimum(label.clear, away) / np.maximum(away, 1e-9))[:, None]
    along = np.linspace(0.0, 1.0, LEADER_DOTS)[None, :, None]
    return np.asarray(start[:, None, :] + along * (ends - start)[:, None, :])


@dataclass(frozen=True, slots=True)
class _Ground:
    """What is there already: (N, 4) boxes never covered, of leader lines, and of marks better left open."""

    bounds: Box
    taken: Floats
    leaders: Floats
    marks: Floats

    def with_label(self, box: Floats, leader: Floats) -> _Ground:
        thin = np.concatenate([leader - 1.5, leader + 1.5], axis=1)
        taken, leaders = np.concatenate([self.taken, box[None, :]]), np.concatenate([self.leaders, thin])
        return _Ground(self.bounds, taken, leaders, self.marks)


def _within(others: Floats, box: Floats) -> Floats:
    left, top, right, bottom = box.tolist()
    near = (others[:, 0] < right) & (others[:, 2] > left) & (others[:, 1] < bottom) & (others[:, 3] > top)
    return np.asarray(others[near])


def _cheapest(label: Label, boxes: Floats, own: Floats, ground: _Ground) -> tuple[int, bool, float]:
    """Return which candidate costs least, whether it overlaps nothing, and its price."""
    # what none of the candidates can meet need not be looked at
    around = np.concatenate([boxes[:, :2].min(axis=0) - 2 * MARGIN_PX, boxes[:, 2:].max(axis=0) + 2 * MARGIN_PX])
    taken, leaders, marks = (_within(part, around) for part in (ground.taken, ground.leaders, ground.marks))
    left, top, right, bottom = ground.bounds
    outside = (boxes[:, 0] < left) | (boxes[:, 1] < top) | (boxes[:, 2] > right) | (boxes[:, 3] > bottom)
    price = own + FORBIDDEN * outside + FORBIDDEN * _hits(boxes, taken, MARGIN_PX)
    price = price + FORBIDDEN * _hits(boxes, leaders) + ON_MARK * _hits(boxes, marks)
    few = np.argsort(price, kind="stable")[:CLOSELY_LOOKED_AT]
    points = _leader_points(label, boxes[few])
    far = np.hypot(*(points[:, -1] - points[:, 0]).T) > LEADER_FROM_PX
    dots = np.concatenate([points, points], axis=2).reshape(-1, 4)
    covered = _hits(dots, taken).reshape(len(few), -1).sum(axis=1)
    met = _hits(dots, leaders, 2.0).reshape(len(few), -1).sum(axis=1)
    total = price[few] + far * (COVERS_LABEL * covered + CROSSES_LEADER * met)
    best = int(np.argmin(total))
    return int(few[best]), bool(price[few[best]] < FORBIDDEN), float(total[best])


def place_labels(
    labels: Sequence[Label], bounds: Box, obstacles: Sequence[Box] = (), soft: Sequence[Box] = ()
) -> tuple[Place, ...]:
    """Return a place for each label, in their order.

    Parameters
    ----------
    labels : sequence of Label
        Earlier ones get the better places.
    bounds : Box
        No label leaves it.
    obstacles : sequence of Box
        Never covered.
    soft : sequence of Box
        Covered only where it saves a long way.

    Examples
    --------
    >>> one, two = place_labels([Label(50, 50, 20, 10), Label(50, 50, 20, 10)], (0, 0, 100, 100))
    >>> one.free and two.free and one.box != two.box
    True
    """
    empty = np.empty((0, 4))
    taken, marks = (np.array(boxes, dtype=np.float64).reshape(-1, 4) for boxes in (obstacles, soft))
    ground = _Ground(bounds, taken, empty, marks)
    places = []
    for label in labels:
        for gaps, directions, content in SEARCHES:
            boxes, own = _candidates(label, gaps, directions)
            best, free, price = _cheapest(label, boxes, own, ground)
            if free and price <= content:
                break
        points = _leader_points(label, boxes[best : best + 1])[0]
        far = math.hypot(*(points[-1] - points[0])) > LEADER_FROM_PX
        ground = ground.with_label(boxes[best], points[:-1] if far else points[:0])
        ends = ((float(points[0, 0]), float(points[0, 1])), (float(points[-1, 0]), float(points[-1, 1])))
        left, top, right, bottom = boxes[best].tolist()
        places.append(Place((left, top, right, bottom), ends if far else None, free))
    return tuple(places)

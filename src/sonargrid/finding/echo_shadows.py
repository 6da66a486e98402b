"""Which things hide which from which place: posts, boxes and walls that stand in the way.

Floor axes [m].  Who may hide whom is `echo_order`'s business.
"""

from __future__ import annotations

import numpy as np

from sonargrid.arrays import Bools, Floats, Ints

Forms = tuple[
    tuple[str, Floats, Ints], ...
]  # forms that hide others: shapes of the things that have one, their numbers
BLOCKING_SHARE = 0.8  # sound bends round the outer fifth of a post; from memory


def shadows(kind: str, shape: Floats, place_m: Floats, x_m: Floats, y_m: Floats) -> Bools:
    """Return (A, B, S) whether A things of a kind stand between S places (S, 2) and B points each (B, S)."""
    px, py = place_m[:, 0], place_m[:, 1]
    if kind in ("corner", "floor") or not shape.shape[0]:
        return np.zeros((shape.shape[0], *x_m.shape), dtype=bool)
    dx, dy = x_m - px, y_m - py
    if kind == "post":
        cx, cy = shape[:, 0, None, None] - px, shape[:, 1, None, None] - py
        length2 = np.maximum(dx * dx + dy * dy, 1e-12)
        t = cx * dx + cy * dy
        across = cx * dy - cy * dx
        thick = (BLOCKING_SHARE * np.exp(shape[:, 2])) ** 2
        return np.asarray((t > 0.0) & (t < length2) & (across * across < thick[:, None, None] * length2))
    if kind == "box":
        return _boxed(shape, px, py, dx, dy)
    turn, rho, low, high = (shape[:, k, None, None] for k in range(4))
    c, s = np.cos(turn), np.sin(turn)
    near, far = rho - c * px - s * py, rho - c * x_m - s * y_m
    # points on the wall itself are not hidden by it
    crossed = (near * far < 0.0) & (np.abs(far) > 0.01)
    if not crossed.any():
        return np.asarray(crossed)
    t = near / np.where(crossed, near - far, 1.0)
    along = -s * (px + t * dx) + c * (py + t * dy)
    return np.asarray(crossed & (along > low + 0.02) & (along < high - 0.02))


def _boxed(shape: Floats, px: Floats, py: Floats, dx: Floats, dy: Floats) -> Bools:
    """Return (A, B, S) whether the ways (B, S) from places (S,) run through A boxes, a little trimmed."""
    cx, cy = shape[:, 0, None, None] - px, shape[:, 1, None, None] - py
    # few ways meet the circle round a box; only these are looked at closely
    across = cx * dy - cy * dx
    round_ = (shape[:, 3] ** 2 + shape[:, 4] ** 2)[:, None, None]
    out = across * across <= round_ * (dx * dx + dy * dy)
    a, b, k = np.nonzero(out)
    out[a, b, k] = _through(shape, a, -cx[a, 0, k], -cy[a, 0, k], dx[b, k], dy[b, k])
    return np.asarray(out)


def _through(shape: Floats, a: Ints, ax: Floats, ay: Floats, dx: Floats, dy: Floats) -> Bools:
    """Return (n,) whether ways that start at (ax, ay) from a box's middle run through it; `a` tells which box."""
    c, s = np.cos(shape[:, 2]).take(a), np.sin(shape[:, 2]).take(a)
    enter, leave = np.zeros(a.size), np.ones(a.size)
    for cos, sin, half in ((c, s, shape[:, 3].take(a)), (-s, c, shape[:, 4].take(a))):
        start, step = cos * ax + sin * ay, cos * dx + sin * dy
        step = np.where(np.abs(step) < 1e-9, 1e-9, step)
        one, other = (-BLOCKING_SHARE * half - start) / step, (BLOCKING_SHARE * half - start) / step
        enter, leave = np.maximum(enter, np.minimum(one, other)), np.minimum(leave, np.maximum(one, other))
    return np.asarray(enter < leave)


class Screens:
    """Things that stand, ready to be asked again and again which points they hide."""

    def __init__(self, forms: Forms, place_m: Floats) -> None:
        """Take the shapes of things that can hide others and their numbers, one array a form; places (S, 2)."""
        self._place_m = place_m
        empty = np.zeros((0, 6)), np.zeros(0, dtype=np.int64)
        of = {form: (shapes, numbers) for form, shapes, numbers in forms}
        (posts, first), (self._boxes, second) = of.get("post", empty), of.get("box", empty)
        self._walls = of.get("wall", empty)
        self._numbers, self._posts = np.concatenate([first, second]), first.size
        x, y = (np.concatenate([posts[:, n], self._boxes[:, n]])[:, None] - place_m[:, n] for n in (0, 1))
        self._x, self._y = x[:, None], y[:, None]
        thick = (BLOCKING_SHARE * np.exp(posts[:, 2])) ** 2
        round_ = self._boxes[:, 3] ** 2 + self._boxes[:, 4] ** 2
        self._thick = np.concatenate([thick, round_])[:, None, None]

    def hidden(self, x_m: Floats, y_m: Floats, there: Bools, walls: bool) -> Bools:
        """Return (K, S) whether things hide the points (K, S); (K, J) which of them stand, and whether walls count."""
        dx, dy = x_m - self._place_m[:, 0], y_m - self._place_m[:, 1]
        out = np.zeros(x_m.shape, dtype=bool)
        if self._numbers.size:
            across = self._x * dy - self._y * dx
            a, k, s = np.nonzero(across * across <= self._thick * (dx * dx + dy * dy))
            if a.size:
                a, k, s = (n[there[k, self._numbers.take(a)]] for n in (a, k, s))
                px, py, u, v = self._x[a, 0, s], self._y[a, 0, s], dx[k, s], dy[k, s]
                along = px * u + py * v
                hides = (along > 0.0) & (along < np.maximum(u * u + v * v, 1e-12))
                box = np.flatnonzero(a >= self._posts)
                if box.size:
                    px, py, u, v = (-px.take(box), -py.take(box), u.take(box), v.take(box))
                    hides[box] = _through(self._boxes, a.take(box) - self._posts, px, py, u, v)
                out[k[hides], s[hides]] = True
        if walls and self._walls[1].size:
            shapes, numbers = self._walls
            by = shadows("wall", shapes, self._place_m, x_m, y_m)
            if by.any():
                out |= (by & there.T[numbers][:, :, None]).any(axis=0)
        return out

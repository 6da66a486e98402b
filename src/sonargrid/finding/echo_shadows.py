"""Which things hide which from which place: posts, boxes and walls that stand in the way.

Floor axes [m].  Who may hide whom is `echo_order`'s business.
"""

from __future__ import annotations

import numpy as np

from sonargrid.arrays import Bools, Floats

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
    turn, half_w, half_d = shape[:, 2], shape[:, 3], shape[:, 4]
    c, s = np.cos(turn).take(a), np.sin(turn).take(a)
    ax, ay, bx, by = -cx[a, 0, k], -cy[a, 0, k], dx[b, k], dy[b, k]
    enter, leave = np.zeros(a.size), np.ones(a.size)
    for cos, sin, half in ((c, s, half_w.take(a)), (-s, c, half_d.take(a))):
        start, step = cos * ax + sin * ay, cos * bx + sin * by
        step = np.where(np.abs(step) < 1e-9, 1e-9, step)
        one, other = (-BLOCKING_SHARE * half - start) / step, (BLOCKING_SHARE * half - start) / step
        enter, leave = np.maximum(enter, np.minimum(one, other)), np.minimum(leave, np.maximum(one, other))
    out[a, b, k] = enter < leave
    return np.asarray(out)

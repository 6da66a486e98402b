"""Where a station is, from tape distances to two marks: the crossing of two circles, and how sure it is.

Floor axes [m], headings counter-clockwise from +x [rad].  Reading the distances from run.toml is `run_toml`'s business.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from sonargrid.runs.readings import ASSUMED_HEADING_SIGMA_RAD, Mark, Station

TAPE_SIGMA_M = 0.005  # one tape distance on a workshop floor; common practice, no source
WEAKEST_CROSSING_DEG = 15.0  # below, an error of the tape grows fourfold and more across the lines
NEAREST_FACING_M = 0.05


@dataclass(frozen=True, slots=True)
class Taped:
    """What was measured of a station with a tape.

    name : the station's
    tapes : (mark, metres) of each of two tape distances
    side : ``left`` or ``right`` of the line from the first mark to the second
    facing : the mark that the robot faces; empty = `heading_deg` holds
    """

    name: str
    tapes: tuple[tuple[str, float], tuple[str, float]]
    side: str
    facing: str = ""
    heading_deg: float = 90.0


def taped_station(taped: Taped, marks: Sequence[Mark], tape_sigma_m: float = TAPE_SIGMA_M) -> Station:
    """Return where a station is that was measured from two marks, with its sigmas.

    Raises
    ------
    ValueError
        If a mark is not known, the circles do not meet or meet too flatly, or the side is none.

    Examples
    --------
    >>> marks = (Mark("P", 0.0, 0.0), Mark("Q", 1.0, 0.0))
    >>> one = taped_station(Taped("B", (("P", 0.6), ("Q", 0.8)), "left", "Q"), marks)
    >>> round(one.x_m, 3), round(one.y_m, 3), round(math.degrees(one.heading_rad), 1)
    (0.36, 0.48, -36.9)
    """
    known = {mark.name: mark for mark in marks}
    (p, p_m), (q, q_m) = taped.tapes
    for name in (p, q, *((taped.facing,) if taped.facing else ())):
        if name not in known:
            raise ValueError(f"there is no mark {name}; known: {', '.join(known) or 'none'}")
    if taped.side not in ("left", "right"):
        raise ValueError(f"the side is left or right of the line from {p} to {q}, got '{taped.side}'")
    x, y, sigma = place_from_tapes(known[p], known[q], p_m, q_m, taped.side, tape_sigma_m)
    if not taped.facing:
        return Station(taped.name, x, y, math.radians(taped.heading_deg), sigma)
    heading, turn_sigma = heading_towards(x, y, sigma, known[taped.facing])
    return Station(taped.name, x, y, heading, sigma, turn_sigma)


def place_from_tapes(
    p: Mark, q: Mark, p_m: float, q_m: float, side: str, tape_sigma_m: float = TAPE_SIGMA_M
) -> tuple[float, float, float]:
    """Return (x, y, sigma per axis) of a place by its distances from two marks and the side of the line p to q [m].

    tape_sigma_m : give or take of one tape distance

    Raises
    ------
    ValueError
        If the circles do not meet, or meet at so flat an angle that the place is not known.

    Examples
    --------
    >>> x, y, sigma = place_from_tapes(Mark("P", 0.0, 0.0), Mark("Q", 1.0, 0.0), 0.6, 0.8, "left")
    >>> round(x, 6), round(y, 6), round(sigma, 6)
    (0.36, 0.48, 0.005)
    """
    dx, dy = q.x_m - p.x_m, q.y_m - p.y_m
    apart = math.hypot(dx, dy)
    if apart == 0.0:
        raise ValueError(f"marks {p.name} and {q.name} are one and the same place")
    if p_m + q_m < apart or abs(p_m - q_m) > apart:
        raise ValueError(
            f"{p_m:g} m from {p.name} and {q_m:g} m from {q.name} cannot both hold: the marks are {apart:.3g} m apart"
        )
    along = (p_m * p_m - q_m * q_m + apart * apart) / (2.0 * apart)
    across = math.sqrt(max(p_m * p_m - along * along, 0.0))
    # the lines from the two marks cross at this angle: area of the triangle = p q sin / 2 = apart * across / 2
    sine = min(1.0, apart * across / (p_m * q_m))
    if sine < math.sin(math.radians(WEAKEST_CROSSING_DEG)):
        angle = math.degrees(math.asin(sine))
        raise ValueError(
            f"the lines from {p.name} and {q.name} cross at only {angle:.0f} degrees: the place is not sure"
        )
    ux, uy = dx / apart, dy / apart
    left = across if side == "left" else -across
    x, y = p.x_m + along * ux - left * uy, p.y_m + along * uy + left * ux
    # both tapes with one sigma: trace of the covariance = 2 sigma^2 / sin^2
    return x, y, tape_sigma_m / sine


def heading_towards(x_m: float, y_m: float, sigma_m: float, mark: Mark) -> tuple[float, float]:
    """Return (heading, sigma) of a robot at (x, y) that faces a mark [rad].

    Raises
    ------
    ValueError
        If it stands on the mark.
    """
    dx, dy = mark.x_m - x_m, mark.y_m - y_m
    away = math.hypot(dx, dy)
    if away < NEAREST_FACING_M:
        raise ValueError(f"the station stands on mark {mark.name}, so facing it says nothing")
    return math.atan2(dy, dx), math.hypot(ASSUMED_HEADING_SIGMA_RAD, sigma_m / away)

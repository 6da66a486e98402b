"""What goes wrong in a first log, each noticed and answered with what to type.

Plain numbers in, sentences out: head angles in degrees as the log gives them, distances in metres.  No files, no numpy.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import median

TOO_FAR_SHARE = 0.2  # of the echoes beyond reach before it is told
FARTHEST_USUAL_M = 8.0  # small ultrasonic rangers hear about 4 m; maker data sheets say 4 to 6
AHEAD_WITHIN_DEG = 8.0  # the beam is wider than that
NEAREST_USUAL_M = 0.015  # nearer than any such ranger hears


def first_faults(angles_deg: Sequence[float], distances_m: Sequence[float], reach_m: float) -> tuple[str, ...]:
    """Return a sentence, with what to type, for each classic fault that the numbers show.

    >>> first_faults([0.0, 90.0], [0.4, 0.0], 1.0)
    ('1 distances are zero or less: nothing was heard there; type --no-echo-at 0',)
    """
    found = [_zeros(distances_m), _one_far_value(distances_m), _beyond(distances_m, reach_m)]
    found += [_ahead(angles_deg), _unit(distances_m)]
    return tuple(sentence for sentence in found if sentence)


def side_words(left_deg: float) -> str:
    """Return where something is, by how far left of straight ahead the head looked [deg].

    >>> side_words(-30.0), side_words(2.0)
    ("on your robot's RIGHT", 'straight ahead')
    """
    if abs(left_deg) <= AHEAD_WITHIN_DEG:
        return "straight ahead"
    return f"on your robot's {'LEFT' if left_deg > 0.0 else 'RIGHT'}"


def _zeros(distances_m: Sequence[float]) -> str:
    wrong = [d for d in distances_m if d <= 0.0]
    if not wrong:
        return ""
    return f"{len(wrong)} distances are zero or less: nothing was heard there; type --no-echo-at {wrong[0]:g}"


def _one_far_value(distances_m: Sequence[float]) -> str:
    heard = sorted(d for d in distances_m if math.isfinite(d) and d > 0.0)
    if len(heard) < 4:
        return ""
    count = heard.count(heard[-1])
    below = [d for d in heard if d < heard[-1]]
    begins = sum(d == heard[-1] and (i == 0 or distances_m[i - 1] != d) for i, d in enumerate(distances_m))
    if begins < 3 or not below or heard[-1] < 1.8 * below[-1]:
        return ""
    return (
        f"{count} readings show one and the same far value, {heard[-1]:g} m: a time-out, no wall; "
        "type --no-echo-at with the value as the log prints it (such as 999)"
    )


def _beyond(distances_m: Sequence[float], reach_m: float) -> str:
    heard = [d for d in distances_m if math.isfinite(d) and d > 0.0]
    beyond = [d for d in heard if d >= reach_m]
    if not heard or len(beyond) <= TOO_FAR_SHARE * len(heard):
        return ""
    return (
        f"{len(beyond)} of {len(heard)} echoes lie beyond the reach of {reach_m:g} m and count as nothing heard; "
        f"type --reach {math.ceil(max(beyond) * 10 + 0.5) / 10:g}"
    )


def _ahead(angles_deg: Sequence[float]) -> str:
    if not angles_deg or min(angles_deg) >= -1.0:
        return ""
    return "angles go below 0, so 0 looks straight ahead; type --ahead 0"


def _unit(distances_m: Sequence[float]) -> str:
    heard = [d for d in distances_m if math.isfinite(d) and d > 0.0]
    if len(heard) < 3:
        return ""
    if median(heard) > FARTHEST_USUAL_M:
        return (
            f"half of the distances are beyond {median(heard):.0f} m, farther than such a ranger hears: "
            "the unit is wrong; type --distance-unit cm (or mm, us)"
        )
    if median(heard) < NEAREST_USUAL_M:
        return (
            f"half of the distances are below {100 * median(heard):.1f} cm, nearer than such a ranger hears: "
            "the unit is wrong; type --distance-unit m (or cm, us-one-way)"
        )
    return ""


def against_tape(read_m: float, tape_m: float, times: bool = False) -> str:
    """Return what the ratio of a distance by tape to the distance read says, with what to type; empty = they agree.

    times : the log holds echo times, not distances

    >>> against_tape(0.17, 0.34, times=True)
    'the tape says twice as far: the times are one way only; type --distance-unit us-one-way'
    """
    ratio = tape_m / read_m
    if abs(ratio - 1.0) <= 0.03:
        return ""
    if abs(ratio / 2.0 - 1.0) <= 0.06:
        if times:
            return "the tape says twice as far: the times are one way only; type --distance-unit us-one-way"
        return "the tape says twice as far: the robot's program halves the echo twice; type --distance-scale 2"
    for factor, unit in ((100.0, "m"), (0.01, "cm"), (10.0, "cm"), (0.1, "mm"), (2.54, "in")):
        if abs(ratio / factor - 1.0) <= 0.06:
            return f"the tape says {factor:g} times as far: the unit is another; type --distance-unit {unit}"
    if 0.8 <= ratio <= 1.25:
        return (
            f"the tape says {100 * (ratio - 1):+.1f} %: the robot's program divides the echo time by another number "
            f"than 58; correct it with --distance-scale {ratio:.3f}"
        )
    return f"the tape says {ratio:.2f} times as far: another thing, or another unit; see --distance-unit"

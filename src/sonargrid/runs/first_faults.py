"""What goes wrong in a first log, each noticed and answered with what to type.

Plain numbers in, sentences out: head angles in degrees as the log gives them, distances in metres.  No files, no numpy.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

TOO_FAR_SHARE = 0.2  # of the echoes beyond reach before it is told
FARTHEST_USUAL_M = 8.0  # small ultrasonic rangers hear about 4 m; maker data sheets say 4 to 6
AHEAD_WITHIN_DEG = 8.0  # the beam is wider than that
NEAREST_USUAL_M = 0.015  # nearer than any such ranger hears
OFF_MIDDLE_DEG = 7.0  # people sweep about as far to the left as to the right
ONE_SIDED_DEG = 60.0  # a sweep from 0 to 90 and no farther is as wide as this at least
METRES_PER_MS = 0.1715  # out and back at 343 m/s, where times were taken for metres
DIVISOR_US_PER_CM = 58.2  # 20 000 / 343.4 m/s: the true divisor at 20 degC


@dataclass(frozen=True, slots=True)
class Remedies:
    """What to type against each fault; ``{}`` = the value."""

    nothing: str = "--no-echo-at {}"
    reach: str = "--reach {}"
    ahead: str = "--ahead {}"
    smaller: str = "--distance-unit cm (or mm, us)"
    larger: str = "--distance-unit m (or cm, us-one-way)"


AT_IMPORT = Remedies()
AT_MAP = Remedies(
    nothing="--set ranger.no_echo_at=[{}], or --reach if a wall is there",
    ahead="--set head.ahead_deg={}",
    smaller="range_cm (or range_mm, echo_us) as the name of its column in readings.csv; "
    "or --reach, should it hear that far",
    larger="range_m (or range_cm) as the name of its column in readings.csv; for times that are one way only "
    "--set ranger.range_scale=2",
)


def first_faults(
    angles_deg: Sequence[float],
    distances_m: Sequence[float],
    reach_m: float,
    unit_m: float = 1.0,
    remedies: Remedies = AT_IMPORT,
) -> tuple[str, ...]:
    """Return a sentence, with what to type, for each classic fault that the numbers show.

    angles_deg : as the log has them; those that grow from 0 at the right to 180 raise no alarm
    unit_m : metres in one unit of the log, so that values are told as the log prints them

    >>> first_faults([0.0, 90.0], [0.4, 0.0], 1.0)
    ('1 distances are zero or less: nothing was heard there; type --no-echo-at 0',)
    """
    return look(angles_deg, distances_m, reach_m, unit_m, remedies).sentences


@dataclass(frozen=True, slots=True)
class Found:
    """What is wrong, and whether that explains echoes from beyond reach better than a reach that is too small."""

    sentences: tuple[str, ...]
    explains_beyond: bool


def look(
    angles_deg: Sequence[float],
    distances_m: Sequence[float],
    reach_m: float,
    unit_m: float = 1.0,
    remedies: Remedies = AT_IMPORT,
) -> Found:
    """Return what `first_faults` says, and whether far echoes are explained by it."""
    far, far_words = _one_far_value(distances_m, unit_m, remedies)
    heard = [d for d in distances_m if math.isfinite(d) and d > 0.0 and d != far]
    unit = _unit(heard, remedies)
    found = [_zeros(distances_m, unit_m, remedies), far_words, "" if unit else _beyond(heard, reach_m, remedies)]
    found += [_ahead(angles_deg, remedies), unit]
    few = sum(d >= reach_m for d in heard) <= TOO_FAR_SHARE * len(heard)
    return Found(tuple(sentence for sentence in found if sentence), bool(unit) or (bool(far_words) and few))


def side_words(left_deg: float) -> str:
    """Return where something is, by how far left of straight ahead the head looked [deg].

    >>> side_words(-30.0), side_words(2.0)
    ("on your robot's RIGHT", 'straight ahead')
    """
    if abs(left_deg) <= AHEAD_WITHIN_DEG:
        return "straight ahead"
    return f"on your robot's {'LEFT' if left_deg > 0.0 else 'RIGHT'}"


def _zeros(distances_m: Sequence[float], unit_m: float, remedies: Remedies) -> str:
    wrong = [d for d in distances_m if d <= 0.0]
    if not wrong:
        return ""
    typed = remedies.nothing.format(f"{wrong[0] / unit_m:g}")
    return f"{len(wrong)} distances are zero or less: nothing was heard there; type {typed}"


def _one_far_value(distances_m: Sequence[float], unit_m: float, remedies: Remedies) -> tuple[float, str]:
    """Return the one far value that comes again and again, as time-outs do (inf: none), and what to say."""
    heard = sorted(d for d in distances_m if math.isfinite(d) and d > 0.0)
    if len(heard) < 4:
        return math.inf, ""
    count = heard.count(heard[-1])
    below = [d for d in heard if d < heard[-1]]
    begins = sum(d == heard[-1] and (i == 0 or distances_m[i - 1] != d) for i, d in enumerate(distances_m))
    if begins < 3 or not below or heard[-1] < 1.8 * below[-1]:
        return math.inf, ""
    value = f"{heard[-1] / unit_m:.10g}"
    typed = remedies.nothing.format(value)
    return heard[-1], f"{count} readings show one and the same far value, {value}: a time-out, no wall; type {typed}"


def _beyond(heard: Sequence[float], reach_m: float, remedies: Remedies) -> str:
    beyond = [d for d in heard if d >= reach_m]
    if not heard or len(beyond) <= TOO_FAR_SHARE * len(heard):
        return ""
    typed = remedies.reach.format(f"{math.ceil(max(beyond) * 10 + 0.5) / 10:g}")
    return (
        f"{len(beyond)} of {len(heard)} echoes ({100 * len(beyond) / len(heard):.0f} %) lie beyond the reach of "
        f"{reach_m:g} m and count as nothing heard; if it hears farther, type {typed}"
    )


def _ahead(angles_deg: Sequence[float], remedies: Remedies) -> str:
    if not angles_deg:
        return ""
    low, high = min(angles_deg), max(angles_deg)
    if low < -1.0:
        return f"angles go below 0, so 0 looks straight ahead; type {remedies.ahead.format(0)}"
    if len(angles_deg) < 8 or high - low < ONE_SIDED_DEG:
        return ""
    if low <= 5.0 and 85.0 <= high <= 95.0:
        words = f"angles lie between {low:g} and {high:g} only: the robot's right; if 0 looks ahead, type "
        return words + remedies.ahead.format(0)
    middle = (low + high) / 2.0
    if abs(middle - 90.0) > OFF_MIDDLE_DEG:
        words = f"the sweep's middle is {middle:g} degrees, not 90; if the head looks straight ahead there, type "
        return words + remedies.ahead.format(f"{middle:g}")
    return ""


def _unit(heard: Sequence[float], remedies: Remedies) -> str:
    wrong = usual_distances(heard)
    if wrong is None:
        return ""
    remedy = remedies.smaller if wrong[0] > FARTHEST_USUAL_M else remedies.larger
    return f"half of the distances are {wrong[1]}: the unit is wrong; type {remedy}"


def usual_distances(distances_m: Sequence[float]) -> tuple[float, str] | None:
    """Return None where distances are such as rangers measure, else their median [m] and what is odd about it.

    >>> usual_distances([0.5, 0.6, 0.7]), usual_distances([50.0, 60.0, 70.0])
    (None, (60.0, 'beyond 60 m, farther than such a ranger hears'))
    """
    heard = [d for d in distances_m if math.isfinite(d) and d > 0.0]
    if len(heard) < 3:
        return None
    middle = median(heard)
    if middle > FARTHEST_USUAL_M:
        return middle, f"beyond {middle:.0f} m, farther than such a ranger hears"
    if middle < NEAREST_USUAL_M:
        return middle, f"below {100 * middle:.1f} cm, nearer than such a ranger hears"
    return None


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
    for factor, unit in ((100.0, "m"), (0.01, "cm"), (10.0, "cm"), (0.1, "mm"), (2.54, "in"), (METRES_PER_MS, "ms")):
        if abs(ratio / factor - 1.0) <= 0.06:
            return f"the tape says {factor:.3g} times as far: the unit is another; type --distance-unit {unit}"
    if 0.8 <= ratio <= 1.25 and not times:
        return (
            f"the tape says {100 * (ratio - 1):+.1f} %: the robot's program divides echo times by another number "
            f"than 58, about {DIVISOR_US_PER_CM * ratio:.1f}; type --distance-scale {ratio:.3f}, "
            "or --us-per-cm and the number that stands in it"
        )
    if 0.8 <= ratio <= 1.25:
        return f"the tape says {100 * (ratio - 1):+.1f} %: what was measured? else type --distance-scale {ratio:.3f}"
    return f"the tape says {ratio:.2f} times as far: another thing, or another unit; see --distance-unit"


def flag_in(sentence: str) -> str:
    """Return the flag that a sentence says to type; empty where it names none.

    >>> flag_in(against_tape(0.17, 0.34))
    '--distance-scale 2'
    """
    found = re.search(r"type (--[a-z-]+ [\w.]+)", sentence)
    return found[1] if found else ""

"""Which number of a log's lines is the head angle, which the distance, which the clock: by name, else by how it moves.

Pure functions from parsed lines to a role for each field.  What units the fields have is `log_guess`'s business.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Sequence
from itertools import pairwise

from sonargrid.runs.log_lines import UNIT_WORDS, Row

ROLES = ("angle", "distance", "time", "skip")
FEW_RESTARTS = 0.1  # share of steps by which a clock may fall, each time that the robot starts anew; common practice

_ANGLE_NAMES = ("ang", "deg", "winkel", "servo", "pos", "bearing", "theta", "pan", "heading", "pulse", "pwm", "rad")
_DISTANCE_NAMES = ("dist", "range", "echo", "ping", "sonar", "entf", "cm", "mm", "inch", "abstand", "far", "us")
_TIME_NAMES = ("time", "millis", "clock", "ms", "sec", "stamp")


def role_of(name: str) -> str | None:
    """Return what a value of that name is, of `ROLES`; None where the name does not say.

    >>> role_of("winkel"), role_of("far cm"), role_of("x")
    ('angle', 'distance', None)
    """
    words = re.findall(r"[a-zµμ°\"]+", name)
    for role, known in (("time", _TIME_NAMES), ("angle", _ANGLE_NAMES), ("distance", _DISTANCE_NAMES)):
        if any(word.startswith(known) for word in words[:1]):
            return role
    if words[:1] == ["a"]:
        return "angle"
    if words[:1] in (["d"], ["r"]):
        return "distance"
    if words[:1] == ["t"]:
        return "time"
    unit = next((UNIT_WORDS[word] for word in words if word in UNIT_WORDS), None)
    if unit in {"deg", "rad"}:
        return "angle"
    return {"ms": "time", "s": "time"}.get(unit, "distance") if unit else None


def column_roles(rows: Sequence[Row], names: Sequence[str], said: list[str]) -> list[str]:
    """Return what each field is, by its name where it has one, else by how it moves; adds to `said` what is assumed.

    Raises
    ------
    ValueError
        If no field can be the angle, or none the distance.
    """
    width = len(names)
    roles = ["skip"] * width
    columns = [[row.values[i] for row in rows] for i in range(width)]
    counters = _counters(columns, names)
    for i, name in enumerate(names):
        role = role_of(name)
        if role is not None and role not in roles and i not in counters:
            roles[i] = role
    _not_by_name(roles, names, columns)
    _echo_times(roles, columns, said)
    said += [f"value {i + 1} of each line counts the lines and is left out" for i in counters]
    free = [i for i in range(width) if roles[i] == "skip" and i not in counters]
    if "time" not in roles and len(free) > 2 - ("angle" in roles) - ("distance" in roles):
        _clock_among(free, counters, roles, columns, said)
    if "angle" not in roles and free:
        best = max(free, key=lambda i: _evenness(columns[i]))
        roles[best] = "angle"
        free.remove(best)
        said.append(f"value {best + 1} of each line moves in even steps: it is the head angle")
    if "distance" not in roles and free:
        most = max(len(set(columns[i])) for i in free)
        best = next(i for i in free if 2 * len(set(columns[i])) >= most)
        roles[best] = "distance"
        said.append(f"value {best + 1} of each line is the distance")
    left_out = [str(i + 1) for i in range(width) if roles[i] == "skip" and i not in counters]
    if left_out:
        said.append(f"value {' and '.join(left_out)} of each line is left out")
    if "angle" not in roles or "distance" not in roles:
        raise ValueError("cannot tell which value is the angle and which the distance; say --columns angle,distance")
    return roles


def _clock_among(
    free: list[int], counters: Sequence[int], roles: list[str], columns: Sequence[Sequence[float]], said: list[str]
) -> None:
    """Take the first value without a name that always grows for the clock, if an angle and a distance remain."""
    rising = [i for i in free if len(columns[i]) > 3 and all(b > a for a, b in pairwise(columns[i]))]
    # a head that only turns up rises too: one value must be left that moves in even steps within what heads turn
    turning = [i for i in rising if _evenness(columns[i]) > 0.5 and _is_angle(columns[i])]
    clocks = [i for i in rising if i not in turning] or rising
    others = [i for i in range(len(columns)) if i not in clocks[:1] and i not in counters]
    even = "angle" in roles or any(_evenness(columns[i]) > 0.5 for i in others)
    if clocks and even and len(free) - 1 + ("angle" in roles) + ("distance" in roles) >= 2:
        roles[clocks[0]] = "time"
        free.remove(clocks[0])
        said.append(f"value {clocks[0] + 1} of each line always grows: it is the clock")


def _is_angle(values: Sequence[float]) -> bool:
    """Return whether numbers may be head angles: degrees or radians within a turn, or servo pulses."""
    low, high = min(values), max(values)
    return low >= -360.0 and (high <= 361.0 or (low >= 400.0 and high <= 2600.0))


def _echo_times(roles: list[str], columns: Sequence[Sequence[float]], said: list[str]) -> None:
    """Take a time that falls as often as an echo does for the distance, where no other value is called one."""
    if "distance" in roles or "time" not in roles:
        return
    at = roles.index("time")
    times = [value for value in columns[at] if math.isfinite(value)]
    falls = sum(b < a for a, b in pairwise(times))
    rises = sum(b > a for a, b in pairwise(times))
    if falls > max(1, FEW_RESTARTS * (falls + rises)):
        roles[at] = "distance"
        said.append(f"value {at + 1} of each line is a time that falls again: it is the echo's, not a clock's")


def _not_by_name(roles: list[str], names: Sequence[str], columns: Sequence[Sequence[float]]) -> None:
    """Take a name back that stands before the wrong number, as in ``dist(45)=32``."""
    if "angle" in roles or "distance" not in roles:
        return
    at = roles.index("distance")
    bare = not any(word in UNIT_WORDS for word in names[at].split())
    others = [i for i, role in enumerate(roles) if role == "skip"]
    if bare and _evenness(columns[at]) > 0.8 and any(_evenness(columns[i]) < 0.5 for i in others):
        roles[at] = "angle"


def _counters(columns: Sequence[Sequence[float]], names: Sequence[str]) -> list[int]:
    """Return the values that only number the lines: they grow by one, and another value is the angle by its name."""
    if len(columns) < 3 or len(columns[0]) < 4:
        return []
    ones = [i for i, values in enumerate(columns) if all(b - a == 1.0 for a, b in pairwise(values))]
    return [i for i in ones if any(role_of(name) == "angle" for j, name in enumerate(names) if j != i)]


def _evenness(values: Sequence[float]) -> float:
    """Return the share of steps that are the usual one, and not nought."""
    steps = [round(abs(b - a), 6) for a, b in pairwise(values) if math.isfinite(a) and math.isfinite(b)]
    moved = [step for step in steps if step > 0]
    return Counter(moved).most_common(1)[0][1] / len(values) if moved else 0.0

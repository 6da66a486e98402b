"""Stations and marks as they are typed: by coordinates, or by two tape distances from marks.

Metres and degrees as typed.  No numpy before something is typed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from sonargrid.errors import UsageProblem
from sonargrid.units import parse_length
from sonargrid_cli.log_options import numbers

if TYPE_CHECKING:
    from sonargrid.runs.readings import Mark, Station
    from sonargrid.runs.survey import Taped

STATION_FORMS = "NAME:x,y,heading or NAME:P=1.30,Q=1.10,left,facing=Q"
STATION_HINT = "such as --station A:0,0,90 or --station B:P=1.30,Q=1.10,left,facing=Q"


def marks_of(texts: Sequence[str] | None) -> tuple[Mark, ...]:
    """Return typed marks.

    Raises
    ------
    UsageProblem
        If one is not NAME:x,y or two have one name.
    """
    made = tuple(_mark(text) for text in texts or ())
    _refuse_twice("--mark", [mark.name for mark in made])
    return made


def _mark(text: str) -> Mark:
    from sonargrid.runs.readings import Mark

    name, colon, rest = text.partition(":")
    values = numbers("--mark", rest) if colon else None
    if values is None or len(values) != 2 or not all(map(math.isfinite, values)):
        raise UsageProblem(f"--mark is NAME:x,y, got '{text}'", hint="such as --mark P:0,0 --mark Q:2,0")
    return Mark(_name("--mark", name), *values)


def stations_of(
    texts: Sequence[str] | None, marks: Sequence[Mark] = (), tape_sigma_m: float | None = None
) -> tuple[Station | Taped, ...]:
    """Return typed stations; a taped one is tried out, so that it is refused here if it cannot be.

    Raises
    ------
    UsageProblem
        If one has neither form, two have one name, or a taped place cannot be worked out.
    """
    made = tuple(station_of(text, marks, tape_sigma_m) for text in texts or ())
    _refuse_twice("--station", [station.name for station in made])
    return made


def station_of(text: str, marks: Sequence[Mark] = (), tape_sigma_m: float | None = None) -> Station | Taped:
    """Return one typed station.

    Raises
    ------
    UsageProblem
        As `stations_of`.
    """
    from sonargrid.runs.readings import Station
    from sonargrid.runs.survey import TAPE_SIGMA_M, taped_station

    name, colon, rest = text.partition(":")
    if colon and "=" in rest:
        taped = _taped(_name("--station", name), rest, text)
        try:
            taped_station(taped, marks, TAPE_SIGMA_M if tape_sigma_m is None else tape_sigma_m)
        except ValueError as problem:
            hint = "measure again, or from marks that stand farther apart as seen from there"
            raise UsageProblem(f"station {taped.name}: {problem}", hint=hint) from None
        return taped
    values = numbers("--station", rest) if colon else None
    if not name or values is None or len(values) != 3 or not all(map(math.isfinite, values)):
        raise UsageProblem(f"--station is {STATION_FORMS}, got '{text}'", hint=STATION_HINT)
    return Station(_name("--station", name), values[0], values[1], math.radians(values[2]))


def _taped(name: str, rest: str, text: str) -> Taped:
    from sonargrid.runs.survey import Taped

    tapes: list[tuple[str, float]] = []
    side = facing = ""
    heading: float | None = None
    for part in (part.strip() for part in rest.split(",")):
        key, equals, value = (bit.strip() for bit in part.partition("="))
        if not equals:
            side = part
        elif key == "facing":
            facing = value
        elif key == "heading":
            heading = (numbers("--station", value) or (math.nan,))[0]
        else:
            tapes.append((key, _tape(value)))
    if len(tapes) != 2 or tapes[0][0] == tapes[1][0] or (not facing and heading is None):
        words = "needs two tape distances, a side, and facing=MARK or heading=DEGREES"
        raise UsageProblem(f"--station {words}, got '{text}'", hint=STATION_HINT)
    return Taped(name, (tapes[0], tapes[1]), side, facing, 90.0 if heading is None else heading)


def _tape(text: str) -> float:
    try:
        metres = parse_length(text)
    except ValueError as problem:
        raise UsageProblem(f"--station: {problem}") from None
    if not 0.0 < metres <= 100.0:
        raise UsageProblem(f"a tape distance lies between 0 and 100 m, got '{text}'")
    return metres


def _name(flag: str, name: str) -> str:
    from sonargrid.runs.run_keys import BadValue, checked_name

    try:
        return checked_name(name)
    except BadValue as bad:
        raise UsageProblem(f"{flag}: the name {bad.message}", hint=bad.hint) from None


def _refuse_twice(flag: str, names: Sequence[str]) -> None:
    if len(set(names)) < len(names):
        raise UsageProblem(f"two {flag} have one name", hint=f"{flag} A:... {flag} B:...")

"""Logs as understood -> a run: head angles from 0 to 180 with 90 ahead, one station a log, nothing lost.

Also the way to show it: the nearest thing in words, and the strip of range against angle in plain characters.
"""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median

import numpy as np

from sonargrid.runs.log_guess import DISTANCE_UNITS, METRES, LogGuess
from sonargrid.runs.readings import Air, Head, Ranger, Readings, Run, Station
from sonargrid.runs.run_saving import readings_csv, run_toml, write_new_folder
from sonargrid.runs.sweeps import derive
from sonargrid.units import RAD_PER_DEG

STRIP_STEP_DEG = 10
STRIP_COLUMNS = 60
SMALLEST_REACH_M = 1.0
AHEAD_WITHIN_DEG = 8.0


@dataclass(frozen=True, slots=True)
class Setup:
    """What the log cannot say; None = from the log.

    turns : +1 where growing angles turn left, -1 where they turn right
    ahead_deg : the log's angle that looks straight ahead
    distance_scale : a factor on all distances (2 for one-way times)
    """

    turns: int = 1
    ahead_deg: float | None = None
    reach_m: float | None = None
    temperature_c: float | None = None
    distance_scale: float = 1.0
    stations: tuple[Station, ...] = ()


@dataclass(frozen=True, slots=True)
class Imported:
    """A run made from logs, what was assumed for it, and the (log, line, text) that gave no reading."""

    run: Run
    assumptions: tuple[str, ...]
    unread: tuple[tuple[str, int, str], ...]


def import_logs(logs: Sequence[tuple[str, LogGuess]], setup: Setup) -> Imported:
    """Return the run that named logs make, a station each.

    Raises
    ------
    ValueError
        If logs have different units, no reading is left, or there are not as many stations as logs.
    """
    first = logs[0][1]
    for name, log in logs[1:]:
        if (log.angle_unit, log.distance_unit) != (first.angle_unit, first.distance_unit):
            raise ValueError(f"{name} is in other units than {logs[0][0]}; say --angle-unit and --distance-unit")
    if setup.stations and len(setup.stations) != len(logs):
        raise ValueError(f"{len(logs)} logs need {len(logs)} --station, got {len(setup.stations)}")
    said: list[str] = []
    ahead = _ahead(logs, setup, said)
    angles, distances, at, unread = _columns(logs, ahead, setup.distance_scale)
    if not angles:
        raise ValueError("no reading is left: are the angles degrees? say --angle-unit and --ahead")
    reach = _reach(distances, first.distance_unit, setup, said)
    sweep, turning = derive(np.array(angles), np.array(at))
    pulses = first.angle_unit == "pulse"
    rows = Readings(
        "pulse_us" if pulses else "angle_deg",
        DISTANCE_UNITS[first.distance_unit],
        np.array(angles),
        np.array(distances),
        np.array(at, dtype=np.int32),
        sweep,
        turning,
    )
    stations = setup.stations or tuple(Station(_letter(i), *_apart(i)) for i in range(len(logs)))
    if not setup.stations and len(logs) > 1:
        said.append("the stations stand in a row, 0.5 m apart; say --station NAME:x,y,heading once for each log")
    air, origins = Air(), {"ranger.reach_m": "import", "head.turns": "import"}
    if setup.temperature_c is None:
        said.append("the air is at 20 degC")
    else:
        air, origins["air.temperature_c"] = Air(setup.temperature_c), "import"
    head = Head(turns=setup.turns)
    if pulses:
        head = Head(pulse_us_per_deg=setup.turns * Head().pulse_us_per_deg)
        origins["head.pulse_us_per_deg"] = "import"
    own = _unstated(stations)
    run = Run(rows, stations, air, Ranger(reach_m=reach), head, origins=origins, assumed=own)
    return Imported(run, tuple(said), tuple(unread))


def _unstated(stations: Sequence[Station]) -> tuple[str, ...]:
    """Return the sigmas that no log states, so that the run does not claim them."""
    own = [f"station.{s.name}.{key}" for s in stations for key in ("position_sigma_m", "heading_sigma_deg")]
    return ("air.temperature_sigma_c", "ranger.range_sigma_m", "head.angle_sigma_deg", *own)


def _letter(i: int) -> str:
    return chr(ord("A") + i) if i < 26 else f"S{i + 1}"


def _apart(i: int) -> tuple[float, float]:
    return 0.5 * i, 0.0


def _ahead(logs: Sequence[tuple[str, LogGuess]], setup: Setup, said: list[str]) -> float:
    """Return the log's angle that looks ahead [deg]."""
    if setup.ahead_deg is not None:
        return setup.ahead_deg
    lowest = min((angle for _, log in logs for angle in log.angles), default=0.0)
    if logs[0][1].angle_unit != "pulse" and lowest < (-0.02 if logs[0][1].angle_unit == "rad" else -1.0):
        said.append("angles go below 0, so 0 looks straight ahead")
        return 0.0
    said.append("90 degrees look straight ahead" if logs[0][1].angle_unit != "pulse" else "1500 us look ahead")
    return 90.0


def _columns(
    logs: Sequence[tuple[str, LogGuess]], ahead_deg: float, scale: float
) -> tuple[list[float], list[float], list[int], list[tuple[str, int, str]]]:
    """Return angles, distances, stations and what is left over; angles outside the head's half circle are left over."""
    angles, distances, at, unread = [], [], [], []
    for i, (name, log) in enumerate(logs):
        unread += [(name, line, text) for line, text in log.unread]
        low, high = (400.0, 2600.0) if log.angle_unit == "pulse" else (0.0, 180.0)
        for angle, distance, line, text in zip(log.angles, log.distances, log.lines, log.texts, strict=True):
            value = angle / RAD_PER_DEG if log.angle_unit == "rad" else angle
            if log.angle_unit != "pulse":
                value = round(value - ahead_deg + 90.0, 6)
            if low <= value <= high and not distance <= 0.0:
                angles.append(value)
                distances.append(distance * scale)
                at.append(i)
            else:
                unread.append((name, line, text))
    return angles, distances, at, unread


def _reach(distances: Sequence[float], unit: str, setup: Setup, said: list[str]) -> float:
    if setup.reach_m is not None:
        return setup.reach_m
    farthest = max((d * METRES[unit] for d in distances if math.isfinite(d)), default=0.0)
    reach = max(SMALLEST_REACH_M, min(100.0, math.ceil(farthest * 10.5) / 10.0))
    said.append(f"the ranger hears as far as {reach:g} m (the farthest echo is {farthest:.2f} m)")
    return reach


def head_view(run: Run) -> tuple[list[float], list[float]]:
    """Return (degrees left of straight ahead, metres) of each reading, by the run's own head settings."""
    angle = run.readings.angle
    if run.readings.angle_column == "pulse_us":
        angle = 90.0 + (angle - run.head.pulse_centre_us) / run.head.pulse_us_per_deg
    unit = next(u for u, column in DISTANCE_UNITS.items() if column == run.readings.distance_column)
    left = run.head.turns * (angle - run.head.ahead_rad / RAD_PER_DEG)
    return left.tolist(), (run.readings.distance * METRES[unit]).tolist()


def nearest_words(run: Run) -> tuple[str, float]:
    """Return where the nearest thing off to a side is, in words, and how far [m]; nan where nothing was heard."""
    seen = [(d, a) for a, d in zip(*head_view(run), strict=True) if math.isfinite(d) and d < run.ranger.reach_m]
    if not seen:
        return "nothing was heard at all", math.nan
    aside = [one for one in seen if abs(one[1]) > AHEAD_WITHIN_DEG]
    distance, left = min(aside or seen)
    side = "LEFT" if left > AHEAD_WITHIN_DEG else "RIGHT" if left < -AHEAD_WITHIN_DEG else "straight ahead"
    where = f"on your robot's {side}" if side.isupper() else side
    of = "the nearest thing" if min(seen)[0] == distance else "the nearest thing off to a side"
    return f"{of} is {where}, {100 * distance:.0f} cm away", distance


def strip(run: Run, station: int = 0) -> str:
    """Return range against angle of one station as lines of plain characters, left at the top, 80 columns."""
    here = run.readings.station == station
    bins: dict[int, list[float]] = {}
    for (angle, metres), mine in zip(zip(*head_view(run), strict=True), here.tolist(), strict=True):
        if mine:
            bins.setdefault(round(angle / STRIP_STEP_DEG), []).append(metres)
    lines = []
    for step in sorted(bins, reverse=True):
        heard = [d for d in bins[step] if math.isfinite(d) and d < run.ranger.reach_m]
        side = "left" if step > 0 else "right" if step < 0 else "ahead"
        label = f"{side:>5} {abs(step) * STRIP_STEP_DEG:3d} "
        if 2 * len(heard) < len(bins[step]):
            lines.append(label + "~ " * (STRIP_COLUMNS // 4) + "nothing heard")
            continue
        middle = median(heard)
        dots = int(STRIP_COLUMNS * middle / run.ranger.reach_m)
        lines.append(f"{label}{'-' * dots}# {middle:.2f} m")
    return "\n".join(lines)


def save_import(done: Imported, path: str | os.PathLike[str]) -> Path:
    """Write the run as a new folder, and what could not be read beside it as unread.txt.

    Raises
    ------
    OutputProblem
        If something is there already, or the place cannot be written to.
    """
    texts = {"run.toml": run_toml(done.run), "readings.csv": readings_csv(done.run)}
    if done.unread:
        texts["unread.txt"] = "".join(f"{name} line {line}: {words.rstrip()}\n" for name, line, words in done.unread)
    return write_new_folder(texts, path)

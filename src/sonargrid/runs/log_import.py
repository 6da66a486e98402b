"""Logs as understood -> a run: head angles from 0 to 180 with 90 ahead, one station a log, nothing lost.

Also the way to show it: the nearest thing in words, and the strip of range against angle in plain characters.
"""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import median

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.runs.calibration import read_distance_m
from sonargrid.runs.first_faults import AHEAD_WITHIN_DEG, side_words
from sonargrid.runs.log_guess import DISTANCE_UNITS, METRES, LogGuess
from sonargrid.runs.nearest_echo import nearest_echo
from sonargrid.runs.readings import Air, Head, Mark, Ranger, Readings, Run, Station
from sonargrid.runs.run_saving import readings_csv, run_toml, write_new_folder
from sonargrid.runs.sweeps import derive
from sonargrid.units import RAD_PER_DEG

STRIP_STEP_DEG = 10
STRIP_COLUMNS = 60
SMALLEST_REACH_M = 1.0
ROUNDED_DEG = 0.05  # so far beyond its limits an angle is rounded badly, not wrong
RESTART_S = 1.0  # a restarted clock goes on so much later


@dataclass(frozen=True, slots=True)
class Setup:
    """What the log cannot say; None = from the log.

    turns : +1 where growing angles turn left, -1 where they turn right
    ahead_deg : the log's angle that looks straight ahead
    distance_scale : a factor on all distances (2 for one-way times)
    us_per_cm : the divisor that the robot's program used for distances
    marks : what stations were measured from by tape
    taped : names of the stations whose sigmas follow from the tape
    """

    turns: int = 1
    ahead_deg: float | None = None
    reach_m: float | None = None
    temperature_c: float | None = None
    distance_scale: float = 1.0
    stations: tuple[Station, ...] = ()
    us_per_cm: float | None = None
    marks: tuple[Mark, ...] = ()
    taped: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Imported:
    """A run made from logs, what was assumed, each (log, line, text) without a reading, and what angle looks ahead."""

    run: Run
    assumptions: tuple[str, ...]
    unread: tuple[tuple[str, int, str], ...]
    ahead_deg: float = 90.0


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
    ahead, whole_turn = _ahead(logs, setup, said)
    taken, unread = _taken(logs, ahead, whole_turn)
    if not taken:
        raise ValueError("no reading is left: are the angles degrees? say --angle-unit and --ahead")
    angles, distances, clocks, at = map(list, zip(*taken, strict=True))
    distances = [distance * setup.distance_scale for distance in distances]
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
        _clock(clocks, at, said),
    )
    stations = setup.stations or tuple(Station(_letter(i), *_apart(i)) for i in range(len(logs)))
    if not setup.stations and len(logs) > 1:
        said.append("the stations stand in a row, 0.5 m apart; say --station NAME:x,y,heading once for each log")
    return Imported(_run(rows, stations, reach, setup, said), tuple(said), tuple(unread), ahead)


def _run(rows: Readings, stations: tuple[Station, ...], reach_m: float, setup: Setup, said: list[str]) -> Run:
    """Return the run with the settings that are known; adds to `said` what is assumed."""
    origins = {"ranger.reach_m": "import", "head.turns": "import"}
    air, ranger, head = Air(), Ranger(reach_m=reach_m), Head(turns=setup.turns)
    if setup.temperature_c is None:
        said.append("the air is at 20 degC")
    else:
        air, origins["air.temperature_c"] = Air(setup.temperature_c), "import"
    if setup.us_per_cm is not None and rows.distance_column != "echo_us":
        ranger = replace(ranger, assumed_sound_speed_m_s=20000.0 / setup.us_per_cm)
        origins["ranger.assumed_sound_speed_m_s"] = "import"
    if rows.angle_column == "pulse_us":
        head = Head(pulse_us_per_deg=setup.turns * Head().pulse_us_per_deg)
        origins["head.pulse_us_per_deg"] = "import"
    own = _unstated([s for s in stations if s.name not in setup.taped])
    return Run(rows, stations, air, ranger, head, marks=setup.marks, origins=origins, assumed=own)


def _clock(clocks: Sequence[float], at: Sequence[int], said: list[str]) -> Floats | None:
    """Return the clock of each reading [s], made to rise where the robot began anew; None where there is none."""
    if not all(map(math.isfinite, clocks)):
        return None
    rising, shift, restarts = list(clocks), 0.0, 0
    for i in range(1, len(rising)):
        if at[i] != at[i - 1]:
            shift = 0.0
        elif clocks[i] < clocks[i - 1]:
            shift += clocks[i - 1] - clocks[i] + RESTART_S
            restarts += 1
        rising[i] = clocks[i] + shift
    if restarts:
        said.append(f"the clock goes back {restarts} times (a restart?): it is counted on, {RESTART_S:g} s later")
    return np.round(np.array(rising), 6)


def _unstated(stations: Sequence[Station]) -> tuple[str, ...]:
    """Return the sigmas that no log states, so that the run does not claim them."""
    own = [f"station.{s.name}.{key}" for s in stations for key in ("position_sigma_m", "heading_sigma_deg")]
    return ("air.temperature_sigma_c", "ranger.range_sigma_m", "head.angle_sigma_deg", *own)


def _letter(i: int) -> str:
    return chr(ord("A") + i) if i < 26 else f"S{i + 1}"


def _apart(i: int) -> tuple[float, float]:
    return 0.5 * i, 0.0


def _ahead(logs: Sequence[tuple[str, LogGuess]], setup: Setup, said: list[str]) -> tuple[float, bool]:
    """Return the log's angle that looks ahead [deg], and whether angles run round a whole turn (350 is -10)."""
    unit = logs[0][1].angle_unit
    if unit == "pulse":
        said.append("1500 us look ahead")
        return 90.0, False
    angles = [angle / RAD_PER_DEG if unit == "rad" else angle for _, log in logs for angle in log.angles]
    whole_turn = bool(angles) and max(angles) > 181.0 and all(-1.0 <= a <= 91.0 or 269.0 <= a <= 361.0 for a in angles)
    if setup.ahead_deg is not None:
        return setup.ahead_deg, whole_turn
    if whole_turn:
        said.append("angles above 180 are those of a whole turn: 350 is -10, and 0 looks straight ahead")
        return 0.0, True
    if min(angles, default=0.0) < -1.0:
        said.append("angles go below 0, so 0 looks straight ahead")
        return 0.0, False
    low, high = min(angles, default=0.0), max(angles, default=180.0)
    if high > 180.5 and high - low <= 180.5:
        middle = round((low + high) / 2.0, 3)
        said.append(f"angles run from {low:g} to {high:g}: their middle, {middle:g}, looks straight ahead")
        return middle, False
    said.append("90 degrees look straight ahead")
    return 90.0, False


def _taken(
    logs: Sequence[tuple[str, LogGuess]], ahead_deg: float, whole_turn: bool
) -> tuple[list[tuple[float, float, float, int]], list[tuple[str, int, str]]]:
    """Return (angle, distance, clock, station) of each reading, and what is left over: outside the half circle."""
    taken, unread = [], []
    for i, (name, log) in enumerate(logs):
        unread += [(name, line, text) for line, text in log.unread]
        low, high = (400.0, 2600.0) if log.angle_unit == "pulse" else (0.0, 180.0)
        times = log.times or (math.nan,) * len(log.angles)
        for angle, distance, clock, line, text in zip(
            log.angles, log.distances, times, log.lines, log.texts, strict=True
        ):
            value = angle / RAD_PER_DEG if log.angle_unit == "rad" else angle
            if log.angle_unit != "pulse":
                value = round((value - 360.0 if whole_turn and value > 180.0 else value) - ahead_deg + 90.0, 6)
            if low - ROUNDED_DEG <= value <= high + ROUNDED_DEG:
                value = min(max(value, low), high)  # pi / 2 with four places is more than 90 degrees
            if low <= value <= high and not distance <= 0.0:
                taken.append((value, distance, clock, i))
            else:
                unread.append((name, line, text))
    return taken, unread


def _reach(distances: Sequence[float], unit: str, setup: Setup, said: list[str]) -> float:
    if setup.reach_m is not None:
        return setup.reach_m
    farthest = max((d * METRES[unit] for d in distances if math.isfinite(d)), default=0.0)
    reach = max(SMALLEST_REACH_M, min(100.0, math.ceil(farthest * 10.5) / 10.0))
    said.append(f"the ranger hears as far as {reach:g} m (the farthest echo is {farthest:.2f} m)")
    return reach


def head_view(run: Run) -> tuple[list[float], list[float]]:
    """Return (degrees left of straight ahead, metres) of each reading, by the run's own head and air."""
    angle = run.readings.angle
    if run.readings.angle_column == "pulse_us":
        angle = 90.0 + (angle - run.head.pulse_centre_us) / run.head.pulse_us_per_deg
    left = run.head.turns * (angle - run.head.ahead_rad / RAD_PER_DEG)
    if run.readings.angle_column == "bearing_deg":
        left = angle
    return left.tolist(), read_distance_m(run).tolist()


def nearest_thing(run: Run) -> tuple[float, float]:
    """Return how far the nearest thing is [m], off to a side if there is one, and how far left [deg]; nan: nothing."""
    left, metres = (np.asarray(values) for values in head_view(run))
    heard = np.isfinite(metres) & (metres < run.ranger.reach_m)
    aside = heard & (np.abs(left) > AHEAD_WITHIN_DEG)
    at = nearest_echo(run.readings.station, left, metres, aside if aside.any() else heard, run.readings.count)
    return (math.nan, 0.0) if at is None else (float(metres[at]), float(left[at]))


def nearest_words(run: Run) -> tuple[str, float]:
    """Return where the nearest thing off to a side is, in words, and how far [m]; nan where nothing was heard."""
    distance, left = nearest_thing(run)
    if math.isnan(distance):
        return "nothing was heard at all", math.nan
    nearer = any(d < distance for d in head_view(run)[1])
    of = "the nearest thing off to a side" if nearer else "the nearest thing"
    return f"{of} is {side_words(left)}, {100 * distance:.0f} cm away", distance


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

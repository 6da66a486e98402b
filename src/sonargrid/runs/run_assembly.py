"""The rows of a CSV and the stations of a run.toml, put together: readings, warnings, the part that was asked for."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from sonargrid.arrays import Bools, Ints
from sonargrid.errors import Fault, InputFaults, UsageProblem
from sonargrid.physics.air import outside_stated_air
from sonargrid.runs.calibration import read_distance_m
from sonargrid.runs.calibration_files import CalibrationFile
from sonargrid.runs.csv_rows import Rows
from sonargrid.runs.first_look import first_look
from sonargrid.runs.pose_stations import PoseStations
from sonargrid.runs.readings import Readings, Run, Station, number_of
from sonargrid.runs.run_keys import nearest, shown
from sonargrid.runs.run_toml import Findings
from sonargrid.runs.sweeps import against_angles, backwards, derive, sweep_rate
from sonargrid.units import RAD_PER_DEG

TOO_MANY_BEYOND = 0.2  # share of finite distances beyond reach at which the reach is probably wrong

OTHER_RATE = 0.2  # a sweep rate this share apart has another lag; common practice, no source


def run_readings(
    rows: Rows, stations: Sequence[Station], declared: Iterable[str], file: str, findings: Findings
) -> tuple[Readings, Sequence[Station]] | None:
    """Return the readings and the stations they were taken at; None if a row's station is not known.

    declared : names of all stations of run.toml, faulty ones included
    """
    if rows.pose is not None:
        index, stations = _poses(rows)
        group = np.zeros(len(rows), dtype=np.int32)  # one head all along
    else:
        found = _station_index(rows, stations, frozenset(declared), file, findings)
        if found is None:
            return None
        index = group = found
    if rows.count is None:
        sweep, turning = derive(rows.angle, group, rows.time_s, rows.sweep, rows.turning)
    else:
        # one zero seen many times takes no memory
        sweep, turning = (np.broadcast_to(np.zeros(1, dtype), len(rows)) for dtype in (np.int32, np.int8))
        turning = turning if rows.turning is None else rows.turning
    if rows.angle_column == "bearing_deg" and rows.turning is None:
        turning = np.zeros(len(rows), dtype=np.int8)  # a ring has no servo
    for array in (rows.angle, rows.distance, index, sweep, turning, rows.time_s, rows.count):
        if array is not None and array.flags.writeable:
            array.flags.writeable = False  # they are ours: the record need not copy them
    readings = Readings(
        angle_column=rows.angle_column,
        distance_column=rows.distance_column,
        angle=rows.angle,
        distance=rows.distance,
        station=index,
        sweep=sweep,
        turning=turning,
        time_s=rows.time_s,
        count=rows.count,
    )
    return readings, stations


def _poses(rows: Rows) -> tuple[Ints, PoseStations]:
    """Return each row's pose number and the poses as stations, numbered by first appearance."""
    assert rows.pose is not None
    _, first, inverse = np.unique(rows.pose, axis=0, return_index=True, return_inverse=True)
    rank = np.empty(first.size, dtype=np.int32)
    order = np.argsort(first)
    rank[order] = np.arange(first.size)
    places = rows.pose[first[order]]
    return rank[inverse.reshape(-1)], PoseStations(places * (1.0, 1.0, RAD_PER_DEG))


def _station_index(
    rows: Rows, stations: Sequence[Station], declared: frozenset[str], file: str, findings: Findings
) -> Ints | None:
    """Return the index of each row's station; None where that is not known."""
    if rows.station is None:
        if len(declared) > 1:
            words = f"no column `station`, but the run has {len(declared)}: {_listed(declared)}"
            findings.faults.append(
                Fault(words, "add a column with the name of each row's station", file, None, "station")
            )
            return None
        return np.zeros(len(rows), dtype=np.int32)
    places = {station.name: i for i, station in enumerate(stations)}
    number = np.empty(len(rows.station_names), dtype=np.int32)
    known = True
    for i, name in enumerate(rows.station_names):
        if not name and len(declared) == 1:
            number[i] = 0
        elif name in declared:
            number[i] = places.get(name, 0)  # a faulty station has told its faults already
        else:
            known = False
            _unknown_station(rows, i, declared, file, findings)
    return number[rows.station] if known else None


def _unknown_station(rows: Rows, number: int, declared: frozenset[str], file: str, findings: Findings) -> None:
    readings, line = rows.naming(number)
    name = rows.station_names[number]
    words = f"unknown station {shown(name)}" if name else "the cell is empty, and the run has several stations"
    if readings > 1:
        words += f" ({readings} readings name it)" if name else f" ({readings} such readings)"
    close = _alike(name, declared)
    add = "add a [[station]] of this name to run.toml" if name else "write the name of the station"
    hint = f"did you mean {close}?" if close and name else f"{add}; known: {_listed(declared)}"
    findings.faults.append(Fault(words, hint, file, line, "station"))


def _alike(name: str, declared: Iterable[str]) -> str | None:
    """Return the declared name that a mistyped one probably means."""
    names = sorted(declared)
    same = [known for known in names if known.lower() == name.lower()]
    return same[0] if same else nearest(name, tuple(names))


def _listed(names: Iterable[str]) -> str:
    ordered = sorted(names)
    return ", ".join(ordered[:8]) + (f" and {len(ordered) - 8} more" if len(ordered) > 8 else "")


def row_warnings(run: Run, rows: Rows, declared: tuple[Station, ...], asked: Sequence[str] = ()) -> list[str]:
    """Return sentences on what in the rows of a whole run is odd but can be read.

    declared : the stations of run.toml
    asked : names of the stations that will be kept; empty = all
    """
    readings = run.readings
    group = np.zeros(len(rows), dtype=np.int32) if run.moving else readings.station
    said: list[str] = []
    if run.moving and any(f"station.{station.name}.name" in run.origins for station in declared):
        said.append("Every row has its own pose, so the [[station]] tables of run.toml are not used.")
    if not run.moving and len(run.stations) > 1:
        heard = np.bincount(readings.station, minlength=len(run.stations)) > 0
        silent = [station.name for station, any_ in zip(run.stations, heard.tolist(), strict=True) if not any_]
        said += [f"Station {name} has no readings." for name in silent if not asked or name in asked]
    times, line = rows.clock_back
    if rows.time_s is not None and (back := backwards(group, rows.time_s)).size:
        times, line = back.size, rows.line_of(int(back[0]))
    if times:
        said.append(f"time_s goes backwards {_times(times)}, first at line {line}.")
    times, line = rows.turned_back
    if rows.turning is not None and rows.count is None:
        wrong = against_angles(readings.angle, group, readings.sweep, readings.turning, readings.time_s)
        times, line = (wrong.size, rows.line_of(int(wrong[0]))) if wrong.size else (0, 0)
    if times:
        said.append(f"turning is against the angles {_times(times)}, first at line {line}.")
    return said


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def physics_warnings(run: Run) -> list[str]:
    """Return sentences on air, beam and reach that may make a run's ranges or map wrong."""
    said = []
    air, ranger = run.air, run.ranger
    logged = run.readings.distance_column != "echo_us"
    if outside_stated_air(air.temperature_c, air.pressure_kpa):
        said.append(
            f"The sound speed is stated for 0 to 30 degC and 75 to 102 kPa; this run has {air.temperature_c:g} degC "
            f"and {air.pressure_kpa:g} kPa, so ranges may be off."
        )
    if logged and ranger.assumed_sound_speed_m_s is None:
        said.append(
            "Distances are taken as they were logged, air temperature is not used: state ranger.us_per_cm (the "
            "divisor the firmware used, often 58: --set ranger.us_per_cm=58) or ranger.assumed_sound_speed_m_s to "
            "correct them."
        )
    if not logged and ranger.assumed_sound_speed_m_s is not None:
        said.append("ranger.us_per_cm or assumed_sound_speed_m_s is not used: the readings are echo times already.")
    if ranger.half_beam_rad is None and not ranger.half_beam_table:
        said.append(
            "The half beam is not stated (ranger.half_beam_deg or --half-beam): it is fitted from the run where the "
            "solver can, else taken as 25 degrees."
        )
    seen = first_look(run)
    known, beyond = _beyond(run)
    said += [f"{text[:1].upper()}{text[1:]}." for text in seen.sentences if "lie beyond the reach" not in text]
    if known and beyond > TOO_MANY_BEYOND * known and not seen.explains_beyond:
        said.append(
            f"{beyond} of {known} distances ({100 * beyond / known:.0f} %) lie beyond the reach of "
            f"{ranger.reach_m:g} m and count as silent; if the ranger hears farther, give --reach (ranger.reach_m)."
        )
    return said


def _beyond(run: Run) -> tuple[int, int]:
    """Return how many distances are finite, and how many of them lie at or beyond reach as read or as calibrated."""
    ranger, distance = run.ranger, run.readings.distance
    count = run.readings.count
    silent = number_of(np.isposinf(distance), count)
    known = number_of(np.isfinite(distance), count)
    unit_m = float(read_distance_m(run, np.ones(1))[0])
    limit = min(ranger.reach_m, (ranger.reach_m - ranger.range_bias_m) / ranger.range_scale) / unit_m
    return known, number_of(distance >= limit, count) - silent


def chosen_part(run: Run, stations: Sequence[str], sweeps: Sequence[int], file: str) -> Run:
    """Return the part of a run with the stations and sweeps asked for; all where none is named.

    Raises
    ------
    UsageProblem
        If the run has no such station or sweep.
    InputFaults
        If nothing is left in which anything was measured.
    """
    readings = run.readings
    keep = np.ones(len(readings), dtype=np.bool_)
    if stations:
        names = [station.name for station in run.stations]
        for name in stations:
            if name not in names:
                raise UsageProblem(f"--stations: the run has no station {name!r}", hint=f"it has: {_listed(names)}")
        keep &= np.isin(readings.station, [names.index(name) for name in stations])
    if sweeps:
        there = set(np.unique(readings.sweep).tolist())
        for number in sweeps:
            if number not in there:
                hint = f"it has: {', '.join(str(n) for n in sorted(there)[:12])}{' ...' if len(there) > 12 else ''}"
                raise UsageProblem(f"--sweeps: the run has no sweep {number}", hint=hint)
        keep &= np.isin(readings.sweep, list(sweeps))
    if stations or sweeps:
        run = _cut(run, keep, stations)
    if not len(run.readings):
        raise InputFaults([Fault("no reading at all in the stations and sweeps asked for", "leave one out", file)])
    _refuse_void(run, file)
    return run


def _cut(run: Run, keep: Bools, stations: Sequence[str]) -> Run:
    left = run.readings
    kept, number = run.stations, np.arange(len(run.stations), dtype=np.int32)
    if stations:
        places = [i for i, station in enumerate(run.stations) if station.name in stations]
        kept = tuple(run.stations[i] for i in places)
        number[places] = np.arange(len(places))
    readings = Readings(
        angle_column=left.angle_column,
        distance_column=left.distance_column,
        angle=left.angle[keep],
        distance=left.distance[keep],
        station=number[left.station[keep]],
        sweep=left.sweep[keep],
        turning=left.turning[keep],
        time_s=None if left.time_s is None else left.time_s[keep],
        count=None if left.count is None else left.count[keep],
    )
    return replace(run, readings=readings, stations=kept)


def _refuse_void(run: Run, file: str) -> None:
    """Refuse a run in which even the largest distance is no measurement."""
    distance, ranger = run.readings.distance, run.ranger
    largest = np.fmax.reduce(distance)
    metres = float(read_distance_m(run, np.array([largest]))[0])
    range_m = ranger.range_scale * metres + ranger.range_bias_m
    if range_m >= ranger.blind_zone_m or metres >= ranger.reach_m:
        return
    missing = number_of(np.isnan(distance), run.readings.count)
    near = run.readings.taken - missing
    words = f"not one measurement: {missing} readings are nan, {near} lie inside the blind zone"
    raise InputFaults([Fault(words, "is the distance column in the unit that its name says?", file)])


def rate_warnings(run: Run, calibrations: Sequence[CalibrationFile]) -> tuple[str, ...]:
    """Return a sentence where the head's play and lag were measured at another sweep rate than this run's."""
    rated = [(one.file, one.sweep_rate_deg_s) for one in calibrations if one.sweep_rate_deg_s is not None]
    rows = run.readings
    if not rated or rows.time_s is None:
        return ()
    degrees = rows.angle / abs(run.head.pulse_us_per_deg) if rows.angle_column == "pulse_us" else rows.angle
    rate = sweep_rate(degrees, rows.station, rows.sweep, rows.time_s)
    return tuple(
        f"{file}: backlash was measured at {there:.3g} degrees a second, this run turns at {rate:.3g}; "
        "a head lags by its own rate, so calibrate it at this one"
        for file, there in rated
        if rate is not None and abs(rate / there - 1.0) > OTHER_RATE
    )

"""Several recordings of one floor as one run: their stations side by side, their readings one after the other.

What belongs to the robot (ranger, head, disc) must be the same in all; the air may differ, since distances can be
corrected recording by recording.  Stations of one name but different places get their run's name added.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from sonargrid.arrays import Ints
from sonargrid.errors import SonargridError
from sonargrid.runs.calibration import commanded_rad, read_distance_m
from sonargrid.runs.readings import Ranger, Readings, Run, Station

OF_THE_ROBOT = ("ranger", "head", "robot")
OF_THE_FILE = ("label", "assumed_sound_speed_m_s", "no_echo_at")  # undone recording by recording, or long since read


@dataclass(frozen=True, slots=True)
class _Places:
    """The stations of all runs, and for each run the new index of each of its own."""

    stations: tuple[Station, ...]
    index: tuple[tuple[int, ...], ...]
    notes: tuple[str, ...]


def joined_run(runs: Sequence[Run], name: str = "together") -> Run:
    """Return several recordings of one floor as one run, with sentences about it among its warnings.

    Parameters
    ----------
    runs : sequence of Run
        Two or more, all on the same floor axes.
    name : str
        Of the new run.

    Raises
    ------
    ValueError
        If there are fewer than two runs.
    SonargridError
        If ranger, head or robot differ (each difference is named), or rings are mixed with heads.

    Examples
    --------
    >>> rows = Readings("angle_deg", "range_cm", [80.0, 90.0], [50.0, 60.0], [0, 0], [0, 0], [1, 1])
    >>> a, b = Run(rows, (Station("A"),), name="a"), Run(rows, (Station("A", 0.5),), name="b")
    >>> both = joined_run([a, b])
    >>> [station.name for station in both.stations], len(both.readings), both.readings.sweep.tolist()
    (['A', 'A b'], 4, [0, 0, 1, 1])
    """
    if len(runs) < 2:
        raise ValueError(f"joining takes two runs or more, got {len(runs)}")
    _refuse_differences(runs)
    places = _places(runs)
    rows, ranger = _rows(runs, places)
    targets = tuple(dict.fromkeys(target for run in runs for target in run.targets))
    marks = tuple({mark.name: mark for run in runs for mark in run.marks}.values())
    titles = [run.title or run.name for run in runs]
    warnings = tuple(dict.fromkeys((*(words for run in runs for words in run.warnings), *places.notes)))
    return replace(
        runs[0],
        readings=rows,
        stations=places.stations,
        ranger=ranger,
        targets=targets,
        marks=marks,
        name=name,
        title=" + ".join(dict.fromkeys(titles)),
        notes="",
        recorded_at="",
        moving=any(run.moving for run in runs),
        assumed=tuple(dict.fromkeys(key for run in runs for key in run.assumed)),
        warnings=warnings,
        digest="",
        path="",
    )


def _refuse_differences(runs: Sequence[Run]) -> None:
    """Refuse runs of different robots: one map cannot be made with two rangers' settings."""
    first, found = runs[0], []
    for run in runs[1:]:
        for section in OF_THE_ROBOT:
            one, other = getattr(first, section), getattr(run, section)
            for field in fields(one):
                a, b = getattr(one, field.name), getattr(other, field.name)
                if a != b and field.name not in OF_THE_FILE:
                    found.append(f"{section}.{field.name} is {a} in {first.name} and {b} in {run.name}")
    if found:
        raise SonargridError(
            f"the runs are not of one robot: {'; '.join(found)}",
            hint="mend the run.toml that is wrong, or merge the maps without the runs",
        )
    rings = {run.readings.angle_column == "bearing_deg" for run in runs}
    if len(rings) > 1:
        raise SonargridError("a ring of rangers and a turning head cannot be one run", hint="merge the maps alone")


def _places(runs: Sequence[Run]) -> _Places:
    """Return every place once; the same name at another place gets the run's name added."""
    stations: list[Station] = []
    index: list[tuple[int, ...]] = []
    notes: list[str] = []
    for run in runs:
        own = []
        for station in run.stations:
            if station in stations:
                notes.append(f"station {station.name} of {run.name} is taken for the same place as before")
            else:
                taken = {one.name for one in stations}
                stations.append(replace(station, name=_free_name(station.name, run.name, taken)))
            own.append(stations.index(station) if station in stations else len(stations) - 1)
        index.append(tuple(own))
    return _Places(tuple(stations), tuple(index), tuple(notes))


def _free_name(name: str, run_name: str, taken: set[str]) -> str:
    """Return a station's name that nobody has yet, 64 characters at most."""
    if name not in taken:
        return name
    wanted = f"{name} {run_name}"[:60]
    return (
        wanted
        if wanted not in taken
        else next(f"{wanted} {number}" for number in range(2, 10_000) if f"{wanted} {number}" not in taken)
    )


def _rows(runs: Sequence[Run], places: _Places) -> tuple[Readings, Ranger]:
    """Return all readings, in the columns that all share or else in degrees and metres, and the ranger they fit."""
    first = runs[0]
    raw_angle = len({run.readings.angle_column for run in runs}) == 1
    speeds = {(run.air, run.ranger.assumed_sound_speed_m_s, run.readings.distance_column) for run in runs}
    raw_distance = len(speeds) == 1
    ranger = replace(first.ranger, no_echo_at=())
    if not raw_distance:
        ranger = replace(ranger, assumed_sound_speed_m_s=None)
    angles = [run.readings.angle if raw_angle else np.degrees(commanded_rad(run)) for run in runs]
    distances = [run.readings.distance if raw_distance else read_distance_m(run) for run in runs]
    turned = [run.readings.turning * (1 if raw_angle else _sense(run)) for run in runs]
    stations = [np.asarray(own)[run.readings.station] for run, own in zip(runs, places.index, strict=True)]
    sweeps: list[Ints] = []
    for run in runs:
        before = max((int(sweep.max()) + 1 for sweep in sweeps if sweep.size), default=0)
        sweeps.append(run.readings.sweep - int(run.readings.sweep.min(initial=0)) + before)
    rows = Readings(
        first.readings.angle_column if raw_angle else "angle_deg",
        first.readings.distance_column if raw_distance else "range_m",
        *(np.concatenate(parts) for parts in (angles, distances, stations, sweeps, turned)),
    )
    return rows, ranger


def _sense(run: Run) -> int:
    """Return -1 where the file's pulses grow while the angles they stand for shrink."""
    return -1 if run.readings.angle_column == "pulse_us" and math.copysign(1.0, run.head.pulse_us_per_deg) < 0.0 else 1

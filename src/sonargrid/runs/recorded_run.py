"""A run that is recorded into: which station, which columns, and where it goes on.

run.toml and the header are replaced whole, so that the run can be read at every moment; adding rows is
`run_writer`'s business.  Metres and degrees in files.
"""

from __future__ import annotations

import csv
import io
import math
import os
import re
from dataclasses import dataclass, replace
from pathlib import Path

from sonargrid.errors import Fault, InputFaults, SonargridError, UsageProblem
from sonargrid.runs.csv_rows import read_header
from sonargrid.runs.line_blocks import check_text
from sonargrid.runs.new_run import NewRun, new_run_texts, station_table
from sonargrid.runs.readings import ANGLE_COLUMNS, DISTANCE_COLUMNS, Head, Ranger, Run, Station
from sonargrid.runs.run_files import load_run
from sonargrid.runs.run_keys import BadValue, checked_name
from sonargrid.runs.run_saving import write_new_folder
from sonargrid.runs.run_toml import Findings, record_of
from sonargrid.runs.run_values import RunValues, read_settings
from sonargrid.runs.toml_text import read_toml
from sonargrid.units import RAD_PER_DEG
from sonargrid.whole_file import replace_whole

Place = tuple[float, float, float]  # x, y [m], heading [deg]
SAME_PLACE = 1e-6


@dataclass(frozen=True, slots=True)
class RecordedRun:
    """A run's folder, opened for one station.

    made_now : whether the folder was made for this recording
    header : columns of readings.csv as they stand; () where nothing is settled yet
    empty : whether the run has no reading yet, so that the header may still change
    last_clock, next_sweep : where this station's clock [s] and the run's passes go on; nan = no clock yet
    head, ranger : as run.toml has them
    """

    folder: Path
    station: Station
    made_now: bool
    header: tuple[str, ...]
    empty: bool
    last_clock: float
    next_sweep: int
    head: Head
    ranger: Ranger

    @property
    def readings_path(self) -> Path:
        """Where the rows go."""
        return self.folder / "readings.csv"

    @property
    def raw_path(self) -> Path:
        """Where every byte of this station is kept as it came."""
        return self.folder / f"heard_{re.sub(r'[^A-Za-z0-9_-]', '_', self.station.name)}.log"

    @property
    def columns(self) -> tuple[str, ...] | None:
        """Angle, distance and clock column in the order that an empty run announces them; None = not known."""
        if not self.empty:
            return None
        kinds = (*ANGLE_COLUMNS, *DISTANCE_COLUMNS, "time_s")
        return tuple(name for name in self.header if name in kinds) or None


def open_for_recording(path: str, answers: NewRun, name: str | None = None, place: Place | None = None) -> RecordedRun:
    """Return a run ready to take one station's readings; one that does not exist is made.

    answers : what a new run.toml says; an existing one keeps its own
    name : the station; None = the first one without readings

    Raises
    ------
    InputFaults, UsageProblem, OutputProblem
        If the run has faults, the station does not fit it, or it cannot be written.
    """
    folder = Path(path)
    if name is not None:
        _check_name(name)
    if not os.path.lexists(folder):
        x, y, heading = place or (0.0, 0.0, 90.0)
        station = Station(name or "A", x, y, heading * RAD_PER_DEG)
        write_new_folder(new_run_texts(replace(answers, stations=(station,))), folder)
        head, ranger = Head(turns=answers.turns), Ranger(reach_m=answers.reach_m, no_echo_at=answers.no_echo_at)
        return RecordedRun(folder, station, True, (), True, math.nan, 0, head, ranger)
    known = _settings(folder)
    content = _readings_bytes(folder)
    columns = read_header(content, str(folder / "readings.csv"))
    heard = load_run(folder) if content[columns.body_at :].strip() else None
    if heard is not None and heard.moving:
        raise SonargridError("is a moving robot's run: rows of a parked one do not fit", hint="a new RUN", file=path)
    station, new = _station(known, heard, name, place)
    if new:
        _add_station(folder, known, heard, station)
    header, clock, sweep = columns.cells, math.nan, 0
    if heard is not None:
        header = _with_station_column(folder, content, columns.cells, heard, new)
        clock, sweep = _goes_on(heard, station.name)
    head, ranger = (record_of(section, known.values(section)) for section in ("head", "ranger"))
    return RecordedRun(folder, station, False, header, heard is None, clock, sweep, head, ranger)


def _check_name(name: str) -> None:
    try:
        checked_name(name)
    except BadValue as bad:
        raise UsageProblem(f"--station {bad.message}", hint=bad.hint) from None


def _settings(folder: Path) -> RunValues:
    """Return what run.toml says, without the calibration that it may name."""
    if not folder.is_dir():
        raise SonargridError("is no folder; recording needs a run's folder, or a new name", file=str(folder))
    path = folder / "run.toml"
    if not path.is_file():
        raise SonargridError("the folder holds no run.toml", hint="name a run, or a new folder", file=str(folder))
    findings = Findings()
    known = read_settings(read_toml(path.read_bytes(), str(path)), {}, {}, None, findings)
    if findings.faults:
        raise InputFaults(findings.faults)
    return known


def _readings_bytes(folder: Path) -> bytes:
    path = folder / "readings.csv"
    others = [name for name in ("readings.csv.gz", "readings.parquet") if (folder / name).exists()]
    if others:
        hint = "unpack it to readings.csv, or record into a new RUN"
        raise SonargridError("rows can be added to readings.csv only", hint=hint, file=str(folder / others[0]))
    if not path.exists():
        replace_whole(path, b"angle_deg,echo_us\r\n")
    content = path.read_bytes()
    check_text(content, str(path))
    return content


def _station(known: RunValues, heard: Run | None, name: str | None, place: Place | None) -> tuple[Station, bool]:
    """Return the station to record, and whether run.toml must be told of it."""
    there = {station.name: station for station in known.stations}
    if heard is not None:
        names = [station.name for station in heard.stations]
        used = {names[i] for i in set(heard.readings.station.tolist())}
    else:
        used = set()
    declared = bool(known.toml.data.get("station"))
    if name is None:
        free = [station for station in known.stations if station.name not in used]
        if not free:
            hint = "--station NAME --x METRES --y METRES --heading DEGREES, or an old name to go on there"
            raise UsageProblem(f"every station has readings: {', '.join(there)}", hint=hint)
        if place is not None and declared:
            raise UsageProblem("--x, --y and --heading need --station", hint="such as --station B")
        name = free[0].name
    if name in there and (declared or heard is not None or place is None):
        if place is not None and not _same(there[name], place):
            hint = "leave --x, --y and --heading out, or choose another name"
            raise UsageProblem(f"station {name} stands elsewhere in run.toml", hint=hint)
        return there[name], False
    if place is None:
        hint = f"--station {name} --x METRES --y METRES --heading DEGREES"
        raise UsageProblem(f"station {name} is new: where does the robot stand?", hint=hint)
    return Station(name, place[0], place[1], place[2] * RAD_PER_DEG), True


def _same(station: Station, place: Place) -> bool:
    turn = math.remainder(station.heading_rad / RAD_PER_DEG - place[2], 360.0)
    return max(abs(station.x_m - place[0]), abs(station.y_m - place[1]), abs(turn)) < SAME_PLACE


def _add_station(folder: Path, known: RunValues, heard: Run | None, station: Station) -> None:
    """Add a [[station]] to run.toml as it stands, comments and all; the unnamed first one is written out, too."""
    path = folder / "run.toml"
    text = path.read_bytes()
    tables = [station]
    if not known.toml.data.get("station") and heard is not None:
        tables.insert(0, known.stations[0])
    parts = [text if text.endswith(b"\n") else text + b"\n"]
    parts += ["\n".join([*station_table(one), ""]).encode() for one in tables]
    replace_whole(path, b"\n".join(parts))


def _with_station_column(
    folder: Path, content: bytes, header: tuple[str, ...], heard: Run, new: bool
) -> tuple[str, ...]:
    """Return the header, with a station column added to every row where rows of another station will follow."""
    if "station" in header or not (new or len(heard.stations) > 1):
        return header
    name = heard.stations[0].name
    rows = [row for row in csv.reader(io.StringIO(content.decode("utf-8-sig"), newline="")) if any(map(str.strip, row))]
    paper = io.StringIO()
    csv.writer(paper).writerows([["station", *rows[0]], *([name, *row] for row in rows[1:])])
    replace_whole(folder / "readings.csv", paper.getvalue().encode())
    return ("station", *header)


def _goes_on(heard: Run, name: str) -> tuple[float, int]:
    """Return the last clock of a station [s], nan where there is none, and the number of the run's next pass."""
    rows = heard.readings
    number = next((i for i, station in enumerate(heard.stations) if station.name == name), -1)
    mine = rows.station == number
    clock = float(rows.time_s[mine].max()) if rows.time_s is not None and mine.any() else math.nan
    return clock, int(rows.sweep.max()) + 1


def nothing_came(run: RecordedRun) -> bool:
    """Take back what was made for a recording in which not one byte came; return whether the folder is gone."""
    if not run.raw_path.exists() or run.raw_path.stat().st_size:
        return False
    run.raw_path.unlink()
    if not run.made_now:
        return False
    for name in ("readings.csv", "run.toml"):
        (run.folder / name).unlink(missing_ok=True)
    run.folder.rmdir()
    return True


def wrong_columns(run: RecordedRun, angle: str, distance: str) -> Fault:
    """Return the fault of a robot that sends what the run's columns do not hold."""
    words = f"the robot sends {angle} and {distance}, the run has {', '.join(run.header)}"
    return Fault(words, "record into a new RUN", str(run.readings_path))

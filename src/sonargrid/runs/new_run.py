"""A run before its readings: a commented run.toml, the header to paste under, and the sheet for the floor.

Metres and degrees on paper; floor axes x right, y up.  No questions here (the command line asks), no readings; the plan
as a picture is `floor_plan`'s business.
"""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from sonargrid.errors import InputFaults, SonargridError
from sonargrid.runs.csv_rows import read_header
from sonargrid.runs.line_blocks import check_text
from sonargrid.runs.readings import Air, Head, Mark, Ranger, Readings, Robot, Run, Station
from sonargrid.runs.run_saving import run_toml, toml_value
from sonargrid.runs.run_toml import Findings, record_of
from sonargrid.runs.run_values import RunValues, read_settings
from sonargrid.runs.survey import TAPE_SIGMA_M, Taped, taped_station
from sonargrid.runs.toml_text import read_toml
from sonargrid.units import RAD_PER_DEG

PLAN_COLUMNS, PLAN_ROWS = 61, 21
# headings of 0, 45, 90 ... degrees: columns to the right, rows up, mark
_ARROWS = (
    *((2, 0, ">"), (2, 1, "/"), (0, 1, "^"), (-2, 1, "\\")),
    *((-2, 0, "<"), (-2, -1, "/"), (0, -1, "v"), (2, -1, "\\")),
)
_COMMENTS = {
    "[air]": "the air: the speed of sound hangs on it",
    "[ranger]": "the ultrasonic ranger; sonargrid explain run-files has all keys",
    "[head]": "the servo head: sonargrid explain mounting",
    "[robot]": "the robot's body, and where the servo stands on it",
    "[[mark]]": "a point on the floor that was measured from",
    "reach_m": "how far it hears: echoes from beyond count as nothing heard",
    "no_echo_at": "what it prints when nothing is heard",
    "turns": "ccw = growing angles turn left, cw = right",
    "ahead_deg": "the angle that looks straight ahead",
    "temperature_c": "sound is 0.17 % faster for each degree",
    "us_per_cm": "the divisor that the robot's program uses",
}


@dataclass(frozen=True, slots=True)
class NewRun:
    """The answers: what the robot sends, its nothing-heard values, head, reach, air, stations.

    stations : in order; a `Taped` one is written as it was measured
    like : a run whose ranger, head, robot and calibration are taken over
    """

    distance_column: str = "range_cm"
    no_echo_at: tuple[float, ...] = ()
    turns: int = 1
    reach_m: float = 1.0
    temperature_c: float | None = None
    stations: tuple[Station | Taped, ...] = (Station("A"),)
    angle_column: str = "angle_deg"
    ahead_deg: float = 90.0
    us_per_cm: float | None = None
    marks: tuple[Mark, ...] = ()
    tape_sigma_m: float = TAPE_SIGMA_M
    like: OldRun | None = None

    @property
    def places(self) -> tuple[Station, ...]:
        """The stations as places, taped ones worked out; ValueError says why one cannot be."""
        return tuple(
            taped_station(one, self.marks, self.tape_sigma_m) if isinstance(one, Taped) else one
            for one in self.stations
        )


@dataclass(frozen=True, slots=True)
class OldRun:
    """What a new run takes over from an old one.

    origins : full keys that the old run.toml states
    calibration : the calibration file that it names; empty = none
    columns : angle and distance column of its readings; empty = it has none
    """

    ranger: Ranger
    head: Head
    robot: Robot
    origins: frozenset[str]
    calibration: str = ""
    columns: tuple[str, ...] = ()


def old_run(path: str) -> OldRun:
    """Return what a new run can take over from the run in a folder; its readings are not needed.

    Raises
    ------
    SonargridError
        If it is no run's folder or its run.toml has faults.
    """
    folder = Path(path)
    if not (folder / "run.toml").is_file():
        raise SonargridError("holds no run.toml to take over", hint="name the folder of an old run", file=path)
    findings = Findings()
    toml = read_toml((folder / "run.toml").read_bytes(), str(folder / "run.toml"))
    # its calibration is taken over as a file, not as values: so it keeps its sigmas
    plain = replace(toml, data={key: value for key, value in toml.data.items() if key != "calibration"})
    known = read_settings(plain, {}, {}, None, findings)
    if findings.faults:
        raise InputFaults(findings.faults)
    named = toml.data.get("calibration", {}).get("file", "")
    calibration = os.path.abspath(folder / named) if named else ""
    if calibration and not os.path.exists(calibration):
        raise SonargridError(f"names a calibration that is not there: {named}", file=str(folder / "run.toml"))
    ranger, head, robot = (record_of(section, known.values(section)) for section in ("ranger", "head", "robot"))
    return OldRun(ranger, head, robot, _stated(known), calibration, _columns(folder))


def _stated(known: RunValues) -> frozenset[str]:
    return frozenset(full for full in known.chosen if full.partition(".")[0] in ("ranger", "head", "robot"))


def _columns(folder: Path) -> tuple[str, ...]:
    path = folder / "readings.csv"
    if not path.exists():
        return ()
    content = path.read_bytes()
    check_text(content, str(path))
    header = read_header(content, str(path))
    return (header.angle_column, header.distance_column)


def stations_round(count: int, radius_m: float) -> tuple[Station, ...]:
    """Return stations on a circle round the origin, all facing it.

    >>> [(s.name, round(s.x_m, 3), round(s.y_m, 3)) for s in stations_round(2, 0.5)]
    [('A', 0.0, -0.5), ('B', 0.0, 0.5)]
    """
    made = []
    for i in range(count):
        way = math.radians(-90.0 + 360.0 * i / count)
        x, y = round(radius_m * math.cos(way), 3), round(radius_m * math.sin(way), 3)
        made.append(Station(chr(ord("A") + i), x + 0.0, y + 0.0, math.atan2(0.0 - y, 0.0 - x)))
    return tuple(made)


def new_run_texts(answers: NewRun, folder: str = "") -> dict[str, str]:
    """Return the files of a new run, name -> text.

    folder : where it will lie, so that the way to a calibration can be written

    Raises
    ------
    ValueError
        If a taped station's place cannot be worked out.
    """
    places = answers.places
    none = np.empty(0, dtype=np.int32)
    rows = Readings(answers.angle_column, answers.distance_column, np.empty(0), np.empty(0), none, none, none)
    air = Air() if answers.temperature_c is None else Air(temperature_c=answers.temperature_c)
    ranger, head, robot, origins = _parts(answers)
    assumed = tuple(
        key for key in ("air.temperature_sigma_c", "ranger.range_sigma_m", "head.angle_sigma_deg") if key not in origins
    )
    bare = Run(rows, (), air, ranger, head, robot, marks=answers.marks, origins=origins, assumed=assumed)
    lines = []
    for line in run_toml(bare).splitlines():
        if line.startswith("assumed_sound_speed_m_s") and answers.us_per_cm is not None and answers.like is None:
            line = f"us_per_cm = {answers.us_per_cm:g}"
        comment = _COMMENTS.get(line if line.startswith("[") else line.partition(" = ")[0])
        lines.append(f"{line}  # {comment}" if comment else line)
    if answers.like is not None and answers.like.calibration:
        way = os.path.relpath(answers.like.calibration, os.path.abspath(folder))
        lines += ["", "[calibration]  # as measured at the bench", f"file = {toml_value(way)}"]
    lines += ["", "# Where the robot is parked: floor axes, heading counter-clockwise from +x."]
    for one, place in zip(answers.stations, places, strict=True):
        tape = answers.tape_sigma_m
        lines += ["", *(taped_table(one, place, tape) if isinstance(one, Taped) else station_table(place))]
    several = len(places) > 1
    header = f"{'station,' if several else ''}{answers.angle_column},{answers.distance_column}\r\n"
    texts = {"run.toml": "\n".join(lines) + "\n", "readings.csv": header}
    return texts | {"sheet.txt": sheet(places, answers.marks)} if several else texts


def _parts(answers: NewRun) -> tuple[Ranger, Head, Robot, dict[str, str]]:
    """Return ranger, head, robot, and the keys to be written though they may be defaults."""
    if answers.like is not None:
        old = answers.like
        return old.ranger, old.head, old.robot, dict.fromkeys(old.origins, "new")
    speed = None if answers.us_per_cm is None else 20000.0 / answers.us_per_cm
    ranger = Ranger(reach_m=answers.reach_m, no_echo_at=answers.no_echo_at, assumed_sound_speed_m_s=speed)
    head = Head(turns=answers.turns, ahead_rad=answers.ahead_deg * RAD_PER_DEG)
    if answers.angle_column == "pulse_us":  # the way a pulse turns stands in its own key
        head = Head(pulse_us_per_deg=answers.turns * Head().pulse_us_per_deg)
    keys = ["ranger.reach_m", "head.pulse_us_per_deg" if answers.angle_column == "pulse_us" else "head.turns"]
    return ranger, head, Robot(), dict.fromkeys(keys, "new")


def station_table(station: Station) -> list[str]:
    """Return the lines of a [[station]] table; sigmas are left out, as nobody stated them.

    >>> station_table(Station("B", 0.8, 0.0))[1:]
    ['name = "B"', 'x_m = 0.8', 'y_m = 0.0', 'heading_deg = 90.0']
    """
    heading = round(station.heading_rad / RAD_PER_DEG, 9)
    values = {"name": station.name, "x_m": station.x_m, "y_m": station.y_m, "heading_deg": heading}
    return ["[[station]]", *(f"{key} = {toml_value(value)}" for key, value in values.items())]


def taped_table(taped: Taped, place: Station, tape_sigma_m: float = TAPE_SIGMA_M) -> list[str]:
    """Return the lines of a [[station]] table as the tape measured it, and where that is."""
    tapes = ", ".join(f"{toml_value(mark)} = {metres:g}" for mark, metres in taped.tapes)
    facing = f"facing = {toml_value(taped.facing)}" if taped.facing else f"heading_deg = {float(taped.heading_deg)!r}"
    where = f"# stands at {place.x_m:.3f}, {place.y_m:.3f} m, give or take {1000 * place.position_sigma_m:.0f} mm"
    lines = ["[[station]]", f"name = {toml_value(taped.name)}", f"from = {{ {tapes} }}  {where}"]
    lines += [f"side = {toml_value(taped.side)}", facing]
    if tape_sigma_m != TAPE_SIGMA_M:
        lines.append(f"position_sigma_m = {round(place.position_sigma_m, 6)!r}")
        if taped.facing:
            lines.append(f"heading_sigma_deg = {round(place.heading_sigma_rad / RAD_PER_DEG, 4)!r}")
    return lines


def plan_text(stations: Sequence[Station], marks: Sequence[Mark] = ()) -> str:
    """Return the stations and marks as a plan of plain characters, + at the origin, an arrow the way each looks."""
    points = [(s.x_m, s.y_m) for s in stations] + [(m.x_m, m.y_m) for m in marks] + [(0.0, 0.0)]
    left, right = min(x for x, _ in points), max(x for x, _ in points)
    low, high = min(y for _, y in points), max(y for _, y in points)
    # a character is about twice as high as wide
    step = max((right - left) / (PLAN_COLUMNS - 9), (high - low) / (2 * (PLAN_ROWS - 3)), 0.005)
    x_0, y_0 = (left + right) / 2.0, (low + high) / 2.0
    paper = [[" "] * PLAN_COLUMNS for _ in range(PLAN_ROWS)]

    def put(text: str, x: float, y: float, aside: int = 0, up: int = 0) -> None:
        column = round((x - x_0) / step) + PLAN_COLUMNS // 2 + aside
        row = PLAN_ROWS // 2 - round((y - y_0) / (2.0 * step)) - up
        for i, letter in enumerate(text):
            if 0 <= row < PLAN_ROWS and 0 <= column + i < PLAN_COLUMNS:
                paper[row][column + i] = letter

    put("+", 0.0, 0.0)
    for mark in marks:
        put(f"x{mark.name[:4]}", mark.x_m, mark.y_m)
    for s in stations:
        aside, up, arrow = _arrow(s.heading_rad)
        put(arrow, s.x_m, s.y_m, aside, up)
        put(s.name[:4], s.x_m, s.y_m)
    frame = "." + "-" * PLAN_COLUMNS + "."
    bar = round(0.5 / step) if 0.5 / step <= PLAN_COLUMNS - 10 else round(0.1 / step)
    length = "0.5 m" if 0.5 / step <= PLAN_COLUMNS - 10 else "0.1 m"
    key = f" |{'-' * max(bar - 2, 1)}| {length}   + = (0, 0)" + ("   x = mark" if marks else "")
    used = [i for i, row in enumerate(paper) if any(letter != " " for letter in row)]
    rows = paper[max(used[0] - 1, 0) : used[-1] + 2]
    return "\n".join([frame, *(f"|{''.join(row)}|" for row in rows), frame, key])


def _arrow(heading_rad: float) -> tuple[int, int, str]:
    """Return where beside a station its arrow goes (columns right, rows up), and the arrow."""
    arrows = (
        (2, 0, ">"),
        (2, 1, "/"),
        (0, 1, "^"),
        (-2, 1, "\\"),
        (-2, 0, "<"),
        (-2, -1, "/"),
        (0, -1, "v"),
        (2, -1, "\\"),
    )
    return arrows[round(heading_rad / (math.pi / 4.0)) % 8]


def sheet(stations: Sequence[Station], marks: Sequence[Mark] = ()) -> str:
    """Return the plan with the sheet to fill in: where each station should be, and room for what was measured."""
    lines = [
        "Stick masking tape on the floor: a cross at + (0, 0), a line to the right",
        "(x) and one away from you (y). Park at each letter, facing its arrow.",
        "",
        plan_text(stations, marks),
        "",
        f"{'station':8}{'x_m':>8}{'y_m':>8}{'heading_deg':>13}  |  measured: x_m     y_m     heading_deg",
    ]
    for s in stations:
        turn = s.heading_rad / RAD_PER_DEG
        lines.append(f"{s.name[:8]:8}{s.x_m:8.3f}{s.y_m:8.3f}{turn:13.1f}  |           _______  _______  ___________")
    lines += [
        "",
        "Air temperature: ______ degC    Date: ____________    Ranger: ____________",
        "Write what was measured into run.toml: a place known to 1 cm is as good as",
        "one that is exactly where it was planned.",
    ]
    return "\n".join(lines) + "\n"

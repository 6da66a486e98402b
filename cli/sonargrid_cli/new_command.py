"""`new`: the folder of a run before its readings, by a few questions or by flags.

Everything that loads numpy is imported inside the bodies.
"""

from __future__ import annotations

import math
import os
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated

import typer

from sonargrid.errors import OutputProblem, SonargridError, UsageProblem
from sonargrid_cli.log_options import choice, numbers
from sonargrid_cli.places import STATION_FORMS, marks_of, station_of, stations_of
from sonargrid_cli.questions import UNKNOWN, answer_of, asked
from sonargrid_cli.run_options import length_of, spread

if TYPE_CHECKING:
    from sonargrid.runs.new_run import NewRun, OldRun
    from sonargrid.runs.readings import Mark, Station
    from sonargrid.runs.survey import Taped

ROBOT_PANEL, PLACE_PANEL = "What the robot sends", "Where it will stand"
MOST_STATIONS = 26


@dataclass(frozen=True, slots=True)
class RobotOptions:
    """What the robot sends; each is a question, too."""

    angle_unit: Annotated[
        str | None,
        typer.Option("--angle-unit", metavar="UNIT", help="deg or pulse.", rich_help_panel=ROBOT_PANEL),
    ] = None
    distance_unit: Annotated[
        str | None,
        typer.Option("--distance-unit", metavar="UNIT", help="us, m, cm, mm or in.", rich_help_panel=ROBOT_PANEL),
    ] = None
    us_per_cm: Annotated[
        float | None,
        typer.Option(
            "--us-per-cm", metavar="58", help="What its program divides echo times by.", rich_help_panel=ROBOT_PANEL
        ),
    ] = None
    no_echo_at: Annotated[
        str | None,
        typer.Option("--no-echo-at", metavar="0,999", help="Values for nothing heard.", rich_help_panel=ROBOT_PANEL),
    ] = None
    turns: Annotated[
        str | None,
        typer.Option("--turns", metavar="ccw|cw", help="cw: growing angles turn right.", rich_help_panel=ROBOT_PANEL),
    ] = None
    ahead: Annotated[
        float | None,
        typer.Option("--ahead", metavar="DEG", help="Its angle that looks ahead.", rich_help_panel=ROBOT_PANEL),
    ] = None
    reach: Annotated[
        str | None, typer.Option("--reach", metavar="LENGTH", help="How far it hears.", rich_help_panel=ROBOT_PANEL)
    ] = None
    temperature: Annotated[
        str | None, typer.Option("--temperature", metavar="DEGC", help="Of the air.", rich_help_panel=ROBOT_PANEL)
    ] = None
    like: Annotated[
        str | None,
        typer.Option(
            "--like", metavar="OLD_RUN", help="Its ranger, head and calibration.", rich_help_panel=ROBOT_PANEL
        ),
    ] = None


@dataclass(frozen=True, slots=True)
class FloorOptions:
    """Where the robot will be parked."""

    stations: Annotated[
        int | None,
        typer.Option("--stations", min=1, max=MOST_STATIONS, help="How many places.", rich_help_panel=PLACE_PANEL),
    ] = None
    station: Annotated[
        list[str] | None,
        typer.Option("--station", metavar="NAME:...", help=f"{STATION_FORMS}.", rich_help_panel=PLACE_PANEL),
    ] = None
    mark: Annotated[
        list[str] | None,
        typer.Option("--mark", metavar="NAME:x,y", help="A point to measure from.", rich_help_panel=PLACE_PANEL),
    ] = None
    tape_sigma: Annotated[
        str,
        typer.Option("--tape-sigma", metavar="LENGTH", help="Give or take of the tape.", rich_help_panel=PLACE_PANEL),
    ] = "5mm"


@spread
def new_run(
    out: Annotated[str, typer.Argument(metavar="RUN", help="The new run's folder.")],
    robot: RobotOptions,
    floor: FloorOptions,
    yes: Annotated[bool, typer.Option("--yes", help="Ask nothing.")] = False,
) -> str:
    """Make a run's folder before its readings, by few questions.

    Each question is also a flag.

    Example: sonargrid new bench_run --stations 3
    """
    if os.path.lexists(out):
        raise OutputProblem("is there already; a run is never written over", hint="choose another name", file=out)
    _refuse_twice(robot, floor)
    ask = not yes and sys.stdin.isatty()
    from sonargrid.runs.new_run import new_run_texts
    from sonargrid.runs.run_saving import write_new_folder

    answers = _floor(_robot(robot, ask), floor, ask)
    texts = new_run_texts(answers, out)
    if len(answers.places) > 1:
        from sonargrid.drawing.floor_plan import floor_plan
        from sonargrid.drawing.vector import figure_svg
        from sonargrid.runs.survey import Taped

        taped = [one for one in answers.stations if isinstance(one, Taped)]
        tapes = [(one.name, mark, metres) for one in taped for mark, metres in one.tapes]
        texts["floor_plan.svg"] = figure_svg(floor_plan(answers.places, answers.marks, tapes))
    write_new_folder(texts, out)
    return f"{texts.get('sheet.txt', '')}{_last_words(out, texts, answers)}"


def _refuse_twice(robot: RobotOptions, floor: FloorOptions) -> None:
    if floor.stations is not None and floor.station:
        raise UsageProblem("--stations and --station exclude one another", hint="leave one out")
    own = (robot.no_echo_at, robot.turns, robot.reach, robot.ahead, robot.us_per_cm)
    if robot.like is not None and any(value is not None for value in own):
        words = "--like takes ranger and head over: leave out --no-echo-at, --turns, --ahead, --reach and --us-per-cm"
        raise UsageProblem(words)


def _robot(robot: RobotOptions, ask: bool) -> NewRun:
    """Return the answers about robot and air."""
    from sonargrid.runs.log_guess import DISTANCE_UNITS
    from sonargrid.runs.new_run import NewRun, old_run

    like = None if robot.like is None else old_run(robot.like)
    kind, unit = _columns(robot, like, ask)
    asks = ask and like is None
    nothing = answer_of(
        robot.no_echo_at,
        f"When nothing is heard it prints (such as 0 or 0,999; {UNKNOWN} = an empty cell)",
        UNKNOWN,
        lambda text: () if text == UNKNOWN else numbers("--no-echo-at", text) or (),
        asks,
    )
    way = answer_of(
        robot.turns,
        "Growing angles turn the head (ccw = to its left, cw = to its right)",
        "ccw",
        lambda text: _word("--turns", text, ("ccw", "cw")),
        asks,
    )
    reach = answer_of(robot.reach, "It hears as far as", "1m", lambda text: length_of(text, "--reach"), asks)
    warm = answer_of(robot.temperature, f"Air temperature, degC ({UNKNOWN} = not known)", UNKNOWN, _temperature, ask)
    ahead = 90.0 if robot.ahead is None else robot.ahead
    return NewRun(
        DISTANCE_UNITS[unit], nothing, 1 if way == "ccw" else -1, reach, warm,
        angle_column="pulse_us" if kind == "pulse" else "angle_deg",
        ahead_deg=ahead, us_per_cm=_divisor(robot.us_per_cm, unit), like=like,
    )  # fmt: skip


def _columns(robot: RobotOptions, like: OldRun | None, ask: bool) -> tuple[str, str]:
    """Return the units of angle and distance."""
    from sonargrid.runs.log_guess import DISTANCE_UNITS

    angle, distance = like.columns if like is not None and like.columns else ("", "")
    kind = answer_of(
        robot.angle_unit or {"pulse_us": "pulse", "angle_deg": "deg"}.get(angle),
        "Head angles come as (deg = degrees, pulse = servo microseconds)",
        "deg",
        lambda text: _word("--angle-unit", text, ("deg", "pulse")),
        ask,
    )
    known = {column: unit for unit, column in DISTANCE_UNITS.items()}.get(distance)
    unit = answer_of(
        robot.distance_unit or known,
        "Distances come as (us = echo time there and back, cm, mm, m, in)",
        "cm",
        lambda text: _word("--distance-unit", text, tuple(DISTANCE_UNITS)),
        ask,
    )
    if like is not None and like.ranger.no_echo_at and known not in (None, unit):
        raise SonargridError(f"its values for nothing heard are in {known}, not {unit}", file=robot.like)
    return kind, unit


def _word(flag: str, text: str, known: tuple[str, ...]) -> str:
    choice(flag, text, known)
    return text


def _temperature(text: str) -> float | None:
    if text == UNKNOWN:
        return None
    values = numbers("--temperature", text) or ()
    if len(values) != 1 or not -40.0 <= values[0] <= 60.0:
        raise UsageProblem(f"--temperature lies between -40 and 60 degC, got '{text}'")
    return values[0]


def _divisor(given: float | None, unit: str) -> float | None:
    if given is None:
        return None
    if unit == "us":
        raise UsageProblem("--us-per-cm belongs to distances, not to echo times", hint="leave it out")
    if not 40.0 <= given <= 100.0:
        hint = "58 for the way there and back; a divisor per inch is 2.54 times that"
        raise UsageProblem(f"--us-per-cm lies between 40 and 100, got {given:g}", hint=hint)
    return given


def _floor(answers: NewRun, floor: FloorOptions, ask: bool) -> NewRun:
    """Return the answers with the stations."""
    from dataclasses import replace

    from sonargrid.runs.new_run import stations_round

    tape = length_of(floor.tape_sigma, "--tape-sigma")
    marks = marks_of(floor.mark)
    answers = replace(answers, marks=marks, tape_sigma_m=tape)
    typed = stations_of(floor.station, marks, tape)
    if typed:
        return replace(answers, stations=typed)
    if marks and not ask:
        raise UsageProblem("--mark without --station", hint="such as --station B:P=1.30,Q=1.10,left,facing=Q")
    count = floor.stations or answer_of(None, "Parked places, how many", "1", _count, ask)
    asked_for = ask and floor.stations is None
    if count == 1 and not (asked_for and marks):
        return answers
    way = answer_of(
        None,
        "Where (round = a circle, xy = coordinates, tape = two tapes)",
        "round",
        lambda text: _word("the answer", text, ("round", "xy", "tape")),
        asked_for,
    )
    reach = answers.reach_m if answers.like is None else answers.like.ranger.reach_m
    if way == "round":
        return replace(answers, stations=stations_round(count, 0.6 * reach))
    if way == "tape" and not marks:
        marks = (_asked_mark("P", "0,0"), _asked_mark("Q", "1,0"))
    names = [chr(ord("A") + i) for i in range(count)]
    made = tuple(_asked_station(name, way, marks, tape) for name in names)
    return replace(answers, marks=marks, stations=made)


def _count(text: str) -> int:
    if not (text.isascii() and text.isdigit() and 1 <= int(text) <= MOST_STATIONS):
        raise UsageProblem(f"the number of parked places is 1 to {MOST_STATIONS}, got '{text}'")
    return int(text)


def _asked_mark(name: str, usual: str) -> Mark:
    return asked(f"Mark {name} lies at x,y in metres", usual, lambda text: marks_of([f"{name}:{text}"])[0])


def _asked_station(name: str, way: str, marks: tuple[Mark, ...], tape_sigma_m: float) -> Station | Taped:
    if way == "xy":
        return asked(
            f"Station {name}: x,y,heading (metres, degrees)", "0,0,90", lambda text: station_of(f"{name}:{text}")
        )
    p, q = marks[0].name, marks[1].name
    question = f"Station {name}: metres from {p}, from {q}, side of {p}-{q}, facing"

    def read(text: str) -> Station | Taped:
        parts = [part.strip() for part in text.split(",")]
        if len(parts) != 4:
            raise UsageProblem(f"four answers with commas between, got '{text}'", hint=f"such as 1.30,1.10,left,{q}")
        return station_of(f"{name}:{p}={parts[0]},{q}={parts[1]},{parts[2]},facing={parts[3]}", marks, tape_sigma_m)

    return asked(question, f"1.30,1.10,left,{q}", read)


def _last_words(out: str, texts: dict[str, str], answers: NewRun) -> str:
    from sonargrid.runs.survey import Taped

    said = [f"{out}: {', '.join(sorted(texts))}"]
    for one, place in zip(answers.stations, answers.places, strict=True):
        if isinstance(one, Taped):
            heading, turn_sigma = math.degrees(place.heading_rad), math.degrees(place.heading_sigma_rad)
            said.append(f"station {place.name} stands at ({place.x_m:.3f}, {place.y_m:.3f}) m, heading {heading:.1f},")
            said.append(f"  give or take {1000 * place.position_sigma_m:.0f} mm and {turn_sigma:.1f} degrees")
    said.append(f"Next: sonargrid record {out}, or paste rows into {out}/readings.csv")
    said.append(f"Then: sonargrid map {out}")
    return "\n".join(said)

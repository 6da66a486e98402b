"""The way in: `import` makes a run of a pasted log, `sender` prints a program that makes such logs.

Questions are asked on a terminal only; every one is also a flag.
"""

from __future__ import annotations

import dataclasses
import math
import os
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated

import typer

from sonargrid.errors import OutputProblem, SonargridError, UsageProblem
from sonargrid_cli.log_options import choice, column_names, numbers
from sonargrid_cli.run_options import length_of, spread, waiting

if TYPE_CHECKING:
    from sonargrid.runs.log_guess import LogGuess, Stated
    from sonargrid.runs.log_import import Imported, Setup
    from sonargrid.runs.readings import Station

SHOWN_LINES = 5


@dataclass(frozen=True, slots=True)
class LogOptions:
    """What the logs do not say themselves."""

    columns: Annotated[
        str | None,
        typer.Option("--columns", metavar="A,B,...", help="Each value: angle, distance, time or skip."),
    ] = None
    angle_unit: Annotated[str | None, typer.Option("--angle-unit", metavar="UNIT", help="deg, rad or pulse.")] = None
    distance_unit: Annotated[
        str | None, typer.Option("--distance-unit", metavar="UNIT", help="m, cm, mm, in, us or us-one-way.")
    ] = None
    no_echo_at: Annotated[
        str | None, typer.Option("--no-echo-at", metavar="0,999", help="Values for nothing heard.")
    ] = None
    turns: Annotated[str | None, typer.Option("--turns", metavar="ccw|cw", help="cw: growing angles turn right.")] = (
        None
    )
    ahead: Annotated[float | None, typer.Option("--ahead", metavar="DEG", help="The log's angle that looks ahead.")] = (
        None
    )
    reach: Annotated[str | None, typer.Option("--reach", metavar="LENGTH", help="How far it hears.")] = None
    temperature: Annotated[float | None, typer.Option("--temperature", metavar="DEGC", help="Of the air.")] = None
    distance_scale: Annotated[float, typer.Option("--distance-scale", metavar="FACTOR", help="On all distances.")] = 1.0
    station: Annotated[
        list[str] | None,
        typer.Option("--station", metavar="NAME:x,y,heading", help="One a log: metres, degrees."),
    ] = None


@spread
def import_logs(
    given: LogOptions,
    logs: Annotated[list[str] | None, typer.Argument(metavar="LOG...", help="Text logs; - = pasted here.")] = None,
    out: Annotated[str | None, typer.Option("-o", "--out", metavar="RUN", help="The new run's folder.")] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Ask nothing, take what is assumed.")] = False,
) -> str:
    """Make a run of a robot's text log, pasted or from files.

    What the log does not say is assumed, and said.

    Example: sonargrid import log.txt -o first_run
    """
    if out is None:
        raise UsageProblem("no place for the run was given", hint="such as -o first_run")
    stated, setup = _stated(given), _setup(given)
    if os.path.lexists(out):
        raise OutputProblem("is there already; a run is never written over", hint="choose another name", file=out)
    names = logs or ["-"]
    if names.count("-") > 1:
        raise UsageProblem("standard input can be read once only", hint="put the other log into a file")
    guesses = [(_shown(name), _guess(name, stated)) for name in names]
    return _make(guesses, setup, out, not yes and sys.stdin.isatty())


def new_run(
    out: Annotated[str, typer.Argument(metavar="RUN", help="The new run's folder.")],
    distance_unit: Annotated[str | None, typer.Option("--distance-unit", help="us, m, cm, mm or in.")] = None,
    no_echo_at: Annotated[str | None, typer.Option("--no-echo-at", metavar="0,999")] = None,
    turns: Annotated[str | None, typer.Option("--turns", metavar="ccw|cw")] = None,
    reach: Annotated[str | None, typer.Option("--reach", metavar="LENGTH")] = None,
    temperature: Annotated[float | None, typer.Option("--temperature", metavar="DEGC")] = None,
    stations: Annotated[int | None, typer.Option("--stations", min=1, max=26, help="How many parked places.")] = None,
    station: Annotated[list[str] | None, typer.Option("--station", metavar="NAME:x,y,heading")] = None,
    like: Annotated[str | None, typer.Option("--like", metavar="OLD_RUN", help="Same ranger and head.")] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Ask nothing.")] = False,
) -> str:
    """Make a run's folder before its readings, by few questions.

    Each question is also a flag.

    Example: sonargrid new bench_run --stations 3
    """
    if os.path.lexists(out):
        raise OutputProblem("is there already; a run is never written over", hint="choose another name", file=out)
    _refuse_twice(stations, station, like, (no_echo_at, turns, reach))
    ask = not yes and sys.stdin.isatty()
    unit = _answer(distance_unit, "Distances are in (us, m, cm, mm, in)", "cm", ask)
    choice("--distance-unit", unit, ("us", "m", "cm", "mm", "in"))
    from sonargrid.runs.log_guess import DISTANCE_UNITS
    from sonargrid.runs.new_run import NewRun, new_run_texts, stations_round
    from sonargrid.runs.run_files import load_run
    from sonargrid.runs.run_saving import write_new_folder

    old = None if like is None else load_run(like)
    asks = ask and old is None
    nothing = _answer(no_echo_at, "It prints, when nothing is heard (- = an empty cell)", "-", asks)
    way = _answer(turns, "Growing angles turn (ccw = left, cw = right)", "ccw", asks)
    choice("--turns", way, ("ccw", "cw"))
    reach_m = length_of(_answer(reach, "It hears as far as", "1m", asks), "--reach")
    places = _stations(station)
    if not places:
        count = stations or _count(_answer(None, "Parked places, how many", "1", ask))
        places = NewRun().stations if count == 1 else stations_round(count, 0.6 * reach_m)
    values = () if nothing == "-" else numbers("--no-echo-at", nothing) or ()
    answers = NewRun(DISTANCE_UNITS[unit], values, 1 if way == "ccw" else -1, reach_m, temperature, places)
    texts = new_run_texts(answers, old)
    write_new_folder(texts, out)
    return (
        texts.get("sheet.txt", "") + f"{out}: paste readings under the header of readings.csv; then sonargrid map {out}"
    )


def _refuse_twice(
    stations: int | None, station: list[str] | None, like: str | None, own: tuple[str | None, ...]
) -> None:
    if stations is not None and station:
        raise UsageProblem("--stations and --station exclude one another", hint="leave one out")
    if like is not None and any(value is not None for value in own):
        raise UsageProblem("--like takes ranger and head over: leave out --no-echo-at, --turns and --reach")


def _count(text: str) -> int:
    if not (text.isascii() and text.isdigit() and 1 <= int(text) <= 26):
        raise UsageProblem(f"the number of parked places is 1 to 26, got '{text}'")
    return int(text)


def _answer(given: str | None, question: str, usual: str, ask: bool) -> str:
    """Return the flag, else what is answered, else the usual."""
    if given is not None or not ask:
        return usual if given is None else given
    return str(typer.prompt(question, default=usual, err=True)).strip()


def print_sender(
    kind: Annotated[str, typer.Option("--for", metavar="board|micropython", help="C++ or MicroPython.")] = "board",
    low: Annotated[int, typer.Option("--low", help="Rightmost head angle, degrees.")] = 10,
    high: Annotated[int, typer.Option("--high", help="Leftmost head angle, degrees.")] = 170,
    step: Annotated[int, typer.Option("--step", help="Degrees between pings.")] = 5,
    ping_ms: Annotated[int, typer.Option("--ping-ms", help="Milliseconds a ping, 60 or more.")] = 60,
    reach: Annotated[str, typer.Option("--reach", metavar="LENGTH", help="How far to listen.")] = "3m",
    servo_pin: Annotated[int, typer.Option("--servo-pin", min=0)] = 9,
    trigger_pin: Annotated[int, typer.Option("--trigger-pin", min=0)] = 7,
    echo_pin: Annotated[int, typer.Option("--echo-pin", min=0)] = 8,
    centre_us: Annotated[int, typer.Option("--centre-us", help="Servo pulse straight ahead.")] = 1500,
    us_per_deg: Annotated[float, typer.Option("--us-per-deg", help="Negative: longer pulses turn right.")] = 11.1111,
) -> str:
    """Print a program for the robot that sweeps and logs.

    Not tried on hardware: keep fingers away from the servo, lift the wheels.

    Example: sonargrid sender --for micropython > sweep.py
    """
    from sonargrid.runs.sender import SenderPlan, sender_program

    try:
        plan = SenderPlan(
            *(servo_pin, trigger_pin, echo_pin, low, high, step, ping_ms),
            length_of(reach, "--reach"),
            centre_us,
            us_per_deg,
        )
        return sender_program(kind, plan)
    except ValueError as problem:
        raise UsageProblem(str(problem)) from None


def _stated(given: LogOptions) -> Stated:
    from sonargrid.runs.log_guess import Stated

    choice("--angle-unit", given.angle_unit, ("deg", "rad", "pulse"))
    choice("--distance-unit", given.distance_unit, ("m", "cm", "mm", "in", "us", "us-one-way"))
    unit = "us" if given.distance_unit == "us-one-way" else given.distance_unit
    return Stated(column_names(given.columns), given.angle_unit, unit, numbers("--no-echo-at", given.no_echo_at))


def _setup(given: LogOptions) -> Setup:
    from sonargrid.runs.log_import import Setup

    choice("--turns", given.turns, ("ccw", "cw"))
    if not (math.isfinite(given.distance_scale) and given.distance_scale > 0):
        raise UsageProblem("--distance-scale must be above 0")
    return Setup(
        -1 if given.turns == "cw" else 1,
        given.ahead,
        None if given.reach is None else length_of(given.reach, "--reach"),
        given.temperature,
        given.distance_scale * (2.0 if given.distance_unit == "us-one-way" else 1.0),
        _stations(given.station),
    )


def _make(guesses: list[tuple[str, LogGuess]], setup: Setup, out: str, asking: bool) -> str:
    """Show what is understood, ask where one may, and write the run."""
    from sonargrid.runs.first_faults import first_faults
    from sonargrid.runs.log_import import head_view, nearest_words, save_import

    done = _made(guesses, setup)
    say = [_understood(name, guess) for name, guess in guesses]
    said = dict.fromkeys((*(text for _, guess in guesses for text in guess.assumptions), *done.assumptions))
    say.append("Assumed:\n" + "\n".join(f"  - {text}" for text in said))
    _, metres = head_view(done.run)
    degrees = any(guess.angle_unit == "deg" for _, guess in guesses) and setup.ahead_deg not in (None, 0.0)
    angles = [angle for _, guess in guesses for angle in guess.angles] if degrees else []
    say += [f"note: {text}" for text in first_faults(angles, metres, done.run.ranger.reach_m)]
    say.append(_picture(done))
    typer.echo("\n\n".join(say), err=True)
    words, read_m = nearest_words(done.run)
    if asking:
        typer.echo(f"\n{words}:", err=True)
        answer = typer.prompt("true? [y, n, or the distance by tape such as 68cm]", default="y", err=True)
        before = setup
        setup = _after(answer.strip().lower(), setup, read_m, guesses[0][1].distance_unit == "us")
        if setup != before:
            done = _made(guesses, setup)
            typer.echo(f"{_picture(done)}\n\n{nearest_words(done.run)[0]}", err=True)
    else:
        other = "ccw" if setup.turns < 0 else "cw"
        typer.echo(f"{words}: if it stands on the other side, type --turns {other}", err=True)
    save_import(done, out)
    lost = f"; {len(done.unread)} lines could not be read, see {out}/unread.txt" if done.unread else ""
    return f"{out}: {len(done.run.readings)} readings{lost}.  Next: sonargrid map {out}"


def _after(answer: str, setup: Setup, read_m: float, times: bool) -> Setup:
    """Return the setup mended by an answer: n = the head is mirrored, a length = what the tape says."""
    if answer in {"n", "no"}:
        typer.echo("mirrored head: growing angles turn the other way, turned round at once.", err=True)
        return dataclasses.replace(setup, turns=-setup.turns)
    if answer in {"y", "yes", ""}:
        return setup
    from sonargrid.runs.first_faults import against_tape

    tape_m = length_of(answer, "the distance by tape")
    sentence = against_tape(read_m, tape_m, times)
    if sentence:
        raise SonargridError(f"nothing written: {sentence}", hint="the same command with that flag")
    return setup


def _made(guesses: list[tuple[str, LogGuess]], setup: Setup) -> Imported:
    from sonargrid.runs.log_import import import_logs as made

    try:
        return made(guesses, setup)
    except ValueError as problem:
        raise SonargridError(str(problem)) from None


def _understood(name: str, guess: LogGuess) -> str:
    lines = [f"{name}: {len(guess.angles)} readings, {len(guess.unread)} lines not read; the first as understood:"]
    for text, angle, distance in list(zip(guess.texts, guess.angles, guess.distances, strict=True))[:SHOWN_LINES]:
        heard = "nothing heard" if math.isinf(distance) else f"{distance:g} {guess.distance_unit}"
        lines.append(f"  {text.strip()[:36]:36}  ->  angle {angle:g} {guess.angle_unit}, {heard}")
    return "\n".join(lines)


def _picture(done: Imported) -> str:
    from sonargrid.runs.log_import import strip

    stations = done.run.stations
    return "\n\n".join(f"What station {s.name} heard:\n{strip(done.run, i)}" for i, s in enumerate(stations))


def _shown(name: str) -> str:
    return "standard input" if name == "-" else name


def _guess(name: str, stated: Stated) -> LogGuess:
    from sonargrid.runs.log_guess import guess_log
    from sonargrid.runs.log_lines import text_of
    from sonargrid.runs.run_input import read_input

    content = read_input(name, waiting).content
    try:
        return guess_log(text_of(content).splitlines(), stated)
    except ValueError as problem:
        raise SonargridError(str(problem), file=_shown(name)) from None


def _stations(texts: list[str] | None) -> tuple[Station, ...]:
    made = tuple(_station(text) for text in texts or ())
    if len({station.name for station in made}) < len(made):
        raise UsageProblem("two --station have one name", hint="such as --station A:0,0,90 --station B:1,0,90")
    return made


def _station(text: str) -> Station:
    from sonargrid.runs.readings import Station

    name, _, rest = text.partition(":")
    values = numbers("--station", rest) if rest else None
    if not name or values is None or len(values) != 3 or not all(map(math.isfinite, values)):
        raise UsageProblem(f"--station is NAME:x,y,heading, got '{text}'", hint="such as --station A:0,0,90")
    return Station(name, values[0], values[1], math.radians(values[2]))

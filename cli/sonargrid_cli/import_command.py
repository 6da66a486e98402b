"""`import`: a robot's text log, as pasted or from files -> a run; says what it assumes, asks, and lets it be mended.

Questions are asked at a terminal only; every one is also a flag.
"""

from __future__ import annotations

import dataclasses
import math
import os
import shlex
import sys
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sonargrid.errors import OutputProblem, SonargridError, UsageProblem
from sonargrid_cli.import_options import CheckOptions, LogOptions
from sonargrid_cli.import_words import assumptions, nearest, pictures, understood
from sonargrid_cli.log_options import choice, column_names, numbers
from sonargrid_cli.notes import told
from sonargrid_cli.places import marks_of, station_of, stations_of
from sonargrid_cli.questions import UNKNOWN, asked
from sonargrid_cli.run_options import length_of, spread, waiting

if TYPE_CHECKING:
    from sonargrid.runs.log_guess import LogGuess, Stated
    from sonargrid.runs.log_import import Imported, Setup


@spread
def import_logs(
    given: LogOptions,
    check: CheckOptions,
    logs: Annotated[list[str] | None, typer.Argument(metavar="LOG...", help="Text logs; - = pasted here.")] = None,
    out: Annotated[str | None, typer.Option("-o", "--out", metavar="RUN", help="The new run's folder.")] = None,
) -> str:
    """Make a run of a robot's text log, pasted or from files.

    What the log does not say is assumed, and said.

    Example: sonargrid import log.txt -o first_run
    """
    if out is None:
        raise UsageProblem("no place for the run was given", hint="such as -o first_run")
    choice("--nearest", check.nearest, ("left", "right"))
    tape_m = None if check.tape is None else length_of(check.tape, "--tape")
    _stated(given), _setup(given)  # wrong flags are told before anything is read
    if os.path.lexists(out):
        raise OutputProblem("is there already; a run is never written over", hint="choose another name", file=out)
    names = logs or ["-"]
    if names.count("-") > 1:
        raise UsageProblem("standard input can be read once only", hint="put the other log into a file")
    asking = not check.yes and _can_ask(names)
    texts = [(_shown(name), _lines(name)) for name in names]
    draft = _Draft(texts, given)
    draft.show()
    if asking:
        draft = _agreed(draft, check)
    draft, side_said = _held_against(draft, check.nearest, tape_m, asking)
    return _written(draft, out, asking, side_said, check)


class _Draft:
    """What the logs come to with the flags as they stand."""

    def __init__(self, texts: list[tuple[str, list[str]]], given: LogOptions) -> None:
        self.texts, self.given = texts, given
        self.setup = _setup(given)
        self.guesses = [(name, _guess(name, lines, _stated(given))) for name, lines in texts]
        self.done = self._made()

    def _made(self) -> Imported:
        from sonargrid.runs.log_import import import_logs as made

        try:
            return made(self.guesses, self.setup)
        except ValueError as problem:
            raise SonargridError(str(problem)) from None

    def with_flags(self, **changed: Any) -> _Draft:
        """Return the draft with some flags changed."""
        return _Draft(self.texts, dataclasses.replace(self.given, **changed))

    def faults(self) -> tuple[str, ...]:
        """Return what of the classic faults the numbers show."""
        from sonargrid.runs.first_faults import first_faults
        from sonargrid.runs.log_guess import METRES
        from sonargrid.runs.log_import import head_view

        _, metres = head_view(self.done.run)
        first = self.guesses[0][1]
        # angles whose middle is known not to be 90 are no fault
        plain = first.angle_unit == "deg" and self.done.ahead_deg == 90.0
        angles = [angle for _, guess in self.guesses for angle in guess.angles] if plain else []
        return first_faults(angles, metres, self.done.run.ranger.reach_m, METRES[first.distance_unit])

    def show(self) -> None:
        """Say what was understood and assumed, and draw the strips."""
        said = dict.fromkeys(
            (*(text for _, guess in self.guesses for text in guess.assumptions), *self.done.assumptions)
        )
        say = [understood(name, guess) for name, guess in self.guesses] + [assumptions(said)]
        typer.echo("\n\n".join([*say, pictures(self.done)]), err=True)
        typer.echo("", err=True)
        told(self.faults())


def _can_ask(names: list[str]) -> bool:
    """Return whether somebody sits at a terminal; where the log is piped in, its keyboard is opened by name."""
    if sys.stdin is not None and sys.stdin.isatty():
        return True
    if "-" not in names or not sys.stderr.isatty():
        return False
    return os.path.exists("/dev/tty") and os.access("/dev/tty", os.R_OK)


def _agreed(draft: _Draft, check: CheckOptions) -> _Draft:
    """Ask what is not known until the answers are taken."""
    _to_keyboard()
    while True:
        flags = asked("Read rightly? (Enter, or a flag that mends it: --distance-unit mm)", "yes", _flags)
        if not flags:
            break
        try:
            draft = draft.with_flags(**flags)
        except SonargridError as problem:
            typer.echo(f"  {problem}", err=True)
            continue
        draft.show()
    if len(draft.texts) > 1 and not draft.given.station:
        draft = draft.with_flags(station=[_asked_place(i, name) for i, (name, _) in enumerate(draft.texts)])
    if draft.given.reach is None:
        usual = f"{draft.done.run.ranger.reach_m:g}m"
        text = asked("It hears as far as", usual, lambda text: (length_of(text, "--reach"), text)[1])
        draft = draft.with_flags(reach=text)
    if draft.given.temperature is None:
        warm = asked(f"Air temperature, degC ({UNKNOWN} = not known)", UNKNOWN, _temperature)
        draft = draft.with_flags(temperature=warm)
    return draft


def _to_keyboard() -> None:
    """Let questions be answered at the keyboard where standard input was the log."""
    if not sys.stdin.isatty():
        sys.stdin = open("/dev/tty", encoding="utf-8", errors="replace")  # noqa: SIM115  open until the end


def _temperature(text: str) -> float | None:
    if text == UNKNOWN:
        return None
    values = numbers("--temperature", text) or ()
    if len(values) != 1 or not -40.0 <= values[0] <= 60.0:
        raise UsageProblem(f"--temperature lies between -40 and 60 degC, got '{text}'")
    return values[0]


def _asked_place(number: int, name: str) -> str:
    letter = chr(ord("A") + number % 26)

    def read(text: str) -> str:
        station_of(f"{letter}:{text}")
        return f"{letter}:{text}"

    return asked(f"{name} is station {letter}; it stood at x,y,heading", f"{0.5 * number:g},0,90", read)


def _flags(text: str) -> dict[str, Any]:
    """Return the fields of `LogOptions` that typed flags change; none for yes."""
    if text.lower() in ("", "y", "yes"):
        return {}
    try:
        words = shlex.split(text.replace("=", " ") if "station" not in text else text)
    except ValueError as problem:
        raise UsageProblem(f"cannot be read: {problem}") from None
    known = {field.name: field for field in dataclasses.fields(LogOptions)}
    changed: dict[str, Any] = {}
    for flag, value in zip(words[::2], [*words[1::2], ""], strict=False):
        name = flag.removeprefix("--").replace("-", "_")
        if name not in known or not value or len(words) % 2:
            hint = "such as --distance-unit mm, --columns distance,angle, --no-echo-at 0,999 or --ahead 0"
            raise UsageProblem(f"'{text}' is no flag with its value", hint=hint)
        if name in ("station", "mark"):
            changed[name] = [*changed.get(name, []), value]
        elif name in ("ahead", "temperature", "us_per_cm", "distance_scale"):
            changed[name] = (numbers(flag, value) or (math.nan,))[0]
        else:
            changed[name] = value
    trial = dataclasses.replace(LogOptions(), **changed)
    _stated(trial), _setup(trial)
    return changed


def _held_against(draft: _Draft, side: str | None, tape_m: float | None, asking: bool) -> tuple[_Draft, bool]:
    """Return the draft held against what a person sees, and whether the side was confirmed."""
    from sonargrid.runs.first_faults import against_tape, flag_in

    words, read_m, left_deg = nearest(draft.done)
    if asking and side is None and tape_m is None and math.isfinite(read_m):
        typer.echo(f"{words}.", err=True)
        answer = asked("Is that true? (y, n, or how far by tape, such as 68cm)", "y", _verdict)
        side = {"n": "left" if left_deg < 0.0 else "right", "y": "left" if left_deg > 0.0 else "right"}.get(answer)
        tape_m = None if side else length_of(answer, "the distance by tape")
    if tape_m is not None and math.isfinite(read_m):
        sentence = against_tape(read_m, tape_m, draft.guesses[0][1].distance_unit == "us")
        if sentence and not (asking and flag_in(sentence)):
            raise SonargridError(f"nothing written: {sentence}", hint="the same command with that flag")
        if sentence:
            typer.echo(sentence, err=True)
            flags = asked("Mend it with", flag_in(sentence), _flags)
            draft = draft.with_flags(**flags) if flags else draft
            typer.echo(f"{pictures(draft.done)}\n\n{nearest(draft.done)[0]}.", err=True)
    if side is not None and abs(left_deg) > 8.0 and (side == "left") != (left_deg > 0.0):
        typer.echo("mirrored head: growing angles turn the other way; turned round at once.", err=True)
        draft = draft.with_flags(turns="ccw" if draft.setup.turns < 0 else "cw")
        typer.echo(f"{pictures(draft.done)}\n\n{nearest(draft.done)[0]}.", err=True)
    return draft, side is not None or tape_m is not None


def _verdict(text: str) -> str:
    word = text.strip().lower()
    if word in ("", "y", "yes", "n", "no"):
        return word[:1] or "y"
    length_of(word, "the distance by tape")
    return word


def _written(draft: _Draft, out: str, asking: bool, side_said: bool, check: CheckOptions) -> str:
    """Write the run, and draw the map if that is wished."""
    from sonargrid.runs.log_import import save_import

    words, read_m, _ = nearest(draft.done)
    if not side_said and math.isfinite(read_m):
        other = "ccw" if draft.setup.turns < 0 else "cw"
        typer.echo(f"{words}: if it stands on the other side, type --turns {other}", err=True)
    save_import(draft.done, out)
    count = len(draft.done.unread)
    lines = "1 line" if count == 1 else f"{count} lines"
    lost = f"; {lines} could not be read, see {out}/unread.txt" if count else ""
    said = f"{out}: {len(draft.done.run.readings)} readings{lost}."
    wanted = check.map
    if asking and not wanted:
        wanted = asked("Draw the map now? (y, n)", "y", _verdict) == "y"
    if not wanted:
        return f"{said}  Next: sonargrid map {out}"
    typer.echo(said, err=True)
    return _map(out)


def _map(out: str) -> str:
    """Return what `map` says of the new run."""
    from sonargrid.pipeline import Output, map_to_folder
    from sonargrid.runs.run_files import load_run
    from sonargrid_cli.map_words import map_report

    done = map_to_folder(load_run(out), output=Output(commands=(f"sonargrid map {shlex.quote(out)}",)))
    told(done.warnings)
    return map_report(done)


def _stated(given: LogOptions) -> Stated:
    from sonargrid.runs.log_guess import Stated

    choice("--angle-unit", given.angle_unit, ("deg", "rad", "pulse"))
    choice("--distance-unit", given.distance_unit, ("m", "cm", "mm", "in", "us", "ms", "us-one-way"))
    unit = "us" if given.distance_unit == "us-one-way" else given.distance_unit
    return Stated(column_names(given.columns), given.angle_unit, unit, numbers("--no-echo-at", given.no_echo_at))


def _setup(given: LogOptions) -> Setup:
    from sonargrid.runs.log_import import Setup
    from sonargrid.runs.survey import Taped, taped_station

    choice("--turns", given.turns, ("ccw", "cw"))
    if not (math.isfinite(given.distance_scale) and given.distance_scale > 0):
        raise UsageProblem("--distance-scale must be above 0")
    if given.us_per_cm is not None and not 40.0 <= given.us_per_cm <= 100.0:
        hint = "58 for the way there and back; a divisor per inch is 2.54 times that"
        raise UsageProblem(f"--us-per-cm lies between 40 and 100, got {given.us_per_cm:g}", hint=hint)
    tape_m = length_of(given.tape_sigma, "--tape-sigma")
    marks = marks_of(given.mark)
    places = stations_of(given.station, marks, tape_m)
    return Setup(
        -1 if given.turns == "cw" else 1,
        given.ahead,
        None if given.reach is None else length_of(given.reach, "--reach"),
        given.temperature,
        given.distance_scale * (2.0 if given.distance_unit == "us-one-way" else 1.0),
        tuple(taped_station(one, marks, tape_m) if isinstance(one, Taped) else one for one in places),
        given.us_per_cm,
        marks,
        frozenset(one.name for one in places if isinstance(one, Taped)),
    )


def _shown(name: str) -> str:
    return "standard input" if name == "-" else name


def _lines(name: str) -> list[str]:
    from sonargrid.runs.log_lines import text_of
    from sonargrid.runs.run_input import read_input

    if name == "-" and sys.stdin is not None and sys.stdin.isatty():
        typer.echo("Paste the log here, then press Enter and Ctrl-D:", err=True)
        content = read_input(name).content
        typer.echo("", err=True)
    else:
        content = read_input(name, waiting).content
    try:
        return text_of(content).splitlines()
    except ValueError as problem:
        raise SonargridError(str(problem), file=_shown(name)) from None


def _guess(name: str, lines: list[str], stated: Stated) -> LogGuess:
    from sonargrid.runs.log_guess import guess_log

    try:
        return guess_log(lines, stated)
    except ValueError as problem:
        raise SonargridError(str(problem), file=name) from None

"""The options that every command with a RUN shares, declared once, and the way from them to a `Run`.

`spread` lets a command's body take a whole record of options as one argument: the record's fields become the command's
own flags.  No numpy here: reading help must not load it.
"""

from __future__ import annotations

import inspect
import os
import sys
from collections.abc import Callable
from dataclasses import dataclass, fields, is_dataclass
from functools import wraps
from typing import TYPE_CHECKING, Annotated, Any, ParamSpec, TypeVar, get_type_hints

import typer

from sonargrid.errors import SonargridError, UsageProblem
from sonargrid.units import parse_length
from sonargrid_cli.reading_watch import reading_watch

if TYPE_CHECKING:
    from sonargrid.runs.readings import Run

P = ParamSpec("P")
T = TypeVar("T")
RUN_PANEL = "The run"
SCREEN_PANEL = "On the screen"


def spread(body: Callable[..., T]) -> Callable[..., T]:
    """Return `body` with each argument that is a record of options replaced by the record's fields."""
    hints = get_type_hints(body, include_extras=True)
    records: dict[str, Any] = {name: kind for name, kind in hints.items() if name != "return" and is_dataclass(kind)}
    flat: list[inspect.Parameter] = []
    for name, parameter in inspect.signature(body).parameters.items():
        if name not in records:
            flat.append(parameter.replace(annotation=hints[name], kind=parameter.KEYWORD_ONLY))
            continue
        field_hints = get_type_hints(records[name], include_extras=True)
        for field in fields(records[name]):
            flat.append(
                inspect.Parameter(
                    field.name, parameter.KEYWORD_ONLY, default=field.default, annotation=field_hints[field.name]
                )
            )

    @wraps(body)
    def whole(**given: Any) -> T:
        for name, kind in records.items():
            given[name] = kind(**{field.name: given.pop(field.name) for field in fields(kind)})
        return body(**given)

    whole.__signature__ = inspect.Signature(flat)  # type: ignore[attr-defined]
    whole.__annotations__ = {parameter.name: parameter.annotation for parameter in flat}
    del whole.__wrapped__
    return whole


def sample_words(incomplete: str) -> list[str]:
    """Return the sample runs that a half-typed name may mean, for the shell."""
    from sonargrid.runs.samples import sample_names

    return [name for name in sample_names() if name.startswith(incomplete)]


@dataclass(frozen=True, slots=True)
class SettingOptions:
    """What to take in place of what a run's files say."""

    settings: Annotated[
        list[str] | None,
        typer.Option(
            "--set", metavar="KEY=VALUE", help="Any key of run.toml; may be repeated.", rich_help_panel=RUN_PANEL
        ),
    ] = None
    reach: Annotated[
        str | None, typer.Option("--reach", metavar="LENGTH", help="How far it hears.", rich_help_panel=RUN_PANEL)
    ] = None
    temperature: Annotated[
        str | None, typer.Option("--temperature", metavar="DEGC", help="Of the air.", rich_help_panel=RUN_PANEL)
    ] = None
    half_beam: Annotated[
        str | None,
        typer.Option("--half-beam", metavar="DEG", help="Half angle of the beam.", rich_help_panel=RUN_PANEL),
    ] = None
    calibration: Annotated[
        str | None,
        typer.Option("--calibration", metavar="FILE", help="Values from the bench.", rich_help_panel=RUN_PANEL),
    ] = None


@dataclass(frozen=True, slots=True)
class RunOptions(SettingOptions):
    """Which run, and what to take in place of what its files say."""

    run: Annotated[
        str | None,
        typer.Argument(metavar="RUN", help="A run's folder, a CSV file, or - for one on standard input."),
    ] = None
    sample: Annotated[
        str | None,
        typer.Option(
            "--sample",
            metavar="NAME",
            help="A shipped sample run.",
            autocompletion=sample_words,
            rich_help_panel=RUN_PANEL,
        ),
    ] = None
    stations: Annotated[
        str | None, typer.Option("--stations", metavar="A,B", help="Only these.", rich_help_panel=RUN_PANEL)
    ] = None
    sweeps: Annotated[
        str | None, typer.Option("--sweeps", metavar="0,2", help="Only these.", rich_help_panel=RUN_PANEL)
    ] = None
    show_config: Annotated[
        bool,
        typer.Option("--show-config", help="Say where each value came from, and leave.", rich_help_panel=RUN_PANEL),
    ] = False


@dataclass(frozen=True, slots=True)
class ScreenOptions:
    """How a command speaks."""

    json: Annotated[bool, typer.Option("--json", help="One JSON object on stdout.", rich_help_panel=SCREEN_PANEL)] = (
        False
    )
    quiet: Annotated[bool, typer.Option("-q", "--quiet", help="Only errors.", rich_help_panel=SCREEN_PANEL)] = False
    verbose: Annotated[bool, typer.Option("-v", "--verbose", help="More words.", rich_help_panel=SCREEN_PANEL)] = False


# flag's field -> the key of run.toml it is short for
SHORT_FORMS = {
    "reach": ("--reach", "ranger.reach_m"),
    "temperature": ("--temperature", "air.temperature_c"),
    "half_beam": ("--half-beam", "ranger.half_beam_deg"),
}
LENGTH_SHORT_FORMS = {"reach"}  # these take units, the file's key is in metres


def typed_settings(options: SettingOptions) -> dict[str, tuple[str, str]]:
    """Return what the flags say, as key of run.toml -> (text, flag it came from).

    Raises
    ------
    UsageProblem
        If a ``--set`` is not KEY=VALUE or a length is none.
    """
    typed: dict[str, tuple[str, str]] = {}
    for pair in options.settings or []:
        key, sign, value = pair.partition("=")
        if not sign or not key.strip():
            raise UsageProblem(f"--set needs KEY=VALUE, got '{pair}'", hint="such as --set ranger.reach_m=3")
        typed[key.strip()] = (value.strip(), "--set")
    for field, (flag, key) in SHORT_FORMS.items():
        text = getattr(options, field)
        if text is not None:
            value = repr(length_of(text, flag)) if field in LENGTH_SHORT_FORMS else text.strip()
            typed[key] = (value, flag)
    return typed


def length_of(text: str, flag: str) -> float:
    """Return a flag's length in metres.

    Raises
    ------
    UsageProblem
        If the text is no positive finite length.
    """
    try:
        metres = parse_length(text)
    except ValueError as problem:
        raise UsageProblem(f"{flag}: {problem}") from None
    if metres <= 0.0:
        raise UsageProblem(f"{flag} must be a length above 0, got '{text}'", hint=f"such as {flag} 1cm")
    return metres


def names_of(text: str | None) -> tuple[str, ...]:
    """Return the names in a comma-separated list; none when nothing was typed.

    >>> names_of("A, B"), names_of(None)
    (('A', 'B'), ())
    """
    return () if text is None else tuple(name.strip() for name in text.split(","))


def whole_numbers_of(text: str | None, flag: str) -> tuple[int, ...]:
    """Return the whole numbers in a comma-separated list.

    Raises
    ------
    UsageProblem
        If one of them is no whole number.
    """
    names = names_of(text)
    if not all(name.isascii() and name.isdigit() for name in names):
        raise UsageProblem(f"{flag} takes whole numbers with commas between, got '{text}'", hint=f"such as {flag} 0,2")
    return tuple(int(name) for name in names)


def refuse_two_readers(run: str | None, other: str | None, flag: str) -> None:
    """Refuse to read two runs from standard input, before the first one is waited for.

    Raises
    ------
    UsageProblem
        If both are ``-``.
    """
    if run == "-" and other == "-":
        raise UsageProblem(f"RUN and {flag} cannot both be standard input", hint="put one of them into a file")


def load_chosen(
    options: RunOptions,
    other: str | None = None,
    flag: str = "RUN",
    *,
    count_repeats: bool = False,
    quiet: bool = False,
) -> Run:
    """Return the run that the options name, read with everything they say.

    Parameters
    ----------
    options : RunOptions
        As typed.
    other : str, optional
        Another run, read with the same settings (``--empty``).
    flag : str
        Where `other` was typed, for messages.
    count_repeats : bool
        Whether equal readings of a long log may be counted together, see `load_run`.
    quiet : bool
        Whether to show nothing while a long log is read.

    Raises
    ------
    UsageProblem
        If no run is named, or two are.
    SonargridError
        If the run cannot be read.
    """
    typed = typed_settings(options)
    sweeps = whole_numbers_of(options.sweeps, "--sweeps")
    if options.run is None and options.sample is None:
        raise UsageProblem(
            "no RUN was given", hint="a run's folder or CSV file, - for standard input, or --sample NAME"
        )
    if options.run is not None and options.sample is not None:
        raise UsageProblem(f"both RUN ({options.run}) and --sample were given", hint="leave one out")
    from sonargrid.runs.run_files import find_sample, load_run, settings_from_environment

    path = other if other is not None else options.run
    if path is None:
        path = str(find_sample(options.sample or ""))
    elif other is not None and path != "-" and not os.path.exists(path):
        raise SonargridError(f"no such run; {flag} was looked for in {os.getcwd()}", file=path)
    with reading_watch(path, quiet) as on_stored:
        return load_run(
            path,
            settings={**settings_from_environment(os.environ), **typed},
            stations=names_of(options.stations),
            sweeps=sweeps,
            calibration=options.calibration,
            on_wait=waiting,
            on_stored=on_stored,
            count_repeats=count_repeats,
        )


def waiting(sentence: str) -> None:
    """Say on stderr what is awaited."""
    print(sentence, file=sys.stderr, flush=True)

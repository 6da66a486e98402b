"""All commands of `sonargrid`, in the groups that ``--help`` shows, and the way from words to an answer.

A command's body returns the text for stdout; the door prints it.  Help and wrong usage are the library's business
(typer), their words and exit status are ours.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Sequence
from importlib import import_module

import typer

from sonargrid.errors import UsageProblem

# group as --help shows it -> (name, module:body) in the order of a day's work; modules are loaded when they are asked
# for, as all of them together cost 20 ms at every start
GROUPS: dict[str, tuple[tuple[str, str], ...]] = {
    "Start": (
        ("new", "new_command:new_run"),
        ("import", "import_command:import_logs"),
        ("check", "check_commands:check_readings"),
        ("map", "start_commands:map_run"),
        ("count", "start_commands:count_things"),
    ),
    "Bench": (
        ("bench-sheet", "check_commands:bench_sheet"),
        ("sender", "sender_command:print_sender"),
        ("record", "record_command:record_run"),
        ("calibrate", "bench_commands:calibrate"),
    ),
    "Compare": (
        ("compare", "beam_commands:compare_models"),
        ("align", "station_commands:align_run"),
        ("next", "station_commands:park_next"),
        ("score", "compare_commands:score_map"),
        ("simulate", "compare_commands:simulate_scene"),
        ("study", "study_commands:make_study"),
    ),
    "Pass on": (
        ("batch", "batch_commands:map_batch"),
        ("merge", "merge_command:merge_maps"),
        ("sweep", "look_commands:draw_sweep"),
        ("report", "look_commands:make_report"),
        ("explain", "pass_on_commands:explain_topic"),
    ),
}
COMMANDS = tuple(name for group in GROUPS.values() for name, _ in group)
WRONG_USAGE = 2


def make_app(only: str | None = None) -> typer.Typer:
    """Return the command line with every command registered, or with one: the rest costs time and is not asked for."""
    app = typer.Typer(
        name="sonargrid",
        help="Maps and lists of things from an ultrasonic ranger on a servo.",
        epilog="First try: sonargrid map --sample two_flowerpots --show\n\nOne command's help: sonargrid map --help",
        add_completion=only is None,
        rich_markup_mode="rich",
        pretty_exceptions_enable=False,
        context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    )
    for group, commands in GROUPS.items():
        for name, place in commands:
            if only is None or name == only:
                app.command(name, rich_help_panel=group)(_body(place))
    app.callback()(_root)
    return app


def _body(place: str) -> Callable[..., str]:
    """Return a command's body from its place, module:body."""
    module, _, name = place.partition(":")
    body: Callable[..., str] = getattr(import_module(f"sonargrid_cli.{module}"), name)
    return body


def _root(
    version: bool = typer.Option(False, "--version", "-V", help="Show the version and leave."),
) -> None:
    """Maps and lists of things from an ultrasonic ranger on a servo."""
    if version:  # the door answers a lone --version; this one stands among other words
        raise UsageProblem("--version stands alone", hint="sonargrid --version")


def answer(program: str, words: Sequence[str]) -> str:
    """Return the text that a command line asks for.

    Raises
    ------
    UsageProblem
        If the words are no known command or do not fit it.
    """
    _check_command(words)
    try:
        only = words[0] if words and words[0] in COMMANDS else None
        said = make_app(only)(
            args=list(words) or ["--help"], prog_name=program, standalone_mode=False, obj=tuple(words)
        )
    except typer.Abort:
        raise KeyboardInterrupt from None
    except SystemExit as left:
        if left.code in (0, None):  # a shell asked what could come next, and was answered
            return ""
        raise BrokenPipeError from None  # typer's way to say that nobody reads stdout any more
    except Exception as problem:
        if hasattr(problem, "format_message") and getattr(problem, "exit_code", 0) == WRONG_USAGE:
            raise _usage_problem(problem.format_message(), program, words) from None
        raise
    if said == 130:
        raise KeyboardInterrupt
    return said if isinstance(said, str) else ""


def _check_command(words: Sequence[str]) -> None:
    """Refuse an unknown command with the nearest known one."""
    name = next((word for word in words if not word.startswith("-")), None)
    if name is None or name in COMMANDS:
        return
    near = difflib.get_close_matches(name, COMMANDS, n=1, cutoff=0.5)
    hint = f"did you mean '{near[0]}'?" if near else f"the commands are {', '.join(COMMANDS)}"
    raise UsageProblem(f"there is no command '{name}'", hint=hint)


def _usage_problem(message: str, program: str, words: Sequence[str]) -> UsageProblem:
    """Return the library's complaint in our form, with the help to read."""
    command = next((word for word in words if word in COMMANDS), None)
    said = message.strip().rstrip(".")
    said = said[:1].lower() + said[1:] if said else "the command line does not fit"
    return UsageProblem(said, hint=f"{program} {command + ' ' if command else ''}--help shows what fits")

"""The door: one command line in, one exit status out.

Data go to stdout, everything else to stderr.  Exit status 0 = done, 1 = the data or the environment is at fault, 2 =
wrong usage, 130 = interrupted.  No traceback reaches a user; SONARGRID_DEBUG=1 shows it to a developer.  Nothing heavy
is imported before it is known what is asked for.
"""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Sequence

import sonargrid

PROGRAM = "sonargrid"


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command line and return its exit status."""
    words = list(sys.argv[1:] if argv is None else argv)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")  # an old terminal's code page is no reason to fail
    try:
        return _spoken(_answer(words))
    except BrokenPipeError:
        return _reader_left()
    except (Exception, KeyboardInterrupt) as problem:
        return _failed(problem, wants_json="--json" in words)


def _answer(words: list[str]) -> str:
    """Return what the command line asks for, as the text for stdout."""
    if words in (["--version"], ["-V"]):
        return f"{PROGRAM} {sonargrid.__version__}"  # before the command line's library is even imported
    from sonargrid_cli.command_table import answer

    return answer(PROGRAM, words)


def _spoken(text: str) -> int:
    """Print a command's answer; an empty one prints nothing."""
    if text:
        sys.stdout.write(text if text.endswith("\n") else text + "\n")
    sys.stdout.flush()
    return getattr(text, "exit_code", 0)  # a report may say no (`answers`)


def _reader_left() -> int:
    """Leave quietly when whoever read our output has had enough (``| head``)."""
    # what is still in the buffer would raise once more while Python shuts down
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return 0


def _failed(problem: BaseException, wants_json: bool) -> int:
    """Tell what went wrong on stderr, with ``--json`` also as one object on stdout, and return the exit status."""
    from sonargrid_cli.fault_words import as_json, as_words, faults_of

    faults, count, exit_code = faults_of(problem)
    if os.environ.get("SONARGRID_DEBUG") == "1":
        import traceback

        traceback.print_exception(problem)
    print(as_words(faults, count), file=sys.stderr)
    if wants_json:
        try:
            print(as_json(faults, count, exit_code), flush=True)
        except BrokenPipeError:
            _reader_left()
    return exit_code

"""What a person at a terminal meets: colours where the screen has them, and questions that are asked again."""

from __future__ import annotations

import os
import pty
import re
import subprocess
import sys
from pathlib import Path

import pytest

from sonargrid.errors import OutputProblem, UsageProblem
from sonargrid.many.holding import WORKERS_LOCK, alone, hold_workers_lock
from sonargrid.runs.run_files import find_sample, load_run
from sonargrid_cli import questions, screen_words
from sonargrid_cli.batch_watch import Watch

ESCAPE = re.compile(r"\x1b\[[0-9;]*m")


class Screen:
    """A standard output that says that it is a terminal."""

    encoding = "utf-8"

    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize("ground", ["0;15", "15;0", ""])
def test_a_colour_screen_gets_half_blocks(ground: str, monkeypatch: pytest.MonkeyPatch) -> None:
    from sonargrid.drawing.pictures import map_content
    from sonargrid.maps.evidence import MapSettings
    from sonargrid.maps.mapping import map_run

    monkeypatch.setattr(screen_words.sys, "stdout", Screen())
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.setenv("COLORTERM", "truecolor")
    monkeypatch.setenv("COLORFGBG", ground)
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setattr("rich.console.Console.is_terminal", True)
    made = map_run(load_run(find_sample("two_flowerpots")), MapSettings(solver="additive", cell_m=0.05))
    said = screen_words.shown_map(map_content(made))
    assert "38;2;" in said
    assert "\u2584" in said or "\u2580" in said
    assert max(len(ESCAPE.sub("", line)) for line in said.splitlines()) <= 80
    monkeypatch.setenv("NO_COLOR", "1")
    plain = screen_words.shown_map(map_content(made))
    assert "\x1b" not in plain
    assert plain.isascii()


def test_a_question_is_asked_again_with_the_reason_until_it_can_be_used(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    answers = iter(["far", " 7 "])

    def read(text: str) -> int:
        if not text.isdigit():
            raise UsageProblem(f"'{text}' is no count", hint="such as 3")
        return int(text)

    monkeypatch.setattr(questions.typer, "prompt", lambda *_, **__: next(answers))
    assert questions.asked("How many?", "3", read) == 7
    assert capsys.readouterr().err.splitlines() == ["  'far' is no count", "  such as 3"]
    assert questions.answer_of("5", "How many?", "3", read, ask=True) == 5
    assert questions.answer_of(None, "How many?", "3", read, ask=False) == 3


def test_a_folder_waits_until_workers_of_a_killed_job_have_left(tmp_path: Path) -> None:
    import fcntl

    refused = pytest.raises(OutputProblem, match="another batch or study is at work there")
    with alone(tmp_path), refused, alone(tmp_path):
        raise AssertionError("two jobs hold one folder")
    hold_workers_lock(str(tmp_path / WORKERS_LOCK))  # as a worker does, for as long as its process lives
    with (tmp_path / WORKERS_LOCK).open("ab") as other, pytest.raises(OSError, match="temporarily unavailable"):
        fcntl.flock(other, fcntl.LOCK_EX | fcntl.LOCK_NB)


def test_a_long_job_says_each_piece_and_asks_twice_before_it_leaves(capsys: pytest.CaptureFixture[str]) -> None:
    class Drained:
        drained = False

        def drain(self) -> None:
            self.drained = True

    workers = Drained()
    with Watch("runs", 2, False, lambda line: str(line["name"])) as watch:
        watched = watch.watched()
        assert watched.on_crew is not None and watched.told is not None
        watched.on_crew(workers)  # type: ignore[arg-type]
        watched.told({"name": "bench"})
        os.kill(os.getpid(), 2)
        assert workers.drained
        assert watch.interrupted
        with pytest.raises(KeyboardInterrupt):
            os.kill(os.getpid(), 2)
    said = capsys.readouterr().err
    assert said.startswith("1 of 2  bench\n")
    assert "Ctrl-C again leaves at once" in said


@pytest.mark.parametrize(("colours", "code"), [("truecolor", b"38;2;"), ("", b"38;5;")])
def test_a_real_terminal_gets_the_colours_that_it_has(colours: str, code: bytes, tmp_path: Path) -> None:
    parent, child = pty.openpty()
    words = [sys.executable, "-m", "sonargrid_cli", "map", "--sample", "two_flowerpots", "--no-objects"]
    words += ["--solver", "additive", "--cell", "4cm", "--show"]
    environment = {**os.environ, "TERM": "xterm-256color", "COLUMNS": "80", "LINES": "40", "COLORTERM": colours}
    environment.pop("NO_COLOR", None)
    process = subprocess.Popen(words, stdout=child, stderr=subprocess.DEVNULL, cwd=tmp_path, env=environment)
    os.close(child)
    heard = b""
    while True:
        try:
            part = os.read(parent, 65536)
        except OSError:  # Linux says so when the other end is closed
            break
        if not part:
            break
        heard += part
    os.close(parent)
    assert process.wait() == 0
    assert code in heard
    assert "two_flowerpots_map" in heard.decode()

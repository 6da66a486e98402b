"""README.md and DEVELOPERS.md: what they promise must hold.  Their examples are run by test_docs_examples."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from sonargrid_cli.command_table import COMMANDS
from sonargrid_cli.main import main

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_readme_opens_with_the_job() -> None:
    title, _, first = README.partition("\n\n")
    assert title == "# sonargrid"
    assert first.split("\n\n")[0].startswith("A small robot with an ultrasonic ranger on a servo")


def test_readme_has_exactly_the_two_commands_that_ci_runs() -> None:
    commands = re.findall(r"^ *(python3 -m venv .*)$", README, flags=re.MULTILINE)
    assert len(commands) == 2
    assert "sonargrid map --sample two_flowerpots" in commands[0]
    assert commands[1].endswith("-m pytest")


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_every_file_the_documentation_names_is_there(name: str) -> None:
    text = (ROOT / name).read_text(encoding="utf-8")
    for link in re.findall(r"\]\(([^)]+)\)", text):
        assert (ROOT / link).exists(), link
    for path in re.findall(r"`((?:cli|tests|benchmarks|src|sample_runs)/[\w./*]+)`", text):
        assert list(ROOT.glob(path)), path


def test_the_pictures_are_small() -> None:
    pictures = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", README)
    assert len(pictures) == 2
    assert all((ROOT / picture).stat().st_size < 300_000 for picture in pictures)


def test_every_command_the_documentation_names_exists() -> None:
    named = set(re.findall(r"(?:`|^ *|/)sonargrid ([a-z][a-z-]*)", README + DEVELOPERS, flags=re.MULTILINE))
    assert named >= {"map", "count", "simulate", "score", "explain"}
    assert named <= set(COMMANDS), named - set(COMMANDS)


def test_every_flag_the_readme_names_exists(capsys: pytest.CaptureFixture[str]) -> None:
    for command, flags in re.findall(r"sonargrid (map|count|simulate|score) ([^`]*)`", README):
        assert main([command, "--help"]) == 0
        words = capsys.readouterr().out
        for flag in re.findall(r"--[a-z-]+", flags):
            assert flag in words, f"{command} {flag}"

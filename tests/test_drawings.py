"""The drawings behind `explain` and `new`: every name in them is a key, words keep apart and stay on the page."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from itertools import combinations
from pathlib import Path

import pytest

from sonargrid.drawing.floor_plan import floor_plan
from sonargrid.drawing.mounting_picture import mounting_figure, page_figure
from sonargrid.drawing.raster import text_width
from sonargrid.drawing.shapes import Box, Figure, Words, overlaps
from sonargrid.runs.new_run import stations_round
from sonargrid.runs.run_keys import BY_NAME
from sonargrid_cli.main import main
from sonargrid_cli.pass_on_commands import DRAWN

FIGURES = {topic: page_figure(topic) for topic in DRAWN}
FIGURES |= {f"plan of {count}": floor_plan(stations_round(count, 1.2)) for count in (2, 3, 4, 8)}


def _box(words: Words) -> Box:
    width = text_width(words.text, words.size)
    left = words.x - {"start": 0.0, "middle": width / 2.0, "end": width}[words.anchor]
    return left, words.y - 0.72 * words.size, left + width, words.y + 0.2 * words.size


@pytest.mark.parametrize("name", FIGURES)
@pytest.mark.parametrize("theme", ["light"])
def test_words_keep_apart_and_on_the_page(name: str, theme: str) -> None:
    figure: Figure = FIGURES[name]
    for words in figure.words():
        left, top, right, bottom = _box(words)
        assert left >= 0 and top >= 0 and right <= figure.width and bottom <= figure.height, words.text
    for one, two in combinations(figure.words(), 2):
        assert not overlaps(_box(one), _box(two)), (one.text, two.text)


def test_the_mounting_drawing_names_keys_that_exist() -> None:
    named = {key for words in mounting_figure().words() for key in re.findall(r"\b\w+\.\w+_(?:m|deg)\b", words.text)}
    assert named <= set(BY_NAME)
    wanted = {"head.arm_m", "head.side_m", "robot.head_ahead_m", "robot.head_left_m", "robot.radius_m"}
    assert named == wanted | {"ranger.height_m", "ranger.tilt_deg"}


@pytest.mark.parametrize("topic", DRAWN)
def test_explain_writes_the_drawing(topic: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "page.svg"
    assert main(["explain", topic, "--svg", str(path)]) == 0
    assert ET.parse(path).getroot().tag.endswith("svg")
    assert str(path) in capsys.readouterr().out


def test_a_page_without_a_drawing_says_which_have_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["explain", "words", "--svg", str(tmp_path / "a.svg")]) == 2
    assert "mounting, sending, stations" in capsys.readouterr().err
    assert main(["explain", "mounting", "--svg", str(tmp_path / "a.png")]) == 2

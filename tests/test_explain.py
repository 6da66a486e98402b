"""The built-in pages: each topic has one, each fits a screen, and a wrong topic is told the right ones."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import sonargrid
from sonargrid.errors import UsageProblem
from sonargrid.explain import page, topics

PAGES = Path(sonargrid.__file__).parent / "pages"
SCREEN = 80


def test_every_topic_has_a_page_and_every_page_a_topic() -> None:
    assert set(topics()) == {path.stem for path in PAGES.glob("*.md")}


@pytest.mark.parametrize("topic", topics())
def test_a_page_fits_the_screen(topic: str) -> None:
    text = page(topic)
    first, *rest = text.splitlines()
    assert first.startswith("# ")
    assert len(rest) >= 40, "a page that says so little is no page"
    assert [line for line in text.splitlines() if len(line) > SCREEN] == []
    # a terminal sets code in by one column on each side
    code = "".join(re.findall(r"^```.*?^```", text, flags=re.DOTALL | re.MULTILINE))
    assert [line for line in code.splitlines() if len(line) > SCREEN - 2] == []
    assert text.endswith("\n")
    assert text.count("```") % 2 == 0


@pytest.mark.parametrize(("topic", "line"), topics().items())
def test_the_list_of_topics_fits_the_screen(topic: str, line: str) -> None:
    assert len(f"  {topic:18} {line}") <= SCREEN


def test_topics_are_a_copy() -> None:
    topics().clear()
    assert topics()


@pytest.mark.parametrize("spelling", ["words", " Words ", "words.md", "WORDS"])
def test_a_topic_is_found_however_it_is_typed(spelling: str) -> None:
    assert page(spelling) == page("words")


def test_blanks_and_underscores_do_for_hyphens() -> None:
    assert page("beam models") == page("beam_models") == page("beam-models")


def test_an_unknown_topic_lists_all_and_names_the_nearest() -> None:
    with pytest.raises(UsageProblem, match=r"there is no page 'wirds'; pages: reading-a-map, words, ") as caught:
        page("wirds")
    assert caught.value.faults[0].hint == "did you mean 'words'?"
    assert caught.value.exit_code == 2
    with pytest.raises(UsageProblem, match="there is no page 'qqq'") as caught:
        page("qqq")
    assert caught.value.faults[0].hint == "sonargrid explain lists them with a line each"


def test_cautions_say_what_a_map_is_not() -> None:
    words = " ".join(page("cautions").split())
    for needed in (
        "slice at the height of the beam",
        "no safety function and no protective device",
        "IEC 61496-1",
        "IEC TS 62998-1",
        "qualified person",
        "rules of your place",
        "Servos",
        "Moving robots",
        "Hand tools",
        "Eyes",
    ):
        assert needed in words, needed


def test_words_explain_the_words_on_screens() -> None:
    words = page("words").lower()
    for needed in (
        "log-odds",
        "give or take",
        "arc of equal range",
        "one cause per echo",
        "bearing",
        "station",
        "reach",
        "silent",
        "void",
        "redundancy",
        "sweep",
        "half beam",
        "prior",
        "touched",
        "cluster",
        "beam model",
        "solver",
        "arc not yet explained",
        "95 % ellipse",
        "near face",
        "servo axis",
        "turning",
        "strip",
        "plan",
        "theme",
        "worksheet",
        "digest",
    ):
        assert needed in words, needed

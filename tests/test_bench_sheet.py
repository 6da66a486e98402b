"""The bench sheet: the order of its steps, where its posts go, its figures, and a page that needs nothing else."""

from __future__ import annotations

import base64
import hashlib
import json
import math
import re
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sonargrid.bench.bench_plan import CAUTIONS, bench_plan
from sonargrid.results.bench_sheet import sheet_html, sheet_text
from sonargrid.runs.readings import Head, Ranger, Readings, Run
from sonargrid_cli.main import main

Capture = pytest.CaptureFixture[str]


def run_of(**ranger: float) -> Run:
    angles = np.arange(0.0, 181.0, 3.0)
    rows = Readings("angle_deg", "range_m", angles, np.full(61, 0.5), *(np.zeros((3, 61), int)), 0.08 * np.arange(61))
    return Run(rows, ranger=Ranger(**ranger), title="Potting bench")


def test_the_order_saves_rework() -> None:
    titles = [step.title for step in bench_plan().steps]
    wanted = [
        "Centre the servo before the bracket",
        "Prove the travel before the sweep",
        "a book on the left",
        "A reference for straight ahead",
        "Let the ranger warm",
        "Known distances",
        "Survey the posts at distinct ranges",
        "Sweep there and back",
        "Judge it before you measure",
    ]
    places = [next(i for i, title in enumerate(titles) if words in title) for words in wanted]
    assert places == sorted(places)


@given(half=st.floats(8.0, 44.0), reach=st.floats(0.3, 6.0), step=st.sampled_from([1.0, 2.0, 3.0, 5.0]))
def test_arcs_of_the_posts_neither_touch_nor_leave_the_half_circle(half: float, reach: float, step: float) -> None:
    run = run_of(half_beam_rad=math.radians(half), reach_m=reach)
    angles = np.arange(0.0, 180.0 + 1e-9, step)
    zeros = np.zeros((3, angles.size), int)
    posts = bench_plan(replace(run, readings=Readings("angle_deg", "range_m", angles, 0.1 + 0 * angles, *zeros))).posts
    ordered = sorted(posts, key=lambda p: p.head_deg)
    for low, high in pairwise(ordered):
        # two posts of a beam too wide even for them may touch; three never do
        if len(posts) == 3:
            assert high.head_deg - low.head_deg > 0.5 * (high.arc_deg + low.arc_deg)
        assert high.near_m != low.near_m
    assert ordered[0].head_deg - 0.5 * ordered[0].arc_deg >= 0.0
    assert ordered[-1].head_deg + 0.5 * ordered[-1].arc_deg <= 180.0
    for post in posts:
        assert post.near_m < reach
        assert math.hypot(post.x_m, post.y_m) == pytest.approx(post.near_m + 0.025, abs=0.002)
        assert math.degrees(math.atan2(post.y_m, post.x_m)) == pytest.approx(post.head_deg, abs=0.3)


def test_figures_are_of_the_runs_own_ranger() -> None:
    figures = {name: (value, note) for name, value, note in bench_plan(run_of(reach_m=3.0, height_m=0.1)).figures}
    assert figures["Reach"][0] == "3.00 m"
    # 3 m there and back at 344 m/s, worked by hand: 6 / 344 = 17.4 ms
    assert figures["Reach"][1] == "an echo from there takes 17.4 ms"
    assert figures["Step"] == ("3°, 61 pings", "80 ms a ping (60 or more; common practice)")
    assert figures["Time of a sweep"][0] == "4.9 s"
    assert figures["Servo pulses"][0] == "500, 1500, 2500 µs"
    # the beam's lower edge falls 0.1 m in 0.1 / sin(25 degrees) = 0.237 m
    assert figures["Floor under the beam"][0] == "from 0.24 m"


def test_pulses_of_a_head_that_turns_the_other_way() -> None:
    run = replace(run_of(), head=Head(pulse_centre_us=1520.0, pulse_us_per_deg=-10.0))
    assert next(value for name, value, _ in bench_plan(run).figures if name == "Servo pulses") == "2420, 1520, 620 µs"


def test_known_distances_lie_within_reach() -> None:
    assert bench_plan(run_of(reach_m=0.4, blind_zone_m=0.06)).known_m == (0.10, 0.20, 0.30)
    known = bench_plan(run_of(reach_m=4.0)).known_m
    assert len(known) <= 8 and known[-1] == 3.0


def test_text_fits_the_screen_and_has_boxes() -> None:
    text = sheet_text(bench_plan(run_of()))
    assert max(map(len, text.splitlines())) <= 80
    assert text.count("[ ] ") == len(bench_plan().steps)
    assert text.count("_________") >= 20
    for words in ("Power off", "horn", "blocks", "Sharp tools", "eye protection", "laser", "rules of your workshop"):
        assert words in " ".join(text.split())


class _Page(HTMLParser):
    """Collects tags and what they would fetch; complains about tags that are not closed in order."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[str] = []
        self.fetched: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.fetched += [value or "" for name, value in attrs if name in {"src", "href", "srcset", "data"}]
        if tag != "meta":
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


@pytest.mark.parametrize(("paper", "size"), [("a4", "A4"), ("letter", "letter")])
def test_the_page_stands_alone(paper: str, size: str) -> None:
    page = sheet_html(bench_plan(run_of()), paper)
    read = _Page()
    read.feed(page)
    assert read.open == []
    assert read.fetched == []
    assert "script" not in read.tags and "link" not in read.tags
    assert "url(" not in page and "http" not in page.replace("http-equiv", "")
    assert f"@page{{size:{size};" in page
    style = re.search(r"<style>(.*?)</style>", page, re.DOTALL)
    assert style is not None
    digest = base64.b64encode(hashlib.sha256(style.group(1).encode()).digest()).decode()
    assert f"style-src 'sha256-{digest}'" in page
    assert " style=" not in page  # the policy would refuse it


def test_names_from_a_run_are_words_and_no_tags() -> None:
    run = replace(run_of(), title="<script>alert(1)</script> & bench", ranger=Ranger(label='"no. 3" <b>'))
    page = sheet_html(bench_plan(run))
    assert "<script>" not in page and "<b>" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt; &amp; bench" in page


def test_each_caution_is_on_the_page() -> None:
    page = sheet_html(bench_plan())
    assert all(caution.split(":")[0].split(".")[0] in page for caution in CAUTIONS)


def test_an_unknown_paper_is_a_wrong_argument() -> None:
    with pytest.raises(ValueError, match="paper is one of a4, letter, got 'a3'"):
        sheet_html(bench_plan(), "a3")


# the command


def test_text_on_the_screen(capsys: Capture) -> None:
    assert main(["bench-sheet"]) == 0
    said = capsys.readouterr()
    assert said.out.startswith("BENCH SHEET\n")
    assert said.err == ""


def test_a_page_with_the_figures_of_a_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Capture) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["bench-sheet", "--sample", "two_flowerpots", "-o", "sheet.html", "--paper", "letter"]) == 0
    assert capsys.readouterr().out == "bench sheet written to sheet.html\n"
    page = Path("sheet.html").read_text(encoding="utf-8")
    assert "Two flowerpots" in page and "24°" in page
    assert main(["bench-sheet", "--sample", "two_flowerpots", "-o", "sheet.txt"]) == 0
    assert main(["bench-sheet", "--sample", "two_flowerpots", "-o", "sheet.txt"]) == 0  # its own file is replaced
    capsys.readouterr()
    assert main(["bench-sheet", "--json", "--reach", "2m", "--sample", "two_flowerpots"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["figures"][0] == {"name": "Reach", "value": "2.00 m", "note": "an echo from there takes 11.6 ms"}
    assert [post["name"] for post in told["posts"]] == ["L", "M", "R"]


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (["--paper", "a3"], 2, "unknown paper 'a3'"),
        (["-o", "sheet.pdf"], 2, "-o takes a name that ends in .html or .txt, got 'sheet.pdf'"),
        (["--show-config"], 2, "--show-config belongs to a RUN"),
        (["nowhere"], 1, "nowhere"),
    ],
)
def test_wrong_words(words: list[str], status: int, said: str, capsys: Capture) -> None:
    assert main(["bench-sheet", *words]) == status
    assert said in capsys.readouterr().err


def test_another_file_is_left_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Capture) -> None:
    monkeypatch.chdir(tmp_path)
    Path("notes.txt").write_text("mine", encoding="utf-8")
    assert main(["bench-sheet", "-o", "notes.txt"]) == 1
    assert "holds something else and is left alone" in capsys.readouterr().err
    assert Path("notes.txt").read_text(encoding="utf-8") == "mine"

"""The report page: its structure, its policy, that nothing from a run gets out of its quotes, and what it says."""

from __future__ import annotations

import base64
import hashlib
import json
import math
import os
import re
import shutil
from collections.abc import Iterator
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from sonargrid.bench.check_findings import CheckFinding, RunCheck
from sonargrid.drawing.palette import THEMES, grey, rgb
from sonargrid.drawing.pictures import map_figure, map_view
from sonargrid.errors import SonargridError
from sonargrid.finding.things import Object
from sonargrid.results.report import SURFACES, _strips, report_page, text
from sonargrid.results.report_data import ReportData, map_part, meetings, one_line, read_report, report_folders
from sonargrid.results.report_sections import calibrated_values, check_of, check_part, is_comparison, read_comparison
from sonargrid.results.report_svg import COLOUR_NAMES, themed_svg, thing_words
from sonargrid.runs.readings import Readings, Run, Station
from sonargrid.runs.run_files import save_run
from sonargrid_cli.main import main

Capture = pytest.CaptureFixture[str]
VOID = {"meta", "input", "br", "hr", "link", "img"}
EVIL = '<script>alert(1)</script> "><img src=x onerror=\'y\'> & fill="#18242e"'


class Page(HTMLParser):
    """Every tag with its attributes, the open ones as a stack, and the words."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.words: list[str] = []
        self.open: list[str] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, {name: value or "" for name, value in attrs}))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, {name: value or "" for name, value in attrs}))

    def handle_endtag(self, tag: str) -> None:
        assert self.open and self.open[-1] == tag, f"</{tag}> closes <{self.open[-1:]}>"
        self.open.pop()

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    def all(self, tag: str, **wanted: str) -> list[dict[str, str]]:
        """Return the attributes of all tags of a name that have these."""
        return [found for name, found in self.tags if name == tag and wanted.items() <= found.items()]


@pytest.fixture(autouse=True)
def _no_settings(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in [name for name in os.environ if name.startswith("SONARGRID_")]:
        monkeypatch.delenv(name)


def two_stations(title: str = "Bench", name: str = "A") -> Run:
    """One post of 10 cm at (0.3, 0.6), heard from two stations."""
    angles = np.arange(0.0, 181.0, 3.0)
    stations = (Station(name, 0.0, 0.0), Station("B", 0.6, 0.0))
    parts = []
    for station in stations:
        away = math.hypot(0.3 - station.x_m, 0.6 - station.y_m) - 0.05
        bearing = math.degrees(math.atan2(0.6 - station.y_m, 0.3 - station.x_m))
        parts.append(np.where(abs(angles - bearing) <= 24.0, away, np.inf))
    index = np.repeat([0, 1], angles.size)
    rows = Readings(
        "angle_deg", "range_m", np.tile(angles, 2), np.concatenate(parts), index, index, np.ones(index.size)
    )
    return Run(rows, stations, title=title)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A map's folder, its run saved beside it, with hostile words wherever a run may have words."""
    place = tmp_path_factory.mktemp("report")
    save_run(two_stations(EVIL, "<b>A</b>\"'&"), place / "run")
    assert main(["map", str(place / "run"), "-o", str(place / "out"), "-q", "--cell", "2cm"]) == 0
    return place / "out"


@pytest.fixture(scope="module")
def data(folder: Path) -> Iterator[ReportData]:
    yield read_report(folder)


def test_the_page_is_whole_and_every_tag_is_closed(data: ReportData) -> None:
    for worksheet in (False, True):
        page = Page(report_page([data], worksheet))
        assert not page.open
        assert page.all("html", lang="en") and len(page.all("h1")) == 1 and page.all("main")
        ids = [found["id"] for _, found in page.tags if "id" in found]
        assert len(ids) == len(set(ids)), "an id stands for one thing"
        for found in page.tags:
            for reference in re.findall(r"url\(#([^)]*)\)", " ".join(found[1].values())):
                assert reference in ids


def test_words_of_a_run_stay_words(data: ReportData) -> None:
    page = report_page([data, data])
    seen = Page(page)
    assert len(seen.all("script")) == 1 and not seen.all("b")
    assert all(not name.startswith("on") for _, found in seen.tags for name in found)
    assert any(EVIL in words for words in seen.words), "shown as it was typed"
    assert all(found["src"].startswith("data:image/png;base64,") for _, found in seen.tags if "src" in found)


def test_nothing_is_asked_of_the_network_and_nothing_but_the_pages_own_runs(data: ReportData) -> None:
    page = report_page([data])
    seen = Page(page)
    (policy,) = [found["content"] for found in seen.all("meta") if "Policy" in found.get("http-equiv", "")]
    assert policy.startswith("default-src 'none'") and "unsafe" not in policy and "http" not in policy
    for tag, rule in (("style", "style-src"), ("script", "script-src")):
        (inside,) = re.findall(rf"<{tag}>(.*?)</{tag}>", page, re.S)
        kept = base64.b64encode(hashlib.sha256(inside.encode()).digest()).decode()
        assert f"{rule} 'sha256-{kept}'" in policy
    assert all("style" not in found for _, found in seen.tags), "inline style would be refused"
    links = [found[name] for _, found in seen.tags for name in ("href", "xlink:href", "action") if name in found]
    assert links and all(link.startswith(("#", "data:image/png;base64,")) for link in links)
    assert set(re.findall(r"https?://[^\"'\s<]*", page)) == {"http://www.w3.org/2000/svg"}
    assert "@import" not in page and "url(http" not in page and "fetch(" not in page


def test_list_and_map_know_one_another(data: ReportData) -> None:
    assert data.objects
    seen = Page(report_page([data]))
    hits, rows = seen.all("g", **{"class": "hit"}), seen.all("tr")
    in_map = [found["data-thing"] for found in hits]
    in_list = [found["data-thing"] for found in rows if "data-thing" in found]
    assert in_list == [f"m1-{number}" for number in range(1, len(data.objects) + 1)] and set(in_map) <= set(in_list)
    assert all(found["tabindex"] == "0" and found["role"] == "button" and found["aria-label"] for found in hits)
    view = map_view(map_part(data))
    centres = {found["cx"] for found in seen.all("circle")}
    for thing in data.objects:
        x = float(view.place(thing.x_m, thing.y_m)[0])
        assert not view.shows(thing.x_m, thing.y_m) or f"{x:.1f}" in centres


def test_every_switch_switches_something(data: ReportData) -> None:
    page = report_page([data])
    seen = Page(page)
    boxes = seen.all("input", type="checkbox")
    assert len(boxes) >= 5
    classes = {name for found in seen.all("g") for name in found.get("class", "").split()}
    for box in boxes:
        assert classes & set(box["data-layers"].split()), box
    assert page.count('class="on-light') == page.count('class="on-dark') > 0


def test_a_worksheet_keeps_its_answers_for_later(data: ReportData) -> None:
    page = report_page([data], worksheet=True)
    asked, answers = page.split('<section class="answers">')
    assert "How many? Where?" in asked and "Answers" in answers
    assert 'class="things"' not in asked and 'class="hit"' not in asked and "stands there" not in asked
    assert "data-thing" in answers and "<h2>Things</h2>" in answers
    assert ".answers,article+article{break-before:page}" in page


def test_the_record_repeats_the_map(data: ReportData) -> None:
    page = report_page([data])
    for command in data.summary["commands"]:
        assert text(command) in page
    assert data.summary["run"]["digest"] in page
    assert all(entry["sha256"] in page for entry in data.summary["files"].values())
    assert all(text(key) in page for key in data.summary["settings"])
    assert "No safety function" in page


def test_the_page_is_small(data: ReportData) -> None:
    assert len(report_page([data]).encode()) < 750_000, "half of what four stations may take"


def test_arcs_meet_at_the_thing(data: ReportData) -> None:
    post = Object("post", 0.3, 0.6, 0.01, 0.01, 0.0, 0.62, 1.1, 2, 34, diameter_m=0.10)
    met = meetings(post, data)
    assert [one.station for one in met] == ["<b>A</b>\"'&", "B"]
    assert all(abs(one.miss_m) < 0.003 for one in met)
    assert not meetings(replace(post, x_m=-0.5), data), "no arc passes by there"
    assert not meetings(post, replace(data, run=None))


def test_how_the_arcs_meet_is_a_picture_a_station_and_a_close_up(data: ReportData) -> None:
    post = Object("post", 0.3, 0.6, 0.01, 0.01, 0.0, 0.62, 1.1, 2, 34, diameter_m=0.10)
    page = report_page([replace(data, objects=(post, replace(post, kind="echo", diameter_m=math.nan)))])
    part = page.split("<h2>How the arcs meet</h2>")[1].split("<h2>")[0]
    assert part.count("<svg") == part.count("<figcaption>") >= 3
    assert "arcs of 2 stations touch one circle" in part and "may stand anywhere on it" in part
    assert "<b>A" not in part and "&lt;b&gt;A" in part
    many = report_page([replace(data, objects=(post,) * 11)])
    assert many.count('<div class="steps">') == 8 and many.count("touch one circle") == 11
    assert "How the arcs meet" not in report_page([data], worksheet=True).split('class="answers"')[0]


def test_calibrations_are_told_with_their_give_or_take(
    tmp_path: Path, data: ReportData, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "None was given" in report_page([data])
    save_run(two_stations(), tmp_path / "run")
    (tmp_path / "bench.toml").write_text(
        'format = "sonargrid-calibration/1"\n[head]\nangle_offset_deg = 2.5\nangle_offset_deg_sigma = 0.25\n'
        "[ranger]\nrange_scale = 1.02\nrange_scale_sigma = 0.004\n",
        encoding="utf-8",
    )
    words = ["map", str(tmp_path / "run"), "-o", str(tmp_path / "out"), "-q", "--cell", "5cm"]
    monkeypatch.chdir(tmp_path)
    assert main([*words, "--calibration", "bench.toml"]) == 0
    monkeypatch.chdir(tmp_path / "out")  # the page is made elsewhere: what was typed starts from the map's folder
    made = read_report(tmp_path / "out")
    assert [(key, value) for key, value, _, _ in calibrated_values(made)] == [
        ("ranger.range_scale", 1.02), ("head.angle_offset_deg", 2.5)
    ]  # fmt: skip
    assert made.run is not None, made.notes
    part = report_page([made]).split("<h2>Calibration</h2>")[1].split("<h2>")[0]
    assert all(words in part for words in ("1.02", "0.004", "2.5", "0.25", "bench.toml"))


def test_a_batch_is_one_page_with_a_table_and_a_worksheet_tells_no_counts(
    folder: Path, data: ReportData, tmp_path: Path
) -> None:
    assert report_folders([str(folder)]) == (str(folder),)
    (tmp_path / "batch.json").write_text("{}", encoding="utf-8")
    with pytest.raises(SonargridError, match="no finished map"):
        report_folders([str(tmp_path)])
    for name in ("one", "two"):
        shutil.copytree(folder, tmp_path / name)
    assert report_folders([str(tmp_path)]) == (str(tmp_path / "one"), str(tmp_path / "two"))
    page = report_page([data] * 8)
    table = page.split("<nav")[1].split("</nav>")[0]
    assert table.count("<tr>") == 9 and "things" in table and 'href="#m8"' in table
    assert "The sweeps" not in page and "How the arcs meet" not in page and page.count("a page of its own") == 8
    assert len(page.encode()) < 8 * 400_000
    asked = report_page([data] * 2, worksheet=True).split("</nav>")[0]
    assert "things" not in asked.split("<nav")[1] and "stations" in asked


def test_a_comparison_stands_with_the_map_of_its_run(folder: Path, data: ReportData, tmp_path: Path) -> None:
    out = tmp_path / "compared"
    words = ["compare", str(folder.parent / "run"), "--beams", "cone,gaussian", "-o", str(out), "-q"]
    assert main(words) == 0 and is_comparison(out) and not is_comparison(folder)
    made = read_comparison(out)
    page = report_page([data, replace(data, summary={**data.summary, "run": {}})], comparisons=[made])
    first, second = page.split("<article ")[1:]
    assert "Beam models compared" in first and "Beam models compared" not in second
    assert text(made.told["verdict"]) in first and first.count('src="data:image/png') == 1
    told = Page(page)
    assert not told.open and not told.all("b")
    other = replace(made, told={**made.told, "run": {"digest": "0" * 64}}, png=None)
    apart = report_page([data], comparisons=[other])
    assert apart.index("Beam models compared") > apart.index("To repeat it")
    (out / "compare.json").write_text("[]", encoding="utf-8")
    with pytest.raises(SonargridError, match="no comparison's summary"):
        read_comparison(out)
    assert main(["report", str(out), "-o", str(tmp_path / "page.html")]) == 2


def test_what_the_check_finds_is_told_and_shaded_on_the_strip(data: ReportData) -> None:
    assert data.run is not None
    name = data.run.stations[0].name
    gap = CheckFinding("gap", "fault", f"A gap. {EVIL}", "Sweep again.", name, first_rad=0.5, last_rad=0.9)
    check = RunCheck("bench", "", None, (), (gap,), ("No clock.",))
    told = check_part(check, text)
    assert "NOT fit for use" in told and "Sweep again." in told and "No clock." in told and "<script>" not in told
    shaded = _strips(data, "m1", check)
    assert "fault: A gap." in shaded and "fault: A gap." not in _strips(data, "m1", None) and "<script>" not in shaded
    page = report_page([data])
    made = check_of(data)
    assert made is not None and text(made.verdict) in page.split("<h2>Check of the readings</h2>")[1]
    assert "Check of the readings" not in report_page([replace(data, run=None)])


def test_a_run_that_is_gone_or_changed_is_said_and_not_guessed(folder: Path) -> None:
    summary = folder / "summary.json"
    kept = summary.read_text("utf-8")
    told = json.loads(kept)
    try:
        for change, words in (
            ({"path": str(folder / "gone")}, "cannot be read any more"),
            ({"digest": "0" * 64}, "have changed"),
            ({"path": ""}, "was no file"),
        ):
            summary.write_text(json.dumps({**told, "run": {**told["run"], **change}}), encoding="utf-8")
            data = read_report(folder)
            assert data.run is None and words in data.notes[0]
            page = Page(report_page([data]))
            assert any(words in said for said in page.words) and "The sweeps" not in page.words
        summary.write_text("[]", encoding="utf-8")
        with pytest.raises(SonargridError, match="no summary of a map"):
            read_report(folder)
    finally:
        summary.write_text(kept, encoding="utf-8")


def test_values_typed_at_mapping_are_typed_again(tmp_path: Path) -> None:
    save_run(two_stations(), tmp_path / "run")
    words = ["map", str(tmp_path / "run"), "-o", str(tmp_path / "out"), "-q", "--cell", "5cm"]
    assert main([*words, "--reach", "2m", "--set", "ranger.no_echo_at=[0.5]"]) == 0
    data = read_report(tmp_path / "out")
    assert data.run is not None and data.run.ranger.reach_m == 2.0 and data.run.ranger.no_echo_at == (0.5,)


def test_a_map_without_a_list(tmp_path: Path) -> None:
    save_run(two_stations(), tmp_path / "run")
    words = ["map", str(tmp_path / "run"), "-o", str(tmp_path / "out"), "-q", "--cell", "5cm", "--no-objects"]
    assert main(words) == 0
    page = Page(report_page([read_report(tmp_path / "out")]))
    assert any("No list of things was asked for" in words for words in page.words) and not page.open


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_words_stand_out_enough_to_be_read(theme: str) -> None:
    """WCAG 2.2, success criterion 1.4.3: at least 4.5 to 1 for text (contrast of relative luminances plus 0.05)."""
    look = THEMES[theme]
    surfaces = dict(re.findall(r"--(\w+):(#[0-9a-f]{6})", SURFACES[theme]))
    for colour in (look.ink, look.muted, look.station):
        for ground in (surfaces["paper"], look.halo):
            light, dark = sorted((float(grey(rgb(colour))), float(grey(rgb(ground)))), reverse=True)
            assert (light + 0.05) / (dark + 0.05) >= 4.5, (colour, ground)
    light, dark = sorted((float(grey(rgb(look.ink))), float(grey(rgb(surfaces["mark"])))), reverse=True)
    assert (light + 0.05) / (dark + 0.05) >= 4.5


def test_pictures_follow_the_theme_and_keep_their_words(data: ReportData) -> None:
    content = replace(map_part(data), title='say fill="#18242e"')
    svg = themed_svg(map_figure(content), map_figure(content, "dark"), "t")
    tags, words = "".join(re.findall(r"<[^>]*>", svg)), re.sub(r"<[^>]*>", "", svg)
    assert f'fill="{THEMES["light"].ink}"' not in tags and 'say fill="#18242e"' in words
    used = set(re.findall(r"var\(--(\w+)\)", tags))
    assert {"ink", "halo", "station"} <= used <= set(COLOUR_NAMES)


def test_a_things_numbers_in_words() -> None:
    wall = Object("wall", 1.0, 2.0, math.nan, math.nan, 0.0, 1.9, 0.0, 1, 9, width_m=2.5, heading_rad=0.1)
    assert thing_words(3, wall) == "3: wall at x 1.000 m, y 2.000 m, 2.50 m long; 9 readings from 1 station"
    assert one_line([]) == "" and one_line(["a"]) == "a"
    with pytest.raises(ValueError, match="at least one map"):
        report_page([])


def test_the_command(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Capture) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["report", str(folder), str(folder), "-o", "both.html", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["file"] == "both.html" and told["bytes"] == Path("both.html").stat().st_size
    assert len(Page(Path("both.html").read_text("utf-8")).all("article")) == 2
    assert main(["report", str(folder)]) == 0 and Path("report.html").is_file()
    assert main(["report", str(folder), "-o", "page.pdf"]) == 2
    assert main(["report", "nowhere"]) == 1
    Path("notes.html").write_text("mine", encoding="utf-8")
    assert main(["report", str(folder), "-o", "notes.html"]) == 1
    assert Path("notes.html").read_text("utf-8") == "mine"
    assert "left alone" in capsys.readouterr().err

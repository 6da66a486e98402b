"""Notebooks, data frames and other people's figures: what a run, a map and a list of things give them."""

from __future__ import annotations

import io
import math
import subprocess
import sys
from html.parser import HTMLParser

import matplotlib
import numpy as np
import pandas
import polars
import pytest
from PIL import Image

import sonargrid
from sonargrid.drawing.palette import rgb, theme_named
from sonargrid.errors import SonargridError, UsageProblem
from sonargrid.finding.things import Object, Things
from sonargrid.maps.mapping import Map
from sonargrid.results import exports
from sonargrid.runs.readings import Readings, Run, Station

matplotlib.use("Agg")
import matplotlib.pyplot as plt  # the screenless backend is chosen before figures are made

EVIL = '<script>alert("x")</script> & <b>'


@pytest.fixture(scope="module")
def run() -> Run:
    """One post of 10 cm at (0.3, 0.6), heard from two stations; a silent edge and one void reading."""
    angles = np.arange(0.0, 181.0, 3.0)
    stations = (Station(EVIL, 0.0, 0.0), Station("B", 0.6, 0.0))
    parts = []
    for station in stations:
        away = math.hypot(0.3 - station.x_m, 0.6 - station.y_m) - 0.05
        bearing = math.degrees(math.atan2(0.6 - station.y_m, 0.3 - station.x_m))
        parts.append(np.where(abs(angles - bearing) <= 24.0, away, np.inf))
    parts[0][0] = math.nan
    index = np.repeat([0, 1], angles.size)
    rows = Readings(
        "angle_deg", "range_m", np.tile(angles, 2), np.concatenate(parts), index, index, np.ones(index.size)
    )
    return sonargrid.Run(rows, stations, title=EVIL, warnings=(EVIL,))


@pytest.fixture(scope="module")
def made(run: Run) -> Map:
    return sonargrid.build_map(run, cell_m=0.02)


@pytest.fixture(scope="module")
def things(made: Map) -> Things:
    found = sonargrid.find_objects(made)
    assert isinstance(found, Things) and len(found) >= 1
    return found


class Tags(HTMLParser):
    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.words: list[str] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)

    def handle_data(self, data: str) -> None:
        self.words.append(data)


@pytest.mark.parametrize("name", ["run", "made", "things"])
def test_notebooks_get_a_picture_and_a_table(name: str, request: pytest.FixtureRequest) -> None:
    shown = request.getfixturevalue(name)
    picture = Image.open(io.BytesIO(shown._repr_png_()))
    assert picture.format == "PNG" and 300 < picture.width < 1300
    page = Tags(shown._repr_html_())
    assert "table" in page.tags and not {"script", "b"} & set(page.tags)
    assert "\n" not in repr(shown) or name == "run"
    if name != "things":
        assert any(EVIL in words for words in page.words), "shown as it was typed"


def test_a_comparison_is_shown_with_its_verdict(run: Run) -> None:
    found = sonargrid.compare_beams(run, ["cone", "gaussian"])
    page = Tags(found._repr_html_())
    assert {"img", "table"} <= set(page.tags) and {"cone", "gaussian"} <= set(page.words)
    assert found._repr_png_()[1:4] == b"PNG"


def test_an_empty_list_is_shown_too() -> None:
    empty = sonargrid.Things()
    assert empty._repr_png_()[1:4] == b"PNG" and "0 things" in empty._repr_html_() and repr(empty) == "Things(none)"


def test_a_long_list_says_how_many_are_left_out() -> None:
    many = Things([Object("post", 0.1 * n, 0.0, 0.01, 0.01, 0.0, 1.0, 0.0, 1, 5) for n in range(70)])
    assert "and 10 more" in many._repr_html_()


def test_a_class_loaded_by_another_door_is_shown_as_well() -> None:
    code = (
        "from sonargrid import load_run, build_map\n"
        "from sonargrid.runs.readings import Run\n"
        "from sonargrid.maps.mapping import Map\n"
        "import sys; print(hasattr(Run, '_repr_png_'), hasattr(Map, '_repr_html_'), 'PIL' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["True", "True", "False"], "shown, and no drawing library before it is asked for"


def test_things_become_data_frames_with_the_columns_of_objects_csv(things: Things) -> None:
    records = things.to_records()
    assert list(records[0]) == list(exports.COLUMNS)
    pan, pol = pandas.DataFrame(records), polars.DataFrame(records)
    assert list(pan.columns) == pol.columns == list(exports.COLUMNS)
    assert pan["x_m"].tolist() == pol["x_m"].to_list() == [thing.x_m for thing in things]
    text = pandas.read_csv(io.StringIO(exports.objects_csv(things)))
    for column in ("x_m", "y_m", "nearest_m", "bearing_deg", "confidence"):
        assert pan[column].to_numpy() == pytest.approx(text[column].to_numpy(), abs=1e-2, nan_ok=True), column


def test_readings_become_data_frames(made: Map) -> None:
    columns = made.pings.to_columns()
    pan, pol = pandas.DataFrame(columns), polars.DataFrame(columns)
    assert len(pan) == len(pol) == len(made.pings)
    assert pan["outcome"].value_counts().to_dict() == {
        "silent": int(made.pings.silent.sum()), "echo": int(made.pings.echo.sum()), "void": 1
    }  # fmt: skip
    assert pol["head_deg"].max() == pytest.approx(180.0) and pan["bearing_deg"].between(-180, 180).all()


def test_a_map_becomes_a_dataset(made: Map) -> None:
    data = made.to_xarray()
    assert data.log_odds.dims == ("y", "x") and data.log_odds.shape == made.grid.log_odds.shape
    at = data.log_odds.sel(x=0.29, y=0.59, method="nearest")
    row, column = made.grid.frame.cell_of(0.29, 0.59)
    assert float(at) == float(made.grid.log_odds[int(row), int(column)])
    assert data.attrs["title"] == EVIL and data.x.attrs["units"] == "m" and float(data.y[1] - data.y[0]) > 0


@pytest.mark.parametrize(("library", "words"), [("xarray", "to_xarray"), ("matplotlib.pyplot", "sonargrid.plot")])
def test_a_missing_library_is_named_with_the_way_to_get_it(
    library: str, words: str, made: Map, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, library, None)
    with pytest.raises(SonargridError, match=words) as caught:
        made.to_xarray() if library == "xarray" else sonargrid.plot.draw_map(made)
    assert "pip install 'sonargrid[" in str(caught.value)


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_a_map_on_axes_keeps_its_metres_and_the_palette(theme: str, made: Map, things: Things) -> None:
    ax = sonargrid.plot.draw_map(made, things, theme=theme)
    try:
        left, bottom, right, top = made.grid.frame.extent_m
        assert ax.get_xlim() == (left, right) and ax.get_ylim() == (bottom, top)
        image = ax.images[0]
        row, column = made.grid.frame.cell_of(0.3, 0.3)
        shown = image.get_array()[int(row), int(column)]
        p = float(made.grid.probability()[int(row), int(column)])
        assert (
            p < 0.5
            and np.abs(shown.astype(int) - rgb(theme_named(theme).free)).sum()
            < np.abs(shown.astype(int) - rgb(theme_named(theme).occupied)).sum()
        )
        assert ax.get_aspect() == 1.0 and ax.get_ylabel() == "y [m]"
        numbers = [text.get_text() for text in ax.texts]
        assert {str(n) for n in range(1, len(things) + 1)} <= set(numbers) and "B" in numbers
    finally:
        plt.close(ax.figure)


def test_a_sweep_on_axes_reads_like_the_floor(run: Run) -> None:
    ax = sonargrid.plot.draw_sweep(run, "B")
    try:
        assert ax.get_xlim() == (180.0, 0.0), "the robot's left lies at the left"
        points = next(line for line in ax.lines if line.get_label() == "angles growing")
        assert len(points.get_xdata()) == int(np.isfinite(run.readings.distance[61:]).sum())
    finally:
        plt.close(ax.figure)
    with pytest.raises(UsageProblem, match="no sweep of station 'C'"):
        sonargrid.plot.draw_sweep(run, "C")


def test_things_alone_on_axes() -> None:
    things = Things(
        [
            Object("post", 0.1, 0.2, 0.01, 0.01, 0.0, 0.5, 0.0, 2, 20, diameter_m=0.1),
            Object("cluster", 0.5, 0.2, 0.01, 0.01, 0.0, 0.5, 0.0, 2, 20, width_m=0.3, heading_rad=0.2),
            Object("wall", 0.5, 0.9, 0.01, 0.01, 0.0, 0.5, 0.0, 2, 20, width_m=1.0, heading_rad=0.0),
            Object("corner", 1.0, 0.9, 0.01, 0.01, 0.0, 0.5, 0.0, 2, 20),
            Object("echo", 0.7, 0.0, 0.01, 0.05, 0.0, 0.65, 0.0, 1, 9),
        ]
    )
    _, mine = plt.subplots()
    try:
        assert sonargrid.plot.draw_things(things, mine) is mine
        wall = next(line for line in mine.lines if len(line.get_xdata()) == 2 and line.get_ydata()[0] == 0.9)
        assert sorted(wall.get_xdata()) == pytest.approx([0.0, 1.0])
    finally:
        plt.close(mine.figure)

"""The picture of one sweep, its film, and the command that makes both: by decoded pixels, by geometry, as XML."""

from __future__ import annotations

import io
import json
import math
import os
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from sonargrid.drawing.palette import THEMES, ramp, rgb, theme_named
from sonargrid.drawing.raster import figure_png, film
from sonargrid.drawing.shapes import Figure, Layer, Stroke
from sonargrid.drawing.sweep_film import film_order, film_steps, sweep_film
from sonargrid.drawing.sweep_picture import arc_points, half_beam_of, places_of_reading, reading_words, sweep_figure
from sonargrid.drawing.vector import figure_svg
from sonargrid.errors import OutputProblem, SonargridError
from sonargrid.finding.plateaus import find_plateaus
from sonargrid.maps.mapping import build_map
from sonargrid.results.out_folder import write_one
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Pings, Ranger, Readings, Run, Station
from sonargrid_cli import map_options
from sonargrid_cli.main import main

LIGHT = theme_named("light")
ANGLES = np.arange(0.0, 181.0, 1.0)
Capture = pytest.CaptureFixture[str]


@pytest.fixture(autouse=True)
def _own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    for name in [name for name in os.environ if name.startswith("SONARGRID_")]:
        monkeypatch.delenv(name)


def bench(title: str = "Bench") -> Run:
    """Two stations, 181 readings each: one plateau, otherwise silence, and one reading without a measurement."""
    heard = np.where(abs(ANGLES - 60.0) <= 22.0, 60.0, np.inf)
    heard[3] = np.nan
    station = np.repeat([0, 1], ANGLES.size)
    rows = Readings(
        "angle_deg", "range_cm", np.tile(ANGLES, 2), np.tile(heard, 2), station, station, np.ones(station.size)
    )
    stations = (Station("A"), Station("B", 0.5, 0.2, math.radians(120.0)))
    return Run(rows, stations, ranger=Ranger(half_beam_rad=math.radians(20.0)), title=title)


def drawn(reading: int | None = None, station: int = 0, theme: str = "light") -> tuple[Run, Pings, Figure]:
    run = bench()
    pings = calibrated(run)
    return run, pings, sweep_figure(run, pings, station, find_plateaus(pings, run.ranger), reading, theme)


def marks(figure: Figure, layer: str) -> list[Stroke]:
    (found,) = [part for part in figure.layers if part.name == layer]
    return [mark for mark in found.marks if isinstance(mark, Stroke)]


# where an echo can come from


@settings(max_examples=25, deadline=None, derandomize=True)
@given(st.integers(0, 361), st.floats(0.01, 0.9))
def test_an_arc_keeps_its_range_and_its_beam(row: int, half_rad: float) -> None:
    pings = calibrated(bench())
    ray = int(pings.ray[row])
    away = arc_points(pings, row, half_rad, 0.7) - [pings.rays.x_m[ray], pings.rays.y_m[ray]]
    assert np.allclose(np.hypot(*away.T), 0.7)
    off = np.arctan2(away[:, 1], away[:, 0]) - pings.rays.bearing_rad[ray]
    off = (off + math.pi) % (2 * math.pi) - math.pi
    assert np.allclose([off.min(), off.max()], [-half_rad, half_rad])


def test_places_of_an_echo_of_silence_and_of_nothing() -> None:
    run = bench()
    pings = calibrated(run)
    band = places_of_reading(run, pings, 60)
    assert band is not None
    away = np.hypot(*band.T)
    assert np.allclose([away.min(), away.max()], [0.58, 0.62]), "two sigmas of a centimetre either way"
    free = places_of_reading(run, pings, 0)
    assert free is not None
    assert np.allclose([np.hypot(*free.T).min(), np.hypot(*free.T).max()], [0.03, 1.0]), "blind zone to reach"
    assert places_of_reading(run, pings, 3) is None
    assert "0.600 m, from anywhere on the arc of ±20°" in reading_words(run, pings, 60)
    assert "silent" in reading_words(run, pings, 0) and "no measurement" in reading_words(run, pings, 3)


def test_the_beam_is_the_runs_own_or_the_common_one() -> None:
    assert math.isclose(float(half_beam_of(0.7, Ranger(half_beam_table=((0.4, 0.5), (1.0, 0.3))))), 0.4)
    assert 0.2 < float(half_beam_of(1.0, Ranger())) < float(half_beam_of(0.4, Ranger())) < 0.6


# the picture


def test_arcs_only_where_an_echo_is() -> None:
    _, pings, figure = drawn()
    assert len(marks(figure, "plan-echoes")) == int((pings.echo & (pings.station == 0)).sum()) == 45
    assert not marks(figure, "plan-chosen")


@pytest.mark.parametrize("station", [0, 1])
def test_the_arc_of_the_plan_stands_at_its_bearing(station: int) -> None:
    run, _, figure = drawn(station=station)
    robot, arcs = marks(figure, "plan-robot"), marks(figure, "plan-arcs")
    centre, tick = robot[0].points.mean(axis=0), arcs[-1].points.mean(axis=0)
    bearing = math.degrees(math.atan2(centre[1] - tick[1], tick[0] - centre[0]))
    expected = math.degrees(run.stations[station].heading_rad) - 30.0
    assert abs(bearing - expected) < 1.0
    px_per_m = (robot[0].points[:, 0].max() - centre[0]) / run.robot.radius_m
    assert abs(math.hypot(*(tick - centre)) / px_per_m - 0.6) < 0.01, "equal scales on both axes"


def test_a_chosen_reading_is_shown_in_pixels() -> None:
    run, pings, figure = drawn(reading=61)
    with Image.open(io.BytesIO(figure_png(figure))) as image:
        seen = np.asarray(image).astype(int)
    arc = marks(figure, "plan-chosen")[-1].points
    x, y = arc[len(arc) // 4]
    assert tuple(seen[round(y), round(x)]) == rgb(LIGHT.thing)
    assert reading_words(run, pings, 60) in {words.text for words in figure.words()}
    with pytest.raises(ValueError, match="reading 200 is none of station A's"):
        drawn(reading=200)


@pytest.mark.parametrize(("reading", "count"), [(1, 1), (4, 0)])
def test_silence_is_a_beam_and_void_is_nothing(reading: int, count: int) -> None:
    assert len(marks(drawn(reading=reading)[2], "plan-chosen")) == count


def test_svg_is_well_formed_and_escaped() -> None:
    run = bench("<script>&\x07 bench")
    pings = calibrated(run)
    text = figure_svg(sweep_figure(run, pings, 0, find_plateaus(pings, run.ranger), 61))
    root = ET.fromstring(text)
    assert root.get("viewBox") and "<script" not in text and "http" not in text.replace("http://www.w3.org", "")


# the film


def test_the_sum_ends_as_the_additive_map() -> None:
    run = bench()
    pings = calibrated(run)
    frame, steps = film_steps(run, pings, film_order(pings))
    every = list(steps)
    assert len(every) == 181 and every[-1].count == int((~pings.void).sum()) == 360
    made = build_map(run, solver="additive", cell_m=frame.cell_m, extent_m=frame.extent_m)
    assert np.array_equal(made.grid.touched, every[-1].touched)
    # each of the 181 partial sums is rounded to whole steps of 2^-14
    assert np.max(np.abs(made.grid.log_odds - every[-1].log_odds)) <= 181 * 2.0**-15
    counts = [step.count for step in every]
    assert counts == sorted(set(counts)) and not (every[0].touched > every[1].touched).any()


@pytest.mark.parametrize("how", ["GIF", "WEBP"])
def test_a_film_of_181_readings_is_small_and_builds_up(how: str) -> None:
    run = bench()
    content = sweep_film(run, calibrated(run), (0,), how)
    assert len(content) < 2_000_000
    with Image.open(io.BytesIO(content)) as image:
        assert (image.format, image.n_frames) == (how, 180)  # one of the 181 has no measurement
        shades = []
        for number in (0, 90, 179):
            image.seek(number)
            seen = np.asarray(image.convert("RGB")).astype(int)
            shades.append(int((np.abs(seen - np.array(rgb(LIGHT.unknown))).sum(axis=2) > 12).sum()))
        assert shades[0] < shades[1] < shades[2]


def test_a_film_needs_steps_and_a_known_format() -> None:
    ground = Figure(8, 8, "#ffffff", ())
    with pytest.raises(ValueError, match="GIF or WEBP"):
        film(ground, [()], ramp(LIGHT)[::4], "AVI", 10, 10)
    with pytest.raises(ValueError, match="at least one step"):
        film(ground, iter(()), ramp(LIGHT)[::4], "GIF", 10, 10)
    (layer,) = (Layer("dot", (Stroke(np.array([[2.0, 2.0], [6.0, 2.0], [6.0, 6.0]]), fill="#13202c", closed=True),)),)
    with Image.open(io.BytesIO(film(ground, [(), (layer,)], ramp(LIGHT)[::4], "GIF", 40, 90))) as image:
        assert (image.n_frames, image.info["loop"]) == (2, 0)
    void = Run(Readings("angle_deg", "range_cm", [1.0], [np.nan], [0], [0], [1]))
    with pytest.raises(SonargridError, match="nothing to build up"):
        sweep_film(void, calibrated(void))


# the command


@pytest.fixture
def sweep() -> str:
    rows = "".join(f"{angle},{'50' if 75 <= angle <= 105 else ''}\n" for angle in range(0, 181, 5))
    Path("sweep.csv").write_text("angle_deg,range_cm\n" + rows, encoding="utf-8")
    return "sweep.csv"


def test_sweep_writes_a_picture_and_says_what_it_holds(sweep: str, capsys: Capture) -> None:
    assert main(["sweep", sweep, "--svg"]) == 0
    assert capsys.readouterr().out == (
        "station A: 7 echoes, 30 silent; 1 arc of equal range\nwritten to sweep_sweep.png, sweep_sweep.svg\n"
    )
    assert Path("sweep_sweep.png").read_bytes().startswith(b"\x89PNG")
    ET.parse("sweep_sweep.svg")
    assert main(["sweep", sweep, "--reading", "19", "-o", "one.svg", "--theme", "dark", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["files"] == ["one.svg"] and told["reading"] == 19 and "0.5" in told["words"]


def test_sweep_makes_a_film(sweep: str, capsys: Capture) -> None:
    assert main(["sweep", sweep, "--animate", "film.gif"]) == 0
    assert capsys.readouterr().out == "evidence from 37 readings of station A\nwritten to film.gif\n"
    assert Path("film.gif").read_bytes().startswith(b"GIF8")


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["--reading", "38"], 2, "there is no reading 38"),
        (["--reading", "0"], 2, "readings 1 to 37"),
        (["--station", "B"], 2, "there is no station 'B'"),
        (["--theme", "pink"], 2, "known: light, dark"),
        (["-o", "a.jpg"], 2, "ends in .png or .svg"),
        (["--animate", "a.mp4"], 2, "ends in .gif or .webp"),
        (["--animate", "a.gif", "--svg"], 2, "a film and no picture"),
        (["--reading", "2", "--sweeps", "0"], 2, "leave out --stations and --sweeps"),
        (["-o", "no/such/folder/a.png"], 1, "no/such/folder/a.png"),
    ],
)
def test_sweep_refuses_what_does_not_fit(sweep: str, capsys: Capture, words: list[str], code: int, said: str) -> None:
    assert main(["sweep", sweep, *words]) == code
    assert said in capsys.readouterr().err
    assert sorted(path.name for path in Path().iterdir()) == ["sweep.csv"]


def test_themes_of_the_command_are_those_of_the_palette() -> None:
    assert tuple(THEMES) == map_options.THEMES


def test_only_a_picture_is_replaced_by_a_picture(tmp_path: Path) -> None:
    other = tmp_path / "notes.png"
    other.write_text("my notes", encoding="utf-8")
    for target in (other, tmp_path):
        with pytest.raises(OutputProblem, match="left alone"):
            write_one(b"\x89PNG new", target, (b"\x89PNG",))
    assert other.read_text("utf-8") == "my notes"
    earlier = tmp_path / "a.png"
    earlier.write_bytes(b"\x89PNG old")
    assert write_one(b"\x89PNG new", earlier, (b"\x89PNG",)).read_bytes() == b"\x89PNG new"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.png", "notes.png"]

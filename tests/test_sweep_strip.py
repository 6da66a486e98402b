"""The strip of range against head angle: by decoded pixels, by where its marks lie, and as XML."""

from __future__ import annotations

import io
import math
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from PIL import Image

from sonargrid.drawing.palette import rgb, theme_named
from sonargrid.drawing.raster import figure_png, text_width
from sonargrid.drawing.shapes import Figure, Stroke, bounds
from sonargrid.drawing.sweep_content import Finding, StripContent, strip_content
from sonargrid.drawing.sweep_strip import (
    LEFT_PX,
    PLOT_PX,
    RIGHT_PX,
    RIM_PX,
    TOP_PX,
    WIDTH_PX,
    strip_figure,
)
from sonargrid.drawing.vector import figure_svg
from sonargrid.finding.plateaus import find_plateaus
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Readings, Run, Station

LIGHT = theme_named("light")
ANGLES = np.arange(0.0, 181.0, 2.0)
PLOT_TOP = TOP_PX + 31 + 21 + 34 + 2 * RIM_PX + 6


def run_of(distance: np.ndarray, turning: np.ndarray, heading_deg: float = 90.0, title: str = "Bench") -> Run:
    zero = np.zeros(ANGLES.size, dtype=int)
    rows = Readings("angle_deg", "range_cm", ANGLES, distance, zero, zero, turning)
    return Run(rows, (Station("A", heading_rad=math.radians(heading_deg)),), title=title)


def strip(
    run: Run, findings: tuple[Finding, ...] = (), chosen: int | None = None, theme: str = "light"
) -> tuple[StripContent, Figure]:
    pings = calibrated(run)
    content = strip_content(run, pings, 0, find_plateaus(pings, run.ranger), findings, chosen)
    return content, strip_figure(content, theme)


def one_thing(heading_deg: float = 90.0, title: str = "Bench") -> Run:
    distance = np.where(abs(ANGLES - 60.0) <= 24.0, 60.0, np.inf)
    distance[0] = np.nan
    return run_of(distance, np.where(ANGLES < 60.0, 1, -1), heading_deg, title)


def strokes(figure: Figure, layer: str) -> list[Stroke]:
    (found,) = [part for part in figure.layers if part.name == layer]
    return [mark for mark in found.marks if isinstance(mark, Stroke)]


def x_of(head_deg: float) -> float:
    return WIDTH_PX - RIGHT_PX - head_deg / 180.0 * (WIDTH_PX - LEFT_PX - RIGHT_PX)


def pixels(figure: Figure) -> np.ndarray:
    with Image.open(io.BytesIO(figure_png(figure))) as image:
        assert image.size == (figure.width, figure.height)
        return np.asarray(image).astype(int)


@pytest.mark.parametrize("heading_deg", [-170.0, 0.0, 90.0])
def test_readings_lie_where_angle_and_range_say(heading_deg: float) -> None:
    content, figure = strip(one_thing(heading_deg))
    dots = strokes(figure, "strip-readings")
    assert len(dots) == np.isfinite(content.range_m).sum() == 25
    centre = np.array([np.mean(bounds(dot.points)[::2]) for dot in dots])
    assert np.allclose(np.sort(centre), np.sort([x_of(angle) for angle in range(36, 85, 2)]), atol=0.01)
    growing = [dot for dot in dots if dot.fill == LIGHT.station]
    y = PLOT_TOP + PLOT_PX - 0.6 / content.top_m * PLOT_PX
    assert all(abs(np.mean(bounds(dot.points)[1::2]) - y) < 0.01 for dot in growing)
    assert len(growing) == 12 and len(dots) - len(growing) == 13, "the two ways of turning differ"


@pytest.mark.parametrize("heading_deg", [-170.0, 0.0, 90.0])
def test_an_arc_stands_at_its_bearing(heading_deg: float) -> None:
    content, figure = strip(one_thing(heading_deg))
    assert len(content.plateaus) == 1
    left, at, right = content.head_of(content.plateaus[0])
    assert (round(left), round(at), round(right)) == (85, 60, 35)
    marks = strokes(figure, "strip-arcs")
    assert len(marks) == 4, "a bar, two free ends and the bearing"
    assert np.allclose(marks[-1].points[:, 0], x_of(60.0), atol=1.0)
    floor = (heading_deg - 30.0 + 180.0) % 360.0 - 180.0
    assert f"1: {floor:.0f}°" in {words.text for words in figure.words()}


def test_silence_and_void_are_ticks_above_the_plot() -> None:
    content, figure = strip(one_thing())
    rim = strokes(figure, "strip-rim")
    ticks = [mark for mark in rim if mark.line == LIGHT.ink]
    crosses = [mark for mark in rim if mark.line == LIGHT.thing]
    assert len(ticks) == int(np.isposinf(content.range_m).sum()) and len(crosses) == 2
    assert all(mark.points[:, 1].max() < PLOT_TOP for mark in rim)
    assert abs(crosses[0].points[:, 0].mean() - x_of(0.0)) < 1.0


def test_pixels_show_the_readings_and_the_void() -> None:
    _, figure = strip(one_thing())
    seen = pixels(figure)
    assert tuple(seen[0, 0]) == rgb(LIGHT.page)
    y = PLOT_TOP + PLOT_PX - 0.6 / (1.12 * 0.6) * PLOT_PX
    assert tuple(seen[round(y), round(x_of(40.0))]) == rgb(LIGHT.station)
    inside = seen[PLOT_TOP + 60 : PLOT_TOP + PLOT_PX - 60, LEFT_PX + 200 : LEFT_PX + 220]
    near = np.abs(inside - np.array(rgb(LIGHT.page))).max()
    crossing = (1.0 - 0.87**2) * (255 - rgb(LIGHT.rule)[0])  # where two rules of 13 % cross
    assert near <= crossing + 1.0, "nothing but fine rules where nothing was heard"


def test_the_chosen_reading_is_ringed_in_plot_and_on_the_rim() -> None:
    plain = len(strokes(strip(one_thing())[1], "strip-readings"))
    number = int(np.flatnonzero(ANGLES == 60.0)[0]) + 1
    ringed = strokes(strip(one_thing(), chosen=number)[1], "strip-readings")
    assert len(ringed) == plain + 2
    assert abs(np.mean(bounds(ringed[-1].points)[::2]) - x_of(60.0)) < 0.01
    silent = strokes(strip(one_thing(), chosen=91)[1], "strip-rim")[-1]
    assert silent.closed and abs(np.mean(bounds(silent.points)[::2]) - x_of(180.0)) < 0.01


def test_findings_shade_their_span_and_are_told() -> None:
    finding = Finding(math.radians(30.0), math.radians(60.0), "ranges <jump> & fall")
    _, figure = strip(one_thing(), (finding,))
    (band,) = strokes(figure, "strip-findings")
    assert np.allclose(bounds(band.points)[::2], (x_of(60.0), x_of(30.0)))
    assert "ranges <jump> & fall" in {words.text for words in figure.words()}
    assert "a: ranges <jump> & fall" in figure.description


def test_svg_is_well_formed_and_escaped() -> None:
    run = one_thing(title="<script>alert('x')</script> & \x00 more")
    text = figure_svg(strip(run, (Finding(0.1, 0.2, '</text>"<b>'),))[1])
    root = ET.fromstring(text)
    assert "<script" not in text and "<b>" not in text
    assert any((part.text or "").startswith("<script>alert") for part in root.iter())
    notes = [part.text for part in root.iter("{http://www.w3.org/2000/svg}title")]
    assert "reading 31: 0.600 m at 60.0°" in notes


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_words_stay_on_the_picture_and_off_one_another(theme: str) -> None:
    _, figure = strip(one_thing(title="A very long title " * 20), (Finding(0.0, 0.1, "word " * 100),), theme=theme)
    boxes = []
    for words in figure.words():
        if words.turned:
            continue
        wide = text_width(words.text, words.size)
        left = words.x - {"start": 0.0, "middle": wide / 2, "end": wide}[words.anchor]
        boxes.append((left, words.y - 0.75 * words.size, left + wide, words.y + 2, words.text))
        assert left >= 0 and left + wide <= figure.width and words.y < figure.height, words.text
    for index, one in enumerate(boxes):
        for other in boxes[index + 1 :]:
            assert not (one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]), (
                one[4],
                other[4],
            )


def test_many_readings_are_thinned_and_nothing_heard_is_still_a_picture() -> None:
    rng = np.random.default_rng(5)
    angle = rng.uniform(0.0, 180.0, 20_000)
    distance, zero = rng.uniform(10.0, 90.0, angle.size), np.zeros(angle.size, dtype=int)
    run = Run(Readings("angle_deg", "range_cm", angle, distance, zero, zero, zero))
    content = strip_content(run, calibrated(run), 0, ())
    assert 500 < len(strokes(strip_figure(content), "strip-readings")) <= 3000
    assert not strokes(strip_figure(content), "strip-readings")[0].note
    content, figure = strip(run_of(np.full(ANGLES.size, np.inf), np.ones(ANGLES.size, dtype=int)))
    assert content.top_m == 1.0 and not strokes(figure, "strip-readings")


def test_a_ring_of_rangers_gets_its_whole_circle() -> None:
    bearing, zero = np.arange(-180.0, 180.0, 15.0), np.zeros(24, dtype=int)
    run = Run(Readings("bearing_deg", "range_m", bearing, np.full(24, 0.5), zero, zero, zero))
    content = strip_content(run, calibrated(run), 0, find_plateaus(calibrated(run), run.ranger))
    assert content.span_deg == (-90.0, 260.0)
    low, high = content.span_deg
    assert all(low - 10.0 <= content.head_of(plateau)[1] <= high + 10.0 for plateau in content.plateaus)
    with pytest.raises(ValueError, match="unknown theme 'pink'"):
        strip_figure(content, "pink")

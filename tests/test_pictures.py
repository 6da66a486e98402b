"""The map picture: by decoded pixels, by where its words lie, and as XML; colours by what the eye makes of them."""

from __future__ import annotations

import io
import math
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from scipy.stats import chi2

from sonargrid.drawing import raster
from sonargrid.drawing.axes import View, length_text, plot_size_px, round_step, tick_text, ticks, view_of
from sonargrid.drawing.marks import ELLIPSE_95, axis_of, ellipse_95, station_mark, thing_mark
from sonargrid.drawing.palette import (
    THEMES,
    blend,
    evidence_colours,
    grey,
    probability_at,
    ramp,
    rgb,
    theme_named,
    to_linear,
    to_srgb,
)
from sonargrid.drawing.pictures import MapContent, draw_map, map_content, map_figure, map_svg
from sonargrid.drawing.placement import Label, place_labels
from sonargrid.drawing.raster import cells_png, figure_png, shortened, text_width
from sonargrid.drawing.shapes import (
    Box,
    Figure,
    Layer,
    Raster,
    Stroke,
    Words,
    bounds,
    circle,
    dashes,
    overlaps,
    rectangle,
)
from sonargrid.drawing.vector import figure_svg
from sonargrid.finding.things import Object
from sonargrid.maps.grid import GridFrame
from sonargrid.maps.mapping import build_map
from sonargrid.runs.readings import Readings, Robot, Run, Station

QUICK = settings(max_examples=25, deadline=None, derandomize=True)
LIGHT = theme_named("light")
FRAME = GridFrame(0.05, (-20, -10), 30, 40)  # x -1..1 m, y -0.5..1 m


def thing(kind: str = "post", x_m: float = 0.2, y_m: float = 0.3, **more: float) -> Object:
    known = {"x_sigma_m": 0.01, "y_sigma_m": 0.02, "xy_correlation": 0.4, "nearest_m": 0.35, "bearing_rad": 1.0}
    return Object(kind, x_m, y_m, **{**known, **more}, stations=2, readings=30)  # type: ignore[arg-type]


def content(**more: object) -> MapContent:
    values: dict[str, object] = {"frame": FRAME, "probability": np.full(FRAME.shape, 0.5), **more}
    return MapContent(**values)  # type: ignore[arg-type]


def pixels(png: bytes) -> np.ndarray:
    with Image.open(io.BytesIO(png)) as image:
        assert image.format == "PNG" and image.mode == "RGB"
        return np.asarray(image).astype(int)


def view_for(shown: MapContent) -> View:
    """Return the view of a figure, read off its evidence raster and clip box."""
    figure = map_figure(shown)
    cells = next(m for layer in figure.layers for m in layer.marks if isinstance(m, Raster)).box
    box = next(layer.clip for layer in figure.layers if layer.clip is not None)
    per_m = (cells[2] - cells[0]) / (shown.frame.columns * shown.frame.cell_m)
    corner = shown.frame.corner_m
    return View(box, cells, per_m, (cells[0] - corner[0] * per_m, cells[3] + corner[1] * per_m))


def near(colour: np.ndarray, wanted: str, by: int = 3) -> np.ndarray:
    return np.all(np.abs(colour - np.array(rgb(wanted))) <= by, axis=-1)


# --- colours -----------------------------------------------------------------------------------------------------

# Simulation of the two common forms of colour blindness, on linear RGB: F. Vienot, H. Brettel, J. Mollon, "Digital
# video colourmaps for checking the legibility of displays by dichromats", Color Research and Application 24 (1999),
# after Smith and Pokorny's cones; matrices from memory, their white point is checked below.
TO_CONES = np.array([[17.8824, 43.5161, 4.11935], [3.45565, 27.1554, 3.86714], [0.0299566, 0.184309, 1.46709]])
LOST = {
    "protanopia": np.array([[0.0, 2.02344, -2.52581], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]),
    "deuteranopia": np.array([[1.0, 0.0, 0.0], [0.494207, 0.0, 1.24827], [0.0, 0.0, 1.0]]),
}


def as_seen(colours: list[str], kind: str) -> np.ndarray:
    """Return sRGB colours as a dichromat sees them, as sRGB."""
    linear = to_linear([rgb(colour) for colour in colours])
    if kind == "grey":
        return to_srgb(np.repeat(np.atleast_2d(grey([rgb(colour) for colour in colours])).T, 3, axis=1))
    seen = np.eye(3) if kind == "usual" else LOST[kind]
    return to_srgb(linear @ TO_CONES.T @ seen.T @ np.linalg.inv(TO_CONES).T)


def lightness(colours: np.ndarray) -> np.ndarray:
    """Return CIE L* (CIE 15, D65 white has Y = 1)."""
    y = grey(colours)
    return np.where(y > (6 / 29) ** 3, 116.0 * np.cbrt(y) - 16.0, y * (29 / 3) ** 3)


def lab(colours: np.ndarray) -> np.ndarray:
    """Return CIE L*a*b* of sRGB colours (CIE 15; sRGB primaries and D65 white of IEC 61966-2-1)."""
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    xyz = to_linear(colours) @ to_xyz.T / np.array([0.9505, 1.0, 1.089])
    f = np.where(xyz > (6 / 29) ** 3, np.cbrt(xyz), xyz * (29 / 6) ** 2 / 3 + 4 / 29)
    x, y, z = f[..., 0], f[..., 1], f[..., 2]
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def test_the_simulated_eyes_see_white_and_black_as_they_are() -> None:
    for kind in ("usual", "protanopia", "deuteranopia"):
        assert np.allclose(as_seen(["#ffffff", "#000000", "#808080"], kind), [[255] * 3, [0] * 3, [128] * 3], atol=2.5)


def test_lab_of_known_colours() -> None:
    # sRGB red in CIE L*a*b*, D65: 53.2, 80.1, 67.2 (widely tabulated; from memory)
    assert lab(np.array([255.0, 0.0, 0.0])) == pytest.approx([53.24, 80.09, 67.2], abs=0.2)
    assert lightness(np.array([119.0, 119.0, 119.0])) == pytest.approx(50.0, abs=0.3)


@pytest.mark.parametrize("name", THEMES)
@pytest.mark.parametrize("kind", ["usual", "protanopia", "deuteranopia", "grey"])
def test_free_unknown_and_occupied_differ_in_light_for_every_eye(name: str, kind: str) -> None:
    theme = THEMES[name]
    light = lightness(as_seen([theme.free, theme.unknown, theme.occupied], kind))
    steps = np.diff(light if name == "dark" else -light)
    assert np.all(steps > 15.0), light  # free, unknown, occupied in one direction, far apart


@pytest.mark.parametrize("name", THEMES)
@pytest.mark.parametrize("kind", ["usual", "protanopia", "deuteranopia"])
def test_marks_are_told_apart_by_every_eye(name: str, kind: str) -> None:
    theme = THEMES[name]
    marks = lab(as_seen([theme.station, theme.thing, theme.wall], kind))
    for i, j in ((0, 1), (0, 2), (1, 2)):
        assert np.linalg.norm(marks[i] - marks[j]) > 20.0, (i, j)  # 2.3 is a just noticeable difference


@pytest.mark.parametrize("name", THEMES)
def test_the_scale_never_turns_back(name: str) -> None:
    light = lightness(ramp(THEMES[name]).astype(float))
    steps = np.diff(light if name == "dark" else -light)
    assert np.all(steps > -0.35) and abs(light[-1] - light[0]) > 70.0  # whole numbers of sRGB wobble a little


@pytest.mark.parametrize("name", THEMES)
def test_words_are_legible(name: str) -> None:
    # contrast (L1 + 0.05) / (L2 + 0.05): WCAG 2.1, success criterion 1.4.3 asks for 4.5
    theme = THEMES[name]
    pairs = [(theme.ink, theme.page), (theme.muted, theme.page), (theme.ink, theme.halo), (theme.station, theme.halo)]
    for words, ground in pairs:
        dark, light = sorted(float(grey(rgb(colour))) for colour in (words, ground))
        assert (light + 0.05) / (dark + 0.05) >= 4.5, (words, ground)


def test_even_steps_go_both_ways() -> None:
    assert blend("#123456", "#fedcba", [0.0, 1.0]).tolist() == [[0x12, 0x34, 0x56], [0xFE, 0xDC, 0xBA]]
    assert to_srgb(to_linear(np.arange(256))) == pytest.approx(np.arange(256), abs=1e-9)


@pytest.mark.parametrize("prior", [0.5, 0.3, 0.02])
def test_the_prior_is_the_colour_of_unknown(prior: float) -> None:
    colours = evidence_colours([[0.0, prior, 1.0, 0.9]], prior, LIGHT, [[1, 1, 1, 0]])
    assert [tuple(colour) for colour in colours[0].tolist()] == [
        rgb(LIGHT.free), rgb(LIGHT.unknown), rgb(LIGHT.occupied), rgb(LIGHT.unknown),
    ]  # fmt: skip
    for place in (-1.0, -0.5, 0.0, 0.25, 1.0):
        shown = evidence_colours([[probability_at(place, prior)]], prior, LIGHT)[0, 0].astype(int)
        wanted = ramp(LIGHT)[round(255 * place) + 255].astype(int)
        assert np.max(np.abs(shown - wanted)) <= 2


@pytest.mark.parametrize("bad", [math.nan, -0.1, 1.1])
def test_what_is_no_probability_is_refused(bad: float) -> None:
    with pytest.raises(ValueError, match=r"0\.\.1"):
        draw_map(content(probability=np.full(FRAME.shape, bad)))


def test_themes_are_named() -> None:
    with pytest.raises(ValueError, match="known: light, dark"):
        draw_map(content(), theme="purple")
    assert np.all(pixels(draw_map(content(), theme="dark"))[0, 0] == rgb(THEMES["dark"].page))


# --- axes and scale ----------------------------------------------------------------------------------------------


@QUICK
@given(low=st.floats(-30, 30), wide=st.floats(0.05, 40), least=st.floats(0.001, 5))
def test_ticks_are_round_and_lie_inside(low: float, wide: float, least: float) -> None:
    step = round_step(least)
    assert least * (1 - 1e-8) <= step < 2.5 * least * (1 + 1e-8)
    assert f"{step:.0e}"[0] in "125"
    values = ticks(low, low + wide, step)
    assert all(low - 1e-6 * step <= value <= low + wide + 1e-6 * step for value in values)
    assert len(values) >= math.floor(wide / step)
    assert [float(tick_text(value, step)) for value in values] == pytest.approx(list(values), abs=step * 1e-6)


def test_lengths_are_said_as_people_say_them() -> None:
    assert [length_text(value) for value in (0.002, 0.05, 0.5, 1.0, 20.0)] == ["0.2 cm", "5 cm", "50 cm", "1 m", "20 m"]


@pytest.mark.parametrize(("size_m", "cell_m"), [(0.5, 0.005), (2.0, 0.01), (6.0, 0.02), (20.0, 0.01), (20.0, 0.05)])
@pytest.mark.parametrize("aspect", [0.02, 0.5, 1.0, 3.0])
def test_pictures_of_every_extent_have_a_fit_size_and_true_scale(size_m: float, cell_m: float, aspect: float) -> None:
    frame = GridFrame.around(0.0, 0.0, size_m, max(cell_m, size_m * aspect), cell_m)
    figure = map_figure(MapContent(frame, np.full(frame.shape, 0.5), title="Bench"))
    assert 850 <= max(figure.width, figure.height) <= 1750
    size = plot_size_px(frame, 1200)
    view = view_of(frame, 100, 50, size)
    left, bottom, right, top = frame.extent_m
    corners = view.place([left, right], [top, bottom])
    assert corners.ravel() == pytest.approx(view.cells, abs=1.0)
    assert view.box[0] <= view.cells[0] and view.cells[3] <= view.box[3]
    x_low, y_low, x_high, y_high = view.edges_m
    assert x_low <= left + 1e-9 and y_high >= top - 0.51 * cell_m and view.shows((left + right) / 2, (top + bottom) / 2)
    assert (x_high - x_low) * view.px_per_m == pytest.approx(view.box[2] - view.box[0])
    assert (y_high - y_low) * view.px_per_m == pytest.approx(view.box[3] - view.box[1])


def test_the_scale_bar_is_as_long_as_it_says() -> None:
    shown = content()
    figure, view = map_figure(shown), view_for(shown)
    legend = next(layer for layer in figure.layers if layer.name == "legend").marks
    bar = next(bounds(m.points) for m in legend if isinstance(m, Stroke) and m.width == 1.5 and m.closed)
    said = next(m.text for m in legend if isinstance(m, Words) and m.text.endswith("cm"))
    assert (bar[2] - bar[0]) / view.px_per_m * 100 == pytest.approx(float(said.removesuffix(" cm")))


# --- what is drawn, by pixels ------------------------------------------------------------------------------------


def test_north_is_up_and_cells_have_their_colours() -> None:
    p = np.full(FRAME.shape, 0.5)
    p[FRAME.cell_of(-0.62, 0.82)] = 1.0  # upper left
    p[FRAME.cell_of(0.62, -0.28)] = 0.0  # lower right
    touched = np.ones(FRAME.shape)
    p[FRAME.cell_of(0.72, 0.82)] = 1.0
    touched[FRAME.cell_of(0.72, 0.82)] = 0
    shown = content(probability=p, touched=touched)
    image, view = pixels(draw_map(shown)), view_for(shown)

    def at(x_m: float, y_m: float) -> np.ndarray:
        x, y = view.place(x_m, y_m)
        return image[int(y), int(x)]

    assert near(at(-0.62, 0.82), LIGHT.occupied) and near(at(0.62, -0.28), LIGHT.free)
    assert near(at(0.72, 0.82), LIGHT.unknown) and near(at(0.01, 0.33), LIGHT.unknown)
    assert near(image[0, 0], LIGHT.page) and near(image[-1, -1], LIGHT.page)


def test_a_station_is_drawn_where_it_stands_and_looks_where_it_faces() -> None:
    shown = content(stations=(Station("A", 0.31, 0.23, math.pi),))
    image, view = pixels(draw_map(shown)), view_for(shown)
    x, y = (round(float(part)) for part in view.place(0.31, 0.23))
    blue = near(image, LIGHT.station, 12)
    assert blue[y, x - 18] and blue[y, x + 6] and not blue[y, x + 18] and not blue[y - 18, x]
    assert near(image[y, x], LIGHT.halo, 12)
    rows, columns = np.nonzero(blue[y - 40 : y + 40, x - 40 : x + 12])
    assert rows.mean() == pytest.approx(40, abs=1.0) and columns.mean() < 40


def test_a_post_is_drawn_at_its_true_size() -> None:
    shown = content(things=(thing(diameter_m=0.3, x_sigma_m=math.nan),))
    image, view = pixels(draw_map(shown)), view_for(shown)
    x, y = view.place(0.2, 0.3)
    orange = near(image, LIGHT.thing, 12)[int(y), int(x) : int(x) + 200]
    assert np.flatnonzero(orange)[0] == pytest.approx(0.15 * view.px_per_m, abs=2.5)


def test_dark_and_light_show_the_same_things() -> None:
    shown = content(things=(thing(),), stations=(Station("A"),), title="Bench")
    light, dark = pixels(draw_map(shown)), pixels(draw_map(shown, theme="dark"))
    assert light.shape == dark.shape
    assert light.mean() > 150 > 100 > dark.mean()


def test_the_same_content_gives_the_same_pixels() -> None:
    shown = content(things=(thing(), thing("echo", 0.4, 0.5)), stations=(Station("A"),), title="Bench")
    assert draw_map(shown) == draw_map(shown) and map_svg(shown) == map_svg(shown)


def test_unresolved_arcs_tint_the_floor_faintly() -> None:
    arc = np.zeros(FRAME.shape)
    arc[FRAME.cell_of(0.5, 0.5)] = 1.0
    shown = content(unresolved=arc)
    plain, tinted, view = pixels(draw_map(content())), pixels(draw_map(shown)), view_for(shown)
    x, y = (int(part) for part in view.place(0.51, 0.51))
    changed = tinted[y, x] - plain[y, x]
    assert np.abs(changed).sum() > 30 and not near(tinted[y, x], LIGHT.arc, 30)
    assert "arc not yet explained" in texts(shown) and "arc not yet explained" not in texts(content())
    assert map_svg(content(unresolved=arc * 0.01)).count("<image") == map_svg(content()).count("<image")


def texts(shown: MapContent) -> list[str]:
    return [words.text for words in map_figure(shown).words()]


def test_the_legend_names_what_is_there_and_nothing_else() -> None:
    base = {"free", "unknown", "occupied", "x [m]", "y [m]"}
    assert base <= set(texts(content()))
    assert not {"station, facing this way", "95 % ellipse of a centre"} & set(texts(content()))
    kinds = [
        thing("post", diameter_m=0.1), thing("post"), thing("cluster", width_m=0.2, heading_rad=0.4), thing("cluster"),
        thing("echo"), thing("wall", width_m=0.8, heading_rad=0.0), thing("wall"), thing("corner"),
    ]  # fmt: skip
    full = texts(content(things=tuple(kinds), stations=(Station("A"),), reach_m=0.9))
    for words in (
        "station, facing this way", "reach of the ranger", "post, its true size", "post, size not known",
        "thing without a known shape", "echo: arc of equal range", "wall and its ends", "corner of two walls",
        "95 % ellipse of a centre",
    ):  # fmt: skip
        assert words in full


def test_things_are_listed_beside_the_map_unless_it_is_a_worksheet() -> None:
    shown = content(things=(thing("post", -0.001, 0.3), thing("echo", 0.4, 0.5, x_sigma_m=math.nan)))
    listed = texts(shown)
    assert listed.count("post") == 1 and "0.00" in listed and "-0.00" not in listed and "0.02" in listed
    assert "post" not in texts(replace(shown, listing=False)) and "1" in texts(replace(shown, listing=False))
    many = texts(content(things=tuple(thing(x_m=0.01 * i, y_m=0.3) for i in range(60))))
    left = next(text for text in many if text.startswith("and "))
    assert many.count("post") + int(left.split()[1]) == 60


def test_what_lies_outside_is_said() -> None:
    shown = content(things=(thing(), thing(x_m=30.0)), stations=(Station("far", 50.0, 0.0),))
    assert any(text.startswith("1 of 2 things lie outside") for text in texts(shown))
    assert "far" not in texts(shown) and "station, facing this way" not in texts(shown)
    assert any("No safety function" in text for text in texts(content()))


def test_reach_is_drawn_for_one_station_where_it_can_be_seen() -> None:
    one = (Station("A"),)
    assert "reach of the ranger" in texts(content(stations=one, reach_m=0.8))
    assert "reach of the ranger" not in texts(content(stations=one, reach_m=8.0))
    assert "reach of the ranger" not in texts(content(stations=(*one, Station("B", 0.3)), reach_m=0.8))


def test_a_moving_robot_leaves_a_way() -> None:
    turn = np.linspace(0.0, 3.0, 300)
    way = tuple(
        Station(f"p{i}", 0.8 * math.cos(t), 0.8 * math.sin(t), t + math.pi / 2) for i, t in enumerate(turn.tolist())
    )
    shown = content(stations=way, moving=True)
    assert {"start", "end", "the robot's way"} <= set(texts(shown)) and "p5" not in texts(shown)
    image, view = pixels(draw_map(shown)), view_for(shown)
    x, y = (int(part) for part in view.place(0.8 * math.cos(1.5), 0.8 * math.sin(1.5)))
    assert near(image[y - 3 : y + 4, x - 3 : x + 4], LIGHT.station, 20).any()
    parked = tuple(replace(station, x_m=0.02 * i - 0.4) for i, station in enumerate(way[:39]))
    assert "p5" in texts(content(stations=parked))


# --- ellipses and marks ------------------------------------------------------------------------------------------


def test_the_ellipse_holds_95_percent() -> None:
    # chi-square with 2 degrees of freedom, 95 %: 5.991 (any table of the distribution)
    assert pytest.approx(5.991, abs=5e-4) == ELLIPSE_95**2
    assert pytest.approx(chi2.ppf(0.95, 2), rel=1e-12) == ELLIPSE_95**2
    view = view_of(FRAME, 0, 0, plot_size_px(FRAME, 1200))
    one = thing(x_sigma_m=0.03, y_sigma_m=0.01, xy_correlation=0.6)
    outline = ellipse_95(one, view)
    assert outline is not None
    metres = (outline - view.place(one.x_m, one.y_m)) / view.px_per_m * np.array([1.0, -1.0])
    cov = np.array([[0.03**2, 0.6 * 0.03 * 0.01], [0.6 * 0.03 * 0.01, 0.01**2]])
    away = np.einsum("ni,ij,nj->n", metres, np.linalg.inv(cov), metres)
    assert away == pytest.approx(np.full(len(away), chi2.ppf(0.95, 2)))
    draws = np.random.default_rng(7).multivariate_normal([0, 0], cov, 20000)
    inside = np.einsum("ni,ij,nj->n", draws, np.linalg.inv(cov), draws) < ELLIPSE_95**2
    assert inside.mean() == pytest.approx(0.95, abs=0.006)
    assert ellipse_95(thing(x_sigma_m=math.nan), view) is None
    assert ellipse_95(thing(xy_correlation=math.nan), view) is not None


def test_an_echo_is_the_arc_about_the_axis_that_heard_it() -> None:
    robot, far, hearer = Robot(head_ahead_m=0.05), Station("far", -0.9, 0.9, 0.0), Station("A", -0.5, 0.0, math.pi / 2)
    axis, bearing = (-0.5, 0.05), math.radians(40.0)
    x, y = axis[0] + 0.45 * math.cos(bearing), axis[1] + 0.45 * math.sin(bearing)
    one = thing("echo", x, y, nearest_m=0.40, bearing_rad=bearing)
    assert axis_of(one, (far, hearer), robot) == pytest.approx(axis)
    assert axis_of(one, (), robot) is None
    assert axis_of(thing("echo", nearest_m=math.nan), (hearer,), robot) is None
    view = view_of(FRAME, 0, 0, plot_size_px(FRAME, 1200))
    drawn = thing_mark(one, view, LIGHT, (one,), (far, hearer), robot)
    arc = next(stroke.points for stroke in drawn.strokes if stroke.width == 5.0)
    gap = np.hypot(*(arc - view.place(*axis)).T) / view.px_per_m
    assert gap == pytest.approx(np.full(len(arc), 0.40))
    alone = thing_mark(one, view, LIGHT, (one,), (), robot)  # without a station: still drawn
    assert alone.strokes


def test_a_wall_ends_where_it_ends_and_a_corner_points_along_its_walls() -> None:
    view = view_of(FRAME, 0, 0, plot_size_px(FRAME, 1200))
    wall = thing("wall", 0.0, 0.5, width_m=0.6, heading_rad=math.pi / 2)
    drawn = thing_mark(wall, view, LIGHT, (wall,), (), Robot())
    line = next(stroke.points for stroke in drawn.strokes if stroke.width == 6.0)
    assert line == pytest.approx(view.place([0.0, 0.0], [0.2, 0.8]))
    other = thing("wall", 0.3, 0.8, width_m=0.6, heading_rad=0.0)
    corner = thing("corner", 0.0, 0.8)
    arms = thing_mark(corner, view, LIGHT, (wall, other, corner), (), Robot()).outline[:3] - view.place(0.0, 0.8)
    assert sorted(np.round(arms[[0, 2]]).tolist()) == [[0.0, 17.0], [17.0, 0.0]]


def test_a_thing_far_outside_harms_nothing() -> None:
    far = thing("wall", 0.0, 0.5, width_m=1e6, heading_rad=0.1)
    image = pixels(draw_map(content(things=(far, thing(x_sigma_m=1e5, y_sigma_m=1e5)))))
    assert near(image[0, 0], LIGHT.page)


def test_a_bar_points_along_the_heading() -> None:
    bar = station_mark(100.0, 100.0, math.pi / 2, LIGHT).strokes[0].points
    assert bar[1] == pytest.approx([100.0, 75.0])


# --- labels ------------------------------------------------------------------------------------------------------


def word_box(words: Words) -> Box:
    wide = text_width(words.text, words.size)
    if words.turned:
        return words.x - words.size * 0.75, words.y - wide / 2, words.x + words.size * 0.25, words.y + wide / 2
    left = words.x - {"start": 0.0, "middle": wide / 2, "end": wide}[words.anchor]
    return left, words.y - words.size * 0.74, left + wide, words.y + words.size * 0.2


def crowd(count: int, stations: int, size_m: float, aspect: float, seed: int) -> MapContent:
    draw = np.random.default_rng(seed)
    frame = GridFrame.around(0.0, 0.0, size_m, size_m * aspect, size_m / 100)
    kinds = ("post", "cluster", "echo", "wall", "corner")
    high = size_m * aspect
    things = tuple(
        thing(
            kinds[i % 5], float(draw.uniform(0, size_m)), float(draw.uniform(0, high)), x_sigma_m=size_m / 200,
            y_sigma_m=size_m / 150, nearest_m=size_m / 5, bearing_rad=float(draw.uniform(-3, 3)),
            width_m=size_m / 8 if kinds[i % 5] == "wall" else math.nan, heading_rad=float(draw.uniform(0, 3)),
        )
        for i in range(count)
    )  # fmt: skip
    parked = tuple(
        Station(
            f"Station {i}", float(draw.uniform(0, size_m)), float(draw.uniform(0, high)), float(draw.uniform(-3, 3))
        )
        for i in range(stations)
    )
    return MapContent(frame, draw.uniform(size=frame.shape), stations=parked, things=things, title="Crowded floor")


@pytest.mark.parametrize(
    ("count", "stations", "size_m", "aspect"),
    [(0, 0, 2.0, 1.0), (12, 4, 0.5, 1.0), (30, 8, 5.0, 0.3), (60, 8, 3.0, 1.0), (60, 4, 0.5, 0.6), (25, 3, 20.0, 0.05),
     (20, 3, 2.0, 4.0)],
)  # fmt: skip
def test_no_words_overlap_each_other_or_a_station_or_leave_the_picture(
    count: int, stations: int, size_m: float, aspect: float
) -> None:
    for seed in (1, 2):
        shown = crowd(count, stations, size_m, aspect, seed)
        figure, view = map_figure(shown), view_for(shown)
        boxes = [(words.text, word_box(words)) for words in figure.words()]
        for index, (text, box) in enumerate(boxes):
            inside = box[0] >= 0 and box[1] >= 0 and box[2] <= figure.width and box[3] <= figure.height
            assert inside, (text, box)
            for other, place in boxes[index + 1 :]:
                assert not overlaps(box, place), (text, other)
        labels = next(layer for layer in figure.layers if layer.name == "labels").marks
        named = [mark for mark in labels if isinstance(mark, Words)]
        assert len(named) == count + stations
        for station in shown.stations:
            x, y = view.place(station.x_m, station.y_m)
            disc = (x - 10, y - 10, x + 10, y + 10)
            assert not any(overlaps(word_box(words), disc) for words in named), station.name
        for words in named:
            box = word_box(words)
            assert view.box[0] <= box[0] and box[2] <= view.box[2] and view.box[1] <= box[1] and box[3] <= view.box[3]


@QUICK
@given(seed=st.integers(0, 10**6), count=st.integers(1, 30))
def test_labels_never_overlap_where_there_is_room(seed: int, count: int) -> None:
    draw = np.random.default_rng(seed)
    labels = [Label(*draw.uniform(0, 600, 2).tolist(), float(draw.uniform(10, 60)), 20.0, 8.0) for _ in range(count)]
    hard = [(x, y, x + 20, y + 20) for x, y in draw.uniform(0, 600, (5, 2)).tolist()]
    places = place_labels(labels, (0, 0, 600, 600), hard)
    assert all(place.free for place in places)
    for index, place in enumerate(places):
        assert place.box[0] >= 0 and place.box[1] >= 0 and place.box[2] <= 600 and place.box[3] <= 600
        assert not any(overlaps(place.box, box) for box in hard)
        assert not any(overlaps(place.box, other.box) for other in places[index + 1 :])
        assert place.box[2] - place.box[0] == pytest.approx(labels[index].width)
    assert places == place_labels(labels, (0, 0, 600, 600), hard)


def test_a_label_that_fits_nowhere_says_so() -> None:
    (place,) = place_labels([Label(5, 5, 50, 50)], (0, 0, 10, 10))
    assert not place.free


def test_a_label_that_had_to_move_has_a_leader() -> None:
    wall = [(60.0, 60.0, 140.0, 140.0)]
    (place,) = place_labels([Label(100, 100, 30, 20)], (0, 0, 400, 400), wall)
    assert place.leader is not None and place.free
    assert place.leader[0] == (100.0, 100.0) and not overlaps(place.box, wall[0])


# --- SVG ---------------------------------------------------------------------------------------------------------

HOSTILE = "</title><script>alert(1)</script>&\"'<!-- ]]> \x00\x0b\ud800 中"


def svg_root(shown: MapContent) -> ET.Element:
    return ET.fromstring(map_svg(shown).encode("utf-8"))


def test_svg_is_well_formed_and_names_cannot_break_out() -> None:
    shown = content(title=HOSTILE, subtitle=HOSTILE, stations=(Station(HOSTILE[:20]), Station("B<&", 0.5)))
    root = svg_root(shown)
    names = {element.tag.rpartition("}")[2] for element in root.iter()}
    assert names <= {"svg", "title", "desc", "defs", "clipPath", "rect", "g", "path", "text", "image"}
    words = ["".join(element.itertext()) for element in root.iter() if element.tag.endswith("}text")]
    assert "B<&" in words and any("<script>alert(1)" in text for text in words)
    assert not any("script" in key or key.startswith("on") for element in root.iter() for key in element.attrib)


def test_svg_embeds_the_evidence_and_keeps_text_sharp() -> None:
    shown = content(things=(thing(),), stations=(Station("A"),), title="Bench", unresolved=np.ones(FRAME.shape))
    root = svg_root(shown)
    images = [element for element in root.iter() if element.tag.endswith("}image")]
    assert len(images) == 3 and all(image.attrib["href"].startswith("data:image/png;base64,") for image in images)
    sharp = [element for element in root.iter() if "pixelated" in element.attrib.get("style", "")]
    assert set(sharp) <= set(images)  # never on a picture that carries text
    layers = [element.attrib["class"] for element in root if element.tag.endswith("}g")]
    assert layers == [
        "evidence",
        "unresolved-arcs",
        "rules",
        "things",
        "stations",
        "labels",
        "axes",
        "legend",
        "heading",
    ]
    told = [element.text for element in root.iter() if element.tag.endswith("}title")]
    assert told[0] == "Bench" and "1: post at x 0.200 m, y 0.300 m" in told
    assert "http" not in map_svg(shown).replace("http://www.w3.org/2000/svg", "")


def test_svg_and_png_say_the_same_words() -> None:
    shown = crowd(8, 3, 2.0, 0.6, 5)
    words = ["".join(e.itertext()) for e in svg_root(shown).iter() if e.tag.endswith("}text")]
    assert sorted(words) == sorted(texts(shown))


# --- drawing -----------------------------------------------------------------------------------------------------


def test_lines_are_where_they_should_be_and_smooth() -> None:
    line = Stroke(np.array([[10.0, 20.0], [90.0, 20.0]]), "#000000", 4.0)
    disc = Stroke(circle(50.0, 70.0, 10.0), fill="#000000", closed=True)
    image = pixels(figure_png(Figure(100, 100, "#ffffff", (Layer("a", (line, disc)),))))[..., 0]
    assert image[19:21, 20:80].max() == 0 and image[15].min() == 255 and image[25].min() == 255
    area = (255 - image[55:86, 35:66]).sum() / 255
    assert area == pytest.approx(math.pi * 100, rel=0.03)
    assert len(np.unique(image)) > 5  # smooth edges


def test_long_lines_are_cut_without_a_gap() -> None:
    line = Stroke(np.array([[0.0, 0.0], [999.0, 700.0]]), "#000000", 3.0)
    whole = pixels(figure_png(Figure(1000, 701, "#ffffff", (Layer("a", (line,)),))))[..., 0]
    assert np.all(whole[:, 5:-5].min(axis=0) < 80)


def test_clipping_and_opacity() -> None:
    boxes = (rectangle((0, 0, 50, 50), "#000000", 0.5), Stroke(circle(60.0, 60.0, 30.0), "#ff0000", 3.0, closed=True))
    figure = Figure(100, 100, "#ffffff", (Layer("a", boxes, (20, 20, 40, 40)),))
    image = pixels(figure_png(figure))
    assert image[30, 30].tolist() == pytest.approx([127, 127, 127], abs=1) and np.all(image[10, 10] == 255)
    assert np.all(image[60, 88:93] == 255)
    assert 'clip-path="url(#cut-a)"' in figure_svg(figure) and 'opacity="0.5"' in figure_svg(figure)


def test_shrunk_cells_are_averaged_and_enlarged_ones_keep_their_edges() -> None:
    checks = (np.indices((100, 100)).sum(axis=0) % 2 * 255).astype(np.uint8)
    cells = np.repeat(checks[..., None], 3, axis=2)
    small = pixels(figure_png(Figure(50, 50, "#ffffff", (Layer("a", (Raster(cells, (0, 0, 50, 50)),)),))))
    assert np.abs(small - 127.5).max() <= 1.0
    large = pixels(figure_png(Figure(500, 500, "#ffffff", (Layer("a", (Raster(cells, (0, 0, 500, 500)),)),))))
    assert set(np.unique(large)) == {0, 255}
    between = pixels(figure_png(Figure(150, 150, "#ffffff", (Layer("a", (Raster(cells, (0, 0, 150, 150)),)),))))
    assert len(np.unique(between)) > 2


@QUICK
@given(on=st.floats(1, 20), off=st.floats(1, 20), length=st.floats(5, 200))
def test_dashes_cover_their_share(on: float, off: float, length: float) -> None:
    pieces = list(dashes(np.array([[0.0, 0.0], [length, 0.0]]), on, off))
    covered = sum(float(piece[-1, 0] - piece[0, 0]) for piece in pieces)
    whole, rest = divmod(length, on + off)
    assert covered == pytest.approx(whole * on + min(rest, on), abs=1e-6)


# --- words -------------------------------------------------------------------------------------------------------


def test_letters_the_font_lacks_are_found_elsewhere_or_spelled_plainly(monkeypatch: pytest.MonkeyPatch) -> None:
    assert text_width("Töpferbank", 20) > text_width("T", 20)
    monkeypatch.setattr(raster, "OTHER_FONTS", ())
    raster._setting.cache_clear()
    try:
        assert raster._setting("Töpfer − “bank” 中", 20)[0] == 'Topfer - "bank" ?'
        assert raster._setting("20 °C ± 1", 20)[0] == "20 °C ± 1"
    finally:
        raster._setting.cache_clear()


def test_long_texts_are_shortened() -> None:
    cut = shortened("A very long name of a station indeed", 20, 120.0)
    assert cut.endswith("...") and text_width(cut, 20) <= 120.0
    assert shortened("A very long name", 20, 3.0) == ""
    shown = content(title="Long " * 60, subtitle="words " * 80, stations=(Station("N" * 64),))
    figure = map_figure(shown)
    assert all(word_box(words)[0] >= 0 and word_box(words)[2] <= figure.width for words in figure.words())
    assert figure.title.startswith("Long Long")


def test_grey_and_colours_become_png() -> None:
    with Image.open(io.BytesIO(cells_png(np.array([[0, 128, 255]], dtype=np.uint8)))) as image:
        assert image.mode == "L" and np.asarray(image).tolist() == [[0, 128, 255]]


# --- from a map --------------------------------------------------------------------------------------------------


def test_a_map_brings_everything_its_picture_needs() -> None:
    rows = Readings("angle_deg", "range_cm", [60.0, 90.0, 120.0], [50.0] * 3, [0] * 3, [0] * 3, [1] * 3)
    stations = (Station("A"), Station("unheard", 9.0))
    made = build_map(Run(rows, stations, title="Bench"), beam="cone", cell_m=0.05)
    shown = map_content(made, [thing()])
    assert [station.name for station in shown.stations] == ["A"] and shown.title == "Bench"
    assert shown.subtitle == "1 station, 3 readings; cone beam, additive solver, cells of 5 cm"
    assert shown.reach_m == 1.0 and shown.prior == 0.5 and len(shown.things) == 1
    assert pixels(draw_map(shown)).shape[2] == 3
    untitled = map_content(build_map(Run(rows, name="bench"), beam="cone", cell_m=0.05))
    assert untitled.title == "bench"


@pytest.mark.parametrize(
    ("more", "words"),
    [({"prior": 0.0}, "prior must lie"), ({"touched": np.ones((2, 2))}, "touched has shape"),
     ({"unresolved": np.ones((2, 2))}, "unresolved has shape"), ({"probability": np.ones(3)}, "probability has shape")],
)  # fmt: skip
def test_content_that_does_not_fit_is_refused(more: dict[str, object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        content(**more)

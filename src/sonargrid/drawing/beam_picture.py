"""The beam's calibration as a picture: half widths over the distance, and detection over the angle off the axis."""

from __future__ import annotations

import math

import numpy as np

from sonargrid.bench.beam_bench import BeamCalibration
from sonargrid.bench.beam_fit import SHOWN_RAD, BeamPlace
from sonargrid.drawing.charts import Chart, dot, error_bar, triangle
from sonargrid.drawing.palette import SMALL_PX, TEXT_PX, TITLE_PX, Theme, theme_named
from sonargrid.drawing.raster import figure_png
from sonargrid.drawing.shapes import Figure, Layer, Mark, Words
from sonargrid.maps.beams import soft_edge
from sonargrid.units import RAD_PER_DEG

WIDE = 1240
LEFT, RIGHT = 124.0, 1200.0
TOP, BOTTOM = 124.0, 470.0
STRIP_TOP, STRIP_PX, STRIP_GAP = 590.0, 84.0, 24.0
MOST_STRIPS = 8
ASIDE_PX = 8.0  # left and right marks of one place stand so far apart
SHOWN_DEG = SHOWN_RAD / RAD_PER_DEG


def draw_beam(found: BeamCalibration, title: str, theme: str = "light") -> bytes:
    """Return a PNG: half widths left and right against the distance with the closest piston, and below a strip a place
    with the share of pings that heard it.

    Parameters
    ----------
    found : BeamCalibration
        With its places.
    title : str
        Of the run.
    theme : str
        ``light`` or ``dark``.
    """
    look = theme_named(theme)
    shown = _strips(found.fit.places)
    high = STRIP_TOP + len(shown) * (STRIP_PX + STRIP_GAP) + 120.0
    words: list[Mark] = [
        Words(f"The beam: {title}"[:76], LEFT, 48, TITLE_PX, look.ink),
        Words(_told(found), LEFT, 90, TEXT_PX, look.ink),
        Words(
            "Share of pings that heard it (dots), and the fitted curves, against where it stood off the axis",
            LEFT,
            STRIP_TOP - 18.0,
            TEXT_PX,
            look.ink,
        ),
        Words(
            "triangles: half width left and right   bars: one sigma   line: closest piston, for a 5 cm post",
            LEFT,
            high - 28.0,
            SMALL_PX,
            look.muted,
        ),
    ]
    layers = [Layer("widths", tuple(_widths(found, look)))]
    for number, place in enumerate(shown):
        layers.append(Layer(f"strip {number + 1}", tuple(_strip(place, number, number == len(shown) - 1, look))))
    layers.append(Layer("words", tuple(words)))
    return figure_png(Figure(WIDE, round(high), look.page, tuple(layers), "Beam calibration"))


def _told(found: BeamCalibration) -> str:
    parts = []
    if not math.isnan(found.half_beam[0]):
        half, sigma = (v / RAD_PER_DEG for v in found.half_beam)
        parts.append(f"half beam {half:.1f} +- {sigma:.1f} degrees")
    parts.append(f"edge {found.fit.soft_rad[0] / RAD_PER_DEG:.1f} degrees soft")
    parts.append(f"closest piston {found.piston_m[0] * 1000.0:.1f} mm")
    return "   ".join(parts)


def _strips(places: tuple[BeamPlace, ...]) -> list[BeamPlace]:
    """Return the places that get a strip: all, or an even choice of many."""
    if len(places) <= MOST_STRIPS:
        return list(places)
    return [places[k] for k in np.linspace(0, len(places) - 1, MOST_STRIPS).round().astype(int)]


def _widths(found: BeamCalibration, look: Theme) -> list[Mark]:
    places = found.fit.places
    far = 1.1 * max(p.range_m for p in places)
    most = max(max(p.left[0] + p.left[1], p.right[0] + p.right[1]) for p in places) / RAD_PER_DEG
    chart = Chart(
        (LEFT, TOP, RIGHT, BOTTOM), (0.0, 0.0, far, 1.12 * most), "distance [m]", "half width [degrees]", None, 10.0
    )
    inside = found.fit.curve_range_m <= far
    curve = found.fit.curve_rad[inside] / RAD_PER_DEG
    drawn: list[Mark] = [*chart.frame(look), chart.line(found.fit.curve_range_m[inside], curve, look.muted, 2.5)]
    aside = ASIDE_PX * far / (RIGHT - LEFT)
    for p in places:
        for side, is_left, colour in ((p.left, True, look.station), (p.right, False, look.thing)):
            value, sigma = (v / RAD_PER_DEG for v in side)
            x = p.range_m + (-aside if is_left else aside)
            drawn += error_bar(chart, x, value - sigma, value + sigma, colour)
            drawn.append(triangle(chart.place(x, value), 8.0, colour, is_left))
        if p.kind != "post":
            x, y = chart.place(p.range_m, max(p.left[0], p.right[0]) / RAD_PER_DEG)
            drawn.append(Words(p.kind, float(x), float(y) - 26.0, SMALL_PX, look.wall, "middle"))
    return drawn


def _strip(p: BeamPlace, number: int, last: bool, look: Theme) -> list[Mark]:
    top = STRIP_TOP + number * (STRIP_PX + STRIP_GAP)
    box = (LEFT, top, RIGHT, top + STRIP_PX)
    chart = Chart(box, (SHOWN_DEG, -0.12, -SHOWN_DEG, 1.12), "", "")
    marks: list[Mark] = [
        chart.line([SHOWN_DEG, -SHOWN_DEG], [level, level], look.muted, 1.0) for level in (0.0, 0.5, 1.0)
    ]
    for edge in range(-40, 41, 20):
        marks.append(chart.line([edge, edge], [-0.12, 0.0], look.ink, 2.0))
        if last:
            x, y = chart.place(edge, -0.12)
            side = " left" if edge > 0 else " right" if edge < 0 else ""
            marks.append(Words(f"{abs(edge)}{side}", float(x), float(y) + 24.0, SMALL_PX, look.ink, "middle"))
    angle = np.linspace(-SHOWN_DEG, SHOWN_DEG, 401)
    half = np.where(angle > 0.0, p.left[0], p.right[0])
    marks.append(chart.line(angle, soft_edge(angle * RAD_PER_DEG, half, p.soft_rad), look.station, 2.5))
    for off, share in zip(p.off_rad / RAD_PER_DEG, p.share, strict=True):
        if abs(off) <= SHOWN_DEG:
            marks.append(dot(chart.place(float(off), float(share)), 4.5, look.thing))
    where = f"{p.range_m:.2f} m"
    marks.append(Words(where, LEFT - 14.0, top + 0.5 * STRIP_PX - 4.0, SMALL_PX, look.ink, "end"))
    marks.append(Words(f"{p.name}, {p.station}"[:14], LEFT - 14.0, top + 0.5 * STRIP_PX + 18.0, 14, look.muted, "end"))
    if last:
        x, y = chart.place(0.0, -0.12)
        marks.append(Words("degrees off the axis", float(x), float(y) + 54.0, TEXT_PX, look.ink, "middle"))
    return marks

"""The head's calibration as a picture: what the straight line leaves over at each surveyed thing, over the angle."""

from __future__ import annotations

import math

import numpy as np

from sonargrid.bench.head_bench import HeadCalibration
from sonargrid.drawing.charts import Chart, dot, error_bar
from sonargrid.drawing.palette import SMALL_PX, TEXT_PX, TITLE_PX, theme_named
from sonargrid.drawing.raster import figure_png
from sonargrid.drawing.shapes import Figure, Layer, Mark, Words
from sonargrid.units import RAD_PER_DEG

WIDE, HIGH = 1240, 760
LEFT, RIGHT, TOP, BOTTOM = 124.0, 1200.0, 164.0, 596.0
NAMES = {
    "head.angle_offset_deg": ("offset", "degrees"),
    "head.angle_scale": ("scale", ""),
    "head.backlash_deg": ("backlash", "degrees"),
    "head.pulse_centre_us": ("centre", "us"),
    "head.pulse_us_per_deg": ("pulse", "us per degree"),
}


def draw_head(found: HeadCalibration, title: str, theme: str = "light") -> bytes:
    """Return a PNG: how far each thing still stands aside once offset, scale and backlash are taken out.

    Parameters
    ----------
    found : HeadCalibration
        With its targets.
    title : str
        Of the run.
    theme : str
        ``light`` or ``dark``.
    """
    look = theme_named(theme)
    ends = [abs(t.residual_deg) + t.residual_sigma_deg for t in found.targets]
    most = max(1.0, 1.5 * max(ends, default=1.0))
    chart = Chart(
        (LEFT, TOP, RIGHT, BOTTOM),
        (180.0, -most, 0.0, most),
        "head angle [degrees], left to right",
        "left over [degrees]",
    )
    marks: list[Mark] = [chart.line([0.0, 180.0], [0.0, 0.0], look.station, 3.0)]
    if not math.isnan(found.bend_deg):
        angle = np.linspace(0.0, 180.0, 181)
        bent = found.bend_deg * np.sin(2.0 * RAD_PER_DEG * (angle - 90.0))
        marks.append(chart.line(angle, -bent, look.arc, 3.0))
    for number, t in enumerate(sorted(found.targets, key=lambda t: -t.head_angle_deg)):
        low, high = t.residual_deg - t.residual_sigma_deg, t.residual_deg + t.residual_sigma_deg
        marks += error_bar(chart, t.head_angle_deg, low, high, look.thing)
        place = chart.place(t.head_angle_deg, t.residual_deg)
        marks.append(dot(place, 8.0, look.thing))
        # names in two heights, so that neighbours do not meet
        down = 30.0 + 26.0 * (number % 2)
        marks.append(Words(f"{t.name}, {t.station}", float(place[0]), TOP + down, SMALL_PX, look.muted, "middle"))
    told = [_told(found, key) for key in NAMES if key in found.values]
    rate = "" if found.sweep_rate_deg_s is None else f"   at {found.sweep_rate_deg_s:.3g} degrees a second"
    legend = "dot: a surveyed thing   bar: one sigma, survey included   line: offset, scale and backlash taken out"
    if not math.isnan(found.bend_deg):
        legend += "   curve: the servo's bend"
    words = (
        Words(f"The head: {title}"[:76], LEFT, 48, TITLE_PX, look.ink),
        Words("   ".join(told), LEFT, 90, TEXT_PX, look.ink),
        Words(f"above the line: stands further left than the line says{rate}", LEFT, 122, SMALL_PX, look.muted),
        Words(legend, LEFT, HIGH - 28, SMALL_PX, look.muted),
    )
    layers = (Layer("frame", chart.frame(look)), Layer("things", tuple(marks)), Layer("words", words))
    return figure_png(Figure(WIDE, HIGH, look.page, layers, "Head calibration"))


def _told(found: HeadCalibration, key: str) -> str:
    name, unit = NAMES[key]
    value, sigma = found.values[key]
    per, digits = (RAD_PER_DEG, 2) if unit == "degrees" else (1.0, 4 if not unit else 1)
    return f"{name} {value / per:.{digits}f} +- {sigma / per:.{digits}f} {unit}".rstrip()

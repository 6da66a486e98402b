"""Pictures of the bench: a ranger's line with what is left over at each known distance."""

from __future__ import annotations

import numpy as np

from sonargrid.bench.ranger_fit import RangerFit
from sonargrid.drawing.charts import Chart, cross, dot
from sonargrid.drawing.palette import SMALL_PX, TEXT_PX, TITLE_PX, Theme, theme_named
from sonargrid.drawing.raster import figure_png
from sonargrid.drawing.shapes import Figure, Layer, Mark, Words
from sonargrid.errors import OutputProblem
from sonargrid.runs.known_distances import KnownDistances
from sonargrid.whole_file import replace_whole

WIDE, HIGH = 1240, 1040
LEFT, RIGHT = 124.0, 1200.0
MM = 1000.0


def draw_ranger(data: KnownDistances, fit: RangerFit, theme: str = "light") -> bytes:
    """Return a PNG: readings against known distances with the line, and below what is left over.

    Parameters
    ----------
    data, fit : the readings and their line
    theme : str
        ``light`` or ``dark``.
    """
    look = theme_named(theme)
    heard = np.isfinite(data.read_m)
    far = 1.08 * float(data.known_m.max())
    read_far = 1.08 * max(float(np.quantile(data.read_m[heard], 0.98)), far / fit.range_scale)
    above = Chart((LEFT, 120.0, RIGHT, 530.0), (0.0, 0.0, far, read_far), "", "read [m]")
    off = MM * (fit.range_scale * data.read_m + fit.range_bias_m - data.known_m)
    good = heard & ~fit.outlier
    most = max(2.0, 1.25 * float(np.abs(off[good]).max()))
    below = Chart((LEFT, 600.0, RIGHT, 900.0), (0.0, -most, far, most), "known distance [m]", "corrected - known [mm]")
    line = (np.array([0.0, far]) - fit.range_bias_m) / fit.range_scale
    marks: list[Mark] = [
        above.line([0.0, far], line, look.station, 3.0),
        below.line([0.0, far], [0.0, 0.0], look.station, 3.0),
    ]
    outside = 0
    for known, read, left, kept in zip(data.known_m[heard], data.read_m[heard], off[heard], good[heard], strict=True):
        if read <= read_far:
            place = above.place(known, read)
            marks += [dot(place, 4.5, look.thing)] if kept else list(cross(place, 7.0, look.arc))
        else:
            outside += 1
        if kept:
            marks.append(dot(below.place(known, left), 4.5, look.thing))
    for one in fit.places:
        if one.readings:
            middle = MM * (fit.corrected(one.read_m)[0] - one.known_m)
            marks.append(dot(below.place(one.known_m, middle), 9.0, None, look.ink))
    words = _words(data, fit, look, outside)
    layers = (
        Layer("frames", (*above.frame(look), *below.frame(look))),
        Layer("readings", tuple(marks)),
        Layer("words", words),
    )
    return figure_png(Figure(WIDE, HIGH, look.page, layers, "Ranger at known distances"))


def _words(data: KnownDistances, fit: RangerFit, look: Theme, outside: int) -> tuple[Mark, ...]:
    sign = "+" if fit.range_bias_m >= 0.0 else "-"
    told = (
        f"true = {fit.range_scale:.4f} x read {sign} {abs(fit.range_bias_m) * MM:.1f} mm"
        f"  (give or take {fit.range_scale_sigma:.4f} and {fit.range_bias_m_sigma * MM:.1f} mm)"
    )
    gross = int(np.sum(fit.outlier & np.isfinite(data.read_m)))
    legend = "dot: one reading   ring: middle of a distance   line: the fit"
    legend += f"   cross: left out ({gross}{f', {outside} off the picture' if outside else ''})" if gross else ""
    return (
        Words("The ranger at known distances", LEFT, 48, TITLE_PX, look.ink),
        Words(told, LEFT, 90, TEXT_PX, look.ink),
        Words(legend, LEFT, HIGH - 28, SMALL_PX, look.muted),
    )


def save_picture(content: bytes, path: str) -> None:
    """Write a picture so that it appears whole.

    Raises
    ------
    OutputProblem
        If the place cannot be written to.
    """
    try:
        replace_whole(path, content)
    except OSError as problem:
        words = (problem.strerror or type(problem).__name__).lower()
        raise OutputProblem(f"cannot be written: {words}", hint="choose another place", file=path) from None

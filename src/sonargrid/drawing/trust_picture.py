"""The reliability picture: what each model's map said of cells, and how often that was so, weight on and off.

On the slanting line a map can be taken at its word; below it, it is surer than it has a right to be.  Pixels.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from sonargrid.comparing.trust import Trust
from sonargrid.drawing.charts import dot
from sonargrid.drawing.compare_charts import outline
from sonargrid.drawing.palette import SMALL_PX, TEXT_PX, TITLE_PX, Theme, theme_named
from sonargrid.drawing.raster import figure_png, folded, shortened
from sonargrid.drawing.shapes import Box, Figure, Layer, Mark, Stroke, Words, dashes, rectangle, straight
from sonargrid.physics.log_odds import to_log_odds

WIDE, EDGE, COLUMNS = 1600, 40, 3
PANEL_PX, LEFT_PX, HEAD_PX, FOOT_PX = 360, 104, 66, 84
TICKS = (0.001, 0.01, 0.1, 0.5, 0.9, 0.99, 0.999)
FARTHEST = 7.5  # log-odds at the edge of a panel
FEW_CELLS = 20  # a share of fewer cells tells little: its mark is hollow
HOW_TO_READ = (
    "Every cell in sight is sorted by the chance of being occupied that the map gives it; upwards is the share of them "
    "that truly is. On the slanting line the map can be taken at its word. Below it the map is too sure of things, as "
    "happens when pings that hear the same thing are counted in full; above it, it could claim more. A map without a "
    "prior of its own is given the true share of occupied floor."
)


def trust_figure(trust: Sequence[Trust], title: str, theme: str = "light") -> Figure:
    """Return the picture before it becomes pixels.

    Parameters
    ----------
    trust : sequence of Trust
        One panel each.
    title : str
        Of the run.
    theme : str
        ``light`` or ``dark``.

    Raises
    ------
    ValueError
        If the theme is unknown, or there is nothing to draw.
    """
    if not trust:
        raise ValueError("there is no model to draw")
    look = theme_named(theme)
    room = WIDE - 2 * EDGE
    heading = shortened(f"How far the probabilities can be trusted: {title}", TITLE_PX, room)
    marks: list[Mark] = [Words(heading, EDGE, 52, TITLE_PX, look.ink)]
    y = 92.0
    for line in folded(HOW_TO_READ, SMALL_PX, room):
        marks.append(Words(line, EDGE, y, SMALL_PX, look.muted))
        y += 26
    marks += _key(y + 14, look)
    top = y + 44
    for number, one in enumerate(trust):
        column, row = number % COLUMNS, number // COLUMNS
        left = EDGE + LEFT_PX + column * (WIDE - EDGE) / COLUMNS
        upper = top + HEAD_PX + row * (HEAD_PX + PANEL_PX + FOOT_PX)
        marks += _panel(one, (left, upper, left + PANEL_PX, upper + PANEL_PX), look)
    high = top + -(-len(trust) // COLUMNS) * (HEAD_PX + PANEL_PX + FOOT_PX) + 10
    told = "; ".join(
        f"{one.name}: calibration error {one.weighed_error:.4f} with the weight, {one.full_error:.4f} without"
        for one in trust
    )
    return Figure(WIDE, round(high), look.page, (Layer("trust", tuple(marks)),), heading, told)


def draw_trust(trust: Sequence[Trust], title: str, theme: str = "light") -> bytes:
    """Return the reliability picture as PNG; parameters as `trust_figure`."""
    return figure_png(trust_figure(trust, title, theme))


def _key(y: float, look: Theme) -> list[Mark]:
    marks: list[Mark] = []
    entries = (
        (look.station, look.station, "neighbouring pings weigh less (the default)"),
        (look.thing, look.thing, "every ping counted in full"),
        (None, look.muted, f"hollow: fewer than {FEW_CELLS} cells"),
    )
    for (fill, line, words), x in zip(entries, (EDGE + 8, EDGE + 480, EDGE + 800), strict=True):
        marks.append(dot(np.array([x, y - 6]), 7.0, fill or look.page, line))
        marks.append(Words(words, x + 18, y, SMALL_PX, look.ink))
    return marks


def _panel(one: Trust, box: Box, look: Theme) -> list[Mark]:
    left, top, right, bottom = box
    marks = _frame(box, look)
    ends = straight((left, bottom), (right, top))
    marks += [Stroke(piece, look.muted, 2.0) for piece in dashes(ends, 9.0, 8.0)]
    # the first line is the wider one: where both are the same it shows as a rim
    for diagram, colour, wide in ((one.full, look.thing, 6.0), (one.weighed, look.station, 2.5)):
        places = np.array([_place(box, b.claimed, b.observed) for b in diagram])
        marks += [Stroke(places, colour, wide)] if len(diagram) > 1 else []
        for place, bin_ in zip(places, diagram, strict=True):
            marks.append(dot(place, 4.5 + 0.5 * wide, colour if bin_.count >= FEW_CELLS else look.page, colour))
    errors = f"calibration error {_share(one.weighed_error)}; in full {_share(one.full_error)}"
    marks.append(Words(f"{one.name}, prior {_share(one.prior)}", left, top - 40, TEXT_PX, look.ink))
    marks.append(Words(errors, left, top - 14, SMALL_PX, look.muted))
    return marks


def _place(box: Box, claimed: float, observed: float) -> tuple[float, float]:
    """Return where two shares lie: evenly in log-odds, beyond the ends on the edge [px]."""
    left, top, right, bottom = box
    across, up = (0.5 + 0.5 * min(1.0, max(-1.0, float(to_log_odds(s)) / FARTHEST)) for s in (claimed, observed))
    return left + across * (right - left), bottom - up * (bottom - top)


def _frame(box: Box, look: Theme) -> list[Mark]:
    left, top, right, bottom = box
    marks: list[Mark] = []
    for share in TICKS:
        x, y = _place(box, share, share)
        words = f"{100.0 * share:g}"
        marks += [rectangle((round(x), top, round(x) + 1, bottom), look.rule, 0.13)]
        marks += [rectangle((left, round(y), right, round(y) + 1), look.rule, 0.13)]
        marks.append(Words(words, x, bottom + 10 + SMALL_PX, SMALL_PX, look.ink, "middle"))
        marks.append(Words(words, left - 10, y + SMALL_PX * 0.36, SMALL_PX, look.ink, "end"))
    marks.append(Stroke(outline(box), look.ink, 1.5, closed=True))
    marks.append(Words("the map says occupied [%]", (left + right) / 2, bottom + 60, SMALL_PX, look.ink, "middle"))
    marks.append(Words("truly occupied [%]", left - 62, (top + bottom) / 2, SMALL_PX, look.ink, "middle", turned=True))
    return marks


def _share(value: float) -> str:
    return "-" if math.isnan(value) else f"{100.0 * value:.2g} %"

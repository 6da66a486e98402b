"""The charts of a comparison: every left-out station's score, and how far each model is behind the best.

Nats per ping across, a model a row; pixels.
"""

from __future__ import annotations

import math

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.comparing.comparison import Comparison
from sonargrid.comparing.findings import against_best
from sonargrid.comparing.verdicts import LEAST_NATS, Pair
from sonargrid.drawing.axes import round_step, tick_text, ticks
from sonargrid.drawing.charts import dot
from sonargrid.drawing.palette import SMALL_PX, TEXT_PX, Theme
from sonargrid.drawing.raster import text_width
from sonargrid.drawing.shapes import Box, Mark, Stroke, Words, rectangle, straight

ROW_PX = 50
VERDICT_PX = 130.0  # room for the words beside the second chart
UNITS = {"station": "a station", "piece": "a piece of the way", "sweeps": "every other sweep"}


def score_charts(found: Comparison, place: tuple[float, float, float], look: Theme) -> list[Mark]:
    """Return both charts side by side.

    Parameters
    ----------
    found : Comparison
        With at least one fold.
    place : (left, top, right)
        Where they go [px]; they are `ROW_PX` a model high, and 120 for words.
    look : Theme
    """
    left, top, right = place
    start = left + max(text_width(trial.name, TEXT_PX) for trial in found.trials) + 18
    middle = start + (right - start) * 0.48
    top += 34
    bottom = top + ROW_PX * len(found.trials)
    rows = np.array([top + ROW_PX * (k + 0.5) for k in range(len(found.trials))])
    marks: list[Mark] = [
        Words(trial.name, left, y + TEXT_PX * 0.36, TEXT_PX, look.ink)
        for trial, y in zip(found.ranked, rows, strict=True)
    ]
    marks += _scores(found, (start, top, middle - 30, bottom), rows, look)
    return marks + _gaps(found, (middle + 30, top, right - VERDICT_PX, bottom), rows, look)


def outline(box: Box) -> Floats:
    """Return the four corners of a box."""
    return straight((box[0], box[1]), (box[2], box[1]), (box[2], box[3]), (box[0], box[3]))


def _widened(low: float, high: float) -> tuple[float, float]:
    room = 0.06 * max(high - low, 0.1)
    return low - room, high + room


def _across(box: Box, span: tuple[float, float], value: float) -> float:
    """Return where a value lies, held inside the box [px]."""
    inside = min(max(value, span[0]), span[1])
    return box[0] + (inside - span[0]) / (span[1] - span[0]) * (box[2] - box[0])


def _ruled(box: Box, span: tuple[float, float], title: str, words: str, look: Theme) -> list[Mark]:
    """Return title, edge, upright rules and numbers of a chart, and the words below it."""
    left, top, right, bottom = box
    step = round_step((span[1] - span[0]) * 90.0 / (right - left))
    marks: list[Mark] = [Words(title, left, top - 12, TEXT_PX, look.ink)]
    for value in ticks(*span, step):
        x = round(_across(box, span, value))
        marks.append(rectangle((x, top, x + 1, bottom), look.rule, 0.35 if value == 0.0 else 0.13))
        marks.append(Words(tick_text(value, step), x, bottom + 10 + SMALL_PX, SMALL_PX, look.ink, "middle"))
    marks.append(Stroke(outline(box), look.ink, 1.5, closed=True))
    return [*marks, Words(words, (left + right) / 2, bottom + 62, SMALL_PX, look.muted, "middle")]


def _scores(found: Comparison, box: Box, rows: Floats, look: Theme) -> list[Mark]:
    whole = np.concatenate([trial.scores for trial in found.trials])
    span = _widened(float(whole.min()), float(whole.max()))
    words = f"nats per ping, more is better; ring: {UNITS[found.folds.unit]}, bar: mean"
    marks = _ruled(box, span, "How well readings left out are foretold", words, look)
    for trial, y in zip(found.ranked, rows, strict=True):
        places = [np.array([_across(box, span, float(score)), y]) for score in trial.scores]
        marks += [dot(place, 6.0, None, look.station) for place in places]
        x = _across(box, span, trial.mean)
        marks.append(rectangle((x - 3, y - 15, x + 3, y + 15), look.thing))
    return marks


def _ends(pair: Pair) -> tuple[float, float]:
    """Return both ends of a pair's interval; the difference itself where there is none."""
    half = 0.0 if math.isnan(pair.half_width) else pair.half_width
    return pair.difference - half, pair.difference + half


def _gaps(found: Comparison, box: Box, rows: Floats, look: Theme) -> list[Mark]:
    """Return the differences from the best model with their intervals; the grey band is a tie whatever they are."""
    best = found.ranked[0].name
    pairs = [found.pair(best, trial.name) for trial in found.ranked[1:]]
    # intervals over two or three stations may be wider than any picture: those run off its edge
    far = 4.0 * max(LEAST_NATS, *(pair.difference for pair in pairs))
    low = min(0.0, *(_ends(pair)[0] for pair in pairs))
    high = max(LEAST_NATS, *(_ends(pair)[1] for pair in pairs))
    span = _widened(max(low, -far), min(high, far))
    band = (_across(box, span, -LEAST_NATS), box[1], _across(box, span, LEAST_NATS), box[3])
    words = f"nats per ping with 95 % interval; grey: below {LEAST_NATS:g}, always a tie"
    marks: list[Mark] = [rectangle(band, look.rule, 0.08), *_ruled(box, span, f"How far behind {best}", words, look)]
    for pair, y in zip(pairs, rows[1:], strict=True):
        ends = [(_across(box, span, end), y) for end in _ends(pair)]
        marks.append(Stroke(straight(*ends), look.thing, 4.0))
        place = np.array([_across(box, span, pair.difference), y])
        marks.append(dot(place, 7.0, look.page if pair.tie else look.thing, look.thing))
    for trial, y in zip(found.ranked, rows, strict=True):
        told = against_best(found, trial.name)
        if trial.name != best:
            pair = found.pair(best, trial.name)
            told += f", {pair.agree} of {pair.folds}"
        lines = [told] if trial.truth is None else [told, f"log loss {trial.truth.balanced_log_loss:.3f}"]
        for k, line in enumerate(lines):
            at = y + SMALL_PX * (0.36 + 1.1 * (k - 0.5 * (len(lines) - 1)))
            marks.append(Words(line, box[2] + 14, at, SMALL_PX, look.muted if k else look.ink))
    return marks

"""Arcs that meet at a thing: one picture a station that joins, and the close-up."""

from __future__ import annotations

import math
from xml.etree import ElementTree

import numpy as np
import pytest

from sonargrid.drawing.meeting_picture import MeetingArc, meeting_figures
from sonargrid.drawing.palette import THEMES
from sonargrid.drawing.shapes import Figure, Stroke
from sonargrid.drawing.vector import figure_svg
from sonargrid.finding.things import Object
from sonargrid.runs.readings import Station

POST = Object("post", 0.3, 0.6, 0.01, 0.01, 0.0, 0.62, 1.1, 3, 34, diameter_m=0.10)


def arc(name: str, x: float, y: float) -> MeetingArc:
    """The arc on which a station at (x, y) hears the post's near side."""
    away = math.hypot(POST.x_m - x, POST.y_m - y) - POST.diameter_m / 2
    turn = math.atan2(POST.y_m - y, POST.x_m - x) + np.linspace(-0.4, 0.4, 33)
    points = np.column_stack([x + away * np.cos(turn), y + away * np.sin(turn)])
    return MeetingArc(Station(name, x, y), (x, y), points)


ARCS = [[arc("A", 0.0, 0.0)], [arc("B <&>", 0.6, 0.0)], [arc("C", 0.3, 1.2)]]


def strokes(figure: Figure, layer: str) -> list[Stroke]:
    return [mark for one in figure.layers if one.name == layer for mark in one.marks if isinstance(mark, Stroke)]


def test_each_station_adds_its_arc_and_the_last_picture_is_close_by() -> None:
    figures = meeting_figures(POST, ARCS)
    assert len(figures) == 4
    look = THEMES["light"]
    for count, figure in enumerate(figures[:3], start=1):
        lines = [mark for mark in strokes(figure, "meeting-arcs") if mark.line == look.arc]
        assert len(lines) == count
        assert [mark.width for mark in lines] == [2.0] * (count - 1) + [5.0], "the new one is broad"
        assert len(strokes(figure, "beams")) == 1
    assert len(strokes(figures[3], "meeting-arcs")) == 3 and strokes(figures[3], "meeting-thing")
    assert not any(strokes(figure, "meeting-thing") for figure in figures[:3])


def test_in_the_close_up_every_arc_touches_the_circle() -> None:
    close = meeting_figures(POST, ARCS)[-1]
    circle = max(
        (mark for mark in strokes(close, "meeting-thing") if mark.closed and mark.width == 3.0),
        key=lambda mark: float(np.ptp(mark.points)),
    )
    centre, radius = circle.points.mean(axis=0), float(np.ptp(circle.points[:, 0])) / 2
    for line in strokes(close, "meeting-arcs"):
        nearest = float(np.hypot(*(line.points - centre).T).min())
        assert nearest == pytest.approx(radius, rel=0.03)


def test_one_station_alone_gets_no_close_up_and_no_arc_is_refused() -> None:
    assert len(meeting_figures(POST, ARCS[:1])) == 1
    with pytest.raises(ValueError, match="at least one station"):
        meeting_figures(POST, [])


@pytest.mark.parametrize("theme", list(THEMES))
def test_pictures_are_whole_and_words_stay_inside(theme: str) -> None:
    for figure in meeting_figures(POST, ARCS, theme):
        assert ElementTree.fromstring(figure_svg(figure)).tag.endswith("svg")
        assert all(0 < word.x < figure.width and 0 < word.y < figure.height for word in figure.words())

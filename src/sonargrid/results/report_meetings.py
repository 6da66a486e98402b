"""How the arcs of each thing meet, as a row of small pictures with a sentence under each: a part of the report page."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from sonargrid.drawing.meeting_picture import MeetingArc, meeting_figures
from sonargrid.finding.things import Object
from sonargrid.results.report_data import Meeting, ReportData, face_of, meetings
from sonargrid.results.report_svg import themed_svg, thing_words

MOST_PICTURED = 8  # things of one map; the others are told in words
MOST_STATIONS = 5  # that join, of one thing
HEAD = (
    '<h2>How the arcs meet</h2>\n<p class="quiet">Broad: the arc that has just joined, with the part of the beam that'
    " it was heard in. Thin: the arcs before it.</p>"
)
Escaped = Callable[[object], str]


def meetings_part(data: ReportData, name: str, text: Escaped) -> str:
    """Return the section, or "" where nothing meets.

    Parameters
    ----------
    data : ReportData
    name : str
        Letters and digits; keeps its pictures apart from others' on the page.
    text : callable
        Escapes words for the page.
    """
    said: list[str] = []
    for number, thing in enumerate(data.objects or (), start=1):
        found = meetings(thing, data) if thing.kind in ("post", "cluster", "echo") else ()
        if not found:
            continue
        by_station = by_station_of(found)
        heading = f"<h3>{text(thing_words(number, thing))}</h3>"
        if len(said) < MOST_PICTURED:
            said.append(heading + _pictures(thing, data, by_station, f"{name}a{number}", text))
        else:
            steps = "".join(f"<li>{text(words)}</li>" for words in _sentences(by_station, thing.kind == "post"))
            said.append(f"{heading}<ol>{steps}</ol>")
    return f"{HEAD}\n" + "\n".join(said) if said else ""


def by_station_of(found: Sequence[Meeting]) -> list[list[Meeting]]:
    """Return meetings grouped by their station, in their order; those of `MOST_STATIONS` stations."""
    names = list(dict.fromkeys(one.station for one in found))
    return [[one for one in found if one.station == name] for name in names][:MOST_STATIONS]


def _sentences(by_station: Sequence[Sequence[Meeting]], post: bool) -> list[str]:
    """Return what each station's arc says, and from two stations on what they say together."""
    said = []
    for place, joined in enumerate(by_station):
        one = min(joined, key=lambda meeting: abs(meeting.miss_m))
        also = f" (and on {len(joined) - 1} more)" if len(joined) > 1 else ""
        words = (
            f"Station {one.station} hears {one.plateau.range_m:.3f} m on arc {one.number}{also}, in"
            f" {one.plateau.readings} readings"
        )
        side = "behind" if one.miss_m > 0 else "in front of"
        if place == 0:
            said.append(f"{words}: the thing may stand anywhere on it.")
        else:
            said.append(f"{words}; it passes {abs(one.miss_m) * 100:.1f} cm {side} the thing's near side.")
    if len(by_station) == 1:
        said[0] += " One station alone tells the distance, not where on the arc."
    else:
        touch = "touch one circle" if post else "meet"
        said.append(f"Close up: where the arcs of {len(by_station)} stations {touch}, the thing stands.")
    return said


def arcs_of(by_station: Sequence[Sequence[Meeting]], data: ReportData) -> list[list[MeetingArc]]:
    """Return the arcs of meetings, grouped as they are; none where the run is gone."""
    if data.run is None or data.pings is None:
        return []
    arcs = []
    for joined in by_station:
        parts = []
        for one in joined:
            x, y = face_of(one.plateau, data.pings)
            turn = np.linspace(one.plateau.right_rad, one.plateau.left_rad, 33)
            points = np.column_stack([x + one.plateau.range_m * np.cos(turn), y + one.plateau.range_m * np.sin(turn)])
            parts.append(MeetingArc(data.run.stations[one.plateau.station], (x, y), points))
        arcs.append(parts)
    return arcs


def _pictures(
    thing: Object, data: ReportData, by_station: Sequence[Sequence[Meeting]], name: str, text: Escaped
) -> str:
    arcs = arcs_of(by_station, data)
    robot = None if data.run is None else data.run.robot
    light, dark = (meeting_figures(thing, arcs, theme, robot) for theme in ("light", "dark"))
    shown = []
    for place, (one_light, one_dark, words) in enumerate(
        zip(light, dark, _sentences(by_station, thing.kind == "post"), strict=True)
    ):
        svg = themed_svg(one_light, one_dark, f"{name}p{place}")
        number = f"<strong>{place + 1}.</strong> "
        shown.append(f"<figure>{svg}<figcaption>{number}{text(words)}</figcaption></figure>")
    return f'<div class="steps">{"".join(shown)}</div>'

"""The picture of a check: the strip of every station, a shape and a colour each way of turning, findings shaded.

Which findings belong to a strip, and where on it, is said here; the strips themselves are `sweep_strip`'s.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from sonargrid.bench.check_findings import FAULT, SEVERITIES, CheckFinding, RunCheck
from sonargrid.drawing.legend import title_marks
from sonargrid.drawing.palette import SMALL_PX, TEXT_PX, TITLE_PX, theme_named
from sonargrid.drawing.raster import shortened
from sonargrid.drawing.shapes import Figure, Layer, Mark, Words
from sonargrid.drawing.sweep_content import Finding, strip_content, strip_description, strip_words
from sonargrid.drawing.sweep_strip import LEFT_PX, RIGHT_PX, TOP_PX, WIDTH_PX, strip_layers
from sonargrid.finding.plateaus import Plateau
from sonargrid.runs.readings import Pings, Run

MOST_STATIONS = 12
MOST_ON_A_STRIP = 8  # findings
BETWEEN_PX = 44
HEAD_PX = 34  # of a strip: its station and what it holds


def strip_findings(check: RunCheck, station: str) -> tuple[Finding, ...]:
    """Return the findings of a check that lie on one station's strip, the gravest first.

    check : of a run
    station : name

    >>> gap = CheckFinding("gap", "fault", "A gap.", "Sweep again.", "A", first_rad=0.5, last_rad=0.9)
    >>> check = RunCheck("bench", "", None, (), (gap,))
    >>> [finding.words for finding in strip_findings(check, "A")], strip_findings(check, "B")
    (['fault: A gap.'], ())
    """
    placed = [f for f in check.findings if f.station == station and math.isfinite(f.first_rad)]
    placed.sort(key=lambda f: SEVERITIES.index(f.severity))
    return tuple(
        # the strip has its station's name already
        Finding(f.first_rad, f.last_rad, f"{f.severity}: {f.words.removeprefix(f'Station {station}').lstrip(':, ')}")
        for f in placed[:MOST_ON_A_STRIP]
    )


def check_figure(
    check: RunCheck, run: Run, pings: Pings, plateaus: Sequence[Plateau], theme: str = "light", width_px: int = WIDTH_PX
) -> Figure:
    """Return the picture of a check, before it becomes pixels or SVG (`raster.figure_png`, `vector.figure_svg`).

    Parameters
    ----------
    check : RunCheck
        Of `run`.
    run, pings, plateaus
        The run, its calibrated readings, its arcs of equal range.
    theme : str
        ``light`` or ``dark``.

    Raises
    ------
    ValueError
        If the theme is unknown.
    """
    look = theme_named(theme)
    room = width_px - LEFT_PX - RIGHT_PX
    heard, shown = _stations(check, run, pings)
    nearest = check.nearest.words if check.nearest is not None else "Nothing was heard."
    title = shortened(f"{' '.join((run.title or run.name).split())}: {check.verdict}", TITLE_PX, room)
    head = list(title_marks(title, shortened(nearest, TEXT_PX, room), LEFT_PX - 2, TOP_PX - 8, look, TITLE_PX))
    top = float(TOP_PX + TITLE_PX + TEXT_PX + 30)
    for line in _whole_run(check):
        top += SMALL_PX + 8
        head.append(Words(shortened(line, SMALL_PX, room), LEFT_PX - 2, top, SMALL_PX, look.ink))
    layers: list[Layer] = []
    told: list[str] = []
    for index in shown:
        content = strip_content(run, pings, index, plateaus, strip_findings(check, run.stations[index].name))
        words = strip_words(content)
        top += BETWEEN_PX
        caption: Mark = Words(
            shortened(words[:1].upper() + words[1:], TEXT_PX, room), LEFT_PX - 2, top, TEXT_PX, look.ink
        )
        head.append(caption)
        strip, top = strip_layers(content, look, top + HEAD_PX - 14, width_px)
        layers += strip
        told.append(strip_description(content))
    left = len(heard) - len(shown)
    foot = f"{left} more stations are not drawn. " if left else ""
    top += SMALL_PX + 18
    head.append(Words(foot + "A run that is fit makes no map safe.", LEFT_PX - 2, top, SMALL_PX, look.muted))
    return Figure(
        width=width_px,
        height=round(top + 18),
        page=look.page,
        layers=(*layers, Layer("heading", tuple(head))),
        title=f"Check of {run.title or run.name}",
        description=f"{nearest} {check.verdict}. {' '.join(told)}",
    )


def _stations(check: RunCheck, run: Run, pings: Pings) -> tuple[list[int], list[int]]:
    """Return the stations with readings, and those that are drawn: where they are too many, the faulty ones first."""
    heard = sorted({int(station) for station in pings.station})
    faulty = {f.station for f in check.of(FAULT)}
    return heard, sorted(sorted(heard, key=lambda i: run.stations[i].name not in faulty)[:MOST_STATIONS])


def _whole_run(check: RunCheck) -> list[str]:
    """Return a line for each finding that lies on no strip."""
    return [_line(f) for f in check.findings if not (f.station and math.isfinite(f.first_rad))][:MOST_ON_A_STRIP]


def _line(finding: CheckFinding) -> str:
    return f"{finding.severity}: {' '.join(finding.words.split())}"

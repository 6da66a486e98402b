"""A run before its readings: a commented run.toml, the header to paste under, and the plan and sheet for the floor.

Metres and degrees on paper; floor axes x right, y up.  No questions here (the command line asks), no readings.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sonargrid.runs.readings import Air, Head, Ranger, Readings, Robot, Run, Station
from sonargrid.runs.run_saving import run_toml
from sonargrid.units import RAD_PER_DEG

PLAN_COLUMNS, PLAN_ROWS = 49, 21
_COMMENTS = {
    "[air]": "the air: the speed of sound hangs on it",
    "[ranger]": "the ultrasonic ranger",
    "[head]": "the servo head; ccw = growing angles turn left",
    "[robot]": "the robot's body",
    "[[station]]": "a place where the robot is parked: floor axes, heading counter-clockwise from +x",
}


@dataclass(frozen=True, slots=True)
class NewRun:
    """The answers: which column the robot sends, its nothing-heard values, head, reach, air, stations."""

    distance_column: str = "range_cm"
    no_echo_at: tuple[float, ...] = ()
    turns: int = 1
    reach_m: float = 1.0
    temperature_c: float | None = None
    stations: tuple[Station, ...] = (Station("A"),)


def stations_round(count: int, radius_m: float) -> tuple[Station, ...]:
    """Return stations on a circle round the origin, all facing it.

    >>> [(s.name, round(s.x_m, 3), round(s.y_m, 3)) for s in stations_round(2, 0.5)]
    [('A', 0.0, -0.5), ('B', 0.0, 0.5)]
    """
    made = []
    for i in range(count):
        way = math.radians(-90.0 + 360.0 * i / count)
        x, y = round(radius_m * math.cos(way), 3), round(radius_m * math.sin(way), 3)
        made.append(Station(chr(ord("A") + i), x + 0.0, y + 0.0, math.atan2(0.0 - y, 0.0 - x)))
    return tuple(made)


def new_run_texts(answers: NewRun, like: Run | None = None) -> dict[str, str]:
    """Return the files of a new run, name -> text; `like` gives ranger, head and robot with their calibration."""
    empty = np.empty(0)
    none = empty.astype(np.int32)
    rows = Readings("angle_deg", answers.distance_column, empty, empty, none, none, none)
    ranger = Ranger(reach_m=answers.reach_m, no_echo_at=answers.no_echo_at)
    head, robot = Head(turns=answers.turns), Robot()
    origins = {"ranger.reach_m": "new", "head.turns": "new"}
    assumed = ["air.temperature_sigma_c", "ranger.range_sigma_m", "head.angle_sigma_deg"]
    if like is not None:
        ranger, head, robot, assumed = like.ranger, like.head, like.robot, list(like.assumed)
    air = Air() if answers.temperature_c is None else Air(temperature_c=answers.temperature_c)
    for s in answers.stations:
        assumed += [f"station.{s.name}.position_sigma_m", f"station.{s.name}.heading_sigma_deg"]
    run = Run(rows, answers.stations, air, ranger, head, robot, origins=origins, assumed=tuple(assumed))
    lines = []
    for line in run_toml(run).splitlines():
        lines.append(f"{line}  # {_COMMENTS[line]}" if line in _COMMENTS else line)
    several = len(answers.stations) > 1
    header = f"{'station,' if several else ''}angle_deg,{answers.distance_column}\r\n"
    texts = {"run.toml": "\n".join(lines) + "\n", "readings.csv": header}
    if several:
        texts |= {"floor_plan.svg": plan_svg(answers.stations), "sheet.txt": sheet(answers.stations)}
    return texts


def plan_text(stations: Sequence[Station]) -> str:
    """Return the stations as a plan of plain characters, + at the origin."""
    half = 1.1 * max(max(abs(s.x_m), abs(s.y_m)) for s in stations) or 1.0
    paper = [[" "] * PLAN_COLUMNS for _ in range(PLAN_ROWS)]
    for name, x, y in (("+", 0.0, 0.0), *((s.name[0], s.x_m, s.y_m) for s in stations)):
        column = round((x / half + 1.0) / 2.0 * (PLAN_COLUMNS - 1))
        paper[round((1.0 - y / half) / 2.0 * (PLAN_ROWS - 1))][column] = name
    frame = "." + "-" * PLAN_COLUMNS + "."
    return "\n".join([frame, *(f"|{''.join(row)}|" for row in paper), frame, f"  {2 * half:.2f} m wide; + = (0, 0)"])


def sheet(stations: Sequence[Station]) -> str:
    """Return the plan with the sheet to fill in: where each station should be, and room for what was measured."""
    lines = ["Put masking tape at +, stretch x to the right and y away from you.", "", plan_text(stations), ""]
    lines.append(f"{'station':8}{'x_m':>8}{'y_m':>8}{'heading_deg':>13}   measured x_m   y_m   heading_deg")
    for s in stations:
        turn = s.heading_rad / RAD_PER_DEG
        lines.append(f"{s.name:8}{s.x_m:8.3f}{s.y_m:8.3f}{turn:13.1f}   ____________  _____  ___________")
    lines += ["", "Air temperature: ______ degC   Date: ____________", "Write what was measured into run.toml."]
    return "\n".join(lines) + "\n"


def plan_svg(stations: Sequence[Station]) -> str:
    """Return the plan as SVG, 1 m = 300 units, a short line showing where each station looks."""
    half = 1.25 * max(max(abs(s.x_m), abs(s.y_m)) for s in stations) or 1.0
    size = 600.0 * half
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {size:.0f} {size:.0f}" font-family="sans-serif" '
        'font-size="18">',
        f'<rect width="{size:.0f}" height="{size:.0f}" fill="white"/>',
        f'<path d="M{size / 2:.0f} 0V{size:.0f}M0 {size / 2:.0f}H{size:.0f}" stroke="#999" stroke-dasharray="6 6"/>',
    ]
    for s in stations:
        x, y = size / 2 + 300 * s.x_m, size / 2 - 300 * s.y_m
        tip_x, tip_y = x + 45 * math.cos(s.heading_rad), y - 45 * math.sin(s.heading_rad)
        out.append(f'<path d="M{x:.1f} {y:.1f}L{tip_x:.1f} {tip_y:.1f}" stroke="#0b5394" stroke-width="4"/>')
        out.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="8" fill="#0b5394"/>')
        name = s.name.replace("&", "&amp;").replace("<", "&lt;")
        out.append(f'<text x="{x + 14:.1f}" y="{y + 24:.1f}">{name} ({s.x_m:.2f}, {s.y_m:.2f}) m</text>')
    return "\n".join([*out, "</svg>"]) + "\n"

"""The drawings behind `explain`: where the ranger sits on the robot, and which way head angles turn.

Not to scale; lengths and angles carry the names of their keys in run.toml.  Pixels throughout.
"""

from __future__ import annotations

import math

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.drawing.floor_plan import floor_plan
from sonargrid.drawing.palette import SMALL_PX, TEXT_PX, TITLE_PX, Theme, theme_named
from sonargrid.drawing.shapes import Figure, Layer, Mark, Stroke, Words, circle, dashes, straight
from sonargrid.runs.readings import Mark as FloorMark
from sonargrid.runs.survey import Taped, taped_station

WIDE, HIGH = 1360, 850
MARK = (330.0, 600.0)  # the point that stations refer to, seen from above
AXIS = (270.0, 500.0)
FACE = (215.0, 330.0)
RADIUS_PX = 175.0
BODY_FROM, FLOOR_Y = 800.0, 640.0
DIAL_PX = 165.0


def mounting_figure(theme: str = "light") -> Figure:
    """Return the drawing of arm, side, head offset, height and tilt."""
    look = theme_named(theme)
    words = (
        Words("Where the ranger sits", 60, 56, TITLE_PX, look.ink),
        Words("Names are keys of run.toml; all are 0 where left out.  Not to scale.", 60, 92, TEXT_PX, look.muted),
        Words("from above, the robot looking up the page", 60, 148, TEXT_PX, look.ink),
        Words("from the side, the robot looking right", 800, 148, TEXT_PX, look.ink),
    )
    layers = (Layer("above", tuple(_above(look))), Layer("side", tuple(_side(look))), Layer("words", words))
    return Figure(WIDE, HIGH, look.page, layers, "Mounting", "Where the ranger sits on the robot")


def _arrow(start: tuple[float, float], end: tuple[float, float], colour: str, width: float = 4.0) -> list[Mark]:
    """Return a line with a head at its end."""
    tip = np.array(end)
    way = (tip - np.array(start)) / math.dist(start, end)
    across = np.array([-way[1], way[0]])
    head = np.array([tip, tip - 16 * way + 8 * across, tip - 16 * way - 8 * across])
    return [Stroke(np.array([start, tip - 12 * way]), colour, width), Stroke(head, fill=colour, closed=True)]


def _size(
    one: tuple[float, float], two: tuple[float, float], text: str, at: tuple[float, float], look: Theme, more: str = ""
) -> list[Mark]:
    """Return a length's line with a tick at each end, its key and a word on it."""
    way = (np.array(two) - np.array(one)) / math.dist(one, two)
    across = 8.0 * np.array([-way[1], way[0]])
    made: list[Mark] = [Stroke(np.array([one, two]), look.thing, 2.5)]
    made += [Stroke(np.array([np.array(end) - across, np.array(end) + across]), look.thing, 2.5) for end in (one, two)]
    made.append(Words(text, *at, TEXT_PX, look.thing, halo=look.halo))
    if more:
        made.append(Words(more, at[0], at[1] + 24, SMALL_PX, look.muted, halo=look.halo))
    return made


def _fine(points: Floats, look: Theme) -> list[Mark]:
    return [Stroke(piece, look.muted, 1.2) for piece in dashes(points, 6.0, 5.0)]


def _above(look: Theme) -> list[Mark]:
    (mx, my), (ax, ay), (fx, fy) = MARK, AXIS, FACE
    made: list[Mark] = [Stroke(circle(mx, my, RADIUS_PX), look.muted, 2.0, look.free, closed=True)]
    made += _arrow((fx, fy - 16), (fx, 190), look.station)
    made += [Words("beam", fx - 14, 216, TEXT_PX, look.station, "end")]
    # the head: an arm from the axis, and the ranger across its end
    made += [Stroke(straight((ax, ay), (ax, fy + 16), (fx, fy + 16)), look.ink, 7.0)]
    box = straight((fx - 46, fy), (fx + 46, fy), (fx + 46, fy + 28), (fx - 46, fy + 28))
    made += [Stroke(box, look.ink, 2.0, look.unknown, closed=True)]
    made += [Stroke(circle(fx + dx, fy - 5, 15), look.ink, 2.0, look.page, closed=True) for dx in (-24.0, 24.0)]
    made += [Stroke(circle(ax, ay, 11), look.ink, 3.0, look.page, closed=True)]
    made += [Words("servo axis", ax - 20, ay + 7, TEXT_PX, look.ink, "end", halo=look.halo)]
    for dx, dy in ((11, 11), (11, -11)):
        made.append(Stroke(straight((mx - dx, my - dy), (mx + dx, my + dy)), look.arc, 5.0))
    made += [Words("the mark: x_m, y_m of a station", mx, my + 214, TEXT_PX, look.arc, "middle", halo=look.halo)]
    made += _fine(straight((mx, my + 14), (mx, my + 190)), look)
    return made + _sizes_above(look)


def _sizes_above(look: Theme) -> list[Mark]:
    (mx, my), (ax, ay), (fx, fy) = MARK, AXIS, FACE
    right = 520.0
    made = _fine(straight((fx + 48, fy), (right + 12, fy)), look)
    made += _fine(straight((ax + 14, ay), (right + 12, ay)), look)
    made += _fine(straight((mx + 14, my), (right + 12, my)), look)
    made += _fine(straight((ax, fy + 10), (ax, 244)), look) + _fine(straight((ax, ay + 14), (ax, my + 56)), look)
    made += _size((right, fy), (right, ay), "head.arm_m", (right + 16, 410), look, "face ahead of the axis")
    made += _size((right, ay), (right, my), "robot.head_ahead_m", (right + 16, 545), look, "axis ahead of the mark")
    made += _size((fx, 256), (ax, 256), "head.side_m", (ax + 14, 258), look, "beam left of the axis")
    made += _size((ax, my + 44), (mx, my + 44), "robot.head_left_m", (mx + 14, my + 50), look)
    rim = (mx + RADIUS_PX * math.cos(1.36), my + RADIUS_PX * math.sin(1.36))
    made += [Stroke(straight((mx, my), rim), look.thing, 2.5)]
    made += [Words("robot.radius_m", rim[0] + 14, rim[1] + 18, TEXT_PX, look.thing, halo=look.halo)]
    return made


def _side(look: Theme) -> list[Mark]:
    left, floor = BODY_FROM, FLOOR_Y
    eye = (left + 210.0, floor - 250.0)
    made: list[Mark] = [Stroke(straight((left - 20, floor), (left + 520, floor)), look.ink, 4.0)]
    made += [Words("floor", left + 516, floor + 28, TEXT_PX, look.ink, "end")]
    body = straight((left, floor - 40), (left + 220, floor - 40), (left + 220, floor - 120), (left, floor - 120))
    made += [Stroke(body, look.muted, 2.0, look.free, closed=True)]
    made += [Stroke(circle(left + dx, floor - 32, 30), look.ink, 3.0, look.page, closed=True) for dx in (45.0, 175.0)]
    post = straight(
        (left + 140, floor - 120), (left + 140, eye[1] + 34), (left + 176, eye[1] + 34), (left + 176, floor - 120)
    )
    made += [Stroke(post, look.ink, 2.0, look.unknown, closed=True)]
    ranger = straight(*((eye[0] + dx, eye[1] + dy) for dx, dy in ((-60, -24), (0, -24), (0, 24), (-60, 24))))
    made += [Stroke(ranger, look.ink, 2.0, look.unknown, closed=True)]
    made += _fine(straight(eye, (eye[0] + 300, eye[1])), look)
    made += [Words("level: tilt_deg = 0", eye[0] + 130, eye[1] - 14, SMALL_PX, look.muted)]
    tilt = math.radians(13.0)
    made += _arrow(eye, (eye[0] + 290 * math.cos(tilt), eye[1] + 290 * math.sin(tilt)), look.station)
    turn = np.linspace(0.0, tilt, 20)
    made += [Stroke(np.column_stack([eye[0] + 225 * np.cos(turn), eye[1] + 225 * np.sin(turn)]), look.thing, 2.5)]
    made += [Words("ranger.tilt_deg", eye[0] + 130, eye[1] + 92, TEXT_PX, look.thing, halo=look.halo)]
    made += [
        Words("downwards positive; a low", eye[0] + 130, eye[1] + 116, SMALL_PX, look.muted, halo=look.halo),
        Words("beam hears the floor", eye[0] + 130, eye[1] + 140, SMALL_PX, look.muted, halo=look.halo),
    ]
    made += _size((eye[0] + 34, eye[1]), (eye[0] + 34, floor), "ranger.height_m", (eye[0] + 48, floor - 60), look)
    return made


def page_figure(topic: str, theme: str = "light") -> Figure:
    """Return the drawing of a page of `explain`: ``mounting``, ``sending`` or ``stations``.

    Raises
    ------
    KeyError
        If that page has none.
    """
    return {"mounting": mounting_figure, "sending": turning_figure, "stations": tape_figure}[topic](theme)


def tape_figure(theme: str = "light") -> Figure:
    """Return the plan of the page `stations`: one place, measured with two tapes from marks P and Q."""
    marks = (FloorMark("P", 0.0, 0.0), FloorMark("Q", 2.0, 0.0))
    one = taped_station(Taped("B", (("P", 1.30), ("Q", 1.10)), "left", "Q"), marks)
    return floor_plan((one,), marks, (("B", "P", 1.30), ("B", "Q", 1.10)), theme)


def turning_figure(theme: str = "light") -> Figure:
    """Return the dials of the ways in which head angles are counted, with what to type for each."""
    look = theme_named(theme)
    words = (
        Words("Which way do your angles turn?", 60, 56, TITLE_PX, look.ink),
        Words("Seen from above; the robot looks up the page.", 60, 92, TEXT_PX, look.muted),
    )
    dials = (
        (240.0, "90 ahead, growing to the left", 'nothing to type: turns = "ccw"', (0, 45, 90, 135, 180), 1),
        (680.0, "90 ahead, growing to the right", "--turns cw", (180, 135, 90, 45, 0), -1),
        (1120.0, "0 ahead, growing to the left", "--ahead 0", (-90, -45, 0, 45, 90), 1),
    )
    layers = tuple(Layer(f"dial {i}", tuple(_dial(*dial, look))) for i, dial in enumerate(dials, 1))
    note = Words(
        "Not sure? Put a book on the robot's left and sweep: import says where it thinks the nearest thing is.",
        60, 520, TEXT_PX, look.ink,
    )  # fmt: skip
    return Figure(
        WIDE, 560, look.page, (*layers, Layer("words", (*words, note))), "Turning", "Ways to count head angles"
    )


def _dial(x: float, title: str, typed: str, numbers: tuple[int, ...], sense: int, look: Theme) -> list[Mark]:
    """Return one half circle with its numbers, right to left, and the arrow of growing angles."""
    y = 380.0
    turn = np.linspace(0.0, math.pi, 60)
    made: list[Mark] = [
        Stroke(np.column_stack([x + DIAL_PX * np.cos(turn), y - DIAL_PX * np.sin(turn)]), look.muted, 2.0),
        Stroke(straight((x - DIAL_PX - 24, y), (x + DIAL_PX + 24, y)), look.unknown, 1.5),
        Stroke(circle(x, y, 26), look.muted, 2.0, look.free, closed=True),
    ]
    made += _arrow((x, y), (x, y - 62), look.station)
    for i, number in enumerate(numbers):
        way = math.radians(45.0 * i)
        inner, outer, text = (
            np.array([x + r * math.cos(way), y - r * math.sin(way)]) for r in (DIAL_PX - 8, DIAL_PX + 8, DIAL_PX + 32)
        )
        made.append(Stroke(np.array([inner, outer]), look.ink, 3.0))
        made.append(Words(f"{number}", float(text[0]), float(text[1]) + 8, TEXT_PX, look.ink, "middle", halo=look.halo))
    bow = np.radians(np.linspace(58.0, 122.0, 30))[::sense]
    points = np.column_stack([x + 116 * np.cos(bow), y - 116 * np.sin(bow)])
    made += [Stroke(points[:-3], look.thing, 4.0)]
    made += _arrow(tuple(points[-4]), tuple(points[-1]), look.thing)
    made += [Words(title, x, 150, TEXT_PX, look.ink, "middle"), Words(typed, x, y + 84, TEXT_PX, look.thing, "middle")]
    made += [
        Words("left", x - DIAL_PX, y + 42, SMALL_PX, look.muted, "middle"),
        Words("right", x + DIAL_PX, y + 42, SMALL_PX, look.muted, "middle"),
    ]
    return made

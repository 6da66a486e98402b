"""What is done at the bench, in the order that saves rework, with the figures to expect of one ranger.

Pure content: steps with boxes to fill in, expected figures, places for the posts.  Metres and head angles in degrees
(0 = the robot's right, 90 = straight ahead), as people write them on paper.  Pages are `bench_sheet`'s business.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sonargrid.bench.check_echoes import predicted_floor_m
from sonargrid.finding.plateaus import default_half_beam
from sonargrid.physics.air import sound_speed
from sonargrid.runs.readings import Air, Head, Ranger, Run
from sonargrid.units import to_deg, to_rad

STEP_DEG, PING_S = 2.0, 0.06  # what the sheet advises where no run says otherwise
SETTLE_S = 0.5  # after a return; hobby servos take 0.1 to 0.2 s for 60 degrees, maker data sheets
POST_M = 0.05
POST_RANGES_M = (0.65, 0.85, 0.45)  # left, ahead, right: distinct, so that no arc is taken for another
KNOWN_M = (0.05, 0.10, 0.20, 0.30, 0.50, 0.70, 1.00, 1.50, 2.00, 3.00)
MOST_KNOWN = 8

CAUTIONS = (
    "Power off (servo and ranger) before anything is mounted or a hand goes near the horn.  It starts without warning.",
    "Servo horn and bracket pinch: keep fingers, hair, sleeves and cords away.  A servo that hums at its end gets hot.",
    "Put the robot on blocks, wheels off the table, until the sweep is proved.  Keep a switch for the motors in reach.",
    "Sharp tools and drills: clamp the work, cut away from yourself, wear eye protection.",
    "A laser distance meter: mind its class, never look into it or its mirror image.",
    "The rules of your workshop or school come first; ask the qualified person there.  No map is a safety function.",
)


@dataclass(frozen=True, slots=True)
class Blank:
    """A box to fill in: what goes in, its unit, how many of them in a row."""

    words: str
    unit: str = ""
    count: int = 1


@dataclass(frozen=True, slots=True)
class Step:
    """One step: what, why now, how, and what is written down."""

    title: str
    why: str
    how: tuple[str, ...]
    blanks: tuple[Blank, ...] = ()


@dataclass(frozen=True, slots=True)
class PostPlace:
    """Where a post goes: its near face this far from the servo axis, there its middle (x right, y ahead)."""

    name: str
    near_m: float
    head_deg: float
    x_m: float
    y_m: float
    arc_deg: float


@dataclass(frozen=True, slots=True)
class BenchPlan:
    """A whole sheet; figures are (name, value, note)."""

    title: str
    label: str
    figures: tuple[tuple[str, str, str], ...]
    posts: tuple[PostPlace, ...]
    known_m: tuple[float, ...]
    steps: tuple[Step, ...]


@dataclass(frozen=True, slots=True)
class _Setup:
    """What the plan reckons with."""

    ranger: Ranger
    head: Head
    air: Air
    step_deg: float
    ping_s: float
    sweeps: int

    def half_deg(self, range_m: float) -> float:
        """Half angle at which a 5 cm post is heard."""
        if self.ranger.half_beam_rad is not None and not self.ranger.half_beam_table:
            return float(to_deg(self.ranger.half_beam_rad))
        return float(to_deg(default_half_beam(range_m, self.ranger)))


def bench_plan(run: Run | None = None) -> BenchPlan:
    """Return the sheet's content, with the figures of a run's ranger where one is given.

    Examples
    --------
    >>> plan = bench_plan()
    >>> [round(post.head_deg) for post in plan.posts], plan.figures[0][1]
    ([143, 90, 34], '1.00 m')
    """
    setup = _setup(run)
    title = "Bench sheet" if run is None else f"Bench sheet: {run.title or run.name}"
    posts, known = _posts(setup), _known(setup)
    return BenchPlan(title, setup.ranger.label, _figures(setup), posts, known, _steps(setup, posts, known))


def _setup(run: Run | None) -> _Setup:
    if run is None:
        return _Setup(Ranger(), Head(), Air(), STEP_DEG, PING_S, 2)
    rows = run.readings
    step, ping = STEP_DEG, PING_S
    angles = np.unique(np.round(rows.angle, 6))
    if rows.angle_column == "pulse_us":
        angles = angles / abs(run.head.pulse_us_per_deg)
    if angles.size > 2:
        step = float(np.median(np.diff(angles)))
    if rows.time_s is not None and len(rows) > 2:
        waits = np.diff(np.sort(rows.time_s))
        ping = float(np.median(waits[waits > 0.0])) if (waits > 0.0).any() else PING_S
    return _Setup(run.ranger, run.head, run.air, step, max(PING_S, ping), max(2, int(np.unique(rows.sweep).size)))


def _posts(setup: _Setup) -> tuple[PostPlace, ...]:
    """Return three posts whose arcs do not touch and lie inside the half circle; two where the beam is too wide."""
    scale = min(1.0, setup.ranger.reach_m / 1.0)
    left, ahead, right = (round(scale * r, 2) for r in POST_RANGES_M)
    gap = 2.0 * setup.step_deg + 1.0
    half = {r: setup.half_deg(r) for r in (left, ahead, right)}
    to_left, to_right = half[left] + half[ahead] + gap, half[ahead] + half[right] + gap
    if 90.0 + to_left + half[left] <= 178.0 and 90.0 - to_right - half[right] >= 2.0:
        places = [("L", left, 90.0 + to_left), ("M", ahead, 90.0), ("R", right, 90.0 - to_right)]
    else:
        apart = min(half[left] + half[right] + gap, 180.0 - half[left] - half[right] - 4.0)
        places = [("L", left, 90.0 + 0.5 * apart), ("R", right, 90.0 - 0.5 * apart)]
    return tuple(_post(name, near, round(head), half[near]) for name, near, head in places)


def _post(name: str, near_m: float, head_deg: float, half_deg: float) -> PostPlace:
    middle, turn = near_m + 0.5 * POST_M, float(to_rad(head_deg))
    x, y = middle * math.cos(turn), middle * math.sin(turn)
    return PostPlace(name, near_m, head_deg, round(x, 3) + 0.0, round(y, 3) + 0.0, 2.0 * half_deg)


def _known(setup: _Setup) -> tuple[float, ...]:
    fit = [d for d in KNOWN_M if setup.ranger.blind_zone_m < d <= 0.95 * setup.ranger.reach_m]
    if len(fit) > MOST_KNOWN:
        fit = [fit[round(i * (len(fit) - 1) / (MOST_KNOWN - 1))] for i in range(MOST_KNOWN)]
    return tuple(fit)


def _figures(setup: _Setup) -> tuple[tuple[str, str, str], ...]:
    ranger, air = setup.ranger, setup.air
    speed = float(sound_speed(air.temperature_c, air.relative_humidity_pct, air.pressure_kpa))
    count = math.floor(180.0 / setup.step_deg + 1e-9) + 1
    sweep_s = count * setup.ping_s
    edge, axis = predicted_floor_m(ranger.height_m, ranger.tilt_rad, ranger.mean_half_beam_rad)
    ranges = [r for r in (0.4, 0.7, 1.0) if r <= ranger.reach_m] or [round(0.7 * ranger.reach_m, 2)]
    halves = [round(setup.half_deg(r)) for r in ranges]
    widths = ", ".join(f"{half}° at {r:g} m" for half, r in zip(halves, ranges, strict=True))
    widths = f"{halves[0]}°" if len(set(halves)) == 1 else widths
    floor = f"from {edge:.2f} m" + (f", axis at {axis:.2f} m" if math.isfinite(axis) else "")
    rows = [
        ("Reach", f"{ranger.reach_m:.2f} m", f"an echo from there takes {2e3 * ranger.reach_m / speed:.1f} ms"),
        ("Sound", f"{speed:.1f} m/s at {air.temperature_c:g} °C", "1 °C more makes 1 m read 1.8 mm longer"),
        ("Echo time", f"{2e4 / speed:.2f} µs a cm", "the divisor in the robot's program: 58 fits about 22 °C"),
        ("Nearest", f"{100 * ranger.blind_zone_m:.0f} cm", "shorter readings are no measurement"),
        ("Half width of the beam", widths, "a 5 cm post looks twice as wide as that, at one range"),
        (
            "Step",
            f"{setup.step_deg:g}°, {count} pings",
            f"{1e3 * setup.ping_s:.0f} ms a ping (60 or more; common practice)",
        ),
        ("Time of a sweep", f"{sweep_s:.1f} s", f"there and back twice: {4 * sweep_s + SETTLE_S:.0f} s"),
        ("Floor under the beam", floor, "a range this long all round is the floor, no wall"),
    ]
    rows.append(("Servo pulses", _pulses(setup.head), "0°, 90°, 180°; stop where the servo hums"))
    return tuple(rows)


def _pulses(head: Head) -> str:
    return (
        ", ".join(f"{head.pulse_centre_us + (a - 90.0) * head.pulse_us_per_deg:.0f}" for a in (0.0, 90.0, 180.0))
        + " µs"
    )


def _steps(setup: _Setup, posts: tuple[PostPlace, ...], known: tuple[float, ...]) -> tuple[Step, ...]:
    return (*_mounting(setup.head), *_proving(), *_knowing(setup, known), *_sweeping(setup, posts), *_judging())


def _mounting(head: Head) -> tuple[Step, ...]:
    per = abs(head.pulse_us_per_deg)
    return (
        Step(
            "Centre the servo before the bracket goes on",
            "A horn fixed off centre cannot be set right later without taking it off again.",
            (
                f"Horn off, power on, pulse {head.pulse_centre_us:.0f} µs (90°).  Power off; leave the shaft as it is.",
                "Set bracket and ranger on so that they look straight ahead; one tooth off is about 15°, "
                f"{15 * per:.0f} µs.",
            ),
            (Blank("Left over: looks to the left by", "°"),),
        ),
        Step(
            "Prove the travel before the sweep",
            "A head that stops early shows the last bearing again and again.",
            (
                "Robot on blocks.  Move by 10° from the middle to each side, by hand on the keyboard, not in a loop.",
                "Stop at once where the servo hums or a lead pulls tight.  Write down the last good pulses.",
            ),
            (Blank("Pulse at the right side (0°)", "µs"), Blank("at the left side (180°)", "µs")),
        ),
    )


def _proving() -> tuple[Step, ...]:
    return (
        Step(
            "Prove the sides: a book on the left",
            "A mirrored head maps everything on the wrong side, and every later step with it.",
            (
                "Nothing within 1 m.  Stand a book 30 cm to the robot's LEFT, sweep once, then type: "
                "sonargrid check RUN",
                'Its first line must say "on the LEFT, 30 cm away".  On the right: head.turns = "cw" in run.toml.',
            ),
            (Blank("It says (LEFT, AHEAD, RIGHT)"), Blank("at", "cm")),
        ),
        Step(
            "A reference for straight ahead",
            "Offsets are counted from the heading that you state.",
            (
                "Lay the chassis' straight edge along a taped line.",
                "Or park at both ends of the line, the two headings opposite, a post half-way: the mean of both head "
                "angles less 90° is the error of straight ahead, even if the post stands beside the line.",
            ),
            (Blank("Heading", "°"), Blank("give or take", "°")),
        ),
    )


def _knowing(setup: _Setup, known: tuple[float, ...]) -> tuple[Step, ...]:
    listed = ", ".join(f"{d:g}" for d in known) or "none within reach"
    return (
        Step(
            "Let the ranger warm, and measure the air",
            "Electronics and servo drift while they warm up; 5 °C of air are 0.9 % of every range.",
            (
                "Ranger and servo on for 10 minutes (common practice, no source).",
                "Thermometer beside the beam, in the shade, not in the hand.  Write air.temperature_c into run.toml.",
            ),
            (Blank("Air", "°C"), Blank("give or take", "°C"), Blank("Time")),
        ),
        Step(
            "Known distances: a board square before the ranger",
            "Scale and bias of the ranges.  How well the board is placed decides, so measure each distance anew.",
            (
                f"From the ranger's FACE to a flat board of 30 cm or more, 10 readings each: {listed} m.",
                "A file with known_m and a distance column: sonargrid calibrate ranger FILE.csv",
            ),
            tuple(Blank(f"{d:g} m reads") for d in known),
        ),
    )


def _sweeping(setup: _Setup, posts: tuple[PostPlace, ...]) -> tuple[Step, ...]:
    return (
        Step(
            "Survey the posts at distinct ranges",
            "Arcs at one range cannot be told apart; arcs that touch hide each other's edges.",
            (
                f"Smooth posts {100 * POST_M:.0f} cm across, upright, about where the drawing has them.  It counts "
                "that you measure where they stand: to 5 mm, from the servo axis.",
                "[[target]] kind, x_m, y_m, diameter_m in run.toml.  Nothing else within reach.",
            ),
            tuple(Blank(f"{post.name} ({post.x_m:+.2f}, {post.y_m:.2f}): x, y", "m", 2) for post in posts),
        ),
        Step(
            "Sweep there and back, twice",
            "Both ways show the play of the gears; repeats show what moved.",
            (
                f"0° to 180° in {setup.step_deg:g}° steps, {1e3 * setup.ping_s:.0f} ms a ping, half a second at each "
                "turn.",
                "Stand still, away from the beam, until it is done.",
            ),
            (Blank("Name of the run"), Blank("Date")),
        ),
    )


def _judging() -> tuple[Step, ...]:
    return (
        Step(
            "Judge it before you measure from it",
            "A run that is not fit gives a calibration that is not right.",
            (
                "sonargrid check RUN        fit?  What to mend is said with each finding.",
                "sonargrid calibrate head RUN -o calibration.toml",
                "sonargrid calibrate ranger FILE.csv -o calibration.toml",
            ),
            (Blank("Fit (yes, no)"), Blank("Offset", "°"), Blank("Play", "°"), Blank("Scale")),
        ),
        Step(
            "Put it away with its numbers",
            "Another ranger, another horn, another sweep rate: another calibration.",
            (
                "Stick a label on the ranger and write it into ranger.label; keep calibration.toml and this sheet "
                "together.",
            ),
            (Blank("Label"), Blank("Name")),
        ),
    )

"""What the head did: how much of the half circle it saw, in which steps, which way, and how far it lags behind.

Parts of `check`; head angles in degrees, 0 = the robot's right, 90 = straight ahead.  A fixed ring has no head.
"""

from __future__ import annotations

import math

import numpy as np

from sonargrid.bench.check_findings import FAULT, NOTE, WARNING, Sheet
from sonargrid.bench.check_view import RunView, StationView
from sonargrid.runs.sweeps import FLYBACK_SHARE, against_angles
from sonargrid.units import to_deg

HALF_CIRCLE_DEG = 180.0
SHORT_DEG = 15.0  # a sweep that ends so far before the side is short; things there are still heard off the axis
GAP_STEPS, GAP_DEG = 2.5, 6.0  # a gap of so many steps, and at least so wide, is one
WIDE_GAP_STEPS, WIDE_GAP_DEG = 4.0, 30.0  # things in the middle of one so wide are not heard from its sides
UNEVEN_SHARE, UNEVEN_BY = 0.2, 0.3  # so many steps this far from the median one
SERVO_PULSES_US = (500.0, 2500.0)  # what hobby servos take; maker data sheets
TURN_AT_END = 0.1  # of the span: a head that turns so near an end turns at the end
SHIFT_DEG, GREAT_SHIFT_DEG = 1.0, 3.0
SHIFT_SIGMAS = 3.5
LEAST_EDGES, SURE_EDGES, LEAST_MEMBERS = 3, 4, 4


def check_coverage(view: RunView, sheet: Sheet) -> None:
    """Look at the first and the last angle, gaps, uneven and wide steps of each station."""
    if view.run.moving:
        sheet.cannot("the robot moved, so the half circle of a parked place was not checked")
        return
    for station in view.stations:
        _ends(view, station, sheet)
        if station.angles_deg.size > 2:
            _gaps(view, station, sheet)
            _steps(view, station, sheet)


def _ends(view: RunView, station: StationView, sheet: Sheet) -> None:
    first, last = float(station.angles_deg[0]), float(station.angles_deg[-1])
    left, right = max(0.0, HALF_CIRCLE_DEG - last), max(0.0, first)
    worst = max(left, right)
    if worst <= SHORT_DEG:
        return
    # beyond a half beam from the last angle the beam hears nothing
    deaf = max(0.0, right - view.half_beam_deg) + max(0.0, left - view.half_beam_deg)
    severity = FAULT if view.servo and worst > view.half_beam_deg + 10.0 else WARNING
    remedy = "Prove the travel first: does the servo reach both sides with this pulse range?  Then sweep 0 to 180."
    if not view.servo:
        remedy = "A ring that looks one way only maps one way only: turn the robot and make that another station."
    sheet.found(
        "short_sweep",
        severity,
        f"Station {station.name} looks from {first:.0f} to {last:.0f} degrees, not from 0 to 180: "
        f"{right:.0f} degrees on the right and {left:.0f} on the left were not asked"
        + (f", {deaf:.0f} of them are out of the beam altogether." if deaf > 0.5 else "."),
        remedy,
        station=station.name,
        first_deg=first,
        last_deg=last,
        deaf_deg=deaf,
    )


def _gaps(view: RunView, station: StationView, sheet: Sheet) -> None:
    angles, step = station.angles_deg, station.step_deg
    gaps = np.diff(angles)
    wide = np.flatnonzero((gaps >= GAP_STEPS * step) & (gaps >= GAP_DEG))
    for at in wide[np.argsort(-gaps[wide])][:4]:
        gap = float(gaps[at])
        great = gap >= WIDE_GAP_DEG and gap >= WIDE_GAP_STEPS * step
        sheet.found(
            "gap",
            FAULT if great else WARNING,
            f"Station {station.name}: no reading between {angles[at]:.0f} and {angles[at + 1]:.0f} degrees, "
            f"a gap of {gap:.0f} where steps are {step:.3g}.",
            "Sweep again; if the gap stays, the servo sticks there or lines were lost on the way from the robot.",
            station=station.name,
            angles_deg=(float(angles[at]), float(angles[at + 1])),
            gap_deg=gap,
            step_deg=step,
            gaps=int(wide.size),
        )


def _steps(view: RunView, station: StationView, sheet: Sheet) -> None:
    gaps, step = np.diff(station.angles_deg), station.step_deg
    usual = gaps < GAP_STEPS * step
    odd = np.abs(gaps - step) > UNEVEN_BY * step
    # two passes on angles of their own make every second gap odd and are no fault of the steps
    one = _one_pass(station)
    if one.size > 4:
        gaps = np.diff(one)
        step = float(np.median(gaps))
        usual, odd = gaps < GAP_STEPS * step, np.abs(gaps - step) > UNEVEN_BY * step
    share = float(np.mean(odd & usual))
    if share > UNEVEN_SHARE:
        sheet.found(
            "uneven_steps",
            WARNING,
            f"Station {station.name}: {100.0 * share:.0f} % of the steps are not the usual {step:.3g} degrees "
            f"(from {gaps.min():.3g} to {gaps.max():.3g}).",
            "Step the servo by one fixed amount; log the angle that was commanded, not a rounded one.",
            station=station.name,
            uneven_share=share,
            step_deg=step,
        )
    if view.servo and step > view.half_beam_deg:
        sheet.found(
            "wide_steps",
            WARNING,
            f"Station {station.name}: steps of {step:.0f} degrees are wider than the half beam of "
            f"{view.half_beam_deg:.0f}; thin things may fall between two pings.",
            "Step by 2 or 3 degrees.",
            station=station.name,
            step_deg=step,
            half_beam_deg=view.half_beam_deg,
        )


def _one_pass(station: StationView) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    sweeps, count = np.unique(station.sweep, return_counts=True)
    mine = station.sweep == sweeps[int(np.argmax(count))]
    return np.unique(np.round(station.angle_deg[mine], 6))


def check_pulses(view: RunView, sheet: Sheet) -> None:
    """Look for pulses that no servo takes, and for a scale that makes them more than a half circle."""
    rows = view.run.readings
    if rows.angle_column != "pulse_us":
        return
    low, high = SERVO_PULSES_US
    outside = np.flatnonzero((rows.angle < low) | (rows.angle > high))
    if outside.size:
        worst = rows.angle[outside]
        sheet.found(
            "servo_pulses",
            FAULT,
            f"{outside.size} pulses lie outside {low:.0f} to {high:.0f} us (from {worst.min():.0f} to "
            f"{worst.max():.0f}): hobby servos stop before that, and the head did not look where the file says.",
            "Power off at once if the servo hums at its end.  Keep pulses within what its data sheet says.",
            rows=outside,
            pulses_outside=int(outside.size),
            least_us=float(rows.angle.min()),
            most_us=float(rows.angle.max()),
        )
    angles = np.concatenate([station.angle_deg for station in view.stations])
    if angles.min() < -5.0 or angles.max() > 185.0:
        sheet.found(
            "pulse_scale",
            WARNING,
            f"By head.pulse_us_per_deg ({view.run.head.pulse_us_per_deg:.4g}) the head turned from {angles.min():.0f} "
            f"to {angles.max():.0f} degrees, more than a half circle.",
            "Measure microseconds per degree: sonargrid calibrate head over two surveyed posts.",
            least_deg=float(angles.min()),
            most_deg=float(angles.max()),
        )


def check_turning(view: RunView, sheet: Sheet) -> None:
    """Look for changes of direction in mid-sweep, and for a stated turning that the angles contradict."""
    if not view.servo:
        return
    rows = view.run.readings
    group = np.zeros(len(rows), dtype=np.int32) if view.run.moving else rows.station
    wrong = against_angles(rows.angle, group, rows.sweep, rows.turning, rows.time_s)
    if wrong.size:
        sheet.found(
            "turning_against_angles",
            FAULT,
            f"The column turning is against the angles {wrong.size} times, first at reading {int(wrong[0]) + 1}.",
            "up means that the file's angles grow; leave the column out and it is taken from the angles.",
            rows=wrong,
            readings=int(wrong.size),
        )
    for station in view.stations:
        _reversals(station, sheet)


def _reversals(station: StationView, sheet: Sheet) -> None:
    angle = station.angle_deg
    moved = np.flatnonzero(np.diff(angle) != 0.0)
    if moved.size < 4:
        return
    step = np.diff(angle)[moved]
    at = moved[1:][np.sign(step[1:]) != np.sign(step[:-1])]  # the reading from which the head goes the other way
    span, low, high = station.span_deg, float(angle.min()), float(angle.max())
    near = max(TURN_AT_END * span, 2.0 * station.step_deg)
    leaps = np.abs(np.diff(angle)) >= FLYBACK_SHARE * span
    beside_leap = leaps[at] | leaps[np.maximum(at - 1, 0)]
    middle = at[(angle[at] > low + near) & (angle[at] < high - near) & ~beside_leap]
    if not middle.size:
        return
    turned = angle[middle]
    sheet.found(
        "direction_changes",
        WARNING,
        f"Station {station.name}: the head turns round {middle.size} times in mid-sweep, first at "
        f"{turned[0]:.0f} degrees (reading {int(station.rows[middle[0]]) + 1}); the play of its gears is then unknown.",
        "Sweep from end to end.  If the file is right, the servo twitches: feed it from its own supply.",
        station=station.name,
        angles_deg=(float(turned.min()), float(turned.max())),
        rows=station.rows[middle],
        turns=int(middle.size),
    )


def check_shift(view: RunView, sheet: Sheet) -> None:
    """Compare where arcs begin and end on the way up and on the way down."""
    if not view.servo or view.run.moving:
        return
    turning = view.run.readings.turning
    if not ((turning > 0).any() and (turning < 0).any()):
        sheet.cannot("all sweeps go one way, so the play of the head's gears does not show")
        return
    shifts = np.array([shift for station in view.stations for shift in _edge_shifts(view, station)])
    if shifts.size < LEAST_EDGES:
        sheet.cannot("too few clear edges of arcs on the way up and down to tell the play of the head's gears")
        return
    known = float(to_deg(view.run.head.backlash_rad))
    middle = float(np.median(shifts))
    shifts = shifts[np.abs(shifts - middle) <= max(3.0, 4.0 * 1.4826 * float(np.median(np.abs(shifts - middle))))]
    if shifts.size < LEAST_EDGES:
        sheet.cannot("the edges of arcs on the way up and down disagree, so the play of the gears does not show")
        return
    left = float(np.mean(shifts)) - known
    # an edge is known to a step by the root of 12, on the way up and on the way down
    step = float(np.nanmedian([s.step_deg for s in view.stations]))
    sigma = max(float(np.std(shifts)), step / math.sqrt(6.0)) / math.sqrt(shifts.size)
    if abs(left) < max(SHIFT_DEG, SHIFT_SIGMAS * sigma):
        return
    severity = FAULT if abs(left) > GREAT_SHIFT_DEG and shifts.size >= SURE_EDGES else WARNING
    beyond = f" beyond the {known:.1f} of head.backlash_deg" if known else ""
    sheet.found(
        "forward_return_shift",
        severity,
        f"Arcs stand {left:+.1f} degrees apart between the way up and the way down{beyond}, give or take "
        f"{sigma:.1f} ({shifts.size} edges): the head lags behind by half of that each way.",
        "Let the head settle before each ping, tighten the horn's screw, then sonargrid calibrate head and use its "
        "head.backlash_deg; or sweep one way only.",
        shift_deg=left,
        shift_sigma_deg=sigma,
        edges=int(shifts.size),
        backlash_deg=known,
    )


def _edge_shifts(view: RunView, station: StationView) -> list[float]:
    """Return by how much each clear edge of an arc lies further left on the way up than on the way down [deg]."""
    sense = float(view.run.head.turns)
    if view.run.readings.angle_column == "pulse_us" and view.run.head.pulse_us_per_deg < 0.0:
        sense = -sense
    found = []
    place = np.empty(len(view.pings), dtype=np.int64)
    place[station.rows] = np.arange(station.rows.size)
    for plateau in station.plateaus:
        mine = place[plateau.pings]
        edges: dict[int, list[tuple[float, float]]] = {1: [], -1: []}
        for sweep in np.unique(station.sweep[mine]).tolist():
            one = mine[station.sweep[mine] == sweep]
            way = int(np.sign(sense * np.median(station.turning[one])))
            if one.size >= LEAST_MEMBERS and way:
                angles = station.angle_deg[one]
                edges[way].append((float(angles.min()), float(angles.max())))
        if edges[1] and edges[-1]:
            for side, masked in enumerate((plateau.masked_right, plateau.masked_left)):
                if not masked:
                    up, down = (float(np.mean([edge[side] for edge in edges[way]])) for way in (1, -1))
                    found.append(up - down)
    return found


def check_one_angle(view: RunView, sheet: Sheet) -> None:
    """Say where a head did not turn at all."""
    if not view.servo or view.run.moving:
        return
    for station in view.stations:
        if station.angles_deg.size < 3 and station.rows.size >= 10:
            sheet.found(
                "head_stands_still",
                NOTE,
                f"Station {station.name}: {station.rows.size} readings on {station.angles_deg.size} angle"
                f"{'' if station.angles_deg.size == 1 else 's'}; the head did not sweep.",
                "Is the servo's signal lead in, and does the robot's program log the angle it commands?",
                station=station.name,
                angles=int(station.angles_deg.size),
            )

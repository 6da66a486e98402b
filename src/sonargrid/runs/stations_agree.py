"""Do the stations of a run tell one and the same story?  A mirrored head or halved ranges make them contradict.

Each station's arcs give places where something stands; another station that looks there should hear it at that range
(agreement), or at least not hear past it (contradiction).  The share of agreement is compared with that of the same
readings mirrored, and with ranges doubled.  Floor axes, metres, radians.  A hint for a first log, no fit of anything.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Pings, Run

MOST_STATIONS, MOST_READINGS = 24, 20_000  # a moving robot's poses are too many and too short to compare
SAME_ARC_M, SAME_ARC_RAD = 0.03, 0.2
ASIDE_RAD = math.radians(8.0)  # a place is looked at by the beams within this of it
AGREED_M, HEARD_PAST_M = 0.06, 0.10
# chosen on simulated rooms of seeds 200 to 224 and judged on others, see benchmarks/README.md
MARGIN, CHANCES, LEAST = 0.15, 2.5, 6


@dataclass(frozen=True, slots=True)
class Agreement:
    """How many places agree, and how many another station heard past."""

    agreed: int
    contradicted: int

    @property
    def share(self) -> float:
        """Agreement among all that was compared; 0 where nothing was."""
        return self.agreed / max(self.agreed + self.contradicted, 1)

    def beats(self, other: Agreement) -> bool:
        """Return whether this share is larger than the other's by more than chance and by enough to speak of it."""
        mine, theirs = (max(one.agreed + one.contradicted, 1) for one in (self, other))
        both = (self.agreed + other.agreed) / (mine + theirs)
        chance = math.sqrt(max(both * (1.0 - both), 1e-6) * (1.0 / mine + 1.0 / theirs))
        return self.share - other.share > max(MARGIN, CHANCES * chance) and self.agreed >= LEAST


def agreement(run: Run) -> Agreement:
    """Return how well the stations of a run agree as its settings stand."""
    pings = calibrated(run)
    stations = range(len(run.stations))
    curves = [_curve(pings, number) for number in stations]
    axes = [_axis(pings, number) for number in stations]
    agreed = contradicted = 0
    for one in stations:
        for bearing, range_m in _arcs(*curves[one]):
            x, y = axes[one][0] + range_m * math.cos(bearing), axes[one][1] + range_m * math.sin(bearing)
            for two in stations:
                heard = np.empty(0) if two == one else _looking_at(x, y, axes[two], curves[two], pings.reach_m)
                if heard.size:
                    agreed += bool((np.abs(heard) < AGREED_M).any())
                    contradicted += bool((heard > HEARD_PAST_M).all())
    return Agreement(agreed, contradicted)


def _looking_at(x: float, y: float, axis: tuple[float, float], curve: tuple[Floats, Floats], reach_m: float) -> Floats:
    """Return by how much a station heard farther than a place, in the beams that look at it [m]; none out of reach."""
    away, way = math.hypot(x - axis[0], y - axis[1]), math.atan2(y - axis[1], x - axis[0])
    bearing, range_m = curve
    if not bearing.size or away >= reach_m - HEARD_PAST_M / 2.0:
        return np.empty(0)
    aside = np.abs((bearing - way + math.pi) % (2.0 * math.pi) - math.pi)
    return np.asarray(range_m[aside < ASIDE_RAD] - away)


def _curve(pings: Pings, station: int) -> tuple[Floats, Floats]:
    """Return the bearings of a station, rising, and the middle range at each; inf where mostly nothing was heard."""
    mine = np.flatnonzero((pings.station == station) & ~pings.void)
    bearing, group = np.unique(np.round(pings.bearing_rad[mine], 4), return_inverse=True)
    order = np.lexsort((pings.range_m[mine], group))
    sizes = np.bincount(group, minlength=bearing.size)
    middle = np.cumsum(sizes) - sizes + sizes // 2
    return bearing, pings.range_m[mine][order][middle] if bearing.size else np.empty(0)


def _axis(pings: Pings, station: int) -> tuple[float, float]:
    at = np.flatnonzero(pings.rays.station == station)
    return (float(pings.rays.axis_x_m[at[0]]), float(pings.rays.axis_y_m[at[0]])) if at.size else (math.nan, math.nan)


def _arcs(bearing: Floats, range_m: Floats) -> list[tuple[float, float]]:
    """Return (middle bearing, nearest range) of each stretch of at least two bearings with nearly one range."""
    arcs, first = [], 0
    while first < bearing.size:
        last = first
        if not math.isfinite(range_m[first]):
            first += 1
            continue
        while (
            last + 1 < bearing.size
            and math.isfinite(range_m[last + 1])
            and abs(range_m[last + 1] - range_m[first]) < SAME_ARC_M
            and bearing[last + 1] - bearing[last] < SAME_ARC_RAD
        ):
            last += 1
        if last > first:
            arcs.append((float(bearing[first] + bearing[last]) / 2.0, float(range_m[first : last + 1].min())))
        first = last + 1
    return arcs


def contradictions(run: Run) -> tuple[str, ...]:
    """Return a sentence, with what to type, if the stations agree much better mirrored or with ranges doubled."""
    heard = len(set(run.readings.station.tolist()[:MOST_READINGS]))
    if run.moving or not 2 <= heard <= MOST_STATIONS or run.readings.taken > MOST_READINGS:
        return ()
    if run.readings.angle_column == "bearing_deg":
        return ()
    run = replace(run, readings=run.readings.one_by_one())
    now = agreement(run)
    words, best = max(
        ((words, agreement(changed)) for words, changed in _otherwise(run).items()), key=lambda one: one[1].share
    )
    if not best.beats(now):
        return ()
    return (
        f"the stations contradict one another: {100 * now.share:.0f} % of what one hears is where another hears it; "
        f"{100 * best.share:.0f} % would be if {words}",
    )


def _otherwise(run: Run) -> dict[str, Run]:
    """Return the run with its head mirrored, and with its ranges doubled, by what to type."""
    head, ranger = run.head, run.ranger
    way = "cw" if head.turns > 0 else "ccw"
    typed, turned = f"--set head.turns={way}", replace(head, turns=-head.turns)
    if run.readings.angle_column == "pulse_us":
        turned = replace(head, pulse_us_per_deg=-head.pulse_us_per_deg)
        typed = f"--set head.pulse_us_per_deg={turned.pulse_us_per_deg:.6g}"
    scale = 2.0 * ranger.range_scale
    doubled = replace(run, ranger=replace(ranger, range_scale=scale))
    return {
        f"the head were mirrored; then type {typed}": replace(run, head=turned),
        f"ranges were doubled (times one way only?); then type --set ranger.range_scale={scale:g}": doubled,
    }

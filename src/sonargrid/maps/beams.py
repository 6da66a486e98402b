"""Beam models: how much one ping says about the floor before, at and beside its echo.

A model answers two questions about places at range r and angle `off_axis` from the beam's axis [m, rad]: would a thing
there be heard (`detection`, 0..1), and how does a ping that reported `echo_m` (inf = silent) change the log-odds there
(`log_odds`, relative to 50:50, 0 = no evidence).  All broadcast.  No grids here: `additive` brings model and floor
together.

          \\  off axis  /
           \\    |     /     at the arc: echo - 3 sigma < r < echo + 3 sigma   -> something is here, or beside
            \\   |    /      before it : r < echo                              -> free, fading out towards the echo
             \\  |   /       behind it, or outside the beam                    -> 0
              \\ | /
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike

from sonargrid.arrays import Floats
from sonargrid.errors import SonargridError, UsageProblem
from sonargrid.physics.piston import piston_shape
from sonargrid.runs.readings import ASSUMED_SOFT_RAD, Ranger

SUPPORT_SIGMAS = 3.0  # evidence of an echo ends so many range sigmas behind it
SLACK = 1e-9  # cells on an edge to the last bit belong inside, on every machine
HIT = 2.2  # log-odds (p = 0.9) of one un-discounted echo on the axis; common practice, no source
MISS = 1.1  # log-odds (p = 0.75 free) of one un-discounted ping that passed; common practice, no source
MURPHY_MOST = 0.98  # the textbook's Max_occupied
PISTON_FLOOR = 0.1  # the piston's beam ends where its two-way amplitude falls below this (-20 dB)
MEASURED_EDGE = 3.0  # a measured beam speaks out to so many softnesses beyond its half width: 5 % are heard there

# integral of (1 - v^2)^4 from -1 to 1, for the free part's fading
_BUMP_AREA = 256.0 / 315.0


class BeamModel(Protocol):
    """What every beam model offers.

    separable : True where log_odds = gain(off axis) * profile(range, echo); then the fast polar path serves it
    """

    @property
    def name(self) -> str: ...
    @property
    def separable(self) -> bool: ...

    def detection(self, range_m: ArrayLike, off_axis_rad: ArrayLike) -> Floats: ...
    def log_odds(self, range_m: ArrayLike, off_axis_rad: ArrayLike, echo_m: ArrayLike) -> Floats: ...
    def support_rad(self, range_m: ArrayLike) -> Floats: ...
    def limit_m(self, echo_m: ArrayLike) -> Floats: ...


def bump(t: ArrayLike) -> Floats:
    """Return the smooth hump (1 - (t/3)^2)^4 inside |t| < 3, 0 outside; t in sigmas, any shape.

    >>> bump([0.0, 3.0]).tolist()
    [1.0, 0.0]
    """
    u = np.clip(np.asarray(t, dtype=np.float64) / SUPPORT_SIGMAS, -1.0, 1.0)
    return np.asarray((1.0 - u * u) ** 4)


def bump_share(t: ArrayLike) -> Floats:
    """Return the share of the hump's area that lies below t [sigmas], any shape: 0 before it, 1 behind it.

    >>> bump_share([-3.0, 0.0, 3.0]).tolist()
    [0.0, 0.5, 1.0]
    """
    u = np.clip(np.asarray(t, dtype=np.float64) / SUPPORT_SIGMAS, -1.0, 1.0)
    u2 = u * u
    odd = u * (1.0 + u2 * (-4.0 / 3.0 + u2 * (6.0 / 5.0 + u2 * (-4.0 / 7.0 + u2 / 9.0))))
    return np.clip(0.5 + odd / _BUMP_AREA, 0.0, 1.0)


def two_way_amplitude(off_axis_rad: ArrayLike, wavenumber_radius: float) -> Floats:
    """Return (2 J1(x) / x)^2, x = k a sin(off axis): a piston that sends and hears, 1 on the axis.

    References
    ----------
    Baffled circular piston: Kinsler et al., Fundamentals of Acoustics; Beranek and Mellow, Acoustics.

    Examples
    --------
    >>> round(float(two_way_amplitude(math.radians(16.0156), 5.8584)), 3)
    0.5
    """
    return piston_shape(wavenumber_radius * np.sin(np.asarray(off_axis_rad, dtype=np.float64))) ** 2


def soft_edge(off_axis_rad: ArrayLike, half_rad: ArrayLike, softness_rad: float = ASSUMED_SOFT_RAD) -> Floats:
    """Return the chance of being heard that falls from 1 to 0 about a half beam; 1/2 at the half beam itself."""
    z = (np.abs(np.asarray(off_axis_rad, dtype=np.float64)) - half_rad) / softness_rad
    return np.asarray(1.0 / (1.0 + np.exp(np.clip(z, -60.0, 60.0))))


@dataclass(frozen=True, slots=True)
class SpreadBeam:
    """A beam whose evidence is gain(off axis) times a profile along the range: cone, gaussian, piston, measured.

    gain_of : gain at (off axis, support), any shapes that broadcast
    ranger : its half beam (or table), reach and range sigma
    half_rad : end of the support where it does not come from the ranger's half beam
    edge_rad : how far the support reaches beyond the ranger's half beam
    soft_rad : how softly detection falls at the half beam
    """

    name: str
    ranger: Ranger
    gain_of: Callable[[Floats, Floats], Floats]
    half_rad: float | None = None
    hit: float = HIT
    miss: float = MISS
    edge_rad: float = 0.0
    soft_rad: float = ASSUMED_SOFT_RAD

    @property
    def separable(self) -> bool:
        """True unless the width changes with the range."""
        return self.half_rad is not None or not self.ranger.half_beam_table

    def support_rad(self, range_m: ArrayLike) -> Floats:
        """Return the half angle beyond which a ping says nothing, at each range [rad]."""
        r = np.asarray(range_m, dtype=np.float64)
        if self.half_rad is not None:
            return np.full(r.shape, self.half_rad)
        return np.asarray(self.ranger.half_beam_at(r) + self.edge_rad)

    def limit_m(self, echo_m: ArrayLike) -> Floats:
        """Return how far each ping speaks [m]: 3 sigma behind its echo, never beyond reach."""
        return np.minimum(np.asarray(echo_m) + SUPPORT_SIGMAS * self.ranger.range_sigma_m, self.ranger.reach_m)

    def gain(self, off_axis_rad: ArrayLike, range_m: ArrayLike = 0.4) -> Floats:
        """Return the angular gain, 0 outside the support; shapes broadcast."""
        off = np.abs(np.asarray(off_axis_rad, dtype=np.float64))
        half = self.support_rad(range_m)
        return np.where(off <= half + SLACK, self.gain_of(off, half), 0.0)

    def profile(self, range_m: ArrayLike, echo_m: ArrayLike) -> Floats:
        """Return the evidence on the axis at ranges, for echoes at `echo_m` (inf = silent); shapes broadcast."""
        r, z = np.asarray(range_m, dtype=np.float64), np.asarray(echo_m, dtype=np.float64)
        sigma = self.ranger.range_sigma_m
        silent = np.isposinf(z)
        t = np.where(silent, -1e6, (r - np.where(silent, 0.0, z)) / sigma)
        # the free part fades with the hump's own area, ending at the echo, so that the two never fight
        value = self.hit * bump(t) - self.miss * (1.0 - bump_share(t + SUPPORT_SIGMAS))
        return np.where(r <= self.limit_m(z) + SLACK, value, 0.0)

    def log_odds(self, range_m: ArrayLike, off_axis_rad: ArrayLike, echo_m: ArrayLike) -> Floats:
        """Return the evidence at places, for pings that heard `echo_m` [m]; shapes broadcast."""
        return np.asarray(self.gain(off_axis_rad, range_m) * self.profile(range_m, echo_m))

    def detection(self, range_m: ArrayLike, off_axis_rad: ArrayLike) -> Floats:
        """Return the chance that a post at places would be heard; shapes broadcast."""
        off, half = np.asarray(off_axis_rad, dtype=np.float64), self.support_rad(range_m)
        if self.name == "cone":
            return np.where(np.abs(off) <= half + SLACK, 1.0, 0.0)
        if self.name == "piston":
            return np.minimum(self.gain_of(np.abs(off), half), 1.0)  # on the axis the quotient may round past 1
        return soft_edge(off, half - self.edge_rad, self.soft_rad)


@dataclass(frozen=True, slots=True)
class CentreLine:
    """Evidence only along the axis: what a bare plot of dots says, as a yardstick."""

    ranger: Ranger
    line_m: float = 0.01  # half width of the line; at least half a cell so that no cell on it is missed
    name: str = "centreline"
    hit: float = HIT
    miss: float = HIT / 3.0  # three passes outweigh one echo: Borenstein and Koren 1991 (+3, -1)
    separable: bool = False

    def support_rad(self, range_m: ArrayLike) -> Floats:
        """Return the half angle that the line fills at each range [rad]."""
        r = np.maximum(np.asarray(range_m, dtype=np.float64), 1e-6)
        return np.arctan2(self.line_m, r)

    def limit_m(self, echo_m: ArrayLike) -> Floats:
        """Return how far each ping speaks [m]."""
        return np.minimum(np.asarray(echo_m) + SUPPORT_SIGMAS * self.ranger.range_sigma_m, self.ranger.reach_m)

    def log_odds(self, range_m: ArrayLike, off_axis_rad: ArrayLike, echo_m: ArrayLike) -> Floats:
        """Return the evidence at places, for pings that heard `echo_m` [m]; shapes broadcast."""
        line = SpreadBeam("cone", self.ranger, _flat, half_rad=math.pi, hit=self.hit, miss=self.miss)
        off = np.abs(np.asarray(off_axis_rad, dtype=np.float64))
        return np.where(off <= self.support_rad(range_m) + SLACK, line.profile(range_m, echo_m), 0.0)

    def detection(self, range_m: ArrayLike, off_axis_rad: ArrayLike) -> Floats:
        """Return 1 on the line, 0 beside it; shapes broadcast."""
        off = np.abs(np.asarray(off_axis_rad, dtype=np.float64))
        return np.where(off <= self.support_rad(range_m) + SLACK, 1.0, 0.0)


@dataclass(frozen=True, slots=True)
class Tapered:
    """The textbook's sonar model: confidence falls with range and with the angle off the axis.

    never_lower : an echo never lowers occupancy on its own arc (in the book it does, far out and off the axis)

    References
    ----------
    R. R. Murphy, Introduction to AI Robotics, chapter 11: regions I and II, Max_occupied 0.98.

    Examples
    --------
    >>> book = Tapered(reach_m=10.0, half_rad=math.radians(15.0), tolerance_m=0.5)
    >>> round(float(book.occupied(6.0, math.radians(5.0), 6.0)), 4), round(1 - float(book.occupied(3.5, 0.0, 6.0)), 3)
    (0.5227, 0.825)
    """

    reach_m: float
    half_rad: float
    tolerance_m: float
    never_lower: bool = False
    name: str = "tapered"
    separable: bool = False

    def support_rad(self, range_m: ArrayLike) -> Floats:
        """Return the half beam at each range [rad]."""
        return np.full(np.shape(range_m), self.half_rad)

    def limit_m(self, echo_m: ArrayLike) -> Floats:
        """Return how far each ping speaks [m]: the tolerance behind its echo, never beyond reach."""
        return np.minimum(np.asarray(echo_m) + self.tolerance_m, self.reach_m)

    def occupied(self, range_m: ArrayLike, off_axis_rad: ArrayLike, echo_m: ArrayLike) -> Floats:
        """Return P(occupied) at places; 0.5 where the ping says nothing; shapes broadcast."""
        r, off = np.asarray(range_m, dtype=np.float64), np.abs(np.asarray(off_axis_rad, dtype=np.float64))
        z = np.asarray(echo_m, dtype=np.float64)
        near, middle = (self.reach_m - r) / self.reach_m, (self.half_rad - off) / self.half_rad
        share = 0.5 * (np.clip(near, 0.0, 1.0) + np.clip(middle, 0.0, 1.0))
        arc = MURPHY_MOST * share
        if self.never_lower:
            arc = np.maximum(arc, 0.5)
        on_arc = np.abs(r - z) <= self.tolerance_m + SLACK
        before = ~on_arc & (r < z)
        inside = (off <= self.half_rad + SLACK) & (r <= self.reach_m + SLACK)
        return np.where(inside & on_arc, arc, np.where(inside & before, 1.0 - share, 0.5))

    def log_odds(self, range_m: ArrayLike, off_axis_rad: ArrayLike, echo_m: ArrayLike) -> Floats:
        """Return logit P(occupied), held off 0 and 1 by what float arithmetic can tell apart; shapes broadcast."""
        p = np.clip(self.occupied(range_m, off_axis_rad, echo_m), 1e-6, 1.0 - 1e-6)
        return np.asarray(np.log(p) - np.log1p(-p))

    def detection(self, range_m: ArrayLike, off_axis_rad: ArrayLike) -> Floats:
        """Return the angular part of the taper, 0 outside the beam; shapes broadcast."""
        middle = 1.0 - np.abs(np.asarray(off_axis_rad, dtype=np.float64)) / self.half_rad
        return np.clip(np.broadcast_to(middle, np.broadcast_shapes(np.shape(range_m), middle.shape)), 0.0, 1.0)


def _flat(off: Floats, half: Floats) -> Floats:
    return np.ones(np.broadcast_shapes(off.shape, half.shape))


def _gauss(off: Floats, half: Floats) -> Floats:
    return np.asarray(np.exp(-2.0 * (off / half) ** 2))  # sigma = half of the half beam; Elfes 1989's form, from memory


def _centreline(ranger: Ranger, cell_m: float, never_lower: bool) -> BeamModel:
    return CentreLine(ranger, line_m=max(0.01, 0.5 * math.sqrt(2.0) * cell_m))


def _cone(ranger: Ranger, cell_m: float, never_lower: bool) -> BeamModel:
    return SpreadBeam("cone", ranger, _flat)


def _gaussian(ranger: Ranger, cell_m: float, never_lower: bool) -> BeamModel:
    return SpreadBeam("gaussian", ranger, _gauss)


def _tapered(ranger: Ranger, cell_m: float, never_lower: bool) -> BeamModel:
    half = ranger.mean_half_beam_rad
    # the arc must be at least a cell thick or it falls between cell centres
    tolerance = max(2.0 * ranger.range_sigma_m, 0.5 * math.sqrt(2.0) * cell_m)
    return Tapered(ranger.reach_m, half, tolerance, never_lower)


def _piston(ranger: Ranger, cell_m: float, never_lower: bool) -> BeamModel:
    # 343.2 m/s (20 degC, ISO 9613-1) is near enough here: 10 degrees of air move the beam's edge by 2 %
    k_a = 2.0 * math.pi * ranger.frequency_hz / 343.2 * ranger.transducer_radius_m
    angles = np.linspace(0.0, math.pi / 2, 1801)
    faint = np.flatnonzero(two_way_amplitude(angles, k_a) < PISTON_FLOOR)
    half = float(angles[faint[0]]) if faint.size else math.pi / 2
    return SpreadBeam("piston", ranger, lambda off, _: two_way_amplitude(off, k_a), half_rad=half)


def _measured(ranger: Ranger, cell_m: float, never_lower: bool) -> BeamModel:
    if not ranger.half_beam_table:
        raise SonargridError(
            "the beam model 'measured' needs a calibrated beam, and this run has none",
            hint="sonargrid calibrate beam BENCH_RUN -o calibration.toml (a surveyed post at 0.4, 0.7 and 1.0 m), "
            "then --calibration calibration.toml",
        )
    soft = ranger.half_beam_soft_rad
    edge = MEASURED_EDGE * soft

    def gain(off: Floats, support: Floats) -> Floats:
        # what was measured is the chance of being heard; 1 on the axis, as every gain
        return soft_edge(off, support - edge, soft) / soft_edge(0.0, support - edge, soft)

    return SpreadBeam("measured", ranger, gain, edge_rad=edge, soft_rad=soft)


BEAM_MODELS: dict[str, Callable[[Ranger, float, bool], BeamModel]] = {
    "centreline": _centreline,
    "cone": _cone,
    "tapered": _tapered,
    "gaussian": _gaussian,
    "piston": _piston,
    "measured": _measured,
}


def make_beam(name: str, ranger: Ranger, cell_m: float = 0.01, never_lower: bool = False) -> BeamModel:
    """Return the beam model of a name for a ranger.

    Parameters
    ----------
    name : str
        One of `BEAM_MODELS`.
    ranger : Ranger
        Half beam, reach, range sigma, transducer.
    cell_m : float
        Cell of the map it will serve [m]: thin arcs and lines are kept at least so thick.
    never_lower : bool
        For ``tapered``: an echo never lowers occupancy on its own arc.

    Raises
    ------
    UsageProblem
        If the name is unknown.
    SonargridError
        If the model needs a calibration that the ranger lacks.

    Examples
    --------
    >>> make_beam("cone", Ranger()).detection(0.5, 0.1).tolist()
    1.0
    """
    if name not in BEAM_MODELS:
        near = difflib.get_close_matches(name, BEAM_MODELS, n=1)
        hint = f"did you mean '{near[0]}'?" if near else "sonargrid explain beam-models tells them apart"
        raise UsageProblem(f"unknown beam model '{name}'; known: {', '.join(BEAM_MODELS)}", hint=hint)
    return BEAM_MODELS[name](ranger, cell_m, never_lower)

"""Beam models: published values, supports, and what the protocol promises."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from sonargrid.errors import SonargridError, UsageProblem
from sonargrid.maps.beams import BEAM_MODELS, Tapered, bump, bump_share, make_beam, two_way_amplitude
from sonargrid.runs.readings import Ranger

RANGER = Ranger(half_beam_rad=math.radians(15.0), half_beam_table=())
TABLE = replace(RANGER, half_beam_table=((0.4, math.radians(28.0)), (1.0, math.radians(21.0))))
BOOK = Tapered(reach_m=10.0, half_rad=math.radians(15.0), tolerance_m=0.5)


def _beam(name: str):
    return make_beam(name, TABLE if name == "measured" else RANGER)


# R. R. Murphy, Introduction to AI Robotics, figs. 11.4, 11.5, and the inputs of fig. 11.15 (result computed)
@pytest.mark.parametrize(
    ("r", "off_deg", "echo", "occupied"),
    [(3.5, 0.0, 6.0, 1.0 - 0.825), (6.0, 5.0, 6.0, 0.522667), (9.0, 0.0, 9.0, 0.539)],
)
def test_tapered_gives_the_textbook_values(r: float, off_deg: float, echo: float, occupied: float) -> None:
    off = math.radians(off_deg)
    assert float(BOOK.occupied(r, off, echo)) == pytest.approx(occupied, abs=1e-6)
    assert float(BOOK.log_odds(r, off, echo)) == pytest.approx(math.log(occupied / (1.0 - occupied)), abs=1e-5)


def test_tapered_echo_lowers_its_own_arc_far_out_unless_told_not_to() -> None:
    assert float(BOOK.log_odds(9.0, math.radians(12.0), 9.0)) < 0.0
    gentle = replace(BOOK, never_lower=True)
    off = np.radians(np.linspace(-15.0, 15.0, 31))
    assert gentle.log_odds(9.0, off, 9.0).min() >= 0.0
    assert gentle.log_odds(3.5, off, 9.0).tolist() == BOOK.log_odds(3.5, off, 9.0).tolist()


# half angle of -6 dB two way, 40 kHz, c = 343.2 m/s; baffled circular piston (Kinsler et al.), computed with SciPy
@pytest.mark.parametrize(
    ("radius_m", "half_deg"), [(0.005, 26.1957), (0.0065, 19.8506), (0.008, 16.0156), (0.0125, 10.1703)]
)
def test_piston_halves_its_amplitude_at_the_published_angle(radius_m: float, half_deg: float) -> None:
    piston = make_beam("piston", replace(RANGER, transducer_radius_m=radius_m))
    found = brentq(lambda a: float(piston.detection(0.5, a)) - 0.5, 0.01, math.radians(30.0))
    assert math.degrees(found) == pytest.approx(half_deg, abs=0.01)


# first null of 2 J1(x)/x: Abramowitz and Stegun, table 9.5; half-power point: OEIS A221210
def test_piston_null_and_half_power_point() -> None:
    assert float(two_way_amplitude(math.pi / 2, 3.8317059702)) == pytest.approx(0.0, abs=1e-18)
    assert float(two_way_amplitude(math.pi / 2, 1.616339948)) == pytest.approx(0.5, abs=1e-9)


@pytest.mark.parametrize("name", list(BEAM_MODELS))
def test_every_model_keeps_the_protocol(name: str) -> None:
    beam = _beam(name)
    r, off, echo = np.linspace(0.05, 1.2, 47)[:, None], np.linspace(-1.5, 1.5, 41)[None, :], 0.6
    heard, said = beam.detection(r, off), beam.log_odds(r, off, echo)
    assert np.broadcast_shapes(heard.shape, (47, 41)) == said.shape == (47, 41)
    assert heard.min() >= 0.0 and heard.max() <= 1.0
    assert np.all(np.isfinite(said))
    outside = (np.abs(off) > beam.support_rad(r) + 1e-6) | (r > float(beam.limit_m(echo)) + 1e-6)
    assert not said[outside].any()
    assert said.tolist() == beam.log_odds(r, -off, echo).tolist()
    assert float(beam.log_odds(0.6, 0.0, 0.6)) > 0.0 > float(beam.log_odds(0.3, 0.0, 0.6))
    assert float(beam.log_odds(0.9, 0.0, 0.6)) == 0.0
    assert float(beam.log_odds(0.3, 0.0, math.inf)) < 0.0
    assert float(beam.log_odds(1.01, 0.0, math.inf)) == 0.0


def test_hump_and_its_area() -> None:
    t = np.linspace(-3.0, 3.0, 60001)
    area = np.cumsum(bump(t)) / bump(t).sum()
    assert np.abs(area - bump_share(t)).max() < 1e-4
    assert bump([-3.0, 0.0, 3.0]).tolist() == [0.0, 1.0, 0.0]


def test_width_follows_the_bench_table() -> None:
    assert math.degrees(float(make_beam("gaussian", TABLE).support_rad(0.7))) == pytest.approx(24.5)
    assert make_beam("gaussian", RANGER).separable and not make_beam("gaussian", TABLE).separable


def test_unknown_model_lists_the_known_ones() -> None:
    with pytest.raises(UsageProblem, match="unknown beam model 'gausian'; known: centreline, cone") as problem:
        make_beam("gausian", RANGER)
    assert problem.value.exit_code == 2 and "gaussian" in problem.value.faults[0].hint


def test_measured_without_a_calibration_says_how_to_get_one() -> None:
    with pytest.raises(SonargridError, match="needs a calibrated beam") as problem:
        make_beam("measured", RANGER)
    assert problem.value.exit_code == 1 and "calibrate beam" in problem.value.faults[0].hint

"""Beam models against published patterns and textbook examples; the solver's footprint against counted wedges."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import jn_zeros

from published_tables import table
from sonargrid.maps.beams import BEAM_MODELS, Tapered, make_beam, two_way_amplitude
from sonargrid.maps.mapping import build_map
from sonargrid.runs.readings import Ranger, Readings, Run, Station

SMALL = 1000.0  # with so large a k a, sin(off axis) = x / SMALL is exact enough and every x can be reached


def _pattern(x: float) -> float:
    """Return (2 J1(x) / x)^2 through the project's function."""
    return float(two_way_amplitude(math.asin(x / SMALL), SMALL))


def test_nulls_of_the_piston() -> None:
    # zeros of J1: Abramowitz and Stegun, Table 9.5 (3.8317, 7.0156, 10.1735)
    for x, printed in zip(jn_zeros(1, 3), (3.831706, 7.015587, 10.173468), strict=True):
        assert x == pytest.approx(printed, abs=1e-6)
        assert _pattern(x) < 1e-20
    # lecture notes on piston arrays print them as D / lambda sin = 1.22, 2.23, 3.24, 4.24
    assert jn_zeros(1, 4) / math.pi == pytest.approx([1.22, 2.23, 3.24, 4.24], abs=6e-3)


def test_half_power_points() -> None:
    # one way -3 dB: OEIS A221210; it is the two-way -6 dB point, which is what the pattern squared says
    assert _pattern(1.616339948) == pytest.approx(0.5, abs=1e-9)
    # one way -6.02 dB (2.215 in textbooks, from memory) and two-way -3 dB, computed with mpmath
    assert _pattern(2.2150894) == pytest.approx(0.25, abs=6e-8)
    assert _pattern(1.160286) ** 2 == pytest.approx(0.5, abs=1e-6)
    # 0.51 lambda / D (lecture notes)
    assert 1.616339948 / math.pi == pytest.approx(0.514496, abs=1e-5)


def test_first_side_lobe() -> None:
    # textbooks print -17.6 dB one way (from memory), at the zero of J2, x = 5.1356; two-way it is twice that
    x = np.linspace(4.0, 7.0, 30001)
    level = 20.0 * np.log10(np.sqrt(two_way_amplitude(np.arcsin(x / SMALL), SMALL)))
    assert float(x[np.argmax(level)]) == pytest.approx(5.1356223, abs=2e-4)
    assert float(level.max()) == pytest.approx(-17.57, abs=6e-3)


def test_power_inside_the_first_null() -> None:
    # Rayleigh 1881, quoted as 84 percent; 1 - J0(3.8317)^2 = 83.78 %, here by integrating the pattern itself
    inside, _ = quad(lambda x: _pattern(x) * x, 0.0, 3.8317060)
    assert 50.0 * inside == pytest.approx(83.78, abs=5e-3)


def test_pattern_values() -> None:
    # 2 J1(x) / x at x = 0.5, 1, 2, 3 by integrating over the aperture, computed with scipy
    seen = [math.sqrt(_pattern(x)) for x in (0.5, 1.0, 2.0, 3.0)]
    assert seen == pytest.approx([0.9690738, 0.8801012, 0.5767248, 0.2260393], abs=6e-8)


def test_directivity_index() -> None:
    # DI = 10 log((ka)^2 / (1 - J1(2 ka) / ka)), Kinsler et al. (from memory): 15.1861 dB for 8 mm at 40 kHz
    ka = 5.8584
    radiated, _ = quad(lambda a: float(two_way_amplitude(a, ka)) * math.sin(a), 0.0, math.pi / 2, limit=200)
    assert 10.0 * math.log10(2.0 / radiated) == pytest.approx(15.1861, abs=2e-4)


def test_half_angles_of_common_transducers() -> None:
    for row in table("piston_half_angles.csv"):
        ka = 2.0 * math.pi * 40000.0 / 343.2 * row["radius_mm"] / 1000.0
        assert ka == pytest.approx(row["ka"], abs=6e-5)
        beam = make_beam("piston", Ranger(transducer_radius_m=row["radius_mm"] / 1000.0))
        for column, expected in (("one_way_3_db", 0.5), ("one_way_6_db", 0.25), ("two_way_3_db", math.sqrt(0.5))):
            at = math.radians(row[column])
            assert float(two_way_amplitude(at, ka)) == pytest.approx(expected, abs=1e-5)
            assert float(beam.detection(0.5, at)) == pytest.approx(expected, abs=1e-5)
        if row["first_null"] < 90.0:
            assert float(two_way_amplitude(math.radians(row["first_null"]), ka)) < 1e-10
        # the model's beam ends in its main lobe
        assert float(beam.support_rad(0.5)) < math.radians(row["first_null"])


def test_beam_grows_with_the_strength_of_the_echo() -> None:
    # 40 log|2 J1(x) / x| = -margin for 8 mm at 40 kHz, computed: margins of 6, 10, 20 and 30 dB
    angles = np.radians([15.9892, 20.3851, 27.7898, 32.5552])
    assert 20.0 * np.log10(two_way_amplitude(angles, 5.8584)) == pytest.approx([-6.0, -10.0, -20.0, -30.0], abs=2e-3)


BOOK = Tapered(reach_m=10.0, half_rad=math.radians(15.0), tolerance_m=0.5)


def test_textbook_region_before_the_echo() -> None:
    # R. R. Murphy, Introduction to AI Robotics, Fig. 11.4, p. 383: R = 10, beta = 15 degrees, s = 6, r = 3.5, alpha = 0
    empty = 1.0 - float(BOOK.occupied(3.5, 0.0, 6.0))
    assert empty == pytest.approx(0.825, abs=1e-12)
    assert empty == pytest.approx(0.83, abs=6e-3)  # as printed


def test_textbook_region_at_the_echo() -> None:
    # Murphy, Fig. 11.5, p. 384: r = 6, alpha = 5 degrees, Max_occupied = 0.98; printed 0.52 and 0.48
    taken = float(BOOK.occupied(6.0, math.radians(5.0), 6.0))
    assert taken == pytest.approx(0.98 * (0.4 + 2.0 / 3.0) / 2.0, abs=1e-12)
    assert taken == pytest.approx(0.52, abs=4e-3)
    assert 1.0 - taken == pytest.approx(0.48, abs=4e-3)


def test_textbook_first_of_three_updates() -> None:
    # Murphy, Fig. 11.15, p. 405: r = s = 9, alpha = 0 (inputs printed, 0.539 computed)
    assert float(BOOK.occupied(9.0, 0.0, 9.0)) == pytest.approx(0.539, abs=1e-9)


def test_textbook_log_odds_are_the_logit_of_its_probability() -> None:
    for r, off, s in ((3.5, 0.0, 6.0), (6.0, math.radians(5.0), 6.0), (9.0, 0.0, 9.0)):
        p = float(BOOK.occupied(r, off, s))
        assert float(BOOK.log_odds(r, off, s)) == pytest.approx(math.log(p / (1.0 - p)), abs=1e-12)


def test_textbook_echo_may_lower_its_own_arc_unless_told_not_to() -> None:
    # (R - r) / R = 0.2 and (beta - alpha) / beta = 0.5 give 0.98 * 0.35 = 0.343 by the book's formula, computed
    at = (8.0, math.radians(7.5), 8.0)
    assert float(BOOK.occupied(*at)) == pytest.approx(0.343, abs=1e-12)
    kind = replace(BOOK, never_lower=True)
    assert float(kind.occupied(*at)) == 0.5
    assert float(kind.log_odds(*at)) == 0.0
    # before the echo and where the book already raises, nothing changes
    assert float(kind.occupied(3.5, 0.0, 6.0)) == float(BOOK.occupied(3.5, 0.0, 6.0))
    assert float(kind.occupied(9.0, 0.0, 9.0)) == pytest.approx(0.539, abs=1e-9)


def test_every_model_calls_free_before_and_taken_at_the_echo() -> None:
    # the sign trap of public course code (0.3 as a free cell's log-odds) would show here
    ranger = Ranger(reach_m=3.0, half_beam_table=((0.4, 0.48), (1.0, 0.36)))
    for name in BEAM_MODELS:
        beam = make_beam(name, ranger)
        assert float(beam.log_odds(0.5, 0.0, 1.0)) < 0.0, name
        assert float(beam.log_odds(1.0, 0.0, 1.0)) > 0.0, name
        assert float(beam.log_odds(1.5, 0.0, 1.0)) == 0.0, name
        assert float(beam.log_odds(1.0, math.radians(80.0), 1.0)) == 0.0, name


def _single_ping(heading_deg: float, full_width_deg: float, reach_m: float) -> Run:
    """Return a run of one silent ping along a station's heading."""
    station = Station("A", heading_rad=math.radians(heading_deg))
    ranger = Ranger(reach_m=reach_m, half_beam_rad=math.radians(full_width_deg / 2.0), blind_zone_m=0.0)
    rows = Readings("angle_deg", "range_m", [90.0], [math.inf], [0], [0], [0])  # type: ignore[arg-type]
    return Run(rows, stations=(station,), ranger=ranger)


def test_footprint_of_one_ping() -> None:
    for row in table("wedge_cells.csv"):
        run = _single_ping(row["heading_deg"], row["full_width_deg"], 1.0)
        grid = build_map(run, beam="cone", solver="additive", cell_m=row["cell_cm"] / 100.0).grid
        assert int(np.count_nonzero(grid.touched)) == row["cells"]
        assert int(grid.touched.max()) == 1

"""The simulator against published geometry and acoustics, and against its own promises."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from sonargrid.arrays import Floats
from sonargrid.physics.air import absorption_db_per_m, sound_speed
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Air, Head, Ranger, Robot, Run, Station
from sonargrid.simulation.echo_physics import (
    DEEPEST_DB,
    LOBE_FLOOR_DB,
    end_loss_db,
    margin_db,
    post_db,
    scatter_db,
    spreading_db,
    two_way_db,
)
from sonargrid.simulation.room_echoes import RoomEchoes, corner_points, room_echoes
from sonargrid.simulation.scene import BEAMS, Noise, Scene, SceneBox, ScenePost, SceneWall, SweepPlan
from sonargrid.simulation.simulate import simulate, simulate_traced

QUIET = Noise.none()
FLAT = Noise.none(beam="flat", flat_rad=math.radians(15.0))  # a beam 30 degrees wide, hard-edged
DEGREE = SweepPlan(step_rad=math.radians(1.0), resolution=0.0)
LONG = SceneWall(-9.0, 1.0, 9.0, 1.0)  # square on at 1 m, straight ahead of a robot at the origin
A = Station("A")


def echoes_at(scene: Scene, x_m: float = 0.0, y_m: float = 0.0) -> RoomEchoes:
    return room_echoes(scene, np.array([x_m]), np.array([y_m]), 0.00858, 1.318)


def ranges_m(run: Run) -> Floats:
    return calibrated(run).range_m


def heard(echoes: RoomEchoes, kind: str) -> list[tuple[float, float, float]]:
    """Return (range, bearing in degrees, level) of the echoes of a kind that can be heard at the one place."""
    rows = zip(echoes.kind, echoes.range_m[0], np.degrees(echoes.bearing_rad[0]), echoes.level_db[0], strict=True)
    return [(float(r), float(b), float(level)) for k, r, b, level in rows if k == kind and np.isfinite(level)]


# --- published and exactly computed values -------------------------------------------------------------------------


def test_reading_and_radius_give_the_centre_of_a_cylinder() -> None:
    # nearest-point echo: Kuc & Siegel, IEEE PAMI 9(6), 1987; Leonard & Durrant-Whyte 1992 (principle from memory).
    # An A4 sheet rolled along its 297 mm side is 94.54 mm across; a reading of 100.0 cm puts its axis at 104.7269 cm.
    diameter = 0.297 / math.pi
    scene = Scene(
        (A,), posts=(ScenePost(0.0, 1.047269, diameter),), noise=QUIET, sweep=DEGREE, ranger=Ranger(reach_m=2)
    )
    ranges = ranges_m(simulate(scene))
    assert np.min(ranges) == pytest.approx(1.0, abs=1e-6)
    assert np.ptp(ranges[np.isfinite(ranges)]) < 1e-9  # one range over the whole arc


def test_inside_corner_answers_at_the_distance_of_its_line() -> None:
    # 90 degree corner at (0, 0) seen from (70, 40) cm: 80.622577 cm, longer than either wall's 70 and 40 cm.
    # Image method; Barshan & Kuc; Bozma & Kuc, IEEE PAMI 13(12), 1991.
    walls = (SceneWall(0.0, 0.0, 3.0, 0.0), SceneWall(0.0, 0.0, 0.0, 3.0))
    echoes = echoes_at(Scene((A,), walls=walls, noise=QUIET), 0.70, 0.40)
    assert sorted(r for r, _, _ in heard(echoes, "wall")) == pytest.approx([0.40, 0.70], abs=1e-9)
    ((r, bearing, level),) = heard(echoes, "corner")
    assert r == pytest.approx(0.80622577, abs=1e-7)
    assert bearing == pytest.approx(math.degrees(math.atan2(-0.4, -0.7)), abs=1e-9)
    assert level == pytest.approx(float(spreading_db(r, 1.318)) - 1.0)
    assert not heard(echoes, "edge")


@pytest.mark.parametrize("heading_deg", range(-40, 50, 10))
def test_smooth_wall_answers_only_near_its_normal(heading_deg: int) -> None:
    # |axis - normal| <= half beam: Leonard & Durrant-Whyte 1992; Bozma & Kuc 1991.  Beam 30 degrees wide: -10, 0, 10.
    plan = SweepPlan(0.0, 0.5, 1.0, angle_column="bearing_deg")
    station = Station("A", heading_rad=math.pi / 2 + math.radians(heading_deg))
    run = simulate(Scene((station,), walls=(LONG,), noise=FLAT, sweep=plan, ranger=Ranger(reach_m=3.0)))
    assert np.isfinite(run.readings.distance[0]) == (abs(heading_deg) <= 15)


def test_region_of_constant_depth_is_as_wide_as_the_beam() -> None:
    # 31 readings at 1 degree steps, all of them the perpendicular: Leonard & Durrant-Whyte 1992 (from memory).
    ranges = ranges_m(simulate(Scene((A,), walls=(LONG,), noise=FLAT, sweep=DEGREE, ranger=Ranger(reach_m=3.0))))
    arc = ranges[np.isfinite(ranges)]
    assert arc.size == 31
    assert arc == pytest.approx(np.full(31, 1.0), abs=1e-9)


def test_arcs_of_two_equal_ranges_part_only_beyond_beam_and_step() -> None:
    # gap of at least beam + step = 33 degrees leaves a silent step between: computed (arcs must not touch)
    def silent_between(gap_deg: float) -> bool:
        turns = [math.radians(90.0 + s * 0.5 * gap_deg) for s in (-1, 1)]
        posts = tuple(ScenePost(math.cos(t), math.sin(t), 0.04) for t in turns)
        plan = SweepPlan(step_rad=math.radians(3.0), resolution=0.0)
        ranges = ranges_m(simulate(Scene((A,), posts=posts, noise=FLAT, sweep=plan, ranger=Ranger(reach_m=2.0))))
        between = np.isfinite(ranges)
        first, last = np.flatnonzero(between)[[0, -1]]
        return not bool(between[first : last + 1].all())

    assert silent_between(33.5)
    assert not silent_between(29.5)


def test_nearer_thing_hides_the_farther_over_two_thirds_of_its_arc() -> None:
    # first-echo rule: gap 10 degrees, beam 30: the far one is alone over 1/3 of its arc (computed, interval overlap)
    near, far = math.radians(85.0), math.radians(95.0)
    posts = (ScenePost(0.5 * math.cos(near), 0.5 * math.sin(near), 0.02), ScenePost(math.cos(far), math.sin(far), 0.02))
    plan = SweepPlan(from_rad=math.radians(0.05), step_rad=math.radians(0.1), resolution=0.0)
    traced = simulate_traced(Scene((A,), posts=posts, noise=FLAT, sweep=plan, ranger=Ranger(reach_m=2.0)))
    assert traced.thing.count("post 1") == 300
    assert traced.thing.count("post 2") == 100


def test_second_round_trip_between_robot_and_wall_is_at_twice_the_range() -> None:
    # sensor 50 cm from a wall: the multiple reflection reads 100 cm (textbook)
    wall = SceneWall(-9.0, 0.5, 9.0, 0.5)
    noise = replace(FLAT, double_bounce=True, missed_first=1.0)
    ranges = ranges_m(simulate(Scene((A,), walls=(wall,), noise=noise, sweep=DEGREE, ranger=Ranger(reach_m=3.0))))
    assert ranges[np.isfinite(ranges)] == pytest.approx(np.full(31, 1.0), abs=1e-9)
    plain = ranges_m(simulate(Scene((A,), walls=(wall,), noise=replace(noise, missed_first=0.0), sweep=DEGREE)))
    assert np.nanmin(plain) == pytest.approx(0.5, abs=1e-9)


@pytest.mark.parametrize(
    ("radius_mm", "half_angle_deg"), [(5.0, 26.1957), (6.5, 19.8506), (8.0, 16.0156), (10.0, 12.7513), (12.5, 10.1703)]
)
def test_two_way_half_amplitude_angle_of_a_piston(radius_mm: float, half_angle_deg: float) -> None:
    # baffled circular piston (Kinsler et al.; Beranek & Mellow), 40 kHz, c = 343.2 m/s: -3 dB one way, -6 dB two way
    k_a = 2.0 * math.pi * 40000.0 / 343.2 * radius_mm / 1000.0
    level = float(two_way_db(math.radians(half_angle_deg), k_a, QUIET))
    assert level == pytest.approx(-20.0 * math.log10(2.0), abs=1e-3)


@pytest.mark.parametrize(
    ("margin", "half_angle_deg"), [(6.0, 15.9892), (10.0, 20.3851), (20.0, 27.7898), (30.0, 32.5552)]
)
def test_beam_is_as_wide_as_the_echo_is_strong(margin: float, half_angle_deg: float) -> None:
    # 8 mm piston, 40 kHz, c = 343.2 m/s: two-way loss equals the margin (computed with another solver)
    assert float(two_way_db(math.radians(half_angle_deg), 5.8584, QUIET)) == pytest.approx(-margin, abs=1e-2)


def test_directivity_index_of_the_pattern() -> None:
    # DI = 10 log((ka)^2 / (1 - J1(2ka)/ka)) = 15.1861 dB at ka = 5.8584 (Kinsler et al., from memory): integrate it
    def power(t: float) -> float:
        return 10.0 ** (float(two_way_db(t, 5.8584, QUIET)) / 20.0) * math.sin(t)

    total, _ = quad(power, 0.0, math.pi / 2, limit=200)
    assert 10.0 * math.log10(2.0 / total) == pytest.approx(15.1861, abs=1e-3)


def test_spreading_of_a_plane_and_of_a_small_thing() -> None:
    # plane: image at 2r, 20 log r; with absorption of 1.3182 dB/m (ISO 9613-1, 20 degC, 50 %) 14.815 dB from 1 to 3 m
    assert -spreading_db(np.array([0.5, 1.0, 3.0, 5.0]), 0.0) == pytest.approx(
        [-6.0206, 0.0, 9.5424, 13.9794], abs=1e-4
    )
    alpha = float(absorption_db_per_m(40000.0, 20.0, 50.0))
    assert -float(spreading_db(3.0, alpha)) == pytest.approx(14.815, abs=1e-3)
    # small target 40 log r (Urick) holds where both curvatures scatter; an upright thin post keeps one: 30 log r
    thin = post_db(np.array([1.0, 3.0]), 1e-5, 0.0)
    assert thin[0] - thin[1] == pytest.approx(30.0 * math.log10(3.0), abs=1e-3)
    assert float(scatter_db(3.0, -34.0, 0.0)) == pytest.approx(-34.0 - 30.0 * math.log10(3.0))


def test_post_grows_into_a_wall() -> None:
    assert float(post_db(1.0, 1e6, 1.3)) == pytest.approx(float(spreading_db(1.0, 1.3)), abs=1e-5)


@pytest.mark.parametrize(("range_m", "half_deg"), [(0.2, 32.0), (0.4, 28.0), (0.7, 24.0), (1.0, 21.0), (1.5, 15.0)])
def test_half_width_of_a_5_cm_post(range_m: float, half_deg: float) -> None:
    # bench figures for ordinary 40 kHz rangers, specimens differ by 2 to 3 degrees (common practice, no source)
    posts = (ScenePost(0.0, range_m + 0.025, 0.05),)
    plan = SweepPlan(step_rad=math.radians(0.25))
    run = simulate(Scene((A,), posts=posts, ranger=Ranger(reach_m=3.0), sweep=plan, noise=QUIET))
    assert np.isfinite(run.readings.distance).sum() * 0.25 / 2.0 == pytest.approx(half_deg, abs=1.0)


def test_late_echo_costs_a_period() -> None:
    # 25 us is one period of 40 kHz: 4.29 mm of range at 343.2 m/s (computed)
    scene = Scene((A,), walls=(LONG,), noise=replace(FLAT, slip=1.0), sweep=DEGREE, ranger=Ranger(reach_m=3.0))
    plain = simulate(replace(scene, noise=FLAT)).readings.distance
    slipped = simulate(scene).readings.distance
    some = np.isfinite(plain)
    assert slipped[some] - plain[some] == pytest.approx(np.full(int(some.sum()), 25.0), abs=1e-6)


# --- what answers, what hides -------------------------------------------------------------------------------------


def test_posts_and_walls_hide_what_is_behind() -> None:
    scene = Scene((A,), walls=(SceneWall(-0.2, 0.5, 0.2, 0.5),), posts=(ScenePost(0.0, 0.8, 0.05),), noise=QUIET)
    assert not heard(echoes_at(scene), "post")
    two = Scene((A,), posts=(ScenePost(0.0, 0.5, 0.2), ScenePost(0.0, 0.9, 0.05)), noise=QUIET)
    assert [round(r, 6) for r, _, _ in heard(echoes_at(two), "post")] == [0.4]


def test_box_answers_with_a_face_square_on_and_with_edges() -> None:
    square = echoes_at(Scene((A,), boxes=(SceneBox(0.0, 0.7, 0.3, 0.2),), noise=QUIET))
    assert [r for r, _, _ in heard(square, "wall")] == pytest.approx([0.6])
    assert len(heard(square, "edge")) == 2  # the back is hidden
    turned = echoes_at(Scene((A,), boxes=(SceneBox(0.0, 0.7, 0.3, 0.2, math.radians(45.0)),), noise=QUIET))
    assert not heard(turned, "wall")
    assert len(heard(turned, "edge")) == 3


def test_wall_loses_half_the_amplitude_at_its_end_and_answers_no_further() -> None:
    assert end_loss_db(np.array([0.0, 0.3, -1e-6]), 1.0, 1.0, 0.00858) == pytest.approx([-6.0, 0.0, -math.inf])
    near_end = Scene((A,), walls=(SceneWall(-1e-6, 1.0, 2.0, 1.0),), noise=QUIET)
    assert heard(echoes_at(near_end), "wall")[0][2] == pytest.approx(-6.0, abs=0.01)
    beyond = Scene((A,), walls=(SceneWall(0.01, 1.0, 2.0, 1.0),), noise=QUIET)
    assert not heard(echoes_at(beyond), "wall")
    assert len(heard(echoes_at(beyond), "end")) == 2


def test_short_face_sends_back_only_its_share() -> None:
    zone = math.sqrt(0.00858 / 2.0)
    assert float(end_loss_db(zone / 4.0, zone / 2.0, 1.0, 0.00858)) == pytest.approx(-6.0 * 0.75 - 6.02, abs=0.01)


def test_partition_makes_two_inside_corners_and_no_edge() -> None:
    walls = (SceneWall(-2.0, 1.0, 2.0, 1.0), SceneWall(0.0, 1.0, 0.0, 0.2))
    for x in (-0.5, 0.5):
        echoes = echoes_at(Scene((A,), walls=walls, noise=QUIET), x, 0.5)
        assert [r for r, _, _ in heard(echoes, "corner")] == pytest.approx([math.hypot(0.5, 0.5)])
    joints, _ = corner_points(Scene((A,), walls=walls).segments())
    assert joints.shape == (2, 7)


def test_straight_joint_of_two_boards_is_silent() -> None:
    walls = (SceneWall(-1.0, 1.0, 0.2, 1.0), SceneWall(0.2, 1.0, 1.0, 1.0))
    echoes = echoes_at(Scene((A,), walls=walls, noise=QUIET))
    assert not heard(echoes, "corner") and not heard(echoes, "edge")


def test_askew_corner_does_not_send_the_sound_back() -> None:
    walls = (SceneWall(0.0, 0.0, 2.0, 0.0), SceneWall(0.0, 0.0, 0.8, 2.0))
    assert not heard(echoes_at(Scene((A,), walls=walls, noise=QUIET), 0.8, 0.6), "corner")


def test_rough_wall_answers_from_every_angle() -> None:
    rough = SceneWall(-2.0, 0.8, 2.0, 0.8, "rough")
    plan = SweepPlan(step_rad=math.radians(3.0))
    scene = Scene((A,), walls=(rough,), noise=replace(QUIET, patch_db=-15.0), sweep=plan, ranger=Ranger(reach_m=3.0))
    smooth = replace(scene, walls=(replace(rough, surface="smooth"),))
    heard_rough, heard_smooth = (int(np.isfinite(simulate(s).readings.distance).sum()) for s in (scene, smooth))
    assert heard_rough > 1.4 * heard_smooth
    assert not heard(echoes_at(scene), "wall")


def test_leaning_wall_is_fainter_and_nearer() -> None:
    lean = math.radians(10.0)
    upright, leaning = (Scene((A,), walls=(replace(LONG, lean_rad=v),), noise=QUIET) for v in (0.0, lean))
    assert heard(echoes_at(leaning), "wall")[0][0] == pytest.approx(math.cos(lean), abs=1e-9)
    counts = [int(np.isfinite(simulate(replace(s, sweep=DEGREE)).readings.distance).sum()) for s in (upright, leaning)]
    assert 0 < counts[1] < counts[0] or counts[0] == 0
    far = replace(
        leaning, walls=(replace(LONG, lean_rad=math.radians(40.0)),), ranger=Ranger(reach_m=3.0), sweep=DEGREE
    )
    assert not np.isfinite(simulate(far).readings.distance).any()


def test_half_post_is_round_on_one_side_and_flat_on_the_other() -> None:
    front = Scene((A,), posts=(ScenePost(0.0, 1.0, 0.2, half=True, heading_rad=-math.pi / 2),), noise=QUIET)
    assert [r for r, _, _ in heard(echoes_at(front), "post")] == pytest.approx([0.9])
    assert not heard(echoes_at(front), "wall")
    back = Scene((A,), posts=(ScenePost(0.0, 1.0, 0.2, half=True, heading_rad=math.pi / 2),), noise=QUIET)
    assert not heard(echoes_at(back), "post")
    assert [r for r, _, _ in heard(echoes_at(back), "wall")] == pytest.approx([1.0])
    behind = replace(front, posts=(*front.posts, ScenePost(0.0, 1.5, 0.05)))
    assert len(heard(echoes_at(behind), "post")) == 1


def test_mirror_shows_a_post_behind_the_wall() -> None:
    # image source: a post at (0.6, 0.5) in a wall along y = 1 stands at (0.6, 1.5) (textbook)
    scene = Scene((A,), walls=(LONG,), posts=(ScenePost(0.6, 0.5, 0.06),), noise=replace(QUIET, ghosts=True))
    ghosts = heard(echoes_at(scene), "ghost")
    assert len(ghosts) == 2
    both_ways = math.hypot(0.6, 1.5) - 0.03
    assert ghosts[0][0] == pytest.approx(both_ways, abs=1e-9)
    assert ghosts[0][1] == pytest.approx(math.degrees(math.atan2(1.5, 0.6)), abs=1e-9)
    # out over the mirror and straight back: half the shortest way robot, post, robot's image (Fermat), by trying
    turn = np.linspace(-math.pi, math.pi, 200001)
    bx, by = 0.6 + 0.03 * np.cos(turn), 0.5 + 0.03 * np.sin(turn)
    assert ghosts[1][0] == pytest.approx(0.5 * float(np.min(np.hypot(bx, by) + np.hypot(bx, 2.0 - by))), abs=1e-3)
    assert not heard(echoes_at(replace(scene, noise=QUIET)), "ghost")


# --- beam shapes ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("beam", BEAMS)
def test_every_beam_is_loudest_on_its_axis_and_deaf_behind(beam: str) -> None:
    noise = replace(FLAT, beam=beam)
    off = np.radians(np.linspace(-89.0, 89.0, 179))
    level = two_way_db(off, 5.7, noise)
    assert level[89] == pytest.approx(0.0, abs=1e-9)
    assert np.all(level <= 1e-9)
    assert level == pytest.approx(level[::-1])
    assert float(two_way_db(math.radians(120.0), 5.7, noise)) == DEEPEST_DB


def test_lopsided_beam_is_wider_on_the_left() -> None:
    noise = replace(QUIET, skew=0.1)
    at = math.radians(15.0)
    assert float(two_way_db(1.1 * at, 5.7, noise)) == pytest.approx(float(two_way_db(at, 5.7, QUIET)))
    assert float(two_way_db(-at, 5.7, noise)) < float(two_way_db(at, 5.7, noise))


def test_raised_side_lobes_fill_the_nulls() -> None:
    null = math.asin(3.831706 / 5.7)  # first zero of J1 (Abramowitz & Stegun, table 9.5)
    assert float(two_way_db(null, 5.7, QUIET)) < -100.0
    assert float(two_way_db(null, 5.7, replace(QUIET, beam="lobed"))) == LOBE_FLOOR_DB


def test_gain_over_time_takes_back_half_of_the_spreading() -> None:
    r = np.array([1.0, 2.0, 4.0])
    assert margin_db(spreading_db(r, 0.0), r, -26.0) == pytest.approx(26.0 - 10.0 * np.log10(r))


# --- noise ----------------------------------------------------------------------------------------------------------


def wall_ranges(passes: int = 40, **noise: Any) -> Floats:
    plan = SweepPlan(math.radians(80.0), math.radians(100.0), math.radians(1.0), passes, resolution=0.0)
    scene = Scene((A,), walls=(LONG,), noise=Noise.none(**noise), sweep=plan, ranger=Ranger(reach_m=3.0))
    return ranges_m(simulate(scene, seed=5))


def test_timing_noise_has_the_stated_size() -> None:
    ranges = wall_ranges(range_sigma_m=0.004, range_sigma_share=0.003)
    assert ranges.std() == pytest.approx(0.007, rel=0.1)
    assert ranges.mean() == pytest.approx(1.0, abs=0.001)


def test_chances_come_out_as_stated() -> None:
    assert np.isinf(wall_ranges(dropout=0.2)).mean() == pytest.approx(0.2, abs=0.04)
    assert (wall_ranges(stray=0.1) < 0.99).mean() == pytest.approx(0.1 * 0.33, abs=0.02)
    tails = np.abs(wall_ranges(tail=0.1, tail_factor=50.0, range_sigma_m=0.001) - 1.0)
    assert (tails > 0.004).mean() == pytest.approx(0.1, abs=0.03)
    assert (wall_ranges(missed_first=0.3) > 1.1).mean() == pytest.approx(0.3, abs=0.05)


def test_weak_echoes_trigger_late() -> None:
    scene = Scene((A,), posts=(ScenePost(0.0, 0.825, 0.05),), noise=Noise.none(late_m=0.007), sweep=DEGREE)
    ranges = ranges_m(simulate(scene))
    arc = ranges[np.isfinite(ranges)]
    assert arc.min() == ranges[90]
    assert 0.003 < arc.max() - arc.min() <= 0.007
    assert arc.max() == pytest.approx(0.8 + 0.007, abs=3e-4)


def test_repeats_of_one_bearing_hear_the_same_fading() -> None:
    # at the edge of the arc a bearing is heard in nearly all repeats or in nearly none
    def spread_of_shares(**noise: float) -> float:
        plan = SweepPlan(math.radians(50.0), math.radians(80.0), math.radians(1.0), 60)
        scene = Scene((A,), posts=(ScenePost(0.0, 0.8, 0.05),), noise=Noise.none(**noise), sweep=plan)
        heard_at = np.isfinite(simulate(scene, seed=2).readings.distance).reshape(60, -1).mean(axis=0)
        return float(np.mean(heard_at * (1.0 - heard_at)))

    assert spread_of_shares(fading_db=3.0) == 0.0
    assert spread_of_shares(level_sigma_db=3.0) > 0.02


def test_previous_ping_answers_in_one_sector_at_one_range() -> None:
    noise = Noise.none(crosstalk=1.0)
    plan = SweepPlan(-math.pi, math.pi - 0.01, math.radians(1.0), angle_column="bearing_deg", resolution=0.0)
    ranges = ranges_m(simulate(Scene((A,), noise=noise, sweep=plan, ranger=Ranger(reach_m=2.0)), seed=4))
    false = ranges[np.isfinite(ranges)]
    assert 35 <= false.size <= 41
    assert np.ptp(false) < 1e-9


def test_floor_is_heard_at_every_bearing_only_if_asked_for() -> None:
    scene = Scene((A,), noise=Noise.none(floor_m=0.35), sweep=DEGREE)
    assert ranges_m(simulate(scene)) == pytest.approx(np.full(181, 0.35))
    assert np.isinf(ranges_m(simulate(replace(scene, noise=QUIET)))).all()


def test_nothing_is_reported_from_the_blind_zone_or_beyond_reach() -> None:
    posts = (ScenePost(0.0, 0.06, 0.04), ScenePost(0.9, 1.2, 0.1))
    scene = Scene(
        (A,), posts=posts, ranger=Ranger(blind_zone_m=0.05, reach_m=1.3), sweep=DEGREE, noise=Noise(stray=0.3)
    )
    ranges = ranges_m(simulate(scene, seed=3))
    some = ranges[np.isfinite(ranges)]
    assert some.size > 20 and some.min() >= 0.0499 and some.max() < 1.3


# --- the head, the air, the log ------------------------------------------------------------------------------------


def middle_deg(run: Run) -> float:
    """Return the middle of the bearings, as the run itself understands them, at which something was heard."""
    pings = calibrated(run)
    return float(np.degrees(np.mean(pings.bearing_rad[pings.echo])))


POST = Scene((A,), posts=(ScenePost(0.2, 0.6, 0.05),), noise=FLAT, sweep=replace(DEGREE, passes=2, both_ways=True))
TRUE_DEG = math.degrees(math.atan2(0.6, 0.2))


@pytest.mark.parametrize("turns", [1, -1])
@pytest.mark.parametrize("columns", ["angle_deg", "pulse_us"])
@pytest.mark.parametrize("pulse_us_per_deg", [11.0, -11.0])
def test_known_head_errors_leave_the_bearing_right(turns: int, columns: str, pulse_us_per_deg: float) -> None:
    head = Head(
        turns=turns,
        angle_scale=1.05,
        angle_offset_rad=math.radians(4.0),
        backlash_rad=math.radians(3.0),
        pulse_us_per_deg=pulse_us_per_deg,
    )
    run = simulate(replace(POST, head=head, sweep=replace(POST.sweep, angle_column=columns)))
    assert middle_deg(run) == pytest.approx(TRUE_DEG, abs=0.6)


def test_unknown_head_errors_move_the_bearing() -> None:
    head = Head(angle_offset_rad=math.radians(4.0))
    assert middle_deg(simulate(replace(POST, head=head, given_head=Head()))) == pytest.approx(TRUE_DEG - 4.0, abs=0.6)


def test_head_lags_behind_its_motion() -> None:
    run = simulate(replace(POST, head=Head(backlash_rad=math.radians(6.0)), given_head=Head()))
    pings = calibrated(run)
    up, down = (np.degrees(np.mean(pings.bearing_rad[pings.echo & (pings.turning == t)])) for t in (1, -1))
    assert up - down == pytest.approx(6.0, abs=1.1)


def test_bent_servo_moves_the_bearing_by_its_amplitude() -> None:
    bend = math.radians(2.0)
    run = simulate(replace(POST, noise=replace(FLAT, bend_rad=bend)))
    off = math.radians(TRUE_DEG - 90.0)
    assert middle_deg(run) - TRUE_DEG == pytest.approx(-2.0 * math.sin(2.0 * off), abs=0.6)


def test_arm_and_mounting_shift_the_face() -> None:
    robot, head = Robot(head_ahead_m=0.05, head_left_m=-0.02), Head(arm_m=0.04, side_m=0.01)
    run = simulate(replace(POST, robot=robot, head=head))
    pings = calibrated(run)
    x, y = pings.rays.x_m[pings.ray], pings.rays.y_m[pings.ray]
    expected = np.hypot(0.2 - x, 0.6 - y) - 0.025
    assert pings.range_m[pings.echo] == pytest.approx(expected[pings.echo], abs=1e-9)


def test_run_with_a_wrong_temperature_reads_wrong_by_the_speeds() -> None:
    scene = Scene((A,), walls=(LONG,), noise=FLAT, sweep=DEGREE, air=Air(30.0), ranger=Ranger(reach_m=3.0))
    wrong = ranges_m(simulate(replace(scene, given_air=Air(20.0))))
    ratio = float(sound_speed(20.0, 50.0)) / float(sound_speed(30.0, 50.0))
    assert np.min(wrong) == pytest.approx(ratio, abs=1e-9)
    assert np.min(ranges_m(simulate(scene))) == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize("column", ["echo_us", "range_m", "range_cm", "range_mm", "range_in"])
@pytest.mark.parametrize("assumed", [None, 344.83])
def test_every_distance_column_means_the_same_range(column: str, assumed: float | None) -> None:
    ranger = Ranger(reach_m=3.0, range_scale=1.02, range_bias_m=0.01, assumed_sound_speed_m_s=assumed)
    plan = replace(DEGREE, distance_column=column)
    run = simulate(Scene((A,), walls=(LONG,), noise=FLAT, sweep=plan, ranger=ranger, air=Air(12.0)))
    assert np.min(ranges_m(run)) == pytest.approx(1.0, abs=1e-9)


def test_distances_are_logged_in_whole_steps() -> None:
    scene = Scene((A,), walls=(LONG,), noise=Noise(), ranger=Ranger(reach_m=3.0))
    for column, step in (("echo_us", 1.0), ("range_mm", 1.0), ("range_m", 0.001), ("range_cm", 0.1)):
        values = simulate(replace(scene, sweep=SweepPlan(distance_column=column))).readings.distance
        counts = values[np.isfinite(values)] / step
        assert counts == pytest.approx(np.rint(counts), abs=1e-6)
    coarse = simulate(replace(scene, sweep=SweepPlan(distance_column="range_cm", resolution=1.0))).readings.distance
    assert np.all(coarse[np.isfinite(coarse)] == np.rint(coarse[np.isfinite(coarse)]))


def test_passes_alternate_only_if_both_ways() -> None:
    plan = SweepPlan(step_rad=math.radians(45.0), passes=3)
    one_way = simulate(Scene((A,), sweep=plan)).readings
    both = simulate(Scene((A,), sweep=replace(plan, both_ways=True))).readings
    assert one_way.angle.tolist() == [0.0, 45.0, 90.0, 135.0, 180.0] * 3
    assert both.angle[5:10].tolist() == [180.0, 135.0, 90.0, 45.0, 0.0]
    assert both.turning.tolist() == [1] * 5 + [-1] * 5 + [1] * 5
    assert both.sweep.tolist() == [0] * 5 + [1] * 5 + [2] * 5


# --- promises ------------------------------------------------------------------------------------------------------

ROOM = Scene(
    (Station("A", 0.5, 0.5, 0.7), Station("B", 1.8, 0.6, 2.2), Station("C", 1.0, 1.4, -1.0)),
    walls=(
        SceneWall(0.0, 0.0, 2.4, 0.0),
        SceneWall(2.4, 0.0, 2.4, 2.0, "rough"),
        SceneWall(2.4, 2.0, 0.0, 2.0),
        SceneWall(0.0, 2.0, 0.0, 0.0, lean_rad=0.03),
    ),
    posts=(ScenePost(1.0, 0.9, 0.08), ScenePost(1.5, 1.5, 0.12, half=True, heading_rad=-1.0)),
    boxes=(SceneBox(0.6, 1.3, 0.2, 0.1, 0.4),),
    ranger=Ranger(reach_m=3.0),
    noise=Noise(ghosts=True, double_bounce=True, crosstalk=0.2, slip=0.1),
)


def test_same_seed_same_bytes_and_another_seed_another_run() -> None:
    one, two, other = (simulate(ROOM, seed).readings for seed in (3, 3, 4))
    assert one.distance.tobytes() == two.distance.tobytes()
    assert one.distance.tobytes() != other.distance.tobytes()
    assert simulate(replace(ROOM, seed=3)).readings.distance.tobytes() == one.distance.tobytes()


def test_one_more_station_changes_nothing_for_the_others() -> None:
    fewer = simulate(replace(ROOM, stations=ROOM.stations[:2]), 3).readings
    assert simulate(ROOM, 3).readings.distance[: len(fewer)].tobytes() == fewer.distance.tobytes()


def test_progress_is_told_station_by_station() -> None:
    told: list[tuple[int, int]] = []
    simulate(ROOM, 1, lambda done, total: told.append((done, total)))
    assert told == [(1, 3), (2, 3), (3, 3)]


def moved(scene: Scene, dx: float, dy: float, turn: float) -> Scene:
    """Return the scene carried to another place of the floor and turned."""

    def at(x: float, y: float) -> tuple[float, float]:
        return (
            dx + math.cos(turn) * x - math.sin(turn) * y,
            dy + math.sin(turn) * x + math.cos(turn) * y,
        )

    def put(thing: Any) -> Any:
        x, y = at(thing.x_m, thing.y_m)
        return replace(thing, x_m=x, y_m=y, heading_rad=thing.heading_rad + turn)

    def wall(w: SceneWall) -> SceneWall:
        (x1, y1), (x2, y2) = at(w.x1_m, w.y1_m), at(w.x2_m, w.y2_m)
        return replace(w, x1_m=x1, y1_m=y1, x2_m=x2, y2_m=y2)

    return replace(
        scene,
        walls=tuple(map(wall, scene.walls)),
        posts=tuple(map(put, scene.posts)),
        boxes=tuple(map(put, scene.boxes)),
        stations=tuple(map(put, scene.stations)),
    )


@settings(max_examples=15, derandomize=True, deadline=None)
@given(dx=st.floats(-5.0, 5.0), dy=st.floats(-5.0, 5.0), turn=st.floats(-3.0, 3.0))
def test_readings_do_not_know_where_the_room_stands(dx: float, dy: float, turn: float) -> None:
    here, there = (simulate(scene, 3).readings.distance for scene in (ROOM, moved(ROOM, dx, dy, turn)))
    assert np.isfinite(here).tolist() == np.isfinite(there).tolist()
    some = np.isfinite(here)
    assert np.abs(here[some] - there[some]).max() <= 1.0  # at most the last microsecond


@settings(max_examples=15, derandomize=True, deadline=None)
@given(x=st.floats(-0.6, 0.6), y=st.floats(0.25, 0.7), diameter=st.floats(0.01, 0.2), seed=st.integers(0, 2**31))
def test_nothing_is_ever_heard_nearer_than_the_nearest_surface(x: float, y: float, diameter: float, seed: int) -> None:
    noise = Noise(stray=0.0, tail=0.0, range_sigma_m=0.0, range_sigma_share=0.0, echo_sigma_m=0.0)
    run = simulate(Scene((A,), posts=(ScenePost(x, y, diameter),), noise=noise), seed)
    assert np.min(ranges_m(run)) >= math.hypot(x, y) - 0.5 * diameter - 2e-4


def test_trace_names_the_cause_of_every_reading() -> None:
    traced = simulate_traced(ROOM, 3)
    assert len(traced.thing) == len(traced.kind) == len(traced.run.readings)
    assert set(traced.thing) <= {"", *ROOM.things()}
    assert all(bool(thing) == bool(kind) for thing, kind in zip(traced.thing, traced.kind, strict=True))
    assert {"post 1", "wall 2"} <= set(traced.heard()) <= set(ROOM.things())
    assert traced.heard(len(traced.thing)) == ()
    silent = np.isinf(traced.run.readings.distance)
    assert not any(thing for thing, quiet in zip(traced.thing, silent, strict=True) if quiet)


def test_claims_of_the_run_replace_the_truth() -> None:
    given_air, given_ranger, given_robot = Air(25.0), Ranger(reach_m=2.5), Robot(radius_m=0.2)
    stations = tuple(replace(s, x_m=s.x_m + 0.1) for s in ROOM.stations)
    scene = replace(
        ROOM, given_air=given_air, given_ranger=given_ranger, given_robot=given_robot, given_stations=stations
    )
    run = simulate(scene, 3)
    assert (run.air, run.ranger, run.robot, run.stations) == (given_air, given_ranger, given_robot, stations)
    assert run.readings.distance.tobytes() == simulate(ROOM, 3).readings.distance.tobytes()


def test_station_errors_have_the_stated_size() -> None:
    stations = tuple(Station(f"S{i}", 0.01 * i, 0.0, 0.0, 0.02, 0.03) for i in range(300))
    plan = SweepPlan(0.0, 0.2, 0.1)
    run = simulate(Scene(stations, sweep=plan, noise=Noise.none(station_errors=True)), 1)
    off = np.array([(c.x_m - s.x_m, c.y_m, c.heading_rad) for c, s in zip(run.stations, stations, strict=True)])
    assert off.std(axis=0) == pytest.approx([0.02, 0.02, 0.03], rel=0.15)
    assert simulate(Scene(stations, sweep=plan), 1).stations == stations


def test_records_refuse_what_cannot_be() -> None:
    for make in (
        lambda: SceneWall(0.0, 0.0, 0.0, 0.0),
        lambda: SceneWall(0.0, 0.0, 1.0, 0.0, "shiny"),
        lambda: ScenePost(0.0, 0.0, 0.0),
        lambda: SceneBox(0.0, 0.0, 0.1, -0.1),
        lambda: SweepPlan(step_rad=0.0),
        lambda: SweepPlan(passes=0),
        lambda: SweepPlan(distance_column="range_km"),
        lambda: SweepPlan(resolution=-1.0),
        lambda: Noise(dropout=1.5),
        lambda: Noise(beam="laser"),
        lambda: Scene(()),
        lambda: Scene((A,), given_stations=()),
    ):
        with pytest.raises(ValueError, match=r"\w"):
            make()


def test_empty_floor_is_silent() -> None:
    readings = simulate(Scene((A,), noise=QUIET)).readings
    assert np.isposinf(readings.distance).all()
    assert Scene((A,)).segments().shape == (0, 4)

"""Station poses from what stations share: geometry against slow twins and hand values; whole simulated runs."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sonargrid.arrays import Floats
from sonargrid.errors import SonargridError
from sonargrid.finding.echo_beam import Beam
from sonargrid.finding.echo_board import Board
from sonargrid.finding.echo_order import Thing
from sonargrid.finding.plateaus import find_plateaus
from sonargrid.finding.soundings import moved, pack
from sonargrid.physics.geometry import wrap
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Ranger, Readings, Run, Station
from sonargrid.simulation.scene import Noise, Scene, ScenePost, SceneWall, SweepPlan
from sonargrid.simulation.simulate import simulate
from sonargrid.stations.alignment import align_stations, refine_poses
from sonargrid.stations.landmarks import CORNER, POST, WALL, Landmarks, expected, find_landmarks, slopes
from sonargrid.stations.own_pings import OwnPings, capped_likelihoods, climbed, elsewhere, is_far, own_pings
from sonargrid.stations.pose_fit import fit_poses, solve_poses
from sonargrid.stations.pose_likelihood import (
    THING_NUDGES,
    _thing_slopes,
    from_poses,
    nudged,
    things_prior,
    with_poses,
)
from sonargrid.stations.sightings import Sightings, stated_poses

MARKS = Landmarks(
    np.array([WALL, WALL, WALL, POST, CORNER]),
    np.array([[0.0, 2.5, 0.0], [math.pi / 2, 2.6, 0.0], [math.pi, 0.0, 0.0], [1.0, 1.2, 0.04], [2.0, 0.8, 0.0]]),
)
TRUE = np.array([[0.5, 0.5, 0.6], [1.2, 0.4, 1.4], [2.0, 1.8, 2.5], [0.6, 2.0, 0.0]])
SIGMA = np.tile([0.03, 0.03, math.radians(5.0)], (4, 1))


def _perfect(poses: Floats = TRUE) -> Sightings:
    """Every landmark, heard by every station without noise, both edges free."""
    rows = []
    for s, pose in enumerate(poses):
        range_m, bearing = expected(MARKS, pose[None, 0], pose[None, 1])
        for f in range(len(MARKS)):
            half = math.radians(22.0 if MARKS.kind[f] == POST else 32.0)
            b = float(wrap(bearing[f, 0] - pose[2]))
            loud, quiet = math.radians(32.0), math.radians(22.0)
            rows.append((s, range_m[f, 0], 0.004, b + half, b - half, 1.0, 1.0, loud, quiet, 0.0, 0.0, 9))
    return Sightings(*np.array(rows).T)


def _rigid_error(poses: Floats) -> Floats:
    """What is left of errors when a shift and a turn of all stations are taken out (least squares, small angles)."""
    off = poses - TRUE
    middle = TRUE[:, :2].mean(axis=0)
    common = np.zeros((12, 3))
    common[0::3, 0] = common[1::3, 1] = common[2::3, 2] = 1.0
    common[0::3, 2], common[1::3, 2] = -(TRUE[:, 1] - middle[1]), TRUE[:, 0] - middle[0]
    fitted, *_ = np.linalg.lstsq(common, off.ravel(), rcond=None)
    return (off.ravel() - common @ fitted).reshape(-1, 3)


@given(st.integers(0, 4), st.floats(-1.0, 3.0), st.floats(-1.0, 3.0))
def test_slopes_are_those_of_what_is_expected(which: int, x: float, y: float) -> None:
    mark = MARKS.only(np.array([which]))
    range_m, _ = expected(mark, np.array([x]), np.array([y]))
    if abs(float(range_m[0, 0])) < 0.1:
        return  # at a landmark itself there is no slope
    by_face = slopes(mark, np.zeros(1, dtype=np.int64), np.array([x]), np.array([y]))
    h = 1e-6
    for axis in range(2):
        up, down = (
            expected(mark, np.array([x + s * h * (axis == 0)]), np.array([y + s * h * (axis == 1)])) for s in (1, -1)
        )
        assert by_face[0][0, axis] == pytest.approx((up[0] - down[0]).item() / (2 * h), abs=1e-5)
        assert by_face[1][0, axis] == pytest.approx(float(wrap((up[1] - down[1]).item())) / (2 * h), abs=1e-4)
    for number in range(3 if mark.kind[0] == POST else 2):
        up, down = (
            expected(Landmarks(mark.kind, mark.shape + s * h * (np.arange(3) == number)), np.array([x]), np.array([y]))
            for s in (1, -1)
        )
        assert by_face[2][0, number] == pytest.approx((up[0] - down[0]).item() / (2 * h), abs=1e-5)
        assert by_face[3][0, number] == pytest.approx(float(wrap((up[1] - down[1]).item())) / (2 * h), abs=1e-4)


@pytest.mark.parametrize("seed", range(5))
def test_without_noise_the_poses_come_back_but_for_a_common_shift_and_turn(seed: int) -> None:
    stated = TRUE + SIGMA * np.random.default_rng(seed).standard_normal(TRUE.shape)
    fit = fit_poses(_perfect(), stated, SIGMA)
    left = _rigid_error(fit.poses)
    # a turn of a couple of degrees leaves second-order terms of a millimetre in the linear comparison; five arcs tell a
    # heading to about 1.2 degrees, so the stated 5 degrees keep (1.2 / 5)^2, some 6 %, of a heading's error
    assert np.abs(left[:, :2]).max() < 0.003
    assert np.degrees(np.abs(left[:, 2])).max() < 0.06 * max(5.0, np.degrees(np.abs(stated - TRUE)[:, 2]).max()) + 0.05
    assert np.abs(_rigid_error(stated)[:, :2]).max() > 0.01


def test_the_mean_of_the_stated_poses_fixes_the_frame() -> None:
    stated = TRUE + np.array([0.05, -0.02, 0.0])
    fit = fit_poses(_perfect(), stated, SIGMA)
    assert fit.poses == pytest.approx(stated, abs=2e-3)


def test_a_surer_station_moves_less() -> None:
    """Two stations that disagree by 6 cm about a wall share it as the squares of their sigmas (explain aligning).

    Both stand at the same x, so that no turn of the wall explains the difference.
    """
    half = math.radians(30.0)
    arcs = [(s, r, 0.002, half, -half, 1, 1, half, 0.4, 0, 0, 9) for s, r in enumerate((1.50, 1.14))]
    stated = np.array([[0.3, 0.5, math.pi / 2], [0.3, 0.8, math.pi / 2]])
    sigma = np.array([[0.01, 0.01, 1e-4], [0.03, 0.03, 1e-4]])
    wall = Landmarks(np.array([WALL]), np.array([[math.pi / 2, 1.97, 0.0]]))
    fit = solve_poses(
        Sightings(*np.array(arcs).T), stated, sigma, stated.copy(), wall, np.tile([0.1, 0.1, 0.05], (2, 1))
    )
    moved_by = fit.poses[:, 1] - stated[:, 1]
    assert moved_by == pytest.approx([-0.006, 0.054], abs=0.001)


def test_landmarks_are_found_with_doubtful_poses() -> None:
    found = find_landmarks(_perfect(), TRUE, SIGMA)
    walls = found.shape[found.kind == WALL]
    for turn, rho, _ in MARKS.shape[:3]:
        near = np.hypot(wrap(walls[:, 0] - turn), walls[:, 1] - rho)
        assert near.min() < 0.02


def test_a_wall_turns_about_its_middle() -> None:
    wall = Thing("wall", (0.3, 1.5, -0.2, 1.0, 0.0))
    turned = nudged(wall, 0, 0.1)

    def middle(t: Thing) -> tuple[float, float]:
        turn, rho, low, high = t.shape[:4]
        m = 0.5 * (low + high)
        return rho * math.cos(turn) - m * math.sin(turn), rho * math.sin(turn) + m * math.cos(turn)

    assert middle(turned) == pytest.approx(middle(wall))
    assert turned.shape[3] - turned.shape[2] == pytest.approx(1.2)


def _bay(seed: int = 4, stray: str = "") -> tuple[Scene, Run]:
    """A bay of 2.4 x 2.0 m with two posts and five stations; the run is off by 1 cm and 2 degrees, or one by much."""
    rng = np.random.default_rng(seed)
    places = [(0.5, 0.4, 60.0), (1.9, 0.4, 120.0), (1.9, 1.6, -130.0), (0.5, 1.6, -50.0), (1.2, 0.35, 90.0)]
    given = tuple(
        Station(name, x, y, math.radians(h), 0.01, math.radians(2.0))
        for name, (x, y, h) in zip("ABCDE", places, strict=True)
    )
    true = tuple(
        replace(
            s,
            x_m=s.x_m + 0.01 * rng.standard_normal(),
            y_m=s.y_m + 0.01 * rng.standard_normal(),
            heading_rad=s.heading_rad + math.radians(2.0) * rng.standard_normal(),
        )
        for s in given
    )
    if stray:
        given = tuple(replace(s, x_m=s.x_m + 0.12, y_m=s.y_m - 0.09) if s.name == stray else s for s in given)
    ends = [(0.0, 0.0), (2.4, 0.0), (2.4, 2.0), (0.0, 2.0)]
    scene = Scene(
        true,
        walls=tuple(SceneWall(*ends[i], *ends[(i + 1) % 4]) for i in range(4)),
        posts=(ScenePost(1.2, 1.05, 0.08), ScenePost(0.8, 0.9, 0.05)),
        ranger=Ranger(reach_m=3.0),
        given_stations=given,
        sweep=SweepPlan(step_rad=math.radians(3.0)),
        noise=Noise(),
        seed=seed,
        title="A workshop bay",
    )
    return scene, simulate(scene)


def test_every_thing_that_stands_on_the_floor_moves_when_poses_do() -> None:
    # one kind held still would hold the stations that hear it
    placed = {kind for kind, _ in things_prior().penalty} - {"floor"}
    assert set(THING_NUDGES) == placed


def test_a_box_follows_the_stations_that_hear_it() -> None:
    _, run = _bay()
    soundings, _ = pack(calibrated(run), np.array([0, 1]))
    box = Thing("box", (1.2, 1.05, 0.3, 0.06, 0.04, 0.0))
    board = Board(soundings, Beam(), [Thing("wall", (math.pi / 2, 2.0, -2.4, 0.0, 0.0)), box])
    slopes, which = _thing_slopes(board)
    assert [number for thing, number in which if thing == 1] == [0, 1, 2, 3, 4]
    for column, (thing, number) in enumerate(which):
        sides = []
        for sign in (1.0, -1.0):
            things = list(board.things)
            nudge = THING_NUDGES[things[thing].kind][number]
            things[thing] = nudged(things[thing], number, sign * nudge)
            sides.append(np.concatenate(Board(soundings, Beam(), things).terms()))
        # terms agree to 1e-9, divided by a nudge of a millimetre
        assert slopes[:, column] == pytest.approx((sides[0] - sides[1]) / (2.0 * nudge), rel=1e-6, abs=1e-5)


def _one_station() -> tuple[Run, OwnPings, Board]:
    """One station of the bay, its pings and two of the things it hears."""
    _, run = _bay()
    soundings, _ = pack(calibrated(run), np.array([0]))
    own = own_pings(0, soundings, find_plateaus(calibrated(run), run.ranger))
    things = [Thing("wall", (math.pi / 2, 2.0, -2.4, 0.0, 0.0)), Thing("post", (1.2, 1.05, math.log(0.04), 0.0))]
    return run, own, Board(soundings, Beam(), things)


SHIFTS = np.array([[0.0, 0.0, 0.0], [0.02, -0.01, 0.05], [-0.03, 0.0, -0.1], [0.2, 0.1, 0.4]])


def test_many_poses_at_once_are_as_one_by_one() -> None:
    _, own, board = _one_station()
    without = replace(own, arc=np.full_like(own.arc, -1))
    slow = [Board(moved(own.soundings, one[None]), board.beam, board.things).likelihood() for one in SHIFTS]
    assert capped_likelihoods(board, without, SHIFTS) == pytest.approx(slow)
    assert from_poses(own.soundings, 0, SHIFTS).place_m.shape == (4, 2)


def test_what_an_arc_can_lose_is_capped_as_arc_by_arc() -> None:
    """A slow twin: ray by ray and echo by echo, what a thing of the station's own would make of each arc."""
    _, own, board = _one_station()
    beam, s = board.beam, own.soundings
    sure = 1.0 - beam.stray - beam.missed
    expected = []
    for one in SHIFTS:
        there = Board(moved(s, one[None]), beam, board.things)
        by_echo, by_ray = there.terms()
        rest = there.rest()
        value = float(by_ray @ s.silence + by_echo @ s.weight)
        lost = dict.fromkeys(range(int(own.arc.max()) + 1), 0.0)
        for h in range(s.ray.size):
            m, at = int(s.ray[h]), float(s.range_m[h])
            passed = math.prod(
                1.0 - float(rest.heard[row, m]) for row in range(len(rest.heard)) if rest.sorted_m[row, m] < at - 0.02
            )
            t5 = math.gamma(3.0) / (math.sqrt(5.0 * math.pi) * math.gamma(2.5))  # Student's t of 5 degrees at its top
            density = 0.6 * t5 / (beam.sigma_m + beam.sigma_share * at)
            causes = max(float(rest.plain.caused[-1, h]), passed * density)
            if own.arc[h] >= 0:
                told = math.log(beam.stray / s.reach_m + sure * causes)
                lost[int(own.arc[h])] += (told - float(by_echo[h])) * float(s.weight[h])
        expected.append(value + sum(max(0.0, one_arc - 9.0) for one_arc in lost.values()))
    assert len(lost) >= 4
    assert capped_likelihoods(board, own, SHIFTS) == pytest.approx(expected)


@given(st.integers(0, 2), st.floats(-0.3, 0.3))
def test_a_cube_of_steps_climbs_a_hill(axis: int, top: float) -> None:
    goal = np.zeros(3)
    goal[axis] = top
    found, value = climbed(lambda p: -np.sum((p - goal) ** 2, axis=1), np.zeros(3), np.full(3, 0.15), 8)
    assert np.abs(found - goal).max() < 0.005
    assert value > -1e-4


def test_a_station_set_down_elsewhere_hears_where_it_stood() -> None:
    """True things, one station stated 12 cm and 20 degrees off: its own pings alone lead it back."""
    scene, run = _bay()
    true = stated_poses(scene.stations)
    put = np.array([0.09, -0.08, math.radians(20.0)])
    stated = true.copy()
    stated[1] += put
    walls = [(0.0, 2.4, 0.0, 2.0), (math.pi / 2, 2.0, -2.4, 0.0), (0.0, 0.0, 0.0, 2.0), (math.pi / 2, 0.0, -2.4, 0.0)]
    things = [Thing("wall", (*wall, 0.0)) for wall in walls]
    things += [Thing("post", (p.x_m, p.y_m, math.log(0.5 * p.diameter_m), 0.0)) for p in scene.posts]
    pings = calibrated(with_poses(run, stated))
    soundings, _ = pack(pings, np.array([1]))
    own = own_pings(1, soundings, find_plateaus(pings, run.ranger))
    told = elsewhere(Board(soundings, Beam(), things), own, np.array([0.01, 0.01, math.radians(2.0)]))
    assert told.gain > 30.0
    assert told.away[:2] == pytest.approx(-put[:2], abs=0.03)
    assert told.away[2] == pytest.approx(-put[2], abs=math.radians(4.0))
    assert not is_far(told.home, np.array([0.0101, 0.0101, math.radians(2.01)]))


def test_the_station_that_strayed_is_named_though_it_is_the_first() -> None:
    scene, run = _bay(seed=3, stray="A")
    found = align_stations(run)
    assert [s.name for s, gross in zip(run.stations, found.gross, strict=True) if gross] == ["A"]
    true = stated_poses(scene.stations)
    before, after = (float(np.hypot(*(p[0, :2] - true[0, :2]))) for p in (found.before, found.after))
    assert before > 0.1
    assert after < 0.04
    assert any("A did not stand where the run says" in note for note in found.notes)
    assert found.run.stations[0].x_m == pytest.approx(found.after[0, 0])


def test_nobody_is_named_where_nobody_strayed() -> None:
    _, run = _bay(seed=5)
    found = align_stations(run)
    assert not found.gross.any()
    assert (found.sigmas[found.accepted] <= np.array([0.01, 0.01, math.radians(2.0)]) * 1.001).all()
    assert found.run.readings is run.readings


def test_it_refuses_with_reasons() -> None:
    rows = Readings("angle_deg", "range_m", [90.0] * 3, [0.5] * 3, [0] * 3, [0] * 3, [1] * 3)
    with pytest.raises(SonargridError, match="one station"):
        refine_poses(Run(rows))
    angles = np.tile(np.arange(0.0, 181.0, 3.0), 2)
    station = np.repeat([0, 1], 61)
    # each hears one post of its own, back to back, 4 m apart
    heard = np.where(np.abs(angles - 90.0) <= 24.0, 0.6, np.inf)
    apart = Run(
        Readings("angle_deg", "range_m", angles, heard, station, station, np.ones(122)),
        (Station("A", 0.0, 0.0, 0.0), Station("B", -4.0, 0.0, math.pi)),
    )
    with pytest.raises(SonargridError, match=r"share no wall, post or corner .*A 1, B 1"):
        refine_poses(apart)
    moving = replace(apart, moving=True)
    with pytest.raises(SonargridError, match="moving robot"):
        refine_poses(moving)


def test_the_run_alone_is_what_the_door_gives(monkeypatch: pytest.MonkeyPatch) -> None:
    import sonargrid
    import sonargrid.stations.alignment as room

    asked: list[Run] = []

    class Found:
        run = "the corrected run"

    def align(run: Run) -> type[Found]:
        asked.append(run)
        return Found

    monkeypatch.setattr(room, "align_stations", align)
    rows = Readings("angle_deg", "range_m", [90.0], [0.5], [0], [0], [1])
    assert sonargrid.refine_poses(Run(rows)) == "the corrected run"
    assert len(asked) == 1

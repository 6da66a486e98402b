"""What stands in a room, against the physics of targets in papers and textbooks: simulator, plateaus and blobs.

Also the statistics of an arc's middle and the labelling of blobs, against exact values and library examples.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from shapely.geometry import Point

from sonargrid.arrays import Floats, Ints
from sonargrid.finding.clusters import _blobs as blobs
from sonargrid.finding.plateaus import Plateau, find_plateaus
from sonargrid.maps.grid import GridFrame, LogOddsGrid
from sonargrid.physics.air import absorption_db_per_m
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Pings, Ranger, Readings, Run, Station
from sonargrid.simulation.room_echoes import room_echoes
from sonargrid.simulation.scene import Noise, Scene, ScenePost, SceneWall, SweepPlan
from sonargrid.simulation.simulate import simulate

HALF = math.radians(15.0)
LAST_BIT = 1e-9  # pings on the very edge of the beam belong inside, whatever the rounding
# a ranger without any error, with a hard-edged beam of 30 degrees: the geometry of the papers and nothing else
QUIET = Noise(
    threshold_db=-80.0,
    level_spread_db=0.0,
    fading_db=0.0,
    level_sigma_db=0.0,
    echo_sigma_m=0.0,
    range_sigma_m=0.0,
    range_sigma_share=0.0,
    late_m=0.0,
    dropout=0.0,
    stray=0.0,
    tail=0.0,
    angle_jitter_rad=0.0,
    beam="flat",
    flat_rad=HALF + LAST_BIT,
)
PLAN = SweepPlan(step_rad=math.radians(1.0), distance_column="range_m", resolution=0.0)
FAR = Ranger(reach_m=2.5, blind_zone_m=0.0)


def _heard(scene: Scene) -> tuple[Floats, Floats]:
    """Return (bearing off straight ahead [deg], range [m]) of the pings that came back."""
    pings = calibrated(simulate(scene))
    back = np.isfinite(pings.range_m)
    return np.degrees(pings.rays.head_rad[pings.ray])[back], pings.range_m[back]


def _scene(*things: SceneWall | ScenePost, at: Station | None = None) -> Scene:
    return Scene(
        stations=(Station("A") if at is None else at,),
        walls=tuple(t for t in things if isinstance(t, SceneWall)),
        posts=tuple(t for t in things if isinstance(t, ScenePost)),
        ranger=FAR,
        noise=QUIET,
        sweep=PLAN,
    )


def test_smooth_wall_is_a_region_of_constant_depth() -> None:
    # Leonard and Durrant-Whyte 1992 (from memory); Bozma and Kuc 1991: a smooth wall answers while the beam holds its
    # normal, always with the perpendicular: 31 readings of 100.0 cm at 1 degree steps and a 30 degree beam
    off, ranges = _heard(_scene(SceneWall(-3.0, 1.0, 3.0, 1.0)))
    assert off == pytest.approx(np.arange(-15.0, 16.0), abs=1e-6)
    assert ranges == pytest.approx(np.full(31, 1.0), abs=1e-9)
    # the geometric nearest point of the wall at the beam's edge is 3.53 cm farther: it is not what comes back
    assert 100.0 / math.cos(HALF) - 100.0 == pytest.approx(3.5276, abs=6e-5)


def test_headings_at_which_a_smooth_wall_answers() -> None:
    # normal at 0, beam 30 degrees wide, headings -40..40 step 10: only -10, 0 and 10 return (Bozma and Kuc 1991)
    off, _ = _heard(_scene(SceneWall(-3.0, 1.0, 3.0, 1.0)))
    answered = [h for h in range(-40, 41, 10) if np.any(np.abs(off - h) < 1e-6)]
    assert answered == [-10, 0, 10]


def test_a_slanted_wall_without_its_foot_is_silent() -> None:
    # the wall's line passes 1 m ahead, but the wall ends before the perpendicular: nothing specular comes back square
    # on; what is left is the weak free end, farther away than the perpendicular
    off, ranges = _heard(_scene(SceneWall(0.8, 1.0, 3.0, 1.0)))
    assert ranges.size == 0 or float(ranges.min()) >= math.hypot(0.8, 1.0) - 1e-6
    assert not np.any(np.abs(off) < 5.0)


def test_post_answers_from_its_near_face_over_one_beam() -> None:
    # a rolled A4 sheet, 297 mm round, 94.54 mm thick: near face at 100.0 cm, centre at 104.727 cm (nearest-point echo,
    # Kuc and Siegel 1987, from memory); a smooth cylinder is heard over exactly the beam: 31 readings
    diameter = 0.297 / math.pi
    off, ranges = _heard(_scene(ScenePost(0.0, 1.0 + diameter / 2.0, diameter)))
    assert 1.0 + diameter / 2.0 == pytest.approx(1.047269, abs=6e-7)
    assert off.size == 31
    assert ranges == pytest.approx(np.full(31, 1.0), abs=1e-6)
    circle = Point(0.0, 1.0 + diameter / 2.0).buffer(diameter / 2.0, 512)
    assert float(ranges[0]) == pytest.approx(circle.distance(Point(0.0, 0.0)), abs=1e-5)


def test_inside_corner_answers_from_its_point() -> None:
    # Kuc and Siegel 1987; Barshan and Kuc: the double bounce is as long as the way to the corner and back.  Seen from
    # (70, 40) cm: walls at 70 and 40, corner at 80.622577 cm
    walls = (SceneWall(0.0, 0.0, 3.0, 0.0), SceneWall(0.0, 0.0, 0.0, 3.0))
    scene = _scene(*walls, at=Station("A", 0.70, 0.40, math.pi))
    echoes = room_echoes(scene, np.array([0.70]), np.array([0.40]), 0.00858, 1.3)
    nearest = {kind: float(echoes.range_m[0, i]) for i, kind in enumerate(echoes.kind) if kind in ("wall", "corner")}
    walls_heard = sorted(float(echoes.range_m[0, i]) for i, kind in enumerate(echoes.kind) if kind == "wall")
    assert nearest["corner"] == pytest.approx(0.80622577, abs=1e-8)
    assert walls_heard == pytest.approx([0.40, 0.70], abs=1e-9)
    # in a sweep: straight at either wall its own range, in between the corner's
    off, ranges = _heard(scene)
    at_corner = math.degrees(math.atan2(0.40, 0.70))
    assert float(ranges[np.argmin(np.abs(off - at_corner))]) == pytest.approx(0.80622577, abs=1e-6)
    assert float(ranges[np.argmin(np.abs(off))]) == pytest.approx(0.70, abs=1e-9)


def test_first_echo_hides_the_farther_thing_beside_it() -> None:
    # two posts 10 degrees apart in a 30 degree beam: the far one alone is heard at 10 of its 30 degrees, exact
    near = ScenePost(0.0, 1.0, 0.02)
    far = ScenePost(1.5 * math.sin(math.radians(10.0)), 1.5 * math.cos(math.radians(10.0)), 0.02)
    off, ranges = _heard(_scene(near, far))
    only_far = off[ranges > 1.2]
    # half a step more or less, as the beam's edges fall on the steps
    assert only_far.size / 30.0 == pytest.approx(1.0 / 3.0, abs=0.5 / 30.0 + 1e-9)
    assert float(only_far.max()) < -15.0 + 1e-6


def test_wall_and_post_fade_as_the_textbook_says() -> None:
    # from 1 m to 3 m: 40 log 3 for a small thing, 20 log 3 for a wall (image source), plus absorption there and back:
    # 24.358 and 14.815 dB at 40 kHz, 20 degC, 50 % (Urick, from memory; ISO 9613-1)
    alpha = float(absorption_db_per_m(40000.0, 20.0, 50.0))

    def level(thing: SceneWall | ScenePost) -> float:
        echoes = room_echoes(_scene(thing), np.zeros(1), np.zeros(1), 0.00858, alpha)
        return float(echoes.level_db[0, np.argmin(np.where(echoes.level_db[0] > -150.0, echoes.range_m[0], 99.0))])

    wall = level(SceneWall(-3.0, 1.0, 3.0, 1.0)) - level(SceneWall(-3.0, 3.0, 3.0, 3.0))
    assert wall == pytest.approx(14.815, abs=0.01)
    thin = 0.001  # so thin that its face and its centre are as far away
    post = level(ScenePost(0.0, 1.0, thin)) - level(ScenePost(0.0, 3.0, thin))
    # a post is a line, not a point: between the two (a cylinder spreads 30 log r, textbook)
    assert 14.815 < post < 24.358
    assert post == pytest.approx(30.0 * math.log10(3.0) + 4.0 * alpha, abs=0.02)


def _arc(step_deg: float, width_deg: float, phase_deg: float) -> Plateau:
    """Return the plateau of a thing straight ahead that is heard over `width_deg`, on a grid of steps with a phase."""
    angle = np.arange(30.0, 150.0, step_deg) + phase_deg
    heard = np.where(np.abs(angle - 90.0) <= width_deg / 2.0, 1.0, math.inf)
    zero = np.zeros(angle.size, dtype=np.int32)
    ranger = Ranger(reach_m=2.0)
    run = Run(Readings("angle_deg", "range_m", angle, heard, zero, zero, zero + 1), ranger=ranger)
    pings: Pings = calibrated(run)
    (arc,) = find_plateaus(pings, ranger)
    return arc


@pytest.mark.parametrize(
    ("width_deg", "rms_deg", "worst_deg"),
    [(30.0, 0.866025, 1.5), (31.0, 0.499999, 1.0), (31.5, 0.433013, 0.75)],
)
def test_bearing_of_an_arcs_middle(width_deg: float, rms_deg: float, worst_deg: float) -> None:
    # exact: on a regular grid of steps d the two edges are tied together; RMS = sqrt((f^3 + (d - f)^3) / (12 d)) with
    # f = W mod d, here d = 3 degrees (own derivation, checked by scanning all phases); worst d/2 for f = 0, d/4 for d/2
    step, count = 3.0, 120
    phases = (np.arange(count) + 0.5) * step / count
    arcs = [_arc(step, width_deg, float(phase)) for phase in phases]
    errors = np.degrees([arc.bearing_rad for arc in arcs]) - 90.0
    f = width_deg % step
    assert rms_deg == pytest.approx(math.sqrt((f**3 + (step - f) ** 3) / (12.0 * step)), abs=1e-6)
    assert float(np.sqrt(np.mean(errors**2))) == pytest.approx(rms_deg, abs=2e-3)
    assert float(np.abs(errors).max()) == pytest.approx(worst_deg, abs=step / count)
    # the width of an arc is n d, which is right on average; (n - 1) d would be short by d
    assert float(np.mean([math.degrees(arc.width_rad) for arc in arcs])) == pytest.approx(width_deg, abs=0.03)
    # what the plateau claims of its bearing covers what the grid of steps does to it
    assert math.degrees(arcs[0].bearing_sigma_rad) > rms_deg


def test_blobs_hang_together_over_corners() -> None:
    # scikit-image's docstring of label: the 3 x 3 identity is one thing where corners count as touching
    assert _blobs_of(np.eye(3, dtype=int)) == 1
    # own example, also counted with scipy.ndimage: 18 cells in 5 things (9 if corners did not count)
    rows = ["1100100", "1100010", "0010001", "0001000", "1000011", "1101011", "0001000"]
    assert _blobs_of(np.array([[int(c) for c in row] for row in rows])) == 5


def _blobs_of(cells: Ints) -> int:
    """Return how many blobs the object finder sees in a picture of occupied cells."""
    evidence = np.where(cells > 0, 5.0, -5.0).astype(np.float32)
    grid = LogOddsGrid(GridFrame(0.01, (0, 0), *cells.shape), evidence, np.ones(cells.shape, dtype=np.uint32))
    labels, boxes = blobs(grid)
    assert len(boxes) == int(labels.max())
    return len(boxes)

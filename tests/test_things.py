"""The record of one found thing: what it refuses, what counts, where a wall ends."""

from __future__ import annotations

import math

import pytest

from sonargrid.finding.things import KINDS, Object


def thing(kind: str = "post", **more: float) -> Object:
    return Object(kind, **{**dict.fromkeys(PLACES, 0.5), "stations": 1, "readings": 9, **more})  # type: ignore[arg-type]


PLACES = ("x_m", "y_m", "x_sigma_m", "y_sigma_m", "xy_correlation", "nearest_m", "bearing_rad")


def test_posts_clusters_and_echoes_count_walls_and_corners_do_not() -> None:
    assert [kind for kind in KINDS if thing(kind).counted] == ["post", "cluster", "echo"]


def test_an_unknown_kind_and_a_missing_centre_are_refused() -> None:
    with pytest.raises(ValueError, match="kind must be one of post, cluster, echo, wall, corner, got 'chair'"):
        thing("chair")
    with pytest.raises(ValueError, match="the centre of an object is never empty"):
        thing(x_m=math.nan)


def test_a_wall_ends_half_its_width_to_both_sides_and_a_post_has_no_ends() -> None:
    ends = thing("wall", width_m=2.0, heading_rad=0.5 * math.pi).ends_m()
    assert ends[0] == pytest.approx((0.5, -0.5))
    assert ends[1] == pytest.approx((0.5, 1.5))
    with pytest.raises(ValueError, match="a post without width and direction has no ends"):
        thing().ends_m()

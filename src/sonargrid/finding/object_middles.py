"""Where the middle of a thing is that shows one station one side: every box that would sound so, weighed by all pings.

A face tells where it is and which way it looks, not how far it goes on nor how deep the thing is.  So boxes of all
likely sizes are put behind it, shifted along it, and turned an edge towards the station; each counts by how well it
explains the pings of all stations, silent ones too.  Floor axes [m].
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.finding.echo_board import Board
from sonargrid.finding.object_moves import Prior, side_of

TRIED = 480  # boxes; so many that another draw moves a middle by a few millimetres
ROUND, ROUND_RAD = 160, math.radians(8.0)  # posts, and how far their bearings spread
EDGES = 0.5  # this share of them turns an edge to the station
FOOT_RAD = math.radians(3.0)  # how well the bearing of the side that was heard is known
SIZE_SIGMA = 0.4  # of the log of half a width
SOFTENED = 5.0  # log likelihoods count less: the model's errors repeat from ping to ping


@cache
def _draws() -> Floats:
    """Return (TRIED, 6) numbers: five normal ones and an even one, the same at every call."""
    rng = np.random.default_rng(1)
    return np.column_stack([rng.standard_normal((TRIED, 5)), rng.uniform(-1.0, 1.0, TRIED)])


def boxes_behind(place: Floats, face_m: float, bearing_rad: float, size_m: float, gain_sigma_db: float) -> Floats:
    """Return (TRIED, 6) boxes whose nearest point to a place lies at a distance and about a bearing.

    Parameters
    ----------
    place : (2,) array
        Where the station stands [m].
    face_m, bearing_rad : float
        The nearest point.
    size_m : float
        Half a width, half a depth: what is likeliest.
    gain_sigma_db : float
        How much louder or quieter a thing is than physics says.
    """
    z = _draws()
    b = bearing_rad + FOOT_RAD * z[:, 0]
    half_w, half_d = size_m * np.exp(SIZE_SIGMA * z[:, 1]), size_m * np.exp(SIZE_SIGMA * z[:, 2])
    edge = np.arange(TRIED) < EDGES * TRIED
    # a face looks back at the station, its foot anywhere on it; of an edge both faces look past
    turn = np.where(edge, b - 0.25 * math.pi * (1.0 + z[:, 5]), b)
    deep, aside = half_d, np.where(edge, half_w, half_w * z[:, 5])
    # the depth lies along the turn for a face: width and depth swap their names there
    u, v = np.where(edge, half_w, deep), np.where(edge, half_d, aside)
    x = place[0] + face_m * np.cos(b) + u * np.cos(turn) - v * np.sin(turn)
    y = place[1] + face_m * np.sin(b) + u * np.sin(turn) + v * np.cos(turn)
    width, depth = np.where(edge, half_w, half_d), np.where(edge, half_d, half_w)
    return np.stack([x, y, turn, width, depth, gain_sigma_db * z[:, 3]], axis=1)


def posts_behind(place: Floats, face_m: float, bearing_rad: float, size_m: float, gain_sigma_db: float) -> Floats:
    """Return the same for posts, (ROUND, 4)."""
    z = _draws()[-ROUND:]
    b, radius = bearing_rad + ROUND_RAD * z[:, 4], size_m * np.exp(SIZE_SIGMA * z[:, 1])
    x, y = place[0] + (face_m + radius) * np.cos(b), place[1] + (face_m + radius) * np.sin(b)
    return np.stack([x, y, np.log(radius), gain_sigma_db * z[:, 3]], axis=1)


def middle_by_one(
    board: Board, members: tuple[int, ...], place: Floats, prior: Prior, size_m: float
) -> tuple[Floats, Floats]:
    """Return the mean (2,) and covariance (2, 2) of the middle of a thing that one place heard [m].

    Parameters
    ----------
    board : Board
        The finished fit.
    members : tuple of int
        The things of the fit that stand for it, the best heard first.
    place : (2,) array
        The station that heard it.
    prior : Prior
        Beliefs.
    size_m : float
        Half a width of an ordinary thing.
    """
    face, bearing = side_of(board.things[members[0]], place)
    boxes = boxes_behind(place, face, bearing, size_m, prior.gain_sigma_db)
    posts = posts_behind(place, face, bearing, size_m, prior.gain_sigma_db)
    rest = board.rest(list(members))
    versions = [board.versions("box", boxes), board.versions("post", posts)]
    value = np.concatenate(board.rate_all([rest], versions)) / SOFTENED
    weight = np.exp(value - value.max())
    weight[:TRIED] *= ROUND / TRIED  # boxes and posts are as likely
    weight /= weight.sum()
    middles = np.concatenate([boxes[:, :2], posts[:, :2]])
    mean = weight @ middles
    off = middles - mean
    return mean, (weight[:, None] * off).T @ off

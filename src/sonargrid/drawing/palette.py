"""The colours and type sizes that every picture of the project shares, in a light and a dark theme.

Evidence runs from free over unknown to occupied along one rising (dark theme: rising in light) scale, so the three
stay apart in grey and for every kind of colour vision; marks are told apart by shape first, by hue second.  sRGB,
0..255.  Nothing is drawn here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Pixels = NDArray[np.uint8]

TITLE_PX, TEXT_PX, SMALL_PX = 31, 21, 18  # the type scale, for pictures of about 1400 px
RAMP_STEPS = 255  # shades on each side of "no evidence"


@dataclass(frozen=True, slots=True)
class Theme:
    """One set of colours as ``#rrggbb``.

    free, unknown, occupied : the evidence scale
    page, ink, muted, rule : paper, text, quiet text, fine lines
    halo : what marks and words stand on, so that they read on any evidence
    station, thing, wall, arc : marks
    """

    name: str
    free: str
    unknown: str
    occupied: str
    page: str
    ink: str
    muted: str
    rule: str
    halo: str
    station: str
    thing: str
    wall: str
    arc: str


THEMES = {
    "light": Theme(
        name="light",
        free="#fff4da",
        unknown="#bcc7cf",
        occupied="#13202c",
        page="#ffffff",
        ink="#18242e",
        muted="#56636d",
        rule="#18242e",
        halo="#ffffff",
        station="#0b5aa6",
        thing="#bf3f0a",
        wall="#00695c",
        arc="#93479a",
    ),
    "dark": Theme(
        name="dark",
        free="#0c1115",
        unknown="#46535e",
        occupied="#ffe3ad",
        page="#192028",
        ink="#eef2f4",
        muted="#a9b5be",
        rule="#eef2f4",
        halo="#0c1115",
        station="#7cc0ff",
        thing="#ff9d66",
        wall="#52d3be",
        arc="#e09be6",
    ),
}


def theme_named(name: str) -> Theme:
    """Return a theme.

    Raises
    ------
    ValueError
        If there is none of that name.

    Examples
    --------
    >>> theme_named("light").page
    '#ffffff'
    """
    if name not in THEMES:
        raise ValueError(f"unknown theme {name!r}; known: {', '.join(THEMES)}")
    return THEMES[name]


def rgb(colour: str) -> tuple[int, int, int]:
    """Return ``#rrggbb`` as three numbers 0..255.

    >>> rgb("#ff8000")
    (255, 128, 0)
    """
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def to_linear(srgb: ArrayLike) -> NDArray[np.float64]:
    """Return sRGB values 0..255 as linear light 0..1; any shape (IEC 61966-2-1).

    >>> round(float(to_linear(188)), 3)
    0.503
    """
    c = np.asarray(srgb, dtype=np.float64) / 255.0
    return np.asarray(np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4))


def to_srgb(linear: ArrayLike) -> NDArray[np.float64]:
    """Return linear light 0..1 as sRGB values 0..255, not rounded; any shape (IEC 61966-2-1)."""
    c = np.clip(np.asarray(linear, dtype=np.float64), 0.0, 1.0)
    return np.asarray(255.0 * np.where(c <= 0.0031308, 12.92 * c, 1.055 * c ** (1 / 2.4) - 0.055))


def grey(srgb: ArrayLike) -> NDArray[np.float64]:
    """Return the relative luminance 0..1 of (..., 3) sRGB values (IEC 61966-2-1).

    >>> round(float(grey([255, 255, 255])), 6)
    1.0
    """
    return np.asarray(to_linear(srgb) @ np.array([0.2126, 0.7152, 0.0722]))


# Linear light <-> a space in which equal steps look equal: B. Ottosson, "A perceptual color space for image
# processing" (2020); figures from memory, the round trip is tested.
_TO_CONES = np.array(
    [
        [0.4122214708, 0.5363325363, 0.0514459929],
        [0.2119034982, 0.6806995451, 0.1073969566],
        [0.0883024619, 0.2817188376, 0.6299787005],
    ]
)
_TO_EVEN = np.array(
    [
        [0.2104542553, 0.7936177850, -0.0040720468],
        [1.9779984951, -2.4285922050, 0.4505937099],
        [0.0259040371, 0.7827717662, -0.8086757660],
    ]
)


def blend(first: str, second: str, share: ArrayLike) -> Pixels:
    """Return the (N, 3) colours that lie at shares 0..1 of the way between two, in steps that look even.

    >>> blend("#000000", "#ffffff", [0.0, 1.0]).tolist()
    [[0, 0, 0], [255, 255, 255]]
    """
    ends = np.cbrt(to_linear([rgb(first), rgb(second)]) @ _TO_CONES.T) @ _TO_EVEN.T
    t = np.asarray(share, dtype=np.float64)[:, None]
    cones = ((ends[0] + t * (ends[1] - ends[0])) @ np.linalg.inv(_TO_EVEN).T) ** 3
    return np.rint(to_srgb(cones @ np.linalg.inv(_TO_CONES).T)).astype(np.uint8)


@lru_cache(maxsize=8)
def ramp(theme: Theme) -> Pixels:
    """Return the (2 * RAMP_STEPS + 1, 3) evidence scale: free first, no evidence in the middle, occupied last."""
    steps = np.linspace(0.0, 1.0, RAMP_STEPS + 1)
    scale = np.concatenate([blend(theme.free, theme.unknown, steps), blend(theme.unknown, theme.occupied, steps)[1:]])
    scale.flags.writeable = False
    return scale


def _steepness(prior: float) -> float:
    """Return the power of the scale: evenly spaced probabilities, or opened up where little is believed occupied."""
    return 1.0 if prior >= 0.25 else 0.5


def probability_at(place: float, prior: float) -> float:
    """Return the probability whose colour lies at a place of the scale: -1 = free, 0 = unknown, 1 = occupied.

    >>> probability_at(0.5, 0.5), probability_at(0.0, 0.02), round(probability_at(0.5, 0.02), 3)
    (0.75, 0.02, 0.265)
    """
    part = math.pow(abs(place), 1.0 / _steepness(prior))
    return prior * (1.0 - part) if place < 0.0 else prior + (1.0 - prior) * part


def evidence_colours(probability: ArrayLike, prior: float, theme: Theme, touched: ArrayLike | None = None) -> Pixels:
    """Return the colour of each cell; the prior (what no evidence leaves) is the colour of "unknown".

    Parameters
    ----------
    probability : (rows, columns) array
        P(occupied), prior applied.
    prior : float
        Share of floor believed occupied beforehand, strictly between 0 and 1.
    theme : Theme
    touched : (rows, columns) array, optional
        0 where no reading reached: those cells are unknown, whatever their probability.

    Raises
    ------
    ValueError
        If a probability is not in 0..1.

    Examples
    --------
    >>> evidence_colours([[0.03]], 0.03, theme_named("light")).tolist() == [[list(rgb("#bcc7cf"))]]
    True
    """
    p = np.asarray(probability, dtype=np.float32)
    if p.size and not (p.min() >= 0.0 and p.max() <= 1.0):
        raise ValueError("probabilities must lie in 0..1")
    part = np.abs(np.where(p < prior, (p - prior) / prior, (p - prior) / (1.0 - prior)))
    towards = np.where(p < prior, -1.0, 1.0) * part ** _steepness(prior)
    place: NDArray[Any] = (np.rint(towards * RAMP_STEPS) + RAMP_STEPS).astype(np.int16)
    if touched is not None:
        place[np.asarray(touched) == 0] = RAMP_STEPS
    return np.asarray(ramp(theme)[place])

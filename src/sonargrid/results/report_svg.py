"""Pictures as SVG inside a page: they follow the page's theme, need no inline style, and carry places to point at.

Colours of the light theme become the page's own variables; rasters are kept in both themes and the page shows one.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from sonargrid.drawing.axes import View
from sonargrid.drawing.palette import THEMES, Theme
from sonargrid.drawing.shapes import Figure
from sonargrid.drawing.vector import figure_svg, xml_text
from sonargrid.finding.things import Object

# in this order: where two names share a colour in the light theme, the first one is used
COLOUR_NAMES = ("ink", "muted", "station", "thing", "wall", "arc", "unknown", "halo")
_COLOUR = re.compile(r'\b(fill|stroke)="(#[0-9a-f]{6})"')
_IMAGE = re.compile(r"<image [^>]*/>")
_CUT = re.compile(r'(id="|url\(#)cut-')
_SHARP = ' style="image-rendering:pixelated"'
HIT_PX = 20.0


def theme_rules(theme: Theme) -> str:
    """Return a theme's colours as the page's variables."""
    return "".join(f"--{name}:{getattr(theme, name)};" for name in COLOUR_NAMES)


def themed_svg(light: Figure, dark: Figure, name: str) -> str:
    """Return a picture that follows the page's theme.

    Parameters
    ----------
    light, dark : Figure
        The same picture in both themes.
    name : str
        Letters and digits; keeps the picture's own references apart from others' on the page.
    """
    known: dict[str, str] = {}
    for colour in COLOUR_NAMES:
        known.setdefault(getattr(THEMES["light"], colour), colour)
    # words between tags are kept as they are; within tags every quote and angle bracket of a string is escaped
    parts = re.split(r"(<[^>]*>)", figure_svg(light))
    others = iter(_IMAGE.findall(figure_svg(dark)))
    drawn = []
    for part in parts:
        if not part.startswith("<"):
            drawn.append(part)
        elif part.startswith("<image "):
            drawn += [_image(part, "on-light"), _image(next(others), "on-dark")]
        else:
            part = _COLOUR.sub(lambda m: f'{m[1]}="var(--{known[m[2]]})"' if m[2] in known else m[0], part)
            drawn.append(_CUT.sub(rf"\1cut-{name}-", part))
    return "".join(drawn).strip()


def _image(tag: str, sort: str) -> str:
    sharp = _SHARP in tag
    return tag.replace(_SHARP, "").replace("<image ", f'<image class="{sort}{" sharp" if sharp else ""}" ', 1)


def thing_words(number: int, thing: Object) -> str:
    """Return a thing's numbers as one line."""
    size = "" if math.isnan(thing.diameter_m) else f", {thing.diameter_m * 100:.1f} cm across"
    if not math.isnan(thing.width_m):
        size = f", {thing.width_m:.2f} m long" if thing.kind == "wall" else f", {thing.width_m * 100:.0f} cm wide"
    sigma = ""
    if math.isfinite(thing.x_sigma_m) and math.isfinite(thing.y_sigma_m):
        sigma = f", give or take {math.hypot(thing.x_sigma_m, thing.y_sigma_m) * 100:.1f} cm"
    sure = "" if math.isnan(thing.confidence) else f", {thing.confidence * 100:.0f} % sure"
    heard = f"; {thing.readings} readings from {thing.stations} station{'' if thing.stations == 1 else 's'}"
    return f"{number}: {thing.kind} at x {thing.x_m:.3f} m, y {thing.y_m:.3f} m{size}{sigma}{sure}{heard}"


def with_hits(svg: str, things: Sequence[Object], view: View, name: str) -> str:
    """Return a map's SVG with a place to point at for each thing, and its scale for the page's script."""
    hits = []
    for number, thing in enumerate(things, start=1):
        if view.shows(thing.x_m, thing.y_m):
            x, y = (float(part) for part in view.place(thing.x_m, thing.y_m))
            words = xml_text(thing_words(number, thing)).replace('"', "&quot;")
            hits.append(
                f'<g class="hit" data-thing="{name}-{number}" tabindex="0" role="button" aria-pressed="false"'
                f' aria-label="{words}"><circle cx="{x:.1f}" cy="{y:.1f}" r="{HIT_PX:g}"/></g>'
            )
    x0, y0 = view.origin_px
    left, top, right, bottom = view.box
    scale = (
        f'data-scale="{view.px_per_m:.6g}" data-x0="{x0:.3f}" data-y0="{y0:.3f}"'
        f' data-box="{left:g} {top:g} {right:g} {bottom:g}"'
    )
    opened = svg.replace("<svg ", f'<svg class="map" {scale} ', 1).replace('role="img"', 'role="group"', 1)
    return opened.removesuffix("</svg>") + f'<g class="hits">{"".join(hits)}</g></svg>'

"""A `Figure` as SVG 1.1: text stays text, rasters are embedded as PNG, every string is escaped.

One group a layer, with the layer's name as its class, so that a page can switch layers; no script, no outside
reference.
"""

from __future__ import annotations

import base64
import html
import re

from sonargrid.arrays import Floats
from sonargrid.drawing.raster import cells_png
from sonargrid.drawing.shapes import Box, Figure, Layer, Raster, Stroke, Words

FONTS = "Aileron, Helvetica, Arial, 'DejaVu Sans', sans-serif"
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def xml_text(text: str) -> str:
    """Return a text as it may stand between XML tags; characters that XML 1.0 forbids are left out.

    >>> xml_text("a<b>&\\x00")
    'a&lt;b&gt;&amp;'
    """
    return html.escape(_NOT_XML.sub("", text), quote=False)


def _attribute(text: str) -> str:
    return f'"{html.escape(_NOT_XML.sub("", text))}"'


def _path(points: Floats, closed: bool) -> str:
    places = " ".join(f"{x:.2f},{y:.2f}".replace(".00", "") for x, y in points.tolist())
    return f"M{places}" + ("Z" if closed else "")


def _stroke(mark: Stroke) -> str:
    look = f'fill="{mark.fill or "none"}"'
    if mark.line is not None:
        look += f' stroke="{mark.line}" stroke-width="{mark.width:g}" stroke-linecap="round" stroke-linejoin="round"'
    if mark.opacity < 1.0:
        look += f' opacity="{mark.opacity:g}"'
    path = f'<path d="{_path(mark.points, mark.closed)}" {look}'
    return f"{path}><title>{xml_text(mark.note)}</title></path>" if mark.note else f"{path}/>"


def _words(mark: Words) -> str:
    look = f'font-size="{mark.size}" fill="{mark.colour}" text-anchor="{mark.anchor}"'
    if mark.halo:
        look += f' stroke="{mark.halo}" stroke-width="6" stroke-linejoin="round" paint-order="stroke"'
    place = f'x="{mark.x:.2f}" y="{mark.y:.2f}"'
    if mark.turned:
        place += f' transform="rotate(-90 {mark.x:.2f} {mark.y:.2f})"'
    return f"<text {place} {look}>{xml_text(mark.text)}</text>"


def _raster(mark: Raster) -> str:
    left, top, right, bottom = mark.box
    kept = base64.b64encode(cells_png(mark.cells)).decode("ascii")
    # sharp cells where they are enlarged; there is no text in this picture that it could harm
    sharp = ' style="image-rendering:pixelated"' if mark.enlarged else ""
    return (
        f'<image x="{left:.2f}" y="{top:.2f}" width="{right - left:.2f}" height="{bottom - top:.2f}"'
        f' preserveAspectRatio="none"{sharp} href="data:image/png;base64,{kept}"/>'
    )


def _layer(layer: Layer) -> list[str]:
    if not layer.marks:
        return []
    cut = f' clip-path="url(#cut-{layer.name})"' if layer.clip is not None else ""
    lines = [f'<g class="{layer.name}"{cut}>']
    for mark in layer.marks:
        if isinstance(mark, Stroke):
            lines.append(_stroke(mark))
        else:
            lines.append(_words(mark) if isinstance(mark, Words) else _raster(mark))
    return [*lines, "</g>"]


def _cut(name: str, box: Box) -> str:
    left, top, right, bottom = box
    inside = f'<rect x="{left:g}" y="{top:g}" width="{right - left:g}" height="{bottom - top:g}"/>'
    return f'<clipPath id="cut-{name}">{inside}</clipPath>'


def figure_svg(figure: Figure) -> str:
    """Return a figure as an SVG document; the same figure always gives the same text."""
    cuts = [_cut(layer.name, layer.clip) for layer in figure.layers if layer.clip is not None and layer.marks]
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{figure.width}" height="{figure.height}"'
        f' viewBox="0 0 {figure.width} {figure.height}" role="img" aria-label={_attribute(figure.title)}'
        f' font-family="{FONTS}">',
        f"<title>{xml_text(figure.title)}</title>",
        f"<desc>{xml_text(figure.description)}</desc>",
        f"<defs>{''.join(cuts)}</defs>" if cuts else "",
        f'<rect width="{figure.width}" height="{figure.height}" fill="{figure.page}"/>',
    ]
    for layer in figure.layers:
        lines += _layer(layer)
    return "\n".join(line for line in [*lines, "</svg>", ""] if line != "") + "\n"

"""A `Figure` as PNG, and arrays of grey as PNG: the only place that knows the drawing library.

Thin lines are drawn four times larger in a small box of their own and shrunk into place: smooth edges without a
picture sixteen times the size.  Letters come from the font that the library carries, so they look the same on every
machine; a text with letters that it lacks is set in a system font that has them all, else spelled in plain letters.
"""

from __future__ import annotations

import io
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont, PngImagePlugin

from sonargrid.arrays import Floats
from sonargrid.drawing.palette import Pixels, rgb
from sonargrid.drawing.shapes import Box, Figure, Layer, Raster, Stroke, Words, bounds, overlaps

Font = ImageFont.FreeTypeFont | ImageFont.ImageFont

FINE = 4  # times larger that lines are drawn before they are shrunk
LARGE_PX = 30_000  # boxes above this are cut along their line, which is far less work
PIXELS_PER_INCH_M = 0.0254  # the library takes pixels per inch, the file holds pixels per metre
OTHER_FONTS = ("DejaVuSans.ttf", "NotoSans-Regular.ttf", "NotoSansCJK-Regular.ttc", "arialuni.ttf", "msyh.ttc")
PLAIN = str.maketrans({"–": "-", "—": "-", "−": "-", "×": "x", "·": ".", "‘": "'", "’": "'", "“": '"', "”": '"'})
FILM_FORMATS = ("GIF", "WEBP")
MOST_PIXELS_PER_METRE = 2**31 - 1  # PNG specification, pHYs


@lru_cache(maxsize=32)
def _own_font(size: int) -> Font:
    return ImageFont.load_default(size)


@lru_cache(maxsize=32)
def _other_font(name: str, size: int) -> Font | None:
    try:
        return ImageFont.truetype(name, size)
    except OSError:
        return None


@lru_cache(maxsize=2048)
def _has(name: str, letter: str) -> bool:
    font = _own_font(24) if not name else _other_font(name, 24)
    if font is None:
        return False
    missing, drawn = font.getmask("\uffff"), font.getmask(letter)
    return (drawn.size, bytes(drawn)) != (missing.size, bytes(missing))


@lru_cache(maxsize=1024)
def _setting(text: str, size: int) -> tuple[str, Font]:
    """Return the text as it can be set, and the font that has its letters."""
    if text.isascii():
        return text, _own_font(size)
    for name in ("", *OTHER_FONTS):
        if all(_has(name, letter) for letter in text if not letter.isspace()):
            font = _own_font(size) if not name else _other_font(name, size)
            if font is not None:
                return text, font
    parts = unicodedata.normalize("NFKD", text.translate(PLAIN))
    kept = (letter for letter in parts if not unicodedata.combining(letter))
    return "".join(letter if letter.isspace() or _has("", letter) else "?" for letter in kept), _own_font(size)


def text_width(text: str, size: int) -> float:
    """Return how wide a line of text is set [px].

    >>> text_width("mm", 20) > text_width("i", 20) > 0
    True
    """
    plain, font = _setting(text, size)
    return float(font.getlength(plain))


def shortened(text: str, size: int, width: float) -> str:
    """Return a text cut so that it fits a width [px], with three dots where something was cut.

    >>> shortened("Potting bench", 20, 1000.0)
    'Potting bench'
    """
    if text_width(text, size) <= width:
        return text
    for length in range(len(text) - 1, 0, -1):
        cut = text[:length].rstrip() + "..."
        if text_width(cut, size) <= width:
            return cut
    return ""


def folded(text: str, size: int, width: float) -> list[str]:
    """Return a text as lines that fit a width [px], broken between words.

    >>> folded("a room with a view", 20, 90.0)
    ['a room', 'with a', 'view']
    """
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and text_width(longer, size) > width:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines


def _clipped(box: Box, image: Image.Image, clip: Box | None) -> tuple[int, int, int, int] | None:
    left, top, right, bottom = box
    edges = (0.0, 0.0, float(image.width), float(image.height))
    if clip is not None:
        edges = (max(edges[0], clip[0]), max(edges[1], clip[1]), min(edges[2], clip[2]), min(edges[3], clip[3]))
    x0, y0 = max(int(np.floor(left)), round(edges[0])), max(int(np.floor(top)), round(edges[1]))
    x1, y1 = min(int(np.ceil(right)), round(edges[2])), min(int(np.ceil(bottom)), round(edges[3]))
    return (x0, y0, x1, y1) if x1 > x0 and y1 > y0 else None


def _paste(image: Image.Image, colour: str, box: tuple[int, int, int, int], mask: Image.Image, opacity: float) -> None:
    if opacity < 1.0:
        mask = mask.point([round(value * opacity) for value in range(256)])
    image.paste(rgb(colour), box, mask)


def _fill(image: Image.Image, stroke: Stroke, clip: Box | None) -> None:
    assert stroke.fill is not None
    box = _clipped(bounds(stroke.points), image, clip)
    if box is None:
        return
    whole = bool(np.all(stroke.points == np.rint(stroke.points)))
    if len(stroke.points) == 4 and whole and len(set(stroke.points[:, 0].tolist())) == 2:
        mask = Image.new("L", (box[2] - box[0], box[3] - box[1]), 255)
    else:
        large = Image.new("L", ((box[2] - box[0]) * FINE, (box[3] - box[1]) * FINE))
        points = (stroke.points - np.array(box[:2])) * FINE
        ImageDraw.Draw(large).polygon([tuple(point) for point in points.tolist()], fill=255)
        mask = large.reduce(FINE)
    _paste(image, stroke.fill, box, mask, stroke.opacity)


def _outline(image: Image.Image, points: Floats, stroke: Stroke, clip: Box | None) -> None:
    left, top, right, bottom = bounds(points)
    edge = stroke.width / 2 + 1.0
    box = _clipped((left - edge, top - edge, right + edge, bottom + edge), image, clip)
    if box is None or stroke.line is None:
        return
    if stroke.opacity == 1.0 and (box[2] - box[0]) * (box[3] - box[1]) > LARGE_PX and right - left + bottom - top > 9:
        if len(points) == 2:
            points = np.array([points[0], points.mean(axis=0), points[1]])
        middle = len(points) // 2
        _outline(image, points[: middle + 1], stroke, clip)
        _outline(image, points[middle:], stroke, clip)
        return
    large = Image.new("L", ((box[2] - box[0]) * FINE, (box[3] - box[1]) * FINE))
    pen, wide = ImageDraw.Draw(large), max(1, round(stroke.width * FINE))
    fine = [tuple(point) for point in ((points - np.array(box[:2])) * FINE).tolist()]
    pen.line(fine, fill=255, width=wide, joint="curve")
    for x, y in (fine[0], fine[-1]):
        pen.ellipse((x - wide / 2, y - wide / 2, x + wide / 2, y + wide / 2), fill=255)
    _paste(image, stroke.line, box, large.reduce(FINE), stroke.opacity)


def _stroke(image: Image.Image, stroke: Stroke, clip: Box | None) -> None:
    if stroke.fill is not None:
        _fill(image, stroke, clip)
    if stroke.line is not None:
        points = np.concatenate([stroke.points, stroke.points[:1]]) if stroke.closed else stroke.points
        _outline(image, points, stroke, clip)


def _words(image: Image.Image, words: Words) -> None:
    text, font = _setting(words.text, words.size)
    anchor = {"start": "ls", "middle": "ms", "end": "rs"}[words.anchor]
    if not words.turned:
        halo = {"stroke_width": 3, "stroke_fill": rgb(words.halo)} if words.halo else {}
        pen = ImageDraw.Draw(image)
        if halo:  # the letters again on top: their own edges stay as thin as without a halo
            pen.text((words.x, words.y), text, rgb(words.halo), font, anchor, **halo)  # type: ignore[arg-type]
        pen.text((words.x, words.y), text, rgb(words.colour), font, anchor)
        return
    wide, high = round(font.getlength(text)) + 2, 2 * words.size
    mask = Image.new("L", (wide, high))
    ImageDraw.Draw(mask).text((wide / 2, 1.5 * words.size), text, 255, font, "ms")
    mask = mask.transpose(Image.Transpose.ROTATE_90)
    image.paste(rgb(words.colour), (round(words.x - 1.5 * words.size), round(words.y - wide / 2)), mask)


def _cells(image: Image.Image, raster: Raster) -> None:
    left, top, right, bottom = (round(edge) for edge in raster.box)
    cells = Image.fromarray(np.ascontiguousarray(raster.cells))
    smaller = right - left < raster.cells.shape[1]
    how = Image.Resampling.NEAREST if raster.enlarged else Image.Resampling.BOX if smaller else None
    sized = cells.resize((right - left, bottom - top), Image.Resampling.BILINEAR if how is None else how)
    image.paste(sized.convert("RGB"), (left, top), sized.getchannel("A") if sized.mode == "RGBA" else None)


def figure_png(figure: Figure, colours: int | None = None) -> bytes:
    """Return a figure as PNG: 8-bit RGB, or with so many colours at most (2 to 256), which makes a smaller file."""
    image = Image.new("RGB", (figure.width, figure.height), rgb(figure.page))
    _draw(image, figure.layers)
    whole = io.BytesIO()
    if colours is not None:
        return _palette_png(image, colours)
    image.save(whole, "PNG", compress_level=4)  # level 6 takes three times as long for a twentieth less
    return whole.getvalue()


def _draw(image: Image.Image, layers: Iterable[Layer]) -> None:
    for layer in layers:
        for mark in layer.marks:
            if isinstance(mark, Raster):
                _cells(image, mark)
            elif isinstance(mark, Words):
                _words(image, mark)
            elif layer.clip is None or overlaps(_grown(bounds(mark.points), mark.width), layer.clip):
                _stroke(image, mark, layer.clip)


def film(
    ground: Figure, steps: Iterable[Sequence[Layer]], colours: Pixels, how: str, step_ms: int, last_ms: int
) -> bytes:
    """Return pictures in a row, as GIF or WebP that starts over at its end.

    Parameters
    ----------
    ground : Figure
        What stays; drawn once.
    steps : iterable of layers
        What is drawn on a copy of it, step by step.
    colours : (N, 3) array
        The only colours used, 256 at most: small files that do not flicker.
    how : str
        ``GIF`` or ``WEBP``.
    step_ms, last_ms : int
        How long each step and the last one stand [ms].

    Raises
    ------
    ValueError
        If there is no step, or the format is neither.
    """
    if how not in FILM_FORMATS:
        raise ValueError(f"a film is {' or '.join(FILM_FORMATS)}, got {how!r}")
    still = Image.new("RGB", (ground.width, ground.height), rgb(ground.page))
    _draw(still, ground.layers)
    palette = Image.new("P", (1, 1))
    palette.putpalette(np.ascontiguousarray(colours).tobytes())
    few = []
    for layers in steps:
        image = still.copy()
        _draw(image, layers)
        few.append(image.quantize(palette=palette, dither=Image.Dither.NONE))
    if not few:
        raise ValueError("a film needs at least one step")
    took = [step_ms] * (len(few) - 1) + [last_ms]
    whole = io.BytesIO()
    more = {"disposal": 1, "optimize": False} if how == "GIF" else {"lossless": True, "method": 3, "quality": 60}
    few[0].save(whole, how, save_all=True, append_images=few[1:], duration=took, loop=0, **more)
    return whole.getvalue()


def _grown(box: Box, by: float) -> Box:
    return box[0] - by, box[1] - by, box[2] + by, box[3] + by


def cells_png(
    cells: Pixels | NDArray[np.uint8], pixels_per_metre: int | None = None, text: Mapping[str, str] | None = None
) -> bytes:
    """Return (rows, columns) grey or (rows, columns, 3 or 4) colours as PNG, row 0 at the top; no clock time.

    Parameters
    ----------
    cells : uint8 array
    pixels_per_metre : int, optional
        Goes into pHYs (PNG specification); left out where it is not 1 to 2^31 - 1.
    text : mapping, optional
        Keywords (1 to 79 Latin-1 characters) and their text.
    """
    notes = PngImagePlugin.PngInfo()
    for keyword, value in (text or {}).items():
        notes.add_text(keyword, value.replace("\0", "").replace("\r\n", "\n"))
    more = {}
    if pixels_per_metre is not None and 1 <= pixels_per_metre <= MOST_PIXELS_PER_METRE:
        more["dpi"] = (pixels_per_metre * PIXELS_PER_INCH_M,) * 2
    whole = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(cells)).save(whole, "PNG", pnginfo=notes, compress_level=6, **more)
    return whole.getvalue()


def _palette_png(image: Image.Image, colours: int) -> bytes:
    whole = io.BytesIO()
    few = image.quantize(colours, Image.Quantize.MEDIANCUT, kmeans=2, dither=Image.Dither.NONE)
    few.save(whole, "PNG", optimize=True)
    return whole.getvalue()


def smaller_png(content: bytes, colours: int = 256) -> bytes:
    """Return a PNG with a palette of so many colours at most (2 to 256), if that is smaller."""
    with Image.open(io.BytesIO(content)) as image:
        few = _palette_png(image.convert("RGB"), colours)
    return few if len(few) < len(content) else content


def png_pixels(content: bytes) -> Pixels:
    """Return the (rows, columns, 3) pixels of a PNG, row 0 at the top."""
    with Image.open(io.BytesIO(content)) as image:
        return np.asarray(image.convert("RGB"))

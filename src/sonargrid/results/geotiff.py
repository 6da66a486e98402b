"""A grid as a tiled GeoTIFF, for geographic information systems: log-odds, and touch counts as a second image.

Open standards: TIFF 6.0, BigTIFF, OGC GeoTIFF 1.1 (19-008r4); the tag for "nothing known" is GDAL_NODATA (42113).  The
floor is a local system in metres, x right and y up; the image's first row is the northern one.  Tiles that no reading
reached are left out of the file.  Needs the extra `geotiff`.
"""

from __future__ import annotations

import io
import zlib
from collections.abc import Iterator

import numpy as np

from sonargrid import __version__
from sonargrid.errors import SonargridError
from sonargrid.maps.grid import GridFrame, LogOddsGrid
from sonargrid.maps.tiled_grid import TiledGrid, tile_of
from sonargrid.maps.wedge_pings import TILE, tile_span

MODEL_PIXEL_SCALE, MODEL_TIEPOINT, GEO_KEY_DIRECTORY, GEO_ASCII_PARAMS, NODATA = 33550, 33922, 34735, 34737, 42113
ASCII, SHORT, DOUBLE = 2, 3, 12  # TIFF 6.0 field types
USER_DEFINED, PIXEL_IS_AREA, METRE = 32767, 1, 9001  # GeoTIFF 1.1; 9001 is EPSG's metre
CITATION = "local floor axes in metres, x right, y up|"
LARGE_BYTES = 2**31  # classic TIFF ends at 4 GB; from half of that on, BigTIFF


def geotiff_bytes(grid: LogOddsGrid | TiledGrid, title: str = "") -> bytes:
    """Return a grid as GeoTIFF: image 0 log-odds (float32, NaN = never reached), image 1 touch counts (uint32).

    Parameters
    ----------
    grid : LogOddsGrid or TiledGrid
    title : str
        For the description.

    Raises
    ------
    SonargridError
        If tifffile is not installed.
    """
    try:
        import tifffile
    except ImportError:
        raise SonargridError(
            "a GeoTIFF needs the extra `geotiff`", hint="python -m pip install 'sonargrid[geotiff]'"
        ) from None
    frame = _whole_tiles(grid.frame)
    places = frame.rows * frame.columns // TILE**2
    kept = (len(grid.tiles) if isinstance(grid, TiledGrid) else places) * TILE * TILE * 8 + places * 32
    out = io.BytesIO()
    words = f"{' '.join(title.split())}: " if title else ""
    with tifffile.TiffWriter(out, byteorder="<", bigtiff=kept > LARGE_BYTES) as writer:
        for name, kind, nothing in (("log_odds", np.float32, "nan"), ("touched", np.uint32, "0")):
            writer.write(
                _image_tiles(grid, frame, name),
                shape=frame.shape,
                dtype=kind,
                tile=(TILE, TILE),
                compression="zlib",
                photometric="minisblack",
                metadata=None,
                software=f"sonargrid {__version__}",
                description=f"{words}{name} of occupancy, {'natural log' if name == 'log_odds' else 'readings a cell'}",
                extratags=[*_where(frame), (NODATA, ASCII, 0, nothing, True)],
            )
    return out.getvalue()


def _whole_tiles(frame: GridFrame) -> GridFrame:
    """Return the frame of whole tiles round a frame: a tile of the grid is then a tile of the image."""
    (bottom, left), (last_row, last_column) = tile_span(frame)
    top, right = last_row + 1, last_column + 1
    return GridFrame(frame.cell_m, (left * TILE, bottom * TILE), (top - bottom) * TILE, (right - left) * TILE)


def _image_tiles(grid: LogOddsGrid | TiledGrid, frame: GridFrame, name: str) -> Iterator[bytes]:
    """Yield the image's tiles, deflated, northern row first; no bytes at all = not in the file."""
    left, bottom = (corner // TILE for corner in frame.corner_cells)
    for row in reversed(range(bottom, bottom + frame.rows // TILE)):
        for column in range(left, left + frame.columns // TILE):
            tile = grid.tiles.get((row, column)) if isinstance(grid, TiledGrid) else tile_of(grid, (row, column))
            if tile is None:
                yield b""
                continue
            cells = tile.touched[::-1].astype("<u4")
            if name == "log_odds":
                cells = np.where(cells > 0, tile.log_odds[::-1], np.float32(np.nan)).astype("<f4")
            yield zlib.compress(cells.tobytes())


def _where(frame: GridFrame) -> list[tuple[int, int, int, object, bool]]:
    """Return the GeoTIFF tags: size of a pixel, where the image's north-western corner lies, in what system."""
    cell = frame.cell_m
    north = (frame.corner_cells[1] + frame.rows) * cell
    keys = (
        *(1, 1, 1, 4),  # version 1.1 of the directory, four keys
        *(1024, 0, 1, USER_DEFINED),  # GTModelTypeGeoKey: no map projection
        *(1025, 0, 1, PIXEL_IS_AREA),  # GTRasterTypeGeoKey
        *(1026, GEO_ASCII_PARAMS, len(CITATION), 0),  # GTCitationGeoKey
        *(3076, 0, 1, METRE),  # ProjLinearUnitsGeoKey
    )
    return [
        (MODEL_PIXEL_SCALE, DOUBLE, 3, (cell, cell, 0.0), True),
        (MODEL_TIEPOINT, DOUBLE, 6, (0.0, 0.0, 0.0, frame.corner_m[0], north, 0.0), True),
        (GEO_KEY_DIRECTORY, SHORT, len(keys), keys, True),
        (GEO_ASCII_PARAMS, ASCII, 0, CITATION, True),
    ]

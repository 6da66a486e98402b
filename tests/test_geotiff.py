"""grid.tif against the open standards' own numbers: TIFF 6.0, BigTIFF, OGC GeoTIFF 1.1 (19-008r4)."""

from __future__ import annotations

import io
import struct
import sys

import numpy as np
import pytest
import tifffile

from sonargrid.errors import SonargridError
from sonargrid.maps.grid import GridFrame, LogOddsGrid
from sonargrid.maps.tiled_grid import TiledGrid
from sonargrid.maps.wedge_pings import TILE
from sonargrid.results import geotiff
from sonargrid.results.geotiff import geotiff_bytes

FRAME = GridFrame(0.02, (-300, -40), 90, 400)


def grid() -> LogOddsGrid:
    rng = np.random.default_rng(2)
    touched = rng.integers(0, 3, FRAME.shape)
    touched[:, 300:] = 0
    return LogOddsGrid(FRAME, np.where(touched > 0, rng.normal(size=FRAME.shape), 0.0), touched, {"solver": "joint"})


def opened(content: bytes) -> tifffile.TiffFile:
    return tifffile.TiffFile(io.BytesIO(content))


@pytest.mark.parametrize("tiled", [False, True])
def test_every_cell_lies_where_the_tags_say(tiled: bool) -> None:
    one = LogOddsGrid(FRAME, np.rint(grid().log_odds * 2**14) / 2**14, grid().touched)  # what tiles can hold
    with opened(geotiff_bytes(TiledGrid.of(one) if tiled else one)) as file:
        log_odds, touched = (page.asarray() for page in file.pages)
        scale, tie = (file.pages[0].tags[code].value for code in (33550, 33922))
    assert scale == (0.02, 0.02, 0.0) and tie[:3] == (0.0, 0.0, 0.0)
    row, column = np.nonzero(one.touched)
    x, y = FRAME.centre_of(row, column)
    # raster to model space, GeoTIFF 1.1 annex B.6: X = (i - I) * Sx + Xt, Y = -(j - J) * Sy + Yt; pixels are areas
    i, j = ((x - tie[3]) / scale[0]).astype(int), ((tie[4] - y) / scale[1]).astype(int)
    assert np.array_equal(log_odds[j, i], one.log_odds[row, column])
    assert np.array_equal(touched[j, i], one.touched[row, column])
    assert np.count_nonzero(~np.isnan(log_odds)) == row.size == np.count_nonzero(touched)


def test_the_keys_say_a_local_system_in_metres() -> None:
    with opened(geotiff_bytes(grid(), "Potting  bench")) as file:
        for page, nothing in zip(file.pages, ("nan", "0"), strict=True):
            keys = np.array(page.tags[34735].value).reshape(-1, 4)
            assert keys[0].tolist() == [1, 1, 1, len(keys) - 1]
            assert list(keys[1:, 0]) == sorted(keys[1:, 0])  # the standard wants them sorted
            values = {int(key): (int(place), int(count), int(value)) for key, place, count, value in keys[1:]}
            assert values[1024] == (0, 1, 32767)  # model type: user-defined
            assert values[1025] == (0, 1, 1)  # pixel is area
            assert values[3076] == (0, 1, 9001)  # EPSG: metre
            place, count, first = values[1026]
            assert place == 34737 and page.tags[34737].value[first : first + count].endswith("y up|")
            assert page.tags[42113].value == nothing
            assert page.description.startswith("Potting bench: ")
            assert (page.tilewidth, page.tilelength) == (TILE, TILE) and page.compression == 8


def test_tiles_without_a_reading_are_not_in_the_file() -> None:
    with opened(geotiff_bytes(grid())) as file:
        counts = file.pages[0].databytecounts
    assert 0 in counts and any(counts)
    far = GridFrame(0.01, (-10_000, -10_000), 20_000, 20_000)
    spot = LogOddsGrid(GridFrame(0.01, (0, 0), 1, 1), np.ones((1, 1)), np.ones((1, 1)))
    content = geotiff_bytes(TiledGrid.of(spot, far))
    assert len(content) < 400_000  # 400 million cells
    with opened(content) as file:
        assert file.pages[0].shape == (20_480, 20_480)
        assert sum(1 for count in file.pages[0].databytecounts if count) == 1


def test_files_that_may_grow_large_are_bigtiff(monkeypatch: pytest.MonkeyPatch) -> None:
    # BigTIFF's version number is 43, TIFF's 42 (TIFF 6.0 section 2; the BigTIFF proposal)
    assert struct.unpack("<2sH", geotiff_bytes(grid())[:4]) == (b"II", 42)
    monkeypatch.setattr(geotiff, "LARGE_BYTES", 1000)
    content = geotiff_bytes(grid())
    assert struct.unpack("<2sH", content[:4]) == (b"II", 43)
    with opened(content) as file:
        assert file.is_bigtiff and np.count_nonzero(file.pages[1].asarray()) == np.count_nonzero(grid().touched)


def test_the_same_grid_gives_the_same_bytes() -> None:
    assert geotiff_bytes(grid()) == geotiff_bytes(grid())


def test_without_the_library_the_extra_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "tifffile", None)
    with pytest.raises(SonargridError, match="extra `geotiff`") as problem:
        geotiff_bytes(grid())
    assert "sonargrid[geotiff]" in problem.value.faults[0].hint

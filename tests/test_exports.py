"""objects.csv, grid.png, grid.pgw, summary.json, and the folder that appears whole or not at all."""

from __future__ import annotations

import csv
import errno
import io
import json
import math
import os
import struct
import zlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from sonargrid.drawing.raster import cells_png
from sonargrid.errors import OutputProblem
from sonargrid.finding.things import Object
from sonargrid.maps.grid import GridFrame, LogOddsGrid
from sonargrid.maps.mapping import Map, build_map
from sonargrid.results import exports, out_folder
from sonargrid.results.exports import (
    COLUMNS,
    default_out,
    grid_png,
    look_at_out,
    object_row,
    objects_csv,
    plain,
    safe_cell,
    summary,
    summary_json,
    world_file,
    write_outputs,
)
from sonargrid.runs.readings import Readings, Run

QUICK = settings(max_examples=60, deadline=None, derandomize=True)


def post(**more: object) -> Object:
    values: dict[str, object] = {
        "kind": "post", "x_m": 0.5, "y_m": -0.25, "x_sigma_m": 0.01, "y_sigma_m": 0.02, "xy_correlation": -0.5,
        "nearest_m": 0.7, "bearing_rad": math.radians(30.0), "stations": 3, "readings": 41,
    }  # fmt: skip
    return Object(**{**values, **more})  # type: ignore[arg-type]


def small_map(path: str = "bench") -> Map:
    rows = Readings("angle_deg", "range_cm", [60.0, 90.0, 120.0], [50.0, math.inf, 50.0], [0] * 3, [0] * 3, [1] * 3)
    run = Run(rows, name="bench", title="Potting bench", path=path, digest="ab12", assumed=("air.temperature_sigma_c",))
    return build_map(run, beam="cone", cell_m=0.05)


def chunks(content: bytes) -> list[tuple[bytes, bytes]]:
    """Return (type, data) of a PNG's chunks; length and CRC are checked on the way."""
    assert list(content[:8]) == [137, 80, 78, 71, 13, 10, 26, 10]  # PNG specification (W3C), 5.2
    found, at = [], 8
    while at < len(content):
        (length,) = struct.unpack(">I", content[at : at + 4])
        name, data = content[at + 4 : at + 8], content[at + 8 : at + 8 + length]
        (kept,) = struct.unpack(">I", content[at + 8 + length : at + 12 + length])
        assert kept == zlib.crc32(name + data)
        found.append((name, data))
        at += 12 + length
    return found


# --- objects.csv -------------------------------------------------------------------------------------------------


def test_columns_stand_in_the_agreed_order() -> None:
    wanted = (
        "id,kind,x_m,y_m,diameter_m,width_m,heading_deg,x_sigma_m,y_sigma_m,xy_correlation,diameter_sigma_m,"
        "nearest_m,bearing_deg,confidence,stations,readings"
    )
    assert objects_csv([]) == wanted + "\r\n"
    assert ",".join(COLUMNS) == wanted


def test_a_row_has_fixed_decimals_and_empty_cells_where_the_data_do_not_say() -> None:
    text = objects_csv([post(diameter_m=0.05, diameter_sigma_m=0.004, confidence=0.93), post(kind="echo", stations=1)])
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert text.split("\r\n")[1] == (
        "1,post,0.5000,-0.2500,0.0500,,,0.01000,0.02000,-0.5000,0.00400,0.7000,30.00,0.9300,3,41"
    )
    assert [row["id"] for row in rows] == ["1", "2"]
    assert all(rows[1][name] == "" for name in ("diameter_m", "width_m", "heading_deg", "confidence"))
    assert "nan" not in text and "\n" not in text.replace("\r\n", "")


def test_records_end_in_crlf_and_quotes_are_doubled() -> None:
    # RFC 4180 (Shafranovich 2005), section 2: CRLF, quoted commas, doubled quotes; the example values are our own
    whole = io.StringIO(newline="")
    csv.writer(whole).writerow([1, 'x"y', "p,q"])
    assert whole.getvalue() == '1,"x""y","p,q"\r\n'
    assert next(csv.reader(['a,"b,c","d""e"'])) == ["a", "b,c", 'd"e']
    assert objects_csv([post()]).endswith("\r\n") and objects_csv([post()]).count("\r\n") == 2


def test_ids_can_be_those_of_the_whole_list() -> None:
    assert objects_csv([post(), post()], [4, 9]).split("\r\n")[2].startswith("9,post")
    with pytest.raises(ValueError, match="zip"):
        objects_csv([post()], [1, 2])


@pytest.mark.parametrize(
    ("kind", "heading_deg", "shown"),
    [("wall", 180.0, 0.0), ("wall", 179.999, 0.0), ("wall", -0.001, 0.0), ("wall", 90.0, 90.0), ("wall", 359.9, 179.9),
     ("cluster", 180.0, -180.0), ("cluster", 179.999, -180.0), ("cluster", -45.0, -45.0)],
)  # fmt: skip
def test_directions_stay_in_their_range_after_rounding(kind: str, heading_deg: float, shown: float) -> None:
    row = object_row(post(kind=kind, width_m=1.0, heading_rad=math.radians(heading_deg)), 1)
    assert row["heading_deg"] == pytest.approx(shown, abs=1e-9)
    assert "-0.00" not in objects_csv([post(kind=kind, width_m=1.0, heading_rad=math.radians(heading_deg))])


@QUICK
@given(angle=st.floats(-50.0, 50.0), x=st.floats(-100.0, 100.0), half=st.booleans())
def test_every_angle_put_out_lies_in_range(angle: float, x: float, half: bool) -> None:
    thing = post(kind="wall" if half else "cluster", bearing_rad=angle, heading_rad=angle, width_m=0.6, x_m=x)
    row = object_row(thing, 1)
    low, high = (0.0, 180.0) if half else (-180.0, 180.0)
    assert low <= row["heading_deg"] < high and -180.0 <= row["bearing_deg"] < 180.0
    turns = 180.0 if half else 360.0
    gap = (math.degrees(angle) - row["heading_deg"]) % turns
    assert min(gap, turns - gap) <= 0.005 + 1e-9
    assert abs(row["x_m"] - x) <= 0.5e-4 + 1e-12


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)"])
def test_text_that_a_spreadsheet_would_run_gets_an_apostrophe(text: str) -> None:
    assert safe_cell(text) == "'" + text
    assert safe_cell("a" + text) == "a" + text and safe_cell("") == ""


# --- grid.png and its world file ---------------------------------------------------------------------------------


def a_grid(cell_m: float = 0.02) -> LogOddsGrid:
    log_odds = np.array([[0.0, 3.0, -3.0], [0.0, 40.0, -40.0]], dtype=np.float32)
    touched = np.array([[0, 1, 1], [2, 1, 1]], dtype=np.uint32)
    return LogOddsGrid(GridFrame(cell_m, (-1, 4), 2, 3), log_odds, touched)


def test_grey_is_255_times_one_minus_probability_north_up() -> None:
    grid = a_grid()
    with Image.open(io.BytesIO(grid_png(grid))) as image:
        assert image.mode == "L" and image.size == (3, 2)
        grey = np.asarray(image)
    probability = grid.probability()
    # row 0 of the grid is the southern edge, so it is the picture's last
    assert grey[1].tolist() == [128, *np.rint(255 * (1 - probability[0, 1:])).astype(int).tolist()]
    assert grey[0].tolist() == [128, 0, 255]


def test_no_evidence_is_128_like_what_no_reading_reached() -> None:
    # 255 * 0.5 = 127.5: floor gives 127, IEEE 754 round-half-even 128; arithmetic
    assert [math.floor(127.5), round(127.5)] == [127, 128]
    with_prior = LogOddsGrid(GridFrame(0.1, (0, 0), 1, 2), np.zeros((1, 2)), np.array([[0, 1]]), {"prior": 0.02})
    with Image.open(io.BytesIO(grid_png(with_prior))) as image:
        assert np.asarray(image).tolist() == [[128, 250]]  # untouched; touched without evidence = the prior


def test_png_signature_and_chunk_sums() -> None:
    # PNG specification (W3C, ISO/IEC 15948): CRC of an empty IEND, and of IHDR 1 x 1, 8 bit, RGB (annotated hex dumps)
    assert zlib.crc32(b"IEND") == 0xAE426082
    assert zlib.crc32(b"IHDR" + bytes.fromhex("00000001000000010802000000")) == 0x907753DE
    one = chunks(cells_png(np.zeros((1, 1, 3), dtype=np.uint8)))
    assert one[0] == (b"IHDR", bytes.fromhex("00000001000000010802000000"))
    assert one[-1] == (b"IEND", b"")


@pytest.mark.parametrize(("dpi", "per_metre"), [(72, 2835), (96, 3780), (150, 5906), (300, 11811), (600, 23622)])
def test_pixels_per_metre_are_kept_exactly(dpi: int, per_metre: int) -> None:
    # G. Roelofs, PNG: The Definitive Guide, chapter 11 (600 dpi -> 23622); 0.0254 m in an inch
    assert round(dpi / 0.0254) == per_metre
    found = chunks(cells_png(np.zeros((1, 1), dtype=np.uint8), per_metre))
    assert dict(found)[b"pHYs"] == struct.pack(">IIB", per_metre, per_metre, 1)
    names = [name for name, _ in found]
    assert names.index(b"pHYs") < names.index(b"IDAT")  # PNG specification, chunk order


def test_the_size_chunk_is_nine_bytes() -> None:
    # PNG specification, pHYs: 300 dpi both ways, unit 1 = metre
    found = dict(chunks(cells_png(np.zeros((1, 1), dtype=np.uint8), 11811)))
    assert found[b"pHYs"].hex() == "00002e2300002e2301"


@pytest.mark.parametrize(("cell_m", "per_metre"), [(0.02, 50), (0.01, 100), (0.005, 200), (1.0, 1)])
def test_a_grid_is_at_true_size(cell_m: float, per_metre: int) -> None:
    assert dict(chunks(grid_png(a_grid(cell_m))))[b"pHYs"] == struct.pack(">IIB", per_metre, per_metre, 1)


@pytest.mark.parametrize("cell_m", [2.5, 1e-12])
def test_sizes_that_the_chunk_cannot_hold_are_left_out(cell_m: float) -> None:
    # Roelofs, chapter 11: whole pixels per metre up to 2^31 - 1
    assert b"pHYs" not in dict(chunks(grid_png(a_grid(cell_m))))


def test_text_chunks_say_how_to_read_the_grey() -> None:
    content = grid_png(a_grid(), title="Bench\r\nno\0w")
    texts = [data for name, data in chunks(content) if name == b"tEXt"]
    # PNG specification, tEXt: keyword of 1 to 79 Latin-1 bytes, NUL, text without NUL
    assert b"Title\0demo" in [d for n, d in chunks(cells_png(np.zeros((1, 1), np.uint8), None, {"Title": "demo"}))]
    assert b"Title\0Bench now" in texts and b"cell_m\x000.02" in texts and b"corner_m\x00-0.02 0.08" in texts
    assert all(data.count(b"\0") == 1 and 1 <= data.index(b"\0") <= 79 for data in texts)
    with Image.open(io.BytesIO(grid_png(a_grid(), "Töpferbank 中"))) as image:
        assert image.info["Title"] == "Töpferbank 中"


def test_the_same_grid_gives_the_same_bytes_and_no_clock() -> None:
    assert grid_png(a_grid()) == grid_png(a_grid())
    assert not {b"tIME"} & {name for name, _ in chunks(grid_png(a_grid()))}


def apply_world(lines: list[float], column: float, row: float) -> tuple[float, float]:
    a, d, b, e, c, f = lines
    return a * column + b * row + c, d * column + e * row + f


def test_world_file_lines_are_a_d_b_e_c_f() -> None:
    # world-file convention, example of a GIS driver's page: 60 m pixels
    lines = [60.0, 0.0, 0.0, -60.0, 440750.0, 3751290.0]
    assert apply_world(lines, 0, 0) == (440750.0, 3751290.0)
    assert apply_world(lines, 10, 20) == (441350.0, 3750090.0)
    frame = GridFrame(60.0, (7345, 62000), 522, 100)
    ours = [float(line) for line in world_file(frame).splitlines()]
    assert ours[:4] == lines[:4]
    assert apply_world(ours, 0, 0) == (7345.5 * 60, (62000 + 521.5) * 60)


def test_world_file_names_the_centre_of_the_upper_left_pixel() -> None:
    # lines 5 and 6 are the centre of the upper-left pixel (five pages of the convention agree)
    lines = [float(line) for line in world_file(GridFrame(1.0, (-150, -150), 300, 300)).splitlines()]
    assert lines == [1.0, 0.0, 0.0, -1.0, -149.5, 149.5]
    assert apply_world(lines, 150, 149) == (0.5, 0.5)
    # who took them for the corner would be half a cell off: 2.5 cm with cells of 5 cm
    five = [float(line) for line in world_file(GridFrame(0.05, (0, 0), 4, 4)).splitlines()]
    assert five[4] == pytest.approx(0.025) and 0.2 - five[5] == pytest.approx(0.025)


@QUICK
@given(
    cell=st.sampled_from([0.005, 0.01, 0.02, 0.03, 0.25]), left=st.integers(-999, 999), bottom=st.integers(-999, 999),
    rows=st.integers(1, 50), columns=st.integers(1, 50), pick=st.integers(0, 10**6),
)  # fmt: skip
def test_every_pixel_lies_on_its_cell(cell: float, left: int, bottom: int, rows: int, columns: int, pick: int) -> None:
    frame = GridFrame(cell, (left, bottom), rows, columns)
    row, column = pick % rows, pick % columns
    lines = [float(line) for line in world_file(frame).splitlines()]
    x, y = frame.centre_of(row, column)
    assert apply_world(lines, column, rows - 1 - row) == pytest.approx((float(x), float(y)), abs=1e-9)


# --- summary.json ------------------------------------------------------------------------------------------------


def test_summary_tells_enough_to_repeat_the_run(tmp_path: Path) -> None:
    made = small_map(str(tmp_path / "bench"))
    files = {"grid.pgw": b"abc"}
    got = json.loads(
        summary_json(
            summary(
                made, [post(), post(kind="wall", width_m=1.0, heading_rad=0.0)], files,
                timing_s={"map": 0.123456}, commands=["sonargrid map bench"], origins={"beam": "--beam"},
                more={"beam_fit": {"half_beam_deg": math.nan}},
            )
        )
    )  # fmt: skip
    assert got["format"] == "sonargrid-map/1" and got["run"]["digest"] == "ab12"
    assert got["run"]["path"] == str((tmp_path / "bench").resolve())
    # SHA-256 of "abc": FIPS 180-4 example, one-block message
    assert got["files"]["grid.pgw"]["sha256"].startswith("ba7816bf8f01cfea414140de5dae2223b00361a3")
    assert got["counts"]["readings"] == 3 and got["counts"]["echoes"] == 2 and got["counts"]["silent"] == 1
    assert got["counts"]["things"] == 1 and got["counts"]["by_kind"]["wall"] == 1
    assert got["settings"]["map.beam"] == {"value": "cone", "origin": "--beam"}
    assert got["settings"]["map.cell_m"] == {"value": 0.05, "origin": "given"}
    assert got["settings"]["map.silence_weight"]["origin"] == "default"
    assert got["settings"]["air.temperature_sigma_c"] == {"value": 3.0, "origin": "assumed"}
    assert got["settings"]["head.ahead_deg"]["value"] == 90.0
    assert got["assumed_sigmas"] == ["air.temperature_sigma_c"]
    assert got["beam_fit"] == {"half_beam_deg": None} and got["timing_s"] == {"map": 0.1235}
    assert got["versions"]["numpy"] == np.__version__ and {"sonargrid", "python"} <= set(got["versions"])
    assert got["grid"]["rows"] * got["grid"]["columns"] == got["counts"]["cells"]


def test_a_summary_tells_in_what_cells_the_joint_solver_decides() -> None:
    made = small_map()
    finer = LogOddsGrid(
        made.grid.frame, made.grid.log_odds, made.grid.touched, {**made.grid.meta, "working_cell_m": 0.04}
    )
    assert summary(replace(made, grid=finer), None, {})["grid"]["working_cell_m"] == 0.04
    assert "working_cell_m" not in summary(made, None, {})["grid"]


def test_without_a_list_none_is_claimed() -> None:
    assert "things" not in summary(small_map(), None, {})["counts"]
    with pytest.raises(ValueError, match="counts"):
        summary(small_map(), None, {}, more={"counts": 1})


def test_a_library_that_was_not_loaded_is_not_listed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(exports, "VERSIONS_OF", {"none": "no_such_module_here", "os": "os"})
    versions = summary(small_map(), None, {})["versions"]
    assert "none" not in versions and versions["os"] == "not known"


def test_json_holds_no_nan_whatever_goes_in() -> None:
    odd = {"a": np.array([1.0, np.inf]), "b": {1: Path("x")}, "c": [math.nan, None, True, np.uint32(7)]}
    assert plain(odd) == {"a": [1.0, None], "b": {"1": "x"}, "c": [None, None, True, 7]}
    assert b"NaN" not in summary_json(odd)


# --- the folder --------------------------------------------------------------------------------------------------


def outputs(
    run: Path | str, mark: str = "one", names: tuple[str, ...] = ("map.png", "objects.csv")
) -> dict[str, bytes]:
    files = {name: f"{name} {mark}".encode() for name in names}
    listed = {name: {"sha256": out_folder.digest(content)} for name, content in files.items()}
    kept = {"format": out_folder.MAP_FORMAT, "run": {"path": out_folder.run_identity(run)}, "files": listed}
    return {**files, "summary.json": json.dumps(kept).encode()}


@pytest.fixture
def run(tmp_path: Path) -> Path:
    folder = tmp_path / "runs" / "bench"
    folder.mkdir(parents=True)
    (folder / "readings.csv").write_text("angle_deg,range_m\n")
    return folder


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def nothing_left_beside(out: Path) -> bool:
    return not [path.name for path in out.parent.iterdir() if path.name.endswith(".part")]


def test_a_new_folder_holds_every_file(run: Path, tmp_path: Path) -> None:
    out = tmp_path / "bench_map"
    assert look_at_out(out, run).state == "new"
    assert write_outputs(outputs(run), out, run) == out
    assert contents(out) == outputs(run)
    assert nothing_left_beside(out)
    assert look_at_out(out, run).state == "same" and look_at_out(out, run).sentence == ""
    mask = os.umask(0o022)
    os.umask(mask)
    assert out.stat().st_mode & 0o777 == 0o777 & ~mask


def test_missing_folders_above_are_made_and_taken_away_again_on_failure(
    run: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_outputs(outputs(run), tmp_path / "a" / "b" / "out", run)
    assert (tmp_path / "a" / "b" / "out" / "map.png").exists()
    monkeypatch.setattr(Path, "write_bytes", failing_write("objects.csv", errno.ENOSPC))
    with pytest.raises(OutputProblem):
        write_outputs(outputs(run), tmp_path / "c" / "d" / "out", run)
    assert not (tmp_path / "c").exists()


def test_the_same_run_replaces_its_own_files_and_leaves_others_alone(run: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    write_outputs(outputs(run, names=("map.png", "map.svg", "objects.csv")), out, run)
    (out / "my notes.txt").write_text("mine")
    write_outputs(outputs(run, "two"), out, run)
    assert contents(out) == {**outputs(run, "two"), "my notes.txt": b"mine"}  # the stale map.svg is gone
    same_place = os.path.relpath(run)
    assert look_at_out(out, same_place).state == "same"


def test_a_summary_cannot_make_us_remove_a_foreign_file(run: Path, tmp_path: Path) -> None:
    out, precious = tmp_path / "out", tmp_path / "precious.txt"
    precious.write_text("mine")
    files = outputs(run)
    kept = json.loads(files["summary.json"])
    kept["files"]["../precious.txt"] = {"sha256": ""}
    write_outputs({**files, "summary.json": json.dumps(kept).encode()}, out, run)
    write_outputs(outputs(run, "two"), out, run)
    assert precious.read_text() == "mine"


def test_what_was_left_unfinished_is_said_and_redone(run: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    write_outputs(outputs(run), out, run)
    (out / "objects.csv").unlink()
    found = look_at_out(out, run)
    assert found.state == "unfinished" and "left unfinished" in found.sentence
    write_outputs(outputs(run, "two"), out, run)
    assert look_at_out(out, run).state == "same" and contents(out) == outputs(run, "two")


def refused(out: Path, run: Path | str, words: str, hint: str = "-o", force: bool = False, inputs: tuple = ()) -> None:
    before = contents(out) if out.is_dir() else None
    with pytest.raises(OutputProblem, match=words) as caught:
        write_outputs(outputs(run), out, run, force, inputs)
    fault = caught.value.faults[0]
    assert caught.value.exit_code == 1 and hint in fault.hint and fault.file == str(out)
    assert (contents(out) if out.is_dir() else None) == before


def test_a_folder_that_map_did_not_write_is_never_touched(run: Path, tmp_path: Path) -> None:
    foreign = tmp_path / "holiday"
    foreign.mkdir()
    refused(foreign, run, "was not written by map")
    for text in ("", "[]", "{}", '{"format": "else"}', "\xff", "[" * 100000):
        (foreign / "summary.json").write_text(text, encoding="latin-1")
        refused(foreign, run, "was not written by map")
        refused(foreign, run, "was not written by map", force=True)
    (foreign / "summary.json").unlink()
    (foreign / "summary.json").mkdir()
    with pytest.raises(OutputProblem, match="was not written by map"):
        write_outputs(outputs(run), foreign, run, force=True)


def test_a_file_in_the_way_is_refused(run: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.write_text("a letter")
    refused(out, run, "is no folder", force=True)
    assert out.read_text() == "a letter"
    (tmp_path / "link").symlink_to(tmp_path / "nowhere")
    refused(tmp_path / "link", run, "is no folder")


def test_the_map_of_another_run_needs_force(run: Path, tmp_path: Path) -> None:
    out, other = tmp_path / "out", tmp_path / "other.csv"
    other.write_text("")
    write_outputs(outputs(other, names=("map.png", "map.svg")), out, other)
    refused(out, run, "another run", hint="--force")
    assert "another run" in look_at_out(out, run, force=True).sentence
    write_outputs(outputs(run), out, run, force=True)
    assert contents(out) == outputs(run)


def test_a_run_made_in_memory_never_counts_as_the_same(tmp_path: Path) -> None:
    out = tmp_path / "out"
    write_outputs(outputs(""), out, "")
    refused(out, "", "another run", hint="--force")
    write_outputs(outputs("-"), tmp_path / "piped", "-")
    assert look_at_out(tmp_path / "piped", "standard input").state == "same"


@pytest.mark.parametrize("force", [False, True])
def test_an_input_is_never_written_to(run: Path, tmp_path: Path, force: bool) -> None:
    refused(run, run, "is the run itself", force=force)
    refused(run.parent / "." / "bench", run, "is the run itself", force=force)
    empty = tmp_path / "empty"
    empty.mkdir()
    refused(empty, run, "one of the inputs", force=force, inputs=(empty,))
    (tmp_path / "link").symlink_to(run)
    refused(tmp_path / "link", run, "is the run itself", force=force)


def test_a_run_inside_the_folder_is_not_overwritten(run: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    write_outputs(outputs(run), out, run)
    refused(out, out / "objects.csv", r"holds the input objects\.csv", force=True)


def test_a_run_that_does_not_stand_in_the_way_may_be_missing(tmp_path: Path) -> None:
    assert look_at_out(tmp_path / "out", tmp_path / "gone").state == "new"


def failing_write(name: str, number: int) -> Callable[[Path, bytes], int]:
    plainly = Path.write_bytes

    def write(self: Path, content: bytes) -> int:
        if name in self.name:
            plainly(self, content[: len(content) // 2])  # a disk fills up in the middle of a file
            raise OSError(number, os.strerror(number))
        return plainly(self, content)

    return write


@pytest.mark.parametrize("name", ["map.png", "objects.csv", "summary.json"])
@pytest.mark.parametrize(("number", "hint"), [(errno.ENOSPC, "make room"), (errno.EACCES, "may write to")])
def test_a_full_disk_leaves_no_part_of_a_new_folder(
    run: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, number: int, hint: str
) -> None:
    out = tmp_path / "out"
    monkeypatch.setattr(Path, "write_bytes", failing_write(name, number))
    with pytest.raises(OutputProblem, match="cannot be written") as caught:
        write_outputs(outputs(run), out, run)
    fault = caught.value.faults[0]
    assert fault.file == str(out / name) and hint in fault.hint
    assert not out.exists() and nothing_left_beside(out)


@pytest.mark.parametrize("name", ["map.png", "objects.csv", "summary.json"])
def test_a_full_disk_leaves_the_earlier_map_whole(
    run: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    out = tmp_path / "out"
    write_outputs(outputs(run), out, run)
    monkeypatch.setattr(Path, "write_bytes", failing_write(name, errno.ENOSPC))
    with pytest.raises(OutputProblem, match="No space left"):
        write_outputs(outputs(run, "two"), out, run)
    assert contents(out) == outputs(run)
    assert look_at_out(out, run).state == "same"


@pytest.mark.parametrize("at", [0, 1, 2])
def test_a_break_between_two_files_shows_and_is_mended(
    run: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at: int
) -> None:
    out = tmp_path / "out"
    write_outputs(outputs(run), out, run)
    plainly, calls = os.replace, []

    def replace(source: Path, target: Path) -> None:
        calls.append(Path(target).name)
        if len(calls) == at + 1:
            raise KeyboardInterrupt
        plainly(source, target)

    with monkeypatch.context() as patched:
        patched.setattr(os, "replace", replace)
        with pytest.raises(KeyboardInterrupt):
            write_outputs(outputs(run, "two"), out, run)
    assert not [path for path in out.iterdir() if path.name.endswith(".part")]
    assert calls[-1] == ["map.png", "objects.csv", "summary.json"][at]  # the summary goes last
    assert look_at_out(out, run).state == ("same" if at == 0 else "unfinished")
    write_outputs(outputs(run, "two"), out, run)
    assert contents(out) == outputs(run, "two")


def test_an_interrupt_leaves_no_part_of_a_new_folder(
    run: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stopped(source: Path, target: Path) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "rename", stopped)
    with pytest.raises(KeyboardInterrupt):
        write_outputs(outputs(run), tmp_path / "out", run)
    assert not (tmp_path / "out").exists() and nothing_left_beside(tmp_path / "out")


def test_a_folder_that_appears_meanwhile_is_not_touched(
    run: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out, plainly = tmp_path / "out", os.rename

    def late(source: Path, target: Path) -> None:
        out.mkdir()
        (out / "letter.txt").write_text("mine")
        plainly(source, target)

    monkeypatch.setattr(os, "rename", late)
    with pytest.raises(OutputProblem, match="cannot be written"):
        write_outputs(outputs(run), out, run)
    assert contents(out) == {"letter.txt": b"mine"} and nothing_left_beside(out)


def test_a_folder_in_the_place_of_a_file_is_named(run: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    write_outputs(outputs(run), out, run)
    (out / "map.png").unlink()
    (out / "map.png").mkdir()
    with pytest.raises(OutputProblem, match="cannot be written") as caught:
        write_outputs(outputs(run, "two"), out, run)
    assert caught.value.faults[0].file == str(out / "map.png")


def test_a_name_that_no_disk_takes_is_told(run: Path, tmp_path: Path) -> None:
    with pytest.raises(OutputProblem, match="cannot be written") as caught:
        write_outputs(outputs(run), tmp_path / ("n" * 300), run)
    assert "shorter" in caught.value.faults[0].hint


def test_only_our_own_names_are_written(run: Path, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"summary\.json must be among"):
        write_outputs({"map.png": b""}, tmp_path / "out", run)
    with pytest.raises(ValueError, match="no others"):
        write_outputs({**outputs(run), "../x": b""}, tmp_path / "out", run)


def test_the_default_folder_is_named_after_the_run_alone() -> None:
    rows = Readings("angle_deg", "range_m", [0.0], [1.0], [0], [0], [1])
    assert default_out(Run(rows, name="bench", title="../../etc")) == Path("bench_map")

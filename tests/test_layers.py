"""The rooms of the project and the one-way rule between them; and the house rules that a parser can check.

`ROOMS` is the one list: from the ground up, a module may import only what stands before it.
"""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
SOURCE = ROOT / "src" / "sonargrid"
COMMAND_LINE = ROOT / "cli" / "sonargrid_cli"

# row -> its modules; a module may import only modules of lower rows, or those left of it in its own row
ROOMS: dict[int, str] = {
    0: "units errors arrays whole_file",
    1: "explain geometry air log_odds piston log_lines log_roles log_guess first_faults sender",
    2: "readings things scene",
    3: "pose_stations "
    "calibration grid_file grid beams walkers ranger_fit heard_things bench_posterior head_fit beam_fit echo_physics "
    "room_echoes simulate",
    4: "nearest_echo first_look stations_agree "
    "moments toml_text run_keys survey sweeps run_input run_toml run_settings run_saving calibration_files "
    "run_values samples joined_run line_blocks plain_cells csv_rows csv_rescan turning_watch counted_rows csv_blocks "
    "run_assembly run_files known_distances "
    "calibration_saving log_import "
    "new_run heard_lines byte_source recorded_run run_writer recording scene_files kernels polar evidence plateaus "
    "head_bench beam_bench check_findings check_view check_head check_clock check_numbers check_echoes "
    "check_repeats check_stations check_setting run_check bench_plan",
    5: "beam_tables wedge_pings tiled_grid merging tile_loops tile_batches many_poses additive "
    "joint_cost neighbours wedges heard_beam first_return outcomes arc_map behind_walls explained joint",
    6: "mapping tiled_map "
    "echo_beam echo_model soundings echo_shadows echo_order echo_rating echo_board object_candidates object_moves "
    "object_climb run_beam object_pool object_boxes object_kinds object_masks object_swaps object_fit object_list "
    "object_corners "
    "object_sigmas object_middles confidence clusters object_rows witnesses",
    7: "objects",
    8: "drawn floor_behind "
    "truth measures list_scoring scoring contenders held_out left_out verdicts comparison trust findings",
    9: "beam_told "
    "palette shapes placement axes marks legend raster vector charts bench_pictures head_picture beam_picture "
    "sweep_content sweep_strip sweep_picture check_picture sweep_film floor_plan pictures meeting_picture "
    "screen_squares screen_map out_folder exports map_files report_data report_svg report_sections report_meetings "
    "report bench_sheet geotiff contact_sheet compare_charts compare_picture trust_picture compare_files check_files "
    "count_files merge_files displays "
    "interval_chart",
    10: "mounting_picture pipeline plot",
    11: "holding journal run_list workers pieces recipe run_steps batch study_file study machines",
    12: "sightings landmarks pose_fit pose_likelihood own_pings strayed alignment reachable outlook next_station "
    "align_picture next_picture station_files",
}
ORDER = {name: place for place, name in enumerate(" ".join(ROOMS.values()).split())}
ROW = {name: row for row, names in ROOMS.items() for name in names.split()}

STAGES = {path.parent.name for path in SOURCE.glob("*/__init__.py")}  # the folders, one a stage of the data's way

SIMULATOR = {"scene", "echo_physics", "room_echoes", "simulate"}
SIMULATOR_MAY_IMPORT = {"units", "errors", "arrays", "geometry", "air", "readings"} | SIMULATOR
DRAWING_LIBRARIES = {"PIL", "imageio", "matplotlib"}
MAY_DRAW = {"raster", "plot"}  # raster = the pixels of pictures, plot = axes of somebody else's figure
FORBIDDEN_NAMES = {"utils", "util", "base", "config", "helpers", "common", "misc"}

MODULE_LINES = 400
FUNCTION_LINES = 40
LOOP_FUNCTION_LINES = 80
LOOPS_AND_FITS = {
    "kernels",
    "polar",
    "tile_loops",
    "tile_batches",
    "joint",
    "explained",
    "first_return",
    "object_fit",
    "head_fit",
    "bench_posterior",
    "beam_fit",
    "soundings",
    "held_out",
}  # the loops that take the time, and the fits


@cache
def _tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"), filename=str(path))


def _modules() -> list[Path]:
    return sorted(path for path in SOURCE.rglob("*.py") if path.name != "__init__.py")


def _imports(path: Path) -> set[str]:
    """Return the dotted names of everything a file imports, wherever in the file the import stands."""
    found: set[str] = set()
    for node in ast.walk(_tree(path)):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name} line {node.lineno}: write imports in full, from sonargrid..."
            module = node.module or ""
            found.update(f"{module}.{alias.name}" for alias in node.names)
    return found


def _own_imports(path: Path) -> set[str]:
    """Return the modules of this project that a file imports."""
    names = set()
    for name in _imports(path):
        parts = name.split(".")
        if parts[0] == "sonargrid" and len(parts) > 1:
            names.add(parts[2] if parts[1] in STAGES and len(parts) > 2 else parts[1])
    return names - {"__version__"}  # the root's own name, which loads nothing


def _functions(path: Path) -> list[tuple[str, int]]:
    """Return (name, number of lines without the docstring) of each function in a file."""
    sizes = []
    for node in ast.walk(_tree(path)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            assert node.end_lineno is not None
            lines = node.end_lineno - node.lineno + 1
            if ast.get_docstring(node) is not None:
                words = node.body[0]
                assert words.end_lineno is not None
                lines -= words.end_lineno - words.lineno + 1
            sizes.append((node.name, lines))
    return sizes


def _ids(path: Path) -> str:
    return path.stem


def test_each_module_has_its_row() -> None:
    names = {path.stem for path in _modules()}
    assert names <= set(ORDER), (
        f"no row for {sorted(names - set(ORDER))}: add it to ROOMS in tests/test_layers.py, above what it imports"
    )
    assert set(ORDER) <= names, f"ROOMS lists {sorted(set(ORDER) - names)}, which do not exist"
    assert not names & FORBIDDEN_NAMES, "name a module after the thing it is about"


@pytest.mark.parametrize("path", _modules(), ids=_ids)
def test_imports_go_only_downward(path: Path) -> None:
    here = path.stem
    assert here in ORDER, f"no row for {here}: add it to ROOMS in tests/test_layers.py"
    for name in _own_imports(path):
        assert name in ORDER, f"{here} imports sonargrid.{name}, which has no row"
        assert ORDER[name] < ORDER[here], (
            f"{here} (row {ROW[here]}) must not import {name} (row {ROW[name]}): it stands beside or above it"
        )
    assert not any(name.split(".")[0] == "sonargrid_cli" for name in _imports(path)), "the library knows no door"


@pytest.mark.parametrize("name", sorted(SIMULATOR))
def test_the_simulator_shares_nothing_with_the_mapper(name: str) -> None:
    assert _own_imports(next(SOURCE.rglob(f"{name}.py"))) <= SIMULATOR_MAY_IMPORT


@pytest.mark.parametrize("path", _modules(), ids=_ids)
def test_only_one_room_draws(path: Path) -> None:
    libraries = {name.split(".")[0] for name in _imports(path)}
    assert path.stem in MAY_DRAW or not libraries & DRAWING_LIBRARIES


@pytest.mark.parametrize("path", _modules(), ids=_ids)
def test_the_library_neither_prints_nor_exits(path: Path) -> None:
    for node in ast.walk(_tree(path)):
        if isinstance(node, ast.Call):
            called = ast.unparse(node.func)
            assert called not in {"print", "sys.exit", "exit", "quit", "os._exit", "import_module", "__import__"}, (
                f"{path.name} line {node.lineno} calls {called}"
            )
    assert not {"argparse", "logging", "typer", "rich"} & {name.split(".")[0] for name in _imports(path)}


@pytest.mark.parametrize("path", _modules() + sorted(COMMAND_LINE.rglob("*.py")), ids=_ids)
def test_sizes(path: Path) -> None:
    lines = len(path.read_text(encoding="utf-8").splitlines())
    assert lines <= MODULE_LINES, f"{path.name} has {lines} lines, {MODULE_LINES} is the limit: split it"
    limit = LOOP_FUNCTION_LINES if path.stem in LOOPS_AND_FITS else FUNCTION_LINES
    long = [f"{name} ({size})" for name, size in _functions(path) if size > limit]
    assert not long, f"{path.name}: longer than {limit} lines: {', '.join(long)}"


@pytest.mark.parametrize("path", _modules() + sorted(COMMAND_LINE.rglob("*.py")), ids=_ids)
def test_nothing_is_left_undone(path: Path) -> None:
    left = re.findall(r"NotImplementedError|\bTODO\b|\bFIXME\b|\bXXX\b", path.read_text(encoding="utf-8"))
    assert not left
    for node in ast.walk(_tree(path)):
        if isinstance(node, ast.FunctionDef | ast.ClassDef | ast.ExceptHandler):
            assert not all(isinstance(part, ast.Pass) for part in node.body), f"{path.name} line {node.lineno}: pass"


def test_no_test_is_skipped() -> None:
    for path in sorted((ROOT / "tests").glob("*.py")):
        if path.name != Path(__file__).name:
            words = re.findall(r"mark\.(?:skip|skipif|xfail)|pytest\.(?:skip|xfail)\(", path.read_text("utf-8"))
            assert not words, f"{path.name}: {words}"


@pytest.mark.parametrize("name", ["sonargrid", "sonargrid.errors", "sonargrid.units", "sonargrid.explain"])
def test_the_light_rooms_load_no_numpy(name: str) -> None:
    code = f"import sys, {name}; print(' '.join(m for m in ('numpy', 'scipy', 'PIL') if m in sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == ""


def test_every_name_at_the_door_opens() -> None:
    import sonargrid

    for name in sonargrid.__all__:
        assert getattr(sonargrid, name) is not None, name
    assert set(dir(sonargrid)) >= set(sonargrid.__all__)
    with pytest.raises(AttributeError, match="no attribute 'nothing_of_that_name'"):
        sonargrid.nothing_of_that_name  # noqa: B018


def test_the_rule_catches_an_upward_import(tmp_path: Path) -> None:
    upward = tmp_path / "grid.py"
    upward.write_text(
        "def f():\n    from sonargrid.maps.mapping import build_map\n    import sonargrid.runs.readings\n"
    )
    assert _own_imports(upward) == {"mapping", "readings"}
    assert ORDER["mapping"] > ORDER["grid"] > ORDER["readings"]

"""Many runs at once: which ones, a journal that survives, workers that die, and what a batch leaves."""

from __future__ import annotations

import csv
import errno
import io
import json
import os
import resource
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sonargrid.drawing.contact_sheet import Small, contact_pages
from sonargrid.drawing.raster import png_pixels
from sonargrid.errors import InputFaults, OutputProblem, SonargridError
from sonargrid.many.batch import COLUMNS, JOURNAL, finish, plan, table_csv
from sonargrid.many.holding import LOCK
from sonargrid.many.journal import Journal, read_journal, sealed
from sonargrid.many.recipe import ALSO, Recipe
from sonargrid.many.run_list import listed_runs
from sonargrid.many.run_steps import FILES_OF
from sonargrid.many.workers import Died, Trade, Workers
from sonargrid.maps.evidence import MapSettings
from sonargrid_cli import batch_commands
from sonargrid_cli.main import main

PLAIN = Recipe(MapSettings(solver="additive", cell_m=0.05), search=None)
PLAIN_FLAGS = ("--solver", "additive", "--cell", "5cm", "--no-objects", "--no-sheet")
CLOCKS = ("took_s", "timing_s")


def lay(folder: Path, names: str, shift: int = 0) -> Path:
    """Write small runs, one a name, all a little different."""
    for number, name in enumerate(names.split()):
        place = folder / name
        place.mkdir(parents=True)
        rows = "".join(f"{angle},{50 + number + shift + angle % 7}\n" for angle in range(0, 181, 6))
        (place / "readings.csv").write_text("angle_deg,range_cm\n" + rows)
        (place / "run.toml").write_text('format = "sonargrid-run/1"\n[ranger]\nreach_m = 1.0\n')
    return folder


def without_clocks(value: Any) -> Any:
    """Return nested records without their times."""
    if isinstance(value, dict):
        return {key: without_clocks(one) for key, one in value.items() if key not in CLOCKS}
    return [without_clocks(one) for one in value] if isinstance(value, list) else value


def left_by(out: Path) -> dict[str, Any]:
    """Return everything that a batch left, times apart."""
    left: dict[str, Any] = {}
    for path in sorted(out.rglob("*")):
        name = str(path.relative_to(out))
        if path.is_dir() or path.name in (JOURNAL, "batch.csv") or path.name.startswith(".batch"):
            continue
        content = path.read_bytes()
        left[name] = without_clocks(json.loads(content)) if path.suffix == ".json" else content
    rows = list(csv.DictReader(io.StringIO((out / "batch.csv").read_text())))
    left["batch.csv"] = [{key: cell for key, cell in row.items() if key not in CLOCKS} for row in rows]
    return left


# which runs


def test_runs_of_a_folder_are_its_folders_and_files_in_the_order_of_their_names(tmp_path: Path) -> None:
    lay(tmp_path, "b a")
    (tmp_path / "c.csv").write_text("angle_deg,range_cm\n90,50\n")
    (tmp_path / "notes.txt").write_text("no run")
    (tmp_path / "empty").mkdir()
    assert [run.name for run in listed_runs(tmp_path)] == ["a", "b", "c"]
    assert [run.name for run in listed_runs(str(tmp_path / "[ab]*"))] == ["a", "b"]


def test_a_list_gives_paths_from_its_own_folder_and_names(tmp_path: Path) -> None:
    lay(tmp_path / "monday", "bench")
    lay(tmp_path / "tuesday", "bench")
    text = '[[run]]\npath = "monday/bench"\n[[run]]\npath = "tuesday/bench"\nname = "later"\n'
    (tmp_path / "list.toml").write_text(text)
    runs = listed_runs(tmp_path / "list.toml")
    assert [(run.name, Path(run.path).parent.name) for run in runs] == [("bench", "monday"), ("later", "tuesday")]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "list.toml run: there is no [[run]] table"),
        ('[[run]]\nwhere = "a"\n', "needs path, a text"),
        ('[[run]]\npath = "a"\ncolour = 1\n', "unknown key 'colour'"),
        ('[[run]]\npath = "a"\nname = "../up"\n', "cannot be used, got '../up'"),
        ('[[run]]\npath = "a"\n[[run]]\npath = "b/a"\n', "another run is called a, too"),
        ('speed = 1\n[[run]]\npath = "a"\n', "unknown key 'speed'"),
    ],
)
def test_a_list_that_cannot_be_used_is_told(text: str, said: str, tmp_path: Path) -> None:
    (tmp_path / "list.toml").write_text(text)
    with pytest.raises(InputFaults) as told:
        listed_runs(tmp_path / "list.toml")
    assert said in "\n".join(map(str, told.value.faults))


def test_all_faults_of_a_list_are_told_at_once(tmp_path: Path) -> None:
    text = '[[run]]\npath = "a"\n[[run]]\npth = "x"\n[[run]]\npath = "b"\nname = "a"\n'
    (tmp_path / "list.toml").write_text(text)
    with pytest.raises(InputFaults) as told:
        listed_runs(tmp_path / "list.toml")
    said = [fault.message for fault in told.value.faults]
    assert said == ["unknown key 'pth'", "needs path, a text", *["another run is called a, too"] * 2]


def test_no_run_and_one_run_are_told(tmp_path: Path) -> None:
    with pytest.raises(SonargridError, match="no such folder, list or file"):
        listed_runs(tmp_path / "nowhere")
    with pytest.raises(SonargridError, match="no file or folder matches"):
        listed_runs(str(tmp_path / "*.csv"))
    with pytest.raises(SonargridError, match="there is no run in it"):
        listed_runs(tmp_path)
    with pytest.raises(SonargridError, match="is one run, not a folder of runs"):
        listed_runs(lay(tmp_path, "a") / "a")


# the journal


@given(cut=st.integers(0, 10_000), names=st.lists(st.sampled_from("abc"), min_size=1, max_size=6))
@settings(max_examples=200, deadline=None)
def test_a_journal_broken_off_at_any_byte_keeps_its_whole_lines(
    cut: int, names: list[str], tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("journal") / "journal.jsonl"
    lines = [sealed({"name": name, "turn": turn, "words": "größer\nthan"}) for turn, name in enumerate(names)]
    whole = b"".join(lines)
    cut %= len(whole) + 1
    path.write_bytes(whole[:cut])
    ends = [sum(map(len, lines[: number + 1])) for number in range(len(lines))]
    known = {name: turn for turn, name in enumerate(names) if ends[turn] - 1 <= cut}  # the line's end may be missing
    assert {name: entry["turn"] for name, entry in read_journal(path).entries.items()} == known
    with Journal(path) as journal:
        journal.add({"name": "d", "turn": 99})
    after = read_journal(path)
    assert {name: entry["turn"] for name, entry in after.entries.items()} == {**known, "d": 99}
    assert path.read_bytes().startswith(whole[:cut])  # only ever added to


def test_a_line_that_was_changed_does_not_count(tmp_path: Path) -> None:
    path = tmp_path / "journal.jsonl"
    path.write_bytes(sealed({"name": "a", "things": 2}).replace(b"2", b"3") + sealed({"name": "b"}) + b"[1]\n")
    kept = read_journal(path)
    assert list(kept.entries) == ["b"]
    assert kept.torn == 2


# workers


def _twice(task: int) -> int:
    return 2 * task


def _dies_on_three(task: tuple[int, str]) -> int:
    number, folder = task
    if number == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    if number == 4 and not os.path.exists(os.path.join(folder, "once")):
        Path(folder, "once").touch()
        os._exit(7)
    return number


def test_workers_do_every_piece_whatever_the_order() -> None:
    assert dict(Workers(_twice, 2).results(range(9))) == {number: 2 * number for number in range(9)}
    assert list(Workers(_twice, 2).results([])) == []
    with pytest.raises(ValueError, match="at least one worker"):
        Workers(_twice, 0)


def test_a_dead_worker_costs_its_piece_alone_and_that_is_tried_again(tmp_path: Path) -> None:
    tasks = [(number, str(tmp_path)) for number in range(8)]
    done = dict(Workers(_dies_on_three, 2).results(tasks))
    assert {number: one for number, one in done.items() if number != 3} == {n: n for n in range(8) if n != 3}
    assert isinstance(done[3], Died)
    assert str(done[3]) == "its process died (signal 9), 2 times"


def test_drained_workers_begin_nothing_more() -> None:
    workers = Workers(_twice, 1)
    done = []
    for place, _ in workers.results(range(50)):
        done.append(place)
        workers.drain()
    assert done == [0]


# a batch


def test_a_batch_maps_every_run_tells_the_bad_one_and_does_nothing_twice(tmp_path: Path) -> None:
    runs, out = lay(tmp_path / "runs", "a b c"), tmp_path / "out"
    (runs / "b" / "readings.csv").write_text("angle_deg,range_cm\n90,x\n")
    first = finish(plan(listed_runs(runs), out, PLAIN), out, 2)
    assert [line["status"] for line in first] == ["done", "failed", "done"]
    assert "line 2, range_cm" in first[1]["faults"][0]["words"]
    assert sorted(path.name for path in out.iterdir() if path.is_dir()) == ["a", "c"]
    rows = list(csv.DictReader((out / "batch.csv").read_text().splitlines()))
    assert tuple(rows[0]) == COLUMNS
    assert [row["status"] for row in rows] == ["done", "failed", "done"]
    again = finish(plan(listed_runs(runs), out, PLAIN), out, 2)
    assert [(line["status"], line["fresh"]) for line in again] == [("done", False), ("failed", True), ("done", False)]
    assert again[0]["took_s"] == first[0]["took_s"]  # its line stands as it was


@pytest.mark.parametrize("what", ["input", "recipe", "output", "nothing"])
def test_what_changed_is_done_again(what: str, tmp_path: Path) -> None:
    runs, out = lay(tmp_path / "runs", "a b"), tmp_path / "out"
    finish(plan(listed_runs(runs), out, PLAIN), out, 1)
    recipe = PLAIN
    if what == "input":
        with (runs / "a" / "readings.csv").open("a") as more:
            more.write("180,55\n")
    elif what == "recipe":
        recipe = Recipe(MapSettings(solver="additive", cell_m=0.04), search=None)
    elif what == "output":
        (out / "a" / "grid.npz").unlink()
    again = finish(plan(listed_runs(runs), out, recipe), out, 1)
    expected = {"input": [True, False], "recipe": [True, True], "output": [True, False], "nothing": [False, False]}
    assert [line["fresh"] for line in again] == expected[what]
    assert (out / "a" / "grid.npz").is_file()


def test_strict_begins_nothing_more(tmp_path: Path) -> None:
    runs, out = lay(tmp_path / "runs", "a b c d"), tmp_path / "out"
    (runs / "a" / "readings.csv").write_text("angle_deg\n90\n")
    lines = finish(plan(listed_runs(runs), out, PLAIN), out, 1, strict=True)
    assert [line["name"] for line in lines] == ["a"]


def test_two_batches_never_share_a_folder(tmp_path: Path) -> None:
    import fcntl

    runs, out = lay(tmp_path / "runs", "a"), tmp_path / "out"
    out.mkdir()
    with (out / LOCK).open("ab") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        with pytest.raises(OutputProblem, match="another batch or study is at work there"):
            finish(plan(listed_runs(runs), out, PLAIN), out, 1)


def test_a_folder_that_is_somebody_elses_is_left_alone(tmp_path: Path) -> None:
    runs, out = lay(tmp_path / "runs", "a b"), tmp_path / "out"
    (out / "a").mkdir(parents=True)
    (out / "a" / "thesis.txt").write_text("mine")
    lines = finish(plan(listed_runs(runs), out, PLAIN), out, 1)
    assert [line["status"] for line in lines] == ["failed", "done"]
    assert [path.name for path in (out / "a").iterdir()] == ["thesis.txt"]


def test_no_cell_of_the_table_is_a_formula() -> None:
    line = {"name": "=1+1", "path": "@x", "status": "failed", "faults": [{"words": "-no", "hint": ""}]}
    row = next(csv.DictReader(io.StringIO(table_csv([line]))))
    assert (row["name"], row["path"], row["words"], row["things"]) == ("'=1+1", "'@x", "'-no", "")


# check, count and compare beside the map


class Here:
    """A crew of this very process: starting others costs a test seconds."""

    def __init__(self, trade: Trade) -> None:
        self._trade = trade

    def results(self, tasks: Sequence[Any]) -> Iterator[tuple[int, Any]]:
        return ((place, self._trade.whole(task)) for place, task in enumerate(tasks))

    def drain(self) -> None:
        raise AssertionError("nothing is to be broken off here")

    stop = drain


ALSO_RECIPE = replace(PLAIN, also=("check", "count", "compare"))


def test_a_run_gets_what_the_single_commands_write(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    runs, out = lay(tmp_path / "runs", "a"), tmp_path / "out"
    assert main(["batch", str(runs), "-o", str(out), "-q", "--no-sheet", "--also", "compare,check,count"]) == 0
    single = tmp_path / "single"
    main(["check", str(runs / "a"), "-o", str(single), "-q"])
    main(["compare", str(runs / "a"), "-o", str(single / "compared"), "-q"])
    for name in ("check.png", "check.svg"):
        assert (out / "a" / name).read_bytes() == (single / name).read_bytes()
    for name in ("compare.png", "compare.csv"):
        assert (out / "a" / name).read_bytes() == (single / "compared" / name).read_bytes()
    capsys.readouterr()
    main(["count", str(runs / "a"), "--csv"])
    assert (out / "a" / "count.csv").read_bytes().decode() == capsys.readouterr().out
    main(["count", str(runs / "a"), "--json"])
    told = json.loads(capsys.readouterr().out)
    assert json.loads((out / "a" / "count.json").read_text()) == told
    fit = json.loads((single / "check.json").read_text())["fit"]
    row = next(csv.DictReader((out / "batch.csv").read_text().splitlines()))
    assert (row["fit"], row["counted"]) == ("fit" if fit else "unfit", str(told["count"]))
    line = json.loads((out / "batch.json").read_text())["runs"][0]
    assert line["steps"] == {"map": "done", "check": "done", "count": "done", "compare": "done"}
    best = json.loads((out / "a" / "compare.json").read_text())["models"][0]["model"]
    assert row["best_model"] == ("tie" if line["tied_models"] else line["best_model"] or "")
    assert line["best_model"] in (best, None)
    assert main(["report", str(out / "a"), "-o", str(tmp_path / "both.html"), "-q"]) == 0
    page = (tmp_path / "both.html").read_text()
    assert "<h2" in page and "nats per ping" in page  # the map, and the comparison beside it


def test_a_step_that_fails_loses_nothing_of_the_others(tmp_path: Path) -> None:
    runs, out = lay(tmp_path / "runs", "a"), tmp_path / "out"
    tiny = replace(ALSO_RECIPE, settings=MapSettings(solver="additive", max_cells=4), also=("check", "count"))
    (line,) = finish(plan(listed_runs(runs), out, tiny), out, 1, hire=Here)
    assert line["status"] == "failed"
    assert line["steps"] == {"map": "failed", "check": "done", "count": "done"}
    assert line["faults"][0]["step"] == "map"
    assert "more than 4" in line["faults"][0]["words"]
    assert {path.name for path in (out / "a").iterdir()} == {*FILES_OF["check"], *FILES_OF["count"]}
    again = replace(ALSO_RECIPE, also=("check",))  # the map goes where there is nothing but the others' files
    (line,) = finish(plan(listed_runs(runs), out, again), out, 1, hire=Here)
    assert line["status"] == "done"
    assert (out / "a" / "summary.json").is_file()
    assert not any("unfinished" in words for words in line["warnings"])


@pytest.mark.parametrize("what", ["gone", "changed", "whole", "fewer steps"])
def test_what_lies_beside_a_map_is_looked_at_before_a_run_is_skipped(what: str, tmp_path: Path) -> None:
    runs, out = lay(tmp_path / "runs", "a b"), tmp_path / "out"
    recipe = replace(PLAIN, also=("check", "count"))
    finish(plan(listed_runs(runs), out, recipe), out, 2, hire=Here)
    if what == "gone":
        (out / "a" / "count.csv").unlink()
    elif what == "changed":
        (out / "a" / "check.json").write_text("{}")
    elif what == "fewer steps":
        recipe = PLAIN
    again = finish(plan(listed_runs(runs), out, recipe), out, 2, hire=Here)
    expected = {"gone": [True, False], "changed": [True, False], "whole": [False, False], "fewer steps": [True, True]}
    assert [line["fresh"] for line in again] == expected[what]
    assert [line["status"] for line in again] == ["done", "done"]
    assert json.loads((out / "a" / "check.json").read_text()).keys() >= {"fit", "findings"} or what == "fewer steps"


def test_steps_are_named_alike_everywhere(capsys: pytest.CaptureFixture[str]) -> None:
    assert batch_commands.ALSO == ALSO
    assert set(FILES_OF) == set(ALSO)
    assert main(["batch", "term", "--also", "chek"]) == 2
    assert "--also takes check, count, compare, got 'chek'" in capsys.readouterr().err
    with pytest.raises(ValueError, match=r"unknown steps \['sweep'\]"):
        Recipe(also=("sweep",))


def start(runs: Path, out: Path, *more: str) -> subprocess.Popen[bytes]:
    words = [sys.executable, "-m", "sonargrid_cli", "batch", str(runs), "-o", str(out), *PLAIN_FLAGS, *more]
    return subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True)


def wait_for(condition: Any, seconds: float = 60.0) -> None:
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "it did not come to that in a minute"
        time.sleep(0.01)


def _has_finished(out: Path, count: int) -> bool:
    return len(read_journal(out / JOURNAL).entries) >= count


def test_killed_anywhere_and_begun_again_a_batch_leaves_what_an_undisturbed_one_leaves(tmp_path: Path) -> None:
    runs = lay(tmp_path / "runs", " ".join(f"r{number:02d}" for number in range(12)))
    whole, out = tmp_path / "whole", tmp_path / "out"
    assert main(["batch", str(runs), "-o", str(whole), "-q", *PLAIN_FLAGS]) == 0
    kept = 0
    for finished in (2, 5, 9):
        process = start(runs, out)
        wait_for(partial(_has_finished, out, finished))
        os.kill(process.pid, signal.SIGKILL)
        process.communicate()
        kept = len(read_journal(out / JOURNAL).entries)
        assert finished <= kept <= 12
    with (out / JOURNAL).open("ab") as torn:
        torn.write(b'{"name": "r11", "sta')
    process = start(runs, out)
    _, said = process.communicate()
    assert process.returncode == 0, said
    assert said.decode().count("unchanged") >= kept
    assert left_by(out) == left_by(whole)
    assert not list(out.rglob(".*.part"))


def test_ctrl_c_finishes_what_is_begun(tmp_path: Path) -> None:
    runs, out = lay(tmp_path / "runs", " ".join(f"r{number:02d}" for number in range(40))), tmp_path / "out"
    process = start(runs, out, "--jobs", "1")
    wait_for(partial(_has_finished, out, 2))
    os.killpg(process.pid, signal.SIGINT)
    _, said = process.communicate(timeout=120)
    assert process.returncode == 130
    assert b"Ctrl-C again leaves at once" in said
    assert b"Traceback" not in said
    done = read_journal(out / JOURNAL).entries
    assert 2 <= len(done) < 40
    assert all((out / name / "summary.json").is_file() for name in done)


def test_a_full_disk_is_named_and_finished_runs_stay(tmp_path: Path) -> None:
    runs, out = lay(tmp_path / "runs", "a b c"), tmp_path / "out"
    finish(plan(listed_runs(runs)[:2], out, PLAIN), out, 1)
    before = left_by(out)
    size = (out / JOURNAL).stat().st_size
    small = f"import resource; resource.setrlimit(resource.RLIMIT_FSIZE, ({size + 40}, {resource.RLIM_INFINITY}))"
    words = ["batch", str(runs), "-o", str(out), *PLAIN_FLAGS]
    call = f"from sonargrid_cli.main import main; raise SystemExit(main({words!r}))"
    ignore = "import signal; signal.signal(signal.SIGXFSZ, signal.SIG_IGN)"
    done = subprocess.run([sys.executable, "-c", f"{ignore}; {small}; {call}"], capture_output=True, text=True)
    assert done.returncode == 1
    assert "File too large" in done.stderr
    assert "Traceback" not in done.stderr
    for name, content in before.items():
        if name.startswith(("a/", "b/")) and not name.endswith(".json"):
            assert (out / name).read_bytes() == content


def test_a_disk_that_fills_up_is_named_whatever_is_being_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    runs, out = lay(tmp_path / "runs", "a b"), tmp_path / "out"
    recipe = replace(PLAIN, also=("check",))
    write, sync = Path.write_bytes, os.fsync
    finish(plan(listed_runs(runs)[:1], out, recipe), out, 1, hire=Here)
    before = left_by(out)

    def full(path: Path, content: bytes) -> int:
        if path.name.startswith(("grid.npz", ".check.json")):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return write(path, content)

    monkeypatch.setattr(Path, "write_bytes", full)
    lines = finish(plan(listed_runs(runs), out, recipe), out, 1, hire=Here)
    assert [(line["status"], line["fresh"]) for line in lines] == [("done", False), ("failed", True)]
    assert f"{out / 'b' / 'grid.npz'}: cannot be written (No space left on device)" in lines[1]["faults"][0]["words"]
    assert "make room on that disk" in lines[1]["faults"][0]["hint"]
    monkeypatch.setattr(Path, "write_bytes", write)

    def full_journal(file: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full_journal)
    with pytest.raises(OutputProblem, match=JOURNAL) as told:
        finish(plan(listed_runs(runs), out, recipe), out, 1, hire=Here)
    assert "what is finished is not done twice" in told.value.faults[0].hint
    monkeypatch.setattr(os, "fsync", sync)
    assert {name: content for name, content in left_by(out).items() if name.startswith("a/")} == {
        name: content for name, content in before.items() if name.startswith("a/")
    }


def test_the_command_says_what_came_of_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(lay(tmp_path / "term", "a b").parent)
    assert main(["batch", "term", "--dry-run"]) == 0
    assert "2 runs, to be mapped into term_maps:" in capsys.readouterr().out
    assert main(["batch", "term", "--jobs", "1", *PLAIN_FLAGS[:-1]]) == 0
    said = capsys.readouterr()
    assert said.out.splitlines()[0] == "2 runs: 2 mapped"
    assert said.err.splitlines() == ["1 of 2  a: 2 warnings", "2 of 2  b: 2 warnings"]
    assert Path("term_maps/contact_sheet_1.png").read_bytes().startswith(b"\x89PNG")
    shutil.rmtree("term/b")
    lay(tmp_path / "more", "x")
    (tmp_path / "more" / "x" / "readings.csv").write_text("angle_deg,range_cm\n")
    assert main(["batch", "more", "-q", "--json", *PLAIN_FLAGS]) == 1
    said = capsys.readouterr()
    assert json.loads(said.out)["exit_code"] == 1
    assert said.err.startswith("error: x failed: ")
    assert main(["batch", "term", "--jobs", "0"]) == 2
    assert main(["batch", "term", "--show"]) == 2


def test_contact_pages_hold_twelve_runs_each_in_one_size() -> None:
    import numpy as np

    from sonargrid.drawing.raster import cells_png

    png = cells_png(np.full((40, 60, 3), 40, dtype=np.uint8))
    pages = contact_pages([Small(f"run {n}", "2 things", png if n % 2 else None) for n in range(13)], "a term")
    assert len(pages) == 2
    first, second = map(png_pixels, pages)
    assert first.shape[1] == second.shape[1]
    assert first.shape[0] > second.shape[0]
    dark = (first == 40).all(axis=2)
    assert dark.mean() > 0.1  # six small maps lie there
    assert contact_pages([], "nothing") == ()

"""Work behind a real scheduler with two workers, one of which is killed; and what is told where there is none.

What must hold is bitwise equality with one machine (sums of whole multiples of 2^-14 are exact in binary floating
point, IEEE 754: no sum here needs more than 53 bits).
"""

from __future__ import annotations

import json
import math
import os
import signal
import sys
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from mapping_runs import PLACE, half_circles
from sonargrid.errors import SonargridError
from sonargrid.many import machines
from sonargrid.many.batch import finish, plan
from sonargrid.many.machines import OF_THIS_MACHINE, RUNS_A_TASK, Machines, reach
from sonargrid.many.pieces import Watched
from sonargrid.many.run_list import listed_runs
from sonargrid.many.workers import Died, Ready, Trade, as_it_is
from sonargrid.maps.additive import Part, parts_of
from sonargrid.maps.beams import make_beam
from sonargrid.maps.evidence import MapSettings, frame_for, ray_weights
from sonargrid.maps.grid import LogOddsGrid
from sonargrid.maps.kernels import Window
from sonargrid.maps.mapping import map_run
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Readings, Run, Station
from sonargrid.runs.run_files import save_run
from sonargrid_cli.main import main
from test_batch import PLAIN, Here, lay, left_by

distributed = pytest.importorskip("distributed", reason="the extra `machines` is not installed")
dask = pytest.importorskip("dask", reason="the extra `machines` is not installed")


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    """A scheduler with two workers."""
    with distributed.LocalCluster(n_workers=2, **OF_THIS_MACHINE) as started:
        yield started


@pytest.fixture
def two(cluster: Any) -> Iterator[Machines]:
    """Both of its workers, none of which may be killed."""
    with reach(cluster.scheduler_address, 0) as reached:
        assert reached.threads == 2
        yield reached


@pytest.fixture
def doomed() -> Iterator[Machines]:
    """Two workers of a scheduler of their own: a killed one need not be back for anything that follows."""
    with distributed.LocalCluster(n_workers=2, **OF_THIS_MACHINE) as own, reach(own.scheduler_address, 0) as reached:
        assert reached.threads == 2
        yield reached


def _logged(piece: tuple[int, str]) -> tuple[int, int]:
    number, folder = piece
    time.sleep(0.02)
    Path(folder, f"{number}_{os.getpid()}_{time.monotonic_ns()}").touch()
    return number, os.getpid()


LOGGED = Trade(as_it_is, _logged, as_it_is)


def test_a_killed_worker_costs_only_what_it_had_not_finished(doomed: Machines, tmp_path: Path) -> None:
    tasks = [(number, str(tmp_path)) for number in range(8 * RUNS_A_TASK)]
    killed = 0
    kept: dict[int, int] = {}
    for place, (number, worker) in doomed.hire(LOGGED).results(tasks):
        assert place == number
        kept[number] = worker
        if not killed:
            before = {int(path.name.split("_")[0]) for path in tmp_path.iterdir() if f"_{worker}_" in path.name}
            os.kill(worker, signal.SIGKILL)
            killed = worker
    assert sorted(kept) == list(range(len(tasks)))
    done = Counter(int(path.name.split("_")[0]) for path in tmp_path.iterdir())
    finished = {number for number in kept if kept[number] == killed}  # came from it before it died: not done again
    assert finished and len(finished) % RUNS_A_TASK == 0
    assert all(done[number] == 1 for number in finished)
    again = {number for number in done if done[number] > 1}
    assert again <= set(range(len(tasks))) - finished
    assert len(again) <= RUNS_A_TASK  # the one bundle that it was at
    assert before >= finished
    assert [event["what"] for event in doomed.log()].count("lost") >= 1


def _deadly(piece: int) -> int:
    if piece == 30:
        time.sleep(0.3)  # a worker that dies while it is still being started is not started again
        os._exit(7)
    return piece * piece


def test_a_piece_that_kills_its_workers_costs_itself_alone() -> None:
    with (
        dask.config.set({"distributed.scheduler.allowed-failures": 0}),
        distributed.LocalCluster(n_workers=2, **OF_THIS_MACHINE) as own,
        reach(own.scheduler_address, 0) as two_of_them,
    ):
        done = dict(two_of_them.hire(Trade(as_it_is, _deadly, as_it_is)).results(range(44)))
    assert isinstance(done[30], Died)
    assert str(done[30]) == "its process died, 1 time"
    assert {number: one for number, one in done.items() if number != 30} == {n: n * n for n in range(44) if n != 30}


def _ready_or_not(task: int) -> Any:
    return Ready("stood") if task % 2 else task


def test_what_is_ready_is_sent_nowhere_and_twenty_go_in_a_task(two: Machines, monkeypatch: pytest.MonkeyPatch) -> None:
    sizes: list[int] = []
    send = machines._MachineCrew._send

    def counted(crew: Any, bundle: list[tuple[int, Any]]) -> None:
        sizes.append(len(bundle))
        send(crew, bundle)

    monkeypatch.setattr(machines._MachineCrew, "_send", counted)
    done = dict(two.hire(Trade(_ready_or_not, abs, as_it_is)).results(range(100)))
    assert done == {number: "stood" if number % 2 else number for number in range(100)}
    assert sizes == [20, 20, 10]
    sizes.clear()
    assert dict(two.hire(Trade(as_it_is, abs, as_it_is)).results([-3, -4, -5])) == {0: 3, 1: 4, 2: 5}
    assert sizes == [2, 1]  # fewer than twenty for every worker: both have something to do


def test_drained_machines_begin_nothing_more(two: Machines) -> None:
    crew = two.hire(Trade(as_it_is, abs, as_it_is))
    done = []
    for place, _ in crew.results(range(400)):
        done.append(place)
        crew.drain()
    assert RUNS_A_TASK <= len(done) <= 5 * RUNS_A_TASK


def test_a_batch_on_machines_with_one_killed_leaves_what_one_machine_leaves(doomed: Machines, tmp_path: Path) -> None:
    runs = lay(tmp_path / "runs", " ".join(f"r{number:02d}" for number in range(10)))
    (runs / "r04" / "readings.csv").write_text("angle_deg,range_cm\n90,x\n")
    whole, out = tmp_path / "whole", tmp_path / "out"
    finish(plan(listed_runs(runs), whole, PLAIN), whole, 1, hire=Here)
    victims = list(doomed._client.run(os.getpid).values())

    def kill_one(line: dict[str, Any]) -> None:
        if line["status"] == "done" and victims:
            with suppress(ProcessLookupError):
                os.kill(victims[0], signal.SIGKILL)
            victims.clear()

    lines = finish(plan(listed_runs(runs), out, PLAIN), out, 1, watched=Watched(kill_one), hire=doomed.hire)
    assert [line["status"] for line in lines] == ["done"] * 4 + ["failed"] + ["done"] * 5
    assert left_by(out) == left_by(whole)
    again = finish(plan(listed_runs(runs), out, PLAIN), out, 1, hire=doomed.hire)
    assert [line["fresh"] for line in again] == [False] * 4 + [True] + [False] * 5


def many_stations(count: int) -> Any:
    """Return a run of stations round a spot, so that most cells hear from several."""
    turns = [2.0 * math.pi * number / count for number in range(count)]
    places = tuple(
        replace(PLACE, name=f"S{number}", x_m=0.4 * math.cos(turn), y_m=0.4 * math.sin(turn), heading_rad=turn)
        for number, turn in enumerate(turns)
    )
    return half_circles(2, stations=places)


def test_one_run_summed_on_machines_is_that_of_one_machine_to_the_bit(doomed: Machines) -> None:
    run, chosen = many_stations(14), MapSettings(solver="additive", cell_m=0.02)
    here = map_run(run, chosen).grid
    victims = list(doomed._client.run(os.getpid).values())

    def with_a_death(parts: Any) -> Any:
        for number, window in enumerate(doomed.sums(parts)):
            if number == 1:
                os.kill(victims[0], signal.SIGKILL)
            yield window

    there = map_run(run, chosen, elsewhere=with_a_death).grid
    assert there.log_odds.tobytes() == here.log_odds.tobytes()
    assert there.touched.tobytes() == here.touched.tobytes()
    assert np.abs(here.log_odds).max() > 1.0


def test_a_beam_that_is_summed_ray_by_ray_gives_the_same_bits_too(two: Machines) -> None:
    run, chosen = many_stations(6), MapSettings(solver="additive", cell_m=0.02, beam="piston")
    there = map_run(run, chosen, elsewhere=two.sums).grid
    assert there.log_odds.tobytes() == map_run(run, chosen).grid.log_odds.tobytes()


def test_the_poses_of_a_moving_robot_are_shared_out_and_the_sum_is_the_same_to_the_bit(two: Machines) -> None:
    rng = np.random.default_rng(3)
    count = 3000
    places = tuple(
        Station(f"p{n}", 3.0 * math.cos(n / 300), 3.0 * math.sin(n / 300), rng.uniform(-3.0, 3.0)) for n in range(count)
    )
    angle, none = np.full(count, 90.0), np.zeros(count)
    rows = Readings("angle_deg", "range_m", angle, rng.uniform(0.3, 0.9, count), np.arange(count), none, none)
    run, chosen = Run(rows, stations=places), MapSettings(solver="additive", cell_m=0.04)
    here = map_run(run, chosen).grid
    shares: list[float] = []

    def watched(parts: Iterator[Part]) -> Iterator[Window | None]:
        shares.extend(part.share for part in machines._joined(parts, 1.0 / 8.0))
        return two.sums(parts_again)

    pings, settings = calibrated(run), chosen.named()
    beam = make_beam("gaussian", run.ranger, settings.cell_m)
    weights = ray_weights(pings, run.ranger.mean_half_beam_rad, settings)
    parts_again = parts_of(pings, beam, frame_for(pings, beam, settings), settings, weights)
    there = map_run(run, chosen, elsewhere=watched).grid
    assert len(shares) == 8 and math.isclose(sum(shares), 1.0)
    assert there.log_odds.tobytes() == here.log_odds.tobytes()
    assert there.touched.tobytes() == here.touched.tobytes()


def test_the_commands_take_an_address(
    cluster: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    place = save_run(many_stations(5), tmp_path / "big")
    flags = ("--solver", "additive", "--cell", "4cm", "--no-objects", "-q")
    assert main(["map", str(place), *flags, "-o", "one"]) == 0
    assert main(["map", str(place), *flags, "-o", "two", "--machines", cluster.scheduler_address]) == 0
    assert Path("one/grid.npz").read_bytes() == Path("two/grid.npz").read_bytes()
    assert main(["map", str(place), "--machines", cluster.scheduler_address]) == 2
    assert "add --solver additive" in capsys.readouterr().err
    (tmp_path / "post.toml").write_text("[[post]]\nx_m = 0.1\ny_m = 0.6\ndiameter_m = 0.06\n[sweep]\nstep_deg = 9.0\n")
    (tmp_path / "ways.toml").write_text(
        'scene = "post.toml"\nseeds = 3\n[[setting]]\nsolver = "additive"\ncell_m = 0.05\nthings = false\n'
    )
    assert main(["study", "ways.toml", "-q", "--machines", cluster.scheduler_address]) == 0
    assert len(Path("ways_study/study.csv").read_text().splitlines()) == 4


@pytest.mark.parametrize("where", ["cluster", "tcp://", "tcp://host", "tcp://host:0", "tcp://host:99999", "host:8786"])
def test_what_is_no_address_is_refused_at_once(where: str, capsys: pytest.CaptureFixture[str]) -> None:
    for words in (["batch", "runs"], ["map", "run"], ["study", "study.toml"]):
        assert main([*words, "--machines", where]) == 2
        assert f"takes local or the address of a scheduler, got '{where}'" in capsys.readouterr().err


def test_nobody_at_the_address_is_told_within_seconds(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(machines, "ANSWER_S", 1.0)
    runs = lay(tmp_path / "runs", "a")
    start = time.monotonic()
    words = ["batch", str(runs), "-o", str(tmp_path / "out"), "--json", "--machines", "tcp://127.0.0.1:9"]
    assert main(words) == 1
    assert time.monotonic() - start < 10.0
    said = capsys.readouterr()
    assert "no scheduler answers at tcp://127.0.0.1:9 within 1 s" in said.err
    assert "Traceback" not in said.err
    assert json.loads(said.out)["exit_code"] == 1
    assert not (tmp_path / "out").exists()


def test_a_scheduler_without_workers_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(machines, "ANSWER_S", 1.0)
    with (
        distributed.LocalCluster(n_workers=0, **OF_THIS_MACHINE) as empty,
        pytest.raises(SonargridError, match="has no workers") as told,
        reach(empty.scheduler_address, 0),
    ):
        pytest.fail("there is nobody to reach")
    assert f"dask worker {empty.scheduler_address}" in told.value.faults[0].hint


def test_nobody_left_to_work_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(machines, "NOBODY_S", 1.0)
    with (
        distributed.LocalCluster(n_workers=1, **OF_THIS_MACHINE) as leaving,
        reach(leaving.scheduler_address, 0) as one,
    ):
        leaving.scale(0)
        while one._client.nthreads():
            time.sleep(0.05)
        with pytest.raises(SonargridError, match="has lost all its workers"):
            list(one.hire(Trade(as_it_is, _slow, as_it_is)).results(range(3)))


def _slow(piece: int) -> int:
    time.sleep(0.2)
    return piece


def test_a_scheduler_that_goes_away_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(machines, "ANSWER_S", 1.0)
    leaving = distributed.LocalCluster(n_workers=1, **OF_THIS_MACHINE)
    with leaving, pytest.raises(SonargridError, match=r"the scheduler at tcp://\S+ is gone") as told:
        monkeypatch.setattr(machines, "RUNS_A_TASK", 1)
        monkeypatch.setattr(machines, "ANSWER_S", 8.0)
        with reach(leaving.scheduler_address, 0) as one:
            monkeypatch.setattr(machines, "ANSWER_S", 1.0)
            for _ in one.hire(Trade(as_it_is, _slow, as_it_is)).results(range(30)):
                leaving.close()
    assert "what is finished is kept" in told.value.faults[0].hint


def test_workers_that_lack_the_program_are_refused() -> None:
    mine = machines.installed()
    assert machines._checked({"tcp://a:1": mine}) == []
    (note,) = machines._checked({"tcp://a:1": mine, "tcp://b:1": {**mine, "NumPy": "0.9"}})
    assert "tcp://b:1 has NumPy 0.9" in note
    with pytest.raises(SonargridError, match=r"tcp://b:1 has 0\.0\.1") as told:
        machines._checked({"tcp://a:1": ModuleNotFoundError("No module"), "tcp://b:1": {**mine, "sonargrid": "0.0.1"}})
    assert "tcp://a:1 cannot run it (ModuleNotFoundError: No module)" in str(told.value)


def test_without_the_extra_it_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    runs = lay(tmp_path / "runs", "a")
    assert main(["batch", str(runs), "-o", str(tmp_path / "out"), "--machines", "local"]) == 1
    said = capsys.readouterr().err
    assert "--machines needs the library dask.distributed" in said
    assert "pip install 'sonargrid[machines]'" in said


def test_a_grid_from_machines_merges_like_any_other(two: Machines) -> None:
    run, chosen = many_stations(4), MapSettings(solver="additive", cell_m=0.05)
    grid: LogOddsGrid = map_run(run, chosen, elsewhere=two.sums).grid
    assert np.array_equal((grid + grid).log_odds, 2.0 * map_run(run, chosen).grid.log_odds)

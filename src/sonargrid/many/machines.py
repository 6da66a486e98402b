"""Machines behind a scheduler as a crew, and as the place where one big run's stations are summed (extra `machines`).

    driver  reads the runs' files, sends runs in bundles, writes what comes back, keeps the journal
    worker  does the middle stride of a `Trade`, or sums a `Part`; touches no file

A worker that dies costs what it had not finished: the scheduler hands that to another one.  The runs of a bundle whose
workers keep dying are done last and one at a time, so that it shows which of them it is.  The library is imported when
it is asked for.
"""

from __future__ import annotations

import platform
import queue
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from itertools import chain
from time import monotonic
from typing import Any

import numpy as np

import sonargrid
from sonargrid.errors import SonargridError
from sonargrid.many.workers import Crew, Died, Ready, Trade
from sonargrid.maps.additive import Part, part_window
from sonargrid.maps.kernels import Window

LOCAL = "local"
RUNS_A_TASK = 20  # where there are so many for every worker: handing a task out and back costs milliseconds
BYTES_A_TASK = 64 * 2**20
SENT_AHEAD = 2  # tasks under way for every worker thread: one is done, one waits there
PARTS_A_THREAD = 4
POSE_ARRAYS = ("pose", "x_m", "y_m", "bearing_rad", "range_m", "weight")
ANSWER_S = 6.0  # a scheduler that does not answer within this is not there
NOBODY_S = 30.0  # a scheduler may be without workers for so long, while others start
LOOK_S = 0.5
# nobody else reaches it, its status page takes any free port, and what it logs is no word for a user
OF_THIS_MACHINE = {
    "threads_per_worker": 1,
    "host": "127.0.0.1",
    "dashboard_address": "127.0.0.1:0",
    "silence_logs": 50,  # critical
    # Ctrl-C reaches the whole terminal; the driver decides what comes of it
    "preload": ["import signal\nsignal.signal(signal.SIGINT, signal.SIG_IGN)\n"],
}
EXPLAIN = "sonargrid explain machines goes through it step by step"


def do_all(do: Callable[[Any], Any], bundle: Sequence[Any]) -> list[Any]:
    """Do the pieces of a bundle one after the other, on whichever machine this is."""
    return [do(one) for one in bundle]


def installed() -> dict[str, str]:
    """Return which versions this machine has of what results depend on."""
    return {"sonargrid": sonargrid.__version__, "Python": platform.python_version(), "NumPy": np.__version__}


class _Sent:
    """Tasks under way; their results are fetched the moment they are done, so that no later death can take them."""

    def __init__(self, client: Any, where: str) -> None:
        self._client, self._where = client, where
        self._under_way: dict[Any, Any] = {}
        self._back: queue.SimpleQueue[tuple[Any, Any]] = queue.SimpleQueue()

    def __len__(self) -> int:
        return len(self._under_way)

    def send(self, tag: Any, work: Callable[..., Any], *arguments: Any) -> None:
        """Send a task; `tag` comes back with its result."""
        future = self._client.submit(work, *arguments, pure=False)
        self._under_way[future] = tag
        future.add_done_callback(self._fetch)

    def _fetch(self, future: Any) -> None:
        try:
            self._back.put((future, future.result()))
        except BaseException as problem:  # told to whoever waits: this is the library's own thread
            self._back.put((future, problem))

    def come(self) -> tuple[Any, Any]:
        """Wait for a task and return its tag and its result, or the exception in its place.

        Raises
        ------
        SonargridError
            If the scheduler is gone, or its workers are and no other comes.
        """
        heard = staffed = monotonic()
        while True:
            try:
                future, answer = self._back.get(timeout=LOOK_S)
            except queue.Empty:
                now = monotonic()
                heard = now if self._client.status == "running" else heard
                staffed = now if heard < now or self._staffed() else staffed
                if now - heard > ANSWER_S:
                    raise self._gone(f"the scheduler at {self._where} is gone") from None
                if now - staffed > NOBODY_S:
                    raise self._gone(f"the scheduler at {self._where} has lost all its workers") from None
                continue
            tag = self._under_way.pop(future, None)
            if tag is None:  # cancelled meanwhile
                continue
            if type(answer).__name__ in ("CancelledError", "FutureCancelledError") or isinstance(answer, OSError):
                raise self._gone(f"the scheduler at {self._where} is gone") from None
            return tag, answer

    def _staffed(self) -> bool:
        try:
            return bool(self._client.nthreads())
        except OSError:
            return True  # it does not answer: that is told by its status

    def _gone(self, words: str) -> SonargridError:
        return SonargridError(words, hint="what is finished is kept: begin the same command again once it is mended")

    def cancel(self) -> None:
        """Let go of everything under way."""
        if self._under_way and self._client.status == "running":
            self._client.cancel(list(self._under_way), force=True)
        self._under_way.clear()


class _MachineCrew:
    """A `Crew` of workers behind a scheduler."""

    def __init__(self, client: Any, where: str, threads: int, trade: Trade) -> None:
        self._trade, self._threads = trade, threads
        self._sent = _Sent(client, where)
        self._suspects: list[tuple[int, Any]] = []
        self._draining, self._more = False, True

    def results(self, tasks: Sequence[Any]) -> Iterator[tuple[int, Any]]:
        """Yield (place of the task, its result or `Died`) as they come in, in any order."""
        size = min(RUNS_A_TASK, -(-len(tasks) // self._threads))
        waiting = iter(enumerate(tasks))
        try:
            while True:
                while self._more and not self._draining and len(self._sent) < SENT_AHEAD * self._threads:
                    yield from self._filled(waiting, size)
                if not len(self._sent) and self._suspects:
                    self._send([self._suspects.pop()])
                if not len(self._sent):
                    return
                yield from self._written(*self._sent.come())
        finally:
            self.stop()

    def _send(self, bundle: list[tuple[int, Any]]) -> None:
        self._sent.send(bundle, do_all, self._trade.do, [got for _, got in bundle])

    def _filled(self, waiting: Iterator[tuple[int, Any]], size: int) -> Iterator[tuple[int, Any]]:
        """Send one bundle; yield what turns out to be ready without that."""
        bundle: list[tuple[int, Any]] = []
        weight = 0
        for place, task in waiting:
            got = self._trade.read(task)
            if isinstance(got, Ready):
                yield place, got.answer
                if self._draining:
                    return
                continue
            bundle.append((place, got))
            weight += getattr(got, "nbytes", 0)
            if len(bundle) >= size or weight >= BYTES_A_TASK:
                break
        else:
            self._more = False
        if bundle:
            self._send(bundle)

    def _written(self, bundle: list[tuple[int, Any]], answer: Any) -> Iterator[tuple[int, Any]]:
        if type(answer).__name__ == "KilledWorker":
            if len(bundle) == 1 and not len(self._sent):  # it was alone: nobody else can have done it
                yield bundle[0][0], Died(None, answer.allowed_failures + 1)
            else:
                self._suspects += bundle
            return
        if isinstance(answer, BaseException):
            raise _cannot(answer)
        for (place, _), done in zip(bundle, answer, strict=True):
            yield place, self._trade.write(done)

    def drain(self) -> None:
        """Begin no further task; what was sent is finished."""
        self._draining = True

    def stop(self) -> None:
        """Let go of everything that was sent."""
        self._sent.cancel()


class Machines:
    """A scheduler and its workers, from `reach`.

    threads : how many pieces of work they do at once
    notes : sentences for the user
    """

    def __init__(self, client: Any, where: str) -> None:
        self._client, self._where = client, where
        self.threads = sum(client.nthreads().values())
        self.notes = _checked(client.run(installed, on_error="return"))

    def hire(self, trade: Trade) -> Crew:
        """Return a crew for a trade."""
        return _MachineCrew(self._client, self._where, self.threads, trade)

    def sums(self, parts: Iterator[Part]) -> Iterator[Window | None]:
        """Yield the sums of parts of one run in any order: together they are, to the bit, what one machine sums.

        Parameters
        ----------
        parts : iterator of Part
            A station each; joined so that each thread gets `PARTS_A_THREAD` of about as many readings.
        """
        sent = _Sent(self._client, self._where)
        try:
            for part in _joined(parts, 1.0 / (PARTS_A_THREAD * self.threads)):
                sent.send(part.share, part_window, part)
                if len(sent) > (1 + PARTS_A_THREAD) * self.threads:
                    yield _window(sent.come()[1])
            while len(sent):
                yield _window(sent.come()[1])
        finally:
            sent.cancel()

    def log(self) -> list[dict[str, Any]]:
        """Return what the scheduler saw of its workers: who came and who was lost, when [s], with how many tasks."""
        told: list[dict[str, Any]] = []
        for when, event in self._client.get_events("all"):
            what = event.get("action") if isinstance(event, dict) else ""
            if what == "add-worker":
                told.append({"at": when, "worker": event["worker"], "what": "came"})
            elif what == "remove-worker" and not event.get("expected"):
                left = len(event.get("processing-tasks", ()))
                told.append({"at": when, "worker": event["worker"], "what": "lost", "unfinished": left})
        return told


def _window(answer: Any) -> Window | None:
    if isinstance(answer, BaseException):
        raise _cannot(answer)
    window: Window | None = answer
    return window


def _cannot(problem: BaseException) -> SonargridError:
    if type(problem).__name__ == "KilledWorker":
        return SonargridError("every worker that had a part of the run died", hint="do they have memory enough?")
    words = f"{type(problem).__name__}: {' '.join(str(problem).split())}"
    return SonargridError(f"the workers cannot do this work ({words})", hint=EXPLAIN)


def _joined(parts: Iterator[Part], share: float) -> Iterator[Part]:
    """Yield parts put together, and those of many poses cut, until each has about so large a share of the run."""
    some: list[Part] = []
    for part in chain.from_iterable(_cut(one, share) for one in parts):
        some.append(part)
        if sum(one.share for one in some) >= share:
            yield _one(some)
            some = []
    if some:
        yield _one(some)


def _cut(part: Part, share: float) -> Iterator[Part]:
    """Yield a part of many poses in pieces of so large a share, no pose cut; any other part as it is."""
    from sonargrid.maps.many_poses import PosePings

    some = part.stations[0]
    if not isinstance(some, PosePings) or part.share <= share:
        yield part
        return
    ends = np.r_[np.flatnonzero(np.diff(some.pose)) + 1, some.pose.size]
    first, wanted = 0, max(1, round(share / part.share * some.readings))
    while first < some.readings:
        last = int(ends[min(ends.size - 1, np.searchsorted(ends, first + wanted))])
        arrays = {name: getattr(some, name)[first:last] for name in POSE_ARRAYS}
        yield replace(part, stations=(replace(some, **arrays),), share=(last - first) / some.readings * part.share)
        first = last


def _one(parts: list[Part]) -> Part:
    stations = tuple(one for part in parts for one in part.stations)
    return replace(parts[0], stations=stations, share=sum(part.share for part in parts))


def _checked(told: dict[str, Any]) -> list[str]:
    """Refuse workers that lack the program or have another version of it; return notes on what else differs.

    Raises
    ------
    SonargridError
        With each worker that cannot be used, and why.
    """
    mine = installed()
    wrong, other = [], []
    for worker, has in sorted(told.items()):
        if isinstance(has, BaseException):
            wrong.append(f"{worker} cannot run it ({type(has).__name__}: {' '.join(str(has).split())[:80]})")
        elif has["sonargrid"] != mine["sonargrid"]:
            wrong.append(f"{worker} has {has['sonargrid']}")
        elif has != mine:
            other.append(f"{worker} has {', '.join(f'{name} {has[name]}' for name in has if has[name] != mine[name])}")
    if wrong:
        hint = f"install sonargrid {mine['sonargrid']} on every machine, in the environment that its worker runs in"
        raise SonargridError(f"not every worker has this sonargrid: {'; '.join(wrong)}", hint=hint)
    words = "where NumPy or Python differ, a map may differ in its last bit"
    return [f"{'; '.join(other)}, here are {mine['Python']} and {mine['NumPy']}: {words}"] if other else []


@contextmanager
def reach(where: str, jobs: int) -> Iterator[Machines]:
    """Reach a scheduler and its workers, or start some here, while the body runs.

    Parameters
    ----------
    where : str
        ``local``, or the scheduler's address, ``tcp://host:port``.
    jobs : int
        How many workers to start where it is ``local``.

    Raises
    ------
    SonargridError
        If the extra is not installed, nobody answers at the address, or its workers cannot do the work.
    """
    try:
        import dask
        import distributed as library
    except ImportError:
        hint = "python -m pip install 'sonargrid[machines]', here and on every machine"
        raise SonargridError("--machines needs the library dask.distributed", hint=hint) from None
    distributed: Any = library
    with ExitStack() as stack:
        # a bundle travels inside its task, as the scheduler keeps that for the day when a worker dies
        stack.enter_context(dask.config.set({"distributed.admin.large-graph-warning-threshold": "4 GiB"}))
        address: Any = where
        if where == LOCAL:
            with _deaf_to_interrupts():
                address = stack.enter_context(distributed.LocalCluster(n_workers=jobs, **OF_THIS_MACHINE))
        client = stack.enter_context(_client(distributed, address, where))
        try:
            client.wait_for_workers(1, timeout=ANSWER_S)
        except TimeoutError:
            hint = f"start some on each machine: dask worker {where} --nworkers auto --nthreads 1"
            raise SonargridError(f"the scheduler at {where} has no workers", hint=hint) from None
        try:
            yield Machines(client, where)
        finally:
            with _deaf_to_interrupts():  # broken off here, processes would be left behind
                stack.close()


@contextmanager
def _deaf_to_interrupts() -> Iterator[None]:
    """Let processes that start meanwhile be born deaf to Ctrl-C, as they hear it before they can be told not to."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _client(distributed: Any, address: Any, where: str) -> Any:
    try:
        return distributed.Client(address, timeout=ANSWER_S, set_as_default=False)
    except (OSError, ValueError) as problem:
        hint = f"start one there: dask scheduler --host ADDRESS --port 8786; {EXPLAIN}"
        words = f"no scheduler answers at {where} within {ANSWER_S:g} s"
        raise SonargridError(f"{words} ({' '.join(str(problem).split())[:100]})", hint=hint) from None

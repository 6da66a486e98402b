"""Processes that do pieces of work and may die: a dead one costs the piece it had, which is tried once more.

The parent hands out one piece at a time over a pipe.  A worker whose parent is gone reads the end of its pipe, finishes
what it has and leaves; it never writes anything but what its piece of work writes.  No files here.
"""

from __future__ import annotations

import os
import signal
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from multiprocessing import get_context
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnProcess
from typing import Any, Protocol

TRIES = 2  # a piece that kills its worker twice is given up
ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")


@dataclass(frozen=True, slots=True)
class Died:
    """In place of a result: the worker died on this piece, every time it was tried.

    exit_code : of the last worker; negative = the signal that ended it, None = not known
    times : how often it was tried
    """

    exit_code: int | None
    times: int = TRIES

    def __str__(self) -> str:
        code = self.exit_code
        how = "" if code is None else f" (signal {-code})" if code < 0 else f" (exit code {code})"
        return f"its process died{how}, {self.times} time{'' if self.times == 1 else 's'}"


@dataclass(frozen=True, slots=True)
class Ready:
    """In place of something to be done: there is nothing to do, this is the result."""

    answer: Any


@dataclass(frozen=True, slots=True)
class Trade:
    """A kind of work in three strides; each a function of a module, so that it can be sent by its name.

    read : task -> what is to be done, or `Ready`; may read files
    do : that -> what is to be written; touches no file, so that any machine can do it
    write : that -> the result; may write files
    """

    read: Callable[[Any], Any]
    do: Callable[[Any], Any]
    write: Callable[[Any], Any]

    def whole(self, task: Any) -> Any:
        """Return the result of a task, done in one go."""
        got = self.read(task)
        return got.answer if isinstance(got, Ready) else self.write(self.do(got))


def as_it_is(task: Any) -> Any:
    """Return a task as it is: where nothing is to be read or written.

    >>> as_it_is(3)
    3
    """
    return task


class Crew(Protocol):
    """Whoever does pieces of work: processes of this machine, or other machines."""

    def results(self, tasks: Sequence[Any]) -> Iterator[tuple[int, Any]]:
        """Yield (place of the task, its result or `Died`) as they come in, in any order."""

    def drain(self) -> None:
        """Begin no further task."""

    def stop(self) -> None:
        """End all work at once; what was being done is lost."""


@dataclass(slots=True, eq=False)
class _Worker:
    process: SpawnProcess
    pipe: Connection
    piece: int | None = None


def _serve(pipe: Connection, work: Callable[[Any], Any], before: Callable[[], None] | None) -> None:
    """Do pieces of work until the parent has no more, or is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches the whole terminal; the parent decides
    if before is not None:
        before()
    with suppress(EOFError, BrokenPipeError, ConnectionResetError):
        while True:
            piece, task = pipe.recv()
            pipe.send((piece, work(task)))


class Workers:
    """A set of worker processes for one function.

    Parameters
    ----------
    work : function
        Of one task; must be importable by its name, catch its own faults and return something that can be pickled.
    count : int
        How many processes.
    before : function, optional
        Called once in each worker.
    """

    def __init__(self, work: Callable[[Any], Any], count: int, before: Callable[[], None] | None = None) -> None:
        if count < 1:
            raise ValueError(f"at least one worker is needed, got {count}")
        self._work, self._count, self._before = work, count, before
        self._alive: list[_Worker] = []
        self._draining = False

    def results(self, tasks: Sequence[Any]) -> Iterator[tuple[int, Any]]:
        """Yield (place of the task, its result or `Died`) as they come in, in any order.

        After `drain` no further task is begun: the iterator ends when the running ones are done.
        """
        waiting = deque(range(len(tasks)))
        tries = [0] * len(tasks)
        try:
            while True:
                while waiting and not self._draining and (free := self._free(len(waiting))) is not None:
                    piece = waiting.popleft()
                    tries[piece] += 1
                    if not self._hand_out(free, piece, tasks[piece]):
                        waiting.appendleft(piece)
                        tries[piece] -= 1
                if not any(one.piece is not None for one in self._alive):
                    if not waiting or self._draining:
                        return
                    continue
                for worker, answer in self._answers():
                    done = worker.piece
                    worker.piece = None
                    if done is None:
                        continue
                    if answer is not None:
                        yield answer
                    elif tries[done] >= TRIES:
                        yield done, Died(worker.process.exitcode)
                    else:
                        waiting.appendleft(done)
        finally:
            self.stop()

    def drain(self) -> None:
        """Begin no further task."""
        self._draining = True

    def stop(self) -> None:
        """End all workers at once; what they were at is lost."""
        for one in self._alive:
            one.pipe.close()
            if one.piece is not None:
                one.process.kill()
        for one in self._alive:
            one.process.join()
        self._alive.clear()

    def _free(self, wanted: int) -> _Worker | None:
        """Return a worker without work, a new one if there may be more."""
        idle = next((one for one in self._alive if one.piece is None), None)
        if idle is not None or len(self._alive) >= min(self._count, wanted + self._busy()):
            return idle
        context = get_context("spawn")  # a forked copy would inherit locks of threads that it does not have
        ours, theirs = context.Pipe()
        process = context.Process(target=_serve, args=(theirs, self._work, self._before), daemon=True)
        with _one_thread_each():
            process.start()
        theirs.close()  # so that our end tells when the worker is gone
        worker = _Worker(process, ours)
        self._alive.append(worker)
        return worker

    def _busy(self) -> int:
        return sum(one.piece is not None for one in self._alive)

    def _hand_out(self, worker: _Worker, piece: int, task: Any) -> bool:
        try:
            worker.pipe.send((piece, task))
        except (BrokenPipeError, ConnectionResetError):  # it died between two pieces
            self._bury(worker)
            return False
        worker.piece = piece
        return True

    def _answers(self) -> list[tuple[_Worker, tuple[int, Any] | None]]:
        """Wait for at least one worker and return what it said; None = it died."""
        by_pipe = {one.pipe: one for one in self._alive}
        heard: list[tuple[_Worker, tuple[int, Any] | None]] = []
        for pipe in wait(list(by_pipe)):
            worker = by_pipe[pipe]  # type: ignore[index]
            try:
                heard.append((worker, worker.pipe.recv()))
            except (EOFError, ConnectionResetError, OSError):
                self._bury(worker)
                heard.append((worker, None))
        return heard

    def _bury(self, worker: _Worker) -> None:
        worker.pipe.close()
        worker.process.join()
        self._alive.remove(worker)


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """While workers start, tell their numerical libraries to keep to one thread: the processes share the cores."""
    before = {name: os.environ.get(name) for name in ONE_THREAD}
    for name in ONE_THREAD:
        os.environ.setdefault(name, "1")
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]


def cores() -> int:
    """Return how many cores this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not on every system
        return os.cpu_count() or 1

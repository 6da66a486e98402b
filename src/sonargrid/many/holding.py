"""One job at a time in a folder, and none while workers of a job that was killed still write there.

Advisory locks of the system; where it has none (`fcntl` is missing) two jobs in one folder are the user's care.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sonargrid.errors import OutputProblem

LOCK, WORKERS_LOCK = ".batch.lock", ".batch_workers.lock"


@contextmanager
def alone(folder: Path) -> Iterator[None]:
    """Hold a folder while the body runs; waits until workers of a killed job have left.

    Raises
    ------
    OutputProblem
        If another job holds it.
    """
    try:
        import fcntl
    except ImportError:  # not on every system: there, two batches in one folder are the user's care
        yield
        return
    with (folder / LOCK).open("ab") as own, (folder / WORKERS_LOCK).open("ab") as theirs:
        try:
            fcntl.flock(own, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            hint = "wait for it, or choose another folder with -o"
            raise OutputProblem("another batch or study is at work there", hint=hint, file=str(folder)) from None
        fcntl.flock(theirs, fcntl.LOCK_EX)  # workers leave by themselves when their run is done
        fcntl.flock(theirs, fcntl.LOCK_UN)
        yield


def hold_workers_lock(path: str) -> None:
    """Tell, as long as this process lives, that a worker may still write in the folder."""
    try:
        import fcntl
    except ImportError:
        return
    fcntl.flock(os.open(path, os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o666), fcntl.LOCK_SH)

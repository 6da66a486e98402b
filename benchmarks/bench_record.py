"""How many lines a second `record` takes, over a real pseudo-terminal: unpaced beside a bare reader, and paced.

Unpaced: the same bytes are once only read by ``os.read`` (the yardstick), once recorded.  Paced: lines come evenly at a
rate that no hobby controller reaches; told are lines lost, the processor's share, and how far the run lags behind.
By hand: ``python benchmarks/bench_record.py [--smoke]``; asv finds the class.
"""

from __future__ import annotations

import os
import pty
import sys
import tempfile
import termios
import threading
import time
from pathlib import Path

from sonargrid.runs.byte_source import open_source
from sonargrid.runs.heard_lines import LineReader
from sonargrid.runs.new_run import NewRun
from sonargrid.runs.recorded_run import open_for_recording
from sonargrid.runs.recording import Limits, record

LINES, SMOKE_LINES = 100_000, 4_000
PACED, SMOKE_PACED = (5_000, 20.0), (2_000, 1.0)  # lines a second, seconds


def stream(count: int) -> bytes:
    """Return what a head sends that goes to and fro."""
    there = list(range(10, 171, 5))
    both = there + there[::-1]
    rows = (f"{both[i % len(both)]},{2000 + 7 * both[i % len(both)]},{0.062 * i:.3f}\n" for i in range(count))
    return b"angle_deg,echo_us,time_s\n" + "".join(rows).encode()


class Line:
    """Both ends of a pseudo-terminal in raw mode."""

    def __init__(self) -> None:
        self.robot, self.other = pty.openpty()
        mode = termios.tcgetattr(self.other)
        mode[0] = mode[1] = mode[3] = 0
        termios.tcsetattr(self.other, termios.TCSANOW, mode)
        self.name = os.ttyname(self.other)

    def send(self, data: bytes, lines_a_second: float = 0.0) -> None:
        """Send bytes, at once or evenly paced in steps of 10 ms."""
        step = 3500 if not lines_a_second else max(1, int(lines_a_second / 100.0 * len(data) / data.count(b"\n")))
        begun = time.perf_counter()
        for number, at in enumerate(range(0, len(data), step), 1):
            part = data[at : at + step]
            while part:
                part = part[os.write(self.robot, part) :]
            if lines_a_second:
                time.sleep(max(0.0, begun + number * 0.01 - time.perf_counter()))

    def close(self) -> None:
        """Let go of both ends."""
        os.close(self.robot)
        os.close(self.other)


def bare(data: bytes) -> float:
    """Return how long it takes to read the bytes and do nothing with them [s]."""
    line, begun, left = Line(), time.perf_counter(), len(data)
    sender = threading.Thread(target=line.send, args=(data,))
    sender.start()
    while left:
        left -= len(os.read(line.other, 65536))
    took = time.perf_counter() - begun
    sender.join()
    line.close()
    return took


def recorded(data: bytes, lines_a_second: float = 0.0) -> tuple[float, float, int]:
    """Return how long recording the bytes takes [s], the processor's part of it [s], and how many rows were lost."""
    count = data.count(b"\n") - 1
    with tempfile.TemporaryDirectory() as folder:
        line = Line()
        source = open_source(line.name, 115200)
        run = open_for_recording(str(Path(folder) / "run"), NewRun())
        reader = LineReader(joined_late=True)
        sender = threading.Thread(target=line.send, args=(data, lines_a_second))
        begun, worked = time.perf_counter(), time.process_time()
        sender.start()
        record(source, reader, run, limits=Limits(readings=count, seconds=300.0))
        took, worked = time.perf_counter() - begun, time.process_time() - worked
        sender.join()
        source.close()
        line.close()
        rows = run.readings_path.read_bytes().count(b"\n") - 1
    return took, worked, count - rows


class TimeRecord:
    """asv: lines as fast as they come."""

    def setup(self) -> None:
        """Make the stream."""
        self.data = stream(SMOKE_LINES)

    def time_bare(self) -> None:
        """The yardstick."""
        bare(self.data)

    def time_record(self) -> None:
        """Into a run."""
        recorded(self.data)


def main(smoke: bool) -> None:
    """Print lines a second, the ratio to the yardstick, and the paced figures."""
    data = stream(SMOKE_LINES if smoke else LINES)
    count = data.count(b"\n") - 1
    rounds = [(bare(data), recorded(data)) for _ in range(1 if smoke else 3)]
    plain, took = min(one for one, _ in rounds), min(one[0] for _, one in rounds)
    print(f"unpaced: {count / took:,.0f} lines/s, {took / plain:.1f} times the bare reader, lost {rounds[0][1][2]}")
    rate, seconds = SMOKE_PACED if smoke else PACED
    data = stream(int(rate * seconds))
    took, worked, lost = recorded(data, rate)
    print(
        f"paced: {rate:,} lines/s for {seconds:g} s: lost {lost}, {100 * worked / took:.0f} % of one processor "
        f"(sender included), done {1000 * (took - seconds):.0f} ms after the last line was due"
    )


if __name__ == "__main__":
    main("--smoke" in sys.argv)

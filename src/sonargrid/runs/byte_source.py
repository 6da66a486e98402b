"""Where a robot's bytes come from: a serial port, a file, a named pipe, a pseudo-terminal or standard input.

One way to read all of them: what has come so far, b"" where nothing has yet, None at the end.  Nothing is decoded here.
"""

from __future__ import annotations

import os
import select
import stat
import time
from typing import Any, Protocol

from sonargrid.errors import SonargridError
from sonargrid.runs.run_input import PATIENCE_S, STANDARD_INPUT

CHUNK = 1 << 16
USUAL_RATES = (9600, 115200, 57600, 38400, 19200, 230400, 250000)  # what sketches use; common practice, no source


class Source(Protocol):
    """A stream of bytes that is read while it comes.

    name : what messages call it
    serial : whether it is a line that may be joined in mid-sentence and pulled out
    """

    name: str
    serial: bool

    def read(self, wait_s: float) -> bytes | None:
        """Return what has come, b"" where nothing came in time, None at the end; OSError where the line is gone."""
        ...

    def close(self) -> None:
        """Let go of it."""
        ...


class Descriptor:
    """A file, a pipe or standard input, by its descriptor; the end of a pipe counts once somebody has written."""

    serial = False

    def __init__(self, number: int, name: str, *, own: bool, pipe: bool = False) -> None:
        self.name = name
        self._number, self._own = number, own
        self._patience = time.monotonic() + PATIENCE_S if pipe else None  # None = the first end is the end

    def read(self, wait_s: float) -> bytes | None:
        """Return what has come, b"" where nothing came in time, None at the end."""
        if not select.select([self._number], [], [], wait_s)[0]:
            return b""
        try:
            part = os.read(self._number, CHUNK)
        except BlockingIOError:  # a pipe whose writer has not written yet
            self._patience = None
            return b""
        if part:
            self._patience = None
            return part
        if self._patience is None:
            return None
        if time.monotonic() > self._patience:
            hint = "start the writer first"
            raise SonargridError(f"nobody writes into this pipe (waited {PATIENCE_S:g} s)", hint=hint, file=self.name)
        time.sleep(min(wait_s, 0.02))
        return b""

    def close(self) -> None:
        """Let go of it."""
        if self._own:
            os.close(self._number)


class SerialPort:
    """A serial port, a pseudo-terminal, or a port far away (``socket://host:port``), through pyserial."""

    serial = True

    def __init__(self, port: Any, name: str) -> None:
        self.name = name
        self._port = port

    def read(self, wait_s: float) -> bytes | None:
        """Return what has come, b"" where nothing came in time; OSError where the line is gone."""
        self._port.timeout = wait_s
        first: bytes = self._port.read(1)
        if first:
            first += self._port.read(min(self._port.in_waiting, CHUNK))
        return first

    def close(self) -> None:
        """Let go of it."""
        self._port.close()


def open_source(name: str, baud: int) -> Source:
    """Return the stream of a name: ``-``, a path, or a URL of pyserial's.

    Raises
    ------
    SonargridError
        If there is nothing of that name, or it cannot be opened.
    """
    if name == "-":
        return Descriptor(0, STANDARD_INPUT, own=False)
    try:
        if "://" in name:
            return _serial_port(name, baud)
        mode = os.stat(name).st_mode
        if stat.S_ISDIR(mode):
            raise SonargridError("is a folder, no stream of bytes", hint=_ports_hint(), file=name)
        number = os.open(name, os.O_RDONLY | os.O_NONBLOCK | getattr(os, "O_NOCTTY", 0))
        if stat.S_ISCHR(mode) and os.isatty(number):
            os.close(number)
            return _serial_port(name, baud)
    except OSError as problem:
        words = (problem.strerror or str(problem)).lower()
        raise SonargridError(f"cannot be opened: {words}", hint=_ports_hint(), file=name) from None
    return Descriptor(number, name, own=True, pipe=stat.S_ISFIFO(mode))


def _serial_port(name: str, baud: int) -> SerialPort:
    try:
        import serial
    except ImportError:
        hint = "pip install 'sonargrid[serial]', or pipe the bytes into --from -"
        raise SonargridError("reading a serial port needs the extra `serial`", hint=hint, file=name) from None
    try:
        return SerialPort(serial.serial_for_url(name, baudrate=baud, timeout=0.2), name)
    except (OSError, ValueError) as problem:  # pyserial's own errors are OSErrors
        words = str(getattr(problem, "strerror", None) or problem).lower()
        hint = "is another program (a serial monitor) holding it, and may you read it?"
        raise SonargridError(f"cannot be opened: {words}", hint=hint, file=name) from None


def serial_ports() -> list[tuple[str, str]]:
    """Return (path, what it calls itself) of the USB serial ports of this machine; empty without pyserial."""
    try:
        from serial.tools.list_ports import comports
    except ImportError:
        return []
    return sorted((port.device, port.description) for port in comports() if port.vid is not None)


def _ports_hint() -> str:
    found = serial_ports()
    if not found:
        return "no USB serial port is to be seen here; is the cable in?"
    return "ports here: " + ", ".join(f"{path} ({words})" for path, words in found)

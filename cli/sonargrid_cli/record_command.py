"""`record`: a robot's readings into a run while it sweeps.

Everything that loads numpy is imported inside the bodies.
"""

from __future__ import annotations

import json
import math
import signal
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sonargrid.errors import OutputProblem, SonargridError, UsageProblem
from sonargrid_cli.live_strip import LiveScreen, Strip, counted
from sonargrid_cli.log_options import choice, column_names, numbers
from sonargrid_cli.notes import told
from sonargrid_cli.run_options import ScreenOptions, length_of, spread

if TYPE_CHECKING:
    from sonargrid.runs.byte_source import Source
    from sonargrid.runs.heard_lines import LineReader, Reading
    from sonargrid.runs.recorded_run import RecordedRun
    from sonargrid.runs.recording import Ending

PLACE_PANEL, ROBOT_PANEL, END_PANEL = "Where it stands", "What it sends", "When to stop"
PATIENCE_S = 2.0  # after so long without a byte it is said what is awaited
COURSE_US_PER_M = 343.0 / 2e6  # echo times to metres, for the screen only


@dataclass(frozen=True, slots=True)
class StreamOptions:
    """Where the bytes come from, and what they are."""

    source: Annotated[
        str | None,
        typer.Option("--from", metavar="PORT", help="A serial port, a file, a pipe, or - for standard input."),
    ] = None
    baud: Annotated[int, typer.Option("--baud", help="Of a serial port, as in the robot's program.")] = 115200
    columns: Annotated[
        str | None,
        typer.Option(
            "--columns", metavar="A,B,...", help="angle, distance, time or skip.", rich_help_panel=ROBOT_PANEL
        ),
    ] = None
    angle_unit: Annotated[
        str | None, typer.Option("--angle-unit", metavar="UNIT", help="deg, rad, pulse.", rich_help_panel=ROBOT_PANEL)
    ] = None
    distance_unit: Annotated[
        str | None,
        typer.Option("--distance-unit", metavar="UNIT", help="m, cm, mm, in, us.", rich_help_panel=ROBOT_PANEL),
    ] = None
    no_echo_at: Annotated[
        str | None,
        typer.Option("--no-echo-at", metavar="0,999", help="Values for nothing heard.", rich_help_panel=ROBOT_PANEL),
    ] = None
    ahead: Annotated[
        float | None,
        typer.Option("--ahead", metavar="DEG", help="Its angle that looks ahead.", rich_help_panel=ROBOT_PANEL),
    ] = None
    turns: Annotated[
        str | None,
        typer.Option("--turns", metavar="ccw|cw", help="cw: growing angles turn right.", rich_help_panel=ROBOT_PANEL),
    ] = None
    reach: Annotated[
        str | None, typer.Option("--reach", metavar="LENGTH", help="How far it hears.", rich_help_panel=ROBOT_PANEL)
    ] = None
    temperature: Annotated[
        float | None, typer.Option("--temperature", metavar="DEGC", help="Of the air.", rich_help_panel=ROBOT_PANEL)
    ] = None


@dataclass(frozen=True, slots=True)
class PlaceOptions:
    """The station, and when to stop."""

    station: Annotated[
        str | None,
        typer.Option("--station", metavar="NAME", help="Else the first without readings.", rich_help_panel=PLACE_PANEL),
    ] = None
    x: Annotated[float | None, typer.Option("--x", metavar="METRES", rich_help_panel=PLACE_PANEL)] = None
    y: Annotated[float | None, typer.Option("--y", metavar="METRES", rich_help_panel=PLACE_PANEL)] = None
    heading: Annotated[
        float | None,
        typer.Option("--heading", metavar="DEG", help="Counter-clockwise from +x.", rich_help_panel=PLACE_PANEL),
    ] = None
    readings: Annotated[
        int | None, typer.Option("--readings", min=1, help="After so many.", rich_help_panel=END_PANEL)
    ] = None
    seconds: Annotated[
        float | None, typer.Option("--seconds", min=0.1, help="After so long.", rich_help_panel=END_PANEL)
    ] = None


@spread
def record_run(
    out: Annotated[str, typer.Argument(metavar="RUN", help="A run's folder; made if there is none.")],
    stream: StreamOptions,
    place: PlaceOptions,
    screen: ScreenOptions,
) -> str:
    """Record a robot's sweeps into a run, station by station.

    Until Ctrl-C. Every line is kept as it came (heard_NAME.log) before it is read.

    Example: sonargrid record bench --station A
    """
    answers, stated = _answers(stream)
    where = _place(place)
    from sonargrid.runs.byte_source import open_source
    from sonargrid.runs.heard_lines import LineReader
    from sonargrid.runs.recorded_run import nothing_came, open_for_recording
    from sonargrid.runs.recording import Limits, record

    source = open_source(_source_name(stream.source), stream.baud)
    try:
        run = open_for_recording(out, answers, place.station, where)
        said = bool(stream.columns or stream.angle_unit or stream.distance_unit)
        reader = LineReader(
            None if said else run.columns,
            stated,
            ahead_deg=stream.ahead,
            joined_late=source.serial,
            no_echo_at=run.ranger.no_echo_at,
        )
        watch = _Watch(run, reader, source, stream.baud, screen.quiet)
        limits = Limits(place.readings or math.inf, place.seconds or math.inf)
        try:
            with _stopping() as stop:
                ending = record(source, reader, run, stop, watch.tell, limits)
        finally:
            removed = nothing_came(run)
    finally:
        source.close()
    if reader.readings:
        watch.last()
    return _spoken(out, run, reader, ending, removed, watch, screen)


def _answers(stream: StreamOptions) -> tuple[Any, Any]:
    """Return what a new run.toml says, and what is known of the lines."""
    choice("--angle-unit", stream.angle_unit, ("deg", "rad", "pulse"))
    choice("--distance-unit", stream.distance_unit, ("m", "cm", "mm", "in", "us"))
    choice("--turns", stream.turns, ("ccw", "cw"))
    nothing = numbers("--no-echo-at", stream.no_echo_at)
    columns = column_names(stream.columns)
    reach_m = 1.0 if stream.reach is None else length_of(stream.reach, "--reach")
    from sonargrid.runs.log_guess import DISTANCE_UNITS, Stated
    from sonargrid.runs.new_run import NewRun

    answers = NewRun(
        DISTANCE_UNITS[stream.distance_unit or "us"],
        nothing or (),
        -1 if stream.turns == "cw" else 1,
        reach_m,
        stream.temperature,
    )
    return answers, Stated(columns, stream.angle_unit, stream.distance_unit, nothing)


def _place(place: PlaceOptions) -> tuple[float, float, float] | None:
    given = (place.x, place.y, place.heading)
    if all(value is None for value in given):
        return None
    if place.x is None or place.y is None or place.heading is None:
        raise UsageProblem("a place needs --x, --y and --heading", hint="such as --x 0.8 --y 0 --heading 90")
    if not all(math.isfinite(value) for value in (place.x, place.y, place.heading)):
        raise UsageProblem("--x, --y and --heading are plain numbers", hint="metres and degrees")
    return place.x, place.y, place.heading


def _source_name(given: str | None) -> str:
    """Return where to read from: what was typed, what is piped in, or the only USB serial port there is."""
    if given is not None:
        return given
    if not sys.stdin.isatty():
        return "-"
    from sonargrid.runs.byte_source import serial_ports

    ports = serial_ports()
    if len(ports) == 1:
        told([f"listening to {ports[0][0]} ({ports[0][1]})"])
        return ports[0][0]
    if not ports:
        raise SonargridError("no USB serial port is to be seen here", hint="is the cable in? else --from PORT")
    listed = ", ".join(f"{path} ({words})" for path, words in ports)
    raise UsageProblem("there are several serial ports; say --from PORT", hint=listed)


@contextmanager
def _stopping() -> Iterator[Callable[[], bool]]:
    """Turn Ctrl-C and the like into a wish to stop, so that what is being written is written; a second one breaks."""
    asked: list[int] = []

    def ask(number: int, frame: object) -> None:
        if asked:
            raise KeyboardInterrupt
        asked.append(number)

    before = []
    names = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    try:
        before = [(number, signal.signal(number, ask)) for number in names]
    except ValueError:  # not the main thread: whoever runs it has ways of its own
        before = []
    try:
        yield lambda: bool(asked)
    finally:
        for number, handler in before:
            signal.signal(number, handler)


class _Watch:
    """What a person sees while it records."""

    def __init__(self, run: RecordedRun, reader: LineReader, source: Source, baud: int, quiet: bool) -> None:
        self._run, self._reader, self._source, self._baud = run, reader, source, baud
        self._strip = Strip(run.ranger.reach_m)
        self._screen = LiveScreen(self._strip, run.station.name, quiet)
        self._begun = time.monotonic()
        self._said: set[str] = set()
        self.nearest: tuple[float, float] | None = None  # range [m], degrees left of ahead

    @property
    def source(self) -> str:
        """What the stream is called."""
        return self._source.name

    def tell(self, readings: Sequence[Reading]) -> None:
        """Take new readings, or none."""
        for angle, distance, _ in readings:
            self._take(angle, distance)
        reader = self._reader
        for sentence in reader.said:
            self._once(sentence, sentence)
        quiet_for = time.monotonic() - self._begun
        if not readings and not reader.readings and not reader.unread and quiet_for > PATIENCE_S:
            self._once("wait", f"waiting for readings from {self._source.name}; Ctrl-C ends it")
        if reader.noise:
            self._once("noise", self.noise_words())
        self._screen.show(self.counts())

    def noise_words(self) -> str:
        """Say what it means that what comes is no text."""
        from sonargrid.runs.byte_source import USUAL_RATES

        if not self._source.serial:
            return "much of what comes is no text"
        others = ", ".join(str(rate) for rate in USUAL_RATES if rate != self._baud)
        return f"what comes is no text: is the rate right? It is --baud {self._baud} now; others are {others}"

    def _take(self, angle: float, distance: float) -> None:
        from sonargrid.runs.log_guess import DISTANCE_UNITS, METRES

        head, reader = self._run.head, self._reader
        if reader.angle_column == "bearing_deg":
            left = angle
        else:
            if reader.angle_column == "pulse_us":
                angle = 90.0 + (angle - head.pulse_centre_us) / head.pulse_us_per_deg
            left = head.turns * (angle - math.degrees(head.ahead_rad))
        unit = next(unit for unit, column in DISTANCE_UNITS.items() if column == reader.distance_column)
        silent = distance in self._run.ranger.no_echo_at
        range_m = math.inf if silent else distance * METRES[unit]
        self._strip.add(left, range_m)
        if range_m < self._run.ranger.reach_m and (self.nearest is None or range_m < self.nearest[0]):
            self.nearest = (range_m, left)

    def _once(self, key: str, sentence: str) -> None:
        if key not in self._said:
            self._said.add(key)
            self._screen.say(sentence)

    def counts(self) -> str:
        """Return the counts in words."""
        reader = self._reader
        return counted(
            [(reader.readings - reader.silent, "heard"), (reader.silent, "silent"), (reader.unread, "not read")]
        )

    def last(self) -> None:
        """Draw for the last time."""
        self._screen.show(self.counts(), last=True)


def _spoken(
    out: str,
    run: RecordedRun,
    reader: LineReader,
    ending: Ending,
    removed: bool,
    watch: _Watch,
    screen: ScreenOptions,
) -> str:
    """Return the last words, or raise what ended the recording."""
    raw = f"{out}/{run.raw_path.name}"
    kept = f"{out}: {reader.readings} readings of station {run.station.name} are kept"
    if isinstance(ending.problem, OutputProblem):
        told([kept] if reader.readings else [], screen.quiet)
        raise ending.problem
    if not reader.readings:
        raise SonargridError(_nothing_words(reader, ending, removed, watch), hint=_nothing_hint(raw, ending))
    if ending.problem is not None:
        hint = f"{kept}; record again to go on"
        raise SonargridError("the line is gone: was it pulled out?", hint=hint, file=watch.source)
    notes = []
    if reader.zeros:
        notes.append(f"{reader.zeros} distances of zero or less were taken as nothing heard")
    if reader.unread:
        notes.append(f"{reader.unread} lines could not be read; they are in {raw}, with all the others")
    if ending.restarts:
        notes.append(f"the robot's clock began anew {ending.restarts} times; it is counted on")
    told(notes, screen.quiet)
    if screen.json:
        counts = {"readings": reader.readings, "silent": reader.silent, "unread": reader.unread}
        facts = {"run": out, "station": run.station.name, "ended": ending.reason, **counts, "raw": raw}
        return json.dumps({**facts, "seconds": round(ending.seconds, 3)}, indent=2, ensure_ascii=False)
    if screen.quiet:
        return ""
    return f"{kept} ({watch.counts()}).{_nearest_words(watch)}\nNext: sonargrid map {out}"


def _nearest_words(watch: _Watch) -> str:
    if watch.nearest is None:
        return ""
    from sonargrid.runs.first_faults import side_words

    return f"\nThe nearest thing is {side_words(watch.nearest[1])}, {100 * watch.nearest[0]:.0f} cm away."


def _nothing_words(reader: LineReader, ending: Ending, removed: bool, watch: _Watch) -> str:
    if removed or not ending.kept_bytes:
        return f"nothing came from {watch.source}"
    if reader.noise:
        return f"not one reading: {watch.noise_words()}"
    return f"not one reading in {reader.unread + reader.headers} lines"


def _nothing_hint(raw: str, ending: Ending) -> str:
    if not ending.kept_bytes:
        return "is the robot on, and its program running?"
    return f"what came is in {raw}; sonargrid import {raw} -o RUN reads logs of more shapes"

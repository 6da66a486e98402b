"""A CSV of readings at known distances -> arrays in metres, and the ranger's line through them.

Columns: one of `KNOWN_COLUMNS` (from the ranger's face), one distance column as in a run's readings, and if wanted
`temperature_c`.  Every fault is told at once, with its line.  The line itself is `ranger_fit`'s business.
"""

from __future__ import annotations

import hashlib
import math
import os
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from sonargrid.arrays import Floats, Ints, frozen
from sonargrid.bench.ranger_fit import RangerFit, fit_ranger
from sonargrid.errors import Fault, InputFaults
from sonargrid.physics.air import sound_speed
from sonargrid.runs.csv_rescan import BadCell, Faults, Lines, body_rows, distance_cell, plain_number
from sonargrid.runs.csv_rows import Header, read_header
from sonargrid.runs.line_blocks import check_text
from sonargrid.runs.readings import DISTANCE_COLUMNS, Air, Ranger
from sonargrid.runs.run_input import read_input
from sonargrid.units import RANGE_COLUMNS_M, S_PER_US

KNOWN_COLUMNS = {"known_m": 1.0, "known_cm": 0.01, "known_mm": 0.001, "known_in": 0.0254}
FARTHEST_M = 100.0
TEMPERATURES_C = (-40.0, 60.0)
LEAST_DISTANCES = 3


@dataclass(frozen=True, slots=True)
class KnownDistances:
    """Readings at known distances, each array (N,), in the order of the file.

    known_m : true distance from the ranger's face
    read_m : as read, sound speed applied, scale and bias not; inf = nothing heard, nan = no measurement
    line : line number of each reading in the file
    temperature_given : whether the file has temperatures of its own
    digest : SHA-256 of the file's bytes, hex
    """

    file: str
    known_m: Floats
    read_m: Floats
    line: Ints
    temperature_given: bool
    period_m: float
    digest: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "known_m", frozen(self.known_m))
        object.__setattr__(self, "read_m", frozen(self.read_m))
        object.__setattr__(self, "line", frozen(self.line, np.int32))

    def fit(self) -> RangerFit:
        """Return the ranger's line.

        Raises
        ------
        InputFaults
            If fewer than three known distances have readings.
        """
        heard = np.unique(self.known_m[np.isfinite(self.read_m)])
        if heard.size < LEAST_DISTANCES:
            words = f"a line needs readings at {LEAST_DISTANCES} different known distances at least, got {heard.size}"
            raise InputFaults([Fault(words, "measure at five or more, from near to far", self.file)])
        return fit_ranger(self.known_m, self.read_m, self.period_m)

    def made_from(self, fit: RangerFit) -> dict[str, Any]:
        """Return what a calibration file says of where the values come from."""
        spread = [[float(f"{v:.6g}") for v in row] for row in fit.covariance]
        return {
            "file": os.path.basename(self.file),
            "file_digest": self.digest,
            "covariance_keys": ["ranger.range_scale", "ranger.range_bias_m"],
            "covariance": spread,
        }

    def outlier_lines(self, fit: RangerFit) -> list[int]:
        """Return the lines of readings that the fit left out though something was heard."""
        return [int(n) for n in self.line[fit.outlier & np.isfinite(self.read_m)]]


def _known(cell: str, unit_m: float) -> float:
    value = plain_number(cell)
    if not 0.0 < value * unit_m <= FARTHEST_M:
        raise BadCell(f"a known distance lies above 0 and at most {FARTHEST_M:g} m, got {cell}", "from the face")
    return value * unit_m


def _temperature(cell: str) -> float:
    value = plain_number(cell)
    low, high = TEMPERATURES_C
    if not low <= value <= high:
        raise BadCell(f"must lie between {low:g} and {high:g} degC, got {cell}", "in degrees Celsius")
    return value


def _header_faults(header: Header, file: str) -> list[Fault]:
    faults = []
    for what, names in (("known distance", tuple(KNOWN_COLUMNS)), ("distance", DISTANCE_COLUMNS)):
        found = [name for name in names if name in header.cells]
        if len(found) != 1:
            words = f"{len(found) or 'no'} {what} column{'' if len(found) == 1 else 's'}, one is needed"
            faults.append(Fault(words, f"name one of the columns {', '.join(names)}", file, header.line))
    for name in dict.fromkeys(header.cells):
        if name and header.cells.count(name) > 1:
            faults.append(Fault("the column is there twice", "keep one of them", file, header.line, name))
    return faults


def read_known_distances(path: str, ranger: Ranger | None = None, air: Air | None = None) -> KnownDistances:
    """Return a file's readings at known distances.

    Parameters
    ----------
    path : str
        The CSV, or ``-`` for standard input.
    ranger : Ranger, optional
        Its no_echo_at, frequency, reach and the sound speed that its firmware assumed.
    air : Air, optional
        Where the file has no temperatures.

    Raises
    ------
    InputFaults
        With every fault in the file.
    """
    ranger, air = ranger or Ranger(reach_m=FARTHEST_M), air or Air()
    content = read_input(path).content
    file = "standard input" if path == "-" else path
    check_text(content, file)
    header = read_header(content, file, _header_faults)
    known = next(name for name in KNOWN_COLUMNS if name in header.cells)
    distance = header.distance_column
    readers: dict[str, Callable[[str], float]] = {
        known: partial(_known, unit_m=KNOWN_COLUMNS[known]),
        distance: partial(distance_cell, no_echo_at=ranger.no_echo_at),
        "temperature_c": _temperature,
    }
    values: dict[str, list[float]] = {name: [] for name in readers if name in header.cells}
    faults, lines = Faults(file), []
    lines_of_body = Lines(content[header.body_at :].decode("utf-8"))
    for line, cells in body_rows(lines_of_body, header, header.body_line, faults):
        lines.append(line)
        for name, column in values.items():
            try:
                column.append(readers[name](cells[header.cells.index(name)]))
            except BadCell as bad:
                column.append(math.nan)
                faults.add(line, name, bad.message, bad.hint)
    if faults.count:
        raise InputFaults(faults.kept, faults.count)
    if not lines:
        raise InputFaults([Fault("no reading at all", "below the header stands one reading a line", file)])
    given = "temperature_c" in values
    celsius = np.array(values["temperature_c"]) if given else np.full(len(lines), air.temperature_c)
    speed = np.asarray(sound_speed(celsius, air.relative_humidity_pct, air.pressure_kpa))
    read = _metres(np.array(values[distance]), distance, speed, ranger)
    read = np.where(np.isfinite(read) & (read >= ranger.reach_m), math.inf, read)
    period = 0.5 * float(np.median(speed)) / ranger.frequency_hz
    return KnownDistances(
        file, np.array(values[known]), read, np.array(lines), given, period, hashlib.sha256(content).hexdigest()
    )


def calibrate_ranger(path: str, ranger: Ranger | None = None, air: Air | None = None) -> RangerFit:
    """Return the ranger's line through a file of readings at known distances.

    Raises
    ------
    InputFaults
        If the file is faulty, or has fewer than three known distances.
    """
    return read_known_distances(path, ranger, air).fit()


def _metres(values: Floats, column: str, speed: Floats, ranger: Ranger) -> Floats:
    if column == "echo_us":
        return values * (0.5 * S_PER_US * speed)
    metres = values * RANGE_COLUMNS_M[column]
    assumed = ranger.assumed_sound_speed_m_s
    return metres if assumed is None else metres * (speed / assumed)

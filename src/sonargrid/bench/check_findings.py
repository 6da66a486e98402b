"""What `check` finds in a run: named findings with their evidence in numbers and what to do about them on the bench.

Head angles in radians (0 = the robot's right, pi/2 = straight ahead), ranges in metres; readings are counted from 0
in `rows` and from 1 in words and in JSON.  How each finding comes about is told in the modules `check_*`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

from sonargrid.arrays import Ints, frozen
from sonargrid.units import RAD_PER_DEG, to_deg

FAULT, WARNING, NOTE = "fault", "warning", "note"
SEVERITIES = (FAULT, WARNING, NOTE)  # a fault makes the run unfit; a warning is worth mending; a note is to be known
LISTED_ROWS = 20  # of a finding's readings, in JSON

Number = float | int | str | None


@dataclass(frozen=True, slots=True)
class CheckFinding:
    """One thing that `check` found.

    id : a name for programs, such as ``floor_echo``
    severity : one of `SEVERITIES`
    words : one or two sentences with the evidence
    remedy : what to do on the bench
    station : name of the station; empty = the whole run
    sweep : number of the pass; None = all
    first_rad, last_rad : head angles between which it shows; nan = anywhere
    near_m, far_m : ranges between which it shows; nan = anywhere
    rows : readings that show it
    numbers : the evidence, by name with its unit
    """

    id: str
    severity: str
    words: str
    remedy: str
    station: str = ""
    sweep: int | None = None
    first_rad: float = math.nan
    last_rad: float = math.nan
    near_m: float = math.nan
    far_m: float = math.nan
    rows: Ints = field(default_factory=lambda: frozen([], "int64"), repr=False)
    numbers: Mapping[str, Number] = field(default_factory=lambda: MappingProxyType({}))

    def __post_init__(self) -> None:
        if self.severity not in SEVERITIES:
            raise ValueError(f"severity must be one of {', '.join(SEVERITIES)}, got {self.severity!r}")
        object.__setattr__(self, "rows", frozen(self.rows, "int64"))
        object.__setattr__(self, "numbers", MappingProxyType(dict(self.numbers)))

    def as_dict(self) -> dict[str, Any]:
        """Return the finding as JSON takes it: degrees, metres, readings counted from 1.

        >>> CheckFinding("stuck_value", "fault", "Stuck.", "Mend it.", rows=[0, 1]).as_dict()["readings"]
        [1, 2]
        """
        return {
            "id": self.id,
            "severity": self.severity,
            "words": self.words,
            "remedy": self.remedy,
            "station": self.station or None,
            "sweep": self.sweep,
            "first_deg": _number(to_deg(self.first_rad)),
            "last_deg": _number(to_deg(self.last_rad)),
            "near_m": _number(self.near_m),
            "far_m": _number(self.far_m),
            "readings": [int(row) + 1 for row in self.rows[:LISTED_ROWS]],
            "reading_count": int(self.rows.size),
            "numbers": {
                name: _number(value) if isinstance(value, float) else value for name, value in self.numbers.items()
            },
        }


def _number(value: float) -> float | None:
    return None if math.isnan(value) else round(float(value), 6)


@dataclass(frozen=True, slots=True)
class Nearest:
    """The nearest thing heard: its range, how far left of straight ahead the head looks at it, and from where."""

    range_m: float
    left_rad: float
    side: str
    station: str
    words: str


@dataclass(frozen=True, slots=True)
class StationCheck:
    """What one station's readings are: span and step of the head, passes, outcomes."""

    name: str
    first_deg: float
    last_deg: float
    step_deg: float
    sweeps: int
    readings: int
    echoes: int
    silent: int
    void: int


@dataclass(frozen=True, slots=True)
class RunCheck:
    """Whether a run is fit for use, and why.

    nearest : None where nothing was heard
    stations : one row for each station with readings
    findings : faults first, then warnings, then notes
    untested : what the run's data cannot show, one sentence each
    """

    run_name: str
    title: str
    nearest: Nearest | None
    stations: tuple[StationCheck, ...]
    findings: tuple[CheckFinding, ...]
    untested: tuple[str, ...] = ()

    @property
    def fit(self) -> bool:
        """Whether no fault was found."""
        return not self.of(FAULT)

    def of(self, severity: str) -> tuple[CheckFinding, ...]:
        """Return the findings of one severity."""
        return tuple(finding for finding in self.findings if finding.severity == severity)

    @property
    def verdict(self) -> str:
        """One sentence: fit or not, and how many findings of each kind."""
        counts = [(len(self.of(severity)), severity) for severity in SEVERITIES]
        told = ", ".join(f"{count} {name}{'' if count == 1 else 's'}" for count, name in counts if count)
        return f"{'Fit for use' if self.fit else 'NOT fit for use'}: {told or 'nothing found against it'}"

    def as_dict(self) -> dict[str, Any]:
        """Return the whole as JSON takes it."""
        return {
            "fit": self.fit,
            "verdict": self.verdict,
            "run": self.run_name,
            "nearest": None
            if self.nearest is None
            else {
                "words": self.nearest.words,
                "range_m": round(self.nearest.range_m, 4),
                "left_deg": round(float(to_deg(self.nearest.left_rad)), 2),
                "side": self.nearest.side,
                "station": self.nearest.station,
            },
            "stations": [{name: getattr(row, name) for name in StationCheck.__slots__} for row in self.stations],
            "findings": [finding.as_dict() for finding in self.findings],
            "untested": list(self.untested),
        }


class Sheet:
    """Where the parts of a check write down what they find, and what they cannot tell."""

    def __init__(self) -> None:
        self.findings: list[CheckFinding] = []
        self.untested: list[str] = []

    def found(
        self,
        id: str,
        severity: str,
        words: str,
        remedy: str,
        *,
        station: str = "",
        sweep: int | None = None,
        angles_deg: tuple[float, float] = (math.nan, math.nan),
        ranges_m: tuple[float, float] = (math.nan, math.nan),
        rows: Iterable[int] = (),
        **numbers: Number,
    ) -> None:
        """Write a finding down; numbers are rounded to six digits."""
        told = {k: float(f"{v:.6g}") if isinstance(v, float) else v for k, v in numbers.items()}
        first, last = (angle * RAD_PER_DEG for angle in angles_deg)
        listed = frozen([int(row) for row in rows], "int64")
        self.findings.append(
            CheckFinding(id, severity, words, remedy, station, sweep, first, last, *ranges_m, listed, told)
        )

    def cannot(self, sentence: str) -> None:
        """Write down what this run cannot show."""
        if sentence not in self.untested:
            self.untested.append(sentence)

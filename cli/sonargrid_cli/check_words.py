"""What `check` says: where the nearest thing is, fit or not, each finding with what to do about it; 80 columns."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from sonargrid_cli.map_words import width_of_screen

if TYPE_CHECKING:
    from sonargrid.bench.check_findings import CheckFinding, RunCheck, StationCheck

MOST_STATIONS = 12
SAYS = {"fault": "FAULT", "warning": "warning", "note": "note"}
CAUTION = "Power off before hands go near the servo horn.  A fit run makes no map safe."


def check_report(check: RunCheck, files: list[str], verbose: bool = False) -> str:
    """Return the report for a screen."""
    lines = [check.nearest.words if check.nearest else "Nothing was heard, so there is no nearest thing.", ""]
    lines += [f"{check.title or check.run_name}", f"  {check.verdict}", *_stations(check.stations)]
    for finding in check.findings:
        lines += ["", *_finding(finding)]
    if check.untested:
        lines += ["", "What this run cannot show:"]
        lines += [line for sentence in check.untested for line in _wrapped(sentence, "  - ", "    ")]
    if verbose:
        lines += ["", "In numbers:"]
        lines += [line for finding in check.findings for line in _numbers(finding)]
    if files:
        lines += ["", f"written to {', '.join(files)}"]
    return "\n".join([*lines, "", CAUTION])


def _wrapped(text: str, first: str, later: str) -> list[str]:
    return textwrap.wrap(
        " ".join(text.split()),
        width_of_screen(),
        initial_indent=first,
        subsequent_indent=later,
        break_on_hyphens=False,
        break_long_words=False,
    )


def _finding(finding: CheckFinding) -> list[str]:
    head = f"{SAYS[finding.severity]}  {finding.id}"
    return [head, *_wrapped(finding.words, "  ", "  "), *_wrapped(finding.remedy, "  -> ", "     ")]


def _numbers(finding: CheckFinding) -> list[str]:
    told = ", ".join(f"{name} = {value}" for name, value in finding.numbers.items() if value is not None)
    return _wrapped(f"{finding.id}: {told or 'none'}", "  ", "    ")


def _stations(stations: tuple[StationCheck, ...]) -> list[str]:
    lines = []
    for row in stations[:MOST_STATIONS]:
        step = f" in steps of {row.step_deg:g}" if row.step_deg else ""
        void = f", {row.void} void" if row.void else ""
        sweeps = f"{row.sweeps} sweep{'' if row.sweeps == 1 else 's'}"
        lines += _wrapped(
            f"station {row.name}: {sweeps}, {row.first_deg:g} to {row.last_deg:g} degrees{step}; {row.echoes} "
            f"echo{'' if row.echoes == 1 else 'es'}, {row.silent} silent{void}",
            "  ",
            "    ",
        )
    if len(stations) > MOST_STATIONS:
        lines.append(f"  and {len(stations) - MOST_STATIONS} more stations")
    return lines

"""Parts of the report page besides pictures: calibrations, and the overview of a batch of maps.

Words go through the `text` that the page escapes with.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

from sonargrid.results.report_data import ReportData

Escaped = Callable[[object], str]
CALIBRATED = ("head.", "ranger.")  # sections of run.toml that a calibration may hold


def calibrated_values(data: ReportData) -> list[tuple[str, Any, float, str]]:
    """Return (key, value, its standard deviation in the file's unit or nan, the calibration it came from)."""
    sigmas = {} if data.run is None else data.run.calibration_sigmas
    found = []
    for key, entry in data.summary["settings"].items():
        origin = str(entry.get("origin", "")) if isinstance(entry, dict) else ""
        if key.startswith(CALIBRATED) and origin.endswith(".toml") and not origin.endswith("run.toml"):
            sigma = sigmas.get(key, math.nan)
            found.append((key, entry.get("value"), math.degrees(sigma) if key.endswith("_deg") else sigma, origin))
    return found


def calibration_part(data: ReportData, text: Escaped) -> str:
    """Return what of the map comes from the bench, or that nothing does."""
    values = calibrated_values(data)
    if not values:
        return (
            "<h2>Calibration</h2>\n<p>None was given: the head's angles and the ranger's distances are taken as the run"
            " states them (<code>sonargrid calibrate</code> measures them on the bench).</p>"
        )
    rows = "".join(
        f'<tr><th scope="row">{text(key)}</th><td class="n">{_figure(value)}</td>'
        f'<td class="n">{"" if math.isnan(sigma) else f"{sigma:.3g}"}</td><td class="long">{text(origin)}</td></tr>'
        for key, value, sigma, origin in values
    )
    return (
        '<h2>Calibration</h2>\n<div class="scroll"><table class="short"><caption>Measured on the bench; they take the'
        ' place of what the run says.</caption><thead><tr><th scope="col">key</th><th scope="col" class="n">value</th>'
        '<th scope="col" class="n">give or take</th><th scope="col">from</th></tr></thead>'
        f"<tbody>{rows}</tbody></table></div>"
    )


def _figure(value: object) -> str:
    return f"{value:.6g}" if isinstance(value, int | float) else _list(value)


def _list(value: object) -> str:
    rows = value if isinstance(value, list | tuple) else ()
    return "; ".join(" ".join(f"{part:g}" for part in row) if isinstance(row, list | tuple) else "" for row in rows)


def overview_part(parts: Sequence[ReportData], text: Escaped, worksheet: bool = False) -> str:
    """Return the way into a page of several maps: a table with a line for each; "" for a single one.

    A worksheet's does not tell how many things there are.
    """
    if len(parts) == 1:
        return ""
    words = (
        ("stations", "readings", "warnings") if worksheet else ("things", "walls", "stations", "readings", "warnings")
    )
    heads = "".join(f'<th scope="col" class="n"><button type="button">{word}</button></th>' for word in words)
    rows = "".join(_overview_row(data, number, words, text) for number, data in enumerate(parts, start=1))
    return (
        f'<nav aria-label="Maps"><h1>{len(parts)} maps</h1>\n<div class="scroll"><table><thead><tr>'
        '<th scope="col" class="n"><button type="button">no.</button></th>'
        f'<th scope="col"><button type="button">map</button></th>{heads}</tr></thead><tbody>{rows}</tbody>'
        "</table></div></nav>\n"
    )


def _overview_row(data: ReportData, number: int, words: Sequence[str], text: Escaped) -> str:
    counts = data.summary["counts"]
    listed = data.objects is not None
    figures = {
        "things": sum(thing.counted for thing in data.objects or ()) if listed else "",
        "walls": sum(thing.kind == "wall" for thing in data.objects or ()) if listed else "",
        "stations": counts.get("stations", ""),
        "readings": counts.get("readings", ""),
        "warnings": len(data.summary.get("warnings", ())),
    }
    cells = "".join(f'<td class="n">{text(figures[word])}</td>' for word in words)
    return (
        f'<tr><td class="n">{number}</td><td class="long"><a href="#m{number}">{text(data.title)}</a></td>{cells}</tr>'
    )

"""Parts of the report page besides pictures: calibrations, the overview of a batch, the check, comparisons.

What `compare` wrote is read again, nothing is computed anew; the run is checked when the page is made.  Words go
through the `text` that the page escapes with.
"""

from __future__ import annotations

import base64
import json
import math
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sonargrid.bench.check_findings import RunCheck
from sonargrid.bench.run_check import check_run
from sonargrid.drawing.raster import smaller_png
from sonargrid.errors import SonargridError
from sonargrid.results.out_folder import COMPARISON_FOLDER
from sonargrid.results.report_data import ReportData

Escaped = Callable[[object], str]
CALIBRATED = ("head.", "ranger.")  # sections of run.toml that a calibration may hold
TRUTH = (("balanced_log_loss", "log loss"), ("f1", "F1"), ("auc", "AUC"))


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
        "<h2>Calibration</h2>\n<p>Measured on the bench; these take the place of what the run says.</p>\n"
        '<div class="scroll"><table class="short"><thead><tr><th scope="col">key</th><th scope="col" class="n">value'
        '</th><th scope="col" class="n">give or take</th><th scope="col">from</th></tr></thead>'
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


def check_of(data: ReportData) -> RunCheck | None:
    """Return the check of the run that was mapped; None where it cannot be read any more."""
    return None if data.run is None else check_run(data.run)


def check_part(check: RunCheck | None, text: Escaped) -> str:
    """Return the section; "" without a run."""
    if check is None:
        return ""
    rows = "".join(
        f"<tr><td>{text(one.severity)}</td><td>{text(one.station)}</td><td>{text(one.words)}</td>"
        f"<td>{text(one.remedy)}</td></tr>"
        for one in check.findings
    )
    table = (
        '<div class="scroll"><table><thead><tr><th scope="col">what</th><th scope="col">station</th><th scope="col">'
        f'found</th><th scope="col">what to do</th></tr></thead><tbody>{rows}</tbody></table></div>'
        if rows
        else ""
    )
    nearest = "" if check.nearest is None else f" {text(check.nearest.words)}"
    untested = "".join(f"<li>{text(words)}</li>" for words in check.untested)
    told = f"<details><summary>What these readings cannot show</summary><ul>{untested}</ul></details>"
    return (
        f"<h2>Check of the readings</h2>\n<p><strong>{text(check.verdict)}.</strong>{nearest}</p>\n{table}"
        f"{told if untested else ''}"
    )


@dataclass(frozen=True, slots=True, eq=False)
class ComparisonData:
    """What a comparison's folder holds: compare.json, and its picture as PNG; None = there is none."""

    folder: str
    told: Mapping[str, Any]
    png: bytes | None

    @property
    def run_digest(self) -> str:
        """The digest of the run that was compared on."""
        return str(self.told["run"].get("digest") or "")


def is_comparison(folder: str | os.PathLike[str]) -> bool:
    """Return True for a folder that `compare` wrote."""
    return (Path(folder) / COMPARISON_FOLDER.summary).is_file()


def read_comparison(folder: str | os.PathLike[str]) -> ComparisonData:
    """Return what a comparison's folder holds.

    Raises
    ------
    SonargridError
        If compare.json cannot be read, or is none.
    """
    path = Path(folder) / COMPARISON_FOLDER.summary
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as problem:
        raise SonargridError(f"cannot be read ({problem})", hint="compare again", file=str(path)) from None
    whole = isinstance(told, dict) and told.get("format") == COMPARISON_FOLDER.format
    if not (whole and isinstance(told.get("models"), list) and isinstance(told.get("run"), dict)):
        raise SonargridError("is no comparison's summary", hint="compare again", file=str(path))
    picture = Path(folder) / "compare.png"
    return ComparisonData(os.fspath(folder), told, picture.read_bytes() if picture.is_file() else None)


def comparison_part(data: ComparisonData, text: Escaped) -> str:
    """Return the section of one comparison."""
    told = data.told
    truth = [(key, words) for key, words in TRUTH if any(model.get("truth") for model in told["models"])]
    heads = ["model", "nats per ping", "95 % interval", "verdict", *(words for _, words in truth)]
    head = "".join(f'<th scope="col"><button type="button">{text(words)}</button></th>' for words in heads)
    rows = "".join(_model_row(model, [key for key, _ in truth], text) for model in told["models"])
    left = told.get("left_out") or {}
    unit, names = left.get("unit", "part"), left.get("names") or []
    how = f"Each {text(unit)} was left out in turn and foretold from the others. " if names else ""
    said = "".join(f"<li>{text(' '.join(str(words).split()))}</li>" for words in told.get("limits", ()))
    picture = ""
    if data.png is not None:
        kept = base64.b64encode(smaller_png(data.png)).decode("ascii")
        words = text(f"The maps of {len(told['models'])} models side by side, and their scores")
        picture = f'<figure class="wide"><img alt="{words}" src="data:image/png;base64,{kept}"></figure>'
    commands = "\n".join(text(command) for command in told.get("commands", ()))
    return (
        f"<h2>Beam models compared</h2>\n<p><strong>{text(told.get('verdict', ''))}</strong> {how}A higher score"
        f' foretells better.</p>\n<div class="scroll"><table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody>'
        f"</table></div>\n{picture}\n<ul>{said}</ul>\n<pre><code>{commands}</code></pre>"
    )


def _model_row(model: Mapping[str, Any], truth: list[str], text: Escaped) -> str:
    interval = model.get("interval")
    span = "" if not interval else f"{interval[0]:+.2f} to {interval[1]:+.2f}"
    score = model.get("nats_per_ping")
    cells = [
        f'<td class="n">{"" if score is None else f"{score:.2f}"}</td>',
        f'<td class="n">{span}</td>',
        f"<td>{text(model.get('verdict') or '')}</td>",
    ]
    known = model.get("truth") or {}
    for key in truth:
        value = known.get(key)
        cells.append(f'<td class="n">{"" if value is None else f"{value:.3f}"}</td>')
    return f'<tr><th scope="row">{text(model.get("model", ""))}</th>{"".join(cells)}</tr>'

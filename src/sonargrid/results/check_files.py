"""The files that `check` leaves: its picture, as PNG or SVG, and check.json."""

from __future__ import annotations

import json
from collections.abc import Sequence

from sonargrid.bench.check_findings import RunCheck
from sonargrid.drawing.check_picture import check_figure
from sonargrid.drawing.raster import figure_png
from sonargrid.drawing.vector import figure_svg
from sonargrid.finding.plateaus import find_plateaus
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Run

KINDS = (".png", ".svg", ".json")


def check_json(check: RunCheck, files: Sequence[str]) -> str:
    """Return what check.json says, and which files it lies beside."""
    return json.dumps({**check.as_dict(), "files": list(files)}, indent=2, ensure_ascii=False, allow_nan=False)


def check_files(check: RunCheck, run: Run, names: Sequence[str], theme: str = "light") -> dict[str, bytes]:
    """Return the content of each file, by name; its ending says which it is, one of `KINDS`."""
    figure = None
    if any(not name.endswith(".json") for name in names):
        pings = calibrated(run)
        figure = check_figure(check, run, pings, find_plateaus(pings, run.ranger), theme)
    files: dict[str, bytes] = {}
    for name in names:
        if figure is None or name.endswith(".json"):
            files[name] = (check_json(check, names) + "\n").encode("utf-8")
        else:
            files[name] = figure_png(figure) if name.endswith(".png") else figure_svg(figure).encode("utf-8")
    return files

"""The rows of the files that `align` and `next` leave: poses.csv, the places' CSV, JSON.  Metres, degrees: the edge."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from sonargrid.physics.geometry import wrap_deg
from sonargrid.results.exports import safe_cell
from sonargrid.runs.readings import Run
from sonargrid.stations.alignment import Alignment
from sonargrid.stations.next_station import Proposal

POSE_COLUMNS = (
    "station",
    *("x_m", "y_m", "heading_deg"),
    *("x_stated_m", "y_stated_m", "heading_stated_deg"),
    *("x_sigma_m", "y_sigma_m", "heading_sigma_deg"),
    *("x_relative_sigma_m", "y_relative_sigma_m", "heading_relative_sigma_deg"),
    *("shared_arcs", "left_out_gain_nats", "corrected", "strayed"),
)
PLACE_COLUMNS = (
    *("rank", "x_m", "y_m", "heading_deg"),
    *("gain", "things_nats", "wall_m", "floor_m2", "spread_m"),
    *("from_station", "ahead_m", "left_m", "turn_deg", "reason"),
    *("middle_m", "sides_m2", "heard_clear"),
)


def _deg(radians: float) -> float:
    return round(float(wrap_deg(math.degrees(radians))), 3) + 0.0


def pose_rows(run: Run, found: Alignment) -> list[dict[str, Any]]:
    """Return one record a station that has readings, under the names of `POSE_COLUMNS`."""
    rows = []
    for k in sorted({int(k) for k in run.readings.station}):
        (x, y, heading), (x0, y0, heading0) = found.after[k], found.before[k]
        numbers = [round(float(v), 5) + 0.0 for v in (x, y, x0, y0)]
        sigmas = [
            *(round(float(v), 5) for v in found.sigmas[k, :2]),
            round(math.degrees(found.sigmas[k, 2]), 3),
            *(round(float(v), 5) for v in found.relative[k, :2]),
            round(math.degrees(found.relative[k, 2]), 3),
        ]
        values = [
            run.stations[k].name,
            *numbers[:2],
            _deg(heading),
            *numbers[2:],
            _deg(heading0),
            *sigmas,
            int(found.shared[k]),
            round(float(found.gain[k]), 2) + 0.0,
            bool(found.accepted[k]),
            bool(found.gross[k]),
        ]
        rows.append(dict(zip(POSE_COLUMNS, values, strict=True)))
    return rows


def place_rows(proposals: Sequence[Proposal]) -> list[dict[str, Any]]:
    """Return one record a proposed place, best first, under the names of `PLACE_COLUMNS`."""
    rows = []
    for rank, p in enumerate(proposals, start=1):
        values = [
            rank,
            round(p.x_m, 3) + 0.0,
            round(p.y_m, 3) + 0.0,
            _deg(p.heading_rad),
            round(p.gain, 3),
            round(p.things_nats, 3),
            round(p.wall_m, 3),
            round(p.floor_m2, 3),
            round(p.spread_m, 3),
            p.from_station,
            round(p.ahead_m, 3) + 0.0,
            round(p.left_m, 3) + 0.0,
            _deg(p.turn_rad),
            "; ".join(p.reasons),
            round(p.middle_m, 3),
            round(p.sides_m2, 3),
            p.heard_clear,
        ]
        rows.append(dict(zip(PLACE_COLUMNS, values, strict=True)))
    return rows


def rows_csv(columns: Sequence[str], rows: Sequence[dict[str, Any]]) -> str:
    """Return records as CSV; texts that a spreadsheet would run get an apostrophe, yes and no are 1 and 0."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(columns)
    for row in rows:
        cells = (row[name] for name in columns)
        writer.writerow(
            [safe_cell(c) if isinstance(c, str) else int(c) if isinstance(c, bool | np.bool_) else c for c in cells]
        )
    return out.getvalue()

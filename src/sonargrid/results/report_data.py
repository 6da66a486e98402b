"""A map's folder and, where it can still be read, the run behind it: all that a report page shows of one OUT.

The run is read again with every value that did not come from its own files, so that the sweeps shown are the ones that
were mapped.  What cannot be shown any more is said in `notes`, never guessed.
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.drawing.pictures import MapContent
from sonargrid.drawing.sweep_content import plateau_words
from sonargrid.errors import SonargridError
from sonargrid.finding.plateaus import Plateau, find_plateaus
from sonargrid.finding.things import Object
from sonargrid.maps.grid import LogOddsGrid
from sonargrid.results.map_files import load_map_files
from sonargrid.results.out_folder import SUMMARY
from sonargrid.runs.calibration import calibrated
from sonargrid.runs.readings import Pings, Run
from sonargrid.runs.run_files import load_run

BATCH_TABLE = "batch.json"  # marks the folder of a batch
NEAR_M = 0.06  # how far an arc may pass a thing's near side and still be told as its own


@dataclass(frozen=True, slots=True, eq=False)
class ReportData:
    """What one OUT holds.

    folder : as it was named
    summary : summary.json
    objects : None where the map was made without a list
    run, pings, plateaus : of the run as it was mapped; None and () where it cannot be read any more
    notes : what is missing on the page, and why
    """

    folder: str
    summary: Mapping[str, Any]
    grid: LogOddsGrid
    objects: tuple[Object, ...] | None
    run: Run | None
    pings: Pings | None
    plateaus: tuple[Plateau, ...]
    notes: tuple[str, ...]

    @property
    def title(self) -> str:
        """The run's title, or its name."""
        told = self.summary["run"]
        return " ".join(str(told.get("title") or told.get("name") or self.folder).split())


@dataclass(frozen=True, slots=True)
class Meeting:
    """One arc that passes by a thing: from which station, the arc's number there, and by how much it misses [m]."""

    station: str
    number: int
    plateau: Plateau
    miss_m: float


def is_map(folder: str | os.PathLike[str]) -> bool:
    """Return True for a folder that `map` wrote; a batch may have put a comparison beside the map."""
    return (Path(folder) / SUMMARY).is_file()


def read_report(folder: str | os.PathLike[str]) -> ReportData:
    """Return what a folder that `map` wrote holds.

    Raises
    ------
    SonargridError
        If it is none, or a file in it is broken.
    """
    path = Path(folder)
    made = load_map_files(path)
    summary = _summary(path / SUMMARY)
    run, notes = _run(summary)
    pings = None if run is None else calibrated(run)
    plateaus = () if run is None or pings is None else find_plateaus(pings, run.ranger)
    return ReportData(os.fspath(folder), summary, made.grid, made.objects, run, pings, plateaus, notes)


def _summary(path: Path) -> Mapping[str, Any]:
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
        whole = isinstance(told, dict) and all(
            isinstance(told.get(key), dict) for key in ("run", "counts", "settings", "grid")
        )
    except OSError as problem:
        raise SonargridError(f"cannot be read ({problem.strerror})", file=os.fspath(path)) from None
    except ValueError:
        whole = False
    if not whole:
        raise SonargridError("is no summary of a map", hint="make the map again", file=os.fspath(path))
    return dict(told)


def _run(summary: Mapping[str, Any]) -> tuple[Run | None, tuple[str, ...]]:
    """Return the run that was mapped, and what keeps it from being shown."""
    told = summary["run"]
    path = str(told.get("path") or "")
    if not path or path == "-":
        return None, ("The run was no file, so its sweeps cannot be shown.",)
    typed = {
        key: (json.dumps(entry["value"]) if isinstance(entry["value"], list) else str(entry["value"]), entry["origin"])
        for key, entry in summary["settings"].items()
        if not key.startswith("map.") and str(entry.get("origin", "")).startswith(("--", "SONARGRID_"))
    }
    run, problem = None, None
    for calibration in _calibrations(summary):
        try:
            run = load_run(path, settings=typed, calibration=calibration)
        except SonargridError as fault:
            problem = problem or fault
            continue
        if run.digest == told.get("digest", run.digest):
            break
    if run is None:
        return None, (f"The run cannot be read any more, so its sweeps are not shown: {problem}",)
    if told.get("digest") and run.digest != told["digest"]:
        return None, ("The run's files have changed since the map was made, so its sweeps are not shown.",)
    if run.readings.taken != summary["counts"].get("readings"):
        return run, ("The map was made from a part of the run; the sweeps show all of it.",)
    return run, ()


def _calibrations(summary: Mapping[str, Any]) -> list[str | None]:
    """Return what ``--calibration`` may have named: nothing, a file that values came from, or a folder of such."""
    origins = [str(entry.get("origin", "")) for entry in summary["settings"].values() if isinstance(entry, dict)]
    typed = [one for one in origins if one.endswith(".toml") and os.path.basename(one) != "run.toml"]
    files = dict.fromkeys(os.path.join(str(summary.get("typed_in") or ""), one) for one in typed)
    folders = dict.fromkeys(os.path.dirname(one) for one in files if os.path.dirname(one))
    return [None, *files, *folders]


def map_part(data: ReportData, things: bool = True) -> MapContent:
    """Return what the map of a page shows; without the things for those who are to find them."""
    grid, run = data.grid, data.run
    content = MapContent(
        frame=grid.frame,
        probability=grid.probability(),
        touched=grid.touched,
        unresolved=grid.layers.get("unresolved_arc"),
        things=(data.objects or ()) if things else (),
        prior=float(grid.meta.get("prior", 0.5)),
        listing=False,
    )
    if run is None or data.pings is None:
        return content
    heard = set(run.readings.station.tolist())
    stations = tuple(station for index, station in enumerate(run.stations) if index in heard)
    arcs = tuple((note, points) for note, points in _arcs(data, run, data.pings)) if things else ()
    return replace(content, stations=stations, robot=run.robot, moving=run.moving, arcs=arcs)


def _arcs(data: ReportData, run: Run, pings: Pings) -> list[tuple[str, Floats]]:
    arcs = []
    for plateau in data.plateaus:
        x, y = face_of(plateau, pings)
        turn = np.linspace(plateau.right_rad, plateau.left_rad, 25)
        points = np.column_stack([x + plateau.range_m * np.cos(turn), y + plateau.range_m * np.sin(turn)])
        arcs.append((f"arc from station {run.stations[plateau.station].name}: {plateau_words(plateau)}", points))
    return arcs


def face_of(plateau: Plateau, pings: Pings) -> tuple[float, float]:
    """Return where the ranger's face stood, on average, while it heard an arc [m]."""
    rays = pings.ray[plateau.pings]
    return float(np.mean(pings.rays.x_m[rays])), float(np.mean(pings.rays.y_m[rays]))


def meetings(thing: Object, data: ReportData) -> tuple[Meeting, ...]:
    """Return the arcs that pass by a thing's near side, station by station.

    An arc passes by if its range is within `NEAR_M` of the thing's near side and its span holds the thing's bearing.
    """
    if data.run is None or data.pings is None:
        return ()
    radius = 0.0 if math.isnan(thing.diameter_m) else thing.diameter_m / 2.0
    found = []
    numbers: dict[int, int] = {}
    for plateau in data.plateaus:
        numbers[plateau.station] = numbers.get(plateau.station, 0) + 1
        x, y = face_of(plateau, data.pings)
        away = math.hypot(thing.x_m - x, thing.y_m - y) - radius
        off = math.atan2(thing.y_m - y, thing.x_m - x) - plateau.bearing_rad
        off = (off + math.pi) % (2.0 * math.pi) - math.pi
        miss = plateau.range_m - away
        inside = plateau.right_rad - plateau.bearing_rad <= off <= plateau.left_rad - plateau.bearing_rad
        if inside and abs(miss) <= NEAR_M:
            name = data.run.stations[plateau.station].name
            found.append(Meeting(name, numbers[plateau.station], plateau, miss))
    return tuple(found)


def report_folders(named: Sequence[str]) -> tuple[str, ...]:
    """Return the maps' folders that are meant: each as it was named, a batch's folder as those of its runs.

    Raises
    ------
    SonargridError
        If a batch holds no finished map.
    """
    found: list[str] = []
    for folder in named:
        path = Path(folder)
        if (path / "grid.npz").exists() or not (path / BATCH_TABLE).is_file():
            found.append(folder)
            continue
        inside = sorted(str(one.parent) for one in path.glob("*/grid.npz"))
        if not inside:
            raise SonargridError("holds no finished map", hint="run the batch again", file=folder)
        found += inside
    return tuple(found)


def one_line(words: Sequence[str]) -> str:
    """Return phrases joined as in a sentence.

    >>> one_line(["a", "b", "c"])
    'a, b and c'
    """
    return " and ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else "".join(words)

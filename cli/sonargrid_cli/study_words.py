"""What `study` says: each room as it is done, and in the end the means of every setting with their intervals."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sonargrid.errors import Fault, InputFaults

if TYPE_CHECKING:
    from sonargrid.many.study import Mean
    from sonargrid.many.study_file import Study

# figure -> (words in the table, words in the picture, factor, decimals)
SHOWN = {
    "map_f1": ("F1", "surface, F1", 1.0, 3),
    "map_balanced_log_loss": ("log loss", "log loss", 1.0, 3),
    "count_exact": ("count right", "count right, share", 1.0, 2),
    "perfect_10cm": ("list right", "list right, share", 1.0, 2),
    "centre_rms_m": ("centre RMS", "centre, RMS [mm]", 1000.0, 0),
}
SHARES = ("count_exact", "perfect_10cm")
FEW_SEEDS = 10
NAME_LETTERS = 18  # five figures beside it fill 80 columns


def piece_words(entry: Mapping[str, Any]) -> str:
    """Return what came of one room.

    >>> piece_words({"name": "bay 7", "status": "failed", "words": "no reading"})
    'bay 7: failed: no reading'
    """
    if entry["status"] == "failed":
        return f"{entry['name']}: failed: {entry['words']}"
    return f"{entry['name']}: done" if entry["fresh"] else "rooms were done before"


def failure(failed: Sequence[Mapping[str, Any]], total: int) -> InputFaults:
    """Return what failed in a study, as the faults that the door tells."""
    hint = "what is finished is kept: begin the same study again once it is mended"
    return InputFaults([Fault(f"room {one['name']} failed: {one['words']}", hint) for one in failed], len(failed))


def notes(plan: Study) -> list[str]:
    """Return what a reader of the means must know."""
    if plan.seeds >= FEW_SEEDS:
        return []
    return [f"{plan.seeds} seed{'s' if plan.seeds > 1 else ''} a scene: intervals this wide decide little"]


def _figures(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    return [name for name in SHOWN if any(row.get(name) is not None for row in rows)]


def table(rows: Sequence[Mapping[str, Any]], folder: Path) -> str:
    """Return the means with half of their 95 % intervals, a line a scene and setting, at most 80 columns."""
    from sonargrid.many.study import means

    figures = _figures(rows)
    found = means(rows, figures)
    wide = min(NAME_LETTERS, max(len(setting) for _, setting in found))
    head = " ".join(f"{SHOWN[name][0]:>11}" for name in figures)
    lines: list[str] = []
    scene = None
    for (place, setting), by_figure in found.items():
        if place != scene:
            count = max(one.count for one in by_figure.values())
            lines += [f"{place}: means of {count} seed{'s' if count != 1 else ''}, +- half of the 95 % interval"]
            lines += [f"  {'':{wide}} {head}"]
            scene = place
        cells = " ".join(f"{_cell(by_figure[name], *SHOWN[name][2:]):>11}" for name in figures)
        lines.append(f"  {setting[:wide]:{wide}} {cells}")
    return "\n".join([*lines, f"{folder}: study.csv, study.png, study_journal.jsonl"])


def _cell(one: Mean, factor: float, decimals: int) -> str:
    if math.isnan(one.mean):
        return "-"
    unit = " mm" if factor != 1.0 else ""
    half = "" if math.isnan(one.low) else f" {factor * 0.5 * (one.high - one.low):.{decimals}f}"
    return f"{factor * one.mean:.{decimals}f}{half}{unit}"


def write_picture(rows: Sequence[Mapping[str, Any]], plan: Study, folder: Path, theme: str) -> Path:
    """Write study.png and return its path."""
    from sonargrid.drawing.interval_chart import IntervalRow, interval_chart
    from sonargrid.many.study import PICTURE, means
    from sonargrid.results.out_folder import write_one

    figures = _figures(rows)
    lines = [
        IntervalRow(
            f"scene {scene}",
            setting,
            tuple(_drawn(one[name], name) for name in figures),
        )
        for (scene, setting), one in means(rows, figures).items()
    ]
    foot = f"dot: mean over {plan.seeds} seeds; bar: its 95 % interval (Student)"
    content = interval_chart(lines, [SHOWN[name][1] for name in figures], plan.title, foot, theme)
    return write_one(content, folder / PICTURE, (b"\x89PNG",))


def _drawn(one: Mean, figure: str) -> tuple[float, float, float]:
    """Return mean and interval as they are drawn: in the picture's unit, a share's interval inside 0 to 1."""
    factor = SHOWN[figure][2]
    low, high = (max(0.0, one.low), min(1.0, one.high)) if figure in SHARES else (one.low, one.high)
    return factor * one.mean, factor * low, factor * high


def as_object(rows: Sequence[Mapping[str, Any]], folder: Path, picture: Path) -> dict[str, Any]:
    """Return the means as one object for ``--json``."""
    from sonargrid.many.study import LIST_FIGURES, MAP_FIGURES, means

    names = (*(f"map_{name}" for name in MAP_FIGURES), *LIST_FIGURES)
    told = [
        {
            "scene": scene,
            "setting": setting,
            "figures": {
                name: {"mean": _known(m.mean), "low": _known(m.low), "high": _known(m.high), "count": m.count}
                for name, m in one.items()
            },
        }
        for (scene, setting), one in means(rows, names).items()
    ]
    return {"out": str(folder), "picture": picture.name, "rows": len(rows), "means": told}


def _known(value: float) -> float | None:
    return None if math.isnan(value) else value

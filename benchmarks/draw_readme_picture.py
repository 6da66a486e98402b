"""Draw README's picture, the potting bench, again: ``python benchmarks/draw_readme_picture.py``."""

from __future__ import annotations

from pathlib import Path

from sonargrid.drawing.pictures import draw_map, map_content
from sonargrid.finding.floor_behind import as_far_as_seen
from sonargrid.finding.objects import fit_objects
from sonargrid.maps.evidence import MapSettings
from sonargrid.maps.mapping import map_run
from sonargrid.runs.run_files import load_run

BENCH = Path(__file__).resolve().parent.parent / "sample_runs" / "potting_bench"
LONG_SIDE_PX = 1000  # a page is no wider, and the file stays small


def main() -> None:
    """Map the run as `sonargrid map` does and write map.png beside it."""
    made = map_run(load_run(BENCH), MapSettings())
    things = fit_objects(made.pings, made.run)
    content = map_content(as_far_as_seen(made, things), things.objects)
    (BENCH / "map.png").write_bytes(draw_map(content, long_side_px=LONG_SIDE_PX))


if __name__ == "__main__":
    main()

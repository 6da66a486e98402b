"""Run the walk-throughs of sample_runs again and keep what they show: ``python benchmarks/run_walkthroughs.py``.

Each notebook runs from nothing in a folder of its own.  Of a cell's output one picture or one table is kept, so that
the files stay small; no clock time, no run number of the machine, no path is kept.
"""

from __future__ import annotations

import asyncio
import base64
import io
import os
import sys
import tempfile
from pathlib import Path
from typing import Any

import nbformat
from nbclient import NotebookClient
from PIL import Image

SAMPLES = Path(__file__).resolve().parent.parent / "sample_runs"
WALKTHROUGHS = ("map_a_room", "count_on_a_bench", "choose_a_beam_model")
KEPT = ("image/png", "text/html", "text/plain")  # the first of them that an output has, besides the plain text
TIMEOUT_S = 300
COLOURS = 200


def smaller(png: str) -> str:
    """Return a picture, both as base64, with a palette of its own."""
    image = Image.open(io.BytesIO(base64.b64decode(png))).convert("RGB")
    whole = io.BytesIO()
    image.quantize(COLOURS, Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE).save(whole, "PNG", optimize=True)
    return base64.b64encode(whole.getvalue()).decode("ascii")


def join_streams(cell: Any) -> None:
    """Make one output of what a cell printed in pieces: where it is cut is chance."""
    joined: list[Any] = []
    for output in cell.get("outputs", ()):
        last = joined[-1] if joined else None
        if last is not None and last.output_type == output.output_type == "stream" and last.name == output.name:
            last.text += output.text
        else:
            joined.append(output)
    if "outputs" in cell:
        cell.outputs = joined


def executed(path: Path) -> Any:
    """Return a notebook after it has run, in a folder of its own, its outputs made small and free of the machine."""
    book = nbformat.read(path, as_version=4)
    os.environ.setdefault("JUPYTER_PLATFORM_DIRS", "1")  # else the client warns of a coming change of its folders
    with tempfile.TemporaryDirectory() as folder:
        client = NotebookClient(
            book, timeout=TIMEOUT_S, kernel_name="python3", resources={"metadata": {"path": folder}}
        )
        client.execute()
    book.metadata = nbformat.from_dict(
        {"kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"}}
    )
    for cell in book.cells:
        cell.metadata = nbformat.from_dict({})
        join_streams(cell)
        for output in cell.get("outputs", ()):
            data = output.get("data", {})
            shown = next((kind for kind in KEPT if kind in data), "")
            for kind in [kind for kind in data if kind not in (shown, "text/plain")]:
                del data[kind]
            if shown == "image/png":
                data[shown] = smaller(data[shown])
            output.pop("metadata", None)
            if output.output_type in ("display_data", "execute_result"):
                output.metadata = {}
    return book


def main() -> int:
    if sys.platform == "win32":  # the kernel's sockets need it there
        asyncio.set_event_loop_policy(asyncio.WindowsSelectorEventLoopPolicy())
    for name in WALKTHROUGHS:
        path = SAMPLES / f"{name}.ipynb"
        book = executed(path)
        path.write_text(nbformat.writes(book) + "\n", encoding="utf-8")
        print(f"{path.name}: {path.stat().st_size // 1000} kB")
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""The walk-throughs of sample_runs: they run from nothing, show what is kept in them, and tell nothing of a machine."""

from __future__ import annotations

import importlib.util
import re
import sys
import warnings
from pathlib import Path
from types import ModuleType
from typing import Any

import nbformat
import pytest

ROOT = Path(__file__).resolve().parent.parent
SAMPLES = ROOT / "sample_runs"
BOOKS = sorted(path.stem for path in SAMPLES.glob("*.ipynb"))


def runner() -> ModuleType:
    """Return the command that runs the walk-throughs."""
    place = importlib.util.spec_from_file_location("run_walkthroughs", ROOT / "benchmarks" / "run_walkthroughs.py")
    assert place is not None and place.loader is not None
    module = importlib.util.module_from_spec(place)
    place.loader.exec_module(module)
    return module


def shapes(book: Any) -> list[list[tuple[str, ...]]]:
    """Return of each code cell what sorts of output it has."""
    cells = [cell for cell in book.cells if cell.cell_type == "code"]
    return [
        sorted({(one.output_type, *sorted(one.get("data", {}))) for one in cell.outputs}) for cell in cells
    ]  # fmt: skip


def test_the_three_are_there_and_small() -> None:
    assert tuple(BOOKS) == tuple(sorted(runner().WALKTHROUGHS))
    assert all((SAMPLES / f"{name}.ipynb").stat().st_size < 250_000 for name in BOOKS)


@pytest.mark.parametrize("name", BOOKS)
def test_what_is_kept_tells_nothing_of_a_machine(name: str) -> None:
    book = nbformat.read(SAMPLES / f"{name}.ipynb", as_version=4)
    for cell in book.cells:
        assert cell.cell_type != "code" or cell.execution_count, "run, in order, before it was kept"
        for output in cell.get("outputs", ()):
            assert output.output_type != "error"
            words = output.get("text", "") + "".join(
                text for kind, text in output.get("data", {}).items() if kind.startswith("text/")
            )
            assert not re.search(r"(?<![\w.])/(?:home|tmp|usr|root|work|Users)\b|[A-Z]:\\", words), words
    assert book.cells[0].source.startswith("# ")


@pytest.mark.parametrize("name", BOOKS)
def test_it_runs_and_shows_what_is_kept(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PYTHONPATH", ":".join(path for path in sys.path if path))
    monkeypatch.setenv("MPLBACKEND", "module://matplotlib_inline.backend_inline")
    path = SAMPLES / f"{name}.ipynb"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of the notebook client's own libraries
        made = runner().executed(path)
    assert shapes(made) == shapes(nbformat.read(path, as_version=4))

"""The sample runs that are shipped with the project: where each of them lies."""

from __future__ import annotations

from pathlib import Path

from sonargrid.errors import UsageProblem

READINGS = "readings.csv"


def _folder() -> Path:
    """Return the folder of the sample runs: inside the installed package, or beside the sources in a checkout."""
    here = Path(__file__).resolve().parents[1]
    installed = here / "sample_runs"
    return installed if installed.is_dir() else here.parent.parent / "sample_runs"


def sample_names() -> tuple[str, ...]:
    """Return the names of the shipped sample runs, sorted."""
    folder = _folder()
    if not folder.is_dir():
        return ()
    return tuple(sorted(entry.name for entry in folder.iterdir() if (entry / "run.toml").is_file()))


def find_sample(name: str) -> Path:
    """Return the folder of a shipped sample run.

    Raises
    ------
    UsageProblem
        If there is none of that name; the known ones are listed.
    """
    names = sample_names()
    if name not in names:
        known = f"there are: {', '.join(names)}" if names else "none is installed"
        raise UsageProblem(f"no sample run {name!r}", hint=known)
    return _folder() / name


def find_known_distances(name: str) -> Path:
    """Return the CSV of a shipped set of readings at known distances.

    Raises
    ------
    UsageProblem
        If there is none of that name; the known ones are listed.
    """
    folder = _folder()
    sets = sorted(e.name for e in folder.iterdir() if (e / READINGS).is_file() and not (e / "run.toml").is_file())
    if name not in sets:
        raise UsageProblem(f"no sample set of known distances {name!r}", hint=f"there are: {', '.join(sets)}")
    return folder / name / READINGS

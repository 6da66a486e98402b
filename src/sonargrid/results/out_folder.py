"""The folder that results go to: it appears whole or not at all, and nobody else's folder is ever touched.

A new folder is filled under another name beside its place and appears by one rename.  In a folder that an earlier map
of the same run wrote, each file is replaced whole, summary.json last: it holds the digests of the others, so a break
in between shows.  What the files contain is `exports`' business.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sonargrid.errors import OutputProblem
from sonargrid.runs.readings import Run
from sonargrid.whole_file import replace_whole

SUMMARY = "summary.json"
MAP_FORMAT = "sonargrid-map/1"
OUTPUT_NAMES = ("map.png", "map.svg", "grid.png", "grid.pgw", "grid.npz", "grid.tif", "objects.csv", SUMMARY)
STANDARD_INPUT = "stdin"


@dataclass(frozen=True, slots=True)
class FolderKind:
    """What sort of folder it is.

    word : what it holds, ``map``
    made_by : the command that writes it
    format : what its summary says it is
    names : every file that may lie in it
    summary : the file with the digests of the others, written last
    beside : files of other commands that may lie there before it is filled
    """

    word: str
    made_by: str
    format: str
    names: tuple[str, ...]
    summary: str
    beside: tuple[str, ...] = ()


MAP_FOLDER = FolderKind("map", "map", MAP_FORMAT, OUTPUT_NAMES, SUMMARY)
MERGED_FOLDER = FolderKind("merged map", "merge", "sonargrid-merge/1", OUTPUT_NAMES, SUMMARY)
COMPARISON_FOLDER = FolderKind(
    "comparison",
    "compare",
    "sonargrid-compare/1",
    ("compare.png", "compare.csv", "trust.png", "compare.json"),
    "compare.json",
)
_HINTS = {
    errno.ENOSPC: "make room on that disk, or choose another folder with -o",
    errno.EDQUOT: "make room on that disk, or choose another folder with -o",
    errno.EACCES: "choose a folder that you may write to with -o",
    errno.EPERM: "choose a folder that you may write to with -o",
    errno.EROFS: "choose a folder that you may write to with -o",
    errno.ENAMETOOLONG: "choose a shorter name with -o",
}


@dataclass(frozen=True, slots=True)
class OutFolder:
    """What is at the place where a map is to go.

    state : ``new``, ``same`` (an earlier map of this run), ``unfinished`` (the same, broken off half-way), ``other`` (a
        map of another run, to be replaced) or ``begun`` (nothing but what may lie beside a map)
    earlier : the names that an earlier map listed
    kind : what sort of folder it is
    """

    path: Path
    state: str
    earlier: tuple[str, ...] = field(default=())
    kind: FolderKind = MAP_FOLDER

    @property
    def sentence(self) -> str:
        """What the user should know about it; empty where there is nothing to say."""
        if self.state == "unfinished":
            return f"{self.path} was left unfinished by an earlier {self.kind.word} of this run; it is written anew"
        return f"{self.path} held a {self.kind.word} of another run; it is replaced" if self.state == "other" else ""


def default_out(run: Run) -> Path:
    """Return the folder that a run's map goes to where none is named: in the current one, ``<run name>_map``.

    >>> from sonargrid.runs.readings import Readings
    >>> str(default_out(Run(Readings("angle_deg", "range_m", [0.0], [1.0], [0], [0], [1]), name="bench")))
    'bench_map'
    """
    return Path(f"{run.name}_map")


def run_identity(run_path: str | os.PathLike[str]) -> str:
    """Return what tells runs apart: the resolved path; ``stdin`` for standard input, "" for a run made in memory.

    >>> run_identity("-"), run_identity("")
    ('stdin', '')
    """
    text = os.fspath(run_path)
    if text in ("", STANDARD_INPUT, "-", "standard input"):
        return STANDARD_INPUT if text else ""
    return str(Path(text).resolve())


def digest(content: bytes) -> str:
    """Return the SHA-256 of a file's bytes as hexadecimal digits.

    >>> digest(b"abc")[:16]
    'ba7816bf8f01cfea'
    """
    return hashlib.sha256(content).hexdigest()


def look_at_out(
    out: str | os.PathLike[str],
    run_path: str | os.PathLike[str],
    force: bool = False,
    inputs: Iterable[str | os.PathLike[str]] = (),
    kind: FolderKind = MAP_FOLDER,
) -> OutFolder:
    """Return what is at OUT, if a map of this run may go there; asks before any work is done.

    Parameters
    ----------
    out : path
        Where the map is to go.
    run_path : path
        The run it is made from; ``-`` for standard input.
    force : bool
        Whether a map of another run may be replaced.
    inputs : iterable of paths
        Further files and folders that were read.
    kind : FolderKind
        What is to go there.

    Raises
    ------
    OutputProblem
        If OUT is an input, or exists and may not be replaced.
    """
    path = Path(out)
    try:
        return _look_at(path, run_path, force, [run_path, *inputs], kind)
    except OSError as problem:
        raise write_problem(problem, path) from None


def _look_at(
    path: Path,
    run_path: str | os.PathLike[str],
    force: bool,
    inputs: list[str | os.PathLike[str]],
    kind: FolderKind,
) -> OutFolder:
    mine = run_identity(run_path)
    for given in filter(None, map(run_identity, inputs)):
        place = path.resolve()
        if given != STANDARD_INPUT and (str(place) == given or _same_file(place, given)):
            what = "the run itself" if given == mine else "one of the inputs"
            raise OutputProblem(f"is {what}; nothing was written", hint="choose another folder with -o", file=str(path))
        for name in kind.names:
            if given != STANDARD_INPUT and (str(place / name) == given or _same_file(place / name, given)):
                words = f"holds the input {Path(given).name}, which would be overwritten; nothing was written"
                raise OutputProblem(words, hint="choose another folder with -o", file=str(path))
    if not os.path.lexists(path):
        return OutFolder(path, "new", kind=kind)
    if not path.is_dir():
        raise OutputProblem("exists and is no folder", hint="choose another name with -o", file=str(path))
    earlier = _earlier_summary(path, kind)
    if earlier is None and kind.beside and {inside.name for inside in path.iterdir()} <= set(kind.beside):
        return OutFolder(path, "begun", kind=kind)
    if earlier is None:
        words = f"exists and was not written by {kind.made_by}; nothing was written"
        raise OutputProblem(words, hint="choose a folder that does not exist yet with -o", file=str(path))
    run, files = earlier.get("run"), earlier.get("files")
    listed = {str(name): value for name, value in files.items()} if isinstance(files, dict) else {}
    # names from a file are not trusted: only our own are ever looked at or removed
    names = tuple(name for name in kind.names if name in listed)
    if mine and isinstance(run, dict) and run.get("path") == mine:
        whole = bool(names) and all(_matches(path / name, listed[name]) for name in names)
        return OutFolder(path, "same" if whole else "unfinished", names, kind)
    if not force:
        words = f"holds the {kind.word} of another run; nothing was written"
        raise OutputProblem(words, hint="choose another folder with -o, or replace it with --force", file=str(path))
    return OutFolder(path, "other", names, kind)


def _same_file(one: Path, other: str) -> bool:
    try:
        return os.path.samefile(one, other)
    except OSError:  # one of them does not exist
        return False


def _earlier_summary(path: Path, kind: FolderKind) -> Mapping[str, Any] | None:
    try:
        kept = json.loads((path / kind.summary).read_text(encoding="utf-8"))
    except (FileNotFoundError, IsADirectoryError, ValueError, RecursionError):
        return None
    return kept if isinstance(kept, dict) and kept.get("format") == kind.format else None


def _matches(path: Path, kept: Any) -> bool:
    try:
        return isinstance(kept, dict) and digest(path.read_bytes()) == kept.get("sha256")
    except OSError:
        return False


def write_problem(problem: OSError, path: Path) -> OutputProblem:
    """Return what a failed write means for a user."""
    hint = _HINTS.get(problem.errno or 0, "")
    return OutputProblem(f"cannot be written ({problem.strerror or problem})", hint=hint, file=str(path))


def write_outputs(
    files: Mapping[str, bytes],
    out: str | os.PathLike[str],
    run_path: str | os.PathLike[str],
    force: bool = False,
    inputs: Iterable[str | os.PathLike[str]] = (),
    kind: FolderKind = MAP_FOLDER,
) -> Path:
    """Write a folder's files into OUT, all or none, and return OUT.

    Parameters
    ----------
    files : mapping
        Name -> content; the summary among them, made last.
    out, run_path, force, inputs, kind
        As `look_at_out`.

    Raises
    ------
    OutputProblem
        If OUT may not be written to, or cannot be: the disk is full, no permission ...  Nothing is left half-written.
    ValueError
        If the summary is missing, or a name is none of the kind's.
    """
    strange = sorted(set(files) - set(kind.names))
    if kind.summary not in files or strange:
        raise ValueError(f"{kind.summary} must be among the files and no others than {kind.names}, got {sorted(files)}")
    folder = look_at_out(out, run_path, force, inputs, kind)
    if folder.state == "new":
        _write_new(files, folder.path)
    else:
        _replace(files, folder)
    return folder.path


def write_one(content: bytes, path: str | os.PathLike[str], kinds: Iterable[bytes]) -> Path:
    """Write one file, whole or not at all, and return its path.

    Parameters
    ----------
    content : bytes
    path : path
        A file of the same kind that stands there is replaced.
    kinds : iterable of bytes
        What files that may be replaced begin with.

    Raises
    ------
    OutputProblem
        If something else stands there, or the file cannot be written.
    """
    target = Path(path)
    try:
        if target.is_dir() or (target.exists() and not target.read_bytes().startswith(tuple(kinds))):
            words = "is a folder" if target.is_dir() else "holds something else"
            raise OutputProblem(f"{words} and is left alone", hint="choose another name with -o", file=str(target))
        return replace_whole(target, content)
    except OSError as problem:
        raise write_problem(problem, target) from None


def _write(path: Path, content: bytes, final: Path) -> None:
    try:
        path.write_bytes(content)
    except OSError as problem:
        raise write_problem(problem, final) from None


def _write_new(files: Mapping[str, bytes], out: Path) -> None:
    made = [parent for parent in (out.parent, *out.parent.parents) if not parent.exists()]
    beside: Path | None = None
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        beside = Path(tempfile.mkdtemp(prefix=f".{out.name[:100]}.", suffix=".part", dir=out.parent))
        os.chmod(beside, 0o777 & ~_umask())  # mkdtemp keeps others out, a result should not
        for name, content in files.items():
            _write(beside / name, content, out / name)
        os.rename(beside, out)
    except BaseException as problem:
        if beside is not None:
            shutil.rmtree(beside, ignore_errors=True)
        for parent in made:
            _remove_empty(parent)
        if isinstance(problem, OSError):
            raise write_problem(problem, out) from None
        raise


def _umask() -> int:
    mask = os.umask(0o022)
    os.umask(mask)
    return mask


def _remove_empty(folder: Path) -> None:
    try:
        folder.rmdir()
    except OSError:
        return  # never made, or somebody else uses it by now


def _replace(files: Mapping[str, bytes], folder: OutFolder) -> None:
    """Write every file beside its place first: while that can fail, the earlier map is still whole."""
    order = sorted(files, key=lambda name: name == folder.kind.summary)
    parts = {name: folder.path / f".{name}.{os.getpid()}.part" for name in order}
    final = folder.path
    try:
        for name in order:
            _write(parts[name], files[name], folder.path / name)
        for name in order:
            final = folder.path / name
            if name == folder.kind.summary:
                _remove_stale(folder, files)
            os.replace(parts[name], final)
    except OSError as problem:
        raise write_problem(problem, final) from None
    finally:
        for part in parts.values():
            part.unlink(missing_ok=True)


def _remove_stale(folder: OutFolder, files: Mapping[str, bytes]) -> None:
    for name in folder.earlier:
        if name not in files:
            (folder.path / name).unlink(missing_ok=True)

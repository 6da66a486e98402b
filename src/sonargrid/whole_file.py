"""One file, written whole or not at all; what may be replaced and what failure says is the caller's business."""

from __future__ import annotations

import os
from pathlib import Path


def replace_whole(path: str | os.PathLike[str], content: bytes) -> Path:
    """Put `content` into a file so that a reader sees the old one or the new one, never a part, and return the path.

    Raises
    ------
    OSError
        If it cannot be written; what stood there before still stands, and nothing is left beside it.
    """
    target = Path(path)
    beside = target.with_name(f".{target.name}.{os.getpid()}.part")
    try:
        beside.write_bytes(content)
        os.replace(beside, target)
    except OSError:
        beside.unlink(missing_ok=True)
        raise
    return target

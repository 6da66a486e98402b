"""What several commands of the way in read alike: one of some words, numbers in a list, names of columns."""

from __future__ import annotations

from sonargrid.errors import UsageProblem


def choice(flag: str, value: str | None, known: tuple[str, ...]) -> None:
    """Refuse a word that is none of the known ones.

    Raises
    ------
    UsageProblem
        If it is not.
    """
    if value is not None and value not in known:
        raise UsageProblem(f"{flag} is one of {', '.join(known)}, got '{value}'")


def column_names(text: str | None) -> tuple[str, ...]:
    """Return what each value of a line is, as ``--columns`` says.

    >>> column_names("angle, distance")
    ('angle', 'distance')
    """
    names = tuple(name.strip() for name in text.split(",")) if text else ()
    for name in names:
        choice("--columns", name, ("angle", "distance", "time", "skip"))
    if names and (names.count("angle") != 1 or names.count("distance") != 1):
        raise UsageProblem("--columns needs 'angle' once and 'distance' once", hint="such as --columns angle,distance")
    return names


def numbers(flag: str, text: str | None) -> tuple[float, ...] | None:
    """Return the numbers of a list with commas between.

    >>> numbers("--no-echo-at", "0, 999")
    (0.0, 999.0)
    """
    try:
        return None if text is None else tuple(float(part) for part in text.split(","))
    except ValueError:
        raise UsageProblem(f"{flag} takes numbers with commas between, got '{text}'") from None

"""Answers that carry an exit status of their own: a finished report that says no."""

from __future__ import annotations


class Answer(str):
    """The text for stdout, with the exit status that goes with it.

    >>> Answer("not fit", 1).exit_code, Answer("not fit", 1)
    (1, 'not fit')
    """

    exit_code: int

    def __new__(cls, text: str, exit_code: int = 0) -> Answer:
        """Return the text with its exit status."""
        made = super().__new__(cls, text)
        made.exit_code = exit_code
        return made

"""What a comparison comes to, in sentences: who foretells the run best, what is a tie, what the score cannot decide."""

from __future__ import annotations

import math

from sonargrid.comparing.comparison import Comparison
from sonargrid.comparing.verdicts import LEAST_NATS

CAN_SAY = (
    "The score tells how well a map made from the other stations foretells what the left-out one hears, with one beam "
    "and one echo a ping for every model: it can throw out a model that is clearly worse on this run."
)
CANNOT_SAY = (
    "It cannot say which model is best in another room, whether outlines or counts of things are right, or who wins "
    "a tie: one run decides few pairs.  In a tie keep the default; to know, measure things whose places you have "
    "surveyed and add --against."
)
ONE_STATION = (
    "Sweeps from one spot hear the same things again: the score tells how well they repeat one another, not which "
    "model is right for your ranger.  Map from four stations or more for that, or survey what stands there and add "
    "--against."
)


def limits(found: Comparison) -> tuple[str, ...]:
    """Return what the score can and what it cannot decide; nothing where there is no score."""
    if not len(found.folds):
        return ()
    return (ONE_STATION,) if found.folds.unit == "sweeps" else (CAN_SAY, CANNOT_SAY)


def against_best(found: Comparison, name: str) -> str:
    """Return how a model stands against the best one: ``best``, ``worse``, ``tie``, or empty without a score."""
    if not len(found.folds):
        return ""
    best = found.ranked[0].name
    if name == best:
        return "best"
    return "tie" if found.pair(best, name).tie else "worse"


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def verdict(found: Comparison) -> str:
    """Return the outcome in one sentence, or a few."""
    if not len(found.folds):
        return "No reading could be left out, so no score: compare the maps by eye, or against the truth."
    ranked = found.ranked
    best = ranked[0].name
    tied = [trial.name for trial in ranked[1:] if against_best(found, trial.name) == "tie"]
    worse = [trial.name for trial in ranked[1:] if against_best(found, trial.name) == "worse"]
    parts = []
    if worse:
        parts.append(f"{best} foretells this run better than {_listed(worse)}.")
    for reason in dict.fromkeys(found.pair(best, name).reason for name in tied):
        names = [name for name in tied if found.pair(best, name).reason == reason]
        same = "All of them tie" if len(names) == len(ranked) - 1 > 1 else f"{_listed([best, *names])} tie"
        parts.append(f"{same}: {_tie_words(found, reason)}.")
    return " ".join(parts)


def _tie_words(found: Comparison, reason: str) -> str:
    """Return why it is a tie, for people."""
    left = "sweeps" if found.folds.unit == "sweeps" else "stations"
    if reason.startswith("fewer"):
        return f"with {len(found.folds)} {left} left out nothing is decided, 4 stations are the least"
    if reason.startswith("interval"):
        return f"the left-out {left} differ too much among themselves to tell them apart"
    return (
        f"less than {LEAST_NATS:g} nats per ping apart, where in simulated rooms only 7 of 10 better scores were right"
    )


def left_out_words(found: Comparison) -> str:
    """Return what was left out, in a few words."""
    count = len(found.folds)
    if not count:
        return "nothing left out"
    words = {
        "station": f"each of {count} stations foretold from the others",
        "piece": f"each of {count} pieces of the way foretold from the others",
        "sweeps": "every other sweep foretold from the rest",
    }
    return words[found.folds.unit]


def signed(value: float, digits: int = 2) -> str:
    """Return a number with its sign, never a minus nought; a dash for nan.

    >>> signed(0.5), signed(-0.001), signed(float("nan"))
    ('+0.50', '+0.00', '-')
    """
    if math.isnan(value):
        return "-"
    return f"{round(value, digits) + 0.0:+.{digits}f}"

"""Slow, obvious twins of what reads runs: the passes of the head, one reading after the other."""

from __future__ import annotations

from collections.abc import Sequence


def directions(angle: Sequence[float]) -> list[int]:
    """Return which way one head was turning at each of its readings, in the order taken."""
    moves = [0] * len(angle)
    for i in range(1, len(angle)):
        if angle[i] > angle[i - 1]:
            moves[i] = 1
        elif angle[i] < angle[i - 1]:
            moves[i] = -1
        else:
            moves[i] = moves[i - 1]
    first = next((move for move in moves if move), 0)
    i = 0
    while i < len(angle) and moves[i] == 0:
        moves[i] = first
        i += 1
    return moves


def passes(angle: Sequence[float], turning: Sequence[int]) -> list[int]:
    """Return the pass of each reading: a new one at each reversal, but a single move back joins the pass after it."""
    runs: list[list[int]] = []
    for i in range(len(angle)):
        if not runs or turning[i] != turning[runs[-1][-1]]:
            runs.append([])
        runs[-1].append(i)
    number = [0] * len(angle)
    current = 0
    joined = False
    for r, run in enumerate(runs):
        if r > 0 and not joined:
            current += 1
        joined = False
        if 0 < r < len(runs) - 1 and angle[run[0]] == angle[run[-1]]:
            before = runs[r - 1]
            origin = before[0] if r == 1 else before[0] - 1
            steps = before[-1] - origin
            swept = abs(angle[before[-1]] - angle[origin])
            back = abs(angle[run[0]] - angle[before[-1]])
            joined = steps >= 2 and back >= 0.5 * swept
        for i in run:
            number[i] = current
    return number

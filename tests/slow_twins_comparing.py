"""The obvious way to foretell readings: cell by cell, reading by reading, and a full fit for each fold."""

from __future__ import annotations

import math

import numpy as np

from sonargrid.comparing.held_out import Replay, foretell, readings_of, recalibrate


def slow_nats(ready: Replay, log_odds: np.ndarray, log_scale: float, shift: float) -> list[float]:
    """Return each ray's log likelihood, walking along its wedge."""
    chain, heard, causes = ready.chain, ready.heard, ready.causes
    assert ready.wedge_range_m.size == log_odds.size
    found = []
    for ray in range(heard.silence.size):
        entries = range(int(chain.start[ray]), int(chain.start[ray + 1]))
        answers = [
            causes.answer_most * float(chain.gain[e]) / (1.0 + math.exp(-(math.exp(log_scale) * log_odds[e] + shift)))
            for e in entries
        ]
        nats = 0.0
        for echo in np.flatnonzero(heard.ray == ray):
            z = float(heard.range_m[echo])
            sigma = causes.sigma_m + causes.sigma_share * z
            reached, density = 1.0, 0.0
            for e, answer in zip(entries, answers, strict=True):
                t = (float(ready.wedge_range_m[e]) - z) / sigma
                if abs(t) <= 3.0:
                    density += reached * answer * math.exp(-0.5 * t * t) / (sigma * math.sqrt(2.0 * math.pi))
                reached *= 1.0 - answer
            whole = (1.0 - causes.stray) * density + causes.stray / ready.reach_m
            nats += heard.count[echo] * math.log((1.0 - causes.missed) * whole)
        silence = math.prod(1.0 - answer for answer in answers)
        quiet = causes.missed + (1.0 - causes.missed) * (1.0 - causes.stray) * silence
        found.append(nats + heard.silence[ray] * math.log(quiet))
    return found


def slow_scores(ready: Replay, log_odds: np.ndarray, fold: np.ndarray) -> list[float]:
    """Return each fold's score with scale and shift fitted anew to all the others."""
    count = readings_of(ready)
    found = []
    for k in range(int(fold.max()) + 1):
        at = recalibrate(ready, log_odds, fold != k)
        nats = foretell(ready, log_odds, at[0], at[1]).nats
        found.append(float(nats[fold == k].sum() / count[fold == k].sum()))
    return found

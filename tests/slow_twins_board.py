"""The slow and obvious form of the object fit's likelihood: ping by ping, echo by echo, nearest first."""

from __future__ import annotations

import math

import numpy as np

from sonargrid.arrays import Floats
from sonargrid.finding.echo_beam import BEHIND_RAD, LOBE_DB, Beam
from sonargrid.finding.echo_model import Soundings, heard_share, range_density, thing_echoes
from sonargrid.finding.echo_order import Thing
from sonargrid.physics.piston import piston_shape


def directivity_slowly(off_rad: Floats, beam: Beam) -> Floats:
    """Return the two-way level at angles off the axis within half a turn [dB], angle by angle."""
    k_a = 2.0 * math.pi / beam.wavelength_m * beam.size_m
    out = []
    for off in off_rad.tolist():
        stretched = abs(off) * math.exp(-0.5 * beam.lopsided if off > 0.0 else 0.5 * beam.lopsided)
        u = k_a * math.sin(min(stretched, 0.5 * math.pi))
        level = 40.0 * math.log10(abs(float(piston_shape(np.array([max(u, 1e-9)]))[0]))) if u < 3.6 else -200.0
        out.append(max(level, LOBE_DB - 6.0 * max(0.0, u - 3.4)) - (60.0 if abs(off) > BEHIND_RAD else 0.0))
    return np.array(out)


def likelihood_ping_by_ping(s: Soundings, beam: Beam, things: list[Thing]) -> float:
    """Return the weighted log likelihood of all pings under the first-return model; nothing hides anything."""
    sure = 1.0 - beam.stray - beam.missed
    outcomes = [(int(r), float(z), float(w)) for r, z, w in zip(s.ray, s.range_m, s.weight, strict=True)]
    outcomes += [(m, math.inf, float(w)) for m, w in enumerate(s.silence)]
    total = 0.0
    for ray, z, weight in outcomes:
        echoes = []
        for thing in things:
            e = thing_echoes(thing.kind, np.array([thing.shape]), s, beam)
            echoes.append((float(e.range_m[0, ray]), float(e.margin_db[0, ray])))
            if e.other_m is not None and e.other_db is not None:
                echoes.append((float(e.other_m[0, ray]), float(e.other_db[0, ray])))
        reached, caused = 1.0, 0.0
        for range_m, margin in sorted(echoes):
            share = float(heard_share(np.array(margin), beam))
            if math.isfinite(z):
                density = float(range_density(np.array(z), np.array(range_m), np.array(margin), beam))
                caused += reached * share * density
            reached *= 1.0 - share
        chance = beam.stray / s.reach_m + sure * caused if math.isfinite(z) else beam.missed + sure * reached
        total += weight * math.log(chance)
    return total

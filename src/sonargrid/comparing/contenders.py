"""The models that can be compared, by name: a beam model for sums, ``joint``, or ``joint:`` and a beam model.

``gaussian`` is the additive solver with that beam; ``joint`` (or ``soft``) the joint solver with its own soft beam;
``joint:piston`` the joint solver that hears with a piston.
"""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import replace

from sonargrid.errors import UsageProblem
from sonargrid.maps.beams import BEAM_MODELS, BeamModel, make_beam
from sonargrid.maps.evidence import ADDITIVE_BEAM, BEAM_NAMES, BEAMS_OF_JOINT, JOINT_BEAM, MapSettings
from sonargrid.runs.readings import Ranger, Run

JOINT = "joint"
KNOWN = (*BEAM_NAMES, JOINT, *(f"{JOINT}:{name}" for name in BEAMS_OF_JOINT))


def known_models(run: Run) -> tuple[str, ...]:
    """Return the models that a run is compared under by default: each beam model's sums, and the joint solver.

    >>> from sonargrid.runs.readings import Readings
    >>> known_models(Run(Readings("angle_deg", "range_m", [90.0], [0.5], [0], [0], [0])))
    ('centreline', 'cone', 'tapered', 'gaussian', 'piston', 'joint')
    """
    there = [name for name in BEAM_MODELS if name != "measured" or run.ranger.half_beam_table]
    return (*there, JOINT)


def checked_models(run: Run, names: Sequence[str] | None) -> tuple[str, ...]:
    """Return the models to compare; default all that the run allows.

    Raises
    ------
    UsageProblem
        If a model is unknown, named twice, or alone.
    """
    chosen = known_models(run) if names is None else tuple(names)
    for name in chosen:
        if name not in KNOWN:
            near = difflib.get_close_matches(name, KNOWN, n=1)
            hint = f"did you mean '{near[0]}'?" if near else "sonargrid explain comparing says how models are named"
            raise UsageProblem(f"unknown beam model or solver '{name}'; known: {', '.join(KNOWN)}", hint=hint)
    twice = sorted({name for name in chosen if chosen.count(name) > 1})
    if twice:
        raise UsageProblem(f"{', '.join(twice)} is named twice", hint="name each model once")
    if len(chosen) < 2:
        raise UsageProblem("there is nothing to compare: name two models or more", hint="such as gaussian,joint")
    return chosen


def settings_of(name: str, settings: MapSettings) -> MapSettings:
    """Return settings with the beam model and solver that a name stands for.

    >>> asked = settings_of("joint:cone", MapSettings())
    >>> asked.solver, asked.beam, settings_of("cone", MapSettings()).solver
    ('joint', 'cone', 'additive')
    """
    if name in (JOINT, JOINT_BEAM):
        return replace(settings, solver="joint", beam=JOINT_BEAM)
    if name.startswith(f"{JOINT}:"):
        return replace(settings, solver="joint", beam=name.partition(":")[2])
    return replace(settings, solver="additive", beam=name)


def sum_beam(settings: MapSettings, ranger: Ranger) -> BeamModel:
    """Return the beam model of a map's sums: its own, or the usual one where the joint solver has its soft beam."""
    name = ADDITIVE_BEAM if settings.beam in (None, JOINT_BEAM) else str(settings.beam)
    return make_beam(name, ranger, settings.cell_m, settings.never_lower)

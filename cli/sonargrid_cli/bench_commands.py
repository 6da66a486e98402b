"""The bench: `calibrate head|ranger|beam`.

Everything that loads numpy is imported inside the bodies.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sonargrid.errors import SonargridError, UsageProblem
from sonargrid_cli.map_options import known_theme
from sonargrid_cli.notes import told
from sonargrid_cli.run_options import RunOptions, ScreenOptions, load_chosen, spread, typed_settings

if TYPE_CHECKING:
    from sonargrid.runs.calibration_saving import Fitted

PARTS = ("head", "ranger", "beam")
BEAM_KEY = "ranger.half_beam_deg"  # the fits of head and beam find half widths themselves


@dataclass(frozen=True, slots=True)
class SavingOptions:
    """Where the values and the picture go."""

    out: Annotated[
        str | None,
        typer.Option("-o", "--out", metavar="FILE", help="calibration.toml; keeps its other keys."),
    ] = None
    picture: Annotated[
        str | None, typer.Option("--picture", metavar="FILE.png", help="The values and what is left over.")
    ] = None
    theme: Annotated[str, typer.Option("--theme", metavar="NAME", help="Of the picture: light or dark.")] = "light"


@spread
def calibrate(
    what: Annotated[str, typer.Argument(metavar="head|ranger|beam", help="What to calibrate.")],
    which: RunOptions,
    saving: SavingOptions,
    screen: ScreenOptions,
) -> str:
    """Measure head or beam over surveyed things, or the ranger.

    For the ranger RUN is a CSV of readings at known distances.

    Example: sonargrid calibrate ranger known.csv -o calibration.toml
    """
    if what not in PARTS:
        raise UsageProblem(f"calibrate takes {', '.join(PARTS)}; got '{what}'", hint="sonargrid calibrate head RUN")
    known_theme(saving.theme)
    return {"head": _head, "ranger": _ranger, "beam": _beam}[what](which, saving, screen)


def _head(which: RunOptions, saving: SavingOptions, screen: ScreenOptions) -> str:
    run = load_chosen(which)
    from sonargrid.bench.head_bench import calibrate_head
    from sonargrid.runs.calibration_saving import Fitted
    from sonargrid_cli.bench_words import head_json, head_words

    found = calibrate_head(run)
    fitted = Fitted("head", run.ranger.label, found.values, found.made_from(run))
    told((*(w for w in run.warnings if BEAM_KEY not in w), *found.warnings), screen.quiet)

    def picture() -> bytes:
        from sonargrid.drawing.head_picture import draw_head

        return draw_head(found, run.title or run.name, saving.theme)

    _keep(fitted, saving, picture)
    if screen.json:
        return head_json(found, fitted)
    return "" if screen.quiet else head_words(found, fitted)


def _beam(which: RunOptions, saving: SavingOptions, screen: ScreenOptions) -> str:
    run = load_chosen(which)
    from sonargrid.bench.beam_bench import calibrate_beam
    from sonargrid.runs.calibration_saving import Fitted
    from sonargrid_cli.beam_words import beam_json, beam_words

    found = calibrate_beam(run)
    fitted = Fitted("beam", run.ranger.label, found.values, found.made_from(run))
    told((*(w for w in run.warnings if BEAM_KEY not in w), *found.warnings), screen.quiet)
    if saving.out is not None and not found.values:
        raise SonargridError("no post was heard, so there is nothing to write", hint="; ".join(found.reasons))

    def picture() -> bytes:
        from sonargrid.drawing.beam_picture import draw_beam

        return draw_beam(found, run.title or run.name, saving.theme)

    _keep(fitted, saving, picture)
    if screen.json:
        return beam_json(found, fitted)
    return "" if screen.quiet else beam_words(found)


def _keep(fitted: Fitted, saving: SavingOptions, drawn: Callable[[], bytes]) -> None:
    """Write the picture and the values where they are asked for."""
    if saving.picture is not None:
        from sonargrid.drawing.bench_pictures import save_picture

        save_picture(drawn(), saving.picture)
    if saving.out is not None:
        from sonargrid.runs.calibration_saving import dated, save_calibration

        save_calibration(dated(fitted), saving.out)


def _csv_of(which: RunOptions) -> str:
    """Return the CSV's name; options that only a run has are refused."""
    if which.run is None and which.sample is None:
        raise UsageProblem(
            "calibrate ranger needs a CSV of known distances", hint="sonargrid calibrate ranger FILE.csv"
        )
    for flag, value in (
        ("--stations", which.stations),
        ("--sweeps", which.sweeps),
        ("--calibration", which.calibration),
    ):
        if value is not None:
            raise UsageProblem(f"{flag} belongs to a RUN, not to a CSV of known distances", hint="leave it out")
    if which.sample is not None:
        from sonargrid.runs.samples import find_known_distances

        if which.run is not None:
            raise UsageProblem("--sample stands instead of a file", hint="leave one of them out")
        return str(find_known_distances(which.sample))
    return str(which.run)


def _ranger(which: RunOptions, saving: SavingOptions, screen: ScreenOptions) -> str:
    path = _csv_of(which)
    from sonargrid.runs.calibration_saving import Fitted
    from sonargrid.runs.known_distances import FARTHEST_M, read_known_distances
    from sonargrid.runs.readings import Air, Ranger
    from sonargrid.runs.run_files import settings_from_environment
    from sonargrid.runs.run_keys import BY_NAME
    from sonargrid.runs.run_settings import typed_values
    from sonargrid_cli.bench_words import ranger_json, ranger_words

    given, _ = typed_values({**settings_from_environment(os.environ), **typed_settings(which)})
    fields: dict[str, dict[str, Any]] = {"ranger": {"reach_m": FARTHEST_M}, "air": {}}
    for full, one in given.items():
        key = BY_NAME[full]
        if key.section in fields:
            fields[key.section][key.field] = one.value
    ranger, air = replace(Ranger(), **fields["ranger"]), replace(Air(), **fields["air"])
    data = read_known_distances(path, ranger, air)
    fit = data.fit()
    fitted = Fitted("ranger", ranger.label, ranger_values(fit), data.made_from(fit))
    if not data.temperature_given and "temperature_c" not in fields["air"]:
        told([f"no temperature given: {air.temperature_c:g} degC assumed; 5 degrees are 1 % of scale"], screen.quiet)

    def picture() -> bytes:
        from sonargrid.drawing.bench_pictures import draw_ranger

        return draw_ranger(data, fit, saving.theme)

    _keep(fitted, saving, picture)
    if screen.json:
        return ranger_json(data, fit, fitted)
    return "" if screen.quiet else ranger_words(data, fit, fitted)


def ranger_values(fit: Any) -> dict[str, tuple[float, float | None]]:
    """Return a ranger's fit under the keys of run.toml; a blind zone only where one was met."""
    values: dict[str, tuple[float, float | None]] = {
        "ranger.range_scale": (fit.range_scale, fit.range_scale_sigma),
        "ranger.range_bias_m": (fit.range_bias_m, fit.range_bias_m_sigma),
    }
    if fit.blind_zone_m == fit.blind_zone_m:  # nan = none met
        values["ranger.blind_zone_m"] = (fit.blind_zone_m, None)
    return values

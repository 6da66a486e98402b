"""The flags of `import`: what the logs do not say, and what a person knows of the scene."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

import typer

LOG_PANEL, PLACE_PANEL, CHECK_PANEL = "What the log says", "Where it was heard", "Is it right?"


@dataclass(frozen=True, slots=True)
class LogOptions:
    """What the logs do not say themselves."""

    columns: Annotated[
        str | None,
        typer.Option("--columns", metavar="A,B,...", help="angle, distance, time or skip.", rich_help_panel=LOG_PANEL),
    ] = None
    angle_unit: Annotated[
        str | None, typer.Option("--angle-unit", metavar="UNIT", help="deg, rad or pulse.", rich_help_panel=LOG_PANEL)
    ] = None
    distance_unit: Annotated[
        str | None,
        typer.Option(
            "--distance-unit", metavar="UNIT", help="m, cm, mm, in, us, ms or us-one-way.", rich_help_panel=LOG_PANEL
        ),
    ] = None
    no_echo_at: Annotated[
        str | None,
        typer.Option("--no-echo-at", metavar="0,999", help="Values for nothing heard.", rich_help_panel=LOG_PANEL),
    ] = None
    turns: Annotated[
        str | None,
        typer.Option("--turns", metavar="ccw|cw", help="cw: growing angles turn right.", rich_help_panel=LOG_PANEL),
    ] = None
    ahead: Annotated[
        float | None,
        typer.Option("--ahead", metavar="DEG", help="The log's angle that looks ahead.", rich_help_panel=LOG_PANEL),
    ] = None
    reach: Annotated[
        str | None, typer.Option("--reach", metavar="LENGTH", help="How far it hears.", rich_help_panel=LOG_PANEL)
    ] = None
    temperature: Annotated[
        float | None, typer.Option("--temperature", metavar="DEGC", help="Of the air.", rich_help_panel=LOG_PANEL)
    ] = None
    us_per_cm: Annotated[
        float | None,
        typer.Option(
            "--us-per-cm", metavar="58", help="What its program divides echo times by.", rich_help_panel=LOG_PANEL
        ),
    ] = None
    distance_scale: Annotated[
        float, typer.Option("--distance-scale", metavar="FACTOR", help="On all distances.", rich_help_panel=LOG_PANEL)
    ] = 1.0
    station: Annotated[
        list[str] | None,
        typer.Option(
            "--station",
            metavar="NAME:...",
            help="One a log: NAME:x,y,heading or NAME:P=1.30,Q=1.10,left,facing=Q.",
            rich_help_panel=PLACE_PANEL,
        ),
    ] = None
    mark: Annotated[
        list[str] | None,
        typer.Option("--mark", metavar="NAME:x,y", help="A point measured from.", rich_help_panel=PLACE_PANEL),
    ] = None
    tape_sigma: Annotated[
        str,
        typer.Option("--tape-sigma", metavar="LENGTH", help="Give or take of the tape.", rich_help_panel=PLACE_PANEL),
    ] = "5mm"


@dataclass(frozen=True, slots=True)
class CheckOptions:
    """What a person knows of the scene, and how much is to be asked."""

    nearest: Annotated[
        str | None,
        typer.Option(
            "--nearest", metavar="SIDE", help="left or right: where the nearest thing is.", rich_help_panel=CHECK_PANEL
        ),
    ] = None
    tape: Annotated[
        str | None,
        typer.Option("--tape", metavar="LENGTH", help="How far it is by tape.", rich_help_panel=CHECK_PANEL),
    ] = None
    map: Annotated[bool, typer.Option("--map", help="Draw the map at once.", rich_help_panel=CHECK_PANEL)] = False
    yes: Annotated[
        bool, typer.Option("--yes", help="Ask nothing, take what is assumed.", rich_help_panel=CHECK_PANEL)
    ] = False

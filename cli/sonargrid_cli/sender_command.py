"""`sender`: a program for the robot's controller."""

from __future__ import annotations

from typing import Annotated

import typer

from sonargrid.errors import UsageProblem
from sonargrid_cli.run_options import length_of


def print_sender(
    kind: Annotated[str, typer.Option("--for", metavar="board|micropython", help="C++ or MicroPython.")] = "board",
    low: Annotated[int, typer.Option("--low", help="Rightmost head angle, degrees.")] = 10,
    high: Annotated[int, typer.Option("--high", help="Leftmost head angle, degrees.")] = 170,
    step: Annotated[int, typer.Option("--step", help="Degrees between pings.")] = 5,
    ping_ms: Annotated[int, typer.Option("--ping-ms", help="Milliseconds a ping, 60 or more.")] = 60,
    reach: Annotated[str, typer.Option("--reach", metavar="LENGTH", help="How far to listen.")] = "3m",
    servo_pin: Annotated[int, typer.Option("--servo-pin", min=0)] = 9,
    trigger_pin: Annotated[int, typer.Option("--trigger-pin", min=0)] = 7,
    echo_pin: Annotated[int, typer.Option("--echo-pin", min=0)] = 8,
    centre_us: Annotated[int, typer.Option("--centre-us", help="Servo pulse straight ahead.")] = 1500,
    us_per_deg: Annotated[float, typer.Option("--us-per-deg", help="Negative: longer pulses turn right.")] = 11.1111,
) -> str:
    """Print a program for the robot that sweeps and logs.

    Not tried on hardware: keep fingers away from the servo, lift the wheels.

    Example: sonargrid sender --for micropython > sweep.py
    """
    from sonargrid.runs.sender import SenderPlan, sender_program

    try:
        plan = SenderPlan(
            *(servo_pin, trigger_pin, echo_pin, low, high, step, ping_ms),
            length_of(reach, "--reach"),
            centre_us,
            us_per_deg,
        )
        return sender_program(kind, plan)
    except ValueError as problem:
        raise UsageProblem(str(problem)) from None

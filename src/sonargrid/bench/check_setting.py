"""What the run says of its own conditions: temperature missing or implausible, drift against an older calibration.

Parts of `check`.  Drift needs a calibration (--calibration or [calibration]) and, for offsets, surveyed targets.
"""

from __future__ import annotations

import math

import numpy as np

from sonargrid.bench.check_findings import FAULT, NOTE, WARNING, Sheet
from sonargrid.bench.check_view import RunView
from sonargrid.bench.head_bench import calibrate_head
from sonargrid.errors import SonargridError
from sonargrid.runs.run_keys import BY_NAME

PLAUSIBLE_C = (-10.0, 45.0)  # rooms and yards in which people drive small robots
STATED_C = (0.0, 30.0)  # the sound speed formula's own limits; Cramer 1993
DRIFT_SIGMAS, GREAT_DRIFT_SIGMAS = 3.0, 6.0
CALIBRATED = (
    "head.angle_offset_deg",
    "head.angle_scale",
    "head.backlash_deg",
    "head.pulse_centre_us",
    "head.pulse_us_per_deg",
)
# what counts as a change at all, in the file's unit
LEAST_DRIFT = {
    "head.angle_offset_deg": 0.5,
    "head.angle_scale": 0.01,
    "head.backlash_deg": 0.7,
    "head.pulse_centre_us": 6.0,
    "head.pulse_us_per_deg": 0.1,
}


def check_temperature(view: RunView, sheet: Sheet) -> None:
    """Look for a temperature that nobody stated, or that no room has."""
    air = view.run.air
    rows = view.run.readings
    used = rows.distance_column == "echo_us" or view.run.ranger.assumed_sound_speed_m_s is not None
    if not used:
        sheet.cannot("distances are taken as logged (no ranger.us_per_cm), so the air's temperature is not used")
    low, high = PLAUSIBLE_C
    if not low <= air.temperature_c <= high:
        sheet.found(
            "temperature_implausible",
            FAULT,
            f"An air temperature of {air.temperature_c:g} degC is no room's (expected {low:g} to {high:g}); ranges "
            f"are off by about {0.18 * abs(air.temperature_c - 20.0):.0f} % if it is a slip.",
            "Is it in degrees Celsius?  Measure beside the robot and write air.temperature_c.",
            temperature_c=air.temperature_c,
        )
    elif not STATED_C[0] <= air.temperature_c <= STATED_C[1]:
        sheet.found(
            "temperature_outside",
            NOTE,
            f"{air.temperature_c:g} degC is outside the 0 to 30 degC for which the sound speed is stated.",
            "Calibrate the ranger at this temperature: sonargrid calibrate ranger.",
            temperature_c=air.temperature_c,
        )
    elif used and "air.temperature_c" not in view.run.origins:
        sheet.found(
            "temperature_missing",
            WARNING,
            f"No air temperature is stated; {air.temperature_c:g} degC is assumed.  5 degrees off are 0.9 % of every "
            "range: 9 mm at 1 m.",
            "Measure it beside the robot: air.temperature_c in run.toml, or --temperature 22.",
            temperature_c=air.temperature_c,
        )


def check_drift(view: RunView, sheet: Sheet) -> None:
    """Compare what the run's own targets say of the head with the calibration in use."""
    run = view.run
    origin = str(run.origins.get("calibration.file", ""))
    known = {key for key in run.calibration_sigmas if key in CALIBRATED or key.startswith("ranger.")}
    given = {key for key in CALIBRATED if "calibration" in str(run.origins.get(key, "")).lower()} | known
    if not given and not origin:
        sheet.cannot("no calibration is in use, so nothing shows whether head or ranger drifted since")
        return
    if not run.targets:
        sheet.cannot("no [[target]] is surveyed, so drift of offset and scale against the calibration does not show")
        return
    try:
        with np.errstate(invalid="ignore"):  # silent pings have no range to compare
            now = calibrate_head(run)
    except SonargridError as problem:
        sheet.cannot(f"drift against the calibration: {problem.faults[0].message}")
        return
    for full, (value, sigma) in now.values.items():
        if full in given:
            _tell_drift(view, full, value, sigma, sheet)
    if "ranger.range_bias_m" in run.calibration_sigmas and math.isfinite(now.range_bias_m):
        before = run.ranger.range_bias_m
        spread = math.hypot(now.range_bias_sigma_m, run.calibration_sigmas["ranger.range_bias_m"])
        _drifted("ranger.range_bias_m", before, now.range_bias_m, spread, 0.004, "m", sheet)


def _tell_drift(view: RunView, full: str, value: float, sigma: float, sheet: Sheet) -> None:
    key = BY_NAME[full]
    before = float(getattr(view.run.head, key.field))
    spread = math.hypot(sigma, float(view.run.calibration_sigmas.get(full, 0.0)))
    unit = "us" if full.endswith("us") else "us a degree" if full.endswith("per_deg") else "degrees"
    unit = "" if full.endswith("scale") else unit
    _drifted(full, before / key.unit, value / key.unit, spread / key.unit, LEAST_DRIFT[full], unit, sheet)


def _drifted(full: str, before: float, now: float, spread: float, least: float, unit: str, sheet: Sheet) -> None:
    change = now - before
    if abs(change) < max(least, DRIFT_SIGMAS * spread):
        return
    great = abs(change) >= max(4.0 * least, GREAT_DRIFT_SIGMAS * spread)
    sheet.found(
        "calibration_drift",
        FAULT if great else WARNING,
        f"{full}: the calibration says {before:.4g}, this run's own targets {now:.4g} {unit}, give or take "
        f"{spread:.2g}.".replace("  ", " "),
        "Did the horn slip, or is it another ranger?  Tighten the screw and calibrate again at this temperature.",
        key=full,
        calibrated=before,
        now=now,
        sigma=spread,
    )

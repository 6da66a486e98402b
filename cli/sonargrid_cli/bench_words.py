"""What the bench's commands say: values with their give and take, in words and as one JSON object."""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sonargrid.bench.head_bench import HeadCalibration
    from sonargrid.bench.ranger_fit import RangerFit
    from sonargrid.runs.calibration_saving import Fitted
    from sonargrid.runs.known_distances import KnownDistances

CAUTION = "Power off before hands go near the servo horn.  No safety function."
MANY_LINES = 12


def flat_values(fitted: Fitted) -> dict[str, Any]:
    """Return key names of run.toml and their sigmas, without their tables."""
    return {name: value for table in fitted.in_file_units().values() for name, value in table.items()}


def value_lines(fitted: Fitted, meaning: dict[str, str]) -> list[str]:
    """Return one line a value: key, number, give and take, what it means."""
    values = flat_values(fitted)
    lines = []
    for name, value in values.items():
        if name.endswith("_sigma") or isinstance(value, list):
            continue
        sigma = values.get(name + "_sigma")
        digits = 4 if abs(value) < 10.0 else 2
        spread = f"give or take {sigma:.{digits}f}" if sigma else ""
        lines.append(f"  {name:18}{value:>10.{digits}f}  {spread:22}{meaning.get(name, '')}".rstrip())
    return lines


HEAD_MEANING = {
    "angle_offset_deg": "left is positive",
    "angle_scale": "true turn per commanded",
    "backlash_deg": "play and lag",
    "pulse_centre_us": "looks straight ahead",
    "pulse_us_per_deg": "servo pulse per degree",
}
RANGER_MEANING = {
    "range_scale": "true length per read",
    "range_bias_m": "added after the scale",
    "blind_zone_m": "nearest that reads right",
}


def head_json(found: HeadCalibration, fitted: Fitted) -> str:
    """Return the head's calibration as one JSON object."""
    told: dict[str, Any] = flat_values(fitted)
    told["sweep_rate_deg_s"] = found.sweep_rate_deg_s
    told["range_bias_m"] = None if math.isnan(found.range_bias_m) else found.range_bias_m
    told["range_bias_m_sigma"] = None if math.isnan(found.range_bias_m) else found.range_bias_sigma_m
    told["bend_deg"] = None if math.isnan(found.bend_deg) else found.bend_deg
    told["bend_deg_sigma"] = None if math.isnan(found.bend_deg) else found.bend_sigma_deg
    told["covariance_keys"] = [key.rpartition(".")[2] for key in found.covariance_keys]
    told["covariance"] = found.covariance.tolist()
    told["targets"] = [
        {
            "station": t.station,
            "target": t.name,
            "head_angle_deg": t.head_angle_deg,
            "range_m": t.range_m,
            "half_beam_deg": t.half_deg,
            "residual_deg": t.residual_deg,
            "residual_deg_sigma": t.residual_sigma_deg,
        }
        for t in found.targets
    ]
    told["not_determined"] = list(found.reasons)
    told["warnings"] = list(found.warnings)
    return json.dumps(told, indent=2, ensure_ascii=False)


def head_words(found: HeadCalibration, fitted: Fitted) -> str:
    """Return the head's calibration for a screen of 80 columns."""
    lines = ["The head:", *value_lines(fitted, HEAD_MEANING)]
    if found.sweep_rate_deg_s is not None:
        lines.append(f"  swept at {found.sweep_rate_deg_s:.3g} degrees a second; at another rate the lag differs")
    if not math.isnan(found.range_bias_m):
        sigma = found.range_bias_sigma_m * 1000.0
        lines.append(f"  ranges: add {found.range_bias_m * 1000.0:+.1f} mm, give or take {sigma:.1f}")
        lines.append("  (not written: calibrate ranger measures scale and bias together)")
    if not math.isnan(found.bend_deg):
        lines.append(
            f"  bent: {found.bend_deg:+.1f} degrees, give or take {found.bend_sigma_deg:.1f}, at 45 left of ahead,"
        )
        lines.append("  as much the other way at 45 right; the values above are the straight line")
        lines.append("  (run.toml has no key for it: mind it where bearings near 45 and 135 matter)")
    if found.reasons:
        lines += ["", "What these readings cannot tell:", *(f"  {reason}" for reason in found.reasons)]
    if found.targets:
        lines += ["", "  station  target    head angle  range m  half beam     left over"]
        lines += [
            f"  {t.station[:8]:8} {t.name:9} {t.head_angle_deg:9.1f}  {t.range_m:7.3f} {t.half_deg:10.1f} "
            f"{t.residual_deg:+7.1f} +- {t.residual_sigma_deg:.1f}"
            for t in sorted(found.targets, key=lambda t: t.head_angle_deg)
        ]
        lines.append("  (degrees; left over: turned left by this, the thing alone would fit better)")
    return "\n".join([*lines, "", CAUTION])


def ranger_json(data: KnownDistances, fit: RangerFit, fitted: Fitted) -> str:
    """Return the ranger's calibration as one JSON object."""
    told: dict[str, Any] = flat_values(fitted)
    told["outliers"] = data.outlier_lines(fit)
    told["covariance_keys"] = ["range_scale", "range_bias_m"]
    told["covariance"] = fit.covariance.tolist()
    told["residual_m"] = fit.residual_m
    told["noise_m"] = None if math.isnan(fit.noise_m) else fit.noise_m
    told["noise_per_m"] = fit.noise_per_m
    told["slip_share"] = fit.slips
    told["distances"] = [
        {
            "known_m": p.known_m,
            "read_m": None if math.isnan(p.read_m) else p.read_m,
            "residual_m": None if math.isnan(p.read_m) else fit.corrected(p.read_m)[0] - p.known_m,
            "readings": p.readings,
            "outliers": p.outliers,
        }
        for p in fit.places
    ]
    return json.dumps(told, indent=2, ensure_ascii=False)


def ranger_words(data: KnownDistances, fit: RangerFit, fitted: Fitted) -> str:
    """Return the ranger's calibration for a screen of 80 columns."""
    lines = ["The ranger:", *value_lines(fitted, RANGER_MEANING)]
    lines.append(f"  distances scatter about the line by {fit.residual_m * 1000.0:.1f} mm (placing errors mostly)")
    if not math.isnan(fit.noise_m):
        share = f" + {fit.noise_per_m * 1000.0:.1f} mm a metre" if fit.noise_per_m > 0.0 else ""
        lines.append(f"  one reading scatters by {fit.noise_m * 1000.0:.1f} mm{share}")
    if fit.slips > 0.0:
        period = data.period_m * 1000.0
        lines.append(f"  {100.0 * fit.slips:.0f} % of readings lie one sound period ({period:.1f} mm) beside the rest")
    left_out = data.outlier_lines(fit)
    if left_out:
        shown = ", ".join(map(str, left_out[:MANY_LINES])) + (" ..." if len(left_out) > MANY_LINES else "")
        lines.append(f"  left out as gross: {len(left_out)} readings, line {shown}")
    lines += ["", "  known m   read m  corrected  off mm  readings"]
    for p in fit.places:
        if math.isnan(p.read_m):
            lines.append(f"  {p.known_m:7.3f}   nothing heard")
            continue
        there = fit.corrected(p.read_m)[0]
        lines.append(
            f"  {p.known_m:7.3f}  {p.read_m:7.3f}  {there:9.3f}  {(there - p.known_m) * 1000.0:+6.1f}  {p.readings:8}"
        )
    return "\n".join([*lines, "", CAUTION])

"""What `calibrate beam` says: half widths left and right at each distance, and what holds for all of them."""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, Any

from sonargrid_cli.bench_words import CAUTION, flat_values

if TYPE_CHECKING:
    from sonargrid.bench.beam_bench import BeamCalibration
    from sonargrid.bench.beam_fit import BeamPlace
    from sonargrid.runs.calibration_saving import Fitted

DEG = 180.0 / math.pi
KIND_WORDS = {"post": "Posts", "plate": "Plates (walls)", "corner": "Corners"}


def _or_null(value: float, per: float = 1.0) -> float | None:
    return None if math.isnan(value) else value * per


def _place(p: BeamPlace) -> dict[str, Any]:
    return {
        "station": p.station,
        "target": p.name,
        "kind": p.kind,
        "range_m": p.range_m,
        "left_deg": p.left[0] * DEG,
        "left_deg_sigma": p.left[1] * DEG,
        "right_deg": p.right[0] * DEG,
        "right_deg_sigma": p.right[1] * DEG,
        "half_deg": p.half[0] * DEG,
        "half_deg_sigma": p.half[1] * DEG,
        "soft_deg": p.soft_rad * DEG,
        "on_axis_share": _or_null(p.on_axis),
        "detection": [
            {"off_axis_deg": off * DEG, "share": share, "pings": int(pings)}
            for off, share, pings in sorted(zip(p.off_rad.tolist(), p.share.tolist(), p.pings.tolist(), strict=True))
        ],
    }


def beam_json(found: BeamCalibration, fitted: Fitted) -> str:
    """Return the beam's calibration as one JSON object."""
    fit = found.fit
    told: dict[str, Any] = flat_values(fitted)
    told |= {name: fitted.made_from[name] for name in ("covariance_keys", "covariance") if name in fitted.made_from}
    told["half_beam_deg"] = _or_null(found.half_beam[0], DEG)
    told["half_beam_deg_sigma"] = _or_null(found.half_beam[1], DEG)
    told["closest_piston_m"], told["closest_piston_m_sigma"] = found.piston_m
    told["closest_piston_misfit_deg"] = fit.misfit_rad * DEG
    told["threshold_db"], told["threshold_db_sigma"] = fit.threshold_db
    told["noise_on_axis_m"] = _or_null(fit.noise_on_m)
    told["noise_off_axis_m"] = _or_null(fit.noise_off_m)
    told["later_at_the_edge_m"] = _or_null(fit.late_m)
    told["places"] = [_place(p) for p in fit.places]
    told["not_determined"] = list(found.reasons)
    told["warnings"] = list(found.warnings)
    return json.dumps(told, indent=2, ensure_ascii=False)


def _table(places: list[BeamPlace], kind: str) -> list[str]:
    lines = ["", f"{KIND_WORDS[kind]}: half of the pings hear it out to, degrees off the axis"]
    lines.append("  station  target    range m          left         right  on axis")
    for p in places:
        left, right = (f"{side[0] * DEG:5.1f} +- {side[1] * DEG:3.1f}" for side in (p.left, p.right))
        heard = "" if math.isnan(p.on_axis) else f"{100.0 * p.on_axis:5.0f} %"
        lines.append(f"  {p.station[:8]:8} {p.name[:9]:9} {p.range_m:7.3f}  {left:>12}  {right:>12}  {heard}".rstrip())
    return lines


def beam_words(found: BeamCalibration) -> str:
    """Return the beam's calibration for a screen of 80 columns."""
    fit = found.fit
    lines = ["The beam:"]
    if not math.isnan(found.half_beam[0]):
        half, sigma = (v * DEG for v in found.half_beam)
        lines.append(f"  half beam {half:.1f} degrees, give or take {sigma:.1f} (5 cm post; 0.4, 0.7 and 1.0 m)")
    soft, spread = (v * DEG for v in fit.soft_rad)
    lines.append(f"  its edge falls softly over {soft:.1f} degrees, give or take {spread:.1f}")
    radius, radius_sigma = (v * 1000.0 for v in found.piston_m)
    lines.append(f"  closest piston: radius {radius:.1f} mm, give or take {radius_sigma:.1f};")
    lines.append(f"  widths depart from it by {fit.misfit_rad * DEG:.1f} degrees")
    if not math.isnan(fit.noise_on_m):
        on, out = fit.noise_on_m * 1000.0, fit.noise_off_m * 1000.0
        lines.append(f"  one range scatters by {on:.1f} mm near the axis, {out:.1f} mm beyond;")
        lines.append(f"  at the edge it reads {fit.late_m * 1000.0:+.1f} mm (weak echoes trigger late)")
    for kind in KIND_WORDS:
        places = [p for p in fit.places if p.kind == kind]
        lines += _table(places, kind) if places else []
    if found.post_rows:
        rows = ", ".join(f"[{at:.2f}, {half * DEG:.1f}]" for at, half, _ in found.post_rows)
        lines += ["", "For a 5 cm post (what -o writes, and --beam measured uses):", f"  half_beam_table = [{rows}]"]
    if found.reasons:
        lines += ["", "What these readings cannot tell:", *(f"  {reason}" for reason in found.reasons)]
    return "\n".join([*lines, "", CAUTION])

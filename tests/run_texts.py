"""Small runs as texts, and the way to lay them down as files."""

from __future__ import annotations

from pathlib import Path

FORMAT = 'format = "sonargrid-run/1"\n'
TWO_STATIONS = (
    FORMAT
    + """
[ranger]
reach_m = 3.0
us_per_cm = 58.0
half_beam_deg = 20.0

[[station]]
name = "A"
x_m = 0.0
y_m = 0.0
heading_deg = 90.0

[[station]]
name = "B"
x_m = 1.0
y_m = 0.5
heading_deg = 180.0
"""
)
SWEEP = "angle_deg,range_cm\n" + "".join(f"{angle},{40 + angle // 10}\n" for angle in range(0, 181, 15))


def lay_run(folder: Path, toml: str | bytes | None, readings: str | bytes, name: str = "run") -> Path:
    """Write a run's folder, or a bare CSV where there is no run.toml, and return its path."""
    content = readings.encode() if isinstance(readings, str) else readings
    if toml is None:
        path = folder / f"{name}.csv"
        path.write_bytes(content)
        return path
    path = folder / name
    path.mkdir()
    (path / "run.toml").write_bytes(toml.encode() if isinstance(toml, str) else toml)
    (path / "readings.csv").write_bytes(content)
    return path

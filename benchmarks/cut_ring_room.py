"""Cut the sample run `ring_room` out of the open wall-following recording: where the robot stands still the longest.

    python benchmarks/cut_ring_room.py RECORDING.csv [OUT.csv]

RECORDING.csv holds rows of 24 ranges (US1 .. US24, metres) and a label: Freire, A., Veloso, M., Barreto, G. (2010),
"Wall-Following Robot Navigation Data", UCI Machine Learning Repository, doi 10.24432/C57C8W, CC BY 4.0.  Rangers stand
15 degrees apart; US13 looks ahead and US19 to the left (the recording itself shows it; its description says otherwise),
so US7 .. US19 of one row are a half circle.  5.000 m means that nothing was heard.

Standing still: over the whole stretch of rows, at least 60 % of the rangers (those that hear something) stay within
`STILL_M` from their shortest to their longest reading.  Of the longest such stretches the one with most echoes counts.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

STILL_M = 0.006
STILL_SHARE = 0.6
LEAST_RANGERS = 10
NO_ECHO_M = 5.0
BEARINGS_DEG = -90.0 + 15.0 * np.arange(13)  # of US7 .. US19, counter-clockwise from straight ahead
HALF_CIRCLE = slice(6, 19)

Table = np.ndarray[tuple[int, int], np.dtype[np.float64]]


def recording(path: Path) -> Table:
    """Return the (rows, 24) ranges [m]."""
    rows = [line.split(",")[:24] for line in path.read_text(encoding="utf-8").splitlines() if line.strip()]
    return np.array(rows, dtype=np.float64)


def longest_stand(ranges: Table) -> tuple[int, int]:
    """Return the first and last row, counted from 0, of the longest stretch in which the robot stands still."""
    best, best_merit = (0, 0), (0, 0)
    for first in range(len(ranges)):
        low, high = ranges[first].copy(), ranges[first].copy()
        last = first
        for row in range(first + 1, len(ranges)):
            low, high = np.minimum(low, ranges[row]), np.maximum(high, ranges[row])
            span = (high - low)[high < NO_ECHO_M]
            if span.size < LEAST_RANGERS or np.quantile(span, STILL_SHARE) > STILL_M:
                break
            last = row
        merit = (last - first, int((ranges[first : last + 1, HALF_CIRCLE] < NO_ECHO_M).sum()))
        if merit > best_merit:
            best, best_merit = (first, last), merit
    return best


def readings(ranges: Table) -> str:
    """Return readings.csv of half circles: one sweep a row of the recording."""
    lines = ["sweep,bearing_deg,range_m"]
    for sweep, row in enumerate(ranges[:, HALF_CIRCLE]):
        lines += [f"{sweep},{bearing:g},{distance:.3f}" for bearing, distance in zip(BEARINGS_DEG, row, strict=True)]
    return "\n".join(lines) + "\n"


def main() -> None:
    """Write the cut and say where it came from."""
    ranges = recording(Path(sys.argv[1]))
    first, last = longest_stand(ranges)
    text = readings(ranges[first : last + 1])
    if len(sys.argv) > 2:
        Path(sys.argv[2]).write_text(text, encoding="utf-8")
    else:
        sys.stdout.write(text)
    print(f"rows {first + 1} to {last + 1} of {len(ranges)}", file=sys.stderr)


if __name__ == "__main__":
    main()

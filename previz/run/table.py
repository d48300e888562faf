"""Tables as CSV and the summary as JSON: the numbers of a run, for people's and programs' eyes.

CSV follows RFC 4180 (a comma between fields; a field with a comma, a quote or a line end is quoted, its quotes
doubled) with ``\\n`` at the end of a line and a header line that carries the units.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np

from previz.run.output import OutputFolder, json_text

HOLD_HEADER = (
    "frame",
    "rail_mm",
    "break_pct",
    "trace_pct",
    "drift_deg_s",
    "drift_pct",
    "found_pct",
    "mismatch_de",
    "slip_px",
    "tells",
)

# what summary.json always holds, in this order (DEVELOPERS.md, "What the file says and what a run leaves")
SUMMARY_KEYS = (
    "title",
    "scene_sha256",
    "version",
    "engine",
    "driver",
    "frames",
    "size_px",
    "station_frame",
    "hold_mm",
    "hold_frames",
    "break_mean_pct",
    "break_worst_pct",
    "break_station_pct",
    "break_reveal_pct",
    "trace_worst_pct",
    "hold_still_mm",
    "hold_still_frames",
    "found_hold_pct",
    "drift_worst_deg_s",
    "hidden",
    "viewers",
    "worst_frame",
    "cautions",
)


@dataclass(frozen=True)
class HoldRow:
    """One frame's numbers. ``None`` stands for a number that could not be found; ``tells`` are plain words."""

    frame: int
    rail_mm: float
    break_pct: float | None
    mismatch_de: float | None
    slip_px: float | None
    tells: tuple[str, ...] = ()
    trace_pct: float | None = None
    drift_deg_s: float | None = None
    drift_pct: float | None = None
    found_pct: float | None = None


def csv_text(header: Sequence[str], rows: Iterable[Sequence[object]], decimals: int = 3) -> str:
    """CSV text of rows as long as the header; a row of another length raises ``ValueError``.

    Floats are written with ``decimals`` digits after the point, ``None`` and what is not a number as an empty
    field, several words as ``"colour; shadow"``.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(header)
    for number, row in enumerate(rows, start=1):
        if len(row) != len(header):
            raise ValueError(f"row {number} has {len(row)} fields, the header {len(header)}")
        writer.writerow([_field(value, decimals) for value in row])
    return out.getvalue()


def hold_csv(rows: Iterable[HoldRow]) -> str:
    """The text of ``hold.csv``: a row a frame."""
    return csv_text(
        HOLD_HEADER,
        ([getattr(row, name) for name in HOLD_HEADER] for row in rows),
    )


def summary_text(values: Mapping[str, object]) -> str:
    """The text of ``summary.json``: the keys of the design in its order, then any others by name.

    A key of the design that is missing raises ``ValueError``. Floats are rounded to four decimals.
    """
    missing = [key for key in SUMMARY_KEYS if key not in values]
    if missing:
        raise ValueError(f"the summary lacks {', '.join(missing)}")
    more = sorted(key for key in values if key not in SUMMARY_KEYS)
    return json_text({key: values[key] for key in (*SUMMARY_KEYS, *more)}, decimals=4, sort_keys=False)


def write_hold(folder: OutputFolder, rows: Iterable[HoldRow]) -> Path:
    """Write ``hold.csv``; gives its place."""
    return folder.write_text("hold.csv", hold_csv(rows))


def write_summary(folder: OutputFolder, values: Mapping[str, object]) -> Path:
    """Write ``summary.json``; gives its place."""
    return folder.write_text("summary.json", summary_text(values))


def _field(value: object, decimals: int) -> str:
    if value is None:
        return ""
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        # adding zero after rounding keeps "-0.000" out of the file
        return f"{round(value, decimals) + 0.0:.{decimals}f}" if math.isfinite(value) else ""
    if isinstance(value, list | tuple):
        return "; ".join(_field(item, decimals) for item in value)
    if isinstance(value, int | str | Fraction):
        return str(value)
    raise TypeError(f"{type(value).__name__} has no place in a table")

"""What the rig card says, in a short table for people."""

from __future__ import annotations

from typing import Any

from previz.units import inches_text


def rig_rows(values: dict[str, Any], folder: str) -> list[tuple[str, str]]:
    """Rows (label, words) of ``rig.json``."""
    rows = [(name, words) for name, words in values["settings"].items()]
    for mark in values["marks"]:
        travel = f"{mark['rail_mm']:.1f} mm ({inches_text(mark['rail_mm'] / 1e3)})"
        rows.append((mark["mark"], f"frame {mark['frame']}, {travel}, {mark['time_s']:.2f} s"))
    rows += [("", line) for line in values["focus"]["advice"]]
    rows += [("", line) for line in values["light"]["lines"]]
    rows += [("", line) for line in values["advice"]]
    rows += [("", line) for line in values["support"]]
    return [*rows, ("written to", f"{folder}: {', '.join(values['files'])}")]

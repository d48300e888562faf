"""What the rig card says, in a short table for people."""

from __future__ import annotations

from typing import Any

from previz.units import inches_text


def rig_rows(values: dict[str, Any], folder: str) -> list[tuple[str, str]]:
    """Rows (label, words) of ``rig.json``."""
    rows = [(name, words) for name, words in values["settings"].items()]
    rail = values["rail"]
    rise = f"{rail['rise_deg']:+.1f} deg, {rail['rise_mm']:+.1f} mm ({inches_text(rail['rise_mm'] / 1e3)})"
    over = " to ".join(f"{rail[f'{name}_over_floor_mm']:.0f}" for name in ("start", "end"))
    rows.append(("rail", f"{rail['runs']}; rise {rise}; lens {over} mm over the floor"))
    for mark in values["marks"]:
        travel = f"{mark['rail_mm']:.1f} mm ({inches_text(mark['rail_mm'] / 1e3)})"
        rows.append((mark["mark"], f"frame {mark['frame']}, {travel}, {mark['time_s']:.2f} s"))
    if "lamps" in values:
        rows += lamp_rows(values["lamps"])
    rows += [("", line) for line in values["focus"]["advice"]]
    rows += [("", line) for line in values["light"]["lines"]]
    rows += [("", line) for line in values["advice"]]
    rows += [("", line) for line in values["support"]]
    return [*rows, ("written to", f"{folder}: {', '.join(values['files'])}")]


def lamp_rows(lamps: dict[str, Any]) -> list[tuple[str, str]]:
    """Rows of the lamps that were placed."""
    rows = []
    for lamp in lamps["lamps"]:
        right, up, out = lamp["position_mm"]
        stand = lamp["stand"]
        arm = f" on an arm of {stand['arm_mm']:.0f} mm" if stand["arm_mm"] else ""
        rows.append(
            (lamp["name"], f"{right:.0f} right, {up:.0f} up, {out:.0f} out, mm{arm}; {lamp['lux_at_aim']:g} lux at its "
             f"aim, {100.0 * lamp['share_of_full']:.0f} % of full")
        )  # fmt: skip
    return [*rows, *(("", line) for line in lamps["lines"])]

"""Rows for people of what the commands for the real camera found."""

from __future__ import annotations

from typing import Any

from previz.command.lineup.illusion import break_words
from previz.deliver.lineup.markersheet import ways
from previz.draw.style import break_text

Rows = list[tuple[str, str]]


def _three(values: list[float], spreads: list[float]) -> str:
    return ", ".join(f"{v:.1f} +-{1.96 * s:.1f}" for v, s in zip(values, spreads, strict=True))


def marker_rows(values: dict[str, Any], folder: str) -> Rows:
    """Where the sheets go."""
    rows: Rows = []
    if values["by_rule"]:
        rows.append(("placing", "by rule; write places under [markers] to choose your own"))
    for sheet in values["sheets"]:
        where = ", ".join(f"{value:.0f} mm {way}" for value, way in ways(sheet["middle_mm"]))
        first, last = sheet["numbers"]
        words = f"cross {where}; markers {first} to {last}"
        rows += [(f"sheet {sheet['sheet']}", words), ("", sheet["shown"])]
    return [*rows, ("written", f"{folder}/markers.pdf: print at 100 %, check the bars")]


def lineup_rows(values: dict[str, Any], folder: str) -> Rows:
    """What to do, what the illusion is, and how sure that is."""
    rows: Rows = [("compared with", f"{values['compared_with']}, frame {values['frame']}")]
    rows += [("do" if number == 0 else "", step["words"]) for number, step in enumerate(values["steps"])]
    if values["plumb"]:
        rows.append(("", values["plumb"]))
    if "break_now_pct" in values:
        rows += [("break", break_words(values, break_text)), ("paint", values["repaint"])]
    place = _three(values["position_mm"], values["position_sd_mm"])
    rows.append(("camera", f"{place} mm (right, up, out; 95 %)"))
    rows.append(("lens", f"{values['lens_mm']:.2f} +-{1.96 * values['lens_sd_mm']:.2f} mm, k1 {values['k1']:.4f}"))
    rows.append(("from", f"{values['points_used']} points, {values['rms_px']:.2f} px rms"))
    if values["left_out"]:
        rows.append(("left out", ", ".join(values["left_out"])))
    for piece in values.get("as_built", []):
        shift = _three(piece["shift_mm"], piece["shift_sd_mm"])
        rows.append((f"{piece['piece']} is off", f"{shift} mm (right, up, out)"))
    if "as_built_scene" in values:
        rows.append(("as built", f"{folder}/{values['as_built_scene']}"))
        rows += [("", f"not in it: {text}") for text in values["as_built_left_out"]]
    return [*rows, ("written", f"{folder}/lineup.png, lineup.json")]


def lens_rows(values: dict[str, Any], folder: str) -> Rows:
    """The lens, and what to write in the scene."""
    return [
        ("lens", f"{values['lens_mm']:.3f} +-{1.96 * values['lens_sd_mm']:.3f} mm (95 %)"),
        ("distortion", f"k1 = {values['k1']:.5f} +-{1.96 * values['k1_sd']:.5f}"),
        ("optical axis", "{:.1f} px right, {:.1f} px down of the middle".format(*values["axis_off_px"])),
        ("from", f"{values['photographs']} photographs, {values['rms_px']:.3f} px rms"),
        *(("disagrees", name) for name in values["disagreeing"]),
        ("write", "; ".join(f"{key} = {value}" for key, value in values["write"].items())),
        ("written", f"{folder}/lens.json"),
    ]

"""What a search has found, in words and short tables for people."""

from __future__ import annotations

from typing import Any

from previz.units import inches_text

# key of a value that was searched for, and what people call it
_WORDS = {
    "height": ("height", "mm"),
    "distance": ("distance", "mm"),
    "lateral": ("lateral", "mm"),
    "distance_with_lens": ("distance with lens", "mm"),
    "tilt": ("tilt", "deg"),
    "pan": ("pan", "deg"),
    "lens": ("lens", "mm"),
    "rail_angle": ("rail angle", "deg"),
    "rail_length": ("rail length", "mm"),
    "rail_pan": ("pan over the slide", "deg"),
    "stand": ("frames stood", ""),
    "slide": ("frames slid", ""),
    "station": ("station frame", ""),
    "bridge_length": ("bridge length", "mm"),
    "bridge_width": ("bridge width", "mm"),
    "bridge_taper": ("bridge taper", ""),
    "bridge_height": ("bridge thickness", "mm"),
    "wall": ("wall's paint", ""),
    "wall_turn": ("wall's pattern turned", "deg"),
}


def words_of(name: str) -> tuple[str, str]:
    """What a value is called, and its unit; a lamp's and a card's are called by the lamp and the card."""
    return _WORDS.get(name, (name, "" if name.endswith(" lux") else "mm"))


def search_rows(summary: dict[str, Any], folder: str) -> list[tuple[str, str]]:
    """Rows (label, words) of a search's summary, ``search.json``."""
    least = summary["least_reveal_pct"]
    tried = f"{summary['candidates']}, of which {summary['judged']} can be judged"
    rows = [("candidates tried", f"{tried} and {summary['reveals']} reveal at least {least:g} %")]
    for reason, count in summary["not_judged"].items():
        rows.append((reason, f"{count} candidates" if count > 1 else "1 candidate"))
    best, own = summary["best"], summary["own"]
    if best["reason"]:
        return [*rows, ("best", f"none: {best['reason']}"), ("written to", folder)]
    rows += [("longest hold", _hold(best)), ("as the scene is", own["reason"] or _hold(own))]
    if summary["nothing_holds"]:
        rows.append(("nothing holds", summary["nothing_holds"].partition("; ")[2]))
    if best["reveals"] is False:
        rows.append(("too little reveal", f"no candidate reveals {least:g} %; this one reveals most"))
    for name in summary["varied"]:
        words, unit = words_of(name)
        key = f"{name}_{unit}" if unit else name
        rows.append((words, f"{best[key]} {unit}".strip() + f" (was {own[key]})"))
    if summary["drawn"]:
        count = len(summary["drawn"])
        rows.append(("drawn and judged", f"{count}, the best among them, as score does; the rest without a picture"))
    return [*rows, ("written to", f"{folder}: best.toml, search.csv, trade.png")]


def best_notes(summary: dict[str, Any]) -> list[str]:
    """What the best candidate is, a line for each value that was searched for, lengths in both measures."""
    best, notes = summary["best"], []
    if best["reason"]:
        return []
    for name in summary["varied"]:
        words, unit = words_of(name)
        text = best[f"{name}_{unit}" if unit else name]
        both = f"{text} mm / {inches_text(float(text) / 1e3)}" if unit == "mm" and name != "lens" else f"{text} {unit}"
        notes.append(f"{words:<15}{both}".rstrip())
    return notes


def _hold(row: dict[str, Any]) -> str:
    reveal = "not judged" if row["break_reveal_pct"] is None else f"{row['break_reveal_pct']:.1f} %"
    held = f"{row['hold_s']:.2f} s, {row['hold_mm']:.1f} mm ({inches_text(row['hold_mm'] / 1e3)}) of rail"
    if row["hold_first"] is None:
        held = "none, the bridge shows at the station frame"
        if row["found_hold_pct"] is not None:
            held = "none, the bridge is found by the station frame"
    elif row["hold_first"] < row["hold_last"]:
        held += f", frames {row['hold_first']} to {row['hold_last']}"
    found = ""
    if row["found_hold_pct"] is not None:
        found = f"; found by {row['found_hold_pct']:.0f} of 100 by the end of the hold asked for"
    return f"{held}{found}; break at the reveal {reveal}"

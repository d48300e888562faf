"""What the paint came to, in short rows for people."""

from __future__ import annotations

from typing import Any


def paint_rows(values: dict[str, Any], folder: str) -> list[tuple[str, str]]:
    """Rows (label, words) of a solved paint's values, ``paint.json``."""
    first, last = values["hold_wanted"]
    frames = values["frames_solved"]
    rows = [
        ("solved for", f"frames {first} to {last}: {len(frames)} of them, {values['views']} views with knocked ones"),
        ("begun with", f"{values['begun_with']}, {values['steps']} steps"),
    ]
    rows.append(("kept", values["sentence"]))
    for name, look in values["film"].items():
        if look is not None:
            until = "not found by its end" if look["found_s"] is None else f"found at {look['found_s']:.2f} s"
            found = f"by {look['found_hold_pct']:.0f} of 100 by the end of the hold"
            rows.append((f"the film, {name}", f"{until}, {found}"))
    for row in values["compared"]:
        mean, worst = row["break_mean_pct"], row["break_worst_pct"]
        found = "cannot be judged" if worst is None else f"break {mean:.1f} % on the mean, {worst:.1f} % at worst"
        name = "as laid" if row["paint"] == "solved" else row["paint"]
        rows.append((name, f"{found}, {row['frames']} frames between those solved for"))
    return [*rows, ("written to", f"{folder}: {', '.join(values['files'])}")]

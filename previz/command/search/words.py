"""What a search and a knock have found, in words and short tables for people."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from previz.scene.model import Scene
from previz.search.knock import SIZE, Drift, Slack, smaller
from previz.units import inches_text

# key of a value that was searched for, and what people call it
_WORDS = {
    "height": ("height", "mm"),
    "distance": ("distance", "mm"),
    "lateral": ("lateral", "mm"),
    "tilt": ("tilt", "deg"),
    "pan": ("pan", "deg"),
    "lens": ("lens", "mm"),
    "rail_angle": ("rail angle", "deg"),
    "rail_length": ("rail length", "mm"),
    "station": ("station frame", ""),
    "bridge_length": ("bridge length", "mm"),
    "bridge_width": ("bridge width", "mm"),
    "bridge_taper": ("bridge taper", ""),
    "bridge_height": ("bridge thickness", "mm"),
}


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
    if best["reveals"] is False:
        rows.append(("too little reveal", f"no candidate reveals {least:g} %; this one reveals most"))
    for name in summary["varied"]:
        words, unit = _WORDS[name]
        key = f"{name}_{unit}" if unit else name
        rows.append((words, f"{best[key]} {unit}".strip() + f" (was {own[key]})"))
    for name, look in summary.get("checked", {}).items():
        found = "cannot be judged" if look["break_pct"] is None else f"break {look['break_pct']:.1f} %"
        rows.append((f"by pictures, {name}", f"{found} at frame {look['frame']}"))
    return [*rows, ("written to", f"{folder}: best.toml, search.csv, trade.png")]


def best_notes(summary: dict[str, Any]) -> list[str]:
    """What the best candidate is, a line for each value that was searched for, lengths in both measures."""
    best, notes = summary["best"], []
    if best["reason"]:
        return []
    for name in summary["varied"]:
        words, unit = _WORDS[name]
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


def amount(value: float | None, slack: Slack) -> str:
    """A drift for people: ``0.8 mm``, ``more than 5 deg``."""
    size = SIZE[slack.unit]
    if value is None:
        return f"more than {slack.limit / size:g} {slack.unit}"
    shown = value / size
    return f"{shown:.2f} {slack.unit}" if shown < 1.0 else f"{shown:.1f} {slack.unit}"


def knock_rows(summary: dict[str, Any], folder: str) -> list[tuple[str, str]]:
    """Rows (label, words) of a knock's summary: the sentences, then where the rest is."""
    first, *rest = summary["sentences"]
    return [("knock", first), *(("", sentence) for sentence in rest), ("written to", f"{folder}: knock.csv, knock.png")]


def knock_sentences(scene: Scene, drifts: Sequence[Drift], summary: dict[str, Any]) -> list[str]:
    """What a knock does to the shot, in plain words, what matters most first."""
    if not summary["frames"]:
        return [f"the bridge shows at the station frame {summary['station_frame']} without any knock"]
    out = []
    by_strain = sorted(drifts, key=lambda d: -d.strain(d.slack.stated(scene.knock)))
    worst = by_strain[0]
    least = smaller(worst.hold)
    if least is None:
        out.append("nothing that was tried breaks the hold: the camera may be knocked freely")
    else:
        out.append(f"{worst.slack.lock}: {amount(least, worst.slack)} is all you have")
    for drift in by_strain[1:]:
        least = smaller(drift.hold)
        if least is not None:
            out.append(f"{drift.slack.name} may be off by {amount(least, drift.slack)}")
    free = [drift.slack for drift in by_strain if smaller(drift.hold) is None]
    if free:
        out.append("no worry: " + ", ".join(f"{slack.name} ({amount(None, slack)})" for slack in free))
    out.append(_odds(scene, summary))
    lost = list(summary["frames_lost_unknocked"])
    if lost:
        which = f"frame {lost[0]}" if len(lost) == 1 else f"frames {', '.join(lost)}"
        out.append(f"left out, since not held even without a knock: {which} of the hold asked for")
    return out


def _odds(scene: Scene, summary: dict[str, Any]) -> str:
    knock = scene.knock
    built = (
        f"+-{1e3 * knock.shift:g} mm, +-{math.degrees(knock.turn):g} deg, focal length +-{100 * knock.focal:g} %, "
        f"paint +-{1e3 * knock.paint:g} mm"
    )
    hold = summary["joint"]["hold"]
    low, high = hold["interval_95"]
    return (
        f"built to {built} the shot holds in {100 * hold['probability']:.0f} of 100 builds "
        f"(95 % sure: {100 * low:.0f} to {100 * high:.0f}; {summary['builds']} tried)"
    )

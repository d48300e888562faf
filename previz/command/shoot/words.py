"""What a shot holds, in a short table for people."""

from __future__ import annotations

from typing import Any

from previz.judge.viewer import HOLDS_BELOW_PCT
from previz.run.blindtest import blind_words
from previz.units import inches_text


def _percent(value: float | None) -> str:
    return "not judged" if value is None else f"{value:.1f} %"


def _frames(first: int, last: int) -> str:
    return f"frame {first}" if first == last else f"frames {first} to {last}"


def verdict(summary: dict[str, Any]) -> str:
    """What matters, in a few words."""
    first, last = summary["hold_wanted"]
    if summary["break_station_pct"] is None:
        return f"cannot be told: the station frame {summary['station_frame']} cannot be judged"
    if summary["hold_first"] is None:
        return f"no: the bridge shows already at the station frame {summary['station_frame']}"
    if summary["hold_first"] <= first and last <= summary["hold_last"]:
        return "yes, over all of the hold asked for"
    return "not over all of the hold asked for"


def found_words(summary: dict[str, Any]) -> str:
    """How many of a hundred viewers who look for it have found the bridge by the end of the hold, and by what."""
    many, low, high = (round(summary[f"found_hold{kind}_pct"]) for kind in ("", "_low", "_high"))
    last, slides = summary["hold_wanted"][1], summary["parallax_from"]
    words = f"by {many} ({low} to {high}) of 100 at frame {last}"
    return words if slides is None or slides > last else f"{words}; parallax from {slides}"


def shot_rows(summary: dict[str, Any], folder: str) -> list[tuple[str, str]]:
    """The shot in short rows for people."""
    hold_mm, frames = summary["hold_mm"], summary["hold_frames"]
    held = f"{hold_mm:.1f} mm ({inches_text(hold_mm / 1e3)}) of rail"
    if frames:
        # a shot that stands holds for a while over no rail at all
        held = f"{_frames(summary['hold_first'], summary['hold_last'])}, {held}, {summary['hold_s']:.2f} s"
    worst = _percent(summary["break_worst_pct"])
    if summary["worst_frame"] is not None:
        worst += f" at frame {summary['worst_frame']}"
        if summary["worst_tells"]:
            worst += f", told by {', '.join(summary['worst_tells'])}"
    rows = [
        ("hidden", verdict(summary)),
        ("hold asked for", _frames(*summary["hold_wanted"])),
        (f"holds (to {HOLDS_BELOW_PCT:g} %)", held if frames else "not at all"),
        ("break at station", f"{_percent(summary['break_station_pct'])} at frame {summary['station_frame']}"),
        ("break in the hold", f"{_percent(summary['break_mean_pct'])} in the mean"),
        ("worst in the hold", worst),
        ("traces in the hold", f"{_percent(summary['trace_worst_pct'])} at worst"),
        ("found in the film", found_words(summary)),
        ("holds as stills", f"{summary['hold_still_frames']} frames, {summary['hold_still_mm']:.1f} mm of rail"),
        *(("what helps", words) for words in summary["helps"]),
    ]
    if summary["reveal_frame"] is not None:
        reveal = f"{_percent(summary['break_reveal_pct'])} at frame {summary['reveal_frame']}"
        rows.append(("break at the reveal", reveal))
    if "blind_test" in summary:
        rows.append(("found by people", blind_words(summary["blind_test"])))
    return [*rows, ("drawn by", f"{summary['engine']}, {summary['driver']}"), ("written to", folder)]

"""Scores as plain values for the page."""

from __future__ import annotations

from typing import Any

from previz.judge.hold import FrameScore


def score_row(score: FrameScore, found_pct: float | None = None) -> dict[str, Any]:
    """A frame's score; ``found_pct`` is what has been found of the film by then."""
    return {
        "frame": score.frame,
        "rail_mm": 1e3 * score.rail,
        "break_pct": score.break_pct,
        "trace_pct": score.trace_pct,
        "slip_px": score.slip_px,
        "tells": list(score.tells),
        "why": score.reason,
        "found_pct": found_pct,
    }

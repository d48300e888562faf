"""Scores and pictures as the page takes them."""

from __future__ import annotations

import io
from typing import Any

from PIL import Image

from previz.judge.hold import FrameScore
from previz.workshop.surface import Pixels8


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


def jpeg(code: Pixels8, quality: int) -> bytes:
    """A picture (H, W, 3) of codes as a JPEG file."""
    whole = io.BytesIO()
    Image.fromarray(code).save(whole, "JPEG", quality=quality)
    return whole.getvalue()

"""The picture of one frame explained: every contour that was looked at, what is found numbered, and a table of it."""

from __future__ import annotations

from collections.abc import Sequence

from previz.deliver.shoot.overlay import OutlinePieces, tell_key, with_outline
from previz.draw.paper import LEADING, Paper
from previz.draw.style import INK, PAPER
from previz.judge.findings import FoundStretch
from previz.judge.viewer import SEATS
from previz.workshop.surface import Pixels8

# more than so many stretches are counted, not listed
MOST_LISTED = 12


def explained(
    frame: Pixels8,
    pieces: Sequence[OutlinePieces],
    words: Sequence[str],
    findings: Sequence[FoundStretch],
    verdict: str,
    by_seat: Sequence[tuple[float, float]],
) -> Pixels8:
    """The frame (H, W, 3) uint8 with its contours, a key, and under it what is found, numbered as in the picture.

    ``words`` are the tells that are drawn, ``verdict`` is a sentence over the table, ``by_seat`` break and trace in
    percent for each of the three viewers.
    """
    drawn = with_outline(frame, pieces)
    height, width = drawn.shape[:2]
    size = max(10.0, round(width / 76.0))
    numbered = Paper(width, height, 2)
    numbered.paste(drawn, (0, 0))
    listed = findings[:MOST_LISTED]
    for number, found in enumerate(listed, start=1):
        at = _beside(found, width, height, 1.6 * size)
        numbered.line([(found.x_px, found.y_px), at], INK, 1.2)
        numbered.circle(at, 0.95 * size, PAPER, INK, 1.4)
        numbered.text(at, str(number), size, INK, "mm")
    keyed = tell_key(numbered.picture(), words)
    lines = [verdict, _viewers(by_seat)]
    lines += [
        f"{number:2d}  {found.sentence}; {found.times_limit:.1f} of its limit"
        for number, found in enumerate(listed, start=1)
    ]
    if len(findings) > len(listed):
        lines.append(f"    and {len(findings) - len(listed)} shorter ones")
    below = round((len(lines) + 1.0) * size * LEADING)
    below += (keyed.shape[0] + below) % 2
    sheet = Paper(width, keyed.shape[0] + below, 2)
    sheet.paste(keyed, (0, 0))
    for row, text in enumerate(lines):
        sheet.text((size, keyed.shape[0] + (row + 0.9) * size * LEADING), text, size, INK, "lm")
    return sheet.picture()


def _viewers(by_seat: Sequence[tuple[float, float]]) -> str:
    told = (
        f"{seat.name} {found:.1f} % outline, {trace:.1f} % traces"
        for seat, (found, trace) in zip(SEATS, by_seat, strict=False)
    )
    return f"viewers: {'; '.join(told)}"


def _beside(found: FoundStretch, width: int, height: int, away: float) -> tuple[float, float]:
    """Where the number of a finding stands: off its line, on the side away from the bridge, inside the frame."""
    out = -away if "left" in found.where else away
    return min(max(found.x_px + 1.5 * out, away), width - away), min(max(found.y_px, away), height - away)

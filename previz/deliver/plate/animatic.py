"""Frames of the animatic laid out: words in the lower bar, with and without the bridge, two scenes side by side.

Frames are (H, W, 3) uint8 sRGB codes. The warm white and the ink are the sheets' own; lines that part two pictures are
chalk-line blue between two of paper, so that they are seen on any picture.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from previz.draw.paper import Paper
from previz.draw.style import CHALK, INK, PAPER, SOFT, fitted, text_width
from previz.plate.framing import Bars
from previz.run.frames import Pixels8

_BLACK = (0, 0, 0)

# a bar lower than this, px, holds no words: they lie on the picture's own rim then
_LOWEST_BAR = 14

# words as a share of the frame's width, and of the bar's height at most
_WORDS_SHARE = 1.0 / 62.0
_BAR_SHARE = 0.62
_SMALLEST = 7.0


def words_size(width_px: int, room_px: float) -> float:
    """Size (px) of letters in a bar ``room_px`` high in a frame ``width_px`` wide."""
    return max(min(width_px * _WORDS_SHARE, room_px * _BAR_SHARE), _SMALLEST)


def burnt_in(frame: Pixels8, bars: Bars, words: Sequence[str]) -> Pixels8:
    """A copy of a frame with ``words`` in its lower bar, each in a column of its own so that none jumps.

    Without a bar that is high enough they lie in a black strip on the picture's lower rim.
    """
    height, width = frame.shape[:2]
    bar = height - bars.bottom
    size = words_size(width, bar if bar >= _LOWEST_BAR else height / 18.0)
    strip = min(bar if bar >= _LOWEST_BAR else round(1.8 * size), height)
    paper = Paper(width, strip, ground=_BLACK)
    left, right = bars.left + size, bars.right - size
    column = (right - left) / max(len(words), 1)
    for number, word in enumerate(words):
        shown = fitted(word, size, column - size)
        paper.text((left + number * column, 0.5 * strip), shown, size, PAPER, anchor="lm")
    out = frame.copy()
    out[height - strip :] = paper.picture()
    return out


def wiped(with_bridge: Pixels8, without: Pixels8, share: float, bars: Bars) -> Pixels8:
    """``with_bridge`` to the left of an upright line, ``without`` to its right; ``share`` (0 to 1) of the picture's
    width lies left of it."""
    height, width = with_bridge.shape[:2]
    at = bars.left + round(share * (bars.right - bars.left))
    out = with_bridge.copy()
    out[bars.top : bars.bottom, at : bars.right] = without[bars.top : bars.bottom, at : bars.right]
    _part(out[bars.top : bars.bottom], at)
    bar = bars.top
    size = words_size(width, bar if bar >= _LOWEST_BAR else height / 18.0)
    strip = min(bar if bar >= _LOWEST_BAR else round(1.8 * size), height)
    on_picture = bar < _LOWEST_BAR
    paper = Paper(width, strip, ground=_BLACK)
    if on_picture:
        paper.paste(np.ascontiguousarray(out[:strip]), (0, 0))
    ink, halo = (INK, 2.0) if on_picture else (PAPER, 0.0)
    middle = 0.5 * strip
    for word, anchor, x, room in (
        ("with the bridge", "rm", at - size, at - size - bars.left),
        ("without", "lm", at + size, bars.right - at - size),
    ):
        if text_width(word, size) <= room:
            paper.text((x, middle), word, size, ink, anchor=anchor, halo=halo)
    out[:strip] = paper.picture()
    return out


def side_by_side(left: Pixels8, right: Pixels8, labels: tuple[str, str], captions: tuple[str, str]) -> Pixels8:
    """Two pictures of one size, a line between them, and under each its label and its caption on a strip of paper."""
    if left.shape != right.shape:
        raise ValueError(f"two pictures side by side are of one size, not {left.shape} and {right.shape}")
    height, width = left.shape[:2]
    size = max(width / 34.0, _SMALLEST)
    strip = round(2.2 * size)
    # both sides even, so that no film has to add a line
    strip += (height + strip) % 2
    paper = Paper(2 * width, strip)
    for number, (label, caption) in enumerate(zip(labels, captions, strict=True)):
        x, room = number * width + size, width - 2.0 * size
        paper.text((x, 0.5 * strip), fitted(label, size, room, bold=True), size, INK, anchor="lm", bold=True)
        rest = room - text_width(label, size, bold=True) - 2.0 * size
        if text_width(caption, size) <= rest:
            paper.text((x + room, 0.5 * strip), caption, size, SOFT, anchor="rm")
    out = np.concatenate([np.concatenate([left, right], axis=1), paper.picture()], axis=0)
    _part(out[:height], width)
    return out


def _part(picture: Pixels8, at: int) -> None:
    """Draw the line that parts two pictures at column ``at``, in place."""
    wide = max(1, round(picture.shape[1] / 800))
    picture[:, max(at - 2 * wide, 0) : at + 2 * wide] = PAPER
    picture[:, max(at - wide, 0) : at + wide] = CHALK

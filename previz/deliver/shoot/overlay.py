"""The judged outline drawn over a lens frame, and a caption under it.

What is unbroken is a thin chalk-blue line with a rim of paper white; what is broken is a thicker, dashed one with an
outer rim of ink as well, so that it can be seen on any wall. Every tell has its own colour and its own dashes, those of
:mod:`previz.judge.telltable`, named under the frame by :func:`tell_key`; where no tell is known they are signal red.
What is found by its movement has the line of parallax beside the outline: the same stretch may be found still as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from previz.draw.paper import LEADING, Paper
from previz.draw.style import CHALK, INK, PAPER, text_width
from previz.judge.breaks import Break
from previz.judge.telltable import HIDDEN, PARALLAX, SHOWS, TELL_TABLE, TELLS, Tell
from previz.workshop.surface import Pixels8

# widths at a frame 960 px wide; wider frames get wider lines
_WIDTH_PX = 960.0
_THIN, _THICK = 1.3, 4.0
# how far beside the outline the line of what slides runs: both stay apart, rims and all
_BESIDE = 11.0


@dataclass(frozen=True, eq=False)
class OutlinePieces:
    """A stretch of outline: ``points`` (N, 2) px in the frame, ``broken`` (N,) bool for the piece at each point.

    ``tell`` (N,) is the index into ``TELLS`` of each broken piece's tell, -1 where there is none to name.
    """

    points: NDArray[np.float64]
    broken: NDArray[np.bool_]
    closed: bool = False
    tell: NDArray[np.int8] | None = None


def outline_pieces(found: Break | None, tell: NDArray[np.int8] | None) -> list[OutlinePieces]:
    """A judged outline, line by line, for drawing; ``tell`` (N,) as in :class:`OutlinePieces`."""
    if found is None:
        return []
    return [
        OutlinePieces(found.outline.xy[rows], found.broken[rows], closed, None if tell is None else tell[rows])
        for number, closed in enumerate(found.outline.closed)
        for rows in [found.outline.line == number]
    ]


@dataclass(frozen=True, eq=False)
class LineBeside:
    """A line beside the outline, off the bridge: ``points`` (N, 2) px in the frame, and the ``length`` (N,) of the
    bridge that each lies at, -1 where that is not known."""

    points: NDArray[np.float64]
    length: NDArray[np.int64]
    closed: bool = False


def lines_beside(found: Break | None, length: NDArray[np.int64] | None, width_px: int) -> list[LineBeside]:
    """Lines beside a judged outline in a frame ``width_px`` wide; ``length`` (N,) as in :class:`LineBeside`."""
    if found is None or length is None:
        return []
    xy = found.outline.xy + _BESIDE * _size(width_px) * found.outline.normal
    return [
        LineBeside(xy[rows], length[rows], closed)
        for number, closed in enumerate(found.outline.closed)
        for rows in [found.outline.line == number]
    ]


def sliding_pieces(lines: Sequence[LineBeside], slides: Sequence[int]) -> list[OutlinePieces]:
    """What is drawn where the lengths ``slides`` of the bridge are found by their movement."""
    out = []
    for line in lines:
        found = np.isin(line.length, slides)
        if found.any():
            points = np.where(found[:, None], line.points, np.nan)
            tell = np.full(len(points), TELLS.index(PARALLAX), dtype=np.int8)
            out.append(OutlinePieces(points, found, line.closed, tell))
    return out


def with_outline(frame: Pixels8, pieces: Sequence[OutlinePieces]) -> Pixels8:
    """A copy of ``frame`` (H, W, 3) uint8 with the judged outline drawn over it. Points that are NaN are left out."""
    height, width = frame.shape[:2]
    size = _size(width)
    runs = [run for piece in pieces for run in outline_runs(piece)]
    sheet = Paper(width, height, 3 if width <= 1280 else 2)
    sheet.paste(frame, (0, 0))
    for points, line in runs:
        if line is None:
            sheet.line(points, PAPER, (_THIN + 1.2) * size)
    for points, line in runs:
        if line is None:
            sheet.line(points, CHALK, _THIN * size)
    # broken pieces last: they are what the film-maker looks for
    for extra, rim in ((3.4, INK), (1.8, PAPER), (0.0, None)):
        for points, line in runs:
            if line is not None:
                dash, gap = line.dash[0] * size, line.dash[1] * size
                longer = (dash + extra * size * 0.5, gap - extra * size * 0.5)
                start = _shifted(points, extra * size * 0.25)
                sheet.dashed(start, rim or line.colour, (_THICK + extra) * size, longer)
    return sheet.picture()


def tell_key(picture: Pixels8, words: Sequence[str]) -> Pixels8:
    """The picture (H, W, 3) uint8 with a strip of paper under it that shows the line of each tell named, in as many
    rows as it takes."""
    height, width = picture.shape[:2]
    size = max(11.0, round(width / 56.0))
    placed: list[tuple[int, float, float, Tell]] = []
    row, x = 0, size
    for line in (HIDDEN, *(line for line in TELL_TABLE if line.word in words)):
        # long enough for the gap after the longest dash
        sample = max(4.0 * size, 1.4 * line.dash[0] + line.dash[1])
        entry = sample + 0.6 * size + text_width(line.word, size)
        if x > size and x + entry > width:
            row, x = row + 1, size
        placed.append((row, x, sample, line))
        x += entry + 2.0 * size
    tall = round(size * LEADING * 1.7)
    strip = tall * (row + 1)
    strip += (height + strip) % 2
    sheet = Paper(width, height + strip, 2)
    sheet.paste(picture, (0, 0))
    for row, x, sample, line in placed:
        middle = height + (row + 0.5) * tall
        ends = [(x, middle), (x + sample, middle)]
        if line is HIDDEN:
            sheet.line(ends, line.colour, 1.6)
        else:
            sheet.dashed(ends, line.colour, _THICK, line.dash)
        sheet.text((x + sample + 0.6 * size, middle), line.word, size, INK, "lm")
    return sheet.picture()


def outline_runs(piece: OutlinePieces) -> list[tuple[NDArray[np.float64], Tell | None]]:
    """Stretches of equal kind, points (N, 2) px each, carried on to the first point of the next: no gaps in the line.

    The line is None for a stretch that is not broken.
    """
    points = np.asarray(piece.points, dtype=np.float64)
    broken = np.asarray(piece.broken, dtype=np.bool_)
    if points.shape != (len(broken), 2):
        raise ValueError(f"an outline is (N, 2) points and (N,) flags, not {points.shape} and {broken.shape}")
    # 0 holds, 1 breaks for no known reason, 2 and up are the tells
    kind = broken.astype(np.int64)
    if piece.tell is not None:
        kind = np.where(broken, piece.tell.astype(np.int64) + 2, 0)
    if piece.closed and len(points) > 2:
        points, kind = np.vstack([points, points[:1]]), np.append(kind, kind[:1])
    out = []
    start = 0
    seen: NDArray[np.bool_] = np.asarray(np.isfinite(points).all(axis=1))
    for i in range(1, len(points) + 1):
        if i == len(points) or not seen[i] or kind[i] != kind[start] or not seen[start]:
            if seen[start]:
                joined = i < len(points) and seen[i]
                out.append((points[start : i + 1 if joined else i], int(kind[start])))
            start = i
    lines = (None, SHOWS, *TELL_TABLE)
    return [(run, lines[number]) for run, number in out if len(run) > 1]


def _size(width_px: int) -> float:
    return max(0.75, width_px / _WIDTH_PX)


def _shifted(points: NDArray[np.float64], back: float) -> NDArray[np.float64]:
    # the rim of a dash begins before the dash itself: carry the line back a little along its first piece
    step = points[0] - points[1]
    length = float(np.hypot(*step)) or 1.0
    return np.concatenate([points[:1] + step / length * back, points])

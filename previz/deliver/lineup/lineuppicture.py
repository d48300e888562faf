"""The photograph with the wanted outline over it, and what to do written under it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from PIL import Image

from previz.draw.paper import Paper, TitleBlock
from previz.draw.style import CHALK, INK, PAPER, SIGNAL, SOFT, fitted, wrapped
from previz.geometry import Array
from previz.workshop.surface import Pixels8

_WIDE: Final = 1600
_LINE: Final = 26.0
_SIZE: Final = 17.0
_SMALL: Final = 15.0
_RIGHT: Final = 850.0  # where the facts begin
_LINES: Final = 3  # that a step or a fact may take


@dataclass(frozen=True, eq=False)
class LineupPicture:
    """What is drawn. Lines are (N, 2) px of ``photograph`` (h, w, 3): ``wanted`` where they should be, ``now`` where
    they are; ``points`` (N, 2) what the camera was found from, ``doubted`` (N, 2) what was left out."""

    photograph: Pixels8
    wanted: Sequence[Array]
    now: Sequence[Array]
    points: Array
    doubted: Array
    headline: str
    steps: Sequence[str]
    facts: Sequence[str]
    title: TitleBlock


def lineup_picture(what: LineupPicture) -> Pixels8:
    """The sheet, 1600 px wide."""
    h, w = what.photograph.shape[:2]
    scale = _WIDE / w
    high = round(h * scale)
    steps = [line for step in what.steps for line in wrapped(step, _SIZE, 800.0, _LINES)]
    facts = [line for fact in what.facts for line in wrapped(fact, _SMALL, _WIDE - _RIGHT - 24.0, _LINES)]
    rows = max(len(steps), len(facts) + 4)
    foot = round(_LINE * (rows + 2.4) + 24.0)
    paper = Paper(_WIDE, high + foot)
    small = Image.fromarray(what.photograph).resize((_WIDE, high), Image.Resampling.LANCZOS)
    paper.paste(np.asarray(small), (0, 0))
    for line in what.now:
        for part in _inside(line * scale, _WIDE, high):
            paper.line(part, PAPER, 4.0)
            paper.dashed(part, SIGNAL, 2.6)
    for line in what.wanted:
        for part in _inside(line * scale, _WIDE, high):
            paper.line(part, PAPER, 4.0)
            paper.line(part, CHALK, 2.2)
    for x, y in what.points * scale:
        paper.circle((x, y), 4.0, None, CHALK, 1.5)
    for x, y in what.doubted * scale:
        paper.line([(x - 5.0, y - 5.0), (x + 5.0, y + 5.0)], SIGNAL, 2.5)
        paper.line([(x - 5.0, y + 5.0), (x + 5.0, y - 5.0)], SIGNAL, 2.5)
    paper.rectangle((0.0, float(high), float(_WIDE), float(high + foot)), PAPER)
    y = high + 16.0
    paper.text((24.0, y), fitted(what.headline, 22.0, _WIDE - 48.0, True), 22.0, INK, bold=True)
    y += 1.5 * _LINE
    for number, step in enumerate(steps):
        paper.text((24.0, y + number * _LINE), step, _SIZE, INK)
    for number, fact in enumerate(facts):
        paper.text((_RIGHT, y + number * _LINE), fact, _SMALL, SOFT)
    y += len(facts) * _LINE + 10.0
    paper.line([(_RIGHT, y), (_RIGHT + 50.0, y)], CHALK, 2.2)
    paper.text((_RIGHT + 60.0, y - 8.0), "where it should be", 15.0, CHALK)
    paper.dashed([(_RIGHT + 300.0, y), (_RIGHT + 350.0, y)], SIGNAL, 2.6)
    paper.text((_RIGHT + 360.0, y - 8.0), "where it is, by the camera found", 15.0, SIGNAL)
    paper.title_block(what.title, _WIDE - 24.0, high + foot - 10.0, 420.0, 11.0)
    return paper.picture()


def _inside(line: Array, width: float, height: float) -> list[Array]:
    """Parts of a line that lie in the picture."""
    near = np.isfinite(line).all(axis=1)
    near &= (line[:, 0] > -width) & (line[:, 0] < 2 * width) & (line[:, 1] > -height) & (line[:, 1] < height)
    cuts = np.flatnonzero(np.diff(near.astype(int))) + 1
    return [part for part, good in zip(np.split(line, cuts), np.split(near, cuts), strict=True) if good[0]]

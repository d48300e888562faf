"""Paints beside each other: one frame with every one of them, the one that is found first on top."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from PIL import Image

from previz.draw.paper import Paper, TitleBlock
from previz.draw.style import CHALK, INK, SIGNAL, break_text, verdict
from previz.workshop.surface import Pixels8

WIDTH_PX = 2000
_SIDE, _GAP, _TOP, _FOOT = 44, 24, 96, 170
_ACROSS = 3
_CAPTION = 64.0


@dataclass(frozen=True, eq=False)
class PaintRow:
    """A paint's ``name``, the ``picture`` (H, W, 3) of one frame with it, and its break, percent, None unjudged."""

    name: str
    picture: Pixels8
    break_mean_pct: float | None
    break_worst_pct: float | None


def paint_strip(block: TitleBlock, rows: Sequence[PaintRow]) -> Pixels8:
    """The strip (H, W, 3): pictures of one size, worst paint first, three in a row."""
    order = sorted(rows, key=lambda row: -(row.break_worst_pct if row.break_worst_pct is not None else 101.0))
    wide = (WIDTH_PX - 2 * _SIDE - (_ACROSS - 1) * _GAP) // _ACROSS
    shape = order[0].picture.shape
    high = round(wide * shape[0] / shape[1])
    deep = -(-len(order) // _ACROSS)
    cell = high + int(_CAPTION) + _GAP
    paper = Paper(WIDTH_PX, _TOP + deep * cell + _FOOT)
    head = "The last frame compared, around the bridge, in every paint: the one that is found first comes first"
    paper.text((_SIDE, 34.0), head, 26, INK)
    for at, row in enumerate(order):
        x, y = _SIDE + (at % _ACROSS) * (wide + _GAP), _TOP + (at // _ACROSS) * cell
        small = Image.fromarray(row.picture).resize((wide, high), Image.Resampling.LANCZOS)
        paper.paste(np.asarray(small), (x, y))
        best = at == len(order) - 1
        paper.rectangle((x, y, x + wide, y + high), None, CHALK if best else INK, 4.0 if best else 1.0)
        paper.text((x, y + high + 10.0), row.name, 24, INK, bold=True)
        worst = f"worst {break_text(row.break_worst_pct)}, {verdict(row.break_worst_pct)}"
        said = f"break: mean {break_text(row.break_mean_pct)}, {worst}"
        holds = row.break_worst_pct is not None and row.break_worst_pct <= 5.0
        paper.text((x, y + high + 38.0), said, 20, INK if holds else SIGNAL)
    paper.title_block(block, WIDTH_PX - _SIDE, paper.height_px - 24.0, 620.0)
    return paper.picture()

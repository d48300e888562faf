"""The lamps' page of the rig card, and their picture: before and after side by side, where they stand, what to set."""

from __future__ import annotations

from typing import Final

import numpy as np
from PIL import Image

from previz.deliver.rig.cardblocks import Block, notes_block, table_block
from previz.deliver.rig.rigdata import LampPage
from previz.draw.paper import LEADING, Paper
from previz.draw.pdf import PageSize, PdfPage, Pen
from previz.draw.style import INK, SIGNAL
from previz.workshop.surface import Pixels8

# width of the picture of both, px, the gap between them and the size of its words
_WIDE_PX: Final = 1920
_GAP_PX: Final = 24
_WORDS_PX: Final = 22.0

_GAP: Final = 4.0
_SIZES: Final = (2.6, 2.4, 2.2, 2.0, 1.85)


def before_after(before: Pixels8, after: Pixels8, words: tuple[tuple[str, bool], tuple[str, bool]]) -> Pixels8:
    """Two frames (H, W, 3) uint8 of one size side by side, each with its words under it; in signal red, and with a
    mark before them, where they say that it shows."""
    wide = (_WIDE_PX - _GAP_PX) // 2
    high = round(before.shape[0] * wide / before.shape[1])
    tall = high + round(2.2 * _WORDS_PX * LEADING)
    paper = Paper(_WIDE_PX, tall + tall % 2, 1)
    for k, (frame, (text, shows)) in enumerate(zip((before, after), words, strict=True)):
        left = k * (wide + _GAP_PX)
        paper.paste(_resized(frame, wide, high), (left, 0))
        mark = "! " if shows else ""
        paper.text((left, high + _WORDS_PX), f"{mark}{text}", _WORDS_PX, SIGNAL if shows else INK, "lm")
    return paper.picture()


def _resized(frame: Pixels8, wide: int, high: int) -> Pixels8:
    picture = Image.fromarray(np.ascontiguousarray(frame)).resize((wide, high), Image.Resampling.LANCZOS)
    return np.asarray(picture)


def lamp_sheet(page: LampPage, room: PageSize) -> PdfPage:
    """The page: pictures on top, the table of lamps, what was found, the way out and cautions."""
    wide = room.free_width_mm
    half = 0.5 * (wide - _GAP)
    height, width = page.before.shape[:2]
    texel = half / width
    pictures = height * texel + 6.0
    for size in _SIZES:
        blocks = _blocks(page, wide, size)
        if pictures + sum(block.height for block in blocks) <= room.free_height_mm - 1.0:
            break

    def draw(pen: Pen) -> None:
        pen.head("Lamps as placed", "right, up and out count from the sill under the doorway; aim as lamps are turned")
        y = room.top
        for k, (frame, (text, shows)) in enumerate(zip((page.before, page.after), page.words, strict=True)):
            left = room.left + k * (half + _GAP)
            pen.picture(frame, (left, y), (texel, texel))
            pen.text((left, y + height * texel + 3.4), f"{'! ' if shows else ''}{text}", 2.3, SIGNAL if shows else INK)
        y += pictures
        for block in blocks:
            block.draw(pen, (room.left, y))
            y += block.height

    return PdfPage(room, "lamps", draw, "-")


def _blocks(page: LampPage, wide: float, size: float) -> list[Block]:
    blocks = [table_block(page.table, wide, size)]
    blocks += [notes_block(notes, wide, size) for notes in page.notes if notes.lines]
    return blocks


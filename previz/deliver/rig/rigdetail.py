"""The details of ``rig.pdf``: cuts across the bridge's support."""

from __future__ import annotations

from typing import Final

import numpy as np

from previz.deliver.rig.rigdata import RigCard
from previz.draw.drawnset import CrossSection
from previz.draw.pdf import LEADING, PageSize, PdfPage, Pen, wrapped
from previz.draw.rigview import SCALES
from previz.draw.style import CHALK, CHALK_WASH, INK, SOFT, both_text, mixed
from previz.geometry import Array

_WORDS: Final = 2.6
_GREY: Final = mixed(INK, 0.10, (255, 255, 255))


def detail_sheet(card: RigCard, room: PageSize) -> PdfPage:
    """The cross sections of what may hold the bridge."""
    words = _words(card, room)
    high = room.free_height_mm - len(words) * _WORDS * LEADING - 14.0
    scale = _cut_scale(card, room, high)

    def draw(pen: Pen) -> None:
        pen.head(f"Support, drawn at 1:{scale}", "cuts across the bridge, seen from the camera")
        pen.block_of_text((room.left, room.top), words, _WORDS)
        _cuts(pen, room, card, scale, room.top + 6.0 + len(words) * _WORDS * LEADING)

    return PdfPage(room, "support", draw, f"1:{scale}")


def _words(card: RigCard, room: PageSize) -> list[str]:
    return [line for text in card.support for line in wrapped(text, _WORDS, room.free_width_mm)]


def _cut_scale(card: RigCard, room: PageSize, high: float) -> int:
    cuts = card.drawing.sections
    if not cuts:
        return 1
    wide = room.free_width_mm / len(cuts) - 12.0
    spans = [np.ptp(np.concatenate([c.slab, c.hold, c.move]), axis=0) * 1e3 for c in cuts]
    return next((s for s in SCALES if all(w / s <= wide and h / s <= high - 8.0 for w, h in spans)), SCALES[-1])


def _cuts(pen: Pen, room: PageSize, card: RigCard, scale: int, top: float) -> None:
    cuts = card.drawing.sections
    for k, cut in enumerate(cuts):
        wide = room.free_width_mm / len(cuts)
        _cut(pen, cut, scale, room.left + k * wide, wide, top)


def _cut(pen: Pen, cut: CrossSection, scale: int, left: float, wide: float, top: float) -> None:
    every = np.concatenate([cut.slab, cut.hold, cut.move]) * 1e3 / scale
    low, high = every.min(axis=0), every.max(axis=0)
    across = left + 0.5 * wide - 0.5 * (low[0] + high[0])
    down = top + 9.0 + high[1]

    def flat(points: Array) -> Array:
        return np.column_stack([across + points[:, 0] * 1e3 / scale, down - points[:, 1] * 1e3 / scale])

    words = f"{both_text(cut.z)} from the wall"
    pen.text((left + 0.5 * wide, top + 2.4), words, 2.3, anchor="m")
    under = cut.slab[:, 1].min()
    hold, move = (1e3 * (under - zone[:, 1].min()) if len(zone) > 2 else 0.0 for zone in (cut.hold, cut.move))
    more = f"unseen at most {hold:.0f} mm down over the hold, {move:.0f} mm over the move"
    pen.text((left + 0.5 * wide, top + 5.6), more, 1.9, SOFT, anchor="m")
    if len(cut.hold) > 2:
        pen.polygon(flat(cut.hold), None, SOFT, 0.2, (1.6, 0.9))
    if len(cut.move) > 2:
        pen.polygon(flat(cut.move), _GREY, SOFT, 0.2)
    pen.polygon(flat(cut.slab), CHALK_WASH, CHALK, 0.3)

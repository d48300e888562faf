"""The details of ``rig.pdf``: the rail as a ruler to lay beside the real one, and cuts across the bridge's support."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from previz.deliver.rig.rigdata import RigCard
from previz.draw import labels
from previz.draw.drawnset import CrossSection
from previz.draw.pdf import LEADING, PageSize, PdfPage, Pen, wrapped
from previz.draw.railrule import RailMark
from previz.draw.rigview import SCALES
from previz.draw.style import CHALK, CHALK_WASH, INK, SOFT, both_text, mixed
from previz.geometry import Array

_RULER_MM: Final = 58.0  # height that the ruler with its marks takes
_GREY: Final = mixed(INK, 0.10, (255, 255, 255))


def detail_sheet(card: RigCard, room: PageSize) -> PdfPage:
    """Rail ruler and cross sections, on one sheet."""
    travel = abs(card.drawing.rail.travel) * 1e3
    rail_scale = next((s for s in SCALES if travel / s <= room.free_width_mm - 8.0), SCALES[-1])
    words = _words(card, room)
    high = room.free_height_mm - _RULER_MM - len(words) * 2.3 * LEADING - 14.0
    cut_scale = _cut_scale(card, room, high)

    def draw(pen: Pen) -> None:
        pen.head("Rail and support", "check the bars below with a ruler before laying the rail's ruler beside the rail")
        _ruler(pen, room, card, rail_scale)
        y = room.top + _RULER_MM
        title = f"SUPPORT, cuts across the bridge, drawn at 1:{cut_scale}, seen from the camera"
        pen.text((room.left, y), title, 2.6, bold=True)
        if words:
            pen.block_of_text((room.left, y + 1.5), words, 2.3)
        _cuts(pen, room, card, cut_scale, y + 6.0 + len(words) * 2.3 * LEADING)

    scales = f"1:{rail_scale}" if rail_scale == cut_scale else f"1:{rail_scale}, 1:{cut_scale}"
    return PdfPage(room, "rail and support", draw, scales)


def _words(card: RigCard, room: PageSize) -> list[str]:
    return [line for text in card.support for line in wrapped(text, 2.3, room.free_width_mm)]


def _ruler(pen: Pen, room: PageSize, card: RigCard, scale: int) -> None:
    """The rail lying, start at the left where the travel is positive: ticks, the hold, the marks with their lines."""
    rule = card.drawing.rail
    travel = abs(rule.travel) * 1e3
    left, base = room.left + 4.0, room.top + 43.0
    size = "true size" if scale == 1 else f"drawn at 1:{scale}"
    text = f"RAIL, {size}, {both_text(abs(rule.travel))} of travel from the start of the move"
    pen.text((room.left, room.top + 2.0), text, 2.6, bold=True)

    def x(rail: float) -> float:
        return left + abs(rail) * 1e3 / scale

    if travel == 0.0:
        pen.text((left, base), "no travel: the lens stays where it is", 2.6)
        return
    low, high = sorted(x(rail) for rail in rule.hold)
    pen.rectangle((low, base - 4.0, max(high, low + 0.2), base), CHALK_WASH, CHALK, 0.2)
    pen.line([(x(0.0), base), (x(rule.travel), base)], INK, 0.25)
    step = next(s for s in (1, 5, 10, 50, 100, 500, 1000, 5000) if s / scale >= 0.9)
    for k in range(math.floor(travel / step + 1e-9) + 1):
        major = k % 10 == 0
        at = left + k * step / scale
        pen.line([(at, base), (at, base + (4.0 if major else 2.8 if k % 5 == 0 else 1.6))], INK, 0.15)
        if major:
            pen.text((at, base + 6.6), f"{k * step}", 2.0, anchor="m")
    marks = sorted(rule.marks, key=lambda mark: (abs(mark.rail), mark.frame))
    _marks(pen, marks, [x(mark.rail) for mark in marks], base, room)


def _marks(pen: Pen, marks: list[RailMark], at: list[float], base: float, room: PageSize) -> None:
    """Names over the ruler, slanting up so that close ones can be read, each with a line to its place."""
    turn = math.radians(35.0)
    places = labels.spread(at, 5.6, room.left + 4.0, room.left + room.free_width_mm - 48.0)
    for mark, place, stand in zip(marks, at, places, strict=True):
        colour = CHALK if "station" in mark.name else INK
        pen.line([(place, base), (place, base - 5.0)], colour, 0.2)
        pen.line([(place, base - 5.0), (stand, base - 8.0)], colour, 0.2)
        words = f"{mark.name} {mark.frame}: {both_text(abs(mark.rail))}"
        pen.text((stand + 0.4, base - 8.4), words, 2.1, colour, bold="station" in mark.name, turn=turn)


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

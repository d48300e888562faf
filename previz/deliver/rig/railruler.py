"""The rail as a ruler at true size, in strips that are cut out, joined cross on cross and laid beside the real one."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import partial
from typing import Final

from previz.deliver.rig.rigdata import RigCard
from previz.draw import labels
from previz.draw.paper import Point
from previz.draw.pdf import PageSize, PdfPage, Pen, text_width
from previz.draw.railrule import RailMark, RailRule
from previz.draw.style import CHALK, CHALK_WASH, INK, both_text

_STRIP_MM: Final = 46.0  # height that a strip with its marks takes
_OVERLAP_MM: Final = 10.0
_BASE_MM: Final = 32.0  # the ruler's line under the top of its strip
_ASIDE_MM: Final = 6.0  # kept free beside a strip
_MARK: Final = 2.6
_NUMBER: Final = 2.2
# strips that are printed all of them; of a longer rail those at which there is a mark
_MOST: Final = 18


def ruler_sheets(card: RigCard, room: PageSize) -> list[PdfPage]:
    """The sheets of the ruler; none where nothing travels."""
    rule = card.drawing.rail
    travel = abs(rule.travel) * 1e3
    if travel == 0.0:
        return []
    strips = _strips(rule, travel, room.free_width_mm - 2.0 * _ASIDE_MM)
    rows = int((room.free_height_mm - 6.0) // _STRIP_MM)
    return [
        PdfPage(room, "rail ruler", partial(_page, rule, room, strips[first : first + rows], len(strips)))
        for first in range(0, len(strips), rows)
    ]


def _strips(rule: RailRule, travel: float, wide: float) -> list[tuple[float, float]]:
    """From where to where (mm) each strip reaches; neighbours share their overlap."""
    count = max(1, math.ceil((travel - _OVERLAP_MM) / (wide - _OVERLAP_MM) - 1e-9))
    long = (travel + (count - 1) * _OVERLAP_MM) / count
    out = [(k * (long - _OVERLAP_MM), k * (long - _OVERLAP_MM) + long) for k in range(count)]
    if count <= _MOST:
        return out
    marks = [abs(mark.rail) * 1e3 for mark in rule.marks]
    return [(low, high) for low, high in out if any(low - 1e-6 <= mark <= high + 1e-6 for mark in marks)]


def _page(rule: RailRule, room: PageSize, strips: Sequence[tuple[float, float]], count: int, pen: Pen) -> None:
    travel = both_text(abs(rule.travel))
    way = "strips are joined cross on cross" if count > 1 else "one strip"
    pen.head("Rail ruler, true size", f"{travel} of travel, from the start of the move; check the bars below; {way}")
    for row, (low, high) in enumerate(strips):
        _strip(pen, rule, (room.left + _ASIDE_MM, room.top + 4.0 + row * _STRIP_MM), low, high, room)


def _strip(pen: Pen, rule: RailRule, at: Point, low: float, high: float, room: PageSize) -> None:
    left, base = at[0], at[1] + _BASE_MM
    travel = abs(rule.travel) * 1e3

    def x(rail_mm: float) -> float:
        return left + rail_mm - low

    first, last = sorted(1e3 * abs(rail) for rail in rule.hold)
    first, last = max(first, low), min(max(last, first + 0.2), high)
    if first < last:
        pen.rectangle((x(first), base - 4.0, x(last), base), CHALK_WASH, CHALK, 0.2)
    pen.line([(x(low), base), (x(high), base)], INK, 0.25)
    for k in range(math.ceil(low - 1e-9), math.floor(high + 1e-9) + 1):
        deep = 4.0 if k % 10 == 0 else 2.8 if k % 5 == 0 else 1.6
        pen.line([(x(k), base), (x(k), base + deep)], INK, 0.15)
        if k % 10 == 0:
            pen.text((x(k), base + 4.6 + _NUMBER), f"{k}", _NUMBER, anchor="m")
    for shared, there in ((low + 0.5 * _OVERLAP_MM, low > 0.0), (high - 0.5 * _OVERLAP_MM, high < travel - 1e-6)):
        if there:
            pen.cross((x(shared), base + 10.5))
    # what lies where two strips overlap stands on the later one
    ends = high - (_OVERLAP_MM if high < travel - 1e-6 else 0.0)
    here = [mark for mark in rule.marks if low - 1e-6 <= abs(mark.rail) * 1e3 <= ends + 1e-6]
    _marks(pen, sorted(here, key=lambda mark: (abs(mark.rail), mark.frame)), x, base, room)


def _marks(pen: Pen, marks: Sequence[RailMark], x: Callable[[float], float], base: float, room: PageSize) -> None:
    """Names over the ruler in rows, each with a line down to its place: none over another, no line through a name."""
    right = room.left + room.free_width_mm
    rows = [base - 8.5 - 3.9 * k for k in range(6)]
    taken: list[labels.SheetBox] = []
    drops: list[float] = [x(abs(mark.rail) * 1e3) for mark in marks]
    groups: dict[float, list[RailMark]] = {}
    for mark, place in zip(marks, drops, strict=True):
        groups.setdefault(round(place, 3), []).append(mark)
    places = sorted(groups)
    for place in places:
        names = ", ".join(f"{mark.name} {mark.frame}" for mark in groups[place])
        words = f"{names}: {both_text(abs(groups[place][0].rail))}"
        station = any("station" in mark.name for mark in groups[place])
        wide = text_width(words, _MARK, station)
        others = [other for other in places if other != place]
        chosen = None
        for y in rows:
            for low in (place + 1.0, place - 1.0 - wide):
                box = (low, y - 0.8 * _MARK, low + wide, y + 0.3 * _MARK)
                inside = room.left <= low and low + wide <= right
                clear = not any(low - 0.8 < other < low + wide + 0.8 for other in others)
                free = not any(box[0] < t[2] and t[0] < box[2] and box[1] < t[3] and t[1] < box[3] for t in taken)
                if inside and clear and free:
                    chosen = chosen or (low, y, box)
        if chosen is None:
            low = min(max(place + 1.0, room.left), right - wide)
            y = rows[min(len(taken), len(rows) - 1)]
            chosen = (low, y, (low, y - 0.8 * _MARK, low + wide, y + 0.3 * _MARK))
        low, y, box = chosen
        taken.append(box)
        colour = CHALK if station else INK
        pen.line([(place, base), (place, y - 0.8 * _MARK)], colour, 0.25 if station else 0.2)
        pen.text((low, y), words, _MARK, colour, bold=station, plate=True)

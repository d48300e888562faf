"""The rail enlarged: a ruler along the travel with the move's marks, as it would be taped beside the real rail."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from previz.draw.labels import SheetBox, spread
from previz.draw.paper import Paper
from previz.draw.style import CHALK, CHALK_WASH, INK, PAPER, both_text, fitted, text_width
from previz.geometry import Array


@dataclass(frozen=True, eq=False)
class RailMark:
    """A mark on the rail: its word ("station"), frame, travel ``rail`` (m) and ``point`` (3,) m in the world."""

    name: str
    frame: int
    rail: float
    point: Array


@dataclass(frozen=True, eq=False)
class RailRule:
    """The rail as a ruler: ``travel`` (m), ``marks`` of the move, the asked ``hold`` as travel (m), first to last."""

    travel: float
    marks: tuple[RailMark, ...]
    hold: tuple[float, float]


_RULE = 30.0


def draw_rule(paper: Paper, rule: RailRule, box: SheetBox) -> None:
    """Draw the ruler upright in ``box``, start at the bottom, with its marks at its right."""
    left, _, right, _ = box
    top, bottom = _ends(box)
    paper.text((left, box[1]), f"RAIL {both_text(rule.travel)}", 13.0, INK, bold=True)
    paper.rectangle((left + 34.0, top, left + 34.0 + _RULE, bottom), PAPER, INK, 1.4)
    low, high = sorted(_height(rule, box, rail) for rail in rule.hold)
    paper.rectangle((left + 34.0, low, left + 34.0 + _RULE, max(high, low + 1.0)), CHALK_WASH, CHALK, 1.4)
    for tick, major in _ticks(rule.travel):
        y = _height(rule, box, tick)
        paper.line([(left + 34.0, y), (left + 34.0 + (12.0 if major else 7.0), y)], INK, 1.0)
        if major:
            paper.text((left + 28.0, y), f"{tick * 1e3:.0f}", 12.0, INK, "rm")
    marks = _merged(rule.marks)
    wanted = [_height(rule, box, mark.rail) for mark in marks]
    # marks that share a place keep the move's order: later ones higher, as the travel runs
    order = sorted(range(len(marks)), key=lambda i: (-marks[i].rail, -marks[i].frame))
    places = spread([wanted[i] for i in order], 18.0, top - 2.0, bottom + 2.0)
    edge = left + 34.0 + _RULE
    for i, y in zip(order, places, strict=True):
        mark = marks[i]
        colour = CHALK if "station" in mark.name else INK
        paper.line([(edge, wanted[i]), (edge + 8.0, wanted[i]), (edge + 34.0, y), (edge + 40.0, y)], colour, 1.2)
        words = f"{mark.frame} {mark.name}"
        number = f"{mark.rail * 1e3:.1f}"
        room = right - edge - 46.0 - 8.0 * (len(number) + 1)
        size = min(13.0, max(10.5, 13.0 * room / text_width(words, 13.0)))
        paper.text((edge + 45.0, y), fitted(words, size, room), size, colour, "lm", bold="station" in mark.name)
        paper.text((right, y), number, 13.0, colour, "rm")


def draw_rule_now(paper: Paper, rule: RailRule, box: SheetBox, rail: float) -> None:
    """Draw the pointer at the travel ``rail`` (m) on a ruler drawn by :func:`draw_rule`."""
    y = _height(rule, box, rail)
    left = box[0] + 34.0
    paper.line([(left - 2.0, y), (left + _RULE + 2.0, y)], INK, 2.6)
    paper.arrow((left + _RULE - 4.0, y), (-1.0, 0.0), 14.0, INK)


def _merged(marks: tuple[RailMark, ...]) -> list[RailMark]:
    """Marks of one frame become one."""
    out: list[RailMark] = []
    for mark in marks:
        i = next((k for k, other in enumerate(out) if other.frame == mark.frame), None)
        if i is None:
            out.append(mark)
        else:
            out[i] = replace(out[i], name=f"{out[i].name}, {mark.name}")
    return out


def _ends(box: SheetBox) -> tuple[float, float]:
    return box[1] + 30.0, box[3] - 12.0


def _height(rule: RailRule, box: SheetBox, rail: float) -> float:
    top, bottom = _ends(box)
    if rule.travel == 0.0:
        return 0.5 * (top + bottom)
    return bottom - min(max(rail / rule.travel, 0.0), 1.0) * (bottom - top)


def _ticks(travel: float) -> list[tuple[float, bool]]:
    if travel == 0.0:
        return [(0.0, True)]
    sign, travel = math.copysign(1.0, travel), abs(travel)
    rough = travel * 1e3 / 10.0
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(s * power for s in (1.0, 2.0, 5.0, 10.0) if s * power >= rough * (1.0 - 1e-9))
    # a number stands at every second tick, none where it would need decimals
    out = []
    for k in range(math.floor(travel * 1e3 / step + 1e-9) + 1):
        out.append((sign * k * step * 1e-3, k % 2 == 0 and float(k * step).is_integer()))
    return out



"""The plot of how far the camera may drift: a bar a freedom, to be read across a workshop."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from previz.draw.paper import Paper, TitleBlock
from previz.draw.style import CHALK, CHALK_WASH, FAINT, INK, PAPER, SIGNAL, SOFT, fitted, mixed, text_width, wrapped
from previz.workshop.surface import Pixels8

WIDTH_PX: Final = 1600
HEIGHT_PX: Final = 1000

# names to the left of this, bars between, numbers beside them
_NAMES, _LEFT, _RIGHT = 250.0, 500.0, 1320.0
_TOP, _ROW = 150.0, 68.0

# a row shows drifts up to this many times what is stated, or the smallest that breaks, whichever is more
_STATED_SHOWN, _BROKEN_SHOWN = 3.0, 1.6

Sides = tuple[float | None, float | None]


@dataclass(frozen=True)
class KnockBar:
    """One freedom, numbers in its ``unit``: how far it may drift to minus and plus with the station frame holding, and
    with the whole hold; None is more than ``limit``. ``stated`` is what the rig is true to, ``words`` what stands at
    the bar's two ends, ``worst`` marks the one that matters most."""

    name: str
    unit: str
    station: Sides
    hold: Sides
    limit: float
    stated: float
    words: tuple[str, ...]
    worst: bool = False


@dataclass(frozen=True, eq=False)
class KnockPlot:
    """What the plot shows. ``headline`` says what matters most; ``probability`` that the shot holds as built, its 95 %
    ``interval``, out of ``builds`` tried; None where none was."""

    title: TitleBlock
    headline: str
    bars: Sequence[KnockBar]
    probability: float | None
    interval: tuple[float, float]
    builds: int


def knock_plot(plot: KnockPlot) -> Pixels8:
    """The plot, (1000, 1600, 3) uint8 sRGB."""
    paper = Paper(WIDTH_PX, HEIGHT_PX, 2)
    paper.text((40.0, 62.0), fitted(plot.title.scene, 34.0, 700.0, True), 34.0, INK, "ls", bold=True)
    for i, line in enumerate(wrapped(plot.headline, 30.0, WIDTH_PX - 80.0, 1, True)):
        paper.text((40.0, 112.0 + 38.0 * i), line, 30.0, SIGNAL, "ls", bold=True)
    middle = 0.5 * (_LEFT + _RIGHT)
    bottom = _TOP + _ROW * len(plot.bars)
    for row, bar in enumerate(plot.bars):
        _row(paper, bar, _TOP + _ROW * row, _shown(bar, plot.bars))
    paper.line([(middle, _TOP), (middle, bottom)], INK, 2.0)
    _key(paper, bottom)
    _odds(paper, plot)
    paper.title_block(plot.title, WIDTH_PX - 20.0, HEIGHT_PX - 16.0, 430.0, 14.0)
    return paper.picture()


def _shown(bar: KnockBar, bars: Sequence[KnockBar]) -> float:
    """The largest drift that a row has room for: one scale for all rows of a unit, so that they can be compared."""
    alike = [other for other in bars if other.unit == bar.unit]
    breaking = [side for other in alike for side in (*other.station, *other.hold) if side is not None and side > 0.0]
    shown = max(_STATED_SHOWN * max(other.stated for other in alike), _BROKEN_SHOWN * min(breaking, default=0.0))
    return shown if shown > 0.0 else bar.limit


def _row(paper: Paper, bar: KnockBar, top: float, shown: float) -> None:
    middle, half = 0.5 * (_LEFT + _RIGHT), 0.5 * (_RIGHT - _LEFT)
    colour = SIGNAL if bar.worst else CHALK
    level = top + 0.5 * _ROW
    paper.line([(40.0, top + _ROW), (WIDTH_PX - 40.0, top + _ROW)], FAINT, 1.0)
    paper.text((_NAMES, level), bar.name, 26.0, colour if bar.worst else INK, "rm", bold=bar.worst)
    for side, sign in ((0, -1.0), (1, 1.0)):
        at_station, in_hold = bar.station[side], bar.hold[side]
        end = middle + sign * half * _share(in_hold, shown)
        far = middle + sign * half * _share(at_station, shown)
        paper.rectangle(_box(middle, far, level, 21.0), CHALK_WASH, mixed(CHALK, 0.6), 1.2)
        box = _box(middle, end, level, 15.0)
        paper.rectangle(box, colour)
        if bar.worst and box[2] - box[0] > 8.0:
            paper.hatch([[(box[0], box[1]), (box[2], box[1]), (box[2], box[3]), (box[0], box[3])]], PAPER, 8.0, 1.5)
        if in_hold is None or in_hold > shown:
            paper.arrow((end + sign * 14.0, level), (sign, 0.0), 26.0, colour)
        place = middle + sign * (half + 26.0)
        paper.text((place, level), _short(bar, side), 22.0, INK, "rm" if sign < 0 else "lm", bold=bar.worst)
        if bar.stated > 0.0:
            x = middle + sign * half * min(bar.stated / shown, 1.0)
            paper.line([(x, level - 27.0), (x, level + 27.0)], PAPER, 6.0)
            paper.dashed([(x, level - 27.0), (x, level + 27.0)], INK, 3.0, (8.0, 4.0))


def _short(bar: KnockBar, side: int) -> str:
    return bar.words[side].replace("more than ", "> ")


def _share(value: float | None, shown: float) -> float:
    return 1.0 if value is None else min(value / shown, 1.0)


def _box(a: float, b: float, level: float, half: float) -> tuple[float, float, float, float]:
    return min(a, b), level - half, max(a, b), level + half


def _key(paper: Paper, bottom: float) -> None:
    level, x = bottom + 32.0, 40.0
    for kind, words in (
        ("hold", "the whole hold holds"),
        ("station", "the station frame holds"),
        ("stated", "what build and rig are true to"),
    ):
        if kind == "stated":
            paper.dashed([(x + 20.0, level - 16.0), (x + 20.0, level + 16.0)], INK, 3.0, (8.0, 4.0))
        elif kind == "station":
            paper.rectangle((x, level - 13.0, x + 40.0, level + 13.0), CHALK_WASH, mixed(CHALK, 0.6), 1.2)
        else:
            paper.rectangle((x, level - 9.0, x + 40.0, level + 9.0), CHALK)
        paper.text((x + 54.0, level), words, 20.0, SOFT, "lm")
        x += 54.0 + text_width(words, 20.0) + 44.0
    paper.text((x, level), "arrow: farther than shown", 20.0, SOFT, "lm")


def _odds(paper: Paper, plot: KnockPlot) -> None:
    left, right, level = 40.0, 1060.0, 918.0
    if plot.probability is None:
        paper.text((left, level), "no build was tried: the shot does not hold as it is", 26.0, SIGNAL, "lm", bold=True)
        return
    words = f"holds in {100 * plot.probability:.0f} of 100 builds"
    paper.text((left, level - 26.0), words, 30.0, CHALK, "ls", bold=True)
    low, high = (left + share * (right - left) for share in plot.interval)
    paper.rectangle((left, level - 8.0, right, level + 8.0), mixed(INK, 0.05), INK, 1.2)
    paper.rectangle((low, level - 8.0, max(high, low + 2.0), level + 8.0), CHALK_WASH, CHALK, 1.6)
    x = left + plot.probability * (right - left)
    paper.line([(x, level - 14.0), (x, level + 14.0)], CHALK, 5.0)
    note = f"95 % sure: {100 * plot.interval[0]:.0f} to {100 * plot.interval[1]:.0f} of 100; {plot.builds} builds tried"
    paper.text((left, level + 20.0), note, 20.0, SOFT, "la")

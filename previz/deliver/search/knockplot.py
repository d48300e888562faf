"""The plot of what a build may be off by: a bar an error, to be read across a workshop."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from previz.draw.paper import Paper, TitleBlock
from previz.draw.style import CHALK, CHALK_WASH, FAINT, INK, PAPER, SIGNAL, SOFT, fitted, mixed, text_width, wrapped
from previz.workshop.surface import Pixels8

WIDTH_PX: Final = 1600
LEAST_HEIGHT_PX: Final = 1000

# names to the left of this, bars between, numbers beside them
_NAMES, _LEFT, _RIGHT = 250.0, 500.0, 1320.0
_TOP, _BELOW = 150.0, 240.0

# a row of a short plot and of one of more rows than _FEW, and how large its bars and its words are
_TALL, _LOW, _FEW = 68.0, 44.0, 9

# a line of what stands below the headline
_LINE = 30.0

# a row shows drifts up to this many times what is stated, or the smallest that breaks, whichever is more
_STATED_SHOWN, _BROKEN_SHOWN = 3.0, 1.6

Sides = tuple[float | None, float | None]


@dataclass(frozen=True)
class KnockBar:
    """One error, numbers in its ``unit``: how far it may go to minus and plus with the station frame holding, and with
    the whole hold; None is more than ``limit``. ``stated`` is what build and rig are true to, ``words`` what stands at
    the bar's two ends, ``worst`` marks those that cost most. What goes ``one_way`` has no bar to minus. Bars of one
    ``part`` and unit share a scale."""

    name: str
    unit: str
    station: Sides
    hold: Sides
    limit: float
    stated: float
    words: tuple[str, ...]
    worst: bool = False
    one_way: bool = False
    part: str = ""


@dataclass(frozen=True, eq=False)
class KnockPlot:
    """What the plot shows. ``headline`` says what matters most, ``more`` what else; ``probability`` that the film holds
    as built, its 95 % ``interval``, out of ``builds`` tried; None where none was."""

    title: TitleBlock
    headline: str
    bars: Sequence[KnockBar]
    probability: float | None
    interval: tuple[float, float]
    builds: int
    more: Sequence[str] = ()


def knock_plot(plot: KnockPlot) -> Pixels8:
    """The plot, (1000 or more, 1600, 3) uint8 sRGB: as high as its rows need."""
    head = [(line, 30.0, SIGNAL) for line in wrapped(plot.headline, 30.0, WIDTH_PX - 80.0, 1 if plot.bars else 4, True)]
    for sentence in plot.more:
        head += [(line, 22.0, INK) for line in wrapped(sentence, 22.0, WIDTH_PX - 80.0, 3, True)]
    tall = _TALL if len(plot.bars) <= _FEW else _LOW
    top = _TOP + _LINE * (len(head) - 1)
    bottom = top + tall * len(plot.bars)
    height = max(LEAST_HEIGHT_PX, round(bottom + _BELOW))
    paper = Paper(WIDTH_PX, height, 2)
    paper.text((40.0, 62.0), fitted(plot.title.scene, 34.0, 700.0, True), 34.0, INK, "ls", bold=True)
    for i, (line, size, ink) in enumerate(head):
        paper.text((40.0, 112.0 + _LINE * i + (6.0 if size < 30.0 else 0.0)), line, size, ink, "ls", bold=True)
    middle = 0.5 * (_LEFT + _RIGHT)
    for row, bar in enumerate(plot.bars):
        _row(paper, bar, top + tall * row, tall, _shown(bar, plot.bars))
    if plot.bars:
        paper.line([(middle, top), (middle, bottom)], INK, 2.0)
        _key(paper, bottom)
    _odds(paper, plot, height - 82.0)
    paper.title_block(plot.title, WIDTH_PX - 20.0, height - 16.0, 430.0, 14.0)
    return paper.picture()


def _shown(bar: KnockBar, bars: Sequence[KnockBar]) -> float:
    """The largest drift that a row has room for: one scale for all rows of a part and unit, so that they compare."""
    alike = [other for other in bars if (other.unit, other.part) == (bar.unit, bar.part)]
    breaking = [side for other in alike for side in (*other.station, *other.hold) if side is not None and side > 0.0]
    shown = max(_STATED_SHOWN * max(other.stated for other in alike), _BROKEN_SHOWN * min(breaking, default=0.0))
    return shown if shown > 0.0 else bar.limit


def _row(paper: Paper, bar: KnockBar, top: float, tall: float, shown: float) -> None:
    middle, half = 0.5 * (_LEFT + _RIGHT), 0.5 * (_RIGHT - _LEFT)
    colour = SIGNAL if bar.worst else CHALK
    level, k = top + 0.5 * tall, tall / _TALL
    size = 26.0 if tall == _TALL else 22.0
    paper.line([(40.0, top + tall), (WIDTH_PX - 40.0, top + tall)], FAINT, 1.0)
    paper.text((_NAMES, level), bar.name, size, colour if bar.worst else INK, "rm", bold=bar.worst)
    for side, sign in ((1, 1.0),) if bar.one_way else ((0, -1.0), (1, 1.0)):
        at_station, in_hold = bar.station[side], bar.hold[side]
        end = middle + sign * half * _share(in_hold, shown)
        far = middle + sign * half * _share(at_station, shown)
        paper.rectangle(_box(middle, far, level, 21.0 * k), CHALK_WASH, mixed(CHALK, 0.6), 1.2)
        box = _box(middle, end, level, 15.0 * k)
        paper.rectangle(box, colour)
        if bar.worst and box[2] - box[0] > 8.0:
            paper.hatch([[(box[0], box[1]), (box[2], box[1]), (box[2], box[3]), (box[0], box[3])]], PAPER, 8.0, 1.5)
        if in_hold is None or in_hold > shown:
            paper.arrow((end + sign * 14.0, level), (sign, 0.0), 26.0 * k, colour)
        place = middle + sign * (half + 26.0)
        paper.text((place, level), _short(bar, side), 22.0 if tall == _TALL else 20.0, INK, "rm" if sign < 0 else "lm",
                   bold=bar.worst)  # fmt: skip
        if bar.stated > 0.0:
            x, reach = middle + sign * half * min(bar.stated / shown, 1.0), 27.0 * k
            paper.line([(x, level - reach), (x, level + reach)], PAPER, 6.0)
            paper.dashed([(x, level - reach), (x, level + reach)], INK, 3.0, (8.0 * k, 4.0 * k))


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


def _odds(paper: Paper, plot: KnockPlot, level: float) -> None:
    left, right = 40.0, 1060.0
    if plot.probability is None:
        paper.text((left, level), "no build was tried: the shot does not hold as it is", 26.0, SIGNAL, "lm", bold=True)
        return
    words = f"the film holds in {100 * plot.probability:.0f} of 100 builds"
    paper.text((left, level - 26.0), words, 30.0, CHALK, "ls", bold=True)
    low, high = (left + share * (right - left) for share in plot.interval)
    paper.rectangle((left, level - 8.0, right, level + 8.0), mixed(INK, 0.05), INK, 1.2)
    paper.rectangle((low, level - 8.0, max(high, low + 2.0), level + 8.0), CHALK_WASH, CHALK, 1.6)
    x = left + plot.probability * (right - left)
    paper.line([(x, level - 14.0), (x, level + 14.0)], CHALK, 5.0)
    note = f"95 % sure: {100 * plot.interval[0]:.0f} to {100 * plot.interval[1]:.0f} of 100; {plot.builds} builds tried"
    paper.text((left, level + 20.0), note, 20.0, SOFT, "la")

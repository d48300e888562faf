"""The plot of hold against reveal: every candidate a dot, the best of them a line, to be read across a workshop."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

import numpy as np
from PIL import Image

from previz.deliver.shoot.holdplot import ticks
from previz.draw.labels import LabelRoom
from previz.draw.paper import Paper, TitleBlock
from previz.draw.style import CHALK, CHALK_WASH, FAINT, INK, PAPER, SIGNAL, SOFT, Colour, fitted, mixed, text_width
from previz.units import inches_text
from previz.workshop.surface import Pixels8

WIDTH_PX: Final = 1600
HEIGHT_PX: Final = 1000

_LEFT, _RIGHT, _TOP, _BOTTOM = 150.0, 1090.0, 130.0, 850.0
_THUMB_LEFT, _THUMB_WIDE, _NOTES_WIDE = 1140.0, 360, 424.0

# lines of notes end above the title block
_NOTES_BOTTOM, _NOTE = 868.0, 23.0


@dataclass(frozen=True, eq=False)
class TradePlot:
    """What the plot shows. Places are (hold mm, break at the reveal in percent).

    ``front`` are the places with the most of both, by falling hold; ``own`` is the scene as it is, ``best`` the chosen
    candidate, None where it could not be judged. ``pictures`` are lens views (H, W, 3) uint8 with a line of words each,
    ``notes`` what the best is, a line each.
    """

    title: TitleBlock
    dots: Sequence[tuple[float, float]]
    front: Sequence[tuple[float, float]]
    least_reveal_pct: float
    tried: int
    own: tuple[float, float] | None = None
    best: tuple[float, float] | None = None
    pictures: Sequence[tuple[str, Pixels8]] = field(default_factory=tuple)
    notes: Sequence[str] = ()


def trade_plot(plot: TradePlot) -> Pixels8:
    """The plot, (1000, 1600, 3) uint8 sRGB."""
    paper = Paper(WIDTH_PX, HEIGHT_PX, 2)
    places = [*plot.dots, *(place for place in (plot.own, plot.best) if place is not None)]
    longest = max([hold for hold, _ in places], default=0.0)
    # never nothing across: a search that found no hold at all still has an axis
    right = max(1.08 * longest, 1.0)
    highest = max([reveal for _, reveal in places] + [plot.least_reveal_pct])
    top = next((t for t in (20.0, 40.0, 60.0, 80.0) if highest <= 0.92 * t), 104.0)

    def x(hold: float) -> float:
        return _LEFT + 14.0 + hold / right * (_RIGHT - _LEFT - 28.0)

    def y(reveal: float) -> float:
        return _BOTTOM - reveal / top * (_BOTTOM - _TOP)

    _ground(paper, plot, x, y, right, top)
    room = LabelRoom((_LEFT + 6.0, _TOP + 4.0, _RIGHT - 6.0, _BOTTOM - 4.0))
    limit = y(plot.least_reveal_pct)
    room.block((_LEFT, limit - 34.0, _LEFT + 16.0 + text_width(_enough(plot), 20.0), limit))
    for hold, reveal in plot.dots:
        enough = reveal >= plot.least_reveal_pct
        paper.circle((x(hold), y(reveal)), 4.0, mixed(CHALK, 0.5) if enough else PAPER, mixed(INK, 0.4), 1.2)
    _front(paper, plot, x, y, room)
    _named(paper, plot, x, y, room)
    _headline(paper, plot)
    _pictures(paper, plot)
    paper.title_block(plot.title, WIDTH_PX - 20.0, HEIGHT_PX - 16.0, 430.0, 14.0)
    return paper.picture()


def _enough(plot: TradePlot) -> str:
    return f"enough from {plot.least_reveal_pct:g} %"


def _ground(
    paper: Paper,
    plot: TradePlot,
    x: Callable[[float], float],
    y: Callable[[float], float],
    right: float,
    top: float,
) -> None:
    paper.rectangle((_LEFT, _TOP, _RIGHT, _BOTTOM), mixed(INK, 0.025))
    limit = y(plot.least_reveal_pct)
    paper.rectangle((_LEFT, _TOP, _RIGHT, limit), CHALK_WASH)
    for pct in range(0, int(min(top, 100.0)) + 1, 20 if top > 60.0 else 10):
        paper.line([(_LEFT, y(pct)), (_RIGHT, y(pct))], FAINT, 1.0)
        paper.text((_LEFT - 14.0, y(pct)), f"{pct} %", 26.0, INK, "rm")
    digits = 0 if right >= 8.0 else 1
    for mm in ticks(0.0, right, 8):
        paper.line([(x(mm), _BOTTOM), (x(mm), _BOTTOM + 9.0)], INK, 1.6)
        paper.text((x(mm), _BOTTOM + 14.0), f"{mm:.{digits}f}", 26.0, INK, "ma")
    paper.dashed([(_LEFT, limit), (_RIGHT, limit)], INK, 2.0, (16.0, 8.0))
    paper.text((_LEFT + 12.0, limit - 8.0), _enough(plot), 20.0, INK, "ls", plate=3.0)
    paper.line([(_LEFT, _TOP), (_LEFT, _BOTTOM), (_RIGHT, _BOTTOM), (_RIGHT, _TOP), (_LEFT, _TOP)], INK, 1.6)
    paper.text((_LEFT, _BOTTOM + 76.0), "hold, mm of rail", 24.0, INK, "ls")
    paper.text((_LEFT - 110.0, _TOP - 22.0), "break at the reveal", 24.0, INK, "ls")
    note = f"{plot.tried} candidates tried; a dot is one that could be judged, blue where it reveals enough"
    paper.text((_LEFT - 110.0, _BOTTOM + 110.0), note, 18.0, SOFT, "ls")
    note = "line: no candidate has more of both"
    paper.text((_LEFT - 110.0, _BOTTOM + 134.0), note, 18.0, SOFT, "ls")


def _front(
    paper: Paper, plot: TradePlot, x: Callable[[float], float], y: Callable[[float], float], room: LabelRoom
) -> None:
    if not plot.front:
        return
    steps = [(x(plot.front[0][0]), _BOTTOM), (x(plot.front[0][0]), y(plot.front[0][1]))]
    for before, place in pairwise(plot.front):
        steps += [(x(place[0]), y(before[1])), (x(place[0]), y(place[1]))]
    steps.append((_LEFT, y(plot.front[-1][1])))
    paper.line(steps, INK, 3.0)
    for a, b in pairwise(steps):
        room.block_line(a, b, 5.0)
    for hold, reveal in plot.front:
        paper.circle((x(hold), y(reveal)), 5.0, INK)


def _named(
    paper: Paper, plot: TradePlot, x: Callable[[float], float], y: Callable[[float], float], room: LabelRoom
) -> None:
    marks: list[tuple[str, tuple[float, float] | None, Colour]] = [("best", plot.best, CHALK)]
    if plot.own != plot.best:
        marks.append(("as the scene is", plot.own, SIGNAL))
    for _, place, colour in marks:
        if place is None:
            continue
        at = (x(place[0]), y(place[1]))
        room.block((at[0] - 16.0, at[1] - 16.0, at[0] + 16.0, at[1] + 16.0))
        if colour is CHALK:
            paper.circle(at, 14.0, None, PAPER, 8.0)
            paper.circle(at, 14.0, None, colour, 4.0)
        else:
            for tilt in (1.0, -1.0):
                ends = [(at[0] - 11.0, at[1] - 11.0 * tilt), (at[0] + 11.0, at[1] + 11.0 * tilt)]
                paper.line(ends, PAPER, 9.0)
                paper.line(ends, colour, 4.5)
    for name, place, colour in marks:
        if place is None:
            continue
        words = f"{name}: {place[0]:.1f} mm, {place[1]:.0f} %"
        width = text_width(words, 24.0, True)
        anchor = (x(place[0]), y(place[1]))
        left, top = room.find(anchor, (width, 30.0), 20.0, 320.0)
        paper.text((left, top), words, 24.0, colour, bold=True, plate=4.0)


def _headline(paper: Paper, plot: TradePlot) -> None:
    paper.text((40.0, 62.0), fitted(plot.title.scene, 34.0, 560.0, True), 34.0, INK, "ls", bold=True)
    if plot.best is None:
        words, colour = "no candidate can be judged", INK
    elif plot.best[1] < plot.least_reveal_pct:
        words, colour = f"no candidate reveals {plot.least_reveal_pct:g} %: at most {plot.best[1]:.0f} %", SIGNAL
    else:
        hold = f"{plot.best[0]:.1f} mm / {inches_text(plot.best[0] * 1e-3)}"
        words, colour = f"longest hold {hold} with a reveal of {plot.best[1]:.0f} %", CHALK
    paper.text((WIDTH_PX - 40.0, 62.0), words, 26.0, colour, "rs", bold=True)


def _pictures(paper: Paper, plot: TradePlot) -> None:
    top = _TOP
    for words, picture in list(plot.pictures)[:2]:
        tall = min(round(picture.shape[0] * _THUMB_WIDE / picture.shape[1]), 204)
        small = np.asarray(Image.fromarray(picture).resize((_THUMB_WIDE, tall), Image.Resampling.BOX))
        paper.paste(small, (int(_THUMB_LEFT), int(top)))
        paper.rectangle((_THUMB_LEFT, top, _THUMB_LEFT + _THUMB_WIDE, top + tall), None, INK, 1.4)
        paper.text((_THUMB_LEFT, top + tall + 6.0), words, 20.0, INK, "la")
        top += tall + 38.0
    room = int((_NOTES_BOTTOM - top) // _NOTE)
    for line, note in enumerate(plot.notes[:room]):
        paper.text((_THUMB_LEFT, top + 6.0 + _NOTE * line), fitted(note, 18.0, _NOTES_WIDE), 18.0, INK, "la")

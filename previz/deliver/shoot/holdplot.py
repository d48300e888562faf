"""The plot of break along the move, ``hold.png``: to be read across a workshop.

Along the bottom run the rail's millimetres, along the top the frames. Where the camera travels one way without
stopping, the picture is true to the rail, as a ruler laid beside it. Where it stands still or turns back, several
frames share one place on the rail; then the picture is true to the frames, and the millimetres below mark where
the camera is as they go by. The bottom axis says which.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from previz.draw.labels import LabelRoom, spread
from previz.draw.paper import Paper, TitleBlock
from previz.draw.style import (
    CHALK,
    CHALK_WASH,
    FAINT,
    HOLDS_BELOW_PCT,
    INK,
    PAPER,
    SIGNAL,
    SOFT,
    Colour,
    break_text,
    fitted,
    mixed,
    text_width,
)
from previz.units import inches_text
from previz.workshop.surface import Pixels8

Array = NDArray[np.float64]

WIDTH_PX, HEIGHT_PX = 1600, 1000

# the plot itself, and the row of pictures above it
_LEFT, _RIGHT, _TOP, _BOTTOM = 150.0, 1550.0, 392.0, 822.0
_THUMBS_TOP, _THUMB_WIDE = 96, 264
_MOST_THUMBS = 5

# a step of the camera below this share of its middle step counts as standing still
_STILL = 0.02


@dataclass(frozen=True, eq=False)
class HoldPlot:
    """What the plot shows.

    ``frames`` (N,) frame numbers; ``rail_mm`` (N,); ``break_pct`` (N,) with NaN where a frame could not be judged.
    ``hold`` is the asked stretch (first and last frame); ``held`` the stretch around the station that does hold, or
    None; ``hold_mm`` its length on the rail, ``hold_s`` that of the film. ``found_pct`` (N,) is the chance, percent,
    that a viewer of the film has found the bridge by then. ``thumbnails`` maps frames to lens pictures (H, W, 3) uint8;
    ``names`` maps frames to words that stand under them; frames without one get the move's own ("station").
    """

    title: TitleBlock
    frames: NDArray[np.int64]
    rail_mm: Array
    break_pct: Array
    hold: tuple[int, int]
    station: int
    reveal: int | None = None
    held: tuple[int, int] | None = None
    hold_mm: float = 0.0
    hold_s: float = 0.0
    found_pct: Array | None = None
    thumbnails: Mapping[int, Pixels8] = field(default_factory=dict)
    names: Mapping[int, str] = field(default_factory=dict)


def one_way(rail_mm: Array) -> bool:
    """Whether every frame of the move lies visibly further along the rail than the one before it, or nearer.

    The gentle start and end of an eased move count as travelling unless frames would fall on one spot of the plot.
    """
    steps = np.diff(rail_mm)
    if len(steps) == 0 or not np.any(steps):
        return False
    forward = steps if np.median(steps) >= 0.0 else -steps
    still = forward < _STILL * np.median(np.abs(steps[steps != 0.0]))
    # the first and last steps of an ease are the shortest; two frames there may lie close together
    return not np.any(forward < 0.0) and int(np.count_nonzero(still)) <= 2


def hold_plot(plot: HoldPlot) -> Pixels8:
    """The plot, (1000, 1600, 3) uint8 sRGB. Arrays of unequal length or no frame raise ``ValueError``."""
    count = len(plot.frames)
    if count == 0 or not count == len(plot.rail_mm) == len(plot.break_pct):
        raise ValueError("a plot needs as many places and breaks as frames, and at least one")
    paper = Paper(WIDTH_PX, HEIGHT_PX, 2)
    by_rail = one_way(plot.rail_mm)
    x = _places(np.asarray(plot.rail_mm if by_rail else plot.frames, dtype=np.float64))
    top_pct = _top_of(plot.break_pct)

    def y(pct: float) -> float:
        return _BOTTOM - pct / top_pct * (_BOTTOM - _TOP)

    _headline(paper, plot)
    _ground(paper, plot, x, y, top_pct)
    _axes(paper, plot, x, by_rail)
    room = LabelRoom((_LEFT + 6.0, _TOP + 4.0, _RIGHT - 6.0, _BOTTOM - 4.0))
    _curve(paper, plot, x, y, room)
    _marks(paper, plot, x, y, room)
    _thumbnails(paper, plot, x)
    paper.title_block(plot.title, WIDTH_PX - 20.0, HEIGHT_PX - 16.0, 430.0, 14.0)
    return paper.picture()


def _places(values: Array) -> Array:
    low, high = float(values.min()), float(values.max())
    if high == low:
        return np.full(len(values), 0.5 * (_LEFT + _RIGHT))
    inset = 12.0
    return np.asarray(_LEFT + inset + (values - low) / (high - low) * (_RIGHT - _LEFT - 2.0 * inset))


def _top_of(break_pct: Array) -> float:
    known = break_pct[np.isfinite(break_pct)]
    worst = float(known.max()) if len(known) else 0.0
    return next((top for top in (20.0, 40.0, 60.0, 80.0) if worst <= 0.92 * top), 104.0)


def _at(plot: HoldPlot, frame: int) -> int:
    return int(np.argmin(np.abs(np.asarray(plot.frames) - frame)))


def _mm_and_inches(mm: float) -> str:
    return f"{mm:.1f} mm / {inches_text(mm * 1e-3)}"


def _headline(paper: Paper, plot: HoldPlot) -> None:
    colour = CHALK
    if plot.held is None and not np.isfinite(plot.break_pct[_at(plot, plot.station)]):
        words, colour = "the station frame cannot be judged", INK
    elif plot.held is None:
        words, colour = "does not hold at the station", SIGNAL
    elif plot.hold_mm == 0.0:
        words = f"holds for {plot.hold_s:.2f} s, frames {plot.held[0]} to {plot.held[1]}"
    else:
        length = _mm_and_inches(plot.hold_mm)
        words = f"holds for {plot.hold_s:.2f} s, {length} of rail, frames {plot.held[0]} to {plot.held[1]}"
    room = WIDTH_PX - 80.0 - 40.0 - text_width(words, 26.0, True)
    paper.text((40.0, 62.0), fitted(plot.title.scene, 34.0, room, True), 34.0, INK, "ls", bold=True)
    paper.text((WIDTH_PX - 40.0, 62.0), words, 26.0, colour, "rs", bold=True)


def _ground(paper: Paper, plot: HoldPlot, x: Array, y: Callable[[float], float], top_pct: float) -> None:
    paper.rectangle((_LEFT, _TOP, _RIGHT, _BOTTOM), mixed(INK, 0.025))
    first, last = x[_at(plot, plot.hold[0])], x[_at(plot, plot.hold[1])]
    low, high = min(first, last), max(first, last)
    paper.rectangle((low, _TOP, high, _BOTTOM), CHALK_WASH)
    for edge in (low, high):
        paper.line([(edge, _TOP), (edge, _BOTTOM)], CHALK, 1.4)
    step = 20.0 if top_pct > 60.0 else (10.0 if top_pct > 20.0 else 5.0)
    pct = 0.0
    while pct <= min(top_pct, 100.0):
        paper.line([(_LEFT, y(pct)), (_RIGHT, y(pct))], FAINT, 1.0)
        paper.text((_LEFT - 14.0, y(pct)), f"{pct:.0f} %", 26.0, INK, "rm")
        pct += step
    for i in np.flatnonzero(~np.isfinite(plot.break_pct)):
        half = max(3.0, 0.5 * (_RIGHT - _LEFT) / len(x))
        box = [(x[i] - half, _TOP), (x[i] + half, _TOP), (x[i] + half, _BOTTOM), (x[i] - half, _BOTTOM)]
        paper.hatch([box], SOFT, 12.0, 1.0)
    limit = y(HOLDS_BELOW_PCT)
    paper.dashed([(_LEFT, limit), (_RIGHT, limit)], INK, 2.0, (16.0, 8.0))
    paper.text((_LEFT + 10.0, limit - 7.0), "holds below 5 %", 20.0, INK, "ls", plate=3.0)
    paper.line([(_LEFT, _TOP), (_LEFT, _BOTTOM), (_RIGHT, _BOTTOM), (_RIGHT, _TOP), (_LEFT, _TOP)], INK, 1.6)


def _axes(paper: Paper, plot: HoldPlot, x: Array, by_rail: bool) -> None:
    frames = np.asarray(plot.frames, dtype=np.float64)
    ends = [float(frames[0])] + ([float(frames[-1])] if len(frames) > 1 else [])
    marks = ends + [t for t in ticks(ends[0], ends[-1], 8) if t == round(t)]
    _tick_row(paper, [(float(np.interp(t, frames, x)), f"{t:.0f}") for t in marks], _TOP, -1.0)
    paper.text((_LEFT - 50.0, _TOP - 20.0), "frame", 20.0, SOFT, "rs")
    low, high = float(plot.rail_mm.min()), float(plot.rail_mm.max())
    wanted = ticks(low, high, 8) if high > low else [low]
    digits = 0 if high - low >= 8.0 or high == low else 1
    found: list[tuple[float, str]] = []
    for t in wanted:
        found += [(place, f"{t:.{digits}f}") for place in _crossings(plot.rail_mm, x, t)]
    _tick_row(paper, found, _BOTTOM, 1.0)
    words = "rail, mm" if by_rail else "rail, mm, where the camera is as the frames go by"
    paper.text((_LEFT, _BOTTOM + 92.0), words, 22.0, INK, "ls")
    note = "break: share of the bridge's visible outline that shows"
    if not np.isfinite(plot.break_pct).all():
        note += "; grey hatch: not judged"
    paper.text((_LEFT, _BOTTOM + 122.0), note, 18.0, SOFT, "ls")
    if not by_rail:
        _standing_still(paper, plot, x)


def ticks(low: float, high: float, most: int) -> list[float]:
    """Round numbers from ``low`` to ``high``, about ``most`` of them."""
    if high <= low:
        return [low]
    rough = (high - low) / most
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(s * power for s in (1.0, 2.0, 5.0, 10.0) if s * power >= rough * (1.0 - 1e-9))
    first = math.ceil(low / step - 1e-9)
    return [k * step for k in range(first, math.floor(high / step + 1e-9) + 1)]


def _crossings(rail_mm: Array, x: Array, value: float) -> list[float]:
    """Where along the plot the camera passes ``value``; the middle of a stretch on which it stands there."""
    out: list[float] = []
    i = 0
    while i < len(rail_mm):
        if abs(rail_mm[i] - value) < 1e-9:
            j = i
            while j + 1 < len(rail_mm) and abs(rail_mm[j + 1] - value) < 1e-9:
                j += 1
            out.append(0.5 * float(x[i] + x[j]))
            i = j + 1
            continue
        if i + 1 < len(rail_mm) and (rail_mm[i] - value) * (rail_mm[i + 1] - value) < 0.0:
            share = (value - rail_mm[i]) / (rail_mm[i + 1] - rail_mm[i])
            out.append(float(x[i] + share * (x[i + 1] - x[i])))
        i += 1
    return out


def _tick_row(paper: Paper, ticks: list[tuple[float, str]], y: float, side: float) -> None:
    # the first ones in the list have the first right to a number
    written: list[tuple[float, float]] = []
    for place, text in ticks:
        half = 0.5 * text_width(text, 24.0) + 6.0
        if any(place - half < right and left < place + half for left, right in written):
            continue
        paper.line([(place, y), (place, y + side * 9.0)], INK, 1.6)
        paper.text((place, y + side * 14.0), text, 24.0, INK, "ma" if side > 0.0 else "ms")
        written.append((place - half, place + half))


def _standing_still(paper: Paper, plot: HoldPlot, x: Array) -> None:
    still = np.abs(np.diff(plot.rail_mm)) < 1e-9
    i = 0
    while i < len(still):
        j = i
        while j < len(still) and still[j]:
            j += 1
        if j - i >= 3:
            left, right = float(x[i]), float(x[j])
            paper.line([(left, _BOTTOM + 44.0), (right, _BOTTOM + 44.0)], SOFT, 3.0)
            if right - left > text_width("stands still", 16.0):
                paper.text((0.5 * (left + right), _BOTTOM + 49.0), "stands still", 16.0, SOFT, "ma")
        i = max(j, i + 1)


def _curve(paper: Paper, plot: HoldPlot, x: Array, y: Callable[[float], float], room: LabelRoom) -> None:
    limit = y(HOLDS_BELOW_PCT)
    known = np.isfinite(plot.break_pct)
    below: list[tuple[tuple[float, float], tuple[float, float]]] = []
    above: list[tuple[tuple[float, float], tuple[float, float]]] = []
    for i in range(len(x) - 1):
        if not (known[i] and known[i + 1]):
            continue
        a, b = (float(x[i]), y(float(plot.break_pct[i]))), (float(x[i + 1]), y(float(plot.break_pct[i + 1])))
        room.block_line(a, b, 6.0)
        if (a[1] < limit) == (b[1] < limit):
            (above if a[1] < limit else below).append((a, b))
            continue
        share = (limit - a[1]) / (b[1] - a[1])
        middle = (a[0] + share * (b[0] - a[0]), limit)
        (above if a[1] < limit else below).append((a, middle))
        (above if b[1] < limit else below).append((middle, b))
    for a, b in above:
        if abs(b[0] - a[0]) > 0.01:
            paper.hatch([[a, b, (b[0], limit), (a[0], limit)]], mixed(SIGNAL, 0.55), 9.0, 1.0)
    if plot.found_pct is not None:
        _found(paper, plot.found_pct, x, y, room)
    for a, b in below:
        paper.line([a, b], CHALK, 4.0)
    for run in _joined(above):
        paper.dashed(run, SIGNAL, 6.0, (20.0, 7.0))
    # a single frame, or one between two that could not be judged, is no line
    crowded = len(x) > 160
    for i in map(int, np.flatnonzero(known)):
        alone = not (i > 0 and known[i - 1]) and not (i + 1 < len(x) and known[i + 1])
        place = (float(x[i]), y(float(plot.break_pct[i])))
        if alone or not crowded:
            colour = SIGNAL if place[1] < limit else CHALK
            paper.circle(place, 5.0 if alone else 3.0, PAPER if not alone else colour, colour, 1.4)


def _found_places(found_pct: Array, x: Array, y: Callable[[float], float]) -> list[tuple[float, float]]:
    """The places of the frames by which a viewer has found the bridge so far, as long as they lie in the plot."""
    return [(float(at), y(float(pct))) for at, pct in zip(x, found_pct, strict=True) if y(float(pct)) >= _TOP]


def _found(paper: Paper, found_pct: Array, x: Array, y: Callable[[float], float], room: LabelRoom) -> None:
    """The chance that a viewer has found the bridge by each frame: dots, named where they leave the plot or end."""
    inside = _found_places(found_pct, x, y)
    if len(inside) < 2:
        return
    paper.dashed(inside, INK, 2.6, (3.0, 7.0))
    room.draw(inside)


def _joined(pieces: list[tuple[tuple[float, float], tuple[float, float]]]) -> list[list[tuple[float, float]]]:
    runs: list[list[tuple[float, float]]] = []
    for a, b in pieces:
        if runs and runs[-1][-1] == a:
            runs[-1].append(b)
        else:
            runs.append([a, b])
    return runs


def _marks(paper: Paper, plot: HoldPlot, x: Array, y: Callable[[float], float], room: LabelRoom) -> None:
    room.block((_LEFT, y(HOLDS_BELOW_PCT) - 30.0, _LEFT + 220.0, y(HOLDS_BELOW_PCT)))
    wanted = [(plot.station, "station", CHALK)]
    if plot.reveal is not None:
        wanted.append((plot.reveal, "reveal", INK))
    for frame, _, colour in wanted:
        i = _at(plot, frame)
        paper.line([(x[i], _TOP), (x[i], _BOTTOM)], colour, 3.0)
        room.block_line((float(x[i]), _TOP), (float(x[i]), _BOTTOM))
    _hold_asked(paper, plot, x, room)
    if np.isfinite(plot.break_pct).any():
        worst = int(np.nanargmax(plot.break_pct))
        place = (float(x[worst]), y(float(plot.break_pct[worst])))
        words = f"worst {break_text(float(plot.break_pct[worst]))} at {plot.frames[worst]}"
        paper.circle(place, 13.0, None, SIGNAL, 3.0)
        room.block((place[0] - 14.0, place[1] - 14.0, place[0] + 14.0, place[1] + 14.0))
        _label(paper, room, place, words, SIGNAL, 20.0)
    for frame, name, colour in wanted:
        i = _at(plot, frame)
        pct = float(plot.break_pct[i])
        words = f"{name} {break_text(pct if math.isfinite(pct) else None)}"
        _label(paper, room, (float(x[i]), _TOP + 70.0), words, colour, 10.0)
    found = [] if plot.found_pct is None else _found_places(plot.found_pct, x, y)
    if len(found) > 1:
        _label(paper, room, found[-1], "found by then", INK, 10.0)


def _label(paper: Paper, room: LabelRoom, anchor: tuple[float, float], words: str, colour: Colour, near: float) -> None:
    width = text_width(words, 24.0, True)
    left, top = room.find(anchor, (width, 30.0), near, 320.0)
    end = (min(max(anchor[0], left), left + width), min(max(anchor[1], top), top + 26.0))
    if math.dist(anchor, end) > 44.0:
        share = near / math.dist(anchor, end)
        start = (anchor[0] + (end[0] - anchor[0]) * share, anchor[1] + (end[1] - anchor[1]) * share)
        paper.line([start, end], colour, 1.4)
    paper.text((left, top), words, 24.0, colour, bold=True, plate=4.0)


def _hold_asked(paper: Paper, plot: HoldPlot, x: Array, room: LabelRoom) -> None:
    ends = sorted(float(x[_at(plot, frame)]) for frame in plot.hold)
    words, level = f"hold asked {plot.hold[0]} to {plot.hold[1]}", _TOP + 26.0
    width = text_width(words, 22.0)
    left = 0.5 * (ends[0] + ends[1] - width)
    paper.line([(ends[0], level), (ends[1], level)], CHALK, 1.4)
    if ends[1] - ends[0] > 24.0:
        paper.arrow((ends[0], level), (-1.0, 0.0), 12.0, CHALK)
        paper.arrow((ends[1], level), (1.0, 0.0), 12.0, CHALK)
    if width + 50.0 > ends[1] - ends[0]:
        left = ends[1] + 12.0 if ends[1] + 12.0 + width < _RIGHT else ends[0] - 12.0 - width
    paper.rectangle((left - 6.0, level - 12.0, left + width + 6.0, level + 12.0), CHALK_WASH)
    paper.text((left, level), words, 22.0, CHALK, "lm", plate=4.0)
    room.block((min(left, ends[0]), level - 16.0, max(left + width, ends[1]), level + 16.0))


def _thumbnails(paper: Paper, plot: HoldPlot, x: Array) -> None:
    chosen = sorted(plot.thumbnails)[:_MOST_THUMBS]
    if not chosen:
        return
    names: dict[int | None, str] = {int(plot.frames[0]): "start", int(plot.frames[-1]): "end", plot.reveal: "reveal"}
    names |= {plot.hold[0]: "hold begins", plot.hold[1]: "hold ends", plot.station: "station"}
    names.update(plot.names.items())
    half = _THUMB_WIDE / 2.0
    ends = [float(x[_at(plot, frame)]) for frame in chosen]
    middles = spread(ends, _THUMB_WIDE + 22.0, 40.0 + half, WIDTH_PX - 40.0 - half)
    for frame, end, middle in zip(chosen, ends, middles, strict=True):
        picture = plot.thumbnails[frame]
        tall = round(picture.shape[0] * _THUMB_WIDE / picture.shape[1])
        # very tall pictures are cut to the row, the middle kept
        small = np.asarray(Image.fromarray(picture).resize((_THUMB_WIDE, tall), Image.Resampling.BOX))
        most = 190
        if tall > most:
            small = small[(tall - most) // 2 :][:most]
        left = round(middle - half)
        bottom = _THUMBS_TOP + small.shape[0]
        paper.paste(small, (left, _THUMBS_TOP))
        paper.rectangle((left, _THUMBS_TOP, left + _THUMB_WIDE, bottom), None, INK, 1.4)
        paper.text((middle, bottom + 8.0), f"{frame} {names.get(frame, '')}".strip(), 22.0, INK, "ma")
        paper.line([(middle, bottom + 36.0), (end, _TOP - 42.0)], SOFT, 1.2)

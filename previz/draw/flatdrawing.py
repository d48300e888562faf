"""A drawing at true size as plain lines and words, to be written as SVG or DXF."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from previz.draw.clearplace import ClearPlaces, turned_box
from previz.draw.style import CHALK, INK, SIGNAL, SOFT, Colour, both_text
from previz.geometry import Array


@dataclass(frozen=True)
class Ink:
    """How a layer is drawn: ``colour`` sRGB, ``width_mm``, ``dashes_mm`` (on, off, ...) or none, DXF's ``index``."""

    colour: Colour
    width_mm: float
    dashes_mm: tuple[float, ...] = ()
    index: int = 7


# layers by name; a colour index 1 red, 3 green, 5 blue, 7 black or white, 8 grey (DXF R12)
INKS: Final[dict[str, Ink]] = {
    "wall": Ink(INK, 0.25),
    "bridge": Ink(CHALK, 0.35, index=5),
    "rail": Ink(INK, 0.5),
    "view": Ink(SOFT, 0.18, (6.0, 2.5), 8),
    "lamps": Ink(INK, 0.25, index=8),
    "cut": Ink(INK, 0.1),
    "fold-away": Ink(CHALK, 0.1, (3.0, 1.5), 5),
    "fold-towards": Ink(CHALK, 0.1, (4.0, 1.2, 0.8, 1.2), 5),
    "bend": Ink(SOFT, 0.1, (1.0, 1.0), 8),
    "mark": Ink(SIGNAL, 0.1, (2.0, 1.0), 1),
    "dimensions": Ink(SOFT, 0.13, index=8),
    "words": Ink(SOFT, 0.13, index=8),
}


# how wide a letter is, on average, against the height of a capital
LETTER_WIDE: Final = 0.62


@dataclass(frozen=True, eq=False)
class Line:
    """A line through ``points`` (N, 2) mm, x right and y up; ``closed`` ones return to the first."""

    layer: str
    points: Array
    closed: bool = False


@dataclass(frozen=True)
class Words:
    """Words whose middle lies at ``at`` mm, ``high_mm`` tall, turned counter-clockwise by ``turn_deg``."""

    layer: str
    text: str
    at: tuple[float, float]
    high_mm: float
    turn_deg: float = 0.0

    @property
    def long_mm(self) -> float:
        """Their length, roughly."""
        return max(len(self.text) * LETTER_WIDE, 1.0) * self.high_mm

    def touches(self, other: Words, gap_mm: float) -> bool:
        """Whether their boxes come nearer than ``gap_mm`` to those of ``other``."""
        between = np.subtract(other.at, self.at)
        # two boxes are apart where they are along a side of one of them
        for way in (words.turn_deg + quarter for words in (self, other) for quarter in (0.0, 90.0)):
            axis = np.array([np.cos(np.radians(way)), np.sin(np.radians(way))])
            reach = 0.0
            for each in (self, other):
                turn = np.radians(each.turn_deg)
                along = abs(axis @ [np.cos(turn), np.sin(turn)]) * each.long_mm
                reach += 0.5 * float(along + abs(axis @ [-np.sin(turn), np.cos(turn)]) * each.high_mm)
            if abs(float(axis @ between)) >= reach + gap_mm:
                return False
        return True


@dataclass(frozen=True, eq=False)
class FlatDrawing:
    """A drawing at true size: its ``title``, lines and words, mm, x right and y up.

    ``weight`` makes all lines that many times wider, and their dashes longer.
    """

    title: str
    lines: tuple[Line, ...]
    words: tuple[Words, ...]
    weight: float = 1.0

    @property
    def bounds_mm(self) -> tuple[float, float, float, float]:
        """Lowest x and y, highest x and y of lines and of the words' rough boxes."""
        boxes = [np.stack([line.points.min(axis=0), line.points.max(axis=0)]) for line in self.lines]
        for words in self.words:
            # turned words may reach as far any way
            reach = 0.5 * words.long_mm
            turned = abs(np.sin(np.radians(words.turn_deg)))
            away = np.array([reach * (1.0 - turned), reach * turned]) + words.high_mm
            boxes.append(np.stack([np.asarray(words.at) - away, np.asarray(words.at) + away]))
        points = np.concatenate(boxes)
        (left, low), (right, high) = points.min(axis=0), points.max(axis=0)
        return float(left), float(low), float(right), float(high)


def cleared(title: str, lines: Sequence[Line], words: Sequence[Words], weight: float = 1.0) -> FlatDrawing:
    """The drawing with those words moved that a line goes through or that lie on others, no farther than they must.

    Nothing of a line is ever left out: files like these drive cutters. Words that moved by more than their height get
    a line to where they stood.
    """
    drawn = list(lines)
    places = ClearPlaces(np.concatenate([each.points, each.points[: int(each.closed)]]) for each in lines)
    boxes = [turned_box(said.at, (said.long_mm, 1.1 * said.high_mm), np.radians(said.turn_deg)) for said in words]
    out: list[Words | None] = []
    for said, box in zip(words, boxes, strict=True):
        stays = places.free(box)
        out.append(said if stays else None)
        if stays:
            places.take(box)
    for k, (said, box) in enumerate(zip(words, boxes, strict=True)):
        if out[k] is not None:
            continue
        turn = np.radians(said.turn_deg)
        shift = places.shift(box, (np.cos(turn), np.sin(turn)), 0.6 * said.high_mm)
        if shift is None:
            shift = np.zeros(2)
        places.take(box + shift)
        out[k] = replace(said, at=(said.at[0] + float(shift[0]), said.at[1] + float(shift[1])))
        far = float(np.hypot(*shift))
        if far > 1.8 * said.high_mm:
            corners = box + shift
            end = corners[int(np.argmin(np.hypot(*(corners - np.asarray(said.at)).T)))]
            if places.free(np.array([said.at, end, end, said.at]) + 1e-6 * np.array([[0, 0], [0, 1], [1, 1], [1, 0]])):
                drawn.append(line("words", [said.at, end]))
    return FlatDrawing(title, tuple(drawn), tuple(said for said in out if said is not None), weight)


def line(layer: str, points: ArrayLike, closed: bool = False) -> Line:
    """A line of a known layer through ``points`` (N, 2) mm."""
    if layer not in INKS:
        raise ValueError(f'no layer "{layer}"')
    return Line(layer, np.asarray(points, dtype=np.float64).reshape(-1, 2), closed)


def dimension(
    start: ArrayLike, end: ArrayLike, away_mm: float, high_mm: float, along: Sequence[float] | None = None
) -> tuple[list[Line], Words]:
    """A dimension of the way from ``start`` to ``end`` (2,) mm, drawn ``away_mm`` to its left, words ``high_mm`` tall.

    ``along`` measures along a direction only, such as (1, 0). Ticks at 45 degrees; millimetres and inches. Words that
    are longer than what they measure stand outside: level beside what is upright, beyond the end of all else.
    """
    a, b = np.asarray(start, dtype=np.float64), np.asarray(end, dtype=np.float64)
    way = b - a if along is None else np.asarray(along, dtype=np.float64)
    way = way / np.linalg.norm(way)
    length = float((b - a) @ way)
    if length < 0.0:
        way, length = -way, -length
    left = np.array([-way[1], way[0]])
    # the line runs at the same height over both ends
    height = max(float(a @ left), float(b @ left)) if away_mm >= 0.0 else min(float(a @ left), float(b @ left))
    height += away_mm
    ends = [p + (height - float(p @ left)) * left for p in (a, b)]
    tick = 0.4 * high_mm * (way + left)
    over = float(np.sign(away_mm)) * 0.5 * high_mm * left
    lines = [line("dimensions", ends)]
    lines += [line("dimensions", [p, e + over]) for p, e in zip((a, b), ends, strict=True)]
    lines += [line("dimensions", [e - tick, e + tick]) for e in ends]
    turn = float(np.degrees(np.arctan2(way[1], way[0])))
    # never upside down; what stands upright is read from the right
    turn = 90.0 - (90.0 - turn) % 180.0
    upright = np.array([-np.sin(np.radians(turn)), np.cos(np.radians(turn))])
    middle = 0.5 * (ends[0] + ends[1]) + 0.9 * high_mm * upright
    words = Words("dimensions", both_text(length / 1e3), (float(middle[0]), float(middle[1])), high_mm, turn)
    if words.long_mm + 0.5 * high_mm > length:
        clear = 0.5 * words.long_mm + 0.8 * high_mm
        if abs(way[1]) > 0.99:
            middle, turn = 0.5 * (ends[0] + ends[1]) + np.sign(away_mm) * clear * left, 0.0
        else:
            middle = ends[1] + clear * way
        words = replace(words, at=(float(middle[0]), float(middle[1])), turn_deg=turn)
    return lines, words

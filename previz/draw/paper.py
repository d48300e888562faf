"""A sheet of paper to draw on: text, lines, hatching, dimension lines, scale bar, title block.

Points are (x, y) in pixels of the finished sheet, x right, y down, pixel centres at .5. The sheet is drawn larger
by a whole factor and averaged down, which makes edges smooth and the bytes the same everywhere.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from PIL import Image, ImageChops, ImageDraw

from previz.draw.labels import SheetBox
from previz.draw.style import INK, PAPER, SOFT, Colour, both_text, fitted, font, text_width
from previz.geometry import Array

Pixels8 = NDArray[np.uint8]
Point = tuple[float, float]

DASH: tuple[float, float] = (9.0, 6.0)

# px of the large sheet around a plate that are kept while it is drawn
_BESIDE_PX = 4

# height of a line of text against its size
LEADING = 1.32


@dataclass(frozen=True)
class TitleBlock:
    """What stands bottom right on every sheet. ``date`` is the scene file's, ``sheet`` of ``sheets`` counts from 1."""

    scene: str
    scale: str
    date: str
    subject: str
    sheet: int = 1
    sheets: int = 1


@dataclass(frozen=True)
class Note:
    """Lines of text at their place (top left), so that they can be written again over what is drawn later."""

    at: Point
    lines: tuple[str, ...]
    size: float

    @property
    def box(self) -> SheetBox:
        """The box the lines take."""
        width, height = block_size(self.lines, self.size)
        return self.at[0], self.at[1], self.at[0] + width, self.at[1] + height


@dataclass(frozen=True)
class _Plated:
    """A line of text on a plate of paper that takes ``box``; the rest is what :meth:`Paper.text` was asked for."""

    box: SheetBox
    at: Point
    text: str
    size: float
    colour: Colour
    anchor: str
    bold: bool


class Paper:
    """A sheet of ``width_px`` x ``height_px``, drawn ``over`` times as large."""

    def __init__(self, width_px: int, height_px: int, over: int = 2, ground: Colour = PAPER) -> None:
        self.width_px, self.height_px, self._over = width_px, height_px, over
        self._image = Image.new("RGB", (width_px * over, height_px * over), ground)
        self._draw = ImageDraw.Draw(self._image)
        self._plated: list[_Plated] = []
        # lines drawn so far, each (N, 2) px, for labels to keep off
        self.strokes: list[Array] = []

    def copy(self) -> Paper:
        """The sheet as it stands, to be drawn on further on its own."""
        twin = Paper.__new__(Paper)
        twin.width_px, twin.height_px, twin._over = self.width_px, self.height_px, self._over
        twin._image = self._image.copy()
        twin._draw = ImageDraw.Draw(twin._image)
        twin._plated, twin.strokes = list(self._plated), list(self.strokes)
        return twin

    def picture(self) -> Pixels8:
        """The finished sheet, (height_px, width_px, 3) uint8 sRGB, its plated labels over all else."""
        # the plates are drawn and taken away again: a copy of the whole sheet costs more than all that is on it
        under = [(corner, self._image.crop(corner + end)) for corner, end in map(self._around, self._plated)]
        for each in self._plated:
            self.rectangle(each.box, PAPER)
        for each in self._plated:
            self._letters(each.at, each.text, each.size, each.colour, each.anchor, each.bold, 0.0)
        found = np.asarray(self._image.reduce(self._over))
        for corner, crop in under:
            self._image.paste(crop, corner)
        return found

    def _around(self, plated: _Plated) -> tuple[tuple[int, int], tuple[int, int]]:
        """Corners of what a plate takes on the large sheet, with a rim."""
        left, top, right, bottom = (round(v * self._over) for v in plated.box)
        return (left - _BESIDE_PX, top - _BESIDE_PX), (right + _BESIDE_PX, bottom + _BESIDE_PX)

    def _big(self, points: ArrayLike) -> list[tuple[float, float]]:
        p = np.asarray(points, dtype=np.float64).reshape(-1, 2) * self._over - 0.5
        return [(float(x), float(y)) for x, y in p]

    def paste(self, picture: Pixels8, at: tuple[int, int]) -> None:
        """Lay a picture (H, W, 3) uint8 with its top left corner at whole pixels ``at``; it is kept pixel for pixel."""
        h, w = picture.shape[:2]
        big = Image.fromarray(np.ascontiguousarray(picture))
        big = big.resize((w * self._over, h * self._over), Image.Resampling.NEAREST)
        self._image.paste(big, (at[0] * self._over, at[1] * self._over))

    def text(
        self,
        at: Point,
        text: str,
        size: float,
        colour: Colour = INK,
        anchor: str = "la",
        bold: bool = False,
        halo: float = 0.0,
        plate: float = 0.0,
    ) -> SheetBox:
        """Write a line; gives the box it takes. ``anchor`` is Pillow's: l m r across, a m s d down.

        ``halo`` is the width of a rim of paper around the letters, to be read over a picture. ``plate`` is that of a
        plate of paper under them: letters on a plate lie over all else on the sheet, whatever is drawn later, and no
        line goes through them.
        """
        if plate:
            left, top, right, bottom = self._box(at, text, size, anchor, bold, 0.0)
            box = (left - plate, top - plate, right + plate, bottom + plate)
            if text.strip():
                self._plated.append(_Plated(box, at, text, size, colour, anchor, bold))
            return box
        return self._letters(at, text, size, colour, anchor, bold, halo)

    def _letters(
        self, at: Point, text: str, size: float, colour: Colour, anchor: str, bold: bool, halo: float
    ) -> SheetBox:
        face = font(max(1, round(size * self._over)), bold)
        spot = (at[0] * self._over, at[1] * self._over)
        rim = round(halo * self._over)
        self._draw.text(spot, text, colour, face, anchor, stroke_width=rim, stroke_fill=PAPER if rim else None)
        return self._box(at, text, size, anchor, bold, halo)

    def _box(self, at: Point, text: str, size: float, anchor: str, bold: bool, halo: float) -> SheetBox:
        face, rim = font(max(1, round(size * self._over)), bold), round(halo * self._over)
        spot = (at[0] * self._over, at[1] * self._over)
        left, top, right, bottom = self._draw.textbbox(spot, text, face, anchor, stroke_width=rim)
        return left / self._over, top / self._over, right / self._over, bottom / self._over

    def line(self, points: ArrayLike, colour: Colour = INK, width: float = 1.0) -> None:
        """An unbroken line through points (N, 2)."""
        big = self._big(points)
        if len(big) > 1:
            self.strokes.append(np.asarray(points, dtype=np.float64).reshape(-1, 2))
            self._draw.line(big, colour, max(1, round(width * self._over)), joint="curve" if len(big) > 2 else None)

    def dashed(
        self, points: ArrayLike, colour: Colour = INK, width: float = 1.0, dash: tuple[float, float] = DASH
    ) -> None:
        """A dashed line through points (N, 2); ``dash`` is the length of a dash and of the gap after it."""
        p = np.asarray(points, dtype=np.float64).reshape(-1, 2)
        if len(p) < 2:
            return
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(p, axis=0).T))])
        starts = [0.0]
        while starts[-1] < along[-1]:
            starts.append(starts[-1] + dash[0] + dash[1])
        begin = np.array(starts[:-1])
        finish = np.minimum(begin + dash[0], along[-1])
        # from each dash's first point to its last, and the corners between them
        first, last = np.searchsorted(along, begin, side="right"), np.searchsorted(along, finish, side="left")
        s = np.stack([begin, finish], axis=1)
        ends = np.stack([np.interp(s, along, p[:, 0]), np.interp(s, along, p[:, 1])], axis=-1)
        for a, b, (start, end) in zip(first, last, ends, strict=True):
            self.line(np.concatenate([start[None], p[a:b], end[None]]), colour, width)

    def polygon(self, points: ArrayLike, fill: Colour | None, outline: Colour | None = None, width: float = 1) -> None:
        """A filled polygon (N, 2), with an outline if one is given."""
        big = self._big(points)
        if fill is not None:
            self._draw.polygon(big, fill)
        if outline is not None:
            self.line(np.concatenate([np.asarray(points), np.asarray(points)[:2]]), outline, width)

    def outlines(self, rings: Sequence[ArrayLike], fill: Colour | None, outline: Colour, width: float = 1.0) -> None:
        """Outlines (N, 2) of one thing, inner ones being holes (even-odd rule)."""
        if fill is not None:
            self._image.paste(fill, (0, 0), self._inside(rings, (0, 0), self._image.size))
        for ring in rings:
            self.line(np.concatenate([np.asarray(ring), np.asarray(ring)[:1]]), outline, width)

    def _inside(self, rings: Sequence[ArrayLike], corner: tuple[int, int], size: tuple[int, int]) -> Image.Image:
        """A mask of what lies in an odd number of outlines (N, 2), from a corner of the large sheet on."""
        inside = Image.new("L", size)
        for ring in rings:
            one = Image.new("L", size)
            ImageDraw.Draw(one).polygon([(x - corner[0], y - corner[1]) for x, y in self._big(ring)], 255)
            inside = ImageChops.difference(inside, one)
        return inside

    def rectangle(self, box: SheetBox, fill: Colour | None, outline: Colour | None = None, width: float = 1.0) -> None:
        """An upright rectangle (left, top, right, bottom)."""
        left, top, right, bottom = box
        self.polygon([(left, top), (right, top), (right, bottom), (left, bottom)], fill, outline, width)

    def circle(
        self, at: Point, radius: float, fill: Colour | None, outline: Colour | None = None, width: float = 1.0
    ) -> None:
        """A disc or a ring."""
        corners = [(at[0] - radius, at[1] - radius), (at[0] + radius, at[1] + radius)]
        (left, top), (right, bottom) = self._big(corners)
        self._draw.ellipse((left, top, right, bottom), fill, outline, max(1, round(width * self._over)))

    def hatch(
        self,
        rings: Sequence[ArrayLike],
        colour: Colour = INK,
        spacing: float = 7.0,
        width: float = 1.0,
        rising: bool = True,
    ) -> None:
        """Fill outlines (N, 2) with slanting lines ``spacing`` px apart, the sign for cut material; inner ones are
        holes."""
        if not rings:
            return
        big = np.concatenate([self._big(ring) for ring in rings])
        left, top = (int(v) for v in np.floor(big.min(0)))
        right, bottom = (int(v) + 2 for v in np.ceil(big.max(0)))
        left, top = max(left, 0), max(top, 0)
        right, bottom = min(right, self._image.width), min(bottom, self._image.height)
        if right <= left or bottom <= top:
            return
        size = (right - left, bottom - top)
        inside, lines = self._inside(rings, (left, top), size), Image.new("L", size)
        pen, step = ImageDraw.Draw(lines), spacing * self._over * math.sqrt(2.0)
        # lines x + y (or x - y) = a whole number of steps on the sheet, so that neighbouring fills meet
        first = left + top if rising else left - bottom
        last = right + bottom if rising else right - top
        for k in range(math.floor(first / step), math.ceil(last / step) + 1):
            a = k * step
            ends = [(a - top - left, 0.0), (a - bottom - left, float(size[1]))]
            if not rising:
                ends = [(a + top - left, 0.0), (a + bottom - left, float(size[1]))]
            pen.line(ends, 255, max(1, round(width * self._over)))
        self._image.paste(colour, (left, top), ImageChops.multiply(inside, lines))

    def arrow(self, tip: Point, direction: Point, size: float = 7.0, colour: Colour = INK) -> None:
        """A filled arrow head at ``tip`` pointing along ``direction``."""
        n = math.hypot(*direction) or 1.0
        dx, dy = direction[0] / n * size, direction[1] / n * size
        back, wing = (tip[0] - dx, tip[1] - dy), (dy * 0.34, -dx * 0.34)
        self.polygon(
            [tip, (back[0] + wing[0], back[1] + wing[1]), (back[0] - wing[0], back[1] - wing[1])],
            colour,
        )

    def lines_of_text(
        self, at: Point, lines: Sequence[str], size: float, colour: Colour = INK, plate: float = 0.0
    ) -> SheetBox:
        """Several lines, one under the other, from the top left; gives the box they take."""
        for i, line in enumerate(lines):
            self.text((at[0], at[1] + i * size * LEADING), line, size, colour, plate=plate)
        width, height = block_size(lines, size)
        return at[0], at[1], at[0] + width, at[1] + height

    def dimension(
        self, a: Point, b: Point, offset: float, length: float, size: float = 13.0, colour: Colour = INK
    ) -> Note:
        """A dimension line beside ``a``-``b``, in mm and inches; gives its text.

        ``offset`` is how far it lies to the right of the way from ``a`` to ``b`` (negative: to the left),
        ``length`` the true length in metres. Ends are the workshop's slanted ticks; text too wide for the line
        goes past its end.
        """
        run = math.dist(a, b) or 1.0
        ux, uy = (b[0] - a[0]) / run, (b[1] - a[1]) / run
        nx, ny = -uy * math.copysign(1.0, offset), ux * math.copysign(1.0, offset)
        far = abs(offset)
        p = (a[0] + nx * far, a[1] + ny * far)
        q = (b[0] + nx * far, b[1] + ny * far)
        for base, end in ((a, p), (b, q)):
            self.line([(base[0] + nx * 4, base[1] + ny * 4), (end[0] + nx * 5, end[1] + ny * 5)], SOFT, 0.7)
        self.line([(p[0] - ux * 6, p[1] - uy * 6), (q[0] + ux * 6, q[1] + uy * 6)], colour, 1.0)
        for end in (p, q):
            self.line([(end[0] - 4.5, end[1] + 4.5), (end[0] + 4.5, end[1] - 4.5)], colour, 1.8)
        return self._dimension_text(p, q, (nx, ny), length, size, colour)

    def _dimension_text(self, p: Point, q: Point, out: Point, length: float, size: float, colour: Colour) -> Note:
        middle = ((p[0] + q[0]) / 2.0, (p[1] + q[1]) / 2.0)
        level = abs(p[1] - q[1]) < abs(p[0] - q[0])
        if level:
            words = [both_text(length)]
            width = text_width(words[0], size)
            x = middle[0] - width / 2.0
            if width + 10.0 > abs(q[0] - p[0]):
                x = max(p[0], q[0]) + 10.0
            top = middle[1] - size * 1.5 if out[1] < 0.0 else middle[1] + size * 0.45
        else:
            words = both_text(length).split(" / ")
            width, height = block_size(words, size)
            # outside the line, or inside it where the sheet ends
            right, left = middle[0] + 9.0, middle[0] - 9.0 - width
            x = right if (out[0] > 0.0 and right + width < self.width_px) or left < 4.0 else left
            top = middle[1] - height / 2.0
            if height + 8.0 > abs(q[1] - p[1]):
                top = max(p[1], q[1]) + 8.0
        width = max(text_width(word, size) for word in words)
        x = min(max(x, 4.0), self.width_px - width - 4.0)
        self.lines_of_text((x, top), words, size, colour, plate=2.0)
        return Note((x, top), tuple(words), size)

    def scale_bar(self, at: Point, px_per_m: float, widest: float = 220.0, size: float = 13.0) -> SheetBox:
        """A bar of a round number of millimetres, at most ``widest`` px, with its length in both measures.

        ``at`` is its left end; the text stands above it. Gives the box that all of it takes.
        """
        length = round_length(widest / px_per_m)
        width = length * px_per_m
        x, y = at
        for i in range(4):
            part = (x + width * i / 4, y, x + width * (i + 1) / 4, y + 6.0)
            self.rectangle(part, INK if i % 2 == 0 else PAPER, INK, 1.0)
        text = both_text(length, 0)
        self.text((x, y - 6.0), text, size, anchor="ls", plate=2.0)
        return x, y - size - 8.0, x + max(width, text_width(text, size)), y + 8.0

    def title_block(self, block: TitleBlock, right: float, bottom: float, width: float, size: float = 13.0) -> SheetBox:
        """The title block, its bottom right corner at ``right``, ``bottom``; gives its box."""
        row = size * 2.5
        top = bottom - 3.0 * row
        left = right - width
        self.rectangle((left, top, right, bottom), PAPER, INK, 1.6)
        for i in (1, 2):
            self.line([(left, top + row * i), (right, top + row * i)], INK, 0.8)
        half = left + width * 0.5
        self.line([(half, top + row * 2), (half, bottom)], INK, 0.8)
        self.line([(left + width * 0.72, top + row), (left + width * 0.72, top + row * 2)], INK, 0.8)
        cells = [
            (left, top, width, "SCENE", block.scene, True),
            (left, top + row, width * 0.72, "DRAWING", block.subject, False),
            (left + width * 0.72, top + row, width * 0.28, "SCALE", block.scale, False),
            (left, top + row * 2, width * 0.5, "SCENE FILE OF", block.date, False),
            (half, top + row * 2, width * 0.5, "SHEET", f"{block.sheet} of {block.sheets}", False),
        ]
        for x, y, room, name, value, bold in cells:
            self.text((x + size * 0.5, y + size * 0.3), name, size * 0.62, SOFT)
            self.text(
                (x + size * 0.5, y + size * 2.05), fitted(value, size, room - size, bold), size, anchor="ls", bold=bold
            )
        return left, top, right, bottom


def block_size(lines: Sequence[str], size: float) -> tuple[float, float]:
    """Width and height in pixels of lines of text of a size."""
    return max((text_width(line, size) for line in lines), default=0.0), len(lines) * size * LEADING


def round_length(longest: float) -> float:
    """The longest of 1, 2, 5, 10, 20, 50 ... mm that is not over ``longest`` (m), at least 1 mm; metres."""
    best = 1
    for k in range(7):
        for step in (1, 2, 5):
            if step * 10**k * 1e-3 <= longest + 1e-12:
                best = max(best, step * 10**k)
    return best * 1e-3

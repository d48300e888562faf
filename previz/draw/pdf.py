"""True-size paper: PDF sheets that are drawn on in millimetres.

Points on a sheet are (x, y) in **millimetres** from the paper's top left corner, x right, y down; text sizes and line
widths are millimetres too. Nothing is drawn within ``MARGIN_MM`` of the paper's edge. Every sheet carries a 100 mm and
a 4 in bar to be checked with a ruler, and the title block; the file asks viewers not to scale it
(ISO 32000-1:2008, table 150, ``PrintScaling``).
"""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike
from PIL import Image
from reportlab.lib.utils import ImageReader
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from previz.draw.labels import SheetBox
from previz.draw.paper import Point, TitleBlock
from previz.draw.style import INK, SOFT, Colour, font_file
from previz.errors import OutputError
from previz.geometry import Array
from previz.units import inches_text, mm_text
from previz.workshop.surface import Pixels8

PaperName = Literal["a4", "letter", "roll"]

# ISO 32000-1:2008, 8.3.2.3: the default unit of a page is 1/72 in; 25.4 mm in an inch by definition
POINTS_PER_MM = 72.0 / 25.4

MARGIN_MM: Final = 10.0
HEAD_MM: Final = 7.0  # the line that says what a sheet shows
FOOT_MM: Final = 22.0  # the bars and the title block
LEADING: Final = 1.32

# ISO 216 A4; ANSI/ASME Y14.1 A (US Letter, 8 1/2 x 11 in)
_SHEETS_MM: Final = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
# ISO 32000-1:2008, annex C.2: no side of a page is longer than 14 400 units (5080 mm)
LONGEST_MM: Final = 5000.0
NARROWEST_ROLL: Final = 0.210

_BLOCK_MM: Final = (80.0, 19.5)
_THIN: Final = 0.15
_PLAIN, _BOLD = "sheet-mono", "sheet-mono-bold"


@dataclass(frozen=True)
class PageSize:
    """A page and what it leaves to draw on. ``grows`` is the side of a roll that is cut as long as needed."""

    width_mm: float
    height_mm: float
    grows: Literal["", "width", "height"] = ""

    @property
    def left(self) -> float:
        """Left edge of what may be drawn on."""
        return MARGIN_MM

    @property
    def top(self) -> float:
        """Upper edge of what may be drawn on, under the head line."""
        return MARGIN_MM + HEAD_MM

    @property
    def free_width_mm(self) -> float:
        """Width that may be drawn on."""
        return self.width_mm - 2.0 * MARGIN_MM

    @property
    def free_height_mm(self) -> float:
        """Height that may be drawn on, between the head line and the foot."""
        return self.height_mm - 2.0 * MARGIN_MM - HEAD_MM - FOOT_MM

    def cut(self, used_width_mm: float, used_height_mm: float) -> PageSize:
        """The page of a roll, cut to what is used of it; a sheet stays as it is."""
        if self.grows == "height":
            return replace(self, height_mm=used_height_mm + 2.0 * MARGIN_MM + HEAD_MM + FOOT_MM)
        if self.grows == "width":
            return replace(self, width_mm=max(used_width_mm + 2.0 * MARGIN_MM, NARROWEST_ROLL * 1e3))
        return self


def page_sizes(paper: PaperName, roll_width: float = 0.610) -> tuple[PageSize, PageSize]:
    """The page upright and lying. A roll is ``roll_width`` m wide and its pages are as long as they must be.

    Raises :class:`OutputError` for a paper it does not know and a roll too narrow for the title block.
    """
    if paper == "roll":
        if not NARROWEST_ROLL <= roll_width <= LONGEST_MM / 1e3:
            raise OutputError(
                f"a roll {mm_text(roll_width)} wide cannot be laid out: expected "
                f"{mm_text(NARROWEST_ROLL, 0)} to {mm_text(LONGEST_MM / 1e3, 0)}; use another roll, or a4 or letter"
            )
        wide = roll_width * 1e3
        return PageSize(wide, LONGEST_MM, "height"), PageSize(LONGEST_MM, wide, "width")
    if paper not in _SHEETS_MM:
        raise OutputError(f'no paper is called "{paper}": expected a4, letter or roll')
    width, height = _SHEETS_MM[paper]
    return PageSize(width, height), PageSize(height, width)


@dataclass(frozen=True, eq=False)
class PdfPage:
    """One page: its ``room``, its ``subject`` for the title block, and what draws it.

    ``drawn`` is the scale of what is on it: "1:1" true size, "1:20" a twentieth, "-" words only.
    """

    room: PageSize
    subject: str
    draw: Callable[[Pen], None]
    drawn: str = "1:1"


def _fonts() -> None:
    for name, bold in ((_PLAIN, False), (_BOLD, True)):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, str(font_file(bold))))


def text_width(text: str, size: float, bold: bool = False) -> float:
    """Width in mm of a line of text, as :class:`Pen` writes it."""
    _fonts()
    return float(pdfmetrics.stringWidth(text, _BOLD if bold else _PLAIN, size))


def fitted(text: str, size: float, width: float, bold: bool = False) -> str:
    """``text``, cut and ended by an ellipsis where it is wider than ``width`` mm."""
    if text_width(text, size, bold) <= width:
        return text
    while text and text_width(text + "…", size, bold) > width:
        text = text[:-1]
    return text.rstrip() + "…"


def wrapped(text: str, size: float, width: float, bold: bool = False) -> list[str]:
    """``text`` broken between words into lines of ``width`` mm; a word that is wider alone is cut."""
    out: list[str] = []
    for word in text.split(" "):
        if out and text_width(f"{out[-1]} {word}", size, bold) <= width:
            out[-1] += f" {word}"
        else:
            out.append(fitted(word, size, width, bold))
    return out


@dataclass(frozen=True)
class _Plated:
    """A label that goes over all else on its sheet: what :meth:`Pen.text` was asked for, ``at`` on the sheet."""

    at: Point
    text: str
    size: float
    colour: Colour
    anchor: Literal["l", "m", "r"]
    bold: bool
    turn: float


# how much of a line's width lies left of its anchor
_LEFT_OF: Final = {"l": 0.0, "m": 0.5, "r": 1.0}


class Pen:
    """What draws on one sheet. See the module's text for its units."""

    def __init__(self, canvas: Canvas, room: PageSize, block: TitleBlock, drawn: str = "1:1") -> None:
        self.room, self.block, self.drawn = room, block, drawn
        self._canvas = canvas
        self._shift: Point = (0.0, 0.0)
        self._high = room.height_mm
        self._clips = 0
        # lines drawn so far (N, 2) mm on the sheet, and labels that go over all of them
        self.strokes: list[Array] = []
        self._plated: list[_Plated] = []

    def _points(self, points: ArrayLike) -> list[tuple[float, float]]:
        p = np.asarray(points, dtype=np.float64).reshape(-1, 2) + self._shift
        p = np.column_stack([p[:, 0], self._high - p[:, 1]]) * POINTS_PER_MM
        return [(x, y) for x, y in p.tolist()]

    @contextmanager
    def shifted(self, right: float, down: float) -> Iterator[None]:
        """Points inside count from a place that lies ``right`` and ``down`` mm further."""
        before = self._shift
        self._shift = (before[0] + right, before[1] + down)
        try:
            yield
        finally:
            self._shift = before

    @contextmanager
    def clipped(self, *outlines: ArrayLike) -> Iterator[None]:
        """Nothing drawn inside shows beyond ``outlines`` (N, 2), or in those that are holes (even-odd rule)."""
        self._canvas.saveState()
        self._canvas.clipPath(self._path(outlines, True), stroke=0, fill=0)
        self._clips += 1
        try:
            yield
        finally:
            self._clips -= 1
            self._canvas.restoreState()

    def _drawn_line(self, line: ArrayLike, closed: bool = False) -> None:
        p = np.asarray(line, dtype=np.float64).reshape(-1, 2) + self._shift
        self.strokes.append(np.concatenate([p, p[:1]]) if closed else p)

    def _path(self, lines: Sequence[ArrayLike], closed: bool) -> object:
        path = self._canvas.beginPath()
        for line in lines:
            big = self._points(line)
            path.moveTo(*big[0])
            for point in big[1:]:
                path.lineTo(*point)
            if closed:
                path.close()
        return path

    def _stroke(self, colour: Colour, width: float, dash: tuple[float, ...] | None) -> None:
        self._canvas.setStrokeColorRGB(*(c / 255.0 for c in colour))
        self._canvas.setLineWidth(width * POINTS_PER_MM)
        self._canvas.setLineJoin(1)
        self._canvas.setLineCap(0 if dash else 1)
        self._canvas.setDash([d * POINTS_PER_MM for d in dash] if dash else [])

    def line(
        self, points: ArrayLike, colour: Colour = INK, width: float = _THIN, dash: tuple[float, ...] | None = None
    ) -> None:
        """A line through points (N, 2); ``dash`` holds the lengths of dashes and gaps in turn."""
        self.lines([points], colour, width, dash)

    def lines(
        self,
        lines: Sequence[ArrayLike],
        colour: Colour = INK,
        width: float = _THIN,
        dash: tuple[float, ...] | None = None,
    ) -> None:
        """Many lines of one kind, each (N, 2)."""
        kept = [line for line in lines if len(np.asarray(line)) > 1]
        if kept:
            self._stroke(colour, width, dash)
            self._canvas.drawPath(self._path(kept, False), stroke=1, fill=0)
            for line in kept:
                self._drawn_line(line)

    def polygon(
        self,
        points: ArrayLike,
        fill: Colour | None = None,
        outline: Colour | None = None,
        width: float = _THIN,
        dash: tuple[float, ...] | None = None,
    ) -> None:
        """A closed polygon (N, 2), filled, outlined or both."""
        self.outlines([points], fill, outline, width, dash)

    def outlines(
        self,
        rings: Sequence[ArrayLike],
        fill: Colour | None = None,
        outline: Colour | None = None,
        width: float = _THIN,
        dash: tuple[float, ...] | None = None,
    ) -> None:
        """Outlines (N, 2) of one thing, inner ones being holes (even-odd rule); none, or empty ones, draw nothing."""
        rings = [ring for ring in rings if np.size(ring)]
        if not rings:
            return
        if outline is not None:
            self._stroke(outline, width, dash)
            for ring in rings:
                self._drawn_line(ring, True)
        if fill is not None:
            self._canvas.setFillColorRGB(*(c / 255.0 for c in fill))
        self._canvas.drawPath(self._path(rings, True), stroke=int(outline is not None), fill=int(fill is not None))

    def rectangle(
        self, box: SheetBox, fill: Colour | None = None, outline: Colour | None = None, width: float = _THIN
    ) -> None:
        """An upright rectangle (left, top, right, bottom)."""
        self.polygon(corners(box), fill, outline, width)

    def circle(self, at: Point, radius: float, colour: Colour = INK, width: float = _THIN, fill: bool = False) -> None:
        """A ring, or a dot where it is to be filled."""
        turn = np.linspace(0.0, 2.0 * math.pi, 17)
        self._drawn_line(np.asarray(at) + radius * np.column_stack([np.cos(turn), np.sin(turn)]))
        (x, y), *_ = self._points([at])
        self._stroke(colour, width, None)
        self._canvas.setFillColorRGB(*(c / 255.0 for c in colour))
        self._canvas.circle(x, y, radius * POINTS_PER_MM, stroke=1, fill=int(fill))

    def text(
        self,
        at: Point,
        text: str,
        size: float,
        colour: Colour = INK,
        anchor: Literal["l", "m", "r"] = "l",
        bold: bool = False,
        plate: bool = False,
        turn: float = 0.0,
    ) -> None:
        """Write a line whose baseline starts (l), is centred (m) or ends (r) at ``at``.

        ``plate`` puts white under it, to be read over a picture or a line, and both over all else on the sheet: no
        line goes through it, whatever is drawn later; inside a clip it is drawn at once. The line is turned about
        ``at`` by ``turn`` rad, counter-clockwise as seen on the paper.
        """
        if plate and not self._clips:
            place = (at[0] + self._shift[0], at[1] + self._shift[1])
            self._plated.append(_Plated(place, text, size, colour, anchor, bold, turn))
            return
        if plate:
            self._plate(at, text, size, anchor, bold, turn)
        self._write(at, text, size, colour, anchor, bold, turn)

    def over(self) -> None:
        """Draw the labels that go over all else: white under each of them first, then their words."""
        for each in self._plated:
            self._plate(each.at, each.text, each.size, each.anchor, each.bold, each.turn)
        for each in self._plated:
            self._write(each.at, each.text, each.size, each.colour, each.anchor, each.bold, each.turn)
        self._plated = []

    def _plate(
        self, at: Point, text: str, size: float, anchor: Literal["l", "m", "r"], bold: bool, turn: float
    ) -> None:
        width, rim = text_width(text, size, bold), 0.2 * size
        left = -_LEFT_OF[anchor] * width
        along = np.array((math.cos(turn), -math.sin(turn)))
        down = np.array((-along[1], along[0]))
        ends = (left - rim, left + width + rim)
        rows = (-0.76 * size - rim, 0.24 * size + rim)
        flat = [(ends[i], rows[j]) for i, j in ((0, 0), (1, 0), (1, 1), (0, 1))]
        self.polygon([np.asarray(at) + a * along + b * down for a, b in flat], (255, 255, 255))

    def _write(
        self,
        at: Point,
        text: str,
        size: float,
        colour: Colour,
        anchor: Literal["l", "m", "r"],
        bold: bool,
        turn: float,
    ) -> None:
        name = _BOLD if bold else _PLAIN
        left = -_LEFT_OF[anchor] * text_width(text, size, bold)
        along = np.array((math.cos(turn), -math.sin(turn)))
        self._canvas.setFont(name, size * POINTS_PER_MM)
        self._canvas.setFillColorRGB(*(c / 255.0 for c in colour))
        (x, y), *_ = self._points([np.asarray(at) + left * along])
        if turn == 0.0:
            self._canvas.drawString(x, y, text)
            return
        self._canvas.saveState()
        self._canvas.translate(x, y)
        self._canvas.rotate(math.degrees(turn))
        self._canvas.drawString(0.0, 0.0, text)
        self._canvas.restoreState()

    def block_of_text(self, at: Point, lines: Sequence[str], size: float, colour: Colour = INK) -> float:
        """Lines of text from their top left corner; gives the height they take."""
        for i, line in enumerate(lines):
            self.text((at[0], at[1] + size + i * size * LEADING), line, size, colour)
        return len(lines) * size * LEADING

    def picture(self, picture: Pixels8, at: Point, texel: tuple[float, float]) -> None:
        """A picture (h, w, 3) uint8 sRGB, lossless, its top left corner at ``at``, every texel ``texel`` mm wide, high.

        It takes exactly w and h texels on the paper.
        """
        h, w = picture.shape[:2]
        (x, y), *_ = self._points([(at[0], at[1] + h * texel[1])])
        image = ImageReader(Image.fromarray(np.ascontiguousarray(picture)))
        self._canvas.drawImage(image, x, y, w * texel[0] * POINTS_PER_MM, h * texel[1] * POINTS_PER_MM)

    def cross(self, at: Point, arm: float = 2.5, halo: bool = False) -> None:
        """A register cross: the same place on two sheets."""
        x, y = at
        arms = [[(x - arm, y), (x + arm, y)], [(x, y - arm), (x, y + arm)]]
        for colour, width in (((255, 255, 255), 0.8), (INK, _THIN))[0 if halo else 1 :]:
            for ends in arms:
                self.line(ends, colour, width)

    def mark(self, at: Point, name: str, colour: Colour = INK) -> None:
        """A register mark, a ringed cross with its name: the same place on the bridge and on the wall."""
        x, y = at
        for ink, width in (((255, 255, 255), 0.9), (colour, 0.2)):
            self.circle(at, 1.6, ink, width)
            self.lines([[(x - 2.6, y), (x + 2.6, y)], [(x, y - 2.6), (x, y + 2.6)]], ink, width)
        self.text((x + 2.6, y - 1.6), name, 2.4, colour, bold=True, plate=True)

    def head(self, words: str, more: str = "") -> None:
        """The line at the top: what the sheet shows, and in smaller letters how to use it."""
        x, y, room = MARGIN_MM, MARGIN_MM + 3.2, self.room.free_width_mm
        words = fitted(words, 3.2, room, True)
        self.text((x, y), words, 3.2, bold=True)
        used = text_width(words, 3.2, True) + 4.0
        if more and room - used > 20.0:
            self.text((x + used, y), fitted(more, 2.1, room - used), 2.1, SOFT)

    def foot(self) -> None:
        """The bars to check the print by, bottom left, and the title block, bottom right."""
        bottom = self.room.height_mm - MARGIN_MM
        self.bar(MARGIN_MM, bottom - 11.0, 10, 10.0, 5, "100 mm")
        self.bar(MARGIN_MM, bottom - 0.5, 4, 25.4, 2, "4 in")
        self._title_block(self.room.width_mm - MARGIN_MM, bottom)

    def bar(self, left: float, base: float, parts: int, part: float, numbered: int, whole: str) -> None:
        """A ruled bar of ``parts`` parts, each ``part`` mm long, its base line at ``base``; 6 mm high."""
        right = left + parts * part
        self.line([(left, base), (right, base)], INK, 0.2)
        for k in range(parts + 1):
            x, major = left + k * part, k % numbered == 0
            self.line([(x, base), (x, base - (3.5 if major else 2.0))], INK, 0.2)
            if k == 0:
                self.text((x + 0.8, base - 2.4), "0", 2.0)
            elif k == parts:
                self.text((x - 0.8, base - 2.4), whole, 2.0, anchor="r")
            elif major:
                self.text((x + 0.8, base - 2.4), f"{k * part:.0f}" if part == 10.0 else f"{k}", 2.0)

    def _title_block(self, right: float, bottom: float) -> None:
        wide, high = _BLOCK_MM
        left, top, row, block = right - wide, bottom - high, high / 3.0, self.block
        self.rectangle((left, top, right, bottom), None, INK, 0.35)
        for i in (1, 2):
            self.line([(left, top + row * i), (right, top + row * i)], INK)
        a, b, half = left + wide * 0.62, left + wide * 0.83, left + wide * 0.5
        for x, first, last in ((a, 1, 2), (b, 1, 2), (half, 2, 3)):
            self.line([(x, top + row * first), (x, top + row * last)], INK)
        cells = [
            (left, right, 0, "SCENE", block.scene, True),
            (left, a, 1, "DRAWING", block.subject, False),
            (a, b, 1, "SET", block.scale, False),
            (b, right, 1, "PRINT" if self.drawn == "1:1" else "DRAWN", self.drawn, True),
            (left, half, 2, "SCENE FILE OF", block.date, False),
            (half, right, 2, "SHEET", f"{block.sheet} of {block.sheets}", False),
        ]
        for x, end, i, name, value, bold in cells:
            self.text((x + 1.2, top + row * i + 2.0), name, 1.4, SOFT)
            self.text((x + 1.2, top + row * i + 5.2), fitted(value, 2.3, end - x - 2.0, bold), 2.3, bold=bold)


def corners(box: SheetBox) -> list[Point]:
    """The corners of an upright rectangle (left, top, right, bottom)."""
    left, top, right, bottom = box
    return [(left, top), (right, top), (right, bottom), (left, bottom)]


def both_mm(length_mm: float, decimals: int = 1) -> str:
    """A length given in mm in both measures: ``850.0 mm / 2'-9 7/16"``."""
    return f"{mm_text(length_mm / 1e3, decimals)} / {inches_text(length_mm / 1e3)}"


def pdf_bytes(sheets: Sequence[PdfPage], block: TitleBlock, title: str) -> bytes:
    """The sheets as one PDF. Every sheet gets its own subject and number in ``block``. Same input, same bytes."""
    _fonts()
    out = io.BytesIO()
    canvas = Canvas(out, invariant=1, initialFontName=_PLAIN, pageCompression=1)
    canvas.setTitle(title)
    canvas.setAuthor("previz")
    canvas.setCreator("previz")
    canvas.setViewerPreference("PrintScaling", "None")
    for number, sheet in enumerate(sheets, 1):
        room = sheet.room
        canvas.setPageSize((room.width_mm * POINTS_PER_MM, room.height_mm * POINTS_PER_MM))
        pen = Pen(canvas, room, replace(block, subject=sheet.subject, sheet=number, sheets=len(sheets)), sheet.drawn)
        sheet.draw(pen)
        pen.over()
        pen.foot()
        canvas.showPage()
    canvas.save()
    return out.getvalue()

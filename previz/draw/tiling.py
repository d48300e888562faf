"""Pieces that are larger than the paper, cut into parts that overlap, and laid out on as few sheets as they need.

Everything is in millimetres at true size. A piece's own places count from its top left corner, right and down.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

from shapely.geometry import Polygon, box

from previz.draw.labels import SheetBox
from previz.draw.paper import Point
from previz.draw.pdf import LEADING, PageSize, PdfPage, Pen, corners, wrapped
from previz.draw.style import INK, SOFT
from previz.errors import OutputError

OVERLAP_MM: Final = 10.0
SIDE_MM: Final = 7.5  # left and right of a part: crosses and leaders stand there
BLEED_MM: Final = 1.5  # paint goes on past the cut, so that no white edge is left
LABEL_SIZE: Final = 2.1
_CROSS_AT: Final = 4.5  # how far from the piece the crosses stand
_END_MM: Final = 3.0
_NARROWEST: Final = 34.0  # a label's lines would be too short to read
_LEAST_PART: Final = 40.0
_GAP: Final = 1.0

Draw = Callable[[Pen, "Tile"], None]


@dataclass(frozen=True)
class PrintPiece:
    """A flat piece to be printed. ``words`` go under its name on every part: which way it lies.

    Parts of a piece with an ``outline`` (x, y) mm that is cut along one side only are no larger across than what they
    show of it: a stair's side takes the room of its parts, not of its box.
    """

    name: str
    width_mm: float
    height_mm: float
    words: str = ""
    outline: tuple[Point, ...] = ()


@dataclass(frozen=True)
class Tile:
    """One part of a piece: number ``index`` of ``count`` (from 1), and the ``box`` of the piece that it shows."""

    piece: PrintPiece
    index: int
    count: int
    column: int
    row: int
    columns: int
    rows: int
    box: SheetBox

    @property
    def width_mm(self) -> float:
        """Width of what it shows."""
        return self.box[2] - self.box[0]

    @property
    def height_mm(self) -> float:
        """Height of what it shows."""
        return self.box[3] - self.box[1]

    @property
    def window(self) -> SheetBox:
        """The box with the bleed, where the piece ends inside it."""
        left, top, right, bottom = self.box
        return (
            left - BLEED_MM * (self.column == 0),
            top - BLEED_MM * (self.row == 0),
            right + BLEED_MM * (self.column == self.columns - 1),
            bottom + BLEED_MM * (self.row == self.rows - 1),
        )

    @property
    def title(self) -> str:
        """Its name, number and neighbours: ``top, part 2 of 4, goes below part 1``."""
        if self.count == 1:
            return f"{self.piece.name}, in one piece"
        places = []
        if self.column:
            places.append(f"right of part {self.index - 1}")
        if self.row:
            places.append(f"below part {self.index - self.columns}")
        goes = f", goes {' and '.join(places)}" if places else ""
        return f"{self.piece.name}, part {self.index} of {self.count}{goes}"

    @property
    def crosses(self) -> list[Point]:
        """Places on the piece, in the middle of this part's overlaps, of its register crosses."""
        out = []
        for at in self._joints(1):
            out += [(x, at) for x in self._along(0, at)]
        for at in self._joints(0):
            out += [(at, y) for y in self._along(1, at)]
        return out

    @property
    def crosses_inside(self) -> bool:
        """Whether its crosses stand on the piece itself, not beside it."""
        return self.columns > 1 and self.rows > 1

    def _joints(self, axis: int) -> list[float]:
        place, places = ((self.column, self.columns), (self.row, self.rows))[axis]
        first, last = self.box[axis], self.box[axis + 2]
        return [first + OVERLAP_MM / 2.0] * (place > 0) + [last - OVERLAP_MM / 2.0] * (place < places - 1)

    def _along(self, axis: int, joint: float) -> tuple[float, float]:
        first, last = self.box[axis], self.box[axis + 2]
        if not self.crosses_inside:
            # beside what both parts show of the piece where they overlap
            first, last = _across(self.piece, axis, joint - OVERLAP_MM / 2.0, joint + OVERLAP_MM / 2.0, first, last)
            return first - _CROSS_AT, last + _CROSS_AT
        return first + 0.2 * (last - first), last - 0.2 * (last - first)


@dataclass(frozen=True)
class Placed:
    """A part on its sheet: the ``page`` of its section (from 0), and where its box's top left corner lies."""

    tile: Tile
    page: int
    at: Point


@dataclass
class _Page:
    room: PageSize
    shelves: list[list[float]] = field(default_factory=list)  # top, height, used width
    used: list[float] = field(default_factory=lambda: [0.0, 0.0])

    def place(self, width: float, height: float, reserved: float) -> Point | None:
        """The first free place for a box, in rows from the top."""
        free_width, free_height = self.room.free_width_mm + 1e-9, self.room.free_height_mm - reserved + 1e-9
        for shelf in self.shelves:
            # the lowest row may still grow downwards
            high = free_height - shelf[0] if shelf is self.shelves[-1] else shelf[1] + 1e-9
            if height <= high and shelf[2] + width <= free_width:
                shelf[1] = max(shelf[1], height)
                return self._take(shelf, width, height)
        top = sum(shelf[1] + _GAP for shelf in self.shelves)
        if top + height > free_height:
            return None
        self.shelves.append([top, height, 0.0])
        return self._take(self.shelves[-1], width, height)

    def _take(self, shelf: list[float], width: float, height: float) -> Point:
        x, y = shelf[2], shelf[0]
        shelf[2] += width + _GAP
        self.used = [max(self.used[0], x + width), max(self.used[1], y + height)]
        return x, y


@dataclass(frozen=True)
class Spread:
    """Parts laid out on the sheets of one section; ``above`` and ``below`` mm are kept free on each for notes."""

    rooms: tuple[PageSize, ...]
    placed: tuple[Placed, ...]
    above: float
    below: float

    def on(self, page: int) -> list[Placed]:
        """What lies on a sheet."""
        return [p for p in self.placed if p.page == page]


def _parts(length: float, free: float) -> int:
    return 1 if length <= free + 1e-9 else math.ceil((length - OVERLAP_MM) / (free - OVERLAP_MM) - 1e-9)


def _label(tile: Tile) -> list[str]:
    width = max(_NARROWEST, tile.width_mm + 2.0 * SIDE_MM)
    return wrapped(tile.title, LABEL_SIZE, width, True) + wrapped(tile.piece.words, LABEL_SIZE, width)


def _ends(tile: Tile) -> float:
    """Free space over and under a part: crosses stand there if the piece is cut from side to side only."""
    return _CROSS_AT + 3.0 if tile.columns > 1 and tile.rows == 1 else _END_MM


def _box_of(tile: Tile) -> tuple[float, float, float]:
    """Width, height and height of the label alone, of all that a part takes on the paper."""
    label = len(_label(tile)) * LABEL_SIZE * LEADING + 0.8
    return max(_NARROWEST, tile.width_mm + 2.0 * SIDE_MM), label + tile.height_mm + 2.0 * _ends(tile), label


def _across(
    piece: PrintPiece, axis: int, start: float, end: float, first: float, last: float
) -> tuple[float, float]:
    """From where to where along an ``axis`` (0 right, 1 down) a piece reaches between ``start`` and ``end`` of the
    other one; ``first`` and ``last`` where its outline is not known."""
    if not piece.outline:
        return first, last
    far = 2.0 * (piece.width_mm + piece.height_mm)
    strip = box(start, -far, end, far) if axis == 1 else box(-far, start, far, end)
    shown = Polygon(piece.outline).buffer(0.0).intersection(strip)
    if shown.is_empty:
        return first, last
    return float(shown.bounds[axis]), float(shown.bounds[axis + 2])


def _cut(piece: PrintPiece, columns: int, rows: int) -> list[Tile]:
    wide = (piece.width_mm + (columns - 1) * OVERLAP_MM) / columns
    high = (piece.height_mm + (rows - 1) * OVERLAP_MM) / rows
    out = []
    for row in range(rows):
        for column in range(columns):
            x, y = column * (wide - OVERLAP_MM), row * (high - OVERLAP_MM)
            left, top, right, bottom = x, y, x + wide, y + high
            if rows == 1 < columns:
                top, bottom = _across(piece, 1, left, right, top, bottom)
            elif columns == 1 < rows:
                left, right = _across(piece, 0, top, bottom, left, right)
            index = row * columns + column + 1
            out.append(Tile(piece, index, columns * rows, column, row, columns, rows, (left, top, right, bottom)))
    return out


def tiles_of(piece: PrintPiece, room: PageSize, reserved: float) -> list[Tile]:
    """The fewest equal parts of a piece that fit a room of which ``reserved`` mm of height are kept free.

    Raises :class:`OutputError` where the paper leaves too little room.
    """
    wide = room.free_width_mm - 2.0 * SIDE_MM
    high = room.free_height_mm - reserved
    columns = rows = 1
    for _ in range(8):
        tiles = _cut(piece, columns, rows)
        over = max(_box_of(tile)[1] - tile.height_mm for tile in tiles)
        if min(wide, high - over) < _LEAST_PART:
            raise OutputError(
                f"paper of {room.width_mm:.0f} x {room.height_mm:.0f} mm leaves too little room for {piece.name}: "
                "print on larger paper, or use a smaller palette"
            )
        needed = (_parts(piece.width_mm, wide), _parts(piece.height_mm, high - over))
        if needed == (columns, rows):
            break
        columns, rows = max(columns, needed[0]), max(rows, needed[1])
    return tiles


def spread(pieces: Sequence[PrintPiece], rooms: Sequence[PageSize], above: float = 0.0, below: float = 0.0) -> Spread:
    """All parts of all pieces on sheets; each piece on the kind of page (``rooms``) that takes fewer parts.

    ``above`` and ``below`` mm of every sheet are kept free. Raises :class:`OutputError`.
    """
    pages: list[_Page] = []
    placed: list[Placed] = []
    for piece in pieces:
        choices = []
        for room in rooms:
            try:
                choices.append((room, tiles_of(piece, room, above + below)))
            except OutputError:
                if room is rooms[-1] and not choices:
                    raise
        room, tiles = min(choices, key=lambda choice: len(choice[1]))
        for tile in tiles:
            width, height, label = _box_of(tile)
            number, found = _free_place(pages, room, width, height, above + below)
            x = room.left + found[0] + (width - tile.width_mm) / 2.0
            y = room.top + above + found[1] + label + _ends(tile)
            placed.append(Placed(tile, number, (x, y)))
    cut = tuple(page.room.cut(page.used[0], page.used[1] + above + below) for page in pages)
    return Spread(cut, tuple(placed), above, below)


def _free_place(
    pages: list[_Page], room: PageSize, width: float, height: float, reserved: float
) -> tuple[int, Point]:
    """The first page with a free place for a box, a new one if need be, and the place."""
    for number, page in enumerate(pages):
        found = page.place(width, height, reserved) if page.room is room else None
        if found is not None:
            return number, found
    pages.append(_Page(room))
    found = pages[-1].place(width, height, reserved)
    if found is None:
        raise OutputError(f"a part of {width:.0f} x {height:.0f} mm does not fit its paper: print on larger paper")
    return len(pages) - 1, found


def sheets_of(
    layout: Spread, subject: str, more: str, draw: Draw, notes: Callable[[Pen, int], None] | None = None
) -> list[PdfPage]:
    """The sheets of a section. ``draw`` draws a part in the piece's own places; ``notes`` a page's free strips."""

    def drawn(page: int) -> Callable[[Pen], None]:
        def on_paper(pen: Pen) -> None:
            pen.head(subject, more)
            if notes is not None:
                notes(pen, page)
            for p in layout.on(page):
                _draw_part(pen, p, draw)

        return on_paper

    return [PdfPage(room, subject, drawn(page)) for page, room in enumerate(layout.rooms)]


def _draw_part(pen: Pen, placed: Placed, draw: Draw) -> None:
    tile = placed.tile
    lines, bold = _label(tile), len(wrapped(tile.title, LABEL_SIZE, _box_of(tile)[0], True))
    x = placed.at[0] - (_box_of(tile)[0] - tile.width_mm) / 2.0
    y = placed.at[1] - _ends(tile) - _box_of(tile)[2]
    for i, line in enumerate(lines):
        at = (x, y + (i + 0.9) * LABEL_SIZE * LEADING)
        pen.text(at, line, LABEL_SIZE, INK if i < bold else SOFT, bold=i < bold)
    with pen.shifted(placed.at[0] - tile.box[0], placed.at[1] - tile.box[1]):
        draw(pen, tile)
        for cross in tile.crosses:
            pen.cross(cross, halo=tile.crosses_inside)


def window_of(tile: Tile) -> list[Point]:
    """The corners of what a part shows, its bleed included: nothing of the piece is drawn beyond."""
    return corners(tile.window)

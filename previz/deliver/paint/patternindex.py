"""The first sheets of the cut pattern: how to build it, the key, the pieces with their measures and their sheets."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Final, Literal

import numpy as np

from previz.draw import tiling
from previz.draw.labels import SheetBox
from previz.draw.paper import Point
from previz.draw.pdf import LEADING, PageSize, PdfPage, Pen, both_mm, fitted, wrapped
from previz.draw.style import CHALK, INK, SIGNAL, SOFT, Colour
from previz.draw.tiling import Tile
from previz.geometry import Array
from previz.units import METRES_PER_INCH
from previz.workshop.pattern.pieces import PatternPiece
from previz.workshop.pattern.unfold import Pattern

Stroke = Literal["cut", "mountain", "valley", "bend"]

# dashes and gaps (mm)
DASHES: Final[dict[Stroke, tuple[float, ...] | None]] = {
    "cut": None,
    "mountain": (3.0, 1.4),
    "valley": (5.0, 1.2, 0.6, 1.2),
    "bend": None,
}
SILL_DASH: Final = (0.5, 0.9)
CUT_WIDTH: Final = 0.25
FOLD_WIDTH: Final = 0.2
TAB_FILL: Final[Colour] = (228, 227, 224)

_COLUMN: Final = 186.0
_GAP: Final = 8.0
_ROLL_PAGE: Final = 297.0
_TEXT: Final = 2.5
_THUMB: Final = (178.0, 42.0)
_MOST_ROWS: Final = 60

_HOW: Final = (
    "Print at 100 % (actual size, no fitting to the page) and check both bars with a ruler before you cut.",
    "Join the parts of a piece at the register crosses, glue the print on the sheet with removable spray glue, let it "
    "dry.",
    "Score all folds first, then cut the solid lines along a steel rule, tabs (grey) too; a tab's dashed side stays.",
    "Fold, then glue tab by tab: the same letter belongs together, and the numbered ticks along a long edge must meet.",
)
_CAUTION: Final = (
    "Usual practice: a fresh blade and a steel rule, cutter's glove on the hand that holds, cutting mat under the "
    "work, cuts away from the body; dust mask when foam board is cut or sanded; fresh air for glues and sprays. "
    "The maker's sheet and your local rules come first."
)


@dataclass(frozen=True, eq=False)
class Entry:
    """A piece on the map: its ``paper`` box, its ``outline`` (K, 2) mm in it, the piece, and its parts with the numbers
    of their sheets."""

    paper: tiling.PrintPiece
    outline: Array
    piece: PatternPiece
    tiles: tuple[tuple[Tile, int], ...]


@dataclass(frozen=True, eq=False)
class _Block:
    height: float
    draw: Callable[[Pen, Point], None]


def index_sheets(pattern: Pattern, entries: Sequence[Entry], room: PageSize, roll: bool) -> list[PdfPage]:
    """How to build it, cautions, the key, the material's rules, every piece in small with its sheets."""
    if roll:
        room = replace(room, height_mm=_ROLL_PAGE, grows="")
    wide = min(_COLUMN, room.free_width_mm)
    blocks = [_heading("How to build it", wide)]
    blocks += [_paragraph(text, wide, f"{i}") for i, text in enumerate(_HOW, 1)]
    blocks += [_Block(1.5, _nothing), _caution(wide), _Block(2.0, _nothing), _Block(14.0, _key)]
    t = pattern.thickness
    blocks += [_heading(f"Material: {pattern.material}, {t * 1e3:.2f} mm ({t / METRES_PER_INCH:.3f} in)", wide)]
    blocks += [_paragraph(text, wide, "-") for text in pattern.notes]
    blocks += [_Block(1.5, _nothing), _heading(f"Pieces: {len(pattern.pieces)}", wide)]
    blocks += [_entry(entry, wide) for entry in entries[:_MOST_ROWS]]
    if len(entries) > _MOST_ROWS:
        blocks += [_paragraph(f"and {len(entries) - _MOST_ROWS} more, in the order of their sheets", wide, "-")]
    return _flowed(blocks, room, wide)


def _flowed(blocks: Sequence[_Block], room: PageSize, wide: float) -> list[PdfPage]:
    columns = max(1, int((room.free_width_mm + _GAP) // (wide + _GAP)))
    pages: list[list[tuple[_Block, Point]]] = [[]]
    column, y = 0, 0.0
    for block in blocks:
        if y > 0.0 and y + block.height > room.free_height_mm:
            column, y = column + 1, 0.0
            if column == columns:
                pages.append([])
                column = 0
        pages[-1].append((block, (room.left + column * (wide + _GAP), room.top + y)))
        y += block.height

    def drawn(page: list[tuple[_Block, Point]]) -> Callable[[Pen], None]:
        def on_paper(pen: Pen) -> None:
            pen.head("Cut pattern", "true size")
            for block, at in page:
                block.draw(pen, at)

        return on_paper

    return [PdfPage(room, "Cut pattern: index and key", drawn(page)) for page in pages]


def _nothing(pen: Pen, at: Point) -> None:
    del pen, at


def _heading(text: str, wide: float) -> _Block:
    def draw(pen: Pen, at: Point) -> None:
        pen.text((at[0], at[1] + 3.8), fitted(text, 3.2, wide, True), 3.2, bold=True)

    return _Block(6.0, draw)


def _paragraph(text: str, wide: float, mark: str) -> _Block:
    lines = wrapped(text, _TEXT, wide - 5.0)

    def draw(pen: Pen, at: Point) -> None:
        pen.text((at[0], at[1] + _TEXT), mark, _TEXT, SOFT)
        pen.block_of_text((at[0] + 5.0, at[1]), lines, _TEXT)

    return _Block(len(lines) * _TEXT * LEADING + 0.8, draw)


def _caution(wide: float) -> _Block:
    lines = wrapped(_CAUTION, _TEXT, wide - 26.0)
    high = len(lines) * _TEXT * LEADING + 3.0

    def draw(pen: Pen, at: Point) -> None:
        x, y = at
        pen.rectangle((x, y, x + wide, y + high), None, SIGNAL, 0.4)
        pen.text((x + 2.0, y + 1.3 + _TEXT), "CAUTION", _TEXT, SIGNAL, bold=True)
        pen.block_of_text((x + 22.0, y + 1.2), lines, _TEXT)

    return _Block(high, draw)


def _key(pen: Pen, at: Point) -> None:
    """What the lines mean, in two rows of three."""
    x, y = at
    cells: list[tuple[str, Callable[[float, float], None]]] = [
        ("cut", lambda a, b: pen.line([(a, b), (a + 16, b)], INK, CUT_WIDTH)),
        ("mountain: fold away", lambda a, b: pen.line([(a, b), (a + 16, b)], INK, FOLD_WIDTH, DASHES["mountain"])),
        ("valley: fold towards", lambda a, b: pen.line([(a, b), (a + 16, b)], INK, FOLD_WIDTH, DASHES["valley"])),
        (
            "bend: roll, no score",
            lambda a, b: pen.lines([[(a, b), (a + 1.6, b)], [(a + 14.4, b), (a + 16, b)]], SOFT, 0.1),
        ),
        ("tab, glued behind", lambda a, b: pen.rectangle((a, b - 1.6, a + 16, b + 1.6), TAB_FILL, INK, CUT_WIDTH)),
        ("sill: the wall begins", lambda a, b: pen.line([(a, b), (a + 16, b)], CHALK, 0.25, SILL_DASH)),
    ]
    for i, (words, draw) in enumerate(cells):
        left, row = x + (i % 3) * 62.0, y + 3.0 + (i // 3) * 6.0
        draw(left, row)
        pen.text((left + 18.0, row + 0.9), words, _TEXT)


def _entry(entry: Entry, wide: float) -> _Block:
    """A piece in small: its outline with the parts it is printed in, its measures and its sheets."""
    paper = entry.paper
    lying = paper.height_mm > paper.width_mm
    long, short = max(paper.width_mm, paper.height_mm), min(paper.width_mm, paper.height_mm)
    scale = min((min(_THUMB[0], wide) - 2.0) / long, _THUMB[1] / short, 0.2)
    size = entry.piece.size
    sheets = sorted({number for _, number in entry.tiles})
    where = f"sheet {sheets[0]}" if len(sheets) == 1 else f"sheets {', '.join(map(str, sheets))}"
    words = f"{paper.name}: {both_mm(size[0] * 1e3)} by {both_mm(size[1] * 1e3)} without tabs; {where}"
    lines = wrapped(words, _TEXT, wide)
    text = len(lines) * _TEXT * LEADING

    def placed(points: Array, at: Point) -> Array:
        p = np.asarray(points, dtype=np.float64).reshape(-1, 2) * scale
        if lying:
            # turned a quarter, so that a long piece takes little height
            p = np.column_stack([p[:, 1], short * scale - p[:, 0]])
        return p + at

    def draw(pen: Pen, at: Point) -> None:
        pen.block_of_text(at, lines, _TEXT)
        corner = (at[0] + 1.0, at[1] + text + 1.0)
        pen.polygon(placed(entry.outline, corner), (238, 242, 248), CHALK, 0.25)
        for tile, number in entry.tiles:
            box = _box(placed(np.array([tile.box[:2], tile.box[2:]]), corner))
            pen.rectangle(box, None, SOFT, 0.1)
            pen.text(((box[0] + box[2]) / 2.0, (box[1] + box[3]) / 2.0 + 0.8), str(number), 2.2, anchor="m", plate=True)

    return _Block(text + max(short * scale, 3.0) + 4.0, partial(draw))


def _box(points: Array) -> SheetBox:
    (left, top), (right, bottom) = points.min(axis=0), points.max(axis=0)
    return float(left), float(top), float(right), float(bottom)

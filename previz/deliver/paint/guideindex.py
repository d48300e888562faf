"""The guide's words and tables: how to use it, page map, palette, strings. Places are millimetres on the paper."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import groupby
from typing import Final

import numpy as np

from previz.deliver.paint.guidedata import Guide, GuideString, GuideTube, PaintSwatch, Place
from previz.draw.paper import Point
from previz.draw.pdf import LEADING, PageSize, PdfPage, Pen, both_mm, fitted, text_width, wrapped
from previz.draw.style import CHALK, INK, SOFT
from previz.draw.tiling import OVERLAP_MM, PrintPiece, Tile
from previz.geometry import Array
from previz.units import inches_text
from previz.workshop.surface import Pixels8

_COLUMN_MM: Final = 190.0
_GAP_MM: Final = 5.0
_ROLL_PAGE_MM: Final = 297.0
_BODY: Final = 2.4
_SMALL: Final = 2.0
_MAP_MM: Final = (110.0, 52.0)  # the largest picture of a piece on the page map
_THUMBNAIL_PX: Final = 500

# usual practice, no source; said once and left to the tin and to local rules
_HOW: Final = (
    "Print at 100\u00a0%: actual size, no fitting to the page. Then lay a steel ruler along both bars at the foot of a "
    "sheet: 100\u00a0mm and 4\u00a0in. Do not use a sheet whose bars are wrong by more than half a millimetre "
    "(1/64\u00a0in).",
    f"Parts of one piece overlap by {both_mm(OVERLAP_MM, 0)}. Cut the later part through the middle of its crosses, "
    "lay it on the earlier part with cross on cross, tape it from behind. Cut the piece out when it is whole. The cut "
    "edge of paper is white: run a dark pencil along it.",
    "A ringed cross with a letter is one point: on the bridge and, seen from the station point, on the wall.",
    "The print is only a guide: it holds no colour outside sRGB, and printers and paints hold fewer. Mix to the "
    "printed swatch under the set's own lamps and let it dry. The eye through the lens decides.",
    "Spray glue, paint and varnish: fresh air, no flame or hot lamp near. Cut away from your hand. Follow the tin and "
    "local rules.",
)


@dataclass(frozen=True, eq=False)
class MapEntry:
    """A piece on the page map: its picture (h, w, 3) with texels of ``texel`` mm, its outline and the bridge's on it.

    ``wall`` says whether it is the wall; ``tiles`` are its parts, each with the (section, sheet number) pairs of its
    sheets.
    """

    piece: PrintPiece
    picture: Pixels8
    texel: tuple[float, float]
    outline: Array
    bridge: tuple[Array, ...]
    wall: bool
    tiles: tuple[tuple[Tile, tuple[tuple[str, int], ...]], ...]


@dataclass(frozen=True, eq=False)
class _Block:
    """Something ``height`` mm high, drawn from its top left corner; ``heads`` what stands over the rest of a table."""

    height: float
    draw: Callable[[Pen, Point], None]
    heads: _Block | None = None


def first_sheets(guide: Guide, entries: Sequence[MapEntry], room: PageSize, roll: bool) -> list[PdfPage]:
    """How to use the guide, what must be right, the page map, the palette and what to buy."""
    blocks = [_words(guide.title_block.scene, 5.0, True), _words("Painting guide, true size", 3.2, False), _space(2.0)]
    blocks += [_words("How to use it", 3.0, True)]
    blocks += [_numbered(str(i), text) for i, text in enumerate(_HOW, 1)]
    if guide.errors:
        blocks += [_space(1.5), _words("What must be right, and by how much", 3.0, True)]
        blocks += [_numbered("-", line) for line in guide.errors]
    if guide.notes:
        blocks += [_space(1.5), _words("About this paint", 3.0, True)]
        blocks += [_numbered("-", note) for note in guide.notes]
    blocks += [_space(1.5), *_map_blocks(entries)]
    blocks += [_space(1.5), *_palette_blocks(guide), _space(1.5), *_tube_blocks(guide)]
    return _flowed(blocks, room, roll, "Index, page map, palette" if entries else "Index, palette, what to buy")


def string_sheets(guide: Guide, room: PageSize, roll: bool) -> list[PdfPage]:
    """The table of strings; no sheet if there are none."""
    if not guide.strings:
        return []
    blocks = [_words("Strings, to check by hand", 3.0, True)]
    blocks += [
        _paragraph(
            "A thread from the middle of the lens's entrance pupil (the station point), drawn tight over the point of "
            "the bridge's edge, must meet the wall at the point given. Measure it and write it down beside."
        ),
        _paragraph(
            "x to camera right from the middle of the doorway, y up from the level of the bridge's top, z out of the "
            "wall from its datum plane. Upper line mm, lower line feet and inches to the nearest 1/16."
        ),
    ]
    for lens, strings in groupby(guide.strings, key=lambda string: string.lens):
        place = ", ".join(f"{axis} {both_mm(v * 1e3)}" for axis, v in zip("xyz", lens, strict=True))
        blocks += [_space(1.5), _paragraph(f"Lens at {place}", True)]
        heads = _Block(6.0, _string_heads)
        blocks.append(heads)
        blocks += [_Block(8.0, partial(_string_row, string), heads) for string in strings]
    return _flowed(blocks, room, roll, "Strings")


def _flowed(blocks: Sequence[_Block], room: PageSize, roll: bool, subject: str) -> list[PdfPage]:
    """Blocks one under the other, in as many columns as the paper is wide; a table's head is said again."""
    if roll:
        room = replace(room, height_mm=_ROLL_PAGE_MM, grows="")
    columns = max(1, int((room.free_width_mm + _GAP_MM) // (_COLUMN_MM + _GAP_MM)))
    high = room.free_height_mm + 7.0  # these sheets have no head line
    top = room.top - 7.0
    pages: list[list[tuple[_Block, Point]]] = [[]]
    column, y = 0, 0.0
    for i, block in enumerate(blocks):
        # a heading does not stay alone at the foot
        needed = block.height + (blocks[i + 1].height if block.heads is None and i + 1 < len(blocks) else 0.0)
        if y > 0.0 and y + needed > high + 1e-9:
            column, y = column + 1, 0.0
            if column == columns:
                pages.append([])
                column = 0
            if block.heads is not None:
                pages[-1].append((block.heads, (room.left + column * (_COLUMN_MM + _GAP_MM), top)))
                y = block.heads.height
        pages[-1].append((block, (room.left + column * (_COLUMN_MM + _GAP_MM), top + y)))
        y += block.height

    def drawn(page: list[tuple[_Block, Point]]) -> Callable[[Pen], None]:
        def on_paper(pen: Pen) -> None:
            for block, at in page:
                block.draw(pen, at)

        return on_paper

    return [PdfPage(room, subject, drawn(page)) for page in pages]


def _space(height: float) -> _Block:
    return _Block(height, lambda pen, at: None)


def _words(text: str, size: float, bold: bool) -> _Block:
    def draw(pen: Pen, at: Point) -> None:
        pen.text((at[0], at[1] + size), fitted(text, size, _COLUMN_MM, bold), size, bold=bold)

    return _Block(size * 1.5, draw)


def _paragraph(text: str, bold: bool = False) -> _Block:
    lines = wrapped(text, _BODY, _COLUMN_MM, bold)

    def draw(pen: Pen, at: Point) -> None:
        for i, line in enumerate(lines):
            pen.text((at[0], at[1] + _BODY + i * _BODY * LEADING), line, _BODY, bold=bold)

    return _Block(len(lines) * _BODY * LEADING + 1.2, draw)


def _numbered(number: str, text: str) -> _Block:
    lines = wrapped(text, _BODY, _COLUMN_MM - 5.0)

    def draw(pen: Pen, at: Point) -> None:
        pen.text((at[0], at[1] + _BODY), number, _BODY, bold=True)
        pen.block_of_text((at[0] + 5.0, at[1]), lines, _BODY)

    return _Block(len(lines) * _BODY * LEADING + 0.9, draw)


# ---- page map


def _numbers_of(tile_pages: tuple[tuple[str, int], ...]) -> str:
    return " · ".join(str(number) for _, number in tile_pages)


def _map_blocks(entries: Sequence[MapEntry]) -> list[_Block]:
    if not entries:
        return []
    words = "Which sheets show a piece; under it the pieces with their parts, each with its sheets in this order."
    blocks = [_words("Page map", 3.0, True), _paragraph(words), *_map_table(entries), _space(1.5)]
    row: list[tuple[MapEntry, float, float]] = []
    used = 0.0
    for entry in entries:
        # the faces by one scale, the wall by its own
        alike = [other.piece for other in entries if other.wall == entry.wall]
        scale = min([0.5, *(_MAP_MM[1] / p.height_mm for p in alike), *(_MAP_MM[0] / p.width_mm for p in alike)])
        width = _entry_width(entry, scale)
        if row and used + width > _COLUMN_MM:
            blocks.append(_map_row(row))
            row, used = [], 0.0
        row.append((entry, used, scale))
        used += width + 4.0
    blocks.append(_map_row(row))
    return blocks


_MAP_X: Final = (0.0, 42.0, 74.0, 112.0)  # piece, mm, feet and inches, the first kind of sheet


def _map_table(entries: Sequence[MapEntry]) -> list[_Block]:
    """A row a piece: its size in both measures, and in a column for each kind of sheet the numbers of those sheets."""
    kinds = list(dict.fromkeys(word for entry in entries for _, pages in entry.tiles for word, _ in pages))
    step = (_COLUMN_MM - _MAP_X[3]) / max(len(kinds), 1)
    places = (*_MAP_X[:3], *(_MAP_X[3] + k * step for k in range(len(kinds))))
    heads = _Block(5.0, partial(_heads, places, ("piece", "mm", "feet, inches", *kinds)))
    return [heads, *(_map_line(entry, kinds, places, step, heads) for entry in entries)]


def _map_line(
    entry: MapEntry, kinds: Sequence[str], places: Sequence[float], step: float, heads: _Block
) -> _Block:
    wide, high = entry.piece.width_mm, entry.piece.height_mm
    cells = [f"{wide:.1f} x {high:.1f}", f"{inches_text(wide / 1e3)} x {inches_text(high / 1e3)}"]
    for kind in kinds:
        cells.append(_spans({number for _, pages in entry.tiles for word, number in pages if word == kind}))
    columns = [wrapped(entry.piece.name, _SMALL, _MAP_X[1] - 2.0, True)]
    columns += [
        wrapped(cell, _SMALL, (after - at) - 1.0)
        for cell, at, after in zip(cells, places[1:], (*places[2:], _COLUMN_MM), strict=True)
    ]
    rows = max(len(lines) for lines in columns)

    def draw(pen: Pen, at: Point) -> None:
        for k, (x, lines) in enumerate(zip(places, columns, strict=True)):
            for i, line in enumerate(lines):
                pen.text((at[0] + x, at[1] + 2.6 + i * _SMALL * LEADING), line, _SMALL, bold=k == 0)
        y = at[1] + rows * _SMALL * LEADING + 1.0
        pen.line([(at[0], y), (at[0] + _COLUMN_MM, y)], (200, 198, 202), 0.1)

    return _Block(rows * _SMALL * LEADING + 1.2, draw, heads)


def _spans(numbers: set[int]) -> str:
    """Sheet numbers in words: ``3, 5 to 8``; a dash where there is none."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    told = [str(run[0]) if len(run) == 1 else f"{run[0]} to {run[-1]}" for run in runs]
    return ", ".join(told) or "-"


def _beside(entry: MapEntry, scale: float) -> bool:
    """Whether the numbers stand at the right of the picture, because its parts are too narrow for them."""
    widest = max(text_width(_numbers_of(pages), _SMALL) for _, pages in entry.tiles)
    narrowest = min(tile.width_mm for tile, _ in entry.tiles) * scale
    return entry.tiles[0][0].columns == 1 and narrowest < widest + 2.0


def _entry_width(entry: MapEntry, scale: float) -> float:
    numbers = max(text_width(_numbers_of(pages), _SMALL) for _, pages in entry.tiles) + 1.5
    picture = entry.piece.width_mm * scale + (numbers if _beside(entry, scale) else 0.0)
    return max(picture, text_width(entry.piece.name, _SMALL, True))


def _map_row(row: Sequence[tuple[MapEntry, float, float]]) -> _Block:
    def draw(pen: Pen, at: Point) -> None:
        for entry, x, scale in row:
            pen.text((at[0] + x, at[1] + _SMALL), entry.piece.name, _SMALL, bold=True)
            _map_entry(pen, entry, (at[0] + x, at[1] + 3.4), scale)

    return _Block(max(entry.piece.height_mm * scale for entry, _, scale in row) + 6.0, draw)


def _map_entry(pen: Pen, entry: MapEntry, at: Point, scale: float) -> None:
    h, w = entry.picture.shape[:2]
    step = max(1, -(-max(h, w) // _THUMBNAIL_PX))
    small = entry.picture[step // 2 :: step, step // 2 :: step]
    with pen.shifted(*at):
        box = np.array(((0.0, 0.0), (entry.piece.width_mm, entry.piece.height_mm))) * scale
        outline = [(box[i, 0], box[j, 1]) for i, j in ((0, 0), (1, 0), (1, 1), (0, 1))]
        if small.size:
            with pen.clipped(entry.outline * scale), pen.clipped(outline):
                pen.picture(small, (0.0, 0.0), (entry.texel[0] * step * scale, entry.texel[1] * step * scale))
        pen.polygon(entry.outline * scale, None, INK, 0.1)
        with pen.clipped(outline):
            pen.lines([line * scale for line in entry.bridge], CHALK, 0.35)
        for tile, pages in entry.tiles:
            left, top, right, bottom = (v * scale for v in tile.box)
            if tile.count > 1:
                pen.rectangle((left, top, right, bottom), None, INK, 0.12)
            middle = (top + bottom) / 2.0 + 0.36 * _SMALL
            if _beside(entry, scale):
                pen.text((right + 1.5, middle), _numbers_of(pages), _SMALL)
                continue
            for i, line in enumerate(lines := _stacked(pages, right - left - 1.0)):
                y = middle + (i - (len(lines) - 1) / 2.0) * _SMALL * 1.25
                pen.text(((left + right) / 2.0, y), line, _SMALL, anchor="m", plate=True)


def _stacked(pages: tuple[tuple[str, int], ...], width: float) -> list[str]:
    """A part's sheet numbers in as few lines as a width takes, at least one number in each."""
    lines: list[str] = []
    for number in (str(number) for _, number in pages):
        if lines and text_width(f"{lines[-1]} · {number}", _SMALL) <= width:
            lines[-1] += f" · {number}"
        else:
            lines.append(number)
    return lines


# ---- palette

_PALETTE_X: Final = (0.0, 9.0, 32.0, 50.0, 84.0, 112.0)
_PALETTE_HEADS: Final = ("no.", "print", "sRGB", "CIELAB L*, a*, b*", "area", "recipe")


def _palette_blocks(guide: Guide) -> list[_Block]:
    if not guide.swatches:
        return []
    heads = _Block(5.0, partial(_heads, _PALETTE_X, _PALETTE_HEADS))
    areas = _areas(guide)
    blocks = [_words("Palette", 3.0, True), heads]
    return blocks + [_swatch_block(swatch, areas.get(swatch.number, 0.0), heads) for swatch in guide.swatches]


def _areas(guide: Guide) -> dict[int, float]:
    """Painted area (m2) of every swatch, on all faces that are seen and the wall."""
    pictures = [(face.region, face.texel**2) for face in guide.faces if face.visible]
    wall = guide.wall
    if wall.region is not None:
        pictures.append((wall.region, wall.size[0] * wall.size[1] / wall.region.size))
    areas: dict[int, float] = {}
    for region, texel_area in pictures:
        numbers, counts = np.unique(region, return_counts=True)
        for number, count in zip(numbers.tolist(), counts.tolist(), strict=True):
            areas[number] = areas.get(number, 0.0) + count * texel_area
    return areas


def _heads(places: Sequence[float], words: Sequence[str], pen: Pen, at: Point) -> None:
    for x, word in zip(places, words, strict=True):
        pen.text((at[0] + x, at[1] + 3.0), word, _SMALL, SOFT)
    pen.line([(at[0], at[1] + 4.2), (at[0] + _COLUMN_MM, at[1] + 4.2)], INK, 0.2)


def _swatch_block(swatch: PaintSwatch, area: float, heads: _Block) -> _Block:
    recipe = wrapped(swatch.recipe, _SMALL, _COLUMN_MM - _PALETTE_X[5])
    height = max(6.0, len(recipe) * _SMALL * LEADING + 1.6)

    def draw(pen: Pen, at: Point) -> None:
        x, y = at
        base = y + 4.0
        pen.text((x + _PALETTE_X[0], base), str(swatch.number), 2.8, bold=True)
        pen.rectangle((x + _PALETTE_X[1], y + 0.6, x + _PALETTE_X[1] + 20.0, y + 5.4), swatch.code, INK, 0.1)
        pen.text((x + _PALETTE_X[2], base), "#{:02x}{:02x}{:02x}".format(*swatch.code), _SMALL)
        lab = "{:6.1f} {:+6.1f} {:+6.1f}".format(*swatch.lab)
        pen.text((x + _PALETTE_X[3], base), lab, _SMALL)
        words = f"{area * 1e4:.0f} cm² / {area / 0.0254**2:.0f} in²" if area > 0.0 else "-"
        pen.text((x + _PALETTE_X[4], base), fitted(words, _SMALL, 27.0), _SMALL)
        pen.block_of_text((x + _PALETTE_X[5], y + 1.4), recipe, _SMALL)

    return _Block(height, draw, heads)


# ---- what to buy

_TUBE_X: Final = (0.0, 50.0, 90.0)
_TUBE_HEADS: Final = ("tube", "covers", "to buy")


def _tube_blocks(guide: Guide) -> list[_Block]:
    if not guide.tubes:
        return []
    heads = _Block(5.0, partial(_heads, _TUBE_X, _TUBE_HEADS))
    blocks = [_words("Shopping list", 3.0, True), _paragraph(guide.tubes_note), heads]
    return blocks + [_Block(3.6, partial(_tube_row, tube), heads) for tube in guide.tubes]


def _tube_row(tube: GuideTube, pen: Pen, at: Point) -> None:
    least = "less than 1 ml" if tube.volume_ml < 1.0 else f"{math.ceil(tube.volume_ml)} ml"
    for x, words in zip(_TUBE_X, (tube.pigment, f"{tube.area_cm2:.1f} cm²", least), strict=True):
        pen.text((at[0] + x, at[1] + 2.6), words, _SMALL)


# ---- strings

_STRING_X: Final = (0.0, 44.0, 60.0, 76.0, 93.0, 109.0, 125.0, 142.0, 160.0)
_STRING_HEADS: Final = ("over", "edge x", "y", "z", "wall x", "y", "z", "to wall", "measured")


def _string_heads(pen: Pen, at: Point) -> None:
    _heads(_STRING_X, _STRING_HEADS, pen, at)


def _string_row(string: GuideString, pen: Pen, at: Point) -> None:
    x, y = at
    for i, line in enumerate(wrapped(string.name, _SMALL, _STRING_X[1] - 2.0)[:2]):
        pen.text((x, y + 3.0 + i * 3.0), line, _SMALL)
    values: list[tuple[float, float]] = list(zip(_STRING_X[1:4], string.edge, strict=True))
    if string.wall is None:
        pen.text((x + _STRING_X[4], y + 3.0), "meets no wall", _SMALL)
    else:
        values += zip(_STRING_X[4:7], string.wall, strict=True)
        values.append((_STRING_X[7], _length(string.lens, string.wall)))
        pen.rectangle((x + _STRING_X[8], y + 0.9, x + _COLUMN_MM, y + 6.9), None, SOFT, 0.12)
    for place, value in values:
        number = f"{value * 1e3:.1f}"
        pen.text((x + place, y + 3.0), "0.0" if float(number) == 0.0 else number, _SMALL)
        pen.text((x + place, y + 6.0), inches_text(value), 1.8, SOFT)
    pen.line([(x, y + 7.8), (x + _COLUMN_MM, y + 7.8)], (200, 198, 202), 0.1)


def _length(a: Place, b: Place) -> float:
    return math.dist(a, b)

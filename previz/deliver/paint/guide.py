"""``guide.pdf``: what to paint where, at true size, on paper.

In order: how to use it, with a page map and the palette; every face of the bridge as colour, as numbered colour
regions and as a line drawing for transfer; the wall around the bridge with the bridge's outline and the register
marks that both share; the table of strings.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Final

import numpy as np
from numpy.typing import NDArray

from previz.deliver.paint.guidedata import Guide, GuideFace, GuideString, GuideWall, PaintSwatch
from previz.deliver.paint.guideindex import MapEntry, first_sheets, string_sheets
from previz.deliver.paint.guidekey import KeyFace, key_sheets
from previz.deliver.paint.regions import boundaries, filled_out, inside_outline, regions
from previz.draw.labels import SheetBox
from previz.draw.paper import Point
from previz.draw.pdf import PaperName, PdfPage, Pen, corners, page_sizes, pdf_bytes, text_width
from previz.draw.style import CHALK, INK, SOFT
from previz.draw.tiling import BLEED_MM, OVERLAP_MM, SIDE_MM, PrintPiece, Spread, Tile, sheets_of, spread, window_of
from previz.geometry import Array
from previz.workshop.surface import Pixels8

__all__ = ["Guide", "GuideFace", "GuideString", "GuideWall", "PaintSwatch", "guide_pdf"]

_NUMBER_MM: Final = (1.3, 2.8)  # smallest and largest number that is printed
_DIGIT: Final = (0.602, 0.73)  # width and height of a digit against its size (the font's own measures)
_LEADER_MM: Final = 12.0  # a small region farther from the piece's long edges is listed instead
_LEADER_SIZE: Final = 1.9
_NOTE_MM: Final = 6.0
_ON_EDGE_MM: Final = 0.05
_KEY_MM: Final = 6.5
_KEY_STEP_MM: Final = 14.0
_GRID_MM: Final = 50.0
_UNPAINTED: Final = np.uint8(255)
_TINT: Final = 0.45  # strength of the paint's colour under its number


@dataclass(frozen=True, eq=False)
class _Art:
    """A face or the wall, ready to be drawn: millimetres from its top left corner, right and down.

    ``picture`` starts ``bleed`` texels left of and above that corner. ``labels`` and ``inside`` are as large as the
    picture without its bleed.
    """

    piece: PrintPiece
    texel: tuple[float, float]
    picture: Pixels8
    bleed: int
    outline: Array
    lines: list[Array]
    seen: list[Array]
    labels: NDArray[np.int16] | None
    inside: NDArray[np.bool_]
    marks: tuple[tuple[str, float, float], ...]
    bridge: tuple[Array, ...] = ()
    origin: Point | None = None  # the wall's: set coordinates (mm) of its top left corner


def guide_pdf(guide: Guide, paper: PaperName, roll_width: float = 0.610, every: bool = True) -> bytes:
    """The guide as PDF on A4, US Letter or a roll ``roll_width`` m wide. Same input, same bytes.

    ``every`` sheet is: all faces, each in colour, by numbers and as lines, and the wall in colour and as lines.
    Otherwise there is what is needed to paint: the faces that some frame of the move sees, by numbers on a tint of
    their paints, and the wall where it is painted over. Where marks lie on the wall the table of strings says.

    On sheets, pieces larger than the paper come in parts that overlap by 10 mm; on a roll in one piece, unless both
    their sides are wider than the roll. Raises :class:`previz.errors.OutputError` for a paper that cannot be used.
    """
    pages = page_sizes(paper, roll_width)
    across = pages[0].free_width_mm if paper != "roll" else 190.0
    key = _KEY_MM * -(-len(guide.swatches) // int(across // _KEY_STEP_MM))
    shown = [face for face in guide.faces if every or face.visible]
    names = [f"{k}: {name}" for k, name in enumerate(_names(shown), 1)]
    tints = None if every else _tints(guide.swatches)
    faces = [_face_art(face, name, tints) for face, name in zip(shown, names, strict=True)]
    wall = guide.wall
    walls = [("as it is", _wall_art(wall, wall.code, None))]
    if wall.repainted is not None:
        walls.append(("its new paint", _wall_art(wall, wall.repainted, wall.region)))
    layout = spread([art.piece for art in faces], pages, key, _NOTE_MM)
    wall_layout = spread([walls[0][1].piece], pages, key, _NOTE_MM)

    sections: list[tuple[str, Spread, list[PdfPage]]] = []

    def add(word: str, where: Spread, sheets: list[PdfPage]) -> None:
        sections.append((word, where, sheets))

    keyed = partial(_key, guide.swatches)
    if faces:
        named = {art.piece: art for art in faces}
        if every:
            more = "join the parts, cut along the thin line; colour goes on 1.5 mm past it"
            add("in colour", layout, sheets_of(layout, "Faces as colour", more, _colour_of(named)))
        listed = _Listed()
        more = "a number is a paint, no number is bare; beyond a dashed line nothing is seen in the hold"
        drawn = sheets_of(layout, "Faces by numbers", more, _numbers_of(named, listed, not every), keyed)
        add("by numbers", layout, [_with_note(sheet, listed) for sheet in drawn])
        if every:
            more = "rub the back with chalk or graphite, lay it on the face, go over the lines"
            add("lines", layout, sheets_of(layout, "Faces, lines for transfer", more, _lines_of(named)))
    for word, art in walls if every else walls[1:]:
        more = "blue: the bridge's outline from the station point; ringed crosses: the same on the bridge"
        sheets = sheets_of(wall_layout, f"Wall, {word}, in colour", more, _wall_colour(art))
        add(word, wall_layout, sheets)
    if walls[-1][1].labels is not None:
        listed, art = _Listed(), walls[-1][1]
        more = "a number is a paint, no number is bare"
        drawn = sheets_of(wall_layout, "Wall by numbers", more, _numbers_of({art.piece: art}, listed, False), keyed)
        add("by numbers", wall_layout, [_with_note(sheet, listed) for sheet in drawn])
    if every or wall.repainted is not None:
        more = f"grid every {_GRID_MM:.0f} mm; x from the middle of the doorway, y from the bridge's top"
        lines = sheets_of(wall_layout, "Wall, lines for transfer", more, _wall_lines(walls[-1][1]))
        add("lines", wall_layout, lines)

    # the first sheets are as many whatever the numbers in them
    def first(ahead: int) -> list[PdfPage]:
        entries = _map(faces, walls, sections, ahead)
        sheets = first_sheets(guide, entries if every else [], pages[0], paper == "roll")
        keys = [
            KeyFace(k, face, tuple(sorted({n for _, found in entry.tiles for _, n in found})))
            for k, (face, entry) in enumerate(zip(shown, entries, strict=False), 1)
        ]
        return sheets + key_sheets(keys, pages[0], paper == "roll")

    sheets = first(len(first(0)))
    for _, _, drawn in sections:
        sheets += drawn
    sheets += string_sheets(guide, pages[0], paper == "roll")
    return pdf_bytes(sheets, guide.title_block, f"{guide.title_block.scene}: painting guide")


def _map(
    faces: Sequence[_Art],
    walls: Sequence[tuple[str, _Art]],
    sections: Sequence[tuple[str, Spread, list[PdfPage]]],
    ahead: int,
) -> list[MapEntry]:
    """Every piece with the numbers of the sheets that show its parts, section by section."""
    numbers: dict[Tile, list[tuple[str, int]]] = {}
    first = ahead + 1
    for word, where, sheets in sections:
        for placed in where.placed:
            numbers.setdefault(placed.tile, []).append((word, first + placed.page))
        first += len(sheets)
    entries = []
    for art in [*faces, walls[0][1]]:
        tiles = [(tile, tuple(found)) for tile, found in numbers.items() if tile.piece == art.piece]
        b = art.bleed
        inner = art.picture[b : art.picture.shape[0] - b, b : art.picture.shape[1] - b]
        is_wall = art.origin is not None
        entries.append(MapEntry(art.piece, inner, art.texel, art.outline, art.bridge, is_wall, tuple(tiles)))
    return entries


def _names(faces: Sequence[GuideFace]) -> list[str]:
    """The faces' names; of several with one name the later ones get a number."""
    out: list[str] = []
    for face in faces:
        alike = sum(other.name == face.name for other in faces[: len(out)])
        out.append(f"{face.name} ({alike + 1})" if alike else face.name)
    return out


def _tints(swatches: Sequence[PaintSwatch]) -> Pixels8:
    """Colours (K, 3) to lay under the numbers, by number from 0: pale enough for lines and digits to be read."""
    codes = np.full((max((s.number for s in swatches), default=0) + 1, 3), 255.0)
    for swatch in swatches:
        codes[swatch.number] = 255.0 - _TINT * (255.0 - np.array(swatch.code))
    return np.asarray(np.rint(codes), dtype=np.uint8)


def _face_art(face: GuideFace, name: str, tints: Pixels8 | None) -> _Art:
    texel_mm = face.texel * 1e3
    h, w = face.region.shape
    inside = inside_outline(face.outline, (h, w), face.texel)
    b = int(np.ceil(BLEED_MM / texel_mm))
    picture = np.pad(face.code, ((b, b), (b, b), (0, 0)), constant_values=_UNPAINTED)
    labels = np.pad(face.region, b)
    seen = np.pad(face.seen, b)
    if inside.any():
        rows, columns, away = filled_out(np.pad(inside, b))
        picture, labels, seen = picture[rows, columns], labels[rows, columns], seen[rows, columns]
        picture[away > BLEED_MM / texel_mm] = _UNPAINTED
    if tints is not None:
        picture = np.where((picture == _UNPAINTED).all(axis=-1, keepdims=True), _UNPAINTED, tints[labels])
    lines = [line * 1e3 - b * texel_mm for line in boundaries(labels, face.texel)]
    words = f"→ {face.rightwards}, ↓ {face.downwards}"
    if not face.seen[inside].any():
        words += "; never seen in the hold"
        words += ", only outside it: its paint need not match" if face.visible else ": any dark paint will do"
    return _Art(
        piece=PrintPiece(name, face.size[0] * 1e3, face.size[1] * 1e3, words, _corners(face)),
        texel=(texel_mm, texel_mm),
        picture=picture,
        bleed=b,
        outline=np.asarray(face.outline) * 1e3,
        lines=lines,
        seen=[line * 1e3 - b * texel_mm for line in boundaries(seen.astype(np.int8), face.texel)],
        labels=face.region,
        inside=inside,
        marks=tuple((name, x * 1e3, y * 1e3) for name, x, y in face.marks),
    )


def _corners(face: GuideFace) -> tuple[Point, ...]:
    return tuple((float(x) * 1e3, float(y) * 1e3) for x, y in face.outline)


def _wall_art(wall: GuideWall, code: Pixels8, region: NDArray[np.int16] | None) -> _Art:
    h, w = code.shape[:2]
    wide, high = wall.size[0] * 1e3, wall.size[1] * 1e3
    texel = (wide / w, high / h)
    lines: list[Array] = []
    if region is not None:
        # the wall's texels may be a hair from square
        share = np.array([1.0, texel[1] / texel[0]])
        lines = [line * 1e3 * share for line in boundaries(region, texel[0] / 1e3)]

    def placed(points: Array) -> Array:
        return (points - (wall.left, wall.top)) * (1e3, -1e3)

    return _Art(
        piece=PrintPiece("wall", wide, high, "→ to camera right, ↓ down"),
        texel=texel,
        picture=code,
        bleed=0,
        outline=np.asarray(corners((0.0, 0.0, wide, high))),
        lines=lines,
        seen=[],
        labels=region,
        inside=np.ones((h, w), dtype=np.bool_),
        marks=tuple((name, (x - wall.left) * 1e3, (wall.top - y) * 1e3) for name, x, y in wall.marks),
        bridge=tuple(placed(np.asarray(line)) for line in wall.outline),
        origin=(wall.left * 1e3, wall.top * 1e3),
    )


def _draw_picture(pen: Pen, art: _Art, tile: Tile) -> None:
    """The texels that a part shows, at their own places, cut off at the part's edge."""
    (tw, th), b = art.texel, art.bleed
    left, top, right, bottom = tile.window
    h, w = art.picture.shape[:2]
    c0, c1 = max(0, int(np.floor(left / tw)) + b), min(w, int(np.ceil(right / tw)) + b)
    r0, r1 = max(0, int(np.floor(top / th)) + b), min(h, int(np.ceil(bottom / th)) + b)
    with pen.clipped(window_of(tile)):
        pen.picture(art.picture[r0:r1, c0:c1], ((c0 - b) * tw, (r0 - b) * th), art.texel)


def _within(lines: Sequence[Array], window: SheetBox) -> list[Array]:
    """The lines whose boxes touch a window."""
    left, top, right, bottom = window
    return [
        line
        for line in lines
        if line[:, 0].max() >= left
        and line[:, 0].min() <= right
        and line[:, 1].max() >= top
        and line[:, 1].min() <= bottom
    ]


def _draw_lines(pen: Pen, art: _Art, tile: Tile, width: float, seen: bool) -> None:
    with pen.clipped(window_of(tile)), pen.clipped(art.outline):
        pen.lines(_within(art.lines, tile.window), INK if width < 0.12 else SOFT, width)
        if seen:
            pen.lines(_within(art.seen, tile.window), SOFT, 0.25, (1.6, 1.0))


def _draw_outline(pen: Pen, art: _Art, tile: Tile, width: float = 0.1) -> None:
    with pen.clipped(window_of(tile)):
        pen.polygon(art.outline, None, INK, width)


def _in_box(x: float, y: float, box: SheetBox, room: float = 0.0) -> bool:
    return box[0] + room <= x <= box[2] - room and box[1] + room <= y <= box[3] - room


def _colour_of(arts: dict[PrintPiece, _Art]) -> Callable[[Pen, Tile], None]:
    def draw(pen: Pen, tile: Tile) -> None:
        art = arts[tile.piece]
        _draw_picture(pen, art, tile)
        _draw_outline(pen, art, tile)
        # light and dark by turns, to be seen on any paint
        with pen.clipped(window_of(tile)):
            pen.polygon(art.outline, None, (255, 255, 255), 0.1, (1.0, 1.0))
        for _, x, y in art.marks:
            # small, because this print may go under the paint
            if _in_box(x, y, tile.box, -_ON_EDGE_MM):
                pen.cross((x, y), 0.8)

    return draw


def _lines_of(arts: dict[PrintPiece, _Art]) -> Callable[[Pen, Tile], None]:
    def draw(pen: Pen, tile: Tile) -> None:
        art = arts[tile.piece]
        _draw_lines(pen, art, tile, 0.1, False)
        _draw_outline(pen, art, tile)
        _draw_marks(pen, art, tile)

    return draw


class _Listed:
    """Small regions that got no number on a sheet: (label, how many), gathered while the sheet is drawn."""

    def __init__(self) -> None:
        self.found: dict[int, int] = {}

    def add(self, label: int) -> None:
        self.found[label] = self.found.get(label, 0) + 1

    def taken(self) -> dict[int, int]:
        found, self.found = self.found, {}
        return found


def _with_note(sheet: PdfPage, listed: _Listed) -> PdfPage:
    """The sheet with a line over its foot about the regions that are too small for a number."""

    def draw(pen: Pen) -> None:
        sheet.draw(pen)
        found = listed.taken()
        if not found:
            return
        counts = ", ".join(f"{number} ({count})" for number, count in sorted(found.items()))
        words = f"Specks too small for a number, by paint: {counts}. See paint.png, or paint them over."
        room = pen.room
        size = min(2.1, 2.1 * room.free_width_mm / text_width(words, 2.1))
        if size < 1.5:
            words = f"{sum(found.values())} specks are too small for a number: see paint.png or paint them over."
            size = 2.1
        pen.text((room.left, room.top + room.free_height_mm - 1.5), words, size, SOFT)

    return PdfPage(sheet.room, sheet.subject, draw)


def _numbers_of(arts: dict[PrintPiece, _Art], listed: _Listed, tinted: bool) -> Callable[[Pen, Tile], None]:
    def draw(pen: Pen, tile: Tile) -> None:
        art = arts[tile.piece]
        if tinted:
            with pen.clipped(art.outline):
                _draw_picture(pen, art, tile)
        _draw_lines(pen, art, tile, 0.12, True)
        _draw_outline(pen, art, tile, 0.2)
        _draw_numbers(pen, art, tile, listed)
        _draw_marks(pen, art, tile)

    return draw


def _draw_numbers(pen: Pen, art: _Art, tile: Tile, listed: _Listed) -> None:
    """Every region that a part shows gets its paint's number, inside it or at the end of a leader."""
    assert art.labels is not None
    tw, th = art.texel
    left, top, right, bottom = tile.box
    c0, r0 = int(np.ceil(left / tw - 0.5)), int(np.ceil(top / th - 0.5))
    c1, r1 = int(np.floor(right / tw + 0.5)), int(np.floor(bottom / th + 0.5))
    found = regions(art.labels[r0:r1, c0:c1], art.inside[r0:r1, c0:c1], tw)
    # a number keeps off the ringed marks and their letters
    marks = [(x - 2.8, y - 3.8, x + 5.2, y + 2.8) for _, x, y in art.marks]
    taken = list(marks)
    for region in found:
        x, y, text = region.x + c0 * tw, region.y * th / tw + r0 * th, str(region.label)
        wide, high = _DIGIT[0] * len(text), _DIGIT[1]
        size = min(_NUMBER_MM[1], 0.95 * region.radius / float(np.hypot(wide / 2.0, high / 2.0)))
        box = (x - wide * size / 2.0, y - size / 2.0, x + wide * size / 2.0, y + size / 2.0)
        if size >= _NUMBER_MM[0] and not any(_touch(box, mark) for mark in marks):
            pen.text((x, y + high / 2.0 * size), text, size, INK, "m")
            taken.append(box)
        elif _in_box(x, y, _uncovered(tile)) and not _led_out(pen, tile, (x, y), text, taken):
            listed.add(region.label)


def _touch(a: SheetBox, b: SheetBox) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def _uncovered(tile: Tile) -> SheetBox:
    """What of a part stays when the parts are joined: a sliver in an overlap is part of a region on the other."""
    left, top, right, bottom = tile.box
    half = OVERLAP_MM / 2.0
    return (
        left + half * (tile.column > 0),
        top + half * (tile.row > 0),
        right - half * (tile.column < tile.columns - 1),
        bottom - half * (tile.row < tile.rows - 1),
    )


def _led_out(pen: Pen, tile: Tile, at: Point, text: str, taken: list[SheetBox]) -> bool:
    """A leader from a small region to its number beside the piece; False where it would cross other numbers."""
    (x, y), (left, _, right, _) = at, tile.box
    at_right = right - x < x - left
    edge, out = (right, 1.0) if at_right else (left, -1.0)
    if tile.column != (tile.columns - 1 if at_right else 0) or abs(edge - x) > _LEADER_MM:
        return False
    end = edge + out * (SIDE_MM - 4.6)
    half = 0.55 * _LEADER_SIZE
    box = (min(x, end) - 3.0 * (out < 0.0), y - half, max(x, end) + 3.0 * (out > 0.0), y + half)
    crossed = any(abs(y - cross[1]) < 4.0 for cross in tile.crosses)
    if crossed or any(b[0] < box[2] and box[0] < b[2] and b[1] < box[3] and box[1] < b[3] for b in taken):
        return False
    taken.append(box)
    pen.circle(at, 0.18, INK, 0.05, fill=True)
    pen.line([at, (end, y)], INK, 0.1)
    pen.text((end + out * 0.5, y + 0.7), text, _LEADER_SIZE, INK, "l" if at_right else "r")
    return True


def _draw_marks(pen: Pen, art: _Art, tile: Tile) -> None:
    for name, x, y in art.marks:
        # one on the face's own edge is on it, whichever way its place was rounded
        if _in_box(x, y, tile.box, -_ON_EDGE_MM):
            pen.mark((x, y), name)


def _draw_bridge(pen: Pen, art: _Art, tile: Tile, halo: bool) -> None:
    lines = _within(art.bridge, tile.window)
    with pen.clipped(window_of(tile)):
        if halo:
            pen.lines(lines, (255, 255, 255), 1.1)
        pen.lines(lines, CHALK, 0.45)


def _wall_colour(art: _Art) -> Callable[[Pen, Tile], None]:
    def draw(pen: Pen, tile: Tile) -> None:
        _draw_picture(pen, art, tile)
        _draw_outline(pen, art, tile)
        _draw_bridge(pen, art, tile, True)
        _draw_marks(pen, art, tile)

    return draw


def _wall_lines(art: _Art) -> Callable[[Pen, Tile], None]:
    def draw(pen: Pen, tile: Tile) -> None:
        for way in _grid(art, tile):
            pen.line(way[1], (196, 194, 198), 0.3 if way[0] == 0.0 else 0.1)
        _draw_lines(pen, art, tile, 0.1, False)
        _draw_outline(pen, art, tile)
        _draw_bridge(pen, art, tile, False)
        for value, _, at, axis in _grid(art, tile):
            if _in_box(*at, tile.box, 1.0) and at[0] < tile.box[2] - 10.0:
                pen.text(at, f"{axis} {value:+.0f}" if value else f"{axis} 0", 1.8, SOFT, plate=True)
        _draw_marks(pen, art, tile)

    return draw


def _grid(art: _Art, tile: Tile) -> list[tuple[float, Array, Point, str]]:
    """Set coordinates, every 50 mm: the value, its line's ends, where it is written, and its axis."""
    assert art.origin is not None
    left, top, right, bottom = tile.box
    x0, y0 = art.origin
    # what is written stands clear of the overlaps, which get covered and hold the crosses
    clear_left, clear_top = left + OVERLAP_MM * (tile.column > 0), top + OVERLAP_MM * (tile.row > 0)
    out = []
    for k in range(int(np.ceil((x0 + left) / _GRID_MM)), int((x0 + right) // _GRID_MM) + 1):
        x = k * _GRID_MM - x0
        out.append((k * _GRID_MM, np.array([(x, top), (x, bottom)]), (x + 1.0, clear_top + 2.8), "x"))
    for k in range(int(np.ceil((y0 - bottom) / _GRID_MM)), int((y0 - top) // _GRID_MM) + 1):
        y = y0 - k * _GRID_MM
        out.append((k * _GRID_MM, np.array([(left, y), (right, y)]), (clear_left + 1.0, y - 0.8), "y"))
    return out


def _key(swatches: Sequence[PaintSwatch], pen: Pen, page: int) -> None:
    """The palette in small over a numbered sheet."""
    del page
    room = pen.room
    across = int(min(room.free_width_mm, 190.0) // _KEY_STEP_MM)
    for i, swatch in enumerate(swatches):
        x, y = room.left + i % across * _KEY_STEP_MM, room.top + i // across * _KEY_MM
        pen.rectangle((x, y, x + 7.5, y + 4.6), swatch.code, INK, 0.1)
        pen.text((x + 8.2, y + 3.3), str(swatch.number), 2.6, bold=True)

"""``pattern.pdf``: the bridge's cut pattern at true size, on sheets or on a roll.

Cut lines are solid, folds dashed (away from you) or dash-dot (towards you), bends ticked at their ends, tabs light
grey.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import groupby
from typing import Final

import numpy as np

from previz.deliver.paint.patternindex import (
    CUT_WIDTH,
    DASHES,
    FOLD_WIDTH,
    SILL_DASH,
    TAB_FILL,
    Entry,
    Stroke,
    index_sheets,
)
from previz.draw import tiling
from previz.draw.paper import TitleBlock
from previz.draw.pdf import PageSize, PaperName, Pen, both_mm, page_sizes, pdf_bytes, text_width
from previz.draw.style import CHALK, INK, SOFT, Colour
from previz.draw.tiling import Tile, sheets_of, spread, tiles_of, window_of
from previz.errors import OutputError
from previz.geometry import Array
from previz.workshop.pattern.pieces import Cut, Label, PatternPiece
from previz.workshop.pattern.unfold import Pattern

_DIMENSION: Final = 8.5  # strip beside and below a piece for its dimension lines
_BEND_TICK: Final = 1.6
_ARROW: Final = 1.8
_SIZE_WORDS: Final = 0.72  # size of a face's measures against its name
_MIDDLE: Final = 0.36  # half the height of a letter against its size
_FACES_NAMED: Final = 6
_REACH: Final = 60.0  # words reach no farther than this from their middle


@dataclass(frozen=True, eq=False)
class _Art:
    """A piece as it lies on the paper: ``upright`` where its longer side runs down; ``paper`` is its box with room for
    dimension lines, mm."""

    piece: PatternPiece
    upright: bool
    paper: tiling.PrintPiece

    def at(self, points: Array) -> Array:
        """Places (N, 2) m of the piece in mm from the box's top left corner, right and down."""
        left, low, _, high = self.piece.bounds
        p = np.asarray(points, dtype=np.float64).reshape(-1, 2)
        if self.upright:
            # the end nearer the wall at the top
            return np.column_stack([p[:, 1] - low, p[:, 0] - left]) * 1e3 + (_DIMENSION, 0.0)
        return np.column_stack([p[:, 0] - left, high - p[:, 1]]) * 1e3 + (_DIMENSION, 0.0)

    def turned(self, turn: float) -> float:
        """A direction on the piece as an angle on the paper, counter-clockwise, never upside down."""
        way = np.array([np.cos(turn), np.sin(turn)])
        x, y = (way[1], -way[0]) if self.upright else (way[0], way[1])
        angle = float(np.arctan2(y, x))
        if angle > np.pi / 2 + 1e-6:
            angle -= np.pi
        elif angle <= -np.pi / 2 + 1e-6:
            angle += np.pi
        return angle


def pattern_pdf(pattern: Pattern, title_block: TitleBlock, paper: PaperName, roll_width: float = 0.610) -> bytes:
    """The pattern as PDF on A4, US Letter or a roll ``roll_width`` m wide. Same input, same bytes.

    On sheets, pieces larger than the paper come in parts that overlap by 10 mm, as in the guide. Raises
    :class:`previz.errors.OutputError` for a paper that cannot be used.
    """
    pages = page_sizes(paper, roll_width)
    arts = [_art(piece, number, pages) for number, piece in enumerate(pattern.pieces, 1)]
    layout = spread([art.paper for art in arts], pages)
    named = {art.paper: art for art in arts}
    subject = f"Cut pattern, {pattern.material} {pattern.thickness * 1e3:.2f} mm"
    more = "solid: cut; dashed: fold away; dash-dot: fold towards you; grey: tab"
    drawn = sheets_of(layout, subject, more, _draw_of(named))
    ahead = len(index_sheets(pattern, [], pages[0], paper == "roll"))
    for _ in range(3):
        # the index is as long whatever the numbers in it, but its own length moves them
        numbers: dict[tiling.PrintPiece, list[tuple[Tile, int]]] = {}
        for placed in layout.placed:
            numbers.setdefault(placed.tile.piece, []).append((placed.tile, ahead + placed.page + 1))
        entries = [Entry(a.paper, a.at(a.piece.outline), a.piece, tuple(numbers[a.paper])) for a in arts]
        index = index_sheets(pattern, entries, pages[0], paper == "roll")
        if len(index) == ahead:
            break
        ahead = len(index)
    return pdf_bytes(index + drawn, title_block, f"{title_block.scene}: cut pattern")


def _art(piece: PatternPiece, number: int, pages: tuple[PageSize, PageSize]) -> _Art:
    """The piece laid the way that takes fewer sheets, its longer side down the page where both take as many."""
    left, low, right, high = piece.bounds
    wide, tall = (right - left) * 1e3, (high - low) * 1e3
    others = [name for name in piece.faces if name != piece.name]
    words = "printed side out"
    if others:
        shown = ", ".join(others[:_FACES_NAMED]) + (", ..." if len(others) > _FACES_NAMED else "")
        words = f"with {shown}; {words}"
    choices = []
    for upright, w, h in ((True, tall, wide), (False, wide, tall)):
        paper = tiling.PrintPiece(f"piece {number}: {piece.name}", w + _DIMENSION, h + _DIMENSION, words)
        parts = []
        for room in pages:
            try:
                parts.append(len(tiles_of(paper, room, 0.0)))
            except OutputError:
                continue
        choices.append((min(parts, default=10_000), not upright, _Art(piece, upright, paper)))
    return min(choices, key=lambda c: c[:2])[2]


def _draw_of(arts: dict[tiling.PrintPiece, _Art]) -> Callable[[Pen, Tile], None]:
    def draw(pen: Pen, tile: Tile) -> None:
        art = arts[tile.piece]
        with pen.clipped(window_of(tile)):
            _draw_piece(pen, art)
            _draw_words(pen, art, tile)
        _draw_dimensions(pen, art, tile)

    return draw


def _draw_piece(pen: Pen, art: _Art) -> None:
    piece = art.piece
    for tab in piece.tabs:
        pen.polygon(art.at(tab.outline), TAB_FILL)
    for mark in piece.marks:
        pen.line(art.at(np.stack([mark.start, mark.end])), CHALK, 0.25, SILL_DASH)
    for fold in piece.folds:
        ends = art.at(np.stack([fold.start, fold.end]))
        if fold.kind == "bend":
            way = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
            tick = min(_BEND_TICK, 0.25 * float(np.linalg.norm(ends[1] - ends[0])))
            pen.lines([[ends[0], ends[0] + tick * way], [ends[1], ends[1] - tick * way]], SOFT, 0.1)
        else:
            pen.line(ends, INK, FOLD_WIDTH, DASHES[fold.kind])
    for stroke, line in rim(piece):
        pen.line(art.at(line), INK, CUT_WIDTH if stroke == "cut" else FOLD_WIDTH, DASHES[stroke])
    for tab in piece.tabs:
        # round the tab from one end of its fold to the other
        rest = np.concatenate([tab.base[1:], tab.outline[-2:], tab.base[:1]])
        pen.line(art.at(rest), INK, CUT_WIDTH)


def _stroke_of(cut: Cut) -> Stroke:
    if not cut.tabbed:
        return "cut"
    return "mountain" if cut.angle >= 0.0 else "valley"


def rim(piece: PatternPiece) -> Iterator[tuple[Stroke, Array]]:
    """The lines round the piece, as long as they are of one kind, in one."""
    rings: list[list[Cut]] = []
    for cut in piece.cuts:
        if rings and np.array_equal(rings[-1][-1].end, cut.start):
            rings[-1].append(cut)
        else:
            rings.append([cut])
    for ring in rings:
        for stroke, cuts in groupby(ring, key=_stroke_of):
            run = list(cuts)
            yield stroke, np.array([*(c.start for c in run), run[-1].end])


def _draw_words(pen: Pen, art: _Art, tile: Tile) -> None:
    """Names and letters, as far as they lie on this part: they go on across a joint like the lines."""
    for label in art.piece.labels:
        (x, y), *_ = art.at(label.at).tolist()
        left, top, right, bottom = tile.box
        if not (left - _REACH <= x <= right + _REACH and top - _REACH <= y <= bottom + _REACH):
            continue
        turn = art.turned(label.turn)
        if label.kind == "letter":
            _turned_text(pen, (x, y), label.text, label.high * 1e3, turn, bold=True)
            if label.edge is not None:
                edge = art.at(label.edge)[0]
                inwards = np.array([x, y]) - edge
                inwards /= np.linalg.norm(inwards)
                pen.line([edge, edge + 0.6 * inwards], INK, 0.2)
        else:
            _face_words(pen, label, (x, y), turn)


def _face_words(pen: Pen, label: Label, at: tuple[float, float], turn: float) -> None:
    high = label.high * 1e3
    if label.size is None:
        _turned_text(pen, at, label.text, high, turn)
        return
    long, narrow = label.size
    measures = f"{long * 1e3:.1f} × {both_mm(narrow * 1e3)}"
    small = high * _SIZE_WORDS
    along, down = np.array([np.cos(turn), -np.sin(turn)]), np.array([np.sin(turn), np.cos(turn)])
    if narrow * 1e3 > 6.0 * high and text_width(measures, small) < 0.8 * long * 1e3:
        _turned_text(pen, tuple(np.array(at) - down * 0.62 * high), label.text, high, turn)
        _turned_text(pen, tuple(np.array(at) + down * 0.68 * high), measures, small, turn, SOFT)
        return
    whole = text_width(label.text, high) + high + text_width(measures, small)
    if whole < 0.85 * long * 1e3:
        name = text_width(label.text, high)
        _turned_text(pen, tuple(np.array(at) - along * 0.5 * (whole - name)), label.text, high, turn)
        rest = along * 0.5 * (whole - text_width(measures, small))
        _turned_text(pen, tuple(np.array(at) + rest), measures, small, turn, SOFT)
    else:
        _turned_text(pen, at, label.text, high, turn)


def _turned_text(
    pen: Pen,
    at: tuple[float, ...],
    text: str,
    size: float,
    turn: float,
    colour: Colour = INK,
    bold: bool = False,
) -> None:
    """A line of text whose middle lies at a place."""
    drop = _MIDDLE * size
    place = at[0] + drop * float(np.sin(turn)), at[1] + drop * float(np.cos(turn))
    pen.text(place, text, size, colour, "m", bold, turn=turn)


def _draw_dimensions(pen: Pen, art: _Art, tile: Tile) -> None:
    """The piece's width below it and its height left of it, without tabs; written on every part that shows the line."""
    rim = art.at(art.piece.outline)
    (x0, y0), (x1, y1) = rim.min(axis=0), rim.max(axis=0)
    below, beside = art.paper.height_mm - 4.0, 4.0
    left, top, right, bottom = tile.box
    if tile.row == tile.rows - 1:
        with pen.clipped(window_of(tile)):
            _arrowed(pen, (x0, below), (x1, below), y1)
        middle = (max(x0, left) + min(x1, right)) / 2.0
        _on_line(pen, (middle, below), both_mm(x1 - x0), 0.0, min(x1, right) - max(x0, left))
    if tile.column == 0:
        with pen.clipped(window_of(tile)):
            _arrowed(pen, (beside, y0), (beside, y1), x0)
        middle = (max(y0, top) + min(y1, bottom)) / 2.0
        _on_line(pen, (beside, middle), both_mm(y1 - y0), np.pi / 2.0, min(y1, bottom) - max(y0, top))


def _arrowed(pen: Pen, start: tuple[float, float], end: tuple[float, float], rim: float) -> None:
    """A dimension line with its arrows, and its extension lines from the piece's rim."""
    a, b = np.array(start), np.array(end)
    way = (b - a) / np.linalg.norm(b - a)
    side = np.array([way[1], -way[0]])
    pen.line([a, b], SOFT, 0.1)
    for tip, to in ((a, way), (b, -way)):
        pen.polygon([tip, tip + _ARROW * to + 0.3 * side, tip + _ARROW * to - 0.3 * side], SOFT)
        if way[0] != 0.0:
            pen.line([(tip[0], rim + 0.6), (tip[0], tip[1] + 0.8)], SOFT, 0.1)
        else:
            pen.line([(rim - 0.6, tip[1]), (tip[0] - 0.8, tip[1])], SOFT, 0.1)


def _on_line(pen: Pen, at: tuple[float, float], text: str, turn: float, room: float) -> None:
    size = 2.3
    wide = text_width(text, size)
    if wide > room - 2.0 * _ARROW:
        # beside the line, where the piece is shorter than its words
        size = max(1.5, min(size, size * (room - 1.0) / wide))
    offset = 0.35 * size
    place = (at[0], at[1] - offset) if turn == 0.0 else (at[0] - offset, at[1])
    pen.text(place, text, size, INK, "m", plate=True, turn=turn)

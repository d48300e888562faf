"""``pattern.pdf``: the bridge's cut pattern at true size, on sheets or on a roll.

Cut lines are solid, folds dashed (away from you) or dash-dot (towards you), bends ticked at their ends, tabs light
grey.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
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
from previz.draw.clearplace import ClearPlaces, turned_box
from previz.draw.paper import TitleBlock
from previz.draw.pdf import PageSize, PaperName, Pen, both_mm, page_sizes, pdf_bytes, text_width
from previz.draw.style import CHALK, INK, SOFT, Colour
from previz.draw.tiling import Tile, sheets_of, spread, tiles_of, window_of
from previz.errors import OutputError
from previz.geometry import Array
from previz.workshop.pattern.pieces import Cut, Fold, Label, PatternPiece
from previz.workshop.pattern.unfold import Pattern

_DIMENSION: Final = 8.5  # strip beside and below a piece for its dimension lines
_BEND_TICK: Final = 1.6
_ARROW: Final = 1.8
_SIZE_WORDS: Final = 0.72  # size of a face's measures against its name
_MIDDLE: Final = 0.36  # half the height of a letter against its size
_FACES_NAMED: Final = 6
_REACH: Final = 60.0  # words reach no farther than this from their middle
_REACHES: Final = 0.62  # how far letters reach over and under their middle, tails and all, against their size
_TINY: Final = 0.7e-3  # the smallest letter, m


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
    said = {paper: _said(art) for paper, art in arts.items()}

    def draw(pen: Pen, tile: Tile) -> None:
        art = arts[tile.piece]
        with pen.clipped(window_of(tile)):
            _draw_piece(pen, art)
            _draw_words(pen, said[tile.piece], art, tile)
        _draw_dimensions(pen, art, tile)

    return draw


def _draw_piece(pen: Pen, art: _Art) -> None:
    piece = art.piece
    for tab in piece.tabs:
        pen.polygon(art.at(tab.outline), TAB_FILL)
    for mark in piece.marks:
        pen.line(art.at(np.stack([mark.start, mark.end])), CHALK, 0.25, SILL_DASH)
    for fold in piece.folds:
        if fold.kind == "bend":
            pen.lines(_fold_lines(art, fold), SOFT, 0.1)
        else:
            pen.lines(_fold_lines(art, fold), INK, FOLD_WIDTH, DASHES[fold.kind])
    for stroke, line in rim(piece):
        pen.line(art.at(line), INK, CUT_WIDTH if stroke == "cut" else FOLD_WIDTH, DASHES[stroke])
    for tab in piece.tabs:
        # round the tab from one end of its fold to the other
        rest = np.concatenate([tab.base[1:], tab.outline[-2:], tab.base[:1]])
        pen.line(art.at(rest), INK, CUT_WIDTH)


def _fold_lines(art: _Art, fold: Fold) -> list[Array]:
    """What is drawn of a fold: all of it, or of a bend a tick at either end."""
    ends = art.at(np.stack([fold.start, fold.end]))
    if fold.kind != "bend":
        return [ends]
    long = float(np.linalg.norm(ends[1] - ends[0]))
    tick = min(_BEND_TICK, 0.25 * long) * (ends[1] - ends[0]) / long
    return [np.stack([ends[0], ends[0] + tick]), np.stack([ends[1], ends[1] - tick])]


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


@dataclass(frozen=True, eq=False)
class _Said:
    """A label where no line goes through it: its middle ``at`` (2,) mm, turned by ``turn`` rad on the paper; ``away``
    (2,) is how far it had to move for that. ``tick`` (2, 2) is the line from its edge towards it, none where that
    would go through other words."""

    label: Label
    at: Array
    turn: float
    away: Array
    tick: Array | None = None


def _said(art: _Art) -> list[_Said]:
    """The labels of a piece: those that are free where they belong, then the others at the nearest free place."""
    lines = [art.at(line) for _, line in rim(art.piece)]
    lines += [art.at(np.stack([mark.start, mark.end])) for mark in art.piece.marks]
    lines += [line for fold in art.piece.folds for line in _fold_lines(art, fold)]
    lines += [art.at(np.concatenate([tab.outline, tab.outline[:1]])) for tab in art.piece.tabs]
    around = art.at(art.piece.outline)
    (x0, y0), (x1, y1) = around.min(axis=0), around.max(axis=0)
    # the piece's own dimension lines, as far out as their words reach
    below, beside = art.paper.height_mm - 4.0, 4.0
    lines += [np.array(ends) for ends in (
        ((x0, below), (x1, below)), ((beside, y0), (beside, y1)), ((x0, y1), (x0, below)), ((x1, y1), (x1, below)),
        ((x0, y0), (beside, y0)), ((x0, y1), (beside, y1)),
    )]  # fmt: skip
    places = ClearPlaces(lines)
    for middle, words, turn in (((0.5 * (x0 + x1), below - 1.4), both_mm(x1 - x0), 0.0),
                                ((beside - 1.4, 0.5 * (y0 + y1)), both_mm(y1 - y0), 0.5 * np.pi)):  # fmt: skip
        places.take(turned_box(middle, (text_width(words, 2.3), 2.8), turn))
    found: list[_Said | None] = []
    boxes = []
    for label in art.piece.labels:
        at, turn = art.at(label.at)[0], art.turned(label.turn)
        boxes.append(_box_of(label, at, turn))
        free = places.free(boxes[-1])
        found.append(_settled(art, label, at, turn, np.zeros(2), places) if free else None)
    for k, label in enumerate(art.piece.labels):
        if found[k] is None:
            at, turn = art.at(label.at)[0], art.turned(label.turn)
            along = np.array([np.cos(turn), -np.sin(turn)])
            step = 0.6 * label.high * 1e3
            # a face's name stays on its piece
            within = [around] if label.kind == "face" else []
            away = places.shift(boxes[k], along, step, within)
            if away is None:
                away = places.shift(boxes[k], along, 4.0 * step, within)
            if away is None:
                # a face's name stands over its piece as well; a letter on the smallest of pieces gets smaller
                if label.kind != "letter" or label.high < 2.0 * _TINY:
                    continue
                found[k] = _shrunk(art, label, places)
                continue
            found[k] = _settled(art, label, at, turn, away, places)
    return [each for each in found if each is not None]


def _shrunk(art: _Art, label: Label, places: ClearPlaces) -> _Said | None:
    """A letter at half its size and less until it is free somewhere; None where it never is."""
    at, turn = art.at(label.at)[0], art.turned(label.turn)
    while label.high >= 2.0 * _TINY:
        label = replace(label, high=0.5 * label.high)
        box = _box_of(label, at, turn)
        away = places.shift(box, (np.cos(turn), -np.sin(turn)), 0.6 * label.high * 1e3)
        if away is not None:
            return _settled(art, label, at, turn, away, places)
    return None


def _settled(art: _Art, label: Label, at: Array, turn: float, away: Array, places: ClearPlaces) -> _Said:
    """A label at its place, which is taken from now on, and so is its tick."""
    box, tick = _box_of(label, at + away, turn), None
    if label.edge is not None:
        edge = art.at(label.edge)[0]
        inwards = at - edge
        end = _nearest(box, edge) if away.any() else edge + 0.6 * inwards / np.linalg.norm(inwards)
        tick = None if places.crosses(edge, end) else np.array([edge, end])
    places.take(box)
    if tick is not None:
        places.take(tick)
    return _Said(label, at + away, turn, away, tick)


def _nearest(box: Array, place: Array) -> Array:
    """The corner (2,) of a box (4, 2) that is nearest to a place."""
    return np.asarray(box[int(np.argmin(np.hypot(*(box - place).T)))])


def _box_of(label: Label, at: Array, turn: float) -> Array:
    """The corners (4, 2) of a label's words about its middle, mm."""
    along, down = np.array([np.cos(turn), -np.sin(turn)]), np.array([np.sin(turn), np.cos(turn)])
    low, high = np.full(2, np.inf), np.full(2, -np.inf)
    for text, size, (right, under), _ in _parts(label):
        half = np.array([0.5 * text_width(text, size, label.kind == "letter"), _REACHES * size])
        low = np.minimum(low, (right, under) - half)
        high = np.maximum(high, (right, under) + half)
    ends = ((low[0], low[1]), (high[0], low[1]), (high[0], high[1]), (low[0], high[1]))
    return np.array([at + u * along + v * down for u, v in ends])


def _draw_words(pen: Pen, said: list[_Said], art: _Art, tile: Tile) -> None:
    """Names and letters, as far as they lie on this part: they go on across a joint like the lines."""
    left, top, right, bottom = tile.box
    for each in said:
        x, y = each.at.tolist()
        if not (left - _REACH <= x <= right + _REACH and top - _REACH <= y <= bottom + _REACH):
            continue
        label, turn = each.label, each.turn
        along, down = np.array([np.cos(turn), -np.sin(turn)]), np.array([np.sin(turn), np.cos(turn)])
        for text, size, (a, b), colour in _parts(label):
            _turned_text(pen, tuple(each.at + a * along + b * down), text, size, turn, colour, label.kind == "letter")
        if each.tick is not None:
            pen.line(each.tick, INK, 0.1 if each.away.any() else 0.2)


def _parts(label: Label) -> list[tuple[str, float, tuple[float, float], Colour]]:
    """What is written of a label: words, their size, where their middle lies along and under its own (mm), colour."""
    high = label.high * 1e3
    if label.size is None:
        return [(label.text, high, (0.0, 0.0), INK)]
    long, narrow = label.size
    measures = f"{long * 1e3:.1f} × {both_mm(narrow * 1e3)}"
    small = high * _SIZE_WORDS
    if narrow * 1e3 > 6.0 * high and text_width(measures, small) < 0.8 * long * 1e3:
        return [(label.text, high, (0.0, -0.62 * high), INK), (measures, small, (0.0, 0.68 * high), SOFT)]
    whole = text_width(label.text, high) + high + text_width(measures, small)
    if whole < 0.85 * long * 1e3:
        name = text_width(label.text, high)
        rest = 0.5 * (whole - text_width(measures, small))
        return [(label.text, high, (-0.5 * (whole - name), 0.0), INK), (measures, small, (rest, 0.0), SOFT)]
    return [(label.text, high, (0.0, 0.0), INK)]


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

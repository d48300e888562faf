"""Plan, elevation and cut parts of a set as flat drawings at true size.

Plan and elevation lie as on the shot card: the wall at the right, the camera at the left, in plan camera right is down.
Their origin is the set's own: the middle of the doorway on the wall's datum plane, at the level of the bridge's top.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from shapely import LineString, Polygon

from previz.deliver.paint.pattern import rim
from previz.deliver.paint.patternindex import Stroke
from previz.draw.drawnset import DrawnSet
from previz.draw.flatdrawing import FlatDrawing, Line, Words, cleared, dimension, line
from previz.draw.style import both_text
from previz.geometry import Array
from previz.workshop.pattern.pieces import PatternPiece
from previz.workshop.pattern.unfold import Pattern

# heights of words: on a drawing as large as the set, and on a piece that is cut
_SET_HIGH, _PIECE_HIGH = 16.0, 3.5
# lines of a drawing as large as the set, against those of a piece that is cut
_SET_WEIGHT = 3.0
# between dimension lines, and between pieces
_ROW, _GAP = 45.0, 24.0
# the lens's own dimension stands clear of its name
_ASIDE = 100.0
# how many of its heights a face's name may move along its face to be clear of letters
_STEPS = 30


def _flat(world: ArrayLike, side: bool) -> Array:
    """Places (..., 2) mm on the drawing of places (..., 3) m."""
    p = np.asarray(world, dtype=np.float64) * 1e3
    return np.stack([-p[..., 2], p[..., 1] if side else -p[..., 0]], axis=-1)


def plan_drawing(title: str, drawing: DrawnSet) -> FlatDrawing:
    """The set from above, dimensioned."""
    return _set_drawing(f"{title}: plan", drawing, side=False)


def elevation_drawing(title: str, drawing: DrawnSet) -> FlatDrawing:
    """The set from the side, dimensioned."""
    return _set_drawing(f"{title}: elevation", drawing, side=True)


def _set_drawing(title: str, drawing: DrawnSet, side: bool) -> FlatDrawing:
    view = drawing.view(side)
    lines = [line("wall", _flat(cut, side), closed=True) for cut in view.wall]
    lines += [line("bridge", _flat(ring, side), closed=True) for ring in view.bridge]
    rail = _flat(drawing.rail_line, side)
    if float(np.ptp(rail, axis=0).max()) > 0.01:
        lines.append(line("rail", rail))
    lens = _flat(drawing.lens.position, side)
    # the frame's edges and the axis, to the wall's plane where they meet it
    for way in (*drawing.lens.edges(side), drawing.lens.forward):
        met = drawing.lens.at_wall(way)
        if met is not None:
            lines.append(line("view", _flat(np.stack([drawing.lens.position, met]), side)))
    words = [Words("words", "station point", (float(lens[0]), float(lens[1]) + 3.5 * _SET_HIGH), _SET_HIGH)]
    lines.append(line("view", _circle(lens, 6.0), closed=True))
    for mark in drawing.rail.marks:
        lines.append(line("rail", _circle(_flat(mark.point, side), 2.0), closed=True))
    for stand in drawing.stands:
        at = _flat(stand.position, side)
        face = _flat(stand.face, side)
        flat = face if len(face) > 2 and float(np.ptp(face, axis=0).max()) > 1.0 else _circle(at, 8.0)
        lines.append(line("lamps", flat, closed=True))
        name = stand.name if stand.kind == "lamp" or stand.kind in stand.name else f"{stand.name} ({stand.kind})"
        words.append(Words("words", name, (float(at[0]), float(flat[:, 1].max()) + _SET_HIGH), _SET_HIGH))
    for made, said in _sizes(drawing, side):
        lines += made
        words.append(said)
    low = min(float(each.points[:, 1].min()) for each in lines)
    foot = f"{title}; miniature at true size, mm / ft and in"
    words.append(Words("words", foot, (0.5 * float(lens[0]), low - 3.0 * _SET_HIGH), _SET_HIGH))
    return cleared(title, lines, words, _SET_WEIGHT)


def _sizes(drawing: DrawnSet, side: bool) -> Iterator[tuple[list[Line], Words]]:
    """The dimensions: level ones under all that is drawn, upright ones behind the wall and beside what they measure."""
    low = min(float(_flat(points, side)[:, 1].min()) for points in drawing.core(side))
    back = max([0.0, *(float(_flat(cut, side)[:, 0].max()) for cut in drawing.view(side).wall)])
    for name, length in drawing.lengths(side).items():
        a, b = _flat(length.a, side), _flat(length.b, side)
        if name in ("bridge", "lens"):
            height = low - (1 if name == "bridge" else 2) * _ROW
            yield dimension(b, a, height - min(float(a[1]), float(b[1])), _SET_HIGH, (1.0, 0.0))
        elif name == "near end":
            yield dimension(a, b, -_ROW, _SET_HIGH, (0.0, 1.0))
        elif name == "thickness":
            yield _beside(a, b, float(a[0]) - _ROW)
        elif name in ("lens height", "lens aside"):
            if abs(float(b[1] - a[1])) > 0.05:
                yield _beside(a, b, float(b[0]) - _ASIDE)
        else:
            # a wall's height is measured from its back
            across = (back, 1.0) if side else (0.0, 1.0)
            yield _beside(np.array([across[0], a[1]]), np.array([across[0], b[1]]), back + _ROW)


def _beside(a: Array, b: Array, across: float) -> tuple[list[Line], Words]:
    """An upright dimension at a place across the drawing."""
    # to the left of upwards is towards lower x
    ends = (float(a[0]), float(b[0]))
    away = -(across - max(ends)) if across > max(ends) else min(ends) - across
    low, high = (a, b) if a[1] <= b[1] else (b, a)
    return dimension(low, high, away, _SET_HIGH, (0.0, 1.0))


def _circle(middle: Array, radius: float) -> Array:
    angle = np.arange(24) / 24.0 * 2.0 * np.pi
    return np.asarray(middle + radius * np.column_stack([np.cos(angle), np.sin(angle)]))


def cut_drawing(title: str, pattern: Pattern) -> FlatDrawing:
    """Every piece of a cut pattern at true size, one above the other, dimensioned."""
    lines: list[Line] = []
    words: list[Words] = []
    top = 0.0
    for number, piece in enumerate(pattern.pieces, 1):
        left, low, right, high = (1e3 * v for v in piece.bounds)
        # room for the name above, the lower dimension below and the one at the left
        shift = np.array([-left, top - high - 3.0 * _PIECE_HIGH])
        lines += _piece_lines(piece, shift)
        names = ", ".join(dict.fromkeys([piece.name, *piece.faces]))
        what = f"piece {number}: {names}; {pattern.material} {both_text(pattern.thickness)}, printed side up"
        # clear of the dimension at the left, however short the piece
        across = max(0.5 * (right - left), 0.31 * _PIECE_HIGH * len(what))
        words.append(Words("words", what, (across, top - 1.2 * _PIECE_HIGH), _PIECE_HIGH))
        words += _piece_words(piece, shift)
        around = 1e3 * piece.outline + shift
        (x0, y0), (x1, y1) = around.min(axis=0), around.max(axis=0)
        base = low + float(shift[1])
        below = dimension((x0, y0), (x1, y0), base - y0 - 3.0 * _PIECE_HIGH, _PIECE_HIGH, (1.0, 0.0))
        beside = dimension((x0, y0), (x0, y1), x0 + 3.0 * _PIECE_HIGH, _PIECE_HIGH, (0.0, 1.0))
        for made, said in (below, beside):
            lines += made
            words.append(said)
        top = base - 6.0 * _PIECE_HIGH - _GAP
    what = f"{title}: cut parts; true size, mm / ft and in"
    words.append(Words("words", what, (0.31 * 1.4 * _PIECE_HIGH * len(what), top), 1.4 * _PIECE_HIGH))
    return cleared(f"{title}: cut parts", lines, words)


# the layer of each kind of line of a cut pattern
_LAYERS: Final[dict[Stroke, str]] = {
    "cut": "cut",
    "mountain": "fold-away",
    "valley": "fold-towards",
    "bend": "bend",
}


def _piece_words(piece: PatternPiece, shift: Array) -> list[Words]:
    """The letters of a piece, and the names of its faces where they are clear of them: they stand above it as well."""
    out: list[Words] = []
    for label in sorted(piece.labels, key=lambda label: label.kind != "letter"):
        high, turn = 1e3 * label.high, float(np.degrees(label.turn))
        along = np.array([np.cos(label.turn), np.sin(label.turn)])
        tries = []
        for step in range(_STEPS if label.kind == "face" else 1):
            for way in (1.0, -1.0):
                x, y = 1e3 * label.at + shift + way * step * high * along
                tries.append(Words("words", label.text, (float(x), float(y)), high, turn))
        if label.kind == "face":
            inside = Polygon(1e3 * piece.outline + shift)
            ends = 0.5 * np.array([[-1.0], [1.0]]) * along
            tries = [
                said for said in tries
                if LineString(np.asarray(said.at) + said.long_mm * ends).buffer(0.5 * high).within(inside)
                and not any(said.touches(other, 0.3 * high) for other in out)
            ]  # fmt: skip
        out += tries[:1]
    return out


def _piece_lines(piece: PatternPiece, shift: Array) -> Iterator[Line]:
    for stroke, points in rim(piece):
        layer = _LAYERS[stroke]
        closed = layer == "cut" and len(points) > 3 and np.allclose(points[0], points[-1], atol=1e-9)
        yield line(layer, 1e3 * (points[:-1] if closed else points) + shift, closed)
    for tab in piece.tabs:
        # round the tab from one end of its fold to the other
        rest = np.concatenate([tab.base[1:], tab.outline[-2:], tab.base[:1]])
        yield line("cut", 1e3 * rest + shift)
    for fold in piece.folds:
        yield line(_LAYERS[fold.kind], 1e3 * np.stack([fold.start, fold.end]) + shift)
    for mark in piece.marks:
        yield line("mark", 1e3 * np.stack([mark.start, mark.end]) + shift)

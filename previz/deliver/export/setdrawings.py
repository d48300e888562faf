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
from previz.draw.drawnset import RigDrawing
from previz.draw.flatdrawing import FlatDrawing, Line, Words, dimension, line
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


def plan_drawing(title: str, drawing: RigDrawing) -> FlatDrawing:
    """The set from above, dimensioned."""
    return _set_drawing(f"{title}: plan", drawing, side=False)


def elevation_drawing(title: str, drawing: RigDrawing) -> FlatDrawing:
    """The set from the side, dimensioned."""
    return _set_drawing(f"{title}: elevation", drawing, side=True)


def _set_drawing(title: str, drawing: RigDrawing, side: bool) -> FlatDrawing:
    wall = drawing.wall_side if side else drawing.wall_plan
    lines = [] if wall is None else [line("wall", _flat(wall, side), closed=True)]
    lines.append(line("bridge", _flat(drawing.bridge_side if side else drawing.bridge_plan, side), closed=True))
    rail = _flat(drawing.rail_line, side)
    if float(np.ptp(rail, axis=0).max()) > 0.01:
        lines.append(line("rail", rail))
    lens = _flat(drawing.station, side)
    lines += list(_view_lines(drawing, side))
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
    for made, said in _elevation_sizes(drawing) if side else _plan_sizes(drawing):
        lines += made
        words.append(said)
    low = min(float(each.points[:, 1].min()) for each in lines)
    foot = f"{title}; miniature at true size, mm / ft and in"
    words.append(Words("words", foot, (0.5 * float(lens[0]), low - 3.0 * _SET_HIGH), _SET_HIGH))
    return FlatDrawing(title, tuple(lines), tuple(words), _SET_WEIGHT)


def _view_lines(drawing: RigDrawing, side: bool) -> Iterator[Line]:
    """The frame's edges and the axis at the station point, to the wall's plane where they meet it."""
    start = drawing.station
    for way in (*(drawing.field_side if side else drawing.field_plan), drawing.forward):
        if way[2] < -1e-6:
            yield line("view", _flat(np.stack([start, start - way * start[2] / way[2]]), side))


def _lowest(drawing: RigDrawing, side: bool) -> float:
    wall = drawing.wall_side if side else drawing.wall_plan
    each = [drawing.bridge_side if side else drawing.bridge_plan, drawing.station[None], drawing.rail_line]
    return min(float(_flat(p, side)[:, 1].min()) for p in [*each, *([] if wall is None else [wall])])


def _plan_sizes(drawing: RigDrawing) -> Iterator[tuple[list[Line], Words]]:
    near, lens = drawing.near_end, drawing.station
    base = _lowest(drawing, False)
    sill = _flat(np.zeros(3), False)
    yield _below(_flat(near[1], False), sill, base - _ROW)
    yield _below(_flat(lens, False), sill, base - 2.0 * _ROW)
    yield dimension(_flat(near[0], False), _flat(near[2], False), -_ROW, _SET_HIGH, (0.0, 1.0))
    left, _, right, _ = drawing.wall_box
    wall = _flat(np.array([[left, 0.0, 0.0], [right, 0.0, 0.0]]), False)
    back = wall if drawing.wall_plan is None else _flat(drawing.wall_plan, False)
    yield _beside(wall[0], wall[1], float(back[:, 0].max()) + _ROW)
    if abs(float(lens[0])) > 5e-5:
        at = _flat(lens, False)
        yield _beside(np.array([at[0], 0.0]), at, float(at[0]) - _ASIDE)


def _elevation_sizes(drawing: RigDrawing) -> Iterator[tuple[list[Line], Words]]:
    near, lens = drawing.near_end[1], drawing.station
    base = _lowest(drawing, True)
    sill = _flat(np.zeros(3), True)
    yield _below(_flat(near, True), sill, base - _ROW)
    yield _below(_flat(lens, True), sill, base - 2.0 * _ROW)
    at = _flat(lens, True)
    if abs(float(lens[1])) > 5e-5:
        yield _beside(np.array([at[0], 0.0]), at, float(at[0]) - _ASIDE)
    _, foot, _, top = drawing.wall_box
    back = float(_flat(drawing.wall_side, True)[:, 0].max()) if drawing.wall_side is not None else 0.0
    for low, high in ((foot, 0.0), (0.0, top)):
        yield _beside(np.array([back, 1e3 * low]), np.array([back, 1e3 * high]), back + _ROW)
    thick = _flat(drawing.bridge_side, True)
    end = thick[thick[:, 0] < float(thick[:, 0].min()) + 1e-6]
    if len(end) > 1:
        low, high = end[:, 1].min(), end[:, 1].max()
        yield _beside(np.array([end[0, 0], low]), np.array([end[0, 0], high]), float(end[0, 0]) - _ROW)


def _below(a: Array, b: Array, height: float) -> tuple[list[Line], Words]:
    """A level dimension at a height of the drawing."""
    return dimension(a, b, height - min(float(a[1]), float(b[1])), _SET_HIGH, (1.0, 0.0))


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
    return FlatDrawing(f"{title}: cut parts", tuple(lines), tuple(words))


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

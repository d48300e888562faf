"""Where the marker sheets go, drawn: the set from the front and from camera right, with the crosses measured out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from previz.draw.drawnset import DrawnSet
from previz.draw.labels import SheetBox
from previz.draw.pdf import PageSize, PdfPage, Pen, text_width
from previz.draw.rigview import LABEL, SCALES, Drawn, ScaledView
from previz.draw.style import CHALK, CHALK_WASH, INK, SOFT, both_text, mixed
from previz.geometry import Array
from previz.lineup.markers import MarkerSheet

_WHITE: Final = (255, 255, 255)
_WALL: Final = mixed(INK, 0.05, _WHITE)

# millimetres on the page: between dimension lines, and around what is drawn (left, top, right, bottom)
_ROW: Final = 5.5
_AROUND: Final = (16.0, 9.0, 16.0, 12.0)
_TICK: Final = 1.1
# how thick a wall is drawn from the side, m
_THICK: Final = 0.03


class _Front(ScaledView):
    """The set as the lens faces it: camera right is right."""

    def points(self, world: ArrayLike) -> Array:
        """Places (..., 2) mm on the sheet of places (..., 3) m."""
        p = np.asarray(world, dtype=np.float64) * 1e3 / self.scale
        return np.stack([self.at[0] + p[..., 0], self.at[1] - p[..., 1]], axis=-1)


def plan_page(plan: DrawnSet, sheets: Sequence[MarkerSheet], room: PageSize) -> PdfPage:
    """The page with both drawings, true to a stated scale."""
    half = 0.5 * (room.free_height_mm - 6.0)
    rows = len(sheets) * _ROW
    boxes = [
        _box(room, room.top + 3.0, room.top + 3.0 + half, rows),
        _box(room, room.top + 3.0 + half, room.top + 3.0 + 2.0 * half, rows),
    ]
    scale = next((s for s in SCALES if _fits(plan, sheets, s, boxes)), SCALES[-1])
    front, side = _view(plan, sheets, scale, boxes[0], False), _view(plan, sheets, scale, boxes[1], True)

    def draw(pen: Pen) -> None:
        pen.head(f"Where the sheets go, drawn at 1:{scale}", "measured from the bridge's top; mm / feet, inches")
        # over the middle: heights are measured at both sides
        middle = 0.5 * (boxes[0][0] + boxes[0][2])
        pen.text((middle, boxes[0][1] - 3.0), "from the front", 3.0, anchor="m", bold=True, plate=True)
        on = Drawn(pen, front)
        _front(on, plan, sheets)
        on.lay_labels()
        pen.text((middle, boxes[1][1] - 3.0), "from camera right", 3.0, anchor="m", bold=True, plate=True)
        on = Drawn(pen, side)
        _side(on, plan, sheets)
        on.lay_labels()

    return PdfPage(room, "marker sheets: places", draw, f"1:{scale}")


def _box(room: PageSize, top: float, bottom: float, rows: float) -> SheetBox:
    left, above, right, below = _AROUND
    return (room.left + left, top + above, room.left + room.free_width_mm - right, bottom - below - rows)


def _shown(plan: DrawnSet, sheets: Sequence[MarkerSheet]) -> Array:
    """Everything that must be on the page (N, 3)."""
    left, bottom, right, top = plan.wall_box
    wall = np.array([(left, bottom, -_THICK), (right, top, -_THICK)])
    # a wall far larger than what hangs on it is cut off at its edges
    parts = [*plan.front, *plan.elevation.bridge, plan.lens.position[None], *(sheet.outline for sheet in sheets)]
    near = np.concatenate([part.reshape(-1, 3) for part in parts])
    rim = 0.15
    low, high = near.min(axis=0) - rim, near.max(axis=0) + rim
    return np.concatenate([near, np.clip(wall, low, high)])


def _fits(plan: DrawnSet, sheets: Sequence[MarkerSheet], scale: int, boxes: Sequence[SheetBox]) -> bool:
    size = np.ptp(_shown(plan, sheets), axis=0) * 1e3 / scale
    front = size[0] <= boxes[0][2] - boxes[0][0] and size[1] <= boxes[0][3] - boxes[0][1]
    return bool(front and size[2] <= boxes[1][2] - boxes[1][0] and size[1] <= boxes[1][3] - boxes[1][1])


def _view(plan: DrawnSet, sheets: Sequence[MarkerSheet], scale: int, box: SheetBox, side: bool) -> ScaledView:
    shown = _shown(plan, sheets) * 1e3 / scale
    low, high = shown.min(axis=0), shown.max(axis=0)
    across = 2 if side else 0
    wide = high[across] - low[across]
    left = box[0] + 0.5 * (box[2] - box[0] - wide)
    x = left + (high[2] if side else -low[0])
    return (ScaledView if side else _Front)(side, scale, (float(x), float(box[1] + high[1])), box)


def _wall_in(plan: DrawnSet, on: Drawn) -> Array:
    """The wall's rectangle on the sheet (left, top, right, bottom), cut off at the drawing's edge."""
    left, bottom, right, top = plan.wall_box
    ends = [(0.0, bottom, -_THICK), (0.0, top, 0.0)] if on.view.side else [(left, bottom, 0.0), (right, top, 0.0)]
    flat = on.view.points(np.array(ends))
    low, high = flat.min(axis=0), flat.max(axis=0)
    box = np.array(on.view.box) + (-12.0, -4.0, 12.0, 2.0)
    return np.array([*np.maximum(low, box[:2]), *np.minimum(high, box[2:])])


def _set(on: Drawn, plan: DrawnSet, sheets: Sequence[MarkerSheet]) -> float:
    """Wall, doorway, bridge, lens and sheets; gives the height on the page under all of them."""
    pen, view = on.pen, on.view
    left, top, right, bottom = _wall_in(plan, on).tolist()
    wall = np.array([(left, top), (right, top), (right, bottom), (left, bottom)])
    pen.polygon(wall, _WALL, None)
    if view.side:
        on.hatch([wall])
    pen.polygon(wall, None, INK, 0.25)
    if plan.doorway is not None and not view.side:
        a, low, b, high = plan.doorway
        door = view.points([(a, low, 0.0), (a, high, 0.0), (b, high, 0.0), (b, low, 0.0)])
        pen.polygon(door, _WHITE, INK, 0.2)
        on.block(door)
    bridge = [view.points(ring) for ring in (plan.elevation.bridge if view.side else plan.front)]
    pen.outlines(bridge, CHALK_WASH, CHALK, 0.3)
    on.block(np.concatenate(bridge))
    lens = on.lens(plan.lens.position)
    lowest = bottom
    for sheet in sheets:
        flat = view.points(sheet.outline)
        pen.polygon(flat, _WHITE, None)
        pen.line([*flat.tolist(), flat[0].tolist()], INK, 0.6)
        cross = view.point(sheet.middle)
        pen.lines([[(cross[0] - 1.5, cross[1]), (cross[0] + 1.5, cross[1])],
                   [(cross[0], cross[1] - 1.5), (cross[0], cross[1] + 1.5)]], INK, 0.25)  # fmt: skip
        on.block(flat)
        lowest = max(lowest, float(flat[:, 1].max()))
    # the level of the bridge's top, from which heights are measured
    y, ends = view.at[1], (view.box[0] - 14.0, view.box[2] + 14.0)
    pen.line([(ends[0], y), (ends[1], y)], SOFT, 0.1, (4.0, 1.0, 0.8, 1.0))
    on.label(lens, ["lens"], colour=CHALK)
    return max(float(lowest), lens[1])


def _labels(on: Drawn, sheets: Sequence[MarkerSheet]) -> None:
    for sheet in sheets:
        words = [f"sheet {sheet.name}", f"markers {sheet.numbers[0]} to {sheet.numbers[-1]}"]
        flat = on.view.points(sheet.outline)
        on.label((float(flat[:, 0].mean()), float(flat[:, 1].min())), words)


def _front(on: Drawn, plan: DrawnSet, sheets: Sequence[MarkerSheet]) -> None:
    _levels(on, plan, sheets, 0)
    _heights(on, sheets, on.view.box[0], on.view.box[2])
    _labels(on, sheets)


def _side(on: Drawn, plan: DrawnSet, sheets: Sequence[MarkerSheet]) -> None:
    _levels(on, plan, sheets, 2)
    _labels(on, sheets)


def _levels(on: Drawn, plan: DrawnSet, sheets: Sequence[MarkerSheet], axis: int) -> None:
    """The set, and under it how far along a world axis each sheet's middle lies."""
    lowest = min(_set(on, plan, sheets), on.view.box[3])
    _upright(on, lowest + _ROW * (len(sheets) + 0.4))
    # the shortest nearest: no line crosses another's leader
    for row, sheet in enumerate(sorted(sheets, key=lambda sheet: abs(float(sheet.middle[axis]))), 1):
        _level(on, sheet, float(sheet.middle[axis]), lowest + _ROW * row)


def _upright(on: Drawn, bottom: float) -> None:
    """The line from which level lengths are measured: the set's middle, or from the side the wall's plane."""
    (x, y), dash = on.view.at, (4.0, 1.0, 0.8, 1.0)
    on.pen.line([(x, y), (x, bottom)], SOFT, 0.1, dash)


def _level(on: Drawn, sheet: MarkerSheet, true: float, y: float) -> None:
    """A level dimension line from the set's middle, or the wall's plane, to a sheet's cross."""
    cross = on.view.point(sheet.middle)
    if abs(true) < 5e-4:
        return
    ends = [np.array([on.view.at[0], y]), np.array([cross[0], y])]
    on.pen.line([(cross[0], cross[1] + 1.5), (cross[0], y + 1.0)], SOFT, 0.08)
    ends.sort(key=lambda end: float(end[0]))
    words = f"{sheet.name} {both_text(abs(true))}"
    long = text_width(words, LABEL) + 3.0 < float(ends[1][0] - ends[0][0])
    if long:
        on.dimension_at(ends[0], ends[1], (0.0, 1e-6), words)
    else:
        on.pen.line(ends, INK, 0.2)
        for end in ends:
            on.pen.line([end + (-_TICK, _TICK), end + (_TICK, -_TICK)], INK, 0.3)
        # beside it, away from the line that it is measured from: no other sheet's leader is there
        right = cross[0] > on.view.at[0]
        at = (cross[0] + (2.5 if right else -2.5), y + 0.8)
        on.pen.text(at, words, LABEL, anchor="l" if right else "r", plate=True)


def _heights(on: Drawn, sheets: Sequence[MarkerSheet], left: float, right: float) -> None:
    """Heights of the crosses over or under the bridge's top, beside the drawing on the side that each is nearer to."""
    view = on.view
    taken = {False: 0, True: 0}
    for sheet in sheets:
        cross = view.point(sheet.middle)
        if abs(float(sheet.middle[1])) < 5e-4:
            continue
        to_right = cross[0] >= view.at[0]
        x = right + 5.0 + _ROW * taken[True] if to_right else left - 5.0 - _ROW * taken[False]
        taken[to_right] += 1
        on.pen.line([cross, (x, cross[1])], SOFT, 0.08)
        top, bottom = sorted((view.at[1], cross[1]))
        ends = np.array([x, bottom]), np.array([x, top])
        on.dimension_at(*ends, (1e-6, 0.0), f"{sheet.name} {both_text(abs(float(sheet.middle[1])))}")

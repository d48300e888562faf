"""The plan and the elevation of ``rig.pdf``, true to a stated scale."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from previz.deliver.rig.rigdata import RigCard
from previz.draw import labels
from previz.draw.drawnset import DrawnSet, Length, StandMark
from previz.draw.paper import Point
from previz.draw.pdf import PageSize, PdfPage, Pen, text_width
from previz.draw.rigview import BORDER, LABEL, Drawn, ScaledView, clip_line, fitted_view
from previz.draw.style import CHALK, CHALK_WASH, INK, PAPER, SOFT, Colour, both_text, mixed
from previz.geometry import Array

_WHITE: Final = (255, 255, 255)
_ZONE: Final = mixed(INK, 0.10, _WHITE)
_LAMP: Final = mixed(INK, 0.05, _WHITE)
_MARK: Final = 2.3  # height of the rail's labels
_COLUMNS: Final = 7  # places tried for them on either side of the rail
_ROW: Final = 5.5  # between dimension lines


def drawing_box(room: PageSize) -> labels.SheetBox:
    """The part of a page that the set itself is drawn on."""
    left, top, right, bottom = BORDER
    return (
        room.left + left,
        room.top + top,
        room.left + room.free_width_mm - right,
        room.top + room.free_height_mm - bottom,
    )


def common_scale(drawing: DrawnSet, room: PageSize) -> int:
    """The scale that both views fit at."""
    box = drawing_box(room)
    return max(fitted_view(drawing, side, box).scale for side in (False, True))


def best_room(drawing: DrawnSet, choices: Sequence[PageSize]) -> PageSize:
    """The page, upright or lying, on which both views come out larger; the first where they come out alike."""
    return min(choices, key=lambda room: common_scale(drawing, room))


def plan_sheet(card: RigCard, room: PageSize) -> PdfPage:
    """The set from above."""
    view = fitted_view(card.drawing, False, drawing_box(room), common_scale(card.drawing, room))

    def draw(pen: Pen) -> None:
        pen.head(f"Plan, drawn at 1:{view.scale}", "seen from above; camera right is down; mm / feet and inches")
        on = Drawn(pen, view)
        _plan(on, card.drawing)
        on.lay_labels()
        _key(pen, room, card.drawing, f"hidden {1e3 * card.drawing.plan_depth:.0f} mm below the bridge over the hold")

    return PdfPage(room, "plan", draw, f"1:{view.scale}")


def elevation_sheet(card: RigCard, room: PageSize) -> PdfPage:
    """The set from camera right."""
    view = fitted_view(card.drawing, True, drawing_box(room), common_scale(card.drawing, room))

    def draw(pen: Pen) -> None:
        pen.head(f"Elevation, drawn at 1:{view.scale}", "seen from camera right; mm / feet and inches")
        on = Drawn(pen, view)
        _elevation(on, card.drawing)
        on.lay_labels()
        _key(pen, room, card.drawing, f"arm of {1e3 * card.drawing.arm:.0f} mm unseen over the hold")

    return PdfPage(room, "elevation", draw, f"1:{view.scale}")


def _set(on: Drawn, drawing: DrawnSet) -> None:
    """What both views show: wall, zone, bridge, field, rail, lens, lamps and cards."""
    view, pen, side = on.view, on.pen, on.view.side
    for stand in drawing.stands:
        if view.inside(view.point(stand.position), 2.0):
            _stand(on, stand)
    shown = drawing.view(side)
    wall = [view.points(cut) for cut in shown.wall]
    on.hatch(wall)
    pen.outlines(wall, None, INK, 0.25)
    for cut in wall:
        on.block(cut)
    for zone, fill, dash in ((shown.hold, None, (1.6, 0.9)), (shown.move, _ZONE, None)):
        pen.outlines([view.points(outline) for outline in zone], fill, SOFT, 0.2, dash)
    bridge = [view.points(ring) for ring in shown.bridge]
    # from above the zone lies under the bridge: it shows through
    pen.outlines(bridge, CHALK_WASH if side else None, CHALK, 0.3)
    on.block(np.concatenate(bridge), 1.0)
    _field(on, drawing)
    rail = view.points(drawing.rail_line)
    if float(np.ptp(rail, axis=0).max()) > 0.3:
        pen.line(rail, INK, 0.9)
        pen.line(rail, PAPER, 0.4)
    for mark in drawing.rail.marks:
        pen.circle(view.point(mark.point), 0.45, INK, 0.1, fill=True)
    on.lens(drawing.lens.position)


def _field(on: Drawn, drawing: DrawnSet) -> None:
    """The edges of the frame from the station point to the wall's plane or the edge of the sheet, and the axis."""
    view, lens = on.view, drawing.lens
    (first, last), start = lens.edges(view.side), view.point(lens.position)
    for way, dash in ((first, (2.4, 1.0)), (last, (2.4, 1.0)), (lens.forward, (3.0, 0.8, 0.5, 0.8))):
        end = clip_line(start, view.points(way) - view.points(np.zeros(3)), view.box)
        met = lens.at_wall(way)
        if met is not None and view.inside(view.point(met), 1e-6):
            end = view.point(met)
        on.pen.line([start, end], SOFT, 0.15, dash)
        on.room.block_line(start, end, 1.0)


def _plan(on: Drawn, drawing: DrawnSet) -> None:
    view = on.view
    _set(on, drawing)
    near, lens, sizes = drawing.near_end, drawing.lens.position, drawing.lengths(False)
    _along(on, drawing, sizes)
    on.dimension(*sizes["wall"].ends, (_right_edge(on, drawing) - view.at[0], 0.0))
    wide = both_text(float(np.linalg.norm(near[2] - near[0])))
    on.label(view.point(near[1]), [f"near end {wide} wide"], colour=CHALK)
    side = "camera right" if lens[0] >= 0.0 else "camera left"
    off = abs(float(lens[0]))
    words = f"lens {both_text(off)} to {side} of the middle" if off > 5e-5 else "lens over the middle"
    on.label(view.point(lens), [words], colour=CHALK)
    # the middle of the doorway, from which all is measured
    y = view.at[1]
    on.pen.line([(view.box[0] - 4.0, y), (view.at[0] + 3.0, y)], SOFT, 0.1, (4.0, 1.0, 0.8, 1.0))
    on.pen.text((view.box[0] - 4.0, y - 0.8), "middle", 1.9, SOFT, plate=True)
    on.room.block((view.box[0] - 4.0, y - 2.8, view.box[0] + 4.5, y))
    _stand_labels(on, drawing)
    _rail_labels(on, drawing)


def _right_edge(on: Drawn, drawing: DrawnSet) -> float:
    """Where across the sheet the wall's own dimension runs: clear of its back."""
    back = [float(on.view.points(cut)[:, 0].max()) for cut in drawing.view(on.view.side).wall]
    return max([on.view.at[0], *back]) + 8.0


def _along(on: Drawn, drawing: DrawnSet, sizes: dict[str, Length]) -> None:
    """Level dimension lines of what is measured out of the wall, under all that is drawn."""
    view = on.view
    faces = [s.face for s in drawing.stands if view.inside(view.point(s.position))]
    lowest = float(max(view.points(p)[:, 1].max() for p in [*drawing.core(view.side), *faces]))
    for row, name in enumerate(("bridge", "lens"), 1):
        starts = [np.asarray(view.point(end)) for end in sizes[name].ends]
        base = min(lowest + row * _ROW, view.box[3] + BORDER[3] - 9.0)
        ends = [np.array([start[0], base]) for start in starts]
        for start, end in zip(starts, ends, strict=True):
            on.pen.line([start + (0.0, 1.0), end], SOFT, 0.08)
        words = both_text(abs(float(sizes[name].b[2] - sizes[name].a[2])))
        on.dimension_at(ends[0], ends[1], (0.0, 1e-6), words)


def _rail_labels(on: Drawn, drawing: DrawnSet) -> None:
    """The marks' names in a column beside the rail, each with a leader, where they lie over the least."""
    view = on.view
    marks = sorted(drawing.rail.marks, key=lambda mark: view.point(mark.point)[1])
    if not marks:
        return
    on.settle()
    places = [view.point(mark.point) for mark in marks]
    words = [f"{mark.name} {mark.frame}" for mark in marks]
    wide = max(text_width(word, _MARK) for word in words) + 1.0
    heights = np.array(labels.spread([p[1] for p in places], _MARK * 1.45, view.box[1], view.box[3]))
    left, right = min(p[0] for p in places), max(p[0] for p in places)
    columns = []
    for step in range(_COLUMNS):
        for to_left in (True, False):
            x = left - 9.0 - 5.0 * step if to_left else right + 9.0 + 5.0 * step
            low = x - wide if to_left else x
            if not view.box[0] - BORDER[0] <= low <= view.box[2] + BORDER[2] - wide:
                continue
            boxes = np.column_stack([np.full(len(marks), low), heights - 0.7 * _MARK, np.full(len(marks), low + wide),
                                     heights + 0.7 * _MARK])  # fmt: skip
            columns.append((float(on.room.costs(boxes).sum()) + 5.0 * step, step, to_left, x))
    *_, to_left, x = min(columns, default=(0.0, 0, True, left - 9.0))
    out = 1.0 if to_left else -1.0
    for place, word, y in zip(places, words, heights.tolist(), strict=True):
        on.pen.line([place, (x + 3.0 * out, y), (x + 0.6 * out, y)], SOFT, 0.1)
        on.pen.text((x, y + 0.35 * _MARK), word, _MARK, anchor="r" if to_left else "l", plate=True)
    ends = sorted((x - wide * out, x + 4.0 * out))
    on.room.block((ends[0], float(heights.min()) - _MARK, ends[1], float(heights.max()) + _MARK))


def _elevation(on: Drawn, drawing: DrawnSet) -> None:
    view = on.view
    _set(on, drawing)
    lens, sizes = drawing.lens.position, drawing.lengths(True)
    _along(on, drawing, sizes)
    on.dimension(*sizes["lens height"].ends, (-9.0, 0.0))
    # the level of the bridge's top, from which heights are measured
    y = view.at[1]
    on.pen.line([(view.point(lens)[0] - 12.0, y), (view.at[0], y)], SOFT, 0.1, (4.0, 1.0, 0.8, 1.0))
    for name in ("top", "foot"):
        on.dimension(*sizes[name].ends, (_right_edge(on, drawing) - view.at[0], 0.0))
    down = -float(np.degrees(np.arcsin(np.clip(drawing.lens.forward[1], -1.0, 1.0))))
    tilt = "level" if abs(down) < 0.05 else f"{abs(down):.1f} deg {'down' if down > 0.0 else 'up'}"
    on.label(view.point(lens), [f"lens, looks {tilt}"], colour=CHALK)
    hold, move = drawing.elevation.hold, drawing.elevation.move
    if len(hold) == len(move) and all(np.allclose(*two, atol=5e-4) for two in zip(hold, move, strict=True)):
        named = [("hold and move", move)]
    else:
        named = [("hold", hold), ("whole move", move)]
    for name, zone in named:
        for outline in zone:
            _zone_label(on, outline, name, drawing.arm)
    _stand_labels(on, drawing)


def _zone_label(on: Drawn, zone: Array, name: str, arm: float) -> None:
    # the outline runs along the underside and back along the zone's floor: its deepest place in the middle third
    flat = on.view.points(zone)
    half = len(zone) // 2
    middle = half // 2
    top, floor = zone[middle], zone[len(zone) - 1 - middle]
    depth = float(top[1] - floor[1])
    place = flat[len(zone) - 1 - middle]
    words = [f"arm of {arm * 1e3:.0f} mm unseen to here, {name}:", f"{both_text(depth)} below the underside"]
    on.pen.line([flat[middle], place], INK, 0.2)
    on.label((float(place[0]), float(place[1])), words, 2.0)


def _stand_labels(on: Drawn, drawing: DrawnSet) -> None:
    """Names of lamps and cards; those that stand beyond the sheet get an arrow at its edge."""
    for stand in drawing.stands:
        at = on.view.point(stand.position)
        if on.view.inside(at, 2.0):
            on.label(at, [stand.name if stand.kind == "lamp" else f"{stand.name} ({stand.kind})"])
        else:
            _beyond(on, stand, at)


def _stand(on: Drawn, stand: StandMark) -> None:
    """A lamp or card where it stands: its face, and for a lamp the way it shines."""
    pen, view = on.pen, on.view
    at, face = view.point(stand.position), view.points(stand.face)
    if len(face) > 2 and float(np.ptp(face, axis=0).max()) > 0.5:
        fill = {"flag": INK, "bounce": _WHITE}.get(stand.kind, _LAMP)
        pen.polygon(face, fill, INK, 0.35)
        corners = [(float(x), float(y)) for x, y in face[:: max(1, len(face) // 8)]]
        for start, end in zip(corners, corners[1:] + corners[:1], strict=True):
            on.room.block_line(start, end, 1.0)
    pen.circle(at, 0.6, INK, 0.2, fill=True)
    way = np.asarray(view.point(stand.aim)) - at
    run = float(np.linalg.norm(way))
    if run > 1.0 and stand.kind == "lamp":
        tip = np.asarray(at) + way * min(1.0, 14.0 / run)
        pen.line(np.array([at, tip]), INK, 0.2)
        _arrow(pen, tip, way / run)
        on.room.block_line(at, (float(tip[0]), float(tip[1])), 1.0)
    on.room.block((at[0] - 1.0, at[1] - 1.0, at[0] + 1.0, at[1] + 1.0))


def _beyond(on: Drawn, stand: StandMark, at: Point) -> None:
    left, top, right, bottom = on.view.box
    middle = (0.5 * (left + right), 0.5 * (top + bottom))
    edge = np.asarray(clip_line(middle, np.subtract(at, middle), on.view.box))
    way = np.subtract(at, edge)
    away = float(np.linalg.norm(way))
    _arrow(on.pen, edge, way / max(away, 1e-9))
    on.pen.line([edge - 5.0 * way / max(away, 1e-9), edge], INK, 0.3)
    words = f"{stand.name}, {both_text(away * on.view.scale / 1e3, 0)} farther"
    on.label((float(edge[0]), float(edge[1])), [words])


def _arrow(pen: Pen, tip: Array, way: Array) -> None:
    side = np.array([-way[1], way[0]])
    pen.polygon([tip, tip - 2.0 * way + 0.7 * side, tip - 2.0 * way - 0.7 * side], INK)


def _key(pen: Pen, room: PageSize, drawing: DrawnSet, zone: str) -> None:
    """What the lines mean, in one row over the foot; those of the zone only where it was looked for."""
    y = room.top + room.free_height_mm - 1.2
    x = room.left
    kinds: list[tuple[str, Colour, float, tuple[float, ...] | None]] = [
        ("bridge", CHALK, 0.3, None),
        ("lens's view, station point", SOFT, 0.15, (2.4, 1.0)),
    ]
    if drawing.arm:
        kinds += [(zone, SOFT, 0.2, (1.6, 0.9)), ("over the whole move (grey)", SOFT, 0.2, None)]
    for words, colour, width, dash in kinds:
        pen.line([(x, y - 0.7), (x + 8.0, y - 0.7)], colour, width, dash)
        pen.text((x + 9.5, y), words, 2.0)
        x += 14.0 + text_width(words, 2.0)


__all__ = ["LABEL", "ScaledView", "common_scale", "drawing_box", "elevation_sheet", "plan_sheet"]

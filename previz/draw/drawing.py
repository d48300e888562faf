"""Side elevation and plan in the manner of a model-maker's drawing, one picture a frame.

The side elevation is seen from camera right, so the camera looks to the right of the sheet; the plan lies under it,
seen from above, at the same scale and in line with it: what is above one another is equally far from the wall. The
column at the right carries the frame's numbers, the rail enlarged, the key and the title block.

What does not change along the move is drawn once, when the :class:`SideSheet` is made.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from previz.camera import OrthoCamera
from previz.draw.drawnset import DrawnSet, DrawnView, LensMark
from previz.draw.labels import LabelRoom, pieces
from previz.draw.panel import MARGIN_PX, Panel
from previz.draw.paper import Note, Paper, TitleBlock, block_size
from previz.draw.railrule import draw_rule, draw_rule_now
from previz.draw.style import (
    CHALK,
    CHALK_WASH,
    INK,
    PAPER,
    SIGNAL,
    SOFT,
    break_text,
    fitted,
    verdict,
)
from previz.draw.symbols import draw_camera, draw_lamp
from previz.geometry import Array, rigid
from previz.scene.shape import Outlines
from previz.units import mm_text
from previz.workshop.surface import Pixels8

WIDTH_PX, HEIGHT_PX = 1280, 720
_COLUMN = 320
_PANEL_WIDE = WIDTH_PX - _COLUMN - 2 * MARGIN_PX
_PANELS_HIGH = HEIGHT_PX - 3 * MARGIN_PX

ViewName = Literal["side", "plan"]


@dataclass(frozen=True, eq=False)
class Dimension:
    """A measured length between world points ``a`` and ``b`` (3,) m, drawn in one view.

    ``offset_px`` is how far the dimension line stands to the right of the way from a to b on the sheet (negative:
    left). The length written is that of the way as this view shows it, the one that a ruler on the sheet finds.
    """

    view: ViewName
    a: Array
    b: Array
    offset_px: float


@dataclass(frozen=True, eq=False)
class SideStatic:
    """What stays the same along the move: the ``drawn`` set and what is measured of it.

    ``side_picture`` and ``plan_picture`` are (H, W, 3) uint8 pictures by the cameras of :func:`sheet_cameras`, or None
    for lines only.
    """

    title: TitleBlock
    side: OrthoCamera
    plan: OrthoCamera
    drawn: DrawnSet
    side_picture: Pixels8 | None = None
    plan_picture: Pixels8 | None = None
    dimensions: tuple[Dimension, ...] = ()


@dataclass(frozen=True, eq=False)
class SideFrame:
    """One frame: ``lens`` is where it stands. ``sight_lines`` (M, 2, 3) m run from the bridge's edge to the wall point
    behind it, ``broken`` (M,) says which of those edges show. ``break_pct`` is what shows,
    of the outline or of traces, whichever is more; None where the frame was not judged.
    """

    frame: int
    rail: float
    lens: LensMark
    break_pct: float | None
    sight_lines: Array = dataclasses.field(default_factory=lambda: np.zeros((0, 2, 3)))
    broken: NDArray[np.bool_] = dataclasses.field(default_factory=lambda: np.zeros(0, dtype=np.bool_))
    tells: tuple[str, ...] = ()


def sheet_cameras(
    points: ArrayLike, width_px: int = _PANEL_WIDE, height_px: int = _PANELS_HIGH
) -> tuple[OrthoCamera, OrthoCamera]:
    """The side elevation's and the plan's cameras that show ``points`` (N, 3) m: one scale, in line with each other.

    Both windows are ``width_px`` wide; ``height_px`` is shared out between them as the set needs it. As they stand,
    the sizes are those of :func:`side_sheet`.
    """
    p = np.asarray(points, dtype=np.float64).reshape(-1, 3)
    low, high = p.min(0), p.max(0)
    middle = 0.5 * (low + high)
    reach = np.maximum(high - low, 1e-3)
    # room for labels and dimension lines around what is shown, most of it behind the camera
    beside, above = 250.0, 90.0
    scale = min((width_px - beside) / reach[2], (height_px - 2.0 * above) / (reach[0] + reach[1]))
    spare = height_px - 2.0 * above - scale * (reach[0] + reach[1])
    side_high = round(min(max(scale * reach[1] + above + 0.5 * spare, 0.3 * height_px), 0.7 * height_px))
    plan_high = height_px - side_high
    px_per_m = float(min(scale, (side_high - above) / reach[1], (plan_high - above) / reach[0]))
    middle[2] += 55.0 / px_per_m
    far = 10.0 + float(reach.max())
    # columns: where the camera's x (sheet right), y (sheet up) and z (towards the viewer) point in the world
    from_right = np.array([[0.0, 0.0, 1.0], [0.0, 1.0, 0.0], [-1.0, 0.0, 0.0]])
    from_above = np.array([[0.0, -1.0, 0.0], [0.0, 0.0, 1.0], [-1.0, 0.0, 0.0]])
    return (
        OrthoCamera(rigid(from_right, middle + np.array([far, 0.0, 0.0])), px_per_m, width_px, side_high),
        OrthoCamera(rigid(from_above, middle + np.array([0.0, far, 0.0])), px_per_m, width_px, plan_high),
    )


def usual_dimensions(drawn: DrawnSet) -> tuple[Dimension, ...]:
    """The lengths a set-builder measures: the lens above the bridge and from the wall, the bridge, the rail."""
    side = {name: length.ends for name, length in drawn.lengths(True).items()}
    dimensions = [
        Dimension("side", *side["lens height"], -56.0 if drawn.lens.position[1] >= 0.0 else 56.0),
        Dimension("side", *side["bridge"], -44.0),
        Dimension("side", *side["lens"], -104.0),
        Dimension("plan", *side["lens"], -120.0),
    ]
    start, end = drawn.rail_line[0], drawn.rail_line[-1]
    if np.hypot(*(end - start)[[0, 2]]) > 1e-6:
        dimensions.append(Dimension("plan", start, end, 56.0))
    return tuple(dimensions)


def draw_wall(
    paper: Paper, panel: Panel, view: DrawnView, width: float = 1.8, spacing: float = 7.0, thin: float = 0.8
) -> None:
    """The wall's cut in a window, hatched, with a rim ``width`` px wide."""
    cuts = [panel.clip_polygon(cut) for cut in view.wall]
    paper.hatch(cuts, SOFT, spacing, thin)
    for cut in cuts:
        paper.line(np.concatenate([cut, cut[:1]]), INK, width)


def side_sheet(static: SideStatic, dynamic: SideFrame) -> Pixels8:
    """One sheet, (720, 1280, 3) uint8 sRGB. For many frames make a :class:`SideSheet` once and ask it."""
    return SideSheet(static).frame(dynamic)


class SideSheet:
    """Draws the sheets of one move; what stays the same is drawn when it is made."""

    def __init__(self, static: SideStatic) -> None:
        self._static = static
        self._panels = {
            "side": Panel("SIDE, from camera right", static.side, MARGIN_PX, MARGIN_PX),
            "plan": Panel("PLAN, from above", static.plan, MARGIN_PX, 2 * MARGIN_PX + static.side.height_px),
        }
        self._paper = Paper(WIDTH_PX, HEIGHT_PX, 2)
        self._rooms = {name: LabelRoom(panel.inner) for name, panel in self._panels.items()}
        self._draw_static()

    def frame(self, dynamic: SideFrame) -> Pixels8:
        """The sheet of one frame, (720, 1280, 3) uint8 sRGB."""
        paper = self._paper.copy()
        for name, panel in self._panels.items():
            _draw_field(paper, panel, dynamic.lens, name == "side")
            _draw_sight_lines(paper, panel, dynamic)
        for panel in self._panels.values():
            draw_camera(paper, panel.point(dynamic.lens.position), panel.direction(dynamic.lens.forward))
        column = WIDTH_PX - _COLUMN
        _draw_numbers(paper, column, dynamic)
        draw_rule_now(paper, self._static.drawn.rail, _rule_box(), dynamic.rail)
        return paper.picture()

    def _draw_static(self) -> None:
        static, drawn, paper = self._static, self._static.drawn, self._paper
        for name, panel in self._panels.items():
            view = drawn.view(name == "side")
            picture = static.side_picture if name == "side" else static.plan_picture
            if picture is not None:
                panel.paste(paper, picture)
            draw_wall(paper, panel, view)
            bridge = [panel.points(ring) for ring in view.bridge]
            paper.outlines(bridge, CHALK_WASH if picture is None else None, CHALK, 2.2)
            self._draw_rail(panel)
        for panel in self._panels.values():
            panel.mask_outside(paper)
        for name, panel in self._panels.items():
            room = self._rooms[name]
            room.block(panel.title(paper))
            # the camera passes here
            for x, y in panel.points(drawn.rail_line):
                room.block((x - 40.0, y - 14.0, x + 10.0, y + 14.0))
            for dimension in static.dimensions:
                if dimension.view == name:
                    room.block(_draw_dimension(paper, panel, dimension, drawn.view(name == "side").bridge).box)
            # all signs before any of their names, which keep off the lines of all of them
            lamps = [draw_lamp(paper, panel, stand) for stand in drawn.stands if stand.kind == "lamp"]
            for (x, y), _ in lamps:
                room.block((x - 15.0, y - 15.0, x + 15.0, y + 15.0))
            room.lines = pieces(paper.strokes)
            for at, words in lamps:
                place = room.find(at, block_size(words, 13.0), 16.0)
                paper.lines_of_text(place, words, 13.0, plate=2.5)
        column = WIDTH_PX - _COLUMN
        draw_rule(paper, drawn.rail, _rule_box())
        _draw_key(paper, column)
        paper.scale_bar((column + 4.0, 590.0), static.side.px_per_m)
        paper.title_block(static.title, WIDTH_PX - MARGIN_PX, HEIGHT_PX - MARGIN_PX, _COLUMN - MARGIN_PX - 4.0, 12.5)

    def _draw_rail(self, panel: Panel) -> None:
        flat = panel.points(self._static.drawn.rail_line)
        run = float(np.hypot(*np.diff(flat, axis=0).T).sum()) if len(flat) > 1 else 0.0
        if run < 4.0:
            # seen end on
            self._paper.rectangle((flat[0, 0] - 5, flat[0, 1] - 3, flat[0, 0] + 5, flat[0, 1] + 3), PAPER, INK, 1.4)
            return
        self._paper.line(flat, INK, 4.0)
        self._paper.line(flat, PAPER, 1.6)
        for mark in self._static.drawn.rail.marks:
            at = panel.point(mark.point)
            self._paper.circle(at, 2.6, INK)


def _rule_box() -> tuple[float, float, float, float]:
    return WIDTH_PX - _COLUMN + 4.0, 196.0, WIDTH_PX - MARGIN_PX, 456.0


def _draw_field(paper: Paper, panel: Panel, lens: LensMark, side: bool) -> None:
    start = np.asarray(panel.point(lens.position))
    reach = 2.0 * (panel.camera.width_px + panel.camera.height_px)
    for way in lens.edges(side):
        line = panel.cut(start, start + np.asarray(panel.direction(way)) * reach)
        if line is not None:
            paper.dashed(line, SOFT, 1.0, (14.0, 5.0))


def _draw_sight_lines(paper: Paper, panel: Panel, dynamic: SideFrame) -> None:
    start = panel.point(dynamic.lens.position)
    for (edge, wall), broken in zip(dynamic.sight_lines, dynamic.broken, strict=True):
        line = panel.cut(start, panel.point(wall))
        if line is None:
            continue
        if broken:
            paper.dashed(line, SIGNAL, 2.4, (10.0, 6.0))
        else:
            paper.line(line, CHALK, 1.1)
        colour = SIGNAL if broken else CHALK
        for world in (edge, wall):
            at = panel.point(world)
            if panel.cut(at, (at[0] + 0.1, at[1])) is not None:
                paper.circle(at, 3.0, PAPER, colour, 1.4)


def _draw_dimension(paper: Paper, panel: Panel, dimension: Dimension, bridge: Outlines) -> Note:
    a, b = panel.point(dimension.a), panel.point(dimension.b)
    run = math.dist(a, b)
    offset = dimension.offset_px
    if run > 0.0:
        right = np.array([-(b[1] - a[1]) / run, (b[0] - a[0]) / run])
        flat = [panel.points(ring) for ring in bridge]
        # on the other side, or nearer, where the window has no room for it or the bridge is in its way
        tries = (offset, -offset, offset / 2, -offset / 2)
        offset = next((o for o in tries if _fits(panel, np.array([a, b]) + o * right, flat)), offset / 2)
    return paper.dimension(a, b, offset, run / panel.camera.px_per_m)


def _fits(panel: Panel, line: Array, bridge: Sequence[Array]) -> bool:
    """Whether a line (2, 2) lies well inside a window and clear of boxes about the bridge's outlines (N, 2)."""
    left, top, right, bottom = panel.inner
    low, high = line.min(axis=0), line.max(axis=0)
    clear = all((high + 4.0 < ring.min(axis=0)).any() or (low - 4.0 > ring.max(axis=0)).any() for ring in bridge)
    return clear and bool((low >= (left + 24.0, top + 24.0)).all() and (high <= (right - 24.0, bottom - 24.0)).all())


def _draw_numbers(paper: Paper, column: float, dynamic: SideFrame) -> None:
    left, right = column + 4.0, WIDTH_PX - MARGIN_PX
    word = verdict(dynamic.break_pct)
    colour = {"holds": CHALK, "breaks": SIGNAL}.get(word, INK)
    paper.text((left, 14.0), "frame", 13.0, SOFT)
    paper.text((left, 30.0), str(dynamic.frame), 34.0, INK, bold=True)
    paper.text((right, 14.0), "rail", 13.0, SOFT, "ra")
    paper.text((right, 30.0), mm_text(dynamic.rail), 34.0, INK, "ra", bold=True)
    box = (left, 80.0, right, 152.0)
    # a rim that is dashed and thick says "breaks" without its colour
    if word == "breaks":
        corners = [(box[0], box[1]), (box[2], box[1]), (box[2], box[3]), (box[0], box[3]), (box[0], box[1])]
        paper.dashed(corners, SIGNAL, 4.0, (14.0, 8.0))
    else:
        paper.rectangle(box, None, colour, 1.6)
    paper.text((left + 14.0, 116.0), word, 32.0, colour, "lm", bold=True)
    if dynamic.break_pct is not None:
        paper.text((right - 12.0, 116.0), break_text(dynamic.break_pct), 27.0, colour, "rm")
    tells: Sequence[str] = dynamic.tells or ("none",)
    paper.text((left, 164.0), fitted(f"tells: {', '.join(tells)}", 13.0, right - left), 13.0, INK)


def _draw_key(paper: Paper, column: float) -> None:
    left, y = column + 4.0, 480.0
    rows = (
        ("bridge", "line"),
        ("sight line, hidden", "thin"),
        ("sight line, shows", "dash"),
        ("field of view", "soft"),
    )
    for i, (words, kind) in enumerate(rows):
        at = y + i * 21.0
        line = [(left, at), (left + 44.0, at)]
        if kind == "dash":
            paper.dashed(line, SIGNAL, 2.4, (10.0, 6.0))
        elif kind == "soft":
            paper.dashed(line, SOFT, 1.0, (14.0, 5.0))
        else:
            paper.line(line, CHALK, 2.2 if kind == "line" else 1.1)
        paper.text((left + 56.0, at), words, 13.0, INK, "lm")

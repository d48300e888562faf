"""A view of the set at a stated scale on a sheet: where places go, and lines, dimensions and labels in millimetres."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import shapely
from numpy.typing import ArrayLike

from previz.draw import labels
from previz.draw.drawnset import DrawnSet
from previz.draw.paper import Point
from previz.draw.pdf import Pen, text_width
from previz.draw.style import CHALK, INK, SOFT, Colour, both_text
from previz.geometry import Array

# scales of drawings (ISO 5455: the reductions are from memory, with 1:25 and 1:250 as building plans use them)
SCALES: Final = (1, 2, 5, 10, 20, 25, 50, 100, 200, 250, 500, 1000, 2000, 5000)

# millimetres kept free around what is drawn: left, top, right, bottom
BORDER: Final = (20.0, 6.0, 24.0, 24.0)

LABEL: Final = 2.3
_TICK: Final = 1.1

# how much smaller the set may become so that far lamps come on the sheet too
_WORTH: Final = 2.0


@dataclass(frozen=True)
class ScaledView:
    """Plan or elevation at 1:``scale``; the set's origin lies at ``at`` on the sheet. ``box`` is what may be drawn on.

    The wall is at the right, the camera at the left: sheet right is into the wall. In plan camera right is down.
    """

    side: bool
    scale: int
    at: Point
    box: labels.SheetBox

    def points(self, world: ArrayLike) -> Array:
        """Places (..., 2) mm on the sheet of places (..., 3) m."""
        p = np.asarray(world, dtype=np.float64) * 1e3 / self.scale
        down = -p[..., 1] if self.side else p[..., 0]
        return np.stack([self.at[0] - p[..., 2], self.at[1] + down], axis=-1)

    def point(self, world: ArrayLike) -> Point:
        """The place of one."""
        x, y = self.points(world)
        return float(x), float(y)

    def inside(self, at: Point, margin: float = 0.0) -> bool:
        """Whether a place on the sheet lies within the box."""
        left, top, right, bottom = self.box
        return left - margin <= at[0] <= right + margin and top - margin <= at[1] <= bottom + margin


def spans(points: Iterable[ArrayLike], side: bool) -> tuple[Array, Array]:
    """Lowest and highest (2,) of what is across (out of the wall) and down (plan: camera right; side: height)."""
    p = np.concatenate([np.asarray(each, dtype=np.float64).reshape(-1, 3) for each in points])
    flat = p[:, [2, 1]] if side else p[:, [2, 0]]
    return flat.min(axis=0), flat.max(axis=0)


def fitted_view(drawing: DrawnSet, side: bool, box: labels.SheetBox, scale: int | None = None) -> ScaledView:
    """The view at the largest scale that fits ``box``; lamps that would make it much smaller stay beyond its edge."""
    left, bottom, right, top = drawing.wall_box
    must = [np.array([[left, bottom, 0.0], [right, top, 0.0]]), *drawing.core(side)]
    stands = [stand.face for stand in drawing.stands]
    chosen = scale or _scale(must, stands, side, box)
    low, high = spans(must, side)
    some = [face for face in stands if _fits(*spans([*must, face], side), chosen, box)]
    if some and _fits(*spans([*must, *some], side), chosen, box):
        low, high = spans([*must, *some], side)
    k = 1e3 / chosen
    width, height = (high - low) * k
    left = box[0] + 0.5 * (box[2] - box[0] - width)
    top = box[1] + 0.5 * (box[3] - box[1] - height)
    down = high[1] if side else -low[1]
    return ScaledView(side, chosen, (float(left + high[0] * k), float(top + down * k)), box)


def _fits(low: Array, high: Array, scale: int, box: labels.SheetBox) -> bool:
    room = np.array([box[2] - box[0], box[3] - box[1]])
    return bool(((high - low) * 1e3 / scale <= room + 1e-9).all())


def _scale(must: Sequence[Array], stands: Sequence[Array], side: bool, box: labels.SheetBox) -> int:
    """The largest scale that shows most of the lamps and cards, but the set no more than ``_WORTH`` times smaller."""
    needed = next((s for s in SCALES if _fits(*spans(must, side), s, box)), SCALES[-1])

    def shown(scale: int) -> int:
        return sum(_fits(*spans([*must, stand], side), scale, box) for stand in stands)

    # the first of those that show as many
    return max((s for s in SCALES if needed <= s <= _WORTH * needed), key=shown)


@dataclass
class Drawn:
    """Draws in a view and keeps labels off one another."""

    pen: Pen
    view: ScaledView
    room: labels.LabelRoom = field(init=False)

    def __post_init__(self) -> None:
        self.room = labels.LabelRoom(self.view.box)
        self._first = len(self.pen.strokes)
        self._waiting: list[tuple[Point, tuple[str, ...], float, Colour]] = []

    def hatch(
        self, outlines: Sequence[Array], colour: Colour = SOFT, step: float = 2.0, width: float = 0.12
    ) -> None:
        """Slanting lines inside outlines (N, 2) mm, inner ones being holes."""
        if not outlines:
            return
        every = np.concatenate(outlines)
        low, high = every.min(axis=0), every.max(axis=0)
        run = high[1] - low[1]
        lines = [
            [(x, high[1]), (x + run, low[1])]
            for x in np.arange(math.floor((low[0] - run) / step) * step, high[0], step).tolist()
        ]
        cut = shapely.intersection(shapely.MultiLineString(lines), _area(outlines))
        kept = [shapely.get_coordinates(part) for part in shapely.get_parts(cut) if part.geom_type == "LineString"]
        self.pen.lines(kept, colour, width)

    def block(self, flat: Array, above: float = 0.0) -> None:
        """Keep labels off what is drawn at places (N, 2) mm, and off ``above`` mm over and under it."""
        (left, top), (right, bottom) = flat.min(axis=0), flat.max(axis=0)
        self.room.block((float(left), float(top) - above, float(right), float(bottom) + above))

    def lens(self, world: Array) -> Point:
        """A ring at the lens's place (3,) m, and where that is."""
        x, y = at = self.view.point(world)
        self.pen.circle(at, 1.3, CHALK, 0.3)
        self.room.block((x - 2.0, y - 2.0, x + 2.0, y + 2.0))
        return at

    def label(self, anchor: Point, words: Sequence[str], size: float = LABEL, colour: Colour = INK) -> None:
        """Words near a place, where there is room, with a thin leader; they are laid when all is drawn."""
        self._waiting.append((anchor, tuple(words), size, colour))

    def settle(self) -> None:
        """Have labels from now on keep off all lines drawn so far."""
        self.room.lines = labels.pieces(self.pen.strokes[self._first :])

    def lay_labels(self) -> None:
        """Lay the labels that were asked for, where no line goes through them as far as there is such a place."""
        self.settle()
        for anchor, words, size, colour in self._waiting:
            wide = max(text_width(line, size) for line in words) + 1.0
            high = len(words) * size * 1.3 + 0.6
            x, y = self.room.find(anchor, (wide, high), near=2.5, far=60.0, leader=True)
            ends = (min(max(anchor[0], x), x + wide), min(max(anchor[1], y), y + high))
            self.pen.line([anchor, ends], SOFT, 0.1)
            for i, line in enumerate(words):
                self.pen.text((x + 0.5, y + size + i * size * 1.3), line, size, colour, plate=True)
        self._waiting = []

    def dimension(self, a: ArrayLike, b: ArrayLike, shift: tuple[float, float]) -> None:
        """A dimension line between places (3,) m, moved by ``shift`` mm, with its true length in both measures.

        The length is that of the drawn line in the set: places are taken as they are seen in this view.
        """
        flat = [np.asarray(self.view.point(end)) for end in (a, b)]
        true = float(np.linalg.norm(flat[1] - flat[0])) * self.view.scale / 1e3
        self.dimension_at(flat[0], flat[1], shift, both_text(true))

    def dimension_at(self, a: Array, b: Array, shift: tuple[float, float], words: str) -> None:
        """The same between places (2,) mm on the sheet with given words."""
        move = np.asarray(shift)
        ends = [a + move, b + move]
        away = move / max(float(np.linalg.norm(move)), 1e-9)
        for start, end in zip((a, b), ends, strict=True):
            self.pen.line([start + 0.8 * away, end + 1.2 * away], SOFT, 0.1)
        self.pen.line(ends, INK, 0.2)
        for end in ends:
            self.pen.line([end + (-_TICK, _TICK), end + (_TICK, -_TICK)], INK, 0.3)
        run = ends[1] - ends[0]
        wide, length = text_width(words, LABEL), float(np.linalg.norm(run))
        upright = abs(run[1]) > abs(run[0])
        middle = 0.5 * (ends[0] + ends[1])
        turn = 0.5 * math.pi if upright else 0.0
        if length < wide + 3.0:
            # beside a short line, on the side away from the drawing's middle
            far = max(ends, key=lambda end: abs(end[1] - self.view.at[1]) if upright else -end[0])
            above = upright and far[1] < self.view.at[1]
            at = far + ((0.7, -2.5 if above else wide + 2.5) if upright else (-wide - 2.5, 0.8))
            self.pen.text((float(at[0]), float(at[1])), words, LABEL, anchor="l", plate=True, turn=turn)
            x, y = float(at[0]), float(at[1])
            box = (x - LABEL, y - wide, x + 1.0, y) if upright else (x, y - LABEL, x + wide, y + 1.0)
            self.room.block(box)
        else:
            at = middle + ((0.7, 0.0) if upright else (0.0, 0.8))
            x, y, half = float(at[0]), float(at[1]), 0.5 * wide
            self.pen.text((x, y), words, LABEL, anchor="m", plate=True, turn=turn)
            turned = (x - LABEL, y - half, x + 1.0, y + half)
            self.room.block(turned if upright else (x - half, y - LABEL, x + half, y + 1.0))
        self.room.block_line((float(ends[0][0]), float(ends[0][1])), (float(ends[1][0]), float(ends[1][1])), 1.6)


def _area(outlines: Sequence[Array]) -> shapely.Geometry:
    """What lies in an odd number of outlines (N, 2)."""
    area: shapely.Geometry = shapely.Polygon()
    for ring in outlines:
        area = shapely.symmetric_difference(area, shapely.make_valid(shapely.Polygon(ring)))
    return area


def clip_line(start: Point, way: ArrayLike, box: labels.SheetBox) -> Point:
    """Where a line from ``start``, inside ``box``, in direction ``way`` (2,) leaves the box."""
    w = np.asarray(way, dtype=np.float64)
    reach = math.inf
    for k in range(2):
        if abs(w[k]) > 1e-12:
            edge = box[k + 2] if w[k] > 0.0 else box[k]
            reach = min(reach, max((edge - start[k]) / w[k], 0.0))
    if not math.isfinite(reach):
        return start
    return float(start[0] + reach * w[0]), float(start[1] + reach * w[1])

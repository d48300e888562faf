"""What the eye's windows see of one layer of the set, wall or bridge, worked out once for every place and size.

The layer is drawn from one lens position at several magnifications and the fields of each picture are kept. A camera
near that position then needs no picture: the sight line through the middle of a window meets the layer somewhere, and
the field there, at the magnification at which the camera sees it, is what the window sees. What is left out is how the
layer's relief shifts against itself between the two positions, and how it is foreshortened.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from previz.camera import Camera
from previz.geometry import inverse_rigid
from previz.judge.fields import fields_of
from previz.judge.film.pattern import SlidPattern
from previz.judge.viewer import WINDOW_DEG, Viewer
from previz.workshop.compiled import compiled
from previz.workshop.surface import Picture

Array = NDArray[np.float64]
Field = NDArray[np.float32]

# magnifications go up by this factor; in between is interpolated
STEP = 1.2

# fields are kept in whole steps, so many to a unit of L*, a*, b* and log grain: half the memory
_STEPS = np.array([256.0, 256.0, 256.0, 4096.0], dtype=np.float32)


@dataclass(frozen=True, eq=False)
class _Level:
    """The picture of one magnification: fields of (S, H, W, 4) int16 in a row, in ``_STEPS`` to the unit, their (S, H,
    W), how many times larger the picture is than level 0, and its middle (x, y) px."""

    of: tuple[NDArray[np.int16], tuple[int, int, int], float, float, float]


@compiled
def _placed(points, layer_from_world, focal, px_per_m, log_step, px, shrink, low, part):  # type: ignore[no-untyped-def]
    """Places of points (S, N, 3) m: ``px`` from the picture's middle, ``shrink``, and the level, whole and rest."""
    m = layer_from_world
    for s in range(points.shape[0]):
        for i in range(points.shape[1]):
            x, y, z = points[s, i, 0], points[s, i, 1], points[s, i, 2]
            depth = -(m[2, 0] * x + m[2, 1] * y + m[2, 2] * z + m[2, 3])
            here = focal / depth
            px[s, i, 0] = here * (m[0, 0] * x + m[0, 1] * y + m[0, 2] * z + m[0, 3])
            px[s, i, 1] = -here * (m[1, 0] * x + m[1, 1] * y + m[1, 2] * z + m[1, 3])
            shrink[s, i] = here / px_per_m[s, i]
            level = -np.log(shrink[s, i]) / log_step
            low[s, i] = int(np.floor(level))
            part[s, i] = level - np.floor(level)


@compiled
def _look_up(number, a, b, places, aside, finer, grain, out):  # type: ignore[no-untyped-def]
    """Fields between two levels, of the places between them, into ``out`` (S, N, 3), or (S, N, 1) for grain; bilinear.

    ``a`` and ``b`` are the levels ``number`` and ``number`` + 1: values, their (S, H, W), factor, middle x and y.
    ``places`` are px, shrink, low and part of ``Places``; ``aside`` (S, N, 2) px of the camera or (0, 0, 2) for none.
    ``finer`` looks at the field of the next finer scale instead, the finest at its own, and at the nearer level only:
    it is for what counts little.
    """
    px, shrink, low, part = places
    scales, count = low.shape
    for s in range(scales):
        f = max(s - finer, 0)
        for i in range(count):
            if low[s, i] != number:
                continue
            x, y = px[s, i, 0], px[s, i, 1]
            if aside.shape[0] > 0:
                x += aside[s, i, 0] * shrink[s, i]
                y += aside[s, i, 1] * shrink[s, i]
            weight = part[s, i]
            if finer > 0:
                values = _colour_at(a, f, x, y) if weight < 0.5 else _colour_at(b, f, x, y)
                out[s, i, 0], out[s, i, 1], out[s, i, 2] = values
                continue
            if grain:
                value = (1.0 - weight) * _grain_at(a, f, x, y)
                if weight > 0.0:
                    value += weight * _grain_at(b, f, x, y)
                out[s, i, 0] = value
                continue
            p, q, r = _colour_at(a, f, x, y)
            rest = 1.0 - weight
            p, q, r = rest * p, rest * q, rest * r
            if weight > 0.0:
                u, v, w = _colour_at(b, f, x, y)
                p, q, r = p + weight * u, q + weight * v, r + weight * w
            out[s, i, 0], out[s, i, 1], out[s, i, 2] = p, q, r


@compiled
def _corner(level, f, x, y):  # type: ignore[no-untyped-def]
    """Where in the values of a level the four pixels around a place begin, upper and lower row, and their weights."""
    _, (_, height, width), factor, middle_x, middle_y = level
    x = min(max(x * factor + middle_x - 0.5, 0.0), width - 1.001)
    y = min(max(y * factor + middle_y - 0.5, 0.0), height - 1.001)
    x0, y0 = int(x), int(y)
    a, b = x - x0, y - y0
    # unsigned: an index from the end is never meant
    upper = np.uint64(4 * ((f * height + y0) * width + x0))
    lower = np.uint64(4 * ((f * height + y0 + 1) * width + x0))
    return upper, lower, (1.0 - b) * (1.0 - a), (1.0 - b) * a, b * (1.0 - a), b * a


@compiled
def _colour_at(level, f, x, y):  # type: ignore[no-untyped-def]
    """L*, a*, b* of scale ``f`` at (x, y) px of level 0 from its middle, in whole steps."""
    values = level[0]
    i, j, k, m, n, o = _corner(level, f, x, y)
    one, two, four, five, six = np.uint64(1), np.uint64(2), np.uint64(4), np.uint64(5), np.uint64(6)
    return (
        k * values[i] + m * values[i + four] + n * values[j] + o * values[j + four],
        k * values[i + one] + m * values[i + five] + n * values[j + one] + o * values[j + five],
        k * values[i + two] + m * values[i + six] + n * values[j + two] + o * values[j + six],
    )


@compiled
def _grain_at(level, f, x, y):  # type: ignore[no-untyped-def]
    """Log grain of scale ``f`` at (x, y) px of level 0 from its middle, in whole steps."""
    values = level[0]
    i, j, k, m, n, o = _corner(level, f, x, y)
    here, beside = np.uint64(3), np.uint64(7)
    return k * values[i + here] + m * values[i + beside] + n * values[j + here] + o * values[j + beside]


_NOT_ASIDE = np.zeros((0, 0, 2))


class Shown(Protocol):
    """What is seen of a layer at places (S, N), to be looked up as :class:`Places` are."""

    def colour(self, aside_px: Array | None = None, finer: bool = False) -> Field:
        """L*, a*, b* (S, N, 3)."""

    def pattern(self) -> Array:
        """What movement shows (N, 5)."""

    def grain(self, aside_px: Array | None = None) -> Field:
        """Log grain (S, N)."""


@dataclass(frozen=True, eq=False)
class Places:
    """Places (S, N) on the layer as one camera sees them, to look up fields at and near them.

    ``px`` (S, N, 2) are pixels of level 0 from its middle, ``shrink`` (S, N) how many of them a pixel of the camera
    is; the magnification is level ``low`` (S, N) int32 and a ``part`` (S, N), 0 to 1, of the way to the next.
    ``levels`` are those of which there are any, and whether some of them lie between it and the next.
    """

    fields: LayerFields
    px: Array
    shrink: Array
    low: NDArray[np.int32]
    part: Array
    levels: tuple[tuple[int, bool], ...]

    def colour(self, aside_px: Array | None = None, finer: bool = False) -> Field:
        """L*, a*, b* (S, N, 3) there, or ``aside_px`` (S, N, 2) pixels of the camera beside.

        ``finer``: as the next finer scale sees it, at the nearer magnification that was drawn.
        """
        return self.fields.looked_up(self, aside_px, finer)

    def pattern(self) -> Array:
        """What movement shows (N, 5) at the first scale's places (:class:`previz.judge.film.pattern.SlidPattern`)."""
        return self.fields.pattern_at(self.px[0])

    def grain(self, aside_px: Array | None = None) -> Field:
        """Log grain (S, N) there, or ``aside_px`` (S, N, 2) pixels of the camera beside."""
        return self.fields.looked_up(self, aside_px, grain=True)[..., 0]


class LayerFields:
    """Fields of one layer as seen from near one lens position, at any magnification.

    ``camera`` is the camera whose magnification is level 0; ``draw`` gives a camera's picture of the layer (H, W, 3),
    linear 0 to 1, whole: nothing stands before it and it goes on beyond its own edges. Levels are made when they are
    first asked for.
    """

    def __init__(self, camera: Camera, draw: Callable[[Camera], Picture], viewer: Viewer) -> None:
        self._camera = camera
        self._draw = draw
        self._viewer = viewer
        self._levels: dict[int, _Level] = {}
        self._pattern: SlidPattern | None = None

    def at(self, points: Array, px_per_m: Array) -> Places:
        """Places (S, N) on the layer at points (S, N, 3) m, seen at ``px_per_m`` (S, N) across the sight line."""
        if len(px_per_m) != len(WINDOW_DEG):
            raise ValueError(f"points for {len(WINDOW_DEG)} scales are needed, not {len(px_per_m)}")
        shape = px_per_m.shape
        px, shrink, part = np.empty((*shape, 2)), np.empty(shape), np.empty(shape)
        low = np.empty(shape, dtype=np.int32)
        from_world = inverse_rigid(self._camera.world_from_cam)
        _placed(points, from_world, self._camera.focal_px, px_per_m, math.log(STEP), px, shrink, low, part)
        numbers = range(int(low.min()), int(low.max()) + 1)
        between = {number: part[low == number] for number in numbers}
        levels = tuple((number, bool(some.any())) for number, some in between.items() if some.size)
        return Places(self, px, shrink, low, part, levels)

    def pattern_at(self, px: Array) -> Array:
        """What movement of the layer shows, at (N, 2) px of level 0 from its middle (:class:`SlidPattern`'s values)."""
        level = self._level(0)
        if self._pattern is None:
            values, shape, *_ = level.of
            self._pattern = SlidPattern.of_fields(values.reshape(*shape, 4)[0] / _STEPS, self._viewer)
        return self._pattern.at(px + [level.of[3], level.of[4]])

    def looked_up(
        self, places: Places, aside_px: Array | None = None, finer: bool = False, grain: bool = False
    ) -> Field:
        """L*, a*, b* (S, N, 3), or log ``grain`` (S, N, 1), at places."""
        out = np.zeros((*places.low.shape, 1 if grain else 3), dtype=np.float32)
        aside = _NOT_ASIDE if aside_px is None else aside_px
        where = (places.px, places.shrink, places.low, places.part)
        for number, between in places.levels:
            level = self._level(number)
            # the next level is made only where something lies between the two
            following = self._level(number + 1) if between else level
            _look_up(number, level.of, following.of, where, aside, int(finer), grain, out)
        out /= _STEPS[3:] if grain else _STEPS[:3]
        return out

    def _level(self, number: int) -> _Level:
        if number not in self._levels:
            camera = zoomed(self._camera, STEP**number)
            values = fields_of(self._draw(camera), self._viewer).values
            steps = np.rint(values * _STEPS).astype(np.int16)
            middle = (camera.centre_x_px, camera.centre_y_px)
            self._levels[number] = _Level((steps.ravel(), steps.shape[:3], STEP**number, *middle))
        return self._levels[number]


def zoomed(camera: Camera, factor: float) -> Camera:
    """The same view drawn ``factor`` times as large, on as many times more pixels each way."""
    return camera.resized(
        max(round(camera.width_px * factor), 2), max(round(camera.height_px * factor), 2), factor
    )

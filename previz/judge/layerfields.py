"""What the eye's windows see of one layer of the set, wall or bridge, worked out once for every place and size.

The layer is drawn from one lens position at several magnifications and the fields of each picture are kept. A camera
near that position then needs no picture: the sight line through the middle of a window meets the layer somewhere, and
the field there, at the magnification at which the camera sees it, is what the window sees. What is left out is how the
layer's relief shifts against itself between the two positions, and how it is foreshortened.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from previz.build.surface import Picture
from previz.camera import Camera
from previz.judge.fields import fields_of
from previz.judge.viewer import WINDOW_DEG, Viewer
from previz.look.sampling import compiled

Array = NDArray[np.float64]
Field = NDArray[np.float32]

# magnifications go up by this factor; in between is interpolated
STEP = 1.2

# fields are kept in whole steps, so many to a unit of L*, a*, b* and log grain: half the memory
_STEPS = np.array([256.0, 256.0, 256.0, 4096.0], dtype=np.float32)


@dataclass(frozen=True, eq=False)
class _Level:
    """Fields (S, H, W, 4) int16, in ``_STEPS`` to the unit, of the picture of one camera."""

    values: NDArray[np.int16]
    camera: Camera


@compiled
def _look_up(values, px, weight, finer, out):  # type: ignore[no-untyped-def]
    """Adds ``weight`` (S, N) times the field of every scale at pixels (S, N, 2) to ``out`` (S, N, 4), bilinear.

    ``finer`` looks at the field of the next finer scale instead, the finest at its own.
    """
    scales, height, width = values.shape[:3]
    for s in range(scales):
        f = max(s - finer, 0)
        for i in range(px.shape[1]):
            w = weight[s, i]
            if w == 0.0:
                continue
            x = min(max(px[s, i, 0] - 0.5, 0.0), width - 1.001)
            y = min(max(px[s, i, 1] - 0.5, 0.0), height - 1.001)
            x0 = int(x)
            y0 = int(y)
            a = x - x0
            b = y - y0
            for k in range(4):
                upper = (1.0 - a) * values[f, y0, x0, k] + a * values[f, y0, x0 + 1, k]
                lower = (1.0 - a) * values[f, y0 + 1, x0, k] + a * values[f, y0 + 1, x0 + 1, k]
                out[s, i, k] += w * ((1.0 - b) * upper + b * lower)


@dataclass(frozen=True, eq=False)
class Places:
    """Places (S, N) on the layer as one camera sees them, to look up fields at and near them.

    ``px`` (S, N, 2) are pixels of level 0 from its middle, ``shrink`` (S, N) how many of them a pixel of the camera
    is, ``level`` (S, N) its magnification.
    """

    fields: LayerFields
    px: Array
    shrink: Array
    level: Array

    def seen(self, aside_px: Array | None = None, finer: bool = False) -> Field:
        """Fields (S, N, 4) there, or ``aside_px`` (S, N, 2) pixels of the camera beside; ``finer``: a finer scale's."""
        px = self.px if aside_px is None else self.px + aside_px * self.shrink[..., None]
        return self.fields.looked_up(px, self.level, finer)


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

    def at(self, points: Array, px_per_m: Array) -> Places:
        """Places (S, N) on the layer at points (S, N, 3) m, seen at ``px_per_m`` (S, N) across the sight line."""
        if len(px_per_m) != len(WINDOW_DEG):
            raise ValueError(f"points for {len(WINDOW_DEG)} scales are needed, not {len(px_per_m)}")
        here = self._camera.focal_px / self._camera.depth(points)
        level = np.log(px_per_m / here) / np.log(STEP)
        middle = np.array([self._camera.centre_x_px, self._camera.centre_y_px])
        return Places(self, self._camera.project(points) - middle, here / px_per_m, level)

    def looked_up(self, px: Array, level: Array, finer: bool) -> Field:
        """Fields (S, N, 4) at pixels (S, N, 2) from the middle of level 0, at levels (S, N)."""
        out = np.zeros((*level.shape, 4), dtype=np.float32)
        low = np.floor(level)
        part = level - low
        for number in range(int(low.min()), int(low.max()) + 2):
            weight = np.where(low == number, 1.0 - part, np.where(low == number - 1, part, 0.0))
            if not weight.any():
                continue
            one = self._level(number)
            middle = [one.camera.centre_x_px, one.camera.centre_y_px]
            _look_up(one.values, px * STEP**number + middle, weight, int(finer), out)
        return np.asarray(out / _STEPS, dtype=np.float32)

    def _level(self, number: int) -> _Level:
        if number not in self._levels:
            camera = zoomed(self._camera, STEP**number)
            values = fields_of(self._draw(camera), self._viewer).values
            self._levels[number] = _Level(np.rint(values * _STEPS).astype(np.int16), camera)
        return self._levels[number]


def zoomed(camera: Camera, factor: float) -> Camera:
    """The same view drawn ``factor`` times as large, on as many times more pixels each way."""
    return camera.resized(
        max(round(camera.width_px * factor), 2), max(round(camera.height_px * factor), 2), factor
    )

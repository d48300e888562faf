"""The wall's own paint where the bridge sweeps past it, solved together with the bridge's.

Only the part of the wall's picture that the frames look at is in question. It follows the bridge's codes in one row:
first the bridge's texels, then that part's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from previz.judge.windows import blurred, window_weights
from previz.paint.framemodel import BilinearSamples, LensLooks
from previz.paint.laying import Laying, mixed
from previz.paint.solver import HeldFrame
from previz.workshop.surface import Pixels8

Codes = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class FreeWall:
    """A wall whose paint may change.

    ``code`` (H, W, 3) uint8 is its clean picture as it is lit, ``shade`` (H, W, 3) float32 what the bridge's shadow
    leaves of the light, None without a shadow. ``change`` is how far its codes, 0 to 1, may lie from the design's.
    """

    code: Pixels8
    shade: NDArray[np.float32] | None
    change: float

    @property
    def size_px(self) -> tuple[int, int]:
        """(width, height) of its picture."""
        return self.code.shape[1], self.code.shape[0]

    def shaded(self, looks: BilinearSamples) -> BilinearSamples:
        """Looks at the wall's picture as the bridge's shadow dims it."""
        if self.shade is None:
            return looks
        return replace(looks, light=self.shade.reshape(-1, 3)[looks.texel[:, 0]])


@dataclass(frozen=True, eq=False)
class WallPart:
    """The part of a wall's picture that is in question: ``rows`` and ``columns`` of it, after ``first`` other codes."""

    rows: slice
    columns: slice
    first: int

    @property
    def height(self) -> int:
        """Texels high."""
        return int(self.rows.stop - self.rows.start)

    @property
    def width(self) -> int:
        """Texels wide."""
        return int(self.columns.stop - self.columns.start)

    def codes(self, code: Pixels8) -> Codes:
        """The part's codes (T, 3), 0 to 1, of the whole picture (H, W, 3)."""
        return np.asarray(code[self.rows, self.columns].reshape(-1, 3) / np.float32(255.0), dtype=np.float32)

    def put(self, code: Pixels8, codes: Codes) -> Pixels8:
        """The whole picture (H, W, 3) with the part's ``codes`` (T, 3)."""
        out = code.copy()
        out[self.rows, self.columns] = np.rint(codes * 255.0).astype(np.uint8).reshape(self.height, self.width, 3)
        return out


def in_one_row(frames: Sequence[HeldFrame], wall: FreeWall, first: int) -> tuple[list[HeldFrame], WallPart]:
    """Frames whose looks at the wall count its texels after ``first`` others, and the part that they look at.

    In the frames given they count the whole picture's texels from 0; the looks at the wall are the last of each.
    """
    width = wall.size_px[0]
    low, high = np.array([2**30, 2**30]), np.array([-1, -1])
    for frame in frames:
        for looks in _at_wall(frame):
            rows, columns = np.divmod(looks.samples.texel, width)
            low = np.minimum(low, [rows.min(), columns.min()])
            high = np.maximum(high, [rows.max(), columns.max()])
    part = WallPart(slice(int(low[0]), int(high[0]) + 1), slice(int(low[1]), int(high[1]) + 1), first)

    def counted(looks: LensLooks) -> LensLooks:
        rows, columns = np.divmod(looks.samples.texel, width)
        texel = first + (rows - part.rows.start) * part.width + columns - part.columns.start
        return replace(looks, samples=replace(looks.samples, texel=texel.astype(np.int32)))

    made = []
    for frame in frames:
        seen, clean = _at_wall(frame)
        model = replace(frame.model, looks=(*frame.model.looks[:-1], counted(seen)), clean_looks=counted(clean))
        made.append(replace(frame, model=model))
    return made, part


def _at_wall(frame: HeldFrame) -> tuple[LensLooks, LensLooks]:
    if frame.model.clean_looks is None:
        raise ValueError("a frame that does not look at the wall's texels")
    return frame.model.looks[-1], frame.model.clean_looks


@dataclass(frozen=True, eq=False)
class LayingBoth:
    """Lays changes on bridge and wall: the bridge's own way first, then ``brush_texels`` on the wall's part."""

    bridge: Laying
    part: WallPart
    brush_texels: float

    def __call__(self, changes: Codes) -> Codes:
        """Changes (T, 3) as they are laid; symmetric."""
        of_bridge = self.bridge(changes[: self.part.first])
        planes = mixed(changes[self.part.first :], self.bridge.mixing).reshape(3, self.part.height, self.part.width)
        laid = blurred(planes, window_weights(max(0.5 * self.brush_texels, 0.3)))
        of_wall = np.ascontiguousarray(np.moveaxis(laid, 0, 2)).reshape(-1, 3)
        return np.concatenate([of_bridge, of_wall])

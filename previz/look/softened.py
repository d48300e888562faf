"""A picture that is looked at through windows of any width: mip maps, looked up trilinearly (Williams, "Pyramidal
Parametrics", SIGGRAPH 1983)."""

from __future__ import annotations

import numpy as np

from previz.geometry import Array
from previz.look.sampling import bilinear
from previz.workshop.light.resample import averaged_to
from previz.workshop.surface import Picture

# each level is so many times as coarse as the one before it
_COARSER = 4


class Softened:
    """A picture (H, W, 3), linear, ever coarser, to be looked at through windows of any width."""

    def __init__(self, picture: Picture) -> None:
        self.levels = [picture]
        while min(self.levels[-1].shape[:2]) >= 4 * _COARSER and len(self.levels) < 4:
            height, width = self.levels[-1].shape[:2]
            self.levels.append(averaged_to(self.levels[-1], height // _COARSER, width // _COARSER))

    def at(self, uv: Array, width_px: Array) -> Picture:
        """Its colours (N, 3) at ``uv`` (N, 2), through windows of a standard deviation ``width_px`` (N,) texels."""
        # a square of s texels spreads as much as a window of a standard deviation of s / sqrt(12)
        level = np.log(np.maximum(width_px * np.sqrt(12.0), 1.0)) / np.log(_COARSER)
        level = np.minimum(level, len(self.levels) - 1.0)
        out = np.zeros((len(uv), 3), dtype=np.float32)
        for number, picture in enumerate(self.levels):
            share = np.maximum(1.0 - np.abs(level - number), 0.0).astype(np.float32)
            rows = np.flatnonzero(share > 0.0)
            out[rows] += share[rows, None] * bilinear(picture, uv[rows])
        return out

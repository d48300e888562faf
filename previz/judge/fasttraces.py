"""Traces without a picture: contours that lie on the wall, found once from near a lens position, and looked at by any
camera near there.

A shadow rides the wall, so that its contours are places on it. What a camera's windows see beside them is a field of
the wall with the bridge's shadow, and one of the clean wall (:mod:`previz.judge.layerfields`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter

from previz.camera import Camera
from previz.judge.layerfields import LayerFields
from previz.judge.outline import Outline
from previz.judge.viewer import PIECE_SPACING_DEG, SHORTEST_RUN_DEG, WINDOW_DEG, WINDOW_OFFSET, Viewer

Array = NDArray[np.float64]
Field = NDArray[np.float32]

# a line whose pieces all lie below this share of their limits is left out: none of it is found from nearby either
LEAST_SIZE: Final = 0.6


@dataclass(frozen=True, eq=False)
class WallTraces:
    """Contours on the wall: ``points`` (N, 3) m, in order along lines that ``line`` (N,) numbers, and ``beside`` (N, 3)
    m a little to their darker side. ``clean`` and ``shadowed`` are the wall's fields around them."""

    points: Array
    beside: Array
    line: NDArray[np.int64]
    clean: LayerFields
    shadowed: LayerFields

    def seen_by(self, camera: Camera, cover: Field, corner: tuple[int, int]) -> Outline:
        """The contours in a camera's frame, less what lies outside it or so near to the bridge that its own outline is
        judged there.

        ``cover`` (h, w) is the share of bridge in a part of the frame that begins at ``corner`` (x, y).
        """
        viewer = Viewer(camera.height_px)
        xy, aside = camera.project(self.points), camera.project(self.beside)
        away = aside - xy
        length = np.linalg.norm(away, axis=1)
        apart = round(WINDOW_OFFSET * WINDOW_DEG[-1] * viewer.px_per_deg)
        near = maximum_filter(cover, size=2 * apart + 1, mode="nearest") > 0.01
        at = np.floor(xy).astype(np.int64) - corner
        h, w = near.shape
        within = (at >= -apart).all(axis=1) & (at < np.array([w, h]) + apart).all(axis=1)
        at = np.clip(at, 0, [w - 1, h - 1])
        seen = (length > 1e-6) & (xy >= 0.0).all(axis=1) & (xy < [camera.width_px, camera.height_px]).all(axis=1)
        seen &= ~(within & near[at[:, 1], at[:, 0]])
        # a line that is broken off goes on as another
        starts = np.ones(len(xy), dtype=bool)
        starts[1:] = (self.line[1:] != self.line[:-1]) | ~seen[:-1]
        number = np.cumsum(starts & seen) - 1
        counts = np.bincount(number[seen], minlength=1)
        spacing = PIECE_SPACING_DEG * viewer.px_per_deg
        kept = seen & (counts[np.maximum(number, 0)] * spacing >= SHORTEST_RUN_DEG * viewer.px_per_deg)
        kept &= counts[np.maximum(number, 0)] >= 3
        _, lines = np.unique(number[kept], return_inverse=True)
        normal = away[kept] / length[kept, None]
        return Outline(xy[kept], normal, lines.astype(np.int64), (False,) * int(lines.max(initial=-1) + 1), spacing)

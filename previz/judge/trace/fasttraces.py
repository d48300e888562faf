"""Traces without a picture: contours and patches that lie on the wall, found once from near a lens position, and looked
at by any camera near there.

A shadow rides the wall, so that its contours are places on it, and a patch is as large to all cameras near there. What
a camera's windows see beside contours is a field of the wall with the bridge's shadow, and one of the clean wall
(:mod:`previz.judge.layerfields`).
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
from previz.judge.trace.patches import BRIDGE_SHARE, Patches
from previz.judge.trace.traces import FROM_BRIDGE_DEG
from previz.judge.viewer import PIECE_SPACING_DEG, SHORTEST_RUN_DEG, Viewer

Array = NDArray[np.float64]
Field = NDArray[np.float32]

# a line whose pieces all lie below this share of their limits is left out: none of it is found from nearby either
LEAST_SIZE: Final = 0.6


@dataclass(frozen=True, eq=False)
class WallLines:
    """Lines on the wall: ``points`` (N, 3) m, in order along lines that ``line`` (N,) numbers, and ``beside`` (N, 3) m
    a little to the side that their normals point to."""

    points: Array
    beside: Array
    line: NDArray[np.int64]

    def seen_by(
        self, camera: Camera, cover: Field, corner: tuple[int, int], apart_deg: float
    ) -> tuple[Outline, NDArray[np.int64]]:
        """The lines in a camera's frame, and which (M,) of their points they are: less what lies outside it or within
        ``apart_deg`` of the bridge.

        ``cover`` (h, w) is the share of bridge in a part of the frame that begins at ``corner`` (x, y).
        """
        viewer = Viewer(camera.height_px)
        xy, aside = camera.project(self.points), camera.project(self.beside)
        away = aside - xy
        length = np.linalg.norm(away, axis=1)
        apart = round(apart_deg * viewer.px_per_deg)
        near = maximum_filter(cover, size=2 * apart + 1, mode="nearest") > BRIDGE_SHARE
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
        closed = (False,) * int(lines.max(initial=-1) + 1)
        return Outline(xy[kept], normal, lines.astype(np.int64), closed, spacing), np.flatnonzero(kept)


@dataclass(frozen=True, eq=False)
class WallTraces:
    """What the bridge does to the wall: ``contours`` and ``patches`` on it, None where there are none. ``clean`` and
    ``shadowed`` are the wall's fields around the contours, ``size`` (V, N) how large the patches are to each viewer."""

    contours: WallLines | None
    clean: LayerFields
    shadowed: LayerFields
    patches: WallLines | None
    size: Array

    def contours_seen_by(self, camera: Camera, cover: Field, corner: tuple[int, int]) -> Outline | None:
        """The contours in a camera's frame, less what lies so near to the bridge that its own outline is judged there;
        None where there are none. As for :meth:`WallLines.seen_by`."""
        if self.contours is None:
            return None
        lines, _ = self.contours.seen_by(camera, cover, corner, FROM_BRIDGE_DEG)
        return lines if len(lines) > 0 else None

    def patches_seen_by(self, camera: Camera, cover: Field, corner: tuple[int, int]) -> Patches | None:
        """The patches in a camera's frame, less what lies behind the bridge; None where there are none."""
        if self.patches is None:
            return None
        lines, rows = self.patches.seen_by(camera, cover, corner, 0.0)
        return Patches(lines, self.size[:, rows]) if len(lines) > 0 else None

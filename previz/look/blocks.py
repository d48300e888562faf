"""Blocks of a mesh's triangles, and which of them can be in a frame: the others need not be drawn."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from previz.geometry import Array

# triangles that follow one another in a mesh and are drawn or left out together
BLOCK: Final = 256
# boxes are so much larger than their triangles, m: what the driver draws is rounded to single precision
_MORE: Final = 1e-5


def boxes_of(vertices: Array, faces: NDArray[np.integer]) -> Array:
    """Corners (B, 8, 3) m of the boxes round every ``BLOCK`` triangles (T, 3) of ``vertices`` (V, 3) m, in order."""
    corners = vertices[faces]
    starts = np.arange(0, len(faces), BLOCK)
    low = np.minimum.reduceat(corners.min(axis=1), starts, axis=0) - _MORE
    high = np.maximum.reduceat(corners.max(axis=1), starts, axis=0) + _MORE
    which = np.array([[i, j, k] for i in (0, 1) for j in (0, 1) for k in (0, 1)], dtype=bool)
    return np.asarray(np.where(which, high[:, None], low[:, None]))


def runs_in_view(boxes: Array, triangles: int, clip_from_world: Array) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First triangles (R,) and numbers of triangles (R,) of the runs of blocks that can be in view, in their order.

    ``boxes`` (B, 8, 3) m are those of a mesh of so many ``triangles``. A block is out of view where all corners of its
    box lie beyond one and the same plane of the clip volume -w <= x, y, z <= w.
    """
    clip = boxes @ clip_from_world[:, :3].T + clip_from_world[:, 3]
    place, w = clip[..., :3], clip[..., 3:]
    outside = (place < -w).all(axis=1) | (place > w).all(axis=1)
    seen = np.concatenate([[False], ~outside.any(axis=-1), [False]])
    change = np.flatnonzero(seen[1:] != seen[:-1])
    first, end = change[::2] * BLOCK, np.minimum(change[1::2] * BLOCK, triangles)
    return first, end - first

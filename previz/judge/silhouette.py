"""The bridge's silhouette without a picture: its few triangles filled, and what the wall hides of them left out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from previz.camera import Camera
from previz.look.sampling import compiled
from previz.look.sight import SightLines

Array = NDArray[np.float64]

# looks a pixel has in each direction, at the places of a picture's looks (look/view.py)
SAMPLES = 2


@compiled
def _fill(px, depth, faces, left, top, samples, mask, nearest):  # type: ignore[no-untyped-def]
    """Fill triangles into ``mask`` (H, W) uint8 and 1 / depth into ``nearest`` (H, W); the nearest counts.

    ``px`` (V, 2) are places in the frame, ``depth`` (V,) m; the first look lies half a step from (left, top) px.
    """
    rows, columns = mask.shape
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        if depth[a] <= 1e-6 or depth[b] <= 1e-6 or depth[c] <= 1e-6:
            continue
        ax, ay = (px[a, 0] - left) * samples - 0.5, (px[a, 1] - top) * samples - 0.5
        bx, by = (px[b, 0] - left) * samples - 0.5, (px[b, 1] - top) * samples - 0.5
        cx, cy = (px[c, 0] - left) * samples - 0.5, (px[c, 1] - top) * samples - 0.5
        area = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        if area == 0.0:
            continue
        x0 = max(int(np.ceil(min(ax, bx, cx))), 0)
        x1 = min(int(np.floor(max(ax, bx, cx))), columns - 1)
        y0 = max(int(np.ceil(min(ay, by, cy))), 0)
        y1 = min(int(np.floor(max(ay, by, cy))), rows - 1)
        za, zb, zc = 1.0 / depth[a], 1.0 / depth[b], 1.0 / depth[c]
        for y in range(y0, y1 + 1):
            for x in range(x0, x1 + 1):
                u = ((bx - x) * (cy - y) - (by - y) * (cx - x)) / area
                v = ((cx - x) * (ay - y) - (cy - y) * (ax - x)) / area
                w = 1.0 - u - v
                if u < 0.0 or v < 0.0 or w < 0.0:
                    continue
                # 1 / depth is linear in the picture
                z = u * za + v * zb + w * zc
                mask[y, x] = 1
                if z > nearest[y, x]:
                    nearest[y, x] = z


def silhouette(
    camera: Camera, vertices: Array, faces: NDArray[np.int32], sight: SightLines, wall: str, wall_reaches: float
) -> tuple[NDArray[np.float32], tuple[int, int]]:
    """Share (h, w) of each pixel that shows the bridge, in the part of the frame that holds it, and where that is.

    ``vertices`` (V, 3) m and ``faces`` (F, 3) are the bridge's. ``wall_reaches`` is the largest z (m) of the wall:
    only bridge nearer to the wall than that can be hidden by it. The place is (x, y) px of the part's first pixel;
    the part is empty where the bridge is not in the frame.
    """
    px, depth = camera.project(vertices), camera.depth(vertices)
    ahead = depth > 1e-6
    if not ahead.any():
        return np.zeros((0, 0), dtype=np.float32), (0, 0)
    # room around for the outline; the frame's own edges stay edges
    low = np.maximum(np.floor(px[ahead].min(axis=0)) - 4, 0).astype(int)
    high = np.minimum(np.ceil(px[ahead].max(axis=0)) + 4, [camera.width_px, camera.height_px]).astype(int)
    if np.any(high <= low):
        return np.zeros((0, 0), dtype=np.float32), (0, 0)
    w, h = high - low
    mask = np.zeros((h * SAMPLES, w * SAMPLES), dtype=np.uint8)
    nearest = np.zeros(mask.shape)
    _fill(px, depth, faces, float(low[0]), float(low[1]), SAMPLES, mask, nearest)
    _without_hidden(mask, nearest, camera, low, sight, wall, wall_reaches)
    cover = mask.reshape(h, SAMPLES, w, SAMPLES).mean(axis=(1, 3), dtype=np.float32)
    return np.asarray(cover), (int(low[0]), int(low[1]))


def _without_hidden(
    mask: NDArray[np.uint8],
    nearest: Array,
    camera: Camera,
    low: NDArray[np.int64],
    sight: SightLines,
    wall: str,
    wall_reaches: float,
) -> None:
    """Clear looks that the wall stands in the way of."""
    rows, columns = np.nonzero(mask)
    if len(rows) == 0:
        return
    at = low + (np.stack([columns, rows], axis=1) + 0.5) / SAMPLES
    forward = camera.forward
    # the wall can only be in the way of what lies behind its foremost point: try a coarse test first
    origins, directions = camera.rays(at)
    distance = 1.0 / nearest[rows, columns] / (directions @ forward)
    z = origins[:, 2] + distance * directions[:, 2]
    near_wall = np.flatnonzero(z < wall_reaches)
    if len(near_wall) == 0:
        return
    hidden = sight.blocked(origins[near_wall], directions[near_wall], distance[near_wall], names=[wall])
    gone = near_wall[hidden]
    mask[rows[gone], columns[gone]] = 0

"""The bridge's silhouette without a picture: its few triangles filled, and what the wall hides of them left out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from previz.camera import Camera
from previz.look.sight import SightLines
from previz.workshop.compiled import compiled

Array = NDArray[np.float64]

# looks a pixel has in each direction, at the places of a picture's looks (look/view.py)
SAMPLES = 3


@compiled
def _fill(px, depth, faces, left, top, samples, nearest):  # type: ignore[no-untyped-def]
    """Fill triangles into ``nearest`` (H, W), 1 / depth in 1/m, 0 where there is none; the nearest counts.

    ``px`` (V, 2) are places in the frame, ``depth`` (V,) m; the first look lies half a step from (left, top) px.
    """
    rows, columns = nearest.shape
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
            # the sides cut this row to a short run: found roughly, with a look to spare, and tested look by look
            low, high = float(x0), float(x1)
            for px0, py0, px1, py1 in ((bx, by, cx, cy), (cx, cy, ax, ay), (ax, ay, bx, by)):
                # twice the area on the inner side of this side is start + slope * x, over the whole area
                slope = (py0 - py1) / area
                start = (px0 * (py1 - y) - (py0 - y) * px1) / area
                if slope > 1e-12:
                    low = max(low, -start / slope - 1.0)
                elif slope < -1e-12:
                    high = min(high, -start / slope + 1.0)
            # the corners' shares of a look, and 1 / depth with them, are linear along the row
            u0, du = (bx * (cy - y) - (by - y) * cx) / area, (by - cy) / area
            v0, dv = (cx * (ay - y) - (cy - y) * ax) / area, (cy - ay) / area
            z0, dz = u0 * (za - zc) + v0 * (zb - zc) + zc, du * (za - zc) + dv * (zb - zc)
            for x in range(int(np.ceil(low)), int(np.floor(high)) + 1):
                u, v = u0 + du * x, v0 + dv * x
                if u < 0.0 or v < 0.0 or 1.0 - u - v < 0.0:
                    continue
                z = z0 + dz * x
                if z > nearest[y, x]:
                    nearest[y, x] = z


@compiled
def _cover(nearest, samples, out):  # type: ignore[no-untyped-def]
    """Share (h, w) of each pixel whose looks are filled."""
    share = np.float32(1.0 / (samples * samples))
    for y in range(out.shape[0]):
        for x in range(out.shape[1]):
            count = 0
            for i in range(y * samples, (y + 1) * samples):
                for j in range(x * samples, (x + 1) * samples):
                    if nearest[i, j] > 0.0:
                        count += 1
            out[y, x] = count * share


@compiled
def _behind(nearest, across, down, onward, start, limit, found):  # type: ignore[no-untyped-def]
    """Filled looks whose point lies at less than ``limit`` m of z, as (row, column) in ``found``; how many.

    A look's way along z is ``across * column + down * row + onward`` for a depth of one.
    """
    count = 0
    for y in range(nearest.shape[0]):
        along = down * y + onward
        for x in range(nearest.shape[1]):
            n = nearest[y, x]
            if n > 0.0 and start + (across * x + along) / n < limit:
                found[count, 0] = y
                found[count, 1] = x
                count += 1
    return count


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
    nearest = np.zeros((h * SAMPLES, w * SAMPLES))
    _fill(px, depth, faces, float(low[0]), float(low[1]), SAMPLES, nearest)
    _without_hidden(nearest, camera, low, sight, wall, wall_reaches)
    cover = np.empty((h, w), dtype=np.float32)
    _cover(nearest, SAMPLES, cover)
    return cover, (int(low[0]), int(low[1]))


def _without_hidden(
    nearest: Array,
    camera: Camera,
    low: NDArray[np.int64],
    sight: SightLines,
    wall: str,
    wall_reaches: float,
) -> None:
    """Clear looks that the wall stands in the way of."""
    # the wall can only be in the way of what lies behind its foremost point
    right, up, back = camera.world_from_cam[2, :3]
    step = 1.0 / (SAMPLES * camera.focal_px)
    across, down = right * step, -up * step
    first = (low + 0.5 / SAMPLES - [camera.centre_x_px, camera.centre_y_px]) / camera.focal_px
    onward = right * first[0] - up * first[1] - back
    found = np.empty((nearest.size, 2), dtype=np.int32)
    start = float(camera.position[2])
    found = found[: _behind(nearest, across, down, onward, start, wall_reaches, found)]
    if len(found) == 0:
        return
    rows, columns = found.T
    at = low + (found[:, ::-1] + 0.5) / SAMPLES
    origins, directions = camera.rays(at)
    distance = 1.0 / nearest[rows, columns] / (directions @ camera.forward)
    hidden = sight.blocked(origins, directions, distance, names=[wall])
    nearest[rows[hidden], columns[hidden]] = 0.0

"""Where in the world the texels of a surface's picture are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from previz.build.relief import GridSurface
from previz.build.surface import Surface
from previz.geometry import Array

# texels looked at in one go: bounds the memory to about 150 MB
_CHUNK = 1 << 20


@dataclass(frozen=True, eq=False)
class TexelMap:
    """Points (H, W, 3) float32 m and unit normals (H, W, 3) float32 of texel centres, and which are on the surface.

    ``valid`` (H, W) holds one texel more around every chart, its point on the chart's plane continued, so that a
    bilinear look at a chart's border finds no strange texel. Where charts lie over each other the one that reaches
    farthest towards the camera (largest z) counts. Points and normals of other texels are 0.
    """

    points: NDArray[np.float32]
    normals: NDArray[np.float32]
    valid: NDArray[np.bool_]


def texel_points(surface: Surface, width_px: int, height_px: int) -> TexelMap:
    """The texels of a picture of ``width_px`` x ``height_px`` laid over a surface's map.

    Points are those of the triangles, exact to float32. Normals of a height field are smooth, of other meshes the
    triangles' own.
    """
    if isinstance(surface, GridSurface):
        return _of_grid(surface, width_px, height_px)
    return _of_mesh(surface, width_px, height_px)


def _of_grid(surface: GridSurface, width_px: int, height_px: int) -> TexelMap:
    field = surface.field
    x_lines, y_lines = field.x, field.y
    x = x_lines[0] + (np.arange(width_px) + 0.5) / width_px * (x_lines[-1] - x_lines[0])
    y = y_lines[-1] - (np.arange(height_px) + 0.5) / height_px * (y_lines[-1] - y_lines[0])
    i = np.clip(np.searchsorted(x_lines, x, side="right") - 1, 0, len(x_lines) - 2)
    j = np.clip(np.searchsorted(y_lines, y, side="right") - 1, 0, len(y_lines) - 2)
    s = ((x - x_lines[i]) / np.diff(x_lines)[i]).astype(np.float32)
    t = ((y - y_lines[j]) / np.diff(y_lines)[j]).astype(np.float32)[:, None]
    z = field.z.astype(np.float32)
    low, high = np.take(z[j], i, axis=1), np.take(z[j + 1], i + 1, axis=1)
    lower_right, upper_left = np.take(z[j], i + 1, axis=1), np.take(z[j + 1], i, axis=1)
    points = np.empty((height_px, width_px, 3), dtype=np.float32)
    points[..., 0] = x
    points[..., 1] = y[:, None]
    below = s >= t
    points[..., 2] = low + np.where(
        below, s * (lower_right - low) + t * (high - lower_right), t * (upper_left - low) + s * (high - upper_left)
    )
    along_y, along_x = np.gradient(field.z, y_lines, x_lines)
    normals = np.empty_like(points)
    for k, slope in ((0, along_x), (1, along_y)):
        level = slope.astype(np.float32)
        level = level[j] * (1.0 - t) + level[j + 1] * t
        normals[..., k] = -(np.take(level, i, axis=1) * (1.0 - s) + np.take(level, i + 1, axis=1) * s)
    normals[..., 2] = 1.0
    normals /= np.sqrt(np.einsum("...i,...i->...", normals, normals))[..., None]
    return TexelMap(points, normals, np.ones((height_px, width_px), dtype=bool))


def texel_owners(surface: Surface, width_px: int, height_px: int, margin: bool) -> NDArray[np.int32]:
    """The face that each texel (height_px, width_px) belongs to, -1 for none; with one texel more around every
    chart where ``margin`` is set. Of faces laid over each other the one nearest to the camera (largest z) counts."""
    corners = surface.vertices[surface.faces]
    map_px = surface.uv.astype(np.float64)[surface.faces] * (width_px, height_px)
    area2 = _cross(map_px[:, 1] - map_px[:, 0], map_px[:, 2] - map_px[:, 0])
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.linalg.norm(across, axis=1)
    drawn = np.flatnonzero((np.abs(area2) > 1e-9) & (size > 0.0))
    # what lies in front is drawn last
    drawn = drawn[np.argsort(corners[drawn, :, 2].mean(axis=1), kind="stable")]
    owner = np.full(width_px * height_px, -1, dtype=np.int32)
    _draw(owner, drawn, map_px, area2, width_px, height_px, 0.0)
    empty = owner < 0
    if margin and empty.any():
        rim = drawn[_on_a_border(surface)[drawn]]
        around = owner.copy()
        _draw(around, rim, map_px, area2, width_px, height_px, 1.0)
        owner = np.where(empty, around, owner)
    return owner.reshape(height_px, width_px)


def _of_mesh(surface: Surface, width_px: int, height_px: int) -> TexelMap:
    corners = surface.vertices[surface.faces]
    map_px = surface.uv.astype(np.float64)[surface.faces] * (width_px, height_px)
    area2 = _cross(map_px[:, 1] - map_px[:, 0], map_px[:, 2] - map_px[:, 0])
    across = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.linalg.norm(across, axis=1)
    owner = texel_owners(surface, width_px, height_px, margin=True).reshape(-1)
    texel = np.flatnonzero(owner >= 0)
    points = np.zeros((height_px * width_px, 3), dtype=np.float32)
    normals = np.zeros_like(points)
    for start in range(0, len(texel), _CHUNK):
        at = texel[start : start + _CHUNK]
        face = owner[at]
        centre = np.stack([at % width_px + 0.5, at // width_px + 0.5], axis=1)
        a, b, c = (map_px[face, k] for k in range(3))
        second = _cross(centre - a, c - a) / area2[face]
        third = _cross(b - a, centre - a) / area2[face]
        p = corners[face]
        points[at] = p[:, 0] + second[:, None] * (p[:, 1] - p[:, 0]) + third[:, None] * (p[:, 2] - p[:, 0])
        normals[at] = across[face] / size[face, None]
    shape = (height_px, width_px)
    return TexelMap(points.reshape(*shape, 3), normals.reshape(*shape, 3), (owner >= 0).reshape(shape))


def _cross(a: Array, b: Array) -> Array:
    return np.asarray(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])


def _on_a_border(surface: Surface) -> NDArray[np.bool_]:
    """Faces (F,) with an edge that no other face of the same chart shares."""
    edges = np.sort(surface.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2).astype(np.int64), axis=1)
    key = edges[:, 0] * len(surface.vertices) + edges[:, 1]
    _, inverse, counts = np.unique(key, return_inverse=True, return_counts=True)
    return np.asarray((counts[inverse.reshape(-1)] == 1).reshape(-1, 3).any(axis=1))


def _draw(
    owner: NDArray[np.int32],
    faces: NDArray[np.intp],
    map_px: Array,
    area2: Array,
    width_px: int,
    height_px: int,
    margin: float,
) -> None:
    """Write the face number into every texel whose centre lies in a face, or within ``margin`` texels of it."""
    low = np.floor(map_px[faces].min(axis=1) - margin - 0.5).astype(np.int64) + 1
    high = np.floor(map_px[faces].max(axis=1) + margin - 0.5).astype(np.int64)
    low = np.clip(low, 0, None)
    high = np.minimum(high, [width_px - 1, height_px - 1])
    extent = np.maximum(high - low + 1, 0)
    count = extent[:, 0] * extent[:, 1]
    start = 0
    while start < len(faces):
        # as many faces in a row as fit into a chunk; a single large one goes band by band
        stop = start + max(1, int(np.searchsorted(np.cumsum(count[start:]), _CHUNK, side="right")))
        if stop == start + 1 and count[start] > _CHUNK:
            step = max(1, int(_CHUNK // max(extent[start, 0], 1)))
            for top in range(int(low[start, 1]), int(high[start, 1]) + 1, step):
                bottom = min(top + step - 1, int(high[start, 1]))
                y, x = np.mgrid[top : bottom + 1, low[start, 0] : high[start, 0] + 1]
                _claim(owner, faces[start : start + 1], x.ravel(), y.ravel(), map_px, area2, width_px, margin)
        else:
            part = slice(start, stop)
            which = np.repeat(np.arange(start, stop), count[part])
            offset = np.arange(len(which)) - np.repeat(np.cumsum(count[part]) - count[part], count[part])
            x = low[which, 0] + offset % np.maximum(extent[which, 0], 1)
            y = low[which, 1] + offset // np.maximum(extent[which, 0], 1)
            _claim(owner, faces[which], x, y, map_px, area2, width_px, margin)
        start = stop


def _claim(
    owner: NDArray[np.int32],
    faces: NDArray[np.intp],
    x: NDArray[np.int64],
    y: NDArray[np.int64],
    map_px: Array,
    area2: Array,
    width_px: int,
    margin: float,
) -> None:
    inside = np.ones(len(x), dtype=bool)
    single = len(faces) == 1
    for k in range(3):
        a, b = map_px[faces, k], map_px[faces, (k + 1) % 3]
        side = np.sign(area2[faces])
        edge = b - a
        # signed distance to the edge times its length, positive inside
        value = side * (edge[:, 0] * (y + 0.5 - a[:, 1]) - edge[:, 1] * (x + 0.5 - a[:, 0]))
        inside &= value >= -1e-9 - margin * np.hypot(edge[:, 0], edge[:, 1])
    at = (y * width_px + x)[inside]
    owner[at] = faces[0] if single else faces[inside]

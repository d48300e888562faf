"""Texture to world: where the texels of a surface's atlas, its picture, are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from previz.geometry import Array
from previz.workshop.relief import GridSurface, HeightField
from previz.workshop.surface import Surface

# texels looked at in one go: bounds the memory to about 100 MB
_CHUNK = 1 << 20

# how far (texels) charts are continued: a bilinear look at a border reaches a texel across and one down
_MARGIN = 1.5

# a height field that turns by more than this (rad) from one cell to the next has an edge there and is not rounded off
_CREASE = np.pi / 3.0


@dataclass(frozen=True, eq=False)
class TexelMap:
    """Points (H, W, 3) float32 m and unit normals (H, W, 3) float32 of texel centres, and which are on the surface.

    ``valid`` (H, W) holds a margin of a texel or two around every chart, its points on the chart's plane continued,
    so that a bilinear look at a chart's border finds no strange texel. Where charts lie over each other the one
    that reaches farthest towards the camera (largest z) counts. Points and normals of other texels are 0.
    """

    points: NDArray[np.float32]
    normals: NDArray[np.float32]
    valid: NDArray[np.bool_]


def texel_side(surface: Surface) -> float:
    """Side (m) of a texel of a wall's picture, across; a modelled wall's by its extent along x and along u."""
    count = int(surface.reflectance.shape[1])
    if isinstance(surface, GridSurface):
        return surface.field.map_size[0] / count
    wide, across = float(np.ptp(surface.vertices[:, 0])), float(np.ptp(surface.uv[:, 0]))
    return wide / max(across, 1e-6) / count


def texel_points(surface: Surface, width_px: int, height_px: int) -> TexelMap:
    """The texels of a picture of ``width_px`` x ``height_px`` laid over a surface's map.

    Points are those of the triangles, exact to float32. Normals of a height field are smooth between
    its creases, of other meshes the triangles' own.
    """
    if isinstance(surface, GridSurface):
        return _of_grid(surface, width_px, height_px)
    return _of_mesh(surface, width_px, height_px)


def _of_grid(surface: GridSurface, width_px: int, height_px: int) -> TexelMap:
    row, column = np.arange(height_px)[:, None], np.arange(width_px)[None]
    points, normals = _grid_places(surface.field, (column + 0.5) / width_px, (row + 0.5) / height_px)
    return TexelMap(points, normals, np.ones((height_px, width_px), dtype=bool))


def grid_points(
    surface: GridSurface, width_px: int, height_px: int, row: NDArray[np.intp], column: NDArray[np.intp]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Points and normals (N, 3) of some texels alone, at ``row`` and ``column`` (N,), of a height field's map."""
    return _grid_places(surface.field, (column + 0.5) / width_px, (row + 0.5) / height_px)


def _grid_places(field: HeightField, u: Array, v: Array) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Points and normals at places of the map: ``u`` and ``v`` of one shape, or a row (1, W) and a column (H, 1)."""
    x_lines, y_lines = field.x, field.y
    along, up = u * field.along[-1], (1.0 - v) * field.up[-1]
    i = np.clip(np.searchsorted(field.along, along, side="right") - 1, 0, len(x_lines) - 2)
    j = np.clip(np.searchsorted(field.up, up, side="right") - 1, 0, len(y_lines) - 2)
    s64, t64 = (along - field.along[i]) / np.diff(field.along)[i], (up - field.up[j]) / np.diff(field.up)[j]
    x, y = x_lines[i] + s64 * np.diff(x_lines)[i], y_lines[j] + t64 * np.diff(y_lines)[j]
    s, t = s64.astype(np.float32), t64.astype(np.float32)
    z = field.z.astype(np.float32)
    low, high = z[j, i], z[j + 1, i + 1]
    lower_right, upper_left = z[j, i + 1], z[j + 1, i]
    points = np.empty((*low.shape, 3), dtype=np.float32)
    points[..., 0] = x
    points[..., 1] = y
    below = s >= t
    points[..., 2] = low + np.where(
        below, s * (lower_right - low) + t * (high - lower_right), t * (upper_left - low) + s * (high - upper_left)
    )
    normals = np.empty_like(points)
    left, right = (a.astype(np.float32) for a in _slopes(field.z, x_lines, 1))
    under, over = (a.astype(np.float32) for a in _slopes(field.z, y_lines, 0))
    # at each corner of a cell the slopes that hold on the cell's side of its lines
    for k, corners in enumerate((
        (right[j, i], left[j, i + 1], right[j + 1, i], left[j + 1, i + 1]),
        (over[j, i], over[j, i + 1], under[j + 1, i], under[j + 1, i + 1]),
    )):  # fmt: skip
        a, b, c, d = corners
        normals[..., k] = -((a * (1.0 - s) + b * s) * (1.0 - t) + (c * (1.0 - s) + d * s) * t)
    normals[..., 2] = 1.0
    normals /= np.sqrt(np.einsum("...i,...i->...", normals, normals))[..., None]
    return points, normals


def _slopes(z: Array, lines: Array, axis: int) -> tuple[Array, Array]:
    """Slopes of a height field at its lines, as they hold before and after each line along ``axis``.

    The two are the same, a mean, but at creases: the brink of a doorway must not turn the wall beside it sideways.
    """
    z = np.moveaxis(z, axis, -1)
    cell = np.diff(z, axis=-1) / np.diff(lines)
    mean = np.gradient(z, lines, axis=-1)
    before, after = mean.copy(), mean.copy()
    crease = np.abs(np.diff(np.arctan(cell), axis=-1)) > _CREASE
    before[..., 1:-1][crease] = cell[..., :-1][crease]
    after[..., 1:-1][crease] = cell[..., 1:][crease]
    return np.moveaxis(before, -1, axis), np.moveaxis(after, -1, axis)


def texel_owners(surface: Surface, width_px: int, height_px: int, margin: bool) -> NDArray[np.int32]:
    """The face that each texel (height_px, width_px) belongs to, -1 for none; with a margin around every
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
        _draw(around, rim, map_px, area2, width_px, height_px, _MARGIN)
        owner = np.where(empty, around, owner)
    return owner.reshape(height_px, width_px)


def _of_mesh(surface: Surface, width_px: int, height_px: int) -> TexelMap:
    corners = surface.vertices[surface.faces]
    map_px = surface.uv.astype(np.float64)[surface.faces] * (width_px, height_px)
    second, third = map_px[:, 1] - map_px[:, 0], map_px[:, 2] - map_px[:, 0]
    area2 = _cross(second, third)
    e1, e2 = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    across = np.cross(e1, e2)
    with np.errstate(divide="ignore", invalid="ignore"):
        normal = (across / np.linalg.norm(across, axis=1, keepdims=True)).astype(np.float32)
        # the way (m) that a step of one texel right and one down makes on each face
        right = (third[:, 1:] * e1 - second[:, 1:] * e2) / area2[:, None]
        down = (second[:, :1] * e2 - third[:, :1] * e1) / area2[:, None]
    owner = texel_owners(surface, width_px, height_px, margin=True).reshape(-1)
    texel = np.flatnonzero(owner >= 0)
    points = np.zeros((height_px * width_px, 3), dtype=np.float32)
    normals = np.zeros_like(points)
    for start in range(0, len(texel), _CHUNK):
        at = texel[start : start + _CHUNK]
        face = owner[at]
        from_x = at % width_px + 0.5 - map_px[face, 0, 0]
        from_y = at // width_px + 0.5 - map_px[face, 0, 1]
        for k in range(3):
            points[at, k] = corners[face, 0, k] + right[face, k] * from_x + down[face, k] * from_y
        normals[at] = normal[face]
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
    """Write the face number into every texel whose centre lies in a face, or within ``margin`` texels of it.

    Row by row: in a row of texels a face is one run, bounded by its three edges.
    """
    y = map_px[faces, :, 1]
    low = np.clip(np.floor(y.min(axis=1) - margin - 0.5).astype(np.int64) + 1, 0, height_px)
    high = np.clip(np.floor(y.max(axis=1) + margin - 0.5).astype(np.int64) + 1, 0, height_px)
    rows = np.maximum(high - low, 0)
    ends = np.cumsum(rows)
    start = 0
    while start < len(faces):
        done = ends[start - 1] if start else 0
        stop = max(start + 1, int(np.searchsorted(ends, done + _CHUNK // 4, side="right")))
        count = rows[start:stop]
        which = np.repeat(faces[start:stop], count)
        row = np.arange(len(which)) - np.repeat(np.cumsum(count) - count, count) + np.repeat(low[start:stop], count)
        _claim(owner, which, row, map_px, area2, width_px, margin)
        start = stop


def _claim(
    owner: NDArray[np.int32],
    which: NDArray[np.intp],
    row: NDArray[np.int64],
    map_px: Array,
    area2: Array,
    width_px: int,
    margin: float,
) -> None:
    """Claim the texels of each face ``which`` (N,) in the ``row`` (N,) beside it."""
    left = map_px[which, :, 0].min(axis=1) - margin
    right = map_px[which, :, 0].max(axis=1) + margin
    side = np.sign(area2[which])
    for k in range(3):
        a, b = map_px[which, k], map_px[which, (k + 1) % 3]
        along_x, along_y = b[:, 0] - a[:, 0], b[:, 1] - a[:, 1]
        # inside: side * (along_x * (y - ay) - along_y * (x - ax)) >= -slack
        slack = 1e-9 + margin * np.hypot(along_x, along_y)
        free = side * along_x * (row + 0.5 - a[:, 1]) + slack
        slope = side * along_y
        with np.errstate(divide="ignore", invalid="ignore"):
            bound = a[:, 0] + free / slope
        right = np.where(slope > 0.0, np.minimum(right, bound), right)
        left = np.where(slope < 0.0, np.maximum(left, bound), left)
        left = np.where((slope == 0.0) & (free < 0.0), np.inf, left)
    first = np.ceil(np.clip(left - 0.5, 0.0, width_px)).astype(np.int64)
    last = np.floor(np.clip(right - 0.5, -1.0, width_px - 1.0)).astype(np.int64)
    count = np.maximum(last - first + 1, 0)
    base = row * width_px + first
    at = np.arange(int(count.sum())) + np.repeat(base - np.cumsum(count) + count, count)
    owner[at] = np.repeat(which.astype(np.int32), count)

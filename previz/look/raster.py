"""The rays of a whole frame cast together: which triangle each of them meets first, and what it shows there.

A frame's rays leave one point, or run side by side, through places on a regular raster. So each triangle is asked which
rays meet it, instead of each ray which triangle it meets: the answer is the same, in a fraction of the time.

With a corner at (x, y, w), homogeneous in the raster, a ray through (x, y, 1) meets the triangle's plane where each
corner counts as the ray's product with the cross product of the other two; it meets the triangle where all three have
the sign of the determinant (Olano and Greer, "Triangle Scan Conversion using 2D Homogeneous Coordinates", Workshop on
Graphics Hardware, 89-95, 1997, section 3). Nothing is clipped, and as neighbours share the product of their edge but
for its sign, no ray slips through between them. All of it is float64.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from previz.camera import AnyCamera, Camera
from previz.colour import LINEAR_OF_CODE
from previz.geometry import Array, inverse_rigid, transform_points
from previz.workshop.bilinear import read_between
from previz.workshop.compiled import compiled, in_parts
from previz.workshop.surface import Picture, Pixels8, Surface

# rows of pixels whose rays are cast at once: what a band needs stays near the processor
_ROWS: Final = 32

# in wider triangles the columns that a row of rays can meet are worked out first
_WIDE: Final = 8


@dataclass(frozen=True, eq=False)
class FrameTriangles:
    """The triangles of surfaces in one list: ``vertices`` (V, 3) m, ``uv`` (V, 2), ``faces`` (F, 3), and the number
    of the ``first`` face of each surface, with that of all at the end."""

    vertices: Array
    uv: Array
    faces: NDArray[np.int64]
    first: tuple[int, ...]


def triangles_of(surfaces: Sequence[Surface]) -> FrameTriangles:
    """All triangles of surfaces, in their order."""
    before = np.cumsum([0] + [len(s.vertices) for s in surfaces])
    faces = [np.asarray(s.faces, dtype=np.int64) + k for s, k in zip(surfaces, before, strict=False)]
    return FrameTriangles(
        np.concatenate([np.zeros((0, 3)), *(np.asarray(s.vertices, dtype=np.float64) for s in surfaces)]),
        np.concatenate([np.zeros((0, 2)), *(np.asarray(s.uv, dtype=np.float64) for s in surfaces)]),
        np.concatenate([np.zeros((0, 3), dtype=np.int64), *faces]),
        tuple(int(k) for k in np.cumsum([0] + [len(s.faces) for s in surfaces])),
    )


@dataclass(frozen=True, eq=False)
class Shows:
    """What a surface shows: its ``layer`` number and its pictures (H, W, 3), one for each that is wanted; a surface
    without pictures hides what is behind it, and counts as nothing."""

    layer: int
    codes: tuple[Pixels8, ...]


def cast(
    camera: AnyCamera,
    triangles: FrameTriangles,
    shown: Sequence[Shows],
    samples: int,
    background: tuple[float, float, float],
    pictures: int = 1,
    depth: bool = False,
    before: NDArray[np.float32] | None = None,
) -> tuple[list[Picture], NDArray[np.uint8], NDArray[np.float32] | None]:
    """Pictures (H, W, 3), linear Rec.709, layers (H * samples, W * samples) and, if asked for, depths (m) of those.

    ``shown`` says what each surface of ``triangles`` shows. A pixel is the mean, in linear light, of its ``samples`` x
    ``samples`` rays, each of which reads the texture's codes, interpolated and rounded, as both engines do; a ray that
    meets nothing counts as ``background``. ``before`` (H * samples, W * samples), m, are depths of what stands there
    already, 0 for nothing: a ray that meets nothing nearer than that meets nothing.
    """
    height, width = camera.height_px, camera.width_px
    places, depths = _homogeneous(camera, triangles.vertices, samples)
    boxes = np.empty((len(triangles.faces), 4), dtype=np.int64)
    _boxes(places, triangles.faces, width * samples, height * samples, boxes)
    out = [np.zeros((height, width, 3), dtype=np.float32) for _ in range(pictures)]
    layer = np.zeros((height * samples, width * samples), dtype=np.uint8)
    distance = np.zeros(layer.shape, dtype=np.float32) if depth else None
    ground = np.asarray(background, dtype=np.float32)

    def band(rows: slice) -> None:
        fine = slice(rows.start * samples, rows.stop * samples)
        nearest = np.full((fine.stop - fine.start, width * samples), np.inf)
        face = np.full(nearest.shape, -1, dtype=np.int32)
        _meet(places, depths, triangles.faces, boxes, fine.start, nearest, face)
        if before is not None:
            _hide(face, nearest, before[fine])
        for number, surface in enumerate(shown):
            first, last = triangles.first[number : number + 2]
            if not surface.codes:
                _clear(face, nearest, first, last)
                continue
            _mark(face, first, last, surface.layer, layer[fine])
            for picture, code in zip(out, surface.codes, strict=True):
                _show(places, triangles.uv, triangles.faces, face, fine.start, first, last, code, samples,
                      LINEAR_OF_CODE, picture[rows])  # fmt: skip
        if ground.any():
            for picture in out:
                _fill(face, samples, ground, picture[rows])
        if distance is not None:
            np.copyto(distance[fine], nearest, where=face >= 0, casting="same_kind")

    in_parts(band, height, _ROWS)
    return out, layer, distance


def _homogeneous(camera: AnyCamera, vertices: Array, samples: int) -> tuple[Array, Array]:
    """Places (V, 3) of vertices in the raster of rays, homogeneous, the first ray at 0.5; and their depths (V,) m."""
    cam = transform_points(inverse_rigid(camera.world_from_cam), vertices)
    depths = np.ascontiguousarray(-cam[:, 2])
    out = np.empty((len(vertices), 3))
    if isinstance(camera, Camera):
        out[:, 0] = samples * (camera.centre_x_px * depths + camera.focal_px * cam[:, 0])
        out[:, 1] = samples * (camera.centre_y_px * depths - camera.focal_px * cam[:, 1])
        out[:, 2] = depths
    else:
        out[:, 0] = samples * (0.5 * camera.width_px + camera.px_per_m * cam[:, 0])
        out[:, 1] = samples * (0.5 * camera.height_px - camera.px_per_m * cam[:, 1])
        out[:, 2] = 1.0
    return out, depths


@compiled
def _boxes(places: Any, faces: Any, width: int, height: int, boxes: Any) -> None:
    """First and last column and row, exclusive, of the rays that can meet each face; none where none can."""
    for i in range(len(faces)):
        left, top, right, bottom = np.inf, np.inf, -np.inf, -np.inf
        behind = 0
        for k in range(3):
            x, y, w = places[faces[i, k]]
            if w <= 1e-9:
                behind += 1
                continue
            left, right = min(left, x / w), max(right, x / w)
            top, bottom = min(top, y / w), max(bottom, y / w)
        if behind == 3:
            left, top, right, bottom = 0.0, 0.0, -1.0, -1.0
        elif behind:
            # a triangle that reaches behind the lens may be seen anywhere
            left, top, right, bottom = 0.0, 0.0, float(width), float(height)
        # a ray's place is half a step on; a float64 step of room at the rims
        boxes[i, 0] = int(min(max(np.ceil(left - 0.500001), 0.0), float(width)))
        boxes[i, 1] = int(min(max(np.floor(right - 0.499999) + 1.0, 0.0), float(width)))
        boxes[i, 2] = int(min(max(np.ceil(top - 0.500001), 0.0), float(height)))
        boxes[i, 3] = int(min(max(np.floor(bottom - 0.499999) + 1.0, 0.0), float(height)))


@compiled
def _cross(places: Any, a: int, b: int, sign: float, out: Any) -> None:
    out[0] = sign * (places[a, 1] * places[b, 2] - places[a, 2] * places[b, 1])
    out[1] = sign * (places[a, 2] * places[b, 0] - places[a, 0] * places[b, 2])
    out[2] = sign * (places[a, 0] * places[b, 1] - places[a, 1] * places[b, 0])


@compiled
def _shares(places: Any, faces: Any, i: int, out: Any) -> bool:
    """Cross products (3, 3) of a face's corners, with the sign of its determinant; whether it has one."""
    a, b, c = faces[i]
    _cross(places, b, c, 1.0, out[0])
    determinant = out[0, 0] * places[a, 0] + out[0, 1] * places[a, 1] + out[0, 2] * places[a, 2]
    if determinant == 0.0:
        return False
    sign = 1.0 if determinant > 0.0 else -1.0
    _cross(places, b, c, sign, out[0])
    _cross(places, c, a, sign, out[1])
    _cross(places, a, b, sign, out[2])
    return True


@compiled
def _narrowed(slope: float, at_0: float, left: int, right: int) -> tuple[int, int]:
    """Columns from ``left`` to ``right`` without those in which ``slope`` x + ``at_0`` is less than 0, but for one."""
    if slope == 0.0:
        return left, (right if at_0 >= 0.0 else left)
    x = min(max(-at_0 / slope - 0.5, left - 2.0), right + 2.0)
    if slope > 0.0:
        return max(left, int(np.floor(x))), right
    return left, min(right, int(np.ceil(x)) + 1)


@compiled
def _meet(places: Any, depths: Any, faces: Any, boxes: Any, top: int, nearest: Any, face: Any) -> None:
    """Depths (H, W) and numbers of the faces that the rays of a band from row ``top`` on meet first."""
    rows = nearest.shape[0]
    share = np.empty((3, 3))
    for i in range(len(faces)):
        first, last = max(boxes[i, 2] - top, 0), min(boxes[i, 3] - top, rows)
        if first >= last or boxes[i, 0] >= boxes[i, 1] or not _shares(places, faces, i, share):
            continue
        za, zb, zc = depths[faces[i, 0]], depths[faces[i, 1]], depths[faces[i, 2]]
        ax, bx, cx = share[0, 0], share[1, 0], share[2, 0]
        for row in range(first, last):
            y = top + row + 0.5
            a0 = share[0, 1] * y + share[0, 2]
            b0 = share[1, 1] * y + share[1, 2]
            c0 = share[2, 1] * y + share[2, 2]
            left, right = boxes[i, 0], boxes[i, 1]
            if right - left > _WIDE:
                left, right = _narrowed(ax, a0, left, right)
                left, right = _narrowed(bx, b0, left, right)
                left, right = _narrowed(cx, c0, left, right)
            for column in range(left, right):
                x = column + 0.5
                a, b, c = ax * x + a0, bx * x + b0, cx * x + c0
                if a < 0.0 or b < 0.0 or c < 0.0:
                    continue
                whole = a + b + c
                if whole <= 0.0:
                    continue
                along = (a * za + b * zb + c * zc) / whole
                if 0.0 < along < nearest[row, column]:
                    nearest[row, column] = along
                    face[row, column] = i


@compiled
def _clear(face: Any, nearest: Any, first: int, last: int) -> None:
    """Have rays that met faces ``first`` to ``last`` meet nothing."""
    for row in range(face.shape[0]):
        for column in range(face.shape[1]):
            if first <= face[row, column] < last:
                face[row, column] = -1
                nearest[row, column] = np.inf


@compiled
def _hide(face: Any, nearest: Any, before: Any) -> None:
    """Have rays meet nothing where something stands no farther away, as depths of views say it: in float32."""
    for row in range(face.shape[0]):
        for column in range(face.shape[1]):
            if before[row, column] > 0.0 and np.float32(nearest[row, column]) >= before[row, column]:
                face[row, column] = -1
                nearest[row, column] = np.inf


@compiled
def _mark(face: Any, first: int, last: int, number: int, layer: Any) -> None:
    for row in range(face.shape[0]):
        for column in range(face.shape[1]):
            if first <= face[row, column] < last:
                layer[row, column] = number


@compiled
def _show(
    places: Any, uv: Any, faces: Any, face: Any, top: int, first: int, last: int, code: Any, samples: int, lut: Any,
    out: Any,
) -> None:  # fmt: skip
    """Add to the pixels ``out`` of a band what faces ``first`` to ``last`` show of a picture of codes."""
    height, width = code.shape[:2]
    share, read = np.empty((3, 3)), np.empty(3)
    part = np.float32(1.0 / (samples * samples))
    known = -1
    for row in range(face.shape[0]):
        y = top + row + 0.5
        for column in range(face.shape[1]):
            i = face[row, column]
            if i < first or i >= last:
                continue
            if i != known:
                _shares(places, faces, i, share)
                known = i
            x = column + 0.5
            a = share[0, 0] * x + (share[0, 1] * y + share[0, 2])
            b = share[1, 0] * x + (share[1, 1] * y + share[1, 2])
            c = share[2, 0] * x + (share[2, 1] * y + share[2, 2])
            whole = a + b + c
            a, b, c = a / whole, b / whole, c / whole
            u = a * uv[faces[i, 0], 0] + b * uv[faces[i, 1], 0] + c * uv[faces[i, 2], 0]
            v = a * uv[faces[i, 0], 1] + b * uv[faces[i, 1], 1] + c * uv[faces[i, 2], 1]
            read_between(code, u * width - 0.5, v * height - 0.5, read)
            for k in range(3):
                out[row // samples, column // samples, k] += lut[int(np.rint(read[k]))] * part


@compiled
def _fill(face: Any, samples: int, background: Any, out: Any) -> None:
    part = np.float32(1.0 / (samples * samples))
    for row in range(face.shape[0]):
        for column in range(face.shape[1]):
            if face[row, column] < 0:
                for k in range(3):
                    out[row // samples, column // samples, k] += background[k] * part

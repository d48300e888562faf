"""Resampling of light from one map to another: by area, bilinear, and joint bilateral across the edges of a wall.

A wall's light is worked out on a map coarser than its picture. Stretched straight, the dark of a doorway runs a texel
out over the lit face beside it, and back. Where the four texels around a place do not lie on one surface, each counts
only as far as it lies on the place's own: near its tangent plane, and turned the same way. Everywhere else, and where
none does, the stretch is the plain one. (Kopf, Cohen, Lischinski, Uyttendaele, "Joint Bilateral Upsampling", ACM
Transactions on Graphics 26(3), 2007, with a guide of places and normals instead of colours.)
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from previz.workshop.compiled import compiled, in_parts
from previz.workshop.relief import GridSurface
from previz.workshop.surface import Surface
from previz.workshop.texels import TexelMap, grid_points, texel_points

Floats = NDArray[np.float32]

# texels of the coarse map off a place's tangent plane up to which a texel counts whole, and from which it does not
_NEAR, _FAR = 1.0, 2.0

# cosines between normals: counts whole above, not at all below; the latter is a crease of the wall's (``texels``)
_ALIKE, _TURNED = 0.866, 0.5

# weight below which none of the four texels is on a place's own surface
_NONE = 1e-3

_ROWS = 1 << 14


def averaged_to(picture: Floats, height: int, width: int) -> Floats:
    """A picture (h, w, C) brought to (height, width): averaged where it is larger, stretched where it is smaller."""
    out = picture
    for axis, count in ((0, height), (1, width)):
        have = out.shape[axis]
        if have <= count:
            continue
        # exact areas: sums up to a place between texels, taken apart again
        nothing = np.zeros_like(np.take(out, [0], axis=axis), dtype=np.float64)
        sums = np.concatenate([nothing, out.cumsum(axis, np.float64)], axis)
        edges = np.arange(count + 1) * (have / count)
        lower = np.minimum(edges.astype(np.int64), have - 1)
        shape = [1] * out.ndim
        shape[axis] = count + 1
        rest = (edges - lower).reshape(shape)
        up_to = np.take(sums, lower, axis=axis) + rest * np.take(out, lower, axis=axis)
        out = (np.diff(up_to, axis=axis) * (count / have)).astype(np.float32)
    return enlarged(out, height, width)


def enlarged(picture: Floats, height: int, width: int) -> Floats:
    """A picture (h, w) or (h, w, C) stretched to (height, width), linear between texel centres, held at the edges."""
    out = picture
    for axis, count in ((0, height), (1, width)):
        have = out.shape[axis]
        if have == count:
            continue
        lower, part = _between(have, count)
        shape = [1] * out.ndim
        shape[axis] = count
        part = part.reshape(shape)
        upper = np.minimum(lower + 1, have - 1)
        out = np.take(out, lower, axis=axis) * (1 - part) + np.take(out, upper, axis=axis) * part
    return out


def enlarged_on(surface: Surface, picture: Floats, height: int, width: int) -> Floats:
    """The same with a picture of light over a surface's map; on a height field no light runs across its edges."""
    if not isinstance(surface, GridSurface) or picture.shape[:2] in ((height, width), (1, 1)):
        return enlarged(picture, height, width)
    guide = _guide(surface, picture.shape[0], picture.shape[1], height, width)
    out = np.ascontiguousarray(enlarged(picture, height, width))
    source = np.ascontiguousarray(picture.reshape(*picture.shape[:2], -1), dtype=np.float32)
    target = out.reshape(height * width, -1)

    def part(chosen: slice) -> None:
        _mended_compiled(
            guide.row[chosen], guide.column[chosen], guide.points[chosen], guide.normals[chosen],
            guide.coarse.points, guide.coarse.normals, guide.texel, source, height, width, target,
        )  # fmt: skip

    in_parts(part, len(guide.row), _ROWS)
    return out


def _between(have: int, count: int) -> tuple[NDArray[np.int64], Floats]:
    """For each of ``count`` texels along an axis the one of ``have`` before it, and the way (0 to 1) to the next."""
    at = np.clip((np.arange(count) + 0.5) * have / count - 0.5, 0.0, have - 1.0)
    lower = np.minimum(at.astype(np.int64), max(have - 2, 0))
    return lower, (at - lower).astype(np.float32)


@dataclass(frozen=True, eq=False)
class _Guide:
    """Where a map's texels are, and the texels (N,) of a finer one that lie between some not on one surface."""

    coarse: TexelMap
    texel: float
    row: NDArray[np.int32]
    column: NDArray[np.int32]
    points: Floats
    normals: Floats


# a set's wall is lit twice, and bridge after bridge put before it: its guides live as long as it does
_GUIDES: WeakKeyDictionary[Surface, dict[tuple[int, int, int, int], _Guide]] = WeakKeyDictionary()


def _guide(surface: GridSurface, have_h: int, have_w: int, height: int, width: int) -> _Guide:
    kept = _GUIDES.setdefault(surface, {})
    key = (have_h, have_w, height, width)
    if key not in kept:
        coarse = texel_points(surface, have_w, have_h)
        texel = surface.field.map_size[0] / have_w
        edge = np.zeros((max(have_h - 1, 1), max(have_w - 1, 1)), dtype=np.bool_)
        _edges_compiled(coarse.points, coarse.normals, texel, edge)
        lower_row, lower_column = _between(have_h, height)[0], _between(have_w, width)[0]
        row, column = np.nonzero(edge[lower_row][:, lower_column])
        points, normals = grid_points(surface, width, height, row, column)
        kept[key] = _Guide(coarse, texel, row.astype(np.int32), column.astype(np.int32), points, normals)
    return kept[key]


def _fitting(px: float, py: float, pz: float, nx: float, ny: float, nz: float, q: Any, m: Any, texel: float) -> float:
    """How far a texel at ``q`` with normal ``m`` lies on the surface of the place p with normal n, 0 to 1."""
    off = abs((q[0] - px) * nx + (q[1] - py) * ny + (q[2] - pz) * nz) / texel
    near = min(max((_FAR - off) / (_FAR - _NEAR), 0.0), 1.0)
    alike = nx * m[0] + ny * m[1] + nz * m[2]
    return float(near * min(max((alike - _TURNED) / (_ALIKE - _TURNED), 0.0), 1.0))


_fitting_compiled = compiled(_fitting)


def _edges(points: Any, normals: Any, texel: float, edge: Any) -> None:
    """Mark the squares of four texels that do not lie on one surface."""
    height, width = points.shape[0], points.shape[1]
    for i in range(edge.shape[0]):
        for j in range(edge.shape[1]):
            for a in range(4):
                ai, aj = min(i + a // 2, height - 1), min(j + a % 2, width - 1)
                p, n = points[ai, aj], normals[ai, aj]
                for b in range(4):
                    bi, bj = min(i + b // 2, height - 1), min(j + b % 2, width - 1)
                    if _fitting_compiled(p[0], p[1], p[2], n[0], n[1], n[2], points[bi, bj], normals[bi, bj],
                                         texel) < 1.0:  # fmt: skip
                        edge[i, j] = True


_edges_compiled = compiled(_edges)


def _mended(
    row: Any, column: Any, points: Any, normals: Any, coarse: Any, turned: Any, texel: float, picture: Any, height: int,
    width: int, out: Any,
) -> None:
    have_h, have_w, channels = picture.shape
    for i in range(row.shape[0]):
        y = min(max((row[i] + 0.5) * have_h / height - 0.5, 0.0), have_h - 1.0)
        x = min(max((column[i] + 0.5) * have_w / width - 0.5, 0.0), have_w - 1.0)
        r0, c0 = min(int(y), max(have_h - 2, 0)), min(int(x), max(have_w - 2, 0))
        p, n = points[i], normals[i]
        at = row[i] * width + column[i]
        # a tent one texel wide each way; where none of its four fits, the nearest that do of one two texels wide
        for reach in range(1, 3):
            whole = 0.0
            for a in range(max(r0 + 1 - reach, 0), min(r0 + 1 + reach, have_h)):
                for b in range(max(c0 + 1 - reach, 0), min(c0 + 1 + reach, have_w)):
                    share = max(reach - abs(a - y), 0.0) * max(reach - abs(b - x), 0.0)
                    if share > 0.0:
                        whole += share * _fitting_compiled(
                            p[0], p[1], p[2], n[0], n[1], n[2], coarse[a, b], turned[a, b], texel
                        )
            if whole > _NONE:
                for c in range(channels):
                    out[at, c] = 0.0
                for a in range(max(r0 + 1 - reach, 0), min(r0 + 1 + reach, have_h)):
                    for b in range(max(c0 + 1 - reach, 0), min(c0 + 1 + reach, have_w)):
                        share = max(reach - abs(a - y), 0.0) * max(reach - abs(b - x), 0.0)
                        if share > 0.0:
                            share *= _fitting_compiled(
                                p[0], p[1], p[2], n[0], n[1], n[2], coarse[a, b], turned[a, b], texel
                            )
                            for c in range(channels):
                                out[at, c] += share / whole * picture[a, b, c]
                break


_mended_compiled = compiled(_mended)


def _around(
    row: Any, column: Any, points: Any, normals: Any, valid: Any, texel: float, reach: int, picture: Any, out: Any
) -> None:
    for i in range(row.shape[0]):
        p, n = points[row[i], column[i]], normals[row[i], column[i]]
        whole = 1.0
        for c in range(picture.shape[2]):
            out[i, c] = picture[row[i], column[i], c]
        for k in range((2 * reach + 1) * (2 * reach + 1) // 2):
            down, right = k // (2 * reach + 1) - reach, k % (2 * reach + 1) - reach
            # two that lie across the place, or neither: at an edge a slope is none the steeper for it
            share = 1.0
            for side in range(2):
                a, b = row[i] + (1 - 2 * side) * down, column[i] + (1 - 2 * side) * right
                if a < 0 or b < 0 or a >= picture.shape[0] or b >= picture.shape[1] or not valid[a, b]:
                    share = 0.0
                else:
                    share = min(share, _fitting_compiled(p[0], p[1], p[2], n[0], n[1], n[2], points[a, b],
                                                         normals[a, b], texel))  # fmt: skip
            if share > 0.0:
                whole += 2.0 * share
                for c in range(picture.shape[2]):
                    out[i, c] += share * picture[row[i] + down, column[i] + right, c]
                    out[i, c] += share * picture[row[i] - down, column[i] - right, c]
        for c in range(picture.shape[2]):
            out[i, c] /= whole


_around_compiled = compiled(_around)


def averaged_around(
    picture: Floats, texels: TexelMap, texel: float, asked: NDArray[np.bool_], reach: int
) -> Floats:
    """A picture (h, w, C) over the texels of a map, ``texel`` m wide, whose ``asked`` ones (h, w) are the mean of those
    up to ``reach`` rows and columns away that lie on their own surface, in pairs across the place."""
    row, column = np.nonzero(asked & texels.valid)
    mean = np.empty((len(row), picture.shape[2]), dtype=np.float32)
    source = np.ascontiguousarray(picture, dtype=np.float32)

    def part(chosen: slice) -> None:
        _around_compiled(
            row[chosen], column[chosen], texels.points, texels.normals, texels.valid, texel, reach, source, mean[chosen]
        )

    in_parts(part, len(row), _ROWS)
    out = np.array(source)
    out[row, column] = mean
    return out

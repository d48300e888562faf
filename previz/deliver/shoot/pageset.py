"""The set as a page turns it: meshes thinned to what a browser draws with ease, each with one small picture."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from previz.deliver.shoot.pagedata import base64_text, smaller, webp_bytes
from previz.geometry import Array
from previz.workshop.relief import GridSurface, HeightField
from previz.workshop.surface import LitSurface, Surface

MOST_TRIANGLES = 12_000
_PICTURE_PX = 1024
_QUALITY = 70

# lines of a wall's grid closer together than this share of the usual step stand at a doorway: they stay
_CLOSE = 0.6

Thinned = tuple[Array, NDArray[np.int32], NDArray[np.float32]]


def mesh_data(lit: LitSurface, most: int = MOST_TRIANGLES) -> dict[str, Any]:
    """A lit surface for the page: ``place`` (V, 3) float32 m, ``uv`` (V, 2) float32, ``face`` (F, 3) uint16 or uint32,
    little-endian in base64; ``wide`` says which of both ``face`` is; ``picture`` is WebP in base64, first row at v = 0.
    """
    vertices, faces, uv = thinned(lit.surface, most)
    wide = len(vertices) > 65_535
    return {
        "place": base64_text(vertices.astype("<f4").tobytes()),
        "uv": base64_text(uv.astype("<f4").tobytes()),
        "face": base64_text(faces.astype("<u4" if wide else "<u2").tobytes()),
        "wide": wide,
        "triangles": len(faces),
        "picture": base64_text(webp_bytes(smaller(lit.code, _PICTURE_PX), _QUALITY)),
    }


def thinned(surface: Surface, most: int) -> Thinned:
    """Vertices (V, 3) m, faces (F, 3) and uv (V, 2) of a surface with at most ``most`` triangles.

    The front of a wall by rule keeps its heights on fewer lines of its grid; other meshes have near vertices joined.
    """
    if isinstance(surface, GridSurface):
        return _thinned_field(surface.field, most)
    if len(surface.faces) <= most:
        return surface.vertices, surface.faces, surface.uv
    extent = float(np.ptp(surface.vertices, axis=0).max())
    cell = extent / 400.0
    while True:
        out = _joined(surface, cell)
        if len(out[1]) <= most:
            return out
        cell *= 1.25


def _thinned_field(field: HeightField, most: int) -> Thinned:
    share = min(1.0, np.sqrt(0.5 * most / ((len(field.x) - 1) * (len(field.y) - 1))))
    while True:
        i, j = _kept(field.x, share), _kept(field.y, share)
        if 2 * (len(i) - 1) * (len(j) - 1) <= most:
            break
        share *= 0.97
    x, y = np.meshgrid(field.x[i], field.y[j])
    vertices = np.stack([x, y, field.z[np.ix_(j, i)]], axis=-1).reshape(-1, 3)
    wide, high = field.map_size
    u, v = (places.reshape(-1) for places in np.meshgrid(field.along[i] / wide, 1.0 - field.up[j] / high))
    number = np.arange(len(vertices)).reshape(x.shape)
    a, b, d, c = number[:-1, :-1], number[:-1, 1:], number[1:, :-1], number[1:, 1:]
    faces = np.concatenate([np.stack([a, b, c], axis=-1).reshape(-1, 3), np.stack([a, c, d], axis=-1).reshape(-1, 3)])
    return vertices, faces.astype(np.int32), np.stack([u, v], axis=-1).astype(np.float32)


def _kept(lines: Array, share: float) -> NDArray[np.int64]:
    """Numbers of the lines that stay: evenly ``share`` of them, and every one that stands close to its neighbour."""
    even = np.linspace(0, len(lines) - 1, max(2, round(share * len(lines)))).round().astype(np.int64)
    gaps = np.diff(lines)
    close = np.flatnonzero(gaps < _CLOSE * np.median(gaps))
    return np.unique(np.concatenate([even, close, close + 1]))


def _joined(surface: Surface, cell: float) -> Thinned:
    # vertices are joined only where their pictures lie together too, so that no seam is smeared across the map
    near = np.floor(surface.vertices / cell).astype(np.int64)
    chart = np.floor(surface.uv.astype(np.float64) * 16.0).astype(np.int64)
    _, first, number = np.unique(np.concatenate([near, chart], axis=1), axis=0, return_index=True, return_inverse=True)
    faces = number.reshape(-1)[surface.faces]
    real = (faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])
    return surface.vertices[first], faces[real].astype(np.int32), surface.uv[first]

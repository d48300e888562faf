"""From texture codes to pixels: the arithmetic that both engines share, so that they can agree.

A texel's centre lies at ((column + .5) / width, (row + .5) / height), v downwards (workshop/surface.py). Codes
are interpolated as they are written, then decoded to linear light, then averaged: the order in which a
graphics card's 8-bit pipeline does it.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from previz.colour import CODE_OF_LINEAR, LINEAR_OF_CODE
from previz.workshop.bilinear import read_between
from previz.workshop.compiled import compiled
from previz.workshop.surface import Picture, Pixels8


def averaged_to_size(picture: NDArray[np.float32], size_px: tuple[int, int]) -> NDArray[np.float32]:
    """A picture (H, W) or (H, W, 3) at a smaller size (width, height) px: every pixel the mean of what it covers."""
    h, w = picture.shape[:2]
    width, height = size_px
    if (w, h) == (width, height):
        return picture
    flat = np.ascontiguousarray(picture, dtype=np.float32).reshape(h, w, -1)
    out = np.empty((height, width, flat.shape[2]), dtype=np.float32)
    _area_compiled(flat, *_shares(h, height), *_shares(w, width), out)
    return out.reshape(height, width, *picture.shape[2:])


@lru_cache(maxsize=8)
def _shares(have: int, count: int) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """The first pixel (count,) of those that each of ``count`` larger ones covers, and their shares (count, K)."""
    edges = np.arange(count + 1) * (have / count)
    first = np.minimum((edges[:-1] + 1e-9).astype(np.int64), have - 1)
    column = first[:, None] + np.arange(int(np.ceil(have / count)) + 1)
    covered = np.minimum(column + 1, edges[1:, None]) - np.maximum(column, edges[:-1, None])
    covered = np.where((covered > 1e-9) & (column < have), covered, 0.0)
    return first, (covered / covered.sum(axis=1, keepdims=True)).astype(np.float32)


def _area(picture: Any, top: Any, down: Any, left: Any, across: Any, out: Any) -> None:
    _, w, channels = picture.shape
    row = np.empty((w, channels), dtype=np.float32)
    for i in range(out.shape[0]):
        row[:] = np.float32(0.0)
        for k in range(down.shape[1]):
            if down[i, k] > 0.0:
                for x in range(w):
                    for c in range(channels):
                        row[x, c] += down[i, k] * picture[top[i] + k, x, c]
        for j in range(out.shape[1]):
            for c in range(channels):
                out[i, j, c] = np.float32(0.0)
            for k in range(across.shape[1]):
                if across[j, k] > 0.0:
                    for c in range(channels):
                        out[i, j, c] += across[j, k] * row[left[j] + k, c]


def _bilinear(texture: Any, uv: Any, out: Any) -> None:
    height, width = texture.shape[:2]
    for i in range(uv.shape[0]):
        read_between(texture, uv[i, 0] * width - 0.5, uv[i, 1] * height - 0.5, out[i])


def _averaging(samples: int) -> Any:
    """Machine code that averages ``samples`` looks each way; as a constant they are gone through in half the time."""

    def averaging(code: Any, layer: Any, background: Any, lut: Any, out: Any) -> None:
        height, width, _ = out.shape
        share = np.float32(1.0 / (samples * samples))
        for i in range(height):
            for j in range(width):
                red, green, blue = np.float32(0.0), np.float32(0.0), np.float32(0.0)
                for y in range(samples):
                    for x in range(samples):
                        if layer[i * samples + y, j * samples + x] == 0:
                            red += background[0]
                            green += background[1]
                            blue += background[2]
                        else:
                            red += lut[code[i * samples + y, j * samples + x, 0]]
                            green += lut[code[i * samples + y, j * samples + x, 1]]
                            blue += lut[code[i * samples + y, j * samples + x, 2]]
                out[i, j, 0] = red * share
                out[i, j, 1] = green * share
                out[i, j, 2] = blue * share

    return compiled(averaging)


def _coded(linear: Any, table: Any, out: Any) -> None:
    top, half = np.float32(65535.0), np.float32(0.5)
    for i in range(len(linear)):
        out[i] = table[int(min(max(linear[i] * top, np.float32(0.0)), top) + half)]


def _share(layers: Any, layer: int, samples: int, out: Any) -> None:
    for i in range(out.shape[0]):
        for j in range(out.shape[1]):
            hit = 0
            for y in range(i * samples, (i + 1) * samples):
                for x in range(j * samples, (j + 1) * samples):
                    if layers[y, x] == layer:
                        hit += 1
            out[i, j] = np.float32(hit) / np.float32(samples * samples)


_area_compiled = compiled(_area)
_share_compiled = compiled(_share)
_bilinear_compiled = compiled(_bilinear)
_coded_compiled = compiled(_coded)
_averaging_of = lru_cache(maxsize=8)(_averaging)


def bilinear(texture: Pixels8 | Picture, uv: NDArray[np.float64]) -> NDArray[np.float32]:
    """Values (N, C) float32 of a texture (H, W, C) at ``uv`` (N, 2), in the texture's own units.

    As :func:`~previz.workshop.bilinear.read_between` reads. Codes of a uint8 texture come back unrounded, 0 to 255.
    ``uv`` must be finite.
    """
    coordinates = np.ascontiguousarray(uv, dtype=np.float64)
    out = np.empty((len(coordinates), texture.shape[2]), dtype=np.float32)
    _bilinear_compiled(texture, coordinates, out)
    return out


def share_of(layers: NDArray[np.uint8], layer: int, samples: int) -> NDArray[np.float32]:
    """Share (H, W), 0 to 1, of each pixel's samples in ``layers`` (H * samples, W * samples) that show one layer."""
    out = np.empty((layers.shape[0] // samples, layers.shape[1] // samples), dtype=np.float32)
    _share_compiled(layers, layer, samples, out)
    return out


def averaged(
    code: Pixels8,
    layer: NDArray[np.uint8],
    samples: int,
    background: tuple[float, float, float],
) -> Picture:
    """Picture (H, W, 3), linear Rec.709, of single-sample codes (H * samples, W * samples, 3 or more).

    The mean is taken in linear light; a sample whose ``layer`` is 0 counts as ``background`` (linear).
    """
    height, width = layer.shape
    out = np.empty((height // samples, width // samples, 3), dtype=np.float32)
    _averaging_of(samples)(code, layer, np.asarray(background, dtype=np.float32), LINEAR_OF_CODE, out)
    return out


def coded(picture: Picture) -> Pixels8:
    """8-bit sRGB codes of a picture of linear light: those of :func:`previz.colour.encoded8`, in one pass."""
    out = np.empty(picture.shape, dtype=np.uint8)
    _coded_compiled(np.ascontiguousarray(picture, dtype=np.float32).reshape(-1), CODE_OF_LINEAR, out.reshape(-1))
    return out


def kept(
    layer: NDArray[np.uint8], keep: int, distance: NDArray[np.float32] | None = None
) -> NDArray[np.uint8]:
    """Layer numbers (H, W) with all but ``keep`` made 0; ``distance`` (H, W), where given, is made 0 there too."""
    same = layer == keep
    if distance is not None:
        distance *= same
    return np.asarray(np.where(same, layer, np.uint8(0)))


@compiled
def hide(layer, distance, nearest):  # type: ignore[no-untyped-def]
    """Make layers and distances (H, W) 0 where something stands no farther away: where ``nearest`` (H, W) is not 0."""
    for y in range(layer.shape[0]):
        for x in range(layer.shape[1]):
            if nearest[y, x] > 0.0 and distance[y, x] >= nearest[y, x]:
                layer[y, x] = 0
                distance[y, x] = 0.0

"""Dabs: a chart divided into strokes of one brush, longer along the grain of what they paint."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, sobel

from previz.paint.strokes import Labels, Mask, regions, thickened
from previz.workshop.compiled import compiled
from previz.workshop.surface import Picture

# a dab's width and the most its length exceeds it, in brush diameters: wide enough to bend around what is beside it
_WIDTH: Final = 1.4
_STRETCH: Final = 1.5
# CIELAB difference that counts as much as lying half a dab away
_UNLIKE: Final = 14.0
_ROUNDS: Final = 6
# how far, in brush diameters, a dab is laid off its place in the row: rows show
_UNRULY: Final = 0.3


def dabs(lab: Picture, on: Mask, brush_texels: float) -> tuple[Labels, int]:
    """Number (H, W) of the dab that paints each texel of a chart, from 0, -1 off it, and how many there are.

    ``lab`` (H, W, 3) is the chart in CIELAB, ``on`` (H, W) the chart. Every dab is connected and no dab is thinner than
    the brush (paint/strokes.py). Dabs gather texels that lie together and look alike, in rounds: k-means in place and
    colour within a small window (the idea of Achanta et al., *IEEE Trans. PAMI* 34(11), 2012, SLIC), distances measured
    along and across the local grain (its structure tensor; Bigün and Granlund, ICCV 1987; both from memory).
    """
    if brush_texels < 2.0:
        return regions(np.arange(on.size, dtype=np.int32).reshape(on.shape), on)
    along, coherence = _grain(lab[..., 0], on, brush_texels)
    y, x = _places(on, brush_texels)
    label = np.full(on.shape, -1, dtype=np.int32)
    if len(y) == 0:
        label[on] = 0
        y, x = np.nonzero(on)[0][:1].astype(float), np.nonzero(on)[1][:1].astype(float)
    mean = np.ascontiguousarray(lab[y.astype(int), x.astype(int)], dtype=np.float32)
    _gathered(lab, on, along, coherence, y, x, mean, brush_texels, _WIDTH, _STRETCH, _UNLIKE, _ROUNDS, label)
    return regions(thickened(label, on, brush_texels, mean), on)


def _grain(lightness: Picture, on: Mask, brush: float) -> tuple[Picture, Picture]:
    """Angle (H, W) of the grain, radians from rightwards to downwards, and how clear it is, 0 to 1."""
    inside = on.astype(np.float32)
    seen = gaussian_filter(lightness * inside, 0.25 * brush, mode="nearest", truncate=2.5)
    seen /= np.maximum(gaussian_filter(inside, 0.25 * brush, mode="nearest", truncate=2.5), np.float32(1e-6))
    dy, dx = sobel(seen, axis=0) * inside, sobel(seen, axis=1) * inside
    xx, yy, xy = (gaussian_filter(v, brush, mode="nearest", truncate=2.5) for v in (dx * dx, dy * dy, dx * dy))
    across = 0.5 * np.arctan2(2.0 * xy, xx - yy)
    strength = np.hypot(xx - yy, 2.0 * xy)
    return (across + np.float32(0.5 * np.pi)).astype(np.float32), strength / (xx + yy + np.float32(1.0))


def _places(on: Mask, brush: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Where dabs begin: rows of a honeycomb, unruly, always the same."""
    h, w = on.shape
    pitch = brush * _WIDTH * np.sqrt((1.0 + 0.5 * _STRETCH) / np.sqrt(0.75))
    rows, columns = int(np.ceil(h / (pitch * np.sqrt(0.75)))) + 1, int(np.ceil(w / pitch)) + 1
    j, i = np.meshgrid(np.arange(columns), np.arange(rows))
    aside = np.random.default_rng(2).uniform(-1.0, 1.0, (2, rows, columns)) * _UNRULY * brush
    y = ((i + 0.25) * pitch * np.sqrt(0.75) + aside[0]).ravel()
    x = ((j + 0.25 + 0.5 * (i % 2)) * pitch + aside[1]).ravel()
    held = (y >= 0) & (y < h) & (x >= 0) & (x < w)
    y, x = y[held], x[held]
    held = on[y.astype(int), x.astype(int)]
    return y[held], x[held]


def _gather_loop(
    lab: Any, on: Any, along: Any, coherence: Any, cy: Any, cx: Any, mean: Any,
    brush: float, width: float, stretch: float, unlike: float, rounds: int, label: Any,
) -> None:  # fmt: skip
    height, columns = on.shape
    count = len(cy)
    best = np.empty(on.shape, dtype=np.float32)
    sums = np.empty((count, 6))
    for _ in range(rounds):
        best[:] = np.float32(1e30)
        for k in range(count):
            y0, x0 = int(cy[k]), int(cx[k])
            length = 1.0 + stretch * coherence[y0, x0]
            ca, sa = np.cos(along[y0, x0]), np.sin(along[y0, x0])
            half_width = 0.5 * width * brush
            half_length = half_width * length
            reach = int(2.5 * half_length) + 1
            for y in range(max(y0 - reach, 0), min(y0 + reach + 1, height)):
                for x in range(max(x0 - reach, 0), min(x0 + reach + 1, columns)):
                    if not on[y, x]:
                        continue
                    dy, dx = y - cy[k], x - cx[k]
                    u, v = (dx * ca + dy * sa) / half_length, (dy * ca - dx * sa) / half_width
                    d = u * u + v * v
                    if d >= best[y, x]:
                        continue
                    for c in range(3):
                        d += ((lab[y, x, c] - mean[k, c]) / unlike) ** 2
                    if d < best[y, x]:
                        best[y, x] = d
                        label[y, x] = k
        sums[:] = 0.0
        for y in range(height):
            for x in range(columns):
                k = label[y, x]
                if on[y, x] and k >= 0:
                    sums[k, 0] += 1.0
                    sums[k, 1] += y
                    sums[k, 2] += x
                    for c in range(3):
                        sums[k, 3 + c] += lab[y, x, c]
        for k in range(count):
            n = sums[k, 0]
            if n > 0.0:
                my, mx = sums[k, 1] / n, sums[k, 2] / n
                if on[int(my), int(mx)]:
                    cy[k], cx[k] = my, mx
                for c in range(3):
                    mean[k, c] = sums[k, 3 + c] / n
    # what no dab reaches (a corner cut off from the rest) goes with what comes before it
    last = 0
    for y in range(height):
        for x in range(columns):
            if on[y, x]:
                if label[y, x] < 0:
                    label[y, x] = last
                last = label[y, x]


_gathered = compiled(_gather_loop)

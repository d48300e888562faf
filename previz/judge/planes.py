"""Planes of numbers, averaged with Gaussian windows and looked at between their pixels: the judge's inner loops.

The same windows in the same steps as :func:`previz.judge.fields.windows_of`, for a few small planes at a time.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from previz.judge.fields import CUT
from previz.workshop.compiled import compiled

Field = NDArray[np.float32]


def window_weights(sigma: float) -> Field:
    """Weights (R + 1,) of a Gaussian window of standard deviation ``sigma`` px, the middle one first."""
    weights = np.exp(-0.5 * (np.arange(int(CUT * sigma + 0.5) + 1) / sigma) ** 2)
    return np.asarray(weights / (weights[0] + 2.0 * weights[1:].sum()), dtype=np.float32)


def blurred(planes: Field, weights: Field) -> Field:
    """Planes (C, H, W) averaged with symmetric ``weights``, the middle one first."""
    across, both = np.empty_like(planes), np.empty_like(planes)
    _blur(planes, weights, across, both)
    return both


@compiled
def _blur(planes, weights, across, out):  # type: ignore[no-untyped-def]
    channels, height, width = planes.shape
    reach = len(weights) - 1
    run = np.empty(width + 2 * reach, dtype=np.float32)
    for c in range(channels):
        for y in range(height):
            row, into = planes[c, y], across[c, y]
            for x in range(width):
                into[x] = weights[0] * row[x]
            for t in range(1, reach + 1):
                weight = weights[t]
                above, below = planes[c, max(y - t, 0)], planes[c, min(y + t, height - 1)]
                for x in range(width):
                    into[x] += weight * (above[x] + below[x])
        for y in range(height):
            run[:reach] = across[c, y, 0]
            run[reach : reach + width] = across[c, y]
            run[reach + width :] = across[c, y, width - 1]
            into = out[c, y]
            for x in range(width):
                into[x] = weights[0] * run[reach + x]
            for t in range(1, reach + 1):
                weight, before, after = weights[t], run[reach - t :], run[reach + t :]
                for x in range(width):
                    into[x] += weight * (before[x] + after[x])


@compiled
def _corner(plane, x, y):  # type: ignore[no-untyped-def]
    """Upper left of the four pixels around a place, px, held at the edges, and how far right and down of it that is."""
    height, width = plane.shape
    x = min(max(x - 0.5, 0.0), width - 1.001)
    y = min(max(y - 0.5, 0.0), height - 1.001)
    x0, y0 = int(x), int(y)
    return x0, y0, x - x0, y - y0


@compiled
def look(plane, px, out):  # type: ignore[no-untyped-def]
    """Values (N,) of a plane (H, W) at places (N, 2) px, bilinear, held at the edges."""
    for i in range(len(px)):
        x0, y0, a, b = _corner(plane, px[i, 0], px[i, 1])
        upper = (1.0 - a) * plane[y0, x0] + a * plane[y0, x0 + 1]
        lower = (1.0 - a) * plane[y0 + 1, x0] + a * plane[y0 + 1, x0 + 1]
        out[i] = (1.0 - b) * upper + b * lower


@compiled
def spread(slope, px, plane):  # type: ignore[no-untyped-def]
    """Slopes (N,) at places (N, 2) px added to the slope of a plane (H, W): the way back of ``look``."""
    for i in range(len(px)):
        x0, y0, a, b = _corner(plane, px[i, 0], px[i, 1])
        value = slope[i]
        plane[y0, x0] += (1.0 - b) * (1.0 - a) * value
        plane[y0, x0 + 1] += (1.0 - b) * a * value
        plane[y0 + 1, x0] += b * (1.0 - a) * value
        plane[y0 + 1, x0 + 1] += b * a * value

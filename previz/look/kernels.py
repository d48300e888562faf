"""Pictures of a point: what a round pupil, a path during the exposure and diffraction make of it, as small arrays.

A kernel is a float64 array (2k + 1, 2k + 1) that sums to 1, its point in the middle. A pixel's own area is not part of
it: pixels have averaged theirs already. The shape, however small, is shared out over the pixels with weights that
keep its mean and its variance per axis exactly, so that a blur of 0.3 px adds what a blur of 0.3 px adds. They are
slightly negative beside a shape smaller than a pixel; :func:`without_negatives` mends that where it matters.
"""

from __future__ import annotations

from functools import cache
from itertools import pairwise
from typing import Final

import numpy as np

from previz.geometry import Array
from previz.workshop.compiled import compiled

# standard deviation of the Gaussian that has the Airy pattern's light and its peak, in wavelengths times stop. The peak
# of the pattern is pi / (4 w^2 N^2) of its light (Born and Wolf, Principles of Optics, 8.5.2), a Gaussian's is
# 1 / (2 pi sigma^2).
AIRY_SIGMA: Final = np.sqrt(2.0) / np.pi

# a kernel whose mean is nearer to its middle than this, px, lies there
_MIDDLE: Final = 0.02

# a kernel whose standard deviation per axis is at most this, px, is narrow
_NARROW: Final = 0.4

# a disc wider than this, px, is laid pixel by pixel: rings of points would be as many as the cube of its width
_WIDE: Final = 128.0

# rows and columns at a kernel's rim that hold less than this in all are cut off
_NOTHING: Final = 1e-5


def airy_sigma(working_stop: float, wavelength: float) -> float:
    """Standard deviation (m on the sensor, per axis) of diffraction's blur as a Gaussian: 0.45 lambda N.

    The Gaussian has the light and the peak of the Airy pattern; the pattern's faint rings, of no finite variance, are
    left out: :mod:`previz.look.rings` lays them over whole pictures.
    """
    return float(AIRY_SIGMA * wavelength * working_stop)


def disc_kernel(diameter: float) -> Array:
    """An evenly filled disc, ``diameter`` px: variance per axis d^2 / 16."""
    if diameter <= 0.0:
        return np.ones((1, 1))
    if diameter > _WIDE:
        return _wide_disc(0.5 * diameter)
    # rings of equal light, Gauss-Legendre in the square of the radius: the variance is exact
    share, weight = _gauss(max(4, int(np.ceil(2.5 * diameter))))
    count = 4 * max(3, int(np.ceil(2.7 * diameter)))
    turn = 2.0 * np.pi * (np.arange(count) + 0.5) / count
    radius = 0.5 * diameter * np.sqrt(share)
    x, y = radius[:, None] * np.cos(turn), radius[:, None] * np.sin(turn)
    return _shared(np.stack([x, y], axis=-1).reshape(-1, 2), np.repeat(weight / count, count))


def _wide_disc(radius: float) -> Array:
    """The share of each pixel that a disc covers, its edge taken to be straight across a pixel: the variance is
    r^2 / 4 to three parts in ten thousand from 128 px across."""
    half = int(np.ceil(radius)) + 1
    at = np.arange(-half, half + 1, dtype=np.float64)
    cover = np.clip(radius + 0.5 - np.hypot(at[:, None], at[None, :]), 0.0, 1.0)
    return np.asarray(cover / cover.sum())


def path_kernel(path: Array) -> Array:
    """A point that runs along ``path`` (N, 2) px, the same time from each place to the next, x right and y down.

    A straight path of length L has the variance L^2 / 12 along itself. One place alone is a shift.
    """
    places = np.asarray(path, dtype=np.float64)
    if len(places) == 1:
        return _shared(places, np.ones(1))
    points, weights = [], []
    for a, b in pairwise(places):
        share, weight = _gauss(max(3, int(np.ceil(2.5 * np.hypot(*(b - a))))))
        points.append(a + share[:, None] * (b - a))
        weights.append(weight / (len(places) - 1))
    return _shared(np.concatenate(points), np.concatenate(weights))


def gaussian_kernel(sigma: float) -> Array:
    """A Gaussian of standard deviation ``sigma`` px, cut off at four of them, its variance kept."""
    if sigma <= 0.0:
        return np.ones((1, 1))
    x = np.linspace(-4.0, 4.0, 8 * max(8, int(np.ceil(4.0 * sigma))) + 1)
    weight = np.exp(-0.5 * x * x)
    weight /= weight.sum()
    x *= sigma / np.sqrt((weight * x * x).sum())
    row = _shared(np.stack([x, np.zeros_like(x)], axis=-1), weight)
    line = row[len(row) // 2]
    return np.outer(line, line)


def joined(kernels: list[Array]) -> Array:
    """One blur after the other: variances and means add. The rim that holds nothing is cut off."""
    out = kernels[0]
    for kernel in kernels[1:]:
        # what is thin, a path, has the fewer weights: each of them lays the other once
        thin, full = sorted((out, kernel), key=np.count_nonzero)
        size = len(thin) + len(full) - 1
        out = np.zeros((size, size))
        _lay(np.ascontiguousarray(full), np.ascontiguousarray(thin), out)
    half = len(out) // 2
    while half > 0:
        rim = np.abs(out).sum() - np.abs(out[1:-1, 1:-1]).sum()
        if rim > _NOTHING:
            break
        out, half = out[1:-1, 1:-1], half - 1
    return np.asarray(out / out.sum())


@compiled
def _lay(full, thin, out):  # type: ignore[no-untyped-def]
    """Add a kernel (N, N) to ``out`` (N + M - 1, ...) at every place of another (M, M), times what that has there."""
    n = len(full)
    for i in range(len(thin)):
        for j in range(len(thin)):
            weight = thin[i, j]
            if weight == 0.0:
                continue
            for y in range(n):
                row = out[i + y, j : j + n]
                for x in range(n):
                    row[x] += weight * full[y, x]


def without_negatives(kernel: Array) -> Array:
    """The same blur with no weight below nothing, its mean variance kept.

    Negative weights ring beside an edge; where the ringing is clipped, as shares and light must be, the edge comes out
    softer than it is. They are left out here, and the kernel is drawn together again by a part of no blur at all.
    Wide kernels hardly ring and stay as they are, and so do those that are off their middle: nothing there would keep
    their mean.
    """
    mean, spread = moments(kernel)
    # gone over smoothly from one kind to the other: a hair's difference must not make another kernel
    narrow = 2.0 - float(np.sqrt(0.5 * np.trace(spread))) / _NARROW
    middle = 2.0 - float(np.abs(mean).max()) / _MIDDLE
    mended = min(max(min(2.0 * narrow, middle), 0.0), 1.0)
    if kernel.min() >= 0.0 or mended == 0.0:
        return kernel
    out = np.maximum(kernel, 0.0)
    out /= out.sum()
    share = min(float(np.trace(spread) / np.trace(moments(out)[1])), 1.0)
    out *= share
    out[len(out) // 2, len(out) // 2] += 1.0 - share
    return np.asarray(mended * out + (1.0 - mended) * kernel)


def moments(kernel: Array) -> tuple[Array, Array]:
    """Mean (2,) px, x right and y down, and covariance (2, 2) px^2 of a kernel."""
    half = len(kernel) // 2
    at = np.arange(-half, half + 1, dtype=np.float64)
    x, y = np.meshgrid(at, at)
    xy = np.stack([x, y], axis=-1).reshape(-1, 2)
    mean = kernel.reshape(-1) @ xy
    return np.asarray(mean), np.asarray((xy - mean).T @ (kernel.reshape(-1, 1) * (xy - mean)))


@cache
def _gauss(count: int) -> tuple[Array, Array]:
    """Places and weights of Gauss-Legendre's rule on 0 to 1."""
    x, weight = np.polynomial.legendre.leggauss(count)
    return 0.5 * (x + 1.0), 0.5 * weight


def _shared(points: Array, weights: Array) -> Array:
    half = int(np.ceil(np.abs(points).max() - 1e-12)) + 1
    out = np.zeros((2 * half + 1, 2 * half + 1))
    _share(points, weights, out)
    return out


@compiled
def _share(points, weights, out):  # type: ignore[no-untyped-def]
    """Points (N, 2) px, shared among the 4 x 4 pixels around each by cubic convolution.

    Keys, "Cubic Convolution Interpolation for Digital Image Processing", IEEE Transactions on Acoustics, Speech and
    Signal Processing 29(6), 1153-1160, 1981, equation (15): the weights whose mean and variance are the point's own.
    """
    half = len(out) // 2
    across, down = np.empty(4), np.empty(4)
    for i in range(len(points)):
        left, top = np.floor(points[i, 0]), np.floor(points[i, 1])
        for k in range(4):
            for axis in range(2):
                s = abs(points[i, axis] - (left if axis == 0 else top) - (k - 1))
                if s < 1.0:
                    value = (1.5 * s - 2.5) * s * s + 1.0
                elif s < 2.0:
                    value = ((-0.5 * s + 2.5) * s - 4.0) * s + 2.0
                else:
                    value = 0.0
                if axis == 0:
                    across[k] = value
                else:
                    down[k] = value
        for j in range(4):
            for k in range(4):
                y, x = half + int(top) + j - 1, half + int(left) + k - 1
                # a weight of nothing may fall outside
                if 0 <= y < len(out) and 0 <= x < len(out):
                    out[y, x] += weights[i] * down[j] * across[k]

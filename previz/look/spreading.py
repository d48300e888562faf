"""Depth of field by layers: each layer of a frame blurred by itself as the depth of its pixels asks.

On the wall every pixel is blurred as its own depth asks. On the bridge every pixel is spread as its own depth asks:
light and cover together, so that its edges fade as they should. Between the depths at which kernels are worked out
two of them are mixed, in shares that add up to one.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft2, next_fast_len, rfft2

from previz.geometry import Array
from previz.look.blur import LensBlur, Nodes
from previz.look.view import View
from previz.workshop.compiled import compiled
from previz.workshop.surface import BRIDGE, Picture

Plane = NDArray[np.float32]

# kernels of more weights than this are applied by Fourier transform: a long path has few, a wide disc has many
_DIRECT_TAPS = 400

# what a pixel gives to another is left out below this share: a thirtieth of an 8-bit step from white to mid grey
_LEAST_TAP = 3e-5
_LEAST_OF_LARGEST = 0.02


def blurred_wall(blur: LensBlur, view: View, pictures: Sequence[Picture]) -> list[Picture]:
    """Pictures (H + 2m, W + 2m, 3) of one surface blurred, each of the frame's size (H, W, 3).

    ``view`` gives the depth of them all. Their margin m may be any; light from beyond it is taken to be its rim's.
    """
    h, w = blur.camera.height_px, blur.camera.width_px
    margin = margin_of(blur, view)
    disparity, low, high = mean_disparity(view)
    own = np.ascontiguousarray(disparity[margin : margin + h, margin : margin + w])
    out = [np.zeros((h, w, 3), dtype=np.float32) for _ in pictures]
    nodes = blur.nodes(1.0 / high, 1.0 / low) if high > 0.0 else blur.nodes(1.0, 1.0)
    pad, rows = 0, [np.ascontiguousarray(picture) for picture in pictures]
    for key in kernel_keys(nodes):
        weight = kernel_weights(nodes, key, own, 0, 0)
        if weight is None:
            continue
        kernel = node_kernel(blur, nodes, key)
        if len(kernel) // 2 > margin + pad:
            pad = len(kernel) // 2 - margin
            rows = [_padded(picture, pad) for picture in pictures]
        for source, into in zip(rows, out, strict=True):
            add_blurred(source, kernel, margin + pad, weight, into)
    for picture in out:
        # a kernel's slightly negative rim beside a bright edge
        _not_negative(picture.reshape(-1))
    return out


def blurred_bridge(blur: LensBlur, view: View, origin: tuple[int, int]) -> tuple[Picture, Plane]:
    """A layer drawn by itself before black, blurred: light (H, W, 3) and cover (H, W), both of the frame's size.

    ``origin`` (x, y) px is the place in the frame of the view's first pixel, negative outside it.
    """
    h, w = blur.camera.height_px, blur.camera.width_px
    whole = np.zeros((h, w, 4), dtype=np.float32)
    disparity, low, high = mean_disparity(view)
    if high > 0.0:
        light = np.concatenate([view.colour, view.cover(BRIDGE)[..., None]], axis=-1)
        nodes = blur.nodes(1.0 / high, 1.0 / low)
        for key in kernel_keys(nodes):
            _spread(blur, nodes, key, disparity, light, origin, whole)
    colour, cover = np.empty((h, w, 3), dtype=np.float32), np.empty((h, w), dtype=np.float32)
    _split(whole, colour, cover)
    return colour, cover


_Key = tuple[int, int, int]


def kernel_keys(nodes: Nodes) -> list[_Key]:
    """Every kernel's place among the nodes: depth, down, across."""
    return [
        (k, j, i)
        for k in range(len(nodes.disparity))
        for j in range(len(nodes.y_px))
        for i in range(len(nodes.x_px))
    ]


def node_kernel(blur: LensBlur, nodes: Nodes, key: _Key) -> Plane:
    """The kernel (2k + 1, 2k + 1) of a node, sum 1, without what is too little to be seen."""
    k, j, i = key
    place = (float(nodes.x_px[i]), float(nodes.y_px[j]))
    kernel = blur.kernel(1.0 / float(nodes.disparity[k]), place)
    # of a blur as wide as the frame every share is small
    kernel = np.where(np.abs(kernel) < min(_LEAST_TAP, _LEAST_OF_LARGEST * float(kernel.max())), 0.0, kernel)
    return np.asarray(kernel / kernel.sum(), dtype=np.float32)


def _spread(
    blur: LensBlur,
    nodes: Nodes,
    key: _Key,
    disparity: Plane,
    light: Plane,
    origin: tuple[int, int],
    whole: Plane,
) -> None:
    """Add to ``whole`` (H, W, 4) what one kernel makes of the pixels of ``light`` (h, w, 4) that it is for."""
    weight = kernel_weights(nodes, key, disparity, *origin)
    if weight is None:
        return
    weight *= disparity > 0.0
    rows, columns = np.flatnonzero(weight.any(axis=1)), np.flatnonzero(weight.any(axis=0))
    if len(rows) == 0:
        return
    top, bottom, left, right = rows[0], rows[-1] + 1, columns[0], columns[-1] + 1
    box = np.s_[top:bottom, left:right]
    part = light[box] * weight[box][..., None]
    kernel = node_kernel(blur, nodes, key)
    reach = len(kernel) // 2
    h, w = whole.shape[:2]
    # where this light is in the frame, and the part of the frame that it reaches
    left, right, top, bottom = left + origin[0], right + origin[0], top + origin[1], bottom + origin[1]
    y0, y1 = max(top - reach, 0), min(bottom + reach, h)
    x0, x1 = max(left - reach, 0), min(right + reach, w)
    if y0 >= y1 or x0 >= x1:
        return
    source = np.zeros((y1 - y0 + 2 * reach, x1 - x0 + 2 * reach, 4), dtype=np.float32)
    down, along = int(top) - (y0 - reach), int(left) - (x0 - reach)
    # what is given and what is taken, both cut to what overlaps
    a, b = max(down, 0), min(down + part.shape[0], source.shape[0])
    c, d = max(along, 0), min(along + part.shape[1], source.shape[1])
    source[a:b, c:d] = part[a - down : b - down, c - along : d - along]
    into = np.zeros((y1 - y0, x1 - x0, 4), dtype=np.float32)
    add_blurred(source, kernel, reach, np.ones(into.shape[:2], dtype=np.float32), into)
    whole[y0:y1, x0:x1] += into


def kernel_weights(nodes: Nodes, key: _Key, disparity: Plane, left: int, top: int) -> Plane | None:
    """Share (H, W) of each pixel that one kernel has; None where it has none. Over all kernels shares add up to one.

    ``disparity`` (H, W) begins at pixel (``left``, ``top``) of the frame.
    """
    k, j, i = key
    h, w = disparity.shape
    across = _hats(np.arange(w) + left + 0.5, nodes.x_px, i)
    down = _hats(np.arange(h) + top + 0.5, nodes.y_px, j)
    u = nodes.disparity
    before = u[k] - u[k - 1] if k > 0 else np.inf
    after = u[k + 1] - u[k] if k + 1 < len(u) else np.inf
    out = np.empty((h, w), dtype=np.float32)
    found = _hat_weights(disparity, u[k], 1.0 / before, 1.0 / after, across, down, out)
    return out if found else None


def _hats(at: NDArray[np.floating], nodes: Array, k: int) -> Plane:
    return np.asarray(np.interp(at, nodes, np.eye(len(nodes))[k]), dtype=np.float32)


@compiled
def _hat_weights(disparity, node, before, after, across, down, out):  # type: ignore[no-untyped-def]
    found = False
    for y in range(disparity.shape[0]):
        if down[y] == 0.0:
            out[y] = 0.0
            continue
        for x in range(disparity.shape[1]):
            d = disparity[y, x] - node
            value = 1.0 + d * before if d < 0.0 else 1.0 - d * after
            value = max(value, 0.0) * across[x] * down[y]
            found = found or value > 0.0
            out[y, x] = value
    return found


def margin_of(blur: LensBlur, view: View) -> int:
    """How many pixels a view has on every side of the frame; of another shape it raises ``ValueError``."""
    high, wide = view.colour.shape[:2]
    margin: int = (wide - blur.camera.width_px) // 2
    if margin < 0 or wide != blur.camera.width_px + 2 * margin or high != blur.camera.height_px + 2 * margin:
        raise ValueError(f"a view of {wide} x {high} px is not the frame with a margin")
    return margin


def _padded(picture: Picture, pad: int) -> Picture:
    return np.pad(picture, ((pad, pad), (pad, pad), (0, 0)), mode="edge")


def mean_disparity(view: View) -> tuple[Plane, float, float]:
    """Reciprocal (H, W) of the depth of each pixel, 0 where nothing was met; the least and greatest of the others."""
    if view.depth is None:
        raise ValueError("a view without depth cannot be blurred")
    h, w = view.colour.shape[:2]
    out = np.empty((h, w), dtype=np.float32)
    low, high = _mean_disparity(view.depth, view.samples, out)
    return out, float(low), float(high)


@compiled
def _mean_disparity(depth, samples, out):  # type: ignore[no-untyped-def]
    low, high = np.inf, 0.0
    for i in range(out.shape[0]):
        for j in range(out.shape[1]):
            total, count = 0.0, 0
            for y in range(i * samples, (i + 1) * samples):
                for x in range(j * samples, (j + 1) * samples):
                    if depth[y, x] > 0.0:
                        total += depth[y, x]
                        count += 1
            if count:
                mean = count / total
                low, high = min(low, mean), max(high, mean)
                out[i, j] = mean
            else:
                out[i, j] = 0.0
    return low, high


def add_blurred(source: Plane, kernel: Plane, margin: int, weight: Plane, into: Plane) -> None:
    """Add ``weight`` (H, W) times the blurred ``source`` (H + 2m, W + 2m, C), m the ``margin``, to ``into``."""
    h, _, channels = into.shape
    reach = len(kernel) // 2
    if np.count_nonzero(kernel) <= _DIRECT_TAPS:
        _convolve(source.reshape(len(source), -1), kernel, margin, channels, weight, into.reshape(h, -1))
        return
    rows, columns = np.flatnonzero(weight.any(axis=1)), np.flatnonzero(weight.any(axis=0))
    top, bottom, left, right = rows[0], rows[-1] + 1, columns[0], columns[-1] + 1
    cut = source[margin + top - reach : margin + bottom + reach, margin + left - reach : margin + right + reach]
    high, wide = cut.shape[:2]
    blurred = spread_as(cut, kernel).reshape(high, wide, channels)[reach : high - reach, reach : wide - reach]
    into[top:bottom, left:right] += weight[top:bottom, left:right, None] * blurred


def spread_as(picture: Plane, kernel: NDArray[np.floating]) -> Plane:
    """A picture (H, W) or (H, W, C) with every point spread as ``kernel`` (2k + 1, 2k + 1) says; its rim goes on beyond
    it. By Fourier transforms in float32: good to some 1e-6 of the brightest."""
    reach = len(kernel) // 2
    h, w = picture.shape[:2]
    planes = np.moveaxis(np.atleast_3d(picture), 2, 0)
    # what is beyond the rim, and room for what goes round: the convolution of a period is then that of a plane
    size = next_fast_len(h + 2 * reach, real=True), next_fast_len(w + 2 * reach, real=True)
    spread = rfft2(kernel.astype(np.float32), s=size)
    out = np.empty((h, w, len(planes)), dtype=np.float32)
    for plane, into in zip(planes, np.moveaxis(out, 2, 0), strict=True):
        wide = np.pad(np.asarray(plane, dtype=np.float32), reach, mode="edge")
        into[:] = irfft2(rfft2(wide, s=size) * spread, s=size)[2 * reach : 2 * reach + h, 2 * reach : 2 * reach + w]
    return out.reshape(picture.shape)


@compiled
def _convolve(source, kernel, margin, channels, weight, into):  # type: ignore[no-untyped-def]
    """Convolution of rows (H + 2m, (W + 2m) C), channels side by side, weighted and added to rows (H, W C)."""
    reach = len(kernel) // 2
    height, width = weight.shape
    run = np.empty(width * channels, dtype=np.float32)
    # four taps at a time, so that what is being added up is fetched less often
    a, b = np.nonzero(kernel)
    count_4 = (len(a) + 3) // 4 * 4
    down, along, tap = np.zeros(count_4, np.int64), np.zeros(count_4, np.int64), np.zeros(count_4, np.float32)
    for k in range(len(a)):
        down[k], along[k], tap[k] = a[k] - reach, b[k] - reach, kernel[a[k], b[k]]
    for y in range(height):
        first, last = 0, width
        while first < last and weight[y, first] == 0.0:
            first += 1
        while last > first and weight[y, last - 1] == 0.0:
            last -= 1
        count = (last - first) * channels
        if count == 0:
            continue
        part = run[:count]
        part[:] = 0.0
        for k in range(0, count_4, 4):
            begin = (first + margin - along[k : k + 4]) * channels
            above = y + margin - down[k : k + 4]
            r0 = source[above[0], begin[0] : begin[0] + count]
            r1 = source[above[1], begin[1] : begin[1] + count]
            r2 = source[above[2], begin[2] : begin[2] + count]
            r3 = source[above[3], begin[3] : begin[3] + count]
            t0, t1, t2, t3 = tap[k], tap[k + 1], tap[k + 2], tap[k + 3]
            for i in range(count):
                part[i] += (t0 * r0[i] + t1 * r1[i]) + (t2 * r2[i] + t3 * r3[i])
        out = into[y, first * channels : last * channels]
        for x in range(last - first):
            share = weight[y, first + x]
            for c in range(channels):
                out[x * channels + c] += share * part[x * channels + c]


@compiled
def _split(whole, colour, cover):  # type: ignore[no-untyped-def]
    """Light and cover (H, W, 4) apart. A kernel's slightly negative rim takes both a little beyond their limits."""
    for y in range(cover.shape[0]):
        for x in range(cover.shape[1]):
            share = whole[y, x, 3]
            scale = np.float32(1.0) / max(share, np.float32(1.0))
            cover[y, x] = min(max(share, np.float32(0.0)), np.float32(1.0))
            for c in range(3):
                colour[y, x, c] = max(whole[y, x, c], np.float32(0.0)) * scale


@compiled
def _not_negative(values):  # type: ignore[no-untyped-def]
    for i in range(len(values)):
        values[i] = max(values[i], np.float32(0.0))

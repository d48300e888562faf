"""A layer's blur as a linear map with its transpose: what paint is solved through.

The map is that of :mod:`previz.look.spreading`: light of a layer drawn by itself is spread from where it is
(:func:`spread_blur`), or gathered to where it is seen, on a wall drawn whole (:func:`gathered_blur`). Left out is what
those functions do to rims that come out below nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from previz.look.blur import LensBlur
from previz.look.rings import ringed
from previz.look.spreading import (
    Plane,
    add_blurred,
    kernel_keys,
    kernel_weights,
    margin_of,
    mean_disparity,
    node_kernel,
)
from previz.look.view import View
from previz.workshop.surface import Picture

_Box = tuple[slice, slice]


@dataclass(frozen=True, eq=False)
class _Share:
    """One kernel (2k + 1, 2k + 1) and the ``weight`` (h, w) that it has in a ``box`` of rows and columns."""

    kernel: Plane
    box: _Box
    weight: Plane


@dataclass(frozen=True, eq=False)
class LayerBlur:
    """Takes pictures (H + 2m, W + 2m, 3) to pictures (H, W, 3); m is the ``margin``.

    Kernels are weighed where light comes from where ``spreads``, where it arrives otherwise. Diffraction's rings go by
    ``wave_px``.
    """

    size_px: tuple[int, int]
    margin: int
    spreads: bool
    shares: tuple[_Share, ...]
    wave_px: float = 0.0

    @property
    def wide_px(self) -> tuple[int, int]:
        """(width, height) of what it takes."""
        width, height = self.size_px
        return width + 2 * self.margin, height + 2 * self.margin

    def ahead(self, wide: Picture) -> Picture:
        """The picture (H, W, 3) of ``wide`` (H + 2m, W + 2m, 3), linear light."""
        out = np.zeros((self.size_px[1], self.size_px[0], 3), dtype=np.float32)
        for share in self.shares:
            if self.spreads:
                _spread(wide[share.box] * share.weight[..., None], share.box, -self.margin, share.kernel, out)
            else:
                out[share.box] += share.weight[..., None] * _gathered(wide, share.box, self.margin, share.kernel)
        return ringed(out, self.wave_px)

    def back(self, slope: Picture) -> Picture:
        """The slope (H + 2m, W + 2m, 3) for what it takes, from one (H, W, 3) for what it gives: the transpose."""
        width, height = self.wide_px
        out = np.zeros((height, width, 3), dtype=np.float32)
        slope = ringed(slope, self.wave_px)
        for share in self.shares:
            turned = np.ascontiguousarray(share.kernel[::-1, ::-1])
            if self.spreads:
                out[share.box] += share.weight[..., None] * _gathered(slope, share.box, -self.margin, turned)
            else:
                _spread(slope[share.box] * share.weight[..., None], share.box, self.margin, turned, out)
        return out


def spread_blur(blur: LensBlur, view: View) -> LayerBlur:
    """The blur of a layer drawn by itself, with depth, whose ``view`` is the frame's with a margin on every side."""
    return _layer_blur(blur, view, True)


def gathered_blur(blur: LensBlur, view: View) -> LayerBlur:
    """The blur of a surface that fills its ``view``, the frame's with a margin on every side, with depth."""
    return _layer_blur(blur, view, False)


def _layer_blur(blur: LensBlur, view: View, spreads: bool) -> LayerBlur:
    margin = margin_of(blur, view)
    size_px = blur.camera.width_px, blur.camera.height_px
    disparity, low, high = mean_disparity(view)
    first = -margin
    if not spreads:
        inside = np.s_[margin : margin + size_px[1], margin : margin + size_px[0]]
        disparity, first = np.ascontiguousarray(disparity[inside]), 0
    shares: list[_Share] = []
    # a layer in front is worked out in parts of the exposure
    parts = () if high <= 0.0 else blur.parts(1.0 / high) if spreads else (blur,)
    for part in parts:
        nodes = part.nodes(1.0 / high, 1.0 / low)
        for key in kernel_keys(nodes):
            weight = kernel_weights(nodes, key, disparity, first, first)
            if weight is None:
                continue
            if spreads:
                weight *= (disparity > 0.0) / np.float32(len(parts))
            rows, columns = np.flatnonzero(weight.any(axis=1)), np.flatnonzero(weight.any(axis=0))
            if len(rows) == 0:
                continue
            box = slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1)
            shares.append(_Share(node_kernel(part, nodes, key), box, np.ascontiguousarray(weight[box])))
    return LayerBlur(size_px, margin, spreads, tuple(shares), blur.wave_px())


def _spread(values: Picture, box: _Box, shift: int, kernel: Plane, out: Picture) -> None:
    """Add to ``out`` what a kernel makes of values (h, w, 3) whose ``box`` lies in it ``shift`` px further on."""
    reach = len(kernel) // 2
    top, left = box[0].start + shift, box[1].start + shift
    y0, y1 = max(top - reach, 0), min(top + values.shape[0] + reach, out.shape[0])
    x0, x1 = max(left - reach, 0), min(left + values.shape[1] + reach, out.shape[1])
    if y0 < y1 and x0 < x1:
        there = slice(y0 - top, y1 - top), slice(x0 - left, x1 - left)
        out[y0:y1, x0:x1] += _gathered(values, there, 0, kernel)


def _gathered(picture: Picture, box: _Box, shift: int, kernel: Plane) -> Picture:
    """What a kernel gathers (h, w, 3) at a ``box`` that lies in the picture ``shift`` px further on; 0 beyond it."""
    reach = len(kernel) // 2
    height, width = box[0].stop - box[0].start, box[1].stop - box[1].start
    top, left = box[0].start + shift - reach, box[1].start + shift - reach
    source = np.zeros((height + 2 * reach, width + 2 * reach, 3), dtype=np.float32)
    a, b = max(-top, 0), min(picture.shape[0] - top, source.shape[0])
    c, d = max(-left, 0), min(picture.shape[1] - left, source.shape[1])
    if a < b and c < d:
        source[a:b, c:d] = picture[top + a : top + b, left + c : left + d]
    out = np.zeros((height, width, 3), dtype=np.float32)
    add_blurred(source, kernel, reach, np.ones((height, width), dtype=np.float32), out)
    return out

"""Texture atlas of true-size charts: flat pieces of a surface, and how they share one picture.

What is painted on a chart is printed from it at true size, so a chart is never stretched and all charts of a surface
have one texel size.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from previz.geometry import Array

PADDING_PX = 4  # free texels around a chart
MOST_TEXELS = 4_000_000
LONGEST_PX = 8192  # what every graphics driver takes


@dataclass(frozen=True, eq=False)
class Chart:
    """A piece of a surface laid flat.

    The picture's rectangle ``left_px``, ``top_px``, ``width_px``, ``height_px`` (whole texels) holds it; ``size``
    (width, height) m is its true size, from the rectangle's top left corner. ``outline`` (K, 2) m goes round it,
    right and down from that corner. ``rightwards`` and ``downwards`` say in words where those directions lead.
    """

    name: str
    left_px: int
    top_px: int
    width_px: int
    height_px: int
    size: tuple[float, float]
    outline: Array
    rightwards: str
    downwards: str

    def window(self, reach: int = 0) -> tuple[slice, slice]:
        """Rows and columns of the picture that hold it, and ``reach`` texels around."""
        return (
            slice(max(self.top_px - reach, 0), self.top_px + self.height_px + reach),
            slice(max(self.left_px - reach, 0), self.left_px + self.width_px + reach),
        )


@dataclass(frozen=True, eq=False)
class Layout:
    """Where N rectangles lie in a picture: their top left corners and sizes, whole texels of ``texel`` m."""

    texel: float
    width_px: int
    height_px: int
    left_px: list[int]
    top_px: list[int]
    sizes_px: list[tuple[int, int]]


def laid_out(sizes: Sequence[tuple[float, float]], texel: float) -> Layout:
    """Rectangles of ``sizes`` (width, height) m in one picture with texels of ``texel`` m.

    Texels grow where the picture would have more than ``MOST_TEXELS`` or a side longer than ``LONGEST_PX``.
    """
    for _ in range(200):
        layout = _shelves(sizes, texel)
        if layout.width_px * layout.height_px <= MOST_TEXELS and max(layout.width_px, layout.height_px) <= LONGEST_PX:
            return layout
        over = max(
            np.sqrt(layout.width_px * layout.height_px / MOST_TEXELS),
            layout.width_px / LONGEST_PX,
            layout.height_px / LONGEST_PX,
        )
        texel *= max(float(over) * 0.98, 1.01)
    return layout


def _shelves(sizes: Sequence[tuple[float, float]], texel: float) -> Layout:
    """Tallest first, in columns from left to right under a ceiling: long narrow charts lie side by side."""
    sizes_px = [(int(np.ceil(w / texel - 1e-9)) or 1, int(np.ceil(h / texel - 1e-9)) or 1) for w, h in sizes]
    padded = [(w + 2 * PADDING_PX, h + 2 * PADDING_PX) for w, h in sizes_px]
    total = sum(w * h for w, h in padded)
    ceiling = max(max(h for _, h in padded), int(np.sqrt(1.1 * total)))
    left_px, top_px = [0] * len(sizes), [0] * len(sizes)
    x, y, column = 0, 0, 0
    bottom = 0
    for i in sorted(range(len(sizes)), key=lambda i: (-padded[i][0], -padded[i][1], i)):
        w, h = padded[i]
        if y + h > ceiling:
            x, y, column = x + column, 0, 0
        left_px[i], top_px[i] = x + PADDING_PX, y + PADDING_PX
        y += h
        column = max(column, w)
        bottom = max(bottom, y)
    return Layout(texel, x + column, bottom, left_px, top_px, sizes_px)


def map_of(layout: Layout, index: int, places: Array) -> Array:
    """Texture coordinates (..., 2) of places (..., 2) m on a laid out rectangle, right and down from its corner."""
    px = np.asarray(places) / layout.texel + (layout.left_px[index], layout.top_px[index])
    return np.asarray(px / (layout.width_px, layout.height_px))

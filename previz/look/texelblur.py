"""How much a painted map's own texels blur what is painted on it, before any lens does."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from previz.workshop.compiled import compiled
from previz.workshop.surface import Picture

# the most variance that three weights are given in one go, px^2: their middle one stays the largest
_MOST: Final = 0.5


def between_texels(picture: Picture, texel_px: NDArray[np.floating]) -> Picture:
    """A picture (H, W, 3) as a map shows it whose texels are ``texel_px`` (H, W, 2) across and down it, px.

    A map is read bilinearly: every texel is spread as a tent of twice its side, of variance 1/6 of its square (the
    convolution of two boxes of variance 1/12 each). Three weights a pixel have that variance; beyond the rim it goes
    on.
    """
    variance = np.asarray(texel_px, dtype=np.float32) ** 2 / np.float32(6.0)
    times = max(int(np.ceil(float(variance.max(initial=0.0)) / _MOST)), 1)
    rest = np.ascontiguousarray(0.5 * variance / np.float32(times))
    out, across = np.array(picture, dtype=np.float32), np.empty(picture.shape, dtype=np.float32)
    for _ in range(times):
        _three_across(out, rest, across)
        _three_down(across, rest, out)
    return out


@compiled
def _three_across(source, rest, out):  # type: ignore[no-untyped-def]
    height, width, channels = source.shape
    for y in range(height):
        for x in range(width):
            before, after, share = max(x - 1, 0), min(x + 1, width - 1), rest[y, x, 0]
            for c in range(channels):
                here = source[y, x, c]
                out[y, x, c] = here + share * (source[y, before, c] + source[y, after, c] - here - here)


@compiled
def _three_down(source, rest, out):  # type: ignore[no-untyped-def]
    height, width, channels = source.shape
    for y in range(height):
        above, below = max(y - 1, 0), min(y + 1, height - 1)
        for x in range(width):
            share = rest[y, x, 1]
            for c in range(channels):
                here = source[y, x, c]
                out[y, x, c] = here + share * (source[above, x, c] + source[below, x, c] - here - here)

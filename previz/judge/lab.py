"""CIELAB of whole pictures, and what goes into fields, in one pass: as :mod:`previz.colour` has it, in machine code.

Pictures of half a million pixels are looked at several times a frame; arrays between steps cost most of the time.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from previz.colour import WHITE_XYZ, XYZ_FROM_RGB
from previz.workshop.compiled import compiled
from previz.workshop.surface import Picture

# relative to white: what the curve of CIE 15 asks for
_RELATIVE: Final = (XYZ_FROM_RGB / WHITE_XYZ[:, None]).astype(np.float32)

_DELTA: Final = np.float32((6.0 / 29.0) ** 3)
_SLOPE: Final = np.float32((29.0 / 6.0) ** 2 / 3.0)
_OFFSET: Final = np.float32(4.0 / 29.0)
_THIRD: Final = np.float32(1.0 / 3.0)


def picture_lab(linear: Picture) -> NDArray[np.float32]:
    """CIELAB (H, W, 3) float32 of linear Rec.709 light (H, W, 3), within 0.0005 of :func:`previz.colour.lab`."""
    pixels = np.ascontiguousarray(linear, dtype=np.float32).reshape(-1, 3)
    out = np.empty(pixels.shape, dtype=np.float32)
    _lab(pixels, _RELATIVE, out)
    return out.reshape(linear.shape)


@compiled
def _lab(pixels, relative, out):  # type: ignore[no-untyped-def]
    """CIELAB (N, 3) of light (N, 3); ``relative`` (3, 3) makes XYZ against white of it (CIE 15:2004, 8.2.1)."""
    count = len(pixels)
    block = 1024
    curved = np.empty((3, block), dtype=np.float32)
    for start in range(0, count, block):
        many = min(block, count - start)
        for k in range(3):
            a, b, c = relative[k, 0], relative[k, 1], relative[k, 2]
            f = curved[k]
            for i in range(many):
                light = pixels[start + i]
                f[i] = a * light[0] + b * light[1] + c * light[2]
            # a cube root to within a millionth: a guess from the number's own exponent, and three steps of Newton's
            guess = f.view(np.int32)
            for i in range(many):
                t = f[i]
                bits = guess[i]
                guess[i] = bits // 3 + 709921077 if t > _DELTA else 0
                root = f[i]
                if t > _DELTA:
                    for _ in range(3):
                        root = _THIRD * (root + root + t / (root * root))
                    f[i] = root
                else:
                    f[i] = t * _SLOPE + _OFFSET
        for i in range(many):
            x, y, z = curved[0, i], curved[1, i], curved[2, i]
            out[start + i, 0] = np.float32(116.0) * y - np.float32(16.0)
            out[start + i, 1] = np.float32(500.0) * (x - y)
            out[start + i, 2] = np.float32(200.0) * (y - z)

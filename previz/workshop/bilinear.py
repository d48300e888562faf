"""What a picture says between its pixels: the one bilinear read of textures and of maps, inside compiled loops.

OpenCV's ``remap`` agrees to rounding (``tests/test_opencv.py``), but takes its places as float32 pictures.
"""

from __future__ import annotations

import numpy as np

from previz.workshop.compiled import compiled


@compiled
def read_between(picture, x, y, out):  # type: ignore[no-untyped-def]
    """Values (C,) into ``out`` of a picture (H, W, C) at column ``x`` and row ``y`` px, the first pixel's middle at 0.

    Linear filtering with the edge clamped: OpenGL 4.6 core specification, section 8.14.3, LINEAR with CLAMP_TO_EDGE.
    """
    height, width, channels = picture.shape
    left, top = np.floor(x), np.floor(y)
    a, b = x - left, y - top
    # clamped as floats: the cast of a huge value to an integer is undefined
    c0 = int(min(max(left, 0.0), width - 1.0))
    c1 = int(min(max(left + 1.0, 0.0), width - 1.0))
    r0 = int(min(max(top, 0.0), height - 1.0))
    r1 = int(min(max(top + 1.0, 0.0), height - 1.0))
    for k in range(channels):
        upper = (1.0 - a) * picture[r0, c0, k] + a * picture[r0, c1, k]
        lower = (1.0 - a) * picture[r1, c0, k] + a * picture[r1, c1, k]
        out[k] = (1.0 - b) * upper + b * lower

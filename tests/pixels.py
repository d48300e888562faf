"""Where the pixels of a picture are."""

from __future__ import annotations

import numpy as np

from previz.geometry import Array


def pixel_centres(width_px: int, height_px: int) -> Array:
    """Centres of all pixels, (height_px, width_px, 2), row by row."""
    x, y = np.meshgrid(np.arange(width_px) + 0.5, np.arange(height_px) + 0.5)
    return np.stack([x, y], axis=-1)

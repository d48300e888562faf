"""Seeded pictures of walls and bridges to judge: no set is built, so that the judge is tested alone."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw
from scipy.ndimage import gaussian_filter

WIDTH_PX, HEIGHT_PX = 960, 540
Picture = NDArray[np.float32]


def wall(seed: int, width: int = WIDTH_PX, height: int = HEIGHT_PX, upright: float = 1.0) -> Picture:
    """A rough wall: patches of several sizes, ``upright`` times taller than wide."""
    rng = np.random.default_rng(seed)
    grain = np.zeros((height, width))
    for size, weight in ((1.0, 0.5), (3.0, 1.0), (8.0, 1.5), (25.0, 2.0)):
        k = size * width / WIDTH_PX
        field = gaussian_filter(rng.normal(size=(height, width)), (k * upright, k))
        grain += weight * field / field.std()
    light = np.clip(0.25 + 0.08 * grain / grain.std(), 0.02, 0.9)
    return np.stack([light * 1.05, light, light * 0.92], axis=-1).astype(np.float32)


def cover(width: int = WIDTH_PX, height: int = HEIGHT_PX, finer: int = 4) -> NDArray[np.float32]:
    """A walkway seen down its length: a trapezium from the bottom of the frame to its middle."""
    k = finer * width / WIDTH_PX
    picture = Image.new("L", (width * finer, height * finer), 0)
    corners = [(400, 540), (560, 540), (499, 260), (461, 260)]
    ImageDraw.Draw(picture).polygon([(x * k, y * k) for x, y in corners], fill=255)
    return (np.asarray(picture.resize((width, height), Image.Resampling.BOX)) / 255.0).astype(np.float32)


def laid_over(ground: Picture, layer: Picture | NDArray[np.float64], share: NDArray[np.float32]) -> Picture:
    """``layer`` over ``ground`` where ``share`` says."""
    return (ground * (1 - share[..., None]) + layer * share[..., None]).astype(np.float32)

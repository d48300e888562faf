"""Invented pictures of coloured rock, seeded, and one published way of matching colours to compare with."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

Picture = NDArray[np.float64]

# three stones and a lichen, linear Rec.709
STONES = np.array([[0.23, 0.20, 0.17], [0.10, 0.11, 0.13], [0.36, 0.25, 0.13], [0.17, 0.23, 0.10]])


def rock_face(seed: int, width: int = 300, height: int = 180) -> Picture:
    """Linear light (H, W, 3), about 0.01 to 0.6: patches of four stones in relief."""
    random = np.random.default_rng(seed)

    def rough(size: float) -> Picture:
        field = gaussian_filter(random.standard_normal((height, width)), size, mode="wrap")
        return np.asarray(field / field.std())

    share = np.exp(2.0 * np.stack([rough(9.0) + 0.5 * rough(2.5) for _ in STONES], axis=-1))
    stone = (share / share.sum(axis=-1, keepdims=True)) @ STONES
    relief = np.exp(0.4 * (0.7 * rough(6.0) + 0.5 * rough(2.5) + 0.3 * rough(1.2)))
    return np.asarray(np.clip(stone * relief[..., None], 0.004, 0.98))


# Reinhard, Ashikhmin, Gooch, Shirley, "Color Transfer between Images", IEEE CG&A 21(5), 34-41, 2001:
# equations 4 (LMS from RGB) and 6 (l alpha beta from log LMS)
_LMS_FROM_RGB = np.array([[0.3811, 0.5783, 0.0402], [0.1967, 0.7244, 0.0782], [0.0241, 0.1288, 0.8444]])
_LAB_FROM_LOG = np.diag(1.0 / np.sqrt([3.0, 6.0, 2.0])) @ np.array([[1, 1, 1], [1, 1, -2], [1, -1, 0]])


def by_statistics(source: Picture, target: Picture) -> Picture:
    """``source`` with the means and deviations of ``target`` in l alpha beta (the paper's equations 10 and 11)."""

    def there(rgb: Picture) -> Picture:
        lms = np.maximum(rgb.reshape(-1, 3) @ _LMS_FROM_RGB.T, 1e-4)
        return np.asarray(np.log10(lms) @ _LAB_FROM_LOG.T)

    a, b = there(source), there(target)
    moved = (a - a.mean(axis=0)) * (b.std(axis=0) / a.std(axis=0)) + b.mean(axis=0)
    lms = 10.0 ** (moved @ np.linalg.inv(_LAB_FROM_LOG).T)
    return np.asarray(np.clip(lms @ np.linalg.inv(_LMS_FROM_RGB).T, 0.0, 1.0).reshape(source.shape))

"""What two cameras see of one plane, from a textbook."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from previz.geometry import Array


def plane_homography(
    b_px_from_ray: ArrayLike,
    a_px_from_ray: ArrayLike,
    rotation: ArrayLike,
    translation: ArrayLike,
    normal: ArrayLike,
    offset: float,
) -> Array:
    """Pixels of a plane seen by camera ``a`` taken to its pixels in camera ``b``: K_b (R - t n^T / d) K_a^-1.

    Hartley and Zisserman, *Multiple View Geometry*, 2nd edition, eq. 13.2. ``b_px_from_ray`` and
    ``a_px_from_ray`` are the (3, 3) calibration matrices K; ``rotation`` (3, 3) and ``translation`` (3,) m
    take points of camera ``a`` to camera ``b``; the plane is ``normal . X + offset = 0`` in camera ``a``.
    Both cameras have the book's axes: x right, y **down**, z **forward** (:func:`cv_from_world`). The result
    is (3, 3), up to scale. A plane through camera ``a`` itself (``offset`` 0) has none: ``ValueError``.
    """
    if offset == 0.0:
        raise ValueError("a plane through the lens is seen edge on: it has no homography")
    r = np.asarray(rotation, dtype=np.float64)
    t = np.asarray(translation, dtype=np.float64)
    n = np.asarray(normal, dtype=np.float64)
    k_b = np.asarray(b_px_from_ray, dtype=np.float64)
    k_a = np.asarray(a_px_from_ray, dtype=np.float64)
    return np.asarray(k_b @ (r - np.outer(t, n) / offset) @ np.linalg.inv(k_a))

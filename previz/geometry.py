"""Points, directions and rigid transforms as plain arrays.

Conventions (DEVELOPERS.md): metres, radians, right-handed axes, X along the wall to camera right,
Y up, Z out of the wall towards the camera. A transform is a (4, 4) float64 matrix named ``b_from_a``
that takes column vectors of points in frame ``a`` to frame ``b``.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def unit(vectors: ArrayLike) -> Array:
    """Scale vectors (..., 3) to length one. A zero vector raises ``ValueError``."""
    v = np.asarray(vectors, dtype=np.float64)
    length = np.linalg.norm(v, axis=-1, keepdims=True)
    if np.any(length == 0.0):
        raise ValueError("a zero vector has no direction")
    return np.asarray(v / length)


def turned(pan: float, tilt: float, roll: float) -> Array:
    """Rotation ``world_from_cam`` (3, 3) of a camera that looks along its own -Z.

    ``pan`` turns the view to camera right, ``tilt`` turns it up, ``roll`` turns the camera clockwise as
    its operator sees it; radians, applied roll first, then tilt, then pan, as a pan head does.
    """
    cp, sp = np.cos(pan), np.sin(pan)
    ct, st = np.cos(tilt), np.sin(tilt)
    cr, sr = np.cos(roll), np.sin(roll)
    about_y = np.array([[cp, 0.0, -sp], [0.0, 1.0, 0.0], [sp, 0.0, cp]])
    about_x = np.array([[1.0, 0.0, 0.0], [0.0, ct, -st], [0.0, st, ct]])
    about_z = np.array([[cr, sr, 0.0], [-sr, cr, 0.0], [0.0, 0.0, 1.0]])
    return np.asarray(about_y @ about_x @ about_z)


def rigid(rotation: ArrayLike, translation: ArrayLike) -> Array:
    """The (4, 4) transform of a (3, 3) rotation followed by a (3,) translation."""
    out = np.eye(4)
    out[:3, :3] = rotation
    out[:3, 3] = translation
    return out


def inverse_rigid(b_from_a: ArrayLike) -> Array:
    """``a_from_b`` of a rigid (4, 4) ``b_from_a``."""
    m = np.asarray(b_from_a, dtype=np.float64)
    rotation_t = m[:3, :3].T
    return rigid(rotation_t, -rotation_t @ m[:3, 3])


def transform_points(b_from_a: ArrayLike, points: ArrayLike) -> Array:
    """Points (..., 3) of frame ``a`` in frame ``b``."""
    m = np.asarray(b_from_a, dtype=np.float64)
    return np.asarray(np.asarray(points, dtype=np.float64) @ m[:3, :3].T + m[:3, 3])


def cv_from_world(world_from_cam: ArrayLike) -> Array:
    """(4, 4) transform to the axes of the vision books (x right, y down, z forward) from the world's.

    ``world_from_cam`` (4, 4) is a camera of this package, looking along its own -Z with Y up.
    """
    return np.asarray(np.diag([1.0, -1.0, -1.0, 1.0]) @ inverse_rigid(world_from_cam))

"""Bands along the slide: the one paint of a wall that hides how the bridge's pattern slides against it.

Only movement across a pattern's own gradients shows (:mod:`previz.judge.film.drift`). A wall that may be painted over
is smeared along the way in which the camera slides, as far as its new paint may lie from its design: what is left runs
along the slide, and the bridge that continues it does too.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt, gaussian_filter1d, map_coordinates

from previz.geometry import Array
from previz.workshop.surface import Surface

Codes = NDArray[np.float32]

# standard deviation of the smear, m of wall: longer than any patch that a bridge's edge crosses
SMEAR: Final = 0.1

# share of the part's lesser side over which the bands fade into the design
_FADES: Final = 0.08

# slopes below this are level: a way of a thousand texels stays on its row to a few
_LEVEL: Final = 0.005

# where a map follows the wall's plane worse than this share of its own size, a straight way on the wall is none on it
_STRAIGHT: Final = 0.02


def way_on_map(wall: Surface, way: Array) -> Array | None:
    """A way along the wall's plane (2,) m, x and y, on the wall's picture, (2,) px, right and down.

    None where the wall's map does not follow its plane evenly: there is no one direction on it.
    """
    height, width = wall.reflectance.shape[:2]
    xy = np.column_stack([wall.vertices[:, :2], np.ones(len(wall.vertices))])
    px = np.asarray(wall.uv, dtype=np.float64) * [width, height]
    # of a closed wall only the front is looked at: the half that lies farther out
    front = wall.vertices[:, 2] >= np.median(wall.vertices[:, 2])
    fit, *_ = np.linalg.lstsq(xy[front], px[front], rcond=None)
    off = np.abs(xy[front] @ fit - px[front]).max(axis=1)
    if np.median(off) > _STRAIGHT * max(width, height):
        return None
    return np.asarray(way @ fit[:2])


def banded(design: Codes, way_px: Array, change: float) -> Codes:
    """A part of the wall's picture (H, W, 3), codes 0 to 1, in bands along a way (2,) px as long as the smear is.

    No code changes by more than ``change``; towards the part's rim the bands fade into the design.
    """
    height, width = design.shape[:2]
    length = float(np.hypot(*way_px))
    if length < 1.0:
        return design
    smeared = _smeared(design, way_px)
    inside = np.zeros((height + 2, width + 2), dtype=bool)
    inside[1:-1, 1:-1] = True
    rim = distance_transform_edt(inside)[1:-1, 1:-1]
    fade = np.clip(rim / max(_FADES * min(height, width), 1.0), 0.0, 1.0)[..., None]
    step = np.clip(smeared - design, -change, change) * fade
    return np.asarray(np.clip(design + step, 0.0, 1.0), dtype=np.float32)


def _smeared(design: Codes, way_px: Array) -> Codes:
    """A picture (H, W, 3) averaged along a way with a Gaussian window whose standard deviation is the way's length.

    Sheared until the way runs along rows, averaged there and sheared back.
    """
    if abs(way_px[1]) > abs(way_px[0]):
        return np.ascontiguousarray(_smeared(design.transpose(1, 0, 2), way_px[::-1]).transpose(1, 0, 2))
    slope = float(way_px[1] / way_px[0])
    if abs(slope) < _LEVEL:
        return np.asarray(gaussian_filter1d(design, abs(way_px[0]), axis=1, mode="nearest"), dtype=np.float32)
    height, width = design.shape[:2]
    falls = slope * (np.arange(width) - 0.5 * (width - 1))
    rim = int(np.ceil(np.abs(falls).max())) + 1
    tall = np.pad(design, ((rim, rim), (0, 0), (0, 0)), mode="edge")
    smeared = gaussian_filter1d(_sheared(tall, falls), abs(way_px[0]), axis=1, mode="nearest")
    return np.ascontiguousarray(_sheared(smeared, -falls)[rim : rim + height])


def _sheared(picture: Codes, falls: Array) -> Codes:
    """A picture (H, W, 3) whose columns are read ``falls`` (W,) px farther down."""
    rows = np.arange(len(picture))[:, None] + falls
    columns = np.broadcast_to(np.arange(picture.shape[1], dtype=np.float64), rows.shape)
    out = [map_coordinates(picture[..., k], [rows, columns], order=1, mode="nearest") for k in range(3)]
    return np.asarray(np.stack(out, axis=-1), dtype=np.float32)

"""Standing a performer's cut-out in a frame.

The cut-out is shrunk by exact area averages of its light, premultiplied by its alpha, so that thin limbs neither
thicken nor grow a fringe, and it may stand between pixels, so that it does not jump along a move.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from previz.build.surface import Picture, Pixels8
from previz.colour import decoded8
from previz.errors import PrevizError
from previz.geometry import Array

# alpha (8 bit) from which a pixel counts as the figure itself, not its soft edge
_SOLID = 128

# a leaning figure is first shrunk to this many times its final size, then turned
_FINER = 3


def opaque_box(cutout: Pixels8) -> tuple[int, int, int, int]:
    """Left, top, right, bottom (px, right and bottom exclusive) of the opaque part of a cut-out (h, w, 4).

    Raises :class:`PrevizError` if the picture has no alpha, is opaque all over, or is empty.
    """
    if cutout.ndim != 3 or cutout.shape[2] != 4:
        raise PrevizError(
            f"the figure's picture has {1 if cutout.ndim == 2 else cutout.shape[-1]} channels and no alpha; "
            "expected a cut-out with alpha (RGBA): cut the performer out and save it as PNG with transparency"
        )
    solid = cutout[..., 3] >= _SOLID
    if not solid.any():
        raise PrevizError("the figure's picture is transparent all over; expected a performer cut out, save it again")
    if cutout[..., 3].min() == 255:
        raise PrevizError(
            "the figure's picture is opaque all over; expected a cut-out: make what is around the performer transparent"
        )
    rows, columns = np.flatnonzero(solid.any(axis=1)), np.flatnonzero(solid.any(axis=0))
    return int(columns[0]), int(rows[0]), int(columns[-1]) + 1, int(rows[-1]) + 1


def place_cutout(
    frame: Picture, cutout: Pixels8, foot_px: tuple[float, float], height_px: float, roll: float = 0.0
) -> Picture:
    """A copy of ``frame`` with the cut-out standing in it.

    ``frame`` (H, W, 3) float32 linear Rec.709; ``cutout`` (h, w, 4) uint8 sRGB with straight alpha. ``foot_px`` (x, y)
    is where the bottom centre of the cut-out's opaque box comes to lie, ``height_px`` the height of that box in the
    frame, both at any fraction of a pixel. ``roll`` (rad) turns the figure clockwise about its foot. What falls outside
    the frame is cut off. Raises :class:`PrevizError` if the cut-out has no alpha (see :func:`opaque_box`).
    """
    left, _, right, bottom = opaque_box(cutout)
    top = opaque_box(cutout)[1]
    if not (height_px > 0.0 and math.isfinite(height_px) and all(map(math.isfinite, foot_px))):
        raise ValueError(f"a figure needs a place and a height above 0 px, not {foot_px} and {height_px}")
    alpha = cutout[..., 3:].astype(np.float32) / np.float32(255.0)
    light = np.concatenate([decoded8(cutout[..., :3]) * alpha, alpha], axis=2)
    scale = height_px / (bottom - top)
    foot = (0.5 * (left + right), float(bottom))
    height, width = frame.shape[:2]
    if roll == 0.0:
        laid = _shrunk(light, scale, foot, foot_px, width, height)
    else:
        laid = _leaning(light, scale, foot, foot_px, width, height, roll)
    if laid is None:
        return frame.copy()
    (x0, y0), over = laid
    out = frame.copy()
    window = out[y0 : y0 + over.shape[0], x0 : x0 + over.shape[1]]
    window *= 1.0 - over[..., 3:]
    window += over[..., :3]
    return out


def _weights(count: int, scale: float, source: float, target: float, first: int, last: int) -> Array:
    """Shares (last - first, count) that each source pixel has in each target pixel, along one axis.

    ``source`` is the source place that comes to lie at ``target``. Shrinking, a target pixel is the mean of the
    stretch of source that it covers; enlarging, the mean over the pixel of the line through the source's centres.
    """
    # running integral of the source along the axis, as a matrix on source pixels: F(s) = integral from 0 to s
    edges = (np.arange(first, last + 1) - target) / scale + source
    if scale <= 1.0:
        covered = np.clip(edges[:, None] - np.arange(count)[None, :], 0.0, 1.0)
        return np.asarray(np.diff(covered, axis=0) * scale)
    # integral of a triangle of base 2 about each source centre, beyond the ends it falls to nothing
    t = np.clip(edges[:, None] - (np.arange(count)[None, :] + 0.5), -1.0, 1.0)
    ramp = np.where(t < 0.0, 0.5 * (1.0 + t) ** 2, 1.0 - 0.5 * (1.0 - t) ** 2)
    return np.asarray(np.diff(ramp, axis=0) * scale)


def _span(count: int, scale: float, source: float, target: float, size: int) -> tuple[int, int]:
    # one source pixel more on both sides, for what enlarging spreads
    first = math.floor((-1.0 - source) * scale + target)
    last = math.ceil((count + 1.0 - source) * scale + target)
    return max(first, 0), min(last, size)


_Laid = tuple[tuple[int, int], NDArray[np.float32]]


def _shrunk(
    light: NDArray[np.float32],
    scale: float,
    foot: tuple[float, float],
    foot_px: tuple[float, float],
    width: int,
    height: int,
) -> _Laid | None:
    x0, x1 = _span(light.shape[1], scale, foot[0], foot_px[0], width)
    y0, y1 = _span(light.shape[0], scale, foot[1], foot_px[1], height)
    if x1 <= x0 or y1 <= y0:
        return None
    across = _weights(light.shape[1], scale, foot[0], foot_px[0], x0, x1).astype(np.float32)
    down = _weights(light.shape[0], scale, foot[1], foot_px[1], y0, y1).astype(np.float32)
    rows = np.tensordot(down, light, axes=(1, 0))
    out = np.tensordot(across, rows, axes=(1, 1)).transpose(1, 0, 2)
    return (x0, y0), np.ascontiguousarray(np.clip(out, 0.0, None), dtype=np.float32)


def _leaning(
    light: NDArray[np.float32],
    scale: float,
    foot: tuple[float, float],
    foot_px: tuple[float, float],
    width: int,
    height: int,
    roll: float,
) -> _Laid | None:
    # upright at a finer size in a picture of its own with an empty rim, then looked up along the turned grid
    finer = scale * _FINER
    wide, high = (math.ceil(n * finer) + 4 for n in (light.shape[1], light.shape[0]))
    spot = (foot[0] * finer + 2.0, foot[1] * finer + 2.0)
    upright = _shrunk(light, finer, foot, spot, wide, high)
    if upright is None:
        return None
    (ox, oy), picture = upright
    c, s = math.cos(roll), math.sin(roll)
    corners = np.array([(x - spot[0], y - spot[1]) for x in (0, wide) for y in (0, high)]) / _FINER
    turned_x = corners[:, 0] * c - corners[:, 1] * s + foot_px[0]
    turned_y = corners[:, 0] * s + corners[:, 1] * c + foot_px[1]
    x0, x1 = max(math.floor(turned_x.min()), 0), min(math.ceil(turned_x.max()), width)
    y0, y1 = max(math.floor(turned_y.min()), 0), min(math.ceil(turned_y.max()), height)
    if x1 <= x0 or y1 <= y0:
        return None
    px = x0 + (np.arange((x1 - x0) * _FINER) + 0.5) / _FINER - foot_px[0]
    py = y0 + (np.arange((y1 - y0) * _FINER) + 0.5) / _FINER - foot_px[1]
    gx, gy = np.meshgrid(px, py)
    # the turn undone, in pixels of the finer picture
    sx = (gx * c + gy * s) * _FINER + spot[0] - ox - 0.5
    sy = (-gx * s + gy * c) * _FINER + spot[1] - oy - 0.5
    out = _looked_up(picture, sx, sy)
    return (x0, y0), out.reshape(y1 - y0, _FINER, x1 - x0, _FINER, 4).mean(axis=(1, 3), dtype=np.float32)


def _looked_up(picture: NDArray[np.float32], x: Array, y: Array) -> NDArray[np.float32]:
    """Bilinear look-up at pixel indices ``x``, ``y`` (..., fractions allowed); nothing outside."""
    padded = np.pad(picture, ((1, 1), (1, 1), (0, 0)))
    xx = np.clip(x + 1.0, 0.0, padded.shape[1] - 1.000001)
    yy = np.clip(y + 1.0, 0.0, padded.shape[0] - 1.000001)
    i, j = xx.astype(np.intp), yy.astype(np.intp)
    fx, fy = (xx - i)[..., None].astype(np.float32), (yy - j)[..., None].astype(np.float32)
    above = padded[j, i] * (1 - fx) + padded[j, i + 1] * fx
    below = padded[j + 1, i] * (1 - fx) + padded[j + 1, i + 1] * fx
    return np.asarray(above * (1 - fy) + below * fy, dtype=np.float32)

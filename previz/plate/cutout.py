"""Standing a performer's cut-out in a frame.

The cut-out is shrunk by exact area averages of its light, premultiplied by its alpha, so that thin limbs neither
thicken nor grow a fringe, and it may stand between pixels, so that it does not jump along a move.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.sparse import csr_array

from previz.colour import decoded8
from previz.errors import PrevizError
from previz.geometry import Array
from previz.workshop.surface import Picture, Pixels8

# of a figure's height: what is thinner is a staff and no limb (5 cm of a person), how high feet reach, and how far past
# the body a thing reaches that is told (judgement, no source)
_STAFF_SHARE = 0.03
_FEET_SHARE = 0.03
_ODD_SHARE = 0.01

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


@dataclass(frozen=True)
class Standing:
    """Where a cut-out's performer stands in its picture, px: ``foot`` (x, y) the middle between the outer edges of what
    touches the ground, ``top`` the row of the head's crown. ``left_out``: whether a staff, or anything as thin, reaches
    lower or higher than the body does."""

    foot: tuple[float, float]
    top: float
    left_out: bool


def standing_of(cutout: Pixels8) -> Standing:
    """Foot and head of a cut-out (h, w, 4), a held staff left out. Raises as :func:`opaque_box` does.

    What is thinner than 3 % of the figure's height (5 cm of a person) is no limb: an opening of the mask by a disk
    takes it away, and the largest part that stays is the body. Feet are what of it lies within 3 % of the height over
    its lowest row.
    """
    left, top, right, bottom = opaque_box(cutout)
    solid = cutout[top:bottom, left:right, 3] >= _SOLID
    height = bottom - top
    # a large cut-out is looked at a few pixels at a time: a body's place to a quarter of a percent is enough to begin
    step = max(1, height // 400)
    small = solid[::step, ::step]
    radius = _STAFF_SHARE * 0.5 * len(small)
    whole = Standing((0.5 * (left + right), float(bottom)), float(top), False)
    if radius < 1.0:
        return whole
    core = ndimage.distance_transform_edt(np.pad(small, 1))[1:-1, 1:-1] > radius
    parts, count = ndimage.label(core, structure=np.ones((3, 3)))
    if count == 0:
        return whole
    largest = 1 + int(np.argmax(np.bincount(parts.ravel())[1:]))
    kept = parts == largest
    # a hand's or a foot's core may be parted from the body's by a wrist: what touches it within a staff's width is its
    near = ndimage.distance_transform_edt(~kept) <= 4.0 * radius
    around = np.asarray(ndimage.distance_transform_edt(~np.isin(parts, np.unique(parts[near & core]))))
    body: NDArray[np.bool_] = (around <= radius) & small
    rows = np.flatnonzero(body.any(axis=1))
    reach = max(round(_FEET_SHARE * height), 1)
    low, high = (int(rows[-1]) + 1) * step, int(rows[0]) * step
    # the ends to the pixel: the mask itself, in the columns that the body has there
    low = _end(solid, body, step, slice(max(low - reach, 0), min(low + 2 * step, height)), last=True)
    high = _end(solid, body, step, slice(max(high - 2 * step, 0), min(high + reach, height)), last=False)
    band = body[max((low - reach) // step, 0) : max(low // step, 1)].any(axis=0)
    columns = np.flatnonzero(band)
    if len(columns) == 0:
        return whole
    first, last = int(columns[0]) * step, min((int(columns[-1]) + 1) * step, right - left)
    odd = height - low > _ODD_SHARE * height or high > _ODD_SHARE * height
    aside = round(_STAFF_SHARE * height)
    ground: NDArray[np.bool_] = np.asarray(solid[low - reach : low].any(axis=0))
    odd = odd or bool(ground[: max(first - aside, 0)].any() or ground[last + aside :].any())
    return Standing((left + 0.5 * (first + last), float(top + low)), float(top + high), odd)


def _end(solid: NDArray[np.bool_], body: NDArray[np.bool_], step: int, rows: slice, last: bool) -> int:
    """The last row (exclusive), or the first, that is solid in the body's columns, looked for in ``rows``."""
    near = body[rows.start // step : -(-rows.stop // step)].any(axis=0)
    columns = np.repeat(near, step)[: solid.shape[1]]
    there = np.flatnonzero(solid[rows, : len(columns)][:, columns].sum(axis=1) > 0)
    if len(there) == 0:
        return int(rows.stop if last else rows.start)
    return int(rows.start) + (int(there[-1]) + 1 if last else int(there[0]))


@dataclass(frozen=True, eq=False)
class Figure:
    """A cut-out made ready to be placed many times (see :func:`figure_of`).

    ``light`` (h, w, 4) float32 is its linear light times alpha, and alpha; ``foot`` (x, y) px its foot in that picture,
    ``height`` px from there to the crown of its head (:func:`standing_of`).
    """

    light: NDArray[np.float32]
    foot: tuple[float, float]
    height: float


def figure_of(cutout: Pixels8) -> Figure:
    """A cut-out (h, w, 4) uint8 sRGB with straight alpha, made ready. Raises as :func:`opaque_box` does."""
    stands = standing_of(cutout)
    # what is wholly transparent around it is not carried along
    rows = np.flatnonzero(cutout[..., 3].any(axis=1))
    columns = np.flatnonzero(cutout[..., 3].any(axis=0))
    kept = cutout[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    alpha = kept[..., 3:].astype(np.float32) / np.float32(255.0)
    light = np.concatenate([decoded8(kept[..., :3]) * alpha, alpha], axis=2)
    foot = (stands.foot[0] - float(columns[0]), stands.foot[1] - float(rows[0]))
    return Figure(light, foot, stands.foot[1] - stands.top)


def place_cutout(
    frame: Picture, cutout: Pixels8 | Figure, foot_px: tuple[float, float], height_px: float, roll: float = 0.0
) -> Picture:
    """A copy of ``frame`` with the cut-out standing in it.

    ``frame`` (H, W, 3) float32 linear Rec.709; ``cutout`` (h, w, 4) uint8 sRGB with straight alpha, or the
    :class:`Figure` made of it. ``foot_px`` (x, y) is where the cut-out's foot comes to lie (:func:`standing_of`),
    ``height_px`` the height from there to its head in the frame, both at any fraction of a pixel.
    ``roll`` (rad) turns the figure clockwise about its foot. What falls outside the frame is cut off.
    Raises :class:`PrevizError` if the cut-out has no alpha (see :func:`opaque_box`).
    """
    figure = cutout if isinstance(cutout, Figure) else figure_of(cutout)
    if not (height_px > 0.0 and math.isfinite(height_px) and all(map(math.isfinite, foot_px))):
        raise ValueError(f"a figure needs a place and a height above 0 px, not {foot_px} and {height_px}")
    height, width = frame.shape[:2]
    scale = height_px / figure.height
    if roll == 0.0:
        laid = _shrunk(figure.light, scale, figure.foot, foot_px, width, height)
    else:
        laid = _leaning(figure.light, scale, figure.foot, foot_px, width, height, roll)
    out = frame.copy()
    if laid is None:
        return out
    (x0, y0), over = laid
    window = out[y0 : y0 + over.shape[0], x0 : x0 + over.shape[1]]
    window *= 1.0 - over[..., 3:]
    window += over[..., :3]
    return out


def _weights(count: int, scale: float, source: float, target: float, first: int, last: int) -> Any:
    """Shares, a sparse (last - first, count) matrix, that source pixels have in target pixels along one axis.

    ``source`` is the source place that comes to lie at ``target``. Shrinking, a target pixel is the mean of the
    stretch of source that it covers; enlarging, the mean over the pixel of the line through the source's centres.
    """
    edges = (np.arange(first, last + 1) - target) / scale + source
    near = np.floor(edges[:-1]).astype(np.int64)[:, None] - 1 + np.arange(math.ceil(1.0 / scale) + 4)[None, :]
    begin, end = edges[:-1, None], edges[1:, None]
    if scale <= 1.0:
        share = np.clip(end - near, 0.0, 1.0) - np.clip(begin - near, 0.0, 1.0)
    else:
        # the integral of a triangle of base 2 about each source centre
        share = _ramp(end - near - 0.5) - _ramp(begin - near - 0.5)
    inside = (near >= 0) & (near < count) & (share != 0.0)
    rows = np.broadcast_to(np.arange(last - first)[:, None], near.shape)
    return csr_array(((share * scale)[inside], (rows[inside], near[inside])), shape=(last - first, count))


def _ramp(t: Array) -> Array:
    t = np.clip(t, -1.0, 1.0)
    return np.where(t < 0.0, 0.5 * (1.0 + t) ** 2, 1.0 - 0.5 * (1.0 - t) ** 2)


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
    h, w = light.shape[:2]
    across = _weights(w, scale, foot[0], foot_px[0], x0, x1).astype(np.float32)
    down = _weights(h, scale, foot[1], foot_px[1], y0, y1).astype(np.float32)
    rows = (down @ light.reshape(h, w * 4)).reshape(y1 - y0, w, 4)
    out = across @ rows.transpose(1, 0, 2).reshape(w, (y1 - y0) * 4)
    return (x0, y0), np.ascontiguousarray(out.reshape(x1 - x0, y1 - y0, 4).transpose(1, 0, 2))


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

"""A flat wall from a photograph, and the dark of a doorway."""

from __future__ import annotations

import numpy as np

from previz.geometry import Array
from previz.workshop.noise import smoothstep
from previz.workshop.pigment import BRIGHTEST_PAINT, DARKEST_PAINT
from previz.workshop.relief import JAMB, Opening
from previz.workshop.surface import Picture


def cropped(picture: Picture, width_px: int, height_px: int) -> Picture:
    """The middle of a picture (h, w, 3) in the shape of the wall, at ``width_px`` x ``height_px``, kept in the
    range that paint can have.

    Smaller pictures are enlarged straight between pixels; larger ones are averaged down first.
    """
    h, w = picture.shape[:2]
    k = min(w / width_px, h / height_px)
    wide, high = max(1, round(width_px * k)), max(1, round(height_px * k))
    left, top = (w - wide) // 2, (h - high) // 2
    part = picture[top : top + high, left : left + wide]
    for axis, count in ((0, height_px), (1, width_px)):
        part = _fitted(part, axis, count)
    return np.clip(part, DARKEST_PAINT, BRIGHTEST_PAINT).astype(np.float32)


def _fitted(picture: Picture, axis: int, count: int) -> Picture:
    have = picture.shape[axis]
    if have == count:
        return picture
    moved = np.moveaxis(picture, axis, 0)
    if have > count:
        # mean over each new pixel's span, parts of old pixels included
        total = np.concatenate([np.zeros((1, *moved.shape[1:])), np.cumsum(moved, axis=0, dtype=np.float64)])
        edge = np.arange(count + 1) * have / count
        j = np.minimum(edge.astype(np.int64), have - 1)
        part = (edge - j).reshape(-1, *([1] * (moved.ndim - 1)))
        at = total[j] + part * moved[j]
        out = (np.diff(at, axis=0) * (count / have)).astype(np.float32)
    else:
        at = np.clip((np.arange(count) + 0.5) * have / count - 0.5, 0.0, have - 1.0)
        j = np.minimum(at.astype(np.int64), max(have - 2, 0))
        after = np.minimum(j + 1, have - 1)
        part = (at - j).astype(np.float32).reshape(-1, *([1] * (moved.ndim - 1)))
        out = moved[j] * (1 - part) + moved[after] * part
    return np.moveaxis(out, 0, axis)


def doorway_darkened(picture: Picture, opening: Opening | None, x: Array, y: Array) -> Picture:
    """The inside of a doorway painted nearly black, darkest at the top."""
    if opening is None:
        return picture
    # the rim and one texel more: the steep sides take their colour from there
    reach = JAMB + max(abs(float(x[1] - x[0])), abs(float(y[1] - y[0]))) if len(x) > 1 and len(y) > 1 else JAMB
    columns = np.flatnonzero(np.abs(x) < 0.5 * opening.width + reach)
    rows = np.flatnonzero((y > -reach) & (y < opening.height + reach))
    if len(columns) == 0 or len(rows) == 0:
        return picture
    part = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    depth = smoothstep(0.0, 0.4, y[rows] / opening.height)[:, None, None]
    out = picture.copy()
    out[part] = np.maximum(picture[part] * (0.30 - 0.22 * depth), DARKEST_PAINT)
    return out

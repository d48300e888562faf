"""A wall from photographs, flat or with its measured relief, and the dark of a doorway."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from previz.geometry import Array
from previz.scene.foreign import read_picture
from previz.scene.given.heights import HeightGrid
from previz.scene.given.measured import heights_of, relief_of
from previz.scene.model import Scene
from previz.workshop.noise import Field, smoothstep
from previz.workshop.photographs.rectify import flat_wall
from previz.workshop.photographs.seen import card_gains
from previz.workshop.pigment import BRIGHTEST_PAINT, DARKEST_PAINT
from previz.workshop.relief import Carve, Opening
from previz.workshop.surface import Picture

# texels along the wall's longer side for a preview
_PREVIEW_PX = 400


def photographed(scene: Scene, x: Array, y: Array) -> tuple[Picture, tuple[str, ...]]:
    """A scene's photographs as the wall's picture (h, w, 3) at texels ``x`` (w,) and ``y`` (h,), m, and what to look
    out for. Raises :class:`~previz.errors.BuildError`, and an OutputError where OpenCV is wanted and missing."""
    photos = scene.wall.photo or ()
    if any(photo.measured for photo in photos):
        wall = flat_wall(scene, x, y)
        return wall.picture, tuple(f"wall.photo: {text}" for text in wall.cautions)
    path = scene.path(photos[0].file)
    picture = read_picture(path)
    said: list[str] = []
    if photos[0].grey is not None:
        gains, said = card_gains(path, picture, photos[0].grey)
        picture = picture * gains.astype(np.float32)
    return cropped(picture, len(x), len(y)), tuple(f"wall.photo: {photos[0].file.name}: {text}" for text in said)


def photo_preview(scene: Scene) -> tuple[list[tuple[str, str]], list[str]]:
    """Rows for people of how a scene's measured photographs were understood, and cautions; worked out coarsely."""
    wall = scene.wall
    texel = max(wall.width, wall.height) / _PREVIEW_PX
    w, h = max(2, round(wall.width / texel)), max(2, round(wall.height / texel))
    x = ((np.arange(w) + 0.5) / w - 0.5) * wall.width
    y = wall.top - (np.arange(h) + 0.5) / h * wall.height
    flat = flat_wall(scene, x, y)
    return list(flat.rows), [f"wall.photo: {text}" for text in flat.cautions]


def measured_carving(scene: Scene, grid: HeightGrid) -> Carve:
    """How a measured grid carves a scene's wall: a function of ``x`` and ``y`` lines, -1 to 1 of half its relief.

    A table's first and last heights lie on the wall's edges, a picture's in the middle of its outermost pixels; between
    them it is straight.
    """
    heights = heights_of(scene, grid)
    half = max(0.5 * relief_of(scene), 1e-9)
    wall = scene.wall
    rows, columns = heights.shape

    def carve(x: Array, y: Array) -> Field:
        across, down = x / wall.width + 0.5, (wall.top - y) / wall.height
        if grid.is_table:
            places = down * (rows - 1), across * (columns - 1)
        else:
            places = down * rows - 0.5, across * columns - 0.5
        at = np.meshgrid(*places, indexing="ij")
        return np.asarray(ndimage.map_coordinates(heights / half, at, order=1, mode="nearest"), dtype=np.float32)

    return carve


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
    columns = np.flatnonzero(np.abs(x) < 0.5 * opening.width)
    rows = np.flatnonzero((y > opening.sill) & (y < opening.high))
    if len(columns) == 0 or len(rows) == 0:
        return picture
    part = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    depth = smoothstep(0.0, 0.4, (y[rows] - opening.sill) / opening.height)[:, None, None]
    out = picture.copy()
    out[part] = np.maximum(picture[part] * (0.30 - 0.22 * depth), DARKEST_PAINT)
    return out

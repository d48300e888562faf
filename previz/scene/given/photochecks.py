"""Photographs of the wall and its measured relief, as far as they can be judged before the set is built."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from previz.errors import BuildError
from previz.geometry import Array
from previz.scene.caution import Caution
from previz.scene.faults import Reason
from previz.scene.files import PICTURES, TABLES, trouble
from previz.scene.foreign import focal_35, picture_size
from previz.scene.given.heights import HeightGrid
from previz.scene.given.measured import heights_of
from previz.scene.given.wallphoto import WallPhoto
from previz.scene.model import Scene
from previz.units import mm_text

# a photograph's shape may differ from the wall's by so much without a word
_SHAPE = 0.02
# four points so nearly in a line tell no plane: what the least telling of eight numbers weighs against the most telling
_NO_PLANE = 1e-3


def wall_photo_reasons(scene: Scene) -> Iterator[Reason]:
    """What keeps a scene's photographs, or its measured relief, from making a wall."""
    wall = scene.wall
    if isinstance(wall.relief, HeightGrid):
        yield from _relief(scene, wall.relief)
    photos = wall.photo or ()
    for i, photo in enumerate(photos):
        loc = ("wall", "photo", i)
        path = scene.path(photo.file)
        if len(photos) > 1 and not photo.measured:
            expected = "points or sheets in every one of several photographs: they say where on the wall it lies"
            yield Reason(loc, expected, "neither")
        if photo.sheets is not None and not any(value is not None for _, value in photo.sheets):
            yield Reason((*loc, "sheets"), 'a sheet and its middle, like { left = ["-350 mm", "120 mm"] }', "none")
        if photo.distortion is not None and not photo.measured:
            expected = "no distortion beside a photograph without points or sheets, which is taken as it is"
            yield Reason((*loc, "distortion"), expected, f"{photo.distortion:g}", "measure four points in it")
        if trouble(path, PICTURES) is None:
            try:
                yield from _in_picture(loc, photo, path)
            except BuildError as error:
                yield Reason((*loc, "file"), "a photograph", str(error))
        yield from _points(loc, photo)


def _relief(scene: Scene, grid: HeightGrid) -> Iterator[Reason]:
    if scene.wall.photo is None:
        expected = "a depth like \"40 mm\": a measured grid goes with a photograph, a wall by kind is carved by rule"
        yield Reason(("wall", "relief"), expected, "a grid", "leave it out")
        return
    if trouble(scene.path(grid.file), (*TABLES, *PICTURES)) is None:
        try:
            heights_of(scene, grid)
        except BuildError as error:
            yield Reason(("wall", "relief", "file"), "a grid of heights", str(error))


def _in_picture(loc: tuple[str | int, ...], photo: WallPhoto, path: Path) -> Iterator[Reason]:
    """Points and boxes that lie outside the picture, a distortion without a focal length."""
    width, height = picture_size(path)
    inside = f"in the photograph, {width} x {height} px, upright"
    for k, point in enumerate(photo.points):
        x, y = point.px
        if not (0 <= x <= width and 0 <= y <= height):
            yield Reason((*loc, "points", k, "px"), f"a place {inside}", f"[{x:g}, {y:g}]")
    boxes = [((*loc, "leave_out", k), box) for k, box in enumerate(photo.leave_out)]
    if photo.grey is not None:
        boxes.append(((*loc, "grey", "box"), photo.grey.box))
    for where, (x, y, w, h) in boxes:
        if not (0 <= x <= width - 1 and 0 <= y <= height - 1 and x + w <= width + 0.5 and y + h <= height + 0.5):
            yield Reason(where, f"a box [left, top, width, height] {inside}", f"[{x:g}, {y:g}, {w:g}, {h:g}]")
    if photo.distortion and photo.measured and photo.lens is None and focal_35(path) is None:
        expected = "lens beside distortion: the photograph does not say its focal length"
        yield Reason((*loc, "distortion"), expected, "none", 'lens = "26 mm", for a 36 mm wide frame')


def _points(loc: tuple[str | int, ...], photo: WallPhoto) -> Iterator[Reason]:
    if not photo.points or photo.sheets is not None:
        return
    if len(photo.points) < 4:
        yield Reason((*loc, "points"), "four or more points", f"{len(photo.points)}", "or a marker sheet, see sheets")
        return
    px, at = (np.array([getattr(point, name) for point in photo.points]) for name in ("px", "at"))
    if not tells_a_plane(px, at):
        expected = "four points, no three of them in a line, at different places"
        yield Reason((*loc, "points"), expected, "some that lie in a line or are one", "take the wall's four corners")


def tells_a_plane(px: Array, at: Array) -> bool:
    """Whether points (N, 2) px of a picture and (N, 2) m of a plane, at least four, say how the one is seen."""
    if min(float(np.ptp(px, axis=0).max()), float(np.ptp(at, axis=0).max())) <= 0.0:
        return False
    weights = np.linalg.svd(design(*(normalised(points)[0] for points in (px, at))), compute_uv=False)
    return bool(weights[7] > _NO_PLANE * weights[0])


def normalised(points: Array) -> tuple[Array, Array]:
    """Points (N, 2) moved to their middle and scaled to a mean distance of sqrt 2, and the (3, 3) that does it.

    Hartley and Zisserman, *Multiple View Geometry*, 2nd edition, section 4.4.4.
    """
    middle = points.mean(axis=0)
    scale = np.sqrt(2.0) / max(float(np.linalg.norm(points - middle, axis=1).mean()), 1e-300)
    moved = np.array([[scale, 0.0, -scale * middle[0]], [0.0, scale, -scale * middle[1]], [0.0, 0.0, 1.0]])
    return (points - middle) * scale, moved


def design(px: Array, at: Array) -> Array:
    """The equations (2 N, 9) of the direct linear transformation from ``at`` to ``px`` (N, 2).

    Hartley and Zisserman, algorithm 4.1, eq. 4.3.
    """
    one = np.ones((len(at), 1))
    x = np.concatenate([at, one], axis=1)
    none = np.zeros_like(x)
    return np.concatenate(
        [np.concatenate([none, -x, px[:, 1:] * x], axis=1), np.concatenate([x, none, -px[:, :1] * x], axis=1)]
    )


def photo_cautions(scene: Scene) -> Iterator[Caution]:
    """A photograph taken as straight on whose shape is not the wall's."""
    wall = scene.wall
    for photo in wall.photo or ():
        if photo.measured:
            continue
        width, height = picture_size(scene.path(photo.file))
        shape, wanted = width / height, wall.width / wall.height
        if abs(shape / wanted - 1.0) <= _SHAPE:
            continue
        wider = shape > wanted
        lost = 1.0 - (wanted / shape if wider else shape / wanted)
        side, sides = ("width", "left and right") if wider else ("height", "top and bottom")
        key, fits = ("width", wall.height * shape) if wider else ("height", wall.width / shape)
        yield Caution(
            "wall.photo",
            f"The photograph is {width} x {height} px, {shape:.3f} : 1, the wall {mm_text(wall.width)[:-3]} x "
            f"{mm_text(wall.height)}, {wanted:.3f} : 1: {100.0 * lost:.0f} % of the photograph's {side} is cut off, at "
            f'{sides} alike. Write {key} = "{mm_text(fits)}" if it shows the whole wall, or measure four points in it: '
            'photo = { file = ..., points = [{ px = [412, 318], at = ["-350 mm", "120 mm"] }, ...] }.',
        )

"""A photograph of the wall as it was understood: where on the wall it lies, its grey card, what in it is no wall."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from previz.errors import BuildError, PlateError, missing
from previz.geometry import Array
from previz.scene.foreign import Picture, focal_35, picture_size, read_picture
from previz.scene.given.photochecks import tells_a_plane
from previz.scene.given.wallphoto import GreyBox, WallPhoto
from previz.scene.model import Scene
from previz.units import mm_text
from previz.workshop.photographs.plane import FOUND_PX, HAND_PX, RadialLens, SeenPlane, seen_plane

# width of the frame that a focal length is given for
_FRAME: Final = 0.036
# papers of marker sheets (m), ISO 216 and ANSI/ASME Y14.1, and how much farther they may reach: the markers do not
# stand quite in the middle of the paper
_PAPERS: Final = {"a4": (0.210, 0.297), "letter": (0.2159, 0.2794)}
_ROUND_PAPER: Final = (0.008, 0.018)
# a card is looked for this far beyond the box that was marked, in boxes, and is all that joins the box and differs from
# its level by less than this share; its rim is blurred over some pixels, and over this share of the box
_CARD_REACH, _CARD_ALIKE, _CARD_RIM = 2.0, 0.25, 0.06
# linear light of a card that is burnt out, or so dark that noise is all there is; its spread against its level
_BURNT, _DARK, _UNEVEN = 0.97, 0.004, 0.25
# least markers that are to be found, for a sheet to tell its plane
_LEAST: Final = 2
# m; points that disagree by more are told
_ASTRAY: Final = 0.002

Box = tuple[float, float, float, float]  # left, top, right, bottom


@dataclass(frozen=True, eq=False)
class CardSeen:
    """Where a grey card lies in a photograph: a part of it, ``left`` and ``top`` px, and which of its pixels (h, w) are
    the card."""

    left: int
    top: int
    pixels: NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class PhotoSeen:
    """A photograph as it was understood. ``plane`` is where it shows the wall; ``gains`` (3,) take its linear light to
    reflectance, ones without a grey ``card``. ``no_wall_px`` are boxes of the picture, ``no_wall`` (L, 4) m left,
    bottom, right, top of the wall that do not show it. ``words`` say all that, and ``cautions`` what is wrong with it.
    """

    name: str
    path: Path
    size_px: tuple[int, int]
    plane: SeenPlane
    gains: Array
    card: CardSeen | None
    no_wall_px: tuple[Box, ...]
    no_wall: Array
    words: tuple[str, ...]
    cautions: tuple[str, ...]


def photo_seen(scene: Scene, photo: WallPhoto, picture: Picture | None = None) -> PhotoSeen:
    """A measured photograph of a scene's wall; ``picture`` where it has been read already.

    Raises :class:`BuildError` where it does not say where on the wall it lies, and an
    :class:`~previz.errors.OutputError` where markers are to be found and OpenCV is missing.
    """
    path = scene.path(photo.file)
    name = photo.file.name
    size = picture_size(path)
    lens = _lens(photo, path, size)
    px = np.array([point.px for point in photo.points], dtype=np.float64).reshape(-1, 2)
    at = np.array([point.at for point in photo.points], dtype=np.float64).reshape(-1, 2)
    sigma = np.full(len(px), HAND_PX)
    words, no_wall, found = [], [], 0
    if photo.sheets is not None:
        sheets = dict(photo.sheets)
        corners, places, found, total = _found_corners(scene, path, sheets)
        px, at = np.concatenate([px, corners]), np.concatenate([at, places])
        sigma = np.concatenate([sigma, np.full(len(corners), FOUND_PX)])
        words.append(f"{found} of {total} markers found")
        paper = np.array(_PAPERS[scene.markers.paper]) * 0.5 + _ROUND_PAPER
        no_wall = [(*(np.array(m) - paper), *(np.array(m) + paper)) for m in sheets.values() if m is not None]
    try:
        if len(px) < 4 or not tells_a_plane(px, at):
            raise BuildError("its points do not tell a plane: four are needed, no three of them in a line")
        plane = seen_plane(px, at, sigma, lens)
    except BuildError as error:
        raise BuildError(f"{path}: {error}") from None
    off = np.linalg.norm(plane.at(px) - at, axis=1)
    cautions = []
    if photo.points:
        words.append(f"{len(photo.points)} points")
    if len(px) > 4:
        words.append(f"fitted to {mm_text(float(np.sqrt(np.mean(off**2))), 2)}")
        worst = int(np.nanargmax(off))
        if off[worst] > _ASTRAY:
            what = f"point {worst + 1}" if worst < len(photo.points) else "a marker's corner"
            cautions.append(
                f"{name}: {what} lies {mm_text(float(off[worst]))} from where the others put it; measure again"
            )
    gains, card = np.ones(3), None
    boxes = [(x, y, x + w, y + h) for x, y, w, h in photo.leave_out]
    if photo.grey is not None:
        light = read_picture(path) if picture is None else picture
        gains, more = card_gains(path, light, photo.grey)
        cautions += [f"{name}: {text}" for text in more]
        card = card_seen(light, photo.grey)
        words.append(
            f"grey card {photo.grey.reflectance:g}: red, green, blue times {', '.join(f'{g:.3g}' for g in gains)}"
        )
    else:
        words.append("no grey card: colours as photographed")
    return PhotoSeen(
        name, path, size, plane, gains, card, tuple(boxes), np.array(no_wall).reshape(-1, 4), tuple(words),
        tuple(cautions),
    )  # fmt: skip


def _lens(photo: WallPhoto, path: Path, size: tuple[int, int]) -> RadialLens | None:
    if not photo.distortion:
        return None
    focal = photo.lens or focal_35(path)
    if focal is None:
        raise BuildError(f"{path}: it does not say its focal length; write lens beside distortion")
    # focal lengths are compared by the longer side, upright or lying
    return RadialLens(focal / _FRAME * max(size), (0.5 * size[0], 0.5 * size[1]), photo.distortion)


def _found_corners(
    scene: Scene, path: Path, sheets: dict[str, tuple[float, float] | None]
) -> tuple[Array, Array, int, int]:
    """Corners of the markers found (N, 2) px and where they are on the wall (N, 2) m; how many markers of how many."""
    try:
        from previz.workshop.photographs.family import grid, numbers_of
        from previz.workshop.photographs.find import found_markers, read_photograph
    except ImportError as error:
        raise missing("finding printed markers in a photograph of the wall", "lineup", error) from error
    try:
        found = found_markers(read_photograph(path))
    except PlateError as error:
        raise BuildError(str(error)) from None
    where: dict[int, Array] = {}
    middles = grid(scene.markers.tag, scene.markers.paper)
    half = 0.5 * scene.markers.tag
    square = np.array([(-half, half), (half, half), (half, -half), (-half, -half)])
    for slot, middle in sheets.items():
        if middle is not None:
            for number, place in zip(numbers_of(scene, slot, len(middles)), middles, strict=True):
                where[number] = np.array(middle) + place + square
    kept = [k for k, number in enumerate(found.numbers) if number in where]
    if len(kept) < _LEAST:
        others = len(found.numbers) - len(kept)
        other = f", and {others} of other sheets" if others else ""
        raise BuildError(
            f"{path}: {len(kept)} markers of its sheets found{other}; at least {_LEAST} must be seen whole and sharp, "
            "of the sheets that previz markers prints for this scene (title, tag and first under [markers] tell them)"
        )
    px = found.corners[kept].reshape(-1, 2)
    return px, np.concatenate([where[found.numbers[k]] for k in kept]), len(kept), len(where)


def card_gains(path: Path, picture: Picture, grey: GreyBox) -> tuple[Array, list[str]]:
    """What the light of a picture (H, W, 3) is to be multiplied by, (3,), to be reflectance; and what is wrong with it.

    Raises :class:`BuildError` for a card that tells nothing.
    """
    x, y, w, h = grey.box
    rows = slice(int(np.floor(y)), max(int(np.ceil(y + h)), int(y) + 1))
    part = picture[rows, int(np.floor(x)) : max(int(np.ceil(x + w)), int(x) + 1)].reshape(-1, 3).astype(np.float64)
    level = np.median(part, axis=0)
    if level.max() > _BURNT:
        raise BuildError(f"{path}: the grey card is burnt out; expose less, or mark another card")
    if level.min() < _DARK:
        raise BuildError(f"{path}: the grey card is nearly black; is its box where the card is?")
    said = []
    low, high = np.quantile(part[:, 1], [0.05, 0.95])
    if high - low > _UNEVEN * level[1]:
        said.append("the grey card's box is uneven; mark nothing but a part of the card that is lit as the wall is")
    return grey.reflectance / level, said


def card_seen(picture: Picture, grey: GreyBox) -> CardSeen:
    """Which part of a picture (H, W, 3) is the grey card whose middle was marked: what joins the box and is like it."""
    x, y, w, h = grey.box
    high, wide = picture.shape[:2]
    left, top = max(int(x - _CARD_REACH * w), 0), max(int(y - _CARD_REACH * h), 0)
    right, bottom = min(int(x + (1.0 + _CARD_REACH) * w) + 1, wide), min(int(y + (1.0 + _CARD_REACH) * h) + 1, high)
    part = ndimage.gaussian_filter(picture[top:bottom, left:right].astype(np.float64), (1.0, 1.0, 0.0))
    inside = np.zeros(part.shape[:2], dtype=np.bool_)
    inside[int(y) - top : max(int(y + h), int(y) + 1) - top, int(x) - left : max(int(x + w), int(x) + 1) - left] = True
    level = np.median(part[inside], axis=0)
    alike = (np.abs(part / np.maximum(level, _DARK) - 1.0) < _CARD_ALIKE).all(axis=2) | inside
    number, _ = ndimage.label(alike)
    joined = np.isin(number, np.unique(number[inside]))
    # what only touches the card through a few pixels of the wall is no card
    opened = ndimage.binary_opening(joined, iterations=max(1, round(0.1 * min(w, h)))) | inside
    number, _ = ndimage.label(opened)
    card = ndimage.binary_fill_holes(np.isin(number, np.unique(number[inside])))
    rim = max(3, round(_CARD_RIM * max(w, h)))
    return CardSeen(left, top, np.asarray(ndimage.binary_dilation(card, iterations=rim), dtype=np.bool_))


def no_wall_in(seen: PhotoSeen, px: Array, at: Array) -> NDArray[np.bool_]:
    """Whether places (..., 2) px of the picture, (..., 2) m of the wall, are known not to show the wall."""
    out = np.zeros(px.shape[:-1], dtype=np.bool_)
    areas = itertools.chain(((px, box) for box in seen.no_wall_px), ((at, box) for box in seen.no_wall.tolist()))
    for places, (left, low, right, high) in areas:
        x, y = places[..., 0], places[..., 1]
        out |= (x >= left) & (x <= right) & (y >= low) & (y <= high)
    if seen.card is not None:
        high, wide = seen.card.pixels.shape
        column, row = (np.nan_to_num(px[..., k] - (seen.card.left, seen.card.top)[k], nan=-1.0) for k in (0, 1))
        near = (column >= 0.0) & (column < wide) & (row >= 0.0) & (row < high)
        out[near] |= seen.card.pixels[row[near].astype(np.int64), column[near].astype(np.int64)]
    return out

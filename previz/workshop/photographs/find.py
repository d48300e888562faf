"""A photograph read, and the markers in it found to a small part of a pixel.

OpenCV reads which markers there are. Where their corners lie is found here: the four outer edges are located along
many lines across them in linear light (a blurred edge in coded values lies too far in the dark), straight lines are
laid through, and the lines are crossed.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, Image, ImageOps, UnidentifiedImageError

from previz import colour
from previz.errors import PlateError
from previz.geometry import Array
from previz.scene.limits import PHOTOGRAPH_PIXELS
from previz.workshop.photographs.family import MODULES, modules, outwards

_LEAST_SIDE: Final = 200

# markers are read at this many pixels along the long side, at most; edges are found at full size
_READ_AT: Final = 3000

# part of a module on both sides of an edge that is looked at
_REACH: Final = 0.72
_ENOUGH: Final = 0.45

# share of a marker's inner modules that must be as printed where it is looked for
_READABLE: Final = 0.75


@dataclass(frozen=True, eq=False)
class Photograph:
    """A photograph the right way up: ``code`` (h, w, 3) uint8, ``grey`` (h, w) uint8 or uint16, coded as sRGB.

    ``focal`` m is the focal length and ``focal_35`` m that for a 36 mm wide frame that the camera wrote down, None
    where it did not; ``notes`` say what was done to the picture.
    """

    name: str
    code: NDArray[np.uint8]
    grey: NDArray[Any]
    focal: float | None = None
    focal_35: float | None = None
    notes: tuple[str, ...] = ()

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height."""
        return self.grey.shape[1], self.grey.shape[0]

    def quarter_turned(self, quarters: int) -> Photograph:
        """The picture turned counter-clockwise by so many quarters."""
        code = np.ascontiguousarray(np.rot90(self.code, quarters))
        note = f"the photograph stood turned by {quarters % 4 * 90} deg; it was turned back"
        grey = np.ascontiguousarray(np.rot90(self.grey, quarters))
        return Photograph(self.name, code, grey, self.focal, self.focal_35, (*self.notes, note))


@dataclass(frozen=True, eq=False)
class MarkersFound:
    """Markers found: ``numbers`` (T,) and ``corners`` (T, 4, 2) px, in the order of the printed marker's corners;
    ``doubtful`` are numbers that were read and whose edges are hidden or unclear."""

    numbers: tuple[int, ...]
    corners: Array
    doubtful: tuple[int, ...] = field(default=())


def read_photograph(path: Path) -> Photograph:
    """Read a photograph: JPEG, PNG or TIFF; 8 or 16 bits; grey, RGB or CMYK; turned as its EXIF says.

    Raises :class:`PlateError` where it cannot be used.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(path) as image:
                w, h = image.size
                if w * h > PHOTOGRAPH_PIXELS:
                    raise PlateError(_too_large(path, w, h))
                if min(w, h) < _LEAST_SIDE:
                    raise PlateError(f"{path}: it is {w} x {h} px; a photograph of at least {_LEAST_SIDE} px is needed")
                focal, focal_35 = _focal(image)
                code, notes = _code(image)
    except (Image.DecompressionBombWarning, Image.DecompressionBombError) as error:
        raise PlateError(f"{path}: it has more than {PHOTOGRAPH_PIXELS // 1_000_000} million pixels; "
                         "save it smaller") from error
    except FileNotFoundError as error:
        raise PlateError(f"{path}: there is no such photograph") from error
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError) as error:
        raise PlateError(f"{path}: it cannot be read as a picture ({error}); expected a JPEG, PNG or TIFF file; "
                         "develop a raw file to one first") from error
    deep = _deep_grey(path, code.shape[:2]) if path.suffix.lower() in (".png", ".tif", ".tiff") else None
    grey = cv2.cvtColor(code, cv2.COLOR_RGB2GRAY) if deep is None else deep
    if deep is not None:
        notes = (*notes, "read with 16 bits")
        if code.max(initial=0) <= 1 or int(code.max()) - int(code.min()) < 3:
            code = np.repeat((deep >> 8).astype(np.uint8)[..., None], 3, axis=2)
    return Photograph(path.name, code, np.asarray(grey), focal, focal_35, notes)


def _too_large(path: Path, w: int, h: int) -> str:
    found = f"{w * h / 1e6:.0f} million pixels"
    return f"{path}: it has {found}, more than {PHOTOGRAPH_PIXELS // 1_000_000}; save it smaller"


def _code(image: Image.Image) -> tuple[NDArray[np.uint8], tuple[str, ...]]:
    notes: list[str] = []
    if image.getexif().get(ExifTags.Base.Orientation, 1) not in (0, 1, None):
        notes.append("turned as its EXIF says")
    upright = ImageOps.exif_transpose(image)
    if upright.mode == "CMYK":
        notes.append("CMYK turned into RGB without a profile")
    if upright.mode.startswith("I;16") or upright.mode in ("I", "F"):
        values = np.asarray(upright, dtype=np.float64)
        top = 65535.0 if values.max(initial=0.0) > 255.0 else 255.0
        grey = np.clip(values / top * 255.0, 0.0, 255.0).astype(np.uint8)
        return np.repeat(grey[..., None], 3, axis=2), tuple(notes)
    if upright.mode in ("RGBA", "LA", "PA"):
        white = Image.new("RGBA", upright.size, (255, 255, 255, 255))
        upright = Image.alpha_composite(white, upright.convert("RGBA"))
    return np.asarray(upright.convert("RGB")), tuple(notes)


def _deep_grey(path: Path, shape: tuple[int, ...]) -> NDArray[np.uint16] | None:
    """The grey of a picture of 16 bits; None for one of 8, and for one that is to be turned by its EXIF."""
    raw = cv2.imdecode(np.fromfile(path, dtype=np.uint8), cv2.IMREAD_UNCHANGED)
    if raw is None or raw.dtype != np.uint16 or raw.shape[:2] != tuple(shape):
        return None
    if raw.ndim == 2:
        return np.asarray(raw)
    flags = cv2.COLOR_BGRA2GRAY if raw.shape[2] == 4 else cv2.COLOR_BGR2GRAY
    return np.asarray(cv2.cvtColor(raw, flags))


def _focal(image: Image.Image) -> tuple[float | None, float | None]:
    try:
        inner = image.getexif().get_ifd(ExifTags.IFD.Exif)
        own, small = inner.get(ExifTags.Base.FocalLength), inner.get(ExifTags.Base.FocalLengthIn35mmFilm)
        mm = [float(value) if value else 0.0 for value in (own, small)]
    except (TypeError, ValueError, ZeroDivisionError, SyntaxError):
        return None, None
    kept = [value * 1e-3 if 1.0 <= value <= 5000.0 else None for value in mm]
    return kept[0], kept[1]


def found_markers(photograph: Photograph) -> MarkersFound:
    """All markers of the family in a photograph, whichever set they belong to."""
    numbers, rough = _read(photograph.grey)
    kept, corners, doubtful = [], [], []
    for number, four in zip(numbers, rough, strict=True):
        fine = _refined(photograph.grey, four)
        if fine is None:
            doubtful.append(number)
        else:
            kept.append(number)
            # OpenCV counts from the middle of the first pixel
            corners.append(fine + 0.5)
    return MarkersFound(tuple(kept), np.array(corners).reshape(-1, 4, 2), tuple(doubtful))


def looked_for(photograph: Photograph, numbers: Sequence[int], corners: Array) -> MarkersFound:
    """Markers that a reader misses because something touches or hides a part of them, looked for where they must be.

    ``corners`` (K, 4, 2) px are where the markers ``numbers`` should lie, to half a module or so. One is found where
    enough of all its edges can be seen and most of its modules are as printed.
    """
    kept, places = [], []
    for number, four in zip(numbers, corners, strict=True):
        if not np.isfinite(four).all() or (four < 1.0).any() or (four > np.array(photograph.size_px) - 1.0).any():
            continue
        fine = _refined(photograph.grey, four - 0.5)
        if fine is not None and _as_printed(photograph.grey, fine, modules(number)):
            kept.append(number)
            places.append(fine + 0.5)
    return MarkersFound(tuple(kept), np.array(places).reshape(-1, 4, 2))


def _as_printed(grey: NDArray[Any], corners: Array, black: NDArray[np.bool_]) -> bool:
    """Whether most modules of a marker with these corners (4, 2) are as they should be."""
    count = len(black)
    square = np.array([(0, 0), (count, 0), (count, count), (0, count)], dtype=np.float32)
    flat = cv2.getPerspectiveTransform(square, corners.astype(np.float32))
    middle = np.arange(count) + 0.5
    places = np.stack(np.meshgrid(middle, middle), axis=-1).reshape(1, -1, 2).astype(np.float32)
    px = cv2.perspectiveTransform(places, flat)[0]
    values = cv2.remap(grey.astype(np.float32), px[:, None, 0], px[:, None, 1], cv2.INTER_LINEAR)[:, 0]
    level = values.reshape(count, count)
    dark, bright = float(np.median(level[black])), float(np.median(level[~black]))
    # the rim is alike in all markers; of the modules inside two markers of the family share at most 25 of 36
    right = ((level < 0.5 * (dark + bright)) == black)[1:-1, 1:-1]
    return bool(bright > dark and right.mean() >= _READABLE)


def seen_mirrored(photograph: Photograph) -> int:
    """How many markers are found when the photograph is mirrored."""
    return len(_read(np.ascontiguousarray(photograph.grey[:, ::-1]))[0])


def _read(grey: NDArray[Any]) -> tuple[list[int], list[Array]]:
    eight = (grey >> 8).astype(np.uint8) if grey.dtype == np.uint16 else grey
    scale = min(1.0, _READ_AT / max(grey.shape))
    if scale < 1.0:
        eight = cv2.resize(eight, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    parameters = cv2.aruco.DetectorParameters()
    # of the long side; and no marker is read whose modules are smaller than a pixel, though noise has thousands of such
    parameters.minMarkerPerimeterRate = max(0.015, 4.0 * MODULES / max(eight.shape))
    parameters.adaptiveThreshWinSizeMax = 53
    parameters.adaptiveThreshWinSizeStep = 16
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    four, numbers, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(eight)
    if numbers is None or len(four) == 0:
        return [], []
    found: dict[int, Array] = {}
    twice: set[int] = set()
    for value, corners in zip(np.asarray(numbers).ravel(), four, strict=True):
        number = int(value)
        if number in found:
            twice.add(number)
        # pixel middles of the smaller picture in those of the larger one
        found[number] = (np.asarray(corners, dtype=np.float64).reshape(4, 2) + 0.5) / scale - 0.5
    # a number that is there twice says nothing
    order = sorted(number for number in found if number not in twice)
    return order, [found[number] for number in order]


def _refined(grey: NDArray[Any], corners: Array) -> Array | None:
    """Corners (4, 2) of a marker from its edges; None where too little of an edge is to be seen."""
    module = float(np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1).min()) / MODULES
    rim = int(2.0 * module + 8.0)
    low = np.maximum(np.floor(corners.min(axis=0)).astype(int) - rim, 0)
    high = np.minimum(np.ceil(corners.max(axis=0)).astype(int) + rim + 1, grey.shape[::-1])
    part = grey[low[1] : high[1], low[0] : high[0]]
    light = colour.decoded(part.astype(np.float32) / np.float32(65535.0 if grey.dtype == np.uint16 else 255.0))
    now, flattened = corners - low, False
    for reach in (_REACH * module, _REACH * module, min(_REACH * module, max(4.0, 0.35 * module))):
        lines = [_edge(light, now[i], now[(i + 1) % 4], reach, module) for i in range(4)]
        kept = [line for line in lines if line is not None]
        if len(kept) < 4:
            return None
        now = np.array([_crossed(kept[i - 1], kept[i]) for i in range(4)])
        if not flattened and np.all(np.isfinite(now)):
            light, flattened = _evenly_lit(light, now, module), True
    if not np.all(np.isfinite(now)) or float(np.abs(now - (corners - low)).max()) > 0.8 * module + 1.0:
        return None
    return np.asarray(now + low)


def _evenly_lit(light: NDArray[np.floating[Any]], corners: Array, module: float) -> NDArray[np.floating[Any]]:
    """The picture (h, w) around a marker with the slope of its light taken out.

    Light that grows across a marker moves all its edges the same way: beyond an edge there is then more, or less, light
    than the far end of the line across it shows. The slope is that of a plane laid through the white paper around the
    marker; what hides a part of the paper is left out.
    """
    following = np.roll(corners, -1, axis=0)
    part = np.linspace(0.0, 1.0, 40)[:, None, None]
    out = outwards(corners[None])[0]
    ring = [corners + part * (following - corners) + far * module * out for far in (0.6, 0.75, 0.9)]
    px = np.concatenate(ring).reshape(-1, 2).astype(np.float32)
    # outside the picture there is nothing
    white = cv2.remap(
        light.astype(np.float32),
        px[:, :1],
        px[:, 1:],
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=0.0,
    )[:, 0].astype(np.float64)
    middle = corners.mean(axis=0)
    rows = np.column_stack([np.ones(len(px)), px - middle])
    good = white > 0.6 * float(np.median(white))
    plane = np.zeros(3)
    for _ in range(4):
        if good.sum() < 0.3 * len(good):
            return light
        plane = np.linalg.lstsq(rows[good], white[good], rcond=None)[0]
        off = np.abs(white - rows @ plane)
        good = off < 3.5 * 1.4826 * float(np.median(off[good])) + 1e-6
    y, x = np.indices(light.shape, dtype=np.float64)
    share = 1.0 + ((x - middle[0]) * plane[1] + (y - middle[1]) * plane[2]) / max(plane[0], 1e-6)
    return np.asarray(light / np.clip(share, 0.3, 3.0))


def _edge(
    light: NDArray[np.floating[Any]], p: Array, q: Array, reach: float, module: float
) -> tuple[Array, Array] | None:
    """A point and the direction of the edge from ``p`` to ``q``, black on its right-hand side as the corners run."""
    along = q - p
    length = float(np.linalg.norm(along))
    if length < 8.0:
        return None
    along = along / length
    # corners run clockwise in the picture: outwards is to the left of the run
    out = np.array([along[1], -along[0]])
    count = int(np.clip(length, 16, 120))
    inset = max(0.08 * length, 0.8 * module)
    s = np.linspace(inset, length - inset, count)
    steps = max(9, 2 * int(reach / 0.35) + 1)
    n = np.linspace(-reach, reach, steps)
    places = (p + s[:, None] * along)[:, None, :] + n[:, None] * out
    profile = cv2.remap(
        light.astype(np.float32),
        places[..., 0].astype(np.float32),
        places[..., 1].astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    ).astype(np.float64)
    ends = max(1, steps // 6)
    dark, bright = profile[:, :ends].mean(axis=1), profile[:, -ends:].mean(axis=1)
    step = bright - dark
    usual = float(np.median(step))
    if usual <= 0.01:
        return None
    good = step > 0.5 * usual
    risen = (profile - dark[:, None]) / np.where(good, step, 1.0)[:, None]
    # the edge lies where as much light is missing beyond it as there is too much before it
    weight = np.full(steps, n[1] - n[0])
    weight[[0, -1]] *= 0.5
    place = reach - risen @ weight
    line = np.polynomial.Polynomial((0.0,))
    for _ in range(4):
        if good.sum() < _ENOUGH * count:
            return None
        line = np.polynomial.Polynomial.fit(s[good], place[good], 1)
        off = place - line(s)
        limit = max(3.5 * 1.4826 * float(np.median(np.abs(off[good]))), 0.02)
        good = good & (np.abs(off) < limit)
    first, last = p + line(0.0) * out, p + length * along + line(length) * out
    return np.asarray(first), np.asarray((last - first) / np.linalg.norm(last - first))


def _crossed(one: tuple[Array, Array], other: tuple[Array, Array]) -> Array:
    sides = np.column_stack([one[1], -other[1]])
    if abs(float(np.linalg.det(sides))) < 0.05:
        return np.full(2, np.nan)
    return np.asarray(one[0] + one[1] * np.linalg.solve(sides, other[0] - one[0])[0])

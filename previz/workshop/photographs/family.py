"""The printed markers of a scene as they are on paper: which numbers, how large, where on a sheet.

Markers are AprilTag 36h11 (Olson, "AprilTag: A robust and flexible visual fiducial system", ICRA 2011), as OpenCV
carries them: eight modules a side with the black rim, which needs white around it.
"""

from __future__ import annotations

import zlib
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from previz.geometry import Array
from previz.scene.model import Scene

MODULES: Final = 8
NUMBERS: Final = 587
PER_SHEET: Final = 12
SLOTS: Final = ("left", "right", "floor", "card")

# white between markers, against their side
_GAP: Final = 1.0 / 3.0
_MOST: Final = (3, 4)

# what a page leaves to draw on (m), wide and high: the paper less margins, head line and foot
FREE: Final = {"a4": (0.190, 0.248), "letter": (0.1959, 0.2304)}

_SETS: Final = 12


def modules(number: int) -> NDArray[np.bool_]:
    """Which modules (8, 8) of a marker are black, rows from the top."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    return np.asarray(cv2.aruco.generateImageMarker(dictionary, number, MODULES) < 128)


def first_number(scene: Scene) -> int:
    """Number of a scene's first marker: so that two sets in one room seldom share any."""
    given = scene.markers.first
    if given is not None:
        return given
    return zlib.crc32(scene.title.encode("utf-8")) % _SETS * PER_SHEET * len(SLOTS)


def numbers_of(scene: Scene, slot: str, count: int) -> tuple[int, ...]:
    """Numbers of the ``count`` markers on a scene's sheet ``slot``."""
    start = first_number(scene) + SLOTS.index(slot) * PER_SHEET
    return tuple((start + k) % NUMBERS for k in range(count))


def grid(tag: float, paper: str) -> Array:
    """Middles (T, 2) m of as many markers as a sheet holds, from its middle, right and up, row by row from the top."""
    gap = _GAP * tag
    columns, rows = (
        min(most, max(1, int((free + gap + 1e-9) / (tag + gap)))) for free, most in zip(FREE[paper], _MOST, strict=True)
    )
    if columns % 2 and rows % 2:
        # the middle cross needs to lie between markers
        rows -= 1
    x = (np.arange(columns) - 0.5 * (columns - 1)) * (tag + gap)
    y = (0.5 * (rows - 1) - np.arange(rows)) * (tag + gap)
    return np.array([(a, b) for b in y for a in x])


def outwards(corners: Array) -> Array:
    """Outward unit normals (T, 4, 2) of edges, from each of the corners (T, 4, 2), clockwise, to the next."""
    along = np.roll(corners, -1, axis=1) - corners
    along = along / np.linalg.norm(along, axis=2, keepdims=True)
    return np.stack([along[..., 1], -along[..., 0]], axis=2)

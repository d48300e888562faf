"""Pictures of a plate and of its miniature, and where things lie in them, measured from pixels alone.

The same things stand in both: a round mark under each foot, one at the head, and a white sky that begins level with the
lens. The plate is drawn at full size by OpenCV (:class:`tests.plate.cameras.FullSize` and ``cv2.fillPoly``), the
miniature by this project's engines from meshes of a few triangles.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from previz.camera import Camera
from previz.look.view import Engine
from previz.plate.scaling import PlateNumbers
from previz.scene.model import Scene
from previz.workshop.surface import WALL, LitSurface, Surface
from tests.plate.cameras import Array, FullSize

Grey = NDArray[np.float64]

# metres at full size, x right, y down, z ahead of the performer's feet; each: middle, and two half axes of the round
_MARKS = (
    ((-0.5, 0.0, 0.2), (0.2, 0.0, 0.0), (0.0, 0.0, 0.4)),
    ((0.5, 0.0, -0.2), (0.2, 0.0, 0.0), (0.0, 0.0, 0.4)),
    ((0.0, -1.78, 0.0), (0.15, 0.0, 0.0), (0.0, 0.15, 0.0)),
)
_CORNERS = 64

# OpenCV draws so many times finer, and takes places to 1 / 2^_SHIFT of such a pixel
_FINER, _SHIFT = 8, 6

# the miniature's sky stands so far (m at full size) behind the feet and is so large
_SKY_BACK, _SKY_HALF = 90.0, 120.0


def full_size_places(scene: Scene, plate: PlateNumbers) -> Array:
    """Places (N, 3) of the plate's camera at full size on a straight rail eased by half, from the definition."""
    t = np.linspace(0.0, 1.0, scene.rail.frames)
    share = np.where(t < 0.5, 2.0 * t**2, 1.0 - 2.0 * (1.0 - t) ** 2)
    station = (scene.rail.station or 0) - 1001
    along = np.asarray(scene.rail.along, dtype=np.float64)
    along /= np.linalg.norm(along)
    c, s = math.cos(scene.camera.pan), math.sin(scene.camera.pan)
    way = np.array([along[0] * c + along[2] * s, -along[1], along[0] * s - along[2] * c])
    start = np.array([plate.lateral, -plate.height, -plate.distance])
    return np.asarray(start + plate.travel * (share - share[station])[:, None] * way)


def _rounds() -> list[Array]:
    turn = np.linspace(0.0, 2.0 * np.pi, _CORNERS, endpoint=False)[:, None]
    return [np.array(m) + np.cos(turn) * np.array(a) + np.sin(turn) * np.array(b) for m, a, b in _MARKS]


def plate_picture(lens: FullSize) -> Grey:
    """What a full-size camera sees (H, W), 0 to 1, drawn by OpenCV."""
    width, height = lens.width_px * _FINER, lens.height_px * _FINER
    x, y, z = lens.place
    far = 1e9
    left, right = lens.project([[x - 0.5 * far, y, z + far], [x + 0.5 * far, y, z + far]])
    marks = [lens.project(outline) for outline in _rounds()]
    over, under = -9.0, lens.height_px + 9.0
    above = np.array([left, right, [right[0], over], [left[0], over]])
    below = np.array([left, right, [right[0], under], [left[0], under]])
    # OpenCV paints the outline's own pixels too: once the sky's are white and once the ground's black, and the mean of
    # both begins where the horizon is
    ways = []
    for ground, sky in ((0, above), (255, below)):
        fine = np.full((height, width), ground, dtype=np.uint8)
        cv2.fillPoly(fine, [_fine(sky)], 255 - ground, shift=_SHIFT)
        for mark in marks:
            cv2.fillPoly(fine, [_fine(mark)], 255, shift=_SHIFT)
        ways.append(cv2.resize(fine, (lens.width_px, lens.height_px), interpolation=cv2.INTER_AREA) / 255.0)
    return np.asarray(np.mean(ways, axis=0))


def _fine(places: Array) -> NDArray[np.int32]:
    # OpenCV counts from the middle of the first pixel
    return np.rint((places * _FINER - 0.5) * 2**_SHIFT).astype(np.int32)


def miniature_set(scene: Scene, plate: PlateNumbers, foot: Array) -> list[LitSurface]:
    """The same things at the scene's scale about its foot mark."""
    c, s = math.cos(scene.camera.pan), math.sin(scene.camera.pan)
    axes = np.array([[c, 0.0, s], [0.0, -1.0, 0.0], [s, 0.0, -c]])
    low, half = -plate.height, _SKY_HALF
    sky = np.array([[-half, low, _SKY_BACK], [half, low, _SKY_BACK], [half, low - half, _SKY_BACK],
                    [-half, low - half, _SKY_BACK]])  # fmt: skip
    white = np.full((4, 4, 3), 255, dtype=np.uint8)
    out = []
    for number, outline in enumerate([*_rounds(), sky]):
        at = (foot + outline / scene.scale @ axes).astype(np.float64)
        count = len(at)
        fan = np.array([[0, k, k + 1] for k in range(1, count - 1)], dtype=np.int32)
        # both ways round: seen from either side
        faces = np.concatenate([fan, fan[:, ::-1]])
        paint = np.ones((4, 4, 3), dtype=np.float32)
        uv = np.full((count, 2), 0.5, dtype=np.float32)
        surface = Surface(f"thing {number}", WALL, at, faces, uv, paint)
        out.append(LitSurface(surface.name, surface, white))
    return out


def miniature_picture(engine: Engine, camera: Camera, names: list[str], samples: int = 4) -> Grey:
    """What a miniature camera sees (H, W), 0 to 1."""
    return np.asarray(engine.draw(camera, names, samples=samples).colour[..., 1], dtype=np.float64)


def measured(picture: Grey) -> Array:
    """Places (5, 2) px in a picture: left foot, right foot, head, and the horizon in the first and the last column."""
    count, label = cv2.connectedComponents((picture > 0.0).astype(np.uint8), connectivity=8)
    width = picture.shape[1]
    y, x = np.indices(picture.shape) + 0.5
    sky = label[0, width // 2]
    if count != 5 or sky == 0:
        raise ValueError(f"three marks beneath a sky are expected, not {count - 1} things")
    # white from the top to the horizon: how much of a column is white tells where that is
    rows = np.where(label == sky, picture, 0.0).sum(axis=0)
    slope, start = np.polyfit(np.arange(width) + 0.5, rows, 1)
    places = []
    for number in set(range(1, count)) - {sky}:
        weight = np.where(label == number, picture, 0.0)
        places.append(np.array([(weight * x).sum(), (weight * y).sum()]) / weight.sum())
    head = min(places, key=lambda place: place[1])
    feet = sorted((place for place in places if place is not head), key=lambda place: place[0])
    return np.array([*feet, head, [0.5, start + 0.5 * slope], [width - 0.5, start + slope * (width - 0.5)]])

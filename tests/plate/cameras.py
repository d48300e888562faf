"""A plate's camera at full size by OpenCV, from its definition and not from this package's code, and marks it makes.

World of the plate, metres at full size: x to the camera's right at the station frame, y down, z straight ahead (level),
the performer's feet at the origin. OpenCV puts pixel centres at whole numbers, this project at halves.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from previz.plate.marks import Line, Marks, PlatePicture, Px, Upright

Array = NDArray[np.float64]


@dataclass(frozen=True)
class FullSize:
    """Where a full-size camera stands and how it looks; ``turn`` (rad) is its turn to the right about the vertical."""

    place: tuple[float, float, float]
    tilt: float
    roll: float
    turn: float
    lens: float
    sensor_width: float
    width_px: int
    height_px: int
    shift_px: tuple[float, float] = (0.0, 0.0)

    def project(self, points: ArrayLike) -> Array:
        """Pixels (N, 2) of points (N, 3) of the plate's world by ``cv2.projectPoints``."""
        c, s = np.cos(self.turn), np.sin(self.turn)
        turned = np.array([[c, 0.0, -s], [0.0, 1.0, 0.0], [s, 0.0, c]])
        c, s = np.cos(self.tilt), np.sin(self.tilt)
        tilted = np.array([[1.0, 0.0, 0.0], [0.0, c, s], [0.0, -s, c]])
        c, s = np.cos(self.roll), np.sin(self.roll)
        rolled = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
        rotation = rolled @ tilted @ turned
        f = self.lens / self.sensor_width * self.width_px
        cx = 0.5 * self.width_px - 0.5 + self.shift_px[0]
        cy = 0.5 * self.height_px - 0.5 + self.shift_px[1]
        matrix = np.array([[f, 0.0, cx], [0.0, f, cy], [0.0, 0.0, 1.0]])
        # turned here: cv2.Rodrigues takes turns below 1e-5 rad for none
        at = (np.asarray(points, dtype=np.float64) - self.place) @ rotation.T
        px, _ = cv2.projectPoints(at, np.zeros(3), np.zeros(3), matrix, None)
        return np.asarray(px[:, 0] + 0.5)


TALL = 1.78

# the quarry's plate as a still of a 4096 px wide scan: the performer is 270 px tall in it
QUARRY = FullSize((0.0, -8.6, -28.0), math.radians(-15.0), 0.0, 0.0, 0.040, 0.0359, 4096, 2304)
# a lens at eye level, near: 363 px tall at 1920
NEAR = FullSize((0.4, -1.6, -9.0), math.radians(-8.0), 0.03, 0.0, 0.035, 0.0359, 1920, 1080)


def picture_of(camera: FullSize) -> PlatePicture:
    return PlatePicture(camera.width_px, camera.height_px, camera.lens, camera.sensor_width)


def shown(camera: FullSize, *points: tuple[float, float, float]) -> Array:
    return camera.project(np.array(points))


def as_line(px: Array) -> Line:
    return (float(px[0, 0]), float(px[0, 1])), (float(px[1, 0]), float(px[1, 1]))


def as_px(px: Array) -> Px:
    return float(px[0]), float(px[1])


def marks_of(
    camera: FullSize, what: str, noise: np.random.Generator | None = None, edges_turn: float = 0.0
) -> Marks:
    """Exact marks, or with 1 px of noise; ``what`` holds h(orizon), e(dges), p(ole)."""

    def seen(*points: tuple[float, float, float]) -> Array:
        px = shown(camera, *points)
        return px if noise is None else px + noise.normal(0.0, 1.0, px.shape)

    def upright(x: float, z: float, tall: float) -> Upright:
        foot, head = seen((x, 0.0, z), (x, -tall, z))
        return Upright(as_px(foot), as_px(head), tall)

    x, y, z = camera.place
    uprights = [upright(0.0, 0.0, TALL)]
    if "p" in what:
        uprights.append(upright(-0.08 * -z, 0.3 * z, 2.0))
    horizon = None
    if "h" in what:
        far = 1e8
        horizon = as_line(seen((x - 0.2 * far, y, far), (x + 0.2 * far, y, far)))
    edges = None
    if "e" in what:
        side, near, end = 0.1 * -z, 0.2 * z, -0.8 * z
        lean = math.tan(edges_turn)
        edges = (
            as_line(seen((-side + lean * near, 0.0, near), (-side + lean * end, 0.0, end))),
            as_line(seen((side + lean * near, 0.0, near), (side + lean * end, 0.0, end))),
        )
    return Marks(tuple(uprights), horizon, edges)

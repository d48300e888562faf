"""What goes into open files for other software: surfaces with their pictures, the camera's travel, the lamps.

Everything is in the inside units and axes (metres, Y up, miniature size); each writer says what it makes of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from previz.camera import Camera
from previz.geometry import Array
from previz.workshop.surface import Pixels8, Surface

# nearest and farthest (m) of what a camera in an exported file shows
CLIP: tuple[float, float] = (0.01, 100.0)


@dataclass(frozen=True, eq=False)
class TexturedSurface:
    """A surface with the picture ``code`` (H, W, 3) uint8, sRGB, that lies on it.

    ``name`` becomes part of file names. ``lit`` tells what the picture is: what the surface sends to the lens, light
    and shadow baked in; or its reflectance, yet to be lit.
    """

    name: str
    surface: Surface
    code: Pixels8
    lit: bool


@dataclass(frozen=True, eq=False)
class Travel:
    """The camera's move: ``cameras`` at ``frames`` (as many), ``rail`` (N,) m of travel, ``rate`` frames a second.

    ``sensor_width`` and ``focal`` m, ``stop`` the f-number, ``focus`` m from the entrance pupil or None, ``scale`` how
    many times smaller than life the set is.
    """

    frames: tuple[int, ...]
    cameras: tuple[Camera, ...]
    rail: Array
    rate: Fraction
    sensor_width: float
    focal: float
    stop: float
    focus: float | None
    scale: float

    def seconds(self, frame: int) -> float:
        """Time of a frame from the first."""
        return float((frame - self.frames[0]) / self.rate)

    @property
    def shift(self) -> tuple[float, float]:
        """How far (m) the lens is shifted, right and up: the principal point lies as far off the picture's middle."""
        camera = self.cameras[0]
        pixel = self.sensor_width / camera.width_px
        right = (0.5 * camera.width_px - camera.centre_x_px) * pixel
        return right, (camera.centre_y_px - 0.5 * camera.height_px) * pixel

    @property
    def shifted(self) -> bool:
        """Whether the lens is shifted, by more than a millionth of a millimetre."""
        return max(abs(value) for value in self.shift) > 1e-9


@dataclass(frozen=True, eq=False)
class PointLight:
    """A lamp as a point that shines: ``position`` (3,) m, ``aim`` (3,) m, ``candela`` along the aim, ``tint`` (3,)
    linear Rec.709 of luminance 1, ``beam`` the half angles (rad) of full light and of none, or None for all round."""

    name: str
    position: Array
    aim: Array
    candela: float
    tint: Array
    beam: tuple[float, float] | None


def vertex_normals(surface: Surface) -> NDArray[np.float32]:
    """Unit normals (V, 3): the faces' own at each vertex, weighted by their area; up where a vertex has none."""
    corners = surface.vertices[surface.faces]
    # twice the area along the normal
    each = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    total = np.zeros_like(surface.vertices)
    for corner in range(3):
        for axis in range(3):
            total[:, axis] += np.bincount(surface.faces[:, corner], each[:, axis], len(total))
    length = np.linalg.norm(total, axis=1)
    lost = length <= 1e-18
    total[lost], length[lost] = (0.0, 1.0, 0.0), 1.0
    return np.asarray(total / length[:, None], dtype=np.float32)


def turns(camera: Camera) -> tuple[float, float, float]:
    """Pan, tilt and roll (rad) of a camera, as :func:`previz.geometry.turned` takes them.

    Looking straight up or down, pan and roll turn about one axis: all of it is counted as pan.
    """
    r = camera.world_from_cam[:3, :3]
    # r = Ry(-pan) Rx(tilt) Rz(-roll): its second row is (-cos t sin r, cos t cos r, -sin t), its third column
    # (-sin p cos t, -sin t, cos p cos t)
    level = float(np.hypot(r[0, 2], r[2, 2]))
    tilt = float(np.arctan2(-r[1, 2], level))
    if level < 1e-9:
        return float(np.arctan2(r[2, 0], r[0, 0])), tilt, 0.0
    return float(np.arctan2(-r[0, 2], r[2, 2])), tilt, float(np.arctan2(-r[1, 0], r[1, 1]))


def quaternions(cameras: Sequence[Camera]) -> Array:
    """Unit quaternions (N, 4), x y z w, of the cameras' turns; each the nearer of its two signs to the one before.

    Shepperd, *Journal of Guidance and Control* 1, 223-224, 1978: divides by the largest of the four.
    """
    out = np.empty((len(cameras), 4))
    for row, camera in enumerate(cameras):
        r = camera.world_from_cam[:3, :3]
        q = np.empty(4)
        which = int(np.argmax([r[0, 0], r[1, 1], r[2, 2], np.trace(r)]))
        if which == 3:
            q[:] = r[2, 1] - r[1, 2], r[0, 2] - r[2, 0], r[1, 0] - r[0, 1], 1.0 + np.trace(r)
        else:
            i, j, k = which, (which + 1) % 3, (which + 2) % 3
            q[i] = 1.0 + r[i, i] - r[j, j] - r[k, k]
            q[j], q[k] = r[j, i] + r[i, j], r[k, i] + r[i, k]
            q[3] = r[k, j] - r[j, k]
        q /= np.linalg.norm(q)
        before = out[row - 1] if row else np.array([0.0, 0.0, 0.0, 1.0])
        out[row] = -q if q @ before < 0.0 else q
    return out

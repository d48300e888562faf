"""A lens somewhere: exact projection both ways, perspective and orthographic.

A camera looks along its own -Z; its place is the entrance pupil (the centre of perspective). Image x runs
right, y down, pixel centres lie at .5: the top left pixel covers [0, 1] x [0, 1]. Lengths in metres.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from previz.geometry import Array, inverse_rigid, rigid, transform_points, turned


@dataclass(frozen=True, eq=False)
class Camera:
    """A pinhole camera.

    ``world_from_cam`` is a (4, 4) rigid transform, ``focal_px`` the focal length in pixels,
    ``centre_x_px`` and ``centre_y_px`` the principal point, ``width_px`` and ``height_px`` the frame.
    """

    world_from_cam: Array
    focal_px: float
    centre_x_px: float
    centre_y_px: float
    width_px: int
    height_px: int

    @property
    def position(self) -> Array:
        """Place of the entrance pupil in the world, (3,) m."""
        return np.asarray(self.world_from_cam[:3, 3])

    @property
    def forward(self) -> Array:
        """Unit direction of view in the world, (3,)."""
        return np.asarray(-self.world_from_cam[:3, 2])

    def project(self, points: ArrayLike) -> Array:
        """Pixels (..., 2) of world points (..., 3). A point not in front of the lens gives NaN."""
        cam = transform_points(inverse_rigid(self.world_from_cam), points)
        depth = -cam[..., 2]
        with np.errstate(divide="ignore", invalid="ignore"):
            scale = np.where(depth > 0.0, self.focal_px / depth, np.nan)
        x = self.centre_x_px + scale * cam[..., 0]
        y = self.centre_y_px - scale * cam[..., 1]
        return np.stack([x, y], axis=-1)

    def depth(self, points: ArrayLike) -> Array:
        """Distance along the optical axis, (...) m, of world points (..., 3); negative behind the lens."""
        cam = transform_points(inverse_rigid(self.world_from_cam), points)
        return np.asarray(-cam[..., 2])

    def rays(self, px: ArrayLike) -> tuple[Array, Array]:
        """Sight lines through pixels (..., 2): origins (..., 3) m and unit directions (..., 3)."""
        p = np.asarray(px, dtype=np.float64)
        right, down = (p[..., 0] - self.centre_x_px) / self.focal_px, (p[..., 1] - self.centre_y_px) / self.focal_px
        length = np.sqrt(right * right + down * down + 1.0)
        directions = np.empty((*p.shape[:-1], 3))
        for axis, (x, y, z) in enumerate(self.world_from_cam[:3, :3]):
            directions[..., axis] = (right * x - down * y - z) / length
        return np.broadcast_to(self.position, directions.shape).copy(), directions

    def resized(self, width_px: int, height_px: int, factor: float | None = None) -> Camera:
        """The same camera with another pixel count; the horizontal field is kept.

        ``factor`` is how many times finer the pixels become; given, it decides instead of the width, and the frame
        is cropped or widened about its middle.
        """
        k = width_px / self.width_px if factor is None else factor
        return replace(
            self,
            focal_px=self.focal_px * k,
            centre_x_px=(self.centre_x_px - 0.5 * self.width_px) * k + 0.5 * width_px,
            centre_y_px=(self.centre_y_px - 0.5 * self.height_px) * k + 0.5 * height_px,
            width_px=width_px,
            height_px=height_px,
        )

    def moved(
        self,
        shift: ArrayLike = (0.0, 0.0, 0.0),
        pan: float = 0.0,
        tilt: float = 0.0,
        roll: float = 0.0,
        focal_factor: float = 1.0,
    ) -> Camera:
        """The camera after a knock: ``shift`` (3,) m in the world, then turns about its own axes."""
        m = self.world_from_cam
        knocked = rigid(m[:3, :3] @ turned(pan, tilt, roll), m[:3, 3] + np.asarray(shift, dtype=np.float64))
        return replace(self, world_from_cam=knocked, focal_px=self.focal_px * focal_factor)


@dataclass(frozen=True, eq=False)
class OrthoCamera:
    """A parallel view for drawings: ``px_per_m`` pixels to the metre, looking along its own -Z."""

    world_from_cam: Array
    px_per_m: float
    width_px: int
    height_px: int

    def project(self, points: ArrayLike) -> Array:
        """Pixels (..., 2) of world points (..., 3)."""
        cam = transform_points(inverse_rigid(self.world_from_cam), points)
        x = 0.5 * self.width_px + self.px_per_m * cam[..., 0]
        y = 0.5 * self.height_px - self.px_per_m * cam[..., 1]
        return np.stack([x, y], axis=-1)

    def depth(self, points: ArrayLike) -> Array:
        """Distance along the view, (...) m, of world points (..., 3); negative behind."""
        cam = transform_points(inverse_rigid(self.world_from_cam), points)
        return np.asarray(-cam[..., 2])

    def rays(self, px: ArrayLike) -> tuple[Array, Array]:
        """Sight lines through pixels (..., 2): origins (..., 3) m and unit directions (..., 3)."""
        p = np.asarray(px, dtype=np.float64)
        cam = np.stack(
            [
                (p[..., 0] - 0.5 * self.width_px) / self.px_per_m,
                -(p[..., 1] - 0.5 * self.height_px) / self.px_per_m,
                np.zeros(p.shape[:-1]),
            ],
            axis=-1,
        )
        origins = transform_points(self.world_from_cam, cam)
        direction = -self.world_from_cam[:3, 2]
        return origins, np.broadcast_to(direction, origins.shape).copy()


AnyCamera = Camera | OrthoCamera


def camera_for(
    position: ArrayLike,
    pan: float,
    tilt: float,
    roll: float,
    focal: float,
    sensor_width: float,
    width_px: int,
    height_px: int,
    shift_right: float = 0.0,
    shift_up: float = 0.0,
) -> Camera:
    """The camera of a lens of focal length ``focal`` m whose frame spans ``sensor_width`` m.

    The frame takes the full width of the sensor and as much of its height as its shape needs.
    ``shift_right`` and ``shift_up`` (m) move the lens against the sensor: a lens shifted up sees higher.
    """
    px_per_m = width_px / sensor_width
    return Camera(
        world_from_cam=rigid(turned(pan, tilt, roll), position),
        focal_px=focal * px_per_m,
        centre_x_px=0.5 * width_px - shift_right * px_per_m,
        centre_y_px=0.5 * height_px + shift_up * px_per_m,
        width_px=width_px,
        height_px=height_px,
    )

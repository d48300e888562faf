"""OpenGL's projection of a camera, as plain arithmetic: exact for shifted lenses, tiles and parallel views."""

from __future__ import annotations

from typing import Final

import numpy as np

from previz.camera import AnyCamera, Camera
from previz.geometry import Array

# nearest depth that is drawn, as a share of the farthest: keeps a 24-bit depth buffer fine enough (0.25 mm
# at 2 m) when the camera stands inside the set
NEAR_SHARE: Final = 1.0 / 2000.0


def clip_from_cam(camera: AnyCamera, tile: tuple[int, int, int, int], depths: Array) -> Array:
    """OpenGL's projection (4, 4) of a tile (x, y, width, height) px of the frame, image y down.

    ``depths`` are those of everything drawn; near and far lie just outside them. Row by row from
    ndc = 2 (px - tile) / size - 1 and the projections of ``previz.camera``.
    """
    x, y, width, height = tile
    far = 1.001 * float(depths.max())
    out = np.zeros((4, 4))
    if isinstance(camera, Camera):
        near = max(0.999 * float(depths.min()), far * NEAR_SHARE)
        out[0, 0] = 2.0 * camera.focal_px / width
        out[0, 2] = 1.0 - 2.0 * (camera.centre_x_px - x) / width
        out[1, 1] = -2.0 * camera.focal_px / height
        out[1, 2] = 1.0 - 2.0 * (camera.centre_y_px - y) / height
        out[2, 2] = (far + near) / (near - far)
        out[2, 3] = 2.0 * far * near / (near - far)
        out[3, 2] = -1.0
    else:
        near = max(0.999 * float(depths.min()), 0.0)
        out[0, 0] = 2.0 * camera.px_per_m / width
        out[0, 3] = (camera.width_px - 2.0 * x) / width - 1.0
        out[1, 1] = -2.0 * camera.px_per_m / height
        out[1, 3] = (camera.height_px - 2.0 * y) / height - 1.0
        out[2, 2] = 2.0 / (near - far)
        out[2, 3] = (far + near) / (near - far)
        out[3, 3] = 1.0
    return out

"""Where the plain shapes of a scene lie: the wall's rectangle, the delivered picture, the sight lines between them.

What is needed to judge a scene before anything is built; the bridge is in ``previz.scene.shape``. A modelled wall may
differ; see ``Scene.wall.mesh``.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from previz.geometry import Array
from previz.scene.model import Scene
from previz.scene.move import FIRST_FRAME, Move

PictureBox = tuple[float, float, float, float]  # left, bottom, right, top


def wall_box(scene: Scene) -> PictureBox:
    """The wall's rectangle on its datum plane, m: left, bottom, right, top."""
    wall = scene.wall
    middle = wall.sideways
    return (middle - 0.5 * wall.width, wall.top - wall.height, middle + 0.5 * wall.width, wall.top)


def distance_to_wall(scene: Scene, points: ArrayLike) -> Array:
    """Distance (N,) m of points (N, 3) to the wall's rectangle on its datum plane."""
    p = np.asarray(points, dtype=np.float64)
    left, bottom, right, top = wall_box(scene)
    x = np.maximum(np.maximum(left - p[:, 0], p[:, 0] - right), 0.0)
    y = np.maximum(np.maximum(bottom - p[:, 1], p[:, 1] - top), 0.0)
    return np.asarray(np.sqrt(x**2 + y**2 + p[:, 2] ** 2))


def delivered_box_px(scene: Scene) -> PictureBox:
    """The delivered picture inside its bars, px: left, top, right, bottom of the full frame."""
    width, height = scene.delivery.frame
    bars = scene.delivery.bars
    if bars is None:
        return (0.0, 0.0, float(width), float(height))
    w, h = min(float(width), height * bars), min(float(height), width / bars)
    return (0.5 * (width - w), 0.5 * (height - h), 0.5 * (width + w), 0.5 * (height + h))


def judged_frames(move: Move, most: int = 65) -> list[int]:
    """Frame numbers enough to judge a move by: evenly spread, with both ends, the hold's ends and the station."""
    last = move.frames[-1]
    spread = np.linspace(FIRST_FRAME, last, min(most, len(move.frames))).round().astype(int)
    return sorted({*(int(f) for f in spread), *move.scene.rail.hold, move.station_frame})


def behind(position: Array, points: ArrayLike) -> Array:
    """Where the sight lines from ``position`` (3,) through points (N, 3) meet the wall's datum plane, (N, 3) m.

    NaN where a sight line does not lead towards the wall.
    """
    p = np.asarray(points, dtype=np.float64)
    fall = position[2] - p[:, 2]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(fall > 0.0, position[2] / fall, np.nan)
    return np.asarray(position + share[:, None] * (p - position))

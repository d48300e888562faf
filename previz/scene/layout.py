"""Where the plain shapes of a scene lie: the wall's rectangle, the bridge's slab, the delivered picture.

What is needed to judge a scene before anything is built. Modelled meshes may differ; see ``Scene.wall.mesh`` and
``Scene.bridge.mesh``.
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


def near_end(scene: Scene) -> Array:
    """Left corner, middle and right corner (3, 3) m of the bridge's top at its near end."""
    bridge = scene.bridge
    half = 0.5 * bridge.width * bridge.taper
    return np.array([[bridge.bend + side * half, 0.0, bridge.length] for side in (-1.0, 0.0, 1.0)])


def distance_to_bridge(scene: Scene, points: ArrayLike) -> Array:
    """Distance (N,) m of points (N, 3) to the slab, its bend and camber taken as parabolas; 0 inside.

    Off by less than a hundredth of the bridge's length.
    """
    p = np.asarray(points, dtype=np.float64)
    bridge = scene.bridge
    share = np.linspace(0.0, 1.0, 65)
    half_width = 0.5 * bridge.width * (1.0 + (bridge.taper - 1.0) * share)
    top = 4.0 * bridge.camber * share * (1.0 - share)
    across = np.maximum(np.abs(p[:, None, 0] - bridge.bend * share**2) - half_width, 0.0)
    above = np.maximum(p[:, None, 1] - top, 0.0) + np.maximum(top - bridge.thickness - p[:, None, 1], 0.0)
    # each cross section stands for the stretch halfway to its neighbours
    reach = 0.5 / (len(share) - 1)
    first, last = (bridge.length * np.clip(share + step, 0.0, 1.0) for step in (-reach, reach))
    along = np.maximum(np.maximum(first - p[:, None, 2], p[:, None, 2] - last), 0.0)
    return np.asarray(np.sqrt(across**2 + above**2 + along**2).min(axis=1))


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

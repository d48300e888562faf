"""The frame as the lens and the shutter give it, by drawing it from many places on the pupil and at many moments.

What ``previz.look.soft`` works out from layers, done the long way: nothing is assumed of depths, edges or what hides
what. Diffraction is not part of it. As exact as there are looks: a blur of d px over n looks is
grainy below d / sqrt(n).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from previz.camera import Camera
from previz.geometry import Array, rigid
from previz.look.view import Engine
from previz.workshop.surface import Picture


def sunflower(count: int) -> Array:
    """Places (N, 2) spread evenly over the unit disc: Vogel, Mathematical Biosciences 44, 179-189, 1979."""
    number = np.arange(count)
    radius = np.sqrt((number + 0.5) / count)
    turn = number * np.pi * (3.0 - np.sqrt(5.0))
    return np.stack([radius * np.cos(turn), radius * np.sin(turn)], axis=-1)


def pupil_diameter(focal: float, stop: float, focus: float) -> float:
    """Diameter (m) of the entrance pupil to look through: f/N, times s / (s - f).

    A frame is drawn with the field of the engraved focal length, although a lens focused at s forms its picture
    s f / (s - f) behind itself. The factor makes up for it: circles of confusion are the thin lens's own on the sensor.
    """
    if focus <= focal:
        raise ValueError("a lens cannot be focused at or within its own focal length")
    return focal / stop * focus / (focus - focal)


def seen_from(camera: Camera, right: float, up: float, focus: float) -> Camera:
    """The camera moved ``right`` and ``up`` m sideways, its lens shifted so that the plane ``focus`` m away stays."""
    m = camera.world_from_cam
    px = camera.focal_px / focus
    return replace(
        camera,
        world_from_cam=rigid(m[:3, :3], m[:3, 3] + right * m[:3, 0] + up * m[:3, 1]),
        centre_x_px=camera.centre_x_px + right * px,
        centre_y_px=camera.centre_y_px - up * px,
    )


def averaged_frame(
    engine: Engine,
    camera_at: Callable[[float], Camera],
    names: Sequence[str],
    pupil: float = 0.0,
    focus: float = 1.0,
    looks: int = 64,
    moves: bool = True,
    samples: int = 2,
    background: tuple[float, float, float] = (0.0, 0.0, 0.0),
) -> Picture:
    """Mean picture (H, W, 3), linear light, of ``looks`` looks through a pupil of ``pupil`` m diameter while it moves.

    ``camera_at`` gives the camera at a share, 0 to 1, of the exposure; ``moves`` says whether it differs. Places on the
    pupil and moments are paired so that every part of the exposure has the whole pupil.
    """
    if looks < 1:
        raise ValueError("an average needs at least one look")
    total = np.zeros((camera_at(0.5).height_px, camera_at(0.5).width_px, 3))
    places = sunflower(looks) if pupil > 0.0 else np.zeros((looks, 2))
    # multiples of a number that has nothing to do with the golden section spread the moments over the whole pupil
    moments = (np.arange(looks) * (np.sqrt(2.0) - 1.0) + 0.5 / looks) % 1.0
    order = np.argsort(np.argsort(moments))
    for k in range(looks):
        camera = camera_at((order[k] + 0.5) / looks if moves else 0.5)
        right, up = 0.5 * pupil * places[k]
        total += engine.draw(
            seen_from(camera, float(right), float(up), focus), names, samples, background=background
        ).colour
    return np.asarray(total / looks, dtype=np.float32)

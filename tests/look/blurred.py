"""Small sets seen through a lens with a pupil, the layered way and the long way."""

from __future__ import annotations

import numpy as np

from previz.camera import Camera
from previz.colour import de00, lab
from previz.look.blur import LensBlur
from previz.look.soft import soft_frame
from tests.look.lensaverage import averaged_frame, pupil_diameter

NAMES = ("wall", "wall", "bridge")
SENSOR_WIDTH = 0.0359


class WithoutDiffraction(LensBlur):
    """Only what looks from many places average: no diffraction."""

    def diffraction_px(self) -> float:
        return 0.0


def blur_for(camera: Camera, stop: float, focus: float | None, shift=None, turn: float = 0.0) -> LensBlur:
    """A 35 mm lens's blur, without diffraction; the camera goes ``shift`` (3,) m and pans ``turn`` rad meanwhile."""
    moments = ()
    if shift is not None or turn:
        shift = np.zeros(3) if shift is None else np.asarray(shift)
        moments = tuple(camera.moved(k * shift, pan=k * turn) for k in (-0.5, 0.0, 0.5))
    pitch = 0.035 / camera.focal_px
    return WithoutDiffraction(camera, pitch, 0.035, stop, focus, moments=moments)


def layered(engine, blur, things, names=NAMES, samples=2):
    """The layered frame, or None."""
    points = {thing.name: thing.surface.corners for thing in things}
    return soft_frame(engine, blur, names, points[names[1]], points[names[2]], samples)


def averaged(engine, blur, names=("wall", "bridge"), looks=144, samples=2, shift=None, turn: float = 0.0):
    """The same frame by looking from many places."""
    camera = blur.camera
    shift = np.zeros(3) if shift is None else np.asarray(shift)

    def camera_at(share: float) -> Camera:
        return camera.moved((share - 0.5) * shift, pan=(share - 0.5) * turn)

    pupil = 0.0 if blur.focus is None else pupil_diameter(blur.focal, blur.stop, blur.focus)
    return averaged_frame(engine, camera_at, names, pupil, blur.focus or 1.0, looks, samples=samples)


def alike(one, other, limit: float = 2.0) -> float:
    """Share of pixels that differ by less than ``limit`` dE00."""
    a, b = (lab(np.clip(picture, 0.0, 1.0).astype(np.float64)) for picture in (one, other))
    return float(np.mean(de00(a, b) < limit))


def with_diffraction(blur: LensBlur) -> LensBlur:
    """The same lens, light being waves."""
    return LensBlur(**{key: getattr(blur, key) for key in blur.__dataclass_fields__})

"""What the illusion is from where the camera really stands, judged by the workers that draw frames.

The set keeps the paint that it has: laid for the station point, or solved for the hold, and looked at from the real
place. A frame is drawn, blurred and judged just as ``score`` and ``shoot`` do it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from previz.camera import Camera
from previz.geometry import Array, unit
from previz.judge.hold import FrameScore
from previz.look.blur import LensBlur, blur_of
from previz.stage.delivering import delivered, drawn_size
from previz.stage.looking import Looker
from previz.stage.prepare import BRIDGE, WALL, continues_wall

# every so many pixels of the judged frame the paint's drift is looked at
_EVERY_PX: Final = 3

# paint that has drifted by less, delivered pixels, still does its work
STILL_HOLDS_PX: Final = 1.0

# m; the bridge is looked at in lengths of so much
_LENGTH: Final = 0.02


@dataclass(frozen=True)
class Drifted:
    """How far the paint has drifted from the wall that it continues, as the real camera sees it: the ``holding`` share
    (0 to 1) of the visible paint within a delivered pixel, the median and the largest drift (delivered px), and how far
    (m) from the sill the paint lines up to a pixel, half of it at least in every 20 mm."""

    holding: float
    median_px: float
    worst_px: float
    holds_to: float


@dataclass(frozen=True)
class IllusionNow:
    """The frame's score from the ``real`` camera and from the ``wanted`` one. ``drifted`` is None for paint that
    continues no wall, and where none of it is seen."""

    real: FrameScore
    wanted: FrameScore
    drifted: Drifted | None


@dataclass(frozen=True, eq=False)
class IllusionJob:
    """Judges a frame of the move as the ``real`` camera sees it, against the ``wanted`` one."""

    frame: int
    real: Camera
    wanted: Camera

    def done_by(self, looker: Looker) -> IllusionNow:
        """Judge them."""
        real, wanted = (self._score(looker, camera) for camera in (self.real, self.wanted))
        ready = looker.ready
        drifted = None
        if continues_wall(ready.scene):
            station = np.asarray(ready.station_point)
            drifted = drift_of(looker, self.real, station, ready.scene.delivery.frame[0])
        return IllusionNow(real, wanted, drifted)

    def _score(self, looker: Looker, camera: Camera) -> FrameScore:
        size_px = camera.width_px, camera.height_px
        camera = camera.resized(*drawn_size(*size_px))
        blur = self._blur(looker, camera)
        shown = delivered(looker.engine, looker.ready, camera, blur, looker.shining)
        return looker.judged(self.frame, shown, camera, blur, size_px).score

    def _blur(self, looker: Looker, camera: Camera) -> LensBlur | None:
        """The frame's blur as this camera has it: it moves as the frame's own does while the shutter is open."""
        move = looker.ready.move
        blur = blur_of(move, self.frame, camera.width_px, camera.height_px)
        if blur is None:
            return None
        back = camera.world_from_cam @ np.linalg.inv(blur.camera.world_from_cam)
        longer = camera.focal_px / blur.camera.focal_px
        moments = tuple(
            replace(
                moment,
                world_from_cam=back @ moment.world_from_cam,
                focal_px=moment.focal_px * longer,
                centre_x_px=camera.centre_x_px,
                centre_y_px=camera.centre_y_px,
            )
            for moment in blur.moments
        )
        return replace(blur, camera=camera, moments=moments)


def drift_of(looker: Looker, camera: Camera, station: Array, delivered_px: int) -> Drifted | None:
    """How far the visible paint of the bridge has drifted; None where none is seen. As ``judge/slip.py``."""
    x = np.arange(0.5 * _EVERY_PX, camera.width_px, _EVERY_PX)
    y = np.arange(0.5 * _EVERY_PX, camera.height_px, _EVERY_PX)
    origins, directions = camera.rays(np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2))
    hits = looker.sight.first_hits(origins, directions, names=[BRIDGE])
    front = looker.sight.first_hits(origins, directions, names=[WALL])
    seen = np.isfinite(hits.distance) & ~(front.distance < hits.distance)
    points = hits.point[seen]
    eye = np.broadcast_to(station, points.shape).copy()
    behind = looker.sight.first_hits(eye, unit(points - eye), names=[WALL])
    known = np.isfinite(behind.distance)
    if not known.any():
        return None
    drift = _apart(camera, points[known], behind.point[known]) * delivered_px / camera.width_px
    good = drift < STILL_HOLDS_PX
    return Drifted(
        float(np.mean(good)), float(np.median(drift)), float(drift.max()), _holds_to(points[known][:, 2], good)
    )


def _holds_to(out: Array, good: NDArray[np.bool_]) -> float:
    """How far (m) from the sill at least half of the paint lines up in every length of the bridge."""
    length = np.maximum(out, 0.0) // _LENGTH
    for number in np.unique(length).tolist():
        if float(np.mean(good[length == number])) < 0.5:
            return float(number) * _LENGTH
    return float(out.max())


def _apart(camera: Camera, one: Array, other: Array) -> Array:
    return np.asarray(np.nan_to_num(np.linalg.norm(camera.project(one) - camera.project(other), axis=1), nan=1e6))


def delivered_view(real: Camera, wanted: Camera) -> Camera:
    """The real camera with the delivered frame: the middle of its photograph, as wide as the sensor."""
    k = wanted.width_px / real.width_px
    return replace(
        real,
        focal_px=real.focal_px * k,
        centre_x_px=wanted.centre_x_px,
        centre_y_px=wanted.centre_y_px,
        width_px=wanted.width_px,
        height_px=wanted.height_px,
    )

"""What the illusion is from where the camera really stands, judged in the room where frames are looked at."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from previz.camera import Camera
from previz.errors import JudgeError
from previz.geometry import Array, unit
from previz.judge.slip import slip_of
from previz.pipeline.bridges import fast_looker
from previz.pipeline.looking import Looker
from previz.pipeline.prepare import BRIDGE, WALL

# every so many pixels of the judged frame the paint's drift is looked at
_EVERY_PX = 3

# paint that has drifted by less, delivered pixels, still does its work
STILL_HOLDS_PX = 1.0


@dataclass(frozen=True)
class IllusionNow:
    """``broken`` percent of the outline and ``slip_px`` from the real camera; ``broken_wanted`` from the wanted one;
    ``holding`` share (0 to 1) of the visible paint that has drifted by less than a delivered pixel. None: unjudged."""

    broken: float | None
    broken_wanted: float | None
    slip_px: float | None
    holding: float | None


@dataclass(frozen=True, eq=False)
class IllusionJob:
    """Judges the real camera against the wanted one."""

    real: Camera
    wanted: Camera
    station: Camera
    delivered_px: int

    def done_by(self, looker: Looker) -> IllusionNow:
        """Judge them."""
        scene = looker.loaded.scene
        fast = fast_looker(looker, own_paint=True)
        percent: list[float | None] = []
        slip = None
        for camera in (self.real, self.wanted):
            try:
                found = fast.judged(scene, camera, self.station)
            except JudgeError:
                percent.append(None)
                continue
            percent.append(found.percent)
            if camera is self.real:
                at = np.asarray(self.station.position)
                slip = slip_of(found.outline, camera, at, looker.sight, self.delivered_px)
        return IllusionNow(percent[0], percent[1], slip, self._holding(looker))

    def _holding(self, looker: Looker) -> float | None:
        camera = self.real
        x = np.arange(0.5 * _EVERY_PX, camera.width_px, _EVERY_PX)
        y = np.arange(0.5 * _EVERY_PX, camera.height_px, _EVERY_PX)
        origins, directions = camera.rays(np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2))
        hits = looker.sight.first_hits(origins, directions, names=[BRIDGE])
        front = looker.sight.first_hits(origins, directions, names=[WALL])
        seen = np.isfinite(hits.distance) & ~(front.distance < hits.distance)
        points = hits.point[seen]
        if len(points) == 0:
            return None
        eye = np.broadcast_to(np.asarray(self.station.position), points.shape).copy()
        behind = looker.sight.first_hits(eye, unit(points - eye), names=[WALL])
        known = np.isfinite(behind.distance)
        if not known.any():
            return None
        drift = _apart(camera, points[known], behind.point[known]) * self.delivered_px / camera.width_px
        return float(np.mean(drift < STILL_HOLDS_PX))


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

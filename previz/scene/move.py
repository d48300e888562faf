"""The camera at every frame of the scene's move."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from previz.camera import Camera, camera_for
from previz.geometry import Array, unit
from previz.rail import Track, eased
from previz.scene.model import Scene

FIRST_FRAME = 1001


@dataclass(frozen=True, eq=False)
class Move:
    """The scene's move: what the lens sees from where, frame by frame.

    ``frames`` (N,) are frame numbers, ``rail`` (N,) m the travel from the start of the move.
    """

    scene: Scene
    track: Track
    frames: tuple[int, ...]
    rail: Array
    station_frame: int

    @property
    def station_rail(self) -> float:
        """Travel (m) at the station frame."""
        return float(self.rail[self.station_frame - FIRST_FRAME])

    def camera(self, frame: int, width_px: int | None = None, height_px: int | None = None) -> Camera:
        """The camera at a frame number, at the delivered size unless another is asked for."""
        if not self.frames[0] <= frame <= self.frames[-1]:
            raise ValueError(f"frame {frame} lies outside the move, {self.frames[0]} to {self.frames[-1]}")
        return self.camera_at(float(self.rail[frame - FIRST_FRAME]), width_px, height_px)

    def camera_at(self, rail: float, width_px: int | None = None, height_px: int | None = None) -> Camera:
        """The camera at ``rail`` m of travel from the start of the move."""
        body = self.scene.camera
        distance = rail - self.station_rail
        position = self.track.position(distance)
        pan, tilt = body.pan, body.tilt
        aim = self.scene.rail.aim
        if aim == "track":
            pan += float(self.track.heading(distance))
        elif not isinstance(aim, str):
            turn = _bearing(np.asarray(aim) - position) - _bearing(np.asarray(aim) - self.track.through)
            pan, tilt = pan + float(turn[0]), tilt + float(turn[1])
        full_width, full_height = self.scene.delivery.frame
        camera = camera_for(
            position,
            pan,
            tilt,
            body.roll,
            focal=body.lens,
            sensor_width=body.sensor[0],
            width_px=full_width,
            height_px=full_height,
            shift_right=body.shift[0],
            shift_up=body.shift[1],
        )
        if width_px is None:
            return camera
        return camera.resized(width_px, height_px or round(full_height * width_px / full_width))


def _bearing(direction: Array) -> Array:
    d = unit(direction)
    return np.array([np.arctan2(d[0], -d[2]), np.arcsin(d[1])])


def move_of(scene: Scene) -> Move:
    """The move that a scene describes."""
    rail = scene.rail
    body = scene.camera
    count = rail.frames
    progress = np.linspace(0.0, 1.0, count) if count > 1 else np.zeros(1)
    station = rail.station if rail.station is not None else (rail.hold[0] + rail.hold[1]) // 2
    if rail.along == "arc":
        along = np.array([np.cos(body.pan), 0.0, np.sin(body.pan)])
        radius = rail.radius or 0.0
    else:
        along, radius = unit(rail.along), rail.radius or 0.0
    return Move(
        scene=scene,
        track=Track(through=np.asarray(body.position), along=along, radius=radius),
        frames=tuple(range(FIRST_FRAME, FIRST_FRAME + count)),
        rail=rail.travel * eased(progress, rail.ease),
        station_frame=station,
    )

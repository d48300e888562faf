"""The camera at every frame of the scene's move."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from previz.camera import Camera, camera_for
from previz.errors import Fault, SceneError
from previz.geometry import Array, turned, unit
from previz.rail import Timing, Track
from previz.scene.model import Scene
from previz.scene.timetable import FIRST_FRAME, course_reasons, station_frame, timing_of

__all__ = ["FIRST_FRAME", "NO_TURN", "Move", "aimed", "move_of"]

NO_TURN = (0.0, 0.0)


@dataclass(frozen=True, eq=False)
class Move:
    """The scene's move: what the lens sees from where, frame by frame.

    ``frames`` (N,) are frame numbers, ``rail`` (N,) m the travel from the start of the move, ``timing`` when it stands,
    slides and turns. A time is in frames from the first frame, whole or between two; before it and after the last frame
    all stands.
    """

    scene: Scene
    track: Track
    frames: tuple[int, ...]
    rail: Array
    station_frame: int
    timing: Timing

    @property
    def station_rail(self) -> float:
        """Travel (m) at the station frame."""
        return self.rail_at(self.station_frame)

    def beside(self, frame: int) -> tuple[int, int]:
        """The frames before and after one, itself where the move ends there."""
        return max(frame - 1, self.frames[0]), min(frame + 1, self.frames[-1])

    def rail_at(self, frame: int) -> float:
        """Travel (m) from the start of the move at a frame."""
        return float(self.rail[frame - FIRST_FRAME])

    @property
    def positions(self) -> Array:
        """Places of the lens (N, 3) m at every frame."""
        return self.track.position(self.rail - self.station_rail)

    def rail_during(self, time: ArrayLike) -> Array:
        """Travel (...) m from the start of the move at times (...)."""
        return self.timing.travelled(time)

    def turns(self, time: ArrayLike) -> Array:
        """Pan and tilt (..., 2) rad of the move at times (...), away from the camera's angles at the station frame."""
        rail, t = self.scene.rail, np.asarray(time, dtype=np.float64)
        out = np.zeros((*t.shape, 2))
        for axis, (turn, ease) in enumerate(((rail.pan, rail.pan_ease), (rail.tilt, rail.tilt_ease))):
            if turn != 0.0:
                eased_by = rail.ease if ease is None else ease
                here = self.timing.turned(self.station_frame - FIRST_FRAME, eased_by)
                out[..., axis] = turn * (self.timing.turned(t, eased_by) - here)
        return out

    def camera(self, frame: int, width_px: int | None = None, height_px: int | None = None) -> Camera:
        """The camera at a frame number, at the delivered size unless another is asked for."""
        if not self.frames[0] <= frame <= self.frames[-1]:
            raise ValueError(f"frame {frame} lies outside the move, {self.frames[0]} to {self.frames[-1]}")
        time = frame - FIRST_FRAME
        return self.camera_at(float(self.rail[time]), width_px, height_px, self.turns(time))

    def camera_during(self, time: float, width_px: int | None = None, height_px: int | None = None) -> Camera:
        """The camera at a time."""
        return self.camera_at(float(self.rail_during(time)), width_px, height_px, self.turns(time))

    def camera_at(
        self, rail: float, width_px: int | None = None, height_px: int | None = None, turn: ArrayLike = NO_TURN
    ) -> Camera:
        """The camera at ``rail`` m of travel from the start, panned and tilted by ``turn`` (2,) rad of the move."""
        body = self.scene.camera
        distance = rail - self.station_rail
        position = self.track.position(distance)
        pan, tilt = body.pan, body.tilt
        aim = self.scene.rail.aim
        if aim == "track":
            pan += float(self.track.heading(distance))
        elif not isinstance(aim, str) and distance != 0.0:
            pan, tilt = aimed(np.asarray(aim), self.track.through, position, body.pan, body.tilt, body.roll)
        more_pan, more_tilt = (float(angle) for angle in np.asarray(turn))
        full_width, full_height = self.scene.delivery.frame
        camera = camera_for(
            position,
            pan + more_pan,
            tilt + more_tilt,
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


def aimed(
    point: Array, before: Array, now: Array, pan: float, tilt: float, roll: float
) -> tuple[float, float]:
    """Pan and tilt (rad) that keep ``point`` where it was in the picture after the lens has moved.

    The lens was at ``before`` (3,) with the given angles and is at ``now`` (3,); roll stays. Exact wherever a pan
    head can do it. Close to straight up or down it may not: then the point keeps its distance from the middle of
    the picture as nearly as the head allows.
    """
    was, wanted = unit(point - before), unit(point - now)
    # the sight line in the camera, rolled as the camera is: it must not change
    kept = turned(0.0, 0.0, roll) @ (turned(pan, tilt, roll).T @ was)
    # tilt: its height after the tilt, kept_y cos t - kept_z sin t, must be the height of the wanted line
    reach, phase = float(np.hypot(kept[1], kept[2])), float(np.arctan2(kept[1], -kept[2]))
    if reach < 1e-12:
        return pan, tilt
    rise = float(np.arcsin(np.clip(wanted[1] / reach, -1.0, 1.0)))
    turns = [
        tilt + (angle - phase - tilt + np.pi) % (2.0 * np.pi) - np.pi for angle in (rise, np.pi - rise)
    ]
    new_tilt = min(turns, key=lambda turn: abs(turn - tilt))
    tilted = turned(0.0, new_tilt, 0.0) @ kept
    turn = np.arctan2(wanted[0], -wanted[2]) - np.arctan2(tilted[0], -tilted[2])
    new_pan = pan + (turn - pan + np.pi) % (2.0 * np.pi) - np.pi
    return float(new_pan), float(new_tilt)


def move_of(scene: Scene) -> Move:
    """The move that a scene describes.

    Raises :class:`SceneError` where the station frame lies outside the move, stands and pauses leave no slide, or a
    curved rail has no radius.
    """
    rail = scene.rail
    body = scene.camera
    count = rail.frames
    faults = [Fault(scene.title, 0, 0, r.key, r.expected, r.found, r.hint) for r in course_reasons(rail)]
    if faults:
        raise SceneError(faults)
    timing = timing_of(rail)
    station = station_frame(rail)
    if not FIRST_FRAME <= station < FIRST_FRAME + count:
        expected = f"a station frame of the move, {FIRST_FRAME} to {FIRST_FRAME + count - 1}"
        raise SceneError([Fault(scene.title, 0, 0, "rail.station", expected, str(station))])
    radius = rail.radius or 0.0
    if rail.along == "arc":
        if radius == 0.0:
            raise SceneError([Fault(scene.title, 0, 0, "rail.radius", 'a radius for along = "arc"', "none")])
        along = np.array([np.cos(body.pan), 0.0, np.sin(body.pan)])
    else:
        along = unit(rail.along)
    return Move(
        scene=scene,
        track=Track(through=np.asarray(body.position), along=along, radius=radius),
        frames=tuple(range(FIRST_FRAME, FIRST_FRAME + count)),
        rail=timing.at_frames(count),
        station_frame=station,
        timing=timing,
    )

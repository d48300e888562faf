"""The plate's move at the miniature's scale.

The plate's camera is given against the performer's feet at the station frame, at full size. "Ahead", "right" and
"above" are the level axes of the camera itself there: right of the feet, above the floor, and so far back from them
that the feet are straight ahead where ``lateral`` is 0. A scene's pan turns these axes and is no part of the match.
The plate's camera travels along the scene's own rail as the scene's move does: the same share of its travel at the
same delivered frame, eased and aimed alike. So miniature and full size are one shape at two sizes, about the feet,
and by Thales every thing lies on the same ray of the lens in both.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from pydantic import ValidationError

from previz.camera import Camera
from previz.errors import PlateError
from previz.geometry import Array, rigid
from previz.optics import angle_of_view
from previz.scene.model import Pause, Scene
from previz.scene.move import Move, move_of
from previz.scene.shape import bridge_shape
from previz.scene.timetable import station_frame
from previz.units import deg_text, mm_text

_MM = 1e-3


@dataclass(frozen=True)
class PlateNumbers:
    """The plate's camera at the station frame; lengths (m) at full size, angles (rad).

    ``height`` above the performer's floor, ``distance`` level and straight ahead to the feet, ``lateral`` to the right
    of them. ``travel`` is signed along the scene's rail. ``crop`` is the share of the sensor's width that the used
    picture takes, from its middle; ``shift`` moves the lens against the sensor: right, up.
    """

    lens: float
    sensor_width: float
    height: float
    distance: float
    tilt: float = 0.0
    travel: float = 0.0
    lateral: float = 0.0
    roll: float = 0.0
    crop: float = 1.0
    shift: tuple[float, float] = (0.0, 0.0)

    def __post_init__(self) -> None:
        if not (self.lens > 0.0 and self.sensor_width > 0.0 and 0.0 < self.crop <= 1.0):
            raise ValueError("a plate needs a lens and a sensor above 0 m and a crop above 0, at most 1")

    @property
    def used_width(self) -> float:
        """Width (m) of the sensor that the used picture takes."""
        return self.sensor_width * self.crop


def plate_numbers(scene: Scene) -> PlateNumbers:
    """The plate's camera as the scene has it under ``plate.camera``. Raises :class:`PlateError` where it has none."""
    told = None if scene.plate is None else scene.plate.camera
    if scene.plate is None or told is None:
        raise PlateError(
            'the scene says nothing of the plate\'s camera; write camera = { lens = "35 mm", height = "1.6 m", '
            'distance = "9 m" } under [plate], or mark a still under [plate.marks]'
        )
    return PlateNumbers(
        lens=told.lens,
        sensor_width=(told.sensor or scene.camera.sensor)[0],
        height=told.height,
        distance=told.distance,
        tilt=told.tilt,
        travel=told.travel,
        lateral=told.lateral,
        crop=scene.plate.crop,
    )


def foot_point(scene: Scene, frame: float | None = None) -> Array:
    """The foot mark of a scene with a plate, (3,) m at miniature size: on the bridge's centre line, on its top.

    Of a performer who walks: that at a delivered ``frame``, at the station frame if none.
    """
    if scene.plate is None:
        raise ValueError("the scene has no plate")
    mark = scene.plate.mark_at(station_frame(scene.rail) if frame is None else frame)
    return bridge_shape(scene).on_middle(mark)


def figure_height(scene: Scene) -> float:
    """The performer's height (m) at miniature size."""
    if scene.plate is None:
        raise ValueError("the scene has no plate")
    return scene.plate.height / scene.scale


def level_axes(pan: float) -> Array:
    """Rows right, up, back, (3, 3), of a camera panned by ``pan`` rad and level, in the scene's axes."""
    c, s = math.cos(pan), math.sin(pan)
    return np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])


def own_numbers(scene: Scene) -> PlateNumbers:
    """The scene's own camera said as a plate's, at full size: the plate that the scene would match as it is.

    ``distance`` is negative where the lens stands past the foot mark.
    """
    body = scene.camera
    lateral, height, distance = level_axes(body.pan) @ (np.asarray(body.position) - foot_point(scene)) * scene.scale
    return PlateNumbers(
        lens=body.lens,
        sensor_width=body.sensor[0],
        height=float(height),
        distance=float(distance),
        tilt=body.tilt,
        travel=scene.rail.travel * scene.scale,
        lateral=float(lateral),
        roll=body.roll,
        shift=body.shift,
    )


def scaled_scene(scene: Scene, plate: PlateNumbers) -> Scene:
    """The scene with the miniature camera that matches the plate; its :func:`move_of` is the matched move.

    Changed are position, tilt, roll, lens, shift and travel; sensor, pan, rail, easing and aim stay the scene's. The
    lens is the one that gives the plate's angle of view on the scene's sensor (see :func:`view_crop` where there is
    none such). What was in focus on the set stays in focus. Raises :class:`PlateError` where no scene can hold the
    result.
    """
    body, foot = scene.camera, foot_point(scene)
    axes = level_axes(body.pan)
    away = np.array([plate.lateral, plate.height, plate.distance]) / scene.scale
    position = foot + away @ axes
    sensor_ratio = body.sensor[0] / plate.used_width
    lens = plate.lens * sensor_ratio
    changes: dict[str, Any] = {
        "camera__position": tuple(float(v) for v in position),
        "camera__tilt": plate.tilt,
        "camera__roll": plate.roll,
        "camera__lens": lens,
        "camera__shift": (plate.shift[0] * sensor_ratio, plate.shift[1] * sensor_ratio),
        "rail__travel": plate.travel / scene.scale,
        "rail__pauses": _paused(scene, plate.travel / scene.scale),
    }
    try:
        matched = scene.edited(**changes)
    except ValidationError as error:
        fault = error.errors()[0]
        key = ".".join(str(part) for part in fault["loc"])
        raise PlateError(
            f"the plate's camera at 1:{scene.scale:g} asks for a {key} that no scene can have "
            f"({fault['msg']}); check the numbers under [plate] and the scale"
        ) from error
    return _focused(matched, scene)


def _paused(scene: Scene, travel: float) -> tuple[Pause, ...]:
    """The scene's pauses at the same shares of another travel (m); none where there is no travel to pause in."""
    share = abs(travel / scene.rail.travel) if scene.rail.travel != 0.0 else 0.0
    return tuple(pause.model_copy(update={"at": pause.at * share}) for pause in scene.rail.pauses if share > 0.0)


def _focused(matched: Scene, scene: Scene) -> Scene:
    """The matched scene with the point in focus on the scene's axis still in focus; the feet where that is behind."""
    if scene.camera.focus is None or _same_stand(matched, scene):
        return matched
    before, after = (move_of(s) for s in (scene, matched))
    was, now = (m.camera(m.station_frame) for m in (before, after))
    focus = float(now.depth(was.position + scene.camera.focus * was.forward))
    nearest = 1.01 * matched.camera.lens
    if focus <= nearest:
        focus = float(now.depth(foot_point(scene)))
    return matched.edited(camera__focus=max(focus, nearest))


def _same_stand(one: Scene, other: Scene) -> bool:
    a, b = one.camera, other.camera
    return bool(np.allclose(a.position, b.position, rtol=0.0, atol=1e-12)) and (a.tilt, a.roll) == (b.tilt, b.roll)


def full_size(camera: Camera, foot: Array, scale: float) -> Camera:
    """The full-size camera of a miniature one: the same rays, ``scale`` times as far from the feet.

    Its world has the scene's axes and the performer's feet, ``foot`` (3,) m in the miniature, as origin.
    """
    m = camera.world_from_cam
    return replace(camera, world_from_cam=rigid(m[:3, :3], (m[:3, 3] - foot) * scale))


def horizon_row(camera: Camera, x_px: float | None = None) -> float:
    """Row (px) of the horizon at a column, the frame's middle unless given; NaN for a lens straight up or down.

    Where the sight line is level: for a camera without roll cy + f tan(tilt), below the middle where it looks up.
    """
    x = 0.5 * camera.width_px if x_px is None else x_px
    up = camera.world_from_cam[1, :3]  # the world's up as the camera has it
    if abs(up[1]) < 1e-9:
        return math.nan
    across = (x - camera.centre_x_px) / camera.focal_px
    return float(camera.centre_y_px + camera.focal_px * (across * up[0] - up[2]) / up[1])


def cameras_of(move: Move) -> list[Camera]:
    """The camera of every frame of a move, at the delivered size."""
    return [move.camera(frame) for frame in move.frames]


def fastest(scene: Scene) -> float:
    """Highest speed (m/s) of the scene's move at the delivered rate."""
    rail = move_of(scene).rail
    return float(np.abs(np.diff(rail)).max() * float(scene.delivery.rate)) if len(rail) > 1 else 0.0


def remarks(scene: Scene, plate: PlateNumbers) -> list[str]:
    """What a film-maker must be told about a plate's move before anything is compared; none where all is well."""
    if plate.travel == 0.0 and scene.rail.travel != 0.0:
        return [
            "the plate's camera does not travel, so a miniature that matches it does not either, and the bridge is "
            "never shown; write the plate's own travel under [plate]"
        ]
    if plate.travel * scene.rail.travel < 0.0:
        return [
            "the plate's camera travels against the scene's rail; turn the sign of plate.camera.travel or of "
            "rail.travel, or shoot the plate the other way"
        ]
    return []


@dataclass(frozen=True)
class ViewCrop:
    """Shares (0 to 1) of the widths of the used plate and of the miniature's picture that show the same angle."""

    plate: float
    miniature: float

    @property
    def text(self) -> str:
        """A plain sentence."""
        for name, share in (("miniature", self.miniature), ("plate", self.plate)):
            if share < 1.0 - 1e-4:
                return (
                    f"crop the {name} to the middle {100.0 * share:.1f} % of its width, enlarged {1.0 / share:.3f} "
                    "times, and both have the same angle of view"
                )
        return "both have the same angle of view, nothing is cropped"


def view_crop(plate: PlateNumbers, lens: float, sensor_width: float) -> ViewCrop:
    """The crop that makes the angles of view equal where the miniature is shot with ``lens`` m on its own sensor.

    Widths on the sensor at the same angle go as the focal lengths: w / (2 f) is the tangent of half of it.
    """
    ratio = (plate.used_width / plate.lens) / (sensor_width / lens)
    return ViewCrop(plate=min(1.0, 1.0 / ratio), miniature=min(1.0, ratio))


def wanted_text(scene: Scene, plate: PlateNumbers) -> list[tuple[str, str]]:
    """The matched miniature camera in words, name and value, for tables: what to set up on the day."""
    matched = scaled_scene(scene, plate)
    body, scale = matched.camera, scene.scale
    view = float(angle_of_view(body.lens, body.sensor[0]))
    rows = [
        ("lens above the feet", mm_text(plate.height / scale)),
        ("lens to the feet, level", mm_text(plate.distance / scale)),
        ("lens right of the feet", mm_text(plate.lateral / scale)),
        ("tilt", deg_text(plate.tilt, 2)),
        ("roll", deg_text(plate.roll, 2)),
        ("lens", f"{mm_text(body.lens, 2)}, {deg_text(view, 2)} across"),
        ("travel", mm_text(plate.travel / scale)),
        ("top speed", f"{fastest(matched) / _MM:.1f} mm/s at the delivered rate"),
        ("figure's height", mm_text(figure_height(scene))),
    ]
    if body.focus is not None:
        rows.append(("focus", mm_text(body.focus)))
    return rows

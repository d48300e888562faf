"""Planted feet: balls where a performer's soles are, traced at full size and in miniature, against ``feet.csv``.

The plate's camera is SciPy's rotations and the scene's numbers. Of each traced ball OpenCV gives the middle; laid as
the row of ``feet.csv`` says, the plate's has to come to lie as far from the miniature's as the row's residual says.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
import trimesh
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from previz.camera import camera_for
from previz.plate.feet import facing_camera, foot_track
from previz.plate.top import stances, top_of
from previz.scene.model import Scene
from previz.scene.move import move_of
from tests.benchmarks.reality.tracer import Mesh, Tracer, View, World

Floats = NDArray[np.float64]

_SIZE_PX: Final = (1920, 1080)

# radius (m) of a ball at full size, and how far (px) about it is looked at
_BALL: Final = 0.06
_REACH_PX: Final = 20

# frames of the shot that are looked at, and plates: as the scene has it, and one whose camera stands amiss
_FRAMES: Final = 6
_PLATES: Final = {"as the scene has it": (1.0, 1.0), "too high and too near": (1.1, 0.8)}


def feet_of(scene: Scene, folder: Path, variant: str, samples: int) -> dict[str, Any]:
    """For some frames of the shot, how far (px) laid feet lie from where the row of ``feet.csv`` has them."""
    del folder
    move, plate = move_of(scene), scene.plate
    assert plate is not None
    assert plate.camera is not None
    body = plate.camera
    on_floor, on_bridge = stances(top_of(scene), plate.foot_mark, plate.height, scene.scale)
    cameras = [move.camera(frame, *_SIZE_PX) for frame in move.frames]
    shares = (move.rail - move.station_rail) / move.rail[-1]
    found = []
    for words, (high, near) in _PLATES.items():
        places = [np.array([body.travel * share, body.height * high, body.distance * near]) for share in shares]
        views = [
            camera_for(place, 0.0, body.tilt, 0.0, body.lens, scene.camera.sensor[0], *_SIZE_PX) for place in places
        ]
        facing = facing_camera(on_bridge.foot, move.camera(move.station_frame, *_SIZE_PX))
        track = foot_track(move.frames, views, cameras, on_floor, on_bridge, facing)
        for k in np.unique(np.linspace(0, len(move.frames) - 1, _FRAMES).round().astype(int)):
            world_from_cam = np.eye(4)
            world_from_cam[:3, :3] = Rotation.from_euler("X", body.tilt).as_matrix()
            world_from_cam[:3, 3] = places[k]
            focal = body.lens / scene.camera.sensor[0] * _SIZE_PX[0]
            for foot in (0, 1):
                full = _seen(world_from_cam, focal, on_floor.feet[foot], _BALL, variant, samples)
                small = _seen(
                    np.asarray(cameras[k].world_from_cam), cameras[k].focal_px, on_bridge.feet[foot],
                    _BALL / scene.scale, variant, samples,
                )  # fmt: skip
                if full is None or small is None:
                    continue
                turn = track.scale[k] * np.exp(1j * track.turn[k])
                moved = turn * complex(*(full - track.layer_foot_px[k]))
                laid = track.foot_px[k] + [moved.real, moved.imag]
                off = laid - small - track.residual_px[k, foot]
                found.append({"plate": words, "frame": int(move.frames[k]), "foot": ("left", "right")[foot],
                              "off_px": float(np.linalg.norm(off))})  # fmt: skip
    return {"feet": found}


def _seen(
    world_from_cam: Floats, focal: float, place: Floats, radius: float, variant: str, samples: int
) -> Floats | None:
    """Where (2,) px a ball about ``place`` is seen in the traced picture, None outside of it."""
    cam = np.linalg.inv(world_from_cam) @ [*place, 1.0]
    matrix = np.array([[focal, 0.0, 0.5 * _SIZE_PX[0]], [0.0, focal, 0.5 * _SIZE_PX[1]], [0.0, 0.0, 1.0]])
    about = (matrix @ (cam[:3] * [1.0, -1.0, -1.0]))[:2] / -cam[2]
    low = np.floor(about).astype(int) - _REACH_PX
    side = 2 * _REACH_PX
    if (low < 0).any() or low[0] + side > _SIZE_PX[0] or low[1] + side > _SIZE_PX[1]:
        return None
    sphere = trimesh.creation.icosphere(subdivisions=4, radius=radius)
    ball = Mesh(
        np.asarray(sphere.vertices + place, np.float32), np.asarray(sphere.faces, np.uint32),
        np.zeros((len(sphere.vertices), 2), np.float32), None, np.full((2, 2, 3), 0.5, np.float32),
    )  # fmt: skip
    view = View(
        (tuple(tuple(float(v) for v in row) for row in world_from_cam),), float(focal),
        (0.5 * _SIZE_PX[0], 0.5 * _SIZE_PX[1]), _SIZE_PX, (int(low[0]), int(low[1]), side, side),
    )  # fmt: skip
    drawn = Tracer(World({"ball": ball}, (), (), 1.0, 1.0), variant).cover(view, "ball", (), samples)
    moments = cv2.moments(drawn)
    if moments["m00"] <= 0.0:
        return None
    # OpenCV counts from the middle of the first pixel
    return low + 0.5 + np.array([moments["m10"], moments["m01"]]) / moments["m00"]

"""Feet and contact shadow of a miniature that misses its plate, measured against OpenCV and closed forms, and timed."""

from __future__ import annotations

import math
import time
from pathlib import Path

import cv2
import numpy as np

from previz.camera import Camera, camera_for
from previz.geometry import cv_from_world
from previz.look.sight import SightLines
from previz.plate.cardcast import StandingCard
from previz.plate.feet import facing_camera, foot_track
from previz.plate.shadow import BODY_DEPTH, cast_shadow, face_of, key_lamp, shadow_matte
from previz.plate.top import Top, stances, top_of
from previz.scene.model import Lamp
from previz.scene.move import move_of
from previz.scene.reader import read_scene
from previz.scene.shape import Slab
from previz.workshop.bridge import slab
from tests.benchmarks.figures import Figure, at_most

QUARRY = Path(__file__).resolve().parents[2] / "scenes" / "quarry.toml"
FRAME_PX = (1280, 720)


def _opencv_px(view: Camera, points: np.ndarray) -> np.ndarray:
    world = cv_from_world(view.world_from_cam)
    turn, _ = cv2.Rodrigues(world[:3, :3])
    inner = np.array([[view.focal_px, 0, view.centre_x_px], [0, view.focal_px, view.centre_y_px], [0, 0, 1.0]])
    return cv2.projectPoints(points.astype(np.float64), turn, world[:3, 3], inner, None)[0].reshape(-1, 2)


def _feet() -> list[Figure]:
    """The quarry's own move, and a plate whose camera is a tenth too high and a fifth too near."""
    scene = read_scene(QUARRY)
    move = move_of(scene)
    plate = scene.plate
    assert plate is not None
    assert plate.camera is not None
    on_floor, on_bridge = stances(top_of(scene), plate.foot_mark, plate.height, scene.scale)
    cameras = [move.camera(frame, *FRAME_PX) for frame in move.frames]
    body = plate.camera
    shares = (move.rail - move.station_rail) / move.rail[-1]
    plates = {
        "as the scene has it": (1.0, 1.0),
        "too high and too near": (1.1, 0.8),
    }
    figures = []
    for words, (high, near) in plates.items():
        views = [
            camera_for(
                [body.travel * share, body.height * high, body.distance * near],
                0.0, body.tilt, 0.0, body.lens, scene.camera.sensor[0], *FRAME_PX,
            )
            for share in shares
        ]  # fmt: skip
        facing = facing_camera(on_bridge.foot, move.camera(move.station_frame, *FRAME_PX))
        got = foot_track(move.frames, views, cameras, on_floor, on_bridge, facing)
        wanted = []
        for before_view, after_view in zip(views, cameras, strict=True):
            before = _opencv_px(before_view, np.stack([on_floor.foot, on_floor.head, *on_floor.feet]))
            after = _opencv_px(after_view, np.stack([on_bridge.foot, on_bridge.head, *on_bridge.feet]))
            fit, _ = cv2.estimateAffinePartial2D(before[:2], after[:2], refineIters=0)
            wanted.append(before[2:] @ fit[:, :2].T + fit[:, 2] - after[2:])
        figures += [
            at_most(f"residual against OpenCV, {words}", float(np.abs(got.residual_px - wanted).max()), "px", 0.05),
            Figure(f"worst residual, {words}", float(np.abs(got.residual_px).max()), "px"),
            at_most(f"worst slide, {words}", got.worst[1], "px a frame", 0.5),
            Figure(f"worst slide by the corners, {words}", got.corners_worst[1], "px a frame"),
            Figure(f"drift over the move, {words}", got.drift_px, "px"),
        ]
    return figures


def _closed_forms() -> list[Figure]:
    """A bar's shadow is h / tan(elevation) long; a penumbra is the lamp's width times the ratio of the distances."""
    foot, texel, height = np.array([0.0, 0.0, 0.5]), 0.0005, 0.09
    worst = 0.0
    for elevation in (30.0, 45.0, 60.0):
        up = math.radians(elevation)
        lamp = Lamp(name="key", position=tuple(foot + 90.0 * np.array([0.0, math.sin(up), math.cos(up)])))
        alpha = np.pad(np.ones((400, 10), dtype=np.float32), 20)
        card = StandingCard(alpha, (25.0, 420.0), 400.0, foot, height, np.array([0.0, 0.0, 1.0]))
        shadow = cast_shadow(card, face_of(lamp), Top(Slab(1.0, 1.0, 0.012, 1.0, 0.0, 0.0)), texel)
        rows = np.flatnonzero((shadow.share > 0.5).any(axis=1))
        length = 0.5 - (shadow.back + rows[0] * texel)
        worst = max(worst, abs(length - height / math.tan(up)))
    wall = np.zeros((300, 1000), dtype=np.float32)
    wall[:, :500] = 1.0
    card = StandingCard(wall, (500.0, 300.0), 300.0, foot, 0.3, np.array([0.0, 0.0, 1.0]))
    lamp = Lamp(name="key", position=(0.0, 0.6, 2.0), aim=(0.0, 0.6, 0.0), size=(0.3, 0.02))
    shadow = cast_shadow(card, face_of(lamp), Top(Slab(0.6, 0.3, 0.012, 1.0, 0.0, 0.0)), 0.002)
    row = shadow.share[int((0.35 - shadow.back) / shadow.texel)]
    at = np.interp([0.1, 0.9], row[::-1], shadow.left + (np.arange(len(row))[::-1] + 0.5) * shadow.texel)
    wanted = 0.8 * 0.3 * 0.15 / 1.5
    return [
        at_most("shadow of a bar against h / tan(elevation)", 1e3 * worst, "mm", 1e3 * texel * 1.5),
        at_most("penumbra against lamp x distances", 100.0 * abs(float(at[0] - at[1]) / wanted - 1.0), "%", 3.0),
    ]


def _times() -> list[Figure]:
    """The quarry's key, a body of the surveyor's size, 100 frames."""
    scene = read_scene(QUARRY)
    move, top = move_of(scene), top_of(scene)
    plate = scene.plate
    assert plate is not None
    _, on_bridge = stances(top, plate.foot_mark, plate.height, scene.scale)
    station = move.camera(move.station_frame, *FRAME_PX)
    y, x = np.indices((600, 300))
    alpha = (np.hypot((x - 149.5) / 90.0, (y - 299.5) / 295.0) < 1.0).astype(np.float32)
    card = StandingCard(
        alpha, (150.0, 595.0), 590.0, on_bridge.foot, on_bridge.height,
        facing_camera(on_bridge.foot, station), BODY_DEPTH / scene.scale,
    )  # fmt: skip
    key = key_lamp(scene.lamps, scene.light, on_bridge.foot)
    assert key is not None
    texel = 0.5 * float(station.depth(on_bridge.foot)) / station.focal_px
    sight = SightLines([slab(scene.bridge, 0.05, 0.002).surface])
    shadow_matte(cast_shadow(card, face_of(key), top, 4.0 * texel), station)  # compiled now, not in the time
    start = time.perf_counter()
    shadow = cast_shadow(card, face_of(key), top, texel)
    cast = time.perf_counter()
    for frame in move.frames:
        shadow_matte(shadow, move.camera(frame, *FRAME_PX), sight=sight)
    done = time.perf_counter()
    return [
        Figure("shadow worked out once", cast - start, "s"),
        at_most(f"shadow and {len(move.frames)} mattes of 1280 x 720", done - start, "s", 10.0),
    ]


def figures(quick: bool) -> list[Figure]:
    """Every figure; all of them are quick."""
    del quick
    return [*_feet(), *_closed_forms(), *_times()]
